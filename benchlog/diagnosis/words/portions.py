"""How much of the movement a cause makes, in words and figures."""

from __future__ import annotations

import math

__all__ = ["tell_part", "tell_share"]

_NEARLY_ALL = 0.9
_VAGUE = 0.6
"""Where a share may lie as far apart as that, a word such as 'half' would say too much."""
_SHARES = (
    (0.95, "nearly all"), (0.86, "nine tenths"), (0.72, "three quarters"), (0.62, "two thirds"),
    (0.42, "half"), (0.29, "a third"), (0.22, "a quarter"), (0.15, "a fifth"), (0.07, "a tenth"),
)  # fmt: skip


def tell_share(share: float, low: float, high: float) -> str:
    """Say a share in words and figures.

    Parameters
    ----------
    share, low, high : float
        0 to 1, and its 95 % interval.

    Returns
    -------
    str
        Such as ``about three quarters (74 %, 66 to 81 %)``.
    """
    if low >= _NEARLY_ALL:
        return f"nearly all (at least {math.floor(100 * low)} %)"
    if high - low > _VAGUE:
        return (
            f"somewhere between {100 * low:.0f} and {100 * high:.0f} % (likeliest "
            f"{100 * share:.0f} %)"
        )
    name = next(
        (
            name if name == "nearly all" else f"about {name}"
            for least, name in _SHARES
            if share >= least
        ),
        "a small part",
    )
    return f"{name} ({100 * share:.0f} %, {100 * low:.0f} to {100 * high:.0f} %)"


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
    return f"It makes {tell_share(share, low, high)} of the {counted}'s movement."
