"""One supply that moves two channels alike: whether their slow movements are the same volts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.separation.beat_likeness import lasting_slope
from benchlog.diagnosis.separation.directions import Direction

__all__ = ["CommonMove", "compare_moves"]

FloatArray = NDArray[np.float64]

_STRETCHES = 40
_FEWEST = 10
_LEAST_LIKENESS = 0.9
_U_SIZE = 0.08
"""Relative standard uncertainty of a ratio of two channels' volts: their parts and diodes differ
from what is marked, or from what is assumed of both alike, by a few per cent of the slope."""
_SURROUNDINGS_K = 2.0
"""A draught or a lamp may warm two diodes of one bench alike by a degree or two."""


@dataclass(frozen=True, slots=True)
class CommonMove:
    """What two channels say of the supply that they share.

    Attributes
    ----------
    correlation : float
        Of their pulses' slow movements.
    ratio, u_ratio : float
        The second channel's volts over the first one's, and its standard uncertainty.
    spread_v : float
        Standard deviation of the supply, volts: the mean of both.
    change_v : float
        Its last tenth less its first tenth, volts: the mean of both.
    went_one_way : bool
        Whether it only fell, or only rose.
    """

    correlation: float
    ratio: float
    u_ratio: float
    spread_v: float
    change_v: float
    went_one_way: bool


def compare_moves(
    first: Cycles,
    first_ways: tuple[Direction, ...],
    second: Cycles,
    second_ways: tuple[Direction, ...],
) -> CommonMove | None:
    """Compare what two channels of one recording say of their supply.

    Parameters
    ----------
    first, second : Cycles
        On one scale of time.
    first_ways, second_ways : tuple of Direction
        How each cause moves each of them.

    Returns
    -------
    CommonMove or None
        None where the movements differ in course or in volts, or where two diodes that the same
        air warms by a degree or two would do as much.
    """
    edges = _stretches(first, second)
    if edges is None:
        return None
    ways = [{way.kind: way for way in some} for some in (first_ways, second_ways)]
    if not all({"supply", "diode"} <= set(some) for some in ways):
        return None
    volts, noise, warmth = [], [], []
    for cycles, some in zip((first, second), ways, strict=True):
        slope = lasting_slope(some["supply"])[0]
        mean_s, u_s = _average(cycles.start_s, cycles.on_s, edges)
        volts.append((mean_s - mean_s.mean()) / slope)
        noise.append(float(np.sqrt(np.mean(u_s**2))) / abs(slope))
        warmth.append(float(np.std(mean_s)) / max(abs(lasting_slope(some["diode"])[0]), 1e-30))
    spread = [float(np.std(one)) for one in volts]
    if min(spread) <= 0 or min(warmth) < _SURROUNDINGS_K:
        return None
    likeness = float(np.corrcoef(volts[0], volts[1])[0, 1])
    ratio = spread[1] / spread[0]
    by_noise = math.hypot(*(u / s for u, s in zip(noise, spread, strict=True)))
    u_ratio = ratio * math.hypot(_U_SIZE, by_noise / math.sqrt(volts[0].shape[0]))
    if likeness < _LEAST_LIKENESS or abs(ratio - 1.0) > 2.0 * u_ratio:
        return None
    both = 0.5 * (volts[0] + volts[1])
    tenth = max(1, both.shape[0] // 10)
    change = float(both[-tenth:].mean() - both[:tenth].mean())
    return CommonMove(
        correlation=likeness,
        ratio=ratio,
        u_ratio=u_ratio,
        spread_v=float(np.std(both)),
        change_v=change,
        went_one_way=abs(change) > 0.7 * float(np.ptp(both)),
    )


def _stretches(first: Cycles, second: Cycles) -> FloatArray | None:
    """Cut the time that both were watched into even stretches; None where it is too short."""
    if min(first.count, second.count) < _FEWEST * _STRETCHES // 4:
        return None
    begin_s = max(float(one.start_s[0]) for one in (first, second))
    end_s = min(float(one.start_s[-1]) for one in (first, second))
    if end_s <= begin_s:
        return None
    edges = np.linspace(begin_s, end_s, _STRETCHES + 1)
    full = np.ones(_STRETCHES, bool)
    for one in (first, second):
        full &= np.histogram(one.start_s, edges)[0] > 0
    return edges if full.all() else None


def _average(
    at_s: FloatArray, values: FloatArray, edges: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return means over stretches, and their standard uncertainties by the scatter within."""
    where = np.clip(np.searchsorted(edges, at_s, side="right") - 1, 0, edges.shape[0] - 2)
    inside = (at_s >= edges[0]) & (at_s <= edges[-1])
    where, values = where[inside], values[inside]
    count = np.bincount(where, minlength=edges.shape[0] - 1)
    mean = np.bincount(where, values, minlength=count.shape[0]) / count
    square = np.bincount(where, (values - mean[where]) ** 2, minlength=count.shape[0]) / count
    return np.asarray(mean), np.asarray(np.sqrt(square / count))
