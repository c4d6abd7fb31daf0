"""What happened beyond the usual cycle, and what is wrong with the recording: for a beginner."""

from __future__ import annotations

from collections.abc import Sequence

from benchlog.diagnosis.finding import Words
from benchlog.diagnosis.train.event_kinds import Event, EventKind
from benchlog.diagnosis.words.amounts import capital, spell_count, tell_times, us

__all__ = ["EVENT_CAUSES", "describe_clipping", "describe_events", "describe_weak"]

EVENT_CAUSES: dict[EventKind, str] = {
    "missing-pulse": "missing-pulse",
    "extra-edge": "extra-edge",
    "runt": "extra-edge",
    "reset": "supply",
    "gap": "gap",
    "dropout": "weak-signal",
}
"""The cause that each kind of event speaks for."""

_FEW = 3
_LONG_S = 1e-3


def describe_events(kind: EventKind, events: Sequence[Event], duration_s: float) -> Words:
    """Describe the events of one kind.

    Parameters
    ----------
    kind : str
        The kind.
    events : sequence of Event
        All of that kind, one or more, in the order of time.
    duration_s : float
        How long was recorded, seconds.

    Returns
    -------
    Words
        The sentences.
    """
    where = _places(events)
    words = {
        "missing-pulse": _missing,
        "extra-edge": _extra,
        "runt": _runt,
        "reset": _reset,
        "gap": _gap,
        "dropout": _dropout,
    }[kind]
    return words(events, where, duration_s)


def _count(count: int, one: str, several: str) -> str:
    """Write how many of what, at the beginning of a sentence."""
    return f"{capital(spell_count(count))} {one if count == 1 else several}"


def _places(events: Sequence[Event]) -> str:
    """Say when the first ones were."""
    at = [f"{one.time_s:.2f}" for one in events[:_FEW]]
    if len(events) == 1:
        return f"at {at[0]} s"
    if len(events) <= _FEW:
        return f"at {', '.join(at[:-1])} and {at[-1]} s"
    return f"the first at {', '.join(at[:-1])} and {at[-1]} s"


def _missing(events: Sequence[Event], where: str, duration_s: float) -> Words:
    count = sum(one.count for one in events)
    kept = sum(one.phase_kept for one in events)
    beat = (
        "Afterwards the train goes on in its old beat"
        if 2 * kept > len(events)
        else "Afterwards the train begins anew, out of its old beat"
    )
    return Words(
        f"{_count(count, 'pulse is', 'pulses are')} missing in {duration_s:.0f} s.",
        f"No pulse comes where one was due, {where}. {beat}; the pulses around are as usual, so "
        "the recording was running.",
        "Unplug the servo and tap the knob lightly while you record: a wiper that loses its "
        "contact loses pulses. If that changes nothing, press with a dry wooden stick on each "
        "joint of the timer in turn, pin 4 (reset) and its supply pins first.",
    )


def _extra(events: Sequence[Event], where: str, duration_s: float) -> Words:
    count = sum(one.count for one in events)
    longest_s = max(one.length_s for one in events)
    length = ""
    if longest_s >= 1e-6:
        shown = f"{1e3 * longest_s:.1f} ms" if longest_s >= _LONG_S else us(longest_s)
        length = f", the longest such stretch {shown}"
    return Words(
        f"{_count(count, 'extra pulse', 'extra pulses')} in {duration_s:.0f} s.",
        f"The output switches where it should not, {where}{length}: noise at the moment "
        "at which the timer switches does that, or a spark or a motor nearby.",
        "Power off, put 100 nF across the timer's supply pins and 10 nF from its control pin "
        "(pin 5) to ground, close to it, unplug the servo and record again: if the extra "
        "pulses are gone, plug it in again to see whether they came through the supply.",
    )


def _runt(events: Sequence[Event], where: str, duration_s: float) -> Words:
    return Words(
        f"{_count(len(events), 'pulse has', 'pulses have')} the wrong height in "
        f"{duration_s:.0f} s.",
        f"A step of the signal is far lower or higher than the others, {where}: the output is "
        "loaded for a moment, or something else gets into the lead.",
        "Unplug the servo and lay the lead away from other leads, then record again: if all "
        "pulses are alike, plug the servo in again to see whether it was that.",
    )


def _reset(events: Sequence[Event], where: str, duration_s: float) -> Words:
    return Words(
        f"The timer is stopped and begins anew {tell_times(len(events))} in "
        f"{duration_s:.0f} s: the supply, or pin 4 (reset), drops out for a moment.",
        f"A cycle is cut short, {where}, and the pulse after it is longer, as from an empty "
        "capacitor.",
        "Feed the timer from cells of its own, with pin 4 joined to its supply pin, and record "
        "again: if no cycle is cut short, it was the supply.",
    )


def _gap(events: Sequence[Event], where: str, duration_s: float) -> Words:
    lost_ms = 1e3 * sum(one.length_s for one in events)
    many = len(events) > 1
    return Words(
        "The recording lost a stretch of the signal in "
        f"{spell_count(len(events))} place{'s' * many}; the channel is not to blame.",
        f"{lost_ms:.1f} ms of {duration_s:.0f} s are missing{' in all' * many}, {where}, and the "
        "pulses on either side are as usual: no part of the circuit does that. The pulses there "
        "are left out of all other figures.",
        "Close other programs, use another USB socket, or a lower --rate, and record again: "
        "without such places nothing is lost.",
    )


def _dropout(events: Sequence[Event], where: str, duration_s: float) -> Words:
    away_s = sum(one.length_s for one in events)
    return Words(
        f"The signal goes away {tell_times(len(events))}, {away_s:.1f} s of "
        f"{duration_s:.0f} s in all: a lead or plug that comes and goes, or the power.",
        f"No pulse at all comes for a while, {where}.",
        "Move the lead, the clip and the plug one after the other while 'benchlog watch' runs: "
        "the one that makes the signal go is the culprit. If none does, look at the channel's "
        "own power.",
    )


def describe_clipping(clipped_share: float) -> Words:
    """Describe a signal that is too strong for the input.

    Parameters
    ----------
    clipped_share : float
        Share of the samples at the ends of the scale.

    Returns
    -------
    Words
        The sentences.
    """
    percent = 100.0 * clipped_share
    shown = f"{percent:.0f}" if percent >= 10 else f"{percent:.1f}"
    return Words(
        "The signal is too strong for the input (clipping), so the figures cannot be relied on.",
        f"{shown} % of the samples are at the end of the input's scale: what lies beyond is cut "
        "off, and the edges move with it.",
        "Turn the input's level down, or take a smaller lower resistor for the divider "
        "('benchlog wire'), until 'benchlog listen' no longer tells of clipping; then record "
        "again.",
    )


def describe_weak(signal_db: float | None, floor_s: float, limit_s: float) -> Words:
    """Describe a signal that hardly stands out of the noise.

    Parameters
    ----------
    signal_db : float or None
        Height of the pulse's step to the noise, decibels.
    floor_s : float
        What the input's noise alone gives to a pulse's scatter, seconds.
    limit_s : float
        The pulse's scatter that is allowed, seconds.

    Returns
    -------
    Words
        The sentences.
    """
    times = "" if signal_db is None else f" (its step is {10 ** (signal_db / 20):.0f} times that)"
    return Words(
        "The signal hardly stands out of the noise.",
        f"The input's own noise{times} makes each pulse uncertain by {us(floor_s)}, "
        f"where the channel may scatter by {limit_s * 1e6:g} µs.",
        "Turn the input's level up, or take a divider that gives more ('benchlog wire'), until "
        "'benchlog listen' calls the input good; then record again.",
    )
