"""A sinusoid of the true time in the cycles' series, judged against what lies around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.series.whitening import Whitening

__all__ = ["LineFit", "fit_line", "list_powers", "make_waves", "rank_frequencies", "transform_at"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

_OVERSAMPLING = 4
_NEIGHBOURS = 16  # on each side, one over the recording's length apart
_ALIAS_FACTOR = 3.0  # neighbours' aliases lie within this factor of the line's own
_LEAST_NEIGHBOURS = 4
_REFINEMENTS = 2


@dataclass(frozen=True, slots=True, eq=False)
class LineFit:
    """A fitted sinusoid and how far it stands out.

    Attributes
    ----------
    hz : float
        Its frequency in true time.
    coefficient_s : numpy.ndarray
        Shape (2, 2): for on and off the parts of cosine and sine, seconds.
    u_peak_s : numpy.ndarray
        Shape (2,): standard uncertainty of the peak of each, seconds.
    log_chance : float
        Natural log of the chance that the background alone does as much at one frequency.
    explained : numpy.ndarray
        Shape (2, 2): the products of on and off that the sinusoid explains, whitened.
    background : numpy.ndarray
        Shape (2, 2): covariance of one whitened value that the neighbours suggest.
    """

    hz: float
    coefficient_s: FloatArray
    u_peak_s: FloatArray
    log_chance: float
    explained: FloatArray
    background: FloatArray

    def values_s(self, at_s: FloatArray) -> FloatArray:
        """Return the sinusoid in each cycle.

        Parameters
        ----------
        at_s : numpy.ndarray
            The instants that it was fitted at, shape (n,) or (2, n).

        Returns
        -------
        numpy.ndarray
            Shape (2, n): on and off, seconds.
        """
        waves = make_waves(_of_both(at_s), self.hz)
        return np.asarray(np.einsum("ra,ran->rn", self.coefficient_s, waves))


def make_waves(at_s: FloatArray, hz: float) -> FloatArray:
    """Make cosine and sine at given instants.

    Parameters
    ----------
    at_s : numpy.ndarray
        Shape (m, n), seconds.
    hz : float
        Their frequency.

    Returns
    -------
    numpy.ndarray
        Shape (m, 2, n).
    """
    angle = 2.0 * np.pi * hz * at_s
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _of_both(at_s: FloatArray) -> FloatArray:
    """Return instants of on and off, shape (2, n), where the same may serve for both."""
    return np.broadcast_to(at_s, (2, at_s.shape[-1]))


def list_powers(
    at_s: FloatArray, values: FloatArray, low_hz: float, high_hz: float
) -> tuple[FloatArray, ComplexArray]:
    """Transform series at the cycles' true times.

    Parameters
    ----------
    at_s : numpy.ndarray
        An instant of each cycle, ascending: shape (n,), or (m, n) where each series has its
        own, which may differ by less than a cycle.
    values : numpy.ndarray
        Shape (m, n).
    low_hz, high_hz : float
        Stretch of frequencies, true time; narrow against the cycle rate.

    Returns
    -------
    hz : numpy.ndarray
        A quarter of one over the recording's length apart, shape (k,).
    transform : numpy.ndarray
        Sums of the values times ``exp(-2 pi i f t)``, shape (m, k).

    Notes
    -----
    The values are turned by the middle frequency at their own times and laid on an even
    grid of one cell a cycle; what a cell's width turns is lost, below 1 % within the stretch.
    """
    middle = 0.5 * (low_hz + high_hz)
    at_s = np.broadcast_to(at_s, values.shape)
    cell = float(np.mean(np.diff(at_s[0])))
    place = np.rint((at_s[0] - at_s[0, 0]) / cell).astype(np.intp)
    cells = int(place[-1]) + 1
    size = _OVERSAMPLING * cells
    turned = values * np.exp(-2j * np.pi * middle * at_s)
    laid = np.zeros((values.shape[0], size), np.complex128)
    for row in range(values.shape[0]):
        laid[row, :cells].real = np.bincount(place, turned[row].real, cells)
        laid[row, :cells].imag = np.bincount(place, turned[row].imag, cells)
    step = 1.0 / (size * cell)
    reach = min(int(np.ceil(0.5 * (high_hz - low_hz) / step)), size // 2 - 1)
    index = np.arange(-reach, reach + 1)
    transform = np.fft.fft(laid, axis=1)[:, index % size]
    hz = np.asarray(middle + index * step, np.float64)
    # The grid counts time from the first cycle.
    return hz, transform * np.exp(-2j * np.pi * index * step * at_s[0, 0])


def rank_frequencies(
    hz: FloatArray,
    transform: ComplexArray,
    alias_hz: FloatArray,
    half_rate_hz: float,
    *,
    gap: int = 1,
) -> FloatArray:
    """Say of each frequency how far it stands out from its neighbours.

    Parameters
    ----------
    hz : numpy.ndarray
        As `list_powers` gives them, shape (k,).
    transform : numpy.ndarray
        On and off, shape (2, k).
    alias_hz : numpy.ndarray
        Where each falls when sampled once a cycle, with its sign, shape (k,).
    half_rate_hz : float
        Half the cycle rate.
    gap : int
        How many of the nearest neighbours on each side are left out, from 1: those that a line
        which turns slowly reaches itself.

    Returns
    -------
    numpy.ndarray
        Minus the log of the chance, shape (k,); 0 where there are too few neighbours.
    """
    step = hz[1] - hz[0]
    below, above = _reach(alias_hz, step * _OVERSAMPLING, half_rate_hz, gap - 1)
    products = (
        np.abs(transform[0]) ** 2,
        np.abs(transform[1]) ** 2,
        (transform[0] * np.conj(transform[1])).real,
        (transform[0] * np.conj(transform[1])).imag,
    )
    index = np.arange(hz.shape[0])
    # The next neighbours are left out here: between two grid points they hold the line too.
    low = np.maximum(index - _OVERSAMPLING * below, index % _OVERSAMPLING)
    high = np.minimum(
        index + _OVERSAMPLING * above,
        hz.shape[0] - 1 - (hz.shape[0] - 1 - index) % _OVERSAMPLING,
    )
    left = np.maximum((index - low) // _OVERSAMPLING - gap, 0)
    right = np.maximum((high - index) // _OVERSAMPLING - gap, 0)
    count = left + right
    aa, bb, re, im = (
        _sum_lanes(one, index, left, right, gap) if count.any() else np.zeros(hz.shape)
        for one in products
    )
    za, zb = transform
    det = aa * bb - re**2 - im**2
    floor = 1e-12 * (aa * bb) + 1e-300
    cross = (np.conj(za) * zb * (re + 1j * im)).real
    ratio = (products[0] * bb + products[1] * aa - 2.0 * cross) / np.maximum(det, floor)
    return np.where(count >= _LEAST_NEIGHBOURS, -_log_chance(ratio, count), 0.0)


def _reach(
    alias_hz: FloatArray, spacing_hz: float, half_rate_hz: float, gap: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return how many neighbours below and above have an alias like this one's."""
    size = np.abs(alias_hz)
    inner = size - np.maximum(size / _ALIAS_FACTOR, 0.9 * spacing_hz)
    outer = np.minimum(size * _ALIAS_FACTOR, half_rate_hz - 0.9 * spacing_hz) - size
    towards = np.clip(np.floor(inner / spacing_hz), 0, _NEIGHBOURS + gap).astype(np.intp)
    away = np.clip(np.floor(outer / spacing_hz), 0, _NEIGHBOURS + gap).astype(np.intp)
    positive = alias_hz >= 0
    return np.where(positive, towards, away), np.where(positive, away, towards)


