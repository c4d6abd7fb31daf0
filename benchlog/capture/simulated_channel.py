"""A simulated channel: the true edges of a 555 astable whose parts fluctuate.

Each cycle is worked out from the circuit (`benchlog.channel.timer`), all cycles at once.
On of cycle k runs from the lower level at which off of cycle k - 1 ended to the upper
level at its own end; off runs from there to the lower level at its own end. Whatever
moves a level at the instant of a crossing (noise, mains, a dip of the supply) therefore
moves the phase that ends there one way and the phase that begins there the other.

Within one cycle the parts hold still. The supply runs in straight lines from crossing to
crossing, with the ripple on top; each level is its fraction of the supply at the crossing
itself, and the way between is driven by the supply of each instant
(`benchlog.channel.moving`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.capture.simulated_edges import TrueEdges
from benchlog.capture.simulated_fluctuation import WANDERS, Fluctuation, child_seeds
from benchlog.channel.moving import stretch_by_supply
from benchlog.channel.plan import Design
from benchlog.channel.prediction import build_circuit
from benchlog.channel.timer import Circuit, cycle_times

__all__ = ["simulate_edges"]

Values = NDArray[np.float64]


def simulate_edges(
    design: Design,
    knob_deg: float,
    duration_s: float,
    *,
    supply_v: float | None = None,
    temperature_c: float | None = None,
    parts: Mapping[str, float] | None = None,
    fluctuation: Fluctuation | None = None,
    start_phase: float | None = None,
    seed: int = 0,
) -> TrueEdges:
    """Simulate what a channel puts out.

    Parameters
    ----------
    design : Design
        The channel as it should be.
    knob_deg : float
        Where its knob truly stands, degrees.
    duration_s : float
        Length of the record, seconds, above 0.
    supply_v, temperature_c : float, optional
        True supply and temperature; the design's where not given.
    parts : mapping of str to float, optional
        True values of parts by name, SI units (`benchlog.channel.prediction.OVERRIDES`).
    fluctuation : Fluctuation, optional
        What moves; nothing where not given.
    start_phase : float, optional
        Where in its cycle the channel is when the record begins: 0 is the rise, towards 1 the
        end of off. Drawn from the seed where not given.
    seed : int
        Seed of everything that is drawn.

    Returns
    -------
    TrueEdges
        The edges within the record, from 0 up to its end.

    Raises
    ------
    DesignError
        The channel does not oscillate.
    ValueError
        A duration or phase out of range, an unknown part, a series that is too short.
    """
    if not duration_s > 0:
        raise ValueError(f"duration_s must be above 0, got {duration_s}")
    if start_phase is not None and not 0 <= start_phase < 1:
        raise ValueError(f"start_phase must be from 0 to below 1, got {start_phase}")
    what = fluctuation if fluctuation is not None else Fluctuation()
    channel = _Channel(design, knob_deg, supply_v, temperature_c, parts or {})
    root = np.random.SeedSequence(seed)
    draw = np.random.default_rng(child_seeds(root, 1)[0])
    phase = float(draw.random()) if start_phase is None else start_phase
    period_s = channel.steady_period_s()
    count = math.ceil(1.1 * duration_s / period_s) + 8
    while True:
        starts, falls, end_s = _run(channel, what, count, phase, duration_s, root)
        if end_s > duration_s:
            break
        count *= 2
    times = np.stack([starts, falls], axis=1).ravel()
    inside = (times >= 0) & (times < duration_s)
    level = np.tile([True, False], starts.size)
    before = level[times < 0]
    return TrueEdges(times[inside], level[inside], steady_level=bool(before[-1:].any()))


class _Channel:
    """The circuit as it truly is, at one knob position."""

    def __init__(
        self,
        design: Design,
        knob_deg: float,
        supply_v: float | None,
        temperature_c: float | None,
        parts: Mapping[str, float],
    ) -> None:
        self.steady = build_circuit(
            design, knob_deg, supply_v=supply_v, temperature_c=temperature_c, parts=parts
        )
        self._fraction = float(design.knob.on_fraction(knob_deg))
        self._r_knob_ohm = parts.get("r_knob", design.r_knob.value)
        self._r_off_ohm = parts.get("r_off", design.r_off.value)

    def circuit(self, move: Mapping[str, Values]) -> Circuit:
        """Return the circuit in each cycle, moved from where it stands."""
        steady = self.steady
        on_side = np.clip(self._fraction + move["wiper"], 0.0, 1.0)
        moved_ohm = (on_side - self._fraction) * self._r_knob_ohm
        return replace(
            steady,
            supply_v=np.add(steady.supply_v, move["supply_v"]),
            r_a_ohm=np.add(steady.r_a_ohm, moved_ohm),
            r_b_ohm=np.add(steady.r_b_ohm, move["off_path"] * self._r_off_ohm - moved_ohm),
            r_wiper_ohm=np.add(steady.r_wiper_ohm, np.abs(move["contact_ohm"])),
            c_f=np.multiply(steady.c_f, 1 + move["capacitor"]),
            temperature_c=np.add(steady.temperature_c, move["diode_k"]),
        )

    def steady_period_s(self) -> float:
        """Return the period where nothing moves."""
        return float(cycle_times(self.steady).period_s)


@dataclass(frozen=True, slots=True, eq=False)
class _Crossings:
    """The three crossings of each cycle: before on, between on and off, after off.

    Both fields have shape (3, n): the supply at the crossing, and by how much the level
    crossed lies off its fraction of that supply, volts.
    """

    supply_v: Values
    shift_v: Values

    def moved(self, moves: Values) -> _Crossings:
        """Return the same with `moves`, shape (2, 3, n), added to supply and shift."""
        return _Crossings(self.supply_v + moves[0], self.shift_v + moves[1])


def _levels(circuit: Circuit, crossings: _Crossings) -> Values:
    """Return the capacitor voltage at each crossing, shape (3, n)."""
    timer = circuit.timer
    fractions = np.array([timer.trigger_fraction, timer.threshold_fraction, timer.trigger_fraction])
    return np.asarray(fractions.reshape(3, 1) * crossings.supply_v + crossings.shift_v)


def _held_phases(circuit: Circuit, crossings: _Crossings) -> Values:
    """Return on and off times, shape (2, n), each driven by the mean supply of its two ends."""
    supply, timer = crossings.supply_v, circuit.timer
    level = _levels(circuit, crossings)
    times = []
    for phase, lower in ((0, level[0]), (1, level[2])):
        drive = (supply[phase] + supply[phase + 1]) / 2
        levels = replace(timer, threshold_fraction=level[1] / drive, trigger_fraction=lower / drive)
        cycle = cycle_times(replace(circuit, supply_v=drive, timer=levels))
        times.append(cycle.on_s if phase == 0 else cycle.off_s)
    return np.stack(times)


def _phases(circuit: Circuit, crossings: _Crossings, ripple: _Ripple | None = None) -> Values:
    """Return on and off times between given crossings, shape (2, n)."""
    held = _held_phases(circuit, crossings)
    supply, level = crossings.supply_v, _levels(circuit, crossings)
    delay_s = float(circuit.timer.delay_s)
    for phase in range(2):
        begin, end = supply[phase], supply[phase + 1]
        where = np.flatnonzero(begin != end) if ripple is None else np.arange(begin.size)
        if not where.size:
            continue
        driven = _at_cycles(replace(circuit, supply_v=(begin + end) / 2), where)
        if ripple is None:
            supply_at, nodes = _straight(begin[where], end[where]), _NODES
        else:
            supply_at, nodes = ripple.within(phase, begin, end), ripple.nodes(held[phase])
        stretch = stretch_by_supply(
            driven,
            level[phase][where],
            level[phase + 1][where],
            supply_at,
            pulled=phase == 1,
            nodes=nodes,
        )
        held[phase, where] = delay_s + (held[phase, where] - delay_s) * stretch
    return held


_NODES = 12
"""Enough for a straight line: some 1e-9."""


def _straight(begin: Values, end: Values) -> Callable[[Values, Values], Values]:
    """Return a supply that runs in a straight line while the phase lasts."""
    return lambda elapsed_s, length_s: begin + (end - begin) * (elapsed_s / length_s)


def _at_cycles(circuit: Circuit, where: NDArray[np.intp]) -> Circuit:
    """Return the circuit in some of the cycles."""

    def cut(value: ArrayLike) -> ArrayLike:
        array = np.asarray(value)
        return array[where] if array.ndim else array

    return replace(
        circuit,
        supply_v=cut(circuit.supply_v),
        r_a_ohm=cut(circuit.r_a_ohm),
        r_b_ohm=cut(circuit.r_b_ohm),
        r_wiper_ohm=cut(circuit.r_wiper_ohm),
        c_f=cut(circuit.c_f),
        temperature_c=cut(circuit.temperature_c),
    )


def _run(
    channel: _Channel,
    what: Fluctuation,
    count: int,
    phase: float,
    duration_s: float,
    root: np.random.SeedSequence,
) -> tuple[Values, Values, float]:
    """Return when each on begins and ends, and when the last cycle ends."""
    shares = np.arange(count) * channel.steady_period_s() / duration_s
    seeds = child_seeds(root, len(WANDERS) + 2)
    move = {
        name: getattr(what, name).values(count, seeds[k + 2], shares)
        for k, name in enumerate(WANDERS)
    }
    circuit = channel.circuit(move)
    supply = np.asarray(circuit.supply_v)
    crossings = _Crossings(
        _with_start(
            supply + move["supply_on_end_v"], supply + move["supply_off_end_v"], float(supply[0])
        ),
        _with_start(move["upper_level_v"], move["lower_level_v"], 0.0),
    )
    times = _phases(circuit, crossings)
    begin_s = -phase * float(times[:, 0].sum())
    if what.mains_v or what.ripple_v:
        lines = _Lines(what, np.random.default_rng(seeds[1]).uniform(0, 2, 2))
        times = _pick_up(circuit, crossings, lines, begin_s)
    ends = begin_s + np.cumsum(times.sum(axis=0))
    starts = np.concatenate([[begin_s], ends[:-1]])
    return starts, starts + times[0], float(ends[-1])


def _with_start(upper: Values, lower: Values, start: float) -> Values:
    """Stack what holds at the crossings; on begins where off of the cycle before ended."""
    return np.stack([np.concatenate([[start], lower[:-1]]), upper, lower])


class _Lines:
    """What moves with time whatever the channel does: supply ripple and mains pick-up."""

    def __init__(self, what: Fluctuation, phases: Values) -> None:
        self._peaks = (what.ripple_v, what.mains_v)
        self._rates = (2 * math.pi * what.ripple_hz, 2 * math.pi * what.mains_hz)
        self._phases = (math.pi * float(phases[0]), math.pi * float(phases[1]))
        self.ripple_hz = what.ripple_hz if what.ripple_v else 0.0
        self.steepest = np.multiply(self._peaks, self._rates)

    def at(self, time_s: float) -> tuple[float, float]:
        """Return by how much the supply and the levels are moved, volts."""
        (ripple_v, mains_v), (ripple_rate, mains_rate) = self._peaks, self._rates
        supply = ripple_v * math.sin(ripple_rate * time_s + self._phases[0]) if ripple_v else 0.0
        shift = mains_v * math.sin(mains_rate * time_s + self._phases[1]) if mains_v else 0.0
        return supply, shift

    def supply_at(self, time_s: Values) -> Values:
        """Return by how much the supply is moved, volts."""
        return np.asarray(self._peaks[0] * np.sin(self._rates[0] * time_s + self._phases[0]))


class _Ripple:
    """The supply within each phase: a straight line and the ripple."""

    def __init__(self, lines: _Lines, crossed_s: Values) -> None:
        self._lines = lines
        self._crossed_s = crossed_s

    def within(self, phase: int, begin: Values, end: Values) -> Callable[[Values, Values], Values]:
        """Return the supply of on (0) or off (1), which is known at its two ends."""
        start_s = self._crossed_s[phase]

        def supply_at(elapsed_s: Values, length_s: Values) -> Values:
            first, last = (
                self._lines.supply_at(start_s + past) for past in (np.zeros(()), length_s)
            )
            ripple = self._lines.supply_at(start_s + elapsed_s)
            share = elapsed_s / length_s
            return begin + (end - begin) * share + ripple - first - (last - first) * share

        return supply_at

    def nodes(self, times_s: Values) -> int:
        """Return how many nodes follow the ripple through the longest phase."""
        swings = self._lines.ripple_hz * float(np.max(times_s))
        return min(_NODES + 4 * math.ceil(swings), 64)


_CORRECTIONS = 4
"""Rounds of exact times against straight-line ones; each squares the error."""


def _pick_up(circuit: Circuit, crossings: _Crossings, lines: _Lines, begin_s: float) -> Values:
    """Return on and off times, shape (2, n), where a crossing depends on its own instant.

    Each crossing depends on all that came before, so the cycles are walked through one by
    one with times that are straight lines in what moves; then the exact times with the moves
    found correct the lines, and the walk is repeated.
    """
    exact = _phases(circuit, crossings)
    slopes = _slopes(circuit, crossings)
    if np.max(np.einsum("pekn,k->pen", np.abs(slopes), lines.steepest)) > 0.5:
        raise ValueError("mains or ripple so large that a level is crossed more than once")
    straight = exact
    for _ in range(_CORRECTIONS):
        moves, crossed_s = _walk(straight, slopes, lines, begin_s)
        ripple = _Ripple(lines, crossed_s) if lines.ripple_hz else None
        exact = _phases(circuit, crossings.moved(moves), ripple)
        ends = np.stack([moves[:, :2], moves[:, 1:]])  # of on and of off: (2, kind, end, n)
        straight = exact - np.einsum("pekn,pken->pn", slopes, ends)
    return exact


def _slopes(circuit: Circuit, crossings: _Crossings) -> Values:
    """Return d(time)/d(move), s/V, shape (2 phases, 2 ends of it, 2 kinds of move, n)."""
    small = 1e-5 * float(np.mean(crossings.supply_v))
    times = _held_phases(circuit, crossings)
    slopes = np.zeros((2, 2, 2, times.shape[1]))
    for kind in range(2):
        for place in range(3):
            moves = np.zeros((2, *crossings.supply_v.shape))
            moves[kind, place] = small
            change = (_held_phases(circuit, crossings.moved(moves)) - times) / small
            for phase in range(2):
                if 0 <= place - phase <= 1:
                    slopes[phase, place - phase, kind] = change[phase]
    return slopes


def _walk(times: Values, slopes: Values, lines: _Lines, begin_s: float) -> tuple[Values, Values]:
    """Return by how much supply and levels are moved at each crossing, and when it is.

    Shapes (2, 3, n) and (3, n).
    """
    time_s, before = begin_s, lines.at(begin_s)
    rows, crossed = [], []
    per_cycle = np.moveaxis(slopes, -1, 0).tolist()
    for (on_s, off_s), (on_slopes, off_slopes) in zip(times.T.tolist(), per_cycle, strict=True):
        rise_s = time_s
        fall_s, between = _cross(time_s + on_s + _dot(on_slopes[0], before), on_slopes[1], lines)
        straight_s = fall_s + off_s + _dot(off_slopes[0], between)
        time_s, after = _cross(straight_s, off_slopes[1], lines)
        rows.append((before, between, after))
        crossed.append((rise_s, fall_s, time_s))
        before = after
    return np.moveaxis(np.array(rows), 0, -1).swapaxes(0, 1), np.array(crossed).T


def _dot(slopes: Sequence[float], moves: tuple[float, float]) -> float:
    return slopes[0] * moves[0] + slopes[1] * moves[1]


def _cross(
    straight_s: float, slopes: Sequence[float], lines: _Lines
) -> tuple[float, tuple[float, float]]:
    """Return when a moving level is crossed, and by how much all is moved then."""
    time_s = straight_s
    for _ in range(60):
        last, time_s = time_s, straight_s + _dot(slopes, lines.at(time_s))
        if abs(time_s - last) < 1e-13:
            break
    return time_s, lines.at(time_s)
