"""One input of a live stream: the newest stretch of its samples, searched, learned and timed."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.recording import Gap
from benchlog.timing.clipping import count_clipped
from benchlog.timing.detection import decimate, decimation_for
from benchlog.timing.live_placing import (
    InputModel,
    Sag,
    learn_edges,
    place_roughly,
    time_edges,
)
from benchlog.timing.live_quiet import explain_quiet
from benchlog.timing.live_reading import LiveReading
from benchlog.timing.live_train import RunningTrain, TrainSettings, find_change

__all__ = ["LiveInput"]

_HOLD_S = 2.5
_LOOK_S = 0.08
_LOOK_BACK_S = 0.15
_TIME_S = 1.0
_OVERLAP_S = 0.045
_BEHIND = 40
"""Decimated samples behind an edge that must be there before it is timed."""

_LEARN_S = 1.5
_LEARN_AGAIN_S = 60.0
_LEARN_SOON_S = (0.4, 1.0, 2.0)
_LEARN_LEAST_S = 2.0
_FEWEST_EDGES = 12
_STEP_CHANGE = 0.05
_CLIP_S = 1.0
_WEAK_RATIO = 10.0
_ROUGH_SAMPLES = 0.05
_ROUGH_T = 5.0
_ROUGH_COUNTS = (2, 4, 8)  # a large change shows in two pulses, a small one in more
_APART = 2.0

FloatArray = NDArray[np.float64]


class LiveInput:
    """The newest stretch of one input.

    Parameters
    ----------
    rate_hz : float
        Samples per second.
    settings : TrainSettings
        What is known of its pulses beforehand.
    """

    def __init__(self, rate_hz: float, settings: TrainSettings) -> None:
        self._rate_hz = rate_hz
        self._factor = decimation_for(rate_hz)
        self._input = settings.input
        self._train = RunningTrain(settings)
        self._model: InputModel | None = None
        self._held = _Stretch(self._factor, round(_HOLD_S * rate_hz))
        self._loss = _Loss()
        self._clipping = _Clipping(round(_CLIP_S * rate_hz))
        self._timed_to = 0.0
        self._looked_at = 0
        self._learned_at: int | None = None
        self._learn_count = 0
        self._relearn = False
        self._rough: _Usual | None = None
        self._seen_at = 0.0
        self._is_pulsing = False
        self._period_s: float | None = None

    def add(self, values: NDArray[np.float32], lost: Gap | None) -> LiveReading | None:
        """Take a block of samples, shape (n,); return a reading where there is a new one."""
        if lost is not None:
            self._break(lost)
        self._held.append(values)
        self._clipping.add(values)
        end = self._held.end
        if end - self._looked_at < _LOOK_S * self._rate_hz:
            return None
        self._looked_at = end
        self._learn()
        waited = end - self._timed_to
        if waited < _TIME_S * self._rate_hz and not self._has_changed():
            return None
        return self._read()

    def finish(self) -> LiveReading:
        """Return a last reading."""
        self._learn()
        return self._read()

    def _break(self, lost: Gap) -> None:
        """Begin a new stretch behind samples that were lost."""
        at = self._held.end
        start_s = at / self._rate_hz
        self._train.add_gap(Gap(start_s, lost.length_s))
        self._loss.add(lost)
        self._held.restart(at + round(lost.length_s * self._rate_hz))
        self._timed_to = float(self._held.end)
        self._looked_at = self._held.end

    def _learn(self) -> None:
        """Learn how the input shows an edge, where that is due."""
        end, rate_hz = self._held.end, self._rate_hz
        if self._learned_at is None:
            due = self._held.count >= _LEARN_SOON_S[0] * rate_hz
        else:
            age_s = (end - self._learned_at) / rate_hz
            soon = self._learn_count < len(_LEARN_SOON_S)
            wait_s = _LEARN_SOON_S[self._learn_count] if soon else _LEARN_AGAIN_S
            due = age_s >= wait_s or (self._relearn and age_s >= _LEARN_LEAST_S)
        if not due:
            return
        values, averages, _ = self._held.newest(round(_LEARN_S * rate_hz))
        count, model = learn_edges(values, averages, self._factor, rate_hz)
        self._learned_at, self._relearn = end, False
        if model is None or (count < _FEWEST_EDGES and self._model is not None):
            return
        self._learn_count += 1
        self._model = model

    def _has_changed(self) -> bool:
        """Tell from rough places whether the newest pulses differ from those timed last."""
        if self._model is None:
            return False
        _, averages, first = self._held.newest(round(_LOOK_BACK_S * self._rate_hz))
        sag = self._rough.sag if self._rough is not None else None
        rough = place_roughly(averages, self._factor, self._model, sag)
        if rough.place.shape[0]:
            self._seen_at = float(rough.place[-1]) + first
        if self._has_stopped():
            return True
        new = rough.place + first >= self._timed_to - self._rate_hz * _OVERLAP_S
        widths = _rough_widths(rough.place[new], rough.rising[new])
        if self._rough is None or widths.shape[0] < 2:
            return self._rough is None and widths.shape[0] >= 2
        usual, scatter = self._rough.width, self._rough.scatter
        for count in _ROUGH_COUNTS:
            if count <= widths.shape[0]:
                away = abs(float(widths[-count:].mean()) - usual)
                if away > max(_ROUGH_SAMPLES, _ROUGH_T * scatter / math.sqrt(count)):
                    return True
        return False

    def _has_stopped(self) -> bool:
        """Tell whether pulses that were there when last timed have not been seen since."""
        still_s = (self._held.end - self._seen_at) / self._rate_hz
        return self._is_pulsing and still_s > self._train.patience_s(self._period_s)

    def _note_rough(self) -> None:
        """Keep the rough width of what was just timed, to see a change by."""
        if self._model is None:
            return
        _, averages, _ = self._held.newest(round(_TIME_S * self._rate_hz))
        rough = place_roughly(averages, self._factor, self._model)
        widths = _rough_widths(rough.place, rough.rising)
        if widths.shape[0] < 2:
            self._rough = None
            return
        scatter = 1.4826 * float(np.median(np.abs(np.diff(widths)))) / math.sqrt(2.0)
        since = find_change(widths / self._rate_hz, scatter / self._rate_hz) or 0
        self._rough = _Usual(float(widths[since:].mean()), scatter, rough.sag)

    def _time(self) -> None:
        """Time the edges that are new."""
        until = self._held.end - _BEHIND * self._factor
        if self._model is None or until <= self._timed_to:
            return
        back = self._held.end - self._timed_to + _OVERLAP_S * self._rate_hz
        values, averages, first = self._held.newest(round(back))
        timed = time_edges(values, averages, self._factor, self._rate_hz, self._model)
        place = timed.place + first
        last_s = self._train.last_edge_s
        last = -np.inf if last_s is None else last_s * self._rate_hz
        # An edge at the border may be placed on either side of it from one time to the next.
        new = (place > max(self._timed_to - _APART, last + _APART)) & (place < until)
        self._train.add_edges(
            place[new] / self._rate_hz, timed.rising[new], timed.u[new] / self._rate_hz
        )
        self._timed_to = float(until)
        if timed.step and abs(timed.step / self._model.step - 1.0) > _STEP_CHANGE:
            self._relearn = True

    def _read(self) -> LiveReading:
        """Time what is new and describe all of it."""
        self._time()
        self._note_rough()
        heard_s = self._held.end / self._rate_hz
        reading = self._train.read(heard_s)
        if reading.period is not None:
            self._period_s = reading.period.mean_s
        if self._train.is_quiet(heard_s, self._period_s):
            self._timed_to = max(self._timed_to, float(self._held.end - _BEHIND * self._factor))
            _, averages, _ = self._held.newest(round(self._rate_hz))
            quiet = explain_quiet(
                averages, self._rate_hz / self._factor, stopped=self._train.stopped()
            )
            reading = replace(reading, state="quiet", quiet=quiet, width=None, period=None)
        self._is_pulsing = reading.state == "pulses"
        model = self._model
        return replace(
            reading,
            step=model.step if model else 0.0,
            weak=model is not None and bool(model.step < _WEAK_RATIO * model.noise),
            clipped_share=self._clipping.share,
            lost_count=self._loss.count,
            lost_s=self._loss.length_s,
        )


@dataclass(frozen=True, slots=True)
class _Usual:
    """Rough widths when the edges were last timed: their mean and scatter, in samples."""

    width: float
    scatter: float
    sag: Sag


def _rough_widths(place: FloatArray, rising: NDArray[np.bool_]) -> FloatArray:
    """Return the shorter of the two kinds of state, in samples, in order."""
    length = np.diff(place)
    sides = [length[rising[:-1] == side] for side in (True, False)]
    if not (sides[0].shape[0] and sides[1].shape[0]):
        return np.empty(0)
    return min(sides, key=lambda side: float(np.median(side)))


class _Stretch:
    """The newest samples and their averages, in one piece, the oldest dropped."""

    def __init__(self, factor: int, frames: int) -> None:
        self._factor = factor
        self._keep = -(-frames // factor) * factor
        self._values = np.empty(2 * self._keep + factor, np.float32)
        self._averages = np.empty(2 * self._keep // factor + 1, np.float32)
        self.count = 0
        self._averaged = 0
        self._first = 0

    @property
    def end(self) -> int:
        """Index in the stream behind the newest sample."""
        return self._first + self.count

    def restart(self, first: int) -> None:
        """Drop everything; the next sample is number `first`."""
        self.count = self._averaged = 0
        self._first = first

    def append(self, values: NDArray[np.float32]) -> None:
        """Add samples, shape (n,), and average those that make whole runs."""
        for start in range(0, values.shape[0], self._keep):
            self._append(values[start : start + self._keep])

    def _append(self, values: NDArray[np.float32]) -> None:
        if self.count + values.shape[0] > self._values.shape[0]:
            self._shift()
        self._values[self.count : self.count + values.shape[0]] = values
        self.count += values.shape[0]
        done = self._averaged * self._factor
        new = decimate(self._values[done : self.count], self._factor)
        self._averages[self._averaged : self._averaged + new.shape[0]] = new
        self._averaged += new.shape[0]

    def _shift(self) -> None:
        """Move the newest half to the beginning."""
        drop = (self.count - self._keep) // self._factor * self._factor
        runs = drop // self._factor
        self._values[: self.count - drop] = self._values[drop : self.count].copy()
        self._averages[: self._averaged - runs] = self._averages[runs : self._averaged].copy()
        self.count -= drop
        self._averaged -= runs
        self._first += drop

    def newest(self, frames: int) -> tuple[NDArray[np.float32], NDArray[np.float32], int]:
        """Return the newest samples, their averages, and the index of the first."""
        runs = min(self._averaged, min(-(-frames // self._factor), self._keep // self._factor))
        begin = self._averaged - runs
        start = begin * self._factor
        return (
            self._values[start : self.count],
            self._averages[begin : self._averaged],
            self._first + start,
        )


class _Loss:
    """What was lost since the start."""

    def __init__(self) -> None:
        self.count = 0
        self.length_s = 0.0

    def add(self, lost: Gap) -> None:
        self.count += 1
        self.length_s += lost.length_s


class _Clipping:
    """The share of the last second's samples that lie at the ends of the scale."""

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self._counts: deque[tuple[int, int]] = deque()
        self._total = 0
        self._clipped = 0

    def add(self, values: NDArray[np.float32]) -> None:
        """Count the clipped samples of a block, shape (n,)."""
        if values.shape[0] == 0:
            return
        clipped = count_clipped(values)
        self._counts.append((values.shape[0], clipped))
        self._total += values.shape[0]
        self._clipped += clipped
        while self._total - self._counts[0][0] >= self._frames:
            frames, clipped = self._counts.popleft()
            self._total -= frames
            self._clipped -= clipped

    @property
    def share(self) -> float:
        """Clipped samples among the last second's."""
        return self._clipped / self._total if self._total else 0.0
