"""Bandwidth and shape of an input's edge, learned by averaging many edges.

Each edge gives the input's answer to a step, sampled at places that the edge's own time tells.
Its first differences, turned back to the edge's middle and averaged over all edges in the
frequency domain, are the frequency response of the input: noise and the images of the
sampling average out, since edges fall anywhere between two samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.wave import DENSITY, REACH, EdgeCurve, ideal_curve

__all__ = ["EdgeResponse", "learn_response"]

_ROUNDS = 4
_MOST_EDGES = 4000
_FEWEST_EDGES = 12
_BINS = 192
_WHOLE = 8.0
_FADING = 16.0
"""A converter's answer has died down within so many samples; what goes on is the coupling's."""

_SYMMETRIC = 0.006
"""Share of the answer's energy that may be out of balance about its middle.

The minimum-phase filters of converters have 0.2, a fourth-order roll-off has 0.012.
"""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class EdgeResponse:
    """How an input answers a step.

    Attributes
    ----------
    curve : EdgeCurve
        The answer to a unit step, crossing one half at 0.
    bandwidth_hz : float or None
        The -3 dB frequency; None where the response stays above that up to half the rate.
    rise_s : float
        From 10 to 90 % of the step.
    asymmetry : float
        Share of the answer's energy that is out of balance about its middle, 0 to 1.
    overshoot : float
        How far the answer goes beyond the step, as a share of it.
    edge_count : int
        Edges that were averaged.
    """

    curve: EdgeCurve
    bandwidth_hz: float | None
    rise_s: float
    asymmetry: float
    overshoot: float
    edge_count: int

    @property
    def symmetric(self) -> bool:
        """Whether the edge rings alike before and after (linear phase)."""
        return self.asymmetry < _SYMMETRIC


def learn_response(
    flat: FloatArray, place: FloatArray, rising: NDArray[np.bool_], rate_hz: float
) -> EdgeResponse | None:
    """Learn the edge of an input.

    Parameters
    ----------
    flat : numpy.ndarray
        The recording with droop, offset and hum taken out, scaled to go from 0 to 1, shape (n,).
    place : numpy.ndarray
        Where each edge crosses its middle, in samples, ascending, shape (m,).
    rising : numpy.ndarray
        Directions, shape (m,).
    rate_hz : float
        Samples per second.

    Returns
    -------
    EdgeResponse or None
        None where there are fewer than twelve edges.
    """
    first = np.ceil(place).astype(np.intp)
    usable = (first >= REACH + 1) & (first < flat.shape[0] - REACH - 1)
    usable[1:] &= rising[1:] != rising[:-1]
    chosen = np.flatnonzero(usable)[:_MOST_EDGES]
    if chosen.shape[0] < _FEWEST_EDGES:
        return None
    offset = np.arange(-REACH, REACH)
    index = first[chosen, None] + offset
    apart = index - place[chosen, None]
    sign = np.where(rising[chosen], 1.0, -1.0)[:, None]
    windows = np.where(sign > 0, flat[index], 1.0 - flat[index])
    previous = _gap_before(place)[chosen, None]
    following = _gap_after(place)[chosen, None]
    curve = ideal_curve()
    mine = (apart > -0.5 * previous) & (apart < 0.5 * following)
    response = np.zeros(_BINS + 1, np.complex128)
    for round_ in range(_ROUNDS):
        own = _without_neighbours(windows, apart, previous, following, curve)
        if round_ == 0:  # the neighbours' shape is not known yet
            own = np.where(mine, own, curve.at(apart))
        response = _average(own, apart)
        curve = _to_curve(response)
    return _describe(curve, response, rate_hz, chosen.shape[0])


def _gap_before(place: FloatArray) -> FloatArray:
    """Return how far the edge before each edge is, in samples."""
    return np.concatenate(([np.inf], np.diff(place)))


def _gap_after(place: FloatArray) -> FloatArray:
    """Return how far the edge after each edge is, in samples."""
    return np.concatenate((np.diff(place), [np.inf]))


def _without_neighbours(
    windows: FloatArray,
    apart: FloatArray,
    previous: FloatArray,
    following: FloatArray,
    curve: EdgeCurve,
) -> FloatArray:
    """Take the edges before and after out of each window."""
    result = windows.copy()
    near = np.flatnonzero(following[:, 0] < 2 * REACH)
    result[near] += curve.at(apart[near] - following[near])
    near = np.flatnonzero(previous[:, 0] < 2 * REACH)
    result[near] += curve.at(apart[near] + previous[near]) - 1.0
    return result


def _average(own: FloatArray, apart: FloatArray) -> NDArray[np.complex128]:
    """Return the mean spectrum of the edges' first differences, from 0 to half the rate."""
    change = np.diff(own, axis=1)
    middle = 0.5 * (apart[:, 1:] + apart[:, :-1])
    hertz = np.linspace(0.0, 0.5, _BINS + 1)
    # Every window has the same offsets but for a shift below one sample.
    base = middle[0]
    shift = middle[:, 0] - base[0]
    turns = np.exp(-2j * np.pi * np.outer(base, hertz))
    mean = ((change @ turns) * np.exp(-2j * np.pi * np.outer(shift, hertz))).mean(axis=0)
    result: NDArray[np.complex128] = mean / np.sinc(hertz)
    result /= max(abs(result[0]), 1e-9)
    return result


