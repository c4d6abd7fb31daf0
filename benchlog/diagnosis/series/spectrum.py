"""Autocorrelation and power spectral density of a cycle series."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["PowerDensity", "autocorrelate", "find_power_density"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PowerDensity:
    """One-sided power spectral density.

    Attributes
    ----------
    hz : numpy.ndarray
        From 0 to half the cycle rate, shape (k,).
    density : numpy.ndarray
        Unit of the values squared, per hertz, shape (k,).
    segments : int
        How many stretches, half over each other, were averaged.
    """

    hz: FloatArray
    density: FloatArray
    segments: int


def autocorrelate(values: FloatArray, most_lag: int) -> FloatArray:
    """Return the autocorrelation of a series.

    Parameters
    ----------
    values : numpy.ndarray
        Evenly spaced, shape (n,), n at least 1.
    most_lag : int
        Lags from 0 to this, below n.

    Returns
    -------
    numpy.ndarray
        Shape (most_lag + 1,), the first is 1; all 0 but that where nothing moves.

    Raises
    ------
    ValueError
        A lag that the series does not reach.

    Notes
    -----
    Sums over n - lag products by the sum over n squares, so that it stays a positive definite
    sequence (the biased estimate of G. Box and G. Jenkins, Time Series Analysis, from memory).
    """
    count = values.shape[0]
    if not 0 <= most_lag < count:
        raise ValueError(f"lags of {count} values run from 0 to {count - 1}, got {most_lag}")
    centred = values - np.mean(values)
    size = 1 << int(np.ceil(np.log2(2 * count)))
    spectrum = np.fft.rfft(centred, size)
    sums = np.fft.irfft(spectrum * np.conj(spectrum), size)[: most_lag + 1]
    if not sums[0] > 0:
        sums = np.zeros(most_lag + 1)
        sums[0] = 1.0
    return np.asarray(sums / sums[0])


def find_power_density(
    values: FloatArray, step_s: float, *, segment: int | None = None
) -> PowerDensity:
    """Find the one-sided power spectral density of a series.

    Parameters
    ----------
    values : numpy.ndarray
        Evenly spaced, shape (n,), n at least 2.
    step_s : float
        Time from value to value, seconds, above 0.
    segment : int, optional
        Length of the stretches that are averaged, 2 to n; the whole series where none is given.

    Returns
    -------
    PowerDensity
        Its sum times the spacing is the variance, near enough.

    Raises
    ------
    ValueError
        A series, step or stretch that is too short.

    Notes
    -----
    Hann window, stretches that overlap by half, the mean of each taken out (P. D. Welch,
    IEEE Trans. Audio Electroacoust. 15 (1967) 70, from memory).
    """
    count = values.shape[0]
    length = count if segment is None else segment
    if not 2 <= length <= count or not step_s > 0:
        raise ValueError(f"cannot average stretches of {length} of {count} values {step_s} s apart")
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    begin = np.arange(0, count - length + 1, length - length // 2)
    parts = np.stack([values[first : first + length] for first in begin])
    parts = parts - parts.mean(axis=1, keepdims=True)
    power = np.abs(np.fft.rfft(parts * window, axis=1)) ** 2
    density = 2.0 * step_s * power.mean(axis=0) / np.sum(window**2)
    density[0] /= 2.0
    if length % 2 == 0:
        density[-1] /= 2.0
    hz = np.asarray(np.fft.rfftfreq(length, step_s), np.float64)
    return PowerDensity(hz, density, int(begin.shape[0]))
