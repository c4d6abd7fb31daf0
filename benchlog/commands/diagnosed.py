"""Which recordings a diagnosis takes, and what is known of them."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.options import Level
from benchlog.errors import BenchlogError, UsageError

if TYPE_CHECKING:
    from benchlog.capture.sidecar import Sidecar
    from benchlog.capture.store import Bench
    from benchlog.channel.design import Design
    from benchlog.diagnosis.finding import Diagnosis, Heard

__all__ = ["Case", "Recorded", "find_cases", "find_still_inputs", "hear_case"]

_RECORDINGS = (".wav", ".flac", ".vcd", ".csv", ".rf64")


@dataclass(frozen=True, slots=True)
class Recorded:
    """A recording with what is known of it.

    Attributes
    ----------
    path : Path
        The recording.
    sidecar : Sidecar or None
        What lies beside it.
    design : Design or None
        What its channel should be.
    named : bool
        Whether the design was named for all inputs, rather than found by the sidecar.
    """

    path: Path
    sidecar: Sidecar | None
    design: Design | None
    named: bool


@dataclass(frozen=True, slots=True)
class Case:
    """What is judged together.

    Attributes
    ----------
    name : str
        A channel, or a file.
    is_channel : bool
        Which of the two.
    recordings : tuple of Recorded
        One or more.
    """

    name: str
    is_channel: bool
    recordings: tuple[Recorded, ...]


def find_cases(
    targets: list[str], *, design: str | None, bench: str | None, together: bool
) -> list[Case]:
    """Find the recordings that are named.

    Parameters
    ----------
    targets : list of str
        Channels and files.
    design : str or None
        A design file, in place of the channels' own.
    bench : str or None
        The bench folder, where one was named.
    together : bool
        Whether the files are of one channel.

    Returns
    -------
    list of Case
        One for each channel and file, in their order; a single one with `together`.

    Raises
    ------
    StoreError, RecordingError, DesignError, UsageError
        Something named is not there, or wrong.
    """
    from benchlog.capture.store import open_bench, read_design

    named = read_design(Path(design)) if design is not None else None
    files = [_is_file(target) for target in targets]
    if together and (len(targets) < 2 or not all(files)):
        raise UsageError(
            f"--together with {' '.join(targets)}",
            expected="two files or more, all recordings of one channel",
            attempt="leaving --together away: a channel's sweep is judged together anyway",
        )
    opened = None
    if bench is not None or not all(files):
        opened = open_bench(Path(bench) if bench is not None else None)
    cases = []
    for target, is_file in zip(targets, files, strict=True):
        if is_file:
            path = Path(target)
            cases.append(Case(target, False, (_recorded(path, opened, named),)))
        elif opened is not None:
            cases.append(_of_channel(opened, target, named))
    if not together:
        return cases
    recordings = tuple(one for case in cases for one in case.recordings)
    _check_one_channel(recordings)
    return [Case(_name_together(recordings), False, recordings)]


def _is_file(target: str) -> bool:
    """Tell a file from a channel's name."""
    if os.path.isfile(target) or "/" in target or "\\" in target:
        return True
    return target.lower().endswith(_RECORDINGS)


def _name_together(recordings: tuple[Recorded, ...]) -> str:
    """Call several recordings by their channel, else by their files."""
    for one in recordings:
        if one.sidecar is not None:
            return one.sidecar.channel
    return ", ".join(one.path.name for one in recordings)


def _check_one_channel(recordings: tuple[Recorded, ...]) -> None:
    """Refuse to judge recordings of several channels together."""
    named = {one.sidecar.channel for one in recordings if one.sidecar is not None}
    if len(named) > 1:
        raise UsageError(
            f"--together with recordings of {', '.join(sorted(named))}",
            expected="recordings of one channel",
            attempt="naming those of one channel",
        )


def _recorded(path: Path, opened: Bench | None, named: Design | None) -> Recorded:
    """Gather what is known of one file."""
    from benchlog.commands.profiles import bench_of
    from benchlog.commands.recordings import read_beside

    sidecar = read_beside(path)
    if named is not None:
        return Recorded(path, sidecar, named, named=True)
    design = None
    if sidecar is not None:
        design = _design_of(opened or bench_of(path), sidecar.channel)
    return Recorded(path, sidecar, design, named=False)


