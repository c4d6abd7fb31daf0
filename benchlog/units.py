"""Engineering values as they stand on parts and in files.

Letters in place of the decimal mark follow IEC 60062 (4k7, R47, 4n7); the prefixes
are those of the SI. `parse_value` reads them, `format_value` writes them.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal

__all__ = ["format_value", "parse_fraction", "parse_value"]

_POWERS = {"f": -15, "p": -12, "n": -9, "u": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9, "T": 12}
_SHOWN = {power: letter.replace("u", "µ") for letter, power in _POWERS.items()}
_QUANTITIES = {
    "ohm": ("a resistance such as 33k, 4k7 or 470", "Ω", ("ohm", "ohms", "Ohm", "Ohms", "Ω")),
    "F": ("a capacitance such as 22n, 4n7 or 100p", "F", ("F", "f", "farad")),
    "A": ("a current such as 2.52n or 30n", "A", ("A",)),
    "V": ("a voltage such as 6, 4.8 or 500m", "V", ("V", "v")),
    "s": ("a time such as 1.5m, 600u or 1.5ms", "s", ("s",)),
    "": ("a number such as 1.752", "", ()),
}
_LONGEST = 40  # characters; no marking on a part comes near
_PLAIN = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(\S*)")
_LETTERED = re.compile(r"([+-]?)([0-9]*)([RrfpnumkKMGT])([0-9]+)\s*(\S*)")


def parse_value(text: str | float, unit: str) -> float:
    """Read an engineering value.

    Parameters
    ----------
    text : str, int or float
        A number, or such as ``4k7``, ``R47``, ``47n``, ``22nF``, ``33 kohm``, ``1.5ms``.
        ``u``, ``µ`` (micro sign) and ``μ`` (Greek mu) are alike; so are ``k`` and ``K``.
    unit : str
        The unit wanted: ``"ohm"``, ``"F"``, ``"A"``, ``"V"``, ``"s"`` or ``""``.

    Returns
    -------
    float
        The value in that unit; it may be negative or zero.

    Raises
    ------
    ValueError
        It is no such value, is not finite, or carries another unit. The message is one
        plain sentence.

    Notes
    -----
    A letter in place of the decimal mark after IEC 60062. ``m`` is milli and ``M`` mega.
    """
    if unit not in _QUANTITIES:
        raise ValueError(f"unit must be one of {', '.join(map(repr, _QUANTITIES))}, got {unit!r}")
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise ValueError(f"{_shorten(text)} is not {_QUANTITIES[unit][0]}")
    value = _read_text(text, unit) if isinstance(text, str) else _read_number(text)
    if value is None or not math.isfinite(value):
        raise ValueError(f"{_shorten(text)} is not {_QUANTITIES[unit][0]}")
    return value


def _shorten(text: object) -> str:
    """Return the `repr` of `text`, cut where it is long."""
    try:
        shown = repr(text)
    except ValueError:  # an integer with more digits than Python converts
        return "a number with thousands of digits"
    return shown if len(shown) <= 2 * _LONGEST else shown[: 2 * _LONGEST] + "..."


def _read_number(number: float) -> float | None:
    """Return `number` as float, None where it is too large for one."""
    try:
        return float(number)
    except OverflowError:
        return None


def _read_text(text: str, unit: str) -> float | None:
    """Return the value of `text`, None where it is none."""
    plain = text.strip().replace("µ", "u").replace("μ", "u").replace("\u2126", "Ω")
    if not plain or len(plain) > _LONGEST:
        return None
    if unit == "ohm" and re.fullmatch(r"[0-9]+E[0-9]+", plain):
        return None  # some write 4E7 for 4.7 ohm: read as a power of ten it would mislead
    if found := _LETTERED.fullmatch(plain):
        sign, whole, letter, part, tail = found.groups()
        if tail not in ("", *_QUANTITIES[unit][2]) or (letter in "Rr" and unit != "ohm"):
            return None
        number = f"{sign}{whole or '0'}.{part}"
        return _scale(number, "" if letter in "Rr" else letter)
    if found := _PLAIN.fullmatch(plain):
        prefix = _split_prefix(found.group(2), unit)
        return None if prefix is None else _scale(found.group(1), prefix)
    return None


def _split_prefix(tail: str, unit: str) -> str | None:
    """Return the prefix in what follows the digits, None where `tail` does not fit `unit`."""
    names = _QUANTITIES[unit][2]
    if tail in ("R", "r"):
        return "" if unit == "ohm" else None
    # the whole of the tail first as a prefix ('f' is femto), then with the unit behind it
    for name in ("", *names):
        prefix = tail.removesuffix(name) if name else tail
        if name and prefix == tail:
            continue
        if prefix in _POWERS or prefix == "K":
            return prefix
    return None


def _scale(number: str, prefix: str) -> float:
    """Return `number` with `prefix`, exactly as the decimal literal would be read."""
    power = _POWERS["k" if prefix == "K" else prefix]
    mantissa, _, exponent = number.lower().partition("e")
    digits = exponent.lstrip("+-0")
    if len(digits) > 4:  # beyond any float; int() of a long exponent need not be tried
        return 0.0 if exponent.startswith("-") else math.inf
    return float(f"{mantissa}e{int(exponent or 0) + power}")


def parse_fraction(text: str | float) -> float:
    """Read a tolerance.

    Parameters
    ----------
    text : str, int or float
        ``"5%"``, ``"5 %"``, ``"0.05"`` or ``0.05``.

    Returns
    -------
    float
        The fraction, 0 up to but not including 1.

    Raises
    ------
    ValueError
        It is no such fraction.
    """
    value: float | None = None
    if isinstance(text, str) and len(text) <= _LONGEST:
        plain = text.strip()
        bare = plain.removesuffix("%").strip()
        if re.fullmatch(r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?", bare):
            value = float(bare) / 100 if plain.endswith("%") else float(bare)
    elif isinstance(text, int | float) and not isinstance(text, bool):
        value = _read_number(text)
    if value is None or not 0 <= value < 1:
        raise ValueError(f"{_shorten(text)} is not a tolerance such as '5%' or 0.05")
    return value


def format_value(value: float, unit: str, digits: int = 3) -> str:
    """Write a value with an SI prefix.

    Parameters
    ----------
    value : float
        A finite value in `unit`.
    unit : str
        ``"ohm"``, ``"F"``, ``"A"``, ``"V"``, ``"s"``, ``""``, or any other symbol, which
        is written as it is.
    digits : int
        Significant digits, at least 1; zeros at the end are left out.

    Returns
    -------
    str
        Such as ``820 kΩ`` or ``22 nF``.

    Raises
    ------
    ValueError
        The value is not finite, or `digits` is below 1.
    """
    if not math.isfinite(value):
        raise ValueError(f"value must be finite, got {value}")
    if digits < 1:
        raise ValueError(f"digits must be at least 1, got {digits}")
    symbol = _QUANTITIES[unit][1] if unit in _QUANTITIES else unit
    # rounded first, so that 999.96 k becomes 1 M
    mantissa, _, exponent = f"{value:.{digits - 1}e}".partition("e")
    power = min(12, max(-15, 3 * (int(exponent) // 3))) if float(mantissa) else 0
    number = f"{Decimal(mantissa).scaleb(int(exponent) - power):f}"
    if "." in number:
        number = number.rstrip("0").rstrip(".")
    number = "0" if number == "-0" else number
    return f"{number} {_SHOWN[power]}{symbol}".rstrip()
