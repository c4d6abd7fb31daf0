"""Recordings with one known fault, drawn a second time: other circuit code, designs and courses.

For a last look alone: nothing in the diagnosis may be set by them, or they hold nothing out. The
kinds are those of `tests.simulated_faults`; the circuit is `tests.heldout_circuit`.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.simulated import SoundInputModel, TrueEdges
from benchlog.channel.design import parse_design
from benchlog.recording import Gap
from tests.fault_channels import Bench
from tests.fault_record import Case
from tests.heldout_circuit import Channel, Motion, run_channel
from tests.simulated_faults import CAUSES

__all__ = ["HeldOutCase", "draw_heldout"]

Values = NDArray[np.float64]
Shares = dict[str, tuple[Values, Values]]

_DESIGN = """
channel = "held-out"
[supply]
volts = {volts}
[timer]
family = "{family}"
r_on = {r_on}
r_knob = {r_knob}
r_off = {r_off}
c_timing = {c_timing}
[diode]
{diode}
[knob]
travel_deg = 270
[servo]
pulse_min_us = {low_us}
pulse_max_us = {high_us}
"""
_DIODES = (
    ('model = "1N4148"', 2.52e-9, 1.752),
    ('saturation_current = "2.52n"\nemission = 1.752\nseries = "0.568"', 2.52e-9, 1.752),
    ('saturation_current = "4.1n"\nemission = 1.83\nseries = "0.7"', 4.1e-9, 1.83),
)
_VOLT_PER_KELVIN = 8.617333e-5
_LIMIT_S, _LIMIT_SHARE = 4e-6, 0.01


@dataclass(frozen=True, eq=False)
class HeldOutCase(Case):
    """A case whose truth was worked out when it was drawn."""

    alone: Shares = field(default_factory=dict)

    @cached_property
    def truth(self) -> Shares:
        """What each cause by itself does to on and off in each cycle."""
        return self.alone


class _AgainError(Exception):
    """What was drawn cannot be; draw anew."""


@dataclass(frozen=True, slots=True)
class _Stand:
    """One channel on the bench: its design, its truth, where the knob is."""

    bench: Bench
    channel: Channel
    phase: float


def draw_heldout(kind: str, seed: int, *, duration_s: float = 60.0) -> HeldOutCase:
    """Draw a recording of one of the kinds; the same for the same arguments."""
    for attempt in range(3000):
        rng = np.random.default_rng([zlib.crc32(kind.encode()), seed, attempt, 7])
        try:
            return _draw(kind, seed, rng, duration_s)
        except _AgainError:
            continue
    raise AssertionError(f"no {kind} could be drawn from seed {seed}")


def _draw_stand(
    rng: np.random.Generator,
    pulse_s: tuple[float, float] = (0.6e-3, 2.3e-3),
    volts: float | None = None,
    range_us: tuple[float, float] = (500.0, 2500.0),
) -> _Stand:
    """Draw a channel with a pulse in a range."""
    while True:
        family = str(rng.choice(["cmos", "cmos", "bipolar"] if (volts or 9) > 4.7 else ["cmos"]))
        supply = volts or float(rng.choice([4.8, 5.0, 5.5, 6.0, 7.2, 9.0]))
        r_on = float(rng.choice([18e3, 22e3, 27e3, 36e3, 43e3, 51e3, 62e3]))
        r_knob = float(rng.choice([50e3, 100e3, 100e3, 150e3, 200e3, 220e3]))
        r_off = float(rng.choice([430e3, 510e3, 620e3, 750e3, 910e3, 1e6]))
        c_timing = float(rng.choice([12e-9, 15e-9, 18e-9, 24e-9, 27e-9, 33e-9, 39e-9]))
        text, diode_a, emission = _DIODES[int(rng.integers(len(_DIODES)))]
        track = float(rng.uniform(0.05, 0.95))
        kelvin = float(rng.uniform(290.0, 305.0))
        # The saturation current follows temperature as in the usual diode model.
        warm = (kelvin / 300.15) ** (3.0 / emission) * math.exp(
            1.11 / (emission * _VOLT_PER_KELVIN) * (1 / 300.15 - 1 / kelvin)
        )
        channel = Channel(
            supply_v=supply * float(rng.uniform(0.99, 1.01)),
            r_on_ohm=r_on * float(rng.uniform(0.98, 1.02)),
            r_knob_ohm=r_knob * float(rng.uniform(0.9, 1.1)),
            r_off_ohm=r_off * float(rng.uniform(0.98, 1.02)),
            c_f=c_timing * float(rng.uniform(0.94, 1.06)),
            track=track,
            contact_ohm=float(rng.uniform(0.0, 60.0)),
            upper=2 / 3 * float(rng.uniform(0.993, 1.007)),
            lower=1 / 3 * float(rng.uniform(0.993, 1.007)),
            diode_a=diode_a * warm * float(np.exp(rng.uniform(-0.3, 0.3))),
            diode_volt=emission * _VOLT_PER_KELVIN * kelvin,
            discharge_ohm=10.0 if family == "bipolar" else 14.0,
            discharge_v=0.04 if family == "bipolar" else 0.0,
            input_a=float(rng.uniform(10e-9, 60e-9)) if family == "bipolar" else 2e-11,
        )
        on_s, off_s = channel.still
        if not (pulse_s[0] < on_s < pulse_s[1] and 8e-3 < on_s + off_s < 25e-3):
            continue
        design = parse_design(
            _DESIGN.format(
                volts=supply,
                family=family,
                r_on=r_on,
                r_knob=r_knob,
                r_off=r_off,
                c_timing=c_timing,
                diode=text,
                low_us=range_us[0],
                high_us=range_us[1],
            ),
            "held-out",
        )
        bench = Bench(design, {}, channel.supply_v, kelvin - 273.15, 270 * track, on_s, off_s)
        return _Stand(bench, channel, float(rng.uniform(0.05, 0.95)))


def _cycles(edges: TrueEdges) -> tuple[Values, Values]:
    rises = np.flatnonzero(edges.level)
    rises = rises[rises + 2 < edges.time_s.size]
    time = edges.time_s
    return time[rises + 1] - time[rises], time[rises + 2] - time[rises + 1]


def _size(edges: TrueEdges) -> float:
    on_s, off_s = _cycles(edges)
    period_s = on_s + off_s
    return max(
        float(np.std(on_s)) / _LIMIT_S,
        float(np.std(period_s)) / (_LIMIT_SHARE * float(np.mean(period_s))),
    )


def _clock(stand: _Stand, duration_s: float) -> Values:
    """Return when each cycle begins, about."""
    count = math.ceil(1.35 * duration_s / stand.bench.period_s) + 10
    return np.asarray((np.arange(count) - stand.phase) * stand.bench.period_s)


def _pink(rng: np.random.Generator, count: int) -> Values:
    """Return noise whose power goes as one over the frequency, standard deviation 1."""
    spectrum = np.fft.rfft(rng.standard_normal(count))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    spectrum[0] = 0.0
    noise = np.fft.irfft(spectrum, count)
    return np.asarray(noise / np.std(noise))


def _jerk_free(share: Values) -> Values:
    """Rise from 0 to 1 as a hand moves: no jerk at either end."""
    s = np.clip(share, 0.0, 1.0)
    return np.asarray(s**3 * (10.0 - 15.0 * s + 6.0 * s**2))


Maker = Callable[[np.random.Generator, Values, float, float], Motion]


def _turn(rng: np.random.Generator, t: Values, end_s: float, k: float) -> Motion:
    total = np.zeros(t.size)
    for _ in range(int(rng.integers(2, 9))):
        begin_s = float(rng.uniform(0.05, 0.9)) * end_s
        total += float(rng.normal()) * _jerk_free((t - begin_s) / float(rng.uniform(0.2, 6.0)))
    return Motion(track=4e-3 * k * total)


def _wander(rng: np.random.Generator, t: Values, end_s: float, k: float) -> Motion:
    if rng.random() < 0.5:
        return Motion(track=2e-3 * k * _pink(rng, t.size))
    jumps = rng.standard_normal(t.size) * (rng.random(t.size) < rng.uniform(0.003, 0.05))
    hops = np.zeros(t.size)
    for i in range(1, t.size):
        hops[i] = 0.999 * hops[i - 1] + jumps[i]
    return Motion(track=2e-3 * k * hops)


def _bad_contact(rng: np.random.Generator, t: Values, end_s: float, k: float) -> Motion:
    grains = rng.gamma(float(rng.uniform(0.6, 3.0)), 1.0, t.size)
    if rng.random() < 0.5:
        flips = np.cumsum(rng.random(t.size) < rng.uniform(0.01, 0.3)) % 2
        grains = grains * (0.15 + flips)
    return Motion(contact_ohm=150.0 * k * grains)


def _sag(rng: np.random.Generator, t: Values, end_s: float, k: float) -> Motion:
    share = np.clip(t / end_s, 0.0, None)
    if rng.random() < 0.5:
        fall = -np.expm1(-((share / float(rng.uniform(0.2, 1.5))) ** float(rng.uniform(0.5, 1.3))))
    else:
        begin = float(rng.uniform(0.05, 0.5))
        fall = np.where(share > begin, 0.6 + 0.4 * np.sqrt(np.maximum(share - begin, 0)), 0.0)
        fall = fall + 0.3 * share
    return Motion(supply_v=-0.3 * k * np.asarray(fall))


def _pulls(rng: np.random.Generator, t: Values, end_s: float, k: float) -> Motion:
    depth = np.zeros(t.size)
    now_s = float(rng.uniform(0.5, 3.0))
    grid = np.zeros(math.ceil(1.4 * end_s / 1e-3) + 100)
    while now_s < 1.35 * end_s:
        length_s = float(rng.uniform(0.25, 2.5))
        edge_s = float(rng.uniform(0.01, 0.08))
        height = float(rng.uniform(0.6, 1.2))
        shape = np.clip(np.minimum((t - now_s) / edge_s, (now_s + length_s - t) / edge_s), 0, 1)
        depth = np.maximum(depth, height * shape)
        begin, end = int(now_s / 1e-3), int((now_s + length_s) / 1e-3)
        grid[begin:end] = height
        now_s += length_s + float(rng.uniform(0.5, 5.0))
    chop = float(rng.uniform(0.0, 0.15)) * 0.1 * k
    hz, phase = float(rng.uniform(90.0, 400.0)), float(rng.uniform(0, 6))
    drift = np.cumsum(rng.standard_normal(grid.size)) * 0.25

    def restless(time_s: float) -> float:
        i = min(max(int(time_s / 1e-3), 0), grid.size - 1)
        return chop * float(grid[i]) * math.sin(2 * math.pi * hz * time_s + phase + drift[i])

    return Motion(supply_v=-0.1 * k * depth, restless_v=restless if chop else None)


def _warm(rng: np.random.Generator, t: Values, end_s: float, k: float) -> Motion:
    share = np.clip(t / end_s, 0.0, None)
    sign = float(rng.choice([-1.0, 1.0]))
    way = rng.integers(3)
    if way == 0:
        middle, width = float(rng.uniform(0.2, 0.8)), float(rng.uniform(0.05, 0.3))
        course = 1.0 / (1.0 + np.exp(-(share - middle) / width))
    elif way == 1:
        course = np.sqrt(share)
    else:
        course = share**2
    return Motion(c_share=sign * 0.01 * k * np.asarray(course))


def _leak(rng: np.random.Generator, t: Values, end_s: float, k: float) -> Motion:
    way = rng.integers(3)
    if way == 0:
        return Motion(off_share=0.015 * k * _pink(rng, t.size))
    if way == 1:
        fades = np.zeros(t.size)
        for begin in rng.uniform(0, 0.9, int(rng.integers(1, 6))) * end_s:
            fades -= np.where(t > begin, np.exp(-(t - begin) / rng.uniform(2.0, 20.0)), 0.0)
        return Motion(off_share=0.03 * k * fades)
    return Motion(off_share=0.02 * k * np.sin(2 * math.pi * t / rng.uniform(3, 60) + rng.random()))


def _mains(hz: float) -> Maker:
    def make(rng: np.random.Generator, t: Values, end_s: float, k: float) -> Motion:
        true_hz = hz * (1.0 + float(rng.uniform(-4e-4, 4e-4)))
        lines = [(4e-3 * k, true_hz, float(rng.uniform(0, 6)))]
        for order, most in ((2, 0.2), (3, 0.4), (5, 0.2)):
            if rng.random() < 0.4:
                peak = 4e-3 * k * most * float(rng.random())
                lines.append((peak, order * true_hz, float(rng.uniform(0, 6))))
        return Motion(lines=tuple(lines))

    return make


_MAKERS: dict[str, tuple[str, Maker]] = {
    "wiper-moving": ("wiper", _turn),
    "wiper-wandering": ("wiper", _wander),
    "wiper-contact": ("wiper", _bad_contact),
    "battery-sag": ("supply", _sag),
    "supply-pulled": ("supply", _pulls),
    "capacitor-warming": ("capacitor", _warm),
    "off-path-leak": ("off-path", _leak),
    "mains-50": ("mains", _mains(50.0)),
    "mains-60": ("mains", _mains(60.0)),
}


def _noise(rng: np.random.Generator, count: int, motion: Motion, quiet: float = 1.0) -> Motion:
    """Add what every channel has."""
    upper_v, lower_v = rng.uniform(0.05e-3, 0.25e-3, 2) * quiet
    return replace(
        motion,
        upper_v=upper_v * rng.standard_normal(count),
        lower_v=lower_v * rng.standard_normal(count),
    )


def _run(stand: _Stand, motion: Motion, duration_s: float) -> TrueEdges:
    edges = run_channel(stand.channel, motion, duration_s, stand.phase)
    on_s, off_s = _cycles(edges)
    if on_s.size < 100 or np.min(on_s) <= 0 or np.min(off_s) <= 0:
        raise _AgainError
    return edges


def _fitted(
    make: Maker, stand: _Stand, rng: np.random.Generator, duration_s: float, size: float
) -> Motion:
    """Scale what moves until it has the size."""
    seed = int(rng.integers(1 << 31))
    t = _clock(stand, duration_s)
    k = 0.5
    for _ in range(8):
        motion = make(np.random.default_rng(seed), t, duration_s, k)
        if motion.supply_v is not None and np.min(motion.supply_v) < -0.3 * stand.channel.supply_v:
            raise _AgainError
        reached = _size(_run(stand, motion, duration_s))
        if abs(reached / size - 1.0) < 0.04:
            return motion
        k *= float(np.clip(size / max(reached, 1e-6), 0.1, 10.0))
    raise _AgainError


def _alone(stand: _Stand, motions: dict[str, Motion], duration_s: float) -> Shares:
    """Run each cause by itself against the still channel."""
    still = _cycles(_run(stand, Motion(), duration_s))
    moved = {cause: _cycles(_run(stand, one, duration_s)) for cause, one in motions.items()}
    count = min(one[0].size for one in (still, *moved.values()))
    return {
        cause: (on[:count] - still[0][:count], off[:count] - still[1][:count])
        for cause, (on, off) in moved.items()
    }


def _input(rng: np.random.Generator, duty: float, clipped: bool) -> tuple[SoundInputModel, bool]:
    """Draw a sound input, and whether a probe takes its place."""
    amplitude = float(rng.uniform(0.1, 0.7))
    if clipped:
        amplitude = float(rng.uniform(1.5, 4.0)) / (1.0 - duty)
    model = SoundInputModel(
        rate_hz=float(rng.choice([44100.0, 48000.0, 96000.0])),
        corners_hz=(float(rng.choice([2.0, 5.0, 16.0, 35.0])),),
        filter="minimum" if rng.random() < 0.4 else "linear",
        cutoff=float(rng.uniform(0.43, 0.47)),
        amplitude=amplitude,
        inverted=bool(rng.random() < 0.5),
        snr_db=float(rng.uniform(32.0, 66.0)),
        bits=16 if rng.random() < 0.6 else 24,
        clock_ppm=float(rng.normal(0.0, 40.0)),
    )
    return model, bool(rng.random() < 0.2) and not clipped


def _draw(kind: str, seed: int, rng: np.random.Generator, duration_s: float) -> HeldOutCase:
    if kind.startswith(("coupled", "two-channels")):
        return _draw_two(kind, seed, rng, duration_s)
    beyond_us = float(rng.uniform(15.0, 200.0))
    if kind == "end-stop-low":
        stand = _draw_stand(rng, (0.36e-3, 0.485e-3))
    elif kind == "end-stop-high":
        stand = _draw_stand(rng, (2.515e-3, 2.9e-3))
    else:
        stand = _draw_stand(rng)
    if kind.startswith("end-stop"):
        stand = _stopped(stand, kind, beyond_us)
    motions, size = _motions(kind, stand, rng, duration_s)
    edges = _run(stand, _together(list(motions.values())), duration_s)
    on_s, _ = _cycles(edges)
    inside = np.all((on_s > 0.506e-3) & (on_s < 2.494e-3))
    if not kind.startswith("end-stop") and not inside:
        raise _AgainError
    model, probed = _input(rng, stand.bench.on_s / stand.bench.period_s, kind == "clipping")
    cuts: tuple[Gap, ...] = ()
    if kind == "missing-pulses":
        edges = _dropped(edges, rng)
    elif kind == "extra-edges":
        edges = _chatter(edges, rng, 6.0 / model.rate_hz)
    elif kind == "lost-samples":
        probed = False
        cuts = _cuts(stand, rng, model.rate_hz, duration_s)
    return HeldOutCase(
        kind=kind,
        seed=seed,
        cause=CAUSES[kind],
        benches=(stand.bench,),
        duration_s=duration_s,
        size=size,
        inputs=(edges,),
        causes=({},),
        model=model,
        tick_s=float(rng.choice([1e-6, 2e-6])) if probed else None,
        cuts=cuts,
        marked=bool(rng.random() < 0.3),
        told_supply=bool(rng.random() < 0.5),
        alone=_alone(stand, motions, duration_s),
    )


def _stopped(stand: _Stand, kind: str, beyond_us: float) -> _Stand:
    """Give the servo a range that the pulse leaves."""
    design, pulse_us = stand.bench.design, stand.bench.on_s * 1e6
    low_us, high_us = 500.0, 2500.0
    if kind == "end-stop-low":
        low_us = max(500.0, pulse_us + beyond_us)
    else:
        high_us = min(2500.0, pulse_us - beyond_us)
    servo = replace(design.servo, pulse_min_s=low_us * 1e-6, pulse_max_s=high_us * 1e-6)
    return replace(stand, bench=replace(stand.bench, design=replace(design, servo=servo)))


def _motions(
    kind: str, stand: _Stand, rng: np.random.Generator, duration_s: float
) -> tuple[dict[str, Motion], float]:
    """Draw what moves, by cause, and the size of the fault."""
    t = _clock(stand, duration_s)
    size = float(np.exp(rng.uniform(math.log(1.5), math.log(10.0))))
    motions = {"threshold": _noise(rng, t.size, Motion())}
    if kind in _MAKERS:
        cause, make = _MAKERS[kind]
        motions[cause] = _fitted(make, stand, rng, duration_s, size)
        return motions, size
    if kind == "wiper-and-battery":
        share = float(rng.uniform(0.15, 0.85))
        wiper = _fitted(_wander, stand, rng, duration_s, size * math.sqrt(share))
        sag = _fitted(_sag, stand, rng, duration_s, size * math.sqrt(1.0 - share))
        return {**motions, "wiper": wiper, "supply": sag}, size
    names = [one for one in _MAKERS if one not in ("mains-50", "supply-pulled")]
    cause, make = _MAKERS[str(rng.choice(names))]
    calm = float(rng.uniform(0.05, 0.65 if kind == "healthy" else 0.4))
    motions[cause] = _fitted(make, stand, rng, duration_s, calm)
    return motions, calm if kind == "healthy" else math.nan


def _together(motions: list[Motion]) -> Motion:
    """Let all of them move at once."""
    names = ("supply_v", "track", "contact_ohm", "c_share", "off_share", "upper_v", "lower_v")
    total: dict[str, Values] = {}
    for one in motions:
        for name in names:
            series = getattr(one, name)
            if series is not None:
                total[name] = total[name] + series if name in total else series
    restless = [one.restless_v for one in motions if one.restless_v is not None]
    lines = tuple(line for one in motions for line in one.lines)
    return Motion(**total, restless_v=restless[0] if restless else None, lines=lines)


def _dropped(edges: TrueEdges, rng: np.random.Generator) -> TrueEdges:
    """Take out pulses in clusters."""
    rises = np.flatnonzero(edges.level)[5:-5]
    keep = np.ones(edges.time_s.size, bool)
    for centre in rng.integers(0, rises.size - 8, int(rng.integers(1, 6))):
        near = centre + np.unique(rng.integers(0, 8, int(rng.integers(1, 5))))
        for rise in rises[near]:
            keep[rise] = keep[rise + 1] = False
    return TrueEdges(edges.time_s[keep], edges.level[keep])


def _chatter(edges: TrueEdges, rng: np.random.Generator, least_s: float) -> TrueEdges:
    """Let the output flip back behind some edges, once or twice."""
    times = edges.time_s
    extra: list[float] = []
    for k in np.unique(rng.integers(10, times.size - 10, int(rng.integers(3, 25)))):
        room_s = float(times[k + 1] - times[k])
        now_s = float(times[k])
        added: list[float] = []
        for _ in range(int(rng.integers(1, 3))):
            start_s = now_s + least_s * float(rng.uniform(1.1, 2.5))
            now_s = start_s + least_s * float(rng.uniform(1.1, 3.0))
            added += [start_s, now_s]
        if now_s + 1.2 * least_s < float(times[k]) + room_s:
            extra += added
    if not extra:
        raise _AgainError
    both = np.sort(np.concatenate([times, extra]))
    return TrueEdges.from_times(both, first=bool(edges.level[0]))


def _cuts(
    stand: _Stand, rng: np.random.Generator, rate_hz: float, duration_s: float
) -> tuple[Gap, ...]:
    """Lose whole buffers."""
    buffer = int(rng.choice([64, 128, 441, 480, 512, 960, 1024]))
    starts_s = np.sort(rng.uniform(0.05, 0.9, int(rng.integers(1, 9)))) * duration_s
    gaps = [
        Gap(round(start * rate_hz) / rate_hz, buffer * int(rng.integers(1, 4)) / rate_hz)
        for start in starts_s
    ]
    period_s = stand.bench.period_s
    shifts = [abs(g.length_s - round(g.length_s / period_s) * period_s) for g in gaps]
    if max(shifts) < 0.3e-3 or (len(gaps) > 1 and np.min(np.diff(starts_s)) < 0.5):
        raise _AgainError
    return tuple(gaps)


def _draw_two(kind: str, seed: int, rng: np.random.Generator, duration_s: float) -> HeldOutCase:
    volts = float(rng.choice([4.8, 5.0, 6.0, 7.2]))
    stands = [_draw_stand(rng, volts=volts) for _ in range(2)]
    size, faulty = math.nan, 2 if kind == "coupled-reverse" else 1
    quiet = [_noise(rng, _clock(one, duration_s).size, Motion()) for one in stands]
    if kind == "two-channels-healthy":
        size = 0.3
        quiet = [
            _together([noise, _fitted(make, stand, rng, duration_s, float(rng.uniform(0.1, 0.6)))])
            for noise, stand, make in zip(quiet, stands, (_turn, _warm), strict=True)
        ]
    elif kind == "two-channels-common-sag":
        size = float(rng.uniform(2.0, 8.0))
        sag = _fitted(_sag, stands[0], rng, duration_s, size)
        here, there = (_clock(one, duration_s) for one in stands)
        assert sag.supply_v is not None
        fall = np.interp(there, here, sag.supply_v)
        quiet = [_together([quiet[0], sag]), _together([quiet[1], Motion(supply_v=fall)])]
    else:
        size = float(rng.uniform(1.6, 5.0))
        quiet = _coupled(stands, quiet, rng, duration_s, size, faulty)
    inputs = tuple(
        _run(stand, motion, duration_s) for stand, motion in zip(stands, quiet, strict=True)
    )
    for one in inputs:
        on_s, _ = _cycles(one)
        if np.min(on_s) < 0.506e-3 or np.max(on_s) > 2.494e-3:
            raise _AgainError
    model, probed = _input(rng, 0.1, clipped=False)
    return HeldOutCase(
        kind=kind,
        seed=seed,
        cause=CAUSES[kind],
        benches=tuple(one.bench for one in stands),
        duration_s=duration_s,
        size=size,
        inputs=inputs,
        causes=({}, {}),
        model=model,
        tick_s=1e-6 if probed else None,
        faulty=faulty,
    )


def _coupled(
    stands: list[_Stand],
    quiet: list[Motion],
    rng: np.random.Generator,
    duration_s: float,
    size: float,
    faulty: int,
) -> list[Motion]:
    """Turn the neighbour's knob; its servo follows, and the cells give way while it does."""
    pulled, puller = faulty - 1, 2 - faulty
    neighbour = stands[puller]
    there = _clock(neighbour, duration_s)
    track, begins = np.zeros(there.size), []
    now_s, place = float(rng.uniform(1.0, 3.0)), 0.0
    while now_s < 1.35 * duration_s:
        target = float(rng.uniform(-0.15, 0.15))
        turn_s = float(rng.uniform(0.15, 0.5))
        track += (target - place) * _jerk_free((there - now_s) / turn_s)
        begins.append((now_s, turn_s + float(rng.uniform(0.05, 0.3)), abs(target - place)))
        place = target
        now_s += turn_s + float(rng.uniform(1.0, 4.0))
    track = np.clip(track, 0.02 - neighbour.channel.track, 0.98 - neighbour.channel.track)
    delay_s = float(rng.uniform(0.0, 0.25))

    def fall(t: Values) -> Values:
        total = np.zeros(t.size)
        for begin, length, way in begins:
            since = t - begin - delay_s
            inside = (since > 0) & (since < length)
            total[inside] -= 0.5 + way
            rest = np.maximum(since - length, 0.0)
            total -= np.where(since >= length, (0.5 + way) * np.exp(-rest / 0.05), 0.0)
        return total

    chop = float(rng.uniform(0.0, 0.1))
    seed = int(rng.integers(1 << 31))
    here = fall(_clock(stands[pulled], duration_s))

    def pull(_: np.random.Generator, t: Values, end_s: float, k: float) -> Motion:
        noise = np.random.default_rng(seed).standard_normal((2, t.size)) * chop * np.abs(here)
        return Motion(
            supply_v=0.1 * k * here, upper_v=0.1 * k * noise[0], lower_v=0.1 * k * noise[1]
        )

    moved = _fitted(pull, stands[pulled], rng, duration_s, size)
    assert moved.supply_v is not None
    ratio = float(np.min(moved.supply_v) / np.min(here))
    if np.min(moved.supply_v) < -0.6:
        raise _AgainError
    result = list(quiet)
    result[pulled] = _together([quiet[pulled], moved])
    own = Motion(track=track, supply_v=ratio * fall(there))
    result[puller] = _together([quiet[puller], own])
    return result
