"""What a design should do at a knob angle, how surely, and what it depends on."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.channel.plan import Design
from benchlog.channel.servo import EndStop
from benchlog.channel.timer import Circuit, CycleTimes, cycle_times, try_cycle_times
from benchlog.channel.unknowns import draw_builds, list_unknowns
from benchlog.errors import DesignError

__all__ = [
    "OVERRIDES",
    "Band",
    "Position",
    "Sensitivity",
    "build_circuit",
    "predict_cycle",
    "predict_positions",
    "sensitivity",
    "tolerance_band",
]

Values = NDArray[np.float64]

OVERRIDES = (
    "r_on",
    "r_knob",
    "r_off",
    "c_timing",
    "saturation_current",
    "emission",
    "series",
    "threshold_fraction",
    "trigger_fraction",
    "contact",
)
"""Names that may be given other values than the design's, SI units."""

_DRAWS = 2000
_SEED = 555


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """Between which values 95 % of the channels built from such parts lie, seconds."""

    on_low_s: Values
    on_high_s: Values
    off_low_s: Values
    off_high_s: Values
    period_low_s: Values
    period_high_s: Values


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivity:
    """How on and off change: seconds per volt, per kelvin and per degree of knob."""

    on_per_v: Values
    on_per_k: Values
    on_per_deg: Values
    off_per_v: Values
    off_per_k: Values
    off_per_deg: Values


@dataclass(frozen=True, slots=True)
class Position:
    """What a design should do at one knob angle.

    Attributes
    ----------
    knob_deg : float
        Knob angle, degrees.
    on_s, off_s, period_s : float
        The cycle, seconds.
    servo_deg : float
        Arm angle, held at the stops, degrees.
    end_stop : {"low", "high"} or None
        The stop that the pulse drives the arm against.
    on_low_s, on_high_s : float
        95 % band of the parts' tolerances, seconds.
    """

    knob_deg: float
    on_s: float
    off_s: float
    period_s: float
    servo_deg: float
    end_stop: EndStop | None
    on_low_s: float
    on_high_s: float


def build_circuit(
    design: Design,
    knob_deg: ArrayLike,
    *,
    supply_v: ArrayLike | None = None,
    temperature_c: ArrayLike | None = None,
    parts: Mapping[str, ArrayLike] | None = None,
) -> Circuit:
    """Return the circuit of a design at knob angles.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : array_like
        Knob angles, degrees; beyond a stop they count as at the stop.
    supply_v, temperature_c : array_like, optional
        Other supply and temperature than the design's.
    parts : mapping, optional
        Other values than the design's by name (`OVERRIDES`), SI units. All broadcast.

    Returns
    -------
    Circuit
        The circuit; not yet checked whether it oscillates.

    Raises
    ------
    ValueError
        A name in `parts` is unknown.
    """
    given: dict[str, Any] = dict(parts or {})
    if unknown := sorted(set(given) - set(OVERRIDES)):
        raise ValueError(f"unknown part {unknown[0]!r}, known are {', '.join(OVERRIDES)}")

    def value(name: str, default: Any) -> Any:
        return np.asarray(given[name], dtype=np.float64) if name in given else default

    x = design.knob.on_fraction(knob_deg)
    r_knob = value("r_knob", design.r_knob.value)
    diode, timer = design.diode, design.timer
    return Circuit(
        supply_v=design.supply.value if supply_v is None else supply_v,
        r_a_ohm=value("r_on", design.r_on.value) + x * r_knob,
        r_b_ohm=value("r_off", design.r_off.value) + (1.0 - x) * r_knob,
        r_wiper_ohm=value("contact", design.knob.contact_ohm),
        c_f=value("c_timing", design.c_timing.value),
        diode=dataclasses.replace(
            diode,
            saturation_current_a=value("saturation_current", diode.saturation_current_a),
            emission=value("emission", diode.emission),
            series_ohm=value("series", diode.series_ohm),
        ),
        timer=dataclasses.replace(
            timer,
            threshold_fraction=value("threshold_fraction", timer.threshold_fraction),
            trigger_fraction=value("trigger_fraction", timer.trigger_fraction),
        ),
        temperature_c=design.temperature_c if temperature_c is None else temperature_c,
    )


def predict_cycle(
    design: Design,
    knob_deg: ArrayLike,
    *,
    supply_v: ArrayLike | None = None,
    temperature_c: ArrayLike | None = None,
    parts: Mapping[str, ArrayLike] | None = None,
) -> CycleTimes:
    """Return on and off times of a design at knob angles.

    Parameters and broadcasting are those of `build_circuit`.

    Returns
    -------
    CycleTimes
        Seconds.

    Raises
    ------
    DesignError
        The circuit cannot oscillate at one of the angles.
    ValueError
        A name in `parts` is unknown.
    """
    return cycle_times(
        build_circuit(design, knob_deg, supply_v=supply_v, temperature_c=temperature_c, parts=parts)
    )


