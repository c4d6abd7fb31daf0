"""Edge times from samples or from a list.

Each edge is the instant at which the signal crosses the middle between its two
state levels (mid-reference level instant, IEEE Std 181-2011). From samples: steps
are found by a detector, the input's droop is undone, and the edge's shape, learned
from the recording itself, is laid over every edge (`benchlog.timing.shape`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchlog.recording import EdgeList, Gap, Samples
from benchlog.timing.blanks import BlankFinder
from benchlog.timing.clipping import count_clipped
from benchlog.timing.detection import (
    CHUNK_FRAMES,
    Chunk,
    decimate,
    decimation_for,
    find_steps,
    split_chunks,
)
from benchlog.timing.learning import InputModel, learn_input
from benchlog.timing.placing import time_steps
from benchlog.timing.spikes import find_spikes
from benchlog.timing.tick import infer_tick

__all__ = ["Edges", "edges_from_list", "find_edges"]

_OVERLAP_S = 0.045
_LEARN_S = 45.0
_LEARN_FRAMES = 1 << 21
_ENOUGH_STEPS = 50
_RUNT_SHARE = 0.25
_STEP_SHARE = 0.5
_DETECTOR_SPAN = 4.0
"""Decimated samples between the detector's two stretches, over which a state sags."""

FloatArray = NDArray[np.float64]
_Part = tuple[FloatArray, NDArray[np.bool_], FloatArray, FloatArray]


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Edge times of one input.

    Attributes
    ----------
    time_s : numpy.ndarray
        Mid-reference level instants in seconds from the recording's start,
        ascending, shape (n,).
    rising : numpy.ndarray
        True where the level rises, shape (n,), bool.
    u_s : numpy.ndarray
        Standard uncertainty of each time from the input's noise, shape (n,).
    start_s, end_s : float
        The stretch that was watched.
    rate_hz : float or None
        Samples per second; None for an edge list.
    step : float
        Height of the usual edge in units of full scale; 0 for an edge list.
    noise : float
        Standard deviation of white noise per sample, same units; 0 for an edge list.
    energy : float
        Sum over the samples of the squared slope of the unit edge, at most 1, since its band ends
        at half the sample rate; 0 for an edge list.
    learned_count : int
        Edges from which the edge's shape was learned; 0 where it was not.
    coupling_hz : tuple of float
        Corner of each stage of the input's AC coupling, hertz; empty if none shows.
    clipped_share : float
        Share of the samples at the ends of the scale.
    garbled_count : int
        Lines of an edge list that could not be read.
    gaps : tuple of Gap
        Stretches that are known to be lost.
    name : str
        The recording's name.
    share : numpy.ndarray or None
        Height of each edge as a share of the usual one, shape (n,); None for a list.
    spikes_s : numpy.ndarray
        Spikes of most of the step's height that are too short for edges, seconds, ascending.
    """

    time_s: FloatArray
    rising: NDArray[np.bool_]
    u_s: FloatArray
    start_s: float
    end_s: float
    rate_hz: float | None
    step: float = 0.0
    noise: float = 0.0
    energy: float = 0.0
    learned_count: int = 0
    coupling_hz: tuple[float, ...] = ()
    clipped_share: float = 0.0
    garbled_count: int = 0
    gaps: tuple[Gap, ...] = ()
    name: str = "recording"
    share: FloatArray | None = None
    spikes_s: FloatArray = field(default_factory=lambda: np.empty(0))


def edges_from_list(edge_list: EdgeList) -> Edges:
    """Take the edges of a list as they are.

    Parameters
    ----------
    edge_list : EdgeList
        From a probe or a file.

    Returns
    -------
    Edges
        Each time with the standard uncertainty of one tick, ``tick / sqrt(12)`` (a rectangular
        distribution, JCGM 100, 4.3.7). The tick is what the list says, or what its times show
        where that is more.
    """
    count = edge_list.time_s.shape[0]
    tick_s = max(edge_list.resolution_s, infer_tick(edge_list.time_s))
    return Edges(
        time_s=np.asarray(edge_list.time_s, dtype=np.float64),
        rising=np.asarray(edge_list.level, dtype=bool),
        u_s=np.full(count, tick_s / np.sqrt(12.0)),
        start_s=edge_list.start_s,
        end_s=edge_list.end_s,
        rate_hz=None,
        garbled_count=edge_list.garbled_count,
        gaps=edge_list.gaps,
        name=edge_list.name,
    )


def find_edges(samples: Samples) -> tuple[Edges, ...]:
    """Find the edges on every input of a sampled recording.

    Parameters
    ----------
    samples : Samples
        Read twice from its beginning: once (in part) to learn how each input shows
        an edge, once to time them.

    Returns
    -------
    tuple of Edges
        One an input, empty where no steps stand out of the noise. The result does
        not depend on how the source cuts its blocks.

    Raises
    ------
    RecordingError
        From the source, while it is read.
    """
    factor = decimation_for(samples.rate_hz)
    models = _learn_inputs(samples, factor)
    found = [_Found() for _ in models]
    clipped = np.zeros(len(models))
    blanks = [BlankFinder() for _ in models]
    spikes: list[list[FloatArray]] = [[] for _ in models]
    total = 0
    for chunk in _chunks(samples, factor, CHUNK_FRAMES, _OVERLAP_S):
        total = chunk.core_end
        for channel, model in enumerate(models):
            if model is None:
                continue
            values = np.ascontiguousarray(chunk.values[:, channel])
            core = values[chunk.core_start - chunk.first : chunk.core_end - chunk.first]
            clipped[channel] += count_clipped(core, model.noise, samples.step)
            blanks[channel].add(core, chunk.core_start)
            part, short = _time_chunk(values, chunk, factor, samples.rate_hz, model)
            found[channel].add(part)
            spikes[channel].append(short)
    return tuple(
        _collect(samples, part, model, total, clipped[channel], blanks[channel], spikes[channel])
        for channel, (part, model) in enumerate(zip(found, models, strict=True))
    )


def _chunks(samples: Samples, factor: int, frames: int, overlap_s: float) -> Iterator[Chunk]:
    """Iterate over chunks whose borders are multiples of the decimation."""
    overlap = -(-round(samples.rate_hz * overlap_s) // factor) * factor
    return split_chunks(samples.blocks(), overlap, -(-frames // factor) * factor)


def _learn_inputs(samples: Samples, factor: int) -> list[InputModel | None]:
    """Learn how each input shows an edge, from the first stretch with enough of them."""
    best: list[tuple[int, InputModel | None]] = [(0, None)] * samples.input_count
    frames = min(_LEARN_FRAMES, int(_LEARN_S * samples.rate_hz))
    for chunk in _chunks(samples, factor, frames, 0.0):
        for channel, (most, _) in enumerate(best):
            if most >= _ENOUGH_STEPS:
                continue
            values = np.ascontiguousarray(chunk.values[:, channel])
            averages = decimate(values, factor)
            steps = find_steps(averages)
            if steps.index.shape[0] > most:
                model = learn_input(values, averages, steps, factor, samples.rate_hz)
                best[channel] = (steps.index.shape[0], model)
        if all(most >= _ENOUGH_STEPS for most, _ in best):
            break
    return [model for _, model in best]


def _time_chunk(
    values: NDArray[np.float32], chunk: Chunk, factor: int, rate_hz: float, model: InputModel
) -> tuple[_Part, FloatArray]:
    """Time the edges, and the spikes, of a chunk's core; places are samples of the recording."""
    averages = decimate(values, factor)
    sag = model.coupling.rate_per_s * factor / rate_hz
    steps = find_steps(averages, min(_RUNT_SHARE + _DETECTOR_SPAN * sag, _STEP_SHARE))
    timed = time_steps(values, averages, steps, factor, rate_hz, model)
    place = timed.place + chunk.first
    mine = (place >= chunk.core_start) & (place < chunk.core_end)
    spikes = find_spikes(values, timed.place, rate_hz, model.step, model.noise) + chunk.first
    spikes = spikes[(spikes >= chunk.core_start) & (spikes < chunk.core_end)]
    return (place[mine], timed.rising[mine], timed.u[mine], timed.share[mine]), spikes


