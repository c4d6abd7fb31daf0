"""The edge's shape, learned from the edges themselves, and each edge placed by it.

A converter turns every step into the same curve. Written as a cubic spline with
knots closer than the samples, the curve follows by linear least squares from many
edges that fall between the samples at different places. An edge is then placed
where the curve fits it best, which for white noise is the matched filter: its
variance reaches the Cramer-Rao bound ``sigma / (A sqrt(sum s'(t)^2))``, with ``A``
the step and ``s`` the unit step response as sampled.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.medians import median

__all__ = [
    "HALF_WINDOW",
    "EdgeShape",
    "ShapeTable",
    "coefficient_noise",
    "cross_edges",
    "find_support",
    "fit_shape",
    "place_edges",
    "smoothing_for",
    "tabulate_shape",
    "window_offsets",
]

HALF_WINDOW = 48
"""Samples on either side of an edge that tell of it."""

_KNOT_SPACING = 0.4
_SUPPORT = 44.0
"""Samples on either side within which the curve may differ from its states."""

_TAPS = 4
"""Coefficients that a cubic spline takes at any one position."""

_CROSSED = 1e-12
_GROUP = 4.0  # samples that are looked at together
_OUTER = 20.0  # samples at either end whose usual power is that of the noise
_CLEAR = 4.0
_MARGIN = 2.0
_PHASES = 64
_SMOOTHING = 1e-4
_SMOOTHING_PER_NOISE = 0.5
"""Times the variance of a place: from 0.54 cycles a sample on, where the ripple lies that the mean
would otherwise keep, the smoothing then takes more than the noise adds."""

_SLOPE_SHARE = 1e-4

FloatArray = NDArray[np.float64]
_Four = tuple[FloatArray, FloatArray, FloatArray, FloatArray]
_Basis = Callable[[FloatArray], _Four]


def window_offsets() -> NDArray[np.intp]:
    """Return the window's sample offsets from the last sample before an edge."""
    return np.arange(-HALF_WINDOW + 1, HALF_WINDOW + 1)


