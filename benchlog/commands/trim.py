"""`benchlog trim`: leads through setting the trimmers to wanted end points."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.options import (
    BaudOption,
    BenchOption,
    ChannelArgument,
    ChannelInputOption,
    DesignOption,
    InputOption,
    PlainOption,
    PortOption,
    RateOption,
    SupplyOption,
    TemperatureOption,
    read_level,
    read_number,
)
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.calibration.trimmers import Trimmer
    from benchlog.calibration.trimming import Trimming
    from benchlog.channel.design import Design
    from benchlog.commands.trim_loop import TrimLoop
    from benchlog.show.live_screen import PictureView
    from benchlog.show.trim_words import TrimPicture

__all__ = ["trim_channel"]

_LEAST_FIXED_OHM = 1000.0


def trim_channel(
    channel: ChannelArgument = None,
    sound_input: InputOption = None,
    port: PortOption = None,
    channel_input: ChannelInputOption = None,
    design: DesignOption = None,
    low: Annotated[
        str | None,
        typer.Option(
            "--low",
            metavar="US",
            help="The pulse wanted at the knob's short end; else what the marked parts should "
            "give, within the servo's range.",
            show_default=False,
        ),
    ] = None,
    high: Annotated[
        str | None,
        typer.Option(
            "--high",
            metavar="US",
            help="The pulse wanted at its long end; else likewise.",
            show_default=False,
        ),
    ] = None,
    period: Annotated[
        str | None,
        typer.Option(
            "--period",
            metavar="MS",
            help="The period wanted at mid-knob; else, with a trimmer at r_off, what the marked "
            "parts should give.",
            show_default=False,
        ),
    ] = None,
    within: Annotated[
        str, typer.Option("--within", metavar="US", help="By how much a pulse may be off.")
    ] = "5",
    period_within: Annotated[
        str,
        typer.Option(
            "--period-within", metavar="PERCENT", help="By how much the period may be off."
        ),
    ] = "1",
    r_on: Annotated[
        str | None,
        typer.Option(
            "--r-on",
            metavar="TRIMMER",
            help="The trimmer at r_on, such as '28k + trimmer 10k', or 'trimmer 50k' in place of "
            "it; else as in the design.",
            show_default=False,
        ),
    ] = None,
    r_off: Annotated[
        str | None,
        typer.Option(
            "--r-off", metavar="TRIMMER", help="The trimmer at r_off, likewise.", show_default=False
        ),
    ] = None,
    across_knob: Annotated[
        str | None,
        typer.Option(
            "--across-knob",
            metavar="TRIMMER",
            help="A trimmer across the knob's two ends, such as '100k + trimmer 1M'.",
            show_default=False,
        ),
    ] = None,
    turns: Annotated[
        str, typer.Option("--turns", metavar="N", help="Turns of a trimmer from end to end.")
    ] = "1",
    hold: Annotated[
        str,
        typer.Option(
            "--hold",
            metavar="S",
            help="How long the pulse stands still where it should before it goes on by itself.",
        ),
    ] = "2",
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
    servo_unplugged: Annotated[
        bool,
        typer.Option("--servo-unplugged", help="The servo is unplugged: do not ask for that."),
    ] = False,
    seconds: Annotated[
        str | None,
        typer.Option(
            "--seconds", metavar="S", help="Leave after so long by itself.", show_default=False
        ),
    ] = None,
    plain: PlainOption = False,
    bench: BenchOption = None,
    json_output: Annotated[
        bool,
        typer.Option(
            "--json", help="JSON on standard output, a line for each reading and one at the end."
        ),
    ] = False,
) -> int:
    """Set a channel's trimmers: it says which, which way and how far, until both ends hold.

    The knob goes to the end of the short pulse, then to that of the long one, then to its middle
    for the period, and round again until all hold. It goes on by itself where the pulse stands
    still as wanted. The servo stays unplugged the whole time. Nothing is written.

    Keys: Enter says that the knob is there or the trimmer done, e that the trimmer is at its end,
    b goes back, q leaves.

    Exit status 0: all that was wanted holds; 1: it does not, or was left before.
    """
    from benchlog.calibration.trim_steps import TrimSettings
    from benchlog.calibration.trimming import Trimming
    from benchlog.commands.trim_loop import TrimLoop
    from benchlog.commands.trim_options import find_aims, find_trimmers
    from benchlog.commands.watched import make_source, read_inputs, read_optional

    level = read_level(active)
    _check_source(sound_input, port, json_output, plain)
    supply_v = read_optional(supply, "--supply", "volts", 0.1, 100.0)
    temperature_c = read_optional(temperature, "--temperature", "degrees Celsius", -100.0, 200.0)
    hold_s = read_number(hold, "--hold", "seconds", low=0.3, high=60.0)
    seconds_s = read_optional(seconds, "--seconds", "seconds", 0.1, 1e9)
    turn_count = read_number(turns, "--turns", "turns", low=0.5, high=100.0)
    plan = _find_design(channel, design, bench)
    trimmers = find_trimmers(
        plan, {"r_on": r_on, "across": across_knob, "r_off": r_off}, turn_count
    )
    aims = find_aims(
        plan,
        low=low,
        high=high,
        period=period,
        within=within,
        period_within=period_within,
        has_period_trimmer=any(one.where == "r_off" for one in trimmers),
        supply_v=supply_v,
        temperature_c=temperature_c,
    )
    numbers = read_inputs([channel_input] if channel_input is not None else None, 1)
    source = make_source(sound_input, port, None, numbers, level, rate, baud, None, False)
    settings = TrimSettings(hold_s, supply_v, temperature_c)
    trimming = Trimming(plan, trimmers, aims, settings)
    _warn_of(trimmers)
    _ask_servo(servo_unplugged)
    name = channel or plan.channel
    loop = TrimLoop(source, trimming, name, hold_s=hold_s, seconds=seconds_s)
    return _run(loop, trimming, name, plain=plain, json_output=json_output)


def _check_source(sound: str | None, port: str | None, json_output: bool, plain: bool) -> None:
    """Refuse anything but one source."""
    if (sound is None) == (port is None):
        raise UsageError(
            "--input and --port" if sound is not None else "trim without anything to listen to",
            expected="one of --input DEVICE (sound) and --port PORT (serial probe)",
            attempt="benchlog inputs, to see what there is",
        )
    if json_output and plain:
        raise UsageError(
            "--json together with --plain", expected="one of the two", attempt="--json"
        )


def _find_design(channel: str | None, design: str | None, bench: str | None) -> Design:
    """Read the design that is named, else the channel's."""
    from benchlog.capture.store import open_bench, read_design

    if design is not None:
        return read_design(Path(design))
    if channel is None:
        raise UsageError(
            "trim without a channel",
            expected="a channel of the bench folder, or --design",
            attempt="benchlog trim heron",
        )
    return read_design(open_bench(Path(bench) if bench is not None else None).design_path(channel))


