"""Level the background of a cycle series, so that creep does not look like a line.

A channel's series is mostly white jitter on a level that walks. Subtracting a running
mean of the values before (exponential weights) leaves nearly white values of such a series;
what is fitted to it is filtered alike, so that nothing is biased by it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Whitening", "choose_whitening"]

FloatArray = NDArray[np.float64]

_WEIGHTS = (0.004, 0.015, 0.05, 0.2, 0.8)


@dataclass(frozen=True, slots=True, eq=False)
class Whitening:
    """A filter that turns a level that walks, with white jitter on it, into white values.

    Attributes
    ----------
    weight : float
        Weight of the newest value in the running mean, 0 (no filter) to 1.
    kernel : numpy.ndarray
        Transform of the weights, long enough for the series twice.
    trend : numpy.ndarray
        Orthonormal rows, shape (2, n): what a filtered level and slope span; taken out.
    """

    weight: float
    kernel: NDArray[np.complex128]
    trend: FloatArray

    def apply(self, values: FloatArray) -> FloatArray:
        """Filter series of the length that the filter was chosen for.

        Parameters
        ----------
        values : numpy.ndarray
            Shape (m, n).

        Returns
        -------
        numpy.ndarray
            Shape (m, n), free of level and slope.
        """
        filtered = _filter(values, self.weight, self.kernel)
        return np.asarray(filtered - (filtered @ self.trend.T) @ self.trend)


def choose_whitening(values: FloatArray) -> Whitening:
    """Choose the filter that leaves least of the series.

    Parameters
    ----------
    values : numpy.ndarray
        Shape (m, n), n at least 4; each row counts alike.

    Returns
    -------
    Whitening
        One filter for all rows, so that directions between them are kept.

    Notes
    -----
    What a filter with a first coefficient of 1 leaves is least where it is white
    (prediction error; common practice).
    """
    scale = np.var(values, axis=1)
    rows = values[scale > 0] if (scale > 0).any() else values
    best = _make(0.0, values.shape[1])
    least = _left(best, rows)
    for weight in _WEIGHTS:
        one = _make(weight, values.shape[1])
        left = _left(one, rows)
        if left < least - 4.0 / values.shape[1]:
            best, least = one, left
    return best


def _left(whitening: Whitening, rows: FloatArray) -> float:
    """Return the log of what a filter leaves of the rows."""
    return float(np.sum(np.log(np.maximum(np.var(whitening.apply(rows), axis=1), 1e-300))))


def _make(weight: float, count: int) -> Whitening:
    """Make the filter of a weight for series of a length."""
    size = _fast_size(2 * count)
    kernel = np.fft.rfft(weight * (1.0 - weight) ** np.arange(count), size)
    slope = np.linspace(-1.0, 1.0, count)
    level, slope = _filter(np.stack([np.ones(count), slope]), weight, kernel)
    trend = np.zeros((2, count))
    for row, values in enumerate((level, slope)):
        values = values - (values @ trend.T) @ trend
        size_of = float(np.sqrt(values @ values))
        # A level that the filter swallows whole leaves rounding errors.
        if size_of > 1e-9 * count:
            trend[row] = values / size_of
    return Whitening(weight, kernel, trend)


def _fast_size(least: int) -> int:
    """Return a length from `least` on that transforms fast."""
    whole = 1 << int(np.ceil(np.log2(least)))
    return min(one for one in (whole * 5 // 8, whole * 3 // 4, whole) if one >= least)


def _filter(values: FloatArray, weight: float, kernel: NDArray[np.complex128]) -> FloatArray:
    """Take from each value the running mean of those before it."""
    if weight == 0:
        return values
    count = values.shape[1]
    size = _fast_size(2 * count)
    first = values[:, : max(1, min(count, round(1.0 / weight)))].mean(axis=1, keepdims=True)
    centred = values - first
    mean = np.fft.irfft(np.fft.rfft(centred, size, axis=1) * kernel, size)
    centred[:, 1:] -= mean[:, : count - 1]
    return np.asarray(centred)
