"""What may be changed in a channel, and what builds become by it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.aim import Aim
from benchlog.channel.built_ends import TRIMMER_TOLERANCE
from benchlog.channel.plan import Design
from benchlog.channel.prediction import OVERRIDES
from benchlog.channel.unknowns import draw_builds, list_unknowns

__all__ = [
    "Fault",
    "Found",
    "Step",
    "apply_steps",
    "draw_found",
    "fixed_value",
    "list_trimmed",
    "part_tolerance",
    "restoring_steps",
    "trimmer_of",
    "wiring_steps",
]

Values = NDArray[np.float64]

StepKind = Literal[
    "value", "series", "parallel", "trimmer", "setting", "fixed", "renew", "exchange", "ends"
]

_DIODE = ("saturation_current", "emission", "series")
_USED = (*OVERRIDES, "supply_v", "temperature_c")
_NOT_OF_TIMER = ("r_on", "r_knob", "r_off", "c_timing", "contact", "supply_v", "temperature_c")

WIRING = ("swapped", "ends-swapped", "open", "reversed", "taper")
"""Faults that are put right before anything else is worth a thought."""


class Fault(Protocol):
    """A suspect part, as `benchlog.calibration.identify.Suspect` has it."""

    @property
    def part(self) -> str:
        """The part."""

    @property
    def fault(self) -> str:
        """What is wrong with it."""


class Found(Protocol):
    """What is known of a channel, as `benchlog.calibration.identify.Identification` has it."""

    @property
    def names(self) -> tuple[str, ...]:
        """The values that `draw` draws."""

    @property
    def suspects(self) -> Sequence[Fault]:
        """Wrong parts, likeliest first."""

    @property
    def supply_v(self) -> float:
        """Supply, volts."""

    @property
    def u_supply_v(self) -> float:
        """Its standard uncertainty, volts."""

    def values(self) -> dict[str, float]:
        """Return the likeliest build."""

    def draw(self, count: int, source: np.random.Generator) -> dict[str, Values]:
        """Draw builds that what was measured allows."""


@dataclass(frozen=True, slots=True)
class Step:
    """One change to one part.

    Attributes
    ----------
    part : str
        ``r_on``, ``r_knob``, ``r_off``, ``c_timing``, ``diode``, ``timer`` or ``knob``.
    kind : str
        ``value``: a new part; ``series``, ``parallel``: a part beside it; ``trimmer``: a fixed
        resistor with a trimmer in its place; ``setting``: of the trimmer that is there;
        ``fixed``: a new resistor before that trimmer; ``renew``: another of the same type;
        ``exchange``: `r_on` and `r_off` change places; ``ends``: the knob's outer leads do.
    value : float
        Of the new part, ohms or farads; 0 where there is none.
    trimmer_ohm : float
        Of the new trimmer, or of that which is there.
    """

    part: str
    kind: StepKind
    value: float = 0.0
    trimmer_ohm: float = 0.0


def part_tolerance(design: Design, part: str) -> float:
    """Return the tolerance that a new part would have: its fixed part's beside a trimmer."""
    marked = {one.name: one for one in design.parts}[part]
    fixed, trimmer = fixed_value(design, part), trimmer_of(design, part)
    if not trimmer or fixed <= 0.0:
        return marked.tolerance
    return max((marked.tolerance * marked.value - trimmer / 2) / fixed, 0.0)


def trimmer_of(design: Design, part: str) -> float:
    """Return the trimmer that the design has in series with a part, ohms; 0 for none."""
    trimmers = {"r_on": design.r_on_trimmer_ohm, "r_off": design.r_off_trimmer_ohm}
    return trimmers.get(part, 0.0)


def fixed_value(design: Design, part: str) -> float:
    """Return a part's marked value, that of the fixed resistor beside a trimmer."""
    marked = {one.name: one for one in design.parts}[part]
    return marked.value - trimmer_of(design, part) / 2


def draw_found(
    design: Design, found: Found | None, count: int, source: np.random.Generator
) -> dict[str, Values]:
    """Draw builds: those that the measurement allows, or any within tolerance.

    Parameters
    ----------
    design : Design
        The design.
    found : Found or None
        What is known of the channel; None for the design alone.
    count : int
        How many.
    source : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    dict of str to numpy.ndarray
        By name, shape (count,), supply included.
    """
    if found is None:
        return draw_builds(list_unknowns(design), count, source)
    drawn = {
        name: np.asarray(one)
        for name, one in found.draw(count, source).items()
        if name in _USED  # what was found of the knob's travel does not move its ends
    }
    for name, value in found.values().items():
        if name in _USED:
            drawn.setdefault(name, np.full(count, value))
    if "supply_v" not in drawn:
        drawn["supply_v"] = found.supply_v + found.u_supply_v * source.standard_normal(count)
    return drawn


def wiring_steps(design: Design, found: Found | None) -> tuple[Step, ...]:
    """Return the steps that put right what is wired wrongly, if the likeliest suspect is such."""
    if found is None or not found.suspects:
        return ()
    likeliest = found.suspects[0]
    steps = {
        "swapped": Step("r_on", "exchange"),
        "ends-swapped": Step("knob", "ends"),
        "open": Step("diode", "renew"),
        "reversed": Step("diode", "renew"),
        "taper": Step("r_knob", "value", design.r_knob.value),
    }
    return (steps[likeliest.fault],) if likeliest.fault in WIRING else ()


