"""What happened in a recording beyond the usual cycle, and which pulses it spoils."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.train.event_kinds import Event, EventKind, name_incidents
from benchlog.diagnosis.train.incidents import Incident, find_incidents
from benchlog.diagnosis.train.joint import join_events
from benchlog.diagnosis.train.odd_heights import is_odd_height, stands_alone
from benchlog.diagnosis.train.usual_cycle import find_usual_cycle
from benchlog.recording import Gap
from benchlog.timing.edges import Edges
from benchlog.timing.medians import median
from benchlog.timing.pulses import Measurement, Pulses

__all__ = ["PULSE_LIMIT_S", "Event", "EventKind", "Events", "find_events"]

PULSE_LIMIT_S = 4e-6
"""Standard deviation of a pulse that is still called steady, where no design says otherwise."""

_CLIPPED_SHARE = 1e-3
_WEAK_RATIO = 10.0
_ABSENT_CYCLES = 12.0
_ABSENT_S = 0.25
_NARROW_S = 4e-4
_ENDS_S = 1e-3
"""So near the recording's ends an edge is not timed, and looks like a spike."""
_AT_EDGE_S = 1e-6
"""So far behind an edge its pulse or rest has surely begun."""
_SETTLING_CYCLES = 1.0
"""After a cut in the samples the input's coupling settles anew; its next cycle is left out."""

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Events:
    """The events of one input, and what its signal is worth.

    Attributes
    ----------
    events : tuple of Event
        In time's order.
    spoilt : numpy.ndarray
        For each of the measurement's pulses, whether an event touches it or the cycle that
        it begins, shape (pulses,), bool.
    clipped_share : float
        Share of the samples at the ends of the scale.
    clipping : bool
        Whether that is enough to spoil the figures.
    signal_db : float or None
        Step to noise, decibels; None for an edge list or where no noise shows.
    floor_s : float
        Standard deviation that the input's noise alone gives to a pulse, seconds.
    weak : bool
        Whether the pulse hardly stands out of the noise, or the noise alone exceeds the limit.
    """

    events: tuple[Event, ...]
    spoilt: BoolArray
    clipped_share: float
    clipping: bool
    signal_db: float | None
    floor_s: float
    weak: bool

    @property
    def counts(self) -> Mapping[str, int]:
        """How many events of each kind there are; kinds that do not occur are left out."""
        return Counter(one.kind for one in self.events)

    def of_kind(self, kind: EventKind) -> tuple[Event, ...]:
        """Return the events of one kind, in time's order."""
        return tuple(one for one in self.events if one.kind == kind)


def find_events(measurement: Measurement, *, pulse_limit_s: float = PULSE_LIMIT_S) -> Events:
    """List what happened in a recording beyond its usual cycle.

    Parameters
    ----------
    measurement : Measurement
        One input; all its raw edges are looked at.
    pulse_limit_s : float
        Limit of the pulse's standard deviation, seconds, above 0.

    Returns
    -------
    Events
        No events where each interval is usual; fewer than four cycles hold none.
    """
    edges, pulses = measurement.edges, measurement.pulses
    events: list[Event] = [_marked(gap) for gap in edges.gaps]
    spoilt = np.zeros(pulses.width_s.shape, bool)
    period = measurement.period.mean_s
    for gap in edges.gaps:
        _spoil(spoilt, pulses, gap.start_s - period, gap.start_s + gap.length_s + period)
    cycle = find_usual_cycle(edges, pulse_high=pulses.active_level == "high")
    named: tuple[tuple[Incident, Event | None], ...] = ()
    if cycle is not None:
        incidents = find_incidents(cycle, float(median(edges.u_s)))
        apart = [one for one in incidents if not _at_gap(edges, one, 2.0 * period)]
        named = name_incidents(
            apart,
            edges.time_s,
            edges.share,
            sampled=edges.rate_hz is not None,
            cycle_count=pulses.width_s.shape[0],
        )
        for incident, event in named:
            begin, end = edges.time_s[incident.first], edges.time_s[incident.last]
            after = _AT_EDGE_S if incident.bounced else 0.0  # it moved the pulse that begins there
            if event is not None and event.kind == "gap" and edges.share is not None:
                after = _SETTLING_CYCLES * period
            _spoil(spoilt, pulses, float(begin), float(end) + after)
            if event is not None:
                events.append(event)
    events += _lone_runts(edges, named, spoilt, pulses, period)
    events += _spikes(edges, events, spoilt, pulses)
    events += _absences(edges, period)
    events = join_events(events, period)
    ratio = edges.step / edges.noise if edges.noise > 0 and edges.step > 0 else None
    floor = measurement.jitter.floor_s
    hardly = edges.rate_hz is not None and ratio is not None and ratio < _WEAK_RATIO
    return Events(
        events=tuple(events),
        spoilt=spoilt,
        clipped_share=edges.clipped_share,
        clipping=edges.clipped_share > _CLIPPED_SHARE,
        signal_db=None if ratio is None else float(20.0 * np.log10(ratio)),
        floor_s=floor,
        weak=hardly or floor > pulse_limit_s,
    )


