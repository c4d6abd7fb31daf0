"""What `new` asks: each question, how its answer is read, and what stands for no answer."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchlog.channel.draft import Draft, ServoRange
from benchlog.channel.markings import Marking, question_value, read_capacitor, read_resistor
from benchlog.channel.part_names import (
    KnobMarking,
    question_knob,
    read_diode,
    read_knob,
    read_timer,
)
from benchlog.channel.supply import read_supply
from benchlog.errors import UsageError, one_line

__all__ = ["QUESTIONS", "Answer", "Question", "build_draft", "questions_for_aim"]

MOST_TIMER_V = 18.0
"""No timer is made for more (from memory of the data sheets)."""

CAUTIOUS_PULSE_US = (1000.0, 2000.0)
"""What every hobby servo follows without meeting its stop (common practice)."""


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer that can be used.

    Attributes
    ----------
    value
        What was read.
    said : str
        What it was taken for, to be shown.
    doubt : str
        Why it may be a slip; empty where it looks right.
    others : tuple of Marking
        Other ways to read it.
    typed : str
        The words; empty for a default.
    """

    value: Any
    said: str
    doubt: str = ""
    others: tuple[Marking, ...] = ()
    typed: str = ""


Answers = Mapping[str, Answer]

_NARROW_US = 1200.0  # a quarter turn takes some 1000 us (common practice)


