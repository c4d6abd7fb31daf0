"""Edges as they come in, one level at a time, kept strictly alternating.

The readers of VCD files, CSV tables and serial probes share these rules:

- a level equal to the one before is no edge;
- two changes at the same tick are none (a spike shorter than one tick);
- where an edge was lost, the stretch it fell into becomes a `Gap`, and the next
  edge to the level that was seen last is left out, so that edges alternate. A
  pulse made of the edges on both sides spans the gap and can be told by it.
"""

from __future__ import annotations

from array import array

import numpy as np
from numpy.typing import NDArray

__all__ = ["EdgeSeries"]


class EdgeSeries:
    """Edges in whole ticks, growing by one level at a time.

    Attributes
    ----------
    gaps : list of tuple of int
        Start and end of each lost stretch, in ticks.
    level : bool or None
        The level that holds now; None where it is not known.
    """

    def __init__(self) -> None:
        self.gaps: list[tuple[int, int]] = []
        self.level: bool | None = None
        self._ticks = array("q")
        self._levels = bytearray()
        self._before: bool | None = None
        self._lost_at: int | None = None

    def __len__(self) -> int:
        return len(self._ticks)

    def begin(self, level: bool) -> None:
        """Tell the level that holds at the start, which is no edge."""
        self.level = self._before = level

    def lose(self, tick: int) -> None:
        """Tell that the level is not known from `tick` on."""
        if self.level is not None:
            self._lost_at = tick
            self.level = None

    def change(self, tick: int, level: bool) -> None:
        """Tell that `level` holds from `tick` on.

        Raises
        ------
        OverflowError
            The tick lies beyond 64 bits.
        """
        if self.level is None and self._lost_at is None:
            self.begin(level)
            return
        if self._lost_at is not None and tick > self._lost_at:
            self.gaps.append((self._lost_at, tick))
            self._lost_at = None
            self.level = level
            return
        self._lost_at = None
        if level != self.level:
            self.level = level
            self.add_edge(tick, level)

    def add_edge(self, tick: int, level: bool) -> None:
        """Add an edge to `level`, unless it undoes one of this very tick or repeats the level."""
        if self._ticks and self._ticks[-1] == tick and bool(self._levels[-1]) != level:
            self._ticks.pop()
            self._levels.pop()
        elif self._last_level() != level:
            self._ticks.append(tick)
            self._levels.append(level)

    def _last_level(self) -> bool | None:
        """Return the level after the last edge that was kept."""
        return bool(self._levels[-1]) if self._levels else self._before

    def ticks(self) -> NDArray[np.int64]:
        """Return the edges' times in ticks, shape (n,), strictly ascending."""
        return np.array(self._ticks, dtype=np.int64)

    def levels(self) -> NDArray[np.bool_]:
        """Return the level after each edge, shape (n,), alternating."""
        return np.frombuffer(bytes(self._levels), dtype=np.uint8).astype(np.bool_)

    def since(self, count: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Return times in ticks and levels of the edges after the first `count`."""
        ticks = np.array(self._ticks[count:], dtype=np.int64)
        return ticks, np.frombuffer(bytes(self._levels[count:]), dtype=np.uint8).astype(np.bool_)
