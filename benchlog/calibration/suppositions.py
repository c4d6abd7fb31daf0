"""What may be wrong with a channel: one supposition for each fault, and the one that none is.

How often each fault is met beforehand is common practice rather than counted: a resistor or a
capacitor of another value is the usual one, then a wire at the other pin.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.sweep_data import Sweep
from benchlog.calibration.sweep_fit import Problem
from benchlog.calibration.sweep_model import Known, Place, list_places
from benchlog.channel.circuit import FAMILIES
from benchlog.channel.diode import MODELS, DiodeKind
from benchlog.channel.knob import Knob
from benchlog.channel.plan import Design

__all__ = ["Supposition", "part_decades", "part_density", "suppose_faults", "suppose_right"]

Values = NDArray[np.float64]

_FREE = math.inf
_SHARES = {
    "r_on": 0.16,
    "r_knob": 0.13,
    "r_off": 0.16,
    "c_timing": 0.16,
    "swapped": 0.05,
    "ends-swapped": 0.06,
    "taper": 0.05,
    "open": 0.03,
    "reversed": 0.03,
    "diode": 0.04,
    "timer": 0.02,
    "supply": 0.03,
    "contact": 0.05,
    "dead-travel": 0.02,
    "angles": 0.02,
}
"""Of channels with something wrong, the share with each fault."""

_FAULTY = 0.1
"""Share of channels with something wrong, when they are measured for the first time."""

_TURNED = 0.3
"""How much less likely the other level is the pulse than the one that was taken for it."""

_DECADE_SHARE = 0.2
_DECADES = {-3: 0.02, -2: 0.08, -1: 0.4, 1: 0.4, 2: 0.08, 3: 0.02}
_FAR = math.log(3000.0)
_NEAR_HALF_WIDTHS = (1.0, 2.6)
_NEAR_SHARE = 0.08
_SOFT = 0.05

_SUPPLY_SPREAD = 0.2
"""How far a supply that is other than recorded is off, as a rule, in its logarithm."""

_WORN_OHM = 2000.0
"""Up to which a worn wiper's contact is looked for, ohms."""

_WORN_SPREAD_OHM = 150.0

_TAPER_SHARE = 0.05
"""How far another track must move the wiper somewhere, a share of the track, to be told."""

READING_DEG = 15.0
"""Half-width of the knob reading where the angles themselves are in doubt."""


@dataclass(frozen=True, slots=True, eq=False)
class Supposition:
    """One thing that may be wrong, or that nothing is.

    Attributes
    ----------
    part, fault : str
        As in a suspect; both empty where nothing is wrong. ``fault`` 'angles' or 'dead-travel'
        where the knob's angles are not as designed, 'contact' where its wiper's contact is worn,
        but no part is another.
    problem : Problem
        How the sweep is then to be fitted.
    log_prior : float
        Logarithm of its share of all channels.
    free : tuple of str
        Names of the unknowns without limits.
    log_density : callable or None
        Logarithm of the density of those, shape (s, n) to shape (s,).
    starts : tuple of numpy.ndarray
        Places to begin the fit at, shape (n,) each; the middles where there are none.
    scan : tuple of float or None
        Places of the first free unknown between which the fit's start is looked for.
    is_turned : bool
        Whether pulse and rest of the cycle are exchanged.
    """

    part: str
    fault: str
    problem: Problem
    log_prior: float
    free: tuple[str, ...] = ()
    log_density: Callable[[Values], Values] | None = None
    starts: tuple[Values, ...] = ()
    scan: tuple[float, float] | None = None
    is_turned: bool = False

    def index(self, name: str) -> int:
        """Return which of the unknowns has a name."""
        return [place.name for place in self.problem.places].index(name)


def suppose_right(
    design: Design, sweep: Sweep, known: Mapping[str, Known] | None = None
) -> Supposition:
    """Return the supposition that the channel is as designed, within its tolerances."""
    problem = Problem(design, sweep, list_places(design, sweep, known))
    return Supposition("", "", problem, math.log(1.0 - _FAULTY))


