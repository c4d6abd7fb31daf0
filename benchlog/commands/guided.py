"""What the guided commands ask and do alike: the supply's volts, and running on a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, TypeVar

import typer

from benchlog.commands.options import read_number

if TYPE_CHECKING:
    from benchlog.channel.design import Design
    from benchlog.show.live_terminal import LiveTerminal

__all__ = ["ask_supply", "leave_by_signal", "run_on_terminal"]

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


def run_on_terminal(loop: _Loop[View], terminal: LiveTerminal, view: View) -> None:
    """Run a loop with the terminal taken, and leave the terminal as it was whatever happens."""
    try:
        with terminal:
            loop.run(terminal, view)
    finally:
        terminal.close()


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
