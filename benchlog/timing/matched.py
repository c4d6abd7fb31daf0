"""The matched filter: the learned edge laid over each edge, as a table of dot products.

Where an edge falls within ``s(t - p)`` is found by Gauss-Newton steps
``sum s' (s - z) / sum s'^2`` over the samples ``z`` around it. Undoing the droop,
subtracting the state's level and scaling are all linear in the raw samples, so they
are folded into the filter; a step for n edges is one gather and one row-wise product.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.coupling import Coupling, integral_from
from benchlog.timing.shape import EdgeShape, ShapeTable, tabulate_shape

__all__ = ["FILTER_HALF", "Marks", "MatchedFilter", "build_filter", "filter_offsets"]

FILTER_HALF = 16
"""Samples on either side of an edge over which it is placed."""

_PHASES = 64
_FIRST_PLACE = -1.5
_LAST_PLACE = 2.5
_SLOPE_SHARE = 1e-4
_SETTLED = 8
"""Samples from an edge beyond which its states tell its height."""

_NEIGHBOUR_REACH = 60
"""An edge further away than this has settled (before) or not begun (after)."""

FloatArray = NDArray[np.float64]


def filter_offsets() -> NDArray[np.intp]:
    """Return the filter's sample offsets from the last sample before an edge."""
    return np.arange(-FILTER_HALF + 1, FILTER_HALF + 1)


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """Steps with the samples around them and the level beside them.

    Attributes
    ----------
    last : numpy.ndarray
        Index of the last sample before each step, shape (n,), ascending.
    cut : numpy.ndarray
        Samples at `filter_offsets`, shape (n, 2 FILTER_HALF), float32.
    sign : numpy.ndarray
        +1 rising, -1 falling, shape (n,).
    level : numpy.ndarray
        Level of the trusted state, droop undone to `last`, shape (n,).
    from_after : numpy.ndarray
        Whether that state is the one after the step, shape (n,), bool.
    slope : numpy.ndarray
        What to add for each sample after `last`, shape (n,).
    """

    last: NDArray[np.intp]
    cut: NDArray[np.float32]
    sign: FloatArray
    level: FloatArray
    from_after: NDArray[np.bool_]
    slope: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Projection:
    """Rows that project windows on one curve, for every place in the table."""

    taps: NDArray[np.float32]  # (rows, 2 FILTER_HALF), droop folded in
    shift: FloatArray  # (rows,) what the coupling's offset adds
    total: FloatArray  # (rows,) sum of the curve
    lever: FloatArray  # (rows,) product of the curve with the offsets
    plain: FloatArray  # (rows, 2 FILTER_HALF) the curve itself

    def apply(self, marks: Marks, row: NDArray[np.intp], height: FloatArray) -> FloatArray:
        """Return the curve's product with each window, scaled from 0 to 1."""
        raw = np.einsum("ij,ij->i", marks.cut, self.taps[row]).astype(np.float64)
        raw += marks.slope * self.lever[row] - self.shift[row]
        away = (raw - marks.level * self.total[row]) * marks.sign / height
        return np.asarray(np.where(marks.from_after, away + self.total[row], away))


