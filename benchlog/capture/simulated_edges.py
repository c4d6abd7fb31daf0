"""True edges: the square wave that a simulated bench plays, known exactly.

All else that is simulated starts from `TrueEdges`: a sound input renders them as
samples, a probe counts them in ticks, and a test compares with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.recording import EdgeList

__all__ = ["TrueEdges", "list_edges", "with_pulses", "without_pulses"]


@dataclass(frozen=True, slots=True, eq=False)
class TrueEdges:
    """The instants at which a wave changes, and to what.

    Attributes
    ----------
    time_s : numpy.ndarray
        Edge times in seconds from the start of the record, strictly ascending,
        shape (n,), float64. They may be negative.
    level : numpy.ndarray
        The level after each edge, alternating, shape (n,), bool.
    steady_level : bool
        The level of the whole record where it has no edge.

    Raises
    ------
    ValueError
        Times that do not ascend, levels that do not alternate, shapes that differ.
    """

    time_s: NDArray[np.float64]
    level: NDArray[np.bool_]
    steady_level: bool = False

    def __post_init__(self) -> None:
        time_s, level = self.time_s, self.level
        if time_s.ndim != 1 or time_s.shape != level.shape:
            raise ValueError(f"one level an edge: got shapes {time_s.shape} and {level.shape}")
        if not np.all(np.isfinite(time_s)) or np.any(np.diff(time_s) <= 0):
            raise ValueError("edge times must be finite and strictly ascending")
        if np.any(level[1:] == level[:-1]):
            raise ValueError("levels must alternate")

    @classmethod
    def from_times(cls, time_s: Sequence[float] | NDArray[np.floating], first: bool) -> TrueEdges:
        """Make edges from times alone.

        Parameters
        ----------
        time_s : array_like
            Edge times in seconds, strictly ascending, shape (n,).
        first : bool
            The level after the first edge.

        Returns
        -------
        TrueEdges
            With alternating levels.
        """
        times = np.asarray(time_s, dtype=np.float64)
        level = (np.arange(times.size) % 2 == 0) == first
        return cls(times, level)

    @property
    def on_s(self) -> NDArray[np.float64]:
        """Length of every high phase that has both its edges, seconds, shape (m,)."""
        return self._phases(high=True)

    @property
    def off_s(self) -> NDArray[np.float64]:
        """Length of every low phase that has both its edges, seconds, shape (m,)."""
        return self._phases(high=False)

    @property
    def first_level(self) -> bool:
        """The level before the first edge."""
        return not bool(self.level[0]) if self.level.size else self.steady_level

    def _phases(self, *, high: bool) -> NDArray[np.float64]:
        lengths: NDArray[np.float64] = np.diff(self.time_s)
        return np.asarray(lengths[self.level[:-1] == high])


def _pulse_bounds(edges: TrueEdges) -> NDArray[np.intp]:
    """Index of the rising edge of every pulse that has both its edges."""
    return np.flatnonzero(edges.level[:-1])


def without_pulses(edges: TrueEdges, pulses: Sequence[int]) -> TrueEdges:
    """Take out whole pulses, as an open wiper does.

    Parameters
    ----------
    edges : TrueEdges
        The wave.
    pulses : sequence of int
        Which pulses to take out, counted from 0 over the complete ones.

    Returns
    -------
    TrueEdges
        The wave without them.

    Raises
    ------
    IndexError
        There is no such pulse.
    """
    rise = _pulse_bounds(edges)[np.asarray(pulses, dtype=np.intp)]
    keep = np.ones(edges.time_s.size, dtype=bool)
    keep[rise] = False
    keep[rise + 1] = False
    return TrueEdges(edges.time_s[keep], edges.level[keep], edges.first_level)


def with_pulses(edges: TrueEdges, start_s: Sequence[float], width_s: float) -> TrueEdges:
    """Turn the level over for a moment, as chatter at a threshold does.

    Parameters
    ----------
    edges : TrueEdges
        The wave.
    start_s : sequence of float
        When each moment begins, seconds.
    width_s : float
        How long each lasts, seconds, above 0.

    Returns
    -------
    TrueEdges
        The wave with two more edges for each.

    Raises
    ------
    ValueError
        A moment holds an edge, or another one.
    """
    starts = np.sort(np.asarray(start_s, dtype=np.float64))
    ends = starts + width_s
    if not width_s > 0 or np.any(ends[:-1] >= starts[1:]):
        raise ValueError("moments must have a length and stand apart")
    if np.any(np.searchsorted(edges.time_s, starts) != np.searchsorted(edges.time_s, ends)):
        raise ValueError("a moment must lie between two edges")
    times = np.sort(np.concatenate([edges.time_s, starts, ends]))
    return TrueEdges.from_times(times, first=not edges.first_level)


def list_edges(
    edges: TrueEdges, duration_s: float, *, tick_s: float = 0.0, name: str = "simulated"
) -> EdgeList:
    """Say what a probe reports of a wave.

    Parameters
    ----------
    edges : TrueEdges
        The wave; what lies outside the record is not reported.
    duration_s : float
        Length of the record, seconds.
    tick_s : float
        Length of one tick: times are rounded down to whole ticks; 0 leaves them exact.
    name : str
        The input's name.

    Returns
    -------
    EdgeList
        The edges from 0 to `duration_s`.
    """
    inside = (edges.time_s >= 0) & (edges.time_s <= duration_s)
    times = edges.time_s[inside]
    if tick_s > 0:
        times = np.floor(times / tick_s) * tick_s
    return EdgeList(
        time_s=times,
        level=edges.level[inside],
        resolution_s=tick_s,
        start_s=0.0,
        end_s=float(duration_s),
        name=name,
    )
