"""What cannot be used is refused in one plain line with exit 2, and nothing is printed besides."""

from __future__ import annotations

import contextlib
import os
import re
import struct
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.command_line import Outcome, run_here, run_process

_RATE_HZ = 48000


def check_refused(outcome: Outcome, *words: str) -> None:
    """Hold the outcome to one line on standard error that names what was found."""
    assert outcome.status == 2, outcome
    assert outcome.out == "", outcome
    assert outcome.err.endswith("\n"), outcome
    assert len(outcome.err.splitlines()) == 1, outcome
    assert "Traceback" not in outcome.err, outcome
    for word in words:
        assert re.search(word, outcome.err, re.IGNORECASE), (word, outcome.err)


# --- files ------------------------------------------------------------------


def wav_bytes(values: NDArray[np.generic], *, claimed: int | None = None) -> bytes:
    """Return a mono WAV file (the RIFF layout of WAVEFORMATEX), its data size as claimed."""
    kind = 3 if values.dtype.kind == "f" else 1
    width = values.dtype.itemsize
    data = values.astype(values.dtype.newbyteorder("<")).tobytes()
    size = len(data) if claimed is None else claimed
    form = struct.pack("<HHIIHH", kind, 1, _RATE_HZ, _RATE_HZ * width, width, 8 * width)
    return (
        b"RIFF" + struct.pack("<I", 36 + size) + b"WAVEfmt " + struct.pack("<I", 16) + form
        + b"data" + struct.pack("<I", size) + data
    )  # fmt: skip


def _pcm(values: NDArray[np.floating]) -> bytes:
    return wav_bytes(np.round(np.asarray(values) * 32767).astype(np.int16))


def _seconds(duration_s: float) -> NDArray[np.float64]:
    time_s: NDArray[np.float64] = np.arange(round(duration_s * _RATE_HZ)) / _RATE_HZ
    return time_s


def _hiss() -> bytes:
    return _pcm(np.random.default_rng(7).normal(0.0, 0.05, 2 * _RATE_HZ))


def _single_edge() -> bytes:
    # One step through a 20 Hz coupling: it decays and never comes back.
    time_s = _seconds(2.0) - 1.0
    step = np.where(time_s < 0, 0.0, 0.5 * np.exp(-2 * np.pi * 20 * np.maximum(time_s, 0.0)))
    return _pcm(step)


def _hum(mains_hz: float) -> bytes:
    time_s = _seconds(3.0)
    noise = np.random.default_rng(8).normal(0.0, 1e-4, time_s.size)
    line = np.sin(2 * np.pi * mains_hz * time_s) + 0.2 * np.sin(6 * np.pi * mains_hz * time_s)
    return _pcm(0.2 * line + noise)


def _cut_flac() -> bytes:
    import io

    import soundfile

    whole = io.BytesIO()
    soundfile.write(whole, np.zeros(_RATE_HZ, dtype=np.int16), _RATE_HZ, format="FLAC")
    return whole.getvalue()[:60]


_VCD_HEAD = (
    "$timescale 1 us $end\n$scope module bench $end\n"
    "$var wire 1 ! out $end\n$upscope $end\n$enddefinitions $end\n"
)

