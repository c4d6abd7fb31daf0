"""`benchlog new`: the design file of a channel, from what stands on its parts."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchlog.commands.options import BenchOption, JsonOption
from benchlog.errors import DesignError, StoreError, UsageError

if TYPE_CHECKING:
    from benchlog.capture.store import Bench
    from benchlog.channel.design import Design
    from benchlog.channel.draft_check import Reach
    from benchlog.commands.proposing import Wish

__all__ = ["new_channel"]


def _answer(flag: str, metavar: str, what: str) -> typer.models.OptionInfo:
    """Return the option that answers one question."""
    option: typer.models.OptionInfo = typer.Option(
        flag, metavar=metavar, help=what, show_default=False
    )
    return option


def new_channel(
    channel: Annotated[
        str, typer.Argument(metavar="CHANNEL", help="The new channel's name.", show_default=False)
    ],
    like: Annotated[
        str | None,
        _answer("--like", "CHANNEL", "Copy the design of this channel, or this design file."),
    ] = None,
    aim: Annotated[
        tuple[str, str, str] | None,
        _answer(
            "--aim",
            "LOW_US HIGH_US PERIOD_MS",
            "Propose parts: wanted shortest and longest pulse in µs, and period in ms.",
        ),
    ] = None,
    choose: Annotated[
        str | None,
        _answer("--choose", "N", "Which proposal to take; else the first, or asked."),
    ] = None,
    trimmers: Annotated[
        bool, typer.Option("--trimmers", help="With --aim: r_on and r_off with a trimmer each.")
    ] = False,
    timer: Annotated[
        str | None,
        _answer("--timer", "MARKING", "The timer, such as NE555 or TLC555; else an ideal one."),
    ] = None,
    supply: Annotated[
        str | None, _answer("--supply", "V", "Volts, or cells such as '4 AA'.")
    ] = None,
    r_on: Annotated[
        str | None, _answer("--r-on", "OHM", "A value such as 33k, or its colour bands.")
    ] = None,
    r_knob: Annotated[
        str | None, _answer("--r-knob", "MARKING", "What stands on the knob, such as B100K.")
    ] = None,
    taper: Annotated[
        str | None,
        _answer("--taper", "linear|log", "The knob's taper; else linear, unless marked otherwise."),
    ] = None,
    travel: Annotated[
        str | None, _answer("--travel", "DEG", "From stop to stop of the knob; else 270.")
    ] = None,
    longer: Annotated[
        str | None,
        _answer(
            "--longer",
            "clockwise|anticlockwise",
            "The way of turning that lengthens the pulse; else clockwise.",
        ),
    ] = None,
    r_off: Annotated[
        str | None, _answer("--r-off", "OHM", "A value such as 820k, or its colour bands.")
    ] = None,
    c_timing: Annotated[
        str | None, _answer("--c-timing", "MARKING", "Its code or value: 223, 22n, 0.022.")
    ] = None,
    diode: Annotated[
        str | None, _answer("--diode", "TYPE", "The steering diode, or none; else 1N4148.")
    ] = None,
    servo: Annotated[
        str | None,
        _answer(
            "--servo", "'US to US'", "Its shortest and longest pulse; else a cautious 1000 to 2000."
        ),
    ] = None,
    servo_angles: Annotated[
        str | None,
        _answer("--servo-angles", "'DEG to DEG'", "The arm's angles there; else 0 to 180."),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", "-y", help="Ask nothing: flags, and defaults for the rest.")
    ] = False,
    make_bench: Annotated[
        bool, typer.Option("--make-bench", help="Make the bench folder where there is none.")
    ] = False,
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """Ask for what stands on the parts, and write the channel's design file.

    Colour bands, capacitor codes and the trade's part numbers are understood; '?' explains a
    question. With --aim the parts are proposed instead: values that are made, the surest first,
    and those that a flag names are kept. Without a terminal nothing is asked. Exit status 1 says
    that the knob would drive the servo past its range.
    """
    given = {
        "timer": timer,
        "supply": supply,
        "r_on": r_on,
        "r_knob": r_knob,
        "taper": taper,
        "travel": travel,
        "longer": longer,
        "r_off": r_off,
        "c_timing": c_timing,
        "diode": diode,
        "servo": servo,
        "angles": servo_angles,
    }
    asking = not yes and _can_ask()
    wish = _read_wish(aim, choose, like, trimmers=trimmers)
    name, opened = _find_place(channel, bench, make_bench=make_bench, asking=asking)
    notes: list[str] = []
    told: dict[str, Any] = {}
    if wish is not None:
        from benchlog.commands.proposing import propose_design

        text, reach, notes, told = propose_design(
            name, opened.design_path(name), given, wish, asking=asking, json_output=json_output
        )
    elif like is not None:
        text = _copy(like, name, opened, given)
        reach = _try_out(text, opened.design_path(name))[1]
    elif asking:
        text, reach = _ask(name, opened, given)
    else:
        text, reach, notes = _take(name, opened, given)
    asked = asking and like is None
    return _store(name, opened, text, reach, notes, told, asked=asked, json_output=json_output)


def _read_wish(
    aim: tuple[str, str, str] | None, choose: str | None, like: str | None, *, trimmers: bool
) -> Wish | None:
    """Read the aim; None where none was told."""
    if aim is None and choose is None and not trimmers:
        return None
    from benchlog.commands.proposing import read_wish

    return read_wish(aim, choose, like, trimmers=trimmers)


def _can_ask() -> bool:
    """Tell whether somebody sits at a terminal."""
    from benchlog.show.asking import can_ask

    return can_ask()


def _find_place(
    channel: str, folder: str | None, *, make_bench: bool, asking: bool
) -> tuple[str, Bench]:
    """Return the channel's name and the bench folder, before anything is asked of the parts."""
    from benchlog.capture.store import Bench
    from benchlog.channel.names import check_channel_name
    from benchlog.show.asking import ask_choice

    name = check_channel_name(channel)
    chosen = Path(folder or os.environ.get("BENCHLOG_BENCH", "") or ".")
    opened = Bench(chosen)
    path = opened.design_path(name)
    if not any(one.is_dir() for one in (opened.captures, opened.calibration)) and not make_bench:
        refusal = StoreError(
            f"{chosen.absolute()} is no bench folder",
            expected="the folders captures or calibration in it",
            attempt="--make-bench to begin one there, or --bench FOLDER",
        )
        question = f"{chosen.absolute()} is no bench folder yet. Make it one?"
        if not asking:
            raise refusal
        if ask_choice(question, ("yes", "no"), flag="--make-bench", default="no") == "no":
            raise refusal
    if os.path.lexists(path):
        raise StoreError(
            f"{path} is there already",
            expected="a channel without a design, since nothing is overwritten",
            attempt="another name, or changing that file in a text editor",
        )
    _check_writable(path)
    return name, opened


