"""What all rows of a calibration table say together, with the reason where one stands out.

Proportions of measured to design, scatter within the recordings, and the servo's range need no fit.
Where the parts were identified from the rows (`benchlog.calibration.identify`), what was found
takes the place of proportions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.identify import Identification
from benchlog.calibration.table import Row, Table
from benchlog.calibration.verdict import COVERAGE, OFF, ON, UNDECIDED

__all__ = ["Reason", "explain_table"]

SAME_SHARE = 0.015
"""Proportions closer than this (a fraction) count as the same; knob reading makes 0.5 % or so."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that the table shows.

    Attributes
    ----------
    code : str
        'on-design', 'capacitor', 'pulse-scale', 'deviation', 'suspect', 'knob',
        'wiper-contact', 'wiper', 'jitter', 'period-jitter', 'end-stop-low', 'end-stop-high',
        'hysteresis', 'dead-travel', 'spoiled' or 'undecided'.
    text : str
        One or two plain sentences.
    """

    code: str
    text: str


def explain_table(table: Table, found: Identification | None = None) -> tuple[Reason, ...]:
    """Say what a table shows, what matters for the servo's safety first.

    Parameters
    ----------
    table : Table
        The table.
    found : Identification or None
        What its rows tell of the parts.

    Returns
    -------
    tuple of Reason
        At least one.
    """
    reasons = _end_stops(table) + _parts(table, found) + _scatter(table) + _other_flags(table)
    undecided = [row for row in table.rows if row.verdict == UNDECIDED]
    if undecided:
        text = (
            f"Not decided at {_places(undecided)}: the pulse lies so near to the edge of what the "
            "marked parts can make that its uncertainty reaches across."
        )
        reasons.append(Reason("undecided", text))
    if not reasons:
        reasons = [Reason("on-design", _all_well(table))]
    return tuple(reasons)


def _all_well(table: Table) -> str:
    """Tell that nothing is wrong, in the words that the verdicts allow."""
    if all(row.verdict == ON for row in table.rows):
        limit_us = table.design.limits.deviation_s * 1e6
        count = len(table.rows)
        where = f"all {count} positions" if count > 1 else "its one position"
        return (
            f"Nothing is wrong: at {where} the pulse is surely within "
            f"{limit_us:g} µs of its design value, and it holds still."
        )
    return "Nothing is wrong: every pulse is what the marked parts can make, and it holds still."


def _places(rows: list[Row]) -> str:
    """Name knob angles."""
    angles = list(dict.fromkeys(f"{row.point.knob_deg:g}°" for row in rows))
    if len(angles) > 4:
        return f"{len(angles)} positions from {angles[0]} to {angles[-1]}"
    return ", ".join(angles)


def _flagged(table: Table, flag: str) -> list[Row]:
    """Return the rows that carry a flag."""
    return [row for row in table.rows if flag in row.flags]


def _end_stops(table: Table) -> list[Reason]:
    """Tell where the servo is driven past its end stop, and how far."""
    reasons = []
    servo = table.design.servo
    for stop, limit_s in (("low", servo.pulse_min_s), ("high", servo.pulse_max_s)):
        rows = _flagged(table, f"end-stop-{stop}")
        if not rows:
            continue
        angle_deg, u_deg = _stop_angle(table, stop)
        beyond_us = max(abs(row.point.pulse_s - limit_s) for row in rows) * 1e6
        where = ""
        if angle_deg is not None and u_deg is not None:
            where = f" (past {angle_deg:.0f}° ± {_expanded(u_deg)}° of the knob)"
        word = "longer" if stop == "high" else "shorter"
        reasons.append(
            Reason(
                f"end-stop-{stop}",
                f"Past the servo's {stop} end stop at {_places(rows)}{where}: the pulse is up to "
                f"{beyond_us:.0f} µs {word} than the {limit_s * 1e6:g} µs that the servo can "
                "follow. A servo held against its stop heats and can pinch.",
            )
        )
    return reasons


def _stop_angle(table: Table, stop: str) -> tuple[float | None, float | None]:
    """Return the knob angle past which a stop is pushed, and its standard uncertainty."""
    curve = table.curve
    if stop == "low":
        return curve.end_stop_low_deg, curve.u_end_stop_low_deg
    return curve.end_stop_high_deg, curve.u_end_stop_high_deg


def _expanded(u_deg: float) -> str:
    """Write U of an angle, rounded up so that it never promises too much."""
    return f"{math.ceil(COVERAGE * u_deg * 10.0 - 1e-9) / 10.0:g}"


def _ratios(rows: tuple[Row, ...]) -> tuple[FloatArray, FloatArray]:
    """Return measured over design, of the pulse and of the rest of the cycle."""
    pulse = np.array([row.point.pulse_s / row.design_pulse_s for row in rows])
    rest = np.array([row.point.rest_s / row.design_rest_s for row in rows])
    return pulse, rest


def _parts(table: Table, found: Identification | None) -> list[Reason]:
    """Tell what is wrong with the parts: as identified where they are, else by proportions."""
    simple = _deviations(table)
    if found is None:
        return simple
    if found.suspects:
        if found.suspects[0].part == "c_timing" and simple and simple[0].code == "capacitor":
            return simple
        return [Reason("suspect", found.suspects[0].text)]
    if found.knob_note:
        return [Reason("knob", found.knob_note)]
    if found.explained and simple and simple[0].code == "deviation":
        return [Reason("deviation", _explained(table))]
    return simple


def _explained(table: Table) -> str:
    """Tell of rows that are off by themselves, but not all together."""
    off = [row for row in table.rows if row.verdict == OFF]
    return (
        f"Off design at {_places(off)}: 95 of 100 channels built from such parts would be nearer, "
        "but all positions together are still what parts within their tolerances can make."
    )


def _deviations(table: Table) -> list[Reason]:
    """Tell how the pulses lie off the design, with the reason where all rows agree on one."""
    off = [row for row in table.rows if row.verdict == OFF]
    apart = [row for row in table.rows if row.verdict != ON]
    if not apart:
        return []
    pulse, rest = _ratios(table.rows)
    pulse_share, rest_share = float(np.mean(pulse)) - 1.0, float(np.mean(rest)) - 1.0
    steady = len(table.rows) > 1 and max(np.ptp(pulse), np.ptp(rest)) < 2.0 * SAME_SHARE
    if steady and abs(rest_share) > SAME_SHARE and abs(pulse_share - rest_share) < SAME_SHARE:
        return [Reason("capacitor", _capacitor(rest_share, bool(off)))]
    if steady and abs(pulse_share) > SAME_SHARE and abs(rest_share) < SAME_SHARE / 3.0:
        return [Reason("pulse-scale", _pulse_scale(pulse_share))]
    if not off:
        return []
    low_us, high_us = (f([row.deviation_s for row in off]) * 1e6 for f in (min, max))
    return [
        Reason(
            "deviation",
            f"Off design at {_places(off)}, by {low_us:+.0f} to {high_us:+.0f} µs, which is more "
            "than the tolerances of the marked parts allow: check that each part is the one "
            "that the design names.",
        )
    ]


def _capacitor(share: float, off: bool) -> str:
    """Tell that everything takes longer or shorter in one proportion."""
    long, high = ("long", "high") if share > 0 else ("short", "low")
    percent = f"{abs(share) * 100:.0f} %"
    text = (
        f"Every pulse is about {percent} {long}, and so is the rest of the cycle, in the same "
        f"proportion at every position: a timing capacitor {percent} {high} does just that."
    )
    if off:
        return text + " That is more than the marked parts' tolerances allow."
    return text + " The marked parts' tolerances allow it."


def _pulse_scale(share: float) -> str:
    """Tell that the pulse alone is off, in one proportion."""
    long, supply = ("long", "lower") if share > 0 else ("short", "higher")
    return (
        f"Every pulse is about {abs(share) * 100:.0f} % {long} while the rest of the cycle is as "
        f"designed: a supply {supply} than reckoned with does that, or another kind of diode. "
        "Measure the supply while the channel runs."
    )


def _scatter(table: Table) -> list[Reason]:
    """Tell which positions jitter, and what their scatter looks like."""
    reasons = []
    rows = _flagged(table, "jitter")
    if rows:
        limit_us = table.design.limits.jitter_s * 1e6
        worst = max(rows, key=lambda row: row.point.pulse_sd_s)
        text = (
            f"The pulse jitters at {_places(rows)}: by up to {worst.point.pulse_sd_s * 1e6:.1f} µs "
            f"(standard deviation; the limit is {limit_us:g} µs). "
        )
        code, cause = _scatter_cause(rows)
        reasons.append(Reason(code, text + cause))
    periods = [row for row in _flagged(table, "period-jitter") if row not in rows]
    if periods:
        percent = table.design.limits.period_fraction * 100
        code, cause = _scatter_cause(periods)
        code = code if code != "jitter" else "period-jitter"
        reasons.append(
            Reason(
                code,
                f"The period scatters by more than {percent:g} % at {_places(periods)}. {cause}",
            )
        )
    return reasons


def _scatter_cause(rows: list[Row]) -> tuple[str, str]:
    """Compare the scatter of the pulse with that of the rest of the cycle."""
    pulse_s = math.sqrt(float(np.mean([row.point.pulse_sd_s**2 for row in rows])))
    rest_s = math.sqrt(float(np.mean([row.point.rest_sd_s**2 for row in rows])))
    times = rest_s / pulse_s if pulse_s > 0 else math.inf
    together = float(np.mean([row.point.pulse_rest_correlation for row in rows]))
    if times > 3.0:
        many = (
            f"{times:.0f} times as much" if math.isfinite(times) else "while the pulse holds still"
        )
        return (
            "wiper-contact",
            f"The rest of the cycle scatters {many}, as a noisy contact of the knob's wiper "
            "makes it: suspect a worn or dirty knob.",
        )
    if together < -0.5 and 0.4 < times < 1.7:
        return (
            "wiper",
            "When the pulse is longer the rest of the cycle is shorter by about as much, as when "
            "the knob's wiper moves on its track: suspect a worn or loose knob.",
        )
    return (
        "jitter",
        "Look for a loose contact, a supply that is pulled by something else, or hum.",
    )


def _other_flags(table: Table) -> list[Reason]:
    """Tell of hysteresis, dead travel and recordings that spoil their figures."""
    reasons = []
    rows = _flagged(table, "hysteresis")
    if rows:
        reasons.append(
            Reason(
                "hysteresis",
                f"Turned up and turned down give different pulses at {_places(rows)}: always come "
                "to a mark from the same side, or suspect play in the knob.",
            )
        )
    rows = _flagged(table, "dead-travel")
    if rows:
        text = f"Turning the knob changes next to nothing at {_places(rows)}."
        if len(rows) == len(table.rows):
            text = (
                f"Turning the knob changes next to nothing at any of the marks ({_places(rows)}): "
                "they all lie in its dead travel, or its wiper is not joined. Marks over the whole "
                "travel tell which."
            )
        reasons.append(Reason("dead-travel", text))
    for row in table.rows:
        reasons += [
            Reason("spoiled", f"At {row.point.knob_deg:g}°: {notice.text}")
            for notice in row.point.notices
            if notice.spoils
        ]
    return reasons