RECORDINGS: dict[str, tuple[str, Callable[[], bytes], tuple[str, ...]]] = {
    "empty": ("a.wav", lambda: b"", ("a\\.wav", "empty|no data|0 bytes|nothing")),
    "empty edges": ("a.csv", lambda: b"", ("a\\.csv", "empty|no data|0 bytes|nothing")),
    "text": ("a.wav", lambda: b"dear diary, no sound today\n" * 40, ("a\\.wav",)),
    "header alone": ("a.wav", lambda: wav_bytes(np.zeros(0, np.int16)), ("a\\.wav", "no ")),
    "half a header": ("a.wav", lambda: wav_bytes(np.zeros(9, np.int16))[:20], ("a\\.wav",)),
    "half a FLAC header": ("a.flac", _cut_flac, ("a\\.flac",)),
    "more claimed than there": (
        "a.wav",
        lambda: wav_bytes(np.zeros(900, np.int16), claimed=2_000_000_000),
        ("a\\.wav",),
    ),
    "not-a-number samples": (
        "a.wav",
        lambda: wav_bytes(np.full(_RATE_HZ, np.nan, np.float32)),
        ("a\\.wav", "NaN|not a number|not finite|infinite"),
    ),
    "silence": ("a.wav", lambda: _pcm(np.zeros(2 * _RATE_HZ)), ("silen|nothing|no signal",)),
    "hiss": ("a.wav", _hiss, ("no pulse|noise|hiss",)),
    "steady level": ("a.wav", lambda: _pcm(np.full(2 * _RATE_HZ, 0.4)), ("level|steady|no edge",)),
    "single edge": ("a.wav", _single_edge, ("edge|pulse",)),
    "50 Hz mains": ("a.wav", lambda: _hum(50.0), ("mains", "open lead|lead")),
    "60 Hz mains": ("a.wav", lambda: _hum(60.0), ("mains", "open lead|lead")),
    "random bytes as VCD": (
        "a.vcd",
        lambda: np.random.default_rng(9).bytes(5000),
        ("a\\.vcd",),
    ),
    "VCD without a change": (
        "a.vcd",
        lambda: (_VCD_HEAD + "#0\n0!\n#1000000\n").encode(),
        ("a\\.vcd|out", "edge|change"),
    ),
    "VCD with time that runs back": (
        "a.vcd",
        lambda: (_VCD_HEAD + "#0\n0!\n#1000\n1!\n#500\n0!\n#2000\n1!\n").encode(),
        ("a\\.vcd", "back|ascend|500"),
    ),
    "CSV with a word for a number": (
        "a.csv",
        lambda: b"time_s,level\n0.0,0\nsoon,1\n0.002,0\n",
        ("a\\.csv", "soon", "3"),
    ),
    "CSV with a level of 7": (
        "a.csv",
        lambda: b"time_s,level\n0.0,0\n0.001,7\n0.002,0\n",
        ("a\\.csv", "7"),
    ),
}


@pytest.mark.parametrize("as_json", [False, True], ids=["text", "json"])
@pytest.mark.parametrize("case", RECORDINGS)
def test_a_recording_that_cannot_be_measured_is_refused(
    tmp_path: Path, case: str, as_json: bool
) -> None:
    name, content, words = RECORDINGS[case]
    (tmp_path / name).write_bytes(content())
    outcome = run_here("measure", name, *(["--json"] if as_json else []), cwd=tmp_path)
    check_refused(outcome, *words)


@pytest.mark.parametrize("as_json", [False, True], ids=["text", "json"])
def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path, as_json: bool) -> None:
    more = ["--json"] if as_json else []
    check_refused(run_here("measure", "gone.wav", *more, cwd=tmp_path), r"gone\.wav")
    (tmp_path / "shelf").mkdir()
    check_refused(run_here("measure", "shelf", *more, cwd=tmp_path), "shelf", "folder|directory")


@pytest.mark.parametrize("case", ["silence", "50 Hz mains", "more claimed than there"])
def test_the_same_as_a_process_of_its_own(tmp_path: Path, case: str) -> None:
    name, content, words = RECORDINGS[case]
    (tmp_path / name).write_bytes(content())
    check_refused(run_process("measure", name, "--json", cwd=tmp_path), *words)


def test_a_bad_recording_stops_a_calibration(tmp_path: Path, heron_design: Path) -> None:
    (tmp_path / "a.wav").write_bytes(_pcm(np.zeros(_RATE_HZ)))
    outcome = run_here(
        "calibrate", "--design", heron_design, "--point", "45=a.wav", "--json", cwd=tmp_path
    )
    check_refused(outcome, r"a\.wav")


# --- designs ----------------------------------------------------------------

