"""Answers to the questions of `new`: from flags, from a terminal, from defaults."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

from benchlog.commands.part_questions import QUESTIONS, Answer, Question
from benchlog.errors import DesignError, UsageError
from benchlog.show.asking import ask, ask_choice, tell
from benchlog.units import format_value

__all__ = ["ask_again", "ask_answers", "take_answers"]


def take_answers(
    given: Mapping[str, str | None], questions: Sequence[Question] = QUESTIONS
) -> tuple[dict[str, Answer], list[str]]:
    """Take every answer from its flag or its default; nothing is asked.

    Parameters
    ----------
    given : mapping
        The words behind each flag by the question's key; None where it was left out.
    questions : sequence of Question
        The questions.

    Returns
    -------
    answers : dict
        By key.
    notes : list of str
        What was doubtful, and what was taken for what was not told.

    Raises
    ------
    DesignError, UsageError
        An answer cannot be used, or is missing and has no default.
    """
    answers: dict[str, Answer] = {}
    notes: list[str] = []
    missing: list[Question] = []
    for question in questions:
        typed = given.get(question.key)
        if typed is not None:
            answers[question.key] = _read_flag(question, typed)
            notes += _notes(question, answers[question.key])
            continue
        if question.key == "taper" and "r_knob" not in answers:
            continue  # the knob itself is missing, which is told below
        known = question.known(answers)
        words = known if known is not None else question.default(answers)
        if words is None:
            missing.append(question)
            continue
        answers[question.key] = question.read(words)
        if known is None:
            notes.append(f"{question.flag} was not given: {answers[question.key].said}")
    if missing:
        raise _missing(missing, answers)
    return answers, notes


def _missing(missing: list[Question], answers: Mapping[str, Answer]) -> UsageError:
    """Return the error for answers that are missing."""
    flags = ", ".join(question.flag for question in missing)
    expected = "an answer to each"
    if [question.key for question in missing] == ["taper"]:
        letter = answers["r_knob"].value.letter
        expected = f"linear or log, since makers differ in what the letter {letter} means"
    elif [question.key for question in missing] == ["supply"]:
        expected = "the supply in volts or cells"
    return UsageError(
        f"new without {flags}",
        expected=expected,
        attempt=f"{missing[0].flag} {_EXAMPLES[missing[0].key]}, or --like with a channel to copy",
    )


_EXAMPLES = {
    "supply": "6", "r_on": "33k", "r_knob": "100k", "r_off": "820k", "c_timing": "22n",
    "taper": "linear",
}  # fmt: skip


def _read_flag(question: Question, typed: str) -> Answer:
    """Read the words behind a flag; an error names the flag."""
    try:
        return dataclasses.replace(question.read(typed), typed=typed.strip())
    except (DesignError, UsageError) as fault:
        raise type(fault)(
            f"{question.flag}: {fault.found}", expected=fault.expected, attempt=fault.attempt
        ) from fault


def _notes(question: Question, answer: Answer) -> list[str]:
    """Return what is doubtful of an answer that nobody can be asked about."""
    notes = []
    if answer.doubt:
        notes.append(f"{question.flag}: {answer.doubt}; it is kept")
    notes += [
        f"{question.flag}: read from the left {answer.value}; from the other end it would be {one}"
        for one in answer.others
    ]
    return notes


def ask_answers(
    given: Mapping[str, str | None], questions: Sequence[Question] = QUESTIONS
) -> dict[str, Answer]:
    """Ask what no flag answers.

    Parameters
    ----------
    given : mapping
        The words behind each flag by the question's key; None where it was left out.
    questions : sequence of Question
        The questions.

    Returns
    -------
    dict
        An answer to each question, by key.

    Raises
    ------
    DesignError, UsageError
        What stands behind a flag cannot be used, or the input ended.
    """
    answers: dict[str, Answer] = {
        question.key: _read_flag(question, words)
        for question in questions
        if (words := given.get(question.key)) is not None
    }
    for question in questions:
        if question.key not in answers:
            answers[question.key] = _ask_one(question, answers)
    return answers


def ask_again(key: str, answers: dict[str, Answer]) -> None:
    """Ask one question again, and those whose answer follows from it.

    Parameters
    ----------
    key : str
        The question's key.
    answers : dict
        The answers so far; changed in place.
    """
    follows = {"r_knob": ("taper",), "servo": ("angles",)}
    for question in QUESTIONS:
        if question.key == key or question.key in follows.get(key, ()):
            answers[question.key] = _ask_one(question, answers)


def _ask_one(question: Question, answers: Mapping[str, Answer]) -> Answer:
    """Ask one question until its answer is wanted."""
    known = question.known(answers)
    if known is not None:
        return question.read(known)
    if question.key == "taper" and (note := answers["r_knob"].value.letter_note):
        tell(note, indent=2)
    while True:
        typed, answer = ask(
            question.text,
            question.read,
            flag=question.flag,
            default=question.default(answers),
            explanation=question.explanation,
        )
        answer = dataclasses.replace(answer, typed=typed)
        if answer.others:
            answer = _ask_which(question, answer)
        if answer.said.lower() != typed.lower():
            tell(f"= {answer.said}", indent=2)
        if not answer.doubt:
            return answer
        tell(f"{answer.doubt[0].upper()}{answer.doubt[1:]}. A meter may well read such a value.")
        if ask_choice("Keep it?", ("yes", "no"), flag=question.flag, default="no") == "yes":
            return answer


def _ask_which(question: Question, answer: Answer) -> Answer:
    """Ask which of two readings of the bands it is."""
    tell("The bands make sense from either end:", indent=2)
    readings = (answer.value, *answer.others)
    words = [format_value(one.value, "ohm", 6).replace(" ", "") for one in readings]
    for word, one in zip(words, readings, strict=True):
        tell(f"{word}: {one}", indent=4)
    tell("The gap before the last band, its tolerance, is often wider. A meter tells.", indent=2)
    chosen = ask_choice("Which one?", words, flag=question.flag, default=words[0])
    value = readings[words.index(chosen)]
    return dataclasses.replace(answer, value=value, said=str(value), others=())
