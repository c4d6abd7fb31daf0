"""Channels and inputs for simulated faults: designs, true parts, knob positions, inputs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from benchlog.capture.simulated import SoundInputModel
from benchlog.channel.circuit import FAMILIES
from benchlog.channel.cycle import build_circuit
from benchlog.channel.design import Design, parse_design
from benchlog.channel.diode import MODELS
from benchlog.channel.parts import Part
from benchlog.channel.preferred import nearest_value
from benchlog.channel.servo import Servo
from benchlog.channel.timer import try_cycle_times
from benchlog.channel.unknowns import draw_builds, list_unknowns

__all__ = ["Bench", "draw_bench", "draw_input", "draw_tick_s", "with_servo"]

_TEXT = """
channel = "channel"
[supply]
volts = 6.0
[timer]
family = "cmos"
r_on = "33k"
r_knob = "100k"
r_off = "820k"
c_timing = "22n"
[diode]
saturation_current = "2.52n"
emission = 1.752
series = "0.568"
[knob]
travel_deg = 270
[servo]
pulse_min_us = 500
pulse_max_us = 2500
"""
_RANGES = ((15e3, 68e3), (47e3, 220e3), (390e3, 1e6), (10e-9, 47e-9))
_NAMES = ("r_on", "r_knob", "r_off", "c_timing")
_NARROW = (0.01, 0.03, 0.01, 0.025)
_USUAL = (0.05, 0.20, 0.05, 0.10)
_PERIOD_S = (8e-3, 25e-3)
_RATES_HZ = (44100.0, 48000.0, 48000.0, 88200.0, 96000.0, 192000.0)


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """One channel as it stands on the bench.

    Attributes
    ----------
    design : Design
        What is marked on its parts.
    parts : mapping of str to float
        What they truly are, SI units.
    supply_v, temperature_c, knob_deg : float
        What truly holds while nothing moves.
    on_s, off_s : float
        The cycle while nothing moves.
    """

    design: Design
    parts: Mapping[str, float]
    supply_v: float
    temperature_c: float
    knob_deg: float
    on_s: float
    off_s: float

    @property
    def period_s(self) -> float:
        """Length of a cycle while nothing moves."""
        return self.on_s + self.off_s


def _draw_design(rng: np.random.Generator, volts: float | None) -> Design:
    base = parse_design(_TEXT, "channel")
    families = ["cmos", "cmos", "cmos", "bipolar", "ideal"]
    family = str(rng.choice(families if volts is None or volts >= 4.6 else families[:3]))
    if volts is None:
        volts = float(np.round(rng.uniform(4.6 if family == "bipolar" else 3.6, 9.0), 2))
    shares = _NARROW if rng.random() < 0.5 else _USUAL
    values = [nearest_value(float(np.exp(rng.uniform(*np.log(r)))), "E12") for r in _RANGES]
    r_on, r_knob, r_off, c_timing = (
        Part(name, value, share, "F" if name == "c_timing" else "ohm")
        for name, value, share in zip(_NAMES, values, shares, strict=True)
    )
    diode = MODELS["1N4148"] if rng.random() < 0.5 else base.diode
    knob = replace(
        base.knob,
        travel_deg=float(rng.choice([270.0, 280.0, 300.0])),
        longer="anticlockwise" if rng.random() < 0.2 else "clockwise",
    )
    return replace(
        base,
        supply=Part("supply", volts, 0.0, "V"),
        timer=FAMILIES[family],
        r_on=r_on,
        r_knob=r_knob,
        r_off=r_off,
        c_timing=c_timing,
        diode=diode,
        knob=knob,
    )


def draw_bench(
    rng: np.random.Generator,
    pulse_s: tuple[float, float] = (0.56e-3, 2.38e-3),
    *,
    beside: Bench | None = None,
) -> Bench:
    """Draw a channel and a knob position whose pulse lies in a range, seconds.

    `beside` is another channel on the same supply.
    """
    while True:
        design = _draw_design(rng, None if beside is None else beside.design.supply.value)
        unknowns = [one for one in list_unknowns(design) if one.name != "supply_v"]
        parts = {name: float(one[0]) for name, one in draw_builds(unknowns, 1, rng).items()}
        supply_v = design.supply.value * (1.0 + float(rng.uniform(-0.01, 0.01)))
        temperature_c = float(rng.uniform(15.0, 33.0))
        if beside is not None:
            supply_v, temperature_c = beside.supply_v, beside.temperature_c
        angles = rng.uniform(0.02, 0.98, 12) * design.knob.travel_deg
        circuit = build_circuit(
            design, angles, supply_v=supply_v, temperature_c=temperature_c, parts=parts
        )
        times, on_ends, off_ends = try_cycle_times(circuit)
        period_s = times.on_s + times.off_s
        fits = (
            on_ends
            & off_ends
            & (times.on_s > pulse_s[0])
            & (times.on_s < pulse_s[1])
            & (period_s > _PERIOD_S[0])
            & (period_s < _PERIOD_S[1])
            & (times.on_s < 0.4 * period_s)
        )
        if fits.any():
            k = int(np.argmax(fits))
            return Bench(
                design,
                parts,
                supply_v,
                temperature_c,
                float(angles[k]),
                float(times.on_s[k]),
                float(times.off_s[k]),
            )


def with_servo(bench: Bench, pulse_min_s: float, pulse_max_s: float) -> Bench:
    """Return the same with a servo of this range."""
    servo = Servo(pulse_min_s=pulse_min_s, pulse_max_s=pulse_max_s)
    return replace(bench, design=replace(bench.design, servo=servo))


def draw_input(rng: np.random.Generator, *, clipped_duty: float | None = None) -> SoundInputModel:
    """Draw a sound input; one that is driven beyond its scale where a duty cycle is given."""
    rate_hz = float(rng.choice(_RATES_HZ))
    low_hz = float(np.exp(rng.uniform(math.log(1.0), math.log(60.0))))
    corners = (low_hz,) if rng.random() < 0.7 else (low_hz, float(rng.uniform(1.0, 20.0)))
    snr_db = float(rng.uniform(30.0, 70.0))
    kind = str(rng.choice(["linear", "linear", "minimum", "narrow"]))
    if kind == "narrow" and rate_hz < 60000.0:
        snr_db = max(snr_db, 40.0)
    amplitude = float(np.exp(rng.uniform(math.log(0.05), math.log(0.8))))
    if clipped_duty is not None:
        amplitude = float(rng.uniform(1.4, 5.0)) / (1.0 - clipped_duty)
    hum = float(rng.choice([0.0, 0.0, 0.003, 0.02])) * amplitude
    return SoundInputModel(
        rate_hz=rate_hz,
        corners_hz=corners,
        filter=kind,  # type: ignore[arg-type]
        cutoff=float(rng.uniform(0.42, 0.48)),
        amplitude=amplitude,
        inverted=bool(rng.random() < 0.4),
        snr_db=snr_db,
        hum_fs=hum,
        hum_hz=float(rng.choice([50.0, 60.0])),
        hum_harmonics=(0.3, 0.2) if rng.random() < 0.5 else (),
        bits=24 if amplitude < 0.2 or rng.random() < 0.3 else 16,
        clock_ppm=float(rng.uniform(-100.0, 100.0)),
    )


def draw_tick_s(rng: np.random.Generator) -> float:
    """Draw the length of a probe's tick."""
    return float(rng.choice([0.5e-6, 1e-6, 2e-6, 4e-6]))
