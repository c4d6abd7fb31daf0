"""Being asked to end by the system while something must be finished first.

What would end the program at once (SIGTERM, SIGHUP) interrupts it as Ctrl-C does, so that what was
begun is brought to its end and the terminal is put right; then the signal is passed on.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from types import FrameType, TracebackType
from typing import Any, Self

__all__ = ["ENDING", "EndingSignals", "name_ending"]

ENDING = ("SIGTERM", "SIGHUP", "SIGBREAK")
"""The system's signals that ask a program to end, by name: not every system has all."""


def name_ending(number: int | None) -> str:
    """Say who ended a recording early.

    Parameters
    ----------
    number : int or None
        The signal; None where a key was pressed.

    Returns
    -------
    str
        ``left`` or ``ended by the system``.
    """
    return "left" if number in (None, signal.SIGINT) else "ended by the system"


class EndingSignals:
    """Turns the system's wish to end into a `KeyboardInterrupt`, once, while it is entered.

    Where something else takes these signals already, nothing is changed.

    Attributes
    ----------
    ended_by : int or None
        The signal that came; None while none has.
    """

    def __init__(self) -> None:
        self.ended_by: int | None = None
        self._taken: list[int] = []

    def __enter__(self) -> Self:
        for name in ENDING:
            number = getattr(signal, name, None)
            if number is None or signal.getsignal(number) != signal.SIG_DFL:
                continue
            with contextlib.suppress(ValueError, OSError):  # not the main thread
                signal.signal(number, self._note)
                self._taken.append(number)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        taken, self._taken = self._taken, []
        for number in taken:
            signal.signal(number, signal.SIG_DFL)

    def pass_on(self) -> None:
        """End as the signal would have; nothing where none came."""
        if self.ended_by is None:
            return
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError, ValueError):
                stream.flush()
        os.kill(os.getpid(), self.ended_by)

    def _note(self, number: int, frame: FrameType | None) -> Any:
        if self.ended_by is not None:
            return
        self.ended_by = number
        raise KeyboardInterrupt
