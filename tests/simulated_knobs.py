"""Knobs with known truth, to hold fitted curves against.

Made without the fit's own means: tracks are sums of sines, bows, or two or three straight pieces
with rounded kinks; parts are drawn evenly within their tolerances. At the bench a knob is turned
to a mark within its reading (evenly), the wiper lags by half of the hysteresis, and stops and dead
ends hold it. Sizes are common practice: tracks straight within 3 %, dead ends up to 15 degrees,
hysteresis up to 4 degrees.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.table import Point
from benchlog.channel.cycle import predict_cycle
from benchlog.channel.design import Design, parse_design
from benchlog.channel.knob import Knob
from benchlog.channel.unknowns import draw_builds, list_unknowns

__all__ = ["DESIGN_TEXT", "NOISE_S", "SimulatedKnob", "draw_knob", "draw_track"]

Values = NDArray[np.float64]

NOISE_S = 0.2e-6

DESIGN_TEXT = """\
channel = "heron"
[supply]
volts = 6.0
[timer]
family = "cmos"
r_on = "33k"
r_knob = "100k"
r_off = "820k"
c_timing = "22n"
[diode]
model = "1N4148"
[knob]
travel_deg = 270
[servo]
pulse_min_us = 700
pulse_max_us = 2100
"""


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedKnob:
    """One built channel.

    Attributes
    ----------
    design : Design
        What it was built to.
    parts : dict of str to float
        What it really has in it.
    supply_v : float
        Its true supply; the record says the design's.
    turned_share, share : numpy.ndarray
        Its track: shares of the live travel, and of the track clockwise.
    dead_low_deg, dead_high_deg, hysteresis_deg : float
        As the knob is made.
    """

    design: Design
    parts: dict[str, float]
    supply_v: float
    turned_share: Values
    share: Values
    dead_low_deg: float
    dead_high_deg: float
    hysteresis_deg: float

    def cycle_s(self, wiper_deg: Values) -> tuple[Values, Values]:
        """Return on and off times where the wiper is at angles, the middle of both ways."""
        knob = self.design.knob
        live = knob.travel_deg - self.dead_low_deg - self.dead_high_deg
        turned = np.clip((np.asarray(wiper_deg) - self.dead_low_deg) / live, 0.0, 1.0)
        track = np.interp(turned, self.turned_share, self.share)
        on_side = track if knob.longer == "clockwise" else 1.0 - track
        plain = replace(self.design, knob=Knob(1.0))
        cycle = predict_cycle(plain, on_side, supply_v=self.supply_v, parts=self.parts)
        return np.asarray(cycle.on_s), np.asarray(cycle.off_s)

    def crossing_deg(self, level_s: float) -> float | None:
        """Return the knob angle at which the middle curve crosses a pulse."""
        fine = np.linspace(0.0, self.design.knob.travel_deg, 27001)
        on_s, _ = self.cycle_s(fine)
        change = np.flatnonzero((on_s[1:] > level_s) != (on_s[:-1] > level_s))
        return float(fine[change[0]]) if change.size else None

    def set_by_hand(
        self, mark_deg: Values, way: Values, reading_deg: float, rng: np.random.Generator
    ) -> Values:
        """Return where the wiper comes to when marks are set; `way` 1 for up, -1 for down."""
        travel = self.design.knob.travel_deg
        true_deg = mark_deg + rng.uniform(-reading_deg, reading_deg, np.shape(mark_deg))
        return np.clip(true_deg, 0.0, travel) - 0.5 * way * self.hysteresis_deg

    def sweep(
        self,
        mark_deg: Values,
        ways: tuple[str | None, ...],
        rng: np.random.Generator,
        *,
        reading_deg: float = 1.0,
    ) -> list[Point]:
        """Sweep the marks, once a way."""
        points = []
        for way in ways:
            sign = -1.0 if way == "down" else 1.0
            wiper = self.set_by_hand(mark_deg, np.full(mark_deg.shape, sign), reading_deg, rng)
            on_s, off_s = self.cycle_s(wiper)
            for knob, on, off in zip(mark_deg, on_s, off_s, strict=True):
                pulse, rest = on + rng.normal(0.0, NOISE_S), off + rng.normal(0.0, NOISE_S)
                points.append(
                    Point(
                        knob_deg=float(knob),
                        pulse_s=float(pulse),
                        u_pulse_s=NOISE_S,
                        period_s=float(pulse + rest),
                        u_period_s=NOISE_S * 2**0.5,
                        direction=way,
                        supply_v=self.design.supply.value,
                        temperature_c=self.design.temperature_c,
                    )
                )
        return points


def draw_track(kind: str, rng: np.random.Generator, size: float = 0.03) -> tuple[Values, Values]:
    """Draw a track from (0, 0) to (1, 1) that rises everywhere; `size` is its largest bend."""
    turned = np.linspace(0.0, 1.0, 2001)
    bend = np.zeros_like(turned)
    if kind == "sines":
        for order in range(1, int(rng.integers(2, 6))):
            phase = rng.uniform(0.0, 2.0 * np.pi)
            bend += rng.normal() / order * np.sin(np.pi * order * turned + phase)
    elif kind == "bow":
        bend = rng.choice([-1.0, 1.0]) * 4.0 * turned * (1.0 - turned)
    elif kind == "pieces":
        places = np.sort(rng.uniform(0.15, 0.85, int(rng.integers(1, 3))))
        levels = rng.uniform(-1.0, 1.0, places.size)
        nodes = np.concatenate([[0.0], places, [1.0]])
        bend = np.interp(turned, nodes, np.concatenate([[0.0], levels, [0.0]]))
        width = int(rng.integers(60, 200))
        padded = np.pad(bend, width, mode="reflect", reflect_type="odd")
        bend = np.convolve(padded, np.ones(2 * width + 1) / (2 * width + 1), mode="valid")
    if kind == "log":
        # two or three straight pieces near a curve that passes 10 to 20 % at half travel
        middle = rng.uniform(0.10, 0.20)
        base = ((1.0 - middle) / middle) ** 2
        nodes = np.linspace(0.0, 1.0, int(rng.integers(3, 5)))
        curve = np.interp(turned, nodes, (base**nodes - 1.0) / (base - 1.0))
        width = 100
        padded = np.pad(curve, width, mode="reflect", reflect_type="odd")
        curve = np.convolve(padded, np.ones(2 * width + 1) / (2 * width + 1), mode="valid")
    else:
        bend -= bend[0] + (bend[-1] - bend[0]) * turned
        largest = float(np.max(np.abs(bend)))
        scale = size * rng.uniform() / largest if largest > 0.0 else 0.0
        curve = turned + scale * bend
        while np.min(np.diff(curve)) <= 0.05 / turned.size:
            scale *= 0.8
            curve = turned + scale * bend
    curve = (curve - curve[0]) / (curve[-1] - curve[0])
    return turned, curve


def draw_knob(
    rng: np.random.Generator,
    *,
    kind: str | None = None,
    text: str = DESIGN_TEXT,
    hysteresis_deg: float | None = None,
) -> SimulatedKnob:
    """Draw one built channel."""
    design = parse_design(text, "simulated")
    unknowns = [one for one in list_unknowns(design) if one.name != "supply_v"]
    parts = {name: float(v[0]) for name, v in draw_builds(unknowns, 1, rng).items()}
    chosen = kind or str(rng.choice(["straight", "sines", "sines", "pieces", "bow"]))
    turned, share = draw_track(chosen, rng)
    dead = [0.0 if rng.random() < 0.3 else float(rng.uniform(0.0, 15.0)) for _ in range(2)]
    lag = float(rng.uniform(0.0, 4.0)) if hysteresis_deg is None else hysteresis_deg
    return SimulatedKnob(
        design=design,
        parts=parts,
        supply_v=design.supply.value * (1.0 + float(rng.uniform(-0.005, 0.005))),
        turned_share=turned,
        share=share,
        dead_low_deg=dead[0],
        dead_high_deg=dead[1],
        hysteresis_deg=lag,
    )
