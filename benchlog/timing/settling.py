"""Has the pulse settled, is it moving, or is there none? Told from live readings.

A knob that is being turned moves the pulse by some 7 us a degree, a battery that creeps by far
less than 1 us a second. So the slope of the widths over a window tells the two apart, and its
own uncertainty, taken from how the widths scatter, tells how long the window has to be: most
of a second on a quiet channel, some seconds where a worn wiper moves each pulse by 10 us.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.jitter import Statistic, summarise
from benchlog.timing.live_reading import LiveReading
from benchlog.timing.live_train import find_change
from benchlog.timing.pulses import CLOCK_PPM

__all__ = ["Settler", "Settling", "SettlingState"]

SettlingState = Literal["moving", "settled", "none"]

_STILL_S_PER_S = 1.5e-6
"""A slope below it is creep: a fifth of a degree of knob a second, or many batteries."""

_UNSURE_S_PER_S = 1e-6  # what is added to it where the slope itself is not known so well
_CREEP_S_PER_S = 1e-6
_WINDOWS_S = (0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
_LONGEST_S = 4.6
_FEWEST = 12
_BATCHES = 8
_SURE_STILL = 1.5
_SURE_MOVING = 3.0
_LEAST_SCATTER_S = 0.05e-6
_MEAN_U_S = 0.1e-6
_MEAN_LEAST_S = 1.5
_JUMP_S = 1e-6
_BATCH_S = 0.25
_FEWEST_BATCHES = 8
_FORGET = 1.02
_JUMP_SPREADS = 4.0
_APART_S = 0.5
_OUTLIER_SPREADS = 8.0
_WHOLE = (0.5, 1.5)
_REST_SHARE = 0.05
_FULL_WINDOW = 0.9

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Settling:
    """Whether the pulse stands still, and where.

    Attributes
    ----------
    state : {"moving", "settled", "none"}
        ``moving`` also while it is too early to tell.
    mean_s, u_s : float or None
        Mean width since it settled, of the last seconds at most, and its standard
        uncertainty; while it moves the width of the newest pulses. None without pulses.
    period_s, u_period_s : float or None
        The same of the period.
    since_s : float or None
        Since when it stands still, on the scale of the readings' ``heard_s``; None unless
        it is settled.
    pulse_count : int
        Pulses behind `mean_s`.
    """

    state: SettlingState
    mean_s: float | None = None
    u_s: float | None = None
    period_s: float | None = None
    u_period_s: float | None = None
    since_s: float | None = None
    pulse_count: int = 0


class Settler:
    """Watches one input until its pulse has settled, and the pause behind it as well.

    Parameters
    ----------
    shared_s : float
        Standard uncertainty that all widths share, from the way edges are timed, seconds.
    clock_ppm : float
        Half-width of the clock's error, parts in a million.

    Notes
    -----
    The pause may move by twenty times as much as the pulse: it moves alone where a
    resistor on the off side is set, and a servo does not mind it.
    """

    def __init__(self, *, shared_s: float = 0.03e-6, clock_ppm: float = CLOCK_PPM) -> None:
        self._shared_s = shared_s
        self._clock = clock_ppm * 1e-6 / np.sqrt(3.0)
        self._still_since: list[float | None] = [None, None]
        self._slow_s = [np.inf, np.inf]
        self._moved_s = -np.inf

    def restart(self, at_s: float) -> None:
        """Forget what was before an instant, as when a knob is about to be turned.

        Parameters
        ----------
        at_s : float
            The instant, on the scale of the readings' ``heard_s``.
        """
        self._still_since, self._moved_s = [None, None], max(self._moved_s, at_s)

    def add(self, reading: LiveReading) -> Settling:
        """Take a live reading.

        Parameters
        ----------
        reading : LiveReading
            The newest one of the input.

        Returns
        -------
        Settling
            What is known with it.
        """
        if reading.state != "pulses" or not reading.recent_start_s.shape[0]:
            self.restart(reading.heard_s)
            self._slow_s = [np.inf, np.inf]
            return Settling("none")
        return self.add_pulses(
            reading.recent_start_s, reading.recent_s, floor_s=reading.floor_s or 0.0
        )

    def add_pulses(
        self, start_s: FloatArray, width_s: FloatArray, *, floor_s: float = 0.0
    ) -> Settling:
        """Take the newest pulses.

        Parameters
        ----------
        start_s, width_s : numpy.ndarray
            Where each pulse of the last seconds begins, ascending, and its width, seconds,
            shape (n,); those of an earlier call may be among them.
        floor_s : float
            The input's own part of a width's standard deviation, seconds.

        Returns
        -------
        Settling
            What is known with them.
        """
        pauses = np.flatnonzero(np.diff(start_s) > _APART_S)
        if pauses.shape[0]:
            self.restart(float(start_s[pauses[-1] + 1]))
        if start_s.shape[0]:
            first_s = max(self._moved_s, float(start_s[-1]) - _LONGEST_S)
            chosen = start_s >= first_s
            start_s, width_s = start_s[chosen], width_s[chosen]
        if start_s.shape[0] == 0:
            self._still_since = [None, None]
            return Settling("none")
        pulse = _Series.make(start_s, width_s, floor_s)
        rest = _Series.make(*_find_rests(start_s, width_s), _REST_SHARE * floor_s)
        slow_s = [self._learn_slow(index, one) for index, one in enumerate((pulse, rest))]
        jumps = [
            one.start[at]
            for one, slow in zip((pulse, rest), slow_s, strict=True)
            if (at := one.find_jump(slow)) is not None
        ]
        if jumps:
            self.restart(float(max(jumps)))
            pulse, rest = pulse.since(self._moved_s), rest.since(self._moved_s)
        for index, one in enumerate((pulse, rest)):
            if one.start.shape[0]:
                since_s = self._still_since[index]
                self._still_since[index] = one.judge(since_s, slow_s[index])
        return self._describe(pulse)

    def _learn_slow(self, index: int, series: _Series) -> float:
        """Return how much quarter-second means scatter: the least that was seen, 0 if unknown.

        A turn makes them scatter more, and must not count for that.
        """
        seen = series.batch_scatter()
        if seen is not None:
            self._slow_s[index] = min(seen, _FORGET * self._slow_s[index])
        return self._slow_s[index] if np.isfinite(self._slow_s[index]) else 0.0

    def _describe(self, pulse: _Series) -> Settling:
        start, width = pulse.start, pulse.value
        since = [one for one in self._still_since if one is not None]
        if len(since) < len(self._still_since):
            state: SettlingState = "moving"
            since_s = None
            chosen = start >= start[-2:][0]
        else:
            state, since_s = "settled", max(since)
            # no more than the scatter asks for: a mean over long ago is late
            many = max(1, int((pulse.scatter_s / _MEAN_U_S) ** 2))
            late_s = min(float(start[-many:][0]), float(start[-1]) - _MEAN_LEAST_S)
            chosen = start >= max(late_s, since_s)
        told = self._summarise(width[chosen])
        period = self._period(start[chosen])
        return Settling(
            state,
            told.mean_s,
            told.u_s,
            period.mean_s if period else None,
            period.u_s if period else None,
            since_s,
            int(np.count_nonzero(chosen)),
        )

    def _summarise(self, values_s: FloatArray) -> Statistic:
        return summarise(values_s, self._shared_s, self._clock)

    def _period(self, start: FloatArray) -> Statistic | None:
        """Summarise the periods between pulses, those with a pulse missing left out."""
        period = np.diff(start)
        if not period.shape[0]:
            return None
        return self._summarise(period[_find_whole(period)])


def _find_whole(period: FloatArray) -> NDArray[np.bool_]:
    """Tell periods from those with a pulse missing in them, or with one too many."""
    share = period / np.median(period)
    return np.asarray((share > _WHOLE[0]) & (share < _WHOLE[1]))


def _find_rests(start: FloatArray, width: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where each whole period begins, and its pause, made smaller to count as a width."""
    period = np.diff(start)
    if not period.shape[0]:
        return start[:0], width[:0]
    whole = _find_whole(period)
    return start[:-1][whole], _REST_SHARE * (period - width[:-1])[whole]


