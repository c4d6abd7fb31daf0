"""Which marks a dial shall have, as they are typed."""

from __future__ import annotations

import math
import re

from benchlog.calibration.dial_marks import OwnMark
from benchlog.commands.options import read_number
from benchlog.errors import UsageError
from benchlog.show.dial_maker import MarkWish

__all__ = ["read_labels", "read_wish"]

_PLACE = re.compile(r"([-+]?(?:\d+\.?\d*|\.\d+))\s*(us|µs|μs|ms|deg|°|knob)")
_MOST = 120
_LONGEST = 60
_AUTO = "auto"


def read_wish(
    arm_angles: str | None, pulses: str | None, labels: str | None, *, settings: bool
) -> MarkWish:
    """Read which marks are wanted.

    Parameters
    ----------
    arm_angles, pulses : str or None
        Degrees of arm, or microseconds, from mark to mark; 'auto' leaves it to the room.
    labels : str or None
        A user's own marks.
    settings : bool
        Whether numbered settings are wanted.

    Returns
    -------
    MarkWish
        Arm angles as the room allows where nothing is given.

    Raises
    ------
    UsageError
        Two kinds at once, or one that cannot be read.
    """
    given = [
        flag
        for flag, value in (
            ("--arm-angles", arm_angles is not None),
            ("--pulses", pulses is not None),
            ("--settings", settings),
            ("--labels", labels is not None),
        )
        if value
    ]
    if len(given) > 1:
        raise UsageError(
            f"{given[0]} together with {given[1]}",
            expected="one kind of marks on a dial",
            attempt=f"{given[0]} alone, and a second dial for the other",
        )
    if labels is not None:
        return MarkWish("own", own=read_labels(labels))
    if settings:
        return MarkWish("settings")
    if pulses is not None:
        step_us = _read_step(pulses, "--pulses", "microseconds", 0.1, 1e5)
        return MarkWish("pulse", None if step_us is None else step_us * 1e-6)
    if arm_angles is not None:
        return MarkWish("arm", _read_step(arm_angles, "--arm-angles", "degrees", 0.01, 3600.0))
    return MarkWish()


def _read_step(text: str, option: str, unit: str, low: float, high: float) -> float | None:
    """Read a step; None for 'auto'."""
    if text == _AUTO:
        return None
    return read_number(text, option, unit, low=low, high=high)


def read_labels(text: str) -> tuple[OwnMark, ...]:
    """Read a user's own marks.

    Parameters
    ----------
    text : str
        ``NAME=PLACE`` with commas between; a place is a pulse (``600us``, ``1.5ms``), an arm
        angle (``90deg``) or a knob angle (``135knob``).

    Returns
    -------
    tuple of OwnMark
        In the order in which they were typed.

    Raises
    ------
    UsageError
        Anything else; the part that is wrong is named.
    """
    marks = []
    for part in text.split(","):
        name, equals, place = part.rpartition("=")
        name = name.strip()
        found = _PLACE.fullmatch(place.strip())
        if not equals or not name or found is None or len(name) > _LONGEST:
            raise UsageError(
                f"--labels with '{part.strip()}'",
                expected="NAME=PLACE with commas between, a place such as 600us, 1.5ms, 90deg (arm "
                f"angle) or 135knob (knob angle), a name of at most {_LONGEST} characters",
                attempt="--labels 'rest=600us,up=1500us,bow=90deg'",
            )
        marks.append(_own_mark(name, float(found[1]), found[2]))
    if len(marks) > _MOST:
        raise UsageError(
            f"--labels with {len(marks)} marks",
            expected=f"at most {_MOST}",
            attempt="two dials, or fewer marks",
        )
    return tuple(marks)


def _own_mark(name: str, value: float, unit: str) -> OwnMark:
    """Return a mark in seconds or degrees."""
    if not math.isfinite(value):
        value = math.copysign(1e30, value)  # out of reach, and told as such
    if unit == "knob":
        return OwnMark(name, value, "knob")
    if unit in ("deg", "°"):
        return OwnMark(name, value, "arm")
    return OwnMark(name, value * (1e-3 if unit == "ms" else 1e-6), "pulse")
