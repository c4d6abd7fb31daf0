"""What befell the train in an incident: a fault of the circuit, the lead, or the recording."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.train.cuts import find_cuts, follows_supply, is_mild, most_cuts
from benchlog.diagnosis.train.incidents import Incident
from benchlog.diagnosis.train.odd_heights import is_odd_height

__all__ = ["Event", "EventKind", "name_incidents"]

EventKind = Literal["missing-pulse", "extra-edge", "runt", "reset", "gap", "dropout"]

_LONG_ABSENCE_CYCLES = 12
"""An open wiper or a lead that is off longer looks alike; the lead is the likelier."""
_SHORT = 0.97
_LONG = 1.04
_EVEN_HEIGHT = 0.15
_FEW = 2
_FAR = (0.5, 2.5)
_MILD_SHARE = 0.3
_WIDE = 1.5
_NEARLY = 0.5
"""A rest or pulse this many times the usual one tells nothing of how the cycle moves, where hardly
any other is half as far out: one of 15 ms would be all of a recording's variance."""
_RESET_LEAST = 1.1
_RESET_LONGEST = 2.2
"""Times the usual pulse: from an empty capacitor it lasts ln 3 / ln 2 = 1.58 times as long
with no diode, up to twice with one on a low supply."""
_NARROW_S = 4e-4
"""Shorter pulses look lower than they are through a sound input."""
_EARLY_SHARE = 0.12

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened beyond the usual cycle.

    Attributes
    ----------
    kind : str
        ``missing-pulse``: pulses did not come. ``extra-edge``: the output switched where it
        should not. ``runt``: a step far from the usual height. ``reset``: the timer was
        stopped and began anew from an empty capacitor. ``gap``: the recording lost samples.
        ``dropout``: the signal was away, as with a loose lead.
    time_s : float
        Where it begins, seconds from the recording's start.
    length_s : float
        How long it lasts, seconds: of a gap what was lost, where it is not marked up to whole
        periods more; of missing pulses the time without them.
    count : int
        Pulses that are missing, or extra pulses; 1 for the others.
    phase_kept : bool
        Whether the train went on in its old phase.
    sure : bool
        False where another kind explains it nearly as well.
    rival : str or None
        That other kind, where it shows at the same place by itself.
    """

    kind: EventKind
    time_s: float
    length_s: float
    count: int
    phase_kept: bool
    sure: bool
    rival: EventKind | None = None


@dataclass(frozen=True, slots=True)
class _Named:
    incident: Incident
    event: Event
    open_question: bool = False  # a long rest by itself: an open contact or a cut


def name_incidents(
    incidents: Sequence[Incident],
    time_s: FloatArray,
    share: FloatArray | None,
    *,
    sampled: bool,
    cycle_count: int,
) -> tuple[tuple[Incident, Event | None], ...]:
    """Say what each incident was.

    Parameters
    ----------
    incidents : sequence of Incident
        From `find_incidents`, none at a gap that is known.
    time_s : numpy.ndarray
        All edges, seconds, shape (n,).
    share : numpy.ndarray or None
        Height of each edge as a share of the usual one, shape (n,).
    sampled : bool
        Whether the recording is of samples: they can be lost. The times of a list come from a
        clock, so that a list is cut only where a program made it of samples: maybe.
    cycle_count : int
        Cycles in the recording.

    Returns
    -------
    tuple of (Incident, Event or None)
        Without those that are a fluctuation of the cycle and no event. None where it is one,
        but so far out of the usual that its cycles are better left out.
    """
    named, mild, left = list[_Named](), list[Incident](), list[Incident]()
    stepped = 0
    for one in incidents:
        if follows_supply(one):
            stepped += 1
        elif is_mild(one) and _early_trigger(one) is None:
            mild.append(one)
        else:
            name = _name_kept if one.kept else _name_shifted
            found = name(one, time_s, share, sampled)
            if found is None:
                left.append(one)
            else:
                named.append(found)
    surely_cut = sum(one.event.kind == "gap" and one.event.sure for one in named)
    if sum(one.event.kind == "gap" for one in named) > most_cuts(cycle_count):
        left += [one.incident for one in named if one.event.kind == "gap"]
        named = [one for one in named if one.event.kind != "gap"]
        surely_cut = 0
    # a supply that steps often enough to be seen doing so makes the odd rests beside those too
    is_pulled = stepped > _FEW and not surely_cut
    cuts = [] if is_pulled else find_cuts(mild, surely_cut, cycle_count)
    if not surely_cut and not cuts:
        # a recording that lost samples elsewhere lost them where a rest is far too long as well
        far = _find_restless(named, mild)
        left += [one.incident for one in far]
        named = [one for one in named if one not in far]
    for one in cuts:
        if max(one.parts) > 1.0:
            named.append(_name_long(one, time_s))
        else:
            named.append(_Named(one, _event(one, time_s, "gap", length_s=one.lost_s)))
    events = [(one.incident, _doubt(one.event, sampled)) for one in _settle(named, sampled)]
    wide = [(one, None) for one in left if _is_outlier(one, [*left, *mild])]
    return (*events, *wide)


def _is_outlier(one: Incident, others: Sequence[Incident]) -> bool:
    """Tell whether an incident lasts far too long, and no others nearly as much."""
    longest = max(one.parts)
    near = 1.0 + _NEARLY * (longest - 1.0)
    return longest > _WIDE and sum(max(each.parts) > near for each in others) <= _FEW


def _doubt(event: Event, sampled: bool) -> Event:
    """Leave room for doubt whether a list was cut: its times come from a clock."""
    return replace(event, sure=False) if event.kind == "gap" and not sampled else event


def _find_restless(named: list[_Named], mild: list[Incident]) -> list[_Named]:
    """Find the far ones of a restless circuit: edges out of place, many others less so."""
    far = [
        one
        for one in named
        if one.event.kind in ("missing-pulse", "reset", "extra-edge")
        and not (one.event.sure and one.event.kind != "reset")
        and one.incident.alternates
        and min(one.incident.parts) > _FAR[0]
        and max(one.incident.parts) < _FAR[1]
    ]
    return far if len(mild) >= max(_FEW, _MILD_SHARE * len(far)) else []


def _event(
    one: Incident,
    time_s: FloatArray,
    kind: EventKind,
    *,
    sure: bool = True,
    count: int = 1,
    length_s: float | None = None,
    after_s: float = 0.0,
) -> Event:
    """Make the event of an incident."""
    begin = float(time_s[one.first]) + after_s
    length = one.length_s - after_s if length_s is None else length_s
    return Event(kind, begin, max(length, 0.0), count, one.kept, sure)


def _name_kept(
    one: Incident, time_s: FloatArray, share: FloatArray | None, sampled: bool
) -> _Named | None:
    """Name an incident after which the train goes on in its old phase."""
    if one.extra > 0:
        return _Named(one, _extra(one, time_s, share))
    if one.extra == 0 and one.alternates:
        return _name_moved(one, time_s)
    if not one.alternates:
        kind: EventKind = "extra-edge" if sampled else "gap"
        return _Named(one, _event(one, time_s, kind, sure=False))
    missing = -one.extra // 2
    partial = any(state and part < 0.9 for state, part in zip(one.on, one.parts, strict=True))
    if missing > _LONG_ABSENCE_CYCLES or partial:
        return _Named(one, _event(one, time_s, "dropout", sure=missing > _LONG_ABSENCE_CYCLES))
    if max(one.parts) < 1.0 + 0.8 * one.period_s / max(one.usual_on_s, one.usual_off_s):
        return None  # all of them a little long, none with room for a pulse
    if one.on[0]:  # a pulse that lasts through the rest into the next one
        return _Named(one, _event(one, time_s, "gap", sure=False))
    rest = one.usual_off_s
    return _Named(
        one,
        _event(
            one,
            time_s,
            "missing-pulse",
            count=missing,
            after_s=rest,
            length_s=missing * one.period_s,
        ),
    )


def _name_moved(one: Incident, time_s: FloatArray) -> _Named | None:
    """Name an incident with as many edges as usual, some of them out of place."""
    if len(one.parts) < 2:
        return None
    return _Named(one, _event(one, time_s, "extra-edge", sure=False))


def _extra(one: Incident, time_s: FloatArray, share: FloatArray | None) -> Event:
    """Tell extra pulses of full height from low ones."""
    begin, end = _extra_place(one, time_s)
    pairs = max(1, one.extra // 2)
    low = share is not None and one.extra == 2 and one.alternates and _is_low(time_s, share, begin)
    return Event("runt" if low else "extra-edge", begin, end - begin, pairs, True, True)


def _is_low(time_s: FloatArray, share: FloatArray, begin_s: float) -> bool:
    """Tell whether the pulse that begins at an edge is far from the usual height.

    Edges close to others look lower or higher than they are through a sound input.
    """
    at = int(np.searchsorted(time_s, begin_s))
    near = np.diff(time_s[max(at - 1, 0) : at + 3])
    pair = share[at : at + 2]
    even = pair.shape[0] == 2 and abs(float(pair[1] - pair[0])) < _EVEN_HEIGHT
    return bool(even and is_odd_height(pair).all() and near.min(initial=1.0) > _NARROW_S)


def _extra_place(one: Incident, time_s: FloatArray) -> tuple[float, float]:
    """Return where the extra edges lie: those whose leaving out leaves the usual cycle."""
    times = time_s[one.first : one.last + 1]
    if times.shape[0] <= 3:
        return float(times[0]), float(times[-1])
    # the first edge is the train's own, unless the next one of its direction is nearer to where
    # the train's should be; the shortest pair is left out
    inner = np.diff(times[1:-1])
    if one.extra == 2 and inner.shape[0]:
        at = int(np.argmin(inner)) + 1
        return float(times[at]), float(times[at + 1])
    return float(times[1]), float(times[-2])


def _name_shifted(
    one: Incident, time_s: FloatArray, share: FloatArray | None, sampled: bool
) -> _Named | None:
    """Name an incident after which the train goes on in another phase."""
    del share, sampled
    if one.cycles > _LONG_ABSENCE_CYCLES:
        return _Named(one, _event(one, time_s, "dropout"))
    if not one.alternates:
        return _Named(one, _event(one, time_s, "gap", length_s=one.lost_s, sure=False))
    if len(one.parts) == 1:
        return _name_single(one, time_s)
    if (early := _early_trigger(one)) is not None:
        return _Named(one, _event(one, time_s, "extra-edge", sure=False, length_s=early))
    if _looks_reset(one):
        return _Named(one, _event(one, time_s, "reset"))
    tiny = [part for part in one.parts if part < 0.2]
    if len(one.parts) > 2 and tiny:
        return _Named(one, _event(one, time_s, "extra-edge", count=len(tiny), sure=False))
    if len(one.parts) == 2:
        if max(one.parts) < _LONG:
            return _Named(one, _event(one, time_s, "gap", length_s=one.lost_s))
        return _name_long(one, time_s)
    if _FAR[0] < min(one.parts) and max(one.parts) < _FAR[1]:
        return None  # several cycles in a row out of place, each a little
    kind: EventKind = "gap" if one.length_s < 2.0 * one.period_s else "dropout"
    return _Named(one, _event(one, time_s, kind, length_s=one.lost_s, sure=False))


def _name_single(one: Incident, time_s: FloatArray) -> _Named:
    """Name a single interval out of the usual, the train shifted by as much."""
    on, part = one.on[0], one.parts[0]
    if part < 1.0:
        return _Named(one, _event(one, time_s, "gap", length_s=one.lost_s))
    if on:
        kind: EventKind = "reset" if part < _RESET_LONGEST else "missing-pulse"
        return _Named(one, _event(one, time_s, kind, sure=False))
    return _name_long(one, time_s)


def _name_long(one: Incident, time_s: FloatArray) -> _Named:
    """Name a rest that lasts too long by no whole number of periods."""
    rest = max(
        (part for state, part in zip(one.on, one.parts, strict=True) if not state), default=1.0
    )
    missing = max(1, math.ceil(one.shift_s / one.period_s + one.cycles))
    event = _event(one, time_s, "missing-pulse", sure=False, count=missing, after_s=one.usual_off_s)
    return _Named(one, event, rest < 2.0)


def _early_trigger(one: Incident) -> float | None:
    """Return by how much a pulse came early, seconds, where the circuit itself began it so.

    The capacitor then starts from above the trigger level, so that rest and pulse are both
    short, and by amounts that belong together: ``log2(3 - 2**(1 - rest))`` of the pulse without
    a diode's drop.
    """
    if one.on != (False, True):
        return None
    rest, pulse = one.parts
    if not (0.1 < rest < _SHORT and pulse < 1.0):
        return None
    expected = math.log2(max(3.0 - 2.0 ** (1.0 - rest), 1e-9))
    if abs(pulse - expected) > _EARLY_SHARE * min(1.0, 2.0 * (1.0 - rest)):
        return None
    return (1.0 - rest) * one.usual_off_s


def _looks_reset(one: Incident) -> bool:
    """Tell whether a phase was broken off and the next pulse began from an empty capacitor.

    A bad contact makes rests and pulses longer as well, but several of them, and none shorter.
    """
    pairs = list(zip(one.on, one.parts, strict=True))
    long_pulses = sum(on and part > _RESET_LEAST for on, part in pairs)
    if long_pulses > 1 and min(one.parts) > _SHORT:
        return False
    return any(
        on and _RESET_LEAST < pulse < _RESET_LONGEST and not _SHORT < before < _LONG
        for (_, before), (on, pulse) in pairwise(pairs)
    )


def _settle(named: list[_Named], sampled: bool) -> list[_Named]:
    """Decide what has two explanations by what else befell the recording."""
    settled = [one for one in named if not one.open_question]
    gaps = sum(one.event.kind == "gap" for one in settled)
    others = len(settled) - gaps
    # by itself: samples are lost more often than a contact opens once, a probe's edges are not
    as_gap = others <= gaps and (sampled or gaps > 0)
    result = []
    for one in named:
        doubtful = one.open_question or (
            gaps > 2 * others and not one.event.sure and not one.incident.kept
        )
        if doubtful and as_gap:
            gap = replace(one.event, kind="gap", length_s=one.incident.lost_s, count=1)
            result.append(replace(one, event=gap))
        else:
            result.append(one)
    return result
