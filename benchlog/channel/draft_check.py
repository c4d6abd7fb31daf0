"""What a new design would do, and which part would keep its pulses within the servo's range."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchlog.channel.plan import Design
from benchlog.channel.prediction import predict_cycle, tolerance_band
from benchlog.channel.preferred import values_between
from benchlog.errors import DesignError

__all__ = ["Reach", "find_reach", "suggest_part"]

_STEPS = 541


@dataclass(frozen=True, slots=True)
class Reach:
    """What a design's knob reaches, seconds and degrees.

    Attributes
    ----------
    pulse_s : tuple of float
        Shortest and longest pulse of the marked parts.
    likely_s : tuple of float
        The same with the parts' tolerances: 95 of 100 such channels stay within.
    period_s : tuple of float
        Shortest and longest period.
    safe_deg : tuple of float or None
        Knob angles between which the pulse is within the servo's range; None where it never is.
    past_low, past_high : bool
        Whether the pulse gets shorter or longer than the servo's range.
    """

    pulse_s: tuple[float, float]
    likely_s: tuple[float, float]
    period_s: tuple[float, float]
    safe_deg: tuple[float, float] | None
    past_low: bool
    past_high: bool


def find_reach(design: Design) -> Reach:
    """Return what the knob of a design reaches.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    Reach
        Over the knob's whole travel; ``safe_deg`` to half a degree or so.

    Raises
    ------
    DesignError
        The circuit cannot oscillate.
    """
    knob_deg = np.linspace(0.0, design.knob.travel_deg, _STEPS)
    times = predict_cycle(design, knob_deg)
    low_s, high_s = float(times.on_s.min()), float(times.on_s.max())
    ends = np.array([knob_deg[times.on_s.argmin()], knob_deg[times.on_s.argmax()]])
    band = tolerance_band(design, ends)
    servo = design.servo
    inside = knob_deg[(times.on_s >= servo.pulse_min_s) & (times.on_s <= servo.pulse_max_s)]
    return Reach(
        pulse_s=(low_s, high_s),
        likely_s=(float(band.on_low_s[0]), float(band.on_high_s[1])),
        period_s=(float(times.period_s.min()), float(times.period_s.max())),
        safe_deg=(float(inside[0]), float(inside[-1])) if inside.size else None,
        past_low=low_s < servo.pulse_min_s,
        past_high=high_s > servo.pulse_max_s,
    )


def suggest_part(design: Design, end: str) -> tuple[str, float] | None:
    """Return a part that would keep the pulse within the servo's range.

    Parameters
    ----------
    design : Design
        A design whose pulse leaves the range.
    end : {"low", "high"}
        Where it leaves it.

    Returns
    -------
    tuple of str and float, or None
        For the low end ``r_on`` and the least E24 value that does; for the high end ``r_knob``
        and the greatest E6 value that does; None where none does.
    """
    servo = design.servo
    if end == "low":
        name, values = "r_on", values_between(design.r_on.value, 10 * design.r_on.value, "E24")
    else:
        most_ohm = max(design.r_knob.value, 1.0)
        name, values = "r_knob", values_between(most_ohm / 100, most_ohm, "E6")[::-1]
    stops = np.array([0.0, design.knob.travel_deg])
    for value in values:
        try:
            on_s = predict_cycle(design, stops, parts={name: value}).on_s
        except DesignError:
            continue
        fits = on_s.min() >= servo.pulse_min_s if end == "low" else on_s.max() <= servo.pulse_max_s
        if fits:
            return name, value
    return None
