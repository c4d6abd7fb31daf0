"""Which findings one input gives, and in which order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchlog.channel.plan import Limits
from benchlog.diagnosis.coupled import weigh_neighbour
from benchlog.diagnosis.evidence import duration_s, event_evidence, signal_evidence
from benchlog.diagnosis.finding import (
    CANNOT_TELL,
    QUIET,
    STEADY,
    Finding,
    InputDiagnosis,
    make_finding,
)
from benchlog.diagnosis.moves import weigh_moves
from benchlog.diagnosis.pair.neighbour import Couplings
from benchlog.diagnosis.train.event_kinds import EventKind
from benchlog.diagnosis.words.event_texts import (
    EVENT_CAUSES,
    describe_clipping,
    describe_events,
    describe_weak,
)
from benchlog.diagnosis.words.incident_texts import describe_joint
from benchlog.diagnosis.words.stop_texts import end_stop_findings
from benchlog.diagnosis.words.verdict_texts import describe_hidden

__all__ = ["rank_finding", "weigh_input"]

_EVENT_ORDER: tuple[EventKind, ...] = (
    "gap", "dropout", "reset", "missing-pulse", "extra-edge", "runt",
)  # fmt: skip


_BEFORE_CAUSES = ("missing-pulse", "extra-edge")
_RANKS = {
    "end-stop-low": 0, "end-stop-high": 0, "clipping": 1, "gap": 2, "weak-signal": 2,
    "missing-pulse": 3, "extra-edge": 3, "neighbour": 4, CANNOT_TELL: 6, STEADY: 7,
}  # fmt: skip
_RANK = 5
_LEAST_DB = 16.0
"""Step to noise, decibels, below which the search for edges misses some and finds false ones."""
_STEP_ABOVE = "First do the step above."
_CLEAR_OF_NOISE = 3.0
"""A weak signal's noise is known to a factor of two at best: a movement less than this many
times what it gives to a pulse may be noise."""


def rank_finding(finding: Finding) -> int:
    """Return the place of a finding among those of several inputs: the least comes first.

    Parameters
    ----------
    finding : Finding
        Of any input.

    Returns
    -------
    int
        Of one input's findings the order stays as it is where these agree.
    """
    return _RANKS.get(finding.cause, _RANK)


def weigh_input(
    one: InputDiagnosis,
    couplings: Couplings | None,
    place: int,
    numbers: Sequence[int],
    without: InputDiagnosis | None = None,
) -> tuple[Finding, ...]:
    """Turn what was worked out for an input into findings.

    Parameters
    ----------
    one : InputDiagnosis
        With its findings still empty.
    couplings : Couplings or None
        Which of the recording's channels move which.
    place : int
        Which of them this one is.
    numbers : sequence of int
        Their inputs.
    without : InputDiagnosis, optional
        The same input with what its neighbour does to it taken out.

    Returns
    -------
    tuple of Finding
        Weightiest first, one or more: what can hurt, what spoils the figures, what happened
        now and then, what moves the cycle.
    """
    drowned = _drowned(one)
    if drowned is not None:
        # edges that noise makes or moves look like every fault there is
        spoilers = [
            replace(spoiler, next_step=_STEP_ABOVE) if spoiler.cause == "weak-signal" else spoiler
            for spoiler in _spoilers(one)
        ]
        return (drowned, *spoilers)
    urgent = [*end_stop_findings(one), *_spoilers(one)]
    if any(finding.cause == "clipping" for finding in urgent):
        # cut tops move edges and make some more: what else shows may be their doing
        return tuple(urgent)
    events = _events(one)
    moves = weigh_moves(one)
    if couplings is not None:
        moves = weigh_neighbour(one, moves, couplings, place, numbers, without)
    causes = [finding for finding in moves if finding.cause not in QUIET]
    unsure = [finding for finding in moves if finding.cause == CANNOT_TELL]
    # a bad contact loses pulses, a pulled supply stops the timer, and what befell the recording
    # alone weighs less than a fault of the channel
    before = [
        finding
        for finding in events
        if not causes or (_is_weighty(finding) and not _is_open_contact(one))
    ]
    after = [finding for finding in events if finding not in before]
    return (*urgent, *before, *causes, *after, *unsure) or tuple(moves)


def _drowned(one: InputDiagnosis) -> Finding | None:
    """Say that noise hides the channel, where nothing stands clear of it."""
    if not any(found.weak for found in one.events):
        return None
    floor_s = max(found.floor_s for found in one.events)
    known = [found.signal_db for found in one.events if found.signal_db is not None]
    signal_db = min(known, default=None)
    is_lost = signal_db is not None and signal_db < _LEAST_DB
    if not is_lost and one.unrest is not None:
        unrest = one.unrest
        moved_s = unrest.pulse_rms_s if unrest.counted == "pulse" else unrest.period_rms_s
        if moved_s > _CLEAR_OF_NOISE * floor_s:
            return None
    words = describe_hidden(floor_s, _pulse_limit_s(one), signal_db)
    return make_finding(one.input, CANNOT_TELL, words, "", signal_evidence(one))


def _is_weighty(finding: Finding) -> bool:
    """Tell whether an event comes before what moves the cycle."""
    return finding.cause in _BEFORE_CAUSES and finding.sure.startswith("Surely")


def _spoilers(one: InputDiagnosis) -> list[Finding]:
    """Return what spoils the figures: too strong a signal, or too weak a one."""
    found = []
    clipped = max(found.clipped_share for found in one.events)
    if any(found.clipping for found in one.events):
        found.append(
            make_finding(
                one.input,
                "clipping",
                describe_clipping(clipped),
                "Surely: the samples themselves show it.",
                signal_evidence(one),
            )
        )
    elif any(found.weak for found in one.events):
        known = [found.signal_db for found in one.events if found.signal_db is not None]
        floor_s = max(found.floor_s for found in one.events)
        found.append(
            make_finding(
                one.input,
                "weak-signal",
                describe_weak(min(known) if known else None, floor_s, _pulse_limit_s(one)),
                "Surely: the noise was measured between the pulses.",
                signal_evidence(one),
            )
        )
    return found


def _events(one: InputDiagnosis) -> list[Finding]:
    """Return what happened beyond the usual cycle, a finding for each kind."""
    found = []
    total_s = duration_s(one.cycles)
    for kind in _EVENT_ORDER:
        events = [event for each in one.events for event in each.of_kind(kind)]
        if not events:
            continue
        doubtful = [event for event in events if not event.sure]
        rivals = sorted({EVENT_CAUSES[event.rival] for event in events if event.rival is not None})
        # "the channel is not to blame" is nothing to be said of what may be the channel
        is_joint = bool(rivals) or (kind == "gap" and bool(doubtful))
        sure = "Surely: nothing else leaves such a mark."
        if doubtful:
            sure = "Maybe: something else would look nearly the same."
        if is_joint and len(doubtful) < len(events):
            sure = f"Maybe: surely in {len(events) - len(doubtful)} of the {len(events)} places."
        found.append(
            make_finding(
                one.input,
                EVENT_CAUSES[kind],
                describe_joint(kind, events)
                if is_joint
                else describe_events(kind, events, total_s),
                sure,
                {**event_evidence(events, total_s), **({"rivals": rivals} if rivals else {})},
            )
        )
    return found


def _pulse_limit_s(one: InputDiagnosis) -> float:
    """Return the pulse's scatter that is allowed, seconds."""
    limits = Limits() if one.design is None else one.design.limits
    return limits.jitter_s


def _is_open_contact(one: InputDiagnosis) -> bool:
    """Tell whether a bad contact is what moves the cycle most."""
    if one.unrest is None or not one.unrest.contributions:
        return False
    return one.unrest.over and one.unrest.contributions[0].kind == "contact"