def _marked(gap: Gap) -> Event:
    """Make the event of a gap that the recorder itself tells of."""
    return Event("gap", gap.start_s, gap.length_s, 1, phase_kept=False, sure=True)


def _spoil(spoilt: BoolArray, pulses: Pulses, begin_s: float, end_s: float) -> None:
    """Mark the pulses whose cycle shares more than an instant with a stretch."""
    start = pulses.start_s
    if start.shape[0] == 0:
        return
    after = np.append(start[1:], np.inf)
    after = np.minimum(after, start + 1e6)
    least = 1e-9
    spoilt |= (start < end_s - least) & (after > begin_s + least)


def _at_gap(edges: Edges, one: Incident, reach_s: float) -> bool:
    """Tell whether an incident lies at a gap that is known."""
    begin, end = edges.time_s[one.first], edges.time_s[one.last]
    return any(
        begin <= gap.start_s + gap.length_s + reach_s and end >= gap.start_s - reach_s
        for gap in edges.gaps
    )


def _lone_runts(
    edges: Edges,
    named: tuple[tuple[Incident, Event | None], ...],
    spoilt: BoolArray,
    pulses: Pulses,
    period_s: float,
) -> list[Event]:
    """List steps far from the usual height that belong to no other event."""
    if edges.share is None:
        return []
    low = is_odd_height(edges.share) | stands_alone(edges.share)
    # a height is the difference of two levels: where the recording ends there is but one
    low &= (edges.time_s > edges.start_s + _NARROW_S) & (edges.time_s < edges.end_s - _NARROW_S)
    for one, _ in named:
        low[max(one.first - 2, 0) : one.last + 3] = False
    for gap in edges.gaps:
        end = gap.start_s + gap.length_s + 2.0 * period_s
        low &= (edges.time_s > end) | (edges.time_s < gap.start_s - 2.0 * period_s)
    events = []
    for run in _runs(edges.time_s, np.flatnonzero(low), 1.5 * period_s):
        begin, end = float(edges.time_s[run[0]]), float(edges.time_s[run[-1]])
        _spoil(spoilt, pulses, begin - 1e-6, end + 1e-6)
        # a single odd step beside usual times: the output switched too quickly to be seen apart
        runt = len(run) > 1 and bool(np.diff(edges.time_s[run]).min() > _NARROW_S)
        kind: EventKind = "runt" if runt else "extra-edge"
        count = max(1, len(run) // 2)
        events.append(Event(kind, begin, end - begin, count, phase_kept=True, sure=runt))
    return events


def _spikes(edges: Edges, events: list[Event], spoilt: BoolArray, pulses: Pulses) -> list[Event]:
    """List the spikes that belong to no other event."""
    found = []
    first, last = edges.start_s + _ENDS_S, edges.end_s - _ENDS_S
    for at in edges.spikes_s[(edges.spikes_s > first) & (edges.spikes_s < last)].tolist():
        if any(
            one.time_s - _NARROW_S < at < one.time_s + one.length_s + _NARROW_S for one in events
        ):
            continue
        near = edges.time_s.shape[0] and np.min(np.abs(edges.time_s - at)) < _NARROW_S
        if near:  # so close to an edge it may have moved it
            _spoil(spoilt, pulses, at - _NARROW_S, at + _NARROW_S)
        found.append(Event("extra-edge", at, 0.0, 1, phase_kept=True, sure=not near))
    return found


def _runs(time_s: FloatArray, index: NDArray[np.intp], reach_s: float) -> list[NDArray[np.intp]]:
    """Part indices where their times lie further apart than a reach."""
    if index.shape[0] == 0:
        return []
    return np.split(index, np.flatnonzero(np.diff(time_s[index]) > reach_s) + 1)


def _absences(edges: Edges, period_s: float) -> list[Event]:
    """List a beginning or an end of the recording without the signal."""
    least = max(_ABSENT_CYCLES * period_s, _ABSENT_S)
    first, last = float(edges.time_s[0]), float(edges.time_s[-1])
    stretches = ((edges.start_s, first), (last, edges.end_s))
    return [
        Event("dropout", begin, end - begin, 1, phase_kept=False, sure=True)
        for begin, end in stretches
        if end - begin > least
    ]
