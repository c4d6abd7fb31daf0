"""Steps whose height tells that something happened at them."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

__all__ = ["is_odd_height", "stands_alone"]

_LOW_SHARE = 0.65
_HIGH_SHARE = 1.35
_ABOUT = 3
_ALONE_SHARE = 0.1
"""A step lower by a tenth than its neighbours: the output switched back within the reach of the
search for edges, some 0.3 ms, or something fell upon the edge."""
_ALONE_SPREADS = 12.0

FloatArray = NDArray[np.float64]


def is_odd_height(share: FloatArray) -> NDArray[np.bool_]:
    """Tell which steps are far from the usual height.

    Parameters
    ----------
    share : numpy.ndarray
        Heights as shares of the usual one, any shape.

    Returns
    -------
    numpy.ndarray
        Same shape, bool.
    """
    return np.asarray((share < _LOW_SHARE) | (share > _HIGH_SHARE))


def stands_alone(share: FloatArray) -> NDArray[np.bool_]:
    """Tell which steps differ in height from all those about them, by far more than noise.

    Parameters
    ----------
    share : numpy.ndarray
        Heights as shares of the usual one, in the order of time, shape (n,).

    Returns
    -------
    numpy.ndarray
        Shape (n,), bool. A supply that falls lowers its neighbours as well, and leaves none.
    """
    alone = np.zeros(share.shape, bool)
    if share.shape[0] < 2 * _ABOUT + 1:
        return alone
    windows = sliding_window_view(share, 2 * _ABOUT + 1)
    middle = np.partition(windows, _ABOUT, axis=1)[:, _ABOUT]
    away = np.abs(windows - middle[:, None])
    own = away[:, _ABOUT]
    usual = 1.4826 * float(np.median(own))
    others = np.delete(away, _ABOUT, axis=1).max(axis=1)
    inner = (own > max(_ALONE_SHARE, _ALONE_SPREADS * usual)) & (others < 0.5 * own)
    alone[_ABOUT : share.shape[0] - _ABOUT] = inner
    return alone
