"""How an input is coupled, found from the sag of the states between the edges.

One or two coupling capacitors make every level sag towards the mean. With ``y`` the
sagging signal about its mean, ``I`` its running integral and ``J`` the integral of
that, ``u = y + a I + b J`` is flat between the edges: for two stages with the rates
``w1`` and ``w2`` (2 pi times their corners) ``a = w1 + w2`` and ``b = w1 w2``; for one,
``b = 0``. ``I`` has no mean of its own over whole cycles, which fixes its constant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["GUARD", "Coupling", "estimate_coupling", "integral_from", "state_slopes"]

GUARD = 5
"""Decimated samples next to an edge that its transition may still colour."""

_SECTIONS = 6
_SHORTEST = 4 * _SECTIONS
_CLEAR = 5.0
_DOUBLE_SHARE = (0.005, 0.3)
"""Range of b / a^2 for two stages; two equal ones give 0.25."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Coupling:
    """How an input is coupled.

    Attributes
    ----------
    rate_per_s : float
        ``a``: the sum of the stages' rates; 0 for a DC-coupled input.
    double_per_s2 : float
        ``b``: the product of two stages' rates; 0 where one stage explains the sag.
    offset : float
        The level to which the input sags, in units of full scale.
    sloped : bool
        Whether the states keep slopes that the coupling does not explain (hum,
        wander), so that levels must be extrapolated.
    """

    rate_per_s: float
    double_per_s2: float
    offset: float
    sloped: bool

    @property
    def corners_hz(self) -> tuple[float, ...]:
        """Corner frequency of each stage, the higher one last; empty without coupling."""
        if self.rate_per_s <= 0:
            return ()
        if self.double_per_s2 <= 0:
            return (self.rate_per_s / (2 * np.pi),)
        root = np.sqrt(max(self.rate_per_s**2 / 4 - self.double_per_s2, 0.0))
        middle = self.rate_per_s / 2
        return (float((middle - root) / (2 * np.pi)), float((middle + root) / (2 * np.pi)))


def integral_from(offsets: NDArray[np.intp], origin: float) -> FloatArray:
    """Return the matrix that integrates samples from a place to the middle of each.

    Parameters
    ----------
    offsets : numpy.ndarray
        Consecutive sample positions, shape (n,).
    origin : float
        Where the integral begins: a position, or half-way between two.

    Returns
    -------
    numpy.ndarray
        Shape (n, n), in units of the sample interval: each sample lasts from half an
        interval before its position to half an interval after it.
    """
    starts, ends = offsets - 0.5, offsets + 0.5
    upper = np.clip(offsets[:, None], starts, ends) - starts
    lower = np.clip(origin, starts, ends) - starts
    result: FloatArray = upper - lower
    return result


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
        With rate 0 where no state is long enough to tell; ``sloped`` is left False.

    Notes
    -----
    Linear least squares over the means of six sections of each state, with a free
    level for each state. Two stages are taken only where they are clearly needed.
    """
    if index.shape[0] < 3:  # no whole cycle
        return Coupling(0.0, 0.0, 0.0, False)
    last = index.shape[0] - 1 - (index.shape[0] + 1) % 2
    offset = float(np.mean(averages[index[0] : index[last]], dtype=np.float64))
    sections = _cut_sections(averages, index, offset)
    if sections is None:
        return Coupling(0.0, 0.0, offset, False)
    mean, single, double, variance = sections
    scale = noise**2 * variance
    rate, u_rate = _solve(mean, single[:, None], scale)
    if rate[0] < 3.0 * u_rate[0]:
        return Coupling(0.0, 0.0, offset, False)
    both, u_both = _solve(mean, np.stack([single, double], axis=1), scale)
    share = both[1] / max(both[0] ** 2, 1e-30)
    if both[1] > _CLEAR * u_both[1] and _DOUBLE_SHARE[0] < share < _DOUBLE_SHARE[1]:
        return Coupling(float(both[0]) / spacing_s, float(both[1]) / spacing_s**2, offset, False)
    return Coupling(float(rate[0]) / spacing_s, 0.0, offset, False)


def _cut_sections(
    averages: NDArray[np.float32], index: NDArray[np.intp], offset: float
) -> tuple[FloatArray, FloatArray, FloatArray, float] | None:
    """Return section means of y, -I and -J less each state's own mean, and 1/length."""
    start, end = index[:-1] + GUARD, index[1:] - GUARD
    keep = end - start >= _SHORTEST
    if not keep.any():
        return None
    state = np.flatnonzero(keep)
    start, end = start[keep], end[keep]
    sums = [np.concatenate(([0.0], np.cumsum(averages.astype(np.float64) - offset)))]
    for _ in range(2):
        middle = sums[-1][:-1] + 0.5 * np.diff(sums[-1])
        sums.append(np.concatenate(([0.0], np.cumsum(middle))))
    level, area, volume = sums
    border = start[:, None] + ((end - start)[:, None] * np.arange(_SECTIONS + 1)) // _SECTIONS
    low, high = border[:, :-1], border[:, 1:]
    length = (high - low).astype(np.float64)
    since = 0.5 * (low + high) - start[:, None]
    mean = (level[high] - level[low]) / length
    first = (area[high] - area[low]) / length - level[start][:, None]
    constant = level[start] - _cycle_means(area, index)[state]
    second = (volume[high] - volume[low]) / length - area[start][:, None]
    second += (constant - level[start])[:, None] * since
    parts = [part - part.mean(axis=1, keepdims=True) for part in (mean, -first, -second)]
    return parts[0].ravel(), parts[1].ravel(), parts[2].ravel(), float(np.mean(1.0 / length))