@dataclass(frozen=True, slots=True, eq=False)
class _Series:
    """Values in order, lone outliers put to their neighbours' middle; times and values, seconds."""

    start: FloatArray
    value: FloatArray
    scatter_s: float
    floor_s: float

    @classmethod
    def make(cls, start: FloatArray, value: FloatArray, floor_s: float) -> _Series:
        scatter_s = _scatter(value, floor_s)
        return cls(start, _calm(value, scatter_s), scatter_s, floor_s)

    def since(self, at_s: float) -> _Series:
        """Return what is not before an instant."""
        chosen = self.start >= at_s
        return _Series(self.start[chosen], self.value[chosen], self.scatter_s, self.floor_s)

    def batch_scatter(self) -> float | None:
        """Return the standard deviation of quarter-second means about their trend, robustly."""
        means = _batch_means(self.start, self.value)
        if means.shape[0] < _FEWEST_BATCHES:
            return None
        change = np.diff(means)
        away = np.abs(change - np.median(change))
        return float(1.4826 * np.median(away) / np.sqrt(2.0))

    def find_jump(self, slow_s: float) -> int | None:
        """Return the first place after the last jump: a change too quick and clear for creep."""
        start, value = self.start, self.value
        found: int | None = None
        first = 0
        while (at := find_change(value[first:], max(self.floor_s, _LEAST_SCATTER_S))) is not None:
            before, after = slice(first, first + at), slice(first + at, None)
            creep = _clip_slope(start[before], value[before])
            lapse_s = float(start[after].mean() - start[before].mean())
            apart = abs(float(value[after].mean() - value[before].mean()) - creep * lapse_s)
            spread = max(_batch_spread(start[one], value[one]) for one in (before, after))
            if apart < max(_JUMP_S, _JUMP_SPREADS * max(spread, slow_s)):
                break
            first += at
            found = first
        return found

    def judge(self, still_since_s: float | None, slow_s: float) -> float | None:
        """Return since when it stands still, None where it moves; as before where unsure."""
        start, value = self.start, self.value
        still_s: float | None = None
        for window_s in (*_WINDOWS_S, _LONGEST_S):
            if start[-1] - start[0] < _FULL_WINDOW * window_s:
                break
            chosen = start >= start[-1] - window_s
            if np.count_nonzero(chosen) < _FEWEST:
                continue
            slope, u_slope = _fit_slope(start[chosen], value[chosen], self.scatter_s)
            u_slow = slow_s * np.sqrt(12.0 * _BATCH_S / window_s) / window_s
            u_slope = max(u_slope, float(u_slow))
            limit = _STILL_S_PER_S + min(_UNSURE_S_PER_S, 2.0 * u_slope)
            if window_s == _LONGEST_S:  # a channel that scatters so much is never surer
                limit = max(limit, (_SURE_STILL + 2.0) * u_slope)
            if slope + _SURE_STILL * u_slope < limit:
                still_s = float(start[chosen][0])
                break
            # what a long window has seen may be over, so a shorter one that stands still counts
            if slope - _SURE_MOVING * u_slope > _STILL_S_PER_S:
                return None
        return still_since_s if still_since_s is not None else still_s


