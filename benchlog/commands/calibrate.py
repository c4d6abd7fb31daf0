"""`benchlog calibrate`: the table of a channel."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchlog.commands.known_parts import check_known, read_known
from benchlog.commands.options import BenchOption, JsonOption, Level, read_level, read_number
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.calibration.identify import Known
    from benchlog.capture.store import Bench
    from benchlog.channel.design import Design
    from benchlog.commands.points import Source

__all__ = ["calibrate_channel", "calibrate_sweep", "read_point"]


@dataclass(frozen=True, slots=True)
class _Job:
    """What is to be calibrated, and where the table goes; no bench, no table stored."""

    design: Design
    sources: list[Source]
    bench: Bench | None


def calibrate_channel(
    channel: Annotated[
        str | None,
        typer.Argument(
            metavar="CHANNEL",
            help="The channel whose newest sweep in the bench folder is taken.",
            show_default=False,
        ),
    ] = None,
    design: Annotated[
        str | None,
        typer.Option(
            "--design",
            metavar="DESIGN.toml",
            help="The design file, in place of a channel of a bench folder.",
            show_default=False,
        ),
    ] = None,
    point: Annotated[
        list[str] | None,
        typer.Option(
            "--point",
            metavar="DEG=FILE",
            help="With --design: a knob angle in degrees and its recording. Once for each.",
            show_default=False,
        ),
    ] = None,
    sweep: Annotated[
        str | None,
        typer.Option(
            "--sweep",
            metavar="STAMP",
            help="Another sweep than the newest, such as 20260901T100000Z.",
            show_default=False,
        ),
    ] = None,
    knob_reading: Annotated[
        str,
        typer.Option(
            "--knob-reading", metavar="DEG", help="The knob was read to within this many degrees."
        ),
    ] = "1",
    known: Annotated[
        list[str] | None,
        typer.Option(
            "--known",
            metavar="PART=VALUE",
            help="A part's value as a meter reads it, such as r_off=812k or c_timing=22.4n±2%; it "
            "narrows all the others. Once for each part.",
            show_default=False,
        ),
    ] = None,
    active: Annotated[
        str | None,
        typer.Option(
            "--active",
            metavar="high|low",
            help="Which level is the pulse; else the records say, else the design decides.",
            show_default=False,
        ),
    ] = None,
    save: Annotated[
        bool,
        typer.Option(
            "--save/--no-save",
            help="Store the table in calibration/CHANNEL/, dated; nothing is overwritten.",
        ),
    ] = True,
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """Make the table: knob angle, pulse, arm angle, deviation from the design, verdict.

    The figure behind ± is U, two standard uncertainties. Exit status 1 says that something is
    off: a pulse off design or undecided, past an end stop, jitter, figures spoiled, a part
    suspected.
    """
    reading_deg = read_number(knob_reading, "--knob-reading", "degrees", low=0.0, high=90.0)
    level = read_level(active)
    readings = read_known(known or [])
    if design is not None:
        if channel is not None or sweep is not None:
            raise UsageError(
                f"--design together with {'a channel' if channel is not None else '--sweep'}",
                expected="either a channel of the bench folder, or --design with --point",
                attempt="leaving one of the two out",
            )
        job = _job_from_files(design, point or [])
    else:
        job = _job_from_bench(channel, point, sweep, bench)
    check_known(job.design, known or [], readings)
    return _calibrate(job, reading_deg, level, readings, save=save, json_output=json_output)


def _job_from_files(design: str, points: list[str]) -> _Job:
    """Read --design and --point."""
    from benchlog.capture.store import read_design
    from benchlog.commands.points import Source
    from benchlog.commands.recordings import read_beside

    if not points:
        raise UsageError(
            "--design without --point",
            expected="--point DEG=FILE for each knob position",
            attempt="--point 90=recording.flac",
        )
    pairs = [read_point(text) for text in points]
    read = read_design(Path(design))
    return _Job(read, [Source(deg, path, read_beside(path)) for deg, path in pairs], bench=None)


def read_point(text: str) -> tuple[float, Path]:
    """Read DEG=FILE.

    Parameters
    ----------
    text : str
        What was typed after --point.

    Returns
    -------
    tuple
        Knob angle in degrees, and the recording.

    Raises
    ------
    UsageError
        It is neither.
    """
    degrees, equals, name = text.partition("=")
    if not equals or not name:
        raise UsageError(
            f"--point '{text}'",
            expected="DEG=FILE: a knob angle in degrees, an equals sign and a recording",
            attempt=f"--point 90={text.strip('=') or 'recording.flac'}",
        )
    return read_number(degrees, "--point", "degrees before the ="), Path(name)


def _job_from_bench(
    channel: str | None, points: list[str] | None, sweep: str | None, bench: str | None
) -> _Job:
    """Find a channel's design and sweep in the bench folder."""
    from benchlog.capture.store import open_bench, read_design
    from benchlog.commands.points import find_sources

    if channel is None:
        raise UsageError(
            "calibrate without a channel",
            expected="a channel of the bench folder, or --design with --point",
            attempt="benchlog calibrate heron",
        )
    if points:
        raise UsageError(
            "--point together with a channel",
            expected="--point only beside --design",
            attempt="--design with the channel's design file",
        )
    opened = open_bench(Path(bench) if bench is not None else None)
    design = read_design(opened.design_path(channel))
    return _Job(design, find_sources(opened, channel, sweep), bench=opened)


