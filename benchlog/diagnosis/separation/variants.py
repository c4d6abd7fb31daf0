"""Channels as the one that was measured may be: its design's within the tolerances, or typical.

Each comes as one circuit whose fields hold all variants, the first of them the nominal one.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.cycle import build_circuit
from benchlog.channel.plan import Design
from benchlog.channel.timer import FAMILIES, MODELS, Circuit, try_cycle_times

__all__ = ["VARIANTS", "Scales", "design_circuits", "first_alone", "set_onto", "typical_circuits"]

Values = NDArray[np.float64]
Scales = tuple[Values, Values]
"""Resistance of the track and of the off-side resistor, ohms."""

VARIANTS = 48
_GRID = 64
_LEAST_OHM = 500.0
_LIMITS = ("threshold_limits", "trigger_limits")


def _vary(rng: np.random.Generator, half: float) -> Values:
    """Return factors around 1, rectangular of that half-width, the first exactly 1."""
    factors = 1.0 + half * rng.uniform(-1.0, 1.0, VARIANTS)
    factors[0] = 1.0
    return np.asarray(factors)


def _first(rng_values: Values, first: float) -> Values:
    """Return the values with the first replaced."""
    values = np.array(rng_values, dtype=np.float64)
    values[0] = first
    return values


def design_circuits(
    rng: np.random.Generator,
    design: Design,
    supply_v: float | None,
    temperature_c: float | None,
) -> tuple[Circuit, Scales]:
    """Return the design's circuit and others within its tolerances, and track and r_off."""
    middle = build_circuit(design, design.knob.travel_deg / 2)
    timer, diode = design.timer, design.diode
    volts = design.supply.value if supply_v is None else supply_v
    # a supply that nobody read may be that of fresh or of tired cells
    loose = max(design.supply.tolerance, 0.0 if supply_v is not None else 0.05)
    warm = design.temperature_c if temperature_c is None else temperature_c
    warmth = _first(warm + (1.0 if temperature_c is not None else 5.0) * _normal(rng), warm)
    r_on, r_knob, r_off = (
        part.value * _vary(rng, part.tolerance)
        for part in (design.r_on, design.r_knob, design.r_off)
    )
    level = timer.level_tolerance
    ease = rng.uniform(-1.0, 1.0, (4, VARIANTS))
    ease[:, 0] = 0.0

    def between(typical: float, most: float, row: Values) -> Values:
        return np.asarray(typical + np.where(row > 0, row * (most - typical), 0.5 * row * typical))

    circuit = Circuit(
        supply_v=volts * _vary(rng, loose),
        r_a_ohm=r_on + 0.5 * r_knob,
        r_b_ohm=r_off + 0.5 * r_knob,
        r_wiper_ohm=np.asarray(middle.r_wiper_ohm, dtype=np.float64),
        c_f=design.c_timing.value,
        diode=replace(
            diode,
            saturation_current_a=diode.saturation_current_a
            * np.exp(np.log(_vary(rng, 0.0)) + max(design.diode_tolerance, 0.1) * ease[0]),
        ),
        timer=replace(
            timer,
            threshold_fraction=timer.threshold_fraction * _vary(rng, level),
            trigger_fraction=timer.trigger_fraction * _vary(rng, level),
            discharge_ohm=between(timer.discharge_ohm, timer.discharge_most_ohm, ease[1]),
            saturation_v=between(timer.saturation_v, timer.saturation_most_v, ease[2]),
            threshold_current_a=between(
                timer.threshold_current_a, timer.input_current_most_a, 0.5 * ease[3]
            ),
        ),
        temperature_c=warmth,
    )
    return circuit, (np.asarray(r_knob), np.asarray(r_off))


def _normal(rng: np.random.Generator) -> Values:
    return np.asarray(rng.standard_normal(VARIANTS))


