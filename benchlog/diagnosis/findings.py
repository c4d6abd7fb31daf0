"""The diagnosis: from what was heard to findings, weightiest first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchlog.channel.plan import Design, Limits
from benchlog.diagnosis.coupled import tell_common_supply
from benchlog.diagnosis.cycles import Cycles, list_cycles
from benchlog.diagnosis.end_stop import EndStop, judge_end_stop
from benchlog.diagnosis.finding import Diagnosis, Finding, Heard, InputDiagnosis
from benchlog.diagnosis.odd_cycles import Calmed, calm_cycles
from benchlog.diagnosis.pair.neighbour import Couplings, find_coupling
from benchlog.diagnosis.separation.directions import Direction, find_directions
from benchlog.diagnosis.separation.unrest import Unrest, separate_causes
from benchlog.diagnosis.series.mains import MainsSearch, find_mains
from benchlog.diagnosis.series.steps import find_periodic_load, find_steps
from benchlog.diagnosis.train.events import Events, find_events
from benchlog.diagnosis.weighing import rank_finding, weigh_input

__all__ = [
    "Diagnosis",
    "Finding",
    "Heard",
    "InputDiagnosis",
    "diagnose",
    "find_heard_directions",
]

_FEWEST_CYCLES = 8
"""Of fewer cycles even a standard deviation says little."""


def diagnose(heard: Sequence[Heard], design: Design | None = None) -> Diagnosis:
    """Say what is wrong with a channel, how sure that is, and what to try.

    Parameters
    ----------
    heard : sequence of Heard
        The inputs of one recording, or several recordings of one channel (whose evidence is
        taken together), or both. At least one.
    design : Design, optional
        What the channel should be, for those that bring no design of their own.

    Returns
    -------
    Diagnosis
        With at least one finding for each input.

    Raises
    ------
    ValueError
        Nothing was heard.
    """
    if not heard:
        raise ValueError("there is nothing to diagnose")
    known = [one if one.design is not None else replace(one, design=design) for one in heard]
    numbers = sorted({one.measurement.input for one in known})
    examined = [
        _examine(number, [one for one in known if one.measurement.input == number])
        for number in numbers
    ]
    couplings = _couple(examined)
    inputs = tell_common_supply(
        [
            replace(
                one,
                findings=weigh_input(
                    one,
                    couplings,
                    place,
                    numbers,
                    without=_without_neighbour(one, couplings, place),
                ),
            )
            for place, one in enumerate(examined)
        ]
    )
    return Diagnosis(findings=_merge(inputs), inputs=inputs, couplings=couplings)


def _merge(inputs: Sequence[InputDiagnosis]) -> tuple[Finding, ...]:
    """Put the findings of all inputs in one order, in which each input keeps its own."""
    ranked: list[tuple[int, Finding]] = []
    for one in inputs:
        rank = 0
        for finding in one.findings:
            rank = max(rank, rank_finding(finding))
            ranked.append((rank, finding))
    return tuple(finding for _, finding in sorted(ranked, key=lambda entry: entry[0]))


def _couple(examined: Sequence[InputDiagnosis]) -> Couplings | None:
    """Look for channels that move each other, where a recording holds two or more."""
    files = [{heard.file for heard in one.heard} for one in examined]
    shared = sorted(set.intersection(*files)) if len(examined) > 1 else []
    if not shared:
        return None
    # of several recordings the longest: each pair of channels has its own beat in each
    best = max(shared, key=lambda file: min(_length_s(one, file) for one in examined))
    places = [[heard.file for heard in one.heard].index(best) for one in examined]
    chosen = list(zip(examined, places, strict=True))
    return find_coupling(
        [one.cycles[place] for one, place in chosen],
        [one.directions[place] for one, place in chosen],
        calm=[one.calmed[place].cycles for one, place in chosen],
    )


def _length_s(one: InputDiagnosis, file: str) -> float:
    """Return how long an input was watched in one recording, seconds."""
    place = [heard.file for heard in one.heard].index(file)
    return one.cycles[place].duration_s


def _without_neighbour(
    one: InputDiagnosis, couplings: Couplings | None, place: int
) -> InputDiagnosis | None:
    """Return a channel with the pull of its neighbour taken out; None where there is none.

    A pull comes and goes with the beat of two trains: what it does to a cycle looks like a bad
    contact, like restless levels, and where its beat is near one of the mains like hum.
    """
    coupling = couplings.moving(place) if couplings is not None else None
    if coupling is None or coupling.size.moves is None or one.unrest is None:
        return None
    moves = coupling.size.moves
    at = next(at for at, each in enumerate(one.cycles) if each.count == moves.shape[0])
    pulled = one.cycles[at]
    calm = replace(pulled, on_s=pulled.on_s - moves[:, 0], off_s=pulled.off_s - moves[:, 1])
    search = _search(calm)
    limits = Limits() if one.design is None else one.design.limits
    return replace(
        one,
        heard=(one.heard[at],),
        cycles=(calm,),
        directions=(one.directions[at],),
        searches=(search,),
        events=(one.events[at],),
        unrest=_unrest(limits, [calm], [one.directions[at]], [search]),
        end_stops=(one.end_stops[at],),
        steps=(),
        loads=(),
        calmed=(),
    )


def _examine(number: int, heard: Sequence[Heard]) -> InputDiagnosis:
    """Work out all that the findings of one input rest on."""
    limits = next((one.design.limits for one in heard if one.design is not None), Limits())
    events = tuple(find_events(one.measurement, pulse_limit_s=limits.jitter_s) for one in heard)
    cycles = tuple(
        list_cycles(one.measurement, found.spoilt) for one, found in zip(heard, events, strict=True)
    )
    directions = tuple(_directions(*pair) for pair in zip(heard, cycles, strict=True))
    calmed = tuple(calm_cycles(one) for one in cycles)
    calm = tuple(one.cycles for one in calmed)
    searches = tuple(_search(one) for one in calm)
    unrest = _unrest(limits, cycles, directions, searches, calmed)
    restless = unrest is not None and unrest.over
    return InputDiagnosis(
        input=number,
        findings=(),
        heard=tuple(heard),
        cycles=cycles,
        directions=directions,
        searches=searches,
        events=events,
        unrest=unrest,
        end_stops=_end_stops(heard, events),
        steps=tuple(
            find_steps(one, search.lines) if restless and _is_enough(one) else ()
            for one, search in zip(calm, searches, strict=True)
        ),
        loads=tuple(
            find_periodic_load(one, search.lines) if restless and _is_enough(one) else None
            for one, search in zip(calm, searches, strict=True)
        ),
        calmed=calmed,
    )


def _is_enough(cycles: Cycles) -> bool:
    """Tell whether there are cycles enough to speak of their scatter."""
    return cycles.count >= _FEWEST_CYCLES


def _directions(heard: Heard, cycles: Cycles) -> tuple[Direction, ...]:
    """Return how each cause would move the cycle at the place of one recording."""
    if not _is_enough(cycles):
        return ()
    return find_heard_directions(heard, cycles)


def find_heard_directions(heard: Heard, cycles: Cycles) -> tuple[Direction, ...]:
    """Return how each cause would move the cycle of what was heard.

    Parameters
    ----------
    heard : Heard
        With the design, supply and temperature that are known.
    cycles : Cycles
        Its cycles, one or more.

    Returns
    -------
    tuple of Direction
        As `find_directions` gives them.
    """
    return find_directions(
        float(np.mean(cycles.on_s)),
        float(np.mean(cycles.off_s)),
        heard.design,
        supply_v=heard.supply_v,
        temperature_c=heard.temperature_c,
    )


def _search(cycles: Cycles) -> MainsSearch:
    """Look for the mains where there are cycles enough."""
    if not _is_enough(cycles):
        return MainsSearch(lines=(), aliases=(), near_zero=())
    return find_mains(cycles)


def _unrest(
    limits: Limits,
    cycles: Sequence[Cycles],
    directions: Sequence[tuple[Direction, ...]],
    searches: Sequence[MainsSearch],
    calmed: Sequence[Calmed] = (),
) -> Unrest | None:
    """Share the movement out among the causes, over all recordings that have cycles enough."""
    used = [index for index, one in enumerate(cycles) if _is_enough(one)]
    if not used:
        return None
    return separate_causes(
        [cycles[index] for index in used],
        [directions[index] for index in used],
        pulse_limit_s=limits.jitter_s,
        period_limit=limits.period_fraction,
        lines=[searches[index] for index in used],
        calmed=[calmed[index] for index in used] if calmed else (),
    )


def _end_stops(heard: Sequence[Heard], events: Sequence[Events]) -> tuple[EndStop | None, ...]:
    """Judge each recording against the servo's range."""
    return tuple(
        judge_end_stop(
            one.measurement.pulses.width_s[~found.spoilt],
            one.measurement.width.u_s,
            noise_s=one.measurement.jitter.floor_s,
            design=one.design,
            knob_deg=one.knob_deg,
            supply_v=one.supply_v,
            temperature_c=one.temperature_c,
        )
        for one, found in zip(heard, events, strict=True)
    )
