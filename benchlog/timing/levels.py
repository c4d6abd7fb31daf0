"""State levels beside each edge, the sag of an AC-coupled input undone.

Near an edge the sag is undone by adding the running integrals, ``u = y + a I + b J``
(`benchlog.timing.coupling`), after which the states are flat and an edge is a clean
step. The level of the longer state, averaged and carried to the edge, is trusted.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.coupling import GUARD, Coupling, integral_from, state_slopes
from benchlog.timing.detection import cut_rows
from benchlog.timing.medians import median

__all__ = ["Levels", "estimate_noise", "find_levels", "fit_track", "states_slope"]

_REACH = 30
"""Decimated samples of a state that are used for its level: 2.5 ms."""

_LONG_STATE = 16
_TRACK_KNOTS = 12
_TRACK_CLEAR = 1.6

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """The better known of the two state levels beside each step.

    Attributes
    ----------
    level : numpy.ndarray
        Shape (n,), units of full scale: the state's level, droop undone back to the
        beginning of the decimated sample that holds the step; NaN where neither
        state is long enough to tell.
    from_after : numpy.ndarray
        Shape (n,), bool: whether it is the state after the step.
    weight : numpy.ndarray
        Shape (n,): what it is worth, in independent decimated samples.
    slope : numpy.ndarray
        Shape (n,): what the second coupling stage makes one add to the signal for
        each second after the step, units of full scale per second.
    """

    level: FloatArray
    from_after: NDArray[np.bool_]
    weight: FloatArray
    slope: FloatArray


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
    for shift in range(-GUARD - 1, GUARD + 1):
        keep[np.clip(index + shift, 0, keep.shape[0] - 1)] = False
    if not keep.any():
        return 0.0
    return float(1.4826 * median(np.abs(curve[keep])) / np.sqrt(6.0))


def states_slope(
    averages: NDArray[np.float32],
    index: NDArray[np.intp],
    spacing_s: float,
    coupling: Coupling,
    noise: float,
) -> bool:
    """Tell whether states keep slopes that matter beside the noise, the sag undone.

    Parameters
    ----------
    averages, index, spacing_s, coupling
        As for `find_levels`.
    noise : float
        Scatter of a decimated sample.

    Returns
    -------
    bool
        True with hum or wander, or where the coupling is more than two stages.
    """
    plain = find_levels(averages, index, spacing_s, replace(coupling, sloped=False))
    straight = find_levels(averages, index, spacing_s, replace(coupling, sloped=True))
    keep = (plain.weight >= _LONG_STATE) & (straight.weight > 0)
    if np.count_nonzero(keep) < 8:
        return False
    gap = (straight.level - plain.level)[keep]
    expected = noise**2 * (1.0 / straight.weight[keep] - 1.0 / plain.weight[keep])
    ratio = gap**2 / np.maximum(expected, 1e-30)
    return bool(median(ratio) > 3.0 * 0.455)  # 0.455: the median of chi-squared, one degree


def find_levels(
    averages: NDArray[np.float32], index: NDArray[np.intp], spacing_s: float, coupling: Coupling
) -> Levels:
    """Find the better known state level beside each step, droop undone back to the step.

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
    Levels
        Of the longer state of the two, up to 2.5 ms of it.
    """
    count = averages.shape[0]
    previous = np.concatenate(([-GUARD], index[:-1]))
    following = np.concatenate((index[1:], [count - 1 + GUARD]))
    before = np.clip(index - previous - 2 * GUARD + 1, 0, _REACH)
    after = np.clip(following - index - 2 * GUARD + 1, 0, _REACH)
    from_after = after > before
    length = np.where(from_after, after, before)
    slope = state_slopes(averages, index, spacing_s, coupling)
    level = np.full(index.shape, np.nan)
    weight = np.zeros(index.shape)
    for one in np.flatnonzero(np.bincount(length)):
        if one == 0:
            continue
        for side in (False, True):
            rows = np.flatnonzero((length == one) & (from_after == side))
            if rows.shape[0] == 0:
                continue
            taps, shift, lever, worth = _level_taps(int(one), side, spacing_s, coupling)
            first = index[rows] if side else index[rows] - taps.shape[0]
            cut = cut_rows(averages, first, taps.shape[0])
            level[rows] = cut @ taps - shift + lever * slope[rows]
            weight[rows] = worth
    return Levels(level, from_after, weight, slope)


@functools.lru_cache(maxsize=256)
def _level_taps(
    length: int, after: bool, spacing_s: float, coupling: Coupling
) -> tuple[NDArray[np.float32], float, float, float]:
    """Return taps for a state's level, what to take off, its lever in s, and its worth.

    The taps run over the decimated samples from the step's own (after) or up to the
    one before it (before), `length` of which beyond the guard belong to the state.
    """
    reach = GUARD + length
    away = np.arange(reach) if after else np.arange(-reach + 1, 0)
    once = integral_from(away, -0.5) * spacing_s
    undo = coupling.rate_per_s * once + coupling.double_per_s2 * (once @ once)
    inside = away >= GUARD if after else away <= -GUARD
    average = inside / length
    since = away + 0.5
    worth = float(length)
    if coupling.sloped and length >= 6:
        middle = float(np.mean(since[inside]))
        spread = float(np.sum((since[inside] - middle) ** 2))
        average = average - np.where(inside, (since - middle) * middle / spread, 0.0)
        worth = 1.0 / (1.0 / length + middle**2 / spread)
    sag = average @ undo
    lever = float(average @ since) * spacing_s
    taps = (average + sag).astype(np.float32)
    taps.flags.writeable = False
    return taps, coupling.offset * float(np.sum(sag)), lever, worth


def fit_track(
    place: FloatArray, value: FloatArray, at_place: FloatArray | None = None
) -> FloatArray:
    """Smooth a value that is constant or changes slowly, outliers and all.

    Parameters
    ----------
    place, value : numpy.ndarray
        Shape (n,), `place` ascending.
    at_place : numpy.ndarray, optional
        Where the smooth value is wanted, shape (m,); at `place` if None.

    Returns
    -------
    numpy.ndarray
        Shape (m,): the mean without outliers, or straight lines between the medians of twelve
        stretches where those differ by more than their scatter explains.
    """
    wanted = place if at_place is None else at_place
    count = value.shape[0]
    if count < 5 * _TRACK_KNOTS:
        return np.full(wanted.shape, _robust_mean(value))
    size = count // _TRACK_KNOTS
    used = value[: size * _TRACK_KNOTS].reshape(_TRACK_KNOTS, size)
    knots = median(used)
    spread = median(np.abs(used - knots[:, None]).ravel())
    scatter = 1.4826 * spread * 1.253 / np.sqrt(size)
    if float(np.std(knots)) <= _TRACK_CLEAR * float(scatter):
        return np.full(wanted.shape, _robust_mean(value))
    at = place[: size * _TRACK_KNOTS].reshape(_TRACK_KNOTS, size).mean(axis=1)
    slope = np.diff(knots) / np.diff(at)
    inner = np.clip(np.searchsorted(at, wanted) - 1, 0, _TRACK_KNOTS - 2)
    return np.asarray(knots[inner] + slope[inner] * (wanted - at[inner]))


def _robust_mean(value: FloatArray) -> float:
    """Return the mean of what lies within three standard deviations of the median."""
    away = np.abs(value - median(value))
    return float(np.mean(value[away <= 3.0 * 1.4826 * median(away)]))
