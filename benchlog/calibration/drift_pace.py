"""How fast a channel moves, and when it will have left its limits at that pace."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.difference import Difference, Observed, compare_sweeps
from benchlog.calibration.drift_base import Base
from benchlog.channel.plan import Design

__all__ = ["Pace", "find_pace"]

Values = NDArray[np.float64]

SHORTEST_DAYS = 1.0 / 24.0
"""Tables that lie closer together tell no pace."""

HORIZON_DAYS = 365.0


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast, at the mark whose pulse moves most.

    Attributes
    ----------
    per_day_s, u_per_day_s : float
        Change of the pulse a day and its standard uncertainty, seconds.
    knob_deg : float
        The mark.
    tables : int
        How many tables the straight line goes through.
    days : float
        From the first of them to the last.
    limit : str or None
        Which limit is left first at that pace: 'deviation', 'end-stop-low' or 'end-stop-high';
        None where none is within a year, or where the pace is not known well enough to say.
    leaves_in_days : float or None
        When, from the last table on; 0 where it is left already.
    limit_deg : float or None
        At which mark.
    """

    per_day_s: float
    u_per_day_s: float
    knob_deg: float
    tables: int
    days: float
    limit: str | None
    leaves_in_days: float | None
    limit_deg: float | None


def find_pace(
    base: Base,
    sweeps: Sequence[tuple[float, Observed]],
    difference: Difference,
    slope: Values | None,
    deviation_s: Values,
    pulse_s: Values,
    design: Design,
) -> Pace | None:
    """Lay a straight line through the size of a change at each sweep.

    Parameters
    ----------
    base : Base
        The channel.
    sweeps : sequence of tuple
        Days since the first sweep and the sweep; the first one first, in any order after it.
    difference : Difference
        The newest sweep against the first.
    slope : numpy.ndarray or None
        Change of ln(pulse) and ln(rest) by the cause's size, shape (n, 2); None for no cause:
        all pulses in proportion then.
    deviation_s, pulse_s : numpy.ndarray
        Deviations from the design and pulses of the newest sweep at the marks, shape (n,).
    design : Design
        For the limits.

    Returns
    -------
    Pace or None
        None where the sweeps do not lie `SHORTEST_DAYS` apart.

    Notes
    -----
    Weighted least squares with the first sweep as the common zero: what it was misread by is in
    all differences from it, and cancels in the slope once there are three sweeps or more.
    """
    along = np.column_stack([np.ones(len(pulse_s)), np.zeros(len(pulse_s))])
    along = along if slope is None else slope
    days, sizes, spreads = [], [], []
    first = sweeps[0][1]
    for day, seen in sweeps[1:]:
        one = compare_sweeps(base, seen, first)
        shared = None if one is None else _size_of(one, difference, along, slope is None)
        if shared is not None:
            days.append(day)
            sizes.append(shared[0])
            spreads.append(shared[1])
    if not days or max(days) < SHORTEST_DAYS:
        return None
    per_day, u_per_day = _line(np.array(days), np.array(sizes), np.array(spreads))
    rates = per_day * along[:, 0] * pulse_s
    k = int(np.argmax(np.abs(along[:, 0] * pulse_s)))
    u_rate = u_per_day * abs(float(along[k, 0] * pulse_s[k]))
    limit = None
    if slope is not None and abs(per_day) > 2.0 * u_per_day:
        limit = _first_limit(rates, deviation_s, pulse_s, difference.knob_deg, design)
    return Pace(
        per_day_s=float(rates[k]),
        u_per_day_s=u_rate,
        knob_deg=float(difference.knob_deg[k]),
        tables=len(days) + 1,
        days=max(days),
        limit=None if limit is None else limit[1],
        leaves_in_days=None if limit is None else limit[0],
        limit_deg=None if limit is None else limit[2],
    )


def _size_of(
    one: Difference, main: Difference, along: Values, pulses_only: bool
) -> tuple[float, float] | None:
    """Return the size of the cause in one difference and its standard uncertainty."""
    rows = [
        (k, int(np.argmin(np.abs(main.knob_deg - angle)))) for k, angle in enumerate(one.knob_deg)
    ]
    rows = [(k, j) for k, j in rows if abs(main.knob_deg[j] - one.knob_deg[k]) < 0.05]
    if not rows:
        return None
    n = one.knob_deg.size
    blocks = one.covariance.reshape(n, 2, n, 2)
    take = [k for k, _ in rows]
    line = along[[j for _, j in rows]]
    seen = one.logs[take]
    covariance = blocks[np.ix_(take, range(2), take, range(2))].reshape(2 * len(rows), -1)
    if pulses_only:
        line, seen = line[:, :1], seen[:, :1]
        covariance = blocks[np.ix_(take, [0], take, [0])].reshape(len(rows), -1)
    weighed = np.linalg.solve(covariance, line.reshape(-1))
    weight = float(weighed @ line.reshape(-1))
    if weight <= 0.0:
        return None
    return float(weighed @ seen.reshape(-1)) / weight, 1.0 / math.sqrt(weight)


def _line(days: Values, sizes: Values, spreads: Values) -> tuple[float, float]:
    """Return the slope of a weighted straight line, the first sweep among its points."""
    if days.size == 1:
        return float(sizes[0] / days[0]), float(spreads[0] / abs(days[0]))
    # each difference has half its variance from the first sweep
    x = np.append(0.0, days)
    y = np.append(0.0, sizes)
    u = np.append(np.median(spreads), spreads) / math.sqrt(2.0)
    weight = u**-2.0
    middle = float(np.sum(weight * x) / np.sum(weight))
    spread = float(np.sum(weight * (x - middle) ** 2))
    if spread <= 0.0:
        return 0.0, math.inf
    rise = float(np.sum(weight * (x - middle) * y)) / spread
    offset = float(np.sum(weight * y) / np.sum(weight)) - rise * middle
    left = float(np.sum(weight * (y - offset - rise * x) ** 2)) / (x.size - 2)
    return rise, math.sqrt(max(left, 1.0) / spread)


def _first_limit(
    rates: Values, deviation_s: Values, pulse_s: Values, knob_deg: Values, design: Design
) -> tuple[float, str, float] | None:
    """Return when, which and where the first limit is left, within a year."""
    found: list[tuple[float, str, float]] = []
    most = design.limits.deviation_s
    servo = design.servo
    for rate, deviation, pulse, angle in zip(
        rates.tolist(), deviation_s.tolist(), pulse_s.tolist(), knob_deg.tolist(), strict=True
    ):
        if abs(deviation) >= most:
            found.append((0.0, "deviation", angle))
        if rate == 0.0:
            continue
        room = math.copysign(most, rate) - deviation
        stop = servo.pulse_max_s if rate > 0.0 else servo.pulse_min_s
        name = "end-stop-high" if rate > 0.0 else "end-stop-low"
        for limit, way in (("deviation", room), (name, stop - pulse)):
            if way / rate > 0.0:
                found.append((way / rate, limit, angle))
    within = [one for one in found if one[0] <= HORIZON_DAYS]
    return min(within, default=None)
