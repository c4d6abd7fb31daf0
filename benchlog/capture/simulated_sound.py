"""A simulated sound input: true edges in, samples out, made for truth.

The wave goes, as in a real input, through the AC coupling and the converter's filter
(`benchlog.capture.simulated_filter`: exact at any instant between samples), then hum and
white noise are added, the converter clips, and the numbers are rounded to its bits. The
sample clock may run fast or slow. All randomness comes from the seed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.simulated_edges import TrueEdges
from benchlog.capture.simulated_filter import FILTERS, EdgeShape, FilterKind, shape_edge

__all__ = ["SoundInputModel", "render_blocks", "render_sound"]

BLOCK_FRAMES = 1 << 18


@dataclass(frozen=True, slots=True)
class SoundInputModel:
    """What a sound input does to a wave. Levels are in units of full scale.

    Attributes
    ----------
    rate_hz : float
        Sample rate that the record claims.
    corners_hz : tuple of float
        Corners of the first-order high passes of the AC coupling, at most two; 0, or
        none, is DC-coupled.
    filter : {'linear', 'minimum', 'narrow'}
        The converter's filter: linear or minimum phase, or a fourth-order Butterworth
        roll-off at an eighth of the rate.
    cutoff : float
        Cut-off of the linear- and minimum-phase filters as a share of the rate.
    amplitude : float
        Step from low to high level.
    inverted : bool
        Whether the input turns the wave over.
    settled : bool
        Whether the first cycle has gone on for ever before the record begins; otherwise
        the input has seen the first level for ever.
    noise_fs : float
        Standard deviation of the white noise per sample, added after the filter.
    snr_db : float or None
        The same told as 20 log10(amplitude / standard deviation), in place of it.
    hum_fs, hum_hz : float
        Peak and frequency of the hum's fundamental.
    hum_harmonics : tuple of float
        Peaks of its 2nd, 3rd, ... harmonic in units of the fundamental's.
    offset_fs : float
        What the converter reads with nothing at its input.
    clip_fs : float
        Where the converter clips, either side.
    bits : int or None
        16 or 24; None leaves the samples unrounded.
    dither : bool
        Whether triangular noise of ± 1 step is added before rounding.
    clock_ppm : float
        By how much the sample clock runs fast. A fast clock makes every pulse look longer.
    """

    rate_hz: float = 48000.0
    corners_hz: tuple[float, ...] = (20.0,)
    filter: FilterKind = "linear"
    cutoff: float = 0.45
    amplitude: float = 0.4
    inverted: bool = False
    settled: bool = True
    noise_fs: float = 0.0
    snr_db: float | None = None
    hum_fs: float = 0.0
    hum_hz: float = 50.0
    hum_harmonics: tuple[float, ...] = ()
    offset_fs: float = 0.0
    clip_fs: float = 1.0
    bits: int | None = 16
    dither: bool = False
    clock_ppm: float = 0.0

    def __post_init__(self) -> None:
        checks = {
            "rate_hz must be above 0": self.rate_hz > 0,
            "corners_hz must be at most two, from 0 to a twentieth of the rate": len(
                self.corners_hz
            )
            <= 2
            and all(0 <= corner <= self.rate_hz / 20 for corner in self.corners_hz),
            f"filter must be one of {', '.join(FILTERS)}": self.filter in FILTERS,
            "cutoff must be from 0.05 to 0.5": 0.05 <= self.cutoff <= 0.5,
            "bits must be 16, 24 or None": self.bits in (16, 24, None),
            "noise_fs and snr_db exclude each other": not self.noise_fs or self.snr_db is None,
            "noise_fs must be at least 0": self.noise_fs >= 0,
            "clip_fs must be above 0": self.clip_fs > 0,
            "clock_ppm must be within a tenth": abs(self.clock_ppm) < 1e5,
        }
        for text, holds in checks.items():
            if not holds:
                raise ValueError(text)

    @property
    def true_rate_hz(self) -> float:
        """Samples per true second."""
        return self.rate_hz * (1 + self.clock_ppm * 1e-6)

    @property
    def noise_sd_fs(self) -> float:
        """Standard deviation of the white noise per sample."""
        if self.snr_db is None:
            return self.noise_fs
        return abs(self.amplitude) * 10 ** (-self.snr_db / 20)

    @property
    def step_fs(self) -> float:
        """One step of the converter; 0 where the samples stay unrounded."""
        return 0.0 if self.bits is None else 2.0 ** (1 - self.bits)


def render_sound(
    true_edges: TrueEdges, model: SoundInputModel, duration_s: float, seed: int = 0
) -> NDArray[np.float32]:
    """Render what a sound input records of a wave.

    Parameters
    ----------
    true_edges : TrueEdges
        The wave, in true seconds from the record's start.
    model : SoundInputModel
        The input.
    duration_s : float
        Length of the record in true seconds.
    seed : int
        Seed of noise, hum phases and dither.

    Returns
    -------
    numpy.ndarray
        Samples, full scale at ±1, shape (n,), float32; n is the whole number of samples
        that the input's clock counts.

    Raises
    ------
    ValueError
        A duration that is not above 0.

    Notes
    -----
    Without noise and rounding each sample is within 2e-6 of the step of the exact answer.
    """
    blocks = list(render_blocks(true_edges, model, duration_s, seed))
    return np.concatenate(blocks) if blocks else np.empty(0, np.float32)


def render_blocks(
    true_edges: TrueEdges,
    model: SoundInputModel,
    duration_s: float,
    seed: int = 0,
    *,
    frames: int = BLOCK_FRAMES,
) -> Iterator[NDArray[np.float32]]:
    """Render as `render_sound` does, a block at a time.

    Parameters
    ----------
    true_edges, model, duration_s, seed
        As for `render_sound`.
    frames : int
        Samples a block. The samples do not depend on it.

    Yields
    ------
    numpy.ndarray
        Shape (frames,), the last one shorter, float32.
    """
    if not duration_s > 0 or frames < 1:
        raise ValueError(f"duration_s and frames must be above 0, got {duration_s} and {frames}")
    total = round(duration_s * model.true_rate_hz)
    wave = _Wave(true_edges, model)
    disturbance = _Disturbance(model, seed)
    for start in range(0, total, frames):
        stop = min(start + frames, total)
        values = wave.block(start, stop)
        if model.inverted:
            values = -values
        yield disturbance.convert(values, start).astype(np.float32)


class _Wave:
    """The filtered wave, block by block; carries the exponentials' state across blocks."""

    def __init__(self, edges: TrueEdges, model: SoundInputModel) -> None:
        rate = model.true_rate_hz
        corners = tuple(corner / rate for corner in model.corners_hz)
        shape = shape_edge(model.filter, model.cutoff, corners, model.amplitude)
        position = edges.time_s * rate
        sign = np.where(edges.level, 1.0, -1.0)
        self._shape = shape
        self._state = _past_state(shape, position, sign, edges.first_level, model.settled)
        if model.settled:
            position, sign = _repeat_first_cycle(shape, position, sign)
        self._position, self._sign = position, sign
        self._first = np.ceil(position + shape.first).astype(np.int64)
        early = self._first + shape.count < 0
        self._add_early(early)

    def _add_early(self, early: NDArray[np.bool_]) -> None:
        """Put edges that are all tail at sample 0 into the state, and forget them."""
        age = -1 - self._position[early]
        decay = np.exp(-np.multiply.outer(self._shape.tail_rate, age))
        self._state += self._shape.tail_weight * (decay @ self._sign[early])
        self._position, self._sign = self._position[~early], self._sign[~early]
        self._first = self._first[~early]

    def block(self, start: int, stop: int) -> NDArray[np.float64]:
        values = self._tails(start, stop)
        shape = self._shape
        near = (self._first < stop) & (self._first + shape.count > start)
        index = self._first[near, None] + np.arange(shape.count)
        local = self._sign[near, None] * shape.at(index - self._position[near, None])
        inside = (index >= start) & (index < stop)
        np.add.at(values, index[inside] - start, local[inside])
        return values

    def _tails(self, start: int, stop: int) -> NDArray[np.float64]:
        from scipy.signal import lfilter  # heavy, and only a simulation needs it

        shape = self._shape
        begin = self._first + shape.count
        here = (begin >= start) & (begin < stop)
        age = begin[here] - self._position[here]
        values = np.zeros(stop - start)
        for p in range(shape.tail_rate.size):
            pushes = np.zeros(stop - start)
            weight = shape.tail_weight[p] * np.exp(-shape.tail_rate[p] * age)
            np.add.at(pushes, begin[here] - start, weight * self._sign[here])
            keep = math.exp(-shape.tail_rate[p])
            tail, state = lfilter([1.0], [1.0, -keep], pushes, zi=[keep * self._state[p]])
            self._state[p] = state[0] / keep
            values += tail
        return values


