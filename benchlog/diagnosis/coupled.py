"""Two channels in one recording: what the neighbour accounts for, and what is left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchlog.diagnosis.evidence import scatter_evidence
from benchlog.diagnosis.finding import (
    CANNOT_TELL,
    STEADY,
    Evidence,
    Finding,
    InputDiagnosis,
    Part,
    Words,
    make_finding,
)
from benchlog.diagnosis.moves import make_scatter, weigh_moves
from benchlog.diagnosis.pair.common_supply import CommonMove, compare_moves
from benchlog.diagnosis.pair.neighbour import Coupling, Couplings
from benchlog.diagnosis.separation.unrest import Unrest
from benchlog.diagnosis.words.neighbour_texts import (
    describe_common,
    describe_neighbour,
    describe_turned,
    neighbour_evidence,
)
from benchlog.diagnosis.words.verdict_texts import capital

__all__ = ["tell_common_supply", "weigh_neighbour"]

_SMALL_SHARE = 0.05
_LEFT_OVER = 0.25
"""Of the neighbour's share: what is not fitted of its strokes may be as much."""
_IMITATED = ("contact", "upper-level", "lower-level", "supply-on-end", "supply-off-end", "mains")
"""Kinds of movement that differ from cycle to cycle with the beat of two trains."""
_CERTAIN = 1e-4


def weigh_neighbour(
    one: InputDiagnosis,
    moves: Sequence[Finding],
    couplings: Couplings,
    place: int,
    numbers: Sequence[int],
    without: InputDiagnosis | None = None,
) -> list[Finding]:
    """Set what a neighbour does beside what else moves a channel.

    Parameters
    ----------
    one : InputDiagnosis
        The channel.
    moves : sequence of Finding
        What moves it, the neighbour left out of account.
    couplings : Couplings
        Which of the recording's channels move which.
    place : int
        Which of them this one is.
    numbers : sequence of int
        Their inputs.
    without : InputDiagnosis, optional
        The channel with what its neighbour does to it taken out; what is left of it within the
        limits is named by nobody.

    Returns
    -------
    list of Finding
        What the neighbour does first, where it weighs most; then the others.
    """
    unrest = one.unrest
    if unrest is None or not unrest.over:
        return list(moves)
    if couplings.is_turned(place):
        return _without_turning(one, unrest, moves, couplings, place)
    coupling = couplings.moving(place)
    if coupling is None:
        return list(moves)
    found = _neighbour(one, unrest, coupling, couplings, numbers[coupling.source])
    for finding in moves:
        # the same cells are pulled by what was just shown to pull on them
        is_same = finding.cause == "supply" and _is_quick(finding)
        if is_same and (finding.share or 0.0) > (found.share or 0.0):
            found = replace(found, part=finding.part)
    beside = _beside(found, without, scatter_evidence(one, unrest))
    return sorted([found, *beside], key=lambda finding: -(finding.share or 0.0))


def _beside(found: Finding, without: InputDiagnosis | None, base: Evidence) -> list[Finding]:
    """Return what else moves a channel, of what its neighbour leaves.

    A servo's strokes are never fitted to the last microsecond, and what is left of them looks
    like a contact, a level or a beat of the mains. So where the neighbour weighs more, nothing
    else is said surely.
    """
    if without is None or without.unrest is None:
        return []
    share = found.share or 0.0
    beside = []
    # how far it scatters stands with the neighbour; what it scatters without is no measured figure
    for finding in weigh_moves(without, with_scatter=False):
        if finding.part is None:
            continue
        part = finding.part.scaled(1.0 - share)
        least = _LEFT_OVER * share if _may_be_left(finding) else 0.0
        if part.share < max(_SMALL_SHARE, least):
            continue
        if part.share < share:
            first = "First take the neighbour's pull away, as said above, and record again"
            finding = replace(
                finding,
                sure="Maybe: it may as well be what is left of the neighbour's pull.",
                next_step=f"{first}: what is told then is the channel's own.",
            )
        beside.append(replace(finding, part=part, figures={**finding.figures, **base}))
    return beside


def _may_be_left(finding: Finding) -> bool:
    """Tell whether a finding may be what the fit left of a neighbour's strokes."""
    kinds = finding.evidence.get("kinds")
    first = kinds[0] if isinstance(kinds, list) and kinds else finding.cause
    return first in _IMITATED or (finding.cause == "supply" and _is_quick(finding))


def _is_quick(finding: Finding) -> bool:
    """Tell whether a supply moves from cycle to cycle rather than slowly."""
    slow, fast = (finding.evidence.get(f"{pace}_pulse_sd_us") for pace in ("slow", "fast"))
    return isinstance(slow, float) and isinstance(fast, float) and fast > slow


