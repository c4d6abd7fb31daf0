"""A hand at a knob and a key, beside a simulated servo that buzzes past its own range.

The command under test runs on a pseudo-terminal of its own and listens to a `PlayedBench` through
a serial probe. The servo buzzes while the true pulse lies outside its range; some time later, as
people react, the hand presses the key and turns back.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.command_line import command_words, plain_environment
from tests.played_bench import PlayedBench

__all__ = ["KeyedCommand", "ServoHand"]

_PATIENCE_S = 40.0
_MIDDLE_DEG = 135.0
_QUICK_S = 0.5


class KeyedCommand:
    """A command on a pseudo-terminal, which gives it keys and takes what it says."""

    def __init__(
        self, *words: str | Path, cwd: Path, columns: int = 400, term: str = "dumb"
    ) -> None:
        import pty

        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            os.chdir(cwd)
            environment = plain_environment() | {"COLUMNS": str(columns), "TERM": term}
            os.execvpe(sys.executable, command_words(*words), environment)
        self._seen = ""
        self._read_to = 0
        self._lock = threading.Lock()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    @property
    def seen(self) -> str:
        """What it has said so far."""
        with self._lock:
            return self._seen

    def _read(self) -> None:
        while True:
            try:
                piece = os.read(self.fd, 4096)
            except OSError:
                return
            if not piece:
                return
            with self._lock:
                self._seen += piece.decode("utf-8", "replace")

    def wait_for(self, *words: str) -> str:
        """Wait until one of several sentences is said, after those waited for before."""
        until_s = time.monotonic() + _PATIENCE_S
        while time.monotonic() < until_s:
            new = self.seen[self._read_to :]
            places = [(new.index(one), one) for one in words if one in new]
            if places:
                place, found = min(places)
                self._read_to += place + len(found)
                return found
            if not self._reader.is_alive():
                break
            time.sleep(0.01)
        os.kill(self.pid, signal.SIGKILL)
        raise AssertionError(f"it did not say {words} but {self.seen!r}")

    def press(self, keys: str) -> None:
        """Press keys."""
        os.write(self.fd, keys.encode())

    def finish(self) -> int:
        """Wait for its end; returns the exit status."""
        until_s = time.monotonic() + _PATIENCE_S
        while time.monotonic() < until_s:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self._reader.join(timeout=1.0)
                os.close(self.fd)
                return os.waitstatus_to_exitcode(status)
            select.select([], [], [], 0.05)
        os.kill(self.pid, signal.SIGKILL)
        raise AssertionError(f"it did not end: {self.seen!r}")


@dataclass(slots=True)
class ServoHand:
    """Somebody who does what `servo` says.

    Attributes
    ----------
    bench : PlayedBench
        The bench.
    command : KeyedCommand
        The command.
    range_s : tuple of float
        The servo's true range, seconds.
    source : numpy.random.Generator
        How long this person takes to react.
    deg_per_s : float
        How slowly the knob is turned near an end.
    """

    bench: PlayedBench
    command: KeyedCommand
    range_s: tuple[float, float]
    source: np.random.Generator
    deg_per_s: float = 8.0

    def is_buzzing(self) -> bool:
        """Whether the pulse is past the servo's own range."""
        low_s, high_s = self.range_s
        return not low_s <= self.bench.truth()[0] <= high_s

    def begin(self) -> None:
        """Wait for the pulse in the middle of the travel, and say that the servo is in."""
        self.command.wait_for("Pulse now")
        for _ in range(20):
            time.sleep(0.5)
            self.command.press("\r")
            if self.command.wait_for("Turn slowly", "Let the knob stand still") == "Turn slowly":
                return
            time.sleep(0.5)
        raise AssertionError(self.command.seen)

    def try_end(self, near_deg: float, far_deg: float) -> None:
        """Turn to near an end at once, then slowly on, and press at the buzz."""
        self.command.wait_for("towards the")
        self.bench.turn(near_deg, _QUICK_S)
        time.sleep(_QUICK_S + 0.2)
        assert not self.is_buzzing()
        self.bench.turn(far_deg, abs(far_deg - near_deg) / self.deg_per_s)
        until_s = time.monotonic() + _PATIENCE_S
        while not self.is_buzzing():
            assert time.monotonic() < until_s
            time.sleep(0.005)
        time.sleep(float(self.source.uniform(0.2, 0.45)))
        self.command.press("\r")
        self.command.wait_for("TURN BACK NOW")
        self.bench.turn(_MIDDLE_DEG, _QUICK_S)
        self.command.wait_for("Taken: ", "not counted")

    def read_angle(self, knob_deg: float, arm_deg: float) -> float:
        """Turn to a place, wait, and type the angle; returns the true pulse there, seconds."""
        self.bench.turn(knob_deg, _QUICK_S)
        time.sleep(_QUICK_S + 1.0)
        self.command.press(f"{arm_deg:.1f}")
        for _ in range(20):
            time.sleep(0.3)
            self.command.press("\r")
            if self.command.wait_for("Taken: ", "stand still first") == "Taken: ":
                return self.bench.truth()[0]
        raise AssertionError(self.command.seen)
