"""Measuring the inputs of the recordings that a diagnosis takes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.errors import BenchlogError, UsageError

if TYPE_CHECKING:
    from benchlog.channel.design import Design
    from benchlog.commands.diagnosed import Asked, Case, Recorded
    from benchlog.diagnosis.finding import Diagnosis, Heard
    from benchlog.diagnosis.still import Still
    from benchlog.errors import MeasurementError
    from benchlog.timing.edges import Edges
    from benchlog.timing.notices import Notice
    from benchlog.timing.pulses import Measurement

__all__ = ["hear_case", "list_untold", "list_warnings"]

_TOLD = (
    "clipping",
    "extra-edge",
    "few-pulses",
    "gap",
    "lost-edge",
    "missing-pulse",
    "runt",
    "weak-signal",
)
"""Notices of a measurement that a diagnosis makes findings of, where they matter."""


def hear_case(case: Case, asked: Asked) -> tuple[list[Heard], list[Still], list[BenchlogError]]:
    """Measure the recordings of a case.

    Parameters
    ----------
    case : Case
        What is judged together.
    asked : Asked
        What was typed.

    Returns
    -------
    tuple
        What was heard, an entry for each input of each recording; the inputs on which none of
        the recordings holds pulses; and the errors of those recordings that could not be
        measured, or not on an input on which others hold pulses.

    Raises
    ------
    UsageError
        An input was asked for that a recording has not, or designs that do not fit its inputs.
    """
    from benchlog.show.terminal import show_progress

    heard: list[Heard] = []
    still: list[Still] = []
    failures: list[BenchlogError] = []
    with show_progress(f"measuring {case.name}") as advance:
        for index, one in enumerate(case.recordings):
            advance(index / len(case.recordings))
            try:
                sounding, silent = _hear(one, asked)
                heard += sounding
                still += silent
            except UsageError:
                raise
            except BenchlogError as error:
                failures.append(error)
    known = {one.measurement.input for one in heard}
    failures += [one.absence for one in still if one.input in known]
    return heard, [one for one in still if one.input not in known], failures


def _hear(recorded: Recorded, asked: Asked) -> tuple[list[Heard], list[Still]]:
    """Measure every input of one recording that is to be judged."""
    from benchlog.commands.polarity import settle_level
    from benchlog.commands.profiles import know_input
    from benchlog.commands.recordings import measure_file_inputs
    from benchlog.diagnosis.finding import Heard

    sidecar = recorded.sidecar
    known = know_input(recorded.path, sidecar)
    level = asked.level or known.level
    measured, silent = measure_file_inputs(recorded.path, level=level, signal=asked.signal)
    designs = _sort_designs(recorded, measured, asked)
    own_input = sidecar.input if sidecar is not None else None
    if own_input not in designs:
        own_input = None  # the sidecar counts the device's inputs, not the recording's
    supply_v, temperature_c = asked.supply_v, None
    if sidecar is not None:
        supply_v = sidecar.supply_v if supply_v is None else supply_v
        temperature_c = sidecar.temperature_c
    heard = []
    wanted = _choose(recorded, {*(one.input for one in measured), *silent}, asked)
    for one in (each for each in measured if each.input in wanted):
        # a second input holds another channel, of which the sidecar says nothing
        is_own = len(measured) == 1 or one.input == (own_input or 1)
        knob_deg = sidecar.knob_deg if sidecar is not None and is_own else None
        design = designs[one.input] or (recorded.design if is_own else None)
        if design is not None and level is None:
            one = settle_level(
                design,
                one,
                known,
                knob_deg=knob_deg,
                supply_v=supply_v,
                temperature_c=temperature_c,
            )
        heard.append(
            Heard(
                measurement=one,
                file=str(recorded.path),
                design=design,
                knob_deg=knob_deg,
                supply_v=supply_v,
                temperature_c=temperature_c,
                servo=sidecar.servo if sidecar is not None else None,
            )
        )
    still = [_keep_still(recorded, each, *silent[each]) for each in sorted(wanted & silent.keys())]
    return _tell_shared_design(heard, recorded), still


def _keep_still(recorded: Recorded, number: int, edges: Edges, absence: MeasurementError) -> Still:
    """Keep what is known of an input without pulses."""
    from benchlog.diagnosis.still import Still
    from benchlog.diagnosis.words.printed_commands import Bench

    sidecar = recorded.sidecar
    return Still(
        input=number,
        absence=absence,
        edge_count=int(edges.time_s.shape[0]),
        duration_s=edges.end_s - edges.start_s,
        is_sound=edges.rate_hz is not None,
        bench=Bench() if sidecar is None else Bench(sidecar.channel, sidecar.knob_deg),
    )


def _sort_designs(
    recorded: Recorded, measured: tuple[Measurement, ...], asked: Asked
) -> dict[int, Design | None]:
    """Give each input that holds pulses the design that was named for it."""
    inputs, named = [one.input for one in measured], recorded.named
    if len(named) < 2:
        return dict.fromkeys(inputs, named[0] if named else None)
    if len(named) == _count_inputs(recorded.path, asked.signal):
        return {number: named[number - 1] for number in inputs}
    if len(named) == len(inputs):
        return dict(zip(inputs, named, strict=True))
    many = len(inputs)
    raise UsageError(
        f"{len(named)} designs for {recorded.path}, which holds {_channels(many)}",
        expected="one design for all inputs, or one for each in their order",
        attempt="--design once" if many < 2 else f"--design {many} times",
    )


def _channels(count: int) -> str:
    return f"{count} channel{'s' * (count != 1)}"


def _choose(recorded: Recorded, there: set[int], asked: Asked) -> set[int]:
    """Take the input that was asked for alone, all where none was."""
    wanted = asked.channel_input
    if wanted is None or wanted in there:
        return there if wanted is None else {wanted}
    count = len(there)
    if count == 1 and recorded.sidecar is not None and recorded.sidecar.input == wanted:
        return there  # the device's input, of which the recording holds nothing but this one
    many = f"{count} input{'s' * (count != 1)}"
    raise UsageError(
        f"--channel-input {wanted} with {recorded.path}, which has {many}",
        expected="one of its inputs, from 1 (left) on",
        attempt="leaving --channel-input away",
    )


def _count_inputs(path: Path, signal: str | None) -> int:
    """Count the inputs of a recording, silent ones too."""
    from benchlog.capture.formats import open_recording

    recording = open_recording(path, signal=signal)
    return 1 if isinstance(recording, tuple) else recording.input_count


def _tell_shared_design(heard: list[Heard], recorded: Recorded) -> list[Heard]:
    """Say so where one design was named and several inputs are judged by it."""
    from benchlog.timing.notices import Notice

    if len(recorded.named) != 1 or len(heard) < 2:
        return heard
    which = "both" if len(heard) == 2 else f"all {len(heard)}"
    text = (
        f"the design of {recorded.named[0].channel} is taken for {which} inputs; where they hold "
        "different channels, give --design once for each, in their order"
    )
    first = heard[0].measurement
    first = replace(first, notices=(*first.notices, Notice("one-design", text)))
    return [replace(heard[0], measurement=first), *heard[1:]]


def list_warnings(diagnosis: Diagnosis) -> tuple[tuple[Heard, Notice], ...]:
    """List what is to be known of the recordings beyond the findings.

    Parameters
    ----------
    diagnosis : Diagnosis
        What was found.

    Returns
    -------
    tuple of (Heard, Notice)
        Each once a recording.
    """
    found: dict[tuple[str, str], tuple[Heard, Notice]] = {}
    for one in diagnosis.inputs:
        for heard in one.heard:
            for notice in list_untold(heard.measurement):
                found.setdefault((heard.file, notice.text), (heard, notice))
    return tuple(found.values())


def list_untold(measurement: Measurement) -> tuple[Notice, ...]:
    """List the notices of a measurement that no finding is made of."""
    return tuple(one for one in measurement.notices if one.code not in _TOLD)
