"""Where the edges are, to a few samples: a step detector over decimated sums.

The detector sets two stretches on either side of each point against each other,
each two decimated samples (about 0.17 ms) long. Slow changes - droop of an
AC-coupled input, hum, wander - hardly move it, and averaging makes it find a step
that single samples bury in noise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CHUNK_FRAMES",
    "Chunk",
    "Steps",
    "decimate",
    "decimation_for",
    "find_steps",
    "refine_steps",
    "split_chunks",
]

CHUNK_FRAMES = 1 << 19
"""Frames that are worked on at once, however the source cuts its blocks."""

_DETECTOR_RATE_HZ = 12000.0
_NOISE_FACTOR = 7.0
"""Gaussian noise passes it less than once in a thousand hours."""

FloatArray = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """A stretch of samples with its surroundings.

    Attributes
    ----------
    first : int
        Index in the recording of ``values[0]``; a multiple of the chunk alignment.
    core_start, core_end : int
        The indices in the recording that belong to this chunk alone.
    values : numpy.ndarray
        Shape (n, inputs), float32: the core with the overlap on both sides.
    """

    first: int
    core_start: int
    core_end: int
    values: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """Steps found in one chunk of one input.

    Attributes
    ----------
    index : numpy.ndarray
        Position in decimated samples, shape (n,), ascending.
    height : numpy.ndarray
        Signed height of the step, shape (n,), in units of full scale.
    noise : float
        Standard deviation of the detector's output where there is no step.
    """

    index: NDArray[np.intp]
    height: NDArray[np.float64]
    noise: float


def decimation_for(rate_hz: float) -> int:
    """Return how many samples the detector sums into one (at least 1)."""
    return max(1, round(rate_hz / _DETECTOR_RATE_HZ))


def split_chunks(
    blocks: Iterator[FloatArray], overlap: int, frames: int = CHUNK_FRAMES
) -> Iterator[Chunk]:
    """Cut a stream of blocks into chunks of fixed size, whatever the blocks' sizes.

    Parameters
    ----------
    blocks : iterator of numpy.ndarray
        Each of shape (n, inputs); n may vary and may be 0.
    overlap : int
        Frames of surroundings that a chunk has on each side, where they exist.
    frames : int
        Core frames of a chunk.

    Yields
    ------
    Chunk
        Cores that tile the recording without gap or overlap. A last core shorter
        than the overlap is joined to the one before it.
    """
    held: list[FloatArray] = []
    first = 0  # index of the first frame held
    held_frames = 0
    core_start = 0
    for block in blocks:
        held.append(block)
        held_frames += block.shape[0]
        while first + held_frames >= core_start + frames + 2 * overlap:
            values = held[0] if len(held) == 1 else np.concatenate(held)
            core_end = core_start + frames
            yield Chunk(first, core_start, core_end, values[: core_end + overlap - first])
            keep_from = max(first, core_end - overlap)
            rest = values[keep_from - first :]
            held, held_frames, first = [rest], rest.shape[0], keep_from
            core_start = core_end
    if held_frames:
        values = held[0] if len(held) == 1 else np.concatenate(held)
        if first + held_frames > core_start:
            yield Chunk(first, core_start, first + held_frames, values)


def decimate(values: NDArray[np.floating], factor: int) -> FloatArray:
    """Average runs of `factor` samples.

    Parameters
    ----------
    values : numpy.ndarray
        Shape (n,).
    factor : int
        Samples per run, at least 1.

    Returns
    -------
    numpy.ndarray
        Shape (n // factor,), float32; a shorter last run is left out.
    """
    count = values.shape[0] // factor
    if factor == 1:
        return np.ascontiguousarray(values[:count], dtype=np.float32)
    table = values[: count * factor].reshape(count, factor)
    total = table[:, 0] + table[:, 1]
    for column in range(2, factor):
        total += table[:, column]
    total *= np.float32(1.0 / factor)
    return total.astype(np.float32, copy=False)


def find_steps(averages: FloatArray, least_share: float = 0.5) -> Steps:
    """Find steps in decimated samples.

    Parameters
    ----------
    averages : numpy.ndarray
        Decimated samples of one input, shape (n,).
    least_share : float
        Steps below this share of the usual one are left out.

    Returns
    -------
    Steps
        One for each run of the detector above that share and seven times
        its noise; none in noise alone, hum or a steady level.
    """
    none = Steps(np.empty(0, np.intp), np.empty(0), 0.0)
    if averages.shape[0] < 5:
        return none
    pair = averages[:-1] + averages[1:]
    contrast = pair[3:] - pair[:-3]  # (s[j+1]+s[j+2]) - (s[j-2]+s[j-1]) at j = i + 2
    contrast *= np.float32(0.5)
    size = np.abs(contrast)
    noise = float(1.4826 * np.median(size[:: max(1, size.shape[0] // 4096)]))
    ceiling = float(size.max())
    lowest = max(_NOISE_FACTOR * noise, 1e-6)
    if not ceiling > lowest:
        return Steps(none.index, none.height, noise)
    index = _peaks(contrast, size, lowest)
    usual = float(np.median(size[index]))
    if usual < 0.5 * ceiling:  # small steps outnumber large ones: noise bursts, or rare pulses
        usual = float(np.median(size[index[size[index] > 0.4 * ceiling]]))
    index = index[size[index] > least_share * usual]
    return Steps(index + 2, contrast[index].astype(np.float64), noise)


def _peaks(contrast: FloatArray, size: FloatArray, threshold: float) -> NDArray[np.intp]:
    """Return the place of the largest value in each run of one sign above `threshold`."""
    above = np.flatnonzero(size > threshold)
    sign = contrast[above] > 0
    starts = np.ones(above.shape[0], bool)
    starts[1:] = (np.diff(above) > 1) | (sign[1:] != sign[:-1])
    run = np.cumsum(starts) - 1
    best = np.maximum.reduceat(size[above], np.flatnonzero(starts))
    at_best = np.flatnonzero(size[above] == best[run])
    _, first = np.unique(run[at_best], return_index=True)
    result: NDArray[np.intp] = above[at_best[first]]
    return result


def refine_steps(
    values: FloatArray, averages: FloatArray, steps: Steps, factor: int
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Place steps to the sample: the most likely change point within the detector's reach.

    Parameters
    ----------
    values : numpy.ndarray
        Samples of one input, shape (n,).
    averages : numpy.ndarray
        The same, decimated by `factor`.
    steps : Steps
        From `find_steps`.
    factor : int
        The decimation.

    Returns
    -------
    last : numpy.ndarray
        Shape (len(steps.index),): the index of the last sample before the step.
    area : numpy.ndarray
        Same shape: the sum of the samples from the beginning of the decimated sample
        that holds the step to the middle of `last`; negative where `last` lies before.
    """
    j = steps.index
    before = 0.5 * (averages[j - 2] + averages[j - 1])
    after = 0.5 * (averages[j + 1] + averages[j + 2])
    reach = np.arange(-factor, 2 * factor + 1)
    start = j * factor
    at = np.clip(start[:, None] + reach, 0, values.shape[0] - 1)
    cut = values[at]
    middle = (0.5 * (before + after))[:, None]
    sign = np.sign(steps.height).astype(np.float32)[:, None]
    best = np.argmax(np.cumsum((middle - cut) * sign, axis=1), axis=1)
    running = np.cumsum(cut, axis=1, dtype=np.float64)
    area = _at(running, best) - 0.5 * _at(cut, best) - running[:, factor - 1]
    return start - factor + best, area


def _at(table: NDArray[np.floating], column: NDArray[np.intp]) -> NDArray[np.floating]:
    """Return one entry of each row."""
    return np.take_along_axis(table, column[:, None], axis=1)[:, 0]
