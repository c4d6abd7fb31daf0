"""Figures with what stands behind '±': U is rounded up, so that it never promises too much."""

from __future__ import annotations

import math

from benchlog.calibration.verdict import COVERAGE

__all__ = ["round_up", "with_u"]

_PREFIXES = {"p": -12, "n": -9, "µ": -6, "m": -3, "": 0, "k": 3, "M": 6}


def round_up(half: float, digits: int) -> str:
    """Write the figure behind '±'.

    Parameters
    ----------
    half : float
        U, in the unit that is shown.
    digits : int
        Decimals.

    Returns
    -------
    str
        Rounded up.
    """
    return f"{math.ceil(half * 10**digits - 1e-9) / 10**digits:.{digits}f}"


def with_u(value: float, u: float, unit: str) -> str:
    """Write a value with U = 2 u, both with one prefix, U with two figures.

    Parameters
    ----------
    value, u : float
        The value and its standard uncertainty, in the SI unit.
    unit : str
        ``"ohm"``, ``"F"``, ``"V"``, ``"s"`` or ``""``.

    Returns
    -------
    str
        Such as ``23.92 ± 0.52 nF``.
    """
    half = COVERAGE * u
    size = max(abs(value), half)
    power = 0
    if unit and size > 0.0:
        power = min(max(3 * math.floor(math.log10(size) / 3.0 + 1e-9), -12), 6)
    if unit == "V" or (unit == "ohm" and size < 1e3):
        power = 0
    prefix = next(letter for letter, exponent in _PREFIXES.items() if exponent == power)
    symbol = {"ohm": "Ω"}.get(unit, unit)
    scaled, scaled_half = value / 10.0**power, half / 10.0**power
    digits = 3
    if scaled_half > 0.0:
        digits = min(max(1 - math.floor(math.log10(scaled_half)), 0), 4)
    shown = round(scaled, digits) + 0.0  # no sign before a 0
    return f"{shown:.{digits}f} ± {round_up(scaled_half, digits)} {prefix}{symbol}".rstrip()
