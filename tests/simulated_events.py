"""Trains with events in them, of known kind: what befalls a channel, its lead, or a recording.

Trains come from the channel's simulator. Faults of the circuit move what follows them, as the
capacitor goes on from where it was; faults of the lead leave the train where it is; lost
samples are cut out of the rendered sound, or out of the edge list's time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.simulated import simulate_edges
from benchlog.capture.simulated_edges import TrueEdges, list_edges
from benchlog.capture.simulated_fluctuation import Fluctuation, Wander
from benchlog.capture.simulated_sound import SoundInputModel, render_sound
from benchlog.channel.design import Design, parse_design
from benchlog.channel.prediction import predict_cycle
from benchlog.recording import EdgeList, Gap, samples_from_array
from benchlog.timing.pulses import Measurement, measure_recording

__all__ = ["KINDS", "EventCase", "draw_case", "draw_channel", "draw_input"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class EventCase:
    """A recording with events: what they are, when, and what was measured of it."""

    kind: str
    count: int
    time_s: FloatArray
    measurement: Measurement
    sampled: bool
    word: str


def draw_channel(rng: np.random.Generator) -> tuple[Design, float]:
    """Draw a design and a knob angle with a pulse of 0.5 to 2.5 ms, a period of 8 to 25 ms."""
    while True:
        text = (
            'channel = "moon"\n[supply]\nvolts = {v:.2f}\n[timer]\nfamily = "{family}"\n'
            "r_on = {on:.0f}\nr_knob = {knob:.0f}\nr_off = {off:.0f}\nc_timing = {c:.3e}\n"
            '[diode]\nmodel = "1N4148"\n[knob]\ntravel_deg = 270\n'
            "[servo]\npulse_min_us = 300\npulse_max_us = 3000\n"
        ).format(
            v=rng.uniform(4.5, 9.0),
            family=rng.choice(["cmos", "bipolar", "ideal"]),
            on=rng.uniform(15e3, 68e3),
            knob=rng.choice([47e3, 100e3, 220e3]),
            off=rng.uniform(390e3, 1e6),
            c=rng.uniform(10e-9, 47e-9),
        )
        design = parse_design(text, "drawn")
        angle = float(rng.uniform(0.0, 270.0))
        times = predict_cycle(design, angle)
        if 0.5e-3 < float(times.on_s) < 2.5e-3 and 8e-3 < float(times.period_s) < 25e-3:
            return design, angle


def draw_input(
    rng: np.random.Generator, *, snr_db: tuple[float, float] = (30.0, 70.0)
) -> SoundInputModel:
    """Draw a sound input: rate, filter, coupling, noise, hum, polarity, clock."""
    corners = [float(10 ** rng.uniform(0.0, 2.0))]
    if rng.random() < 0.3:
        corners.append(float(10 ** rng.uniform(0.0, 1.3)))
    filter_ = str(rng.choice(["linear", "minimum", "narrow"], p=[0.5, 0.3, 0.2]))
    return SoundInputModel(
        rate_hz=float(rng.choice([44100.0, 48000.0, 96000.0], p=[0.3, 0.6, 0.1])),
        corners_hz=tuple(corners),
        filter=filter_,  # type: ignore[arg-type]
        amplitude=float(rng.uniform(0.1, 0.6)),
        inverted=bool(rng.random() < 0.5),
        snr_db=float(rng.uniform(*snr_db)),
        hum_fs=float(rng.choice([0.0, 0.01])),
        hum_hz=float(rng.choice([50.0, 60.0])),
        clock_ppm=float(rng.uniform(-100, 100)),
    )


def _own_unrest(rng: np.random.Generator) -> Fluctuation:
    """Draw the restlessness that every channel has, below the limits, creep included."""
    return Fluctuation(
        upper_level_v=Wander(white=float(rng.uniform(0.05e-3, 0.8e-3))),
        lower_level_v=Wander(white=float(rng.uniform(0.05e-3, 0.8e-3))),
        contact_ohm=Wander(white=float(rng.choice([0.0, 30.0, 100.0]))),
        capacitor=Wander(course=(0.0, float(rng.uniform(-1e-3, 1e-3)))),
    )


def _turned_knob(rng: np.random.Generator, knob_deg: float, duration_s: float) -> Fluctuation:
    """Draw a hand on the knob: slowly all the time, or fast by a hundred degrees at times."""
    unrest = _own_unrest(rng)
    span = 100.0 / 270.0 * rng.uniform(0.3, 1.0)
    here = knob_deg / 270.0
    span = span if here + span < 0.97 else -min(span, here - 0.02)
    if rng.random() < 0.5:
        return replace(unrest, wiper=Wander(course=(0.0, span, 0.0)))
    steps = np.zeros(int(duration_s / 0.1) + 1)
    for _ in range(int(rng.integers(1, 6))):
        at = int(rng.integers(5, steps.shape[0] - 20))
        hold = int(rng.integers(3, 15))
        steps[at : at + hold] = span
    return replace(unrest, wiper=Wander(course=tuple(steps.tolist())))


def _pick(rng: np.random.Generator, edges: TrueEdges, count: int, apart: int = 6) -> list[int]:
    """Pick rising edges, some cycles apart from each other and from the ends."""
    rising = np.flatnonzero(edges.level[:-4])
    rising = rising[(rising > 2 * apart) & (rising < edges.time_s.shape[0] - 2 * apart)]
    slots = rng.permutation(rising.shape[0] // apart)[:count]
    return sorted(int(rising[slot * apart]) for slot in slots)


def _missing(rng: np.random.Generator, edges: TrueEdges, at: list[int]) -> TrueEdges:
    keep = np.ones(edges.time_s.shape, bool)
    for one in at:
        keep[one : one + 2 * int(rng.integers(1, 4))] = False
    return TrueEdges(edges.time_s[keep], edges.level[keep], edges.first_level)


def _extra(rng: np.random.Generator, edges: TrueEdges, at: list[int], least_s: float) -> TrueEdges:
    times = [edges.time_s]
    for one in at:
        rise, fall, after = edges.time_s[one : one + 3].tolist()
        width = float(np.exp(rng.uniform(np.log(least_s), np.log(2e-3))))
        where = rng.random()
        if where < 0.3:  # chatter, close to an edge
            base = (rise, fall)[int(rng.integers(2))]
            for _ in range(int(rng.integers(1, 4))):
                small = least_s * rng.uniform(1.0, 2.0)
                begin = base + small
                base = begin + small
                times.append(np.array([begin, base]))
            continue
        low, high = (rise, fall) if where < 0.5 else (fall, after)
        width = min(width, 0.5 * (high - low))
        begin = rng.uniform(low + least_s, high - width - least_s)
        times.append(np.array([begin, begin + width]))
    return TrueEdges.from_times(np.sort(np.concatenate(times)), first=not edges.first_level)


def _shifted(
    edges: TrueEdges, at: list[int], change: Callable[[FloatArray], FloatArray]
) -> TrueEdges:
    """Change the edges of single cycles, and move all that follows along.

    `change` takes the ends of pulse, rest and next pulse after the rise, and gives them anew.
    """
    length = np.diff(edges.time_s)
    for one in at:
        length[one - 1 : one + 3] = change(length[one - 1 : one + 3])
    time = np.concatenate(([edges.time_s[0]], edges.time_s[0] + np.cumsum(length)))
    return TrueEdges(time, edges.level, edges.first_level)


def _resets(rng: np.random.Generator, edges: TrueEdges, at: list[int]) -> TrueEdges:
    """Stop the timer: pulse or rest is cut short, the next pulse starts from a low capacitor."""

    def change(length: FloatArray) -> FloatArray:
        rest, pulse, after, following = length.tolist()
        longer = 1.0 + rng.uniform(0.1, 0.7)
        if rng.random() < 0.5:  # in the rest before
            return np.array([rest * rng.uniform(0.1, 0.9), pulse * longer, after, following])
        return np.array(
            [
                rest,
                pulse * rng.uniform(0.1, 0.8),
                rng.uniform(1e-3, 0.5 * after),
                following * longer,
            ]
        )

    return _shifted(edges, at, change)


def _early(rng: np.random.Generator, edges: TrueEdges, at: list[int]) -> TrueEdges:
    """Trigger the timer early: the capacitor starts from where it is (no diode drop)."""

    def change(length: FloatArray) -> FloatArray:
        rest, pulse, after, following = length.tolist()
        share = rng.uniform(0.2, 0.8)
        return np.array(
            [share * rest, pulse * np.log2(3.0 - 2.0 ** (1.0 - share)), after, following]
        )

    return _shifted(edges, at, change)


def _opens(rng: np.random.Generator, edges: TrueEdges, at: list[int]) -> TrueEdges:
    """Open the wiper's contact in the rest: it ends later, by no whole number of periods."""

    def change(length: FloatArray) -> FloatArray:
        rest, pulse, after, following = length.tolist()
        return np.array([rest * rng.uniform(1.5, 6.0), pulse, after, following])

    return _shifted(edges, at, change)


