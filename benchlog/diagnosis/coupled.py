"""Two channels in one recording: what the neighbour accounts for, and what is left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchlog.diagnosis.evidence import scatter_evidence
from benchlog.diagnosis.finding import (
    CANNOT_TELL,
    STEADY,
    Finding,
    InputDiagnosis,
    Part,
    Words,
    make_finding,
)
from benchlog.diagnosis.moves import make_scatter
from benchlog.diagnosis.pair.neighbour import Coupling, Couplings
from benchlog.diagnosis.separation.unrest import Unrest
from benchlog.diagnosis.words.neighbour_texts import (
    describe_neighbour,
    describe_turned,
    neighbour_evidence,
)
from benchlog.diagnosis.words.verdict_texts import capital

__all__ = ["weigh_neighbour"]

_SMALL_SHARE = 0.05
_CERTAIN = 1e-4


def weigh_neighbour(
    one: InputDiagnosis,
    moves: Sequence[Finding],
    couplings: Couplings,
    place: int,
    numbers: Sequence[int],
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
    kept = [finding for finding in moves if finding.cause != CANNOT_TELL]
    for finding in kept:
        # the same cells are pulled by what was just shown to pull on them
        is_same = finding.cause == "supply" and _is_quick(finding)
        if is_same and (finding.share or 0.0) > (found.share or 0.0):
            found = replace(found, part=finding.part)
    share = found.share or 0.0
    supply = sum(finding.share or 0.0 for finding in kept if finding.cause == "supply")
    others = sum(finding.share or 0.0 for finding in kept if finding.cause != "supply")
    # what the neighbour does goes through the supply; what it does beyond that the others seemed to
    factor = max(0.0, others - max(0.0, share - supply)) / others if others else 0.0
    kept = [
        replace(finding, part=finding.part.scaled(1.0, less=share))
        if finding.cause == "supply"
        else replace(finding, part=finding.part.scaled(factor))
        for finding in kept
        if finding.part is not None
    ]
    kept = [finding for finding in kept if (finding.share or 0.0) >= _SMALL_SHARE]
    return sorted([found, *kept], key=lambda finding: -(finding.share or 0.0))


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
