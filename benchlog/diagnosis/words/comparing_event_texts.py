"""What a comparison says of pulses that stop, go missing or come on top, in words."""

from __future__ import annotations

from collections.abc import Sequence

from benchlog.diagnosis.finding import Evidence, Finding, Words, make_finding
from benchlog.diagnosis.train.event_kinds import Event, EventKind
from benchlog.diagnosis.trial.comparing import Comparison
from benchlog.diagnosis.trial.stage import STAGES, Stage
from benchlog.diagnosis.trial.stage_events import EventChange
from benchlog.diagnosis.words.amounts import tell_times
from benchlog.diagnosis.words.event_texts import (
    EVENT_CAUSES,
    describe_clipping,
    describe_events,
    describe_weak,
)

__all__ = [
    "FEED_BOTH",
    "FEED_NEIGHBOUR",
    "FEED_OWN",
    "WITH_STAGE",
    "describe_stage_events",
    "describe_stops",
    "name_culprit",
]

WITH_STAGE = {
    "unplugged": "the servo unplugged",
    "plugged": "the servo plugged in",
    "neighbour": "the neighbour moving",
}
"""What each stage is called after 'with'."""

FEED_OWN = (
    "Run the servo's ground and plus straight to the cells, with leads of their own, and put "
    "100 µF (its minus to ground) across the timer's supply pins, all with the power off; or "
    "feed it from its own cells, grounds joined. If the pulse then holds still, that was it."
)
FEED_NEIGHBOUR = (
    "Feed the neighbour's servo from cells of its own, grounds joined: if the pulse then holds "
    "still, it was the shared supply."
)
FEED_BOTH = (
    "Compare again with all three stages: the one in which this channel's servo is plugged in "
    "and the neighbour rests tells which of the two it is."
)
_BEGINS = {
    "unplugged": "With the servo unplugged",
    "plugged": "Once the servo is plugged in",
    "neighbour": "While the neighbour moves",
}
_HAPPENS: dict[EventKind, str] = {
    "missing-pulse": "pulses go missing",
    "extra-edge": "extra pulses come",
    "runt": "pulses of the wrong height come",
    "reset": "the timer is stopped and begins anew",
    "gap": "the recording loses samples",
    "dropout": "the signal goes away",
}
_SURE_P = 1e-4


def name_culprit(before: str, after: str) -> tuple[str, str]:
    """Say whom a change from one stage to another accuses, and what to try.

    Parameters
    ----------
    before, after : str
        The stages.

    Returns
    -------
    tuple of str
        ``own``, ``neighbour`` or ``either``, and a step.
    """
    if after == "plugged":
        return "own", FEED_OWN
    if before == "unplugged":
        return "either", FEED_BOTH
    return "neighbour", FEED_NEIGHBOUR


def describe_stops(comparison: Comparison, input_: int) -> list[Finding]:
    """Tell of stages without pulses.

    Parameters
    ----------
    comparison : Comparison
        The stages.
    input_ : int
        The input, from 1.

    Returns
    -------
    list of Finding
        One where the pulses stop, one where none came at first.
    """
    found = []
    heard: Stage | None = None
    for one in comparison.stages:
        if one.name not in comparison.silent:
            heard = one
            continue
        place = STAGES.index(one.name)
        earlier = [each.name for each in comparison.stages if STAGES.index(each.name) < place]
        if heard is not None and earlier[-1] == heard.name:
            found.append(_stop(heard, one, input_))
        elif heard is None and not earlier:
            found.append(_none_at_first(one, input_))
    return found


def _stop(before: Stage, after: Stage, input_: int) -> Finding:
    """Say that the pulses stop when a stage begins."""
    who, step = name_culprit(before.name, after.name)
    what = {
        "own": "With the servo plugged in the pulses stop.",
        "neighbour": "With the neighbour moving the pulses stop.",
        "either": "With this channel's servo or the neighbour's plugged in the pulses stop: one "
        "of the two servos stops them.",
    }[who]
    words = Words(
        what,
        f"{before.pulses} pulses came in {before.duration_s:.0f} s with "
        f"{WITH_STAGE[before.name]}, {after.pulses or 'none'} in {after.duration_s:.0f} s with "
        f"{WITH_STAGE[after.name]}. A servo that pulls the supply below what the timer needs does "
        "that, or one that shorts it.",
        "Pull the servo's plug at once if it or the cells get warm. Then see with 'benchlog watch' "
        f"whether the pulses come again without it. If they do: {step[:1].lower()}{step[1:]}",
    )
    sure = "Maybe: a lead that came off while you plugged looks the same."
    evidence: Evidence = {
        "before": before.name,
        "after": after.name,
        "pulses_before": before.pulses,
        "pulses_after": after.pulses,
        "before_s": round(before.duration_s, 2),
        "after_s": round(after.duration_s, 2),
    }
    cause = "neighbour" if who == "neighbour" else "supply"
    return make_finding(input_, cause, words, sure, evidence)


