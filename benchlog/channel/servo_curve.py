"""A servo's own curve, from pulses and the arm angles that a protractor read at them.

The arm is taken as a straight line with a smooth bow on it. How large the bow is and how quickly
it changes is not known beforehand: each of a few sizes and lengths is tried and weighed by how
well it explains the readings (the marginal likelihood of a Gaussian process with a diffuse
straight line; C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006,
section 2.7, from memory). Between the knots a monotone cubic runs (F. N. Fritsch and J. Butland,
SIAM J. Sci. Stat. Comput. 5 (1984) 300-304).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.errors import DesignError

__all__ = ["READING_DEG", "ServoCurve", "ServoPoint", "check_order", "fit_servo_curve"]

READING_DEG = 1.5
"""Half-width of what a person reads off a protractor held to a servo's arm (common practice)."""

FEWEST_POINTS = 2

_KNOTS = 41
_BOW_DEG = (0.0, 1.0, 2.0, 4.0, 8.0, 16.0)
_BOW_WEIGHT = (0.2, 0.25, 0.3, 0.17, 0.06, 0.02)
"""Standard deviations of the bow, and how often they are met: maker's tables miss a straight line
by 0 to 2 degrees (common practice)."""

_LENGTHS = (0.25, 0.5)
"""Over which share of the points' span the bow changes."""

_SAME_S = 1e-6
_LEAST_SPAN_S = 50e-6
_LEAST_SWING_DEG = 5.0
_FLATTEST = 0.02
_MOST_STEPS = 60

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, order=True)
class ServoPoint:
    """One reading of the arm.

    Attributes
    ----------
    pulse_s : float
        The pulse, seconds.
    arm_deg : float
        The arm angle that was read, degrees.
    """

    pulse_s: float
    arm_deg: float


