"""The calibration table: knob angle, pulse, arm angle, deviation from the design, verdict.

Uncertainty follows JCGM 100:2008 (GUM). A row's deviation is the measured pulse less what the
marked parts would give at that knob angle, supply and temperature, so its variance is

    u² = u_pulse² + (d pulse/d knob · u_knob)² + (d pulse/d supply · u_supply)²
         + (d pulse/d temperature · u_temperature)²

with rectangular distributions (half-width / √3, 4.3.7) for the three readings (`point.py`).

The arm angle's uncertainty is the measured pulse's alone, through the servo's line: it says
which angle is asked for, not how straight the servo is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.fit import KnobCurve, fit_curve
from benchlog.calibration.marks import (
    Settings,
    find_dead_travel,
    merge_positions,
)
from benchlog.calibration.point import (
    KNOB_READING_DEG,
    ROOT3,
    SUPPLY_READING_SHARE,
    SUPPLY_UNKNOWN_SHARE,
    TEMPERATURE_READING_K,
    TEMPERATURE_UNKNOWN_K,
    Point,
)
from benchlog.calibration.verdict import (
    COVERAGE,
    ON,
    UNDECIDED,
    WITHIN,
    Budget,
    Limit,
    judge,
    tell_need,
)
from benchlog.channel.design import Design, predict_cycle, sensitivity, tolerance_band

__all__ = ["KNOB_READING_DEG", "Point", "Row", "Table", "build_table"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table.

    Attributes
    ----------
    point : Point
        What was measured.
    servo_deg, u_servo_deg : float
        Arm angle, kept within the servo's range, and the standard uncertainty of what the pulse
        asks for, degrees.
    design_pulse_s, design_rest_s : float
        What the marked parts give at the record's supply and temperature, seconds.
    nominal_pulse_s : float
        The pulse that they give at the design's own supply and temperature, seconds.
    deviation_s : float
        Measured less design pulse, seconds.
    budget : Budget
        Where the deviation's uncertainty comes from.
    limit : Limit
        What the verdict compares with.
    verdict : str
        'on design', 'within part tolerance', 'off design' or 'undecided'.
    need : str or None
        What would decide an undecided row.
    flags : tuple of str
        'end-stop-low', 'end-stop-high', 'jitter', 'period-jitter', 'hysteresis', 'dead-travel',
        'few-pulses', and the codes of the measurement's notices that spoil its figures.
    """

    point: Point
    servo_deg: float
    u_servo_deg: float
    design_pulse_s: float
    design_rest_s: float
    nominal_pulse_s: float
    deviation_s: float
    budget: Budget
    limit: Limit
    verdict: str
    need: str | None
    flags: tuple[str, ...]

    @property
    def u_deviation_s(self) -> float:
        """Standard uncertainty of the deviation, seconds."""
        return self.budget.u_s


@dataclass(frozen=True)
class Table:
    """A calibration table and the design it was made against.

    The curve is fitted when it is first asked for (so no slots): live readings hold one pulse
    against its row many times a second and never look at it.

    Attributes
    ----------
    design : Design
        The design, its text included.
    rows : tuple of Row
        In ascending order of the knob angle, 'up' before 'down'.
    knob_reading_deg : float
        Half-width of the knob reading that was reckoned with, degrees.
    """

    design: Design
    rows: tuple[Row, ...]
    knob_reading_deg: float = KNOB_READING_DEG

    @cached_property
    def curve(self) -> KnobCurve:
        """The knob's curve through the rows."""
        points = [row.point for row in self.rows]
        return fit_curve(self.design, points, knob_reading_deg=self.knob_reading_deg)

    @property
    def end_stop_low_deg(self) -> float | None:
        """Knob angle past which the servo is pushed against its low stop, if it is."""
        return self.curve.end_stop_low_deg

    @property
    def end_stop_high_deg(self) -> float | None:
        """Knob angle past which the servo is pushed against its high stop, if it is."""
        return self.curve.end_stop_high_deg

    @property
    def settings(self) -> Settings:
        """How many knob positions can be told apart and set again."""
        return self.curve.settings

    @property
    def channel(self) -> str:
        """The channel's name."""
        return self.design.channel

    @property
    def sound(self) -> bool:
        """True when no row is off design, undecided, past an end stop, unsteady or spoiled."""
        harmless = {"hysteresis", "dead-travel", "few-pulses"}
        return all(row.verdict in (ON, WITHIN) and set(row.flags) <= harmless for row in self.rows)


