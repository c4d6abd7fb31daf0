"""Captures that are broken off at any instant, and what they leave.

The tests break off a few of them, the benchmark hundreds.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchlog.capture.formats import open_recording
from benchlog.capture.sidecar import read_sidecar
from benchlog.capture.verification import verify_captures
from benchlog.errors import BenchlogError
from benchlog.recording import Samples
from tests.command_line import command_words, plain_environment

__all__ = [
    "Outcome",
    "PlayedProbe",
    "kill_one",
    "make_folder",
    "opens_elsewhere",
    "read_length",
    "start_capture",
    "tell_left",
    "wait_for_record",
    "write_train",
]

_HEADER = b"# benchlog-probe ticks_per_s=2000000 width_bits=32 inputs=1\r\n"
_PERIOD_S = 0.02
_RATE_HZ = 48000


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a capture left that was broken off.

    Attributes
    ----------
    kept_s : float or None
        Length of the record; None where there is none since nothing had come yet.
    lost_s : float
        How much sooner than the kill it ends, to some hundredths of a second: it may be below 0,
        since the record's name is given when the first samples are there already.
    faults : tuple of str
        What is wrong with what was left.
    """

    kept_s: float | None
    lost_s: float
    faults: tuple[str, ...]


def make_folder(folder: Path) -> Path:
    """Make a bench folder in which the cautions have been shown already."""
    shown = folder / "captures" / "moon"
    shown.mkdir(parents=True)
    (folder / "calibration").mkdir()
    (shown / "shown.json").write_text(
        '{"channel": "moon", "knob_deg": 0, "recorded_utc": "2026-09-01T10:00:00Z", '
        '"set_aside": "no recording"}',
        encoding="utf-8",
    )
    return folder


def write_train(path: Path, seconds: float = 30.0) -> Path:
    """Write a pulse train of 1.5 ms every 20 ms as 16-bit sound."""
    import soundfile

    frames = np.arange(round(seconds * _RATE_HZ)) % round(_PERIOD_S * _RATE_HZ)
    soundfile.write(path, np.where(frames < 72, 0.4, -0.3), _RATE_HZ, subtype="PCM_16")
    return path


def start_capture(
    bench: Path,
    *source: str,
    seconds: float,
    knob_deg: float = 10.0,
    environment: Mapping[str, str] | None = None,
) -> subprocess.Popen[str]:
    """Start a capture of heron in a process of its own."""
    words = ("capture", "heron", "--at", f"{knob_deg:g}", *source, "--seconds", f"{seconds:g}")
    return subprocess.Popen(
        command_words(*words, "--bench", bench, "--json"),
        env=plain_environment(environment),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )


def wait_for_record(
    bench: Path, process: subprocess.Popen[str], timeout_s: float = 30.0
) -> Path | None:
    """Wait until a capture has its name; return its sidecar, None if it ended before."""
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline and process.poll() is None:
        found = list((bench / "captures" / "heron").glob("*.json"))
        if found:
            return found[0]
        time.sleep(0.005)
    return None


def kill_one(
    bench: Path,
    *source: str,
    seconds: float,
    seed: int,
    environment: Mapping[str, str] | None = None,
) -> Outcome:
    """Run a capture in a bench folder of its own, kill it at a random instant, and look.

    One in eight is killed before it has a name, at any instant since its start.
    """
    chance = random.Random(seed)
    process = start_capture(bench, *source, seconds=seconds, environment=environment)
    began: float | None = None
    if chance.random() < 1 / 8:
        time.sleep(chance.uniform(0.0, 2.5))
    else:
        sidecar = wait_for_record(bench, process)
        if sidecar is not None:
            with contextlib.suppress(OSError):
                began = sidecar.stat().st_mtime
        time.sleep(chance.uniform(0.0, seconds + 1.0))
    killed = time.time()
    process.send_signal(signal.SIGKILL)
    process.communicate()
    return tell_left(bench, began, killed, seconds)