def restoring_steps(design: Design, aim: Aim, found: Found | None) -> tuple[Step, ...]:
    """Return the steps that put the likeliest suspect right by what is marked.

    Parameters
    ----------
    design : Design
        The design.
    aim : Aim
        The aim, for which trimmers are set anew.
    found : Found or None
        What is known of the channel.

    Returns
    -------
    tuple of Step
        None where nothing is suspected, or nothing that a new part puts right.
    """
    if found is None or not found.suspects or found.suspects[0].fault not in ("value", "decade"):
        return ()
    part = found.suspects[0].part
    settings = [
        Step(one, "setting", 0.0, trimmer_of(design, one))
        for one in list_trimmed(design, aim)
        if one != part
    ]
    if part in ("diode", "timer"):
        return (Step(part, "renew"), *settings)
    if part not in ("r_on", "r_knob", "r_off", "c_timing"):
        return ()
    trimmer = trimmer_of(design, part)
    step = Step(part, "fixed" if trimmer else "value", fixed_value(design, part), trimmer)
    return (step, *settings)


def list_trimmed(design: Design, aim: Aim) -> tuple[str, ...]:
    """Return the parts that have a trimmer which serves an aim."""
    parts = ("r_on",) if aim.period_s is None else ("r_on", "r_off")
    return tuple(part for part in parts if trimmer_of(design, part))


def apply_steps(
    design: Design,
    steps: Sequence[Step],
    drawn: Mapping[str, Values],
    source: np.random.Generator,
) -> tuple[dict[str, Values], dict[str, tuple[Values, Values]]]:
    """Return what builds become by some changes, what is new drawn within its tolerance.

    Parameters
    ----------
    design : Design
        The design.
    steps : sequence of Step
        The changes.
    drawn : mapping of str to numpy.ndarray
        The builds before, shape (n,).
    source : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    builds : dict of str to numpy.ndarray
        The builds after; a part with a trimmer stands where it stood, or at its middle.
    ranges : dict
        By part, from which to which resistance a trimmer that is to be set reaches, ohms.
    """
    builds, count = dict(drawn), next(iter(drawn.values())).size
    ranges: dict[str, tuple[Values, Values]] = {}
    for step in steps:
        if step.kind in ("exchange", "ends"):
            _rewire(step, builds)
        elif step.kind == "renew":
            _renew(design, step.part, builds, source)
        elif step.kind in ("setting", "fixed", "trimmer"):
            low, high = _find_range(design, step, builds[step.part], source)
            ranges[step.part], builds[step.part] = (low, high), (low + high) / 2
        else:
            new = _spread(step.value, part_tolerance(design, step.part), count, source)
            _put_in(step, new, builds)
    return builds, ranges


def _spread(value: float, tolerance: float, count: int, source: np.random.Generator) -> Values:
    """Draw a new part within its tolerance."""
    return value * (1.0 + tolerance * (2.0 * source.random(count) - 1.0))


def _renew(
    design: Design, part: str, builds: dict[str, Values], source: np.random.Generator
) -> None:
    """Put in another diode or timer of the same type, with figures of its own."""
    fresh = draw_builds(list_unknowns(design), next(iter(builds.values())).size, source)
    for name in {*fresh, *builds}:
        if name in _NOT_OF_TIMER or (name in _DIODE) != (part == "diode"):
            continue
        builds.pop(name, None)
        if name in fresh:
            builds[name] = fresh[name]


def _rewire(step: Step, builds: dict[str, Values]) -> None:
    """Exchange r_on and r_off where the builds have them exchanged; else they stand right."""
    if step.kind == "exchange" and np.median(builds["r_on"]) > np.median(builds["r_off"]):
        builds["r_on"], builds["r_off"] = builds["r_off"], builds["r_on"]


def _find_range(
    design: Design, step: Step, stands: Values, source: np.random.Generator
) -> tuple[Values, Values]:
    """Return from which to which resistance a trimmer reaches, its fixed resistor included."""
    fixed = step.value or fixed_value(design, step.part)
    low = _spread(fixed, part_tolerance(design, step.part), stands.size, source)
    high = low + _spread(step.trimmer_ohm, TRIMMER_TOLERANCE, stands.size, source)
    if step.kind == "setting":  # wherever it stands, that is within its reach
        return np.minimum(low, stands), np.maximum(high, stands)
    return low, high


def _put_in(step: Step, new: Values, builds: dict[str, Values]) -> None:
    """Put a new part in place of an old one or beside it."""
    part, old = step.part, builds[step.part]
    if step.kind == "value":
        builds[part] = new
        if part == "r_knob":  # its wiper is new as well
            builds.pop("contact", None)
    elif part == "r_knob":
        builds["knob_shunt"] = new
    elif (step.kind == "series") == (part != "c_timing"):
        builds[part] = old + new
    else:
        builds[part] = old * new / (old + new)