def _check_writable(path: Path) -> None:
    """Refuse a place that cannot be written, before anybody answers a dozen questions."""
    folder = path.parent
    while not os.path.lexists(folder) and folder != folder.parent:
        folder = folder.parent
    if not folder.is_dir() or not os.access(folder, os.W_OK):
        raise StoreError(
            f"{folder} cannot be written" if folder.is_dir() else f"{folder} is no folder",
            expected="a bench folder that you may write to",
            attempt="changing its permissions, or another bench folder with --bench FOLDER",
        )


def _copy(like: str, name: str, bench: Bench, given: Mapping[str, str | None]) -> str:
    """Return another channel's design with the name changed."""
    from benchlog.capture.store import read_design
    from benchlog.channel.draft import copy_text

    told = [key.replace("_", "-") for key, words in given.items() if words is not None]
    if told:
        raise UsageError(
            f"--like together with --{told[0].replace('angles', 'servo-angles')}",
            expected="either a channel to copy, or what stands on the parts",
            attempt="copying it, then changing the file in a text editor",
        )
    is_file = like.endswith(".toml") or "/" in like or "\\" in like
    path = Path(like) if is_file else bench.design_path(like)
    return copy_text(read_design(path), name, str(path))


def _try_out(text: str, path: Path) -> tuple[Design, Reach]:
    """Read a design's text as it would be read later, and work out what it does."""
    from benchlog.capture.servo_files import servos_beside
    from benchlog.channel.design import parse_design
    from benchlog.channel.draft_check import find_reach

    design = parse_design(text, str(path), servos_beside(path))
    return design, find_reach(design)