def typical_circuits(
    rng: np.random.Generator,
    second: NDArray[np.bool_],
    supply_v: float | None,
    temperature_c: float | None,
) -> tuple[Circuit, Scales]:
    """Return a typical circuit and others as such channels are built, and track and r_off."""
    cmos, bipolar = FAMILIES["cmos"], FAMILIES["bipolar"]

    def spread(low: float, high: float, first: float) -> Values:
        return _first(np.exp(rng.uniform(np.log(low), np.log(high), VARIANTS)), first)

    def either(name: str) -> Values:
        return np.asarray(np.where(second, getattr(bipolar, name), getattr(cmos, name)))

    # the same times are had from small resistors and a large capacitor, where the discharge
    # transistor counts for more
    size = spread(0.08, 1.3, 1.0)
    r_knob, r_off = size * spread(47e3, 220e3, 100e3), size * spread(390e3, 1e6, 820e3)
    diode = MODELS["1N4148"]
    volts = spread(3.6, 9.0, 6.0) if supply_v is None else supply_v * _vary(rng, 0.01)
    volts = np.where(second, np.maximum(volts, 4.5), volts)
    warm = 27.0 if temperature_c is None else temperature_c
    circuit = Circuit(
        supply_v=volts,
        r_a_ohm=33e3 * size + 0.5 * r_knob,
        r_b_ohm=r_off + 0.5 * r_knob,
        c_f=22e-9 / size,
        diode=replace(
            diode, saturation_current_a=diode.saturation_current_a * spread(0.5, 2.0, 1.0)
        ),
        timer=replace(
            cmos,
            discharge_ohm=either("discharge_ohm") * spread(0.4, 2.8, 1.0),
            saturation_v=either("saturation_v") * spread(0.5, 2.1, 1.0),
            threshold_current_a=either("threshold_current_a") * spread(0.2, 8.0, 1.0),
            delay_s=either("delay_s"),
        ),
        temperature_c=_first(warm + 4.0 * _normal(rng), warm),
    )
    return circuit, (r_knob, r_off)


def set_onto(circuit: Circuit, on_s: float, off_s: float) -> Circuit:
    """Choose where the wiper stands and the capacitor so that the means come out.

    All times grow as the capacitor, so the ratio of the two places the wiper.
    """
    both = np.asarray(circuit.r_a_ohm) + np.asarray(circuit.r_b_ohm)
    share = np.geomspace(1e-3, 0.97, _GRID)[:, None]
    r_a = np.maximum(share * both, _LEAST_OHM)
    times, on_ends, off_ends = try_cycle_times(replace(circuit, r_a_ohm=r_a, r_b_ohm=both - r_a))
    good = on_ends & off_ends & (times.on_s > 0) & (times.off_s > 0)
    with np.errstate(all="ignore"):
        ratio = np.log(times.on_s / times.off_s)
    wanted = np.log(on_s / off_s)
    chosen = np.empty(both.shape)
    for k in range(both.shape[0]):
        keep = good[:, k]
        order = np.argsort(ratio[keep, k])
        chosen[k] = np.exp(
            np.interp(
                wanted,
                ratio[keep, k][order],
                np.log(np.broadcast_to(r_a, good.shape)[keep, k][order]),
            )
        )
    placed = replace(circuit, r_a_ohm=chosen, r_b_ohm=both - chosen)
    times, _, _ = try_cycle_times(placed)
    return replace(placed, c_f=np.asarray(circuit.c_f) * (on_s + off_s) / times.period_s)


def first_alone(circuit: Circuit) -> Circuit:
    """Return the circuit without its variants."""

    def cut(part: Any) -> Any:
        changes = {
            one.name: getattr(part, one.name)[:1]
            for one in fields(part)
            if np.ndim(getattr(part, one.name)) and one.name not in _LIMITS
        }
        return replace(part, **changes)

    whole: Circuit = replace(cut(circuit), diode=cut(circuit.diode), timer=cut(circuit.timer))
    return whole
