"""The parts of a channel, found from a measured sweep.

On and off at several knob positions give the products of each resistor with the capacitor sharply,
and the parts only as well as their tolerances or a meter's reading let them be told apart. What
is known beforehand (tolerances, the timer's levels, the diode, how well supply, temperature and
knob were read) is a box of rectangular distributions; what is left of it after the sweep is drawn
from (JCGM 101:2008), so that the stated intervals hold 95 of 100 also where they are boxes.

Where tolerances do not explain the sweep, each thing that may be wrong is fitted and weighed in
turn (`suppositions`, `weighing`), and the likeliest are named.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.box_posterior import pick_draws, spread_about_mean
from benchlog.calibration.chances import chi_square_point
from benchlog.calibration.found_parts import FoundPart, Product, state_parts, state_product
from benchlog.calibration.point import KNOB_READING_DEG, ROOT3, Point
from benchlog.calibration.suppositions import Supposition, suppose_faults, suppose_right
from benchlog.calibration.suspect_texts import Estimate
from benchlog.calibration.suspects import Suspect, accuse, doubt_reading, name_misread
from benchlog.calibration.sweep_data import Sweep, read_sweep
from benchlog.calibration.sweep_draws import draw_loosely, follow_curve, weigh_fit
from benchlog.calibration.sweep_fit import fit_sweep
from benchlog.calibration.sweep_model import Known
from benchlog.calibration.verdict import COVERAGE
from benchlog.calibration.weighing import (
    MODEL_SHARE,
    Verdict,
    looks_right,
    weigh_supposition,
    weigh_suppositions,
)
from benchlog.channel.cycle import OVERRIDES
from benchlog.channel.plan import Design
from benchlog.errors import MeasurementError

__all__ = [
    "FoundPart",
    "Identification",
    "Known",
    "Product",
    "Suspect",
    "identify_parts",
]

Values = NDArray[np.float64]

PARTS = ("r_on", "r_knob", "r_off", "c_timing")
PRODUCTS = (("r_off", "c_timing"), ("r_knob", "c_timing"), ("r_on", "c_timing"))
_FAR_BELOW = 5.0
_DRAWS = 4096
_KEPT = 800


@dataclass(frozen=True, slots=True, eq=False)
class Identification:
    """What a sweep tells of the parts.

    Attributes
    ----------
    products : tuple of Product
        What is sharp.
    parts : tuple of FoundPart
        What is only as good as tolerances and meter readings make it.
    names : tuple of str
        The unknowns: names of `benchlog.channel.cycle.OVERRIDES`, ``supply_v`` or
        ``temperature_c``.
    mean : numpy.ndarray
        Their means, SI units, shape (n,).
    covariance : numpy.ndarray
        Their covariance, SI units, shape (n, n).
    suspects : tuple of Suspect
        Likeliest first; empty where tolerances explain the sweep.
    supply_v, u_supply_v : float
        The supply that the sweep fits, and its uncertainty, volts.
    explained : bool
        Whether the tolerances of the marked parts explain the sweep, whatever the wiper's contact.
    chi_square : float
        Of the best fit: the measurements' misfit and how far the unknowns lie off their middles.
    freedom : int
        Its degrees of freedom.
    built : Design
        The design, wired as the likeliest supposition has it.
    knob_note : str
        Where the knob's angles or its wiper rather than a part are off: that, in a sentence or
        two; else empty.
    is_turned : bool
        Whether pulse and rest of the cycle had to be exchanged.
    draws : numpy.ndarray
        Builds that the sweep allows, in the order of `names`, SI units, shape (s, n).
    known : mapping of str to Known
        The meter readings that were given, those that contradict the sweep included.
    """

    products: tuple[Product, ...]
    parts: tuple[FoundPart, ...]
    names: tuple[str, ...]
    mean: Values
    covariance: Values
    suspects: tuple[Suspect, ...]
    supply_v: float
    u_supply_v: float
    explained: bool
    chi_square: float
    freedom: int
    built: Design
    knob_note: str
    is_turned: bool
    draws: Values
    known: Mapping[str, Known] = field(default_factory=dict)

    @property
    def correlation(self) -> Values:
        """Correlations of the unknowns, shape (n, n)."""
        sd = np.sqrt(np.diag(self.covariance))
        return np.asarray(self.covariance / np.maximum(np.outer(sd, sd), 1e-300))

    @property
    def contact_ohm(self) -> float | None:
        """The wiper's contact where it has more than a good knob's, ohms; else None."""
        if self.knob_note != _KNOB_NOTES["contact"]:
            return None
        return next((one.found for one in self.parts if one.part == "contact"), None)

    def values(self) -> dict[str, float]:
        """Return the found build, as overrides for `predict_cycle` (the fault included).

        The knob's wiring, and a diode that is open or reversed, are in `built`.
        """
        found = {name: self.built_value(name) for name in PARTS}
        for name, values in zip(self.names, self.draws.T, strict=True):
            if name in OVERRIDES:
                found[name] = _centre(values)
        return found

    def built_value(self, name: str) -> float:
        """Return what a part of the design as built is marked with."""
        return {part.name: part.value for part in self.built.parts}[name]

    def draw(self, count: int, source: np.random.Generator) -> dict[str, Values]:
        """Draw builds that the sweep allows.

        Parameters
        ----------
        count : int
            How many.
        source : numpy.random.Generator
            Where chance comes from.

        Returns
        -------
        dict of str to numpy.ndarray
            By name, SI units, shape (count,). Values of one index belong together.
        """
        picked = self.draws[source.integers(0, self.draws.shape[0], count)]
        return {name: picked[:, i] for i, name in enumerate(self.names)}


def _centre(values: Values) -> float:
    """Return a middle that keeps products together: the geometric mean where there is one."""
    if np.all(values > 0.0):
        return float(np.exp(np.mean(np.log(values))))
    return float(np.mean(values))


def identify_parts(
    design: Design,
    points: Sequence[Point],
    *,
    known: Mapping[str, Known] | None = None,
    knob_reading_deg: float = KNOB_READING_DEG,
    polarity_open: bool = False,
) -> Identification:
    """Find the parts of a channel from a measured sweep.

    Parameters
    ----------
    design : Design
        What the channel should be.
    points : sequence of Point
        At least one.
    known : mapping of str to Known, optional
        Meter readings of ``r_on``, ``r_knob``, ``r_off`` or ``c_timing``.
    knob_reading_deg : float
        Half-width of the knob reading, degrees, 0 or more.
    polarity_open : bool
        Whether the other level may be the pulse: faults are then tried both ways.

    Returns
    -------
    Identification
        The same for the same input.

    Raises
    ------
    ValueError
        No points, a number that is not finite, a name in `known` that is no part, or a
        negative `knob_reading_deg`.
    MeasurementError
        A pulse, or the rest of a cycle, is surely not above 0.
    """
    readings = dict(known or {})
    _check(points, readings, knob_reading_deg)
    sweep = read_sweep(points, knob_reading_deg)
    found = _identify(design, sweep, readings, polarity_open=polarity_open)
    if not readings:
        return found
    alone = _identify(design, sweep, {}, polarity_open=polarity_open)
    told = {one.part: one for one in alone.parts}
    apart = [name for name, one in readings.items() if _contradicts(one, told[name])]
    accused = [one for one in found.suspects if one not in name_misread(design, readings)]
    strained = any(not one.within_tolerance for one in found.parts if one.part not in readings)
    strained = strained or found.chi_square >= _most_chi_square(found.freedom)
    if apart and (accused or strained):
        # the sweep has no room for the reading: to believe both would leave no build at all
        kept = {name: one for name, one in readings.items() if name not in apart}
        found = _identify(design, sweep, kept, polarity_open=polarity_open) if kept else alone
        doubted = tuple(doubt_reading(design, readings[name], told[name]) for name in apart)
        found = replace(found, suspects=(*doubted, *found.suspects))
    return replace(found, known=readings)


def _contradicts(reading: Known, alone: FoundPart) -> bool:
    """Tell whether a reading lies outside of what the sweep alone leaves."""
    return abs(reading.value - alone.found) > ROOT3 * reading.u + COVERAGE * alone.u


def _identify(
    design: Design, sweep: Sweep, readings: Mapping[str, Known], *, polarity_open: bool
) -> Identification:
    """Find the parts with readings that are believed."""
    blurred = sweep.blurred(MODEL_SHARE)
    right = weigh_supposition(suppose_right(design, blurred, readings))
    suppositions = suppose_faults(design, blurred, readings, polarity_open=polarity_open)
    others: list[Verdict] = []
    if not looks_right(right, suppositions):
        others = weigh_suppositions(suppositions, right)
    accused = accuse(design, right, others)
    misread = name_misread(design, readings)
    found = _describe(design, sweep, right, accused.best, (*misread, *accused.suspects))
    first = accused.suspects[0] if accused.suspects else None
    told = next((one for one in found.parts if first is not None and one.part == first.part), None)
    if first is None or first.value is None or told is None or told.part not in PARTS:
        return found
    # the sentence and the table state one estimate
    half = COVERAGE * told.u
    estimate = Estimate(told.found, told.found - half, told.found + half, told.marked)
    accused = accuse(design, right, others, first=estimate)
    return replace(found, suspects=(*misread, *accused.suspects))


def _check(points: Sequence[Point], known: Mapping[str, Known], knob_reading_deg: float) -> None:
    """Refuse what cannot be fitted."""
    if not points:
        raise ValueError("points must not be empty")
    if not (math.isfinite(knob_reading_deg) and knob_reading_deg >= 0):
        raise ValueError(f"knob_reading_deg must be 0 or more, got {knob_reading_deg}")
    for name, reading in known.items():
        if name not in PARTS:
            raise ValueError(f"known has {name!r}, which is none of {', '.join(PARTS)}")
        if not (0.0 < reading.value < math.inf and 0.0 <= reading.u < math.inf):
            raise ValueError(f"the reading of {name} must be finite and above 0, got {reading}")
    for point in points:
        numbers = (point.knob_deg, point.pulse_s, point.u_pulse_s, point.period_s, point.u_period_s)
        if not all(math.isfinite(number) for number in numbers):
            raise ValueError(f"a point's numbers must be finite, got {numbers}")
        if min(point.pulse_s, point.rest_s) <= -_FAR_BELOW * point.u_pulse_s:
            raise MeasurementError(
                f"at {point.knob_deg:g} degrees a pulse of {point.pulse_s * 1e6:g} µs in a period "
                f"of {point.period_s * 1e6:g} µs",
                expected="a pulse above 0 that is shorter than its period",
                attempt="another recording of that position",
            )


def _describe(
    design: Design,
    sweep: Sweep,
    right: Verdict,
    best: Verdict,
    suspects: tuple[Suspect, ...],
) -> Identification:
    """Say what the likeliest supposition makes of the sweep."""
    supposition = best.supposition
    at = _draw(supposition, sweep, best.fit.at)
    places = supposition.problem.places
    values = {place.name: place.value_at(at[:, i]) for i, place in enumerate(places)}
    built = supposition.problem.design
    for part in built.parts:
        values.setdefault(part.name, np.full(at.shape[0], part.value))
    names = tuple(name for name in values if name in (*OVERRIDES, "supply_v", "temperature_c"))
    draws = np.column_stack([values[name] for name in names])
    supply_v, half_v = spread_about_mean(values["supply_v"])
    freedom = max(2 * sweep.knob_deg.shape[0] - len(supposition.free), 1)
    chi_square = best.fit.cost
    fits = chi_square < _most_chi_square(freedom)
    return Identification(
        products=tuple(state_product(design, values, pair) for pair in PRODUCTS),
        parts=tuple(state_parts(design, values, right.supposition.problem.places)),
        names=names,
        mean=np.mean(draws, axis=0),
        covariance=np.atleast_2d(np.cov(draws, rowvar=False)),
        suspects=suspects,
        supply_v=supply_v,
        u_supply_v=0.5 * half_v,
        explained=supposition.fault in ("", "contact") and not suspects and fits,
        chi_square=chi_square,
        freedom=freedom,
        built=built,
        knob_note=_KNOB_NOTES.get(supposition.fault, ""),
        is_turned=supposition.is_turned,
        draws=draws,
    )


_KNOB_NOTES = {
    "contact": "The wiper's contact has more resistance than a good knob's: suspect a worn or "
    "dirty knob. All else is what the marked parts can make.",
    "dead-travel": "The knob seems to have stretches at its ends that change nothing, which the "
    "design does not name (knob.dead_low_deg, knob.dead_high_deg).",
    "angles": "The knob's angles are not what they were read as: every pair of pulse and pause "
    "fits the marked parts, but not at these angles. Check the knob's travel and its zero.",
}


def _most_chi_square(freedom: int) -> float:
    """Return what one fit in a thousand exceeds by chance, with room for limits as a box."""
    return chi_square_point(1e-3, freedom)


def _draw(supposition: Supposition, sweep: Sweep, start: Values) -> Values:
    """Draw builds that the sweep allows, with its own uncertainty rather than the blurred one."""
    own = sweep.turned_over() if supposition.is_turned else sweep
    own = replace(own, reading_deg=supposition.problem.sweep.reading_deg)
    freedom = 2 * sweep.knob_deg.shape[0]
    share = 0.0
    for _ in range(6):
        problem = replace(supposition.problem, sweep=own.blurred(share))
        fit = fit_sweep(problem, start)
        if fit.cost < _most_chi_square(freedom):
            break
        # the model does not hold to the measurement's own uncertainty: as unsure as it is off
        share = max(2.0 * share, MODEL_SHARE)
    weighed = weigh_fit(fit, supposition.log_density, count=_DRAWS, enough=400.0)
    if not math.isfinite(weighed.log_evidence):
        weighed = draw_loosely(fit, _DRAWS)
    return follow_curve(weighed, pick_draws(weighed.log_weight, _KEPT))
