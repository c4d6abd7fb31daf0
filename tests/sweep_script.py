"""A script that follows what `sweep` says: it turns a simulated knob as a hand does.

A hand does not go straight to a mark. It passes it and comes back, rests on the way, goes on in
a second turn; and it turns on only once it was told that the mark is recorded.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from benchlog.capture.store import Record, open_bench
from benchlog.channel.design import Design, predict_cycle
from benchlog.commands.recordings import measure_file
from tests.command_line import command_words, plain_environment
from tests.played_bench import PlayedBench

__all__ = [
    "Swept",
    "Told",
    "check_record",
    "lay_out_bench",
    "read_sweep",
    "run_sweep",
    "true_pulse_s",
]

_TURN_S = 0.35
_REST_S = 0.4
_PASSED_DEG = 5.0
_SHORT_DEG = 8.0
_PATIENCE_S = 20.0


@dataclass(frozen=True, slots=True)
class Told:
    """One line that the command wrote, and when.

    Attributes
    ----------
    at_s : float
        When, on the monotonic clock.
    content : dict
        The line.
    """

    at_s: float
    content: dict[str, Any]


@dataclass
class Swept:
    """How a sweep went.

    Attributes
    ----------
    status : int
        The exit status; negative for the signal that ended it.
    told : list of Told
        What it wrote.
    err : str
        What it said beside it.
    turns : list of tuple of float
        When the knob was moving: from, to, on the monotonic clock.
    """

    status: int = 0
    told: list[Told] = field(default_factory=list)
    err: str = ""
    turns: list[tuple[float, float]] = field(default_factory=list)

    @property
    def recorded(self) -> list[dict[str, Any]]:
        """The lines that tell of a mark that was recorded."""
        return [one.content for one in self.told if one.content["state"] == "recorded"]

    @property
    def last(self) -> dict[str, Any]:
        """The last line."""
        return self.told[-1].content


class _Hand:
    """Turns the knob of a bench in a thread of its own, so that what is said can be read."""

    def __init__(self, bench: PlayedBench, swept: Swept, source: np.random.Generator) -> None:
        self._bench, self._swept, self._source = bench, swept, source
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def go(self, deg: float, travel_deg: float) -> None:
        """Begin to turn to a mark, the way that chance says."""
        self.wait()
        route = self._route(deg, travel_deg)
        self._thread = threading.Thread(target=self._turn, args=(route,), daemon=True)
        self._thread.start()

    def _route(self, deg: float, travel_deg: float) -> list[float]:
        here = self._bench.knob_deg
        ahead = 1.0 if deg >= here else -1.0
        kind = int(self._source.integers(3))
        if kind == 0:
            return [deg]
        if kind == 1:  # beyond it and back
            return [min(max(deg + ahead * _PASSED_DEG, 0.0), travel_deg), deg]
        return [min(max(deg - ahead * _SHORT_DEG, 0.0), travel_deg), deg]  # a rest before it

    def _turn(self, route: list[float]) -> None:
        for deg in route:
            began_s = time.monotonic()
            self._bench.turn(deg, _TURN_S)
            if self._stop.wait(_TURN_S):
                return
            self._swept.turns.append((began_s, time.monotonic()))
            if self._stop.wait(_REST_S if deg != route[-1] else 0.0):
                return

    def wait(self) -> None:
        """Wait until the knob stands where it should."""
        if self._thread is not None:
            self._thread.join(timeout=_PATIENCE_S)

    def stop(self) -> None:
        """Let go of the knob."""
        self._stop.set()
        self.wait()


def lay_out_bench(folder: Path, design_text: str) -> Path:
    """Make a bench folder with heron's design."""
    (folder / "captures").mkdir(parents=True)
    home = folder / "calibration" / "heron"
    home.mkdir(parents=True)
    (home / "design.toml").write_text(design_text, encoding="utf-8")
    return folder


def run_sweep(
    bench: PlayedBench,
    design: Design,
    *words: str | Path,
    cwd: Path,
    environment: Mapping[str, str] | None = None,
    seed: int = 0,
    ends: Callable[[Swept], int | None] | None = None,
    within_s: float = 240.0,
) -> Swept:
    """Run `sweep` and do what it says.

    Parameters
    ----------
    bench : PlayedBench
        The bench, which plays.
    design : Design
        Its design.
    *words
        The command's words behind ``sweep heron``.
    cwd : Path
        The bench folder.
    environment : mapping, optional
        The environment.
    seed : int
        Of how the hand turns.
    ends : callable, optional
        Called after each line; a signal that it returns is sent at once.
    within_s : float
        After how long it is given up.

    Returns
    -------
    Swept
        How it went.
    """
    swept = Swept()
    hand = _Hand(bench, swept, np.random.default_rng([558, seed]))
    went: tuple[int, int] | None = None
    with subprocess.Popen(
        command_words("sweep", "heron", *words, "--json"),
        cwd=cwd,
        env=plain_environment(environment),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    ) as process:
        watchdog = threading.Timer(within_s, process.kill)
        watchdog.start()
        assert process.stdout is not None
        assert process.stderr is not None
        try:
            for line in process.stdout:
                with contextlib.suppress(ValueError):  # a line that a kill cut short
                    swept.told.append(Told(time.monotonic(), json.loads(line)))
                told = swept.last
                asked = (told["mark"], told["taken"]) if told.get("knob_deg") is not None else None
                is_go = told["state"] in ("go", "moving", "same", "doubtful")
                if is_go and asked != went:
                    went = asked
                    hand.go(told["knob_deg"], design.knob.travel_deg)
                number = ends(swept) if ends is not None else None
                if number is not None:
                    os.kill(process.pid, number)
                    ends = None
            swept.err = process.stderr.read()
            swept.status = process.wait(timeout=_PATIENCE_S)
        finally:
            watchdog.cancel()
            hand.stop()
            process.kill()
    return swept


def true_pulse_s(
    design: Design, knob_deg: float, parts: Mapping[str, float] | None = None
) -> float:
    """Return the pulse that a bench plays at a knob angle, seconds."""
    return float(predict_cycle(design, knob_deg, parts=dict(parts or {})).on_s)


def check_record(record: Record, design: Design, *, within_s: float, spread_s: float) -> float:
    """Check that a record holds its mark's pulse and nothing else.

    Parameters
    ----------
    record : Record
        The record.
    design : Design
        The design that was played.
    within_s : float
        How far its mean may be from the truth.
    spread_s : float
        How far any of its pulses may be: more would be a knob that moved.

    Returns
    -------
    float
        How far its mean is from the truth, seconds.
    """
    (measured,) = measure_file(record.path, level="high")
    truth_s = true_pulse_s(design, record.sidecar.knob_deg)
    off_s = measured.width.mean_s - truth_s
    assert abs(off_s) < within_s, (record.path.name, off_s)
    worst_s = float(np.max(np.abs(measured.pulses.width_s - truth_s)))
    assert worst_s < spread_s, (record.path.name, worst_s)
    return off_s


def read_sweep(folder: Path) -> list[Record]:
    """Return the records of the newest sweep of heron."""
    return open_bench(folder).sweep("heron")
