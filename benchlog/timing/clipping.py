"""Samples at the ends of the scale."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["count_clipped"]

_FULL_SCALE_SHARE = 0.985
_STEP = 1e-4
"""What rounding and dither may leave between samples that are all cut off."""


def count_clipped(values: NDArray[np.float32]) -> int:
    """Count the samples at the ends of the scale, where there are such.

    Parameters
    ----------
    values : numpy.ndarray
        Samples of one input, full scale at ±1, shape (n,).

    Returns
    -------
    int
        Samples within a rounding step of the highest or the lowest one, where that reaches
        the scale's end; from 0 to n.
    """
    if values.shape[0] == 0:
        return 0
    count = 0
    for side in (values, -values):
        end = float(side.max())
        if end >= _FULL_SCALE_SHARE:
            count += int(np.count_nonzero(side >= end - _STEP))
    return count
