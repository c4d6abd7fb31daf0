"""Two channels on one supply: what a servo draws pulls the other channel's crossings.

The neighbour's train comes first. Its servo follows it after a delay, or holds a load in bursts
behind each pulse; the current makes the common supply fall, at every instant of the record. The
other channel is then walked through cycle by cycle: each of its crossings sees the supply of its
own instant, so that what a dip does depends on where in the cycle it falls.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.simulated import TrueEdges
from tests.fault_channels import Bench
from tests.fault_courses import bursts
from tests.fault_moves import (
    Causes,
    Moves,
    cycle_times_s,
    cycles_of,
    draw_background,
    over_limits,
    simulate_causes,
)

__all__ = ["draw_coupled"]

Values = NDArray[np.float64]

_GRID_S = 20e-6
_MOST_PULL_V = {"turned": 0.4, "loaded": 0.2}
_SMALL_V = 5e-3


@dataclass(frozen=True, slots=True, eq=False)
class _Draw:
    """How a servo draws: the supply's move at every instant, volts, on a grid; its lowest."""

    depth: Values
    deepest_v: float

    def first_crossing_s(self, straight_s: float, slope: float) -> float:
        """Return when a crossing comes that a move of the supply shifts, seconds per volt.

        The first one: a supply that recovers faster than the capacitor moves ends the phase.
        """
        reach_s = abs(slope) * float(-self.deepest_v) + 2 * _GRID_S
        first = max(int((straight_s - reach_s) / _GRID_S), 0)
        last = min(int((straight_s + reach_s) / _GRID_S) + 2, self.depth.size)
        if last - first < 2:
            return straight_s
        times_s = np.arange(first, last) * _GRID_S
        ahead_s = straight_s + slope * self.depth[first:last] - times_s
        k = int(np.argmax(ahead_s <= 0))
        if k == 0:
            return straight_s
        step = ahead_s[k - 1] / (ahead_s[k - 1] - ahead_s[k])
        return float(times_s[k - 1] + step * _GRID_S)


def draw_coupled(
    benches: tuple[Bench, ...],
    duration_s: float,
    rng: np.random.Generator,
    seeds: tuple[int, int],
    size: float,
    faulty: int,
) -> tuple[tuple[Causes, ...], tuple[TrueEdges, ...], Mapping[str, float]] | None:
    """Draw a channel that its neighbour's servo pulls.

    Parameters
    ----------
    benches : tuple of Bench
        The two channels, in the order of the inputs.
    duration_s : float
        Length of the record, seconds.
    rng : numpy.random.Generator
        Random numbers.
    seeds : tuple of int
        Of the two simulations.
    size : float
        How much the neighbour moves the channel, in units of the limits.
    faulty : int
        The input that is pulled, 1 or 2.

    Returns
    -------
    tuple or None
        What moves in each channel, what each puts out, and the figures of the coupling, the size
        reached among them: where the supply would have to fall too far it stays smaller. None
        where no pull will do.
    """
    pulled, puller = faulty - 1, 2 - faulty
    neighbour = benches[puller]
    way = str(rng.choice(["turned", "turned", "loaded"]))
    turns = _knob_turns(neighbour, duration_s, rng) if way == "turned" else None
    own = draw_background(neighbour, duration_s, rng)
    if turns is not None:
        own["wiper"] = {"wiper": turns}
    train = simulate_causes(neighbour, own, duration_s, seeds[puller])
    delay_s = float(rng.uniform(0.0, 0.3)) if way == "turned" else 0.0
    grid: Values = np.asarray(np.arange(math.ceil((duration_s + 0.5) / _GRID_S)) * _GRID_S)
    moving = (
        _servo_moves(train, grid, delay_s, rng)
        if turns is not None
        else _load(rng, grid, duration_s)
    )
    steady_share = float(rng.uniform(0.3, 1.0)) if way == "turned" else float(rng.uniform(0, 0.4))
    burst_s = (float(rng.uniform(0.0, 1e-3)), float(rng.uniform(0.5e-3, 4e-3)))
    background = draw_background(benches[pulled], duration_s, rng)
    lines = _Lines.measure(benches[pulled], duration_s, seeds[pulled])
    pull_v, most_v = 0.05, _MOST_PULL_V[way]
    for _ in range(6):
        # The neighbour sees the steady part of its own pull; its bursts are over long before
        # its next crossing.
        sagging = dict(own)
        times = np.minimum(cycle_times_s(neighbour, duration_s), grid[-1])
        steps = np.clip((times / _GRID_S).astype(np.intp), 0, grid.size - 1)
        own_fall = -pull_v * steady_share * moving[steps]
        sagging["supply"] = {"supply_v": np.asarray(own["supply"]["supply_v"]) + own_fall}
        train = simulate_causes(neighbour, sagging, duration_s, seeds[puller])
        depth = moving * (
            steady_share + (1.0 - steady_share) * _bursts_behind(train, grid, *burst_s)
        )
        draw = _Draw(-pull_v * depth, -pull_v * float(np.max(depth)))
        moves = _pull(benches[pulled], background, draw, lines, duration_s, seeds[pulled])
        alone = cycles_of(
            simulate_causes(benches[pulled], {"neighbour": moves}, duration_s, seeds[pulled])
        )
        reached = max(over_limits(*alone))
        if abs(reached / size - 1.0) < 0.15 or (pull_v == most_v and reached < size):
            break
        pull_v *= float(np.clip(size / max(reached, 1e-3), 0.2, 8.0))
        pull_v = min(pull_v, most_v)
    if reached < 1.5 or reached > 1.2 * size:
        return None
    causes: list[Causes] = [{}, {}]
    causes[puller] = sagging
    causes[pulled] = {**background, "neighbour": moves}
    edges: list[TrueEdges] = [train, train]
    edges[pulled] = simulate_causes(benches[pulled], causes[pulled], duration_s, seeds[pulled])
    if _mismatch(edges[pulled], moves, draw) > _MOST_MISMATCH:
        return None
    notes = {
        "size": reached,
        "delay_s": delay_s,
        "pull_v": pull_v,
        "steady_share": steady_share,
        "turned": float(way == "turned"),
    }
    return tuple(causes), tuple(edges), notes


