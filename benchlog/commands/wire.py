"""`benchlog wire`: the divider between a timer's output and a sound input."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.options import BenchOption, JsonOption
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.channel.design import Design
    from benchlog.channel.divider import Divider

__all__ = ["wire_input"]


def wire_input(
    channel: Annotated[
        str | None,
        typer.Argument(
            metavar="CHANNEL|DESIGN.toml",
            help="Take supply, timer and pulse from this channel's design.",
            show_default=False,
        ),
    ] = None,
    supply: Annotated[
        str | None,
        typer.Option(
            "--supply",
            metavar="V",
            help="The circuit's supply, 3 to 15 V, or cells such as '4 AA'.",
            show_default=False,
        ),
    ] = None,
    timer: Annotated[
        str | None,
        typer.Option(
            "--timer",
            metavar="MARKING",
            help="What stands on the timer, or cmos or bipolar; else cmos, whose output is higher.",
            show_default=False,
        ),
    ] = None,
    into: Annotated[
        str | None,
        typer.Option(
            "--into",
            metavar="line|microphone|headset",
            help="The kind of input that it goes into.",
            show_default=False,
        ),
    ] = None,
    why: Annotated[
        bool, typer.Option("--why", help="Say what was assumed, and where each figure is from.")
    ] = False,
    plain: Annotated[
        bool, typer.Option("--plain", help="Sentences in place of the drawing and the table.")
    ] = False,
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """Choose the divider for a supply and an input, draw it, and say what a meter should read.

    Battery or isolated low voltage only: mains, and anything above 15 V, is refused.
    """
    from benchlog.channel.divider import choose_divider
    from benchlog.show.json_output import write_json
    from benchlog.show.wiring import divider_to_json

    design = None if channel is None else _read_design(channel, bench)
    supply_v = _find_supply(supply, design)
    family = _find_family(timer, design)
    divider = choose_divider(supply_v, family, _find_input(into))
    duty = None if design is None else _find_duty(design, supply_v)
    if json_output:
        write_json(divider_to_json(divider, duty))
    else:
        _show(divider, duty, plain=plain, why=why)
    return 0


def _read_design(channel: str, bench: str | None) -> Design:
    """Read the design of a channel or a file."""
    from benchlog.commands.predict import read_named_design

    return read_named_design(channel, bench)


def _find_supply(text: str | None, design: Design | None) -> float:
    """Return the supply that was told, or ask for it."""
    from benchlog.channel.supply import read_supply
    from benchlog.show.asking import ask, can_ask

    if text is None and design is not None:
        return design.supply.value
    if text is not None:
        return read_supply(text).volts
    if can_ask():
        explanation = "Volts (6) or cells (4 AA). Battery or isolated low voltage only."
        return ask(
            "The circuit's supply in volts, or cells such as '4 AA'",
            lambda words: read_supply(words).volts,
            flag="--supply",
            explanation=explanation,
        )[1]
    raise UsageError(
        "wire without --supply",
        expected="the circuit's supply, 3 to 15 V, or a channel with a design",
        attempt="--supply 6, or --supply '4 AA'",
    )


def _find_family(text: str | None, design: Design | None) -> str:
    """Return the timer's family; cmos where it is not told, since its output is higher."""
    from benchlog.channel.part_names import read_timer

    if text is None:
        return "cmos" if design is None else design.timer.name
    return read_timer(text).name


def _find_input(text: str | None) -> str:
    """Return the kind of input that was told, or ask for it."""
    from benchlog.channel.input_kinds import INPUTS
    from benchlog.show.asking import ask_choice, can_ask, tell

    kinds = tuple(INPUTS)
    if text is not None:
        word = text.strip().lower()
        found = [one for one in kinds if len(word) > 2 and one.startswith(word)]
        if not found:
            raise UsageError(
                f"--into '{text[:40]}'",
                expected=f"{', '.join(kinds)}: an input, never a headphone output",
                attempt="--into microphone, which most cheap USB inputs are",
            )
        return found[0]
    if can_ask():
        tell(
            "Line: the blue socket of a computer or a mixer. Microphone: the pink one, and most "
            "cheap USB inputs. Headset: one socket for both, four contacts on the plug. Never a "
            "headphone output."
        )
        return ask_choice("Into which input?", kinds, flag="--into", default="microphone")
    raise UsageError(
        "wire without --into",
        expected="the kind of input: line, microphone or headset",
        attempt="--into microphone, which most cheap USB inputs are",
    )


def _find_duty(design: Design, supply_v: float) -> tuple[float, float]:
    """Return the least and the greatest share of the period that the channel's pulse takes."""
    import numpy as np

    from benchlog.channel.design import predict_cycle

    angles = np.linspace(0.0, design.knob.travel_deg, 13)
    times = predict_cycle(design, angles, supply_v=supply_v)
    shares = times.on_s / times.period_s
    return float(shares.min()), float(shares.max())


def _show(divider: Divider, duty: tuple[float, float] | None, *, plain: bool, why: bool) -> None:
    """Show it: the cautions first, then what to build, what it does and what to measure."""
    from benchlog.show.cautions import show_cautions
    from benchlog.show.terminal import key_value_table, screen_width, show
    from benchlog.show.wiring import level_rows, list_facts, meter_steps, notes
    from benchlog.show.wiring_drawing import WIDE, draw_divider, wiring_sentences

    show_cautions()
    kind = "headset socket" if divider.kind.name == "headset" else f"{divider.kind.name} input"
    title = f"From a {divider.family} timer at {divider.supply_v:g} V into a {kind}"
    rows = level_rows(divider)
    width = screen_width()
    if plain:
        show(title + ".", *wiring_sentences(divider))
    else:
        show(title, "", *draw_divider(divider, width, ascii_only=not _shows_lines()), "")
    if plain or width < WIDE:
        show(*(f"{name[0].upper()}{name[1:]}: {value}." for name, value in rows))
    else:
        show(key_value_table(rows))
    show("", *notes(divider), "", "Before you plug it in:")
    steps = meter_steps(divider, duty)
    show(*(f"{number}. {step}" for number, step in enumerate(steps, start=1)))
    if why:
        show("", "Assumed, and from where:")
        show(*(f"- {one.what}. {one.source}; {one.status}." for one in list_facts(divider)))


def _shows_lines() -> bool:
    """Tell whether standard output can show the drawing's lines."""
    try:
        "─│┬┴├▼▲".encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except (LookupError, UnicodeEncodeError):
        return False
    return True
