"""Copies of one design, right and wrong ones, and a script that turns knobs and swaps boards."""

from __future__ import annotations

import dataclasses
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from benchlog.calibration.confirming import Confirmation, confirm_points
from benchlog.calibration.confirming_middle import place_middle
from benchlog.calibration.table import Point
from benchlog.channel.design import Design, predict_cycle
from benchlog.channel.prediction import OVERRIDES
from benchlog.channel.preferred import values_between
from benchlog.channel.unknowns import draw_builds, list_unknowns
from benchlog.commands.options import Level
from benchlog.timing.jitter import summarise
from benchlog.timing.live_reading import LiveReading
from tests.command_line import command_words, plain_environment
from tests.played_bench import PlayedBench
from tests.sound_server import SoundServer

__all__ = [
    "FAULTS",
    "Board",
    "Played",
    "answer_board",
    "confirm_boards",
    "draw_boards",
    "measure",
    "spoil",
]

U_S = 0.1e-6
DEG = (0.0, 135.0, 270.0)

FAULTS = ("r_on", "r_knob", "r_off", "c_timing", "swapped", "ends-swapped", "open")
"""A part of another value (a neighbour in E12), two resistors exchanged, the knob wired the wrong
way round, a diode that does not conduct."""

_MARKED = ("r_on", "r_knob", "r_off", "c_timing")
_UNPLUGGED_S = 1.2
_MARGIN_S = 3e-6


@dataclass(frozen=True, slots=True)
class Board:
    """One copy.

    Attributes
    ----------
    parts : dict of str to float
        True values, SI units.
    fault : str or None
        One of `FAULTS`.
    turned : bool
        Whether the knob's ends are exchanged.
    """

    parts: dict[str, float]
    fault: str | None = None
    turned: bool = field(default=False)

    def angle_deg(self, knob_deg: float, travel_deg: float) -> float:
        """Return the angle at which a rightly wired knob does what this one does."""
        return travel_deg - knob_deg if self.turned else knob_deg


def spoil(design: Design, board: Board, fault: str, source: np.random.Generator) -> Board:
    """Return a board with a fault, a wrong value at least three tolerances off."""
    parts = dict(board.parts)
    if fault in _MARKED:
        part = getattr(design, fault)
        near = values_between(0.4 * part.value, 1.6 * part.value, "E12")
        wrong = [one for one in near if abs(one / part.value - 1.0) > 3.0 * part.tolerance]
        # the slip itself; what is in the bag scatters about its marking as the right part does
        parts[fault] = float(source.choice(wrong)) * parts[fault] / part.value
    elif fault == "swapped":
        parts["r_on"], parts["r_off"] = parts["r_off"], parts["r_on"]
    elif fault == "open":
        parts["saturation_current"] = 1e-30
    return Board(parts, fault, turned=fault == "ends-swapped")


def draw_boards(
    design: Design, count: int, wrong: Sequence[int], seed: int, faults: Sequence[str] = FAULTS
) -> list[Board]:
    """Draw copies with parts within their tolerances; those numbered from 1 in `wrong` spoilt.

    Those that are right are safe for the design's servo as well.
    """
    source = np.random.default_rng([556, seed])
    drawn = draw_builds(list_unknowns(design, supply_v=design.supply.value), 3 * count, source)
    names = [name for name in OVERRIDES if name in drawn]
    ends_deg = np.array([[0.0], [design.knob.travel_deg]])
    on_s = predict_cycle(design, ends_deg, parts={name: drawn[name] for name in names}).on_s
    servo = design.servo
    # a copy that its tolerances let drive the servo past its range is no right one
    safe = np.all(
        (on_s > servo.pulse_min_s + _MARGIN_S) & (on_s < servo.pulse_max_s - _MARGIN_S), axis=0
    )
    chosen = np.flatnonzero(safe)[:count]
    boards = [Board({name: float(drawn[name][n]) for name in names}) for n in chosen]
    spoilt = source.permutation(np.resize(np.array(faults), max(len(wrong), len(faults))))
    for number, fault in zip(wrong, spoilt, strict=False):
        boards[number - 1] = spoil(design, boards[number - 1], str(fault), source)
    return boards


