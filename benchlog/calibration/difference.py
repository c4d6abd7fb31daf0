"""Two sweeps of one channel set against each other, with all that makes them differ by chance.

What is compared is ln(pulse) and ln(rest of the cycle), each less what the channel's model gives
at the supply and temperature of its record. The covariance of the differences (JCGM 102:2011,
6.2) holds, for either sweep,

- each mark's own repeatability,
- each mark's knob reading, which moves both logarithms along one line,
- the supply's reading, 0.5 % (1 % where nobody read it),
- the temperature's, 1 K (2 K where nobody read it),
- the recorder's clock, of both: a recorder may have been exchanged,
- what the parts themselves do with the temperature.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.drift_base import Base
from benchlog.calibration.point import (
    ROOT3,
    SUPPLY_READING_SHARE,
    TEMPERATURE_READING_K,
    Point,
)
from benchlog.calibration.sweep_data import read_sweep
from benchlog.errors import DesignError

__all__ = ["Difference", "Observed", "compare_sweeps", "look_at"]

Values = NDArray[np.float64]

SUPPLY_UNREAD_SHARE = 0.01
TEMPERATURE_UNREAD_K = 2.0
"""Half-widths where nobody read them: the same cells and the same room. A change that they do not
explain is told, and what nobody read is then among its causes."""

PARTS_PER_K = {"c_timing": 400e-6, "r_on": 100e-6, "r_knob": 200e-6, "r_off": 100e-6}
"""Half-widths of the parts' temperature coefficients, 1/K (common practice: polyester film
capacitors, metal film resistors, cermet or carbon tracks near room temperature)."""

CLOCK_SHARE = 100e-6
"""Half-width of a recorder's clock that is not known to be better."""

REPEAT_S = 0.2e-6
"""By how much pulse and rest of the cycle differ from recording to recording beyond what one
recording shows of itself, seconds (standard deviation)."""

_SAME_MARK_DEG = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """One sweep as it is compared; p positions.

    Attributes
    ----------
    points : tuple of Point
        What was measured.
    knob_deg : numpy.ndarray
        Knob angles as read, shape (p,).
    logs : numpy.ndarray
        ln of pulse and rest of the cycle, shape (p, 2).
    covariance : numpy.ndarray
        Of `logs`, clock and knob reading left out, shape (p, 2, 2).
    supply_v, temperature_c : float or None
        Means of what was read; None where nothing was.
    reading_deg : float
        Half-width of the knob reading.
    clock_share : float
        Half-width of the recorder's clock.
    """

    points: tuple[Point, ...]
    knob_deg: Values
    logs: Values
    covariance: Values
    supply_v: float | None
    temperature_c: float | None
    reading_deg: float
    clock_share: float

    def supplies(self, otherwise: float) -> Values:
        """Return the supply at each position; the mean, else `otherwise`, where it was not read."""
        mean = otherwise if self.supply_v is None else self.supply_v
        return np.array([mean if p.supply_v is None else p.supply_v for p in self.points])

    def temperatures(self, otherwise: float) -> Values:
        """Return the temperature at each position, likewise."""
        mean = otherwise if self.temperature_c is None else self.temperature_c
        return np.array([mean if p.temperature_c is None else p.temperature_c for p in self.points])


def look_at(points: Sequence[Point], knob_reading_deg: float) -> Observed:
    """Gather a sweep for a comparison.

    Parameters
    ----------
    points : sequence of Point
        At least one.
    knob_reading_deg : float
        Half-width of the knob reading, degrees.

    Returns
    -------
    Observed
        In the order of the points.
    """
    sweep = read_sweep(points, knob_reading_deg)
    volts = [point.supply_v for point in points if point.supply_v is not None]
    warmth = [point.temperature_c for point in points if point.temperature_c is not None]
    return Observed(
        points=tuple(points),
        knob_deg=sweep.knob_deg,
        logs=sweep.logs,
        covariance=sweep.covariance + _repeat(sweep.logs),
        supply_v=float(np.mean(volts)) if volts else None,
        temperature_c=float(np.mean(warmth)) if warmth else None,
        reading_deg=knob_reading_deg,
        clock_share=sweep.clock_share or CLOCK_SHARE,
    )


