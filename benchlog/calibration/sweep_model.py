"""A measured sweep against a design: what is unknown, and what the model gives for it.

Every unknown is counted in half-widths of what is known of it beforehand: an unknown ``v`` that
lies within a fraction ``w`` of its centre ``c`` has the place ``z = ln(v/c)/w``, one that may be
0 the place ``(v - c)/w``. In logarithms the sweep is nearly straight: a capacitor of twice the
value adds the same to ln(on) and to ln(off) at every position.

How the knob was read is one more unknown of each position. It moves on and off together along one
line, so it is taken out position by position (`Positions`) rather than fitted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.point import (
    ROOT3,
    SUPPLY_READING_SHARE,
    SUPPLY_UNKNOWN_SHARE,
    TEMPERATURE_READING_K,
    TEMPERATURE_UNKNOWN_K,
)
from benchlog.calibration.sweep_data import Sweep
from benchlog.channel.plan import Design
from benchlog.channel.prediction import OVERRIDES, build_circuit
from benchlog.channel.timer import try_cycle_times
from benchlog.channel.unknowns import list_unknowns

__all__ = ["CONTACT_OHM", "FREE", "Known", "Place", "list_places", "narrow_place", "predict_logs"]

Values = NDArray[np.float64]

CONTACT_OHM = 100.0
"""Up to which a wiper's contact counts as usual, ohms (common practice: data sheets of panel
potentiometers allow some 1 % of the track, good ones have a few tens of ohms)."""

CONTACT_SHARE = 0.5
"""Half-width around a contact resistance that the design states, as a fraction of it."""

FREE = math.inf
_NO_CYCLE = 12.0
"""What stands for ln(on) and ln(off) where the circuit does not oscillate."""


@dataclass(frozen=True, slots=True)
class Known:
    """A meter's reading of a part.

    Attributes
    ----------
    value : float
        What it read, in the part's SI unit.
    u : float
        Standard uncertainty of the reading.
    assumed : bool
        Whether `u` is a common meter's rather than what the user said.
    """

    value: float
    u: float
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class Place:
    """One unknown and where it may lie, in half-widths.

    Attributes
    ----------
    name : str
        A name of `OVERRIDES`, or ``supply_v``, ``supply_unread``, ``temperature_c``,
        ``temperature_unread``, ``clock``, ``dead_low_deg`` or ``dead_high_deg``.
    centre : float
        Its value at place 0.
    half_width : float
        What place 1 adds: to the logarithm of the value where `in_log`, else to the value.
    in_log : bool
        Whether the place counts logarithms.
    low, high : float
        Between which places it lies.
    tilt : float
        Growth of the logarithm of its density with the place: `half_width` where each *value*
        between the limits is equally likely, 0 where each place is.
    """

    name: str
    centre: float
    half_width: float
    in_log: bool
    low: float
    high: float
    tilt: float = 0.0

    @property
    def is_bounded(self) -> bool:
        """Whether it has limits."""
        return math.isfinite(self.high - self.low)

    @property
    def middle(self) -> float:
        """The place around which a fit holds it."""
        return 0.5 * (self.low + self.high) if self.is_bounded else 0.0

    @property
    def spread(self) -> float:
        """Its standard deviation, in half-widths (JCGM 100:2008, 4.3.7)."""
        return 0.5 * (self.high - self.low) / ROOT3 if self.is_bounded else FREE

    def value_at(self, place: Values) -> Values:
        """Return the value at a place."""
        shift = self.half_width * np.asarray(place, dtype=np.float64)
        return np.asarray(self.centre * np.exp(shift) if self.in_log else self.centre + shift)

    def place_of(self, value: float) -> float:
        """Return the place of a value."""
        shift = math.log(value / self.centre) if self.in_log else value - self.centre
        return shift / self.half_width

    def log_density(self, place: Values) -> Values:
        """Return the logarithm of its density at places inside the limits; 0 where it has none."""
        if not self.is_bounded:
            return np.zeros_like(place)
        width = self.high - self.low
        if abs(self.tilt) * width < 1e-6:
            return np.full_like(place, -math.log(width))
        whole = (math.exp(self.tilt * self.high) - math.exp(self.tilt * self.low)) / self.tilt
        return np.asarray(self.tilt * place - math.log(whole))


def list_places(
    design: Design, sweep: Sweep, known: Mapping[str, Known] | None = None
) -> tuple[Place, ...]:
    """Return what is unknown of a channel that was built to a design and swept.

    Parameters
    ----------
    design : Design
        The design.
    sweep : Sweep
        What was measured of it.
    known : mapping of str to Known, optional
        Meter readings of parts, by name.

    Returns
    -------
    tuple of Place
        Parts, timer, diode, wiper contact, supply, temperature and the recorder's clock; those
        that are known exactly are left out.
    """
    readings = dict(known or {})
    places = []
    for one in list_unknowns(design):
        if one.name in ("supply_v", "temperature_c"):
            continue
        if one.in_log:
            place = Place(one.name, one.centre, one.half_width, True, -1.0, 1.0)
        elif one.centre > 0.0:
            share = one.half_width / one.centre
            place = _fraction_place(one.name, one.centre, share)
        else:
            place = Place(one.name, one.centre, one.half_width, False, -1.0, 1.0)
        if one.name in readings:
            place = narrow_place(place, readings[one.name])
        if place.half_width > 0.0:
            places.append(place)
    if not any(place.name == "contact" for place in places):
        places.append(_contact_place(design))
    return (*places, *_surroundings(design, sweep))


def _fraction_place(name: str, centre: float, share: float) -> Place:
    """Return the place of what lies within a fraction of its centre, each value as likely."""
    if share == 0.0:
        return Place(name, centre, 0.0, True, -1.0, 1.0)
    low = math.log1p(-min(share, 0.999)) / share
    return Place(name, centre, share, True, low, math.log1p(share) / share, tilt=share)


def narrow_place(place: Place, reading: Known) -> Place:
    """Return a part's place with a meter's reading of it.

    What the reading and the marking leave together; the reading alone where they contradict
    each other.
    """
    share = max(ROOT3 * reading.u / reading.value, 1e-6)
    read = _fraction_place(place.name, reading.value, share)
    if place.half_width == 0.0:
        return read
    low = max(read.low, read.place_of(float(place.value_at(np.asarray(place.low)))))
    high = min(read.high, read.place_of(float(place.value_at(np.asarray(place.high)))))
    return replace(read, low=low, high=high) if high - low > 0.02 else read


def _contact_place(design: Design) -> Place:
    """Return the place of the wiper's contact."""
    stated = design.knob.contact_ohm
    if stated > 0.0:
        return _fraction_place("contact", stated, CONTACT_SHARE)
    return Place("contact", 0.0, CONTACT_OHM, False, 0.0, 1.0)


