"""Whether remedies meet their aim in the share that they claim.

First of designs whose parts may be anywhere within tolerance: each remedy is carried out on many
builds that are drawn anew. Then of channels that were measured, good and faulty: each remedy is
carried out on the true build, and over many channels the shares that were met are set against
those that were claimed.
"""

from __future__ import annotations

import itertools
import time
from dataclasses import dataclass

import numpy as np

from benchlog.calibration.identify import identify_parts
from benchlog.calibration.remedy import Aim, design_aim, propose_remedies
from benchlog.calibration.table import Point
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.errors import DesignError
from tests.remedied_builds import build_after, draw_within, meets

__all__ = ["run"]

DESIGNS = 120
CHANNELS = 80
AIMS = 4
_BUILDS = 20_000
_NEW = 400
_BINS = (0.0, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0001)

_TEXT = """
channel = "heron"
[supply]
volts = {volts}
volts_tolerance = "{volts_tolerance}%"
[timer]
family = "{family}"
r_on = "{r_on}"
r_on_tolerance = "{fine}%"
r_knob = "{r_knob}"
r_knob_tolerance = "{knob}%"
r_off = "{r_off}"
r_off_tolerance = "{fine}%"
c_timing = "{c_timing}"
c_timing_tolerance = "{film}%"
[diode]
model = "1N4148"
[knob]
travel_deg = 270
longer = "{longer}"
[servo]
pulse_min_us = 500
pulse_max_us = 2500
"""


@dataclass(frozen=True, slots=True)
class Claim:
    """A share that was claimed and that which was met."""

    claimed: float
    met: float


def draw_design(source: np.random.Generator) -> Design:
    """Draw a design of a usual size."""
    parts = (
        ("33k", "100k", "820k", "22n"), ("15k", "47k", "560k", "47n"), ("39k", "100k", "1M", "22n"),
        ("82k", "220k", "2M", "10n"), ("36k + trimmer 10k", "100k", "820k + trimmer 200k", "22n"),
        ("27k + trimmer 20k", "100k", "910k", "22n"), ("56k", "100k", "1.2M", "15n"),
    )  # fmt: skip
    r_on, r_knob, r_off, c_timing = parts[source.integers(len(parts))]
    return parse_design(
        _TEXT.format(
            volts=source.choice([4.8, 5.0, 6.0, 9.0]),
            volts_tolerance=source.choice([0, 1, 3]),
            family=source.choice(["cmos", "bipolar", "ideal"]),
            r_on=r_on, r_knob=r_knob, r_off=r_off, c_timing=c_timing,
            fine=source.choice([1, 2, 5]), knob=source.choice([3, 10, 20]),
            film=source.choice([1, 2.5, 5, 10]),
            longer=source.choice(["clockwise", "anticlockwise"]),
        ),
        "drawn",
    )  # fmt: skip


def draw_aim(design: Design, source: np.random.Generator) -> Aim:
    """Draw an aim that differs from what the marked parts give."""
    own = design_aim(design)
    low_s = own.low_s * source.uniform(0.75, 1.3)
    high_s = low_s + (own.high_s - own.low_s) * source.uniform(0.75, 1.05)
    period_s = own.period_s if source.random() < 0.5 else None
    if period_s is not None:
        period_s *= source.uniform(0.9, 1.25)
    within_s = float(source.choice([20e-6, 40e-6, 80e-6, 150e-6]))
    return Aim(low_s, high_s, period_s, within_s, float(source.choice([0.02, 0.05, 0.1])))


def run() -> None:
    """Print what was claimed and what was met."""
    source = np.random.default_rng(2026)
    _print("parts anywhere within tolerance, remedy by remedy", *_try_designs(source))
    claims, taken, count = _try_channels(source)
    _print("measured channels, by the true build", claims, taken, count)


