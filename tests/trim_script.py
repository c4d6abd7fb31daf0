"""A script that follows what `trim` says: it turns a simulated knob and simulated trimmers.

It does as a person would who reads the sentences: it turns a trimmer by the share that is said,
give or take 20 %, and does not know which way its screw is wired.
"""

from __future__ import annotations

import dataclasses
import json
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from benchlog.calibration.trim_model import Aims, Where
from benchlog.calibration.trim_steps import TrimSettings
from benchlog.calibration.trimmers import Trimmer
from benchlog.calibration.trimming import Trimming
from benchlog.channel.design import predict_cycle
from benchlog.channel.plan import Design
from benchlog.timing.settling import Settling
from tests.command_line import command_words, plain_environment
from tests.played_bench import PlayedBench, place_across

__all__ = ["KINDS", "Build", "Hand", "Trimmed", "aims_within_reach", "follow_model", "follow_trim"]

KINDS: dict[str, tuple[Trimmer, ...]] = {
    "r_on alone": (Trimmer("r_on", 28e3, 10e3),),
    "r_on and r_off": (Trimmer("r_on", 28e3, 10e3), Trimmer("r_off", 750e3, 200e3)),
    "all three": (
        Trimmer("r_on", 28e3, 10e3),
        Trimmer("across", 220e3, 1e6),
        Trimmer("r_off", 750e3, 200e3),
    ),
    "all three in place": (
        Trimmer("r_on", 1e3, 50e3),
        Trimmer("across", 100e3, 1e6),
        Trimmer("r_off", 100e3, 1e6),
    ),
}
"""Trimmers that a channel like heron may have."""

_HAND = 0.2
_WHERE: dict[str, Where] = {"r_on": "r_on", "across-knob": "across", "r_off": "r_off"}


@dataclass
class Build:
    """A channel that was built: true parts, and trimmers that stand somewhere.

    Attributes
    ----------
    design : Design
        What it should be.
    trimmers : tuple of Trimmer
        As marked.
    parts : dict
        True values of all but what the trimmers set.
    fixed_ohm, range_ohm, place : dict
        True fixed resistor and range of each trimmer, and where it stands, 0 to 1.
    supply_v : float
        The true supply.
    """

    design: Design
    trimmers: tuple[Trimmer, ...]
    parts: dict[str, float]
    fixed_ohm: dict[Where, float]
    range_ohm: dict[Where, float]
    place: dict[Where, float]
    supply_v: float

    @classmethod
    def draw(
        cls, design: Design, trimmers: Sequence[Trimmer], source: np.random.Generator
    ) -> Build:
        """Draw a build: parts within their tolerances, trimmers of 10 %, standing anywhere."""

        def within(value: float, tolerance: float) -> float:
            return value * (1.0 + tolerance * source.uniform(-1.0, 1.0))

        timer, diode = design.timer, design.diode
        spread = design.diode_tolerance * source.uniform(-1.0, 1.0)
        parts = {
            "r_knob": within(design.r_knob.value, design.r_knob.tolerance),
            "c_timing": within(design.c_timing.value, design.c_timing.tolerance),
            "saturation_current": float(diode.saturation_current_a * np.exp(spread)),
            "threshold_fraction": within(timer.threshold_fraction, timer.level_tolerance),
            "trigger_fraction": within(timer.trigger_fraction, timer.level_tolerance),
        }
        there = {one.where for one in trimmers}
        for part in (design.r_on, design.r_off):
            if part.name not in there:
                parts[part.name] = within(part.value, part.tolerance)
        return cls(
            design,
            tuple(trimmers),
            parts,
            {one.where: within(one.fixed_ohm, one.fixed_tolerance) for one in trimmers},
            {one.where: within(one.range_ohm, 0.1) for one in trimmers},
            {one.where: source.uniform() for one in trimmers},
            design.supply.value * (1.0 + 0.02 * source.uniform(-1.0, 1.0)),
        )

    def with_places(self, places: Mapping[Where, float]) -> Build:
        """Return the same build with its trimmers elsewhere."""
        return dataclasses.replace(self, place=dict(places))

    def values(self) -> dict[str, float]:
        """Return its parts as a played bench takes them."""
        values = dict(self.parts)
        for where, share in self.place.items():
            values[where] = self.fixed_ohm[where] + share * self.range_ohm[where]
        return values

    def truth(self, knob_deg: float) -> tuple[float, float]:
        """Return on and off at a knob angle, seconds."""
        values = self.values()
        across_ohm = values.pop("across", None)
        if across_ohm is not None:
            values = place_across(self.design, knob_deg, values, across_ohm)
        times = predict_cycle(self.design, knob_deg, supply_v=self.supply_v, parts=values)
        return float(times.on_s), float(times.off_s)

    def ends(self) -> tuple[float, float, float]:
        """Return the pulse at the short and the long end and the period at mid-knob, seconds."""
        knob = self.design.knob
        low_deg, high_deg = 0.0, knob.travel_deg
        if knob.longer == "anticlockwise":
            low_deg, high_deg = high_deg, low_deg
        return (
            self.truth(low_deg)[0],
            self.truth(high_deg)[0],
            sum(self.truth(knob.travel_deg / 2)),
        )


