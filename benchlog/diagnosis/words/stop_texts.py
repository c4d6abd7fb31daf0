"""A servo that is driven into its end stop: for a beginner."""

from __future__ import annotations

import math

from benchlog.diagnosis.end_stop import EndStop, PartChange
from benchlog.diagnosis.finding import (
    Evidence,
    Finding,
    Heard,
    InputDiagnosis,
    Words,
    make_finding,
)
from benchlog.units import format_value

__all__ = ["CAUTION", "end_stop_findings"]

CAUTION = (
    "First unplug the servo, and keep its arm off or free afterwards: a servo that pushes against "
    "its stop heats and can pinch."
)
"""What is said before any step with a servo at its stop."""

_COVERAGE = 2.0
_FAR = 5.0
"""Beyond by more than this many times the '±' is far beyond."""


def end_stop_findings(one: InputDiagnosis) -> list[Finding]:
    """Return the findings of an input whose pulse is beyond its servo's range.

    Parameters
    ----------
    one : InputDiagnosis
        The input.

    Returns
    -------
    list of Finding
        One for each end, the one that is furthest beyond first.
    """
    worst: dict[str, tuple[EndStop, Heard, int]] = {}
    for stop, heard in zip(one.end_stops, one.heard, strict=True):
        if stop is None:
            continue
        count = 1 + (worst[stop.end][2] if stop.end in worst else 0)
        if stop.end not in worst or _weight(stop) > _weight(worst[stop.end][0]):
            worst[stop.end] = (stop, heard, count)
        else:
            worst[stop.end] = (*worst[stop.end][:2], count)
    ordered = sorted(worst.values(), key=lambda entry: _weight(entry[0]), reverse=True)
    return [
        make_finding(
            one.input,
            f"end-stop-{stop.end}",
            _describe(stop, heard, count, len(one.heard)),
            _sureness(stop),
            _evidence(stop, heard, count),
        )
        for stop, heard, count in ordered
    ]


def _weight(stop: EndStop) -> tuple[bool, float]:
    return stop.sure, stop.beyond_s


def _us(seconds: float, digits: int = 0) -> str:
    return f"{seconds * 1e6:.{digits}f} µs"


def _describe(stop: EndStop, heard: Heard, count: int, recordings: int) -> Words:
    """Say how far the servo is driven, from which knob angle, and what cures it."""
    longer = "longer" if stop.end == "high" else "shorter"
    limit = _us(stop.limit_s)
    whose = "a usual servo takes" if stop.assumed else "the servo takes"
    if stop.beyond_s > 0:
        what = (
            f"The pulse is {_us(stop.beyond_s)} {longer} than {whose} ({limit}): it drives the "
            f"servo against its {stop.end} stop."
        )
    else:
        what = (
            f"Now and then the pulse is {longer} than {whose} ({limit}), and drives the servo "
            f"against its {stop.end} stop."
        )
    why = [f"The mean pulse is {stop.pulse_s * 1e6:.1f} ± {_half_us(stop):.1f} µs"]
    if heard.knob_deg is not None:
        why[0] += f" at a knob angle of {heard.knob_deg:g}°"
    if stop.share < 1.0:
        why.append(
            f"{_percent(stop.share)} of the pulses are beyond, by up to {_us(stop.furthest_s, 1)}"
        )
    if recordings > 1:
        why.append(f"That holds for {count} of {recordings} recordings")
    if stop.past_deg is not None:
        way = "clockwise" if stop.past_clockwise else "anticlockwise"
        why.append(
            f"By the design the stop begins at a knob angle of some {stop.past_deg:.0f}° and lasts "
            f"from there on {way}"
        )
    if stop.assumed:
        why.append("The range of 500 to 2500 µs is assumed, since none is known of this servo")
    return Words(what, ". ".join(why) + ".", _next_step(stop))


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.095 else f"{100 * share:.2g} %"


def _next_step(stop: EndStop) -> str:
    """Return the caution, then what to change, or how to find out."""
    if stop.change is not None:
        return f"{CAUTION} Then, with the power off, {_tell_change(stop.change)}."
    ask = (
        "Then find the servo's own range with 'benchlog servo NAME': if the pulse lies inside, "
        "nothing is wrong"
    )
    if stop.past_deg is not None:
        ask += f"; until then turn the knob no further than {stop.past_deg:.0f}°"
    return f"{CAUTION} {ask}."


def _tell_change(change: PartChange) -> str:
    """Say which parts to fit."""
    parts = []
    if change.r_on_ohm is not None:
        parts.append(f"fit {format_value(change.r_on_ohm, 'ohm')} for r_on")
    if change.across_knob_ohm is not None:
        parts.append(
            f"solder {format_value(change.across_knob_ohm, 'ohm')} across the knob's two outer "
            "lugs, its wiper lug left as it is"
        )
    return (
        f"{' and '.join(parts)}: by the design the pulse then goes from {_us(change.low_s)} "
        f"to {_us(change.high_s)}, inside the servo's range"
    )


def _sureness(stop: EndStop) -> str:
    """Say how sure it is."""
    if not stop.sure:
        return "Maybe: the pulse is so near to the limit that the ± reaches over it."
    if stop.assumed:
        return "Surely beyond 500 to 2500 µs; maybe this servo takes more."
    half = _half_us(stop)
    if 1e6 * stop.beyond_s <= half:
        return "Surely: the pulses that are beyond are so by more than their own ±."
    far = "far " if 1e6 * stop.beyond_s > _FAR * half else ""
    return f"Surely: {_us(stop.beyond_s)} is {far}more than the ± of {half:.1f} µs."


def _half_us(stop: EndStop) -> float:
    """Return the '±' of the mean pulse, microseconds, rounded up."""
    return math.ceil(_COVERAGE * stop.u_beyond_s * 1e7 - 1e-9) / 10.0


def _evidence(stop: EndStop, heard: Heard, count: int) -> Evidence:
    """Return the figures."""
    change = stop.change
    return {
        "pulse_us": round(1e6 * stop.pulse_s, 6),
        "limit_us": round(1e6 * stop.limit_s, 6),
        "beyond_us": round(1e6 * stop.beyond_s, 6),
        "u_beyond_us": round(1e6 * stop.u_beyond_s, 6),
        "furthest_us": round(1e6 * stop.furthest_s, 6),
        "pulses_beyond_share": stop.share,
        "range_assumed": stop.assumed,
        "knob_deg": heard.knob_deg,
        "past_deg": stop.past_deg,
        "past_clockwise": stop.past_clockwise,
        "new_r_on_ohm": None if change is None else change.r_on_ohm,
        "across_knob_ohm": None if change is None else change.across_knob_ohm,
        "recordings_beyond": count,
    }
