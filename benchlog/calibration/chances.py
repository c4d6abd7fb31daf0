"""Tails of the chi-square and the normal distribution.

scipy's own package of distributions gives the same figures, from the same special functions, but
takes longer to load than most of what asks here takes to compute.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["chi_square_above", "chi_square_point", "normal_above", "normal_point"]


def chi_square_above(value: ArrayLike, freedom: float) -> NDArray[np.float64]:
    """Return the chance that a chi-square exceeds a value of 0 or more.

    Parameters
    ----------
    value : array_like
        Any shape.
    freedom : float
        Degrees of freedom, above 0.

    Returns
    -------
    numpy.ndarray
        0 to 1, shape of `value`.
    """
    from scipy.special import chdtrc

    return np.asarray(chdtrc(freedom, np.asarray(value, dtype=np.float64)))


def chi_square_point(chance: float, freedom: float) -> float:
    """Return what a chi-square exceeds with a chance.

    Parameters
    ----------
    chance : float
        Between 0 and 1.
    freedom : float
        Degrees of freedom, above 0.

    Returns
    -------
    float
        The point.
    """
    from scipy.special import chdtri

    return float(chdtri(freedom, chance))


def normal_above(value: float) -> float:
    """Return the chance that a standard normal exceeds a value."""
    from scipy.special import ndtr

    return float(ndtr(-value))


def normal_point(chance: float) -> float:
    """Return what a standard normal exceeds with a chance between 0 and 1."""
    from scipy.special import ndtri

    return float(-ndtri(chance))
