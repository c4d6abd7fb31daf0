"""A stage of a comparison: what was recorded while the servo was out, in, or a neighbour moved."""

from __future__ import annotations

from dataclasses import dataclass

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.train.events import Events

__all__ = ["FEWEST_CYCLES", "STAGES", "Stage"]

STAGES = ("unplugged", "plugged", "neighbour")
"""The stages, in their order."""

FEWEST_CYCLES = 60
"""Whole cycles that a stage needs to be compared by its means and its scatter."""

_CUT_SHARE = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """A recording of one stage.

    Attributes
    ----------
    name : str
        One of `STAGES`.
    cycles : Cycles or None
        Its cycles, those that an event spoilt left out; None where no pulses came.
    events : Events or None
        What happened beyond the usual cycle; None where nobody looked, or no pulses came.
    pulse_count : int or None
        All its pulses, spoilt ones too; None for as many as it has cycles.
    length_s : float or None
        How long it is, seconds; None for as long as its cycles were watched.
    planned_s : float or None
        How long it was to be, seconds, where that is known.
    began_s : float or None
        When it began, seconds of a clock that all stages share; None where that is not known.
    directions : tuple of Direction
        How each cause moves the channel; empty where that is not known.
    """

    name: str
    cycles: Cycles | None
    events: Events | None = None
    pulse_count: int | None = None
    length_s: float | None = None
    planned_s: float | None = None
    began_s: float | None = None
    directions: tuple[Direction, ...] = ()

    @property
    def count(self) -> int:
        """Number of whole cycles."""
        return 0 if self.cycles is None else self.cycles.count

    @property
    def pulses(self) -> int:
        """Number of all pulses."""
        return self.count if self.pulse_count is None else self.pulse_count

    @property
    def duration_s(self) -> float:
        """How long it is, seconds."""
        if self.length_s is not None:
            return self.length_s
        return 0.0 if self.cycles is None else self.cycles.duration_s

    @property
    def is_cut_short(self) -> bool:
        """Whether it is clearly shorter than it was to be."""
        return self.planned_s is not None and self.duration_s < _CUT_SHARE * self.planned_s

    @property
    def middle_s(self) -> float | None:
        """The time of its middle, seconds of the common clock."""
        return None if self.began_s is None else self.began_s + self.duration_s / 2.0
