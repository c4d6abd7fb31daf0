"""What is done to drawn tracks: moved to the middle of both ways, held at dead ends, chosen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["HYSTERESIS_DEG", "choose_rising", "hold_ends", "move_to_middle"]

Values = NDArray[np.float64]

HYSTERESIS_DEG = 4.0
"""Hysteresis lies between 0 and this (common practice: play and lag of panel potentiometers)."""
_LIMIT_SHARE = 0.1
"""Half of that bounds how far the middle of both ways lies from one way: a rectangle whose limits
are only known to a tenth (JCGM 101:2008, 6.4.3)."""
_FEWEST = 200


def move_to_middle(
    paths: Values,
    turn_deg: Values,
    lengths: tuple[list[Values], ...],
    source: np.random.Generator,
) -> Values:
    """Move draws of one way to where the middle of both may lie, on either side alike.

    Parameters
    ----------
    paths : numpy.ndarray
        Shares, shape (s, n), s even.
    turn_deg : numpy.ndarray
        Their angles, ascending from 0 to the travel, shape (n,).
    lengths : tuple of list
        Pairs of lengths of the low and the high dead end, degrees, shape (s,) each; they are
        moved in place.
    source : numpy.random.Generator
        For the draws.

    Returns
    -------
    numpy.ndarray
        The paths, shape (s, n).
    """
    count = paths.shape[0] // 2
    even = source.permutation((np.arange(count) + 0.5) / count) * 2.0 - 1.0
    limit = 0.5 * HYSTERESIS_DEG * (1.0 + _LIMIT_SHARE * source.uniform(-1.0, 1.0, count))
    shift = np.concatenate([even * limit, -even * limit])
    travel = turn_deg[-1]
    for ends in lengths:
        ends[0] = np.clip(ends[0] + shift, 0.0, 0.7 * travel)
        ends[1] = np.clip(ends[1] - shift, 0.0, travel - ends[0])
    return np.asarray(paths - shift[:, None] * np.gradient(paths, turn_deg, axis=1))


def hold_ends(
    paths: Values, turn_deg: Values, first_deg: Values, last_deg: Values
) -> tuple[Values, Values]:
    """Hold each path beyond its two ends and let none of it fall.

    Parameters
    ----------
    paths : numpy.ndarray
        Shares, shape (s, n).
    turn_deg : numpy.ndarray
        Their angles, evenly stepped from 0, shape (n,).
    first_deg, last_deg : numpy.ndarray
        Where each begins and ceases to change, shape (s,).

    Returns
    -------
    tuple of numpy.ndarray
        The paths, shape (s, n), and how far each would have fallen, shape (s,).
    """
    step = turn_deg[1]
    rows = np.arange(paths.shape[0])

    def level(at_deg: Values) -> Values:
        at = at_deg / step
        index = np.clip(at.astype(np.int64), 0, turn_deg.size - 2)
        share = at - index
        return np.asarray((1.0 - share) * paths[rows, index] + share * paths[rows, index + 1])

    held = np.where(turn_deg < first_deg[:, None], level(first_deg)[:, None], paths)
    held = np.where(turn_deg > last_deg[:, None], level(last_deg)[:, None], held)
    rising = np.maximum.accumulate(held, axis=1)
    falling = np.minimum.accumulate(held[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(0.5 * (rising + falling)), np.asarray(np.max(rising - held, axis=1))


def choose_rising(fall: Values, little: float) -> NDArray[np.int_]:
    """Choose the draws that rise all along: a knob's track cannot do otherwise.

    Parameters
    ----------
    fall : numpy.ndarray
        How far each falls, shape (s,).
    little : float
        How much of that is nothing.

    Returns
    -------
    numpy.ndarray
        Indices, ascending: those that do not fall, or the 200 that fall least.
    """
    kept = np.flatnonzero(fall <= little)
    enough = min(_FEWEST, fall.size)
    return kept if kept.size >= enough else np.sort(np.argsort(fall, kind="stable")[:enough])
