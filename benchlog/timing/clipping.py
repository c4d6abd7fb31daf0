"""Samples at the ends of the scale."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["count_clipped", "count_clipped_side"]

_FULL_SCALE_SHARE = 0.985
_STEP = 1e-4
"""What rounding and dither may leave between samples that are all cut off."""
_STEPS_ALIKE = 1.5
_LEAST_WIDTH = 1e-6
_NOISY = 2.0
"""Noise, in widths of what counts as alike, from which a flat top is no input's own."""
_RUN = 3


def count_clipped(values: NDArray[np.float32], noise: float = 0.0, quantum: float = 0.0) -> int:
    """Count the samples at the ends of the scale, where there are such.

    Parameters
    ----------
    values : numpy.ndarray
        Samples of one input, full scale at ±1, shape (n,).
    noise : float
        Standard deviation of the input's noise per sample; 0 where it is not known.
    quantum : float
        Rounding step of the samples; 0 where it is not known.

    Returns
    -------
    int
        Samples within a rounding step of the highest or the lowest one, where that reaches
        the scale's end, or where it lies lower but runs of three and more are alike there as
        the noise would not let them be; from 0 to n.
    """
    if values.shape[0] == 0:
        return 0
    sides = (side for side in (values, -values) if side.max() > 0)
    return sum(count_clipped_side(side, noise, quantum) for side in sides)


def count_clipped_side(values: NDArray[np.floating], noise: float, quantum: float) -> int:
    """Count the samples at the upper end of the scale alone.

    Parameters
    ----------
    values : numpy.ndarray
        As for `count_clipped`, at least one; the other sign for the lower end.
    noise, quantum : float
        As for `count_clipped`.

    Returns
    -------
    int
        From 0 to n.
    """
    end = float(values.max())
    if end >= _FULL_SCALE_SHARE:
        return int(np.count_nonzero(values >= end - _STEP))
    width = max(_STEPS_ALIKE * quantum, _LEAST_WIDTH)
    # a quiet input's own flat top looks the same
    return _in_runs(values >= end - width) if noise > _NOISY * width else 0


def _in_runs(marked: NDArray[np.bool_]) -> int:
    """Return how many marks stand in runs of three and more."""
    if np.count_nonzero(marked) < _RUN:
        return 0
    turns = np.flatnonzero(np.diff(np.concatenate(([False], marked, [False])).astype(np.int8)))
    lengths = turns[1::2] - turns[::2]
    return int(lengths[lengths >= _RUN].sum())
