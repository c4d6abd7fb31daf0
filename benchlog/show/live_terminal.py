"""The terminal while something live is on it: keys, signals, and everything put back afterwards.

Signals that would end or stop the program only leave a note, which the caller looks at; so none of
them can fall between two steps of putting the terminal back. A second Ctrl-C does interrupt, for
when the caller is stuck. What differs between systems is in `_PosixKeys` and `_WindowsKeys`.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import signal
import sys
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any, Protocol, Self, TextIO

from benchlog.show.ending import ENDING

__all__ = ["LiveTerminal", "has_terminal"]

_ENTER = "\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[2J"
_LEAVE = "\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l"
_ENDING = ("SIGINT", *ENDING)

_Handler = Callable[[int, FrameType | None], Any] | int | None


def has_terminal(stream: TextIO) -> bool:
    """Tell whether a stream is a terminal on which a cursor can be moved."""
    try:
        return stream.isatty() and os.environ.get("TERM", "") not in ("dumb", "unknown")
    except ValueError:  # it is closed
        return False


class _Keys(Protocol):
    """One system's way to read keys without waiting for Return."""

    def take(self) -> None:
        """Have keys come one by one, without being shown."""

    def give_back(self) -> None:
        """Put the terminal back as it was."""

    def is_ours(self) -> bool:
        """Tell whether this process may touch the terminal."""

    def poll(self) -> str | None:
        """Return a key that was pressed, '' for one to be ignored, None for none."""


class _NoKeys:
    """Standard input is no terminal."""

    def take(self) -> None:
        """Do nothing."""

    def give_back(self) -> None:
        """Do nothing."""

    def is_ours(self) -> bool:
        """Return True."""
        return True

    def poll(self) -> str | None:
        """Return None."""
        return None


class _PosixKeys:
    """Keys through termios (Linux, macOS)."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._before: list[Any] | None = None

    def take(self) -> None:
        """Turn line editing and echo off; Ctrl-C and Ctrl-Z still make their signals."""
        import termios

        if self._before is not None or not self.is_ours():
            return
        try:
            before = termios.tcgetattr(self._descriptor)
            self._before = before
            mode = [*before[:6], list(before[6])]
            mode[3] &= ~(termios.ICANON | termios.ECHO)
            mode[6][termios.VMIN], mode[6][termios.VTIME] = 0, 0
            termios.tcsetattr(self._descriptor, termios.TCSANOW, mode)
        except termios.error:  # the terminal is gone
            self._before = None

    def is_ours(self) -> bool:
        """Tell whether this process is in the foreground; another may not touch the terminal."""
        try:
            return os.tcgetpgrp(self._descriptor) == os.getpgrp()
        except OSError:
            return False

    def give_back(self) -> None:
        """Put the terminal's mode back."""
        import termios

        before, self._before = self._before, None
        if before is not None:
            with contextlib.suppress(termios.error):
                termios.tcsetattr(self._descriptor, termios.TCSANOW, before)

    def poll(self) -> str | None:
        """Return a key; an escape sequence, such as an arrow key's, is ''."""
        import select

        if self._before is None:
            return None
        try:
            ready, _, _ = select.select([self._descriptor], [], [], 0.0)
            raw = os.read(self._descriptor, 1) if ready else b""
            if raw == b"\x1b":
                os.read(self._descriptor, 64)
        except OSError:
            return None
        if not raw:
            return None
        return raw.decode("ascii", "ignore") if raw != b"\x1b" else ""


class _WindowsKeys:
    """Keys through msvcrt; there is nothing to put back."""

    def take(self) -> None:
        """Have the console understand the sequences that move the cursor."""
        os.system("")

    def give_back(self) -> None:
        """Do nothing."""

    def is_ours(self) -> bool:
        """Return True."""
        return True

    def poll(self) -> str | None:
        """Return a key; a function key is ''."""
        import msvcrt

        module: Any = msvcrt
        if not module.kbhit():
            return None
        key = str(module.getwch())
        if key in ("\0", "\xe0"):
            module.getwch()
            return ""
        return key


