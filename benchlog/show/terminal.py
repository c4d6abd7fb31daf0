"""What a person reads in the terminal: text, tables and progress.

Tables and results go to standard output, everything else (warnings, cautions, progress) to
standard error. Text from outside becomes a `Text`, never markup. Rich is imported when something
is shown, so that commands that only write JSON do without it.
"""

from __future__ import annotations

import codecs
import io
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from typing import TYPE_CHECKING, Any, TextIO

from benchlog.errors import StoreError, one_line

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.table import Table as TextTable

__all__ = [
    "SPELLED",
    "OnProgress",
    "abandon_output",
    "key_value_table",
    "plain",
    "screen_width",
    "show",
    "show_progress",
    "spell_out",
    "tell_if_slow",
    "warn",
    "write_out",
]

OnProgress = Callable[[float], None]
"""Called with the share that is done, 0 to 1."""

_SHOW_CURSOR = "\x1b[?25h"
BAR_AFTER_S = 1.0
"""A bar appears once this much time has passed."""

NARROWEST = 20
"""Columns that are filled even where the screen claims to have fewer."""

SPELLED = "benchlog-spelled"
"""The error handler of `codecs` that spells out what an encoding cannot hold."""

_SPELLINGS = {
    "±": "+-", "°": " deg", "µ": "u", "μ": "u", "Ω": "ohm", "·": "*", "×": "x", "√": "sqrt ",
    "²": "^2", "³": "^3", "–": "-", "—": "-", "−": "-", "…": "...", "≤": "<=", "≥": ">=", "≈": "~",
    "→": "->", "←": "<-", "↑": "^", "↓": "v", "‘": "'", "’": "'", "“": '"', "”": '"', "│": "|",
    "─": "-", "█": "#", "•": "*",
}  # fmt: skip


def spell_out(text: str, encoding: str | None) -> str:
    r"""Spell out what an encoding cannot hold, so that it may be laid out before it is written.

    Parameters
    ----------
    text : str
        Any text.
    encoding : str or None
        The encoding of the stream; None takes everything.

    Returns
    -------
    str
        '±' as '+-', '°' as ' deg' and so on; what has no spelling as its code, such as '\xfc'.
    """
    try:
        text.encode(encoding or "utf-8")
    except UnicodeEncodeError:
        return "".join(_spell(one, encoding or "utf-8") for one in text)
    except LookupError:
        return text
    return text


def _spell(character: str, encoding: str) -> str:
    """Spell one character, if it must be."""
    try:
        character.encode(encoding)
    except UnicodeEncodeError:
        return _SPELLINGS.get(character) or character.encode("ascii", "backslashreplace").decode()
    return character