def _lead_off(rng: np.random.Generator, edges: TrueEdges, at: list[int]) -> TrueEdges:
    """Take the lead off: a low level for a third of a second to some, the train goes on."""
    result = edges
    for one in at:
        begin = edges.time_s[one] + rng.uniform(0.0, 5e-3)
        end = begin + rng.uniform(0.35, 2.0)
        level_at = [
            bool(result.level[np.searchsorted(result.time_s, moment) - 1])
            for moment in (begin, end)
        ]
        keep = (result.time_s < begin) | (result.time_s > end)
        time, level = result.time_s[keep], result.level[keep]
        put = np.searchsorted(time, begin)
        if level_at[0]:
            time, level = np.insert(time, put, begin), np.insert(level, put, False)
            put += 1
        if level_at[1]:
            time, level = np.insert(time, put, end), np.insert(level, put, True)
        result = TrueEdges(time, level, edges.first_level)
    return result


def _cut_list(
    edges: TrueEdges, begins: FloatArray, lengths: FloatArray, duration_s: float
) -> EdgeList:
    """Cut stretches out of a list's time."""
    time, level = edges.time_s.copy(), edges.level.copy()
    for begin, length in sorted(zip(begins.tolist(), lengths.tolist(), strict=True), reverse=True):
        end = begin + length
        before = level[np.searchsorted(time, begin) - 1]
        after = level[np.searchsorted(time, end) - 1]
        keep_before, keep_after = time < begin, time >= end
        join = ([begin], [after]) if before != after else ([], [])
        level = np.concatenate((level[keep_before], join[1], level[keep_after])).astype(bool)
        time = np.concatenate((time[keep_before], join[0], time[keep_after] - length))
    return list_edges(TrueEdges(time, level, edges.first_level), duration_s, tick_s=1e-6)


