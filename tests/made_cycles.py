"""Cycles with known movement, made one after the other in true time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from benchlog.diagnosis.cycles import Cycles

__all__ = ["make_cycles"]


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