def _warn_of(trimmers: tuple[Trimmer, ...]) -> None:
    """Warn of a trimmer that can short the supply through the discharge transistor."""
    from benchlog.show.terminal import warn

    for one in trimmers:
        if one.where == "r_on" and one.fixed_ohm < _LEAST_FIXED_OHM:
            warn(
                "warning: a trimmer at r_on without 1 kΩ in series can be turned to nothing, and "
                "then the timer's discharge pin shorts the supply: put 1 kΩ or more in series"
            )


def _ask_servo(is_unplugged: bool) -> None:
    """Have it said that the servo is unplugged."""
    from benchlog.show.asking import ask, can_ask, tell
    from benchlog.show.trim_words import SERVO_CAUTION

    if is_unplugged:
        return
    if not can_ask():
        raise UsageError(
            "nobody to ask whether the servo is unplugged",
            expected="a terminal, or --servo-unplugged",
            attempt="unplugging the servo, then --servo-unplugged",
        )
    tell(SERVO_CAUTION)

    def read(text: str) -> bool:
        word = text.strip().lower()
        if word not in ("y", "yes", "n", "no"):
            raise UsageError(f"'{text[:20]}'", expected="y or n", attempt="y")
        return word.startswith("y")

    _, says = ask(
        "Is the servo unplugged?",
        read,
        flag="--servo-unplugged",
        default="y",
        explanation="Pull the servo's plug, then say y. Its cells may stay where they are.",
    )
    if not says:
        raise UsageError(
            "a servo that is plugged in",
            expected="none while trimmers are turned",
            attempt="unplugging it, then the same again",
        )


def _run(loop: TrimLoop, trimming: Trimming, name: str, *, plain: bool, json_output: bool) -> int:
    """Lead on what there is, and leave the terminal as it was."""
    import signal
    import sys

    from benchlog.commands.guided import run_on_terminal
    from benchlog.show.live_terminal import LiveTerminal, has_terminal
    from benchlog.show.trim_view import TrimLines, TrimScreen, TrimSentences

    on_screen = not plain and not json_output and has_terminal(sys.stdout)
    terminal = LiveTerminal(screen=on_screen)
    view: PictureView[TrimPicture] = TrimScreen(terminal) if on_screen else TrimSentences()
    if json_output:
        view = TrimLines()
    run_on_terminal(loop, terminal, view)
    if terminal.ended_by not in (getattr(signal, "SIGHUP", None), signal.SIGTERM):
        _give_summary(trimming, name, json_output=json_output)
    if terminal.ended_by == signal.SIGINT:
        raise KeyboardInterrupt
    if terminal.ended_by is not None:
        return 128 + terminal.ended_by
    return 0 if trimming.is_done and trimming.has_reached else 1


def _give_summary(trimming: Trimming, name: str, *, json_output: bool) -> None:
    """Tell how it ended: both ends, the period, the trimmers, and what to change."""
    import json

    from benchlog.calibration.trim_remedy import suggest_parts
    from benchlog.show.terminal import show, write_out
    from benchlog.show.trim_words import describe_result, describe_trimmer, summary_to_json

    results, trimmers = trimming.results(), trimming.trimmer_results()
    changes = suggest_parts(trimming) if trimming.is_done else ()
    if json_output:
        content = summary_to_json(
            name,
            "done" if trimming.is_done else "left",
            results,
            trimmers,
            changes,
            rounds=trimming.round,
            moves=trimming.moves,
        )
        write_out(json.dumps(content, allow_nan=False) + "\n")
        return
    wanted = [one for one in results if one.target_s is not None]
    if not trimming.is_done:
        head = f"{name}: left before all was set."
    elif trimming.has_reached:
        head = f"{name}: all holds, after {_count(trimming)}."
    else:
        head = f"{name}: not all that was wanted can be reached, after {_count(trimming)}."
    lines = [head, *(f"  {describe_result(one)}" for one in wanted)]
    if any(one.value_s is not None for one in results):
        lines += [f"  {describe_trimmer(one)}" for one in trimmers]
    failing = {one.place for one in wanted if not one.holds}
    if trimming.is_done and failing >= {"low", "high"} and "across" not in trimming.found.trimmers:
        lines.append("  The trimmer at r_on moves both ends alike: this is the best it can do.")
    lines += [f"  To change: {one.text}." for one in changes]
    show(*lines)


def _count(trimming: Trimming) -> str:
    rounds, moves = trimming.round, trimming.moves
    told = f"{rounds} round{'s' if rounds != 1 else ''} and "
    return told + f"{moves} turn{'s' if moves != 1 else ''} of trimmers"
