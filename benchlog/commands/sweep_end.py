"""How a sweep is named and ended: its stamp, recordings laid in, the table, the last words."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from benchlog.commands.options import Level

if TYPE_CHECKING:
    from benchlog.capture.store import Bench
    from benchlog.capture.sweep_files import SweepPlan
    from benchlog.channel.design import Design
    from benchlog.commands.sweep_options import WantedMarks

__all__ = ["SweepJob", "finish", "lay_in", "new_plan", "tell_stopped"]


@dataclass(frozen=True, slots=True)
class SweepJob:
    """What is swept, and how it is told.

    Attributes
    ----------
    bench : Bench
        The bench folder.
    design : Design
        What the channel should be.
    channel : str
        The channel.
    level : str or None
        The level of a pulse, where the user says it.
    reading_deg : float
        Half-width of the knob reading, degrees.
    plain, json : bool
        Whether sentences, or JSON, are asked for.
    """

    bench: Bench
    design: Design
    channel: str
    level: Level | None
    reading_deg: float
    plain: bool
    json: bool


def new_plan(
    job: SweepJob,
    wanted: WantedMarks,
    known: tuple[float | None, float | None],
    seconds_s: float,
) -> SweepPlan:
    """Return what a new sweep is to visit, under a stamp of its own.

    Parameters
    ----------
    job : SweepJob
        What is swept.
    wanted : WantedMarks
        The marks.
    known : tuple
        Supply in volts and temperature in degrees Celsius, or None.
    seconds_s : float
        How long each record is.
    """
    from benchlog.capture.store import stamp_now
    from benchlog.capture.sweep_files import SweepPlan, plan_path

    stamp = stamp_now()
    while plan_path(job.bench, job.channel, stamp).exists():
        time.sleep(0.1)
        stamp = stamp_now()
    return SweepPlan(job.channel, stamp, wanted.marks, seconds_s, *known)


def lay_in(
    job: SweepJob,
    wanted: WantedMarks,
    files: list[str],
    points: list[str],
    known: tuple[float | None, float | None],
    seconds_s: float,
) -> int:
    """Copy recordings into a sweep, then make the table.

    Parameters
    ----------
    job, wanted, known, seconds_s
        As for `new_plan`.
    files, points : list of str
        What was typed after --from and --point.

    Returns
    -------
    int
        The exit status.

    Raises
    ------
    UsageError, RecordingError, StoreError
        Marks and recordings do not fit, one cannot be read, or the folder cannot be written. A
        recording that is none is met before anything is copied.
    """
    from benchlog.calibration.sweeping import SweepGuide
    from benchlog.capture.formats import open_recording
    from benchlog.capture.sweep_files import write_plan
    from benchlog.commands.sweep_options import WantedMarks, pair_files
    from benchlog.commands.sweep_records import lay_in_file, measure_visited
    from benchlog.show.terminal import warn

    marks, pairs = pair_files(job.design, wanted, files, points)
    for _, path in pairs:
        open_recording(path)  # all of them before the first is copied
    plan = new_plan(job, WantedMarks(marks, is_default=False), known, seconds_s)
    write_plan(job.bench, plan)
    visited = {
        number: lay_in_file(job.bench, plan, marks[number - 1], path, level=job.level)
        for number, path in pairs
    }
    seen, _ = measure_visited(job.design, plan, visited, level=job.level)
    guide = SweepGuide(job.design, marks, supply_v=plan.supply_v, temperature_c=plan.temperature_c)
    for number, one in seen.items():
        others = [other for key, other in seen.items() if key != number]
        if guide.judge(marks[number - 1], one.pulse_s, others, None) == "elsewhere":
            like_deg = guide.looks_like_deg(one.pulse_s, others)
            warn(
                f"warning: {visited[number].path.name} looks like {like_deg:.0f} degrees beside "
                f"the others, not {one.knob_deg:g}"
            )
    return finish(job, plan, len(visited))


def tell_stopped(job: SweepJob, plan: SweepPlan, done: int) -> None:
    """Say what is there of a sweep that was stopped, and how to go on.

    Parameters
    ----------
    job : SweepJob
        What was swept.
    plan : SweepPlan
        Its marks.
    done : int
        How many of them have a record.
    """
    import json

    from benchlog.show.sweep_words import end_to_json, tell_left
    from benchlog.show.terminal import show, write_out

    if job.json:
        content = end_to_json("left", job.channel, plan.stamp, plan.marks, done, None)
        write_out(json.dumps(content, allow_nan=False) + "\n")
    else:
        show(*tell_left(job.channel, plan.marks, done))


def finish(job: SweepJob, plan: SweepPlan, done: int) -> int:
    """Make the table, and say what can be done with it.

    Parameters
    ----------
    job, plan, done
        As for `tell_stopped`.

    Returns
    -------
    int
        The exit status, that of `calibrate`; 0 for drawn lines, of which no table is made.
    """
    import json

    from benchlog.commands.calibrate import calibrate_sweep
    from benchlog.show.sweep_words import end_to_json, tell_done
    from benchlog.show.terminal import show, write_out

    table: dict[str, Any] | None = None
    status = 0
    estimated = any(mark.knob_deg is None for mark in plan.marks)
    if not job.json:
        show(*tell_done(job.channel, plan.stamp, plan.marks, done))
    if not estimated:
        gathered: list[dict[str, Any]] = []
        status = calibrate_sweep(
            job.bench,
            job.design,
            job.channel,
            plan.stamp,
            reading_deg=job.reading_deg,
            level=job.level,
            give=gathered.append if job.json else None,
        )
        table = gathered[0] if gathered else None
    if job.json:
        content = end_to_json("done", job.channel, plan.stamp, plan.marks, done, table)
        write_out(json.dumps(content, allow_nan=False) + "\n")
    elif not estimated and status != 2:
        show(f"The scale to print: benchlog dial {job.channel}")
    return status
