"""The knob's curve for people, in a few sentences, and as JSON."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchlog.calibration.fit import KnobCurve
from benchlog.calibration.table import Table
from benchlog.calibration.verdict import COVERAGE
from benchlog.show.json_output import in_microseconds

__all__ = ["FEW_MARKS", "curve_sentences", "curve_to_json"]

FEW_MARKS = 4
"""With fewer marks the curve is the design's own, moved to fit."""

_STEP_DEG = 1.0
_MOST_ROWS = 721


def curve_to_json(curve: KnobCurve) -> dict[str, Any]:
    """Return a curve's figures, and the curve itself every degree.

    Parameters
    ----------
    curve : KnobCurve
        The curve.

    Returns
    -------
    dict
        Keys beside those of the table; null where there is no such figure.
    """
    travel = float(curve.knob_deg[-1])
    count = min(math.ceil(travel / _STEP_DEG - 1e-9) + 1, _MOST_ROWS)
    at = np.linspace(0.0, travel, count)
    columns = (curve.pulse_s, curve.u_s, curve.low_s, curve.high_s, curve.period_s)
    names = ("pulse_us", "u_pulse_us", "low_us", "high_us", "period_us")
    sampled = [np.interp(at, curve.knob_deg, column) for column in columns]
    return {
        "end_stop_low_deg": curve.end_stop_low_deg,
        "u_end_stop_low_deg": curve.u_end_stop_low_deg,
        "end_stop_high_deg": curve.end_stop_high_deg,
        "u_end_stop_high_deg": curve.u_end_stop_high_deg,
        "settings": {
            "count": curve.settings.count,
            "spacing_deg": curve.settings.spacing_deg,
        },
        "dead_low_deg": curve.dead_low_deg,
        "u_dead_low_deg": curve.u_dead_low_deg,
        "dead_high_deg": curve.dead_high_deg,
        "u_dead_high_deg": curve.u_dead_high_deg,
        "hysteresis_deg": curve.hysteresis_deg,
        "u_hysteresis_deg": curve.u_hysteresis_deg,
        "linearity_us": in_microseconds(curve.linearity_s),
        "curve_supply_v": curve.supply_v,
        "curve": [
            {
                "knob_deg": round(float(knob), 6),
                **{
                    name: in_microseconds(float(column[i]))
                    for name, column in zip(names, sampled, strict=True)
                },
            }
            for i, knob in enumerate(at)
        ],
    }


def curve_sentences(table: Table) -> list[str]:
    """Say in sentences what a table's curve tells of the knob.

    Parameters
    ----------
    table : Table
        The table.

    Returns
    -------
    list of str
        Band, dead travel, hysteresis, and how many settings there are.
    """
    curve = table.curve
    marks = len({row.point.knob_deg for row in table.rows})
    if marks < FEW_MARKS:
        with_marks = f"With {marks} mark{'s' * (marks != 1)}"
        return [
            f"{with_marks} the knob's curve is the design's own, moved to fit, and known to "
            f"±{_half_widths(curve)[1]} µs at worst: more marks help."
        ]
    return [_band(curve), _dead_travel(curve), _hysteresis(curve), _settings(curve)]


def _half_widths(curve: KnobCurve) -> tuple[int, int]:
    """Return what the band is wide to either side, usually and at worst, microseconds."""
    half_s = 0.5 * (curve.high_s - curve.low_s)
    live = (curve.knob_deg >= curve.dead_low_deg) & (
        curve.knob_deg <= curve.knob_deg[-1] - curve.dead_high_deg
    )
    middle_us = math.ceil(float(np.median(half_s[live])) * 1e6)
    return middle_us, math.ceil(float(np.max(half_s)) * 1e6)


def _band(curve: KnobCurve) -> str:
    """Tell how well the curve is known between the marks."""
    middle_us, worst_us = _half_widths(curve)
    text = f"Between the marks the pulse is known to ±{middle_us} µs"
    if worst_us > 1.5 * middle_us:
        text += f", at worst to ±{worst_us} µs"
    return text + f"; it leaves a straight line by up to {curve.linearity_s * 1e6:.0f} µs."


def _dead_travel(curve: KnobCurve) -> str:
    """Tell of the stretches at either stop that change nothing."""
    ends = []
    for word, length, u in (
        ("first", curve.dead_low_deg, curve.u_dead_low_deg),
        ("last", curve.dead_high_deg, curve.u_dead_high_deg),
    ):
        if length > COVERAGE * u:
            ends.append(f"the {word} {length:.1f}° ± {_up(COVERAGE * u)}°")
    if ends:
        text = " and ".join(ends) + " of the knob's travel change nothing"
        return text[0].upper() + text[1:] + "."
    most = max(
        curve.dead_low_deg + COVERAGE * curve.u_dead_low_deg,
        curve.dead_high_deg + COVERAGE * curve.u_dead_high_deg,
    )
    return f"Dead travel at the stops does not show; it is less than {_up(most)}°."


def _hysteresis(curve: KnobCurve) -> str:
    """Tell how far the two ways lie apart."""
    if curve.hysteresis_deg is None or curve.u_hysteresis_deg is None:
        return (
            "Swept one way only: the curve leaves room for ±2° between turning up and turning "
            "down (common practice); a sweep both ways measures it."
        )
    return (
        f"Turning up and turning down lie {curve.hysteresis_deg:.1f}° ± "
        f"{_up(COVERAGE * curve.u_hysteresis_deg)}° of the knob apart; the curve is the middle "
        "of both."
    )


def _settings(curve: KnobCurve) -> str:
    """Tell how many settings there are."""
    settings = curve.settings
    if settings.count is None or settings.spacing_deg is None:
        return "No two settings of the knob can be told apart."
    side = "always come to from the same side" if curve.hysteresis_deg is None else "from any side"
    return (
        f"About {settings.count} settings of the knob can be told apart and set again by hand "
        f"({side}), {settings.spacing_deg:.1f}° from one to the next."
    )


def _up(value: float) -> str:
    """Write an uncertainty, rounded up so that it never promises too much."""
    return f"{math.ceil(value * 10.0 - 1e-9) / 10.0:.1f}"
