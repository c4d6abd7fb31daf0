"""How a simulated sound input answers one step: exact, at any instant between samples.

The answer of a converter's filter followed by one or two first-order high passes
(the AC coupling) to a unit step at time 0 is

    g(t) = sum over p of w_p exp(-a_p t) * integral from -inf to t of h(s) exp(a_p s) ds,

with h the filter's impulse response and w_p, a_p the weights and rates of the high
passes' own step response, sum of w_p exp(-a_p t) (one of them: w = 1, a = 2 pi f;
none: w = 1, a = 0). Beyond the end of h each integral is a constant, so that the
answer is a sum of plain exponentials there: a few dozen samples an edge need g, and
everything after costs one multiplication a sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline

__all__ = ["FILTERS", "EdgeShape", "FilterKind", "impulse_response", "shape_edge"]

FilterKind = Literal["linear", "minimum", "narrow"]
FILTERS: tuple[FilterKind, ...] = ("linear", "minimum", "narrow")

DENSITY = 64
"""Points of the tables per sample. The cubic's error is below 1e-8 of the step then."""
HALF_LENGTH = 40
"""Half the length of the windowed sinc, in samples."""
KAISER_BETA = 10.06
"""Window for 100 dB of stop band (Kaiser's formula, 0.1102 (100 - 8.7))."""
FLOOR = 1e-12
"""Least magnitude that the minimum-phase filter is given, so that its logarithm exists."""
NARROW_LENGTH = 80
"""Samples after which the narrow filter's answer has died out to below 1e-9."""
NARROW_SHARE = 1 / 8
"""Corner of the narrow filter as a share of the rate."""
TWIN_SPREAD = 1e-4
"""Two equal corners are drawn apart by this share; the answer changes by its square."""


@dataclass(frozen=True, slots=True, eq=False)
class EdgeShape:
    """The answer to a unit step, times in samples from the step.

    Attributes
    ----------
    first : float
        Where the answer begins, in samples, at most 0.
    count : int
        Number of samples from there that need `at`; after them the tail holds.
    tail_rate : numpy.ndarray
        Rates of the tail's exponentials, per sample, shape (p,); 0 is a constant.
    tail_weight : numpy.ndarray
        Their weights at the instant of the step, shape (p,).
    """

    first: float
    count: int
    tail_rate: NDArray[np.float64]
    tail_weight: NDArray[np.float64]
    _spline: CubicSpline[np.float64]

    def at(self, offset: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the answer at times in samples after the step, from `first` over `count`."""
        return np.asarray(self._spline(offset), dtype=np.float64)


@lru_cache(maxsize=8)
def impulse_response(
    kind: FilterKind, cutoff: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a converter filter's impulse response on a dense grid.

    Parameters
    ----------
    kind : {'linear', 'minimum', 'narrow'}
        A windowed sinc, symmetric about the step; the minimum-phase filter of the same
        magnitude; or a fourth-order Butterworth low pass at an eighth of the rate.
    cutoff : float
        Cut-off (-6 dB) as a share of the rate; the narrow filter has its own.

    Returns
    -------
    time : numpy.ndarray
        Samples after the step, shape (n,), `DENSITY` points a sample.
    value : numpy.ndarray
        Response per sample, with integral 1, shape (n,).
    """
    if kind == "narrow":
        time = np.arange(NARROW_LENGTH * DENSITY + 1) / DENSITY
        return time, _butterworth(time, 2 * math.pi * NARROW_SHARE)
    time = np.arange(-HALF_LENGTH * DENSITY, HALF_LENGTH * DENSITY + 1) / DENSITY
    window = np.kaiser(time.size, KAISER_BETA)
    value = 2 * cutoff * np.sinc(2 * cutoff * time) * window
    value *= DENSITY / np.sum(value)
    if kind == "minimum":
        return time + HALF_LENGTH, _minimum_phase(value)
    return time, value


def shape_edge(
    kind: FilterKind, cutoff: float, corners: tuple[float, ...], scale: float = 1.0
) -> EdgeShape:
    """Work out the answer of a whole input to a unit step.

    Parameters
    ----------
    kind, cutoff
        As for `impulse_response`.
    corners : tuple of float
        Corners of the first-order high passes in cycles per sample, at most two; a
        corner of 0 is none.
    scale : float
        Height of the step.

    Returns
    -------
    EdgeShape
        The answer, exact to 1e-7 of the step.
    """
    from scipy.interpolate import CubicSpline  # heavy, and only a simulation needs it

    weight, rate = _high_pass_terms(corners)
    time, impulse = impulse_response(kind, cutoff)
    first = float(time[0])
    count = math.ceil(time[-1] - first)
    dense = first + np.arange((count + 1) * DENSITY + 1) / DENSITY
    answer = np.zeros(dense.size)
    tail_weight = np.zeros(rate.size)
    for p in range(rate.size):
        integral = CubicSpline(time, impulse * np.exp(rate[p] * time)).antiderivative()
        whole = float(integral(time[-1]))
        reached = np.where(dense < time[-1], integral(np.minimum(dense, time[-1])), whole)
        answer += weight[p] * np.exp(-rate[p] * dense) * reached
        tail_weight[p] = scale * weight[p] * whole
    return EdgeShape(first, count, rate, tail_weight, CubicSpline(dense, scale * answer))


def _high_pass_terms(
    corners: tuple[float, ...],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weights and rates (per sample) of the high passes' own step response."""
    rates = [2 * math.pi * corner for corner in corners if corner > 0]
    if not rates:
        return np.ones(1), np.zeros(1)
    if len(rates) == 1:
        return np.ones(1), np.array(rates)
    a, b = rates
    if abs(a - b) < TWIN_SPREAD * (a + b):
        middle = (a + b) / 2
        a, b = middle * (1 + TWIN_SPREAD), middle * (1 - TWIN_SPREAD)
    return np.array([a, -b]) / (a - b), np.array([a, b])


def _butterworth(time: NDArray[np.float64], corner: float) -> NDArray[np.float64]:
    """Impulse response of the fourth-order Butterworth low pass, by partial fractions."""
    angles = math.pi * (2 * np.arange(4) + 5) / 8
    poles = corner * np.exp(1j * angles)
    residues = np.array(
        [corner**4 / np.prod(pole - np.delete(poles, k)) for k, pole in enumerate(poles)]
    )
    return np.asarray((residues @ np.exp(np.outer(poles, time))).real, dtype=np.float64)


def _minimum_phase(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the minimum-phase response of the same magnitude, by its cepstrum.

    The real cepstrum of the magnitude, folded onto positive times, is the cepstrum of
    the minimum-phase filter (Oppenheim and Schafer, Discrete-Time Signal Processing,
    chapter on the cepstrum; from memory).
    """
    size = 1 << 20
    magnitude = np.abs(np.fft.rfft(linear / DENSITY, size))
    cepstrum = np.fft.irfft(np.log(np.hypot(magnitude, FLOOR)), size)
    cepstrum[1 : size // 2] *= 2
    cepstrum[size // 2 + 1 :] = 0
    response = np.fft.irfft(np.exp(np.fft.rfft(cepstrum)), size)[: linear.size]
    return np.asarray(response * (DENSITY / np.sum(response)), dtype=np.float64)