def _try_designs(source: np.random.Generator) -> tuple[list[Claim], list[float], int]:
    claims, taken = [], []
    for _ in range(DESIGNS):
        design = draw_design(source)
        aim = draw_aim(design, source)
        began = time.monotonic()
        remedies = propose_remedies(design, aim)
        taken.append(time.monotonic() - began)
        for remedy in remedies:
            before = draw_within(design, _BUILDS, source)
            builds = build_after(design, remedy, before, aim, source)
            claims.append(Claim(remedy.share, float(np.mean(meets(design, builds, aim)))))
    worst = max(claims, key=lambda one: abs(one.claimed - one.met))
    print(
        f"largest difference of a single remedy: {100 * abs(worst.claimed - worst.met):.1f} in a "
        f"hundred (claimed {worst.claimed:.3f}, met {worst.met:.3f})"
    )
    return claims, taken, DESIGNS


def _draw_channel(
    design: Design, source: np.random.Generator
) -> tuple[dict[str, float], tuple[Point, ...]]:
    """Draw a true build, every other one with a wrong part, and measure it at nine marks."""
    true = {name: float(one[0]) for name, one in draw_within(design, 1, source).items()}
    if source.random() < 0.5:
        part = str(source.choice(["r_on", "r_knob", "r_off", "c_timing"]))
        true[part] *= float(source.choice([0.68, 0.82, 1.2, 1.5]))
    angles = np.linspace(0.0, design.knob.travel_deg, 9)
    read = np.clip(angles + source.uniform(-1.0, 1.0, 9), 0.0, design.knob.travel_deg)
    parts = {name: value for name, value in true.items() if name != "supply_v"}
    times = predict_cycle(design, read, supply_v=true["supply_v"], parts=parts)
    noise = 0.2e-6 * source.standard_normal((2, 9))
    points = tuple(
        Point(
            knob_deg=float(angle),
            pulse_s=float(on_s),
            u_pulse_s=0.2e-6,
            period_s=float(period_s),
            u_period_s=0.2e-6,
        )
        for angle, on_s, period_s in zip(
            angles, times.on_s + noise[0], times.period_s + noise[1], strict=True
        )
    )
    return true, points


def _try_channels(source: np.random.Generator) -> tuple[list[Claim], list[float], int]:
    claims, taken, count = [], [], 0
    for _ in range(CHANNELS):
        design = draw_design(source)
        try:
            true, points = _draw_channel(design, source)
        except DesignError:  # that build does not run at all
            continue
        found = identify_parts(design, points)
        count += 1
        before = {name: np.full(_NEW, value) for name, value in true.items()}
        for aim in (design_aim(design), *(draw_aim(design, source) for _ in range(AIMS - 1))):
            began = time.monotonic()
            remedies = propose_remedies(design, aim, found)
            taken.append(time.monotonic() - began)
            for remedy in remedies:
                builds = build_after(design, remedy, before, aim, source)
                claims.append(Claim(remedy.share, float(np.mean(meets(design, builds, aim)))))
    return claims, taken, count


def _print(title: str, claims: list[Claim], taken: list[float], count: int) -> None:
    claimed = np.array([one.claimed for one in claims])
    met = np.array([one.met for one in claims])
    print(f"\n{title}: {len(claims)} remedies for {count} channels")
    print(f"median {np.median(taken):.2f} s, longest {np.max(taken):.2f} s a channel")
    print(f"{'claimed':>14}{'remedies':>10}{'mean claim':>12}{'met':>8}{'± 2 s':>8}")
    worst = 0.0
    for low, high in itertools.pairwise(_BINS):
        inside = (claimed >= low) & (claimed < high)
        if inside.sum() > 1:
            worst = max(worst, abs(float(claimed[inside].mean() - met[inside].mean())))
            error = 2 * (met[inside] - claimed[inside]).std() / np.sqrt(inside.sum())
            print(
                f"{low:>6.2f} to {min(high, 1):.2f}{inside.sum():>10}"
                f"{claimed[inside].mean():>12.3f}{met[inside].mean():>8.3f}{error:>8.3f}",
                flush=True,
            )
    print(f"largest difference of a line: {100 * worst:.1f} in a hundred")
    print(f"all: claimed {claimed.mean():.3f}, met {met.mean():.3f}")
