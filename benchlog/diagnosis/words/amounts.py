"""Numbers as a sentence writes them."""

from __future__ import annotations

import math

__all__ = ["digits", "us"]

_LEAST = 5e-4  # what is less is shown as 0


def digits(value: float) -> str:
    """Write a number with two digits that count.

    Parameters
    ----------
    value : float
        Any number; 0 where it is below 0.0005 or not finite.

    Returns
    -------
    str
        Such as ``0.31`` or ``450``.
    """
    if value < _LEAST or not math.isfinite(value):
        return "0"
    places = max(0, 1 - math.floor(math.log10(value)))
    return f"{round(value, places):.{places}f}" if places else f"{float(f'{value:.1e}'):.0f}"


def us(seconds: float) -> str:
    """Write a short time in microseconds, with two digits that count.

    Parameters
    ----------
    seconds : float
        Any time.

    Returns
    -------
    str
        Such as ``6.2 µs``.
    """
    return f"{digits(seconds * 1e6)} µs"
