"""The commands as a user types them: words, exit statuses, JSON, what is written and kept."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from benchlog.channel.design import parse_design, predict_cycle
from tests.command_inputs import answer, check_line, write_edges
from tests.command_line import COMMANDS, Outcome, command_words, plain_environment, run_here

# --- the door ---


def test_help_lists_the_commands_in_their_groups(tmp_path: Path) -> None:
    outcome = run_here("--help", cwd=tmp_path)
    assert outcome.status == 0
    places = [outcome.out.index(f"│ {name} ") for name in COMMANDS]
    assert places == sorted(places)
    for group in ("Set up", "Measure", "Calibrate", "Show"):
        assert f"─ {group} ─" in outcome.out
    assert run_here(cwd=tmp_path).out == outcome.out


def test_every_command_and_option_has_help() -> None:
    from benchlog.commands.application import command_line

    group = command_line()
    commands = group.commands
    assert tuple(commands) == COMMANDS
    for name, command in commands.items():
        assert command.help, name
        options = [option for option in command.params if option.name != "help"]
        assert options, name
        for option in options:
            assert option.help, (name, option.name)
        assert any("--json" in option.opts for option in options), name


def test_version(tmp_path: Path) -> None:
    import benchlog

    assert run_here("--version", cwd=tmp_path).out == f"benchlog {benchlog.__version__}\n"


@pytest.mark.parametrize("command", ["dial", "drift", "measure"])
def test_the_help_names_no_types_of_the_language(tmp_path: Path, command: str) -> None:
    outcome = run_here(command, "--help", cwd=tmp_path)
    assert outcome.status == 0
    for word in ("<", "bool", "list[", "...}...", "...]..."):
        assert word not in outcome.out


@pytest.mark.parametrize("word", ["--help", "--version"])
def test_help_and_version_import_nothing_heavy(tmp_path: Path, word: str) -> None:
    code = (
        "import sys; from benchlog.__main__ import main; main([sys.argv[1]]);"
        "heavy = {'numpy', 'scipy', 'matplotlib', 'sounddevice', 'soundfile', 'serial', 'vcd'};"
        "sys.exit(repr(heavy & set(sys.modules)) if heavy & set(sys.modules) else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, word],
        cwd=tmp_path,
        env=plain_environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_a_command_is_loaded_without_the_others(tmp_path: Path) -> None:
    write_edges(tmp_path / "a.csv", 0.0015, 0.0185)
    code = (
        "import sys; from benchlog.__main__ import main; main(['measure', '--json', 'a.csv']);"
        "beside = {'benchlog.commands.watch', 'benchlog.capture.vcd_files', 'soundfile'};"
        "sys.exit(repr(beside & set(sys.modules)) if beside & set(sys.modules) else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=plain_environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_measure_needs_no_scipy(tmp_path: Path) -> None:
    write_edges(tmp_path / "a.csv", 0.0015, 0.0185)
    code = (
        "import sys; sys.modules['scipy'] = None; from benchlog.__main__ import main;"
        "sys.exit(main(['measure', 'a.csv']))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=plain_environment(),
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("sing", ("no command 'sing'", "one of new, inputs, wire")),
        ("mesure a.wav", ("no command 'mesure'", "benchlog measure")),
        ("measure", ("benchlog measure without FILE",)),
        ("measure a.wav --loudly", ("has no option --loudly", "--active, --signal")),
        ("measure a.wav --activ high", ("has no option --activ", "try: --active")),
        ("measure a.wav --sinal x", ("try: --signal",)),
        ("diagnose a.wav --nonsense", ("that 'benchlog diagnose --help' lists; try: benchlog",)),
        ("diagnose a.wav --secnds 4", ("has no option --secnds", "try: --seconds")),
        ("diagnose a.wav --chan 2", ("try: --channel-input",)),
        ("diagnose a.wav --knobb 2", ("try: --knob",)),
        ("measure a.wav --active", ("--active without a value",)),
        ("measure a.wav --active sideways", ("--active 'sideways'", "high or low")),
        ("predict", ("benchlog predict without CHANNEL|DESIGN.toml",)),
        ("predict heron more", ("more",)),
        ("predict x.toml --at nan", ("--at 'nan'", "degrees")),
        ("capture", ("benchlog capture without CHANNEL",)),
        ("capture heron", ("benchlog capture without --at",)),
        ("capture heron --at 9", ("without a device", "benchlog inputs")),
        ("capture heron --at 9 --input 1 --port COM1", ("both --input and --port",)),
        ("capture heron --at 9 --input 1 --seconds 0", ("--seconds '0'", "from 0.1 to 3600")),
        ("capture heron --at 9 --input 1 --seconds inf", ("--seconds 'inf'",)),
        ("capture heron --at 9 --input 1 --channel-input 1.5", ("whole number",)),
        ("capture heron --at 9 --input 1 --servo off", ("--servo 'off'", "unplugged or idle")),
        ("capture heron --at 9 --input 1 --direction left", ("up or down",)),
        ("capture heron --at 9 --input 1 --sweep today", ("--sweep 'today'", "stamp")),
        ("capture heron --at 9 --input 1 --supply six", ("--supply 'six'", "volts")),
        ("capture heron --at 9 --input 1", ("bench folder", "--bench")),
        ("calibrate", ("without a channel", "--point")),
        ("calibrate heron --design d.toml", ("--design together with a channel",)),
        ("calibrate heron --point 9=a.wav", ("--point together with a channel",)),
        ("calibrate --design d.toml", ("--design without --point",)),
        ("calibrate --design d.toml --sweep x --point 9=a", ("--design together with --sweep",)),
        ("calibrate --design d.toml --point a.wav", ("--point 'a.wav'", "DEG=FILE")),
        ("calibrate --design d.toml --point 9=a.wav", ("d.toml",)),
        ("calibrate heron --knob-reading -1", ("--knob-reading '-1'",)),
    ],
)
def test_words_that_cannot_be_used_get_one_line(
    tmp_path: Path, line: str, words: tuple[str, ...]
) -> None:
    check_line(run_here(*line.split(), cwd=tmp_path), *words)


def test_an_interrupt_ends_in_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchlog.commands import recordings

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(recordings, "measure_file", interrupted)
    outcome = run_here("measure", "a.csv", cwd=tmp_path)
    assert outcome.status == 130
    assert len(outcome.err.splitlines()) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such pipes")
def test_a_reader_that_leaves_is_no_error(tmp_path: Path) -> None:
    write_edges(tmp_path / "a.csv", 0.0015, 0.0185)
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        command_words("measure", "a.csv"),
        cwd=tmp_path,
        env=plain_environment(),
        stdout=write,
        stderr=subprocess.PIPE,
        text=True,
        timeout=60,
        check=False,
    )
    os.close(write)
    assert done.stderr == ""


# --- measure ---

STATISTIC = {"mean", "sd", "u", "min", "max"}


def test_measure_gives_the_promised_json(tmp_path: Path) -> None:
    write_edges(tmp_path / "a.csv", 0.0015, 0.0185)
    content = answer(run_here("measure", "a.csv", "--json", cwd=tmp_path))
    assert set(content) == {"files"}
    (file,) = content["files"]
    assert file["file"] == "a.csv"
    (one,) = file["inputs"]
    assert set(one) == {
        *("input", "sample_rate_hz", "duration_s", "pulse_count", "pulse_width_us", "period_us"),
        *("frequency_hz", "duty_cycle", "jitter_us", "active_level", "warnings"),
    }
    assert set(one["pulse_width_us"]) == set(one["period_us"]) == STATISTIC
    assert set(one["jitter_us"]) == {"period_rms", "cycle_to_cycle_rms", "width_rms", "floor"}
    assert (one["input"], one["pulse_count"], one["active_level"]) == (1, 60, "high")
    assert one["pulse_width_us"]["mean"] == pytest.approx(1500.0, abs=0.001)
    assert one["period_us"]["mean"] == pytest.approx(20000.0, abs=0.001)
    assert one["frequency_hz"] == pytest.approx(50.0)
    assert one["duty_cycle"] == pytest.approx(0.075)
    # the clock alone: 100 parts in a million of 1500 us, rectangular (JCGM 100:2008, 4.3.7)
    assert one["pulse_width_us"]["u"] >= 1500e-4 / np.sqrt(3)


def test_measure_reads_well_as_text(tmp_path: Path) -> None:
    write_edges(tmp_path / "a.csv", 0.0015, 0.0185)
    out = run_here("measure", "a.csv", cwd=tmp_path).out
    assert "1500.0 ± 0.2 µs" in out
    assert "20000.0 ± 2.3 µs" in out
    assert "active level" in out


def test_active_turns_the_pulse_over(tmp_path: Path) -> None:
    write_edges(tmp_path / "a.csv", 0.0015, 0.0185)
    content = answer(run_here("measure", "a.csv", "--active", "low", "--json", cwd=tmp_path))
    (one,) = content["files"][0]["inputs"]
    assert one["active_level"] == "low"
    assert one["pulse_width_us"]["mean"] == pytest.approx(18500.0, abs=0.001)


def test_the_sidecar_says_which_level_is_the_pulse(tmp_path: Path) -> None:
    write_edges(tmp_path / "a.csv", 0.0015, 0.0185)
    (tmp_path / "a.json").write_text(
        '{"channel": "heron", "knob_deg": 9, "recorded_utc": "2026-09-01T10:00:00Z",'
        ' "active_level": "low"}'
    )
    content = answer(run_here("measure", "a.csv", "--json", cwd=tmp_path))
    assert content["files"][0]["inputs"][0]["active_level"] == "low"
    (tmp_path / "a.json").write_text('{"channel": "heron", "knob_deg": "nine"}')
    check_line(run_here("measure", "a.csv", cwd=tmp_path), "a.json", "recorded_utc")


def test_json_of_another_kind_beside_a_recording_is_no_sidecar(tmp_path: Path) -> None:
    # what `benchlog measure a.csv --json > a.json` leaves, while it runs and afterwards
    write_edges(tmp_path / "a.csv", 0.0015, 0.0185)
    (tmp_path / "a.json").write_text("")
    first = run_here("measure", "a.csv", "--json", cwd=tmp_path)
    (tmp_path / "a.json").write_text(first.out)
    assert answer(run_here("measure", "a.csv", "--json", cwd=tmp_path)) == answer(first)


def test_pulses_are_written_a_row_each(tmp_path: Path) -> None:
    write_edges(tmp_path / "a.csv", 0.0015, 0.0185, count=5)
    write_edges(tmp_path / "b.csv", 0.0010, 0.0190, count=3)
    run_here("measure", "a.csv", "b.csv", "--pulses", "out.csv", cwd=tmp_path)
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out.csv").read_text())))
    assert list(rows[0]) == ["file", "input", "pulse", "start_s", "width_us", "period_us"]
    assert [row["file"] for row in rows] == ["a.csv"] * 5 + ["b.csv"] * 3
    assert [row["pulse"] for row in rows] == list("12345123")
    assert [row["period_us"] == "" for row in rows] == [False] * 4 + [True] + [False] * 2 + [True]
    assert float(rows[1]["start_s"]) == pytest.approx(0.023)
    assert float(rows[1]["width_us"]) == pytest.approx(1500.0)
    assert float(rows[1]["period_us"]) == pytest.approx(20000.0)


def test_one_bad_file_does_not_hide_the_others(tmp_path: Path) -> None:
    write_edges(tmp_path / "a.csv", 0.0015, 0.0185)
    outcome = run_here("measure", "gone.wav", "a.csv", "gone.vcd", "--json", cwd=tmp_path)
    content = answer(outcome, status=2)
    assert [file["file"] for file in content["files"]] == ["a.csv"]
    assert [line.split()[0] for line in outcome.err.splitlines()] == ["gone.wav", "gone.vcd"]


def test_a_warning_that_spoils_the_figures_is_status_1(tmp_path: Path) -> None:
    # half high, half low on a sound input: which is the pulse is a guess
    import soundfile

    time_s = np.arange(48000) / 48000
    values = np.where((time_s % 0.02) < 0.01, 0.4, -0.4)
    soundfile.write(tmp_path / "half.wav", values, 48000, subtype="PCM_16")
    outcome = run_here("measure", "half.wav", "--json", cwd=tmp_path)
    (one,) = answer(outcome, status=1)["files"][0]["inputs"]
    assert "polarity-unsure" in [warning["code"] for warning in one["warnings"]]
    assert answer(run_here("measure", "half.wav", "--active", "high", "--json", cwd=tmp_path))
    assert "warning:" in run_here("measure", "half.wav", cwd=tmp_path).out


# --- predict ---


def test_predict_gives_the_promised_json(bench_folder: Path, heron_text: str) -> None:
    content = answer(run_here("predict", "heron", "--json", cwd=bench_folder))
    assert content["channel"] == "heron"
    positions = content["positions"]
    assert [position["knob_deg"] for position in positions] == [22.5 * k for k in range(13)]
    assert set(positions[0]) >= {
        *("knob_deg", "on_us", "off_us", "period_us", "servo_deg", "end_stop"),
        *("on_low_us", "on_high_us"),
    }
    cycle = predict_cycle(parse_design(heron_text, "heron"), [22.5 * k for k in range(13)])
    for position, on_s, off_s in zip(positions, cycle.on_s, cycle.off_s, strict=True):
        assert position["on_us"] == pytest.approx(on_s * 1e6)
        assert position["period_us"] == pytest.approx((on_s + off_s) * 1e6)
        assert position["on_low_us"] < position["on_us"] < position["on_high_us"]
        assert position["end_stop"] is None


def test_predict_takes_a_file_or_a_channel(
    bench_folder: Path, heron_design: Path, tmp_path: Path
) -> None:
    words = ("--at", "90", "--at", "45.5", "--json")
    by_name = run_here("predict", "heron", *words, "--bench", bench_folder, cwd=tmp_path)
    by_file = run_here("predict", heron_design, *words, cwd=tmp_path)
    assert answer(by_name) == answer(by_file)
    assert [p["knob_deg"] for p in answer(by_file)["positions"]] == [90.0, 45.5]


def test_a_prediction_past_the_end_stop_is_status_1(tmp_path: Path, heron_text: str) -> None:
    (tmp_path / "d.toml").write_text(heron_text.replace("2500", "2000"), encoding="utf-8")
    outcome = run_here("predict", "d.toml", cwd=tmp_path)
    assert outcome.status == 1
    assert "past the high stop" in outcome.out
    (one,) = answer(run_here("predict", "d.toml", "--at", "0", "--json", cwd=tmp_path))["positions"]
    assert one["end_stop"] is None
    last = run_here("predict", "d.toml", "--at", "270", "--json", cwd=tmp_path)
    (one,) = answer(last, status=1)["positions"]
    assert (one["end_stop"], one["servo_deg"]) == ("high", 180.0)


def test_a_supply_out_of_range_warns_on_standard_error_alone(
    tmp_path: Path, heron_text: str
) -> None:
    (tmp_path / "d.toml").write_text(heron_text.replace("volts = 6.0", "volts = 17.0"))
    outcome = run_here("predict", "d.toml", "--at", "90", "--json", cwd=tmp_path)
    assert outcome.err.startswith("warning: ")
    assert "17 V" in outcome.err
    assert answer(outcome)["positions"]


# --- capture, inputs, demo ---


def test_capture_makes_no_bench_folder_unasked(tmp_path: Path) -> None:
    words = ("capture", "heron", "--at", "9", "--port", "no-port", "--seconds", "1")
    check_line(run_here(*words, cwd=tmp_path), "bench folder")
    assert list(tmp_path.iterdir()) == []


def test_inputs_gives_both_lists(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchlog.capture import probe, sound

    one = sound.SoundInput(3, "USB [red]input", "ALSA", 2, 48000.0, is_default=False)
    monkeypatch.setattr(sound, "list_inputs", lambda: [one])
    monkeypatch.setattr(probe, "list_ports", lambda: [probe.SerialPort("/dev/x[0]", "a board")])
    content = answer(run_here("inputs", "--json", cwd=tmp_path))
    assert content["sound_inputs"] == [
        {
            "number": 3,
            "name": "USB [red]input",
            "interface": "ALSA",
            "input_count": 2,
            "sample_rate_hz": 48000.0,
            "system_default": False,
        }
    ]
    assert content["serial_ports"] == [{"name": "/dev/x[0]", "description": "a board"}]
    out = run_here("inputs", cwd=tmp_path).out
    assert "USB [red]input" in out
    assert "/dev/x[0]" in out


def test_inputs_without_portaudio_still_lists_the_ports(tmp_path: Path) -> None:
    # a library that cannot be loaded, as where the package is not installed
    code = (
        "import ctypes.util, sys; ctypes.util.find_library = lambda name: None;"
        "from benchlog.__main__ import main; sys.exit(main(['inputs', '--json']))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=plain_environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    content = answer(Outcome(done.returncode, done.stdout, done.stderr))
    if sys.platform.startswith("linux"):  # the packages for the others bring the library along
        assert "libportaudio2" in content["sound_fault"]
    assert isinstance(content["serial_ports"], list)


@pytest.mark.pty
@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
def test_a_recording_without_a_pulse_is_kept_but_set_aside(bench_folder: Path) -> None:
    import termios
    import threading
    import tty

    far, near = os.openpty()
    tty.setraw(near)
    stop = threading.Event()

    def report() -> None:
        # what comes before the port is opened is thrown away with whatever an older program left
        while not stop.wait(0.05) and termios.tcgetattr(near)[4] != termios.B115200:
            pass
        if not stop.wait(0.3):
            os.write(far, b"# benchlog-probe ticks_per_s=1000000 width_bits=32 inputs=1\n")
            os.write(far, b"1000 1\n")

    thread = threading.Thread(target=report, daemon=True)
    thread.start()
    try:
        words = ("capture", "heron", "--at", "9", "--port", os.ttyname(near), "--seconds", "0.5")
        outcome = run_here(*words, cwd=bench_folder)
    finally:
        stop.set()
        thread.join()
        os.close(near)
        os.close(far)
    assert outcome.status == 2, outcome
    assert outcome.out == ""
    assert "Before you connect anything" in outcome.err  # the first use of this bench folder
    (sidecar,) = (bench_folder / "captures" / "heron").glob("*.json")
    assert json.loads(sidecar.read_text())["set_aside"].startswith("no pulse")
    assert sidecar.with_suffix(".csv").is_file()
    # so it does not stand in the way of a calibration
    assert "set aside" in run_here("calibrate", "heron", cwd=bench_folder).err


def test_demo_refuses_a_folder_that_holds_something(tmp_path: Path) -> None:
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "mine.txt").write_text("mine")
    check_line(run_here("demo", "taken", cwd=tmp_path), "taken", "another name")
    assert [path.name for path in (tmp_path / "taken").iterdir()] == ["mine.txt"]


def test_large_files_are_measured_side_by_side_in_their_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from benchlog.capture.csv_files import write_csv
    from benchlog.commands import measure
    from benchlog.recording import EdgeList

    monkeypatch.setattr(measure, "_WORTH_SHARING_BYTES", 0)
    names = []
    for number, width_s in enumerate((1.0e-3, 1.5e-3, 2.0e-3)):
        start_s = 0.02 * np.arange(1, 40)
        time_s = np.stack([start_s, start_s + width_s], axis=1).ravel()
        names.append(f"{number}.csv")
        level = np.arange(time_s.shape[0]) % 2 == 0
        write_csv(tmp_path / names[-1], EdgeList(time_s, level, 1e-9, 0.0, 1.0))
    outcome = run_here("measure", *names, "none.wav", "--json", cwd=tmp_path)
    assert outcome.status == 2
    assert "none.wav" in outcome.err
    told = json.loads(outcome.out)["files"]
    assert [file["file"] for file in told] == names
    widths = [file["inputs"][0]["pulse_width_us"]["mean"] for file in told]
    assert widths == pytest.approx([1000.0, 1500.0, 2000.0])