DESIGNS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "wrong unit": ('"33k"', '"33nF"', ("r_on", "33nF", "line 8")),
    "negative part": ('"820k"', "-820000", ("r_off", "-820000|-820 k", "line 10")),
    "zero part": ('"22n"', '"0n"', ("c_timing", "line 11")),
    "not a value": ('"100k"', '"lots"', ("r_knob", "lots", "line 9")),
    "missing key": ('r_off = "820k"\n', "", ("r_off", "missing|not there|no ")),
    "unknown key": ('r_off = "820k"', 'r_off = "820k"\nr_of = "1k"', ("r_of\\b", "line 11")),
    "unknown table": ("[servo]", "[glue]\nx = 1\n[servo]", ("glue",)),
    "unknown family": ('"cmos"', '"steam"', ("family", "steam", "line 7")),
    "unknown diode": ('"1N4148"', '"1X0"', ("model", "1X0", "line 14")),
    "not a number": ("270", "nan", ("travel_deg", "line 17")),
    "no TOML": ("[supply]", "[supply", ("line 3",)),
    # 6 V leaves 2 V over 220 Mohm at the threshold, 9 nA; a bipolar timer's threshold takes more
    # (30 nA typical, TI SLFS022): the capacitor never gets there.
    "on never ends": (
        'family = "cmos"\nr_on = "33k"\nr_knob = "100k"\nr_off = "820k"',
        'family = "bipolar"\nr_on = "220M"\nr_knob = "100k"\nr_off = "820k"',
        ("on .*never|never", "oscillat|current|end"),
    ),
    # 1 kohm to 2 kohm feed the discharge node, which 10 kohm of contact hold above V/3.
    "off never ends": (
        'r_on = "33k"\nr_knob = "100k"\nr_off = "820k"',
        'r_on = "1k"\nr_knob = "1k"\nr_off = "820k"',
        ("off .*never|never", "oscillat|trigger|end"),
    ),
}


def _broken(text: str, case: str) -> str:
    old, new, _ = DESIGNS[case]
    assert text.count(old) == 1
    if case == "off never ends":
        text = text.replace("travel_deg = 270", "travel_deg = 270\ncontact_ohm = 10000")
    return text.replace(old, new)


@pytest.mark.parametrize("as_json", [False, True], ids=["text", "json"])
@pytest.mark.parametrize("case", DESIGNS)
def test_a_design_that_is_wrong_is_refused(
    tmp_path: Path, heron_text: str, case: str, as_json: bool
) -> None:
    (tmp_path / "bad.toml").write_text(_broken(heron_text, case), encoding="utf-8")
    outcome = run_here("predict", "bad.toml", *(["--json"] if as_json else []), cwd=tmp_path)
    check_refused(outcome, *DESIGNS[case][2])


def test_calibrate_refuses_the_same_design(tmp_path: Path, heron_text: str) -> None:
    (tmp_path / "bad.toml").write_text(_broken(heron_text, "unknown key"), encoding="utf-8")
    (tmp_path / "a.csv").write_bytes(b"time_s,level\n0,0\n0.001,1\n0.002,0\n0.021,1\n0.022,0\n")
    outcome = run_here(
        "calibrate", "--design", "bad.toml", "--point", "45=a.csv", "--json", cwd=tmp_path
    )
    check_refused(outcome, "r_of\\b")


def test_a_supply_outside_the_familys_range_is_a_warning(tmp_path: Path, heron_text: str) -> None:
    # 18 V is the absolute maximum of a CMOS timer (TI SLFS043), 15 V the most recommended.
    (tmp_path / "hot.toml").write_text(heron_text.replace("volts = 6.0", "volts = 17.0"))
    outcome = run_here("predict", "hot.toml", cwd=tmp_path)
    assert outcome.status in (0, 1), outcome
    assert re.search(r"17.*V", outcome.out + outcome.err)
    assert re.search("range|supply", outcome.out + outcome.err, re.IGNORECASE)


# --- words on the command line ----------------------------------------------


@pytest.mark.parametrize("point", ["=a.csv", "half=a.csv", "a.csv", "nan=a.csv", "45="])
def test_a_point_without_a_number_is_refused(
    tmp_path: Path, heron_design: Path, point: str
) -> None:
    (tmp_path / "a.csv").write_bytes(b"time_s,level\n0,0\n0.001,1\n0.002,0\n0.021,1\n0.022,0\n")
    outcome = run_here(
        "calibrate", "--design", heron_design, "--point", point, "--json", cwd=tmp_path
    )
    check_refused(outcome, "point|DEG")


@pytest.mark.parametrize(
    "words",
    [
        ("predict", "heron", "--json"),
        ("predict", "nosuch.toml"),
        ("calibrate", "heron", "--json"),
        ("calibrate", "--json"),
        ("sing",),
        ("measure",),
        ("measure", "a.wav", "--loudly"),
        ("measure", "a.wav", "--active", "sideways"),
    ],
    ids=" ".join,
)
def test_words_that_cannot_be_used_are_refused(tmp_path: Path, words: tuple[str, ...]) -> None:
    check_refused(run_here(*words, cwd=tmp_path))


