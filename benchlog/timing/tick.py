"""The tick of an edge list: the grid on which its times lie."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["infer_tick"]

_FEWEST_OTHER = 16
"""Lengths that differ from the usual one: on a grid twice too coarse they all lie by chance once
in 2 to this power."""

_FINEST_DIGITS = 12
_WHOLE = 0.02
"""Of a last digit: what a time may lie beside it, rounded to a float as it is."""

_ROUNDING = 1.5
"""Last digits that a difference of two rounded times may be off, and a little more."""

_LEAST_STEPS = 4
"""Ticks that the shortest state lasts: with a coarser clock there would be no measurement."""

FloatArray = NDArray[np.float64]


def infer_tick(time_s: FloatArray) -> float:
    """Find the tick of a clock from the times that it gave.

    Parameters
    ----------
    time_s : numpy.ndarray
        Edge times in seconds, ascending, shape (n,).

    Returns
    -------
    float
        Seconds; 0 where the times show no tick: there are few of them, they lie on no grid, or
        nearly all states of one kind are equally long, so that nothing tells a coarse clock from
        a steady channel.

    Notes
    -----
    Two neighbouring lengths of one state lie one tick apart. A tick that is no round number,
    such as 1/32768 s, is found although the times are written with so many digits only.
    """
    if time_s.shape[0] <= _FEWEST_OTHER:
        return 0.0
    since = time_s - time_s[0]
    digits = _count_digits(time_s)
    if digits is None:
        return 0.0
    last = 10.0**-digits
    counted = np.rint(time_s * 10.0**digits).astype(np.int64)
    length = np.diff(counted)
    kinds = [np.unique(length[side::2], return_counts=True) for side in (0, 1)]
    if length.shape[0] - sum(int(times.max()) for _, times in kinds) < _FEWEST_OTHER:
        return 0.0
    steps = np.concatenate([np.diff(one) for one, _ in kinds])
    exact = float(np.gcd.reduce(length)) * last
    found = _fit_tick(steps.astype(np.float64), length, since / last) * last
    tick = max(exact, found)
    return tick if tick * _LEAST_STEPS <= float(length.min()) * last else 0.0


def _count_digits(time_s: FloatArray) -> int | None:
    """Return the decimals with which all times are whole; None where no number of them does."""
    for digits in range(_FINEST_DIGITS + 1):
        scaled = time_s * 10.0**digits
        if float(np.max(np.abs(scaled))) * np.finfo(np.float64).eps > _WHOLE:
            return None
        if float(np.max(np.abs(scaled - np.rint(scaled)))) < _WHOLE:
            return digits
    return None


def _fit_tick(steps: FloatArray, length: NDArray[np.int64], since: FloatArray) -> float:
    """Return a tick that all times are rounded multiples of, in last digits; 0 without one.

    It begins with the least step between lengths, and is made sharper by ever longer stretches.
    """
    clear = steps[steps > 2.0 * _ROUNDING]
    if clear.shape[0] == 0:
        return 0.0
    tick, error = float(clear.min()), 2.0
    values = np.unique(np.concatenate((steps, length.astype(np.float64), since)))
    values = values[values > 0]
    while True:
        reach = 0.25 * tick * tick / error
        within = values[values <= reach]
        if within.shape[0] == 0:
            return 0.0
        multiple = np.rint(within / tick)
        tick = float(within @ multiple / max(float(multiple @ multiple), 1.0))
        if within.shape[0] == values.shape[0]:
            break
        sharper = 2.0 / max(float(multiple[-1]), 1.0)
        if sharper >= error:
            return 0.0
        error = sharper
    rest = np.abs(since - np.rint(since / tick) * tick)
    return tick if float(rest.max()) <= _ROUNDING else 0.0