def confirm_boards(
    server: SoundServer,
    design: Design,
    boards: Sequence[Board],
    bench_folder: Path,
    words: Sequence[str],
    *,
    within_s: float,
) -> tuple[int, list[str], float]:
    """Run `confirm --batch` with a script at the knob and the plug, and nobody at the keys.

    The script does what the program asks for and no more: it turns the knob on when a position
    was taken, and swaps the board when there is an answer.

    Returns
    -------
    tuple
        Exit status, what was said line by line, and seconds from the first board on.
    """
    travel_deg = design.knob.travel_deg
    route = (0.0, 0.5 * travel_deg, travel_deg)
    said: list[str] = []
    left = list(boards)
    board = left.pop(0)
    with PlayedBench(
        server, design, parts=board.parts, knob_deg=board.angle_deg(0.0, travel_deg), seed=1
    ) as played:
        process = subprocess.Popen(
            command_words("confirm", design.channel, "--bench", bench_folder, *words),
            env=plain_environment(server.environment),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
        )
        began_s = time.monotonic()
        step = 0
        try:
            assert process.stdout is not None
            for line in process.stdout:
                said.append(line.rstrip())
                if time.monotonic() - began_s > within_s:
                    break
                if line.startswith("Taken: "):
                    step += 1
                    if step < len(route):
                        played.turn(board.angle_deg(route[step], travel_deg))
                elif line.startswith("Unplug it"):
                    played.unplug()
                    time.sleep(_UNPLUGGED_S)
                    if left:
                        board, step = left.pop(0), 0
                        played.plug(board.parts, knob_deg=board.angle_deg(0.0, travel_deg))
        finally:
            took_s = time.monotonic() - began_s
            try:
                process.wait(timeout=20.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            if process.stdout is not None:
                process.stdout.close()
    return process.returncode, said, took_s


def measure(
    design: Design,
    parts: dict[str, float] | None = None,
    *,
    angles: tuple[float, float, float] = DEG,
    supply_v: float | None = None,
    told_v: float | None = 6.0,
    source: np.random.Generator | None = None,
) -> list[Point]:
    """Return the three points that a channel of such parts gives, as `confirm` makes them."""
    source = source or np.random.default_rng(1)
    points = []
    for angle, wanted in zip(angles, DEG, strict=True):
        times = predict_cycle(design, angle, parts=parts, supply_v=supply_v)
        points.append(
            Point(
                wanted,
                float(times.on_s) + U_S * source.standard_normal(),
                U_S,
                float(times.period_s) + 3.0 * U_S * source.standard_normal(),
                supply_v=told_v,
                temperature_c=design.temperature_c,
                pulse_count=120,
                u_period_s=3.0 * U_S,
            )
        )
    pulses, rests = ([getattr(p, name) for p in points] for name in ("pulse_s", "rest_s"))
    middle_deg = place_middle(
        design, (pulses[0], pulses[1], pulses[2]), (rests[0], rests[1], rests[2])
    )
    points[1] = dataclasses.replace(points[1], knob_deg=middle_deg)
    return points


def answer_board(
    design: Design, board: Board, source: np.random.Generator, *, supply_read: bool = True
) -> Confirmation:
    """Confirm a board as the model plays it, its middle found to within some 15 degrees."""
    travel_deg = design.knob.travel_deg
    middle_deg = 0.5 * travel_deg + float(source.uniform(-15.0, 15.0))
    angles = tuple(board.angle_deg(one, travel_deg) for one in (0.0, middle_deg, travel_deg))
    points = measure(
        design,
        board.parts,
        angles=(angles[0], angles[1], angles[2]),
        told_v=design.supply.value if supply_read else None,
        source=source,
    )
    return confirm_points(design, points)


class Played:
    """A channel without sound: readings of ideal widths, a tenth of a second apart."""

    def __init__(self, design: Design, parts: dict[str, float] | None = None) -> None:
        self.design, self.parts = design, parts
        self.now_s = 0.0
        self._start: list[float] = []
        self._width: list[float] = []
        self._period = 0.015
        self._noise = np.random.default_rng(8)
        self.level: Level = "high"

    def read(self, knob_deg: float) -> LiveReading:
        """Return the reading of the next tenth of a second at a knob angle."""
        times = predict_cycle(self.design, knob_deg, parts=self.parts)
        on_s, period_s = float(times.on_s), float(times.period_s)
        self.now_s += 0.1
        at_s = self._start[-1] + period_s if self._start else 0.0
        while at_s < self.now_s:
            self._start.append(max(at_s, self.now_s - 0.1))
            width_s = on_s if self.level == "high" else period_s - on_s
            self._width.append(width_s + 0.1e-6 * float(self._noise.standard_normal()))
            at_s = self._start[-1] + period_s
        start, width = np.array(self._start[-300:]), np.array(self._width[-300:])
        period = np.full(3, period_s)
        return LiveReading(
            1,
            self.now_s,
            "pulses",
            width=summarise(width[-3:], 0.0, 0.0),
            period=summarise(period, 0.0, 0.0),
            width_count=3,
            recent_s=width,
            recent_start_s=start,
            active_level=self.level,
            floor_s=0.1e-6,
        )