def _repeat(logs: Values) -> Values:
    """Return the covariance from recording to recording, shape (p, 2, 2)."""
    share = REPEAT_S * np.exp(-logs)
    return np.asarray(share[:, :, None] ** 2 * np.eye(2))


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """A later sweep less an earlier one; n marks.

    Attributes
    ----------
    base : Base
        The channel around which they are compared.
    index : tuple of int
        Which of the later sweep's points each mark is.
    knob_deg : numpy.ndarray
        The marks, degrees, shape (n,).
    earlier_logs : numpy.ndarray
        The earlier sweep at these marks, as measured or between two of its own, shape (n, 2).
    logs : numpy.ndarray
        Later less earlier, what the recorded surroundings account for taken out, shape (n, 2).
    covariance : numpy.ndarray
        Of `logs`, shape (2 n, 2 n), pulse and rest of one mark side by side.
    between : tuple of bool
        Whether a mark's earlier value lies between two marks of the earlier sweep.
    supply_v, temperature_c : float
        Surroundings around which the model's slopes hold.
    model_logs : numpy.ndarray
        What the model gives in these surroundings at the marks, shape (n, 2).
    supply_slope : numpy.ndarray
        Change of both logarithms by ln(supply), shape (n, 2).
    log_supply, u_log_supply : float or None
        ln of the later supply by the earlier, and its standard uncertainty; None where one of
        them was not read.
    log_clock_u : float
        Standard uncertainty that both clocks together leave in a proportion.
    """

    base: Base
    index: tuple[int, ...]
    knob_deg: Values
    earlier_logs: Values
    logs: Values
    covariance: Values
    between: tuple[bool, ...]
    supply_v: float
    temperature_c: float
    model_logs: Values
    supply_slope: Values
    log_supply: float | None
    u_log_supply: float | None
    log_clock_u: float

    def whitened(self) -> tuple[Values, Values]:
        """Return the inverse Cholesky factor of the covariance, and `logs` by it, shape (2 n,)."""
        root = np.linalg.inv(np.linalg.cholesky(self.covariance))
        return root, root @ self.logs.reshape(-1)


def compare_sweeps(base: Base, later: Observed, earlier: Observed) -> Difference | None:
    """Set two sweeps against each other at the later one's marks.

    Parameters
    ----------
    base : Base
        The channel, as one of them found it.
    later, earlier : Observed
        The two sweeps.

    Returns
    -------
    Difference or None
        None where the two have no stretch of the knob in common.

    Raises
    ------
    DesignError
        The channel's model has no cycle at one of the recorded supplies.

    Notes
    -----
    A mark that the earlier sweep has not lies between two that it has: the model gives the curve,
    and what is measured less the model goes from the one to the other in a straight line. Marks of
    the same knob angle reached from the same side are compared with each other where both
    sweeps tell the side.
    """
    weights = [_weigh(point, earlier) for point in later.points]
    index = tuple(i for i, weight in enumerate(weights) if weight is not None)
    if not index:
        return None
    mix = np.array([weights[i] for i in index])
    marks = later.knob_deg[list(index)]
    design = base.design
    volts_l, volts_e = _surroundings(later.supply_v, earlier.supply_v, design.supply.value)
    warm_l, warm_e = _surroundings(later.temperature_c, earlier.temperature_c, design.temperature_c)
    model_l = base.logs(
        later.knob_deg,
        supply_v=later.supplies(volts_l),
        temperature_c=later.temperatures(warm_l),
    )[list(index)]
    model_e = base.logs(
        earlier.knob_deg,
        supply_v=earlier.supplies(volts_e),
        temperature_c=earlier.temperatures(warm_e),
    )
    model_at = base.logs(
        marks,
        supply_v=mix @ earlier.supplies(volts_e),
        temperature_c=mix @ earlier.temperatures(warm_e),
    )
    left_e = mix @ (earlier.logs - model_e)
    left = later.logs[list(index)] - model_l - left_e
    middle_v, middle_c = 0.5 * (volts_l + volts_e), 0.5 * (warm_l + warm_e)
    slopes = _slopes(base, marks, middle_v, middle_c)
    covariance = _own_covariance(base, later, earlier, list(index), mix)
    shares = [
        SUPPLY_UNREAD_SHARE if one.supply_v is None else SUPPLY_READING_SHARE
        for one in (later, earlier)
    ]
    u_supply = math.hypot(*shares) / ROOT3
    kelvins = [
        TEMPERATURE_UNREAD_K if one.temperature_c is None else TEMPERATURE_READING_K
        for one in (later, earlier)
    ]
    u_kelvin = math.hypot(*kelvins) / ROOT3
    u_clock = math.hypot(later.clock_share, earlier.clock_share) / ROOT3
    warmer_k = math.hypot(warm_l - warm_e, u_kelvin)
    shared = [slopes["supply"] * u_supply, slopes["temperature"] * u_kelvin]
    shared.append(np.full_like(left, u_clock))
    shared += [slopes[name] * per_k / ROOT3 * warmer_k for name, per_k in PARTS_PER_K.items()]
    for one in shared:
        line = one.reshape(-1)
        covariance += np.outer(line, line)
    if not (np.isfinite(covariance).all() and np.isfinite(left).all()):
        raise DesignError(
            f"the channel {design.channel} does not oscillate at one of the recorded supplies",
            expected="supplies at which its model has a cycle",
            attempt="the supply_v of the tables as it was",
        )
    known = later.supply_v is not None and earlier.supply_v is not None
    return Difference(
        base=base,
        index=index,
        knob_deg=marks,
        earlier_logs=model_at + left_e,
        logs=left,
        covariance=covariance,
        between=tuple(bool(np.ptp(earlier.knob_deg[row != 0.0]) > _SAME_MARK_DEG) for row in mix),
        supply_v=middle_v,
        temperature_c=middle_c,
        model_logs=base.logs(marks, supply_v=middle_v, temperature_c=middle_c),
        supply_slope=slopes["supply"],
        log_supply=math.log(volts_l / volts_e) if known else None,
        u_log_supply=u_supply if known else None,
        log_clock_u=u_clock,
    )