def build_table(
    design: Design, points: Sequence[Point], *, knob_reading_deg: float = KNOB_READING_DEG
) -> Table:
    """Compare measured knob positions with a design.

    Parameters
    ----------
    design : Design
        What the channel should be.
    points : sequence of Point
        At least one, in any order.
    knob_reading_deg : float
        Half-width of the knob reading, degrees, 0 or more.

    Returns
    -------
    Table
        One row a point.

    Raises
    ------
    ValueError
        No points, a number that is not finite, or a negative `knob_reading_deg`.
    DesignError
        The design cannot oscillate at one of the points.
    """
    if not points:
        raise ValueError("points must not be empty")
    if not (math.isfinite(knob_reading_deg) and knob_reading_deg >= 0):
        raise ValueError(f"knob_reading_deg must be 0 or more, got {knob_reading_deg}")
    for point in points:
        numbers = (point.knob_deg, point.pulse_s, point.u_pulse_s, point.period_s, point.u_period_s)
        if not all(math.isfinite(number) for number in numbers):
            raise ValueError(f"a point's numbers must be finite, got {numbers}")
    ordered = sorted(points, key=lambda p: (p.knob_deg, p.direction == "down"))
    rows = _build_rows(design, ordered, knob_reading_deg)
    rows = _flag_neighbours(rows)
    return Table(
        design=design,
        rows=tuple(rows),
        knob_reading_deg=knob_reading_deg,
    )


def _build_rows(design: Design, points: list[Point], knob_reading_deg: float) -> list[Row]:
    """Make the rows, those with the same surroundings in one go of the model."""
    rows: dict[int, Row] = {}
    groups: dict[tuple[float | None, float | None], list[int]] = {}
    for index, point in enumerate(points):
        groups.setdefault((point.supply_v, point.temperature_c), []).append(index)
    for (supply_v, temperature_c), indices in groups.items():
        knob_deg = np.array([points[i].knob_deg for i in indices])
        # The band is the parts' alone: what is not known of the supply stands in the budget.
        volts = design.supply.value if supply_v is None else supply_v
        warmth = design.temperature_c if temperature_c is None else temperature_c
        cycle = predict_cycle(design, knob_deg, supply_v=volts, temperature_c=warmth)
        nominal = predict_cycle(design, knob_deg)
        band = tolerance_band(design, knob_deg, supply_v=volts, temperature_c=warmth)
        slopes = sensitivity(design, knob_deg, supply_v=volts, temperature_c=warmth)
        for k, i in enumerate(indices):
            budget = _budget(
                design,
                points[i],
                knob_reading_deg,
                knob_slope=float(slopes.on_per_deg[k]),
                supply_slope=float(slopes.on_per_v[k]),
                temperature_slope=float(slopes.on_per_k[k]),
            )
            design_s = float(cycle.on_s[k])
            limit = Limit(
                deviation_s=design.limits.deviation_s,
                low_s=float(band.on_low_s[k]) - design_s,
                high_s=float(band.on_high_s[k]) - design_s,
            )
            rows[i] = _build_row(
                design,
                points[i],
                budget,
                limit,
                design_s=design_s,
                rest_s=float(cycle.off_s[k]),
                nominal_s=float(nominal.on_s[k]),
            )
    return [rows[i] for i in range(len(points))]


def _budget(
    design: Design,
    point: Point,
    knob_reading_deg: float,
    *,
    knob_slope: float,
    supply_slope: float,
    temperature_slope: float,
) -> Budget:
    """Gather the shares of one deviation's uncertainty."""
    if point.supply_v is not None:
        supply_half = SUPPLY_READING_SHARE * point.supply_v
    else:
        supply_half = (design.supply.tolerance or SUPPLY_UNKNOWN_SHARE) * design.supply.value
    known = point.temperature_c is not None
    temperature_half = TEMPERATURE_READING_K if known else TEMPERATURE_UNKNOWN_K
    return Budget(
        pulse_s=point.u_pulse_s,
        knob_s=abs(knob_slope) * knob_reading_deg / ROOT3,
        supply_v_s=abs(supply_slope) * supply_half / ROOT3,
        temperature_s=abs(temperature_slope) * temperature_half / ROOT3,
        knob_deg_s=knob_slope,
        supply_slope_s=supply_slope,
        temperature_slope_s=temperature_slope,
        pulse_count=point.pulse_count,
    )


