"""Which parts are accused: the suppositions that a sweep leaves, as suspects in plain words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.found_parts import FoundPart
from benchlog.calibration.point import ROOT3
from benchlog.calibration.suppositions import part_decades
from benchlog.calibration.suspect_texts import (
    Estimate,
    tell_contradiction,
    tell_fault,
    tell_reading,
    tell_rival,
)
from benchlog.calibration.sweep_model import Known
from benchlog.calibration.weighing import Verdict
from benchlog.channel.parts import Part
from benchlog.channel.plan import Design

__all__ = ["Accusation", "Suspect", "accuse", "doubt_reading", "name_misread"]

Values = NDArray[np.float64]

LOG_ODDS = -1.5
"""From which logarithm of the odds, that something is wrong against that nothing is, a part is
accused. Set so that of good builds well under one in a hundred is."""

_LEAST_LIKELY = 0.03
_MOST = 4
_RIVAL = 0.15


@dataclass(frozen=True, slots=True)
class Suspect:
    """A wrong or miswired part.

    Attributes
    ----------
    part : str
        ``r_on``, ``r_knob``, ``r_off``, ``c_timing``, ``diode``, ``timer``, ``supply`` or
        ``knob``.
    fault : str
        ``value``, ``decade``, ``swapped``, ``ends-swapped``, ``taper``, ``open``, ``reversed``,
        or ``reading`` where the meter's reading rather than the part is doubted.
    text : str
        What it seems to be and what explains it, in a few plain sentences.
    value : float or None
        What the part seems to be, SI units; None where the fault has no value.
    likely : float
        Its share among all that may be wrong, 0 to 1, given that something is.
    """

    part: str
    fault: str
    text: str
    value: float | None
    likely: float


@dataclass(frozen=True, slots=True, eq=False)
class Accusation:
    """What is accused, and the supposition that explains the sweep best.

    Attributes
    ----------
    best : Verdict
        The likeliest supposition, that nothing is wrong included.
    suspects : tuple of Suspect
        Likeliest first.
    """

    best: Verdict
    suspects: tuple[Suspect, ...]


def accuse(
    design: Design,
    right: Verdict,
    others: Sequence[Verdict],
    *,
    first: Estimate | None = None,
) -> Accusation:
    """Name what is wrong, where something is.

    Parameters
    ----------
    design : Design
        The design.
    right : Verdict
        That nothing is wrong.
    others : sequence of Verdict
        All that may be wrong; those without a part accuse none.
    first : Estimate, optional
        What the likeliest part was drawn to be, in place of an estimate of its own.

    Returns
    -------
    Accusation
        Without suspects where that nothing is wrong, or that only the knob's angles are, explains
        the sweep as well.
    """
    harmless = [right, *(one for one in others if not one.supposition.part)]
    accusing = [one for one in others if one.supposition.part and math.isfinite(one.log_score)]
    odds = _total(accusing) - _total(harmless)
    if not accusing or odds <= LOG_ODDS:
        return Accusation(max(harmless, key=lambda one: one.log_score), ())
    groups: dict[tuple[str, str], list[Verdict]] = {}
    for one in accusing:
        fault = _fault_of(design, one)
        groups.setdefault((one.supposition.part, fault), []).append(one)
    whole = _total(accusing)
    ranked = sorted(groups.items(), key=lambda item: -_total(item[1]))
    likely = [math.exp(_total(group) - whole) for _, group in ranked]
    kept = [i for i, share in enumerate(likely) if i == 0 or share >= _LEAST_LIKELY][:_MOST]
    rivals = [ranked[i][0][0] for i in kept[1:] if likely[i] > _RIVAL * likely[0]]
    suspects = []
    for i in kept:
        (part, fault), group = ranked[i]
        best = max(group, key=lambda one: one.log_score)
        estimate = first if i == 0 and first is not None else _estimate(design, best)
        text = tell_fault(design, part, fault, estimate)
        if i == 0 and any(rival != part for rival in rivals):
            text += " " + tell_rival(part, rivals)
        value = estimate.value if estimate is not None else None
        suspects.append(Suspect(part, fault, text, value, likely[i]))
    best = max(ranked[0][1], key=lambda one: one.log_score)
    return Accusation(best, tuple(suspects))


def _total(verdicts: Sequence[Verdict]) -> float:
    """Return the logarithm of what several suppositions amount to together."""
    scores = [one.log_score for one in verdicts]
    return float(np.logaddexp.reduce(scores)) if scores else -math.inf


def _weights(verdict: Verdict) -> Values:
    """Return the draws' weights, their sum 1; even ones where no draw is inside the limits."""
    log_weight = verdict.weighed.log_weight
    top = float(np.max(log_weight))
    if not math.isfinite(top):
        return np.full(log_weight.shape, 1.0 / log_weight.shape[0])
    weight = np.exp(log_weight - top)
    return np.asarray(weight / np.sum(weight))


