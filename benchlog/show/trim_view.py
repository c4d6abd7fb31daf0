"""Where `trim` shows what it does: a screen, plain sentences, or lines of JSON."""

from __future__ import annotations

import json
import math
import textwrap
import time
from typing import TYPE_CHECKING

from benchlog.errors import one_line
from benchlog.show.live_screen import LiveScreen, cut_line
from benchlog.show.live_shapes import Glyphs, Line, big_number, big_size
from benchlog.show.live_terminal import LiveTerminal
from benchlog.show.terminal import write_out
from benchlog.show.trim_words import TrimPicture, picture_to_json, tell_step

if TYPE_CHECKING:
    from benchlog.calibration.trim_steps import PlaceResult, Step

__all__ = ["TrimLines", "TrimScreen", "TrimSentences", "lay_out_trim"]

_SAY_S = 8.0
_JSON_S = 0.25
_FULL_SCALE = 200.0
"""By how many times what is allowed the gauge's needle is off at its ends."""

_KEYS = "Enter there / done   e trimmer at its end   b back   q leave"
_NAMES = {"low": "short end", "high": "long end", "middle": "mid-knob, period"}


# --- a screen -----------------------------------------------------------------


def lay_out_trim(picture: TrimPicture, width: int, height: int, glyphs: Glyphs) -> list[Line]:
    """Lay out a picture.

    Parameters
    ----------
    picture : TrimPicture
        What is shown.
    width, height : int
        The screen.
    glyphs : Glyphs
        What to draw with.

    Returns
    -------
    list of Line
        `height` lines, none wider than `width`.
    """
    step = picture.step
    roomy = height >= 20
    what, mind = tell_step(picture)
    turned = f"{step.moves} turn{'s' if step.moves != 1 else ''} of a trimmer"
    lines: list[Line] = [
        [(f"trim {one_line(picture.channel)}", "title"), (f"   round {step.round}, {turned}", "")],
        [("Servo unplugged the whole time.", "note")],
    ]
    lines += [[]] if roomy else []
    lines += _wrap(what, width, "strong", 2 if roomy else 0)
    lines += _wrap(mind, width, "", 2 if roomy else 0)
    lines += [[]] if roomy else []
    lines += _now(step, width, glyphs, roomy)
    lines += [_gauge(step, width, glyphs), _state(picture, glyphs)]
    lines += [[]] if roomy else []
    lines += [_place(one, step, glyphs) for one in picture.results]
    keys = _KEYS if picture.has_keys else f"from {one_line(picture.source)}"
    foot = picture.message or keys
    lines = [*lines[: height - 1]]
    lines += [[]] * (height - 1 - len(lines))
    lines.append([(one_line(foot), "note" if picture.message else "faint")])
    return [cut_line(line, width) for line in lines]


def _wrap(text: str, width: int, style: str, least: int) -> list[Line]:
    """Return a text on lines, blank ones added so that what is below stays where it is."""
    lines: list[Line] = [[(row, style)] for row in textwrap.wrap(text, max(width, 8))]
    return lines + [[]] * (least - len(lines))


def _number(step: Step, seconds: float) -> str:
    """Return a pulse in microseconds, a period in milliseconds."""
    return f"{seconds * 1e3:.2f}" if step.place == "middle" else f"{seconds * 1e6:.1f}"


def _unit(step: Step, glyphs: Glyphs) -> str:
    return "ms" if step.place == "middle" else glyphs.micro


def _wanted(step: Step) -> float | None:
    return step.wanted_s if step.wanted_s is not None else step.target_s


def _now(step: Step, width: int, glyphs: Glyphs, roomy: bool) -> list[Line]:
    """Show what is read, large, and what is wanted beside it."""
    unit = _unit(step, glyphs)
    wanted_s = _wanted(step)
    beside = ["reads now", "", "", "", ""]
    if wanted_s is not None:
        what = "the best to be had" if step.best else "wanted"
        within = _number(step, step.within_s)
        beside[2] = f"{what} {_number(step, wanted_s)} {glyphs.plus_minus} {within} {unit}"
        if step.target_s is not None and abs(wanted_s - step.target_s) > 0.1 * step.within_s:
            in_end = f"({_number(step, step.target_s)} {'wanted' if step.best else 'in the end'})"
            beside[3] = in_end
        if step.now_s is not None:
            off_s = step.now_s - wanted_s
            longer = "too long" if off_s > 0 else "too short"
            beside[4] = f"{_number(step, abs(off_s))} {unit} {longer}"
    if step.now_s is None:
        rows: list[Line] = [[("no pulse", "faint")]]
        return rows + [[]] * (4 if roomy else 0)
    number = _number(step, step.now_s)
    across = 2 if big_size(number, 2) + 30 <= width else 1
    if not roomy or big_size(number, across) + 6 > width:
        told = f"  {beside[2]}  {beside[4]}" if wanted_s is not None else ""
        return [[(f"{number} {unit}", "number"), (told, "")]]
    beside[0] = f"{unit} now" if step.place != "middle" else "ms period now"
    drawn = big_number(number, across, 1, glyphs.block)
    return [[(row, "number"), (f"   {text}", "")] for row, text in zip(drawn, beside, strict=True)]


