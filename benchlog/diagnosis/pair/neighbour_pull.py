"""What a neighbour's servo does to the supply, as functions of time with free sizes.

A servo draws current while it moves, and most of it in strokes that begin with its own pulse. So a
channel on the same cells sees the supply fall (a) on the whole, while the neighbour's pulse is
being changed and some time after, and (b) at certain places of the neighbour's cycle. What of that
moves the channel is told by the supply at three instants of each of its cycles: where the pulse
begins, where it ends, and where the rest ends.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.separation.beat_likeness import lasting_slope
from benchlog.diagnosis.separation.directions import Direction

__all__ = [
    "DELAYS_S",
    "LAGS_S",
    "Instants",
    "Neighbour",
    "SupplyEffect",
    "fade",
    "follow_neighbour",
    "phase_of",
]

FloatArray = NDArray[np.float64]

DELAYS_S = (0.0, 0.06, 0.12, 0.18, 0.24, 0.32, 0.4)
"""How long after the neighbour's pulse the supply may fall, as first tried."""

LAGS_S = (0.03, 0.15, 0.5)
"""Time constants with which the fall dies away once the neighbour's pulse stands still."""

HARMONICS = 3
"""Of the neighbour's cycle: a dip of a few milliseconds needs no more."""

_GRID_S = 0.005
_CALM_S = 0.08
_NOISES = 4.0
_LEAST_PACE = 2e-5
_FULL_PACE = 1e-4
"""Seconds of pulse a second at which a servo draws about half of what it can: a slow turn."""

_GATE_S = 0.25
_LEAST_TRAVEL_S = 30e-6
_SCATTERS = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class Neighbour:
    """What the neighbour's pulse does.

    Attributes
    ----------
    rise_s : numpy.ndarray
        When each of its pulses begins, seconds, shape (m,).
    count : numpy.ndarray
        How many cycles have passed by then, missing ones counted, shape (m,).
    grid_s : numpy.ndarray
        Instants at an even distance over the whole recording, seconds, shape (g,).
    pace : numpy.ndarray
        0 where its pulse stands still, towards 1 where it changes fast, shape (g,).
    calm_s : numpy.ndarray
        Its pulse with its own jitter smoothed out, seconds, shape (g,).
    travel_s : float
        By how much its pulse was changed in all, from the shortest to the longest, seconds.
    turning_share : float
        Share of the recording in which it was being changed.
    least_travel_s : float
        A lesser travel may be its own restlessness, seconds.
    pulse_s : numpy.ndarray
        How long each of its pulses lasts, seconds, shape (m,).
    """

    rise_s: FloatArray
    count: FloatArray
    grid_s: FloatArray
    pace: FloatArray
    calm_s: FloatArray
    travel_s: float
    turning_share: float
    least_travel_s: float
    pulse_s: FloatArray

    @property
    def is_turned(self) -> bool:
        """Whether its pulse is changed by far more than it scatters."""
        return self.turning_share > 0 and self.travel_s > self.least_travel_s

    def shifted(self, by_s: float, by_hz: float) -> Neighbour:
        """Return one that does the same at other times and at another rate: it pulls nothing."""
        steps = round(by_s / _GRID_S)
        rise_s = self.rise_s
        return Neighbour(
            rise_s,
            self.count + by_hz * (rise_s - rise_s[0]),
            self.grid_s,
            np.roll(self.pace, steps),
            np.roll(self.calm_s, steps),
            self.travel_s,
            self.turning_share,
            self.least_travel_s,
            self.pulse_s,
        )

    def by_ends(self) -> Neighbour:
        """Return the same with its cycles counted from where its pulses end: there it pulls."""
        return replace(self, rise_s=self.rise_s + self.pulse_s)


@dataclass(frozen=True, slots=True, eq=False)
class Instants:
    """The three crossings of each cycle of the channel, seconds, shape (n,) each."""

    begin_s: FloatArray
    on_end_s: FloatArray
    off_end_s: FloatArray

    @classmethod
    def of(cls, cycles: Cycles) -> Instants:
        """Return those of a channel's cycles."""
        on_end_s = cycles.start_s + cycles.on_s
        return cls(cycles.start_s, on_end_s, on_end_s + cycles.off_s)


