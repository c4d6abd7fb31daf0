"""How much of the movement a cause makes, in figures."""

from __future__ import annotations

import math

__all__ = ["tell_part", "tell_share"]

_NEARLY_ALL = 0.9
_VAGUE = 0.6
"""Where a share may lie as far apart as that, a single figure would say too much."""


def tell_share(share: float, low: float, high: float) -> str:
    """Say a share in figures.

    Parameters
    ----------
    share, low, high : float
        0 to 1, and its 95 % interval.

    Returns
    -------
    str
        Such as ``74 % (66 to 81 %)``.
    """
    if low >= _NEARLY_ALL:
        return f"at least {math.floor(100 * low)} %"
    if high - low > _VAGUE:
        return (
            f"somewhere between {100 * low:.0f} and {100 * high:.0f} % (likeliest "
            f"{100 * share:.0f} %)"
        )
    return f"{100 * share:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"


def tell_part(share: float, low: float, high: float, counted: str) -> str:
    """Say how much of the movement a cause makes, the last sentence of why.

    Parameters
    ----------
    share, low, high : float
        0 to 1, and its 95 % interval.
    counted : str
        'pulse' or 'period', whose movement it is.

    Returns
    -------
    str
        A sentence.
    """
    return f"This cause makes {tell_share(share, low, high)} of the {counted}'s movement."
