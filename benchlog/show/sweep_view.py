"""Where `sweep` shows what it does: a screen, plain sentences, or lines of JSON."""

from __future__ import annotations

import json
import sys
import textwrap
import time
from typing import TYPE_CHECKING, Any

from benchlog.errors import one_line
from benchlog.show.live_screen import LiveScreen, cut_line
from benchlog.show.live_shapes import Glyphs, Line, big_number, big_size
from benchlog.show.live_terminal import LiveTerminal
from benchlog.show.sweep_words import (
    REMINDER,
    TAPE,
    SweepPicture,
    event_to_json,
    picture_to_json,
    tell_event,
    tell_stage,
)
from benchlog.show.terminal import write_out

if TYPE_CHECKING:
    from benchlog.channel.knob_marks import Mark

__all__ = ["SweepLines", "SweepScreen", "SweepSentences", "lay_out_sweep"]

_KEYS = "Enter record now   Backspace take back the last   q stop and keep"
_JSON_S = 0.25
_SAY_S = 12.0
_BELL = "\a"


# --- a screen -----------------------------------------------------------------


def lay_out_sweep(picture: SweepPicture, width: int, height: int, glyphs: Glyphs) -> list[Line]:
    """Lay out a picture.

    Parameters
    ----------
    picture : SweepPicture
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
    roomy = height >= 18
    what, mind = tell_stage(picture)
    lines: list[Line] = [_head(picture, glyphs)]
    lines += [[]] if roomy else []
    lines += _wrap(what, width, "strong", 1)
    lines += _wrap(mind, width, "", 2 if roomy else 1)
    lines += [[]] if roomy else []
    lines += _now(picture, width, glyphs, roomy)
    lines.append(_bar(picture, width, glyphs))
    lines += [[]] if roomy else []
    foot = _foot(picture, width, glyphs)
    left = height - len(lines) - len(foot)
    lines += _grid(picture, width, max(left, 0), glyphs)
    lines = lines[: max(0, height - len(foot))]
    lines += [[]] * (height - len(foot) - len(lines))
    return [cut_line(line, width) for line in (lines + foot)[:height]]


def _wrap(text: str, width: int, style: str, least: int) -> list[Line]:
    """Return a text on lines, blank ones added so that what is below stays where it is."""
    lines: list[Line] = [[(row, style)] for row in textwrap.wrap(text, max(width, 8))]
    return lines + [[]] * (least - len(lines))


def _head(picture: SweepPicture, glyphs: Glyphs) -> Line:
    mark = picture.mark
    place = f"{len(picture.taken)} of {len(picture.marks)} marks"
    way = ""
    if mark is not None and mark.direction is not None:
        way = f", on the way {mark.direction}"
    line: Line = [(f"sweep {one_line(picture.channel)}", "title"), (f"   {place}{way}", "")]
    if picture.is_flashing:
        line += [("   ", ""), (f" {glyphs.good} recorded ", "good"), (glyphs.block * 6, "good")]
    return line


def _now(picture: SweepPicture, width: int, glyphs: Glyphs, roomy: bool) -> list[Line]:
    """Show what is read, large, and what is wanted beside it."""
    if picture.pulse_s is None or picture.stage in ("silent", "lost"):
        return [[("no pulse", "faint")]] + [[]] * (4 if roomy else 0)
    beside = ["", "", "", "", ""]
    if picture.arm_deg is not None:
        number, unit = f"{picture.arm_deg:.1f}", glyphs.degree
        beside[0] = f"{unit} arm angle now".strip()
        beside[2] = f"wanted {picture.mark.degrees:g}{unit}" if picture.mark is not None else ""
        beside[4] = f"pulse {picture.pulse_s * 1e6:.1f} {glyphs.micro}"
    else:
        number, unit = f"{picture.pulse_s * 1e6:.1f}", glyphs.micro
        beside[0] = f"{unit} now"
        if picture.looks_like_deg is not None:
            beside[2] = f"looks like about {picture.looks_like_deg:.0f}{glyphs.degree}"
        if picture.expected_s is not None:
            beside[4] = f"{picture.expected_s * 1e6:.0f} {glyphs.micro} expected at the mark"
    across = 2 if big_size(number, 2) + 30 <= width else 1
    if not roomy or big_size(number, across) + 6 > width:
        return [[(f"{number} {unit}", "number"), (f"   {beside[2]}", "")]]
    rows = big_number(number, across, 1, glyphs.block)
    return [[(row, "number"), (f"  {text}", "")] for row, text in zip(rows, beside, strict=True)]


def _bar(picture: SweepPicture, width: int, glyphs: Glyphs) -> Line:
    across = max(0, min(40, width - 2))
    done = round(picture.share * across)
    return [(glyphs.block * done + glyphs.none * (across - done), "chart")]


def _grid(picture: SweepPicture, width: int, height: int, glyphs: Glyphs) -> list[Line]:
    """Show the marks, ticked off; the rows around the one asked for where not all have room."""
    cells = [_cell(mark, picture, glyphs) for mark in picture.marks]
    across = max(1, min(width // 9, 13))
    rows = [cells[at : at + across] for at in range(0, len(cells), across)]
    if len(rows) > height:
        here = ((picture.mark.number if picture.mark is not None else 1) - 1) // across
        first = max(0, min(here - height // 2, len(rows) - height))
        rows = rows[first : first + height]
    return [[span for cell in row for span in cell] for row in rows]


def _cell(mark: Mark, picture: SweepPicture, glyphs: Glyphs) -> Line:
    text = f"{mark.degrees:g}"
    if mark.number in picture.taken:
        return [(f"{glyphs.good} {text:<7}", "good")]
    if picture.mark is not None and mark.number == picture.mark.number:
        return [(f"> {text:<7}", "strong")]
    return [(f"  {text:<7}", "faint")]


def _foot(picture: SweepPicture, width: int, glyphs: Glyphs) -> list[Line]:
    lines: list[Line] = []
    if picture.message:
        lines += [[(row, "note")] for row in textwrap.wrap(one_line(picture.message), width)[:2]]
    elif picture.event is not None:
        told = tell_event(picture.event, sign=glyphs.plus_minus, unit=glyphs.micro)
        lines += [[(row, "")] for row in textwrap.wrap(told, width)[:2]]
    elif not picture.taken:
        lines += [[(row, "note")] for row in textwrap.wrap(f"{REMINDER} {TAPE}", width)[:4]]
    keys = _KEYS if picture.has_keys else f"from {one_line(picture.source)}"
    return [*lines, [(keys, "faint")]]


class SweepScreen(LiveScreen[SweepPicture]):
    """Draws on a terminal of its own, and rings its bell where a mark is ticked off.

    Parameters
    ----------
    terminal : LiveTerminal
        The terminal.
    """

    def __init__(self, terminal: LiveTerminal) -> None:
        super().__init__(terminal, lay_out_sweep, _key)
        self._bell = terminal
        self._rung = 0

    def show(self, picture: SweepPicture) -> None:
        """Draw what differs."""
        event = picture.event
        if event is not None and event.serial > self._rung:
            self._rung = event.serial
            if event.kind == "recorded":
                self._bell.write(_BELL)
        super().show(picture)


def _key(picture: SweepPicture) -> Any:
    number = picture.mark.number if picture.mark is not None else 0
    serial = picture.event.serial if picture.event is not None else 0
    return number, picture.stage, picture.message, serial, picture.is_flashing


# --- sentences and JSON ----------------------------------------------------------


class SweepSentences:
    """Writes sentences to standard output, when there is something to say."""

    def __init__(self) -> None:
        self._said: object = None
        self._said_s = 0.0
        self._message = ""
        self._serial = 0
        write_out(f"{REMINDER}\n{TAPE}\n")

    def show(self, picture: SweepPicture) -> None:
        """Say what is new."""
        if picture.message and picture.message != self._message:
            write_out(one_line(picture.message) + "\n")
        self._message = picture.message
        event = picture.event
        if event is not None and event.serial > self._serial:
            self._serial = event.serial
            bell = _BELL if event.kind == "recorded" and sys.stdout.isatty() else ""
            write_out(f"{tell_event(event)}{bell}\n")
        if picture.stage in ("moving", "holding", "recording", "done"):
            return
        number = picture.mark.number if picture.mark is not None else 0
        key = (number, picture.stage, event.serial if event is not None else 0)
        now_s = time.monotonic()
        if key == self._said and now_s - self._said_s < _SAY_S:
            return
        self._said, self._said_s = key, now_s
        what, mind = tell_stage(picture)
        write_out(one_line(f"{what} {mind}".strip()) + "\n")

    def redraw(self) -> None:
        """Do nothing."""


class SweepLines:
    """Writes a line of JSON for each event and each new stage, and a few a second else."""

    def __init__(self) -> None:
        self._written: object = None
        self._written_s = 0.0
        self._serial = 0

    def show(self, picture: SweepPicture) -> None:
        """Write the lines that are due."""
        event = picture.event
        if event is not None and event.serial > self._serial:
            self._serial = event.serial
            self._write(event_to_json(event, picture))
        number = picture.mark.number if picture.mark is not None else 0
        key = (number, picture.stage, self._serial, picture.message)
        now_s = time.monotonic()
        if picture.stage == "done":
            return
        if key == self._written and now_s - self._written_s < _JSON_S:
            return
        self._written, self._written_s = key, now_s
        self._write(picture_to_json(picture))

    @staticmethod
    def _write(content: dict[str, Any]) -> None:
        write_out(json.dumps(content, allow_nan=False) + "\n")

    def redraw(self) -> None:
        """Do nothing."""