def follow_neighbour(cycles: Cycles, wiper: Direction) -> Neighbour:
    """Tell what a neighbour's pulse does.

    Parameters
    ----------
    cycles : Cycles
        The neighbour's; at least 8.
    wiper : Direction
        How its wiper moves pulse and rest: what moves otherwise is no turned knob.

    Returns
    -------
    Neighbour
        Paces below what its jitter alone shows are 0.
    """
    start_s, pulse_s = cycles.start_s, cycles.on_s
    period_s = float(np.median(cycles.on_s + cycles.off_s))
    passed = np.maximum(np.rint(np.diff(start_s) / period_s), 1.0)
    grid_s = np.arange(0.0, max(cycles.duration_s, float(start_s[-1])) + _GRID_S, _GRID_S)
    many = max(3, 2 * round(_CALM_S / period_s / 2) + 1)
    calm_s = _smooth(_median3(pulse_s), many)
    # a slope over the smoothed stretch, against what white jitter makes of it
    reach = many
    ahead = np.minimum(np.arange(start_s.size) + reach, start_s.size - 1)
    behind = np.maximum(np.arange(start_s.size) - reach, 0)
    slope = (calm_s[ahead] - calm_s[behind]) / np.maximum(start_s[ahead] - start_s[behind], 1e-6)
    scatter_s = 1.4826 * float(np.median(np.abs(np.diff(pulse_s)))) / np.sqrt(2.0)
    noise = scatter_s * np.sqrt(2.0 / many) / (2.0 * reach * period_s)
    pace = np.maximum(np.abs(slope) - max(_NOISES * noise, _LEAST_PACE), 0.0)
    pace = pace / (pace + _FULL_PACE) * _is_turn(cycles, wiper, round(_GATE_S / period_s))
    on_grid = np.interp(grid_s, start_s, pace)
    turned = calm_s[pace > 0]
    travel_s = float(np.ptp(turned)) if turned.size else 0.0
    return Neighbour(
        start_s,
        np.concatenate([[0.0], np.cumsum(passed)]),
        grid_s,
        on_grid,
        np.interp(grid_s, start_s, calm_s),
        travel_s,
        float(np.mean(on_grid > 0)),
        max(_LEAST_TRAVEL_S, _SCATTERS * float(np.std(pulse_s - calm_s))),
        pulse_s,
    )


def _is_turn(cycles: Cycles, wiper: Direction, reach: int) -> NDArray[np.bool_]:
    """Tell where pulse and rest change together as a wiper changes them."""
    many = max(3, reach)
    pulse_s, rest_s = (_smooth(_median3(one), many) for one in (cycles.on_s, cycles.off_s))
    ahead = np.minimum(np.arange(pulse_s.size) + many, pulse_s.size - 1)
    behind = np.maximum(np.arange(pulse_s.size) - many, 0)
    expected_s = wiper.off_s / wiper.on_s * (pulse_s[ahead] - pulse_s[behind])
    found_s = rest_s[ahead] - rest_s[behind]
    return np.asarray(np.abs(found_s - expected_s) < 0.5 * np.abs(expected_s))


def _median3(values: FloatArray) -> FloatArray:
    """Take out single values that stand apart."""
    inner = np.median(np.stack((values[:-2], values[1:-1], values[2:])), axis=0)
    return np.concatenate((values[:1], inner, values[-1:]))


def _smooth(values: FloatArray, many: int) -> FloatArray:
    """Return running means, of fewer values at the two ends."""
    weights = np.ones(min(many, values.size))
    total = np.convolve(values, weights, mode="same")
    return np.asarray(total / np.convolve(np.ones(values.size), weights, mode="same"))