@dataclass(frozen=True, slots=True, eq=False)
class MatchedFilter:
    """Tables over the place of an edge within its window; made by `build_filter`."""

    shape: EdgeShape
    slope: _Projection
    before: _Projection  # the curve once settled, for a level from before the step
    after: _Projection  # one less the curve while unmoved, for a level from after it
    target: FloatArray  # (rows,) product of slope and curve
    power: FloatArray  # (rows,) sum of squared slopes
    before_power: FloatArray
    after_power: FloatArray
    table: ShapeTable

    def place(self, marks: Marks, place: FloatArray, height: FloatArray) -> FloatArray:
        """Move each edge to where the curve fits it better: one Gauss-Newton step.

        Parameters
        ----------
        marks : Marks
            The steps, shape (n,).
        place : numpy.ndarray
            Where each edge is thought to be, in samples after ``last``, shape (n,).
        height : numpy.ndarray
            Height of each step, units of full scale, shape (n,).

        Returns
        -------
        numpy.ndarray
            Better places, shape (n,); a step is held within two samples.
        """
        row = self._row(place)
        found = self.slope.apply(marks, row, height)
        found -= self._neighbours(marks, place, row, self.slope)
        step = np.clip((self.target[row] - found) / self.power[row], -2.0, 2.0)
        result: FloatArray = _FIRST_PLACE + row / _PHASES + step
        return result

    def heights(self, marks: Marks, place: FloatArray, height: FloatArray) -> FloatArray:
        """Return each step's own height by projecting its window on the curve.

        Parameters and shapes as for `place`.
        """
        row = self._row(place)
        lower = self.before.apply(marks, row, height)
        lower -= self._neighbours(marks, place, row, self.before)
        upper = self.after.total[row] - self.after.apply(marks, row, height)
        upper += self._neighbours(marks, place, row, self.after)
        share = np.where(
            marks.from_after, upper / self.after_power[row], lower / self.before_power[row]
        )
        return np.asarray(height * share)

    def _row(self, place: FloatArray) -> NDArray[np.intp]:
        """Return the table's row for each place."""
        last = self.power.shape[0] - 1
        return np.clip(np.rint((place - _FIRST_PLACE) * _PHASES), 0, last).astype(np.intp)

    def _neighbours(
        self, marks: Marks, place: FloatArray, row: NDArray[np.intp], on: _Projection
    ) -> FloatArray:
        """Return what the steps next to each step add to its projection."""
        total = np.zeros(place.shape)
        where = marks.last + place
        close = np.flatnonzero(np.diff(where) < _NEIGHBOUR_REACH)
        if close.shape[0] == 0:
            return total
        offsets = filter_offsets()
        relation = marks.sign[:-1][close] * marks.sign[1:][close]
        later = self.table.values(offsets - (where[close + 1] - marks.last[close])[:, None])
        total[close] += relation * np.einsum("ij,ij->i", on.plain[row[close]], later)
        earlier = self.table.values(offsets - (where[close] - marks.last[close + 1])[:, None]) - 1.0
        total[close + 1] += relation * np.einsum("ij,ij->i", on.plain[row[close + 1]], earlier)
        return total


def build_filter(shape: EdgeShape, coupling: Coupling, rate_hz: float) -> MatchedFilter:
    """Build the tables for one input.

    Parameters
    ----------
    shape : EdgeShape
        The learned edge.
    coupling : Coupling
        How the input is coupled.
    rate_hz : float
        Samples per second.

    Returns
    -------
    MatchedFilter
        For places from 1.5 samples before ``last`` to 2.5 after it.
    """
    offsets = filter_offsets()
    places = np.arange(_FIRST_PLACE, _LAST_PLACE + 0.5 / _PHASES, 1.0 / _PHASES)
    at = offsets - places[:, None]
    curve, slope = shape.values(at), shape.slopes(at)
    slope[np.abs(slope) < _SLOPE_SHARE * np.max(slope)] = 0.0
    once = integral_from(offsets, 0.0) / rate_hz
    undo = coupling.rate_per_s * once + coupling.double_per_s2 * (once @ once)
    settled = np.where(offsets >= _SETTLED, curve, 0.0)
    unmoved = np.where(offsets <= -_SETTLED, 1.0 - curve, 0.0)

    def project(rows: FloatArray) -> _Projection:
        folded = rows @ undo
        return _Projection(
            (rows + folded).astype(np.float32),
            coupling.offset * folded.sum(axis=1),
            rows.sum(axis=1),
            rows @ offsets,
            rows,
        )

    return MatchedFilter(
        shape=shape,
        slope=project(slope),
        before=project(settled),
        after=project(unmoved),
        target=np.einsum("ij,ij->i", slope, curve),
        power=np.einsum("ij,ij->i", slope, slope),
        before_power=np.einsum("ij,ij->i", settled, settled),
        after_power=np.einsum("ij,ij->i", unmoved, unmoved),
        table=tabulate_shape(shape),
    )
