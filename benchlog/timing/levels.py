"""State levels of an AC-coupled input, and the input's droop undone.

A coupling capacitor makes every level sag towards the mean with the input's own
time constant. Near an edge this is undone by adding the running integral,
``u(t) = y(t) + a * integral of (y - offset)``, after which the states are flat and
an edge is a clean step. ``a`` (2 pi times the corner) follows from the sag itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bases", "Coupling", "estimate_coupling", "estimate_noise", "find_bases", "fit_track"]

_GUARD = 4
"""Decimated samples next to an edge that its transition may still colour."""

_REACH = 30
"""Decimated samples of a state that are used for its level: 2.5 ms."""

_SHORTEST_PLATEAU = 16

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Coupling:
    """How an input is coupled.

    Attributes
    ----------
    rate_per_s : float
        The droop's rate, 2 pi times the corner frequency; 0 for a DC-coupled input.
    offset : float
        The level to which the input sags, in units of full scale.
    sloped : bool
        Whether the states keep a slope that the droop does not explain (a second
        coupling stage, hum, wander), so that levels must be extrapolated.
    """

    rate_per_s: float
    offset: float
    sloped: bool


@dataclass(frozen=True, slots=True, eq=False)
class Bases:
    """Levels beside each edge, droop undone, extrapolated to the edge.

    Attributes
    ----------
    before, after : numpy.ndarray
        Shape (n,), units of full scale; NaN where the state is too short to tell.
    before_weight, after_weight : numpy.ndarray
        Shape (n,): what the level is worth, in equivalent independent samples
        (decimated); 0 where it cannot be told.
    """

    before: FloatArray
    after: FloatArray
    before_weight: FloatArray
    after_weight: FloatArray


def estimate_noise(averages: NDArray[np.float32], index: NDArray[np.intp]) -> float:
    """Return the scatter of decimated samples about the state they are in.

    Parameters
    ----------
    averages : numpy.ndarray
        Decimated samples, shape (n,).
    index : numpy.ndarray
        Places of the steps among them, shape (m,).

    Returns
    -------
    float
        Standard deviation from second differences, which slow changes do not reach.
    """
    curve = averages[2:] - 2.0 * averages[1:-1] + averages[:-2]
    keep = np.ones(curve.shape[0], bool)
    for shift in range(-_GUARD - 1, _GUARD + 1):
        keep[np.clip(index + shift, 0, keep.shape[0] - 1)] = False
    if not keep.any():
        return 0.0
    return float(1.4826 * np.median(np.abs(curve[keep])) / np.sqrt(6.0))


def estimate_coupling(
    averages: NDArray[np.float32], index: NDArray[np.intp], spacing_s: float, noise: float
) -> Coupling:
    """Estimate the coupling from the sag of the states.

    Parameters
    ----------
    averages : numpy.ndarray
        Decimated samples, shape (n,).
    index : numpy.ndarray
        Places of the steps among them, ascending, shape (m,).
    spacing_s : float
        Seconds between decimated samples.
    noise : float
        Scatter of a decimated sample.

    Returns
    -------
    Coupling
        With rate 0 where no state is long enough to tell.

    Notes
    -----
    On a flat state ``y + a I`` is constant, ``I`` the integral of ``y - offset``; so
    the means over the two halves of each state give one linear equation for ``a``.
    A coupled signal has no mean of its own: the offset is the mean over whole cycles.
    """
    if index.shape[0] < 2:
        return Coupling(0.0, 0.0, True)
    last = index.shape[0] - 1 - (index.shape[0] + 1) % 2
    offset = float(np.mean(averages[index[0] : index[last]], dtype=np.float64))
    start = index[:-1] + _GUARD
    half = (index[1:] - _GUARD - start) // 2
    keep = half >= _SHORTEST_PLATEAU // 2
    if not keep.any():
        return Coupling(0.0, offset, True)
    start, half = start[keep], half[keep]
    level = np.concatenate(([0.0], np.cumsum(averages.astype(np.float64) - offset)))
    area = np.concatenate(([0.0], np.cumsum(level[:-1] + 0.5 * np.diff(level))))
    middle, end = start + half, start + 2 * half
    first = (level[middle] - level[start]) / half
    second = (level[end] - level[middle]) / half
    rise = (area[end] - 2.0 * area[middle] + area[start]) / half * spacing_s
    rate = float(-np.sum(rise * (second - first)) / max(np.sum(rise**2), 1e-30))
    uncertain = noise * np.sqrt(np.sum(2.0 / half * rise**2)) / max(np.sum(rise**2), 1e-30)
    if rate < 3.0 * uncertain:
        rate = 0.0
    return Coupling(rate, offset, _states_slope(averages, index, spacing_s, rate, offset, noise))


def _states_slope(
    averages: NDArray[np.float32],
    index: NDArray[np.intp],
    spacing_s: float,
    rate: float,
    offset: float,
    noise: float,
) -> bool:
    """Tell whether levels beside the edges keep a slope that matters beside the noise."""
    bases = [
        find_bases(averages, index, spacing_s, Coupling(rate, offset, sloped))
        for sloped in (False, True)
    ]
    gap = np.concatenate((bases[1].before - bases[0].before, bases[1].after - bases[0].after))
    weight = np.concatenate((bases[1].before_weight, bases[1].after_weight))
    plain = np.concatenate((bases[0].before_weight, bases[0].after_weight))
    keep = (weight > 0) & (plain > 0)
    if np.count_nonzero(keep) < 8:
        return False
    expected = noise**2 * (1.0 / weight[keep] - 1.0 / plain[keep])
    ratio = gap[keep] ** 2 / np.maximum(expected, 1e-30)
    return bool(np.median(ratio) > 3.0 * 0.455)


def find_bases(
    averages: NDArray[np.float32], index: NDArray[np.intp], spacing_s: float, coupling: Coupling
) -> Bases:
    """Find the levels on both sides of each step, droop undone back to the step.

    Parameters
    ----------
    averages : numpy.ndarray
        Decimated samples, shape (n,).
    index : numpy.ndarray
        Places of the steps among them, ascending, shape (m,).
    spacing_s : float
        Seconds between decimated samples.
    coupling : Coupling
        From `estimate_coupling`.

    Returns
    -------
    Bases
        Integrals run from the beginning of the decimated sample that holds the step.
    """
    reach = np.arange(-_GUARD - _REACH, _GUARD + _REACH + 1)
    at = index[:, None] + reach
    table = averages[np.clip(at, 0, averages.shape[0] - 1)].astype(np.float64)
    deviation = table - coupling.offset
    running = np.cumsum(deviation, axis=1) - 0.5 * deviation
    centre = _GUARD + _REACH
    running -= (running[:, centre] - 0.5 * deviation[:, centre])[:, None]
    table += coupling.rate_per_s * spacing_s * running
    exists = (at >= 0) & (at < averages.shape[0])
    previous = np.concatenate(([-_REACH - 1], index[:-1]))[:, None]
    following = np.concatenate((index[1:], [averages.shape[0] + _REACH]))[:, None]
    before = exists & (reach <= -_GUARD) & (at >= previous + _GUARD)
    after = exists & (reach >= _GUARD) & (at <= following - _GUARD)
    lower, lower_weight = _extrapolate(table, before, reach, coupling.sloped)
    upper, upper_weight = _extrapolate(table, after, reach, coupling.sloped)
    return Bases(lower, upper, lower_weight, upper_weight)


def _extrapolate(
    table: FloatArray, mask: NDArray[np.bool_], reach: NDArray[np.intp], sloped: bool
) -> tuple[FloatArray, FloatArray]:
    """Return the masked rows' level at position 0 and its weight."""
    count = mask.sum(axis=1).astype(np.float64)
    safe = np.maximum(count, 1.0)
    mean = np.where(mask, table, 0.0).sum(axis=1) / safe
    if not sloped:
        return np.where(count > 0, mean, np.nan), count
    middle = np.where(mask, reach, 0).sum(axis=1) / safe
    away = np.where(mask, reach - middle[:, None], 0.0)
    spread = (away**2).sum(axis=1)
    straight = count >= 6
    slope = np.where(straight, (away * table).sum(axis=1) / np.maximum(spread, 1.0), 0.0)
    variance = 1.0 / safe + np.where(straight, middle**2 / np.maximum(spread, 1.0), 0.0)
    level = mean - slope * middle
    return np.where(count > 0, level, np.nan), np.where(count > 0, 1.0 / variance, 0.0)


def fit_track(place: FloatArray, value: FloatArray) -> FloatArray:
    """Smooth a slowly changing value with a robust polynomial of low degree.

    Parameters
    ----------
    place, value : numpy.ndarray
        Shape (n,); `value` may hold outliers.

    Returns
    -------
    numpy.ndarray
        Shape (n,): a parabola for 30 values and more, a constant for fewer.
    """
    if value.shape[0] < 30:
        return np.full(value.shape, np.median(value))
    scale = max(float(np.ptp(place)), 1e-30)
    x = (place - place[0]) / scale - 0.5
    basis = np.stack([np.ones_like(x), x, x**2], axis=1)
    weight = np.ones_like(value)
    curve = np.full(value.shape, np.median(value))
    for _ in range(3):
        rest = value - curve
        spread = max(1.4826 * float(np.median(np.abs(rest))), 1e-12)
        weight = 1.0 / np.maximum(1.0, np.abs(rest) / (2.5 * spread))
        left = basis * weight[:, None]
        curve = basis @ np.linalg.solve(left.T @ basis, left.T @ value)
    return curve