def calibrate_sweep(
    bench: Bench,
    design: Design,
    channel: str,
    sweep: str,
    *,
    reading_deg: float,
    level: Level | None,
    give: Callable[[dict[str, Any]], None] | None,
) -> int:
    """Make, store and show the table of a sweep that was just recorded.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    design : Design
        What the channel should be.
    channel, sweep : str
        The channel, and the sweep's stamp.
    reading_deg : float
        Half-width of the knob reading, degrees.
    level : str or None
        The level of a pulse, where the user says it.
    give : callable or None
        Takes what ``--json`` would write; None shows the table instead.

    Returns
    -------
    int
        The exit status.
    """
    from benchlog.commands.points import find_sources

    job = _Job(design, find_sources(bench, channel, sweep), bench=bench)
    return _calibrate(
        job, reading_deg, level, {}, save=True, json_output=give is not None, give=give
    )


def _calibrate(
    job: _Job,
    reading_deg: float,
    level: Level | None,
    known: dict[str, Known],
    *,
    save: bool,
    json_output: bool,
    give: Callable[[dict[str, Any]], None] | None = None,
) -> int:
    """Measure, compare, store and show."""
    from benchlog.calibration.table import build_table
    from benchlog.commands.identifying import identify_sources
    from benchlog.commands.points import measure_sources, store_table, tell_contradictions
    from benchlog.show.json_output import write_json
    from benchlog.show.table_view import show_table, table_to_json
    from benchlog.show.terminal import show, tell_if_slow, warn

    for text in _warnings(job):
        warn(f"warning: {text}")
    points, failures = measure_sources(job.design, job.sources, level=level)
    for failure in failures:
        warn(str(failure))
    if not points:
        return 2
    for text in tell_contradictions(job.design, points, reading_deg):
        warn(f"warning: {text}")
    with tell_if_slow("Looking for a wrong part ...", quiet=json_output):
        points, found = identify_sources(job.design, job.sources, points, reading_deg, level, known)
    table = build_table(job.design, points, knob_reading_deg=reading_deg)
    stored = None
    if job.bench is not None and save and not failures:
        stored = str(store_table(job.bench, table, found))
    if json_output:
        (give or write_json)(table_to_json(table, stored, found))
    else:
        show_table(table, found=found)
        if stored is not None:
            show(f"Stored as {stored}")
        elif job.bench is not None and save:
            show(
                "Not stored, since a recording of the sweep could not be measured: record that "
                "mark again, or set it aside with 'benchlog log --set-aside', then calibrate again."
            )
    if failures:
        return 2
    return 0 if table.sound and not (found is not None and found.suspects) else 1


def _warnings(job: _Job) -> list[str]:
    """Gather what the design warns of, at its own supply and at the recorded ones."""
    texts = [text for _, text in job.design.warnings]
    for source in job.sources:
        if source.sidecar is not None and source.sidecar.supply_v is not None:
            texts += [text for _, text in job.design.supply_warnings(source.sidecar.supply_v)]
    return list(dict.fromkeys(texts))
