"""The values in which resistors and capacitors are made: the E series of IEC 60063."""

from __future__ import annotations

import math

__all__ = ["SERIES", "find_neighbours", "find_series", "nearest_value", "values_between"]

_E24 = (
    100, 110, 120, 130, 150, 160, 180, 200, 220, 240, 270, 300,
    330, 360, 390, 430, 470, 510, 560, 620, 680, 750, 820, 910,
)  # fmt: skip


def _rounded_series(count: int) -> tuple[int, ...]:
    """Return a fine series in hundredths: the rounded roots of ten, and the one exception."""
    values = [round(100 * 10 ** (step / count)) for step in range(count)]
    # IEC 60063 has 9.20 where the root rounds to 9.19 (from memory; the tests compare)
    return tuple(920 if value == 919 else value for value in values)


SERIES: dict[str, tuple[int, ...]] = {
    "E3": _E24[::8],
    "E6": _E24[::4],
    "E12": _E24[::2],
    "E24": _E24,
    "E48": _rounded_series(48),
    "E96": _rounded_series(96),
    "E192": _rounded_series(192),
}
"""The first decade of each series in hundredths, ascending: 100 stands for 1.00."""

_SAME = 1e-6  # relative; what two floats of one marked value may differ by


def _near_steps(value: float, series: str) -> list[float]:
    """Return the values of a series from a decade below `value` to a decade above."""
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"value must be finite and above 0, got {value}")
    decade = math.floor(math.log10(value)) - 2
    return [
        float(f"{step}e{power}")
        for power in (decade - 1, decade, decade + 1)
        for step in SERIES[series]
    ]


def find_series(value: float, among: tuple[str, ...] = ("E6", "E12", "E24", "E96")) -> str | None:
    """Return the first series that holds a value.

    Parameters
    ----------
    value : float
        In any unit, above 0.
    among : tuple of str
        Names of `SERIES`, in the order in which they are tried.

    Returns
    -------
    str or None
        Such as ``"E12"``; None where it is in none of them.

    Raises
    ------
    ValueError
        `value` is not finite or not above 0.
    """
    for series in among:
        nearest = min(_near_steps(value, series), key=lambda one: abs(one - value))
        if abs(nearest - value) <= _SAME * value:
            return series
    return None


def find_neighbours(value: float, series: str) -> tuple[float, float]:
    """Return the values of a series next below and next above a value that is not in it.

    Parameters
    ----------
    value : float
        In any unit, above 0.
    series : str
        A name of `SERIES`.

    Returns
    -------
    tuple of float
        Below and above; the value itself twice where it is in the series.

    Raises
    ------
    ValueError
        `value` is not finite or not above 0.
    """
    steps = _near_steps(value, series)
    below = max(one for one in steps if one <= value * (1 + _SAME))
    above = min(one for one in steps if one >= value * (1 - _SAME))
    return below, above


def nearest_value(value: float, series: str) -> float:
    """Return the value of a series that is nearest by ratio.

    Parameters
    ----------
    value : float
        In any unit, above 0.
    series : str
        A name of `SERIES`.

    Returns
    -------
    float
        The nearest; the lower one of two equally near.

    Raises
    ------
    ValueError
        `value` is not finite or not above 0.
    """
    below, above = find_neighbours(value, series)
    return below if value / below <= above / value else above


def values_between(low: float, high: float, series: str) -> tuple[float, ...]:
    """Return the values of a series within two bounds, ascending, both included.

    Parameters
    ----------
    low, high : float
        In any unit, above 0.
    series : str
        A name of `SERIES`.

    Returns
    -------
    tuple of float
        None where none lies between.

    Raises
    ------
    ValueError
        A bound is not finite or not above 0.
    """
    if not (0 < low < math.inf and 0 < high < math.inf):
        raise ValueError(f"bounds must be finite and above 0, got {low} and {high}")
    powers = range(math.floor(math.log10(low)) - 3, math.floor(math.log10(high)))
    values = (float(f"{step}e{power}") for power in powers for step in SERIES[series])
    return tuple(one for one in values if low * (1 - _SAME) <= one <= high * (1 + _SAME))
