"""What is said of an incident that has two explanations: for a beginner."""

from __future__ import annotations

from collections.abc import Sequence

from benchlog.diagnosis.finding import Words
from benchlog.diagnosis.train.event_kinds import Event, EventKind

__all__ = ["describe_joint"]

_DID: dict[EventKind, str] = {
    "missing-pulse": "a pulse did not come",
    "extra-edge": "the output made an extra pulse",
    "runt": "the output was loaded, so that a pulse has another height",
    "reset": "the supply, or pin 4 (reset), dropped out for a moment",
    "gap": "the recording lost samples",
    "dropout": "the lead or the plug came loose",
}
_FEW = 3


def describe_joint(kind: EventKind, events: Sequence[Event]) -> Words:
    """Describe incidents for which two kinds of event are nearly as likely.

    Parameters
    ----------
    kind : str
        The likelier kind.
    events : sequence of Event
        All of that kind, one or more, in the order of time; at least one of them unsure.

    Returns
    -------
    Words
        The sentences.
    """
    rivals = sorted({one.rival for one in events if one.rival is not None})
    maybe = ", ".join(f"maybe {_DID[one]}" for one in (kind, *rivals))
    where = _places(events)
    breaks = "the beat breaks" if kind != "runt" else "a pulse is out of the usual"
    shown = "It shows" if len(events) == 1 else "They show"
    both = (
        "in the beat, and a step of the signal beside it belongs to no pulse"
        if rivals
        else "in the beat alone, and the pulses on either side are as usual"
    )
    return Words(
        f"{where[0].upper()}{where[1:]} {breaks}: {maybe}.",
        f"{shown} {both}. The pulses there are left out of all other figures.",
        "Close other programs, use another USB socket, and record again, twice: what a computer "
        "loses is seldom lost again, and what the output does comes again. If it does, power "
        "off, put 100 nF across the timer's supply pins, close to it, unplug the servo and record "
        "once more.",
    )


def _places(events: Sequence[Event]) -> str:
    """Say when the first ones were."""
    at = [f"{one.time_s:.2f}" for one in events[:_FEW]]
    if len(at) == 1:
        return f"at {at[0]} s"
    more = "" if len(events) <= _FEW else f" ({len(events)} places in all)"
    return f"at {', '.join(at[:-1])} and {at[-1]} s{more}"