def _impulse(response: NDArray[np.complex128]) -> FloatArray:
    """Return the answer to an impulse on the curve's grid."""
    offset = np.arange(-REACH * DENSITY, REACH * DENSITY + 1) / DENSITY
    weight = np.ones(_BINS + 1)
    weight[-1] = 0.5  # the transform itself counts frequency 0 half
    # the frequencies are those of a Fourier transform that is longer than the curve
    padded = np.zeros(_BINS * DENSITY + 1, np.complex128)
    padded[: _BINS + 1] = weight * response
    whole = np.fft.irfft(padded, 2 * _BINS * DENSITY) * 2 * _BINS * DENSITY / 2.0
    real = np.concatenate((whole[-REACH * DENSITY :], whole[: REACH * DENSITY + 1]))
    step = 0.5 / _BINS
    taper = 0.5 + 0.5 * np.cos(np.pi * np.clip((np.abs(offset) - _WHOLE) / _FADING, 0.0, 1.0))
    result: FloatArray = 2.0 * step * real * taper
    return result


def _to_curve(response: NDArray[np.complex128]) -> EdgeCurve:
    """Return the step that belongs to a frequency response, its middle at 0."""
    impulse = _impulse(response)
    running = np.cumsum(impulse) - 0.5 * impulse
    curve = running / running[-1]
    near = slice((REACH - 4) * DENSITY, (REACH + 4) * DENSITY + 1)
    at = int(np.argmax(impulse[near])) + (REACH - 4) * DENSITY
    cross = at + (0.5 - curve[at]) / max((curve[at + 1] - curve[at - 1]) / 2.0, 1e-6)
    grid = np.arange(curve.shape[0], dtype=np.float64)
    return EdgeCurve(np.interp(grid + (cross - REACH * DENSITY), grid, curve, left=0.0, right=1.0))


def _describe(
    curve: EdgeCurve, response: NDArray[np.complex128], rate_hz: float, count: int
) -> EdgeResponse:
    """Read bandwidth, rise time and symmetry off the average."""
    gain = np.abs(response)
    below = np.flatnonzero(gain < np.sqrt(0.5))
    bandwidth_hz = None
    if below.shape[0] and below[0] > 0:
        at = int(below[0])
        part = (gain[at - 1] - np.sqrt(0.5)) / (gain[at - 1] - gain[at])
        bandwidth_hz = float((at - 1 + part) * 0.5 / _BINS * rate_hz)
    values = curve.values
    low = _first_above(values, 0.1)
    high = _first_above(values, 0.9)
    return EdgeResponse(
        curve=curve,
        bandwidth_hz=bandwidth_hz,
        rise_s=(high - low) / DENSITY / rate_hz,
        asymmetry=_asymmetry(np.diff(values)),
        overshoot=max(0.0, float(values.max()) - 1.0),
        edge_count=count,
    )


def _first_above(values: FloatArray, level: float) -> float:
    """Return where a curve crosses a level last before its middle, or first after it."""
    middle = REACH * DENSITY
    if level < 0.5:
        at = int(np.flatnonzero(values[:middle] < level)[-1])
    else:
        at = middle + int(np.flatnonzero(values[middle:] > level)[0]) - 1
    return at + float((level - values[at]) / (values[at + 1] - values[at]))


def _asymmetry(impulse: FloatArray) -> float:
    """Return the share of energy out of balance about the best centre."""
    core = impulse[len(impulse) // 2 - 32 * DENSITY : len(impulse) // 2 + 32 * DENSITY]
    energy = float(core @ core)
    if not energy > 0:
        return 0.0
    mirrored = np.convolve(core, core)  # correlation of the answer with its mirror image
    return float(0.5 * (1.0 - mirrored.max() / energy))