def _cycle_means(area: FloatArray, index: NDArray[np.intp]) -> FloatArray:
    """Return, for each step, the mean of the integral over two whole cycles around it."""
    count = index.shape[0]
    if count < 7:
        return np.full(index.shape, float(np.mean(np.diff(area))))
    number = np.arange(count)
    # the ends borrow from the step of the same direction one cycle further in
    number = number + 2 * (number < 2) - 2 * (number > count - 3)
    lower, upper = index[number - 2], index[number + 2]
    return np.asarray((area[upper] - area[lower]) / np.maximum(upper - lower, 1))


def _solve(
    target: FloatArray, columns: FloatArray, variance: float
) -> tuple[FloatArray, FloatArray]:
    """Solve a linear least-squares problem; return the solution and its uncertainties."""
    gram = columns.T @ columns
    try:
        inverse = np.linalg.inv(gram)
    except np.linalg.LinAlgError:
        none = np.zeros(columns.shape[1])
        return none, none + np.inf
    solution: FloatArray = inverse @ (columns.T @ target)
    rest = float(np.mean((target - columns @ solution) ** 2)) * _SECTIONS / (_SECTIONS - 1)
    return solution, np.asarray(np.sqrt(np.diag(inverse) * max(variance, rest)))


def state_slopes(
    averages: NDArray[np.float32], index: NDArray[np.intp], spacing_s: float, coupling: Coupling
) -> FloatArray:
    """Return the slope that the second stage puts on the signal at each step.

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
    numpy.ndarray
        Shape (m,), to be added to the signal, units of full scale per second: ``b``
        times the integral up to the beginning of the step's decimated sample.
    """
    if coupling.double_per_s2 <= 0 or index.shape[0] < 2:
        return np.zeros(index.shape)
    level = np.concatenate(([0.0], np.cumsum(averages.astype(np.float64) - coupling.offset)))
    area = np.concatenate(([0.0], np.cumsum(level[:-1] + 0.5 * np.diff(level))))
    since = level[index] - _cycle_means(area, index)
    result: FloatArray = coupling.double_per_s2 * spacing_s * since
    return result