def tolerance_band(
    design: Design,
    knob_deg: ArrayLike,
    *,
    supply_v: float | None = None,
    temperature_c: float | None = None,
) -> Band:
    """Return between which values 95 % of channels built from such parts lie.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : array_like
        Knob angles, degrees.
    supply_v, temperature_c : float, optional
        Other supply and temperature than the design's. A supply given here is taken as
        measured; the design's own carries its tolerance.

    Returns
    -------
    Band
        Seconds, shape of `knob_deg`.

    Raises
    ------
    DesignError
        The nominal circuit, or more than one in twenty drawn, cannot oscillate.

    Notes
    -----
    2000 draws with a fixed seed, stratified in each part (rectangular between its limits),
    the timer's levels and the diode's saturation current included.
    """
    angle = np.asarray(knob_deg, dtype=np.float64)
    predict_cycle(design, angle, supply_v=supply_v, temperature_c=temperature_c)
    unknowns = list_unknowns(design, supply_v=supply_v)
    drawn = draw_builds(unknowns, _DRAWS, np.random.default_rng(_SEED))
    parts = {name: one.reshape((_DRAWS,) + (1,) * angle.ndim) for name, one in drawn.items()}
    supply = parts.pop("supply_v")
    circuit = build_circuit(
        design, angle, supply_v=supply, temperature_c=temperature_c, parts=parts
    )
    times, on_ends, off_ends = try_cycle_times(circuit)
    good = np.all(on_ends & off_ends, axis=tuple(range(1, angle.ndim + 1)))
    if np.mean(good) < 0.95:
        raise DesignError(
            f"{np.mean(~good):.0%} of channels built from these parts cannot oscillate",
            expected="parts whose tolerances leave the circuit oscillating",
            attempt="narrower tolerances, a larger r_on, or a smaller r_off",
        )
    on_low, on_high = np.quantile(times.on_s[good], (0.025, 0.975), axis=0)
    off_low, off_high = np.quantile(times.off_s[good], (0.025, 0.975), axis=0)
    period_low, period_high = np.quantile(times.period_s[good], (0.025, 0.975), axis=0)
    return Band(*map(np.asarray, (on_low, on_high, off_low, off_high, period_low, period_high)))


def sensitivity(
    design: Design,
    knob_deg: ArrayLike,
    *,
    supply_v: float | None = None,
    temperature_c: float | None = None,
    parts: Mapping[str, ArrayLike] | None = None,
) -> Sensitivity:
    """Return how on and off change with supply, temperature and knob angle.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : array_like
        Knob angles, degrees.
    supply_v, temperature_c : float, optional
        Other supply and temperature than the design's.
    parts : mapping, optional
        Other values than the design's, as in `build_circuit`.

    Returns
    -------
    Sensitivity
        Shape of `knob_deg`.

    Raises
    ------
    DesignError
        The circuit cannot oscillate there, or a step beside it.

    Notes
    -----
    Central differences: ±0.5 % of the supply, ±0.5 K, ±0.5 degree (within the stops).
    """
    angle = np.asarray(knob_deg, dtype=np.float64)
    volts = design.supply.value if supply_v is None else supply_v
    warmth = design.temperature_c if temperature_c is None else temperature_c
    step_v, step_k = np.asarray(0.005 * volts), np.asarray(0.5)
    low_deg = np.clip(angle - 0.5, 0.0, max(design.knob.travel_deg - 0.5, 0.0))
    high_deg = np.clip(angle + 0.5, 0.5, design.knob.travel_deg)

    def times(knob: ArrayLike, supply: ArrayLike, temperature: ArrayLike) -> CycleTimes:
        return predict_cycle(design, knob, supply_v=supply, temperature_c=temperature, parts=parts)

    def slopes(high: CycleTimes, low: CycleTimes, apart: Values) -> tuple[Values, Values]:
        on, off = high.on_s - low.on_s, high.off_s - low.off_s
        return np.asarray(on / apart), np.asarray(off / apart)

    on_v, off_v = slopes(
        times(angle, volts + step_v, warmth), times(angle, volts - step_v, warmth), 2 * step_v
    )
    on_k, off_k = slopes(
        times(angle, volts, warmth + step_k), times(angle, volts, warmth - step_k), 2 * step_k
    )
    on_deg, off_deg = slopes(
        times(high_deg, volts, warmth), times(low_deg, volts, warmth), high_deg - low_deg
    )
    return Sensitivity(on_v, on_k, on_deg, off_v, off_k, off_deg)


def predict_positions(
    design: Design,
    knob_deg: Iterable[float] | ArrayLike,
    *,
    supply_v: float | None = None,
    temperature_c: float | None = None,
) -> tuple[Position, ...]:
    """Return what a design should do at each of some knob angles.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : iterable of float
        Knob angles, degrees, within the knob's travel.
    supply_v, temperature_c : float, optional
        Other supply and temperature than the design's.

    Returns
    -------
    tuple of Position
        In the order of `knob_deg`.

    Raises
    ------
    DesignError
        An angle is beyond the knob's stops, or the circuit cannot oscillate.
    """
    angle = np.atleast_1d(np.asarray(knob_deg, dtype=np.float64))
    travel_deg = design.knob.travel_deg
    if beyond := [one for one in angle.tolist() if not 0.0 <= one <= travel_deg]:
        raise DesignError(
            f"knob angle {beyond[0]:g} degrees of channel {design.channel}",
            expected=f"an angle from 0 to {travel_deg:g} degrees, the knob's travel",
            attempt="an angle within the travel, or knob.travel_deg as the knob really turns",
        )
    times = predict_cycle(design, angle, supply_v=supply_v, temperature_c=temperature_c)
    band = tolerance_band(design, angle, supply_v=supply_v, temperature_c=temperature_c)
    servo = design.servo
    columns = (
        angle,
        times.on_s,
        times.off_s,
        times.period_s,
        servo.angle_deg(times.on_s),
        band.on_low_s,
        band.on_high_s,
    )
    return tuple(
        Position(
            knob_deg=knob,
            on_s=on_s,
            off_s=off_s,
            period_s=period_s,
            servo_deg=servo_deg,
            end_stop=servo.end_stop(on_s),
            on_low_s=on_low_s,
            on_high_s=on_high_s,
        )
        for knob, on_s, off_s, period_s, servo_deg, on_low_s, on_high_s in np.column_stack(
            columns
        ).tolist()
    )
