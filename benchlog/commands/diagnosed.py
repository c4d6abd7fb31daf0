"""Which recordings a diagnosis takes, and what is known of them."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.options import Level
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.capture.sidecar import Sidecar
    from benchlog.capture.store import Bench
    from benchlog.channel.design import Design

__all__ = ["Asked", "Case", "Recorded", "find_cases", "is_file"]

_RECORDINGS = (".wav", ".flac", ".vcd", ".csv", ".rf64")


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed of how recordings are to be taken.

    Attributes
    ----------
    level : str or None
        'high' or 'low' where the user says which part is the pulse.
    signal : str or None
        The signal of a VCD file.
    supply_v : float or None
        The supply where the user says it, volts.
    channel_input : int or None
        The only input to be judged, from 1.
    designs : tuple of str
        Design files in place of the channels' own: one for all inputs, or one for each.
    """

    level: Level | None = None
    signal: str | None = None
    supply_v: float | None = None
    channel_input: int | None = None
    designs: tuple[str, ...] = ()


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
        What the sidecar's channel should be; None where nobody says, or `named` says it.
    named : tuple of Design
        Those that were named: one for all inputs, or one for each; empty where none was.
    """

    path: Path
    sidecar: Sidecar | None
    design: Design | None
    named: tuple[Design, ...] = ()


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
    targets: list[str], asked: Asked, *, bench: str | None, together: bool
) -> list[Case]:
    """Find the recordings that are named.

    Parameters
    ----------
    targets : list of str
        Channels and files.
    asked : Asked
        What was typed; the designs are read.
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

    named = tuple(read_design(Path(design)) for design in asked.designs)
    files = [is_file(target) for target in targets]
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
    for target, is_recording in zip(targets, files, strict=True):
        if is_recording:
            path = Path(target)
            cases.append(Case(target, False, (_recorded(path, opened, named),)))
        elif opened is not None:
            cases.append(_of_channel(opened, target, named))
    if not together:
        return cases
    recordings = tuple(one for case in cases for one in case.recordings)
    _check_one_channel(recordings)
    return [Case(_name_together(recordings), False, recordings)]


def is_file(target: str) -> bool:
    """Tell a file, there or not, from a channel's name."""
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


def _recorded(path: Path, opened: Bench | None, named: tuple[Design, ...]) -> Recorded:
    """Gather what is known of one file."""
    from benchlog.commands.profiles import bench_of
    from benchlog.commands.recordings import read_beside

    sidecar = read_beside(path)
    if named or sidecar is None:
        return Recorded(path, sidecar, None, named)
    return Recorded(path, sidecar, _design_of(opened or bench_of(path), sidecar.channel))


def _design_of(bench: Bench | None, channel: str) -> Design | None:
    """Read a channel's design where it has one."""
    from benchlog.capture.store import read_design

    if bench is None:
        return None
    path = bench.design_path(channel)
    return read_design(path) if path.exists() else None


def _of_channel(bench: Bench, channel: str, named: tuple[Design, ...]) -> Case:
    """Take a channel's newest recording, or the newest sweep where that belongs to one."""
    from benchlog.capture.sidecar import kind_of_try
    from benchlog.commands.points import Source, find_sources

    usable = [
        one
        for one in bench.records(channel)
        if one.sidecar.set_aside is None and kind_of_try(one.sidecar) is None
    ]
    sweep = usable[-1].sidecar.sweep if usable else None
    if not usable or sweep is not None:
        # without a recording to use this says why
        sources = find_sources(bench, channel, sweep)
    else:
        newest = usable[-1]
        sources = [Source(newest.sidecar.knob_deg, newest.path, newest.sidecar)]
    design = None if named else _design_of(bench, channel)
    recordings = tuple(Recorded(one.path, one.sidecar, design, named) for one in sources)
    return Case(channel, True, recordings)
