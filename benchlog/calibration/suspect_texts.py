"""What a suspect is, in plain words: what it seems to be, what explains it, what to look at."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchlog.calibration.figures import with_u
from benchlog.channel.parts import Part
from benchlog.channel.plan import Design
from benchlog.channel.preferred import find_series, values_between
from benchlog.units import format_value

__all__ = ["Estimate", "tell_contradiction", "tell_fault", "tell_reading", "tell_rival"]

NAMES = {
    "r_on": "the resistor r_on",
    "r_knob": "the knob's track r_knob",
    "r_off": "the resistor r_off",
    "c_timing": "the timing capacitor",
    "diode": "the diode",
    "timer": "the timer",
    "supply": "the supply",
    "knob": "the knob",
}

_SMALL = 0.3
"""Up to which share a value is told as so many per cent off rather than as another value."""
_BROAD = 0.35
_MOST = 3


@dataclass(frozen=True, slots=True)
class Estimate:
    """What a part seems to be.

    Attributes
    ----------
    value, low, high : float
        The middle, and between what it surely lies.
    marked : float
        What it should be.
    """

    value: float
    low: float
    high: float
    marked: float


def tell_fault(design: Design, part: str, fault: str, estimate: Estimate | None) -> str:
    """Say what a suspect is.

    Parameters
    ----------
    design : Design
        The design.
    part, fault : str
        The suspect's words.
    estimate : Estimate or None
        What the part seems to be, where the fault has a value.

    Returns
    -------
    str
        One to three sentences.
    """
    if fault == "swapped":
        return (
            "r_on and r_off are exchanged: "
            f"{_show(design.r_off.value, 'ohm')} sits where {_show(design.r_on.value, 'ohm')} "
            "belongs, and the other way round. Exchange the two resistors."
        )
    if fault == "ends-swapped":
        return (
            "The knob's ends are exchanged: turned the way that should lengthen the pulse it "
            "shortens it. Exchange the two outer wires of the knob."
        )
    if fault == "taper":
        return _tell_taper(design)
    if fault == "open":
        return (
            "The diode does not conduct: it is missing, broken or not soldered. The pulse is then "
            "charged through r_off as well."
        )
    if fault == "reversed":
        return (
            "The diode is the wrong way round: its marked end (the cathode) belongs at the "
            "capacitor."
        )
    named = next((one for one in design.parts if one.name == part), None)
    if named is not None and estimate is not None:
        return _tell_value(named, fault, estimate)
    return _tell_other(design, part, estimate)


def _tell_taper(design: Design) -> str:
    """Tell of another track."""
    is_log = design.knob.taper == "log"
    found, wanted = ("linear", "logarithmic") if is_log else ("logarithmic", "linear")
    return (
        f"The knob's track is {found}, not {wanted}: the ends are right, but between them the "
        f"pulse follows another curve. Look for the letter beside the knob's value."
    )


def _tell_other(design: Design, part: str, estimate: Estimate | None) -> str:
    """Tell of a diode, a timer or a supply."""
    if part == "diode" and estimate is not None:
        return (
            f"The diode is of another type: it seems to drop {estimate.value:.2f} V at 0.1 mA "
            f"where the design's drops {estimate.marked:.2f} V{_likely_diode(estimate)}."
        )
    if part == "diode":
        return "There seems to be a diode, and the design has none."
    if part == "supply" and estimate is not None:
        return (
            f"The supply seems to be {estimate.value:.2f} V ({estimate.low:.2f} to "
            f"{estimate.high:.2f} V), not {estimate.marked:.3g} V: measure it at the timer while "
            "the channel runs."
        )
    return (
        f"The timer is not as a {design.timer.name} one is: it is of another family, or something "
        "pulls at its control pin."
    )


def _likely_diode(estimate: Estimate) -> str:
    """Name the kind of diode that has such a drop (common practice)."""
    if estimate.value < 0.38 < estimate.marked:
        return ", as a Schottky diode does"
    if estimate.value > 0.42 > estimate.marked:
        return ", as a silicon diode does"
    return ""


def _show(value: float, unit: str, digits: int = 3) -> str:
    return format_value(value, unit, digits)


def _tell_value(part: Part, fault: str, estimate: Estimate) -> str:
    """Tell of a part of another value."""
    share = estimate.value / estimate.marked - 1.0
    name = NAMES[part.name]
    if fault == "value" and abs(share) < _SMALL and part.name != "c_timing":
        word = "high" if share > 0 else "low"
        return (
            f"{_article(part)} {abs(share) * 100:.0f} % {word} explains it: about "
            f"{_about(estimate, part)} where {part} is marked.{_common(part, estimate)}"
        )
    start = f"{name[0].upper()}{name[1:]} seems to be {_about(estimate, part)} where "
    if fault == "decade":
        slip = part.value * 10.0 ** round(math.log10(estimate.value / part.value))
        return (
            f"{start}{part} belongs: {_show(slip, part.unit)} has the same digits at another power "
            "of ten. Read its last band or figure again."
        )
    return f"{start}{part} belongs.{_common(part, estimate)}"


def _article(part: Part) -> str:
    names = {
        "r_on": "A resistor r_on",
        "r_knob": "A knob's track (r_knob)",
        "r_off": "A resistor r_off",
    }
    return names[part.name]


def _about(estimate: Estimate, part: Part) -> str:
    """Tell a value with where it surely lies."""
    half = 0.5 * (estimate.high - estimate.low) / estimate.value
    value = _show(estimate.value, part.unit)
    if half < 0.005:
        return value
    low, high = (_show(one, part.unit, 3 if half < 0.05 else 2) for one in (
        estimate.low, estimate.high
    ))  # fmt: skip
    number, _, symbol = low.partition(" ")
    if symbol == high.partition(" ")[2]:
        low = number
    return f"{value} (surely {low} to {high})"


def _common(part: Part, estimate: Estimate) -> str:
    """Name the common values that a part in that range would carry."""
    if estimate.high / estimate.low - 1.0 > 2.0 * _BROAD:
        return ""
    low, high = estimate.low / (1.0 + part.tolerance), estimate.high * (1.0 + part.tolerance)
    for series in ("E12", "E24"):
        values = [one for one in values_between(low, high, series) if not _is_same(one, part.value)]
        if values:
            break
    else:
        return ""
    values = sorted(values, key=lambda one: abs(math.log(one / estimate.value)))[:_MOST]
    shown = " or ".join(_show(one, part.unit) for one in values)
    twin = _misread(part, values[0])
    start = "The common value there is" if len(values) == 1 else "Common values there are"
    return f" {start} {shown} ({series}){twin}."


def _is_same(one: float, other: float) -> bool:
    return abs(one / other - 1.0) < 1e-6


def _misread(part: Part, value: float) -> str:
    """Tell where a value is the next one of its series, or has figures that are misread."""
    marked = part.value
    series = find_series(marked, ("E12", "E24"))
    if series is not None:
        steps = values_between(marked * 0.7, marked * 1.45, series)
        place = [i for i, one in enumerate(steps) if _is_same(one, marked)]
        near = [steps[i + k] for i in place for k in (-1, 1) if 0 <= i + k < len(steps)]
        if any(_is_same(value, one) for one in near):
            return f", the next value of the series to {_show(marked, part.unit)}"
    figures = [f"{one / 10 ** math.floor(math.log10(one)):.1f}" for one in (value, marked)]
    if figures[0] == figures[1][::-1]:
        return ", the same figures in the other order"
    return ""


def tell_rival(part: str, rivals: Sequence[str]) -> str:
    """Say that positions like these do not tell one suspect from others."""
    others = list(dict.fromkeys(NAMES[one] for one in rivals if one != part))
    shown = " or ".join(others)
    return (
        f"These positions do not tell it from {shown}: measure (power off, one leg free) or "
        "look at each."
    )


def tell_reading(design: Design, part: str, fault: str, estimate: Estimate) -> str:
    """Say that the meter itself shows a wrong part."""
    named = next(one for one in design.parts if one.name == part)
    text = (
        f"The meter reads {_show(estimate.value, named.unit, 4)} for {NAMES[part]} where {named} "
        "belongs"
    )
    if fault == "decade":
        return text + ": the same digits at another power of ten."
    return text + "." + _common(named, estimate)


def tell_contradiction(part: str, unit: str, reading: float, alone: float, u: float) -> str:
    """Say that a meter's reading has no room in the sweep.

    Parameters
    ----------
    part, unit : str
        The part and its unit.
    reading : float
        What the meter read.
    alone, u : float
        What the sweep without that reading says, and its standard uncertainty.

    Returns
    -------
    str
        Two sentences.
    """
    return (
        f"The meter's {_show(reading, unit)} for {NAMES[part]} does not fit the sweep, which "
        f"alone says {with_u(alone, u, unit)}: they do not agree, so the reading was not used. "
        "Read it again (power off, one leg free)."
    )
