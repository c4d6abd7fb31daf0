"""Scatter of widths and periods, and what a mean over correlated pulses is worth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Jitter", "Statistic", "effective_count", "measure_jitter", "summarise"]

_FEW_PAIRS = 8
"""Of uncorrelated values, one in a hundred series goes beyond these."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Statistic:
    """A repeated quantity, in seconds.

    Attributes
    ----------
    mean_s, sd_s, min_s, max_s : float
        Mean, standard deviation (n - 1), least and greatest value.
    u_s : float
        Standard uncertainty of the long-run mean (JCGM 100).
    """

    mean_s: float
    sd_s: float
    u_s: float
    min_s: float
    max_s: float


@dataclass(frozen=True, slots=True)
class Jitter:
    """Jitter in the terms of JESD65B, in seconds.

    Attributes
    ----------
    period_rms_s : float
        Standard deviation of the period.
    cycle_to_cycle_rms_s : float
        Root mean square of the difference between adjacent periods.
    width_rms_s : float
        Standard deviation of the pulse width.
    floor_s : float
        What the input itself adds to a width's standard deviation.
    """

    period_rms_s: float
    cycle_to_cycle_rms_s: float
    width_rms_s: float
    floor_s: float


def effective_count(values: FloatArray) -> float:
    """Return how many independent values a correlated series is worth for its mean.

    Parameters
    ----------
    values : numpy.ndarray
        Shape (n,), evenly spaced in time.

    Returns
    -------
    float
        Between 1 and n.

    Notes
    -----
    ``n / (1 + 2 sum of autocorrelations)``, the sum taken over pairs of adjacent lags
    while the pairs stay positive and falling (Geyer, Practical Markov chain Monte
    Carlo, Statistical Science 7 (1992), section 3.3; from memory). Negative
    correlation is not counted as a gain.
    """
    count = values.shape[0]
    if count < 4:
        return float(count)
    centred = values - values.mean()
    power = float(centred @ centred)
    if not power > 0:
        return float(count)
    pairs = _first_pairs(centred)
    if not (pairs <= 0).any():
        pairs = _all_pairs(centred)
    negative = np.flatnonzero(pairs <= 0)
    last = negative[0] if negative.shape[0] else pairs.shape[0]
    total = float(np.sum(np.minimum.accumulate(pairs[:last]))) / power
    inflation = max(1.0, 2.0 * total - 1.0)
    return float(max(1.0, count / inflation))


def _first_pairs(centred: FloatArray) -> FloatArray:
    """Return the sums of covariances at adjacent lags, as many as mostly suffice."""
    count = centred.shape[0]
    lags = min(2 * _FEW_PAIRS, count // 2 * 2)
    covariance = np.array([centred[: count - lag] @ centred[lag:] for lag in range(lags)])
    return np.asarray(covariance.reshape(-1, 2).sum(axis=1))


def _all_pairs(centred: FloatArray) -> FloatArray:
    """Return the sums of covariances at adjacent lags, all of them."""
    count = centred.shape[0]
    size = 1 << int(np.ceil(np.log2(2 * count)))
    spectrum = np.fft.rfft(centred, size)
    covariance = np.fft.irfft(spectrum * np.conj(spectrum), size)[: count // 2 * 2]
    return np.asarray(covariance.reshape(-1, 2).sum(axis=1))


def summarise(values_s: FloatArray, estimator_s: float, clock: float) -> Statistic:
    """Summarise a repeated quantity with its uncertainty.

    Parameters
    ----------
    values_s : numpy.ndarray
        Shape (n,), n at least 1, seconds.
    estimator_s : float
        Standard uncertainty that every value shares, seconds.
    clock : float
        Relative standard uncertainty of the recorder's clock.

    Returns
    -------
    Statistic
        ``u`` joins repeatability (with the effective number of values), the
        estimator and the clock in quadrature.

    Raises
    ------
    ValueError
        No values.
    """
    if values_s.shape[0] == 0:
        raise ValueError("cannot summarise no values")
    mean = float(values_s.mean())
    sd = float(values_s.std(ddof=1)) if values_s.shape[0] > 1 else 0.0
    repeat = sd / np.sqrt(effective_count(values_s))
    u = float(np.sqrt(repeat**2 + estimator_s**2 + (clock * mean) ** 2))
    return Statistic(mean, sd, u, float(values_s.min()), float(values_s.max()))


def measure_jitter(
    width_s: FloatArray, period_s: FloatArray, adjacent: NDArray[np.bool_], floor_s: float
) -> Jitter:
    """Measure the jitter of a pulse train.

    Parameters
    ----------
    width_s : numpy.ndarray
        Pulse widths, shape (n,).
    period_s : numpy.ndarray
        Periods, shape (m,).
    adjacent : numpy.ndarray
        Shape (m - 1,) or (0,): True where two entries of `period_s` follow each
        other without a break.
    floor_s : float
        The input's own part of a width's standard deviation.

    Returns
    -------
    Jitter
        Zero where there are too few values to scatter.
    """
    change = np.diff(period_s)[adjacent] if period_s.shape[0] > 1 else np.empty(0)
    return Jitter(
        period_rms_s=float(period_s.std(ddof=1)) if period_s.shape[0] > 1 else 0.0,
        cycle_to_cycle_rms_s=float(np.sqrt(np.mean(change**2))) if change.shape[0] else 0.0,
        width_rms_s=float(width_s.std(ddof=1)) if width_s.shape[0] > 1 else 0.0,
        floor_s=floor_s,
    )