def _design_of(bench: Bench | None, channel: str) -> Design | None:
    """Read a channel's design where it has one."""
    from benchlog.capture.store import read_design

    if bench is None:
        return None
    path = bench.design_path(channel)
    return read_design(path) if path.exists() else None


def _of_channel(bench: Bench, channel: str, named: Design | None) -> Case:
    """Take a channel's newest recording, or the newest sweep where that belongs to one."""
    from benchlog.commands.points import Source, find_sources

    usable = [one for one in bench.records(channel) if one.sidecar.set_aside is None]
    sweep = usable[-1].sidecar.sweep if usable else None
    if not usable or sweep is not None:
        # without a recording to use this says why
        sources = find_sources(bench, channel, sweep)
    else:
        newest = usable[-1]
        sources = [Source(newest.sidecar.knob_deg, newest.path, newest.sidecar)]
    design = named if named is not None else _design_of(bench, channel)
    recordings = tuple(
        Recorded(one.path, one.sidecar, design, named=named is not None) for one in sources
    )
    return Case(channel, True, recordings)


def hear_case(
    case: Case, *, level: Level | None, signal: str | None, supply_v: float | None
) -> tuple[list[Heard], list[BenchlogError]]:
    """Measure the recordings of a case.

    Parameters
    ----------
    case : Case
        What is judged together.
    level : str or None
        'high' or 'low' where the user says which part is the pulse.
    signal : str or None
        The signal of a VCD file.
    supply_v : float or None
        The supply where the user says it, volts.

    Returns
    -------
    tuple
        What was heard, an entry for each input of each recording; and the errors of those
        recordings that could not be measured.
    """
    from benchlog.show.terminal import show_progress

    heard: list[Heard] = []
    failures: list[BenchlogError] = []
    with show_progress(f"measuring {case.name}") as advance:
        for index, one in enumerate(case.recordings):
            advance(index / len(case.recordings))
            try:
                heard += _hear(one, level, signal, supply_v)
            except BenchlogError as error:
                failures.append(error)
    return heard, failures


def _hear(
    recorded: Recorded, level: Level | None, signal: str | None, supply_v: float | None
) -> list[Heard]:
    """Measure every input of one recording."""
    from benchlog.commands.polarity import settle_level
    from benchlog.commands.profiles import know_input
    from benchlog.commands.recordings import measure_file
    from benchlog.diagnosis.finding import Heard

    sidecar = recorded.sidecar
    known = know_input(recorded.path, sidecar)
    level = level or known.level
    measured = measure_file(recorded.path, level=level, signal=signal)
    knob_deg = temperature_c = servo = own_input = None
    if sidecar is not None:
        knob_deg, temperature_c = sidecar.knob_deg, sidecar.temperature_c
        servo, own_input = sidecar.servo, sidecar.input
        supply_v = sidecar.supply_v if supply_v is None else supply_v
    if own_input not in {one.input for one in measured}:
        own_input = None  # the sidecar counts the device's inputs, not the recording's
    heard = []
    for one in measured:
        # a second input holds another channel, of which this design says nothing
        is_own = recorded.named or len(measured) == 1 or one.input == (own_input or 1)
        design = recorded.design if is_own else None
        if design is not None and level is None:
            one = settle_level(
                design,
                one,
                known,
                knob_deg=knob_deg if is_own else None,
                supply_v=supply_v,
                temperature_c=temperature_c,
            )
        heard.append(
            Heard(
                measurement=one,
                file=str(recorded.path),
                design=design,
                knob_deg=knob_deg if is_own else None,
                supply_v=supply_v,
                temperature_c=temperature_c,
                servo=servo,
            )
        )
    return heard


def find_still_inputs(case: Case, diagnosis: Diagnosis) -> tuple[int, ...]:
    """Return the inputs of a case's sound files on which no pulses came.

    Parameters
    ----------
    case : Case
        What was judged.
    diagnosis : Diagnosis
        What was found.

    Returns
    -------
    tuple of int
        Numbers from 1; empty where every input holds a channel.
    """
    from benchlog.capture.formats import open_recording

    counts = []
    for one in case.recordings:
        try:
            recording = open_recording(one.path)
        except BenchlogError:
            continue  # a VCD file of several signals wants one named, and has no silent one
        if not isinstance(recording, tuple):
            counts.append(recording.input_count)
    heard = {one.input for one in diagnosis.inputs}
    return tuple(number for number in range(1, max(counts, default=0) + 1) if number not in heard)
