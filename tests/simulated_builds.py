"""Channels as they come off the bench, with known truth: designs, builds, faults, sweeps.

Parts are drawn evenly within their tolerances, and everything that an identification has to live
with is drawn too: the timer's levels, the diode, the wiper's contact, and supply, temperature and
knob within their readings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchlog.calibration.table import Point
from benchlog.channel.circuit import FAMILIES
from benchlog.channel.cycle import build_circuit
from benchlog.channel.design import Design, parse_design
from benchlog.channel.diode import MODELS, NO_DIODE, TYPE_SPREAD
from benchlog.channel.parts import Part
from benchlog.channel.preferred import nearest_value
from benchlog.channel.timer import try_cycle_times
from benchlog.channel.unknowns import draw_builds, list_unknowns

__all__ = [
    "NINE_DEG",
    "PARTS",
    "Build",
    "Fault",
    "draw_design",
    "draw_fault",
    "draw_sweep",
    "knob_angles",
]

PARTS = ("r_on", "r_knob", "r_off", "c_timing")
NINE_DEG = np.linspace(0.0, 270.0, 9)
NOISE_S = 0.2e-6
CONTACT_OHM = 100.0
_NARROW = (0.01, 0.03, 0.01, 0.025)
_USUAL = (0.05, 0.20, 0.05, 0.10)
_RANGES = ((10e3, 100e3), (20e3, 220e3), (100e3, 1.5e6), (4.7e-9, 220e-9))


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong: a suspect's words, and how far off or which diode."""

    part: str
    fault: str
    ratio: float = 1.0
    diode: str = ""

    @property
    def kind(self) -> str:
        """Words for a row of a table."""
        if self.fault == "value" and self.part in PARTS:
            return f"{self.part} value"
        return self.fault if self.part in (*PARTS, "knob") else f"{self.part} {self.fault}"


@dataclass(frozen=True, slots=True, eq=False)
class Build:
    """One channel: its true values by name, and its sweep."""

    design: Design
    truth: Mapping[str, float]
    points: list[Point]


def knob_angles(design: Design, count: int) -> np.ndarray:
    """Return so many knob angles from stop to stop, the middle for one."""
    travel_deg = design.knob.travel_deg
    return np.array([travel_deg / 2]) if count == 1 else np.linspace(0.0, travel_deg, count)


def draw_design(text: str, rng: np.random.Generator) -> Design:
    """Draw a design of E12 values that oscillates, from 3.6 to 9 V, of any family and diode."""
    base = parse_design(text, "base")
    while True:
        family = str(rng.choice(["cmos", "cmos", "bipolar", "ideal"]))
        volts = float(np.round(rng.uniform(4.5 if family == "bipolar" else 3.6, 9.0), 2))
        values = [nearest_value(float(np.exp(rng.uniform(*np.log(r)))), "E12") for r in _RANGES]
        shares = _NARROW if rng.random() < 0.5 else _USUAL
        model = str(rng.choice([*MODELS, "none"]))
        r_on, r_knob, r_off, c_timing = (
            Part(name, value, share, "F" if name == "c_timing" else "ohm")
            for name, value, share in zip(PARTS, values, shares, strict=True)
        )
        design = replace(
            base,
            supply=Part("supply", volts, 0.0, "V"),
            timer=FAMILIES[family],
            r_on=r_on,
            r_knob=r_knob,
            r_off=r_off,
            c_timing=c_timing,
            diode=NO_DIODE if model == "none" else MODELS[model],
            diode_model=model,
            diode_tolerance=0.0 if model == "none" else TYPE_SPREAD[model],
        )
        _, on_ends, off_ends = try_cycle_times(build_circuit(design, NINE_DEG))
        if on_ends.all() and off_ends.all():
            return design


