"""Draws from a normal distribution that is cut off by a box: what limits leave of a fit.

A fit that is linear in its unknowns gives a normal distribution of them; what is known
beforehand of a part (a value within its tolerance, each equally likely) cuts a box out of it.
The result is far from normal where the box is narrower than what the fit says, so it is drawn
from rather than described by a covariance (JCGM 101:2008).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Draws", "draw_in_box", "pick_draws", "spread_about_mean"]

Values = NDArray[np.float64]

_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71)
_LEAST = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Weighted draws.

    Attributes
    ----------
    place : numpy.ndarray
        The unknowns, shape (count, n).
    log_weight : numpy.ndarray
        Natural logarithm of each draw's weight, shape (count,); the mean of the weights is the
        share of the normal distribution that lies inside the box. Minus infinity for a draw that
        ran out of the box.
    """

    place: Values
    log_weight: Values


def draw_in_box(mean: Values, precision: Values, low: Values, high: Values, count: int) -> Draws:
    """Draw from a normal distribution, inside a box.

    Parameters
    ----------
    mean : numpy.ndarray
        Shape (n,).
    precision : numpy.ndarray
        Inverse of the covariance, positive definite, shape (n, n).
    low, high : numpy.ndarray
        The box, shape (n,); infinite where there is no limit.
    count : int
        How many draws.

    Returns
    -------
    Draws
        The same for the same input: the places are those of a lattice, not of chance.

    Notes
    -----
    Separation of variables (A. Genz, J. Comput. Graph. Stat. 1, 1992, 141-149; the order of
    the variables after Genz and Bretz; from memory): one variable after the other is drawn from
    its normal distribution given those before, cut at its limits, and the share that the cut
    leaves multiplies the weight.
    """
    from scipy.special import ndtr, ndtri

    size = mean.shape[0]
    covariance = np.linalg.inv(precision)
    covariance = 0.5 * (covariance + covariance.T)
    factor, order = _order_and_factor(covariance, low - mean, high - mean)
    low, high = (low - mean)[order], (high - mean)[order]
    steps = np.sqrt(np.array(_PRIMES[:size], dtype=np.float64))
    lattice = np.abs(2.0 * np.modf((np.arange(1, count + 1)[:, None] * steps) % 1.0)[0] - 1.0)
    normal = np.zeros((count, size))
    log_weight = np.zeros(count)
    for i in range(size):
        given = normal[:, :i] @ factor[i, :i]
        start, end = (low[i] - given) / factor[i, i], (high[i] - given) / factor[i, i]
        # the lower tail keeps its digits, so an interval in the upper one is turned over
        turned = start > 0.0
        start, end = np.where(turned, -end, start), np.where(turned, -start, end)
        below, share = ndtr(start), ndtr(end) - ndtr(start)
        drawn = ndtri(np.clip(below + share * lattice[:, i], _LEAST, 1.0 - 1e-16))
        drawn = np.clip(drawn, start, end)
        normal[:, i] = np.where(turned, -drawn, drawn)
        with np.errstate(divide="ignore"):
            log_weight += np.log(np.where(share > _LEAST, share, 0.0))
    place = np.empty((count, size))
    place[:, order] = normal @ factor.T
    return Draws(place + mean, log_weight)


def _order_and_factor(
    covariance: Values, low: Values, high: Values
) -> tuple[Values, NDArray[np.intp]]:
    """Return the Cholesky factor of the covariance, the narrowest cut first, and that order."""
    from scipy.special import ndtr

    size = covariance.shape[0]
    order = np.arange(size)
    work = covariance.copy()
    factor = np.zeros((size, size))
    expected = np.zeros(size)
    for i in range(size):
        rest = order[i:]
        left = work[np.ix_(rest, rest)].diagonal() - np.sum(factor[i:, :i] ** 2, axis=1)
        width = np.sqrt(np.maximum(left, 1e-18))
        given = factor[i:, :i] @ expected[:i]
        share = ndtr((high[rest] - given) / width) - ndtr((low[rest] - given) / width)
        best = i + int(np.argmin(share))
        order[[i, best]] = order[[best, i]]
        factor[[i, best]] = factor[[best, i]]
        factor[i, i] = width[best - i]
        below = order[i + 1 :]
        cross = work[below, order[i]] - factor[i + 1 :, :i] @ factor[i, :i]
        factor[i + 1 :, i] = cross / factor[i, i]
        shift = factor[i, :i] @ expected[:i]
        start = (low[order[i]] - shift) / factor[i, i]
        end = (high[order[i]] - shift) / factor[i, i]
        expected[i] = _cut_mean(float(start), float(end))
    return factor, order


def _cut_mean(start: float, end: float) -> float:
    """Return about the mean of a standard normal distribution cut to an interval."""
    from scipy.special import ndtr

    share = float(ndtr(end) - ndtr(start))
    if share < 1e-12:
        return float(np.clip(0.0, start, end))
    density = (np.exp(-0.5 * start * start), np.exp(-0.5 * end * end))
    return float((density[0] - density[1]) / np.sqrt(2.0 * np.pi) / share)


def pick_draws(log_weight: Values, count: int, start: float = 0.5) -> NDArray[np.intp]:
    """Pick draws in proportion to their weights.

    Parameters
    ----------
    log_weight : numpy.ndarray
        Logarithms of the weights, at least one of them finite.
    count : int
        How many are picked; a draw of great weight comes several times.
    start : float
        From 0 to 1: where in the first stratum the picking begins.

    Returns
    -------
    numpy.ndarray
        Indices, shape (count,).
    """
    weight = np.exp(log_weight - np.max(log_weight))
    ends = np.cumsum(weight) / np.sum(weight)
    picked = np.searchsorted(ends, (np.arange(count) + start) / count)
    return np.asarray(np.minimum(picked, log_weight.shape[0] - 1), dtype=np.intp)


def spread_about_mean(values: Values, share: float = 0.95) -> tuple[float, float]:
    """Return the mean, and how far to either side of it a share of the draws lies.

    Parameters
    ----------
    values : numpy.ndarray
        Equally weighted draws, shape (count,).
    share : float
        The share, 0 to 1.

    Returns
    -------
    tuple of float
        Mean and half-width: as many draws as `share` says lie within the half-width of the mean.
    """
    mean = float(np.mean(values))
    return mean, float(np.quantile(np.abs(values - mean), share))