def _knob_turns(bench: Bench, duration_s: float, rng: np.random.Generator) -> Values:
    """Return the track share of a knob that is turned to a new place every few seconds."""
    time_s = cycle_times_s(bench, duration_s)
    at = float(bench.design.knob.on_fraction(bench.knob_deg))
    reach = 0.3e-3 / bench.on_s  # some 300 us of pulse
    low, high = max(0.02 - at, -reach), min(0.98 - at, reach)
    low, high = max(low, -(1.0 - 0.53e-3 / bench.on_s)), min(high, 2.4e-3 / bench.on_s - 1.0)
    now_s, place = float(rng.uniform(1.0, 4.0)), 0.0
    knots, values = [0.0], [0.0]
    while now_s < time_s[-1]:
        target = float(rng.uniform(low, high))
        knots += [now_s, now_s + float(rng.uniform(0.1, 0.6))]
        values += [place, target]
        place = target
        now_s = knots[-1] + float(rng.uniform(1.0, 5.0))
    return np.asarray(np.interp(time_s, knots, values))


def _servo_moves(
    train: TrueEdges, grid: Values, delay_s: float, rng: np.random.Generator
) -> Values:
    """Return when a servo that follows a train of pulses draws: 1 while its arm moves."""
    rise = np.flatnonzero(train.level[:-1])
    pulse_s = train.time_s[rise + 1] - train.time_s[rise]
    step_s = 2e-3
    coarse = np.arange(0.0, grid[-1] + step_s, step_s)
    target = np.interp(coarse - delay_s, train.time_s[rise], pulse_s)
    most = 0.67e-3 / float(rng.uniform(0.1, 0.25)) * step_s  # 60 degrees in so many seconds
    arm, moves = float(target[0]), np.zeros(coarse.size)
    for k, wanted in enumerate(target.tolist()):
        error = wanted - arm
        if abs(error) > 8e-6:
            arm += math.copysign(min(abs(error), most), error)
            moves[k] = 1.0
    settle = np.exp(-np.arange(40) * step_s / 0.01)  # the cells recover
    moves = np.minimum(np.convolve(moves, settle / settle.sum())[: coarse.size], 1.0)
    return np.asarray(np.interp(grid, coarse, moves))


def _load(rng: np.random.Generator, grid: Values, duration_s: float) -> Values:
    """Return when a servo that stands still has to hold a load."""
    if rng.random() < 0.5:
        return np.ones(grid.size)
    coarse = np.arange(0.0, duration_s + 0.6, 0.01)
    held = bursts(rng, coarse, rng.uniform(2.0, 6.0), rng.uniform(1.0, 5.0))
    return np.asarray(np.interp(grid, coarse, held.astype(float)))


def _bursts_behind(train: TrueEdges, grid: Values, wait_s: float, length_s: float) -> Values:
    """Return 1 where the motor is driven: for a while behind the end of each pulse."""
    falls = train.time_s[~train.level]
    last = np.searchsorted(falls, grid) - 1
    since = np.where(last >= 0, grid - falls[np.maximum(last, 0)], 1.0)
    # The supply's own capacitor rounds the edges.
    rounding = 0.15e-3
    begin = 1.0 / (1.0 + np.exp(np.clip(-(since - wait_s) / rounding, -60, 60)))
    end = 1.0 / (1.0 + np.exp(np.clip((since - wait_s - length_s) / rounding, -60, 60)))
    return np.asarray(begin * end)


