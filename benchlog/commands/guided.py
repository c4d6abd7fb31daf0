"""What the guided commands ask and do alike: the supply's volts, and running on a terminal."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol, TypeVar

import typer

from benchlog.commands.options import read_number

if TYPE_CHECKING:
    from benchlog.channel.design import Design
    from benchlog.commands.live_listener import LiveListener
    from benchlog.show.live_screen import PictureView
    from benchlog.show.live_terminal import LiveTerminal

__all__ = ["ask_supply", "lead", "leave_by_signal", "run_on_terminal"]

Picture = TypeVar("Picture")
View = TypeVar("View", contravariant=True)


class _Loop(Protocol[View]):
    """What runs while the terminal is taken."""

    def run(self, terminal: LiveTerminal, view: View) -> None:
        """Run until it is done or the terminal asks to end."""


def ask_supply(design: Design, reminder: str) -> float | None:
    """Ask for the battery's volts where somebody can answer.

    Parameters
    ----------
    design : Design
        The design; its supply is told.
    reminder : str
        What is said first.

    Returns
    -------
    float or None
        Volts; None where they are not known or nobody can be asked.
    """
    from benchlog.show.asking import ask, can_ask, tell

    if not can_ask():
        return None
    tell(reminder)

    def read(text: str) -> float | None:
        if text == "unknown":
            return None
        return read_number(text.rstrip("vV "), "the supply", "volts", low=0.1, high=100.0)

    _, volts = ask(
        "The battery's volts, on the meter, while the channel runs",
        read,
        flag="--supply",
        default="unknown",
        explanation="Volts between the timer's supply pins, such as 5.8. Without them the supply "
        f"is inferred from the pulses, around the design's {design.supply.value:g} V.",
    )
    return volts


def run_on_terminal(
    loop: _Loop[View],
    terminal: LiveTerminal,
    view: View,
    begin: Callable[[], None] | None = None,
) -> None:
    """Run a loop with the terminal taken, and leave the terminal as it was whatever happens.

    What `begin` writes is written when an interruption is already looked out for.
    """
    try:
        with terminal:
            if begin is not None:
                begin()
            loop.run(terminal, view)
    finally:
        terminal.close()


def lead(
    listener: LiveListener,
    terminal: LiveTerminal,
    view: PictureView[Picture],
    turn: Callable[[], Picture],
    is_over: Callable[[], bool],
    most_s: float | None = None,
) -> None:
    """Take turns with the user until it is over or the terminal asks to end.

    Parameters
    ----------
    listener : LiveListener
        Opened here, and closed at the end whatever happens.
    terminal : LiveTerminal
        Taken.
    view : PictureView
        Where pictures go.
    turn : callable
        Looks at the keys, listens for a moment, and returns what is to be shown.
    is_over : callable
        Asked before each turn.
    most_s : float or None
        After how many seconds it ends by itself, the last turn ended.

    Raises
    ------
    DeviceError
        The source cannot be opened in the first place, or is gone for good.
    """
    listener.open()
    began_s = time.monotonic()
    try:
        while terminal.ended_by is None and not is_over():
            if terminal.settle():
                view.redraw()
            view.show(turn())
            if most_s is not None and time.monotonic() - began_s >= most_s:
                break
    finally:
        listener.close()


def leave_by_signal(terminal: LiveTerminal) -> None:
    """Leave as a signal asked, if one did.

    Raises
    ------
    KeyboardInterrupt
        It was Ctrl-C.
    typer.Exit
        It was another signal; the status is 128 and its number.
    """
    import signal

    if terminal.ended_by == signal.SIGINT:
        raise KeyboardInterrupt
    if terminal.ended_by is not None:
        raise typer.Exit(128 + terminal.ended_by)
