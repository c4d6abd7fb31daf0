"""How faults move: series of one value a cycle, in units that are scaled afterwards."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "bounded_wander",
    "bursts",
    "draw_contact",
    "draw_knob_turns",
    "draw_pulls",
    "draw_sag",
    "draw_slow_course",
    "draw_walk",
]

Values = NDArray[np.float64]
Moves = dict[str, Values]


def bounded_wander(rng: np.random.Generator, time_s: Values, correlation_s: float) -> Values:
    """Return noise of standard deviation 1 whose memory fades with a time constant."""
    from scipy.signal import lfilter

    keep = math.exp(-float(time_s[1] - time_s[0]) / correlation_s)
    drive = rng.standard_normal(time_s.size) * math.sqrt(1.0 - keep**2)
    drive[0] = rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], drive))


def draw_walk(rng: np.random.Generator, time_s: Values) -> Values:
    """Return a random walk that starts from 0 and is about 1 at the end."""
    steps = rng.standard_normal(time_s.size) / math.sqrt(time_s.size)
    return np.asarray(np.cumsum(steps) - steps[0])


def bursts(
    rng: np.random.Generator, time_s: Values, pause_s: float, length_s: float
) -> NDArray[np.bool_]:
    """Tell in which cycles something is on, which comes and goes by chance; some always are."""
    is_on = np.zeros(time_s.size, bool)
    while not 0.02 < is_on.mean() < 0.98:
        is_on[:] = False
        now = time_s[0] + rng.exponential(pause_s) * 0.5
        while now < time_s[-1]:
            end = now + max(rng.exponential(length_s), 1.5 * (time_s[1] - time_s[0]))
            is_on[(time_s >= now) & (time_s < end)] = True
            now = end + rng.exponential(pause_s)
    return is_on


def _smooth_step(share: Values) -> Values:
    """Rise from 0 to 1 without a corner."""
    within = np.clip(share, 0.0, 1.0)
    return np.asarray(within * within * (3.0 - 2.0 * within))


def draw_knob_turns(rng: np.random.Generator, time_s: Values, end_s: float) -> Values:
    """Return the course of a knob that a hand turns: now and then, slowly on, or to and fro."""
    way = rng.integers(3)
    if way == 0:
        total = np.zeros(time_s.size)
        for _ in range(int(rng.integers(1, 7))):
            begin_s, length_s = rng.uniform(0.05, 0.9) * end_s, rng.uniform(0.15, 3.0)
            total += rng.uniform(-1.0, 1.0) * _smooth_step((time_s - begin_s) / length_s)
        if np.ptp(total[time_s < end_s]) > 0.05:
            return total
    if way == 1:
        bend = rng.uniform(-0.4, 0.4)
        share = time_s / end_s
        return float(rng.choice([-1.0, 1.0])) * (share + bend * share * (1.0 - share))
    rate_hz = rng.uniform(0.05, 0.8)
    sway = 1.0 + 0.3 * bounded_wander(rng, time_s, 8.0)
    return np.asarray(sway * np.sin(2 * math.pi * (rate_hz * time_s + rng.random())))


def draw_contact(rng: np.random.Generator, time_s: Values) -> Values:
    """Return a contact resistance: one-sided, crackling all the time or in bursts."""
    crackle = np.abs(rng.standard_normal(time_s.size))
    way = rng.integers(3)
    if way == 0:
        return crackle
    if way == 1:
        crackle = np.asarray(rng.lognormal(0.0, 0.8, time_s.size))
        return np.minimum(crackle, 8.0)
    is_bad = bursts(rng, time_s, rng.uniform(0.3, 4.0), rng.uniform(0.05, 1.5))
    return np.asarray(0.1 * crackle + is_bad * (0.5 + crackle))


def draw_sag(rng: np.random.Generator, time_s: Values, end_s: float) -> Values:
    """Return the course of a supply that falls, perhaps with a recovery."""
    share = time_s / end_s
    way = rng.integers(3)
    if way == 0:
        return -share
    fade = rng.uniform(0.15, 0.6)
    if way == 1:
        return -np.asarray(1.0 - np.exp(-share / fade))
    turn = rng.uniform(0.5, 0.8)
    fall = np.minimum(share, turn) / turn
    back = rng.uniform(0.2, 0.6) * (1.0 - np.exp(-np.maximum(share - turn, 0.0) / 0.1))
    return -np.asarray(fall - back)


def draw_slow_course(rng: np.random.Generator, time_s: Values, end_s: float) -> Values:
    """Return a course as warming gives: straight, or settling."""
    share = time_s / end_s
    sign = float(rng.choice([-1.0, 1.0]))
    if rng.random() < 0.4:
        return sign * share
    return np.asarray(sign * (1.0 - np.exp(-share / rng.uniform(0.15, 0.8))))


def draw_pulls(rng: np.random.Generator, time_s: Values, end_s: float) -> Moves:
    """Return what another servo on the same cells does to the supply: moves of unit depth.

    The mean falls while it draws; within the cycle the supply is restless then, more or less at
    the two crossings.
    """
    way = rng.integers(3)
    if way == 0:
        depth = np.zeros(time_s.size)
        is_on = bursts(rng, time_s, rng.uniform(1.0, 5.0), rng.uniform(0.2, 1.5))
        depth[is_on] = 1.0 + 0.2 * rng.standard_normal(int(is_on.sum()))
    elif way == 1:
        begin_s = rng.uniform(0.1, 0.6) * end_s
        length_s = rng.uniform(0.15, 0.7) * end_s
        depth = ((time_s >= begin_s) & (time_s < begin_s + length_s)).astype(float)
    else:
        stroke_s, share = rng.uniform(0.8, 4.0), rng.uniform(0.2, 0.6)
        depth = ((time_s / stroke_s + rng.random()) % 1.0 < share).astype(float)
    moves = {"supply_v": -depth}
    if rng.random() < 0.8:
        # Motor current is chopped: the supply at a crossing lies off its mean by a chance part.
        restless = rng.uniform(0.02, 0.25)
        alike = rng.standard_normal(time_s.size)
        own = rng.standard_normal((2, time_s.size))
        together = rng.uniform(0.0, 0.9)
        for name, one in zip(("supply_on_end_v", "supply_off_end_v"), own, strict=True):
            chance = together * alike + math.sqrt(1.0 - together**2) * one
            moves[name] = restless * depth * chance
    return moves