class _Found:
    """Edges as they are found, in few large arrays: many small ones would scatter the heap."""

    def __init__(self) -> None:
        self.count = 0
        self.place = np.empty(1 << 12)
        self.rising = np.empty(1 << 12, bool)
        self.u = np.empty(1 << 12, np.float32)
        self.share = np.empty(1 << 12, np.float32)

    def add(self, part: _Part) -> None:
        """Append one chunk's edges."""
        end = self.count + part[0].shape[0]
        if end > self.place.shape[0]:
            size = max(end, 2 * self.place.shape[0])
            for column in (self.place, self.rising, self.u, self.share):
                column.resize(size, refcheck=False)
        self.place[self.count : end], self.rising[self.count : end] = part[:2]
        self.u[self.count : end], self.share[self.count : end] = part[2:]
        self.count = end


def _collect(
    samples: Samples,
    found: _Found,
    model: InputModel | None,
    total: int,
    clipped: float,
    blanks: BlankFinder,
    spikes: list[FloatArray],
) -> Edges:
    """Make one input's result of what was found."""
    place = found.place[: found.count]
    order = np.argsort(place, kind="stable")
    noise = model.noise if model else 0.0
    zeros = blanks.finish(noise, samples.step, samples.rate_hz)
    return Edges(
        time_s=place[order] / samples.rate_hz,
        rising=found.rising[order],
        u_s=found.u[order].astype(np.float64) / samples.rate_hz,
        share=found.share[order].astype(np.float64),
        start_s=0.0,
        end_s=total / samples.rate_hz,
        rate_hz=samples.rate_hz,
        step=model.step if model else 0.0,
        noise=noise,
        energy=model.energy if model else 0.0,
        learned_count=model.learned_count if model else 0,
        coupling_hz=model.coupling.corners_hz if model else (),
        clipped_share=clipped / total if total else 0.0,
        gaps=tuple(sorted((*samples.gaps, *zeros), key=lambda gap: gap.start_s)),
        name=samples.name,
        spikes_s=np.concatenate(spikes) / samples.rate_hz if spikes else np.empty(0),
    )
