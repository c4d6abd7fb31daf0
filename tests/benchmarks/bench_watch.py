"""`benchlog watch`: what it costs, how soon it shows a change, and whether it grows.

The sound goes through a private sound server, 48 kHz and two inputs, into the real command on
a pseudo-terminal. The instant of a sound is when a second listener gets it from the server,
less the samples behind it in the same delivery; both ask for the same latency.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.command_line import command_words, plain_environment
from tests.pulse_signals import render_train
from tests.sound_server import RATE_HZ, SoundServer, run_sound_server, what_is_missing

__all__ = ["run"]

_COST_S = 60.0
_CHANGES = 20
_APART_S = 1.7
_LEAD_S = 4.0
_LATENCY_MS = 50
_PERIOD_FRAMES = 800
_WIDTH_US = re.compile(rb"(\d+\.\d) ")


def run() -> None:
    """Print processor time, latency and memory."""
    missing = what_is_missing()
    if missing is not None:
        print(f"watch: skipped, {missing}")
    else:
        with run_sound_server() as server, tempfile.TemporaryDirectory() as folder:
            print_cost(server, Path(folder))
            print_latency(server, Path(folder))
    print_memory()


@contextlib.contextmanager
def on_terminal(
    words: list[str], environment: dict[str, str], columns: int, rows: int
) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """Run a command on a pseudo-terminal; yields it and the terminal's other end."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    taken = plain_environment(environment) | {"TERM": "xterm-256color"}
    process = subprocess.Popen(words, stdin=slave, stdout=slave, stderr=slave, env=taken)
    os.close(slave)
    try:
        yield process, master
    finally:
        process.kill()
        process.wait()
        os.close(master)


def read_terminal(master: int, timeout_s: float) -> bytes:
    """Return what is new on a terminal, b'' if nothing or if it is closed."""
    ready, _, _ = select.select([master], [], [], timeout_s)
    if not ready:
        return b""
    try:
        return os.read(master, 1 << 16)
    except OSError:  # closed by the other side
        return b""


def print_cost(server: SoundServer, folder: Path, seconds: float = _COST_S) -> None:
    """Print user and system time of the whole process over a minute."""
    import soundfile

    left = render_train(0.0015, duration_s=seconds + 8.0, seed=1).values
    right = render_train(0.0009, duration_s=seconds + 8.0, seed=2).values
    path = folder / "stereo.wav"
    soundfile.write(path, np.stack([left, right], axis=1), RATE_HZ, subtype="PCM_16")
    words = [
        "watch",
        "--input",
        "pulse",
        "--rate",
        "48000",
        "--channel-input",
        "1",
        "--channel-input",
        "2",
    ]
    command = command_words(*words, "--seconds", f"{seconds:g}")
    drawn = 0
    with (
        server.playing(path) as player,
        on_terminal(command, server.environment, 80, 24) as (process, master),
    ):
        ended = 0
        while not ended:
            drawn += len(read_terminal(master, 0.5))
            ended, _, spent = os.wait4(process.pid, os.WNOHANG)
        assert player.poll() is None, "the sound ended too early"
    spent_s = spent.ru_utime + spent.ru_stime
    print(
        f"watch at 80x24: {100 * spent_s / seconds:.2f} % of one core over {seconds:.0f} s, its "
        f"start counted ({spent_s:.2f} s user and system; {drawn / seconds:.0f} bytes a second "
        "drawn)"
    )