@dataclass(frozen=True, slots=True)
class ServoCurve:
    """Arm angle over pulse, rising or falling throughout, with its uncertainty.

    Attributes
    ----------
    points : tuple of ServoPoint
        The readings that it was made from, by pulse.
    reading_deg : float
        Half-width of a reading, degrees.
    is_straight : bool
        Whether a straight line meets every reading within its U (k = 2).
    knot_s, knot_deg, slope_deg_per_s, u_deg : tuple of float
        Pulses, arm angles, slopes and standard uncertainties at the knots of the cubic.
    """

    points: tuple[ServoPoint, ...]
    reading_deg: float
    is_straight: bool = field(compare=False)
    knot_s: tuple[float, ...] = field(compare=False)
    knot_deg: tuple[float, ...] = field(compare=False)
    slope_deg_per_s: tuple[float, ...] = field(compare=False)
    u_deg: tuple[float, ...] = field(compare=False)

    def angle_deg(self, width_s: ArrayLike) -> FloatArray:
        """Return arm angles in degrees at pulses in seconds, any shape; straight past the knots."""
        return self._evaluate(width_s)[0]

    def slope_at(self, width_s: ArrayLike) -> FloatArray:
        """Return the slope, degrees of arm for a second of pulse, at pulses in seconds."""
        return self._evaluate(width_s)[1]

    def u_angle_deg(self, width_s: ArrayLike) -> FloatArray:
        """Return the curve's own standard uncertainty in degrees at pulses in seconds."""
        return np.asarray(np.interp(np.asarray(width_s, np.float64), self.knot_s, self.u_deg))

    def width_for(self, arm_deg: ArrayLike) -> FloatArray:
        """Return the pulses in seconds that give arm angles in degrees; straight past the knots."""
        sign = 1.0 if self.knot_deg[-1] > self.knot_deg[0] else -1.0
        aim = sign * np.asarray(arm_deg, dtype=np.float64)
        knot_s, knot_deg = np.array(self.knot_s), sign * np.array(self.knot_deg)
        slope = sign * np.array(self.slope_deg_per_s)
        inside = np.clip(aim, knot_deg[0], knot_deg[-1])
        left = np.clip(np.searchsorted(knot_deg, inside, side="right") - 1, 0, _KNOTS - 2)
        step, first, begin, square, cube = _cubic(knot_s, knot_deg, slope, left)
        low, high = np.zeros_like(inside), np.ones_like(inside)
        t = (inside - first) / (knot_deg[left + 1] - first)
        for _ in range(_MOST_STEPS):
            # Newton's step, halving instead where that leaves the bracket
            off = first + t * (begin + t * (square + t * cube)) - inside
            low, high = np.where(off < 0.0, t, low), np.where(off < 0.0, high, t)
            gradient = begin + t * (2.0 * square + 3.0 * t * cube)
            with np.errstate(divide="ignore", invalid="ignore"):
                newer = t - off / gradient
            newer = np.where((newer >= low) & (newer <= high), newer, 0.5 * (low + high))
            change, t = np.abs(newer - t), newer
            if not np.any(change > 1e-12):
                break
        end = np.where(aim < inside, slope[0], slope[-1])
        return np.asarray(knot_s[left] + t * step + (aim - inside) / end)

    def _evaluate(self, width_s: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return value and slope of the cubic."""
        width = np.asarray(width_s, dtype=np.float64)
        knot_s, knot_deg = np.array(self.knot_s), np.array(self.knot_deg)
        inside = np.clip(width, knot_s[0], knot_s[-1])
        left = np.clip(np.searchsorted(knot_s, inside, side="right") - 1, 0, _KNOTS - 2)
        slope = np.array(self.slope_deg_per_s)
        step, first, begin, square, cube = _cubic(knot_s, knot_deg, slope, left)
        t = (inside - knot_s[left]) / step
        value = first + t * (begin + t * (square + t * cube))
        gradient = (begin + t * (2.0 * square + 3.0 * t * cube)) / step
        return np.asarray(value + (width - inside) * gradient), np.asarray(gradient)


def _cubic(
    knot_s: FloatArray, knot_deg: FloatArray, slope: FloatArray, left: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return width, value and coefficients of the cubic that begins at each of some knots."""
    step = knot_s[left + 1] - knot_s[left]
    first = knot_deg[left]
    begin, end = step * slope[left], step * slope[left + 1]
    rise = knot_deg[left + 1] - first
    return step, first, begin, 3.0 * rise - 2.0 * begin - end, begin + end - 2.0 * rise


def fit_servo_curve(
    points: Sequence[ServoPoint], range_s: tuple[float, float], reading_deg: float = READING_DEG
) -> ServoCurve:
    """Find a servo's curve from readings of its arm.

    Parameters
    ----------
    points : sequence of ServoPoint
        At least two, in any order; of two only a straight line comes, its bow unknown.
    range_s : tuple of float
        The shortest and the longest pulse that the curve has to reach, seconds.
    reading_deg : float
        Half-width of a reading (rectangular), degrees, above 0.

    Returns
    -------
    ServoCurve
        Monotone.

    Raises
    ------
    ValueError
        `reading_deg` is not above 0, or the range is empty.
    DesignError
        Too few points, too close together, or in an order that no servo makes.
    """
    if not (reading_deg > 0.0 and range_s[0] < range_s[1]):
        raise ValueError(f"range {range_s} and reading {reading_deg} degrees must not be empty")
    ordered = tuple(sorted(points))
    _check_points(ordered, reading_deg)
    pulse_s = np.array([one.pulse_s for one in ordered])
    arm_deg = np.array([one.arm_deg for one in ordered])
    knot_s = np.linspace(min(range_s[0], pulse_s[0]), max(range_s[1], pulse_s[-1]), _KNOTS)
    u_reading = reading_deg / math.sqrt(3.0)
    middle_s, span_s = 0.5 * (pulse_s[0] + pulse_s[-1]), pulse_s[-1] - pulse_s[0]
    x, knots = (pulse_s - middle_s) / span_s, (knot_s - middle_s) / span_s
    mean, variance = _average(x, arm_deg, knots, u_reading)
    rising = _straighten(knots, mean)
    return ServoCurve(
        points=ordered,
        reading_deg=reading_deg,
        is_straight=_is_line(x, arm_deg, 2.0 * u_reading),
        knot_s=tuple(knot_s.tolist()),
        knot_deg=tuple(rising.tolist()),
        slope_deg_per_s=tuple(_find_slopes(knot_s, rising).tolist()),
        u_deg=tuple(np.sqrt(variance + (rising - mean) ** 2 / 3.0).tolist()),
    )


def _check_points(points: tuple[ServoPoint, ...], reading_deg: float) -> None:
    """Refuse what cannot be a servo's curve."""
    shown = ", ".join(f"{one.pulse_s * 1e6:.6g} µs = {one.arm_deg:g}°" for one in points[:6])
    more = ", from one end of the range to the other"
    if len(points) < FEWEST_POINTS:
        raise DesignError(
            f"arm angles at {len(points)} pulse" + (f" ({shown})" if shown else "s"),
            expected="at least 2 for a straight line, 3 for a curve",
            attempt="reading the arm at another place",
        )
    span_s = points[-1].pulse_s - points[0].pulse_s
    swing_deg = points[-1].arm_deg - points[0].arm_deg
    if span_s < _LEAST_SPAN_S or abs(swing_deg) < _LEAST_SWING_DEG:
        raise DesignError(
            f"arm angles too close together ({shown})",
            expected=f"pulses {_LEAST_SPAN_S * 1e6:g} µs and angles {_LEAST_SWING_DEG:g} degrees "
            "apart at least",
            attempt=f"points farther apart{more}",
        )
    check_order(points, reading_deg)


def check_order(points: Sequence[ServoPoint], reading_deg: float) -> None:
    """Refuse points whose angles turn back by more than their reading.

    Parameters
    ----------
    points : sequence of ServoPoint
        By pulse.
    reading_deg : float
        Half-width of a reading, degrees.

    Raises
    ------
    DesignError
        The two points that do not go together.
    """
    if not points:
        return
    sign = math.copysign(1.0, points[-1].arm_deg - points[0].arm_deg)
    for first, second in pairwise(points):
        back_deg = sign * (first.arm_deg - second.arm_deg)
        apart = second.pulse_s - first.pulse_s
        if apart < _SAME_S and abs(back_deg) > 2.0 * reading_deg:
            found = "two arm angles at one pulse"
        elif back_deg > 2.0 * reading_deg:
            found = "arm angles that turn back"
        else:
            continue
        raise DesignError(
            f"{found} ({first.pulse_s * 1e6:.6g} µs = {first.arm_deg:g}°, then "
            f"{second.pulse_s * 1e6:.6g} µs = {second.arm_deg:g}°)",
            expected="angles that only rise or only fall with the pulse, within their reading",
            attempt="reading these two places again",
        )


def _average(
    x: FloatArray, arm_deg: FloatArray, knots: FloatArray, u_reading: float
) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance at the knots over all sizes and lengths of the bow."""
    trials = [
        (bow, length, weight / (1 if bow == 0.0 else len(_LENGTHS)))
        for bow, weight in zip(_BOW_DEG, _BOW_WEIGHT, strict=True)
        for length in (_LENGTHS if bow else _LENGTHS[:1])
    ]
    fits = [_fit_bow(x, arm_deg, knots, u_reading, bow, length) for bow, length, _ in trials]
    log_weight = np.array([fit[2] for fit in fits]) + np.log([one[2] for one in trials])
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    means = np.array([fit[0] for fit in fits])
    variances = np.array([fit[1] for fit in fits])
    mean = weight @ means
    return mean, weight @ (variances + (means - mean) ** 2)


def _fit_bow(
    x: FloatArray,
    arm_deg: FloatArray,
    knots: FloatArray,
    u_reading: float,
    bow_deg: float,
    length: float,
) -> tuple[FloatArray, FloatArray, float]:
    """Return mean, variance and log likelihood for a straight line with a bow of one size."""

    def bow(first: FloatArray, second: FloatArray) -> FloatArray:
        apart = (first[:, None] - second[None, :]) / length
        return np.asarray(bow_deg**2 * np.exp(-0.5 * apart**2))

    covariance = bow(x, x) + u_reading**2 * np.eye(x.shape[0])
    lines, knot_lines = np.stack((np.ones_like(x), x)), np.stack((np.ones_like(knots), knots))
    inverse = np.linalg.inv(covariance)
    precision = lines @ inverse @ lines.T
    spread = np.linalg.inv(precision)
    coefficients = spread @ lines @ inverse @ arm_deg
    left = arm_deg - coefficients @ lines
    across = bow(knots, x)
    mean = coefficients @ knot_lines + across @ inverse @ left
    unexplained = knot_lines - lines @ inverse @ across.T
    variance = bow_deg**2 - np.einsum("ij,jk,ik->i", across, inverse, across)
    variance = variance + np.einsum("ik,ij,jk->k", unexplained, spread, unexplained)
    likelihood = -0.5 * (
        left @ inverse @ left + np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(precision)[1]
    )
    return mean, np.maximum(variance, 0.0), float(likelihood)


def _straighten(knots: FloatArray, mean: FloatArray) -> FloatArray:
    """Return values that rise or fall throughout: neighbours that do not are pooled."""
    sign = 1.0 if mean[-1] > mean[0] else -1.0
    least = _FLATTEST * abs(mean[-1] - mean[0]) / (knots[-1] - knots[0])
    tilted = sign * mean - least * knots
    if bool(np.all(np.diff(tilted) > 0.0)):
        return mean
    pools: list[tuple[float, int]] = []
    for value in tilted.tolist():
        pools.append((value, 1))
        while len(pools) > 1 and pools[-2][0] >= pools[-1][0]:
            (second, many), (first, few) = pools.pop(), pools.pop()
            pools.append(((first * few + second * many) / (few + many), few + many))
    level = np.concatenate([np.full(count, value) for value, count in pools])
    return np.asarray(sign * (level + least * knots))


def _is_line(x: FloatArray, arm_deg: FloatArray, within_deg: float) -> bool:
    """Tell whether a straight line meets every reading."""
    if x.shape[0] < 3:
        return True
    slope, offset = np.polyfit(x, arm_deg, 1)
    return bool(np.all(np.abs(arm_deg - offset - slope * x) <= within_deg))


def _find_slopes(knot_s: FloatArray, knot_deg: FloatArray) -> FloatArray:
    """Return slopes that keep the cubic monotone: harmonic means, three points at the ends."""
    step = np.diff(knot_s)
    rise = np.diff(knot_deg) / step
    slope = np.empty_like(knot_s)
    # equal steps, so the weights of Fritsch and Butland are equal as well
    slope[1:-1] = 2.0 * rise[:-1] * rise[1:] / (rise[:-1] + rise[1:])
    for place, near, far in ((0, rise[0], rise[1]), (-1, rise[-1], rise[-2])):
        end = 1.5 * near - 0.5 * far
        slope[place] = end if end * near > 0.0 else near
        if abs(end) > 3.0 * abs(near):
            slope[place] = 3.0 * near
    return slope
