"""What is shown while a hand acts on the beat, and the answers of a try or a comparison."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchlog.errors import one_line
from benchlog.show.live_screen import LiveScreen, cut_line
from benchlog.show.live_shapes import Glyphs, Line, big_number, big_size
from benchlog.show.live_terminal import LiveTerminal

if TYPE_CHECKING:
    from benchlog.diagnosis.finding import Finding

__all__ = [
    "BeatPicture",
    "BeatScreen",
    "BeatSentences",
    "lay_out_beat",
    "show_findings",
]


@dataclass(frozen=True, slots=True)
class BeatPicture:
    """What is shown at an instant.

    Attributes
    ----------
    channel : str
        The channel.
    act, rest : str
        What the hand does, and what in between.
    is_act : bool or None
        Whether it is to act now; None before the first and after the last slot.
    slot, slots : int
        Which slot it is, from 1, and how many there are.
    left_s : float
        Until the next beat, seconds.
    is_silent : bool
        Whether no pulse has come yet.
    """

    channel: str
    act: str
    rest: str
    is_act: bool | None
    slot: int
    slots: int
    left_s: float
    is_silent: bool = False


_FOOT = "q leaves; what was heard is kept"
_FOOT_SILENT = "q leaves"
_SILENT = "No pulses yet: is the channel on?"


def lay_out_beat(picture: BeatPicture, width: int, height: int, glyphs: Glyphs) -> list[Line]:
    """Lay out a picture.

    Parameters
    ----------
    picture : BeatPicture
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
    now, style = _now(picture)
    lines: list[Line] = [[(f"on the beat: {one_line(picture.channel)}", "title")], []]
    rows = textwrap.wrap(now, max(width - 2, 8))
    blank = " " * min(width, max((len(one) for one in rows), default=0) + 2)
    # the whole block changes colour at a beat: seen from the corner of an eye
    lines += [[(blank, style)], *([(f" {one}".ljust(len(blank)), style)] for one in rows)]
    lines += [[(blank, style)], []]
    number = str(max(0, int(picture.left_s) + 1)) if picture.is_act is not None else ""
    if number and height >= 16 and big_size(number, 2) < width:
        lines += [[(row, "number")] for row in big_number(number, 2, 1, glyphs.block)]
    elif number:
        lines.append([(f"{number} s", "number")])
    lines += [[], [(f"{picture.slot} of {picture.slots}", "faint")]]
    foot: Line = [(_FOOT_SILENT if picture.is_silent else _FOOT, "faint")]
    lines = lines[: max(0, height - 1)]
    lines += [[]] * (height - 1 - len(lines))
    return [cut_line(line, width) for line in [*lines, foot]][:height]


def _now(picture: BeatPicture) -> tuple[str, str]:
    """Return what to do now, and its colours."""
    if picture.is_act is None:
        return _SILENT if picture.is_silent else "Wait.", "strong"
    return _order(picture), "note-block" if picture.is_act else "strong"


def _order(picture: BeatPicture) -> str:
    """Return what is to be done now."""
    return f"ACT: {picture.act}" if picture.is_act else f"REST: {picture.rest}"


class BeatScreen(LiveScreen[BeatPicture]):
    """Draws on a terminal of its own.

    Parameters
    ----------
    terminal : LiveTerminal
        The terminal.
    """

    def __init__(self, terminal: LiveTerminal) -> None:
        super().__init__(terminal, lay_out_beat, _what_shows)


def _what_shows(picture: BeatPicture) -> tuple[int, bool | None, bool]:
    """Return what of a picture has to be seen at once where it differs."""
    return picture.slot, picture.is_act, picture.is_silent


class BeatSentences:
    """Writes a sentence at each beat.

    Parameters
    ----------
    write : callable
        Takes a line.
    """

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._said: object = None

    def show(self, picture: BeatPicture) -> None:
        """Say what to do, where that has changed."""
        said = _what_shows(picture)
        if said == self._said or (picture.is_act is None and not picture.is_silent):
            return
        self._said = said
        if picture.is_act is None:
            self._write(_SILENT)
        else:
            self._write(f"{picture.slot} of {picture.slots}, {_order(picture)}")

    def redraw(self) -> None:
        """Do nothing."""


def show_findings(name: str, findings: Sequence[Finding]) -> None:
    """Show findings: what, why, how sure, and what next.

    Parameters
    ----------
    name : str
        What they are of.
    findings : sequence of Finding
        Weightiest first.
    """
    from benchlog.show.terminal import key_value_table, plain, show

    for number, one in enumerate(findings):
        rows = (
            ("What", one.what),
            ("Why", one.why),
            ("How sure", one.sure),
            ("Next", one.next_step),
        )
        show(
            *([plain(name), ""] if number == 0 else [""]),
            key_value_table([(label, text) for label, text in rows if text]),
        )