def _log_ratio(verdict: Verdict) -> Values:
    """Return the draws of ln(value/marked) of the unknown that has no limits."""
    if not math.isfinite(float(np.max(verdict.weighed.log_weight))):
        return np.full(verdict.weighed.log_weight.shape, verdict.fit.at[0])
    return verdict.weighed.at[:, 0]


def _part_of(design: Design, name: str) -> Part | None:
    return next((part for part in design.parts if part.name == name), None)


def _fault_of(design: Design, verdict: Verdict) -> str:
    """Tell a decade slip from another wrong value."""
    supposition = verdict.supposition
    part = _part_of(design, supposition.part)
    if supposition.fault != "value" or part is None:
        return supposition.fault
    decades, others = part_decades(_log_ratio(verdict), part.tolerance)
    whole = np.logaddexp(decades, others)
    share = np.exp(decades - np.where(np.isfinite(whole), whole, 0.0))
    return "decade" if float(_weights(verdict) @ share) > 0.5 else "value"


def _estimate(design: Design, verdict: Verdict) -> Estimate | None:
    """Return what the part seems to be; None where the fault has no value."""
    if not verdict.supposition.free:
        return None
    place = verdict.fit.problem.places[0]
    ratio, weight = _log_ratio(verdict), _weights(verdict)
    middle = float(weight @ ratio)
    order = np.argsort(np.abs(ratio - middle))
    within = np.searchsorted(np.cumsum(weight[order]), 0.95)
    half = float(np.abs(ratio - middle)[order][min(within, order.shape[0] - 1)])
    value, low, high = (
        float(place.value_at(np.asarray(z))) for z in (middle, middle - half, middle + half)
    )
    if place.name != "saturation_current":
        return Estimate(value, low, high, place.centre)
    i = next(k for k, one in enumerate(verdict.fit.problem.places) if one.name == "emission")
    emission = float(verdict.fit.problem.places[i].value_at(verdict.fit.at[i]))
    volts = [_drop_v(design, float(one), emission) for one in (value, high, low)]
    return Estimate(volts[0], volts[1], volts[2], float(design.diode.forward_v(1e-4)))


def _drop_v(design: Design, current_a: float, emission: float) -> float:
    """Return the drop at 0.1 mA of a diode with another saturation current and emission."""
    slope = float(design.diode.slope_v(27.0)) / float(design.diode.emission) * emission
    return slope * math.log1p(1e-4 / current_a)


def name_misread(design: Design, known: Mapping[str, Known]) -> tuple[Suspect, ...]:
    """Return the parts whose meter reading lies surely outside their tolerance."""
    found = []
    for part in design.parts:
        reading = known.get(part.name)
        if reading is None:
            continue
        half = ROOT3 * reading.u
        if reading.value + half >= part.low and reading.value - half <= part.high:
            continue
        power = round(math.log10(reading.value / part.value))
        digits = reading.value / 10.0**power
        slipped = power != 0 and digits + half >= part.low and digits - half <= part.high
        fault = "decade" if slipped else "value"
        estimate = Estimate(reading.value, reading.value - half, reading.value + half, part.value)
        text = tell_reading(design, part.name, fault, estimate)
        found.append(Suspect(part.name, fault, text, reading.value, 1.0))
    return tuple(found)


def doubt_reading(design: Design, reading: Known, alone: FoundPart) -> Suspect:
    """Return the reading of a meter that the sweep has no room for.

    Parameters
    ----------
    design : Design
        The design.
    reading : Known
        What the meter read.
    alone : FoundPart
        The part as the sweep without that reading tells it.

    Returns
    -------
    Suspect
        Of the fault ``reading``.
    """
    text = tell_contradiction(alone.part, alone.unit, reading.value, alone.found, alone.u)
    return Suspect(alone.part, "reading", text, reading.value, 1.0)
