"""`benchlog new --aim`: a design from wanted pulses, its parts proposed."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.errors import DesignError, UsageError, one_line

if TYPE_CHECKING:
    from benchlog.channel.aim import Aim
    from benchlog.channel.draft_check import Reach
    from benchlog.channel.markings import Marking
    from benchlog.channel.proposal import Proposal
    from benchlog.commands.part_questions import Answer

__all__ = ["Wish", "propose_design", "read_wish"]

ROOM = 0.05
"""Room about the aim that an unknown servo is taken to have, as a share of the way between."""

_WIDTHS_US = (10.0, 100000.0)
_MOST_PERIOD_MS = 1000.0  # ten times the longest pulse
_NUMBER = re.compile(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*(us|µs|ms)?\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Wish:
    """What was told on the command line beside the parts.

    Attributes
    ----------
    aim : Aim
        What the channel is wanted to do.
    choice : int or None
        The proposal to take, counted from 1; None where it was not told.
    trimmers : bool
        Whether r_on and r_off get a trimmer each.
    """

    aim: Aim
    choice: int | None
    trimmers: bool


def read_wish(
    words: Sequence[str] | None, choice: str | None, like: str | None, *, trimmers: bool
) -> Wish | None:
    """Read the aim and what goes with it.

    Parameters
    ----------
    words : sequence of str or None
        Shortest pulse, longest pulse, period; None where none was told.
    choice, like : str or None
        The words behind ``--choose`` and ``--like``.
    trimmers : bool
        Whether ``--trimmers`` was told.

    Returns
    -------
    Wish or None
        None where no aim was told.

    Raises
    ------
    DesignError, UsageError
        It cannot be used, or no channel can do that.
    """
    if words is None:
        for told, flag in ((choice is not None, "--choose"), (trimmers, "--trimmers")):
            if told:
                raise UsageError(
                    f"{flag} without --aim",
                    expected="an aim, for which parts are proposed",
                    attempt="--aim 600 2400 20",
                )
        return None
    if like is not None:
        raise UsageError(
            "--like together with --aim",
            expected="either a channel to copy, or an aim for which parts are proposed",
            attempt="one of the two",
        )
    from benchlog.channel.aim import Aim

    low, high = (_read_number(word, "us", "a pulse in µs") for word in words[:2])
    period = _read_number(words[2], "ms", "a period in ms")
    _check_units(low, high, period)
    try:
        aim = Aim(low * 1e-6, high * 1e-6, period * 1e-3)
    except DesignError as fault:
        raise UsageError(
            f"--aim: {fault.found}", expected=fault.expected, attempt=fault.attempt
        ) from fault
    return Wish(aim, None if choice is None else _read_choice(choice), trimmers)


def _check_units(low_us: float, high_us: float, period_ms: float) -> None:
    """Refuse figures that no channel is made for: mostly they are in another unit."""
    least, most = _WIDTHS_US
    for one in (low_us, high_us):
        if least <= one <= most:
            continue
        attempt = "--aim 600 2400 20"
        for factor in (1e3, 1e6):  # told in ms, in s
            low, high = low_us * factor, high_us * factor
            if least <= low < high <= most:
                period = period_ms if period_ms * 1e3 > high else 20.0
                attempt = f"--aim {low:g} {high:g} {period:g} (pulses are in µs: {low:g} {high:g})"
                break
        raise UsageError(
            f"--aim: a pulse of {one:g} µs",
            expected=f"a pulse of {least:g} to {most:g} µs",
            attempt=attempt,
        )
    if period_ms > _MOST_PERIOD_MS:
        period = period_ms / 1e3 if high_us < period_ms <= 1e3 * _MOST_PERIOD_MS else 20.0
        raise UsageError(
            f"--aim: a period of {period_ms:g} ms",
            expected=f"a period of at most {_MOST_PERIOD_MS:g} ms",
            attempt=f"--aim {low_us:g} {high_us:g} {period:g} (the period is in ms: {period:g})",
        )


def _read_number(word: str, unit: str, what: str) -> float:
    """Read one number, with or without its unit."""
    found = _NUMBER.fullmatch(word[:40])
    told = (found[2] or unit).lower().replace("µ", "u") if found else ""
    if found is None or told != unit:
        raise UsageError(
            f"--aim: '{one_line(word[:40])}' is not {what}",
            expected="LOW_US HIGH_US PERIOD_MS: two pulses in µs and a period in ms",
            attempt="--aim 600 2400 20",
        )
    return float(found[1].replace(",", "."))


def _read_choice(word: str) -> int:
    """Read the number of a proposal."""
    if re.fullmatch(r"[1-9]", word.strip()):
        return int(word)
    raise UsageError(
        f"--choose: '{one_line(word[:40])}' is no proposal's number",
        expected="a number of the list, from 1",
        attempt="--choose 1",
    )


def propose_design(
    name: str,
    path: Path,
    given: Mapping[str, str | None],
    wish: Wish,
    *,
    asking: bool,
    json_output: bool,
) -> tuple[str, Reach, list[str], dict[str, Any]]:
    """Propose parts, let somebody choose, and make the design's text.

    Parameters
    ----------
    name : str
        The channel.
    path : pathlib.Path
        Where its design will lie.
    given : mapping
        The words behind each flag by the question's key; None where it was left out.
    wish : Wish
        From `read_wish`.
    asking : bool
        Whether somebody can answer.
    json_output : bool
        Whether standard output is kept for JSON.

    Returns
    -------
    text : str
        The design file's text.
    reach : Reach
        What it does.
    notes : list of str
        What was taken for granted.
    told : dict
        The aim and the proposals, for JSON.

    Raises
    ------
    DesignError, UsageError
        The aim cannot be met, an answer cannot be used, or nothing is to be written.
    """
    from benchlog.capture.servo_files import servos_beside
    from benchlog.channel.design import parse_design
    from benchlog.channel.draft import draft_text
    from benchlog.channel.draft_check import find_reach
    from benchlog.commands.answers import ask_answers, take_answers
    from benchlog.commands.part_questions import questions_for_aim
    from benchlog.show.asking import tell
    from benchlog.show.json_output import in_microseconds
    from benchlog.show.proposal_view import choice_lines, proposal_lines, proposals_to_json
    from benchlog.show.terminal import screen_width, show, warn

    questions = questions_for_aim(
        [key for key, words in given.items() if words is not None], _servo_us(wish.aim)
    )
    notes: list[str] = []
    if asking:
        tell(f"What is known of {name}? '?' explains a question; Ctrl-C leaves.")
        answers = ask_answers(given, questions)
    else:
        answers, notes = take_answers(given, questions)
    proposals = _propose(wish.aim, answers)
    _check_choice(wish, len(proposals))
    shown = wish.choice or 1
    lines = proposal_lines(
        proposals,
        wish.aim,
        supply_v=answers["supply"].value,
        width=screen_width(),
        chosen=shown,
    )
    if asking:
        for line in lines:
            tell(line)
    elif not json_output:
        show(*lines)
    for note in notes:
        warn(f"note: {note}")
    if asking:
        wish = _ask_choice(wish, len(proposals))
        if wish.choice is not None and wish.choice != shown:
            for line in choice_lines(proposals, wish.choice):
                tell(line)
        wish = _ask_trimmers(wish)
    chosen = (wish.choice or 1) - 1
    draft = _draft(name, answers, proposals[chosen], trimmers=wish.trimmers)
    text = f"# Parts proposed for {_aim_words(wish.aim)}.\n{draft_text(draft)}"
    design = parse_design(text, str(path), servos_beside(path))
    reach = find_reach(design)
    if asking:
        _confirm(name, design, reach)
    told = {
        "aim": {
            "low_us": in_microseconds(wish.aim.low_s),
            "high_us": in_microseconds(wish.aim.high_s),
            "period_us": in_microseconds(wish.aim.period_s or 0.0),
        },
        "proposals": proposals_to_json(proposals),
        "chosen": chosen + 1,
        "trimmers": wish.trimmers,
    }
    return text, reach, notes, told


def _aim_words(aim: Aim) -> str:
    """Write an aim."""
    period_ms = (aim.period_s or 0.0) * 1e3
    return f"{aim.low_s * 1e6:g} to {aim.high_s * 1e6:g} µs every {period_ms:g} ms"


def _servo_us(aim: Aim) -> tuple[float, float]:
    """Return what an unknown servo is taken to follow: the aim with some room, in µs."""
    room_s = ROOM * (aim.high_s - aim.low_s)
    low_us, high_us = 1e6 * (aim.low_s - room_s), 1e6 * (aim.high_s + room_s)
    return float(max(round(low_us), 10)), float(min(round(high_us), 100000))


def _propose(aim: Aim, answers: Mapping[str, Answer]) -> tuple[Proposal, ...]:
    """Propose parts for what was answered."""
    from benchlog.channel.knob import Knob
    from benchlog.channel.proposal import propose_parts
    from benchlog.channel.servo import Servo

    markings = {key: _held(key, answers[key]) for key in _PARTS if key in answers}
    servo = answers["servo"].value
    return propose_parts(
        aim,
        servo=Servo(servo.pulse_min_us * 1e-6, servo.pulse_max_us * 1e-6),
        supply_v=answers["supply"].value,
        family=answers["timer"].value.name,
        diode=answers["diode"].value.name,
        held={key: one.value for key, one in markings.items()},
        tolerances={
            key: one.tolerance for key, one in markings.items() if one.tolerance is not None
        },
        knob=Knob(
            answers["travel"].value,
            longer=answers["longer"].value,
            taper=answers["taper"].value if "taper" in answers else "linear",
        ),
    )


_PARTS = ("r_on", "r_knob", "r_off", "c_timing")


def _held(key: str, answer: Answer) -> Marking:
    """Return the marking of a part that is there already."""
    marking: Marking = answer.value.marking if key == "r_knob" else answer.value
    if marking.trimmer_ohm:
        flag = f"--{key.replace('_', '-')}"
        raise UsageError(
            f"{flag} with a trimmer together with --aim",
            expected="one value, since the trimmer is proposed as well",
            attempt=f"leaving {flag} out, and --trimmers",
        )
    return marking


def _check_choice(wish: Wish, count: int) -> None:
    """Refuse a number that is not on the list."""
    if wish.choice is not None and wish.choice > count:
        raise UsageError(
            f"--choose {wish.choice}",
            expected=f"a number of the list, from 1 to {count}",
            attempt="--choose 1",
        )


def _ask_choice(wish: Wish, count: int) -> Wish:
    """Ask which proposal, where that was not told."""
    from benchlog.show.asking import ask_choice, tell

    if wish.choice is None:
        numbers = [str(one + 1) for one in range(count)]
        tell("")
        wish = dataclasses.replace(
            wish, choice=int(ask_choice("Which one?", numbers, flag="--choose", default="1"))
        )
    return wish


def _ask_trimmers(wish: Wish) -> Wish:
    """Ask whether with trimmers, where that was not told."""
    from benchlog.show.asking import ask_choice

    if not wish.trimmers:
        words = ask_choice("With trimmers?", ("no", "yes"), flag="--trimmers", default="no")
        wish = dataclasses.replace(wish, trimmers=words == "yes")
    return wish


def _draft(name: str, answers: Mapping[str, Answer], proposal: Proposal, *, trimmers: bool) -> Any:
    """Return what the design file is written from."""
    from benchlog.channel.markings import Marking
    from benchlog.channel.part_names import KnobMarking
    from benchlog.commands.part_questions import Answer, build_draft

    marked = {
        part.name: _held(part.name, answers[part.name])
        if part.name in answers
        else Marking(part.value, None, part.unit)
        for part in proposal.parts
    }
    if trimmers:
        for key, trimmed in (("r_on", proposal.on_trimmed), ("r_off", proposal.off_trimmed)):
            marked[key] = dataclasses.replace(
                marked[key], value=trimmed.fixed_ohm, trimmer_ohm=trimmed.trimmer_ohm
            )
    every = dict(answers)
    for key, marking in marked.items():
        typed = answers[key].typed if key in answers else ""
        value = KnobMarking(marking, "linear", "") if key == "r_knob" else marking
        every[key] = Answer(value, str(marking), typed=typed)
    every.setdefault("taper", Answer("linear", "linear"))
    return build_draft(name, every)


def _confirm(name: str, design: Any, reach: Reach) -> None:
    """Show what the design does and ask whether it is to be written."""
    from benchlog.show.asking import ask_choice, tell
    from benchlog.show.draft_view import CIRCUIT, reach_sentences

    tell("")
    for line in CIRCUIT:
        tell(line)
    for sentence in reach_sentences(design, reach):
        tell(sentence)
    if ask_choice("Write it?", ("yes", "no"), flag="--yes", default="yes") == "no":
        raise UsageError(
            "nothing was written",
            expected="yes, to write the design file",
            attempt=f"benchlog new {name} once more",
        )
