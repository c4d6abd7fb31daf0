"""A picture of a guided command on a terminal of its own: drawn where it differs, not too often."""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Callable
from typing import Any, Generic, Protocol, TypeVar

from rich.cells import cell_len, set_cell_size

from benchlog.show.live_shapes import Glyphs, Line
from benchlog.show.live_terminal import LiveTerminal

__all__ = ["LiveScreen", "PictureView", "cut_line", "make_painter"]

_OFTEN_S = 0.08

Picture = TypeVar("Picture")
Shown = TypeVar("Shown", contravariant=True)


class PictureView(Protocol[Shown]):
    """Where the pictures of a guided command go."""

    def show(self, picture: Shown) -> None:
        """Show a picture."""

    def redraw(self) -> None:
        """Forget what is on the screen."""


class LiveScreen(Generic[Picture]):
    """Draws pictures on a terminal.

    Parameters
    ----------
    terminal : LiveTerminal
        The terminal.
    lay_out : callable
        Called with picture, columns, rows and glyphs; returns the lines.
    key : callable, optional
        Returns what of a picture has to be seen at once where it differs; the rest is drawn some
        ten times a second.
    """

    def __init__(
        self,
        terminal: LiveTerminal,
        lay_out: Callable[[Picture, int, int, Glyphs], list[Line]],
        key: Callable[[Picture], Any] | None = None,
    ) -> None:
        from benchlog.show.live_view import choose_glyphs

        self._terminal = terminal
        self._lay_out = lay_out
        self._key = key
        self._glyphs = choose_glyphs(getattr(sys.stdout, "encoding", None))
        self._paint = make_painter()
        self._before: list[Line] | None = None
        self._size = (0, 0)
        self._drawn_s = 0.0
        self._shown: Any = None

    def show(self, picture: Picture) -> None:
        """Draw what differs."""
        from benchlog.show.live_view import write_picture

        now_s = time.monotonic()
        shown = self._key(picture) if self._key is not None else None
        is_new = self._before is None or shown != self._shown
        if not is_new and now_s - self._drawn_s < _OFTEN_S:
            return
        self._shown, self._drawn_s = shown, now_s
        size = _find_size()
        if size != self._size:
            self._size, self._before = size, None
        lines = self._lay_out(picture, *size, self._glyphs)
        text = write_picture(lines, self._before, size[0], self._paint)
        if text:
            self._terminal.write(text)
        self._before = lines

    def redraw(self) -> None:
        """Forget what is on the screen."""
        self._before = None


def _find_size() -> tuple[int, int]:
    try:
        size = os.get_terminal_size(sys.stdout.fileno())
    except (OSError, ValueError, AttributeError):
        size = shutil.get_terminal_size()
    return size.columns or 80, size.lines or 24


def cut_line(line: Line, width: int) -> Line:
    """Return a line cut at the edge of the screen."""
    cut: Line = []
    left = width
    for text, style in line:
        if left <= 0:
            break
        shown = text if cell_len(text) <= left else set_cell_size(text, left)
        cut.append((shown, style))
        left -= cell_len(shown)
    return cut


def make_painter() -> Callable[[str, str], str]:
    """Return what gives a text the colours of a style, as far as standard output has them."""
    from rich.color import ColorSystem
    from rich.console import Console
    from rich.style import Style

    from benchlog.show.live_view import STYLES

    console = Console(file=sys.stdout, force_terminal=True, highlight=False, markup=False)
    system = ColorSystem.STANDARD
    plain = console.color_system is None or console.no_color
    if console.color_system is not None and not plain:
        names = {"standard": "STANDARD", "256": "EIGHT_BIT", "truecolor": "TRUECOLOR"}
        system = ColorSystem[names.get(console.color_system, "STANDARD")]
    styles: dict[str, Style] = {}
    for name, text in STYLES.items():
        style = Style.parse(text) if text else Style.null()
        styles[name] = style.without_color if plain else style

    def paint(text: str, style: str) -> str:
        chosen = styles[style]
        return chosen.render(text, color_system=system) if chosen else text

    return paint