def suppose_faults(
    design: Design,
    sweep: Sweep,
    known: Mapping[str, Known] | None = None,
    *,
    polarity_open: bool = False,
) -> list[Supposition]:
    """Return all that may be wrong, one thing at a time.

    Parameters
    ----------
    design : Design
        The design.
    sweep : Sweep
        What was measured.
    known : mapping of str to Known, optional
        Meter readings; a part that was read is not supposed to be another.
    polarity_open : bool
        Whether the other level may be the pulse.

    Returns
    -------
    list of Supposition
        In no order.
    """
    readings = dict(known or {})
    found = [
        *_suppose_values(design, sweep, readings),
        *_suppose_wiring(design, sweep, readings),
        *_suppose_diode(design, sweep, readings),
        *_suppose_timer(design, sweep, readings),
        *_suppose_angles(design, sweep, readings),
    ]
    if polarity_open:
        turned = sweep.turned_over()
        found += [
            replace(
                one,
                problem=replace(one.problem, sweep=turned),
                log_prior=one.log_prior + math.log(_TURNED),
                is_turned=True,
            )
            for one in found
            if one.part in ("r_on", "r_off", "r_knob") or one.fault in ("open", "reversed")
        ]
    return found


def _log_share(name: str, divisor: float = 1.0) -> float:
    return math.log(_FAULTY * _SHARES[name] / divisor)


def _open(places: Sequence[Place], name: str, centre: float) -> tuple[Place, ...]:
    """Return the unknowns with one that has no limits, counted in its natural logarithm."""
    free = Place(name, centre, 1.0, True, -_FREE, _FREE)
    kept = [place for place in places if place.name != name]
    return (free, *kept)


def _suppose_values(design: Design, sweep: Sweep, known: Mapping[str, Known]) -> list[Supposition]:
    """Suppose each of the four parts, and the supply, to have another value."""
    places = list_places(design, sweep, known)
    found = []
    for part in design.parts:
        if part.name in known or part.value <= 0.0:
            continue
        tolerance = part.tolerance

        def density(at: Values, tolerance: float = tolerance) -> Values:
            return part_density(at[:, 0], tolerance)

        found.append(
            Supposition(
                part.name,
                "value",
                Problem(design, sweep, _open(places, part.name, part.value)),
                _log_share(part.name),
                (part.name,),
                density,
                scan=(-_FAR, _FAR),
            )
        )
    volts = next(place.centre for place in places if place.name == "supply_v")
    share = next(place.half_width for place in places if place.name == "supply_v")
    found.append(
        Supposition(
            "supply",
            "value",
            Problem(design, sweep, _open(places, "supply_v", volts)),
            _log_share("supply"),
            ("supply_v",),
            lambda at: _supply_density(at[:, 0], share),
            scan=(-1.2, 1.2),
        )
    )
    return found


def part_density(log_ratio: Values, tolerance: float) -> Values:
    """Return the log density of how far a wrong part is off, in ln(value/marked).

    Parameters
    ----------
    log_ratio : numpy.ndarray
        ln(value/marked), any shape.
    tolerance : float
        Half-width of the tolerance, a fraction.

    Returns
    -------
    numpy.ndarray
        Of the same shape: a decade slip (the right digits at another power of ten) or any
        other value, each as likely by ratio, the farther the rarer.
    """
    decades, others = part_decades(log_ratio, tolerance)
    return np.asarray(np.logaddexp(decades, others))


def part_decades(log_ratio: Values, tolerance: float) -> tuple[Values, Values]:
    """Return the log densities of a decade slip and of any other wrong value, not normalised."""
    half = math.log1p(max(tolerance, 0.005))
    ratio = np.asarray(log_ratio, dtype=np.float64)
    slipped = np.zeros_like(ratio)
    for power, share in _DECADES.items():
        inside = np.abs(ratio - power * math.log(10.0)) <= half
        slipped += inside * share / (2.0 * half)
    others = _others(ratio, tolerance) / _others_sum(tolerance)
    with np.errstate(divide="ignore"):
        return (
            np.asarray(np.log(_DECADE_SHARE * slipped)),
            np.asarray(np.log((1.0 - _DECADE_SHARE) * others)),
        )


