"""`benchlog watch`: a live reading while you turn and probe."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchlog.commands.options import (
    BaudOption,
    BenchOption,
    InputOption,
    PortOption,
    RateOption,
    SupplyOption,
    TemperatureOption,
    read_level,
    read_number,
)
from benchlog.commands.watched import (
    describe_inputs,
    make_source,
    read_inputs,
    read_optional,
    sort_targets,
)
from benchlog.errors import StoreError, UsageError

if TYPE_CHECKING:
    from benchlog.capture.store import Bench
    from benchlog.commands.live_sources import LiveSource
    from benchlog.commands.watched import Watched
    from benchlog.commands.watching import Watch
    from benchlog.show.live_view import LiveView

__all__ = ["watch_channel"]


def watch_channel(
    targets: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[CHANNEL...] [FILE]",
            help="The channels on the inputs, in order, and a recording to replay.",
            show_default=False,
        ),
    ] = None,
    sound_input: InputOption = None,
    port: PortOption = None,
    channel_input: Annotated[
        list[str] | None,
        typer.Option(
            "--channel-input",
            metavar="N",
            help="Which input of the sound device, from 1 (left) on. Once for each; else one for "
            "each channel.",
            show_default=False,
        ),
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option(
            "--at",
            "--knob",
            metavar="DEG",
            help="Where the knob stands, in degrees: gives a verdict. Once, or once a channel.",
            show_default=False,
        ),
    ] = None,
    design: Annotated[
        str | None,
        typer.Option(
            "--design",
            metavar="DESIGN.toml",
            help="The design file, in place of those of the channels.",
            show_default=False,
        ),
    ] = None,
    rate: RateOption = None,
    baud: BaudOption = None,
    active: Annotated[
        str | None,
        typer.Option(
            "--active",
            metavar="high|low",
            help="Which level is the pulse; else the shorter part is.",
            show_default=False,
        ),
    ] = None,
    supply: SupplyOption = None,
    temperature: TemperatureOption = None,
    signal: Annotated[
        str | None,
        typer.Option(
            "--signal",
            metavar="NAME",
            help="The signal to take from a VCD file that holds several.",
            show_default=False,
        ),
    ] = None,
    seconds: Annotated[
        str | None,
        typer.Option(
            "--seconds", metavar="S", help="End after so long by itself.", show_default=False
        ),
    ] = None,
    fast: Annotated[
        bool, typer.Option("--fast", help="Replay a file as fast as possible.")
    ] = False,
    plain: Annotated[
        bool,
        typer.Option(
            "--plain",
            help="Plain sentences in place of a screen, as for a screen reader; a pipe gets them "
            "anyway.",
        ),
    ] = False,
    bench: BenchOption = None,
    json_output: Annotated[
        bool, typer.Option("--json", help="JSON on standard output, a line for each reading.")
    ] = False,
) -> int:
    """Watch a channel live: the arm, the pulse, its jitter, its verdict.

    Either --input, --port or a recording's FILE says what to watch. Keys: h holds the picture, z
    shows change from here, m marks the reading in the bench's log, r keeps the last minute as a
    record, q ends it.

    Exit status 1 says that something was wrong in the end: no pulses, an end stop, off design,
    clipping, lost samples.
    """
    level = read_level(active)
    channels, file = sort_targets(targets or [])
    _check_source(sound_input, port, file, json_output, plain)
    opened = _open_bench(bench, needed=design is None and bool(channels))
    known = {
        "active_level": level,
        "supply_v": read_optional(supply, "--supply", "volts", 0.0, 100.0),
        "temperature_c": read_optional(
            temperature, "--temperature", "degrees Celsius", -100.0, 200.0
        ),
    }
    numbers = read_inputs(channel_input, len(channels))
    source = make_source(sound_input, port, file, numbers, level, rate, baud, signal, fast)
    angles = [read_number(one, "--at", "degrees", low=-3600.0, high=3600.0) for one in at or []]
    inputs = describe_inputs(source, channels, angles, design, opened, known)
    watch = _make_watch(source, inputs, opened, known, seconds, replay=file is not None)
    return _run(watch, plain=plain, json_output=json_output)


def _check_source(
    sound: str | None, port: str | None, file: Path | None, json_output: bool, plain: bool
) -> None:
    """Refuse anything but one source."""
    given = [
        name
        for name, value in (("--input", sound), ("--port", port), ("a file", file))
        if value is not None
    ]
    if len(given) != 1:
        raise UsageError(
            " and ".join(given) if given else "watch without anything to watch",
            expected="one of --input DEVICE (sound), --port PORT (serial probe) and a file",
            attempt="benchlog inputs, to see what there is",
        )
    if json_output and plain:
        raise UsageError(
            "--json together with --plain", expected="one of the two", attempt="--json"
        )


def _open_bench(bench: str | None, *, needed: bool) -> Bench | None:
    """Open the bench folder; without one, watching goes on where it can."""
    from benchlog.capture.store import open_bench

    try:
        return open_bench(Path(bench) if bench is not None else None)
    except StoreError:
        if bench is not None or os.environ.get("BENCHLOG_BENCH") or needed:
            raise
        return None


def _make_watch(
    source: LiveSource,
    inputs: tuple[Watched, ...],
    bench: Bench | None,
    known: dict[str, Any],
    seconds: str | None,
    *,
    replay: bool,
) -> Watch:
    """Put the loop together."""
    from benchlog.commands.watching import Watch

    length_s = read_optional(seconds, "--seconds", "seconds", 0.1, 1e9)
    return Watch(source, inputs, bench, known, seconds=length_s, replay=replay)


def _run(watch: Watch, *, plain: bool, json_output: bool) -> int:
    """Show it on what there is, and leave the terminal as it was."""
    import signal
    import sys

    from benchlog.show.live_picture import picture_is_well
    from benchlog.show.live_terminal import LiveTerminal, has_terminal
    from benchlog.show.live_view import JsonView, PlainView, ScreenView
    from benchlog.show.terminal import warn

    on_screen = not plain and not json_output and has_terminal(sys.stdout)
    terminal = LiveTerminal(screen=on_screen)
    views: dict[bool, LiveView] = {True: JsonView(), False: PlainView(by_stream=watch.is_replay)}
    view = ScreenView(terminal) if on_screen else views[json_output]
    try:
        with terminal:
            last = watch.run(terminal, view)
    finally:
        terminal.close()
        for text in watch.finish():
            warn(text)
    if terminal.ended_by not in (getattr(signal, "SIGHUP", None), signal.SIGTERM):
        view.close(last)
    if terminal.ended_by == signal.SIGINT:
        raise KeyboardInterrupt
    if terminal.ended_by is not None:
        return 128 + terminal.ended_by
    return 0 if picture_is_well(last) else 1
