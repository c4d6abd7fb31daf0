"""Colour bands of resistors after IEC 60062, read from whichever end makes sense.

Digits, multipliers and tolerances of the colours are from memory of IEC 60062 (2016), the
two-letter codes of the colours from memory of IEC 60757.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from benchlog.channel.preferred import find_series
from benchlog.channel.quoting import quote
from benchlog.errors import DesignError

__all__ = ["BandReading", "are_colours", "read_bands"]

_DIGITS = ("black", "brown", "red", "orange", "yellow", "green", "blue", "violet", "grey", "white")
_POWERS = {colour: power for power, colour in enumerate(_DIGITS)} | {
    "gold": -1,
    "silver": -2,
    "pink": -3,
}
_TOLERANCES = {
    "silver": 0.10,
    "gold": 0.05,
    "red": 0.02,
    "brown": 0.01,
    "green": 0.005,
    "blue": 0.0025,
    "violet": 0.001,
    "orange": 0.0005,
    "yellow": 0.0002,
    "grey": 0.0001,
}
_PER_KELVIN = frozenset(_DIGITS[:9])  # the sixth band: a temperature coefficient
_NO_BAND = 0.20
_RARE = 0.001  # tolerances below this are seldom met on a hobby bench (common practice)
_OTHER_NAMES = {
    "purple": "violet", "gray": "grey",
    "bk": "black", "bn": "brown", "rd": "red", "og": "orange", "ye": "yellow", "gn": "green",
    "bu": "blue", "vt": "violet", "gy": "grey", "wh": "white", "gd": "gold", "sr": "silver",
    "pk": "pink",
}  # fmt: skip
_NAMES = (*_POWERS, "purple", "gray")
_BETWEEN = re.compile(r"[\s,;/\-]+")


@dataclass(frozen=True, slots=True)
class BandReading:
    """What the bands of a resistor say.

    Attributes
    ----------
    value_ohm : float
        The resistance, ohms.
    tolerance : float
        Half-width, as a fraction of the value.
    turned : bool
        Whether it was read from the other end than it was typed.
    other : BandReading or None
        The reading from the other end, where that makes as much sense.
    """

    value_ohm: float
    tolerance: float
    turned: bool = False
    other: BandReading | None = None


def are_colours(text: str) -> bool:
    """Tell whether a text is meant as colours: its first or its last word is near to one."""
    words = [word for word in _BETWEEN.split(text.strip().lower()) if word]
    return len(words) > 1 and any(_find_colour(word) or _guess(word) for word in words)


def _find_colour(word: str) -> str | None:
    """Return the colour of a word, None if it is none."""
    name = _OTHER_NAMES.get(word, word)
    return name if name in _POWERS else None


def _guess(word: str) -> str | None:
    """Return the colour that a misspelt word is near to."""
    if len(word) < 3 or not word.isalpha():
        return None
    return next(iter(difflib.get_close_matches(word, _NAMES, n=1, cutoff=0.7)), None)


def read_bands(text: str) -> BandReading:
    """Read the colour bands of a resistor.

    Parameters
    ----------
    text : str
        Three to six colours by name (``yellow violet orange gold``) or code (``YE VT OG GD``),
        from either end.

    Returns
    -------
    BandReading
        From the end that makes sense: the tolerance band can be one, and the value is made
        (E24; E96 up to 1 %; E192 up to 0.5 %). As typed where both ends make as much sense;
        the other reading is then in ``other``.

    Raises
    ------
    DesignError
        A word is no colour, there are too few or too many, or neither end can be the first.

    Notes
    -----
    IEC 60062: two digits (three with five or six bands), multiplier, tolerance, temperature
    coefficient. Without a tolerance band 20 %.
    """
    colours = _read_colours(text)
    if len(colours) < 3 or len(colours) > 6:
        raise DesignError(
            f"{quote(text)} has {len(colours)} band{'s' * (len(colours) != 1)}",
            expected="three to six colours",
            attempt="all of the bands, such as 'yellow violet orange gold'",
        )
    typed = _read_from(colours)
    turned = _read_from(colours[::-1])
    if typed is None and turned is None:
        raise DesignError(
            f"the bands {quote(text)} make no resistor from either end",
            expected="digits, a multiplier, and last a tolerance such as gold (5 %) or brown (1 %)",
            attempt="looking again in daylight, or the value as a meter reads it",
        )
    if turned is None or turned == typed:
        return typed  # type: ignore[return-value]
    back = BandReading(turned.value_ohm, turned.tolerance, turned=True)
    if typed is None or _sense(back) > _sense(typed):
        return back
    if _sense(typed) > _sense(back):
        return typed
    return BandReading(typed.value_ohm, typed.tolerance, other=back)


def _read_colours(text: str) -> list[str]:
    """Return the colours of the words."""
    colours = []
    for word in _BETWEEN.split(text.strip().lower()):
        if not word:
            continue
        colour = _find_colour(word)
        if colour is None:
            near = _guess(word)
            raise DesignError(
                f"{quote(word)} is no colour of a band",
                expected=f"one of {', '.join(_POWERS)}",
                attempt=near or "the bands by name, such as 'yellow violet orange gold'",
            )
        colours.append(colour)
    return colours


def _read_from(colours: list[str]) -> BandReading | None:
    """Read bands from the first one on; None where they cannot be a resistor that way round."""
    count = 2 if len(colours) < 5 else 3
    digits, rest = colours[:count], colours[count:]
    if any(colour not in _DIGITS for colour in digits) or digits[0] == "black":
        return None
    tolerance = _TOLERANCES.get(rest[1]) if len(rest) > 1 else _NO_BAND
    if tolerance is None or (len(rest) > 2 and rest[2] not in _PER_KELVIN):
        return None
    number = "".join(str(_DIGITS.index(colour)) for colour in digits)
    return BandReading(float(f"{number}e{_POWERS[rest[0]]}"), tolerance)


def _sense(reading: BandReading) -> tuple[bool, bool]:
    """Return how much sense a reading makes: such a value is made, such a tolerance is usual."""
    made = ["E24"]
    if reading.tolerance <= 0.01:
        made.append("E96")
    if reading.tolerance <= 0.005:
        made.append("E192")
    return find_series(reading.value_ohm, tuple(made)) is not None, reading.tolerance >= _RARE
