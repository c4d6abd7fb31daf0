"""How well the marks of a sweep were read, told by how far they lie off a smooth curve.

What is stated of the reading holds unless the marks plainly contradict it: where one sweep in a
thousand would scatter so little, or one in a hundred so much, the scatter itself is the better
witness. To believe in a better reading by mistake does more harm than the other way round.
"""

from __future__ import annotations

import math

__all__ = ["scatter_ratio"]

_TOO_LITTLE = 1e-3
_TOO_MUCH = 1e-2
_SAFE = 0.05
"""A scatter is taken for no smaller than leaves this chance that it showed even less."""
_LEAST_FREEDOM = 2.0
_LEAST_RATIO = 0.2


def scatter_ratio(misfit: float, freedom: float) -> float:
    """Return by what the stated scatter of readings is to be multiplied.

    Parameters
    ----------
    misfit : float
        Sum of squared departures over the stated variances.
    freedom : float
        What is expected of it: marks less what the curve takes up of them.

    Returns
    -------
    float
        1 unless the misfit is as small as in one of a thousand sweeps, or as large as in one of
        a hundred. Below 1 it is cautious, and no less than 0.2 at once.

    Notes
    -----
    Normal errors, for which `misfit` is chi-square; readings that are even within their
    half-width scatter less about their mean square, so that the limits are wide for them.
    """
    from scipy.special import gammainc, gammaincinv

    if freedom < _LEAST_FREEDOM:
        return 1.0
    below = float(gammainc(0.5 * freedom, 0.5 * misfit))
    if below < _TOO_LITTLE:
        least = 2.0 * float(gammaincinv(0.5 * freedom, _SAFE))
        return min(max(math.sqrt(misfit / least), _LEAST_RATIO), 1.0)
    if below > 1.0 - _TOO_MUCH:
        return math.sqrt(misfit / freedom)
    return 1.0