@dataclass
class Hand:
    """A hand that turns trimmers, off by a fifth either way at most.

    Attributes
    ----------
    source : numpy.random.Generator
        Where chance comes from.
    by_ohm : bool
        Whether it turns by ohms, as if it knew the way; else by share and way, with screws
        of which it knows nothing.
    """

    source: np.random.Generator
    by_ohm: bool = False
    _wired: dict[Where, int] = field(default_factory=dict)
    _last: dict[Where, int] = field(default_factory=dict)

    def turn(self, build: Build, where: Where, change_ohm: float, share: float, way: str) -> None:
        """Turn a trimmer as advised; it stops at its ends."""
        miss = 1.0 + _HAND * self.source.uniform(-1.0, 1.0)
        if self.by_ohm:
            change = change_ohm * miss / build.range_ohm[where]
        else:
            wired = self._wired.setdefault(where, int(self.source.choice([-1, 1])))
            told = {"clockwise": 1, "anticlockwise": -1}.get(way)
            if told is None:
                told = self._last[where] if way == "on" else -self._last[where]
            self._last[where] = told
            change = wired * told * share * miss
        build.place[where] = min(max(build.place[where] + change, 0.0), 1.0)


@dataclass(frozen=True, slots=True)
class Trimmed:
    """How it went.

    Attributes
    ----------
    status : int
        The exit status.
    steps : tuple of dict
        The lines of JSON but the last one.
    summary : dict
        The last line.
    err : str
        What was said beside them.
    """

    status: int
    steps: tuple[dict[str, Any], ...]
    summary: dict[str, Any]
    err: str


def aims_within_reach(build: Build, source: np.random.Generator) -> Aims:
    """Return what a build gives with its trimmers somewhere: so it can be reached."""
    places = {where: source.uniform(0.15, 0.85) for where in build.place}
    low_s, high_s, period_s = build.with_places(places).ends()
    has_period = "r_off" in build.place
    return Aims(low_s, high_s, period_s if has_period else None, period_within_s=0.01 * period_s)


def follow_model(
    build: Build, hand: Hand, aims: Aims, *, most: int = 400, hold_s: float = 2.0
) -> Trimming:
    """Do what `Trimming` says, its readings straight from the model with some noise.

    Parameters
    ----------
    build : Build
        What is on the bench; its trimmers are turned.
    hand : Hand
        Who turns them.
    aims : Aims
        What is wanted.
    most : int
        Readings after which it is given up.
    hold_s : float
        How long the pulse has to stand still.
    """
    trimming = Trimming(build.design, build.trimmers, aims, TrimSettings(hold_s))
    obeyed, heard_s, since_s = 0, 0.0, 0.0
    knob_deg, before = hand.source.uniform(0.0, build.design.knob.travel_deg), None
    for _ in range(most):
        step = trimming.step()
        if step.phase == "done":
            break
        if step.phase == "go":
            knob_deg = step.knob_deg
        elif step.advice is not None and step.advice.number > obeyed:
            obeyed, advice = step.advice.number, step.advice
            where = advice.trimmer.where
            hand.turn(build, where, advice.change_ohm, advice.share, advice.way)
        heard_s += 2.0 * hold_s
        state = (knob_deg, *build.place.values())
        if state != before:
            before, since_s = state, heard_s - 1.75 * hold_s
        on_s, off_s = build.truth(knob_deg)
        on_s += 0.1e-6 * hand.source.standard_normal()
        period_s = on_s + off_s + 0.3e-6 * hand.source.standard_normal()
        told = Settling("settled", on_s, 0.1e-6, period_s, 0.9e-6, since_s, 100)
        trimming.take(told, heard_s)
    return trimming


def follow_trim(
    bench: PlayedBench,
    build: Build,
    hand: Hand,
    *words: str | Path,
    cwd: Path,
    environment: Mapping[str, str] | None = None,
) -> Trimmed:
    """Run `trim` and do what it says, until it ends by itself.

    Parameters
    ----------
    bench : PlayedBench
        The bench, which plays.
    build : Build
        What is on it; its trimmers are turned.
    hand : Hand
        Who turns them.
    *words
        The command's words behind ``trim``.
    cwd : Path
        The bench folder.
    environment : mapping, optional
        The environment.
    """
    command = command_words("trim", *words, "--servo-unplugged", "--json")
    lines: list[dict[str, Any]] = []
    obeyed = 0
    went: tuple[int, str] | None = None
    with subprocess.Popen(
        command,
        cwd=cwd,
        env=plain_environment(environment),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        try:
            for line in process.stdout:
                told = json.loads(line)
                lines.append(told)
                if told["state"] == "go" and (told["round"], told["place"]) != went:
                    went = told["round"], told["place"]
                    bench.turn(told["knob_deg"])
                advice = told.get("advice")
                if advice is not None and advice["number"] > obeyed:
                    obeyed = advice["number"]
                    where = _WHERE[advice["trimmer"]]
                    amount = advice["change_ohm"], advice["share_of_turn"], advice["way"]
                    hand.turn(build, where, *amount)
                    bench.set(**build.values())
            err = process.stderr.read()
            status = process.wait(timeout=10)
        finally:
            process.kill()
    return Trimmed(status, tuple(lines[:-1]), lines[-1] if lines else {}, err)
