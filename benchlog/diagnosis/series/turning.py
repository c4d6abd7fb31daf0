"""A line whose phase and size turn slowly, as the mains' do: no grid keeps its frequency to a hair.

The line's two parts (cosine and sine) are smooth curves of time, each made of bumps a few
seconds wide. They are as free as a grid that wanders, and no freer: each change between
neighbouring bumps costs what it is worth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.series.line_fit import make_waves
from benchlog.diagnosis.series.whitening import Whitening

__all__ = ["Turning", "TurningFit", "make_bumps"]

FloatArray = NDArray[np.float64]

_WANDER_HZ = 0.01
"""How far the mains strays from its mean frequency within a minute, at the most (public grids
stray by some mHz, common practice)."""

_LEAST_SPACING_S = 5.0
_ALIAS_TURNS = 3.0  # of the alias between two bumps, at least: slower changes are creep
_PASSES = 4


@dataclass(frozen=True, slots=True, eq=False)
class TurningFit:
    """A line with slowly turning parts as fitted.

    Attributes
    ----------
    hz : float
        Its mean frequency, as its turning shows it.
    values_s : numpy.ndarray
        The line in each cycle, on and off, seconds, shape (2, n).
    all_s : numpy.ndarray
        It and those fitted beside it, likewise.
    left : numpy.ndarray
        What they leave of the whitened series, shape (2, n).
    cost : float
        Natural log odds against lines that turn so much, 0 where they keep still.
    """

    hz: float
    values_s: FloatArray
    all_s: FloatArray
    left: FloatArray
    cost: float

    def loss(self, inverse: FloatArray) -> float:
        """Return minus the log of how likely the series is with this line, but for a constant.

        Parameters
        ----------
        inverse : numpy.ndarray
            Of the covariance of one whitened value, shape (2, 2).

        Returns
        -------
        float
            The misfit and what the turning costs.
        """
        return 0.5 * float(np.trace(inverse @ (self.left @ self.left.T))) + self.cost


def make_bumps(start_s: FloatArray, alias_hz: float) -> FloatArray:
    """Lay bumps over a recording, as narrow as a line's alias allows.

    Parameters
    ----------
    start_s : numpy.ndarray
        Beginning of each cycle, ascending, shape (n,).
    alias_hz : float
        Where the line falls when sampled once a cycle: three turns of it lie between two
        bumps at least, so that what turns within them stays far from creep.

    Returns
    -------
    numpy.ndarray
        Shape (k, n), with a sum of 1 everywhere: quadratic B-splines, 5 s apart or wider; a
        single row of ones where the recording is too short for that.
    """
    length_s = float(start_s[-1] - start_s[0])
    spacing_s = max(_LEAST_SPACING_S, _ALIAS_TURNS / max(abs(alias_hz), 1e-9))
    spans = int(length_s / spacing_s)
    if spans < 2:
        return np.ones((1, start_s.shape[0]))
    place = (start_s - start_s[0]) / length_s * spans
    away = np.abs(place - (np.arange(-1, spans + 1)[:, None] + 0.5))
    bumps = np.where(away <= 0.5, 0.75 - away**2, 0.5 * np.maximum(1.5 - away, 0.0) ** 2)
    return np.asarray(bumps, np.float64)


class Turning:
    """The least-squares problem of one line in one series; solved for any background.

    Parameters
    ----------
    at_s : numpy.ndarray
        The instants of pulse and rest, shape (2, n).
    whitened : numpy.ndarray
        On and off after the filter, shape (2, n).
    whitening : Whitening
        The filter: the line goes through it as well.
    hz : float
        The line's frequency.
    bumps : numpy.ndarray
        From `make_bumps`, shape (k, n).
    beside : sequence, optional
        Frequency and bumps of other lines that are in the series: fitted together with it.
    """

    def __init__(
        self,
        at_s: FloatArray,
        whitened: FloatArray,
        whitening: Whitening,
        hz: float,
        bumps: FloatArray,
        beside: Sequence[tuple[float, FloatArray]] = (),
    ) -> None:
        self.hz = hz
        lines = [(hz, bumps), *beside]
        count = at_s.shape[1]
        bare = [
            (each[None, :, None] * make_waves(at_s, its_hz)[:, None]).reshape(2, -1, count)
            for its_hz, each in lines
        ]
        ends = np.cumsum([0, *(one.shape[1] for one in bare)])
        self._blocks = [slice(*pair) for pair in pairwise(ends)]
        self._bare = np.concatenate(bare, axis=1)
        self._seen = np.stack([whitening.apply(one) for one in self._bare])
        self._series = whitened
        self._products = np.einsum("ran,sbn->rasb", self._seen, self._seen, optimize=True)
        self._with_series = np.einsum("ran,sn->ras", self._seen, whitened)
        spacings = [_find_spacing(at_s, each.shape[0]) for _, each in lines]
        self._spacing_s = spacings[0]
        # A turn by an angle moves each part by that over the root of 2, on the average.
        self._steps = [np.sqrt(2.0) * np.pi * _WANDER_HZ * one for one in spacings]

    def fit(self, inverse: FloatArray, peak_s: FloatArray | None = None) -> TurningFit:
        """Fit the line.

        Parameters
        ----------
        inverse : numpy.ndarray
            Of the covariance of one whitened value, shape (2, 2).
        peak_s : numpy.ndarray, optional
            How large the line is taken to be in on and off when its turning is weighed,
            shape (2,), seconds; as it is found where not given.

        Returns
        -------
        TurningFit
            The likeliest one.
        """
        peaks = np.full((len(self._blocks), 2), np.inf)
        if peak_s is not None:
            peaks[0] = peak_s
        part, _ = self._solve(inverse, peaks)
        for _ in range(_PASSES):
            peaks = np.stack([self._peaks(part, block) for block in self._blocks])
            if peak_s is not None:
                peaks[0] = peak_s
            part, cost = self._solve(inverse, peaks)
        own = self._blocks[0]
        return TurningFit(
            self.hz + self._astray_hz(part[:, own], inverse),
            np.einsum("ra,ran->rn", part[:, own], self._bare[:, own]),
            np.einsum("ra,ran->rn", part, self._bare),
            self._series - np.einsum("ra,ran->rn", part, self._seen),
            cost,
        )

    def _astray_hz(self, part: FloatArray, inverse: FloatArray) -> float:
        """Return how far from the given frequency a line turns on the average."""
        turning = part[:, 0::2] - 1j * part[:, 1::2]
        steps = np.sum(turning[:, 1:] * np.conj(turning[:, :-1]), axis=1)
        angle = float(np.angle(np.diag(inverse) @ steps)) if steps.any() else 0.0
        return angle / (2.0 * np.pi * self._spacing_s)

    def _peaks(self, part: FloatArray, block: slice) -> FloatArray:
        """Return the mean peak of one line in on and off, shape (2,), seconds."""
        values = np.einsum("ra,ran->rn", part[:, block], self._bare[:, block])
        return np.asarray(np.sqrt(2.0 * np.mean(values**2, axis=1)))

    def _solve(self, inverse: FloatArray, peaks_s: FloatArray) -> tuple[FloatArray, float]:
        """Solve with the changes between bumps held to lines of a size; return what they cost."""
        size = self._bare.shape[1]
        normal = inverse[:, None, :, None] * self._products
        target = np.einsum("rs,ras->ra", inverse, self._with_series).ravel()
        stiff = np.zeros((2, size, 2, size))
        for block, step, peaks in zip(self._blocks, self._steps, peaks_s, strict=True):
            change = np.kron(np.diff(np.eye((block.stop - block.start) // 2), axis=0), np.eye(2))
            for row in range(2):
                typical = step * max(float(peaks[row]), 1e-30)
                stiff[row, block, row, block] = change.T @ change / typical**2
        stiffness = stiff.reshape(2 * size, 2 * size)
        whole = normal.reshape(2 * size, 2 * size) + stiffness
        # Scaled to a diagonal of ones: on and off may differ by orders of magnitude.
        scale = 1.0 / np.sqrt(np.maximum(np.diag(whole), 1e-300))
        whole = scale[:, None] * whole * scale + 1e-10 * np.eye(2 * size)
        part = scale * np.linalg.solve(whole, scale * target)
        return part.reshape(2, size), 0.5 * float(part @ stiffness @ part)


def _find_spacing(at_s: FloatArray, count: int) -> float:
    """Return how far some bumps lie apart, seconds."""
    return float(at_s[0, -1] - at_s[0, 0]) / max(count - 2, 1)
