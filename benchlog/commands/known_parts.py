"""Meter readings of parts, as they are typed after `--known`."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from benchlog.errors import UsageError
from benchlog.units import parse_fraction, parse_value

if TYPE_CHECKING:
    from benchlog.calibration.identify import Known

__all__ = ["read_known"]

_UNITS = {"r_on": "ohm", "r_knob": "ohm", "r_off": "ohm", "c_timing": "F"}
_ACCURACY = {"ohm": 0.005, "F": 0.02}
"""Half-width of a common hand-held meter, a fraction of its reading, to which one step of the
last figure is added (common practice: 0.5 % + 1 digit in ohms, 2 % + 1 digit in farads)."""
_LONGEST = 40


def read_known(texts: list[str]) -> dict[str, Known]:
    """Read what was typed after each `--known`.

    Parameters
    ----------
    texts : list of str
        Such as ``r_off=812k``, ``c_timing=22.4n±1%`` or ``r_on=33k1+-100``.

    Returns
    -------
    dict of str to Known
        By part.

    Raises
    ------
    UsageError
        No such part, no value, no accuracy, or a part that comes twice.
    """
    found: dict[str, Known] = {}
    for text in texts:
        part, reading = _read_one(text)
        if part in found:
            raise _refusal(text, f"{part} once", f"the better of the two readings of {part}")
        found[part] = reading
    return found


def _read_one(text: str) -> tuple[str, Known]:
    """Read one reading."""
    from benchlog.calibration.identify import Known

    part, equals, rest = text.partition("=")
    part = part.strip()
    if not equals or part not in _UNITS:
        raise _refusal(text, f"PART=VALUE, PART one of {', '.join(_UNITS)}", "--known r_off=812k")
    unit = _UNITS[part]
    shown, sign, accuracy = rest.replace("+-", "±").replace("+/-", "±").partition("±")
    example = "812k" if unit == "ohm" else "22.4n"
    try:
        value = parse_value(shown.strip(), unit)
        half = _read_accuracy(accuracy, value, unit) if sign else _usual(shown.strip(), value, unit)
    except ValueError as fault:
        raise _refusal(
            text,
            f"the meter's reading, such as {example}, with its accuracy behind ± where it is known",
            f"--known {part}={example} or --known {part}={example}±0.5%",
        ) from fault
    if not (value > 0.0 and math.isfinite(half)):
        raise _refusal(text, "a reading above 0", f"--known {part}={example}")
    return part, Known(value, half / math.sqrt(3.0))


def _read_accuracy(text: str, value: float, unit: str) -> float:
    """Read a half-width: a percentage of the reading, or a value."""
    if "%" in text:
        return parse_fraction(text.strip()) * value
    half = parse_value(text.strip(), unit)
    if half < 0.0:
        raise ValueError("an accuracy is 0 or more")
    return half


def _usual(shown: str, value: float, unit: str) -> float:
    """Return the half-width of a common hand-held meter's reading."""
    mantissa = re.split("[eE]", shown)[0]
    last = max(place for place, letter in enumerate(mantissa) if letter.isdigit())
    step = "".join(
        letter if not letter.isdigit() else "1" if place == last else "0"
        for place, letter in enumerate(mantissa)
    )
    return _ACCURACY[unit] * value + parse_value(step + shown[len(mantissa) :], unit)


def _refusal(text: str, expected: str, attempt: str) -> UsageError:
    return UsageError(f"--known '{text[:_LONGEST]}'", expected=expected, attempt=attempt)