def _others(ratio: Values, tolerance: float) -> Values:
    """Return how often a wrong value is met at ln(value/marked), not normalised."""
    off = np.abs(np.expm1(np.minimum(ratio, _FAR))) / max(tolerance, 0.005)
    near, far = _NEAR_HALF_WIDTHS
    rise = np.where(off < near, 1e-3, np.where(off < far, _NEAR_SHARE, 1.0))
    return np.asarray(rise * (np.abs(ratio) < _FAR) / (np.abs(ratio) + _SOFT))


def _others_sum(tolerance: float) -> float:
    grid = np.linspace(-_FAR, _FAR, 4001)
    return float(np.sum(_others(grid, tolerance)) * (grid[1] - grid[0]))


def _supply_density(log_ratio: Values, share: float) -> Values:
    """Return the log density of a wrong supply: cells that are empty, more cells or fewer."""
    off = np.abs(np.expm1(np.minimum(log_ratio, _FAR))) / share
    near = np.where(off < _NEAR_HALF_WIDTHS[1], _NEAR_SHARE, 1.0)
    return np.asarray(
        np.log(near) - np.abs(log_ratio) / _SUPPLY_SPREAD - math.log(2.0 * _SUPPLY_SPREAD)
    )


def _suppose_wiring(design: Design, sweep: Sweep, known: Mapping[str, Known]) -> list[Supposition]:
    """Suppose resistors exchanged, the knob's ends exchanged, another track."""
    found = []

    def add(part: str, fault: str, built: Design, divisor: float, *, antilog: bool = False) -> None:
        problem = Problem(built, sweep, list_places(built, sweep, known), antilog)
        found.append(Supposition(part, fault, problem, _log_share(fault, divisor)))

    if not {"r_on", "r_off"} & set(known):
        exchanged = replace(
            design,
            r_on=replace(design.r_off, name="r_on"),
            r_off=replace(design.r_on, name="r_off"),
        )
        add("r_on", "swapped", exchanged, 1.0)
    knob = design.knob
    other: Literal["clockwise", "anticlockwise"]
    other = "anticlockwise" if knob.longer == "clockwise" else "clockwise"
    add("knob", "ends-swapped", replace(design, knob=replace(knob, longer=other)), 1.0)
    if _tells_taper(knob, sweep):
        taper: Literal["linear", "log"] = "linear" if knob.taper == "log" else "log"
        is_linear = knob.taper == "linear"
        add("knob", "taper", replace(design, knob=replace(knob, taper=taper)), 1.0 + is_linear)
        if is_linear:
            add("knob", "taper", design, 2.0, antilog=True)
    return found


def _tells_taper(knob: Knob, sweep: Sweep) -> bool:
    """Tell whether some position lies where a linear and a log track differ."""
    tracks = (replace(knob, taper="linear"), replace(knob, taper="log"))
    linear, log = (track.on_fraction(sweep.knob_deg) for track in tracks)
    return bool(np.max(np.abs(linear - log)) > _TAPER_SHARE)


