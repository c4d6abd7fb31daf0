"""What moves in a channel with a fault, by cause, scaled to a size against the limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.simulated import Fluctuation, TrueEdges, Wander, simulate_edges
from tests.fault_channels import Bench
from tests.fault_courses import (
    bounded_wander,
    draw_contact,
    draw_knob_turns,
    draw_pulls,
    draw_sag,
    draw_slow_course,
    draw_walk,
)

__all__ = [
    "JITTER_LIMIT_S",
    "PERIOD_LIMIT",
    "Causes",
    "Moves",
    "cycle_times_s",
    "cycles_of",
    "draw_background",
    "draw_fault",
    "draw_healthy",
    "over_limits",
    "simulate_causes",
]

Values = NDArray[np.float64]
Moves = Mapping[str, Values | float]
"""By the names of `Fluctuation`: one value a cycle, or a number for mains and ripple."""
Causes = dict[str, Moves]

JITTER_LIMIT_S = 4e-6
PERIOD_LIMIT = 0.01


def cycle_times_s(bench: Bench, duration_s: float) -> Values:
    """Return when each cycle begins while nothing moves, with some to spare."""
    count = math.ceil(1.4 * duration_s / bench.period_s) + 20
    return np.asarray(np.arange(count) * bench.period_s)


def cycles_of(edges: TrueEdges) -> tuple[Values, Values]:
    """Return the pulse and the rest that follows it of each whole cycle, seconds."""
    rise = np.flatnonzero(edges.level)
    rise = rise[rise < edges.time_s.size - 2]
    time = edges.time_s
    return time[rise + 1] - time[rise], time[rise + 2] - time[rise + 1]


def over_limits(on_s: Values, off_s: Values) -> tuple[float, float]:
    """Return the standard deviations of pulse and period in units of their limits."""
    period_s = on_s + off_s
    return (
        float(np.std(on_s) / JITTER_LIMIT_S),
        float(np.std(period_s) / (PERIOD_LIMIT * np.mean(period_s))),
    )


def simulate_causes(bench: Bench, causes: Causes, duration_s: float, seed: int) -> TrueEdges:
    """Simulate a channel in which all of these causes move."""
    series: dict[str, Values] = {}
    numbers: dict[str, float] = {}
    for moves in causes.values():
        for name, value in moves.items():
            if isinstance(value, np.ndarray):
                series[name] = series[name] + value if name in series else value
            else:
                numbers[name] = float(value)
    wanders = {name: Wander(series=value) for name, value in series.items()}
    return simulate_edges(
        bench.design,
        bench.knob_deg,
        duration_s,
        supply_v=bench.supply_v,
        temperature_c=bench.temperature_c,
        parts=bench.parts,
        fluctuation=Fluctuation(**wanders, **numbers),  # type: ignore[arg-type]
        seed=seed,
    )


def _scaled(moves: Moves, factor: float) -> Moves:
    return {
        name: value if name.endswith("_hz") else value * factor for name, value in moves.items()
    }


def _scaled_causes(causes: Causes, factor: float) -> Causes:
    return {cause: _scaled(moves, factor) for cause, moves in causes.items()}


def _fit_size(
    bench: Bench,
    causes: Causes,
    duration_s: float,
    seed: int,
    size: float,
    tolerance: float = 0.03,
) -> Causes | None:
    """Scale moves until the worse of pulse and period is `size` times its limit.

    None where the channel cannot follow.
    """
    # A line is as large in a part of the record, and far quicker simulated.
    seconds = min(duration_s, 12.0) if set(causes) == {"mains"} else duration_s
    factor = 1.0
    for _ in range(6):
        scaled = _scaled_causes(causes, factor)
        try:
            on_s, off_s = cycles_of(simulate_causes(bench, scaled, seconds, seed))
        except ValueError:
            factor *= 0.3
            continue
        reached = max(over_limits(on_s, off_s))
        if abs(reached / size - 1.0) < tolerance:
            return scaled
        factor *= float(np.clip(size / reached, 0.05, 20.0))
    return None


def draw_background(bench: Bench, duration_s: float, rng: np.random.Generator) -> Causes:
    """Draw the noise that every channel has: restless thresholds, a supply that hardly wanders."""
    count = cycle_times_s(bench, duration_s).size
    levels_v = rng.uniform(0.05e-3, 0.3e-3, 2)
    step_v = rng.uniform(2e-6, 15e-6)
    return {
        "threshold": {
            "upper_level_v": levels_v[0] * rng.standard_normal(count),
            "lower_level_v": levels_v[1] * rng.standard_normal(count),
        },
        "supply": {"supply_v": step_v * np.cumsum(rng.standard_normal(count))},
    }


def draw_healthy(
    bench: Bench, duration_s: float, rng: np.random.Generator, seed: int, target: float
) -> tuple[Causes, TrueEdges, float]:
    """Draw a channel whose jitter and creep stay at `target` times the limits or so.

    Returns
    -------
    Causes
        What moves.
    TrueEdges
        What the channel puts out.
    float
        The size that all of it has together.
    """
    time_s = cycle_times_s(bench, duration_s)
    causes = draw_background(bench, duration_s, rng)
    extra: Causes = {
        "wiper": {"wiper": 1e-3 * bounded_wander(rng, time_s, rng.uniform(0.05, 5.0))},
        "supply": {"supply_v": 0.03 * draw_sag(rng, time_s, duration_s)},
        "capacitor": {"capacitor": 2e-3 * draw_slow_course(rng, time_s, duration_s)},
        "threshold": {
            "upper_level_v": 1e-3 * rng.standard_normal(time_s.size),
            "lower_level_v": 1e-3 * rng.standard_normal(time_s.size),
        },
        "mains": {"mains_v": 1e-3, "mains_hz": float(rng.choice([50.0, 60.0]))},
    }
    names = [str(one) for one in rng.permutation(sorted(extra))[: int(rng.integers(1, 4))]]
    if "mains" in names and rng.random() < 0.5:
        names.remove("mains")
    chosen = {name: _scaled(extra[name], float(rng.uniform(0.2, 1.0))) for name in names}
    fitted = _fit_size(bench, chosen, duration_s, seed, target, tolerance=0.2) if names else None
    for name, moves in (fitted or {}).items():
        causes[name] = _added(causes.get(name, {}), moves)
    edges = simulate_causes(bench, causes, duration_s, seed)
    size = max(over_limits(*cycles_of(edges)))
    if size <= 0.75:
        return causes, edges, size
    return draw_healthy(bench, duration_s, rng, seed, 0.7 * target)


def _added(first: Moves, second: Moves) -> Moves:
    total = dict(first)
    for name, value in second.items():
        total[name] = total[name] + value if name in total else value
    return total


def draw_fault(
    kind: str, bench: Bench, duration_s: float, rng: np.random.Generator, seed: int, size: float
) -> Causes | None:
    """Draw a fault of a size, with the background beside it; None where it cannot be so large."""
    time_s = cycle_times_s(bench, duration_s)
    fault = _unit_fault(kind, bench, time_s, duration_s, rng)
    fitted = _fit_size(bench, fault, duration_s, seed, size)
    if fitted is None or not _plausible(bench, fitted):
        return None
    causes = draw_background(bench, duration_s, rng)
    for name, moves in fitted.items():
        causes[name] = _added(causes.get(name, {}), moves)
    return causes


def _wiper_wanders(rng: np.random.Generator, time_s: Values, end_s: float) -> Causes:
    way = bounded_wander(rng, time_s, float(np.exp(rng.uniform(math.log(0.03), math.log(8)))))
    if rng.random() < 0.4:
        way = draw_walk(rng, time_s)
    return {"wiper": {"wiper": 0.003 * way}}


def _off_path_leaks(rng: np.random.Generator, time_s: Values, end_s: float) -> Causes:
    way = rng.integers(3)
    if way == 0:
        course = draw_slow_course(rng, time_s, end_s)
    elif way == 1:
        memory_s = float(np.exp(rng.uniform(math.log(0.1), math.log(10))))
        course = bounded_wander(rng, time_s, memory_s)
    else:
        course = -np.abs(rng.standard_normal(time_s.size))
    return {"off-path": {"off_path": 0.02 * course}}


def _supply_is_pulled(rng: np.random.Generator, time_s: Values, end_s: float) -> Causes:
    pulls = draw_pulls(rng, time_s, end_s)
    return {"supply": {name: 0.1 * value for name, value in pulls.items()}}


def _thresholds_are_restless(rng: np.random.Generator, time_s: Values, end_s: float) -> Causes:
    levels_v = 3e-3 * rng.standard_normal((2, time_s.size)) * rng.uniform(0.1, 1.0, (2, 1))
    return {"threshold": {"upper_level_v": levels_v[0], "lower_level_v": levels_v[1]}}


def _pick_up(hz: float, rng: np.random.Generator) -> Causes:
    """Draw mains at the levels, or twice its frequency on the supply, or both."""
    # A grid keeps its frequency within some 0.03 Hz (common practice).
    true_hz = hz + float(rng.uniform(-0.03, 0.03))
    way = rng.random()
    moves: dict[str, float] = {}
    if way < 0.85:
        moves |= {"mains_v": 5e-3, "mains_hz": true_hz}
    if way >= 0.7:
        moves |= {"ripple_v": 5e-3, "ripple_hz": 2.0 * true_hz}
    return {"mains": moves}


_UNIT_FAULTS: dict[str, Callable[[np.random.Generator, Values, float], Causes]] = {
    "wiper-moving": lambda rng, t, end: {"wiper": {"wiper": 0.005 * draw_knob_turns(rng, t, end)}},
    "wiper-wandering": _wiper_wanders,
    "wiper-contact": lambda rng, t, end: {"wiper": {"contact_ohm": 200.0 * draw_contact(rng, t)}},
    "battery-sag": lambda rng, t, end: {"supply": {"supply_v": 0.3 * draw_sag(rng, t, end)}},
    "supply-pulled": _supply_is_pulled,
    "capacitor-warming": lambda rng, t, end: {
        "capacitor": {"capacitor": 0.01 * draw_slow_course(rng, t, end)}
    },
    "off-path-leak": _off_path_leaks,
    "mains-50": lambda rng, t, end: _pick_up(50.0, rng),
    "mains-60": lambda rng, t, end: _pick_up(60.0, rng),
    "threshold-noise": _thresholds_are_restless,
}
"""Each fault at some small size, by kind; all but those of the mains scale with their series."""
_SINGLE = tuple(one for one in _UNIT_FAULTS if one not in ("mains-60", "threshold-noise"))


def _unit_fault(
    kind: str, bench: Bench, time_s: Values, end_s: float, rng: np.random.Generator
) -> Causes:
    """Draw a fault, some small size."""
    if kind == "wiper-and-battery":
        return _two_faults(("wiper-wandering", "battery-sag"), bench, time_s, end_s, rng)
    if kind != "mixed":
        return _UNIT_FAULTS[kind](rng, time_s, end_s)
    while True:
        two = tuple(str(one) for one in rng.permutation(_SINGLE)[:2])
        both = _two_faults(two, bench, time_s, end_s, rng)
        if len(both) == 2:
            return both


def _two_faults(
    kinds: tuple[str, ...], bench: Bench, time_s: Values, end_s: float, rng: np.random.Generator
) -> Causes:
    """Draw two faults at once, either of them leading in the figure that breaks its limit first."""
    both: Causes = {}
    seed = int(rng.integers(1 << 30))
    share = float(rng.uniform(0.15, 0.85))
    for kind, part in zip(kinds, (share, 1.0 - share), strict=True):
        ((cause, moves),) = _UNIT_FAULTS[kind](rng, time_s, end_s).items()
        reached = over_limits(*cycles_of(simulate_causes(bench, {cause: moves}, end_s, seed)))
        both[cause] = _scaled(moves, math.sqrt(part) / max(reached))
    return both


_MOST_MOVED = {"capacitor": 0.12, "off_path": 0.5, "contact_ohm": 30e3, "supply_v": 0.3}
"""Largest span of what moves; the supply's in units of the supply."""


def _plausible(bench: Bench, causes: Causes) -> bool:
    """Tell whether such parts exist."""
    for moves in causes.values():
        for name, value in moves.items():
            most = _MOST_MOVED.get(name, math.inf)
            if name == "supply_v":
                most *= bench.supply_v
            if isinstance(value, np.ndarray) and np.ptp(value) > most:
                return False
    return True
