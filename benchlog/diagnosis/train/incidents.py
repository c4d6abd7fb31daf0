"""Stretches of a recording that depart from the usual cycle, and what they did to its phase."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.train.usual_cycle import UsualCycle

__all__ = ["Incident", "find_incidents"]

_PHASE_SPREADS = 5.0
_PHASE_SHARE = 0.004
_TICKS = 4.0
_CHATTER = 0.2
"""An incident shorter than this share of a usual interval, from one edge to another of its
direction, is chatter about that edge: the train goes on behind it."""
_REACH = 3
"""Usual intervals that may lie within one incident: an extra pulse may look like a usual one."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Incident:
    """One stretch between two usual intervals.

    Attributes
    ----------
    first, last : int
        Index of its first and last edge: the interval before the first and the one after
        the last are usual, or the recording ends there.
    length_s : float
        From its first edge to its last.
    on : tuple of bool
        For each of its intervals, whether it is in the pulse's state.
    parts : tuple of float
        Each interval as a share of the usual pulse or rest.
    usual_on_s, usual_off_s : float
        The usual pulse and rest there.
    spread_on_s, spread_off_s : float
        Their scatter.
    cycles : int
        Whole cycles that its length holds beside at most one pulse or rest.
    shift_s : float
        What is left of its length beyond that: by how much the train came late, within
        half a period.
    kept : bool
        Whether the train goes on in its old phase.
    extra : int
        Edges more than the usual cycle has in that length (fewer: below 0); says something
        only where the phase is kept.
    alternates : bool
        Whether its edges rise and fall in turn.
    at_end : bool
        Whether it touches the recording's beginning or end.
    """

    first: int
    last: int
    length_s: float
    on: tuple[bool, ...]
    parts: tuple[float, ...]
    usual_on_s: float
    usual_off_s: float
    spread_on_s: float
    spread_off_s: float
    cycles: int
    shift_s: float
    kept: bool
    extra: int
    alternates: bool
    at_end: bool

    @property
    def period_s(self) -> float:
        """The usual period there, seconds."""
        return self.usual_on_s + self.usual_off_s

    @property
    def lost_s(self) -> float:
        """What must have been cut out for the phase to hold: seconds, from 0 to a period."""
        return float(-self.shift_s % self.period_s)


def find_incidents(cycle: UsualCycle, u_edge_s: float) -> tuple[Incident, ...]:
    """Gather the intervals that are not usual into incidents.

    Parameters
    ----------
    cycle : UsualCycle
        From `find_usual_cycle`.
    u_edge_s : float
        Standard uncertainty of an edge's time, seconds.

    Returns
    -------
    tuple of Incident
        In time's order. Neighbours with few usual intervals between them are one incident
        where only together they keep the train's phase.
    """
    odd = np.flatnonzero(~cycle.regular)
    if odd.shape[0] == 0:
        return ()
    cuts = np.flatnonzero(np.diff(odd) > 1)
    firsts = odd[np.concatenate(([0], cuts + 1))].tolist()
    lasts = (odd[np.concatenate((cuts, [odd.shape[0] - 1]))] + 1).tolist()
    result: list[Incident] = []
    for first, last in zip(firsts, lasts, strict=True):
        here = _describe(cycle, first, last, u_edge_s)
        for back in range(1, min(_REACH, len(result)) + 1):
            before = result[-back]
            if first - before.last > _REACH * back or here.kept or before.kept:
                break
            joint = _describe(cycle, before.first, last, u_edge_s)
            if joint.kept:
                del result[-back:]
                here = joint
                break
        result.append(here)
    return tuple(result)


def _describe(cycle: UsualCycle, first: int, last: int, u_edge_s: float) -> Incident:
    """Set the stretch from one edge to another against the usual cycle."""
    before = max(first - 1, 0)
    usual_on, usual_off = cycle.usual_s(before, on=True), cycle.usual_s(before, on=False)
    spread_on, spread_off = cycle.spread_s(before, on=True), cycle.spread_s(before, on=False)
    period = usual_on + usual_off
    length = float(cycle.time_s[last] - cycle.time_s[first])
    begins, ends = bool(cycle.opens[first]), bool(cycle.opens[last])
    base = 0.0 if begins == ends else (usual_on if begins else usual_off)
    cycles = max(0, round((length - base) / period))
    shift = length - base - cycles * period
    usual_count = 2 * cycles + (begins != ends)
    spread = float(np.hypot(spread_on, spread_off))
    margin = _PHASE_SPREADS * spread * np.sqrt(max(cycles, 1))
    margin = max(margin, _PHASE_SHARE * period * max(cycles, 1), _TICKS * u_edge_s)
    chatter = begins == ends and length < _CHATTER * min(usual_on, usual_off)
    on = tuple(bool(one) for one in cycle.opens[first:last])
    lengths = cycle.length_s[first:last].tolist()
    return Incident(
        first=first,
        last=last,
        length_s=length,
        on=on,
        parts=tuple(
            one / (usual_on if state else usual_off) for one, state in zip(lengths, on, strict=True)
        ),
        usual_on_s=usual_on,
        usual_off_s=usual_off,
        spread_on_s=spread_on,
        spread_off_s=spread_off,
        cycles=cycles,
        shift_s=shift,
        kept=bool(abs(shift) <= min(margin, 0.25 * period)) or chatter,
        extra=last - first - usual_count,
        alternates=bool(np.all(cycle.opens[first:last] != cycle.opens[first + 1 : last + 1])),
        at_end=first == 0 or last == cycle.time_s.shape[0] - 1,
    )
