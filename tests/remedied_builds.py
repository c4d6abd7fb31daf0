"""Remedies carried out on simulated builds, by other ways than the proposals were reckoned."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.remedy import Aim, Change, Remedy
from benchlog.channel.design import Design, build_circuit
from benchlog.channel.timer import try_cycle_times
from benchlog.channel.unknowns import list_unknowns

__all__ = ["build_after", "draw_within", "meets"]

Values = NDArray[np.float64]
Builds = dict[str, Values]


def draw_within(design: Design, count: int, source: np.random.Generator) -> Builds:
    """Draw builds with every part anywhere in its tolerance, each by itself."""
    return {
        one.name: one.value_at(source.uniform(-1.0, 1.0, count)) for one in list_unknowns(design)
    }


def _fixed_tolerance(design: Design, part: str) -> float:
    """Return the tolerance of a part without the trimmer that stands in series."""
    marked = {one.name: one for one in design.parts}[part]
    trimmer = {"r_on": design.r_on_trimmer_ohm, "r_off": design.r_off_trimmer_ohm}.get(part, 0.0)
    fixed = marked.value - trimmer / 2
    return (marked.value * marked.tolerance - trimmer / 2) / fixed


def _times(design: Design, builds: Mapping[str, Values], knob_deg: float) -> tuple[Values, Values]:
    """Return pulse and period at one knob angle; a shunt across the track as three resistors."""
    values = dict(builds)
    supply = values.pop("supply_v", np.asarray(design.supply.value))
    shunt = values.pop("shunt", None)
    if shunt is not None:
        # the triangle of both parts of the track and the shunt, as a star
        x = design.knob.on_fraction(knob_deg)
        upper, lower = x * values["r_knob"], (1.0 - x) * values["r_knob"]
        total = upper + lower + shunt
        values["r_on"] = values["r_on"] + upper * shunt / total
        values["r_off"] = values["r_off"] + lower * shunt / total
        values["contact"] = values.get("contact", 0.0) + upper * lower / total
        values["r_knob"] = np.zeros_like(total)
    times = try_cycle_times(build_circuit(design, knob_deg, supply_v=supply, parts=values))[0]
    return times.on_s, times.period_s


def _ends(design: Design) -> tuple[float, float, float]:
    travel = design.knob.travel_deg
    return (0.0, travel, travel / 2) if design.knob.longer == "clockwise" else (
        travel, 0.0, travel / 2
    )  # fmt: skip


def meets(design: Design, builds: Mapping[str, Values], aim: Aim) -> NDArray[np.bool_]:
    """Tell which builds meet an aim."""
    short, long, middle = _ends(design)
    low = _times(design, builds, short)[0]
    high = _times(design, builds, long)[0]
    period = _times(design, builds, middle)[1]
    with np.errstate(invalid="ignore"):
        met = (abs(low - aim.low_s) <= aim.within_s) & (abs(high - aim.high_s) <= aim.within_s)
        if aim.period_s is not None:
            met &= abs(period - aim.period_s) <= aim.period_within * aim.period_s
    return np.asarray(met & np.isfinite(period))


def _bisect(
    function: Callable[[Values], Values], wanted: Values, low: Values, high: Values
) -> Values:
    """Return where a rising function comes to what is wanted, or the nearer stop."""
    for _ in range(16):
        middle = (low + high) / 2
        above = np.nan_to_num(function(middle), nan=0.0) > wanted
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return (low + high) / 2


def build_after(
    design: Design,
    remedy: Remedy,
    before: Mapping[str, Values],
    aim: Aim,
    source: np.random.Generator,
) -> Builds:
    """Carry a remedy out on builds, new parts anywhere in their tolerance."""
    builds = {name: np.array(one) for name, one in before.items()}
    count = next(iter(builds.values())).size
    reaches: dict[str, tuple[Values, Values]] = {}
    for change in remedy.changes:
        _carry_out(design, change, builds, reaches, source)
    short, _, middle = _ends(design)
    wanted = aim.low_s + source.uniform(-5e-6, 5e-6, count)
    for _ in range(2):
        if "r_on" in reaches:
            builds["r_on"] = _bisect(
                lambda ohm: _times(design, {**builds, "r_on": ohm}, short)[0],
                wanted, *reaches["r_on"],
            )  # fmt: skip
        if "r_off" in reaches and aim.period_s is not None:
            period = aim.period_s * (1.0 + source.uniform(-0.005, 0.005, count))
            builds["r_off"] = _bisect(
                lambda ohm: _times(design, {**builds, "r_off": ohm}, middle)[1],
                period, *reaches["r_off"],
            )  # fmt: skip
    return builds


def _carry_out(
    design: Design,
    change: Change,
    builds: Builds,
    reaches: dict[str, tuple[Values, Values]],
    source: np.random.Generator,
) -> None:
    """Carry one change out."""
    part, count = change.part, next(iter(builds.values())).size
    if part in ("diode", "timer"):
        _renew(design, part, builds, source)
    elif change.how == "rewire":
        if part == "r_on":
            builds["r_on"], builds["r_off"] = builds["r_off"], builds["r_on"]
    elif change.trimmer_ohm:
        tolerance, trimmer = _fixed_tolerance(design, part), change.trimmer_ohm
        marked = {one.name: one for one in design.parts}[part].value - trimmer / 2
        fixed = (change.new or marked) * source.uniform(1 - tolerance, 1 + tolerance, count)
        ends = fixed, fixed + trimmer * source.uniform(0.9, 1.1, count)
        if not change.new:  # wherever it stands, that is within its reach
            ends = np.minimum(ends[0], builds[part]), np.maximum(ends[1], builds[part])
        reaches[part] = ends
    else:
        tolerance = _fixed_tolerance(design, part)
        new = change.new * source.uniform(1 - tolerance, 1 + tolerance, count)
        _put_in(change, new, builds)


def _renew(design: Design, part: str, builds: Builds, source: np.random.Generator) -> None:
    """Put in another diode or timer."""
    count = next(iter(builds.values())).size
    for name, fresh in draw_within(design, count, source).items():
        is_part = name in ("r_on", "r_knob", "r_off", "c_timing", "supply_v")
        of_diode = name in ("saturation_current", "emission", "series")
        if not is_part and of_diode == (part == "diode"):
            builds[name] = fresh


def _put_in(change: Change, new: Values, builds: Builds) -> None:
    """Put a new part in place of an old one or beside it."""
    part = change.part
    if change.place == "instead":
        builds[part] = new
        if part == "r_knob":
            builds.pop("contact", None)
    elif part == "r_knob":
        builds["shunt"] = new
    elif (change.place == "series") != (part == "c_timing"):
        builds[part] = builds[part] + new
    else:
        builds[part] = 1.0 / (1.0 / builds[part] + 1.0 / new)