def _surroundings(
    later: float | None, earlier: float | None, designed: float
) -> tuple[float, float]:
    """Return what is taken where nobody read it: the same as at the other sweep."""
    if later is None and earlier is None:
        return designed, designed
    if later is None or earlier is None:
        one = later if later is not None else earlier
        assert one is not None
        return one, one
    return later, earlier


def _weigh(point: Point, earlier: Observed) -> Values | None:
    """Return the shares of the earlier sweep's points that stand for one mark of the later one."""
    weight = np.zeros(earlier.knob_deg.size)
    same = np.abs(earlier.knob_deg - point.knob_deg) <= _SAME_MARK_DEG
    if same.any():
        way = np.array([one.direction == point.direction for one in earlier.points])
        chosen = same & way if (same & way).any() else same
        weight[chosen] = 1.0 / np.count_nonzero(chosen)
        return weight
    below = earlier.knob_deg[earlier.knob_deg < point.knob_deg]
    above = earlier.knob_deg[earlier.knob_deg > point.knob_deg]
    if not (below.size and above.size):
        return None
    low, high = float(np.max(below)), float(np.min(above))
    share = (point.knob_deg - low) / (high - low)
    for angle, part in ((low, 1.0 - share), (high, share)):
        at = np.abs(earlier.knob_deg - angle) <= 1e-9
        way = at & np.array([one.direction == point.direction for one in earlier.points])
        chosen = way if way.any() else at
        weight[chosen] = part / np.count_nonzero(chosen)
    return weight


def _slopes(base: Base, marks: Values, supply_v: float, temperature_c: float) -> dict[str, Values]:
    """Return the change of both logarithms by ln of supply and parts, and by a kelvin."""
    step = 1e-3

    def at(supply: float, warmth: float, changed: dict[str, float] | None = None) -> Values:
        return base.logs(marks, supply_v=supply, temperature_c=warmth, changed=changed)

    slopes = {
        "supply": (
            at(supply_v * math.exp(step), temperature_c)
            - at(supply_v * math.exp(-step), temperature_c)
        )
        / (2.0 * step),
        "temperature": at(supply_v, temperature_c + 0.5) - at(supply_v, temperature_c - 0.5),
    }
    for name in PARTS_PER_K:
        value = base.value(name)
        up, down = ({name: value * math.exp(sign * step)} for sign in (1.0, -1.0))
        rise = at(supply_v, temperature_c, up) - at(supply_v, temperature_c, down)
        slopes[name] = rise / (2.0 * step)
    return slopes


def _own_covariance(
    base: Base, later: Observed, earlier: Observed, index: list[int], mix: Values
) -> Values:
    """Return what each mark has of its own: repeatability and the knob's reading."""
    n = len(index)
    covariance = np.zeros((n, 2, n, 2))
    own_l, own_e = _with_reading(base, later), _with_reading(base, earlier)
    for row, i in enumerate(index):
        covariance[row, :, row, :] += own_l[i]
    covariance += np.einsum("ik,kab,jk->iajb", mix, own_e, mix)
    return covariance.reshape(2 * n, 2 * n)


def _with_reading(base: Base, sweep: Observed) -> Values:
    """Return each position's covariance with the knob's reading, shape (p, 2, 2)."""
    first, last = base.live_deg
    half = sweep.reading_deg
    live = (sweep.knob_deg > first - half) & (sweep.knob_deg < last + half)
    along = base.per_degree(sweep.knob_deg) * (half / ROOT3 * live)[:, None]
    return np.asarray(sweep.covariance + along[:, :, None] * along[:, None, :])
