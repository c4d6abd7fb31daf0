"""What leading through the setting of trimmers tells: steps, advice, and how it ended."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchlog.calibration.trim_model import Place
from benchlog.calibration.trimmers import Trimmer, Within
from benchlog.timing.settling import SettlingState

__all__ = [
    "Advice",
    "Doubt",
    "Phase",
    "PlaceResult",
    "Step",
    "TrimSettings",
    "TrimmerResult",
    "Way",
]

Way = Literal["clockwise", "anticlockwise", "on", "back"]
Phase = Literal["go", "set", "done"]
Doubt = Literal["not-there", "other-end"]


@dataclass(frozen=True, slots=True)
class TrimSettings:
    """How the work is led.

    Attributes
    ----------
    hold_s : float
        How long the pulse has to stand still where it should before it goes on by itself.
    supply_v, temperature_c : float or None
        As read; the design's if None.
    """

    hold_s: float = 2.0
    supply_v: float | None = None
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class Advice:
    """How to turn a trimmer.

    Attributes
    ----------
    trimmer : Trimmer
        Which one.
    number : int
        Counts the advices, from 1.
    change_ohm : float
        By how much its resistance should change.
    share : float
        The same as a share of its whole range, 0 to 1.
    way : {"clockwise", "anticlockwise", "on", "back"}
        Which way to turn: ``on`` and ``back`` are as it was turned last.
    is_way_known : bool
        Whether a turn has shown that this is the right way.
    within : {"yes", "perhaps", "no"}
        Whether it gets there before its end.
    """

    trimmer: Trimmer
    number: int
    change_ohm: float
    share: float
    way: Way
    is_way_known: bool
    within: Within


@dataclass(frozen=True, slots=True)
class PlaceResult:
    """What a place gives in the end.

    Attributes
    ----------
    place : {"low", "high", "middle"}
        Where the knob stands.
    knob_deg : float
        The angle, degrees.
    value_s, u_s : float or None
        The pulse, in the middle the period, and its standard uncertainty; None where it was
        not visited.
    target_s : float or None
        What was wanted; None where nothing was.
    within_s : float
        By how much it may be off.
    """

    place: Place
    knob_deg: float
    value_s: float | None
    u_s: float | None
    target_s: float | None
    within_s: float

    @property
    def holds(self) -> bool | None:
        """Whether it is as wanted; None where nothing was."""
        if self.target_s is None:
            return None
        return self.value_s is not None and abs(self.value_s - self.target_s) <= self.within_s


@dataclass(frozen=True, slots=True)
class TrimmerResult:
    """Where a trimmer stands in the end.

    Attributes
    ----------
    trimmer : Trimmer
        Which one.
    ohm, u_ohm : float
        It and its fixed resistor together, and the standard uncertainty.
    wanted_ohm : float or None
        Where it is at its end: what they would have to be together.
    at_end : {"most", "least"} or None
        The end at which it was left.
    """

    trimmer: Trimmer
    ohm: float
    u_ohm: float
    wanted_ohm: float | None
    at_end: Literal["most", "least"] | None


@dataclass(frozen=True, slots=True)
class Step:
    """What to do now, and how it stands.

    Attributes
    ----------
    phase : {"go", "set", "done"}
        Turn the knob, turn a trimmer, or it is over.
    place : {"low", "high", "middle"}
        Where the knob is to be.
    knob_deg : float
        The same as an angle, degrees.
    round : int
        From 1.
    pulse : {"moving", "settled", "none"}
        What is heard.
    now_s, u_s : float or None
        The pulse now, in the middle the period.
    expected_s : float or None
        While the knob goes: what should be read there, as far as is known.
    wanted_s, target_s : float or None
        What it should be now, and in the end.
    within_s : float
        By how much it may be off.
    advice : Advice or None
        How to turn a trimmer.
    held_s : float
        For how long it has stood still where it should.
    doubt : {"not-there", "other-end"} or None
        Why a pulse that stands still is not taken for that of the place.
    moves : int
        Turns of trimmers so far.
    best : bool
        Whether `wanted_s` is the best that can be had rather than the target.
    """

    phase: Phase
    place: Place
    knob_deg: float
    round: int
    pulse: SettlingState
    now_s: float | None
    u_s: float | None
    expected_s: float | None
    wanted_s: float | None
    target_s: float | None
    within_s: float
    advice: Advice | None
    held_s: float
    doubt: Doubt | None
    moves: int
    best: bool
