"""Meter readings of parts, as they are typed after `--known`."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from benchlog.errors import UsageError
from benchlog.units import format_value, parse_fraction, parse_value

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchlog.calibration.identify import Known
    from benchlog.channel.plan import Design

__all__ = ["check_known", "read_known"]

_UNITS = {"r_on": "ohm", "r_knob": "ohm", "r_off": "ohm", "c_timing": "F"}
_ACCURACY = {"ohm": 0.005, "F": 0.02}
"""Half-width of a common hand-held meter, a fraction of its reading, to which one step of the
last figure is added (common practice: 0.5 % + 1 digit in ohms, 2 % + 1 digit in farads)."""
_STEP_SHARE = 0.01
"""What one step counts at most, a fraction of the reading: who types 1M has left the meter's other
figures away."""
_LONGEST = 40
_FAR = 12.0
"""From how many times the mark on a reading is a slip of the hand: a part a decade off its mark is
met, and has its tolerance too."""
_NEAR = 3.0


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
    return part, Known(value, half / math.sqrt(3.0), assumed=not sign)


def check_known(design: Design, texts: list[str], known: Mapping[str, Known]) -> None:
    """Refuse readings that no such part can have, before any recording is read.

    Parameters
    ----------
    design : Design
        The design, for what is marked.
    texts : list of str
        What was typed after each `--known`.
    known : mapping of str to Known
        What `read_known` made of them.

    Raises
    ------
    UsageError
        A reading more than tenfold from what is marked.
    """
    for text in texts:
        name = text.partition("=")[0].strip()
        part = next(one for one in design.parts if one.name == name)
        value = known[name].value
        if 1.0 / _FAR < value / part.value < _FAR:
            continue
        shown = format_value(value, part.unit)
        raise UsageError(
            f"--known '{text[:_LONGEST]}' is {shown}, and {format_value(part.value, part.unit)} "
            "is marked",
            expected="ohms with k or M, farads with n or µ",
            attempt=f"--known {name}={_meant(text, part.value, part.unit)}",
        )


def _meant(text: str, marked: float, unit: str) -> str:
    """Return the figures that were typed with the letter that brings them nearest to the mark."""
    figures = re.search(r"[0-9]+(?:\.[0-9]+)?", text.partition("=")[2])
    letters = "kM" if unit == "ohm" else "pnµ"
    for letter in letters if figures is not None else "":
        assert figures is not None
        shown = figures.group() + letter
        if 1.0 / _NEAR < parse_value(shown, unit) / marked < _NEAR:
            return shown
    return format_value(marked, unit).replace(" ", "").removesuffix("Ω").removesuffix("F")


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
    one = parse_value(step + shown[len(mantissa) :], unit)
    return _ACCURACY[unit] * value + min(one, _STEP_SHARE * value)


def _refusal(text: str, expected: str, attempt: str) -> UsageError:
    return UsageError(f"--known '{text[:_LONGEST]}'", expected=expected, attempt=attempt)
