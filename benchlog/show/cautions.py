"""The cautions that are shown wherever something is to be connected."""

from __future__ import annotations

import shutil
import sys
import textwrap

from benchlog.show.terminal import warn

__all__ = ["CAUTIONS", "show_cautions"]

CAUTIONS = (
    "Battery or isolated low voltage only: never mains, nor anything joined to it.",
    "Let the laptop run on its own battery while it measures: a charger joins grounds.",
    "Channel and computer share one ground; a second path between them is a ground loop: it hums, "
    "and can carry current that neither was made for.",
    "The input socket, never the headphone socket; where there is the choice a cheap USB input "
    "rather than the computer's own.",
    "The divider first, the meter next, then the plug.",
    "Clip to the timer's output pin alone: a lead on the timing capacitor changes the circuit.",
    "Headphones off the ears.",
    "The servo is fed from its own cells, never from the computer's USB, and is unplugged at the "
    "first power-up.",
    "A stalled servo heats and can pinch: take its arm off, or leave it free to turn.",
    "Measure resistors with the power off and one leg free. Short-circuited cells can burn.",
    "Work on mains belongs to licensed people, and local codes come first.",
)
"""One sentence each, in the order in which they matter."""


def show_cautions() -> None:
    """Write the cautions to standard error."""
    width = shutil.get_terminal_size().columns if sys.stderr.isatty() else 0
    warn("Before you connect anything:")
    for caution in CAUTIONS:
        line = f"  - {caution}"
        lines = textwrap.wrap(line, max(width - 1, 20), subsequent_indent="    ")
        for part in lines if width else [line]:
            warn(part)