def _no_answer(answers: Answers) -> str | None:
    """Return that a question has no default."""
    return None


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    Attributes
    ----------
    key : str
        Its name, also that of its line in the file.
    flag : str
        The option that answers it.
    text : str
        The question.
    explanation : str
        What '?' shows.
    read : callable
        Reads the words; raises `DesignError` or `UsageError`.
    default : callable
        What an empty answer stands for, given the answers before; None where there is no such.
    known : callable
        The answer where those before have given it already.
    """

    key: str
    flag: str
    text: str
    explanation: str
    read: Callable[[str], Answer]
    default: Callable[[Answers], str | None] = field(default=_no_answer)
    known: Callable[[Answers], str | None] = field(default=_no_answer)


def _always(text: str) -> Callable[[Answers], str | None]:
    """Return a default that does not depend on anything."""
    return lambda answers: text


def _read_timer(text: str) -> Answer:
    named = read_timer(text)
    return Answer(named, _said(f"{named.name} timer", named.note))


def _read_diode(text: str) -> Answer:
    named = read_diode(text)
    return Answer(named, _said(named.name, named.note))


def _read_supply(text: str) -> Answer:
    supply = read_supply(text, most_v=MOST_TIMER_V)
    return Answer(supply.volts, _said(f"{supply.volts:g} V", supply.note))


def _read_resistor(text: str) -> Answer:
    return _judge(read_resistor(text))


def _read_capacitor(text: str) -> Answer:
    return _judge(read_capacitor(text))


def _judge(marking: Marking) -> Answer:
    """Say what a marking was taken for, and whether such a value is made."""
    said, made = question_value(marking)
    doubt = "" if made else f"{marking} is {said}"
    notes = (*marking.notes, said) if made else marking.notes
    others = (marking.other,) if marking.other is not None else ()
    return Answer(marking, _said(str(marking), *notes), doubt, others)


def _read_knob(text: str) -> Answer:
    knob = read_knob(text)
    said, usual = question_knob(knob)
    return Answer(knob, str(knob.marking), "" if usual else said)


def _said(*parts: str) -> str:
    """Join what is to be said."""
    return "; ".join(part for part in parts if part)


def _read_word(*choices: str) -> Callable[[str], Answer]:
    """Return a reader of one of some words; the first letters do."""

    def read(text: str) -> Answer:
        word = text.strip().lower()
        found = [one for one in choices if word and one.startswith(word)]
        if len(found) != 1:
            raise UsageError(
                f"'{one_line(text[:40])}'", expected=" or ".join(choices), attempt=choices[0]
            )
        return Answer(found[0], found[0])

    return read


def _read_travel(text: str) -> Answer:
    bare = re.sub(r"\s*(?:°|deg(?:rees)?)$", "", text.strip())
    try:
        degrees = float(bare.replace(",", "."))
    except ValueError:
        degrees = 0.0
    if not 1.0 <= degrees <= 36000.0:
        raise UsageError(
            f"'{one_line(text[:40])}'", expected="degrees from stop to stop", attempt="270"
        )
    doubt = "" if 180.0 <= degrees <= 330.0 else f"a knob of {degrees:g}° is unusual"
    return Answer(degrees, f"{degrees:g}° from stop to stop", doubt)


_PAIR = re.compile(
    r"(-?[0-9]+(?:\.[0-9]+)?)\s*(?:°|us|µs)?(?:\s+to\s+|\s*(?:\.\.|,|/|–|-)\s*|\s+)"
    r"(-?[0-9]+(?:\.[0-9]+)?)\s*(?:°|us|µs)?"
)


def _read_pair(text: str, expected: str, attempt: str) -> tuple[float, float]:
    """Read two numbers."""
    found = _PAIR.fullmatch(text.strip())
    try:
        low, high = (float(one) for one in found.groups()) if found else (0.0, 0.0)
    except ValueError:
        low = high = 0.0
    if low == high:
        raise UsageError(f"'{one_line(text[:40])}'", expected=expected, attempt=attempt)
    return low, high


def _read_servo(text: str) -> Answer:
    if text.strip().lower() in ("unknown", "?"):
        low, high = CAUTIOUS_PULSE_US
        said = f"{low:g} to {high:g} µs, a cautious range that every hobby servo follows"
        return Answer(ServoRange(low, high, is_assumed=True), said)
    expected = "its shortest and longest pulse in µs, the shorter first, or unknown"
    low, high = _read_pair(text, expected, "500 to 2500")
    if not 10.0 <= low < high <= 100000.0:
        raise UsageError(f"'{one_line(text[:40])}'", expected=expected, attempt="500 to 2500")
    usual = 400.0 <= low <= 1400.0 and 1600.0 <= high <= 2700.0
    doubt = "" if usual else f"a servo of {low:g} to {high:g} µs is unusual"
    return Answer(ServoRange(low, high), f"{low:g} to {high:g} µs", doubt)


def _read_angles(text: str) -> Answer:
    expected = "the arm's angle at the shortest and at the longest pulse, in degrees"
    low, high = _read_pair(text, expected, "0 to 180")
    if not (abs(low) <= 3600.0 and abs(high) <= 3600.0):
        raise UsageError(f"'{one_line(text[:40])}'", expected=expected, attempt="0 to 180")
    return Answer((low, high), f"{low:g}° to {high:g}°")


def _taper_default(answers: Answers) -> str | None:
    """Return the taper that goes without saying: linear, unless a letter may mean log."""
    knob = answers["r_knob"].value
    return "linear" if knob.letter in ("", "B") else None


def _taper_known(answers: Answers) -> str | None:
    taper: str | None = answers["r_knob"].value.taper
    return taper


def _angles_default(answers: Answers) -> str:
    """Return the usual swing: a quarter turn over the cautious range, else a half turn."""
    servo: ServoRange = answers["servo"].value
    narrow = servo.pulse_max_us - servo.pulse_min_us <= _NARROW_US
    return "0 to 90" if servo.is_assumed and narrow else "0 to 180"


_BANDS = "A value (33k, 4k7 1%, 470R), or the bands by colour: orange orange orange gold. "

QUESTIONS = (
    Question(
        "timer",
        "--timer",
        "What stands on the timer",
        "The marking with the letters before 555: NE555, LM555, NA555, SE555 are bipolar, TLC555, "
        "LMC555, ICM7555 cmos. Or bipolar, cmos, or unknown (taken for an ideal one).",
        _read_timer,
        _always("unknown"),
    ),
    Question(
        "supply",
        "--supply",
        "What feeds it: volts, or cells such as '4 AA'",
        "Volts as a meter reads them (6, 4.8), or cells: 4 AA (1.5 V each), 4 AA NiMH (1.2 V "
        "each). Battery or isolated low voltage only, never mains.",
        _read_supply,
    ),
    Question(
        "r_on",
        "--r-on",
        "r_on, from the supply to the knob",
        f"{_BANDS}With a trimmer in series: 33k + trimmer 10k.",
        _read_resistor,
    ),
    Question(
        "r_knob",
        "--r-knob",
        "r_knob, what stands on the knob's potentiometer",
        "Such as B100K, 100k lin, A50K, or 104 (10 and four zeros).",
        _read_knob,
    ),
    Question(
        "taper",
        "--taper",
        "Its taper, linear or log",
        "At the middle of its travel a linear one has half of its resistance between wiper and "
        "anticlockwise end, a log one a tenth to a fifth.",
        _read_word("linear", "log"),
        _taper_default,
        _taper_known,
    ),
    Question(
        "travel",
        "--travel",
        "How far it turns from stop to stop, in degrees",
        "Most turn 270 to 300 degrees; a protractor on the panel tells.",
        _read_travel,
        _always("270"),
    ),
    Question(
        "longer",
        "--longer",
        "Turned which way does the pulse grow longer",
        "Seen from the shaft. It grows longer as the wiper moves away from the end at r_on.",
        _read_word("clockwise", "anticlockwise"),
        _always("clockwise"),
    ),
    Question(
        "r_off",
        "--r-off",
        "r_off, from the knob to pins 2 and 6",
        f"{_BANDS}With a trimmer in series: 820k + trimmer 100k.",
        _read_resistor,
    ),
    Question(
        "c_timing",
        "--c-timing",
        "c_timing, what stands on the capacitor",
        "A code (223, 223J), a value (22n, 2n2), or microfarads below 1 (0.022). A voltage on it "
        "does not matter. J is 5 %, K 10 %, M 20 %.",
        _read_capacitor,
    ),
    Question(
        "diode",
        "--diode",
        "The steering diode",
        "1N4148, 1N914, 1N4007, BAT54, 1N5819, or none.",
        _read_diode,
        _always("1N4148"),
    ),
    Question(
        "servo",
        "--servo",
        "The servo's shortest and longest pulse in µs",
        "From its data sheet, such as 500 to 2500. Where it is unknown, a cautious 1000 to 2000 is "
        "taken: past its own range a servo pushes against its stop and heats.",
        _read_servo,
        _always("unknown"),
    ),
    Question(
        "angles",
        "--servo-angles",
        "The arm's angles at these, in degrees",
        "At the shortest and at the longest pulse, such as 0 to 180.",
        _read_angles,
        _angles_default,
    ),
)
"""In the order in which they are asked."""


PROPOSED = ("r_on", "r_knob", "r_off", "c_timing")
"""What is proposed where an aim is told, unless a flag says that it is there already."""


def questions_for_aim(
    given: Collection[str], servo_us: tuple[float, float]
) -> tuple[Question, ...]:
    """Return what is asked where parts are to be proposed.

    Parameters
    ----------
    given : collection of str
        Keys of the questions that a flag answers.
    servo_us : tuple of float
        What an unknown servo is taken to follow, microseconds.

    Returns
    -------
    tuple of Question
        Without the parts that are proposed, nor the taper of a knob that is yet to be bought.
    """

    def read(text: str) -> Answer:
        answer = _read_servo(text)
        if not answer.value.is_assumed:
            return answer
        servo = ServoRange(*servo_us, is_assumed=True, taken="taken from the aim")
        said = f"{servo_us[0]:g} to {servo_us[1]:g} µs, taken from the aim: look up the servo's own"
        return Answer(servo, said)

    hidden = () if "r_knob" in given else ("taper",)
    explanation = (
        "From its data sheet, such as 500 to 2500. Where it is unknown, the aim with some room is "
        "taken: past its own range a servo pushes against its stop and heats."
    )
    return tuple(
        dataclasses.replace(one, read=read, explanation=explanation) if one.key == "servo" else one
        for one in QUESTIONS
        if one.key in given or one.key not in (*PROPOSED, *hidden)
    )


def build_draft(channel: str, answers: Answers) -> Draft:
    """Put the answers together.

    Parameters
    ----------
    channel : str
        The channel.
    answers : mapping
        An answer to each of `QUESTIONS`, by key.

    Returns
    -------
    Draft
        What the design file is written from.
    """
    knob: KnobMarking = answers["r_knob"].value
    return Draft(
        channel=channel,
        supply_v=answers["supply"].value,
        family=answers["timer"].value.name,
        r_on=answers["r_on"].value,
        r_knob=knob.marking,
        r_off=answers["r_off"].value,
        c_timing=answers["c_timing"].value,
        diode=answers["diode"].value.name,
        travel_deg=answers["travel"].value,
        longer=answers["longer"].value,
        taper=answers["taper"].value,
        servo=answers["servo"].value,
        angles_deg=answers["angles"].value,
        told={key: answer.typed for key, answer in answers.items()},
    )
