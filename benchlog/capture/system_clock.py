"""What this computer's own clock is worth as a reference.

A monotonic clock counts a crystal. Where the system sets its clock by network time, the
crystal's error is known to the system and taken out; else it may be off by some tens of parts in
a million, as a sample clock may.
"""

from __future__ import annotations

import ctypes
import sys
from dataclasses import dataclass

__all__ = ["SystemClock", "judge_system_clock"]

FREE_PPM = 50.0
"""Half-width for a crystal that nothing sets right (common practice: 20 to 50 ppm)."""

SET_PPM = 2.0
"""Half-width where network time sets the clock's rate: what it may be slewed by meanwhile."""

_UNSYNCHRONISED = 0x0040
_ERROR_STATE = 5


@dataclass(frozen=True, slots=True)
class SystemClock:
    """How far the system's clock may be trusted.

    Attributes
    ----------
    network_time : bool or None
        Whether it is being set by network time; None where the system does not tell.
    half_width_ppm : float
        Its rate is right to within this, parts in a million (rectangular).
    """

    network_time: bool | None
    half_width_ppm: float

    @property
    def u_ppm(self) -> float:
        """Standard uncertainty of its rate, parts in a million."""
        return float(self.half_width_ppm / 3.0**0.5)


def judge_system_clock() -> SystemClock:
    """Ask the system whether network time sets its clock.

    Returns
    -------
    SystemClock
        Only asked, never set. Systems other than Linux do not tell.
    """
    answer = _is_set() if sys.platform.startswith("linux") else None
    return SystemClock(answer, SET_PPM if answer else FREE_PPM)


class _Answer(ctypes.Structure):
    """The beginning of what ``adjtimex`` fills in (Linux man-pages, adjtimex(2); from memory)."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 512),
    )


def _is_set() -> bool | None:
    """Return whether the kernel's clock is synchronised, None where it does not tell."""
    try:
        ask = ctypes.CDLL(None).adjtimex
    except (OSError, AttributeError):
        return None
    answer = _Answer()  # modes 0 changes nothing
    state = ask(ctypes.byref(answer))
    if state < 0:
        return None
    return state != _ERROR_STATE and not answer.status & _UNSYNCHRONISED