def _scatter(width: FloatArray, floor_s: float) -> float:
    """Return how much a width scatters from one pulse to the next: a slope does not widen it."""
    if width.shape[0] < 3:
        return max(floor_s, _LEAST_SCATTER_S)
    step = 1.4826 * float(np.median(np.abs(np.diff(width)))) / np.sqrt(2.0)
    return float(max(step, floor_s, _LEAST_SCATTER_S))


def _calm(width: FloatArray, scatter_s: float) -> FloatArray:
    """Return widths with each lone outlier put to its neighbours' middle."""
    if width.shape[0] < 3:
        return width
    beside = np.stack((width[:-2], width[1:-1], width[2:]))
    middle = np.median(beside, axis=0)
    inner = width[1:-1]
    calm = width.copy()
    calm[1:-1] = np.where(np.abs(inner - middle) > _OUTLIER_SPREADS * scatter_s, middle, inner)
    return calm


def _clip_slope(start: FloatArray, width: FloatArray) -> float:
    """Return the slope of widths, no steeper than a creep; 0 of few."""
    if start.shape[0] < _FEWEST:
        return 0.0
    middle = start - start.mean()
    slope = float(middle @ width) / float(middle @ middle)
    return min(max(slope, -_CREEP_S_PER_S), _CREEP_S_PER_S)


def _batch_means(start: FloatArray, value: FloatArray) -> FloatArray:
    """Return the means of the quarter seconds that hold values, in order."""
    if not start.shape[0]:
        return value
    batch = ((start - start[0]) / _BATCH_S).astype(np.intp)
    count = np.bincount(batch)
    full = count > 0
    return np.asarray(np.bincount(batch, value)[full] / count[full])


def _batch_spread(start: FloatArray, value: FloatArray) -> float:
    """Return the standard deviation of quarter-second means; of few, half that of the values."""
    means = _batch_means(start, value)
    if means.shape[0] < 4:
        return float(value.std()) / 2.0
    return float(np.abs(np.diff(means)).mean()) * 0.886  # of normal values: d / 1.128


def _fit_slope(start: FloatArray, width: FloatArray, scatter_s: float) -> tuple[float, float]:
    """Return the magnitude of the slope in seconds a second, and its standard uncertainty.

    Of the two uncertainties, that of pulses that scatter independently and that of the means
    of eighths of the window about the line, the larger one holds: the latter also sees
    scatter that lasts for many pulses.
    """
    middle = start - start.mean()
    power = float(middle @ middle)
    slope = float(middle @ width) / power
    left = width - width.mean() - slope * middle
    u_white = max(scatter_s, float(left.std())) / np.sqrt(power)
    batch = np.minimum(
        ((start - start[0]) / (start[-1] - start[0]) * _BATCHES).astype(np.intp), _BATCHES - 1
    )
    count = np.bincount(batch, minlength=_BATCHES)
    mean = np.bincount(batch, left, minlength=_BATCHES)[count > 0] / count[count > 0]
    spread = float(np.sqrt(mean @ mean / max(mean.shape[0] - 2, 1)))
    u_batch = spread * np.sqrt(start.shape[0] / mean.shape[0] / power)
    return abs(slope), max(u_white, u_batch)
