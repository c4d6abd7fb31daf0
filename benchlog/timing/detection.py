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

from benchlog.timing.medians import median

__all__ = [
    "CHUNK_FRAMES",
    "Chunk",
    "Steps",
    "cut_rows",
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
    held: FloatArray | None = None
    first = count = core_start = 0  # index of the first frame held, and how many there are
    for block in blocks:
        if held is None:
            held = np.empty((frames + 3 * overlap, block.shape[1]), block.dtype)
        taken = 0
        while taken < block.shape[0]:  # copied at once, while the processor still has them near
            room = core_start + frames + 2 * overlap - first - count
            part = block[taken : taken + room]
            held[count : count + part.shape[0]] = part
            taken += part.shape[0]
            count += part.shape[0]
            if part.shape[0] < room:
                continue
            core_end = core_start + frames
            yield Chunk(first, core_start, core_end, held[: core_end + overlap - first])
            keep_from = max(first, core_end - overlap)
            rest = held[keep_from - first : count]
            held = np.empty_like(held)
            held[: rest.shape[0]] = rest
            first, count, core_start = keep_from, rest.shape[0], core_end
    if held is not None and first + count > core_start:
        yield Chunk(first, core_start, first + count, held[:count])


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
    total = values[: count * factor]
    left = factor
    while left % 2 == 0:  # halving reads every sample once, columns would do so `factor` times
        total = total[0::2] + total[1::2]
        left //= 2
    if left > 1:
        table = total.reshape(count, left)
        total = table[:, 0] + table[:, 1]
        for column in range(2, left):
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
    noise = float(1.4826 * median(size[:: max(1, size.shape[0] // 4096)]))
    ceiling = float(size.max())
    lowest = max(_NOISE_FACTOR * noise, 1e-6)
    if not ceiling > lowest:
        return Steps(none.index, none.height, noise)
    index = _peaks(contrast, size, lowest)
    usual = float(median(size[index]))
    if usual < 0.5 * ceiling:  # small steps outnumber large ones: noise bursts, or rare pulses
        usual = float(median(size[index[size[index] > 0.4 * ceiling]]))
    index = index[size[index] > least_share * usual]
    return Steps(index + 2, contrast[index].astype(np.float64), noise)


def _peaks(contrast: FloatArray, size: FloatArray, threshold: float) -> NDArray[np.intp]:
    """Return the place of the largest value in each run of one sign above `threshold`."""
    above = np.flatnonzero(size > threshold)
    sign, height = contrast[above] > 0, size[above]
    border = (above[1:] - above[:-1] > 1) | (sign[1:] != sign[:-1])
    starts = np.concatenate(([0], np.flatnonzero(border) + 1))
    best = np.maximum.reduceat(height, starts)
    at_best = np.flatnonzero(height == np.repeat(best, np.diff(starts, append=above.shape[0])))
    if at_best.shape[0] > starts.shape[0]:  # a tie: the first of the run counts
        run = np.searchsorted(starts, at_best, side="right")
        at_best = at_best[np.diff(run, prepend=0) > 0]
    result: NDArray[np.intp] = above[at_best]
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
    start = j * factor
    cut = cut_rows(values, start - factor, 3 * factor + 1)
    middle = (0.5 * (before + after))[:, None]
    sign = np.sign(steps.height).astype(np.float32)[:, None]
    reach = np.arange(1, 3 * factor + 2)
    # a product with ones below the diagonal sums short rows faster than a running sum
    running = cut @ (reach[:, None] <= reach).astype(np.float32)
    best = np.argmax((middle * reach.astype(np.float32) - running) * sign, axis=1)
    row = np.arange(best.shape[0])
    area = running[row, best] - 0.5 * cut[row, best] - running[:, factor - 1]
    return start - factor + best, area.astype(np.float64)


def cut_rows(values: FloatArray, first: NDArray[np.intp], length: int) -> FloatArray:
    """Cut a row of consecutive samples for each of many places.

    Parameters
    ----------
    values : numpy.ndarray
        Samples of one input, shape (n,), n at least 1.
    first : numpy.ndarray
        Index of each row's first sample, shape (m,).
    length : int
        Samples a row, at least 1.

    Returns
    -------
    numpy.ndarray
        Shape (m, length), float32; the first or last sample is repeated past the ends.
    """
    if first.shape[0] and first.min() >= 0 and first.max() + length <= values.shape[0]:
        # whole rows are copied, which is several times faster than sample by sample
        whole = np.ascontiguousarray(values)
        size = whole.itemsize
        shape = (whole.shape[0] - length + 1, length)
        rows: FloatArray = np.ndarray(shape, whole.dtype, whole, 0, (size, size))[first]
        return rows
    at = np.clip(first[:, None] + np.arange(length), 0, values.shape[0] - 1)
    return np.asarray(values[at])
