"""The newest minute of a stream, kept in memory so that it can become a record."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchlog.recording import EdgeList, Gap, Samples

__all__ = ["KEPT_S", "RecentEdges", "RecentSound"]

KEPT_S = 60.0
"""Seconds that are kept."""


class RecentSound:
    """The newest blocks of a sound stream, as they were delivered.

    Parameters
    ----------
    rate_hz : float
        Samples per second.
    seconds : float
        How much is kept; up to a block more.
    """

    def __init__(self, rate_hz: float, seconds: float = KEPT_S) -> None:
        self.rate_hz = rate_hz
        self._most = round(seconds * rate_hz)
        self._blocks: deque[tuple[NDArray[Any], Gap | None]] = deque()
        self._frames = 0
        self._end_frame = 0  # of the whole stream, what was lost included

    @property
    def duration_s(self) -> float:
        """Seconds that are there."""
        return self._frames / self.rate_hz

    def add(self, values: NDArray[Any], lost: Gap | None) -> None:
        """Take a block, shape (n, inputs), int16 or float32, and what was lost before it."""
        self._blocks.append((values, lost))
        self._frames += values.shape[0]
        self._end_frame += values.shape[0]
        if lost is not None:
            self._end_frame += round(lost.length_s * self.rate_hz)
        while self._frames - self._blocks[0][0].shape[0] >= self._most:
            self._frames -= self._blocks.popleft()[0].shape[0]

    def take(self, column: int) -> Samples:
        """Return what is there of one input, to be written while more comes.

        Parameters
        ----------
        column : int
            The input, from 0.

        Returns
        -------
        Samples
            With the gaps where samples were lost; its blocks are not copied.
        """
        return self._join(list(self._blocks), column)

    def cut(self, column: int, begin_s: float, end_s: float) -> Samples | None:
        """Return a stretch of one input, to be written while more comes.

        Parameters
        ----------
        column : int
            The input, from 0.
        begin_s, end_s : float
            The stretch, seconds from the stream's start, what was lost included.

        Returns
        -------
        Samples or None
            None where not all of it is there any more, or yet.
        """
        first, last = round(begin_s * self.rate_hz), round(end_s * self.rate_hz)
        if last > self._end_frame or not first < last:
            return None
        chosen: deque[tuple[NDArray[Any], Gap | None]] = deque()
        end = self._end_frame
        for values, lost in reversed(self._blocks):
            start = end - values.shape[0]
            part = values[max(first - start, 0) : max(last - start, 0)]
            if part.shape[0]:
                chosen.appendleft((part, lost if start >= first else None))
            end = start - (round(lost.length_s * self.rate_hz) if lost is not None else 0)
            if start <= first:
                return self._join(list(chosen), column) if chosen else None
        return None

    def _join(self, blocks: list[tuple[NDArray[Any], Gap | None]], column: int) -> Samples:
        """Return blocks of one input as samples."""
        gaps, frames = [], 0
        for index, (values, lost) in enumerate(blocks):
            if lost is not None and index:
                gaps.append(Gap(frames / self.rate_hz, lost.length_s))
            frames += values.shape[0]

        def open_blocks(size: int) -> Iterator[NDArray[np.float32]]:
            for values, _ in blocks:
                for start in range(0, values.shape[0], size):
                    part = values[start : start + size, column : column + 1]
                    if part.dtype == np.int16:
                        yield part.astype(np.float32) * np.float32(2.0**-15)
                    else:
                        yield part.astype(np.float32, copy=False)

        is_short = all(values.dtype == np.int16 for values, _ in blocks)
        return Samples(
            rate_hz=self.rate_hz,
            input_count=1,
            frame_count=frames,
            open_blocks=open_blocks,
            step=2.0**-15 if is_short else 2.0**-23,
            gaps=tuple(gaps),
            name="the last minute",
        )


class RecentEdges:
    """The newest edges of a probe's stream.

    Parameters
    ----------
    resolution_s : float
        Length of one tick.
    seconds : float
        How much is kept.
    """

    def __init__(self, resolution_s: float, seconds: float = KEPT_S) -> None:
        self._resolution_s = resolution_s
        self._seconds = seconds
        self._edges: deque[tuple[float, bool]] = deque()
        self._gaps: deque[Gap] = deque()
        self._garbled = 0

    @property
    def duration_s(self) -> float:
        """Seconds from the first edge that is there to the last."""
        return self._edges[-1][0] - self._edges[0][0] if self._edges else 0.0

    def add(
        self,
        time_s: NDArray[np.float64],
        level: NDArray[np.bool_],
        gaps: tuple[Gap, ...] = (),
        garbled_count: int = 0,
    ) -> None:
        """Take edges that are new."""
        self._edges.extend(zip(time_s.tolist(), level.tolist(), strict=True))
        self._gaps.extend(gaps)
        self._garbled += garbled_count
        oldest_s = self._edges[-1][0] - self._seconds if self._edges else 0.0
        while self._edges and self._edges[0][0] < oldest_s:
            self._edges.popleft()
        while self._gaps and self._gaps[0].start_s + self._gaps[0].length_s < oldest_s:
            self._gaps.popleft()

    def cut(self, begin_s: float, end_s: float) -> EdgeList | None:
        """Return the edges of a stretch, times from a tick before the first one.

        Parameters
        ----------
        begin_s, end_s : float
            The stretch, seconds from the stream's start.

        Returns
        -------
        EdgeList or None
            None where not all of it is there any more, or it holds no edges.
        """
        if not self._edges or self._edges[0][0] > begin_s:
            return None
        edges = [one for one in self._edges if begin_s <= one[0] <= end_s]
        gaps = [
            gap
            for gap in self._gaps
            if gap.start_s < end_s and gap.start_s + gap.length_s > begin_s
        ]
        return self._list(edges, gaps, 0) if edges else None

    def take(self) -> EdgeList:
        """Return what is there, times from a tick before the first edge."""
        return self._list(list(self._edges), list(self._gaps), self._garbled)

    def _list(self, edges: list[tuple[float, bool]], gaps: list[Gap], garbled: int) -> EdgeList:
        """Return edges and gaps as an edge list."""
        first_s = edges[0][0] - self._resolution_s if edges else 0.0
        time_s = np.array([one for one, _ in edges]) - first_s
        return EdgeList(
            time_s=time_s,
            level=np.array([level for _, level in edges], bool),
            resolution_s=self._resolution_s,
            start_s=0.0,
            end_s=float(time_s[-1]) if edges else 0.0,
            garbled_count=garbled,
            gaps=tuple(Gap(max(gap.start_s - first_s, 0.0), gap.length_s) for gap in gaps),
            name="the last minute",
        )