def _take(name: str, bench: Bench, given: Mapping[str, str | None]) -> tuple[str, Reach, list[str]]:
    """Make the design from flags and defaults."""
    from benchlog.channel.draft import draft_text
    from benchlog.commands.answers import take_answers
    from benchlog.commands.part_questions import build_draft
    from benchlog.show.terminal import warn

    answers, notes = take_answers(given)
    text = draft_text(build_draft(name, answers))
    reach = _try_out(text, bench.design_path(name))[1]
    for note in notes:
        warn(f"note: {note}")
    return text, reach, notes


def _ask(name: str, bench: Bench, given: Mapping[str, str | None]) -> tuple[str, Reach]:
    """Make the design from answers, until they are right."""
    from benchlog.channel.draft import draft_text
    from benchlog.commands.answers import ask_again, ask_answers
    from benchlog.commands.part_questions import QUESTIONS, build_draft
    from benchlog.show.asking import ask_choice, tell
    from benchlog.show.draft_view import CIRCUIT, reach_sentences

    tell(f"What stands on the parts of {name}? '?' explains a question; Ctrl-C leaves.")
    for line in CIRCUIT:
        tell(line)
    answers = ask_answers(given)
    keys = [question.key for question in QUESTIONS]
    while True:
        tell("")
        try:
            text = draft_text(build_draft(name, answers))
            design, reach = _try_out(text, bench.design_path(name))
        except DesignError as fault:
            tell(f"{fault.found}. Expected: {fault.expected}. Try: {fault.attempt}.")
            words, default = ("no", *keys), "r_on"
        else:
            for sentence in reach_sentences(design, reach):
                tell(sentence)
            words, default = ("yes", "no", *keys), "yes"
        tell("Write it? Or name an answer to change it.")
        chosen = ask_choice("Your choice", words, flag="--yes", default=default)
        if chosen == "yes":
            return text, reach
        if chosen == "no":
            raise UsageError(
                "nothing was written",
                expected="yes, to write the design file",
                attempt=f"benchlog new {name} once more",
            )
        ask_again(chosen, answers)


def _store(
    name: str,
    bench: Bench,
    text: str,
    reach: Reach,
    notes: list[str],
    told: Mapping[str, Any],
    *,
    asked: bool,
    json_output: bool,
) -> int:
    """Write the file and say what was written."""
    from benchlog.capture.design_files import store_design
    from benchlog.capture.store import make_bench
    from benchlog.show.draft_view import design_to_json, reach_sentences
    from benchlog.show.json_output import write_json
    from benchlog.show.terminal import show

    is_new = not bench.captures.is_dir() and not bench.calibration.is_dir()
    path, design = store_design(bench, name, text)
    if is_new:
        make_bench(bench.folder)
    if json_output:
        content = design_to_json(design, reach, notes)
        write_json({"channel": name, "file": str(path), **content, **told})
    else:
        if not asked:
            show(*reach_sentences(design, reach))
        show(f"Written: {path}")
        shown = f"'{name}'" if " " in name else name
        show(f"Next: benchlog predict {shown}, and benchlog wire {shown} to connect it.")
    return 1 if reach.past_low or reach.past_high else 0