@dataclass(frozen=True, slots=True)
class _Lines:
    """Seconds per volt: of on and off, by the supply at their first and last crossing."""

    on_first: float
    on_last: float
    off_first: float
    off_last: float

    @classmethod
    def measure(cls, bench: Bench, duration_s: float, seed: int) -> _Lines:
        """Move the supply at one crossing and see."""
        short_s = 30 * bench.period_s

        def moved(name: str | None) -> tuple[Values, Values]:
            series = np.zeros(cycle_times_s(bench, short_s).size)
            series[8] = _SMALL_V
            moves: Causes = {} if name is None else {"supply": {name: series}}
            return cycles_of(simulate_causes(bench, moves, short_s, seed))

        still, upper, lower = (moved(one) for one in (None, "supply_on_end_v", "supply_off_end_v"))
        # The record's first whole cycle is number 1.
        return cls(
            on_first=float(lower[0][8] - still[0][8]) / _SMALL_V,
            on_last=float(upper[0][7] - still[0][7]) / _SMALL_V,
            off_first=float(upper[1][7] - still[1][7]) / _SMALL_V,
            off_last=float(lower[1][7] - still[1][7]) / _SMALL_V,
        )


_ROUNDS = 3
_MOST_MISMATCH = 0.05
"""Where a strong pull makes the cycle lock or run wild, the rounds do not come together."""


def _mismatch(edges: TrueEdges, moves: Moves, draw: _Draw) -> float:
    """Compare the supply at the crossings with what was applied there, in shares of its sd."""
    first = int(np.argmax(edges.level))  # the rise that begins cycle 1
    worst = 0.0
    for name, place in (("supply_on_end_v", first + 1), ("supply_off_end_v", first + 2)):
        times_s = edges.time_s[place::2]
        applied = np.asarray(moves[name])[1 : times_s.size + 1]
        steps = np.clip((times_s[: applied.size] / _GRID_S).astype(np.intp), 0, draw.depth.size - 1)
        spread = max(float(np.std(applied)), 1e-6)
        worst = max(worst, float(np.std(draw.depth[steps] - applied)) / spread)
    return worst


def _pull(
    bench: Bench, background: Causes, draw: _Draw, lines: _Lines, duration_s: float, seed: int
) -> Moves:
    """Return the supply at each crossing of a channel, each seen at its own instant.

    Cycle by cycle with straight lines in the supply; then the exact times correct the lines, and
    the walk is repeated.
    """
    count = cycle_times_s(bench, duration_s).size
    own = simulate_causes(bench, background, duration_s, seed)
    on_s, off_s = (_from_first(own, one, count) for one in cycles_of(own))
    begin_s = float(own.time_s[own.level][0]) - float(on_s[0] + off_s[0])
    upper_v = lower_v = np.zeros(count)
    for _ in range(_ROUNDS):
        upper_v, lower_v = _walk(begin_s, on_s, off_s, lines, draw)
        moves: Moves = {"supply_on_end_v": upper_v, "supply_off_end_v": lower_v}
        exact = simulate_causes(bench, {**background, "neighbour": moves}, duration_s, seed)
        exact_on, exact_off = (_from_first(exact, one, count) for one in cycles_of(exact))
        begin_s = float(exact.time_s[exact.level][0]) - float(exact_on[0] + exact_off[0])
        before_v = np.concatenate([[0.0], lower_v[:-1]])
        on_s = exact_on - lines.on_first * before_v - lines.on_last * upper_v
        off_s = exact_off - lines.off_first * upper_v - lines.off_last * lower_v
    return {"supply_on_end_v": upper_v, "supply_off_end_v": lower_v}


def _from_first(edges: TrueEdges, times_s: Values, count: int) -> Values:
    """Put a value for cycle 0, whose beginning lies before the record, and fill up the end."""
    filled = np.full(count, float(np.mean(times_s)))
    filled[1 : times_s.size + 1] = times_s[: count - 1]
    return filled


def _walk(
    begin_s: float, on_s: Values, off_s: Values, lines: _Lines, draw: _Draw
) -> tuple[Values, Values]:
    """Return the supply's move at the end of each on and each off."""
    upper_v, lower_v = np.zeros(on_s.size), np.zeros(on_s.size)
    now_s, before_v = begin_s, 0.0
    for k, (on, off) in enumerate(zip(on_s.tolist(), off_s.tolist(), strict=True)):
        straight_s = now_s + on + lines.on_first * before_v
        fall_s = draw.first_crossing_s(straight_s, lines.on_last)
        upper_v[k] = between_v = (fall_s - straight_s) / lines.on_last
        straight_s = fall_s + off + lines.off_first * between_v
        now_s = draw.first_crossing_s(straight_s, lines.off_last)
        lower_v[k] = before_v = (now_s - straight_s) / lines.off_last
    return upper_v, lower_v
