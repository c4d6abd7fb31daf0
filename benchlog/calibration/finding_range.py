"""Finding a servo's own range: somebody turns a knob and presses a key at the first buzz.

The pulse has gone on by the time that the key is pressed. So what counts is the pulse as it was a
reaction before the key, and where it was over all reactions that there may be says how sure that
is: slowly turned, it is sure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.kept_servo import ServoEnd

__all__ = [
    "Press",
    "RangeFinder",
    "Way",
    "agree",
    "combine_presses",
    "pulse_at_press",
    "safe_range",
]

REACTION_S = 0.35
"""From the buzz to the key. A simple reaction to a sound takes 0.15 to 0.2 s (psychology's
handbooks, from memory); to be sure that it is one takes longer."""

REACTION_HALF_S = 0.3
"""Half-width of it (rectangular): how a person listens, and what input and screen take."""

DEAD_BAND_S = 5e-6
"""Kept from a stop as well: a servo holds still anywhere within its dead band (common practice)."""

FEWEST_TRIES = 2
MOST_TRIES = 5
TOO_QUICK_S = 20e-6
"""Standard uncertainty of a try, past which it was turned too quickly to say anything."""

_INSTANTS = 61
_LEAST_WAY_S = 50e-6
_BACK_S = 25e-6
_LEAST_U_S = 0.5e-6

_NEAR = "That is hardly away from where it began: not counted."
_KNOWN = "That is the end that is known already: turn the other way."

Way = Literal["low", "high"]
Phase = Literal["start", "seek", "back", "done"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Press:
    """What a press of the key says.

    Attributes
    ----------
    pulse_s : float
        The pulse at the buzz, seconds.
    u_s : float
        Its standard uncertainty, seconds.
    slope_s_per_s : float
        How quickly the pulse moved, seconds a second.
    """

    pulse_s: float
    u_s: float
    slope_s_per_s: float


def pulse_at_press(
    start_s: FloatArray,
    width_s: FloatArray,
    pressed_s: float,
    *,
    reaction_s: float = REACTION_S,
    half_s: float = REACTION_HALF_S,
) -> Press | None:
    """Tell which pulse it was at the buzz that a key was pressed for.

    Parameters
    ----------
    start_s, width_s : numpy.ndarray
        When each pulse of the last seconds began, ascending, and its width, seconds, shape (n,).
    pressed_s : float
        When the key was pressed, on the same scale.
    reaction_s, half_s : float
        How long before that the buzz was, and the half-width of it (rectangular), seconds.

    Returns
    -------
    Press or None
        None where there were no pulses at that time.

    Notes
    -----
    Mean and standard deviation of the width over the instants at which the buzz may have been, so
    the way in which the knob was turned meanwhile does not matter; the scatter of single pulses
    is in it. JCGM 100, 4.3.7, for a straight turn: slope times half-width over root 3.
    """
    first_s = pressed_s - reaction_s - half_s
    last_s = pressed_s - reaction_s + half_s
    if width_s.shape[0] < 2 or start_s[0] > first_s + half_s or start_s[-1] < last_s - half_s:
        return None
    instants = np.linspace(first_s, last_s, _INSTANTS)
    at = np.interp(instants, start_s, width_s)
    slope = float(np.polyfit(instants - pressed_s, at, 1)[0])
    return Press(float(at.mean()), math.hypot(float(at.std()), _LEAST_U_S), slope)


def agree(presses: Sequence[Press]) -> bool:
    """Tell whether presses at one end agree: none is farther from their mean than its U."""
    pulse_s, _ = combine_presses(presses)
    return all(abs(one.pulse_s - pulse_s) <= 2.0 * one.u_s for one in presses)


def combine_presses(presses: Sequence[Press]) -> tuple[float, float]:
    """Return the pulse that several presses at one end give, and its standard uncertainty.

    Notes
    -----
    Weighted by their uncertainties. One person reacts alike each time, so what is uncertain in the
    reaction does not shrink with their number; how they scatter is added.
    """
    pulse_s = np.array([one.pulse_s for one in presses])
    u_s = np.array([one.u_s for one in presses])
    weight = u_s**-2 / np.sum(u_s**-2)
    mean_s = float(weight @ pulse_s)
    scatter = 0.0
    if len(presses) > 1:
        scatter = float(weight @ (pulse_s - mean_s) ** 2) / (len(presses) - 1)
    return mean_s, math.sqrt(float(weight @ u_s) ** 2 + scatter)


def safe_range(low: ServoEnd, high: ServoEnd, margin_s: float = 0.0) -> tuple[float, float]:
    """Return what a servo may be sent.

    Parameters
    ----------
    low, high : ServoEnd
        What was found of either end.
    margin_s : float
        What is kept from ends that somebody told, seconds.

    Returns
    -------
    tuple of float
        Shortest and longest pulse, seconds: from a stop its U (k = 2) and the dead band are
        kept; to where the knob's end came first the servo followed.
    """

    def inset(end: ServoEnd) -> float:
        if end.how == "buzz":
            return 2.0 * end.u_s + DEAD_BAND_S
        return margin_s if end.how == "given" else 2.0 * end.u_s

    return low.pulse_s + inset(low), high.pulse_s - inset(high)


@dataclass(slots=True)
class _Side:
    """One end of the range."""

    presses: list[Press]
    knob_end: Press | None = None

    @property
    def is_done(self) -> bool:
        if self.knob_end is not None:
            return True
        count = len(self.presses)
        return count >= MOST_TRIES or (count >= FEWEST_TRIES and agree(self.presses))

    @property
    def place_s(self) -> float | None:
        if self.knob_end is not None:
            return self.knob_end.pulse_s
        return combine_presses(self.presses)[0] if self.presses else None

    def end(self) -> ServoEnd | None:
        if self.knob_end is not None:
            u_s = self.knob_end.u_s
            return ServoEnd("at least", _tidy(self.knob_end.pulse_s), _tidy(u_s))
        if not self.presses:
            return None
        pulse_s, u_s = combine_presses(self.presses)
        tries = tuple(_tidy(one.pulse_s) for one in self.presses)
        return ServoEnd("buzz", _tidy(pulse_s), _tidy(u_s), tries)


def _tidy(seconds: float) -> float:
    """Return a time to the nanosecond: what a file in microseconds holds."""
    return round(seconds * 1e6, 3) / 1e6


class RangeFinder:
    """Leads from the middle to one end, twice or more, then to the other end.

    Notes
    -----
    `start` says that the servo is plugged in, `press` that it buzzes, `knob_end` that the knob has
    come to its end without a buzz, `take_back` forgets the newest try. What `press` returns is
    said to whoever turns; an empty text says that it was taken.
    """

    def __init__(self) -> None:
        self._sides = (_Side([]), _Side([]))
        self._phase: Phase = "start"
        self._middle_s = math.nan
        self._left_s: float | None = None

    @property
    def phase(self) -> Phase:
        """What is to be done.

        ``start``: knob to its middle, servo in; ``seek``: slowly towards an end; ``back``: away
        from the stop at once; ``done``.
        """
        return self._phase

    @property
    def side(self) -> int:
        """Which end is sought: 0, towards the knob's clockwise stop, or 1, the other one."""
        return 1 if self._sides[0].is_done else 0

    @property
    def tries(self) -> tuple[int, int]:
        """How often each end was met."""
        first, second = (len(one.presses) + (one.knob_end is not None) for one in self._sides)
        return first, second

    @property
    def needs_more(self) -> bool:
        """Whether the tries at the end that is sought do not agree."""
        side = self._sides[self.side]
        return len(side.presses) >= FEWEST_TRIES and not side.is_done

    @property
    def scatters(self) -> bool:
        """Whether an end was given up with tries that do not agree."""
        return any(
            one.knob_end is None and len(one.presses) >= MOST_TRIES and not agree(one.presses)
            for one in self._sides
        )

    def start(self, pulse_s: float) -> None:
        """Begin at the middle of the travel, with the pulse that is there, seconds."""
        if self._phase == "start":
            self._phase, self._middle_s = "seek", pulse_s

    def press(self, press: Press) -> str:
        """Take a press at the buzz; returns what is wrong with it, '' if it was taken."""
        if self._phase != "seek":
            return "Turn back from the stop first."
        if abs(press.pulse_s - self._middle_s) < _LEAST_WAY_S:
            return _NEAR
        self._phase, self._left_s = "back", press.pulse_s
        if self._is_known_end(press):
            return _KNOWN
        if press.u_s > TOO_QUICK_S:
            return "That was turned too quickly to be sure: not counted. Slower, once more."
        self._sides[self.side].presses.append(press)
        return ""

    def knob_end(self, press: Press) -> str:
        """Take it that the knob's end came first, at a pulse that stands still there."""
        side = self._sides[self.side]
        if self._phase != "seek":
            return "Turn back from the stop first."
        if abs(press.pulse_s - self._middle_s) < _LEAST_WAY_S:
            return _NEAR
        if self._is_known_end(press):
            return _KNOWN
        if side.presses:
            return "It buzzed here before. Key b forgets that try, if it was none."
        side.knob_end = press
        self._phase = "done" if all(one.is_done for one in self._sides) else "seek"
        return ""

    def _is_known_end(self, press: Press) -> bool:
        """Tell whether a pulse lies on the side of the end that is known already."""
        other = self._sides[0].place_s if self.side == 1 else None
        if other is None:
            return False
        return (other - self._middle_s) * (press.pulse_s - self._middle_s) > 0

    def take_back(self) -> bool:
        """Forget the newest try; False where there is none."""
        for side in (self._sides[1], self._sides[0]):
            if side.knob_end is not None:
                side.knob_end = None
            elif side.presses:
                side.presses.pop()
            else:
                continue
            self._phase = "back" if self._phase == "back" else "seek"
            return True
        return False

    def watch(self, pulse_s: float) -> None:
        """Look at the pulse, seconds: once it has come back from the stop, it goes on."""
        if self._phase != "back":
            return
        left_s = self._left_s if self._left_s is not None else self._middle_s
        if abs(left_s - self._middle_s) - abs(pulse_s - self._middle_s) >= _BACK_S:
            self._phase = "done" if all(one.is_done for one in self._sides) else "seek"

    def ends(self) -> tuple[ServoEnd | None, ServoEnd | None]:
        """Return the low and the high end, None for one that was not met yet."""
        found: dict[Way, ServoEnd | None] = {"low": None, "high": None}
        for side in self._sides:
            end = side.end()
            if end is not None:
                found["low" if end.pulse_s < self._middle_s else "high"] = end
        return found["low"], found["high"]