def draw_sweep(
    design: Design,
    rng: np.random.Generator,
    knob_deg: np.ndarray,
    *,
    fault: Fault | None = None,
    supply_known: bool = True,
    reading_deg: float = 1.0,
    contact_ohm: float = CONTACT_OHM,
) -> Build | None:
    """Build a channel and sweep it; None where it does not oscillate, however it is drawn."""
    for _ in range(40):
        unknowns = [one for one in list_unknowns(design) if one.name != "supply_v"]
        parts = {name: float(one[0]) for name, one in draw_builds(unknowns, 1, rng).items()}
        parts["contact"] = rng.uniform(0.0, contact_ohm)
        read_v = design.supply.value
        share = 0.005 if supply_known else design.supply.tolerance or 0.05
        supply_v = read_v / (1.0 + rng.uniform(-share, share))
        temperature_c = design.temperature_c + rng.uniform(-1.0, 1.0)
        built, parts, supply_v = _spoil(design, parts, supply_v, fault)
        if built.diode.kind in ("none", "open"):
            parts.pop("saturation_current", None)
        turned = knob_deg + rng.uniform(-reading_deg, reading_deg, knob_deg.shape)
        circuit = build_circuit(
            built,
            np.clip(turned, 0.0, design.knob.travel_deg),
            supply_v=supply_v,
            temperature_c=temperature_c,
            parts=parts,
        )
        times, on_ends, off_ends = try_cycle_times(circuit)
        if not (on_ends.all() and off_ends.all()):
            continue
        on_s = times.on_s + rng.normal(0.0, NOISE_S, knob_deg.shape)
        off_s = times.off_s + rng.normal(0.0, NOISE_S, knob_deg.shape)
        points = [
            Point(
                knob_deg=float(angle),
                pulse_s=float(on),
                u_pulse_s=NOISE_S,
                period_s=float(on + off),
                u_period_s=NOISE_S * np.sqrt(2.0),
                supply_v=read_v if supply_known else None,
                temperature_c=design.temperature_c,
            )
            for angle, on, off in zip(knob_deg, on_s, off_s, strict=True)
        ]
        return Build(design, {**parts, "supply_v": supply_v}, points)
    return None


def _spoil(
    design: Design, parts: dict[str, float], supply_v: float, fault: Fault | None
) -> tuple[Design, dict[str, float], float]:
    """Put a fault into a build."""
    if fault is None:
        return design, parts, supply_v
    built, parts = design, dict(parts)
    change: dict[str, Any] = {}
    if fault.part in PARTS and fault.fault in ("value", "decade"):
        parts[fault.part] = getattr(design, fault.part).value * fault.ratio
    elif fault.fault == "swapped":
        parts["r_on"], parts["r_off"] = parts["r_off"], parts["r_on"]
    elif fault.fault == "ends-swapped":
        change = {"knob": replace(design.knob, longer="anticlockwise")}
    elif fault.fault == "taper":
        change = {"knob": replace(design.knob, taper="log")}
    elif fault.fault in ("open", "reversed"):
        change = {"diode": replace(design.diode, kind=fault.fault)}  # type: ignore[arg-type]
    elif fault.part == "diode":
        change = {"diode": MODELS[fault.diode]}
        parts.pop("saturation_current", None)
    elif fault.part == "supply":
        supply_v *= fault.ratio
    return replace(built, **change), parts, supply_v


def draw_fault(
    design: Design, rng: np.random.Generator, *, parts_only: bool = False, taper: bool = True
) -> Fault:
    """Draw one fault.

    Three of four are a part at least three half-widths of its tolerance off: a decade slip, from
    3 to 8 half-widths, or any ratio from 1/7 to 7. The others are wires, the knob's track, and the
    diode. (A supply or a diode drop that is off is drawn on its own by the benchmark.)
    """
    if parts_only or rng.random() < 0.75:
        part = str(rng.choice(PARTS))
        share = getattr(design, part).tolerance
        kind = rng.random()
        if kind < 0.25:
            power = float(rng.choice([-2, -1, -1, 1, 1, 2]))
            return Fault(part, "decade", 10.0**power * (1.0 + rng.uniform(-share, share)))
        while True:
            if kind < 0.6:
                ratio = 1.0 + float(rng.choice([-1.0, 1.0])) * share * rng.uniform(3.0, 8.0)
            else:
                ratio = float(np.exp(rng.uniform(-1.95, 1.95)))
            if ratio > 0.02 and abs(ratio - 1.0) >= 3.0 * share:
                return Fault(part, "value", ratio)
    faults = ["swapped", "ends-swapped"]
    faults += ["taper"] * taper
    faults += ["open", "reversed", "value"] * (design.diode.kind == "normal")
    fault = str(rng.choice(faults))
    if fault == "value":
        is_schottky = design.diode_model in ("BAT54", "1N5819")
        other = ["1N4148", "1N4007"] if is_schottky else ["BAT54", "1N5819"]
        return Fault("diode", "value", diode=str(rng.choice(other)))
    part = {"swapped": "r_on", "open": "diode", "reversed": "diode"}.get(fault, "knob")
    return Fault(part, fault)