def _changing_train() -> NDArray[np.int16]:
    """Return a train that changes, and on the second channel a click where it has changed.

    The edges are ramps over two samples that lie between samples as they should, which is all
    the detector needs; the click begins with the last edge of the first changed pulse.
    """
    total = round((_LEAD_S + (_CHANGES + 1) * _APART_S) * RATE_HZ)
    wave = np.zeros((total, 2))
    starts = np.arange(_PERIOD_FRAMES // 2, total - 2 * _PERIOD_FRAMES, _PERIOD_FRAMES)
    stage_before = 0
    at = np.arange(total)
    for start in starts.tolist():
        stage = max(0, int((start / RATE_HZ - _LEAD_S) / _APART_S) + 1)
        end = start + RATE_HZ * (0.0015 if stage % 2 == 0 else 0.00151)
        span = slice(start - 4, int(end) + 6)
        rise = np.clip((at[span] - start + 1.0) / 2.0, 0.0, 1.0)
        fall = np.clip((at[span] - end + 1.0) / 2.0, 0.0, 1.0)
        wave[span, 0] = 0.4 * (rise - fall)
        if stage != stage_before:
            wave[int(end) : int(end) + RATE_HZ // 50, 1] = 0.4
        stage_before = stage
    wave[:, 0] += np.random.default_rng(5).normal(size=total) * 4e-4
    return np.round(wave * 32767).astype("<i2")


class _Clicks:
    """Listens to the second channel and notes when each click was heard."""

    def __init__(self, server: SoundServer) -> None:
        self.heard_s: list[float] = []
        self._recorder = subprocess.Popen(
            [
                "parec",
                "--device=bench.monitor",
                f"--latency-msec={_LATENCY_MS}",
                f"--rate={RATE_HZ}",
                "--channels=2",
                "--format=s16le",
                "--raw",
            ],
            env=server.environment,
            stdout=subprocess.PIPE,
        )
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        assert self._recorder.stdout is not None
        was_high, rest = False, b""
        while raw := os.read(self._recorder.stdout.fileno(), 1 << 16):
            now_s = time.monotonic()
            data = rest + raw
            whole = len(data) // 4 * 4
            rest = data[whole:]
            high = np.frombuffer(data[:whole], "<i2").reshape(-1, 2)[:, 1] > 4000
            first = np.flatnonzero(high & ~np.concatenate(([was_high], high[:-1])))
            for index in first.tolist():
                self.heard_s.append(now_s - (high.shape[0] - index) / RATE_HZ)
            if high.shape[0]:
                was_high = bool(high[-1])

    def stop(self) -> list[float]:
        """Stop listening and return the instants."""
        self._recorder.kill()
        self._recorder.wait()
        self._thread.join(timeout=5)
        return self.heard_s


def print_latency(server: SoundServer, folder: Path) -> None:
    """Print how long after its sound a changed pulse is on the screen.

    The screen is so low that the number is drawn as text, on one line.
    """
    import soundfile

    path = folder / "changes.wav"
    soundfile.write(path, _changing_train(), RATE_HZ, subtype="PCM_16")
    command = command_words("watch", "--input", "pulse", "--rate", "48000")
    clicks = _Clicks(server)
    shown: list[tuple[float, float]] = []
    with on_terminal(command, server.environment, 80, 3) as (_, master):
        time.sleep(1.0)
        with server.playing(path) as player:
            while player.poll() is None:
                drawn = read_terminal(master, 0.2)
                now_s = time.monotonic()
                for number in _WIDTH_US.findall(drawn):
                    shown.append((now_s, float(number)))
    heard = clicks.stop()
    late_ms = []
    for index, instant_s in enumerate(heard[:_CHANGES]):
        wanted_us = 1510.0 if index % 2 == 0 else 1500.0
        when = [at_s for at_s, us in shown if at_s > instant_s and abs(us - wanted_us) < 3.0]
        if when:
            late_ms.append(1e3 * (when[0] - instant_s))
    if not late_ms:
        print("watch: no changed pulse was seen")
        return
    print(
        f"a pulse changed by 10 µs is on the screen after {np.median(late_ms):.0f} ms "
        f"({min(late_ms):.0f} to {max(late_ms):.0f} ms, {len(late_ms)} of {_CHANGES} changes; "
        "counted from the end of the first changed pulse)"
    )


_MEMORY = """
import sys
from tests.benchmarks.bench_watch import feed_an_hour
feed_an_hour()
"""


def print_memory() -> None:
    """Print the memory after 10, 30 and 60 minutes of blocks, fed as fast as they are taken."""
    words = [sys.executable, "-c", _MEMORY]
    environment = plain_environment() | {"OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(words, env=environment, capture_output=True, text=True, check=True)
    print(done.stdout.strip())


def feed_an_hour() -> None:
    """Feed the measurement, the last minute and the screen with an hour of blocks."""
    from benchlog.capture.recent import RecentSound
    from benchlog.commands.watched import Watched
    from benchlog.commands.watching import Watch
    from benchlog.show.live_terminal import LiveTerminal
    from benchlog.show.live_view import ScreenView
    from benchlog.timing.live import LivePulses
    from benchlog.timing.live_reading import LiveReading

    period_s = _PERIOD_FRAMES / RATE_HZ
    train = render_train(0.0015, period_s=period_s, duration_s=30.0, seed=4)
    whole = train.values[10 * RATE_HZ : 20 * RATE_HZ]  # 600 periods, so it can be joined to itself
    raw = np.stack([whole, whole], axis=1)
    stored = np.round(raw * 32768).astype(np.int16)
    block = RATE_HZ // 20

    class Hour:
        """A source that delivers as fast as it is read."""

        name, inputs, can_return = "hour", (1, 2), False

        def __init__(self) -> None:
            self._pulses = LivePulses(RATE_HZ, self.inputs)
            self._recent = RecentSound(RATE_HZ)
            self._blocks = 0
            self.memory_mib: list[tuple[int, float]] = []

        def open(self) -> None:
            """Do nothing."""

        def close(self) -> None:
            """Do nothing."""

        def minute(self, input_: int) -> None:
            """Return nothing."""

        def cut(self, input_: int, begin_s: float, end_s: float) -> None:
            """Return nothing."""

        def read(self, timeout_s: float) -> tuple[LiveReading, ...] | None:
            """Take a block; note the memory at full minutes."""
            start = self._blocks * block % raw.shape[0]
            self._blocks += 1
            self._recent.add(stored[start : start + block].copy(), None)
            minutes, rest = divmod(self._blocks * block, 60 * RATE_HZ)
            if rest == 0 and minutes in (2, 10, 30, 60):
                self.memory_mib.append((minutes, _resident_mib()))
            if minutes >= 60:
                return None
            return self._pulses.add(raw[start : start + block])

    source = Hour()
    watch = Watch(source, (Watched(1), Watched(2)), None, {}, seconds=None, replay=True)
    with (
        Path(os.devnull).open("w", encoding="utf-8") as nowhere,
        LiveTerminal(screen=True, out=nowhere) as terminal,
    ):
        watch.run(terminal, ScreenView(terminal, nowhere))
    told = ", ".join(f"{mib:.1f} MiB at {minutes} min" for minutes, mib in source.memory_mib)
    print(f"watch, an hour of two inputs at 48 kHz: {told}")


def _resident_mib() -> float:
    """Return this process's memory (Linux)."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024.0
    return float("nan")


if __name__ == "__main__":
    run()