def _none_at_first(one: Stage, input_: int) -> Finding:
    """Say that no pulses came in the first stage."""
    words = Words(
        f"With {WITH_STAGE[one.name]} no pulses come.",
        f"{one.pulses or 'None'} came in {one.duration_s:.0f} s: there is nothing to compare the "
        "other stages with.",
        "See with 'benchlog watch' that lead, clip and power are on, then compare again.",
    )
    evidence: Evidence = {
        "stage": one.name,
        "pulses": one.pulses,
        "stage_s": round(one.duration_s, 2),
    }
    return make_finding(input_, "weak-signal", words, "", evidence)


def describe_stage_events(
    comparison: Comparison, input_: int, limit_s: float
) -> tuple[list[Finding], list[Finding]]:
    """Tell of what happened beyond the usual cycle in any stage.

    Parameters
    ----------
    comparison : Comparison
        The stages.
    input_ : int
        The input, from 1.
    limit_s : float
        The pulse's scatter that is allowed, seconds.

    Returns
    -------
    tuple of list of Finding
        What comes more often once something is plugged in; and what comes anyway, or is wrong
        with a recording.
    """
    more = [_more(one, input_) for one in comparison.changes if one.is_more]
    blamed = {one.kind for one in comparison.changes if one.is_more}
    heard = [one for one in comparison.stages if one.name not in comparison.silent]
    kinds = {event.kind for one in heard for event in _events(one)}
    anyway = [_anyway(kind, heard, input_) for kind in sorted(kinds - blamed)]
    return more, [*anyway, *_faults(heard, input_, limit_s)]


def _events(stage: Stage) -> tuple[Event, ...]:
    return () if stage.events is None else stage.events.events


def _more(one: EventChange, input_: int) -> Finding:
    """Say that something happens more often from a stage on."""
    who, step = name_culprit(one.before, one.after)
    begin = _BEGINS[one.after] if who != "either" else "Once one of the two servos is in"
    words = Words(
        f"{begin}, {_HAPPENS[one.kind]}.",
        f"{_times(one.second, one.second_s)} with {WITH_STAGE[one.after]}, "
        f"{_times(one.first, one.first_s)} with {WITH_STAGE[one.before]}. A servo that pulls the "
        "supply does that, through cells or a ground lead that both share.",
        step.replace("the pulse then holds still", "it then stops"),
    )
    if one.p_more < _SURE_P:
        sure = "Surely: that is far more than chance does."
    elif one.kind == "dropout":
        sure = "Maybe: a lead that was touched looks the same. Do it once more."
    else:
        sure = f"Maybe: chance does as much once in {1.0 / one.p_more:.0f} times. Do it once more."
    evidence: Evidence = {
        "before": one.before,
        "after": one.after,
        "event": one.kind,
        "events_before": one.first,
        "events_after": one.second,
        "before_s": round(one.first_s, 2),
        "after_s": round(one.second_s, 2),
        "p_value": float(f"{one.p_more:.3g}"),
    }
    cause = "supply" if one.kind == "dropout" else EVENT_CAUSES[one.kind]
    return make_finding(input_, cause, words, sure, evidence)


def _times(count: int, seconds: float) -> str:
    return f"{tell_times(count) if count else 'never'} in {seconds:.0f} s"


def _anyway(kind: EventKind, stages: Sequence[Stage], input_: int) -> Finding:
    """Tell of events that nothing was found to bring about."""
    by_stage = [(one, [each for each in _events(one) if each.kind == kind]) for one in stages]
    counts = ", ".join(
        f"{_times(len(events), one.duration_s)} with {WITH_STAGE[one.name]}"
        for one, events in by_stage
    )
    happens = _HAPPENS[kind]
    rest = "" if kind == "gap" else ", and not clearly more often with a servo than without"
    every = [each for _, events in by_stage for each in events]
    told = describe_events(kind, every, sum(one.duration_s for one in stages))
    words = Words(f"{happens[:1].upper()}{happens[1:]}{rest}.", f"{counts}.", told.next_step)
    words = Words(words.what, f"{words.why[:1].upper()}{words.why[1:]}", words.next_step)
    evidence: Evidence = {
        "event": kind,
        "stages": [one.name for one, _ in by_stage],
        "events": [float(len(events)) for _, events in by_stage],
        "stage_s": [round(one.duration_s, 2) for one, _ in by_stage],
    }
    return make_finding(input_, EVENT_CAUSES[kind], words, "", evidence)


def _faults(stages: Sequence[Stage], input_: int, limit_s: float) -> list[Finding]:
    """Tell of recordings that are too strong or too weak."""
    known = [(one.name, one.events) for one in stages if one.events is not None]
    found = []
    clipped = [(name, events) for name, events in known if events.clipping]
    if clipped:
        share = max(events.clipped_share for _, events in clipped)
        evidence: Evidence = {
            "stages": [name for name, _ in clipped],
            "clipped_share": round(share, 5),
        }
        found.append(make_finding(input_, "clipping", describe_clipping(share), "", evidence))
    weak = [(name, events) for name, events in known if events.weak]
    if weak:
        worst = max((events for _, events in weak), key=lambda each: each.floor_s)
        told = describe_weak(worst.signal_db, worst.floor_s, limit_s)
        figures: Evidence = {
            "stages": [name for name, _ in weak],
            "floor_us": round(worst.floor_s * 1e6, 3),
        }
        found.append(make_finding(input_, "weak-signal", told, "", figures))
    return found