def _sum_lanes(
    values: FloatArray,
    index: NDArray[np.intp],
    left: NDArray[np.intp],
    right: NDArray[np.intp],
    gap: int,
) -> FloatArray:
    """Sum the neighbours whole steps away, without the nearest."""
    padded = np.zeros(values.shape[0] + _OVERSAMPLING)
    padded[_OVERSAMPLING:] = values
    lanes = -(-padded.shape[0] // _OVERSAMPLING) * _OVERSAMPLING
    grid = np.zeros(lanes)
    grid[: padded.shape[0]] = padded
    running = np.cumsum(grid.reshape(-1, _OVERSAMPLING), axis=0).ravel()

    def up_to(place: NDArray[np.intp]) -> FloatArray:
        return np.asarray(running[np.clip(place + _OVERSAMPLING, 0, lanes - 1)])

    before = up_to(index - (gap + 1) * _OVERSAMPLING) - up_to(
        index - (left + gap + 1) * _OVERSAMPLING
    )
    after = up_to(index + (right + gap) * _OVERSAMPLING) - up_to(index + gap * _OVERSAMPLING)
    return np.where(left > 0, before, 0.0) + np.where(right > 0, after, 0.0)


def _log_chance(ratio: FloatArray, count: NDArray[np.intp]) -> FloatArray:
    """Return the log of the chance of a ratio or more, from as many neighbours.

    With z and the neighbours' z_j complex Gaussian of one covariance and S the sum of z_j z_j^H,
    1 / (1 + z^H S^-1 z) has the distribution Beta(count - 1, 2) (Wilks' lambda of two complex
    variables; from memory).
    """
    power = np.maximum(count - 1.0, 1.0)
    log_rest = -np.log1p(np.maximum(ratio, 0.0))
    return np.asarray(power * log_rest + np.log1p(-power * np.expm1(log_rest)))


def fit_line(
    at_s: FloatArray,
    whitened: FloatArray,
    whitening: Whitening,
    hz: float,
    *,
    alias_hz: float,
    half_rate_hz: float,
    gap: int = 0,
) -> LineFit:
    """Fit a sinusoid near a frequency and judge it.

    Parameters
    ----------
    at_s : numpy.ndarray
        An instant of each cycle, ascending: shape (n,), or (2, n) where on and off have their own.
    whitened : numpy.ndarray
        On and off after the filter, shape (2, n).
    whitening : Whitening
        The filter: the sinusoid goes through it as well.
    hz : float
        Where to begin, right to a quarter of one over the recording's length.
    alias_hz, half_rate_hz : float
        Where it falls when sampled once a cycle, and half the cycle rate.
    gap : int
        How many of the nearest neighbours on each side are left out.

    Returns
    -------
    LineFit
        At the frequency that explains most.
    """
    count = at_s.shape[-1]
    at_s = _of_both(at_s)
    spacing = 1.0 / (float(np.mean(np.diff(at_s[0]))) * count)
    below, above = _reach(np.array([alias_hz]), spacing, half_rate_hz, gap)
    beside = [np.arange(gap + 1, reach[0] + 1) for reach in (below, above)]
    offset = np.concatenate([-beside[0], beside[1]])
    inverse = np.linalg.inv(whitened @ whitened.T / count + 1e-30 * np.eye(2))
    reach = 0.5 / _OVERSAMPLING * spacing
    best = _explain(at_s, whitened, whitening, hz)
    for _ in range(_REFINEMENTS):
        sides = [_explain(at_s, whitened, whitening, hz + side * reach) for side in (-1.0, 1.0)]
        size = [float(np.trace(inverse @ one[1] @ one[1].T)) for one in (sides[0], best, sides[1])]
        bend = size[0] - 2.0 * size[1] + size[2]
        shift = 0.5 * (size[0] - size[2]) / bend if bend < 0 else np.sign(size[2] - size[0])
        hz += float(np.clip(shift, -1.5, 1.5)) * reach
        best = _explain(at_s, whitened, whitening, hz)
        reach /= 4.0
    basis, part, turn = best
    left = whitened - np.einsum("ra,ran->rn", part, basis)
    neighbours = transform_at(at_s, left, hz + offset * spacing)
    total = neighbours @ neighbours.conj().T
    z = np.sqrt(count / 2.0) * (part[:, 0] - 1j * part[:, 1])
    many = offset.shape[0]
    chance, density = 0.0, np.cov(left)
    if many >= _LEAST_NEIGHBOURS:
        total = total + 1e-12 * np.trace(total).real * np.eye(2)
        ratio = float((z.conj() @ np.linalg.solve(total, z)).real)
        chance = float(_log_chance(np.array(ratio), np.array(many)))
        density = total.real / (many * count)
    coefficient = np.einsum("ra,rab->rb", part, turn)
    spread = np.sqrt(np.maximum(np.diag(density), 0.0)) * np.sqrt(
        np.mean(np.sum(turn**2, axis=1), axis=1)
    )
    return LineFit(hz, coefficient, spread, chance, part @ part.T, density)


def transform_at(at_s: FloatArray, values: FloatArray, hz: FloatArray) -> ComplexArray:
    """Transform series at a few frequencies.

    Parameters
    ----------
    at_s, values : numpy.ndarray
        Instants and values, shape (m, n).
    hz : numpy.ndarray
        Shape (k,).

    Returns
    -------
    numpy.ndarray
        Sums of the values times ``exp(-2 pi i f t)``, shape (m, k).
    """
    rows = [
        one @ np.exp(-2j * np.pi * np.outer(at, hz)) for at, one in zip(at_s, values, strict=True)
    ]
    return np.stack(rows)


def _explain(
    at_s: FloatArray, whitened: FloatArray, whitening: Whitening, hz: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return orthonormal bases of the filtered waves, the series' parts along them, their keys.

    A key, one each for on and off, turns parts into coefficients of cosine and sine.
    """
    bare = make_waves(at_s, hz)
    waves = whitening.apply(bare.reshape(4, -1)).reshape(bare.shape)
    value, vector = np.linalg.eigh(waves @ waves.transpose(0, 2, 1))
    value = np.maximum(value, 1e-12 * value[:, -1:] + 1e-300)
    # symmetric: it keeps cosine and sine apart
    key = (vector / np.sqrt(value)[:, None, :]) @ vector.transpose(0, 2, 1)
    basis = key @ waves
    return basis, np.einsum("ran,rn->ra", basis, whitened), key
