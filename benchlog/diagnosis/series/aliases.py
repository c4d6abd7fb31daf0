"""Where the mains falls when it is sampled once a cycle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CLEAR_HZ",
    "MAINS_HZ",
    "TOLERANCE_HZ",
    "Alias",
    "find_period_change",
    "fold",
    "list_aliases",
]

FloatArray = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)

TOLERANCE_HZ = 0.1
"""How far a public grid strays from its nominal frequency (common practice)."""

CLEAR_HZ = 0.3
"""An alias that far from zero goes to and fro too fast for creep."""

Alias = tuple[float, int, float]
"""Mains frequency, harmonic, and where that falls, Hz, with its sign."""


def list_aliases(period_s: float, *, most_harmonic: int = 5) -> tuple[Alias, ...]:
    """Say where the mains falls when it is sampled once a cycle.

    Parameters
    ----------
    period_s : float
        The channel's period, above 0.
    most_harmonic : int
        Harmonics from 1 to this.

    Returns
    -------
    tuple
        ``(mains_hz, harmonic, alias_hz)``, the alias between plus and minus half the
        cycle rate.

    Notes
    -----
    ``k f - n / T`` with the nearest whole n (sampling theorem).
    """
    rate = 1.0 / period_s
    return tuple(
        (mains, harmonic, float(fold(harmonic * mains, rate)))
        for mains in MAINS_HZ
        for harmonic in range(1, most_harmonic + 1)
    )


def find_period_change(
    period_s: float, *, most_harmonic: int = 5, clear_hz: float = CLEAR_HZ
) -> float | None:
    """Find how far the period must move to bring every alias away from zero.

    Parameters
    ----------
    period_s : float
        The channel's period, above 0.
    most_harmonic : int
        Harmonics from 1 to this.
    clear_hz : float
        How far from zero every alias has to lie.

    Returns
    -------
    float or None
        The smallest change, per cent, negative for a shorter period; 0 where none is
        needed, None where none up to 20 % does.
    """
    change = np.arange(-20.0, 20.01, 0.05)
    order = np.lexsort((-change, np.abs(change)))
    rate = 1.0 / (period_s * (1.0 + change[order] / 100.0))
    clear = np.ones(change.shape, bool)
    for mains in MAINS_HZ:
        for harmonic in range(1, most_harmonic + 1):
            clear &= np.abs(fold(mains * harmonic, rate)) >= clear_hz
    found = np.flatnonzero(clear)
    return float(round(change[order][found[0]], 2)) + 0.0 if found.size else None


def fold(hz: FloatArray | float, rate_hz: FloatArray | float) -> FloatArray:
    """Return where frequencies fall when sampled at a rate, with the sign.

    Parameters
    ----------
    hz, rate_hz : float or numpy.ndarray
        Frequencies, and the rate of sampling, above 0.

    Returns
    -------
    numpy.ndarray
        Between plus and minus half the rate, Hz.
    """
    return np.asarray(hz - np.rint(np.divide(hz, rate_hz)) * rate_hz)
