"""Events of several kinds at one place of a recording: one incident, told once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from benchlog.diagnosis.train.event_kinds import Event, EventKind

__all__ = ["join_events"]

_ENOUGH = 2
"""So many events of one kind elsewhere say what the next one is."""


def join_events(events: Sequence[Event], period_s: float) -> list[Event]:
    """Leave one event of those that lie within a period of each other and differ in kind.

    Where samples are cut out, the signal jumps, and the jump may look like an edge of its own; so
    does a load that comes on beside a pulse that it delays.

    Parameters
    ----------
    events : sequence of Event
        In any order.
    period_s : float
        The usual period, seconds.

    Returns
    -------
    list of Event
        In time's order. Of those at one place the likelier stays: the kind that is found
        elsewhere as well, then the one that moved the beat, then the sure one. Where it is not
        sure, the other kind is named as its rival.
    """
    ordered = sorted(events, key=lambda one: (one.time_s, one.time_s + one.length_s))
    groups: list[list[Event]] = []
    end_s = float("-inf")
    for one in ordered:
        if groups and one.time_s <= end_s + period_s:
            groups[-1].append(one)
        else:
            groups.append([one])
        end_s = max(end_s, one.time_s + one.length_s)
    kinds = Counter(one.kind for group in groups for one in group if _is_alone(group))
    return [one for group in groups for one in _settle(group, kinds)]


def _is_alone(group: Sequence[Event]) -> bool:
    return len({one.kind for one in group}) == 1


def _settle(group: Sequence[Event], elsewhere: Mapping[EventKind, int]) -> list[Event]:
    """Leave the likeliest kind of those at one place."""
    if _is_alone(group):
        return list(group)
    best = max(group, key=lambda one: (elsewhere[one.kind], not one.phase_kept, one.sure))
    kept = [one for one in group if one.kind == best.kind]
    if best.sure or elsewhere[best.kind] >= _ENOUGH:
        return kept
    others = [one for one in group if one.kind != best.kind]
    rival = max(others, key=lambda one: (elsewhere[one.kind], one.sure)).kind
    return [replace(one, sure=False, rival=rival) for one in kept]
