"""The wave that edges make at an input, to set against what was recorded.

A train of edges at known places is laid down as a two-level wave, each edge in the shape
that the input's converter gives it, and sent through first-order high passes. What is
recorded is a multiple of that, an offset, hum and noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["DENSITY", "REACH", "EdgeCurve", "couple", "ideal_curve", "lay_wave"]

REACH = 48
"""Samples on either side of an edge in which its shape is told."""

DENSITY = 32
"""Points of a curve per sample."""

_CUTOFF = 0.45

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class EdgeCurve:
    """The shape of an edge that goes from 0 to 1 and crosses one half at offset 0.

    Attributes
    ----------
    values : numpy.ndarray
        Shape (2 REACH DENSITY + 1,): from offset -REACH to +REACH samples.
    """

    values: FloatArray

    def at(self, offset: FloatArray) -> FloatArray:
        """Return the curve at offsets in samples, 0 before it begins and 1 after its end."""
        place = np.clip((offset + REACH) * DENSITY, 0.0, self.values.shape[0] - 1.000001)
        index = place.astype(np.intp)
        part = place - index
        inside = self.values[index] * (1.0 - part) + self.values[index + 1] * part
        result: FloatArray = np.where(offset < -REACH, 0.0, np.where(offset > REACH, 1.0, inside))
        return result


def ideal_curve() -> EdgeCurve:
    """Return the edge of a usual converter: band-limited at 0.45 of the rate, symmetric."""
    offset = np.arange(-REACH * DENSITY, REACH * DENSITY + 1) / DENSITY
    slope = np.sinc(2.0 * _CUTOFF * offset) * np.kaiser(offset.shape[0], 8.0)
    running = np.cumsum(slope) - 0.5 * slope
    return EdgeCurve(running / np.sum(slope))


def lay_wave(
    place: FloatArray, rising: NDArray[np.bool_], count: int, curve: EdgeCurve
) -> FloatArray:
    """Lay edges down as a wave between 0 and 1.

    Parameters
    ----------
    place : numpy.ndarray
        Where each edge crosses its middle, in samples, ascending, shape (m,), m at least 1.
    rising : numpy.ndarray
        Its direction, shape (m,); a second edge of the same direction changes nothing.
    count : int
        Length of the wave in samples.
    curve : EdgeCurve
        The shape of each edge.

    Returns
    -------
    numpy.ndarray
        Shape (count,).
    """
    level = np.concatenate(([not rising[0]], rising)).astype(np.float64)
    change = np.diff(level)
    first = np.ceil(place).astype(np.intp)
    ideal = np.zeros(count + 1)
    np.add.at(ideal, np.clip(first, 0, count), change)
    wave: FloatArray = level[0] + np.cumsum(ideal)[:count]
    index = first[:, None] + np.arange(-REACH, REACH)
    offset = index - place[:, None]
    local = change[:, None] * (curve.at(offset) - (offset >= 0.0))
    inside = (index >= 0) & (index < count)
    np.add.at(wave, index[inside], local[inside])
    return wave


def couple(wave: FloatArray, corner_hz: float, rate_hz: float) -> FloatArray:
    """Send a wave through one first-order high pass that has long seen the wave's mean.

    Parameters
    ----------
    wave : numpy.ndarray
        Shape (n,).
    corner_hz : float
        The -3 dB frequency; 0 leaves the wave as it is.
    rate_hz : float
        Samples per second.

    Returns
    -------
    numpy.ndarray
        Shape (n,), by the trapezoidal rule, whose error (about (2 pi corner / rate)^2 / 12)
        is below 1e-4 up to corners of a two-hundredth of the rate.
    """
    if corner_hz <= 0.0:
        return wave
    from scipy.signal import lfilter  # only listening needs it

    half = math.pi * corner_hz / rate_hz
    gain, keep = half / (1.0 + half), (1.0 - half) / (1.0 + half)
    rest = float(wave.mean())
    settled = lfilter([gain, gain], [1.0, -keep], wave - rest)
    result: FloatArray = wave - rest - settled
    return result
