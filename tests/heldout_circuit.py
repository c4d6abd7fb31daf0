"""A channel worked out anew from the circuit: no code and no numbers of the package's own model.

On is a sum over nodes of charge over current, with the diode's drop found by Newton's method; off
is an exponential in closed form. What is quick (noise, mains, a restless supply) moves each
crossing by its size over the capacitor's slope there, cycle by cycle at the instant of the
crossing; what it does to the current in between averages out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.simulated_edges import TrueEdges

__all__ = ["Channel", "Motion", "run_channel"]

Values = NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(20)


@dataclass(frozen=True, slots=True)
class Channel:
    """True values, SI units: parts, levels as shares of the supply, diode, discharge, inputs."""

    supply_v: float
    r_on_ohm: float
    r_knob_ohm: float
    r_off_ohm: float
    c_f: float
    track: float
    contact_ohm: float = 5.0
    upper: float = 2 / 3
    lower: float = 1 / 3
    diode_a: float = 2.5e-9
    diode_volt: float = 1.75 * 0.0257
    discharge_ohm: float = 14.0
    discharge_v: float = 0.0
    input_a: float = 0.0

    def times(
        self, supply_v: Values, track: Values, contact_ohm: Values, c_share: Values, off: Values
    ) -> tuple[Values, Values]:
        """Return on and off of each cycle with these values held still, seconds."""
        track = np.clip(track, 0.0, 1.0)
        ra = self.r_on_ohm + track * self.r_knob_ohm
        rb = self.r_off_ohm * off + (1.0 - track) * self.r_knob_ohm
        c_f = self.c_f * c_share
        low, high = self.lower * supply_v, self.upper * supply_v
        on_s = np.zeros(supply_v.shape)
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            v = (low + high) / 2 + node * (high - low) / 2
            current = self.charging_a(v, supply_v, ra, rb, contact_ohm)
            on_s += weight * (high - low) / 2 * c_f / current
        sink = contact_ohm + self.discharge_ohm
        floor = self.discharge_v + (supply_v - self.discharge_v) * sink / (sink + ra)
        source = rb + ra * sink / (ra + sink)
        floor = floor - (self.diode_a + self.input_a) * source
        return on_s, source * c_f * np.log((high - floor) / (low - floor))

    def charging_a(
        self, v: Values, supply_v: Values, ra: Values, rb: Values, contact_ohm: Values
    ) -> Values:
        """Return the current into the capacitor while it charges, amperes."""
        u = np.full(v.shape, 0.45)
        for _ in range(40):
            through = self.diode_a * np.expm1(u / self.diode_volt)
            slope = (through + self.diode_a) / self.diode_volt
            beside = u + through * contact_ohm
            miss = through + beside / rb - (supply_v - v - beside) / ra
            steep = slope + (1.0 + slope * contact_ohm) * (1.0 / rb + 1.0 / ra)
            step = np.clip(miss / steep, -0.05, 0.05)
            u = u - step
            if np.max(np.abs(step)) < 1e-10:
                break
        through = self.diode_a * np.expm1(u / self.diode_volt)
        return np.asarray(through + (u + through * contact_ohm) / rb - self.input_a)

    @property
    def still(self) -> tuple[float, float]:
        """On and off while nothing moves, seconds."""
        one = np.ones(1)
        on_s, off_s = self.times(
            self.supply_v * one, self.track * one, self.contact_ohm * one, one, one
        )
        return float(on_s[0]), float(off_s[0])


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """What moves. Series have one value a cycle, from the one in which the record begins.

    Attributes
    ----------
    supply_v, track, contact_ohm, c_share, off_share : numpy.ndarray or None
        What holds through a cycle, against where it stands.
    upper_v, lower_v : numpy.ndarray or None
        The levels at the crossings.
    restless_v : callable or None
        The supply at an instant, against that of its cycle.
    lines : tuple
        Peak in volts, frequency and phase of what both levels pick up.
    """

    supply_v: Values | None = None
    track: Values | None = None
    contact_ohm: Values | None = None
    c_share: Values | None = None
    off_share: Values | None = None
    upper_v: Values | None = None
    lower_v: Values | None = None
    restless_v: Callable[[float], float] | None = None
    lines: tuple[tuple[float, float, float], ...] = ()


def run_channel(channel: Channel, motion: Motion, duration_s: float, phase: float) -> TrueEdges:
    """Run a channel from a phase of its cycle (0 to 1) to the end of the record."""
    on_still, off_still = channel.still
    count = math.ceil(1.35 * duration_s / (on_still + off_still)) + 10

    def at(series: Values | None) -> Values:
        return np.zeros(count) if series is None else np.asarray(series[:count])

    supply_v = channel.supply_v + at(motion.supply_v)
    track = channel.track + at(motion.track)
    contact_ohm = channel.contact_ohm + np.abs(at(motion.contact_ohm))
    c_share, off_share = 1.0 + at(motion.c_share), 1.0 + at(motion.off_share)
    on_s, off_s = channel.times(supply_v, track, contact_ohm, c_share, off_share)
    ends = _slopes(channel, supply_v, track, contact_ohm, c_share, off_share)
    walk = np.column_stack([on_s, off_s, *ends, at(motion.upper_v), at(motion.lower_v)])
    rises, falls = _walk(channel, motion, walk, -phase * (on_still + off_still))
    times = np.column_stack([rises, falls]).ravel()
    level = np.tile([True, False], rises.size)
    inside = (times > 0) & (times < duration_s)
    return TrueEdges(times[inside], level[inside])


def _slopes(
    channel: Channel,
    supply_v: Values,
    track: Values,
    contact_ohm: Values,
    c_share: Values,
    off_share: Values,
) -> tuple[Values, Values, Values, Values]:
    """Return the capacitor's slope at begin and end of on and of off, volts per second."""
    ra = channel.r_on_ohm + np.clip(track, 0, 1) * channel.r_knob_ohm
    rb = channel.r_off_ohm * off_share + (1.0 - np.clip(track, 0, 1)) * channel.r_knob_ohm
    c_f = channel.c_f * c_share
    low, high = channel.lower * supply_v, channel.upper * supply_v
    rising = [channel.charging_a(v, supply_v, ra, rb, contact_ohm) / c_f for v in (low, high)]
    falling = [v / (rb * c_f) for v in (high, low)]
    return rising[0], rising[1], falling[0], falling[1]


def _walk(channel: Channel, motion: Motion, walk: Values, begin_s: float) -> tuple[Values, Values]:
    """Return when each on begins and ends."""
    lines = [(peak, 2 * math.pi * hz, phase) for peak, hz, phase in motion.lines]
    restless = motion.restless_v

    def shift(time_s: float, share: float) -> float:
        total = 0.0 if restless is None else share * restless(time_s)
        for peak, rate, phase in lines:
            total += peak * math.sin(rate * time_s + phase)
        return total

    rises, falls = [], []
    now_s, below = begin_s, 0.0
    for on, off, up0, up1, down0, down1, noise_up, noise_low in walk.tolist():
        rises.append(now_s)
        fall_s = straight = now_s + on - below / up0
        for _ in range(4):
            above = noise_up + shift(fall_s, channel.upper)
            fall_s = straight + above / up1
        falls.append(fall_s)
        end_s = straight = fall_s + off + above / down0
        for _ in range(4):
            below = noise_low + shift(end_s, channel.lower)
            end_s = straight - below / down1
        now_s = end_s
    return np.array(rises), np.array(falls)