class SupplyEffect:
    """Turns functions of the supply into what they do to pulse and rest.

    Parameters
    ----------
    cycles : Cycles
        The channel's.
    directions : mapping of str to Direction
        By their kinds: ``supply``, ``supply-on-end`` and ``supply-off-end``, seconds a volt.

    Attributes
    ----------
    slow_s : tuple of float
        What a lasting volt does to pulse and rest, seconds.
    """

    def __init__(self, cycles: Cycles, directions: Mapping[str, Direction]) -> None:
        self._instants = Instants.of(cycles)
        self.slow_s = lasting_slope(directions["supply"])
        self._on_end = directions["supply-on-end"]
        self._off_end = directions["supply-off-end"]

    @property
    def crossing_s(self) -> float:
        """By how much a volt at one crossing alone moves the rest, seconds a volt."""
        return float(np.hypot(self._on_end.off_s, self._off_end.off_s))

    def slow(self, grid_s: FloatArray, supply: FloatArray) -> FloatArray:
        """Return what a supply that hardly changes within a cycle does.

        Parameters
        ----------
        grid_s, supply : numpy.ndarray
            The supply in volts at instants, shape (g,).

        Returns
        -------
        numpy.ndarray
            Change of pulse and rest in each cycle, seconds, shape (n, 2).
        """
        level = np.interp(self._instants.on_end_s, grid_s, supply)
        return np.stack([self.slow_s[0] * level, self.slow_s[1] * level], axis=1)

    def swift(
        self, at_begin: FloatArray, at_on_end: FloatArray, at_off_end: FloatArray
    ) -> FloatArray:
        """Return what a supply that differs between the crossings does, likewise.

        Parameters
        ----------
        at_begin, at_on_end, at_off_end : numpy.ndarray
            The supply in volts at the three crossings of each cycle, shape (n,) or (n, q).

        Returns
        -------
        numpy.ndarray
            Shape (n, 2) or (n, 2, q), seconds.
        """
        on = self._off_end.next_on_s * at_begin + self._on_end.on_s * at_on_end
        off = self._on_end.off_s * at_on_end + self._off_end.off_s * at_off_end
        return np.stack([on, off], axis=1)

    def pulls(self, neighbour: Neighbour, delay_s: float, lag_s: float) -> FloatArray:
        """Return what a volt of each kind of pull does while the neighbour's servo moves.

        Parameters
        ----------
        neighbour : Neighbour
            Who pulls.
        delay_s, lag_s : float
            When the pull begins, and how it dies away.

        Returns
        -------
        numpy.ndarray
            Shape (n, 2, q), seconds a volt: first the fall on the whole, next its beginning and
            end within a cycle, then two a harmonic of the neighbour's cycle.
        """
        pace = fade(neighbour.pace, delay_s, lag_s)
        instants = self._instants
        crossings = (instants.begin_s, instants.on_end_s, instants.off_end_s)
        at = [np.interp(time_s, neighbour.grid_s, pace) for time_s in crossings]
        whole = self.slow(neighbour.grid_s, pace)
        turn = self.swift(*at) - whole
        waves = [_waves(neighbour, time_s) for time_s in crossings]
        strokes = self.swift(*(one[:, None] * wave for one, wave in zip(at, waves, strict=True)))
        return np.concatenate([whole[:, :, None], turn[:, :, None], strokes], axis=2)


def fade(pace: FloatArray, delay_s: float, lag_s: float) -> FloatArray:
    """Return a pace that comes later and dies away; at most 1."""
    from scipy.signal import lfilter

    keep = float(np.exp(-_GRID_S / lag_s))
    steps = round(delay_s / _GRID_S)
    late = np.concatenate([np.zeros(steps), pace[: pace.size - steps]]) if steps else pace
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], late))


def phase_of(neighbour: Neighbour, time_s: FloatArray) -> FloatArray:
    """Return how many cycles of the neighbour have passed at instants."""
    rise_s, count = neighbour.rise_s, neighbour.count
    rate_hz = (count[-1] - count[0]) / (rise_s[-1] - rise_s[0])
    phase = np.interp(time_s, rise_s, count)
    beyond = np.minimum(time_s - rise_s[0], 0.0) + np.maximum(time_s - rise_s[-1], 0.0)
    return np.asarray(phase + rate_hz * beyond)


def _waves(neighbour: Neighbour, time_s: FloatArray) -> FloatArray:
    """Return cosine and sine of each harmonic of the neighbour's cycle, shape (n, 2 q)."""
    angle = 2.0 * np.pi * phase_of(neighbour, time_s)[:, None] * np.arange(1, HARMONICS + 1)
    return np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