def tell_left(bench: Path, began: float | None, ended: float, seconds: float) -> Outcome:
    """Look at what a broken-off capture left in a bench folder that held no other one.

    Parameters
    ----------
    bench : Path
        The bench folder.
    began : float or None
        When the record got its name, which is when its first samples were there; None if not
        known.
    ended : float
        When it was broken off, on the same clock.
    seconds : float
        How long it was to be.
    """
    faults = _find_half_written(bench)
    records = [
        path
        for path in (bench / "captures" / "heron").glob("*")
        if path.suffix in (".wav", ".flac", ".csv") and not path.name.startswith(".")
    ]
    if len(records) == 2:  # killed in the instant when both are there: the sidecar tells which
        unfinished = read_sidecar(records[0].with_suffix(".json")).unfinished
        records = [path for path in records if (path.suffix == ".wav") == unfinished]
    if not records:
        if began is not None:
            faults.append("the record is gone")
        return Outcome(None, 0.0, tuple(faults))
    (path,) = records
    if not path.with_suffix(".json").exists():  # killed between the two names, before any sample
        return Outcome(None, 0.0, tuple(faults))
    if not opens_elsewhere(path):
        faults.append(f"{path.name} does not open in another program")
    try:
        kept_s = read_length(path)
    except BenchlogError as exc:
        return Outcome(0.0, ended - (began or ended), (*faults, str(exc)))
    from benchlog.capture.store import Bench

    verification = verify_captures(Bench(bench))
    faults += [f"{one.path.name} {one.text}" for one in verification.findings if one.is_wrong]
    lost_s = min(ended - began, seconds) - kept_s if began is not None else 0.0
    return Outcome(kept_s, lost_s, tuple(faults))


def _find_half_written(bench: Path) -> list[str]:
    """Read every sidecar under its own name, and look for what is neither whole nor hidden."""
    faults = []
    for path in bench.rglob("*"):
        hidden = any(part.startswith(".") for part in path.relative_to(bench).parts)
        if path.is_dir() or hidden:
            continue
        if path.suffix == ".json":
            try:
                read_sidecar(path)
            except BenchlogError as exc:
                faults.append(str(exc))
        elif path.suffix not in (".wav", ".flac", ".csv", ".toml"):
            faults.append(f"{path.name} lies about")
    return faults


def opens_elsewhere(path: Path) -> bool:
    """Tell whether a file opens without benchlog: in the sound library, or as plain CSV."""
    import csv

    import soundfile

    if path.suffix == ".csv":
        with path.open(newline="", encoding="ascii") as file:
            return all(len(row) == 2 for row in csv.reader(file, strict=True))
    try:
        with soundfile.SoundFile(str(path)) as sound:
            return bool(sound.frames == sum(len(block) for block in sound.blocks(1 << 16)))
    except soundfile.SoundFileError:
        return False


def read_length(path: Path) -> float:
    """Read a whole recording; return its length in seconds."""
    recording = open_recording(path)
    if isinstance(recording, Samples):
        frames = sum(len(block) for block in recording.blocks())
        return frames / recording.rate_hz
    return float(recording[0].time_s[-1])


class PlayedProbe:
    """A probe at the far end of a pseudo-terminal that reports a pulse every 20 ms, in real time.

    Its header comes again and again, so that it may be opened at any time.
    """

    def __init__(self) -> None:
        import tty

        self._far, self._near = os.openpty()
        tty.setraw(self._near)
        self.port = os.ttyname(self._near)
        os.set_blocking(self._far, False)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._report, daemon=True)
        self._thread.start()

    def __enter__(self) -> PlayedProbe:
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def unplug(self) -> None:
        """Close the far end, as when the cable is pulled; a second time does nothing."""
        if not self._stop.is_set():
            self._stop.set()
            self._thread.join()
            os.close(self._near)
            os.close(self._far)

    def _report(self) -> None:
        start = time.monotonic()
        for count, line in enumerate(_probe_lines()):
            if self._stop.wait(max(0.0, start + _PERIOD_S * count - time.monotonic())):
                return
            with contextlib.suppress(BlockingIOError):  # nobody reads: the line is lost
                os.write(self._far, line)


def _probe_lines() -> Iterator[bytes]:
    count = 0
    while True:
        header = _HEADER if count % 10 == 0 else b""
        tick = 40_000 * count
        yield header + f"{tick % 2**32} 1\r\n{(tick + 3000) % 2**32} 0\r\n".encode("ascii")
        count += 1