def _gauge(step: Step, width: int, glyphs: Glyphs) -> Line:
    """Draw how far off it is, finer near the middle; blank where nothing is wanted."""
    wanted_s = _wanted(step)
    if wanted_s is None or step.now_s is None or width < 24:
        return []
    half = min(30, (width - 14) // 2)

    def column(off: float) -> int:
        share = math.asinh(off) / math.asinh(_FULL_SCALE)
        return half + round(half * min(max(share, -1.0), 1.0))

    cells = [glyphs.dash] * (2 * half + 1)
    cells[column(-1.0)], cells[column(1.0)] = "[", "]"
    off = (step.now_s - wanted_s) / step.within_s
    needle = column(off)
    style = "good" if abs(off) <= 1.0 else "note"
    left, right = "".join(cells[:needle]), "".join(cells[needle + 1 :])
    return [("short ", "faint"), (left, ""), (glyphs.block, style), (right, ""), (" long", "faint")]


def _state(picture: TrimPicture, glyphs: Glyphs) -> Line:
    step = picture.step
    if step.pulse == "none":
        return [("no pulses", "bad")]
    if step.pulse == "moving":
        return [("moves", "faint")]
    if step.held_s > 0 and step.doubt is None:
        held_s = min(step.held_s, picture.hold_s)
        return [(f"{glyphs.good} stands still, {held_s:.1f} of {picture.hold_s:g} s", "good")]
    return [("stands still", "faint")]


def _place(result: PlaceResult, step: Step, glyphs: Glyphs) -> Line:
    is_here = result.place == step.place and step.phase != "done"
    scale, digits, unit = (1e6, 1, glyphs.micro)
    if result.place == "middle":
        scale, digits, unit = (1e3, 2, "ms")
    text = f"{'>' if is_here else ' '} {_NAMES[result.place]:<18}"
    wanted = "" if result.target_s is None else f"wanted {result.target_s * scale:8.{digits}f}"
    if result.value_s is None:
        return [(f"{text}{'-':>8} {unit}   {wanted}", "strong" if is_here else "faint")]
    shown = f"{text}{result.value_s * scale:8.{digits}f} {unit}   {wanted}"
    if result.holds is None:
        return [(shown, "")]
    mark = f"   {glyphs.good} holds" if result.holds else f"   {glyphs.bad} off"
    return [(shown, ""), (mark, "good" if result.holds else "note")]


class TrimScreen(LiveScreen[TrimPicture]):
    """Draws on a terminal of its own.

    Parameters
    ----------
    terminal : LiveTerminal
        The terminal.
    """

    def __init__(self, terminal: LiveTerminal) -> None:
        super().__init__(terminal, lay_out_trim)


# --- sentences and JSON ----------------------------------------------------------


class TrimSentences:
    """Writes sentences to standard output, when there is something to say."""

    def __init__(self) -> None:
        self._said: object = None
        self._said_s = 0.0

    def show(self, picture: TrimPicture) -> None:
        """Say what to do where that is new, and how it stands now and then."""
        step = picture.step
        if step.phase == "done" and not picture.message:
            return
        number = step.advice.number if step.advice is not None else 0
        is_held = step.phase == "set" and step.held_s > 0
        key = (
            *(picture.is_lost, step.phase, step.place, step.round, number, step.doubt, is_held),
            *(step.pulse == "none", picture.message),
        )
        now_s = time.monotonic()
        if key == self._said and now_s - self._said_s < _SAY_S:
            return
        what, mind = tell_step(picture)
        is_new = key != self._said
        self._said, self._said_s = key, now_s
        parts = [picture.message, what, mind] if is_new else [what]
        write_out(_in_words(" ".join([*filter(None, parts), _stand(step)]).strip()) + "\n")

    def redraw(self) -> None:
        """Do nothing."""


def _stand(step: Step) -> str:
    """Say how it stands: what is read and what is wanted."""
    wanted_s = _wanted(step)
    if step.now_s is None:
        return ""
    name = "Period" if step.place == "middle" else "Pulse"
    unit = "milliseconds" if step.place == "middle" else "microseconds"
    if wanted_s is None:
        return f"{name} now {_number(step, step.now_s)} {unit}."
    return f"{name} now {_number(step, step.now_s)}, wanted {_number(step, wanted_s)} {unit}."


def _in_words(text: str) -> str:
    """Return text without signs that a screen reader stumbles over."""
    spoken = (("kΩ", "kilohm"), ("MΩ", "megohm"), ("Ω", "ohm"), ("±", "plus or minus"))
    for sign, word in spoken:
        text = text.replace(sign, word)
    return one_line(text)


class TrimLines:
    """Writes a line of JSON for each step and reading."""

    def __init__(self) -> None:
        self._written: object = None
        self._written_s = 0.0

    def show(self, picture: TrimPicture) -> None:
        """Write a line where the step is new, else a few a second."""
        step = picture.step
        number = step.advice.number if step.advice is not None else 0
        key = (picture.is_lost, step.phase, step.place, step.round, number, step.doubt, step.pulse)
        now_s = time.monotonic()
        if key == self._written and now_s - self._written_s < _JSON_S:
            return
        if step.phase == "done":
            return
        self._written, self._written_s = key, now_s
        write_out(json.dumps(picture_to_json(picture), allow_nan=False) + "\n")

    def redraw(self) -> None:
        """Do nothing."""
