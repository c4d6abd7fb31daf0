"""A running pulse train: edges in as they are timed, a reading out at any instant.

The width that is shown is a mean over the pulses since the last change, of two seconds at most,
so that it is calm while nothing changes and new at once when something does. A change
is the place in those pulses that splits them best in two (Student's t of the two means, the
scatter taken from neighbouring differences, which a step does not widen).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.recording import Gap
from benchlog.timing.edges import Edges
from benchlog.timing.jitter import Statistic, summarise
from benchlog.timing.live_reading import SLOT_S, STRIP_SLOTS, LiveReading
from benchlog.timing.pulses import ActiveLevel, Pulses, find_active_level, measure_pulses

__all__ = ["RunningTrain", "TrainSettings", "find_change"]

_KEEP_S = 5.0
_AVERAGE_S = 2.0
_MOST_EDGES = 4096
_LEAST_AFTER = 2
_CHANGE_T = 6.0
_LEAST_CHANGE_S = 0.2e-6
_QUIET_S = 0.5
_QUIET_PERIODS = 4.0

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def find_change(width_s: FloatArray, floor_s: float) -> int | None:
    """Find where a run of widths changes.

    Parameters
    ----------
    width_s : numpy.ndarray
        Shape (n,), seconds, in order.
    floor_s : float
        The least standard deviation that a width has.

    Returns
    -------
    int or None
        Index of the first width after the change, at least two before the end and one after
        the beginning; None where there is no change.
    """
    count = width_s.shape[0]
    if count < _LEAST_AFTER + 1:
        return None
    step = np.abs(np.diff(width_s))
    scatter = max(1.4826 * float(np.median(step)) / np.sqrt(2.0), floor_s, 1e-12)
    # a lone outlier is none until another follows it: it gets its neighbour's width
    beside = np.stack((width_s[:-2], width_s[1:-1], width_s[2:]))
    calm = np.concatenate((width_s[1:2], np.median(beside, axis=0), width_s[-2:-1]))
    total = np.cumsum(calm)
    before = np.arange(1, count - _LEAST_AFTER + 1)
    after = count - before
    apart = (total[-1] - total[before - 1]) / after - total[before - 1] / before
    worth = np.abs(apart) / (scatter * np.sqrt(1.0 / before + 1.0 / after))
    best = int(np.argmax(worth))
    if worth[best] < _CHANGE_T or abs(float(apart[best])) < _LEAST_CHANGE_S:
        return None
    return int(before[best])


@dataclass(frozen=True, slots=True)
class TrainSettings:
    """What is known beforehand of a train.

    Attributes
    ----------
    input : int
        The input's number, from 1.
    rate_hz : float or None
        Samples per second; None for a probe.
    active_level : str or None
        ``high`` or ``low`` where it is known.
    clock : float
        Relative standard uncertainty of the recorder's clock.
    shared_s : float
        Standard uncertainty that all widths share, from the way edges are timed, seconds.
    """

    input: int
    rate_hz: float | None
    active_level: ActiveLevel | None
    clock: float
    shared_s: float


class RunningTrain:
    """The last seconds of one input's edges.

    Parameters
    ----------
    settings : TrainSettings
        What is known beforehand.
    """

    def __init__(self, settings: TrainSettings) -> None:
        self._settings = settings
        self._time = np.empty(0)
        self._rising: BoolArray = np.empty(0, bool)
        self._u = np.empty(0)
        self._gaps: deque[Gap] = deque(maxlen=64)
        self._steady_from_s = -np.inf
        self._moved_s: float | None = None
        self._last_end_s: float | None = None
        self._strip: deque[float | None] = deque(maxlen=STRIP_SLOTS)
        self._slot_s = 0.0  # beginning of the slot that is being filled
        self._slot_sum = 0.0
        self._slot_count = 0
        self._taken_s = -np.inf  # start of the newest pulse that is in the strip

    @property
    def last_edge_s(self) -> float | None:
        """When the newest edge was."""
        return float(self._time[-1]) if self._time.shape[0] else None

    def stopped(self) -> Literal["high", "low"] | None:
        """Return the timer's level after the newest edge; None where there was none."""
        if not self._time.shape[0]:
            return None
        level = self._level(self._edges(self.last_edge_s or 0.0))[0]
        return "high" if bool(self._rising[-1]) == (level == "high") else "low"

    def add_edges(self, time_s: FloatArray, rising: BoolArray, u_s: FloatArray) -> None:
        """Take edges that are new, ascending, all later than those before."""
        self._time = np.concatenate((self._time, time_s))[-_MOST_EDGES:]
        self._rising = np.concatenate((self._rising, rising))[-_MOST_EDGES:]
        self._u = np.concatenate((self._u, u_s))[-_MOST_EDGES:]

    def add_gap(self, gap: Gap) -> None:
        """Tell that a stretch was lost."""
        self._gaps.append(gap)

    def read(self, heard_s: float) -> LiveReading:
        """Return the reading at an instant.

        Parameters
        ----------
        heard_s : float
            Up to where edges are known.

        Returns
        -------
        LiveReading
            In state ``pulses`` or ``listening``; what the samples tell is not filled in.
        """
        self._forget(heard_s)
        edges = self._edges(heard_s)
        blank = LiveReading(self._settings.input, heard_s, "listening")
        if edges.time_s.shape[0] < 4:
            self._fill_strip(heard_s, np.empty(0), np.empty(0))
            return self._idle(blank)
        level, unsure = self._level(edges)
        pulses = measure_pulses(edges, level)
        self._fill_strip(heard_s, pulses.start_s, pulses.width_s)
        if not pulses.whole.any():
            return self._idle(blank)
        self._find_change(pulses)
        return self._describe(replace(blank, active_level=level, level_unsure=unsure), pulses)

    def is_quiet(self, heard_s: float, period_s: float | None) -> bool:
        """Tell whether the pulses have stopped, or none have come for half a second."""
        last_s = self.last_edge_s
        return heard_s - (last_s if last_s is not None else 0.0) > self.patience_s(period_s)

    @staticmethod
    def patience_s(period_s: float | None) -> float:
        """Return for how long no edge may come until the pulses count as stopped."""
        return max(_QUIET_S, _QUIET_PERIODS * (period_s or 0.0))

    def _idle(self, blank: LiveReading) -> LiveReading:
        return replace(
            blank,
            strip_s=tuple(self._strip),
            last_pulse_s=self._last_end_s,
            moved_s=self._moved_s,
        )

    def _edges(self, heard_s: float) -> Edges:
        start_s = float(self._time[0]) if self._time.shape[0] else heard_s
        return Edges(
            time_s=self._time,
            rising=self._rising,
            u_s=self._u,
            start_s=min(start_s, heard_s),
            end_s=heard_s,
            rate_hz=self._settings.rate_hz,
            gaps=tuple(self._gaps),
        )

    def _level(self, edges: Edges) -> tuple[ActiveLevel, bool]:
        if self._settings.active_level is not None:
            return self._settings.active_level, False
        return find_active_level(edges)

    def _forget(self, heard_s: float) -> None:
        """Drop what is older than the last seconds, but never the newest edge."""
        count = self._time.shape[0]
        first = min(int(np.searchsorted(self._time, heard_s - _KEEP_S)), max(count - 1, 0))
        if first:
            self._time, self._u = self._time[first:], self._u[first:]
            self._rising = self._rising[first:]
        while self._gaps and self._gaps[0].start_s + self._gaps[0].length_s < heard_s - _KEEP_S:
            self._gaps.popleft()

    def _find_change(self, pulses: Pulses) -> None:
        """Begin the average anew where the pulse has changed."""
        newest_s = float(pulses.start_s[-1])
        recent = pulses.start_s >= max(self._steady_from_s, newest_s - _AVERAGE_S)
        start, width = pulses.start_s[recent], pulses.width_s[recent]
        floor_s = float(np.median(pulses.u_width_s))
        changed = find_change(width, floor_s)
        if changed is not None:
            self._steady_from_s = float(start[changed])
            self._moved_s = self._steady_from_s

    def _describe(self, blank: LiveReading, pulses: Pulses) -> LiveReading:
        """Fill in what the pulses tell."""
        settings = self._settings
        newest_s = float(pulses.start_s[-1])
        since_s = max(self._steady_from_s, newest_s - _AVERAGE_S)
        chosen = pulses.start_s >= since_s
        floor_s = float(np.sqrt(np.mean(pulses.u_width_s**2)))
        width = self._summarise(pulses.width_s[chosen], floor_s)
        whole = pulses.whole & chosen[1:]
        period = pulses.period_s[whole] if whole.any() else pulses.period_s[pulses.whole][-1:]
        jitter_s = float(pulses.width_s.std(ddof=1)) if pulses.width_s.shape[0] > 2 else None
        self._last_end_s = newest_s + float(pulses.width_s[-1])
        return replace(
            blank,
            state="pulses",
            width=width,
            period=summarise(period, settings.shared_s, settings.clock),
            width_count=int(np.count_nonzero(chosen)),
            latest_s=float(pulses.width_s[-1]),
            last_pulse_s=self._last_end_s,
            moved_s=self._moved_s,
            recent_s=pulses.width_s,
            recent_start_s=pulses.start_s,
            jitter_s=jitter_s,
            floor_s=floor_s,
            strip_s=tuple(self._strip),
            missing_count=pulses.missing_count + max(0, pulses.lost_edge_count - len(self._gaps)),
            extra_count=pulses.glitch_count,
        )

    def _summarise(self, width_s: FloatArray, floor_s: float) -> Statistic:
        """Summarise widths; few of them never count as surer than the input's noise allows."""
        plain = summarise(width_s, self._settings.shared_s, self._settings.clock)
        least_s = np.hypot(floor_s / np.sqrt(width_s.shape[0]), self._settings.shared_s)
        return replace(plain, u_s=max(plain.u_s, float(least_s)))

    def _fill_strip(self, heard_s: float, start_s: FloatArray, width_s: FloatArray) -> None:
        """Put what is new into the strip; a slot that ends without a pulse stays empty."""
        new = start_s > self._taken_s
        for begin_s, one_s in zip(start_s[new].tolist(), width_s[new].tolist(), strict=True):
            self._close_slots(begin_s)
            self._slot_sum += one_s
            self._slot_count += 1
            self._taken_s = begin_s
        # a pulse that began a little while ago may still be on its way into the last slot
        self._close_slots(heard_s - SLOT_S)

    def _close_slots(self, until_s: float) -> None:
        """Close the slots that end before an instant."""
        behind = int((until_s - self._slot_s) / SLOT_S)
        if behind > STRIP_SLOTS:
            self._slot_s += (behind - STRIP_SLOTS) * SLOT_S
        while until_s >= self._slot_s + SLOT_S:
            mean_s = self._slot_sum / self._slot_count if self._slot_count else None
            self._strip.append(mean_s)
            self._slot_s += SLOT_S
            self._slot_sum, self._slot_count = 0.0, 0
