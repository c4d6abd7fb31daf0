"""The middle value, found without what a general routine checks first.

Every chunk of a recording needs a handful of medians of some hundred values; the
checks for masks, axes and invalid numbers cost several times the partition itself.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["median"]

_Real = TypeVar("_Real", np.float32, np.float64)


def median(values: NDArray[_Real]) -> NDArray[_Real]:
    """Return the median along the last axis.

    Parameters
    ----------
    values : numpy.ndarray
        Shape (..., n), float32 or float64, finite.

    Returns
    -------
    numpy.ndarray
        Shape (...), in the units and the type of `values`; NaN where n is 0. An even
        number of values gives the mean of the two in the middle.
    """
    count = values.shape[-1]
    if count == 0:
        return np.full(values.shape[:-1], np.nan, values.dtype)
    half = count // 2
    if count % 2:
        return np.asarray(np.partition(values, half, axis=-1)[..., half])
    inner = np.partition(values, (half - 1, half), axis=-1)
    return np.asarray((inner[..., half - 1] + inner[..., half]) * values.dtype.type(0.5))