def _surroundings(design: Design, sweep: Sweep) -> list[Place]:
    """Return the places of supply, temperature and clock: read ones, and those nobody read."""
    places = []
    read = np.isfinite(sweep.supply_v)
    unread_share = design.supply.tolerance or SUPPLY_UNKNOWN_SHARE
    if read.any():
        volts = float(np.mean(sweep.supply_v[read]))
        places.append(_fraction_place("supply_v", volts, SUPPLY_READING_SHARE))
        if not read.all():
            volts = design.supply.value
            places.append(_fraction_place("supply_unread", volts, unread_share))
    else:
        places.append(_fraction_place("supply_v", design.supply.value, unread_share))
    felt = np.isfinite(sweep.temperature_c)
    if felt.any():
        mean_c = float(np.mean(sweep.temperature_c[felt]))
        places.append(Place("temperature_c", mean_c, TEMPERATURE_READING_K, False, -1.0, 1.0))
    if not felt.all():
        name = "temperature_unread" if felt.any() else "temperature_c"
        places.append(Place(name, design.temperature_c, TEMPERATURE_UNKNOWN_K, False, -1.0, 1.0))
    if sweep.clock_share > 0.0:
        places.append(_fraction_place("clock", 1.0, sweep.clock_share))
    return places


def predict_logs(
    design: Design,
    sweep: Sweep,
    places: Sequence[Place],
    at: Values,
    knob_deg: Values,
    *,
    antilog: bool = False,
) -> Values:
    """Return ln(on) and ln(off) at many settings of the unknowns.

    Parameters
    ----------
    design : Design
        The design.
    sweep : Sweep
        For supply and temperature of each position.
    places : sequence of Place
        The unknowns.
    at : numpy.ndarray
        Their places, shape (s, n).
    knob_deg : numpy.ndarray
        Knob angles, shape (s, p) or (p,).
    antilog : bool
        Whether the track is a log one, seen from its other end; the design's is linear.

    Returns
    -------
    numpy.ndarray
        Shape (s, p, 2). A large number stands where the circuit does not oscillate.
    """
    values = {place.name: place.value_at(at[:, i])[:, None] for i, place in enumerate(places)}
    angle = _effective_angle(design, np.asarray(knob_deg), values, antilog=antilog)
    circuit = build_circuit(
        design,
        angle,
        supply_v=_supply(design, sweep, values),
        temperature_c=_temperature(design, sweep, values),
        parts={name: value for name, value in values.items() if name in OVERRIDES},
    )
    times, _, _ = try_cycle_times(circuit)
    shape = (at.shape[0], sweep.knob_deg.shape[0])
    both = np.stack([np.broadcast_to(one, shape) for one in (times.on_s, times.off_s)], axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(both)
    logs = np.where(np.isfinite(logs), logs, _NO_CYCLE)
    clock = values.get("clock")
    return logs if clock is None else logs + np.log(clock)[:, :, None]


def _supply(design: Design, sweep: Sweep, values: Mapping[str, Values]) -> Values:
    """Return the supply at each position, shape (s, p)."""
    read = np.isfinite(sweep.supply_v)
    if not read.any():
        return np.asarray(values.get("supply_v", np.full((1, 1), design.supply.value)))
    mean_v = float(np.mean(sweep.supply_v[read]))
    scale = values["supply_v"] / mean_v if "supply_v" in values else np.ones((1, 1))
    unread = values.get("supply_unread", np.full((1, 1), design.supply.value))
    return np.asarray(np.where(read, scale * np.where(read, sweep.supply_v, 0.0), unread))


def _temperature(design: Design, sweep: Sweep, values: Mapping[str, Values]) -> Values:
    """Return the temperature at each position, shape (s, p)."""
    felt = np.isfinite(sweep.temperature_c)
    common = values.get("temperature_c", np.full((1, 1), design.temperature_c))
    if not felt.any():
        return common
    shift = common - float(np.mean(sweep.temperature_c[felt]))
    unread = values.get("temperature_unread", np.full((1, 1), design.temperature_c))
    return np.asarray(np.where(felt, shift + np.where(felt, sweep.temperature_c, 0.0), unread))


def _effective_angle(
    design: Design, knob_deg: Values, values: Mapping[str, Values], *, antilog: bool
) -> Values:
    """Return the angle at which the design's knob stands where the built one does at `knob_deg`."""
    knob = design.knob
    if not (antilog or "dead_low_deg" in values or "dead_high_deg" in values):
        return knob_deg
    own_deg = knob.travel_deg - knob.dead_low_deg - knob.dead_high_deg
    low_deg = values.get("dead_low_deg", np.full((1, 1), knob.dead_low_deg))
    high_deg = values.get("dead_high_deg", np.full((1, 1), knob.dead_high_deg))
    live_deg = np.maximum(knob.travel_deg - low_deg - high_deg, 1e-3)
    turned = np.clip((knob_deg - low_deg) / live_deg, 0.0, 1.0)
    if antilog:
        log_track = replace(knob, taper="log", longer="clockwise")
        turned = 1.0 - log_track.on_fraction(knob.dead_low_deg + own_deg * (1.0 - turned))
    return np.asarray(knob.dead_low_deg + own_deg * turned)