def _suppose_diode(design: Design, sweep: Sweep, known: Mapping[str, Known]) -> list[Supposition]:
    """Suppose the diode open, reversed or another one; one where there should be none."""
    if design.diode.kind == "none":
        fitted = replace(design, diode=MODELS["1N4148"], diode_model="1N4148")
        problem = Problem(fitted, sweep, list_places(fitted, sweep, known))
        return [Supposition("diode", "value", problem, _log_share("diode"))]
    found = []
    kinds: tuple[DiodeKind, ...] = ("open", "reversed")
    for kind in kinds:
        built = replace(design, diode=replace(design.diode, kind=kind))
        places = list_places(built, sweep, known)
        if kind == "open":
            places = tuple(place for place in places if place.name != "saturation_current")
        found.append(Supposition("diode", kind, Problem(built, sweep, places), _log_share(kind)))
    places = list_places(design, sweep, known)
    opened = _open(places, "saturation_current", design.diode.saturation_current_a)
    steep = Place("emission", 1.5, 0.5, False, -1.0, 1.3)
    problem = Problem(design, sweep, (opened[0], steep, *opened[1:]))
    starts = []
    for diode in MODELS.values():
        at = np.array([place.middle for place in problem.places])
        at[0] = math.log(diode.saturation_current_a / design.diode.saturation_current_a)
        at[1] = steep.place_of(diode.emission)
        starts.append(at)
    slope_v = float(design.diode.slope_v(27.0))

    def density(at: Values) -> Values:
        # the drop, from next to nothing to that of two in series, as likely all over
        volts = 1.5 * 0.02585 * (math.log(1e-4 / design.diode.saturation_current_a) - at[:, 0])
        with np.errstate(divide="ignore"):
            return np.asarray(np.log((volts > 0.0) * (volts < 1.3) * slope_v / 1.3))

    found.append(
        Supposition(
            "diode", "value", problem, _log_share("diode"), ("saturation_current",), density,
            starts=tuple(starts),
        )
    )  # fmt: skip
    return found


_LEVEL_HALF = 0.4


def _suppose_timer(design: Design, sweep: Sweep, known: Mapping[str, Known]) -> list[Supposition]:
    """Suppose a timer of another family, or one whose levels are pulled off."""
    found = []
    for name, family in FAMILIES.items():
        if name in (design.timer.name, "ideal"):
            continue
        built = replace(design, timer=family)
        problem = Problem(built, sweep, list_places(built, sweep, known))
        found.append(Supposition("timer", "value", problem, _log_share("timer", 4.0)))
    timer = design.timer
    names = ("threshold_fraction", "trigger_fraction")
    kept = [place for place in list_places(design, sweep, known) if place.name not in names]
    levels = tuple(
        Place(name, centre, _LEVEL_HALF, True, -1.0, 1.0)
        for name, centre in zip(
            names, (timer.threshold_fraction, timer.trigger_fraction), strict=True
        )
    )
    problem = Problem(design, sweep, (*levels, *kept))
    found.append(Supposition("timer", "value", problem, _log_share("timer", 2.0)))
    return found


def _suppose_angles(design: Design, sweep: Sweep, known: Mapping[str, Known]) -> list[Supposition]:
    """Suppose that the knob turns otherwise than designed or is worn, and nothing else is wrong."""
    places = list_places(design, sweep, known)
    wide = replace(sweep, reading_deg=max(READING_DEG, 3.0 * sweep.reading_deg))
    worn = Place("contact", 0.0, _WORN_OHM, False, 0.0, 1.0)
    kept = [place for place in places if place.name != "contact"]
    found = [
        Supposition("", "angles", Problem(design, wide, places), _log_share("angles")),
        Supposition(
            "",
            "contact",
            Problem(design, sweep, (worn, *kept)),
            _log_share("contact"),
            ("contact",),
            _worn_density,
        ),
    ]
    knob = design.knob
    if knob.dead_low_deg == knob.dead_high_deg == 0.0:
        most = 0.12 * knob.travel_deg
        dead = tuple(
            Place(name, 0.0, most, False, 0.0, 1.0) for name in ("dead_low_deg", "dead_high_deg")
        )
        problem = Problem(design, sweep, (*dead, *places))
        found.append(Supposition("", "dead-travel", problem, _log_share("dead-travel")))
    return found


def _worn_density(at: Values) -> Values:
    """Return the log density of a worn contact against an even one: the higher the rarer."""
    share = np.maximum(at[:, 0], 0.0) * _WORN_OHM / _WORN_SPREAD_OHM
    whole = _WORN_OHM / _WORN_SPREAD_OHM
    return np.asarray(-2.0 * np.log1p(share) + math.log(1.0 + whole))
