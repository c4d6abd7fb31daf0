"""The dead ends of a knob's track: lengths that a sweep allows, and what is known beforehand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["DeadEnds", "Marks", "list_dead_ends", "refine_dead_ends"]

Values = NDArray[np.float64]

USUAL_DEAD_DEG = 15.0
"""Dead ends up to this are as likely as none (common practice); longer ones are rarer."""
_LONG_DEAD_DEG = 8.0
_REACH_DEG = 30.0

_NONE_SHARE = 0.2
"""How likely it is beforehand that there is next to none."""
_COARSE = 13
_FINE = 15


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """A sweep along the way that lengthens the pulse; n marks.

    Attributes
    ----------
    turn_deg : numpy.ndarray
        Knob angles as read, from the stop where the pulse is shortest, shape (n,).
    share, u_share : numpy.ndarray
        Shares of the track and their standard uncertainties, shape (n,).
    way : numpy.ndarray
        1 where the knob came the way that lengthens the pulse, -1 the other way, 0 unknown.
    reading_deg : float
        Half-width of the knob reading.
    travel_deg : float
        Between the stops.
    """

    turn_deg: Values
    share: Values
    u_share: Values
    way: Values
    reading_deg: float
    travel_deg: float

    @property
    def both_ways(self) -> bool:
        """Whether the knob was swept both ways."""
        return bool(np.any(self.way > 0) and np.any(self.way < 0))


@dataclass(frozen=True, slots=True, eq=False)
class DeadEnds:
    """Lengths that are tried for one dead end, k of them.

    Attributes
    ----------
    length_deg, half_deg : numpy.ndarray
        Middles and half-widths of the pieces, degrees, shape (k,).
    log_weight : numpy.ndarray
        Logarithm of how likely each is beforehand, shape (k,).
    """

    length_deg: Values
    half_deg: Values
    log_weight: Values

    def only(self, index: int | np.intp) -> DeadEnds:
        """Return one of them alone."""
        one = slice(int(index), int(index) + 1)
        return DeadEnds(self.length_deg[one], self.half_deg[one], self.log_weight[one])


def list_dead_ends(marks: Marks, stated_deg: float, *, turned: bool) -> DeadEnds:
    """List the lengths that one dead end may have.

    Parameters
    ----------
    marks : Marks
        The sweep.
    stated_deg : float
        What the design says, degrees; 0 where it says nothing.
    turned : bool
        Whether it is the end where the pulse is longest.

    Returns
    -------
    DeadEnds
        Pieces, finer near the stop.
    """
    reach = min(_REACH_DEG, 0.3 * marks.travel_deg)
    seen, following = _seen_dead(marks, turned=turned)
    if seen > 0.0:
        reach = max(reach, following + 2.0 * marks.reading_deg)
    reach = max(reach, stated_deg + 6.0)
    reach = min(reach, 0.6 * marks.travel_deg)
    # near the stop finer, where most of them end
    edges = reach * np.linspace(0.0, 1.0, _COARSE + 1) ** 1.4
    ends = _cells(edges)
    return DeadEnds(ends.length_deg, ends.half_deg, _dead_weight(ends, stated_deg, seen))


def _seen_dead(marks: Marks, *, turned: bool) -> tuple[float, float]:
    """Return how far the marks show no change from one end, and where the next mark lies."""
    turn = marks.travel_deg - marks.turn_deg if turned else marks.turn_deg
    order = np.argsort(turn, kind="stable")
    turn, share, u = turn[order], marks.share[order], marks.u_share[order]
    still = np.abs(share - share[0]) < 3.0 * np.hypot(u, u[0]) + 0.3 / marks.travel_deg
    length = int(np.argmin(np.append(still, False)))
    if length < 2 or turn[length - 1] - turn[0] < 3.0 * marks.reading_deg + 0.5:
        return 0.0, 0.0
    following = turn[length] if length < turn.size else turn[-1]
    return float(turn[length - 1]), float(following)


def _dead_weight(ends: DeadEnds, stated_deg: float, seen_deg: float) -> Values:
    """Return the logarithm of what is known beforehand of a dead end's length."""
    usual = max(USUAL_DEAD_DEG, seen_deg)
    density = np.exp(-np.maximum(ends.length_deg - usual, 0.0) / _LONG_DEAD_DEG) / usual
    if stated_deg == 0.0 and seen_deg == 0.0:
        density = (1.0 - _NONE_SHARE) * density
        density[0] += _NONE_SHARE / (2.0 * ends.half_deg[0])
    if stated_deg > 0.0:
        near = np.exp(-0.5 * ((ends.length_deg - stated_deg) / 2.0) ** 2) / 5.0
        density = 0.7 * near + 0.3 * density
    return np.asarray(np.log(density * 2.0 * ends.half_deg))


def _cells(edges: Values) -> DeadEnds:
    middle = 0.5 * (edges[1:] + edges[:-1])
    return DeadEnds(middle, 0.5 * np.diff(edges), np.zeros_like(middle))


def refine_dead_ends(ends: DeadEnds, log_share: Values) -> DeadEnds:
    """Return finer pieces where the weight lies, with the weights beforehand kept.

    Parameters
    ----------
    ends : DeadEnds
        Pieces that were tried.
    log_share : numpy.ndarray
        Logarithm of how likely each is after the sweep, shape (k,).

    Returns
    -------
    DeadEnds
        The new pieces.
    """
    share = np.exp(log_share - np.max(log_share))
    held = np.flatnonzero(share > 1e-3 * np.sum(share))
    first, last = max(int(held[0]) - 1, 0), min(int(held[-1]) + 1, share.size - 1)
    start = ends.length_deg[first] - ends.half_deg[first]
    stop = ends.length_deg[last] + ends.half_deg[last]
    cells = _cells(np.linspace(start, stop, _FINE + 1))
    density = ends.log_weight - np.log(2.0 * ends.half_deg)
    own = np.interp(cells.length_deg, ends.length_deg, density) + np.log(2.0 * cells.half_deg)
    return DeadEnds(cells.length_deg, cells.half_deg, own)
