"""A channel beside a neighbour: its pulses, and what is common to the two."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.pair.neighbour_pull import Neighbour, SupplyEffect
from benchlog.diagnosis.pair.neighbour_strokes import Strokes
from benchlog.diagnosis.pair.pair_fit import PairFit
from benchlog.diagnosis.separation.beat_likeness import lasting_slope
from benchlog.diagnosis.separation.directions import Direction

__all__ = ["Pair"]

FloatArray = NDArray[np.float64]

_COMMON_CYCLES = 5


class Pair:
    """A channel, and what is common to it and a neighbour, ready to be asked for more."""

    def __init__(
        self,
        target: Cycles,
        directions: Mapping[str, Direction],
        source: Cycles,
        source_directions: Mapping[str, Direction],
    ) -> None:
        self.cycles = target
        self.effect = SupplyEffect(target, directions)
        pairs = np.stack([target.on_s, target.off_s], axis=1)
        self.strokes = Strokes(target)
        self.pairs = pairs - pairs.mean(axis=0)
        follows = np.asarray(target.follows, bool).copy()
        follows[0] = False
        self.fit = PairFit(self.pairs, follows, self._base(source, source_directions["supply"]))

    def _base(self, source: Cycles, supply: Direction) -> FloatArray:
        """Return constant, slope, and what the neighbour's pulse says of a common supply."""
        count = self.cycles.count
        course = np.linspace(-1.0, 1.0, count)
        columns = []
        for row in (0, 1):
            for values in (np.ones(count), course):
                column = np.zeros((count, 2))
                column[:, row] = values
                columns.append(column)
        volts = (source.on_s - source.on_s.mean()) / lasting_slope(supply)[0]
        many = _COMMON_CYCLES
        calm = np.convolve(volts, np.ones(many) / many, mode="same")
        for late in (-1, 0, 1):
            common = np.interp(
                self.cycles.start_s, source.start_s + late * many * source.period_s.mean(), calm
            )
            column = np.zeros((count, 2))
            column[:, 0] = self.effect.slow_s[0] * common
            columns.append(column)
        return np.stack(columns, axis=2)

    def turns(self, neighbour: Neighbour, delay_s: float, lag_s: float) -> FloatArray:
        """Return what the neighbour's moving servo would do, seconds a volt, shape (n, 2, q)."""
        return self.effect.pulls(neighbour, delay_s, lag_s)
