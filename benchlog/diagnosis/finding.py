"""What a diagnosis takes in and what it gives: types alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from benchlog.diagnosis.words.portions import tell_part

if TYPE_CHECKING:
    from benchlog.channel.plan import Design
    from benchlog.diagnosis.cycles import Cycles
    from benchlog.diagnosis.end_stop import EndStop
    from benchlog.diagnosis.odd_cycles import Calmed
    from benchlog.diagnosis.pair.neighbour import Couplings
    from benchlog.diagnosis.separation.directions import Direction
    from benchlog.diagnosis.separation.unrest import Unrest
    from benchlog.diagnosis.series.mains import MainsSearch
    from benchlog.diagnosis.series.steps import PeriodicLoad, Step
    from benchlog.diagnosis.train.events import Events
    from benchlog.timing.pulses import Measurement

__all__ = [
    "CANNOT_TELL",
    "QUIET",
    "STEADY",
    "Diagnosis",
    "Evidence",
    "Finding",
    "Heard",
    "InputDiagnosis",
    "Part",
    "Words",
    "make_finding",
]

STEADY = "steady"
CANNOT_TELL = "not-enough-to-tell"
QUIET = (STEADY, CANNOT_TELL)
"""The causes that accuse nothing."""

Evidence = Mapping[str, float | str | bool | list[float] | list[str] | None]
"""Figures by name, with the unit in the name; every number finite."""


@dataclass(frozen=True, slots=True)
class Words:
    """What is found, what shows it, and what to try next.

    Attributes
    ----------
    what, why, next_step : str
        A sentence or several each.
    """

    what: str
    why: str
    next_step: str


@dataclass(frozen=True, slots=True)
class Part:
    """How much of the movement a cause makes.

    Attributes
    ----------
    share, low, high : float
        Of the variance, 0 to 1, and its 95 % interval.
    counted : str
        'pulse' or 'period', whose variance it is.
    """

    share: float
    low: float
    high: float
    counted: str

    def scaled(self, factor: float, less: float = 0.0) -> Part:
        """Take something from it and then a part of what is left; nothing falls below 0."""
        share, low, high = (
            max(0.0, factor * (one - less)) for one in (self.share, self.low, self.high)
        )
        return replace(self, share=share, low=low, high=high)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a diagnosis found.

    Attributes
    ----------
    input : int
        Number of the input, from 1.
    cause : str
        A fixed word, such as ``wiper``; ``steady`` where nothing is wrong.
    part : Part or None
        How much of the movement it makes; None where that says nothing.
    what : str
        What is found, a sentence.
    reason : str
        What shows it, with its figures.
    sure : str
        How sure that is, a sentence that begins with 'Surely' or 'Maybe'.
    next_step : str
        What would confirm or refute it.
    figures : mapping
        The figures behind it, without its part.
    """

    input: int
    cause: str
    part: Part | None
    what: str
    reason: str
    sure: str
    next_step: str
    figures: Evidence = field(default_factory=dict)

    @property
    def share(self) -> float | None:
        """The part of the variance that it explains, 0 to 1; None where that says nothing."""
        return None if self.part is None else self.part.share

    @property
    def why(self) -> str:
        """What shows it, with its figures, and how much of the movement it makes."""
        if self.part is None:
            return self.reason
        part = self.part
        return f"{self.reason} {tell_part(part.share, part.low, part.high, part.counted)}"

    @property
    def evidence(self) -> Evidence:
        """All the figures."""
        if self.part is None:
            return self.figures
        part = self.part
        return {
            **self.figures,
            "share_low": part.low,
            "share_high": part.high,
            "share_of": part.counted,
        }

    @property
    def text(self) -> str:
        """What, why and how sure, in one paragraph."""
        return " ".join(part for part in (self.what, self.why, self.sure) if part)


