"""Numbers as a sentence writes them."""

from __future__ import annotations

import math

__all__ = ["capital", "digits", "spell_count", "tell_times", "us", "us_with_u"]

_LEAST = 5e-4  # what is less is shown as 0
_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def capital(text: str) -> str:
    """Return text with a capital letter in front."""
    return text[:1].upper() + text[1:]


def digits(value: float, count: int = 2) -> str:
    """Write a number with two digits that count, or with another count of them.

    Parameters
    ----------
    value : float
        Any number; 0 where it is below 0.0005 or not finite.
    count : int
        How many digits, 1 or more.

    Returns
    -------
    str
        Such as ``0.31`` or ``450``.
    """
    if value < _LEAST or not math.isfinite(value):
        return "0"
    # rounded first: 9.97 is 10, not 10.0
    rounded = float(f"{value:.{count - 1}e}")
    places = max(0, count - 1 - math.floor(math.log10(rounded) + 1e-12))
    return f"{rounded:.{places}f}"


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


def us_with_u(seconds: float, u_s: float) -> str:
    """Write a change in microseconds with its sign and its '±' (k = 2).

    Parameters
    ----------
    seconds, u_s : float
        The change and its standard uncertainty.

    Returns
    -------
    str
        Such as ``-740 ± 12 µs``: the '±' has two digits that count, rounded up so that it is
        never 0, and the change ends where it does.
    """
    half = max(2e6 * u_s, 0.01)
    places = max(0, 1 - math.floor(math.log10(half) + 1e-12))
    half = math.ceil(half * 10**places - 1e-6) / 10**places
    return f"{seconds * 1e6:+.{places}f} ± {half:.{places}f} µs"


def spell_count(count: int) -> str:
    """Write a count as a word up to ten, in figures above.

    Parameters
    ----------
    count : int
        0 or more.

    Returns
    -------
    str
        Such as ``three``.
    """
    return _COUNTS[count] if count < len(_COUNTS) else str(count)


def tell_times(count: int) -> str:
    """Say how often, such as ``once`` or ``three times``."""
    return {1: "once", 2: "twice"}.get(count, f"{spell_count(count)} times")
