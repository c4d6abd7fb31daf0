"""Three ways to show a live picture: a screen, plain sentences, JSON lines.

The screen is drawn line by line, and only lines that differ from what is there, so that
nothing flickers and a steady channel costs next to nothing. Colours come from rich, which knows
what the terminal can do; they were chosen to differ in lightness as well, for eyes that do not tell
red from green, and every one of them stands beside a word or a sign that says the same.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol, TextIO

from benchlog.show.live_picture import LivePicture, panel_to_json
from benchlog.show.live_sentences import Speaker, describe_panel
from benchlog.show.live_shapes import ASCII, UNICODE, Glyphs
from benchlog.show.live_terminal import LiveTerminal
from benchlog.show.terminal import write_out

if TYPE_CHECKING:
    from rich.style import Style

    from benchlog.show.live_shapes import Line

__all__ = ["JsonView", "LiveView", "PlainView", "ScreenView", "choose_glyphs", "write_picture"]

STYLES = {
    "": "",
    "faint": "dim",
    "strong": "bold",
    "title": "bold underline",
    "number": "bold",
    "arm": "bold #3b8fd0",
    "chart": "#3b8fd0",
    "good": "bold #3b8fd0",
    "note": "bold #d17a00",
    "bad": "bold #d55e00",
    "note-block": "bold reverse #d17a00",
    "bad-block": "bold reverse #d55e00",
}
"""Blue, orange and vermilion, readable on dark and on light."""

_MOST_OFTEN_S = 0.045


class LiveView(Protocol):
    """Where a live picture goes."""

    def show(self, picture: LivePicture, *, news: bool) -> None:
        """Show a picture; `news` tells that it holds a new reading."""

    def redraw(self) -> None:
        """Forget what is on the screen."""

    def is_due(self) -> bool:
        """Tell whether the picture's age should be shown anew although nothing is new."""

    def close(self, picture: LivePicture) -> None:
        """Say the last word, once the terminal is as it was."""


def choose_glyphs(encoding: str | None) -> Glyphs:
    """Return the characters that can be written in an encoding."""
    try:
        "█▀▄▁·✓°µ±─".encode(encoding or "ascii")
    except (LookupError, UnicodeEncodeError):
        return ASCII
    return UNICODE


def write_picture(
    lines: list[Line], before: list[Line] | None, width: int, paint: Callable[[str, str], str]
) -> str:
    """Return what turns the screen from one picture into another.

    Parameters
    ----------
    lines : list of Line
        What is to be there.
    before : list of Line or None
        What is there; None where that is not known.
    width : int
        Columns of the screen.
    paint : callable
        Called with text and the name of its style, returns text with its colours.

    Returns
    -------
    str
        Empty where nothing differs.
    """
    from benchlog.show.live_layout import line_width

    parts = ["" if before is not None else "\x1b[2J"]
    for row, line in enumerate(lines, 1):
        if before is None or row > len(before) or before[row - 1] != line:
            painted = "".join(paint(text, style) for text, style in line)
            # erasing behind the last column would erase that column itself
            rest = "\x1b[K" if line_width(line) < width else ""
            parts.append(f"\x1b[{row};1H{painted}\x1b[0m{rest}")
    return "".join(parts)


