"""Cycles with known movement, made one after the other in true time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from benchlog.diagnosis.cycles import Cycles

__all__ = ["make_cycles", "make_hummed_cycles"]


def make_cycles(
    seed: int,
    *,
    period_s: float = 0.0203,
    on_s: float = 1.5e-3,
    duration_s: float = 60.0,
    white_s: float = 1e-6,
    walk_s: float = 0.0,
    mains: tuple[tuple[float, float], ...] = (),
    course: Callable[[float], float] = lambda time: 0.0,
    off_course: Callable[[float], float] = lambda time: 0.0,
) -> Cycles:
    """Make cycles; mains are frequency and peak, sampled where on and off end."""
    rng = np.random.default_rng(seed)
    count = int(1.2 * duration_s / period_s)
    white = white_s * rng.standard_normal((2, count))
    walk = walk_s * np.cumsum(rng.standard_normal(count))
    phase = rng.uniform(0, 2 * np.pi, len(mains))
    time, rows = 0.1, []
    for k in range(count):
        if time > duration_s:
            break
        on = on_s + white[0, k] + walk[k] + course(time)
        off = period_s - on_s + 2.0 * white[1, k] - 0.85 * walk[k] + off_course(time)
        for (hz, peak), lag in zip(mains, phase, strict=True):
            on += peak * np.cos(2 * np.pi * hz * (time + on_s) + lag)
            off += 2.0 * peak * np.cos(2 * np.pi * hz * (time + period_s) + lag)
        rows.append((time, on, off))
        time += on + off
    start, high, low = np.array(rows).T
    return Cycles(start, high, low, np.arange(start.size) > 0, 2e-7, duration_s)


def make_hummed_cycles(
    seed: int,
    *,
    hz: float,
    on_peak_s: float,
    off_peak_s: float,
    second: float = 0.0,
    wander_hz: float = 0.0,
    period_s: float = 0.0203,
    on_s: float = 1.5e-3,
    duration_s: float = 60.0,
    white_s: float = 0.5e-6,
) -> Cycles:
    """Make cycles whose levels hum: pulse and rest answer to the hum where they begin and end.

    Unlike in `make_cycles` the rest may change by a good part of the hum's own period, and the
    hum's frequency wanders by `wander_hz` (rms) within some 10 s. `second` is the second
    harmonic's part of the hum.
    """
    rng = np.random.default_rng(seed)
    grid_s = np.arange(0.0, duration_s + 1.0, 0.01)
    kept = np.exp(-0.01 / 10.0)
    stray = rng.standard_normal(grid_s.size) * wander_hz * np.sqrt(1.0 - kept**2)
    stray[0] = wander_hz * rng.standard_normal()
    for k in range(1, stray.size):
        stray[k] += kept * stray[k - 1]
    phase = rng.uniform(0, 2 * np.pi) + 2 * np.pi * np.cumsum(hz + stray) * 0.01

    def hum(time: float) -> float:
        place = time / 0.01
        low = int(place)
        angle = phase[low] + (place - low) * (phase[low + 1] - phase[low])
        return float(np.sin(angle) + second * np.sin(2.0 * angle))

    white = white_s * rng.standard_normal((2, int(1.5 * duration_s / period_s)))
    time, rows, k = 0.1, [], 0
    begun = hum(time)
    while time < duration_s:
        on = on_s + white[0, k] + on_peak_s * 0.5 * (begun + hum(time + on_s))
        begins = hum(time + on)
        off = period_s - on_s
        for _ in range(12):
            ends = hum(time + on + off)
            off = period_s - on_s + 2.0 * white[1, k] + off_peak_s * (0.7 * begins - 0.3 * ends)
        rows.append((time, on, off))
        begun, time, k = ends, time + on + off, k + 1
    start, high, low = np.array(rows).T
    return Cycles(start, high, low, np.arange(start.size) > 0, 2e-7, duration_s)
