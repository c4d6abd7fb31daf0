"""The fluctuation of (on, off) sorted by how fast it goes: cells of second moments.

The slow part is taken in the cosine basis (DCT-II), in which a creep over the whole recording
does not leak; the fast part, where it matters which cycle comes first, in the Fourier basis.
In each cell, a narrow range of rates, all that is kept is the mean of ``x x^H`` over its
coefficients, ``x`` being on and off in shares of their means: a complex Wishart matrix.

A Hermitian 2 x 2 matrix is held as four numbers: (1,1), (2,2) and real and imaginary part of
(1,2).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["LEAST_CYCLES", "SLOW_HZ", "Cells", "list_cells"]

Values = NDArray[np.float64]

SLOW_HZ = 0.5
"""Below it a fluctuation counts as slow (creep), above it as fast (jitter)."""

_COSINE_TURN = 1.0 / 32.0  # cycles per cycle up to which the order of cycles hardly matters
_CELL_WIDTH = 1.0 / 64.0

LEAST_CYCLES = 16
"""Fewer say nothing of what moves."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Second moments of one recording, cell by cell.

    Attributes
    ----------
    moments : numpy.ndarray
        Mean of ``x x^H``, shape (m, 4); the sum of ``energy`` over all cells is the variance.
    noise : numpy.ndarray
        What the input's own noise gives to it, shape (m, 4).
    weight : numpy.ndarray
        Half the number of real coefficients in the cell, shape (m,).
    rate : numpy.ndarray
        Middle of the cell, cycles per cycle, shape (m,).
    turn : numpy.ndarray
        ``exp(-2 pi i rate)``, by which the next cycle lags, shape (m,), complex.
    band : numpy.ndarray
        Octave that the cell belongs to, from 0, shape (m,), int.
    order : numpy.ndarray
        Half-waves in the recording, in the middle of the cell, shape (m,).
    slow : numpy.ndarray
        Shape (m,), bool: below `SLOW_HZ`.
    count : int
        Number of cycles.
    mean_on_s, mean_off_s : float
        Means, seconds.
    waves : numpy.ndarray
        Cosine coefficients of the cells that are held in that basis, shape (2, k), in shares of
        the means; the first of them, the mean, is 0.
    cell_of_wave : numpy.ndarray
        Cell of each of them, shape (k,), int; -1 for the first.
    """

    moments: Values
    noise: Values
    weight: Values
    rate: Values
    turn: NDArray[np.complex128]
    band: NDArray[np.intp]
    order: Values
    slow: NDArray[np.bool_]
    count: int
    mean_on_s: float
    mean_off_s: float
    waves: Values
    cell_of_wave: NDArray[np.intp]

    @property
    def share(self) -> Values:
        """What a mean square of 1 in the cell adds to the variance, shape (m,)."""
        return np.asarray(2.0 * self.weight / self.count)


def list_cells(on_s: Values, off_s: Values, u_edge_s: float) -> Cells:
    """Sort the fluctuation of a recording's cycles into cells.

    Parameters
    ----------
    on_s, off_s : numpy.ndarray
        Cycles in the order of time, seconds, shape (n,), n at least 16. Places where cycles
        are missing count as if they followed each other.
    u_edge_s : float
        Standard deviation of one edge's time from the input's noise, seconds.

    Returns
    -------
    Cells
        The slow ones first.

    Raises
    ------
    ValueError
        Too few cycles.
    """
    from scipy.fft import dct, idct

    count = on_s.shape[0]
    if count < LEAST_CYCLES:
        raise ValueError(f"needs at least {LEAST_CYCLES} cycles, got {count}")
    mean_on, mean_off = float(np.mean(on_s)), float(np.mean(off_s))
    both = np.stack([on_s / mean_on - 1.0, off_s / mean_off - 1.0])
    both -= both.mean(axis=1, keepdims=True)
    waves = dct(both, type=2, norm="ortho", axis=1)
    top = 2
    while 2 * top / (2 * count) <= _COSINE_TURN:
        top *= 2
    edges = [1]
    while edges[-1] < top:
        edges.append(min(2 * edges[-1], top))
    rows: list[tuple[Values, float, float, int]] = []
    for number, (low, high) in enumerate(pairwise(edges)):
        part = waves[:, low:high]
        middle = low if high - low == 1 else (low + high - 1) / 2
        rows.append((_moments(part), (high - low) / 2, middle / (2 * count), number))
    kept = waves[:, :top].copy()
    cell_of_wave = np.full(top, -1, dtype=np.intp)
    for number, (low, high) in enumerate(pairwise(edges)):
        cell_of_wave[low:high] = number
    waves[:, :top] = 0.0
    quick = np.fft.rfft(idct(waves, type=2, norm="ortho", axis=1), axis=1) / np.sqrt(count)
    bottom = top // 2
    splits = _split_fast(bottom, count)
    octave = len(rows) - 1
    for low, high in splits:
        number = octave + 1 + int(np.log2(low / bottom + 1e-9))
        part = quick[:, low:high]
        weight = float(high - low)
        if count % 2 == 0 and high == quick.shape[1]:
            weight -= 0.5  # the last coefficient is real
        rate = (low + high - 1) / 2 / count
        rows.append((_moments(part), weight, rate, number))
    rate = np.array([row[2] for row in rows])
    mean_period = mean_on + mean_off
    cell_count = len(rows)
    slow_count = len(edges) - 1
    turn = np.exp(-2j * np.pi * rate)
    cross = -(1.0 + turn)
    cross[:slow_count] = cross[:slow_count].real
    scaled = u_edge_s**2 * np.array(
        [2.0 / mean_on**2, 2.0 / mean_off**2, 1.0 / (mean_on * mean_off)]
    )
    noise = np.empty((cell_count, 4))
    noise[:, 0], noise[:, 1] = scaled[0], scaled[1]
    noise[:, 2], noise[:, 3] = scaled[2] * cross.real, scaled[2] * cross.imag
    return Cells(
        moments=np.stack([row[0] for row in rows]),
        noise=noise,
        weight=np.array([row[1] for row in rows]),
        rate=rate,
        turn=turn,
        band=np.array([row[3] for row in rows], dtype=np.intp),
        order=2.0 * count * rate,
        slow=np.asarray(rate / mean_period < SLOW_HZ),
        count=count,
        mean_on_s=mean_on,
        mean_off_s=mean_off,
        waves=kept,
        cell_of_wave=cell_of_wave,
    )


def _split_fast(bottom: int, count: int) -> list[tuple[int, int]]:
    """Return ranges of Fourier coefficients: octaves, cut where they are wide."""
    end = count // 2 + 1
    found: list[tuple[int, int]] = []
    low = bottom
    while low < end:
        high = min(2 * low, end)
        if end - high < low // 4:
            high = end
        pieces = max(1, round((high - low) / count / _CELL_WIDTH))
        cuts = np.unique(np.linspace(low, high, pieces + 1).round().astype(int))
        found.extend(zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True))
        low = high
    return found


def _moments(part: NDArray[np.floating] | NDArray[np.complexfloating]) -> Values:
    """Return the mean of ``x x^H`` over coefficients of shape (2, k)."""
    cross = np.mean(part[0] * np.conj(part[1]))
    return np.array(
        [
            np.mean(np.abs(part[0]) ** 2),
            np.mean(np.abs(part[1]) ** 2),
            np.real(cross),
            np.imag(cross),
        ]
    )
