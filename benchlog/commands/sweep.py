"""`benchlog sweep`: guides through the knob's marks and records each by itself."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.options import (
    ActiveFitOption,
    AskedSupplyOption,
    BaudOption,
    BenchOption,
    ChannelArgument,
    ChannelInputOption,
    DesignOption,
    InputOption,
    KeptProfileOption,
    PlainOption,
    PortOption,
    RateOption,
    TemperatureOption,
    read_level,
    read_number,
)
from benchlog.commands.sweep_end import SweepJob, finish, lay_in, new_plan, tell_stopped
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.capture.store import Record
    from benchlog.capture.sweep_files import SweepPlan
    from benchlog.channel.design import Design
    from benchlog.commands.live_sources import LiveSource
    from benchlog.commands.sweep_options import WantedMarks
    from benchlog.show.live_screen import PictureView
    from benchlog.show.sweep_words import SweepPicture

__all__ = ["sweep_channel"]

_LONGEST_S = 4.0
_SECONDS = "2"


@dataclass(frozen=True, slots=True)
class _Begun:
    """A sweep that goes on or begins: its marks, and those that have a record."""

    plan: SweepPlan
    visited: Mapping[int, Record]
    goes_on: bool


def sweep_channel(
    channel: ChannelArgument = None,
    sound_input: InputOption = None,
    port: PortOption = None,
    from_file: Annotated[
        list[str] | None,
        typer.Option(
            "--from",
            metavar="FILE",
            help="In place of listening: a recording for each mark, in the order of --marks or of "
            "visiting. They are copied. Once for each.",
            show_default=False,
        ),
    ] = None,
    point: Annotated[
        list[str] | None,
        typer.Option(
            "--point",
            metavar="DEG=FILE",
            help="The same with the knob angle of each; they are the marks then.",
            show_default=False,
        ),
    ] = None,
    channel_input: ChannelInputOption = None,
    design: DesignOption = None,
    every: Annotated[
        str | None,
        typer.Option(
            "--every",
            metavar="DEG",
            help="How far the marks lie apart, over the knob's travel; else 22.5.",
            show_default=False,
        ),
    ] = None,
    marks: Annotated[
        str | None,
        typer.Option(
            "--marks", metavar="DEG,DEG,...", help="The marks themselves.", show_default=False
        ),
    ] = None,
    both_ways: Annotated[
        bool, typer.Option("--both-ways", help="Visit the marks upward and then downward.")
    ] = False,
    to_angles: Annotated[
        str | None,
        typer.Option(
            "--to-angles",
            metavar="DEG,DEG,...",
            help="The other way round: turn until the arm angle is one of these, and draw a line "
            "there; no ring is needed.",
            show_default=False,
        ),
    ] = None,
    seconds: Annotated[
        str, typer.Option("--seconds", metavar="S", help="How long each mark is recorded.")
    ] = _SECONDS,
    blank: Annotated[
        str | None,
        typer.Option(
            "--blank",
            metavar="RING.pdf",
            help="Write a degree ring first, to print and lay under the knob; .pdf, .svg or .png.",
            show_default=False,
        ),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with the sweep that was left, without asking.")
    ] = False,
    new: Annotated[
        bool, typer.Option("--new", help="Begin anew where one was left, without asking.")
    ] = False,
    rate: RateOption = None,
    baud: BaudOption = None,
    active: ActiveFitOption = None,
    supply: AskedSupplyOption = None,
    temperature: TemperatureOption = None,
    profile: KeptProfileOption = None,
    knob_reading: Annotated[
        str,
        typer.Option(
            "--knob-reading", metavar="DEG", help="The knob is set to within this many degrees."
        ),
    ] = "1",
    plain: PlainOption = False,
    bench: BenchOption = None,
    json_output: Annotated[
        bool,
        typer.Option(
            "--json", help="JSON on standard output, a line for each step and one at the end."
        ),
    ] = False,
) -> int:
    """Sweep the knob: it says which mark is next and records it by itself once the pulse rests.

    Hands on the knob, eyes on the screen. A pulse that does not fit its mark is asked for again. A
    sweep that was left goes on where it stopped. At the end the table is made, as 'calibrate'
    does. The servo is unplugged meanwhile, or its arm off.

    Keys: Enter records at once, Backspace takes back the last mark (its record is set aside), q
    stops and keeps what is there.

    Exit status 0: done, and the table says that nothing is wrong; 1: something is, or marks are
    left.
    """
    from benchlog.capture.sweep_files import SweepLock
    from benchlog.commands.capture import caution_at_first, check_device
    from benchlog.commands.confirm_words import find_design, make_confirm_source
    from benchlog.commands.sweep_options import check_sweep_source, read_marks
    from benchlog.commands.takes import Device
    from benchlog.commands.watched import read_optional

    files, points = from_file or [], point or []
    check_sweep_source(
        sound_input,
        port,
        files,
        points,
        json_output=json_output,
        plain=plain,
        resume=resume,
        new=new,
    )
    level = read_level(active)
    supply_v = read_optional(supply, "--supply", "volts", 0.1, 100.0)
    temperature_c = read_optional(temperature, "--temperature", "degrees Celsius", -100.0, 200.0)
    seconds_s = read_number(seconds, "--seconds", "seconds", low=0.3, high=_LONGEST_S)
    reading_deg = read_number(knob_reading, "--knob-reading", "degrees", low=0.0, high=90.0)
    read, opened = find_design(channel, design, bench, needs_bench=True, command="sweep")
    assert opened is not None
    name = channel or read.channel
    wanted = read_marks(read, every, marks, to_angles, both_ways=both_ways)
    source = None
    if not files and not points:
        source = make_confirm_source(sound_input, port, channel_input, level, rate, baud)
    job = SweepJob(opened, read, name, level, reading_deg, plain, json_output)
    if blank is not None:
        _write_ring(read, blank)
    if source is not None:
        check_device(Device(sound_input, port, 1, None, None, seconds_s))
    with SweepLock(opened, name):
        if source is None:
            return lay_in(job, wanted, files, points, (supply_v, temperature_c), seconds_s)
        if not resume:
            caution_at_first(opened)
        begun = _begin(job, wanted, (supply_v, temperature_c), seconds_s, resume=resume, new=new)
        return _sweep(job, begun, source, profile)


def _write_ring(design: Design, name: str) -> None:
    """Write the blank degree ring, and wait until it was printed where somebody is there."""
    from benchlog.show.asking import tell
    from benchlog.show.dial import draw_ring

    ring = draw_ring(Path(name), design.knob.travel_deg, channel=design.channel, option="--blank")
    for path in ring:
        tell(f"The degree ring is in {path}: print it true to size and lay it under the knob.")


# --- beginning --------------------------------------------------------------------------


def _begin(
    job: SweepJob,
    wanted: WantedMarks,
    known: tuple[float | None, float | None],
    seconds_s: float,
    *,
    resume: bool,
    new: bool,
) -> _Begun:
    """Find the sweep to go on with, or begin one."""
    from datetime import UTC, datetime

    from benchlog.capture.sweep_files import find_unfinished
    from benchlog.show.confirm_view import REMINDER

    found = None
    if not new:
        found = find_unfinished(job.bench, job.channel, datetime.now(UTC).astimezone())
    if found is not None and not wanted.is_default and found[0].marks != wanted.marks:
        found = None
    if resume and found is None:
        raise UsageError(
            f"--resume, and no sweep of {job.channel} of today was left with these marks",
            expected="a sweep that was begun today and has marks left",
            attempt="the same without --resume, to begin one",
        )
    if found is not None and found[1] and (resume or _wants_to_go_on(job, *found)):
        plan = found[0]
        if known[0] is not None or known[1] is not None:
            plan = dataclasses.replace(
                plan,
                supply_v=known[0] if known[0] is not None else plan.supply_v,
                temperature_c=known[1] if known[1] is not None else plan.temperature_c,
            )
        return _Begun(plan, found[1], goes_on=True)
    supply_v, temperature_c = known
    if supply_v is None and not job.json:
        from benchlog.commands.guided import ask_supply

        supply_v = ask_supply(job.design, REMINDER)
    return _Begun(new_plan(job, wanted, (supply_v, temperature_c), seconds_s), {}, goes_on=False)


def _wants_to_go_on(job: SweepJob, plan: SweepPlan, visited: Mapping[int, Record]) -> bool:
    """Ask whether to go on; where nobody can be asked that is what is done."""
    from benchlog.show.asking import ask_choice, can_ask

    if not can_ask():
        return True
    text = f"{len(visited)} of {len(plan.marks)} marks of a sweep of today are there"
    return ask_choice(text, ("go on", "new"), flag="--resume or --new", default="go on") == "go on"


# --- listening --------------------------------------------------------------------------


def _sweep(job: SweepJob, begun: _Begun, source: LiveSource, profile: str | None) -> int:
    """Lead through the marks, then make the table."""
    import signal
    import sys
    from functools import partial

    from benchlog.calibration.sweeping import SweepGuide
    from benchlog.commands.guided import leave_by_signal, run_on_terminal
    from benchlog.commands.sweep_course import SweepCourse
    from benchlog.commands.sweep_loop import SweepLoop
    from benchlog.commands.sweep_records import SweepKeeper, measure_visited
    from benchlog.show.live_terminal import LiveTerminal, has_terminal
    from benchlog.show.sweep_view import SweepLines, SweepScreen, SweepSentences
    from benchlog.show.terminal import warn

    plan = begun.plan
    keeper = SweepKeeper(
        job.bench,
        plan,
        begun.visited,
        level=job.level,
        input_=source.inputs[0],
        profile=profile,
    )
    seen, faults = measure_visited(job.design, plan, keeper.visited, level=job.level)
    for fault in faults:
        warn(f"warning: {fault}")
    guide = SweepGuide(
        job.design, plan.marks, supply_v=plan.supply_v, temperature_c=plan.temperature_c
    )
    course = SweepCourse(guide, plan.marks, job.level, plan.seconds, seen, keeper.visited)
    loop = SweepLoop(source, course, keeper, job.design)
    on_screen = not job.plain and not job.json and has_terminal(sys.stdout)
    begin = partial(_tell_begin, job, begun)
    if on_screen:
        begin()  # stays above the screen
    terminal = LiveTerminal(screen=on_screen)
    # sentences begin with a reminder as soon as they are made: they are not made for JSON
    other = SweepLines if job.json else SweepSentences
    view: PictureView[SweepPicture] = SweepScreen(terminal) if on_screen else other()
    run_on_terminal(loop, terminal, view, None if on_screen else begin)
    if not loop.is_done:
        if terminal.ended_by in (None, signal.SIGINT):  # else nobody may be there to read it
            tell_stopped(job, plan, len(keeper.visited))
        leave_by_signal(terminal)
        return 1
    return finish(job, plan, len(keeper.visited))


def _tell_begin(job: SweepJob, begun: _Begun) -> None:
    """Say which marks are to be visited."""
    import json

    from benchlog.show.sweep_words import begin_to_json, tell_begin
    from benchlog.show.terminal import show, write_out

    plan, done = begun.plan, len(begun.visited)
    if job.json:
        content = begin_to_json(job.channel, plan.stamp, plan.marks, done)
        write_out(json.dumps(content, allow_nan=False) + "\n")
    else:
        show(*tell_begin(job.channel, plan.marks, done))
