"""What a recording's usual cycle is at each place, and which intervals depart from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from benchlog.timing.edges import Edges
from benchlog.timing.medians import median

__all__ = ["UsualCycle", "find_usual_cycle"]

_HALF_WINDOW = 15
_HALF_NEAR = 3
_SPREADS = 8.0
_LEAST_SHARE = 0.012
"""Of an interval's usual length: what departs by less is scatter, however still the rest is."""
_CUT_WITHIN = (0.5, 1.6)
"""Shares of the usual length between which a hand on the knob may move an interval."""
_SIGMA = 1.4826

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class UsualCycle:
    """The intervals between edges, each beside what is usual at its place.

    Attributes
    ----------
    time_s : numpy.ndarray
        Edges, seconds, ascending, shape (n,).
    opens : numpy.ndarray
        True where an edge begins a pulse, shape (n,), bool.
    length_s : numpy.ndarray
        From each edge to the next, seconds, shape (n - 1,).
    usual_on_s, usual_off_s : numpy.ndarray
        Usual pulse and rest at each interval, seconds, shape (n - 1,).
    spread_on_s, spread_off_s : numpy.ndarray
        Standard deviation of pulse and rest about the usual, from medians, shape (n - 1,).
    regular : numpy.ndarray
        True where the interval is a usual pulse or rest, shape (n - 1,), bool.
    whole : numpy.ndarray
        True where the interval is a pulse or a rest: its edges rise and fall in turn, shape
        (n - 1,), bool.
    """

    time_s: FloatArray
    opens: BoolArray
    length_s: FloatArray
    usual_on_s: FloatArray
    usual_off_s: FloatArray
    spread_on_s: FloatArray
    spread_off_s: FloatArray
    regular: BoolArray
    whole: BoolArray

    def usual_s(self, index: int, *, on: bool) -> float:
        """Return the usual pulse or rest at an interval, seconds."""
        column = self.usual_on_s if on else self.usual_off_s
        return float(column[min(max(index, 0), column.shape[0] - 1)])

    def spread_s(self, index: int, *, on: bool) -> float:
        """Return the scatter of pulse or rest at an interval, seconds."""
        column = self.spread_on_s if on else self.spread_off_s
        return float(column[min(max(index, 0), column.shape[0] - 1)])

    def margin_s(self, *, on: bool) -> FloatArray:
        """Return how far pulses or rests may be from the usual, seconds, shape (n - 1,)."""
        usual, spread = (
            (self.usual_on_s, self.spread_on_s) if on else (self.usual_off_s, self.spread_off_s)
        )
        return _margin(usual, spread)


def find_usual_cycle(edges: Edges, *, pulse_high: bool) -> UsualCycle | None:
    """Set each interval between edges against its neighbours.

    Parameters
    ----------
    edges : Edges
        All edges that were found, runts and glitches too.
    pulse_high : bool
        Whether the level is high during a pulse.

    Returns
    -------
    UsualCycle or None
        None where there are fewer than four pulses and rests to compare.

    Notes
    -----
    Usual is the median over 15 intervals of the same state on either side: of a run that
    only climbs or falls it is the value itself, so that a knob that is turned stays usual.
    """
    time = edges.time_s
    opens = edges.rising if pulse_high else ~edges.rising
    length = np.diff(time)
    whole = opens[:-1] != opens[1:]
    states = [np.flatnonzero(whole & (opens[:-1] == on)) for on in (True, False)]
    if min(state.shape[0] for state in states) < 4:
        return None
    u_edge = float(median(edges.u_s))
    regular = np.zeros(length.shape, bool)
    columns = []
    every = np.arange(length.shape[0])
    for state in states:
        values = length[state]
        usual, spread = _track(values, u_edge)
        regular[state] = _near_usual(values, usual, spread)
        place = np.clip(np.searchsorted(state, every), 0, state.shape[0] - 1)
        columns.append((usual[place], spread[place]))
    (usual_on, spread_on), (usual_off, spread_off) = columns
    return UsualCycle(
        time, opens, length, usual_on, usual_off, spread_on, spread_off, regular, whole
    )


def _margin(usual: FloatArray, spread: FloatArray) -> FloatArray:
    """Return how far from the usual an interval may be."""
    return np.maximum(_SPREADS * spread, _LEAST_SHARE * usual)


def _running_median(values: FloatArray, half: int) -> FloatArray:
    """Return the median over `half` values on either side, fewer at the ends."""
    half = min(half, (values.shape[0] - 1) // 2)
    if half < 1:
        return np.full(values.shape, float(median(values)))
    inner = np.partition(sliding_window_view(values, 2 * half + 1), half, axis=1)[:, half]
    reach = range(half)  # towards the ends the window shrinks, still even on both sides
    first = [float(median(values[: 2 * one + 1])) for one in reach]
    last = [float(median(values[values.shape[0] - 2 * one - 1 :])) for one in reach]
    return np.concatenate((first, inner, last[::-1]))


def _track(values: FloatArray, u_edge_s: float) -> tuple[FloatArray, FloatArray]:
    """Return the usual length at each value and the scatter about it."""
    usual = _running_median(values, _HALF_WINDOW)
    away = np.abs(values - usual)
    floor = max(_SIGMA * float(median(away)), 1.5 * u_edge_s, 1e-9)
    return usual, np.maximum(floor, _SIGMA * _running_median(away, 2 * _HALF_WINDOW))


def _near_usual(values: FloatArray, usual: FloatArray, spread: FloatArray) -> BoolArray:
    """Tell which values lie near the usual, or between those before and those after."""
    margin = _margin(usual, spread)
    near = np.asarray(np.abs(values - usual) <= margin)
    if values.shape[0] <= 2 * _HALF_NEAR:
        return near
    windows = np.partition(sliding_window_view(values, _HALF_NEAR), 1, axis=1)[:, 1]
    count = values.shape[0]
    inside = np.arange(_HALF_NEAR, count - _HALF_NEAR)
    before, after = windows[inside - _HALF_NEAR], windows[inside + 1]
    low, high = np.minimum(before, after), np.maximum(before, after)
    moved = (values[inside] >= low - margin[inside]) & (values[inside] <= high + margin[inside])
    moved &= values[inside] > _CUT_WITHIN[0] * usual[inside]
    moved &= values[inside] < _CUT_WITHIN[1] * usual[inside]
    near[inside] |= moved
    return near
