"""Measuring while it comes: blocks of samples or edges in, readings out, memory bounded.

Each block is only decimated and searched for steps, whose rough places show whether anything
has changed. Edges are timed, as the measurement of a recording times them, once a second, and
at once where the rough places say so; that keeps the work for a steady channel small and a
changed pulse quick. How an input shows an edge is learned from its last seconds, anew when
edges change their height, and every minute.

An edge can be timed once the samples that tell of it are there: 40 decimated samples, 3.3 ms,
behind it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchlog.recording import Gap
from benchlog.timing.live_input import LiveInput
from benchlog.timing.live_quiet import explain_stop
from benchlog.timing.live_reading import LiveReading
from benchlog.timing.live_train import RunningTrain, TrainSettings
from benchlog.timing.pulses import CLOCK_PPM, ActiveLevel

__all__ = ["LiveEdges", "LivePulses"]

_ESTIMATOR_SAMPLES = 0.0015


class LivePulses:
    """Measures the pulses of a sampled stream.

    Parameters
    ----------
    rate_hz : float
        Samples per second, above 0.
    inputs : sequence of int
        The inputs' numbers, from 1, one a column.
    active_level : str, optional
        ``high`` or ``low`` where it is known; else the shorter state.
    clock_ppm : float
        Half-width of the clock's error, parts in a million.
    """

    def __init__(
        self,
        rate_hz: float,
        inputs: Sequence[int] = (1,),
        *,
        active_level: ActiveLevel | None = None,
        clock_ppm: float = CLOCK_PPM,
    ) -> None:
        if not rate_hz > 0 or not inputs:
            raise ValueError(f"rate_hz must be above 0 and inputs not empty: {rate_hz}, {inputs}")
        clock = clock_ppm * 1e-6 / np.sqrt(3.0)
        shared_s = _ESTIMATOR_SAMPLES / rate_hz
        self._inputs = [
            LiveInput(rate_hz, TrainSettings(number, rate_hz, active_level, clock, shared_s))
            for number in inputs
        ]

    def add(self, values: NDArray[np.float32], lost: Gap | None = None) -> tuple[LiveReading, ...]:
        """Take a block.

        Parameters
        ----------
        values : numpy.ndarray
            Shape (n, inputs), float32, full scale at ±1; n may be 0.
        lost : Gap, optional
            What was lost just before the block; only its length counts.

        Returns
        -------
        tuple of LiveReading
            Those that are new: none, or one or more an input.
        """
        readings = []
        for column, one in enumerate(self._inputs):
            reading = one.add(np.ascontiguousarray(values[:, column]), lost)
            if reading is not None:
                readings.append(reading)
        return tuple(readings)

    def finish(self) -> tuple[LiveReading, ...]:
        """Return a last reading for each input, for when nothing more comes."""
        return tuple(one.finish() for one in self._inputs)


class LiveEdges:
    """Measures the pulses that a probe reports.

    Parameters
    ----------
    resolution_s : float
        Length of one tick of the probe, seconds.
    input_ : int
        The input's number, from 1.
    active_level : str, optional
        ``high`` unless it is given.
    clock_ppm : float
        Half-width of the probe clock's error, parts in a million.
    """

    def __init__(
        self,
        resolution_s: float,
        input_: int = 1,
        *,
        active_level: ActiveLevel | None = None,
        clock_ppm: float = CLOCK_PPM,
    ) -> None:
        clock = clock_ppm * 1e-6 / np.sqrt(3.0)
        self._tick_s = resolution_s
        settings = TrainSettings(
            input_, None, active_level or "high", clock, resolution_s / np.sqrt(12.0)
        )
        self._train = RunningTrain(settings)
        self._lost_count = 0
        self._lost_s = 0.0
        self._garbled = 0
        self._period_s: float | None = None
        self._heard_s = 0.0

    def add(
        self,
        time_s: NDArray[np.float64],
        level: NDArray[np.bool_],
        heard_s: float,
        *,
        gaps: tuple[Gap, ...] = (),
        garbled_count: int = 0,
    ) -> tuple[LiveReading, ...]:
        """Take edges.

        Parameters
        ----------
        time_s : numpy.ndarray
            Edges that are new, seconds from the stream's start, ascending, shape (n,).
        level : numpy.ndarray
            The level after each, shape (n,), bool.
        heard_s : float
            Up to where the probe was listened to.
        gaps : tuple of Gap
            Stretches that were lost.
        garbled_count : int
            Lines that could not be read.

        Returns
        -------
        tuple of LiveReading
            One.
        """
        for gap in gaps:
            self._train.add_gap(gap)
            self._lost_count += 1
            self._lost_s += gap.length_s
        self._garbled += garbled_count
        self._heard_s = max(self._heard_s, heard_s)
        u_s = np.full(time_s.shape, self._tick_s / np.sqrt(12.0))
        self._train.add_edges(time_s, level, u_s)
        return (self._read(),)

    def finish(self) -> tuple[LiveReading, ...]:
        """Return a last reading, for when nothing more comes."""
        return (self._read(),)

    def _read(self) -> LiveReading:
        reading = self._train.read(self._heard_s)
        if reading.period is not None:
            self._period_s = reading.period.mean_s
        if self._train.is_quiet(self._heard_s, self._period_s):
            quiet = explain_stop(self._train.stopped())
            reading = replace(reading, state="quiet", quiet=quiet, width=None, period=None)
        return replace(
            reading,
            lost_count=self._lost_count,
            lost_s=self._lost_s,
            garbled_count=self._garbled,
        )
