"""The edge's shape, learned from the edges themselves, and each edge placed by it.

A converter turns every step into the same curve. Written as a cubic spline with
knots closer than the samples, the curve follows by linear least squares from many
edges that fall between the samples at different places. An edge is then placed
where the curve fits it best, which for white noise is the matched filter: its
variance reaches the Cramer-Rao bound ``sigma / (A sqrt(sum s'(t)^2))``, with ``A``
the step and ``s`` the unit step response as sampled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "HALF_WINDOW",
    "EdgeShape",
    "ShapeTable",
    "cross_edges",
    "fit_shape",
    "place_edges",
    "tabulate_shape",
    "window_offsets",
]

HALF_WINDOW = 48
"""Samples on either side of an edge that tell of it."""

_KNOT_SPACING = 0.4
_SUPPORT = 44.0
"""Samples on either side within which the curve may differ from its states."""

_PHASES = 64
_SMOOTHING = 1e-4
_SLOPE_SHARE = 1e-4

FloatArray = NDArray[np.float64]


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
        index, part = self._locate(at)
        total = np.zeros(at.shape)
        for tap, weight in enumerate(_cubic(part)):
            total += weight * self._coefficient(index + tap - 1)
        return total

    def slopes(self, at: FloatArray) -> FloatArray:
        """Return the step's slope per sample at positions in samples, same shape."""
        index, part = self._locate(at)
        total = np.zeros(at.shape)
        for tap, weight in enumerate(_cubic_slope(part)):
            total += weight * self._coefficient(index + tap - 1)
        return total / _KNOT_SPACING

    def energy(self) -> float:
        """Return the mean over sub-sample places of the sum of squared slopes."""
        offsets = window_offsets().astype(np.float64)
        places = (np.arange(_PHASES) + 0.5) / _PHASES
        return float(np.mean(np.sum(self.slopes(offsets - places[:, None]) ** 2, axis=1)))

    def _locate(self, at: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
        position = (at - self.start) / _KNOT_SPACING
        index = np.floor(position)
        return index.astype(np.intp), position - index

    def _coefficient(self, index: NDArray[np.intp]) -> FloatArray:
        padded = np.concatenate(([0.0], self.weights, [1.0]))
        result: FloatArray = padded[np.clip(index + 1, 0, padded.shape[0] - 1)]
        return result


def _cubic(part: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the four cubic B-spline weights of a position between two knots."""
    rest = 1.0 - part
    return (
        rest**3 / 6.0,
        (3.0 * part**3 - 6.0 * part**2 + 4.0) / 6.0,
        (3.0 * rest**3 - 6.0 * rest**2 + 4.0) / 6.0,
        part**3 / 6.0,
    )


def _cubic_slope(part: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
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
    windows: FloatArray, place: FloatArray, valid: NDArray[np.bool_] | None = None
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

    Returns
    -------
    EdgeShape
        With its mid-level crossing at 0, wherever `place` put it.
    """
    count = round(2 * _SUPPORT / _KNOT_SPACING) + 1
    shape = EdgeShape(np.zeros(count), -_SUPPORT)
    at, target, weight = _average_by_phase(windows, place, valid)
    index, part = shape._locate(at)
    taps = _cubic(part)
    gram = np.zeros((count + 2) ** 2)
    right = np.zeros(count + 2)
    column = [np.clip(index + tap, 0, count + 1) for tap in range(4)]
    for a in range(4):
        right += np.bincount(column[a], weight * taps[a] * target, minlength=count + 2)
        for b in range(4):
            cell = column[a] * (count + 2) + column[b]
            product = weight * taps[a] * taps[b]
            gram += np.bincount(cell, product, minlength=(count + 2) ** 2)
    matrix = gram.reshape(count + 2, count + 2)
    third = np.diff(np.eye(count + 2), n=3, axis=0)
    matrix = matrix + _SMOOTHING * windows.shape[0] * (third.T @ third)
    inner = slice(1, count + 1)
    weights = np.linalg.solve(matrix[inner, inner], right[inner] - matrix[inner, count + 1])
    fitted = EdgeShape(weights, -_SUPPORT)
    return EdgeShape(weights, -_SUPPORT - _mid_crossing(fitted))


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
        at -= float(np.clip((float(shape.values(point)[0]) - 0.5) / slope, -0.5, 0.5))
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
    columns = np.arange(offsets.shape[0]) + (spread - shift)[:, None]
    value = values[phase[:, None], columns]
    slope = slopes[phase[:, None], columns]
    if valid is not None:
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