KINDS = {
    "healthy": "",
    "turned": "",
    "missing": "missing-pulse",
    "opens": "missing-pulse",
    "extra": "extra-edge",
    "early": "extra-edge",
    "reset": "reset",
    "lead": "dropout",
    "lost": "gap",
    "marked": "gap",
}
"""What a train may suffer, and the kind of event that this is."""


def draw_case(kind: str, seed: int, *, sampled: bool, duration_s: float = 60.0) -> EventCase:
    """Draw a recording with one kind of events, always the same for a seed."""
    rng = np.random.default_rng([seed, list(KINDS).index(kind), sampled])
    design, knob_deg = draw_channel(rng)
    unrest = _turned_knob(rng, knob_deg, duration_s) if kind == "turned" else _own_unrest(rng)
    edges = simulate_edges(
        design, knob_deg, duration_s * 1.4, fluctuation=unrest, seed=int(rng.integers(1 << 30))
    )
    most = {"lost": 20, "marked": 20, "lead": 4, "reset": 10, "opens": 10}.get(kind, 30)
    count = int(rng.integers(1, most + 1))
    inside = TrueEdges(
        edges.time_s[edges.time_s < duration_s - 0.1],
        edges.level[edges.time_s < duration_s - 0.1],
        edges.first_level,
    )
    at = _pick(rng, inside, count, 200 if kind == "lead" else 6)
    time_s = inside.time_s[at]
    model = draw_input(rng)
    if kind == "missing":
        edges = _missing(rng, edges, at)
    elif kind == "extra":
        edges = _extra(rng, edges, at, max(50e-6, 3 / model.rate_hz) if sampled else 5e-6)
    elif kind in ("reset", "early", "opens"):
        edges = {"reset": _resets, "early": _early, "opens": _opens}[kind](rng, edges, at)
    elif kind == "lead":
        edges = _lead_off(rng, edges, at)
    cuts = kind in ("lost", "marked")
    counts = rng.choice([64, 128, 256, 512, 1024, 2048, 4096, 8192], len(at))
    rate_hz = model.rate_hz
    gaps: tuple[Gap, ...] = ()
    if kind == "marked":
        lost = np.cumsum(counts) - counts
        gaps = tuple(
            Gap(float(begin - before / rate_hz), float(length / rate_hz))
            for begin, before, length in zip(time_s, lost, counts, strict=True)
        )
    if sampled:
        sound = render_sound(edges, model, duration_s, int(rng.integers(1 << 30)))
        if cuts:
            keep = np.ones(sound.shape[0], bool)
            first = (time_s * rate_hz).astype(int) + rng.integers(0, 500, len(at))
            for begin, length in zip(first.tolist(), counts.tolist(), strict=True):
                keep[begin : begin + length] = False
            sound = sound[keep]
        samples = replace(samples_from_array(sound, rate_hz), gaps=gaps)
        (measurement,) = measure_recording(samples)
    else:
        listed = list_edges(edges, duration_s, tick_s=float(rng.choice([0.5e-6, 1e-6, 4e-6])))
        if cuts:
            begins = time_s + rng.uniform(0, 0.01, len(at))
            listed = _cut_list(edges, begins, counts / rate_hz, duration_s)
            listed = replace(listed, gaps=gaps)
        (measurement,) = measure_recording((listed,))
    return EventCase(kind, len(at), time_s, measurement, sampled, KINDS[kind])
