"""Speed of the whole `measure` process against one `lfilter` pass over the same samples.

All figures are processor time (user and system) of one run on this machine; the ratios
were taken side by side.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from benchlog.capture.simulated import SoundInputModel, TrueEdges, render_sound

__all__ = ["run"]

_BLOCK = 1 << 16
_MINUTES = (1, 10, 60, 240)


def _minute(rate_hz: int, inputs: int) -> NDArray[np.int16]:
    """Render a minute of a servo pulse, 55 dB of signal to noise, 16 bit."""
    start_s = 0.003 + np.arange(3590) * 0.0167003
    times = np.stack([start_s, start_s + 1.5e-3], axis=1).ravel()
    model = SoundInputModel(rate_hz=float(rate_hz), corners_hz=(20.0,), snr_db=55.0, bits=16)
    edges = TrueEdges.from_times(times, first=True)
    columns = [np.asarray(render_sound(edges, model, 60.0, seed)).ravel() for seed in range(inputs)]
    return np.round(np.stack(columns, axis=1) * 32767).astype(np.int16)


def _write(path: Path, minutes: int, rate_hz: int, inputs: int, subtype: str) -> None:
    """Write a recording of so many minutes, the same one again and again."""
    minute = _minute(rate_hz, inputs)
    with soundfile.SoundFile(path, "w", rate_hz, inputs, subtype=subtype) as file:
        for _ in range(minutes):
            file.write(minute)


def _children_s(words: list[str]) -> tuple[float, float]:
    """Run a process; return its processor time in seconds and its peak memory in MiB."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(words, check=False, capture_output=True, text=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    peak = max(
        int(line.split()[1]) for line in done.stderr.splitlines() if line.startswith("peak_kib")
    )
    return spent, peak / 1024


_MEASURE = (
    "import sys; from benchlog.__main__ import main; "
    "sys.argv[0] = 'benchlog'\n"
    "try:\n    status = main()\nexcept SystemExit as end:\n    status = end.code\n"
    "lines = open('/proc/self/status').read().splitlines()\n"
    "peak = next(line.split()[1] for line in lines if line.startswith('VmHWM'))\n"
    "print('peak_kib', peak, file=sys.stderr)\n"
    "sys.exit(status)"
)


def _filter_s(path: Path) -> tuple[float, float]:
    """Return processor time of one first-order pass in float32 blocks, and of reading alone."""
    from scipy.signal import lfilter

    coefficients = np.array([1, -1], np.float32), np.array([1, -0.99], np.float32)
    filtering = reading = 0.0
    with soundfile.SoundFile(path) as file:
        state = np.zeros((1, file.channels), np.float32)
        while True:
            start = time.process_time()
            block = file.read(_BLOCK, dtype="float32", always_2d=True)
            middle = time.process_time()
            if not len(block):
                return filtering, reading
            _, state = lfilter(*coefficients, block, axis=0, zi=state)
            reading += middle - start
            filtering += time.process_time() - middle


def _row(name: str, path: Path) -> None:
    spent, peak = _children_s([sys.executable, "-c", _MEASURE, "measure", "--json", str(path)])
    filtering, reading = _filter_s(path)
    print(
        f"{name:28}{spent:8.2f} s {filtering:8.2f} s {spent / filtering:7.2f}"
        f"{spent / max(reading, 1e-9):9.1f} {peak:8.0f} MiB"
    )


def run() -> None:
    """Print the table; an hour and four hours of sound are written to a temporary folder."""
    print(f"The whole `benchlog measure` process, imports included ({os.cpu_count()} cores)")
    print("recording                    measure    lfilter  ratio  to reading     peak")
    with tempfile.TemporaryDirectory() as folder:
        for minutes in _MINUTES:
            path = Path(folder) / "a.wav"
            _write(path, minutes, 48000, 1, "PCM_16")
            _row(f"48 kHz mono WAV, {minutes} min", path)
        path.unlink()
        path = Path(folder) / "a.flac"
        _write(path, 60, 48000, 1, "PCM_16")
        _row("48 kHz mono FLAC, 60 min", path)
        path.unlink()
        path = Path(folder) / "b.wav"
        _write(path, 60, 192000, 2, "PCM_16")
        _row("192 kHz stereo WAV, 60 min", path)