def _spell_error(error: UnicodeError) -> tuple[str, int]:
    """Spell out what is about to be written and cannot be."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    part = error.object[error.start : error.end]
    return "".join(_spell(one, "ascii") for one in part), error.end


codecs.register_error(SPELLED, _spell_error)


def write_out(text: str) -> None:
    """Write text to standard output at once.

    Parameters
    ----------
    text : str
        What to write, line breaks included.

    Raises
    ------
    StoreError
        Standard output cannot take it, as when it is a file on a full disk.
    """
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        abandon_output()
        raise StoreError(
            f"standard output cannot be written ({error.strerror})",
            expected="room for what is written",
            attempt="writing to another place",
        ) from error


def abandon_output() -> None:
    """Give up standard output, so that what is left in its buffer causes no further error."""
    try:
        descriptor = sys.stdout.fileno()
    except (OSError, ValueError):
        return
    sink = os.open(os.devnull, os.O_WRONLY)
    os.dup2(sink, descriptor)
    os.close(sink)


def plain(text: str) -> RenderableType:
    """Wrap text from anywhere so that it shows as it is, control characters made visible.

    Parameters
    ----------
    text : str
        A name, a note, a sentence.

    Returns
    -------
    rich.text.Text
        Never read as markup.
    """
    from rich.text import Text

    return Text(spell_out(one_line(text), getattr(sys.stdout, "encoding", None)))


def show(*items: RenderableType) -> None:
    """Show tables and text on standard output.

    Parameters
    ----------
    *items
        Strings (shown as they are) and renderables.
    """
    console = _console(sys.stdout)
    page = io.StringIO()
    writer = _console(page, like=console)
    for item in items:
        writer.print(plain(item) if isinstance(item, str) else item)
    text = page.getvalue()
    if not console.is_terminal:
        text = "".join(line.rstrip() + "\n" for line in text.splitlines())
    write_out(text)


def screen_width() -> int:
    """Return how many columns standard output has; 80 where it is no terminal.

    Returns
    -------
    int
        COLUMNS overrides it.
    """
    return _console(sys.stdout).width


def warn(text: str) -> None:
    """Write one line of warning or news to standard error.

    Parameters
    ----------
    text : str
        One sentence.
    """
    sys.stdout.flush()
    sys.stderr.write(one_line(text) + "\n")
    sys.stderr.flush()


def key_value_table(rows: list[tuple[str, str]]) -> TextTable:
    """Build a table of two columns without lines: what, and how much.

    Parameters
    ----------
    rows : list of tuple
        Name and value.

    Returns
    -------
    rich.table.Table
        The table, indented by two.
    """
    from rich.table import Table as TextTable

    table = TextTable(box=None, show_header=False, padding=(0, 2, 0, 2))
    table.add_column(no_wrap=True)
    table.add_column()
    for name, value in rows:
        table.add_row(plain(name), plain(value))
    return table


@contextmanager
def show_progress(label: str) -> Iterator[OnProgress]:
    """Show a bar on standard error once a second has passed, if that is a terminal.

    Parameters
    ----------
    label : str
        What is being done.

    Yields
    ------
    callable
        To be called with the share that is done, 0 to 1.
    """
    from benchlog.show.ending import EndingSignals

    bar, ending = _Bar(one_line(label), sys.stderr), EndingSignals()
    try:
        # a bar hides the cursor: it must be taken off before the system ends the program
        with ending if sys.stderr.isatty() else nullcontext():
            try:
                yield bar.advance
            finally:
                bar.stop()
    finally:
        ending.pass_on()


@contextmanager
def tell_if_slow(text: str, *, quiet: bool = False) -> Iterator[None]:
    """Write a line on standard error once a second has passed, if that is a terminal.

    Parameters
    ----------
    text : str
        What is being done.
    quiet : bool
        Whether nothing is written, however long it takes.
    """
    if quiet or not sys.stderr.isatty():
        yield
        return
    timer = threading.Timer(BAR_AFTER_S, warn, (text,))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


class _Bar:
    """A bar that only comes into being when the work takes long enough."""

    def __init__(self, label: str, stream: TextIO) -> None:
        self._label = label
        self._stream = stream
        self._started = time.monotonic()
        self._stop: Callable[[], None] | None = None
        self._update: OnProgress | None = None

    def advance(self, share: float) -> None:
        """Move to a share from 0 to 1."""
        if self._update is None:
            if not self._stream.isatty() or time.monotonic() - self._started < BAR_AFTER_S:
                return
            self._open()
        if self._update is not None:
            self._update(share)

    def _open(self) -> None:
        """Put the bar on the screen."""
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

        text = TextColumn("{task.description}", markup=False)
        progress = Progress(
            text,
            BarColumn(),
            TaskProgressColumn(),
            console=_console(self._stream),
            transient=True,
        )
        task = progress.add_task(self._label, total=1.0)
        self._stop = progress.stop  # before it starts, since a signal may come while it does
        progress.start()
        self._update = lambda share: progress.update(task, completed=min(max(share, 0.0), 1.0))

    def stop(self) -> None:
        """Take the bar off the screen."""
        if self._stop is None:
            return
        try:
            self._stop()
        finally:
            self._stop = None
            self._update = None
            if os.name != "nt" and os.environ.get("TERM") != "dumb":
                # what was interrupted while it drew may keep its last words to itself
                self._stream.write(_SHOW_CURSOR)
                self._stream.flush()


def _console(stream: TextIO, *, like: Console | None = None) -> Console:
    """Make a console that neither guesses at markup nor colours numbers by itself.

    One that is `like` another lays out for that one's screen but writes elsewhere.
    """
    from rich.console import Console
    from rich.text import Text

    encoding = getattr(sys.stdout, "encoding", None)

    class Speller(Console):
        """A console that spells out headings and titles as `plain` does with cells."""

        def render_str(self, text: str, **how: Any) -> Text:
            return super().render_str(spell_out(text, encoding), **how)

    if like is None:
        console = Speller(file=stream, markup=False, highlight=False, emoji=False)
        if console.width < NARROWEST:
            console.width = NARROWEST
        return console
    return Speller(
        file=stream,
        markup=False,
        highlight=False,
        emoji=False,
        width=like.width,
        force_terminal=like.is_terminal,
        no_color=like.no_color,
        color_system=like.color_system,  # type: ignore[arg-type]
        legacy_windows=False,
    )