def _past_state(
    shape: EdgeShape,
    position: NDArray[np.float64],
    sign: NDArray[np.float64],
    first_level: bool,
    settled: bool,
) -> NDArray[np.float64]:
    """Value of each exponential at sample -1 from all that was before the kept edges."""
    state = np.zeros(shape.tail_rate.size)
    level_before = float(first_level)
    constant = shape.tail_rate == 0
    state[constant] = shape.tail_weight[constant] * level_before
    cycle = _first_cycle(position)
    if not settled or cycle is None:
        return state
    count = _repeats(shape, cycle)
    for p in np.flatnonzero(~constant):
        rate = shape.tail_rate[p]
        # Cycles count + 1, count + 2, ... before the first: a geometric series. The signs add
        # up to 0, so expm1 stands for exp and keeps its digits where the corner is low.
        age = -1 - (position[:2] - (count + 1) * cycle)
        once = np.expm1(-rate * age) @ sign[:2]
        state[p] = shape.tail_weight[p] * once / -math.expm1(-rate * cycle)
    return state


def _repeat_first_cycle(
    shape: EdgeShape, position: NDArray[np.float64], sign: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Put copies of the first cycle before it, until their edges lie wholly in the past."""
    cycle = _first_cycle(position)
    if cycle is None:
        return position, sign
    shifts = cycle * np.arange(_repeats(shape, cycle), 0, -1)
    copies = (position[:2] - shifts[:, None]).ravel()
    return np.concatenate([copies, position]), np.concatenate(
        [np.tile(sign[:2], shifts.size), sign]
    )


def _first_cycle(position: NDArray[np.float64]) -> float | None:
    """Length of the first cycle in samples, None where there is none."""
    return float(position[2] - position[0]) if position.size > 2 else None


def _repeats(shape: EdgeShape, cycle: float) -> int:
    return math.ceil((shape.count + 2) / cycle) + 1


class _Disturbance:
    """What the input adds and how it rounds; carries the random streams across blocks."""

    def __init__(self, model: SoundInputModel, seed: int) -> None:
        noise, hum, dither = np.random.SeedSequence(seed).spawn(3)
        self._model = model
        self._noise = np.random.default_rng(noise)
        self._dither = np.random.default_rng(dither)
        peaks = (model.hum_fs, *(model.hum_fs * share for share in model.hum_harmonics))
        phases = np.random.default_rng(hum).uniform(0, 2 * math.pi, len(peaks))
        self._lines = [
            (peak, 2 * math.pi * (k + 1) * model.hum_hz / model.true_rate_hz, float(phases[k]))
            for k, peak in enumerate(peaks)
            if peak
        ]

    def convert(self, values: NDArray[np.float64], start: int) -> NDArray[np.float64]:
        """Add hum, offset and noise to samples from number `start` on, clip, round."""
        model = self._model
        index = np.arange(start, start + values.size)
        values = values + model.offset_fs
        for peak, step, phase in self._lines:
            values += peak * np.sin(step * index + phase)
        if model.noise_sd_fs:
            values += model.noise_sd_fs * self._noise.standard_normal(values.size)
        values = np.clip(values, -model.clip_fs, model.clip_fs)
        if not model.step_fs:
            return values
        steps = values / model.step_fs
        if model.dither:
            steps += self._dither.random((values.size, 2)) @ (1.0, -1.0)
        top = round(1 / model.step_fs)
        return np.clip(np.rint(steps), -top, top - 1) * model.step_fs