class ScreenView:
    """Draws on a terminal of its own.

    Parameters
    ----------
    terminal : LiveTerminal
        The terminal.
    out : file, optional
        What it is made of; standard output if None.
    """

    def __init__(self, terminal: LiveTerminal, out: TextIO | None = None) -> None:
        from rich.color import ColorSystem
        from rich.console import Console
        from rich.style import Style

        stream = out if out is not None else sys.stdout
        console = Console(file=stream, force_terminal=True, highlight=False, markup=False)
        self._system: ColorSystem | None = None
        if console.color_system is not None and not console.no_color:
            names = {"standard": "STANDARD", "256": "EIGHT_BIT", "truecolor": "TRUECOLOR"}
            self._system = ColorSystem[names.get(console.color_system, "STANDARD")]
        self._plain = self._system is None
        self._system = self._system or ColorSystem.STANDARD
        self._styles: dict[str, Style] = {}
        for name, text in STYLES.items():
            style = Style.parse(text) if text else Style.null()
            self._styles[name] = style.without_color if self._plain else style
        self._terminal = terminal
        self._stream = stream
        self._glyphs = choose_glyphs(getattr(stream, "encoding", None))
        self._before: list[Line] | None = None
        self._size = (0, 0)
        self._drawn_s = 0.0
        self._is_waiting = False

    def show(self, picture: LivePicture, *, news: bool) -> None:
        """Draw what differs, twenty times a second at most; the newest is never left out."""
        now_s = time.monotonic()
        if now_s - self._drawn_s < _MOST_OFTEN_S:
            self._is_waiting = True
            return
        self._draw(picture, now_s)

    def _draw(self, picture: LivePicture, now_s: float) -> None:
        from benchlog.show.live_layout import lay_out

        size = self._find_size()
        if size != self._size:
            self._size, self._before = size, None
        lines = lay_out(picture, *size, self._glyphs)
        text = write_picture(lines, self._before, size[0], self._paint)
        if text:
            self._terminal.write(text)
        self._before = lines
        self._drawn_s, self._is_waiting = now_s, False

    def _find_size(self) -> tuple[int, int]:
        try:
            size = os.get_terminal_size(self._stream.fileno())
        except (OSError, ValueError, AttributeError):
            size = shutil.get_terminal_size()
        # a terminal that does not know its size says 0
        return size.columns or 80, size.lines or 24

    def _paint(self, text: str, style: str) -> str:
        chosen = self._styles[style]
        return chosen.render(text, color_system=self._system) if chosen else text

    def redraw(self) -> None:
        """Forget what is on the screen."""
        self._before = None

    def is_due(self) -> bool:
        """Tell whether something waits to be drawn, or a second has passed."""
        wait_s = _MOST_OFTEN_S if self._is_waiting else 1.1
        return time.monotonic() - self._drawn_s >= wait_s

    def close(self, picture: LivePicture) -> None:
        """Leave the last reading as a sentence where the screen was left."""
        for panel in picture.panels:
            write_out(describe_panel(panel, picture.status) + "\n")


class PlainView:
    """Writes sentences, when there is something to say.

    Parameters
    ----------
    by_stream : bool
        Whether time is the recording's own, as for one that is replayed fast.
    """

    def __init__(self, *, by_stream: bool = False) -> None:
        self._speaker = Speaker()
        self._by_stream = by_stream

    def show(self, picture: LivePicture, *, news: bool) -> None:
        """Write the lines that are due."""
        now_s = time.monotonic()
        if self._by_stream:
            now_s = max((panel.reading.heard_s for panel in picture.panels), default=0.0)
        for line in self._speaker.speak(picture, now_s):
            write_out(line + "\n")

    def redraw(self) -> None:
        """Do nothing."""

    def is_due(self) -> bool:
        """Return False: sentences come with readings."""
        return False

    def close(self, picture: LivePicture) -> None:
        """Do nothing: all was said."""


class JsonView:
    """Writes a line of JSON for each new reading."""

    def __init__(self) -> None:
        self._written: dict[int, tuple[float, str]] = {}

    def show(self, picture: LivePicture, *, news: bool) -> None:
        """Write a line for each input whose reading is new, or whose status changed."""
        for panel in picture.panels:
            key = panel.reading.input
            what = (panel.reading.heard_s, picture.status)
            if self._written.get(key) == what:
                continue
            self._written[key] = what
            line = json.dumps(panel_to_json(panel, picture.status), allow_nan=False)
            write_out(line + "\n")

    def redraw(self) -> None:
        """Do nothing."""

    def is_due(self) -> bool:
        """Return False: lines come with readings."""
        return False

    def close(self, picture: LivePicture) -> None:
        """Do nothing: all was written."""