@dataclass(frozen=True, slots=True, eq=False)
class EdgeShape:
    """A unit step as the input shows it, its mid-level crossing at 0.

    Attributes
    ----------
    weights : numpy.ndarray
        Spline coefficients, shape (k,); 0 before them and 1 after.
    start : float
        Position in samples of the first coefficient's knot.
    """

    weights: FloatArray
    start: float

    def values(self, at: FloatArray) -> FloatArray:
        """Return the step's value (0 to 1) at positions in samples, same shape."""
        return self._blend(at, _cubic)

    def slopes(self, at: FloatArray) -> FloatArray:
        """Return the step's slope per sample at positions in samples, same shape."""
        return self._blend(at, _cubic_slope) / _KNOT_SPACING

    def energy(self) -> float:
        """Return the mean over sub-sample places of the sum of squared slopes."""
        offsets = window_offsets().astype(np.float64)
        places = (np.arange(_PHASES) + 0.5) / _PHASES
        return float(np.mean(np.sum(self.slopes(offsets - places[:, None]) ** 2, axis=1)))

    def _locate(self, at: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
        position = (at - self.start) / _KNOT_SPACING
        index = np.floor(position)
        return index.astype(np.intp), position - index

    def _blend(self, at: FloatArray, basis: _Basis) -> FloatArray:
        """Return the sum of the four coefficients around each position, weighted."""
        index, part = self._locate(at)
        padded = np.concatenate((np.zeros(_TAPS), self.weights, np.ones(_TAPS)))
        first = np.clip(index + (_TAPS - 1), 0, padded.shape[0] - _TAPS)
        one, two, three, four = basis(part)
        total = one * padded[first]
        total += two * padded[first + 1]
        total += three * padded[first + 2]
        total += four * padded[first + 3]
        return total


def _cubic(part: FloatArray) -> _Four:
    """Return the four cubic B-spline weights of a position between two knots."""
    rest = 1.0 - part
    part_square, rest_square = part * part, rest * rest
    return (
        rest_square * rest / 6.0,
        part_square * (0.5 * part - 1.0) + 2.0 / 3.0,
        rest_square * (0.5 * rest - 1.0) + 2.0 / 3.0,
        part_square * part / 6.0,
    )


def _cubic_slope(part: FloatArray) -> _Four:
    """Return the derivatives of the four weights by the position."""
    rest = 1.0 - part
    return (
        -(rest**2) / 2.0,
        (3.0 * part**2 - 4.0 * part) / 2.0,
        -(3.0 * rest**2 - 4.0 * rest) / 2.0,
        part**2 / 2.0,
    )


@dataclass(frozen=True, slots=True, eq=False)
class ShapeTable:
    """A shape's values on a fine grid, for fast look-up; made by `tabulate_shape`."""

    reach: float
    dense: FloatArray

    def values(self, at: FloatArray) -> FloatArray:
        """Return the step's value (0 to 1) at positions in samples, same shape."""
        position = np.clip((at + self.reach) * _PHASES, 0.0, self.dense.shape[0] - 1.001)
        index = position.astype(np.intp)
        low = self.dense[index]
        return np.asarray(low + (self.dense[index + 1] - low) * (position - index))


def tabulate_shape(shape: EdgeShape) -> ShapeTable:
    """Tabulate a shape; what straight lines between the points lose is below 1e-4."""
    reach = _SUPPORT + 16.0
    fine = np.arange(-reach * _PHASES, reach * _PHASES + 1) / _PHASES
    return ShapeTable(reach, shape.values(fine))


def fit_shape(
    windows: FloatArray,
    place: FloatArray,
    valid: NDArray[np.bool_] | None = None,
    support: tuple[float, float] | None = None,
    smoothing: float = _SMOOTHING,
) -> EdgeShape:
    """Fit the step's curve to normalised windows.

    Parameters
    ----------
    windows : numpy.ndarray
        Shape (n, 2 HALF_WINDOW): each an edge scaled to go from 0 to 1.
    place : numpy.ndarray
        Shape (n,): where each edge is, in samples after the window's middle sample
        (offset 0 of `window_offsets`).
    valid : numpy.ndarray, optional
        Shape of `windows`: False where a sample does not tell of this edge.
    support : tuple of float, optional
        Samples before and after the edge within which the curve may differ from its states, from
        `find_support`; as far as it can be told if None.
    smoothing : float
        Weight of the curve's roughness, from `smoothing_for`.

    Returns
    -------
    EdgeShape
        With its mid-level crossing at 0, wherever `place` put it.
    """
    count = round(2 * _SUPPORT / _KNOT_SPACING) + 1
    shape = EdgeShape(np.zeros(count), -_SUPPORT)
    at, target, weight = _average_by_phase(windows, place, valid)
    matrix, right = _normal_equations(*shape._locate(at), target, weight, count)
    # the coefficients past either end are known; the nearest of them has to be met smoothly
    smooth = slice(_TAPS - 1, _TAPS + count + 1)
    matrix[smooth, smooth] += smoothing * windows.shape[0] * _roughness(count + 2)
    support = support or (_SUPPORT, _SUPPORT)
    first = max(0, round((_SUPPORT - support[0]) / _KNOT_SPACING))
    end = min(count, round((_SUPPORT + support[1]) / _KNOT_SPACING) + 1)
    inner, above = slice(_TAPS + first, _TAPS + end), slice(_TAPS + end, None)
    known = matrix[inner, above].sum(axis=1)
    weights = np.zeros(count)
    weights[first:end] = np.linalg.solve(matrix[inner, inner], right[inner] - known)
    weights[end:] = 1.0
    fitted = EdgeShape(weights, -_SUPPORT)
    return EdgeShape(weights, -_SUPPORT - _mid_crossing(fitted))


def smoothing_for(place_noise: float) -> float:
    """Return how much a curve has to be smoothed so that noise cannot feed on itself.

    Parameters
    ----------
    place_noise : float
        Standard deviation of one edge's place from noise, samples.

    Returns
    -------
    float
        For `fit_shape`.

    Notes
    -----
    Where an edge falls between two samples and how the curve runs between them can be traded
    for each other: a curve with a ripple of one sample's period fits as well as the true one.
    And edges laid on a curve with an error at the angular frequency w follow the noise that
    looks like it, so that the next curve, their mean, has ``(w place_noise)^2 / 2`` more of it.
    Round by round such a ripple grows into a wave that is not there, unless the smoothing takes
    as much away. Above half the sample rate, where a converter passes nothing, the weight
    does; what the band itself loses is less than the noise that it hides.
    """
    return max(_SMOOTHING, _SMOOTHING_PER_NOISE * place_noise**2)


def find_support(shape: EdgeShape, noise: float) -> tuple[float, float]:
    """Tell how far from the edge a learned curve leaves its states.

    What the noise adds to the curve beyond that only blurs the height of short pulses.

    Parameters
    ----------
    shape : EdgeShape
        From `fit_shape`, with the whole support.
    noise : float
        Standard deviation of one coefficient's worth of averaged samples, unit steps.

    Returns
    -------
    tuple of float
        Samples before and after the edge, for another `fit_shape`.
    """
    length = round(_GROUP / _KNOT_SPACING)
    even, outer = np.full(length, 1.0 / length), round(_OUTER / _KNOT_SPACING)
    extents = []
    for side in (shape.weights, shape.weights[::-1] - 1.0):
        mean = np.convolve(side, even, mode="valid")
        power = np.convolve(side**2, even, mode="valid")
        clear = np.abs(mean) > _CLEAR * noise / np.sqrt(length)
        clear |= power > _CLEAR * median(power[:outer])
        extents.append(_SUPPORT - int(np.argmax(clear)) * _KNOT_SPACING + _MARGIN)
    return min(extents[0], _SUPPORT), min(extents[1], _SUPPORT)


def coefficient_noise(noise: float, count: int) -> float:
    """Return the noise of one coefficient, from that of a sample and the number of edges."""
    return noise / float(np.sqrt(_KNOT_SPACING * count))


def _normal_equations(
    index: NDArray[np.intp], part: FloatArray, target: FloatArray, weight: FloatArray, count: int
) -> tuple[FloatArray, FloatArray]:
    """Return matrix and right side for `count` coefficients and four more on either side."""
    size = count + 2 * _TAPS
    taps = _cubic(part)
    first = np.clip(index + (_TAPS - 1), 0, size - _TAPS)
    matrix, right = np.zeros((size, size)), np.zeros(size)
    flat = matrix.ravel()
    for a in range(_TAPS):
        scaled = weight * taps[a]
        right += np.bincount(first + a, scaled * target, minlength=size)
        for b in range(a, _TAPS):
            band = np.bincount(first + a, scaled * taps[b], minlength=size)[: size - (b - a)]
            flat[b - a : (size - (b - a)) * size : size + 1] += band
            if b > a:
                flat[(b - a) * size :: size + 1] += band
    return matrix, right


@functools.cache
def _roughness(count: int) -> FloatArray:
    """Return the matrix whose quadratic form is the sum of squared third differences."""
    third = np.diff(np.eye(count), n=3, axis=0)
    result: FloatArray = third.T @ third
    result.flags.writeable = False
    return result


def _average_by_phase(
    windows: FloatArray, place: FloatArray, valid: NDArray[np.bool_] | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Average windows whose edges fall alike between the samples.

    Returns the places of the averaged samples after their edge, their values and the
    numbers behind them, each one-dimensional. Within a phase the curve is straight
    enough: what is lost is below 1e-5 of the step.
    """
    phase = np.floor(place * _PHASES).astype(np.intp)
    phase -= phase.min()
    phases, width = int(phase.max()) + 1, windows.shape[1]
    cell = (phase[:, None] * width + np.arange(width)).ravel()
    counted = np.ones(windows.shape) if valid is None else valid.astype(np.float64)
    number = np.bincount(cell, counted.ravel(), minlength=phases * width)
    total = np.bincount(cell, (windows * counted).ravel(), minlength=phases * width)
    seen = np.bincount(phase, minlength=phases)
    mean_place = np.bincount(phase, place, minlength=phases) / np.maximum(seen, 1)
    at = (window_offsets() - mean_place[:, None]).ravel()
    used = number > 0
    return at[used], total[used] / number[used], number[used].astype(np.float64)


def _mid_crossing(shape: EdgeShape) -> float:
    """Return where the curve crosses one half at its steepest."""
    fine = np.linspace(-4.0, 4.0, 1601)
    at = float(fine[np.argmax(shape.slopes(fine))])
    for _ in range(20):
        point = np.array([at])
        slope = float(shape.slopes(point)[0])
        if not slope > 0.01:
            break
        step = min(max((float(shape.values(point)[0]) - 0.5) / slope, -0.5), 0.5)
        at -= step
        if abs(step) < _CROSSED:
            break
    return at


def place_edges(
    windows: FloatArray, place: FloatArray, shape: EdgeShape, valid: NDArray[np.bool_] | None = None
) -> FloatArray:
    """Move each edge to where the shape fits it best.

    Parameters
    ----------
    windows : numpy.ndarray
        Shape (n, 2 HALF_WINDOW), scaled to go from 0 to 1.
    place : numpy.ndarray
        Shape (n,): where each edge is thought to be, in samples after offset 0.
    shape : EdgeShape
        The curve.
    valid : numpy.ndarray, optional
        Shape of `windows`: False where a sample does not exist.

    Returns
    -------
    numpy.ndarray
        Shape (n,): the better places. One call is one Gauss-Newton step; a step is
        held within two samples.
    """
    offsets = window_offsets().astype(np.float64)
    grid = np.arange(_PHASES + 1) / _PHASES
    whole = np.floor(place)
    phase = np.rint((place - whole) * _PHASES).astype(np.intp)
    shift = whole.astype(np.intp)
    spread = int(np.max(np.abs(shift), initial=0))
    wide = np.arange(offsets[0] - spread, offsets[-1] + spread + 1)
    values = shape.values(wide - grid[:, None])
    slopes = shape.slopes(wide - grid[:, None])
    slopes[np.abs(slopes) < _SLOPE_SHARE * np.max(slopes)] = 0.0
    view = np.lib.stride_tricks.sliding_window_view
    value = view(values, offsets.shape[0], axis=1)[phase, spread - shift]
    slope = view(slopes, offsets.shape[0], axis=1)[phase, spread - shift]
    if valid is not None and not valid.all():
        slope = np.where(valid, slope, 0.0)
    lead = np.einsum("ij,ij->i", slope, value - windows)
    power = np.einsum("ij,ij->i", slope, slope)
    step = np.clip(lead / np.maximum(power, 1e-12), -2.0, 2.0)
    result: FloatArray = whole + grid[phase] + step
    return result


def cross_edges(windows: FloatArray, place: FloatArray) -> FloatArray:
    """Place edges where the band-limited signal crosses one half.

    Parameters
    ----------
    windows : numpy.ndarray
        Shape (n, 2 HALF_WINDOW), scaled to go from 0 to 1.
    place : numpy.ndarray
        Shape (n,): where each edge is thought to be, in samples after offset 0.

    Returns
    -------
    numpy.ndarray
        Shape (n,): the crossings by interpolation with a windowed sinc; for inputs
        whose edge shape could not be learned.
    """
    offsets = window_offsets().astype(np.float64)

    def value(at: FloatArray) -> FloatArray:
        apart = offsets - at[:, None]
        near = np.abs(apart) < 12.0
        kernel = np.sinc(apart) * np.where(near, np.cos(np.pi * apart / 24.0) ** 2, 0.0)
        total: FloatArray = np.einsum("ij,ij->i", kernel, windows) / kernel.sum(axis=1)
        return total

    low, high = place - 1.5, place + 1.5
    for _ in range(40):
        middle = 0.5 * (low + high)
        below = value(middle) < 0.5
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high)