def test_no_word_from_outside_is_taken_for_markup(tmp_path: Path) -> None:
    outcome = run_here("measure", "[red]x[/dev/x].wav", cwd=tmp_path)
    check_refused(outcome, re.escape("[red]x[/dev/x].wav"))


# --- places that cannot be written -------------------------------------------

_EDGES = "time_s,level\n0,0\n" + "".join(
    f"{0.020 * k + 0.001:.6f},1\n{0.020 * k + 0.0025:.6f},0\n" for k in range(40)
)


def _lay_in(bench: Path) -> None:
    """Lay a record of one knob position into the bench folder by hand."""
    folder = bench / "captures" / "heron"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "first.csv").write_text(_EDGES)
    (folder / "first.json").write_text(
        '{"channel": "heron",\n "knob_deg": 135,\n "recorded_utc": "2026-09-01T10:00:00Z"}\n'
    )


def _snapshot(bench: Path) -> dict[str, bytes]:
    return {str(p.relative_to(bench)): p.read_bytes() for p in bench.rglob("*") if p.is_file()}


def test_a_file_in_place_of_a_bench_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("mine")
    check_refused(run_here("demo", "taken", cwd=tmp_path), "taken")
    outcome = run_here("calibrate", "heron", "--bench", "taken", "--json", cwd=tmp_path)
    check_refused(outcome, "taken")
    assert (tmp_path / "taken").read_text() == "mine"


@contextlib.contextmanager
def closed_to_writing(folder: Path) -> Iterator[None]:
    """Make a folder unwritable: by its mode, or for root by a read-only mount."""
    if os.geteuid() != 0:
        folder.chmod(0o500)
        try:
            yield
        finally:
            folder.chmod(0o700)
        return
    _mount("--bind", str(folder), str(folder))
    try:
        _mount("-o", "remount,bind,ro", str(folder))
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True, timeout=30)


def _mount(*words: str) -> None:
    try:
        subprocess.run(["mount", *words], check=True, capture_output=True, timeout=30)
    except (OSError, subprocess.CalledProcessError) as error:
        pytest.skip(f"this machine does not let root mount: {error}")


def test_a_bench_folder_that_cannot_be_written_is_refused(bench_folder: Path) -> None:
    _lay_in(bench_folder)
    before = _snapshot(bench_folder)
    with closed_to_writing(bench_folder / "calibration" / "heron"):
        outcome = run_process("calibrate", "heron", "--json", cwd=bench_folder)
    check_refused(outcome, "heron", "writ|permission|read-only")
    assert _snapshot(bench_folder) == before


def test_a_full_disk_is_refused_and_leaves_all_as_it_was(bench_folder: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs root, to mount a small disk and fill it")
    _lay_in(bench_folder)
    design = bench_folder / "calibration" / "heron" / "design.toml"
    text = design.read_text(encoding="utf-8")
    _mount("-t", "tmpfs", "-o", "size=64k", "none", str(design.parent))
    try:
        design.write_text(text, encoding="utf-8")
        filler = design.parent / "filler"
        with contextlib.suppress(OSError), filler.open("wb", buffering=0) as full:
            while True:
                full.write(bytes(1024))
        before = _snapshot(bench_folder)
        outcome = run_process("calibrate", "heron", "--json", cwd=bench_folder)
        check_refused(outcome, "heron", "space|full")
        assert _snapshot(bench_folder) == before
    finally:
        subprocess.run(["umount", str(design.parent)], check=True, timeout=30)


def test_a_pulse_table_is_not_laid_over_a_file(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(_EDGES)
    (tmp_path / "kept.csv").write_text("mine")
    outcome = run_here("measure", "a.csv", "--pulses", "kept.csv", "--json", cwd=tmp_path)
    check_refused(outcome, r"kept\.csv")
    assert (tmp_path / "kept.csv").read_text() == "mine"


def test_standard_output_on_a_full_disk_is_refused(tmp_path: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no /dev/full")
    from tests.command_line import command_words, plain_environment

    (tmp_path / "a.csv").write_text(_EDGES)
    with full.open("w") as sink:
        done = subprocess.run(
            command_words("measure", "a.csv", "--json"),
            cwd=tmp_path,
            env=plain_environment(),
            stdin=subprocess.DEVNULL,
            stdout=sink,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
            check=False,
        )
    check_refused(Outcome(done.returncode, "", done.stderr), "space|full")
