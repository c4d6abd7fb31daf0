"""Recordings of channels with one known fault, or none, for the tests of the diagnosis.

`draw_case` draws everything else as well: design, true parts, knob position, the size of the fault
against the limits, the input. A case is the same whenever it is drawn. What moves on and off is
worked out by the circuit (`benchlog.capture.simulated`), never from the directions that the
diagnosis looks for.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.simulated import SoundInputModel, TrueEdges, with_pulses, without_pulses
from benchlog.errors import DesignError
from benchlog.recording import Gap
from tests.fault_channels import Bench, draw_bench, draw_input, draw_tick_s, with_servo
from tests.fault_moves import (
    Causes,
    cycles_of,
    draw_background,
    draw_fault,
    draw_healthy,
    over_limits,
    simulate_causes,
)
from tests.fault_pairs import draw_coupled
from tests.fault_record import Case

__all__ = [
    "CAUSES",
    "EXTRA_KINDS",
    "KINDS",
    "PAIR_KINDS",
    "Case",
    "draw_case",
    "draw_near_zero_case",
]

Values = NDArray[np.float64]

CAUSES: dict[str, str] = {
    "healthy": "steady",
    "wiper-moving": "wiper",
    "wiper-wandering": "wiper",
    "wiper-contact": "wiper",
    "battery-sag": "supply",
    "supply-pulled": "supply",
    "capacitor-warming": "capacitor",
    "off-path-leak": "off-path",
    "mains-50": "mains",
    "mains-60": "mains",
    "missing-pulses": "missing-pulse",
    "extra-edges": "extra-edge",
    "end-stop-low": "end-stop-low",
    "end-stop-high": "end-stop-high",
    "clipping": "clipping",
    "lost-samples": "gap",
    "wiper-and-battery": "wiper",
    "coupled": "neighbour",
    "coupled-reverse": "neighbour",
    "two-channels-healthy": "steady",
    "two-channels-common-sag": "supply",
}
"""What stands first for each kind; of `wiper-and-battery` the one with the larger share."""

KINDS: tuple[str, ...] = tuple(CAUSES)
EXTRA_KINDS = ("threshold-noise", "mixed")
"""Restless thresholds, and any two causes at once, for the shares."""
CAUSES |= {"threshold-noise": "threshold", "mixed": "wiper"}
PAIR_KINDS = ("coupled", "coupled-reverse", "two-channels-healthy", "two-channels-common-sag")
_THROUGH_SOUND = ("clipping", "lost-samples")
_LEAST, _MOST = 1.5, 10.0
_STOP_S = (505e-6, 2495e-6)


class _RedrawError(Exception):
    """What was drawn cannot be; draw anew."""


_Drawn = tuple[Bench, Causes, TrueEdges, float]


def draw_case(kind: str, seed: int, *, duration_s: float = 60.0) -> Case:
    """Draw a recording.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    seed : int
        At least 0.
    duration_s : float
        Length of the record, true seconds.

    Returns
    -------
    Case
        The same for the same arguments.
    """
    if kind not in CAUSES:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, got {kind!r}")
    return _draw(kind, seed, duration_s)


def draw_near_zero_case(seed: int, *, duration_s: float = 60.0) -> Case:
    """Draw mains pick-up whose line, seen once a cycle, stands within 0.05 Hz of zero."""
    rng = np.random.default_rng([seed, 99])
    return _draw("mains-50" if rng.random() < 0.5 else "mains-60", seed, duration_s, near_zero=True)


def _draw(
    kind: str,
    seed: int,
    duration_s: float,
    *,
    near_zero: bool = False,
) -> Case:
    name = zlib.crc32(kind.encode())
    for attempt in range(4000):
        rng = np.random.default_rng(np.random.SeedSequence([seed, name, attempt, near_zero]))
        try:
            return _draw_once(kind, seed, duration_s, rng, near_zero)
        except (_RedrawError, DesignError):  # so large a fault stops the circuit
            continue
    raise AssertionError(f"no {kind} could be drawn from seed {seed}")


def _draw_once(
    kind: str,
    seed: int,
    duration_s: float,
    rng: np.random.Generator,
    near_zero: bool,
) -> Case:
    sim_seed = int(rng.integers(1 << 30))
    if kind in PAIR_KINDS:
        return _draw_pair(kind, seed, duration_s, rng, sim_seed)
    bench, needs_design = _bench_for(kind, rng)
    if near_zero:
        bench = _near_zero(bench, float(kind[-2:]), rng)
    causes, edges, size = _draw_moves(kind, bench, duration_s, rng, sim_seed)
    tick_s = None if kind in _THROUGH_SOUND or rng.random() >= 0.25 else draw_tick_s(rng)
    duty = bench.on_s / bench.period_s if kind == "clipping" else None
    model = draw_input(rng, clipped_duty=duty)
    cuts: tuple[Gap, ...] = ()
    marked = False
    if kind == "missing-pulses":
        edges = _lose_pulses(edges, rng)
    elif kind == "extra-edges":
        edges = _add_chatter(edges, rng, model if tick_s is None else None, bench, duration_s)
    elif kind == "lost-samples":
        cuts = _draw_cuts(bench, model, duration_s, rng)
        marked = bool(rng.random() < 0.4)
    on_s, _ = cycles_of(edges)
    inside = (on_s > _STOP_S[0]) & (on_s < _STOP_S[1])
    if not kind.startswith("end-stop") and kind != "extra-edges" and not inside.all():
        raise _RedrawError
    return Case(
        kind=kind,
        seed=seed,
        cause=CAUSES[kind],
        benches=(bench,),
        duration_s=duration_s,
        size=size,
        inputs=(edges,),
        causes=(causes,),
        model=model,
        tick_s=tick_s,
        cuts=cuts,
        marked=marked,
        needs_design=needs_design,
        told_supply=bool(rng.random() < 0.5),
        sim_seed=sim_seed,
    )


def _near_zero(bench: Bench, hz: float, rng: np.random.Generator) -> Bench:
    """Give a channel a capacitor with which a whole number of mains cycles makes a period."""
    wanted_s = 1.0 / hz + float(rng.uniform(-0.03, 0.03)) / hz**2
    factor = wanted_s / bench.period_s
    if not 0.85 < factor < 1.15:
        raise _RedrawError
    parts = {**bench.parts, "c_timing": bench.parts["c_timing"] * factor}
    return replace(bench, parts=parts, on_s=bench.on_s * factor, off_s=bench.off_s * factor)


def _bench_for(kind: str, rng: np.random.Generator) -> tuple[Bench, bool]:
    """Draw the channel, and tell whether its fault shows with its design alone."""
    if kind not in ("end-stop-low", "end-stop-high"):
        return draw_bench(rng), False
    beyond_s = float(np.exp(rng.uniform(math.log(12e-6), math.log(250e-6))))
    needs_design = bool(rng.random() < 0.5)
    if kind == "end-stop-low":
        span = (600e-6, 1100e-6) if needs_design else (330e-6, 488e-6)
        bench = draw_bench(rng, span)
        return with_servo(bench, bench.on_s + beyond_s, 2500e-6), needs_design
    span = (1500e-6, 2380e-6) if needs_design else (2512e-6, 3000e-6)
    bench = draw_bench(rng, span)
    return with_servo(bench, 500e-6, bench.on_s - beyond_s), needs_design


def _draw_moves(
    kind: str, bench: Bench, duration_s: float, rng: np.random.Generator, sim_seed: int
) -> tuple[Causes, TrueEdges, float]:
    """Draw what moves in a channel and simulate it."""
    if kind == "healthy":
        target = float(np.exp(rng.uniform(math.log(0.08), math.log(0.7))))
        return draw_healthy(bench, duration_s, rng, sim_seed, target)
    if CAUSES[kind] in ("wiper", "supply", "capacitor", "off-path", "mains", "threshold"):
        size = float(np.exp(rng.uniform(math.log(_LEAST), math.log(_MOST))))
        found = draw_fault(kind, bench, duration_s, rng, sim_seed, size)
        if found is None:
            raise _RedrawError
        causes = found
    else:
        target = float(np.exp(rng.uniform(math.log(0.05), math.log(0.5))))
        causes, edges, _ = draw_healthy(bench, duration_s, rng, sim_seed, target)
        return causes, edges, math.nan
    try:
        return causes, simulate_causes(bench, causes, duration_s, sim_seed), size
    except ValueError as exc:
        raise _RedrawError from exc


def _lose_pulses(edges: TrueEdges, rng: np.random.Generator) -> TrueEdges:
    """Take out some pulses, one at a time or a few in a row."""
    total = edges.on_s.size
    lost: set[int] = set()
    for _ in range(int(rng.integers(1, 16))):
        first = int(rng.integers(5, total - 10))
        lost.update(range(first, first + int(rng.choice([1, 1, 1, 2, 3]))))
    return without_pulses(edges, sorted(lost))


def _add_chatter(
    edges: TrueEdges,
    rng: np.random.Generator,
    model: SoundInputModel | None,
    bench: Bench,
    duration_s: float,
) -> TrueEdges:
    """Add short pulses, close behind regular edges or anywhere."""
    # What is shorter than the input's own edge is heard as a dent, not as two edges.
    least_s = 20e-6
    if model is not None:
        least_s = (14.0 if model.filter == "narrow" else 5.0) / model.rate_hz
    near = bool(rng.random() < 0.5)
    for _ in range(int(rng.integers(3, 31))):
        width_s = float(np.exp(rng.uniform(math.log(least_s), math.log(0.8 * bench.on_s))))
        for _ in range(50):
            k = int(rng.integers(20, edges.time_s.size - 20))
            begin_s, end_s = float(edges.time_s[k]), float(edges.time_s[k + 1])
            gap_s = float(rng.uniform(1.0, 4.0)) * least_s
            if not near:
                gap_s = float(rng.uniform(0.0, end_s - begin_s))
            start_s = begin_s + gap_s
            if least_s < gap_s and start_s + width_s + least_s < end_s:
                edges = with_pulses(edges, [start_s], width_s)
                break
    if edges.time_s.size < 6:
        raise _RedrawError
    return edges


def _draw_cuts(
    bench: Bench, model: SoundInputModel, duration_s: float, rng: np.random.Generator
) -> tuple[Gap, ...]:
    """Draw stretches of samples that are lost; one of them at least shifts the train visibly."""
    rate_hz = model.rate_hz
    for _ in range(100):
        number = int(rng.integers(1, 21)) if rng.random() < 0.7 else 1
        starts_s = np.sort(rng.uniform(0.03, 0.95, number)) * duration_s
        if number > 1 and np.min(np.diff(starts_s)) < 0.4:
            continue
        if rng.random() < 0.5:
            counts = rng.choice([32, 64, 128, 256, 512, 1024, 2048, 4096, 8192], number)
        else:
            counts = np.rint(np.exp(rng.uniform(math.log(32), math.log(8192), number)))
        lost_s = counts / rate_hz
        shift_s = np.abs(lost_s - np.rint(lost_s / bench.period_s) * bench.period_s)
        if np.max(shift_s) > 0.15e-3:
            return tuple(
                Gap(round(start * rate_hz) / rate_hz, float(length))
                for start, length in zip(starts_s, lost_s, strict=True)
            )
    raise _RedrawError


def _draw_pair(
    kind: str, seed: int, duration_s: float, rng: np.random.Generator, sim_seed: int
) -> Case:
    """Draw two channels on one supply."""
    first_bench = draw_bench(rng)
    benches = (first_bench, draw_bench(rng, beside=first_bench))
    size = math.nan
    notes: Mapping[str, float] = {}
    inputs: tuple[TrueEdges, ...]
    causes: tuple[Causes, ...]
    faulty = 2 if kind == "coupled-reverse" else 1
    if kind in ("coupled", "coupled-reverse"):
        size = float(np.exp(rng.uniform(math.log(_LEAST), math.log(_MOST))))
        drawn = draw_coupled(benches, duration_s, rng, (sim_seed, sim_seed + 1), size, faulty)
        if drawn is None:
            raise _RedrawError
        causes, inputs, notes = drawn
        size = notes["size"]
    elif kind == "two-channels-common-sag":
        size = float(np.exp(rng.uniform(math.log(_LEAST), math.log(_MOST))))
        first = draw_fault("battery-sag", benches[0], duration_s, rng, sim_seed, size)
        if first is None:
            raise _RedrawError
        sag = first["supply"]["supply_v"]
        here = np.arange(sag.size) * benches[0].period_s  # type: ignore[union-attr]
        there = np.arange(math.ceil(1.4 * duration_s / benches[1].period_s) + 20)
        second = draw_background(benches[1], duration_s, rng)
        second["supply"] = {"supply_v": np.interp(there * benches[1].period_s, here, sag)}
        causes = (first, second)
        inputs = tuple(
            simulate_causes(bench, moves, duration_s, sim_seed + k)
            for k, (bench, moves) in enumerate(zip(benches, causes, strict=True))
        )
        # The other channel must show it as well, or the finding would be one channel's alone.
        if max(over_limits(*cycles_of(inputs[1]))) < 1.2:
            raise _RedrawError
    else:
        healthy = []
        for k, bench in enumerate(benches):
            target = float(np.exp(rng.uniform(math.log(0.08), math.log(0.7))))
            healthy.append(draw_healthy(bench, duration_s, rng, sim_seed + k, target))
        causes = tuple(one[0] for one in healthy)
        inputs = tuple(one[1] for one in healthy)
        size = max(one[2] for one in healthy)
    for one in inputs:
        on_s, _ = cycles_of(one)
        if not np.all((on_s > _STOP_S[0]) & (on_s < _STOP_S[1])):
            raise _RedrawError
    return Case(
        kind=kind,
        seed=seed,
        cause=CAUSES[kind],
        benches=benches,
        duration_s=duration_s,
        size=size,
        inputs=inputs,
        causes=causes,
        model=draw_input(rng),
        tick_s=draw_tick_s(rng) if rng.random() < 0.25 else None,
        faulty=faulty,
        told_supply=bool(rng.random() < 0.5),
        sim_seed=sim_seed,
        notes=notes,
    )
