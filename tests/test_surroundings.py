"""Bad surroundings: devices, folders, terminals, encodings, clocks and Ctrl-C."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from benchlog.capture import sidecar as sidecars
from benchlog.capture import sound, stage, store, stream
from benchlog.commands import demo
from benchlog.errors import DeviceError
from benchlog.show.terminal import SPELLED, spell_out
from tests.command_inputs import answer, lay_in
from tests.command_line import Outcome, command_words, plain_environment, run_here, run_process
from tests.fuzz import interrupts
from tests.fuzz.devices import Devices, PortAudioError
from tests.test_refusals import check_refused, closed_to_writing

ROOT = Path(__file__).resolve().parent.parent
needs_posix = pytest.mark.skipif(os.name != "posix", reason="POSIX shells and signals")


@pytest.fixture
def bench(bench_folder: Path, heron_text: str) -> Path:
    """Return a bench folder with three records of heron."""
    lay_in(bench_folder, heron_text, [0.0, 135.0, 270.0])
    return bench_folder


# --- devices -------------------------------------------------------------------


def put_in(monkeypatch: pytest.MonkeyPatch, devices: Devices) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", devices)


def capture(bench: Path, *words: str) -> Outcome:
    return run_here("capture", "heron", "--at", "90", "--seconds", "0.5", *words, cwd=bench)


# the library's codes (portaudio.h): -9985 device unavailable, -9997 invalid sample rate,
# -9998 invalid channel count
@pytest.mark.parametrize(
    ("code", "text", "words"),
    [
        (-9985, "Device unavailable", ("unavailable", "closing the program that uses it")),
        (-9997, "Invalid sample rate", ("does not do 48000 samples per second", "--rate")),
        (-9998, "Invalid number of channels", ("inputs",)),
        (-9999, "Unanticipated host error", ("host error", "benchlog inputs")),
    ],
)
def test_a_device_that_refuses_is_told_and_leaves_nothing(
    bench: Path, monkeypatch: pytest.MonkeyPatch, code: int, text: str, words: tuple[str, ...]
) -> None:
    before = sorted(bench.rglob("*"))
    put_in(monkeypatch, Devices(PortAudioError(f"Error opening InputStream: {text}", code)))
    check_refused(capture(bench, "--input", "USB"), *words)
    assert sorted(path for path in bench.rglob("*") if path.name[0] != ".") == before


def test_no_device(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put_in(monkeypatch, Devices(names=()))
    check_refused(capture(bench, "--input", "USB"), "there is no sound input")
    outcome = run_here("inputs", cwd=bench)
    assert outcome.status == 0
    assert "Sound inputs: none" in outcome.out


def test_a_default_that_changed_is_never_fallen_back_on(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # the named device is gone and another has become the default: nothing is opened
    put_in(monkeypatch, Devices(names=("[red]Webcam microphone",)))
    outcome = capture(bench, "--input", "USB")
    check_refused(outcome, "no sound input matches 'USB'")
    assert "[red]Webcam microphone" in outcome.err


@pytest.mark.parametrize("name", ["9" * 5000, "٣", "-1", "", " ", "0x0"])
def test_a_number_that_is_no_devices(
    bench: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    put_in(monkeypatch, Devices())
    check_refused(capture(bench, f"--input={name}"), "sound input")


def test_a_device_that_lies_about_its_rate_is_refused_or_taken_at_its_word() -> None:
    # what a stream says once it is open is what counts, not what was asked for
    opened = stream.SoundStream("USB", (1,), 48000.0)
    opened.opened(44100.0, lambda: None)
    status = SimpleNamespace(input_overflow=False)
    for count in range(3):
        clock = SimpleNamespace(inputBufferAdcTime=count * 441 / 44100.0)
        opened.receive(np.zeros((441, 1), dtype=np.int32), 441, clock, status)
    blocks = [opened.read(0.1) for _ in range(3)]
    assert opened.rate_hz == 44100.0
    assert [block.first_frame for block in blocks if block is not None] == [0, 441, 882]


def test_a_port_that_is_none(bench: Path) -> None:
    for port in ("/dev/null", "/dev/none", "COM1", "x" * 300, "a\nb"):
        outcome = run_here(
            "capture", "heron", "--at", "9", "--port", port, "--seconds", "0.2", cwd=bench
        )
        assert outcome.status == 2, outcome
        assert "Traceback" not in outcome.err
        assert all(line.isprintable() for line in outcome.err.splitlines())


def test_a_fault_of_a_device_is_a_device_error() -> None:
    with pytest.raises(DeviceError):
        sound.find_input("no device has this name")


# --- folders ----------------------------------------------------------------------

PLACES = [
    "with a blank",
    "bürste und Größe",
    "日本",
    "it's",
    'a "quote"',
    "line\nbreak",
    "tab\there",
    "[red]",
    "<b>",
    "-dash",
    "%s{}",
    "a;b&c|d",
    "\udcff",
]


@needs_posix
@pytest.mark.parametrize("name", PLACES, ids=ascii)
def test_a_bench_folder_of_any_name(bench: Path, name: str) -> None:
    place = bench.parent / name
    bench.rename(place)
    for words in (("--bench", str(place)), ()):
        cwd = bench.parent if words else place
        content = answer(run_here("calibrate", "heron", "--json", *words, cwd=cwd))
        assert Path(content["table"]).name.endswith(".csv")
        shown = run_here("calibrate", "heron", *words, cwd=cwd)
        assert shown.status == 0, shown
        record = (place if words else Path()) / "captures" / "heron" / "m00.csv"
        assert run_here("measure", record, cwd=cwd).status == 0
    assert len(list((place / "calibration" / "heron").glob("*.csv"))) == 4


def test_a_folder_that_may_only_be_read(bench: Path) -> None:
    with closed_to_writing(bench):
        assert run_process("measure", "captures/heron/m00.csv", cwd=bench).status == 0
        assert run_process("calibrate", "heron", "--no-save", cwd=bench).status == 0
        check_refused(run_process("calibrate", "heron", "--json", cwd=bench), "written|read-only")
        check_refused(run_process("demo", "stage", cwd=bench), "written|read-only")
        pulses = ("--pulses", "out.csv")
        outcome = run_process("measure", "captures/heron/m00.csv", *pulses, cwd=bench)
        check_refused(outcome, "written|read-only")


@needs_posix
def test_a_home_that_is_not_there_or_closed(bench: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir(0o500)
    for place in (str(home), "/nonexistent", "/proc"):
        environment = {
            key: value for key, value in os.environ.items() if not key.startswith("XDG_")
        } | {"HOME": place}
        outcome = run_process("calibrate", "heron", cwd=bench, environment=environment)
        assert (outcome.status, outcome.err) == (0, ""), outcome
    assert not list(home.iterdir())


# --- terminals and pipes ------------------------------------------------------------


def run_with(bench: Path, *words: str, **environment: str) -> Outcome:
    return run_process(*words, cwd=bench, environment={**os.environ, **environment})


COMMANDS = [
    ("predict", "heron"),
    ("measure", "captures/heron/m00.csv"),
    ("calibrate", "heron"),
    ("demo",),
    ("inputs",),
    ("--help",),
    ("calibrate", "--help"),
]


@pytest.mark.parametrize("columns", ["40", "20", "1", "0", "-3", "many", "99999"])
@pytest.mark.parametrize("words", COMMANDS[:3], ids=" ".join)
def test_any_width(
    bench: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], columns: str
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    outcome = run_here(*words, cwd=bench)
    assert outcome.status in (0, 1), outcome
    assert outcome.out
    if columns == "40":
        assert max(map(len, outcome.out.splitlines())) <= 40, outcome.out
        assert "…" not in outcome.out


@pytest.mark.parametrize("words", COMMANDS[3:], ids=" ".join)
def test_forty_columns(
    bench: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setattr(stage, "STAGE", stage.STAGE[3:])  # one channel shows what four would
    outcome = run_here(*words, cwd=bench)
    assert outcome.status == 0, outcome
    assert max(map(len, outcome.out.splitlines())) <= 40, outcome.out


def test_a_long_channel_name_on_forty_columns(
    bench: Path, heron_text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    (bench / "a.toml").write_text(heron_text.replace('"heron"', f'"{"wide-" * 12}"'))
    outcome = run_here("predict", "a.toml", cwd=bench)
    assert outcome.status in (0, 1)
    assert max(map(len, outcome.out.splitlines())) <= 40, outcome.out
    assert "wide-" * 12 in "".join(outcome.out.split())


@needs_posix
@pytest.mark.parametrize("words", [COMMANDS[0], COMMANDS[2], COMMANDS[5]], ids=" ".join)
def test_a_reader_that_leaves_early(bench: Path, words: tuple[str, ...]) -> None:
    with subprocess.Popen(
        command_words(*words),
        cwd=bench,
        env=plain_environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()  # as `head` does once it has its line
        err = process.stderr.read()
        assert process.wait(60) in (0, 1)
    assert err == ""


@needs_posix
@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", ">&- 2>&- <&-"])
def test_closed_streams(bench: Path, closed: str) -> None:
    before = {path: path.read_bytes() for path in bench.rglob("*.csv")}
    line = f'exec "$0" "$@" {closed}'
    done = subprocess.run(
        ["sh", "-c", line, *command_words("calibrate", "heron")],
        cwd=bench,
        env=plain_environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, ""), done
    assert {path: path.read_bytes() for path in before} == before
    (table,) = set((bench / "calibration" / "heron").glob("*.csv"))
    assert table.read_text(encoding="utf-8").startswith("# benchlog calibration table")


@pytest.mark.parametrize("encoding", ["ascii", "ascii:strict", "latin-1", "cp437", "koi8-r"])
def test_an_output_that_cannot_show_every_character(bench: Path, encoding: str) -> None:
    environment = plain_environment({**os.environ, "PYTHONIOENCODING": encoding})
    for words in (("calibrate", "heron", "--no-save"), ("measure", "bürste.csv"), ("--help",)):
        done = subprocess.run(
            command_words(*words),
            cwd=bench,
            env=environment,
            capture_output=True,
            timeout=60,
            check=False,
        )
        assert b"Traceback" not in done.stderr, done
        assert done.returncode == (2 if words[0] == "measure" else 0), done
        text = done.stdout.decode(encoding.partition(":")[0])
        assert "?" not in text
        if words[0] == "calibrate" and encoding.startswith("ascii"):
            assert "pulse +- U" in text
            assert " us" in text
            # laid out after it was spelled out, so the figures stand in their columns
            _, *rows = (line for line in text.splitlines() if " +- " in line)
            assert len({row.index(" +- ") for row in rows if row.strip()[0].isdigit()}) == 1, text


@needs_posix
@pytest.mark.parametrize("locale", ["C", "POSIX", "xx_XX.nonsense"])
def test_any_locale(bench: Path, locale: str) -> None:
    place = bench.parent / "bürste"
    bench.rename(place)
    extra = {"LC_ALL": locale, "LANG": locale, "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONIOENCODING"} | extra
    outcome = run_process("calibrate", "heron", "--bench", place, cwd=place.parent,
                          environment=environment)  # fmt: skip
    assert (outcome.status, outcome.err) == (0, ""), outcome


def test_spelling_out() -> None:
    assert spell_out("1500.0 ± 0.2 µs at 90°", "ascii") == "1500.0 +- 0.2 us at 90 deg"
    assert spell_out("1500.0 ± 0.2 µs at 90°", "latin-1") == "1500.0 ± 0.2 µs at 90°"
    assert spell_out("bürste 日", "ascii") == "b\\xfcrste \\u65e5"
    assert spell_out("±", None) == spell_out("±", "no such encoding") == "±"
    assert "3 kΩ ± 5".encode("ascii", SPELLED) == b"3 kohm +- 5"
    assert b"\xff".decode("utf-8", "surrogateescape").encode("utf-8", SPELLED) == b"\\udcff"
    with pytest.raises(UnicodeDecodeError):
        b"\xff".decode("utf-8", SPELLED)


@needs_posix
@pytest.mark.parametrize("terminal", ["dumb", "", "nonsense", "xterm-256color"])
def test_any_terminal(bench: Path, terminal: str) -> None:
    outcome = run_with(bench, "predict", "heron", TERM=terminal, FORCE_COLOR="")
    assert outcome.status == 0
    assert "\x1b" not in outcome.out


# --- clocks --------------------------------------------------------------------------


@pytest.mark.parametrize("zone", ["Pacific/Chatham", ":nonsense", "XYZ+25:61", "UTC-14", ""])
def test_any_time_zone(bench: Path, zone: str) -> None:
    outcome = run_with(bench, "calibrate", "heron", "--json", TZ=zone)
    content = answer(outcome)
    stamp = Path(content["table"]).stem
    made = datetime.strptime(stamp, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    assert abs((datetime.now(UTC) - made).total_seconds()) < 300


@pytest.mark.parametrize("year", [1970, 1980, 1999, 2038, 2107, 9999])
def test_a_clock_that_is_far_off(bench: Path, monkeypatch: pytest.MonkeyPatch, year: int) -> None:
    class Clock(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> Clock:
            return cls(year, 1, 1, 0, 0, 12, tzinfo=tz)

    monkeypatch.setattr(store, "datetime", Clock)
    content = answer(run_here("calibrate", "heron", "--json", cwd=bench))
    assert Path(content["table"]).name == f"{year}0101T000012Z.csv"
    assert sidecars.is_stamp(Path(content["table"]).stem)
    again = answer(run_here("calibrate", "heron", "--json", cwd=bench))
    assert Path(again["table"]).name == f"{year}0101T000012Z-2.csv"


@pytest.mark.parametrize("words", [*COMMANDS[:3], COMMANDS[5]], ids=" ".join)
def test_warnings_as_errors(bench: Path, words: tuple[str, ...]) -> None:
    outcome = run_with(bench, *words, PYTHONWARNINGS="error")
    assert outcome.status in (0, 1), outcome
    assert outcome.err == ""


def test_isolated_from_odd_settings(bench: Path) -> None:
    odd: Mapping[str, str] = {
        "PYTHONOPTIMIZE": "2", "PYTHONDONTWRITEBYTECODE": "1", "PYTHONHASHSEED": "0",
        "NO_COLOR": "1", "LINES": "x", "PYTHONUNBUFFERED": "1", "PYTHONDEVMODE": "1",
    }  # fmt: skip
    outcome = run_with(bench, "calibrate", "heron", **odd)
    assert (outcome.status, outcome.err) == (0, ""), outcome


# --- Ctrl-C ----------------------------------------------------------------------------


@needs_posix
@pytest.mark.parametrize(
    ("name", "count", "within_s"),
    [
        ("measure", 3, 0.6),
        ("calibrate", 3, 0.8),
        ("demo", 2, 3.0),
        ("demo without a folder", 1, 3.0),
    ],
)
def test_ctrl_c_at_any_instant(
    tmp_path: Path, heron_text: str, name: str, count: int, within_s: float
) -> None:
    bench = tmp_path / "bench"
    interrupts.make_small_bench(bench, heron_text, ROOT / "captures" / "heron")
    statuses = interrupts.interrupt_at_random(
        name, count, tmp_path, bench, seed=7, within_s=within_s
    )
    assert set(statuses) <= {0, 1, 130}


def test_ctrl_c_while_the_demo_tidies_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    remove = shutil.rmtree
    calls: list[Path] = []

    def interrupted(path: Path, *words: Any, **options: Any) -> None:
        calls.append(path)
        if len(calls) == 1:
            raise KeyboardInterrupt
        remove(path, *words, **options)

    monkeypatch.setattr(demo, "_make_and_calibrate", lambda place: (place / "a").mkdir())
    monkeypatch.setattr(demo, "_present", lambda *_: None)
    monkeypatch.setattr(shutil, "rmtree", interrupted)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    assert run_here("demo", cwd=tmp_path).status == 130
    assert list(tmp_path.iterdir()) == []


def test_ctrl_c_while_the_program_is_still_being_loaded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Interrupting:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "benchlog.commands.application":
                raise KeyboardInterrupt

    loaded = [name for name in sys.modules if name.startswith("benchlog.commands")]
    for name in loaded:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(sys, "meta_path", [Interrupting(), *sys.meta_path])
    outcome = run_here("--version", cwd=tmp_path)
    assert (outcome.status, outcome.out) == (130, "")
    assert outcome.err.splitlines() == ["interrupted; what was stored until now is kept"]


@pytest.fixture(autouse=True)
def _leave_nothing_outside(tmp_path: Path) -> Iterator[None]:
    """Hold every test here to its own folder."""
    before = set(ROOT.iterdir())
    yield
    new = {path.name for path in set(ROOT.iterdir()) - before} - {".hypothesis", ".pytest_cache"}
    assert not new