def _neighbour(
    one: InputDiagnosis,
    unrest: Unrest,
    coupling: Coupling,
    couplings: Couplings,
    source_input: int,
) -> Finding:
    """Return the finding for a neighbour."""
    part = coupling.size.pulse if unrest.counted == "pulse" else coupling.size.period
    words = describe_neighbour(coupling, couplings, source_input)
    scatter = capital(str(make_scatter(one, unrest)))
    why = f"{scatter}. {words.why}"
    sure = (
        "Surely: that it is chance is out of the question."
        if coupling.p_value < _CERTAIN
        else "Maybe: a longer recording would tell."
    )
    return make_finding(
        one.input,
        "neighbour",
        Words(words.what, why, words.next_step),
        sure,
        {
            **scatter_evidence(one, unrest),
            **neighbour_evidence(coupling, source_input),
        },
        Part(part.share, part.share_low, part.share_high, unrest.counted),
    )


def _without_turning(
    one: InputDiagnosis,
    unrest: Unrest,
    moves: Sequence[Finding],
    couplings: Couplings,
    place: int,
) -> list[Finding]:
    """Leave out that a person turns this channel's knob while another one is watched."""
    turned = sum(finding.share or 0.0 for finding in moves if finding.cause == "wiper")
    left = min(1.0, max(0.0, 1.0 - turned))
    scatter = make_scatter(one, unrest, left)
    kept = [finding for finding in moves if finding.cause != "wiper"]
    within = (
        scatter.pulse_s <= scatter.pulse_limit_s and scatter.period_share <= scatter.period_limit
    )
    if kept and not within:
        return kept
    travel_s = max(pair.travel_s for pair in couplings.pairs if pair.source == place)
    words = describe_turned(travel_s, str(scatter))
    evidence = {**scatter_evidence(one, unrest), "travel_us": round(1e6 * travel_s, 6)}
    cause = STEADY if within else CANNOT_TELL
    return [make_finding(one.input, cause, words, "", evidence)]


def tell_common_supply(inputs: Sequence[InputDiagnosis]) -> tuple[InputDiagnosis, ...]:
    """Say surely that it is the supply where two channels show the same fall of it.

    By itself a channel cannot tell a supply that creeps from a diode that warms. Two that share
    their cells and no diode can.

    Parameters
    ----------
    inputs : sequence of InputDiagnosis
        Of one recording, or of several, their findings made.

    Returns
    -------
    tuple of InputDiagnosis
        The same, with the findings told anew of those whose first cause is the supply.
    """
    told = list(inputs)
    for place, one in enumerate(inputs):
        moves = [
            (move, other)
            for other in inputs
            if other is not one and (move := _common_move(one, other)) is not None
        ]
        if not moves:
            continue
        move, other = max(moves, key=lambda pair: pair[0].correlation)
        told[place] = replace(one, findings=(_as_common(one, move, other), *one.findings[1:]))
    return tuple(told)


def _common_move(one: InputDiagnosis, other: InputDiagnosis) -> CommonMove | None:
    """Compare two inputs in the longest recording that holds both; None where nothing is alike."""
    if not all(_leads_slowly(each) for each in (one, other)):
        return None
    files = [[heard.file for heard in each.heard] for each in (one, other)]
    shared = sorted(set(files[0]) & set(files[1]))
    if not shared:
        return None
    file = max(shared, key=lambda name: one.cycles[files[0].index(name)].duration_s)
    mine, its = files[0].index(file), files[1].index(file)
    return compare_moves(
        one.cycles[mine], one.directions[mine], other.cycles[its], other.directions[its]
    )


def _leads_slowly(one: InputDiagnosis) -> bool:
    """Tell whether the first finding is a supply that creeps, or a diode, nobody knows which."""
    first = one.findings[0]
    return first.cause == "supply" and first.part is not None and not _is_quick(first)


def _as_common(one: InputDiagnosis, move: CommonMove, other: InputDiagnosis) -> Finding:
    """Tell the first finding anew, as the supply's."""
    first = one.findings[0]
    designed = all(heard.design is not None for each in (one, other) for heard in each.heard)
    words = describe_common(
        move, other.input, Words(first.what, first.reason, first.next_step), designed=designed
    )
    return replace(
        first,
        what=words.what,
        reason=words.why,
        next_step=words.next_step,
        sure="Surely the supply: both channels show the same movement of it.",
        figures={
            **{name: value for name, value in first.figures.items() if name != "or_like"},
            "alike_input": other.input,
            "correlation": move.correlation,
            "alike_ratio": move.ratio,
            "u_alike_ratio": move.u_ratio,
            "alike_supply_sd_v": move.spread_v,
            "alike_supply_change_v": move.change_v,
        },
    )
