"""Which fixed part to change where trimmers do not reach what is wanted."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.calibration.trim_model import PLACES, Sides, Where
from benchlog.calibration.trim_reckoning import TRIMMED_AT, Reckoning
from benchlog.calibration.trimmers import Trimmer
from benchlog.calibration.trimming import Trimming
from benchlog.channel.plan import Design
from benchlog.channel.preferred import nearest_value
from benchlog.units import format_value

__all__ = ["PartChange", "suggest_parts"]

_LEAST_CHANGE = 0.002
_MIDDLE_SHARE = 0.3
_LARGEST_ACROSS = 100.0


@dataclass(frozen=True, slots=True)
class PartChange:
    """One fixed part that should be another.

    Attributes
    ----------
    part : str
        ``r_on``, ``r_off``, ``r_knob``, ``c_timing``, or ``across-knob`` for a resistor
        across the knob's ends.
    value : float
        What it should be, ohms or farads, a value that is made.
    unit : str
        ``"ohm"`` or ``"F"``.
    series : str
        The E series that has it.
    adds : bool
        Whether it comes beside what is there, in place of replacing it.
    text : str
        A sentence.
    """

    part: str
    value: float
    unit: str
    series: str
    adds: bool
    text: str


def suggest_parts(trimming: Trimming) -> tuple[PartChange, ...]:
    """Return which fixed parts to change, none where all that was wanted holds.

    Parameters
    ----------
    trimming : Trimming
        At its end.

    Returns
    -------
    tuple of PartChange
        One for each place that does not hold, the end of the short pulse first. Values hold
        if the other places are as wanted.
    """
    results = trimming.results()
    failing = {one.place for one in results if one.holds is False and one.value_s is not None}
    if not failing:
        return ()
    found = trimming.found
    ideal = found.plan_all()
    if ideal is None:
        return ()
    changes: list[PartChange] = []
    scale, _ = found.scale
    if failing & {"low", "high"}:
        failing |= {"low", "high"}  # where r_on serves both ends each is off by the other's fault
    for place in PLACES:
        where = TRIMMED_AT[place]
        if place not in failing or found.can_reach(where, ideal.side(where)):
            continue
        change = (
            _change_knob(found, ideal, scale)
            if where == "across"
            else _change_resistor(_trimmer_at(found, where), where, ideal.side(where) / scale)
        )
        if change is not None:
            changes.append(change)
    return tuple(changes)


def _trimmer_at(found: Reckoning, where: Where) -> Trimmer | None:
    state = found.trimmers.get(where)
    return state.trimmer if state is not None else None


def _change_resistor(trimmer: Trimmer | None, where: Where, needed_ohm: float) -> PartChange | None:
    """Choose another fixed resistor for r_on or r_off."""
    if not needed_ohm > 0:
        return None
    range_ohm = trimmer.range_ohm if trimmer is not None else 0.0
    middle_ohm = needed_ohm - range_ohm / 2
    needed = format_value(needed_ohm, "ohm")
    if middle_ohm <= 0:
        larger = "a trimmer of less range"
        value, series = _choose(max(0.6 * needed_ohm, 1.0), 0.2 * needed_ohm)
        text = f"{where} has to be about {needed}: {format_value(value, 'ohm')} and {larger}"
        return PartChange(where, value, "ohm", series, adds=False, text=text)
    value, series = _choose(middle_ohm, _MIDDLE_SHARE * range_ohm)
    shown = f"{format_value(value, 'ohm')} ({series})"
    if trimmer is None:
        text = f"{where} has to be about {needed}: {shown}, or a trimmer in its place"
    elif trimmer.fixed_ohm:
        before = format_value(trimmer.fixed_ohm, "ohm")
        text = (
            f"{where} has to be about {needed} with its trimmer: {shown} in place of the {before}"
        )
    else:
        text = f"{where} has to be about {needed}: {shown} in series with its trimmer"
    adds = trimmer is not None and not trimmer.fixed_ohm
    return PartChange(where, value, "ohm", series, adds=adds, text=text)


def _change_knob(found: Reckoning, ideal: Sides, scale: float) -> PartChange | None:
    """Choose what lies across the knob, or across the capacitor where it turns too little."""
    goal, whole = ideal.track, found.sides.whole_track
    trimmer = _trimmer_at(found, "across")
    if goal < whole * (1.0 - _LEAST_CHANGE):
        across_ohm = whole * goal / (whole - goal) / scale
        if across_ohm > _LARGEST_ACROSS * whole / scale:
            return None
        range_ohm = trimmer.range_ohm if trimmer is not None else 0.0
        middle_ohm = across_ohm - range_ohm / 2
        if middle_ohm <= 0:
            middle_ohm, range_ohm = 0.5 * across_ohm, across_ohm
        value, series = _choose(middle_ohm, _MIDDLE_SHARE * range_ohm)
        shown = f"{format_value(value, 'ohm')} ({series})"
        needed = format_value(across_ohm, "ohm")
        if trimmer is None:
            text = f"the knob's reach is too wide: {shown} across its two ends, about {needed}"
        else:
            text = (
                f"what lies across the knob has to be about {needed}: {shown} in series with "
                "its trimmer"
            )
        return PartChange("across-knob", value, "ohm", series, adds=trimmer is None, text=text)
    if goal > whole * (1.0 + _LEAST_CHANGE):
        return _widen(
            found.model.design, goal / whole, goal / scale, has_across=trimmer is not None
        )
    return None


def _widen(design: Design, factor: float, needed_ohm: float, *, has_across: bool) -> PartChange:
    """Choose a capacitor beside c_timing, which makes all of the knob's reach longer."""
    capacitor_f = design.c_timing.value
    value, series = _choose(capacitor_f * (factor - 1.0), 0.1 * capacitor_f * (factor - 1.0))
    without = "even with nothing across it " if has_across else ""
    text = (
        f"the knob's reach is too narrow {without}by {factor - 1.0:.1%}: a knob of about "
        f"{format_value(needed_ohm, 'ohm')}, or {format_value(value, 'F')} ({series}) beside "
        "c_timing and r_on and r_off less by the same share"
    )
    return PartChange("c_timing", value, "F", series, adds=True, text=text)


def _choose(value: float, slack: float) -> tuple[float, str]:
    """Return the E12 value where it is near enough, else that of E24."""
    coarse = nearest_value(value, "E12")
    if abs(coarse - value) <= max(slack, 1e-3 * value):
        return coarse, "E12"
    fine = nearest_value(value, "E24")
    same = math.isclose(coarse, fine, rel_tol=1e-6)
    return fine, "E12" if same else "E24"
