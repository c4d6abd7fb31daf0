"""Edges that belong to no clean pulse, left out and counted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.edges import Edges
from benchlog.timing.medians import median

__all__ = ["CleanEdges", "clean_edges"]

_GLITCH_SHARE = 0.2
_RUNT_SHARE = 0.35
_FEWEST = 4

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class CleanEdges:
    """Edges without those that make no pulse.

    Attributes
    ----------
    time_s, rising, u_s : numpy.ndarray
        As in `Edges`, shape (n,).
    runt_count : int
        Edges that were left out since their step is far from the usual height.
    glitch_count : int
        Pairs of edges that were left out since the state between them is far too short.
    """

    time_s: FloatArray
    rising: NDArray[np.bool_]
    u_s: FloatArray
    runt_count: int
    glitch_count: int


def clean_edges(edges: Edges) -> CleanEdges:
    """Leave out runts and glitches.

    Parameters
    ----------
    edges : Edges
        Times ascending, shape (n,).

    Returns
    -------
    CleanEdges
        A runt is a step off the usual height of its direction by more than 35 %; a glitch
        is a state shorter than a fifth of the usual shorter one.
    """
    tall = _tall(edges)
    time, rising, u = edges.time_s[tall], edges.rising[tall], edges.u_s[tall]
    runts = int(np.count_nonzero(~tall))
    length = np.diff(time)
    if length.shape[0] < _FEWEST:
        return CleanEdges(time, rising, u, runts, 0)
    sides = [length[rising[:-1]], length[~rising[:-1]]]
    usual = min(float(median(side)) for side in sides if side.shape[0])
    short = np.flatnonzero((length < _GLITCH_SHARE * usual) & (rising[:-1] != rising[1:]))
    if short.shape[0] == 0:
        return CleanEdges(time, rising, u, runts, 0)
    lone = short[np.concatenate(([True], np.diff(short) > 1))]
    keep = np.ones(time.shape[0], bool)
    keep[lone] = keep[lone + 1] = False
    return CleanEdges(time[keep], rising[keep], u[keep], runts, int(lone.shape[0]))


def _tall(edges: Edges) -> NDArray[np.bool_]:
    """Tell which edges are about as high as those of their direction usually are.

    Where the input cuts one level off, rising and falling edges differ in height.
    """
    tall = np.ones(edges.time_s.shape, bool)
    if edges.share is None:
        return tall
    for side in (edges.rising, ~edges.rising):
        if side.any():
            usual = float(median(edges.share[side]))
            tall[side] = np.abs(edges.share[side] - usual) <= _RUNT_SHARE * usual
    return tall