def make_finding(
    input_: int,
    cause: str,
    words: Words,
    sure: str,
    evidence: Evidence,
    part: Part | None = None,
) -> Finding:
    """Put a finding together.

    Parameters
    ----------
    input_ : int
        Number of the input, from 1.
    cause : str
        A fixed word.
    words : Words
        What, why and what next.
    sure : str
        How sure, a sentence; may be empty.
    evidence : mapping
        The figures.
    part : Part, optional
        How much of the movement it makes.

    Returns
    -------
    Finding
        All of it together.
    """
    return Finding(
        input=input_,
        cause=cause,
        part=part,
        what=words.what,
        reason=words.why,
        sure=sure,
        next_step=words.next_step,
        figures=evidence,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """One input of one recording, with what is known of it.

    Attributes
    ----------
    measurement : Measurement
        What was measured.
    file : str
        What the recording is called.
    design : Design or None
        What this input's channel should be; None where nobody says.
    knob_deg, supply_v, temperature_c : float or None
        As read while it was recorded.
    servo : str or None
        'unplugged', 'idle' or 'moving', where that was noted.
    """

    measurement: Measurement
    file: str
    design: Design | None = None
    knob_deg: float | None = None
    supply_v: float | None = None
    temperature_c: float | None = None
    servo: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class InputDiagnosis:
    """All that was found on one input, over one recording or several.

    Attributes
    ----------
    input : int
        Number of the input, from 1.
    findings : tuple of Finding
        Weightiest first; at least one.
    heard : tuple of Heard
        The recordings; the other tuples have one entry for each.
    cycles : tuple of Cycles
        Pulses and rests, those that an event spoilt left out.
    directions : tuple of tuple of Direction
        How each cause would move pulse and rest.
    searches : tuple of MainsSearch
        What of the mains shows, and where it would fall.
    events : tuple of Events
        What happened beyond the usual cycle.
    unrest : Unrest or None
        Which cause moves the cycle by how much; None where there are too few cycles.
    end_stops : tuple of (EndStop or None)
        For each recording; None where no pulse is beyond the servo's range.
    steps : tuple of tuple of Step
        Sudden changes of the pulse; none are sought where the cycle keeps to its limits.
    loads : tuple of (PeriodicLoad or None)
        A movement to and fro that is none of the mains, likewise.
    calmed : tuple of Calmed
        The cycles with the odd ones set apart; empty where nobody asks for them.
    """

    input: int
    findings: tuple[Finding, ...]
    heard: tuple[Heard, ...]
    cycles: tuple[Cycles, ...]
    directions: tuple[tuple[Direction, ...], ...]
    searches: tuple[MainsSearch, ...]
    events: tuple[Events, ...]
    unrest: Unrest | None
    end_stops: tuple[EndStop | None, ...]
    steps: tuple[tuple[Step, ...], ...] = ()
    loads: tuple[PeriodicLoad | None, ...] = ()
    calmed: tuple[Calmed, ...] = ()

    @property
    def design(self) -> Design | None:
        """The first design that is known, None where there is none."""
        return next((one.design for one in self.heard if one.design is not None), None)

    @property
    def end_stop(self) -> EndStop | None:
        """The first of the recordings' end stops, None where there is none."""
        return next((one for one in self.end_stops if one is not None), None)


@dataclass(frozen=True, slots=True, eq=False)
class Diagnosis:
    """What is wrong, over all inputs.

    Attributes
    ----------
    findings : tuple of Finding
        Of all inputs, weightiest first; at least one.
    inputs : tuple of InputDiagnosis
        One for each input, in their order.
    couplings : Couplings or None
        Of several inputs of one recording: which channel moves which.
    """

    findings: tuple[Finding, ...]
    inputs: tuple[InputDiagnosis, ...]
    couplings: Couplings | None = None

    @property
    def is_wrong(self) -> bool:
        """Whether something is wrong, with the channel or with the recording."""
        return any(one.cause not in QUIET for one in self.findings)
