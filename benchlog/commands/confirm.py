"""`benchlog confirm`: three knob positions, pass or fail with the likely part; batches."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.confirm_words import (
    check_source,
    find_design,
    make_confirm_source,
    read_label_file,
    read_sheet,
)
from benchlog.commands.options import (
    ActiveFitOption,
    AskedSupplyOption,
    BaudOption,
    BenchOption,
    ChannelArgument,
    ChannelInputOption,
    DesignOption,
    InputOption,
    JsonOption,
    PlainOption,
    PortOption,
    RateOption,
    TemperatureOption,
    read_level,
    read_number,
)
from benchlog.commands.watched import read_optional
from benchlog.errors import MeasurementError

if TYPE_CHECKING:
    from benchlog.calibration.confirming import Confirmation
    from benchlog.capture.batch_files import BatchFile
    from benchlog.capture.store import Bench
    from benchlog.channel.design import Design
    from benchlog.commands.confirm_loop import Surroundings
    from benchlog.commands.live_sources import LiveSource
    from benchlog.show.confirm_view import ConfirmPicture
    from benchlog.show.labels import Sheet
    from benchlog.show.live_screen import PictureView

__all__ = ["confirm_channel"]


@dataclasses.dataclass(frozen=True, slots=True)
class _Output:
    """How the answer is given, and where labels go."""

    plain: bool
    json: bool
    labels: Path | None
    sheet: Sheet


def confirm_channel(
    channel: ChannelArgument = None,
    sound_input: InputOption = None,
    port: PortOption = None,
    point: Annotated[
        list[str] | None,
        typer.Option(
            "--point",
            metavar="DEG=FILE",
            help="In place of listening: a knob angle in degrees and its recording. Once for "
            "each, two at least, the knob's two ends among them.",
            show_default=False,
        ),
    ] = None,
    channel_input: ChannelInputOption = None,
    design: DesignOption = None,
    batch: Annotated[
        str | None,
        typer.Option(
            "--batch",
            metavar="NAME",
            help="Number copies of one design and go from each straight to the next; an earlier "
            "batch of that name goes on.",
            show_default=False,
        ),
    ] = None,
    copies: Annotated[
        str | None,
        typer.Option(
            "--copies",
            metavar="N",
            help="With --batch: end after so many by itself.",
            show_default=False,
        ),
    ] = None,
    labels: Annotated[
        str | None,
        typer.Option(
            "--labels",
            metavar="FILE",
            help="With --batch: write a sheet of labels at the end, .pdf or .svg. Without an "
            "input, of what was measured before.",
            show_default=False,
        ),
    ] = None,
    paper: Annotated[
        str, typer.Option("--paper", metavar="a4|letter", help="The paper of the labels.")
    ] = "a4",
    label_size: Annotated[
        str,
        typer.Option(
            "--label-size", metavar="WxH", help="Width and height of a label, millimetres."
        ),
    ] = "70x37",
    skip_labels: Annotated[
        str,
        typer.Option(
            "--skip-labels", metavar="N", help="Labels that are gone from the first sheet."
        ),
    ] = "0",
    rate: RateOption = None,
    baud: BaudOption = None,
    active: ActiveFitOption = None,
    supply: AskedSupplyOption = None,
    temperature: TemperatureOption = None,
    knob_reading: Annotated[
        str,
        typer.Option(
            "--knob-reading",
            metavar="DEG",
            help="With --point: the knob was read to within this many degrees.",
        ),
    ] = "1",
    plain: PlainOption = False,
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """Confirm a channel from its knob's two ends and the middle: PASS, FAIL or AGAIN.

    Hands free, some fifteen seconds: it says where to turn the knob, takes the pulse once it
    stands still, then says whether the servo is safe, the parts are right, and how far each
    pulse is off. The servo is unplugged meanwhile.

    Keys: Enter takes at once, o says that the knob was begun at its other stop, q ends it; in a
    batch a measures a copy again and d notes one that makes no pulses.

    Exit status 0: PASS, in a batch for every copy; 1: FAIL or AGAIN.
    """
    from benchlog.commands.confirm_loop import Surroundings

    level = read_level(active)
    known = Surroundings(
        level,
        read_optional(supply, "--supply", "volts", 0.1, 100.0),
        read_optional(temperature, "--temperature", "degrees Celsius", -100.0, 200.0),
    )
    reading_deg = read_number(knob_reading, "--knob-reading", "degrees", low=0.0, high=90.0)
    most = read_optional(copies, "--copies", "copies", 1.0, 100000.0)
    given = check_source(sound_input, port, point, batch, labels, copies, json_output, plain)
    sheet = read_sheet(paper, label_size, skip_labels)
    output = _Output(plain, json_output, read_label_file(labels), sheet)
    read, opened = find_design(channel, design, bench, needs_bench=batch is not None)
    source = None
    if given in ("--input", "--port"):
        source = make_confirm_source(sound_input, port, channel_input, level, rate, baud)
    if batch is None:
        if source is None:
            result = _confirm_files(read, point or [], known, reading_deg)
        else:
            result = _confirm_live(read, source, known, output)
        return _give_answer(result, output)
    assert opened is not None
    file = _open_batch(opened, read, channel or read.channel, batch, made=given != "labels")
    with file:
        if source is not None:
            _run_batch(read, source, known, file, int(most) if most is not None else None, output)
        elif given == "--point":
            result = _confirm_files(read, point or [], known, reading_deg)
            _keep_files(file, result, known)
        return _end_batch(read, file, output, measured=given != "labels")


# --- recordings -------------------------------------------------------------------------


def _confirm_files(
    design: Design, texts: list[str], known: Surroundings, reading_deg: float
) -> Confirmation:
    """Confirm from recordings."""
    from benchlog.commands.confirm_points import note_supply, read_confirm_points
    from benchlog.commands.confirm_records import confirm_either, doubt_level, turn_points
    from benchlog.commands.points import Source, measure_point
    from benchlog.commands.recordings import read_beside

    pairs = read_confirm_points(design, texts)
    points = []
    sources = [Source(deg, path, read_beside(path)) for deg, path in pairs]
    measured = [measure_point(design, source, level=known.level) for source in sources]
    for point in measured:
        if known.supply_v is not None:
            point = dataclasses.replace(point, supply_v=known.supply_v)
        if known.temperature_c is not None:
            point = dataclasses.replace(point, temperature_c=known.temperature_c)
        points.append(point)
    is_certain = known.level is not None or any(
        one.sidecar is not None and one.sidecar.active_level is not None for one in sources
    )
    turned = None if is_certain else turn_points(points)
    result = confirm_either(design, points, turned, knob_reading_deg=reading_deg)
    if known.level is not None:
        result = doubt_level(design, points, result, known.level, knob_reading_deg=reading_deg)
    supply = note_supply(measured, known.supply_v)
    return result if supply is None else dataclasses.replace(result, notes=(*result.notes, supply))


def _keep_files(file: BatchFile, result: Confirmation, known: Surroundings) -> None:
    """Add a copy that was confirmed from recordings."""
    from benchlog.commands.confirm_records import find_same, make_copy
    from benchlog.show.terminal import warn

    number = file.batch.next_number
    copy = make_copy(result, number, 0, temperature_c=known.temperature_c)
    same = find_same(file.batch.newest, copy)
    if same is not None:
        warn(f"warning: these recordings are copy {same}'s already")
    file.append(copy)


# --- listening --------------------------------------------------------------------------


def _listen(
    design: Design,
    source: LiveSource,
    known: Surroundings,
    file: BatchFile | None,
    most: int | None,
    output: _Output,
) -> Confirmation | None:
    """Run the loop on what there is, and leave the terminal as it was."""
    import sys

    from benchlog.commands.confirm_loop import ConfirmLoop
    from benchlog.commands.guided import ask_supply, leave_by_signal, run_on_terminal
    from benchlog.show.confirm_view import REMINDER, ConfirmScreen, ConfirmSentences
    from benchlog.show.live_terminal import LiveTerminal, has_terminal
    from benchlog.show.terminal import warn, write_out

    if known.supply_v is None and not output.json:
        known = dataclasses.replace(known, supply_v=ask_supply(design, REMINDER))
    loop = ConfirmLoop(source, design, known, file, most)
    on_screen = not output.plain and not output.json and has_terminal(sys.stdout)
    terminal = LiveTerminal(screen=on_screen)
    view: PictureView[ConfirmPicture]
    if on_screen:
        view = ConfirmScreen(terminal)
    elif output.json:
        view = ConfirmSentences(warn)
    else:
        view = ConfirmSentences(lambda line: write_out(line + "\n"))
    run_on_terminal(loop, terminal, view)
    leave_by_signal(terminal)
    return loop.result


def _confirm_live(
    design: Design, source: LiveSource, known: Surroundings, output: _Output
) -> Confirmation:
    """Confirm one channel by listening to it."""
    result = _listen(design, source, known, None, None, output)
    if result is None:
        raise MeasurementError(
            "confirm was ended before all three positions were taken",
            expected="the knob's two stops and its middle",
            attempt="confirming again",
        )
    return result


def _run_batch(
    design: Design,
    source: LiveSource,
    known: Surroundings,
    file: BatchFile,
    most: int | None,
    output: _Output,
) -> None:
    from benchlog.show.terminal import warn

    if file.has_another_design:
        warn("warning: the batch was begun with another design than the channel has now")
    if file.batch.broken_count:
        warn(f"warning: {file.batch.broken_count} broken row(s) in {file.path} are passed over")
    _listen(design, source, known, file, most, output)


def _open_batch(bench: Bench, design: Design, channel: str, name: str, *, made: bool) -> BatchFile:
    """Open a batch; only measuring makes one."""
    from benchlog.capture.batch_files import BatchFile, batch_path, read_batch

    path = batch_path(bench, channel, name)
    if not made:
        read_batch(path)
    return BatchFile(path, channel, design.whole_text)


# --- answers ----------------------------------------------------------------------------


def _give_answer(result: Confirmation, output: _Output) -> int:
    """Show an answer once the terminal is as it was."""
    import sys

    from benchlog.show.confirm_end import show_result
    from benchlog.show.confirm_result import confirmation_to_json
    from benchlog.show.json_output import write_json
    from benchlog.show.live_terminal import has_terminal

    if output.json:
        write_json(confirmation_to_json(result))
    else:
        show_result(result, large=not output.plain and has_terminal(sys.stdout))
    return 0 if result.word == "PASS" else 1


def _end_batch(design: Design, file: BatchFile, output: _Output, *, measured: bool) -> int:
    """Say what the copies say together, and write the labels."""
    from benchlog.commands.confirm_records import copies_to_json, make_labels, summarise_copies
    from benchlog.show.confirm_end import show_batch
    from benchlog.show.confirm_result import summary_to_json
    from benchlog.show.json_output import write_json
    from benchlog.show.labels import write_labels

    newest = file.batch.newest
    if not newest:
        raise MeasurementError(
            f"no copy of batch {file.batch.name} was measured",
            expected="three knob positions of a copy at least",
            attempt="measuring one: confirm with --input or --port and this --batch",
        )
    summary = summarise_copies(design, newest)
    written: list[str] = []
    if output.labels is not None:
        written += map(str, write_labels(output.labels, make_labels(file.batch), output.sheet))
    if output.json:
        words = [one.verdict for one in newest]
        write_json(
            {
                "channel": file.batch.channel,
                "batch": file.batch.name,
                "file": str(file.path),
                "passed": words.count("PASS"),
                "failed": words.count("FAIL"),
                "again": words.count("AGAIN"),
                "copies": copies_to_json(newest),
                "spread": summary_to_json(summary),
                "sentences": list(summary.sentences),
                "labels": written,
            }
        )
    else:
        show_batch(newest, summary, [*([str(file.path)] if measured else []), *written])
    passed = all(one.verdict == "PASS" for one in newest)
    return 0 if passed and summary.is_well else 1