def _find_keys() -> _Keys:
    """Choose how keys are read."""
    try:
        if not sys.stdin.isatty():
            return _NoKeys()
        descriptor = sys.stdin.fileno()
    except (AttributeError, ValueError, OSError):
        return _NoKeys()
    return _WindowsKeys() if os.name == "nt" else _PosixKeys(descriptor)


class LiveTerminal:
    """Takes the terminal on entry and gives it back on exit, whatever happens between.

    Parameters
    ----------
    screen : bool
        Whether to draw on a screen of its own; else only keys and signals are taken.
    out : file, optional
        The terminal to draw on; standard output if None.

    Attributes
    ----------
    ended_by : int or None
        The signal that asks to end, such as ``signal.SIGINT``; None while none has come.
    """

    def __init__(self, *, screen: bool, out: TextIO | None = None) -> None:
        self._screen = screen
        self._out = out if out is not None else sys.stdout
        self._keys = _find_keys()
        self._handlers: dict[int, _Handler] = {}
        self._is_taken = False
        self._is_leaving = False
        self._stop_asked = False
        self._was_continued = False
        self.ended_by: int | None = None

    @property
    def has_keys(self) -> bool:
        """Whether keys can be pressed."""
        return not isinstance(self._keys, _NoKeys)

    def __enter__(self) -> Self:
        self._install()
        try:
            self._take()
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._is_leaving = True
        self.close()

    def close(self) -> None:
        """Give the terminal back; a second time does nothing."""
        self._is_leaving = True
        self._give_back()
        atexit.unregister(self._give_back)
        handlers, self._handlers = self._handlers, {}
        for number, handler in handlers.items():
            signal.signal(number, handler)

    def poll_key(self) -> str | None:
        """Return a key that was pressed, None if none was."""
        return self._keys.poll()

    def write(self, text: str) -> None:
        """Write to the screen at once; a terminal that is gone ends the view."""
        if not self._is_taken:
            return
        try:
            self._out.write(text)
            self._out.flush()
        except BrokenPipeError:
            raise
        except OSError:
            self.ended_by = self.ended_by or getattr(signal, "SIGHUP", signal.SIGTERM)

    def settle(self) -> bool:
        """Stop where Ctrl-Z asks for it; tell whether the screen has to be drawn anew since.

        Continued in the background, it leaves the terminal alone until it is in front again.
        """
        if self._stop_asked:
            self._stop_asked = False
            self._give_back()
            number = signal.SIGTSTP
            mine = signal.signal(number, signal.SIG_DFL)
            os.kill(os.getpid(), number)  # goes on from here once it is continued
            signal.signal(number, mine)
            self._was_continued = True
        if self._was_continued:
            # a shell may have changed the terminal's mode meanwhile
            self._was_continued = False
            self._keys.give_back()
            self._is_taken = False
        if self._is_taken or not self._keys.is_ours():
            return False
        self._take()
        return True

    def _install(self) -> None:
        """Put notes in the place of what the signals would do."""
        atexit.register(self._give_back)
        for name in _ENDING:
            self._handle(name, self._note_end)
        self._handle("SIGTSTP", self._note_stop)
        self._handle("SIGCONT", self._note_continued)

    def _handle(self, name: str, handler: Callable[[int, FrameType | None], None]) -> None:
        number = getattr(signal, name, None)
        if number is None or signal.getsignal(number) == signal.SIG_IGN:
            return  # nohup, for one, wants it ignored
        with contextlib.suppress(ValueError, OSError):  # not the main thread
            self._handlers[number] = signal.signal(number, handler)

    def _note_end(self, number: int, frame: FrameType | None) -> None:
        if self.ended_by is not None and not self._is_leaving and number == signal.SIGINT:
            raise KeyboardInterrupt
        self.ended_by = number

    def _note_stop(self, number: int, frame: FrameType | None) -> None:
        self._stop_asked = True

    def _note_continued(self, number: int, frame: FrameType | None) -> None:
        self._was_continued = True

    def _take(self) -> None:
        self._is_taken = True
        self._keys.take()
        if self._screen:
            self.write(_ENTER)

    def _give_back(self) -> None:
        if not self._is_taken:
            return
        if self._screen:
            self.write(_LEAVE)
        self._is_taken = False
        self._keys.give_back()
