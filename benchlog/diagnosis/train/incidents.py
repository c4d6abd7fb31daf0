"""Stretches of a recording that depart from the usual cycle, and what they did to its phase."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.train.pulse_level import list_pulses, measure_step
from benchlog.diagnosis.train.usual_cycle import UsualCycle

__all__ = ["Incident", "find_incidents"]

_PHASE_SPREADS = 5.0
_PHASE_SHARE = 0.004
_TICKS = 4.0
_CHATTER = 0.2
"""An incident shorter than this share of a usual interval, from one edge to another of its
direction, is chatter about that edge: the train goes on behind it."""
_BOUNCE = 0.35
_BOUNCES = 0.5
"""Two intervals in a row, each below the one share of its usual length and together below the
other of the shorter usual one, are an edge that came twice: a cut could leave such a pair only by
beginning right behind an edge and ending right before the next but one."""
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
    bounced : bool
        Whether it ends in an edge that came more than once.
    pulse_step : float
        By how much the pulse is longer behind it than before, as a share of the usual one; 0
        where it is not beyond the pulses' own scatter.
    reach : float
        How far its oddest interval is from the usual, in margins of what still counts as usual.
    crowd : int
        How many intervals of that interval's state lie in the outer half of the margin: few,
        unless the incident belongs to a scatter with long tails.
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
    bounced: bool
    pulse_step: float
    reach: float
    crowd: int

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
    surroundings = _Surroundings(
        list_pulses(cycle), _crowd(cycle, on=True), _crowd(cycle, on=False)
    )
    result: list[Incident] = []
    for first, last in zip(firsts, lasts, strict=True):
        here = _describe(cycle, surroundings, first, last, u_edge_s)
        for back in range(1, min(_REACH, len(result)) + 1):
            before = result[-back]
            if first - before.last > _REACH * back or here.kept or before.kept:
                break
            joint = _describe(cycle, surroundings, before.first, last, u_edge_s)
            if joint.kept:
                del result[-back:]
                here = joint
                break
        result.append(here)
    return tuple(result)


@dataclass(frozen=True, slots=True, eq=False)
class _Surroundings:
    """What an incident is set against beside the usual cycle."""

    pulses: NDArray[np.intp]
    crowd_on: int
    crowd_off: int


def _crowd(cycle: UsualCycle, *, on: bool) -> int:
    """Count the intervals of a state that lie in the outer half of what is usual."""
    usual = cycle.usual_on_s if on else cycle.usual_off_s
    away = np.abs(cycle.length_s - usual) / cycle.margin_s(on=on)
    of_state = cycle.whole & (cycle.opens[:-1] == on)
    return int(np.count_nonzero(of_state & (away > 0.5) & (away <= 1.0)))


def _describe(
    cycle: UsualCycle, surroundings: _Surroundings, first: int, last: int, u_edge_s: float
) -> Incident:
    """Set the stretch from one edge to another against the usual cycle."""
    before = max(first - 1, 0)
    usual_on, usual_off = cycle.usual_s(before, on=True), cycle.usual_s(before, on=False)
    on = tuple(bool(one) for one in cycle.opens[first:last])
    parts = tuple(
        one / (usual_on if state else usual_off)
        for one, state in zip(cycle.length_s[first:last].tolist(), on, strict=True)
    )
    alternates = bool(np.all(cycle.opens[first:last] != cycle.opens[first + 1 : last + 1]))
    bounces = _count_bounces(parts, on, usual_on, usual_off) if alternates else 0
    phase = _set_phase(cycle, first, last, u_edge_s)
    if bounces and not phase.kept:
        # the train may go on from where its last edge came first
        early = _set_phase(cycle, first, last - 2 * bounces, u_edge_s)
        phase = replace(early, extra=early.extra + 2 * bounces) if early.kept else phase
    away = np.abs(np.asarray(parts) - 1.0)
    odd = int(np.argmax(away))
    usual_odd, margins = (usual_on if on[odd] else usual_off), cycle.margin_s(on=on[odd])
    return Incident(
        first=first,
        last=last,
        length_s=float(cycle.time_s[last] - cycle.time_s[first]),
        on=on,
        parts=parts,
        usual_on_s=usual_on,
        usual_off_s=usual_off,
        spread_on_s=cycle.spread_s(before, on=True),
        spread_off_s=cycle.spread_s(before, on=False),
        cycles=phase.cycles,
        shift_s=phase.shift_s,
        kept=phase.kept,
        extra=phase.extra,
        alternates=alternates,
        at_end=first == 0 or last == cycle.time_s.shape[0] - 1,
        bounced=bounces > 0,
        pulse_step=measure_step(cycle, surroundings.pulses, first, last),
        reach=float(away[odd]) * usual_odd / float(margins[before]),
        crowd=surroundings.crowd_on if on[odd] else surroundings.crowd_off,
    )


@dataclass(frozen=True, slots=True)
class _Phase:
    """What a stretch did to the train's phase; as in `Incident`."""

    cycles: int
    shift_s: float
    kept: bool
    extra: int


def _set_phase(cycle: UsualCycle, first: int, last: int, u_edge_s: float) -> _Phase:
    """Set the time from one edge to another against that of the usual cycle."""
    before = max(first - 1, 0)
    usual_on, usual_off = cycle.usual_s(before, on=True), cycle.usual_s(before, on=False)
    period = usual_on + usual_off
    length = float(cycle.time_s[last] - cycle.time_s[first])
    begins, ends = bool(cycle.opens[first]), bool(cycle.opens[last])
    base = 0.0 if begins == ends else (usual_on if begins else usual_off)
    cycles = max(0, round((length - base) / period))
    shift = length - base - cycles * period
    spread = float(np.hypot(cycle.spread_s(before, on=True), cycle.spread_s(before, on=False)))
    margin = _PHASE_SPREADS * spread * np.sqrt(max(cycles, 1))
    margin = max(margin, _PHASE_SHARE * period * max(cycles, 1), _TICKS * u_edge_s)
    chatter = begins == ends and length < _CHATTER * min(usual_on, usual_off)
    kept = bool(abs(shift) <= min(margin, 0.25 * period)) or chatter
    return _Phase(cycles, shift, kept, last - first - 2 * cycles - (begins != ends))


def _count_bounces(
    parts: tuple[float, ...], on: tuple[bool, ...], usual_on_s: float, usual_off_s: float
) -> int:
    """Count how often the last edge came again: pairs of tiny intervals at the end."""
    usual = [usual_on_s if state else usual_off_s for state in on]
    count = 0
    while len(parts) >= 2 * count + 2:
        place = len(parts) - 2 * count - 2
        pair, long = parts[place : place + 2], usual[place : place + 2]
        together = pair[0] * long[0] + pair[1] * long[1]
        if max(pair) > _BOUNCE or together > _BOUNCES * min(usual_on_s, usual_off_s):
            break
        count += 1
    return count
