"""How well fitted curves hold what is true, on simulated knobs.

Run: `python -m tests.benchmarks curve`. Prints, for knobs swept both ways and one way: the
share of knob angles at which the 95 % band covers the truth, of end-stop angles within their U, the
settings that were counted over those of a brute-force setting and reading, and the time of a fit.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from numpy.typing import ArrayLike

from benchlog.calibration.fit import KnobCurve, fit_curve
from tests.simulated_knobs import NOISE_S, SimulatedKnob, draw_knob

KNOBS = 1000
ANGLES = 100


def count_by_hand(
    knob: SimulatedKnob, both: bool, rng: np.random.Generator, tries: int = 4000
) -> int:
    """Count settings by setting marks over and over and reading the pulse.

    From one mark on, the next is put where the curve has gone on by as much as 95 of 100
    differences between two settings of one mark.
    """
    travel = knob.design.knob.travel_deg
    fine = np.linspace(0.0, travel, 5401)
    middle_s, _ = knob.cycle_s(fine)
    # apart at a mark, by brute force, at places along the knob
    places = np.linspace(knob.dead_low_deg + 8.0, travel - knob.dead_high_deg - 8.0, 25)
    apart = []
    for place in places:
        pulses = []
        for _ in range(2):
            way = rng.choice([-1.0, 1.0], tries) if both else np.ones(tries)
            wiper = knob.set_by_hand(np.full(tries, place), way, 1.0, rng)
            seen = np.interp(wiper, fine, middle_s)
            pulses.append(seen + rng.normal(0.0, NOISE_S, tries))
        apart.append(float(np.quantile(np.abs(pulses[0] - pulses[1]), 0.95)))
    at_s, count = float(middle_s[0]), 1
    while True:
        at_deg = float(np.interp(at_s, middle_s, fine))
        at_s += float(np.interp(at_deg, places, apart))
        if at_s > middle_s[-1]:
            return count
        count += 1


def run(knobs: int = KNOBS, seed: int = 6) -> None:
    """Print the figures."""
    rng = np.random.default_rng(seed)
    marks = np.linspace(0.0, 270.0, 13)
    for ways in (("up", "down"), ("up",)):
        covered: list[float] = []
        by_kind: dict[str, list[float]] = {}
        stops: list[bool] = []
        missed = invented = 0
        ratios: list[float] = []
        seconds: list[float] = []
        dead: list[float] = []
        lag: list[float] = []
        for index in range(knobs):
            kind = ("straight", "sines", "sines", "pieces", "bow")[index % 5]
            knob = draw_knob(rng, kind=kind)
            points = knob.sweep(marks, ways, rng)
            start = time.perf_counter()
            curve = fit_curve(knob.design, points)
            seconds.append(time.perf_counter() - start)
            share = _cover(knob, curve, rng)
            covered.append(share)
            by_kind.setdefault(kind, []).append(share)
            for level_s, found, u in (
                (knob.design.servo.pulse_min_s, curve.end_stop_low_deg, curve.u_end_stop_low_deg),
                (knob.design.servo.pulse_max_s, curve.end_stop_high_deg, curve.u_end_stop_high_deg),
            ):
                true_deg = knob.crossing_deg(level_s)
                if true_deg is None:
                    invented += found is not None
                elif found is None or u is None:
                    missed += 1
                else:
                    stops.append(abs(found - true_deg) <= 2.0 * u)
            dead += [
                (curve.dead_low_deg - knob.dead_low_deg) / curve.u_dead_low_deg,
                (curve.dead_high_deg - knob.dead_high_deg) / curve.u_dead_high_deg,
            ]
            if curve.hysteresis_deg is not None and curve.u_hysteresis_deg is not None:
                lag.append((curve.hysteresis_deg - knob.hysteresis_deg) / curve.u_hysteresis_deg)
            if index % 4 == 0 and curve.settings.count is not None:
                ratios.append(curve.settings.count / count_by_hand(knob, len(ways) == 2, rng))
        kinds = ", ".join(f"{k} {_percent(v)}" for k, v in by_kind.items())
        lines = [
            f"{' and '.join(ways)}: band covers {_percent(covered)} of a hundred angles ({kinds}; "
            f"{sum(c < 0.6 for c in covered)} knobs below 60)",
            f"end stops within U {_percent(stops)} of {len(stops)}, missed {missed}, "
            f"none there {invented}; dead ends within U {_percent(np.abs(dead) <= 2)}",
            f"settings over brute force {np.mean(ratios):.3f} ({np.min(ratios):.3f} to "
            f"{np.max(ratios):.3f}), {_percent(np.abs(np.array(ratios) - 1.0) <= 0.1)} of "
            f"{len(ratios)} knobs within a tenth; a fit {np.median(seconds):.3f} s, at most "
            f"{np.max(seconds):.3f} s",
        ]
        if lag:
            lines.append(f"hysteresis within U {_percent(np.abs(lag) <= 2)}")
        print("\n  ".join(lines), flush=True)


def _percent(shares: ArrayLike) -> str:
    return f"{100 * float(np.mean(np.asarray(shares))):.1f} %"


def _cover(knob: SimulatedKnob, curve: KnobCurve, rng: np.random.Generator) -> float:
    """Return the share of knob angles, drawn over the travel, that the band covers."""
    at = rng.uniform(0.0, knob.design.knob.travel_deg, ANGLES)
    true_s, _ = knob.cycle_s(at)
    low_s = np.interp(at, curve.knob_deg, curve.low_s)
    high_s = np.interp(at, curve.knob_deg, curve.high_s)
    return float(np.mean((true_s >= low_s) & (true_s <= high_s)))


if __name__ == "__main__":
    run(int(sys.argv[1]) if len(sys.argv) > 1 else KNOBS)