def _build_row(
    design: Design,
    point: Point,
    budget: Budget,
    limit: Limit,
    *,
    design_s: float,
    rest_s: float,
    nominal_s: float,
) -> Row:
    """Judge and flag one point by itself."""
    deviation_s = point.pulse_s - design_s
    verdict = judge(deviation_s, budget.u_s, limit)
    return Row(
        point=point,
        servo_deg=float(design.servo.angle_deg(point.pulse_s)),
        u_servo_deg=float(design.servo.u_angle_deg(point.pulse_s, point.u_pulse_s)),
        design_pulse_s=design_s,
        design_rest_s=rest_s,
        nominal_pulse_s=nominal_s,
        deviation_s=deviation_s,
        budget=budget,
        limit=limit,
        verdict=verdict,
        need=tell_need(deviation_s, budget, limit) if verdict == UNDECIDED else None,
        flags=_flags(design, point),
    )


def _arm_spread(design: Design, point: Point) -> float:
    """Return the standard uncertainty of the arm angle that a pulse asks for, degrees.

    From the servo's own slope within its range: near a stop what the pulse asks for is no surer.
    """
    servo = design.servo
    half_s = min(
        max(point.u_pulse_s, 1e-9 * servo.pulse_max_s),
        0.5 * (servo.pulse_max_s - servo.pulse_min_s),
    )
    middle_s = min(max(point.pulse_s, servo.pulse_min_s + half_s), servo.pulse_max_s - half_s)
    turned = servo.angle_deg(middle_s + half_s) - servo.angle_deg(middle_s - half_s)
    return 0.5 * abs(float(turned)) * point.u_pulse_s / half_s


def _flags(design: Design, point: Point) -> tuple[str, ...]:
    """Name what is wrong with one point by itself."""
    flags: list[str] = []
    stop = design.servo.end_stop(point.pulse_s)
    if stop is not None:
        flags.append(f"end-stop-{stop}")
    if point.pulse_sd_s > design.limits.jitter_s:
        flags.append("jitter")
    if point.period_sd_s > design.limits.period_fraction * point.period_s:
        flags.append("period-jitter")
    flags += [n.code for n in point.notices if n.spoils or n.code == "few-pulses"]
    return tuple(dict.fromkeys(flags))


def _flag_neighbours(rows: list[Row]) -> list[Row]:
    """Add the flags that need more than one row: hysteresis and dead travel."""
    added: list[list[str]] = [[] for _ in rows]
    for i, j in _pairs(rows):
        u_s = math.hypot(*(row.budget.pulse_s for row in (rows[i], rows[j])))
        u_s = math.hypot(u_s, rows[i].budget.knob_s, rows[j].budget.knob_s)
        if abs(rows[i].point.pulse_s - rows[j].point.pulse_s) > COVERAGE * u_s:
            added[i].append("hysteresis")
            added[j].append("hysteresis")
    angles, pulses = _merged(rows, [row.point.pulse_s for row in rows])
    _, u_pulses = _merged(rows, [row.point.u_pulse_s for row in rows])
    _, meant = _merged(rows, [row.design_pulse_s for row in rows])
    dead = angles[find_dead_travel(angles, pulses, u_pulses, meant)]
    for i, row in enumerate(rows):
        if np.any(np.abs(dead - row.point.knob_deg) < 1e-6):
            added[i].append("dead-travel")
    return [
        replace(row, flags=row.flags + tuple(more)) for row, more in zip(rows, added, strict=True)
    ]


def _pairs(rows: list[Row]) -> list[tuple[int, int]]:
    """Find the rows of one knob angle that were reached from both sides."""
    return [
        (i, j)
        for i, up in enumerate(rows)
        for j, down in enumerate(rows)
        if up.point.direction == "up"
        and down.point.direction == "down"
        and abs(up.point.knob_deg - down.point.knob_deg) < 1e-6
    ]


def _merged(rows: list[Row], values: list[float]) -> tuple[FloatArray, FloatArray]:
    """Average one figure of the rows over those of the same knob angle."""
    return merge_positions(np.array([row.point.knob_deg for row in rows]), np.array(values))
