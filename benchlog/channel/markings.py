"""What stands on resistors and capacitors, read as a value and a tolerance.

Values, tolerance letters and colour bands follow IEC 60062, the values that are made IEC 60063;
the letters' percentages are from memory of IEC 60062. Three-digit capacitor codes in picofarads
are common practice.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchlog.channel.bands import are_colours, read_bands
from benchlog.channel.preferred import find_neighbours, find_series
from benchlog.channel.quoting import quote
from benchlog.errors import DesignError
from benchlog.units import format_value, parse_fraction, parse_value

__all__ = ["Marking", "file_value", "question_value", "read_capacitor", "read_resistor"]

TOLERANCE_LETTERS = {
    "E": 0.00005, "L": 0.0001, "P": 0.0002, "W": 0.0005, "B": 0.001, "C": 0.0025, "D": 0.005,
    "F": 0.01, "G": 0.02, "H": 0.03, "J": 0.05, "K": 0.10, "M": 0.20, "N": 0.30,
}  # fmt: skip
"""Symmetrical tolerances by letter, as fractions (IEC 60062, from memory)."""

LOPSIDED_LETTERS = {"Q": (0.10, 0.30), "T": (0.10, 0.50), "S": (0.20, 0.50), "Z": (0.20, 0.80)}
"""Tolerances downwards and upwards by letter, as fractions (IEC 60062, from memory)."""

SMALL_CAPACITOR_PF = {"B": 0.1, "C": 0.25, "D": 0.5, "F": 1.0, "G": 2.0}
"""Tolerances in picofarads of capacitors below 10 pF (IEC 60062, from memory)."""

_RESISTOR_OHM = (0.1, 1e10)
_CAPACITOR_F = (1e-12, 0.1)
_PICO = 1e-12
_PERCENT = re.compile(r"(.*?\S)[\s,(]*(?:±|\+/-|\+-)?\s*([0-9]+(?:[.,][0-9]+)?\s*%)\)?", re.DOTALL)
_TRIMMED = re.compile(r"(.*\S)\s*\+\s*(?:trimmer\s+(\S+)|(\S+)\s+trimmer)", re.IGNORECASE)
_LETTER = re.compile(r"(.*[0-9a-zA-ZΩ])\s*([A-Z])")
# the rated voltage: '63V', '/ 100 V', '63 VDC' behind the value, or a code such as 2A before it
_VOLTS = re.compile(r"\s*[/,]?\s*[0-9]+(?:[.,][0-9]+)?\s*(?:VDC|VAC|V=|V~|V)\s*$", re.IGNORECASE)
_VOLTS_CODE = re.compile(r"^[0-3][A-HJ-LV-W](?=[0-9]{3}[A-Z]?$)")
_CODE = re.compile(r"([0-9]{2})([0-9])\s*([A-Z])?(?:[0-9]{2,4})?")
_CODE_POWERS = {str(digit): digit for digit in range(8)} | {"8": -2, "9": -1}
_DECIMAL = re.compile(r"([0-9]*)[.,]([0-9]+)\s*([A-Z])?")


@dataclass(frozen=True, slots=True)
class Marking:
    """What stands on a part.

    Attributes
    ----------
    value : float
        In ohms or farads.
    tolerance : float or None
        Half-width as a fraction; None where the part does not say.
    unit : str
        ``"ohm"`` or ``"F"``.
    notes : tuple of str
        How it was read, where that is not plain.
    trimmer_ohm : float
        A trimmer in series, ohms; 0 for none.
    other : Marking or None
        The other way to read it, where both make as much sense.
    """

    value: float
    tolerance: float | None
    unit: str
    notes: tuple[str, ...] = ()
    trimmer_ohm: float = 0.0
    other: Marking | None = None

    def __str__(self) -> str:
        """Return such as ``33 kΩ ± 5 %``."""
        shown = format_value(self.value, self.unit, 6)
        if self.tolerance is not None:
            shown += f" ± {100 * self.tolerance:.3g} %"
        if self.trimmer_ohm:
            shown += f" and a trimmer of {format_value(self.trimmer_ohm, 'ohm', 6)}"
        return shown

    @property
    def file_text(self) -> str:
        """The value as it stands in a design file."""
        text = file_value(self.value, self.unit)
        if self.trimmer_ohm:
            text += f" + trimmer {file_value(self.trimmer_ohm, 'ohm')}"
        return text


def file_value(value: float, unit: str) -> str:
    """Write a value as it stands in a design file.

    Parameters
    ----------
    value : float
        A finite value.
    unit : str
        Its unit, as in `benchlog.units.parse_value`.

    Returns
    -------
    str
        Such as ``33k`` or ``22n``, which `parse_value` reads back to the same number.
    """
    text = format_value(value, "", 12).replace(" ", "").replace("µ", "u")
    return text if parse_value(text, unit) == value else repr(float(value))


def read_resistor(text: str) -> Marking:
    """Read a resistor: its value, its letters or its colour bands.

    Parameters
    ----------
    text : str
        Such as ``33k``, ``4k7 1%``, ``4K7J``, ``470R``, ``orange orange orange gold``, and
        ``33k + trimmer 10k`` where a trimmer stands in series.

    Returns
    -------
    Marking
        In ohms.

    Raises
    ------
    DesignError
        It is no resistor; what was found, what was expected, what to try.
    """
    if trimmed := _TRIMMED.fullmatch(text.strip()):
        fixed, *words = trimmed.groups()
        first = read_resistor(fixed)
        trimmer = _in_range(next(word for word in words if word), "ohm")
        return Marking(first.value, first.tolerance, "ohm", first.notes, trimmer, first.other)
    if are_colours(text):
        return _from_bands(text)
    bare, tolerance = _split_percent(text)
    value = _try_value(bare, "ohm")
    if value is None and tolerance is None and (lettered := _LETTER.fullmatch(bare)):
        bare, letter = lettered.groups()
        tolerance = TOLERANCE_LETTERS.get(letter)
        value = _try_value(bare, "ohm") if tolerance is not None else None
    if value is None:
        raise _refusal(text, "ohm")
    return Marking(_in_range(bare, "ohm"), tolerance, "ohm", _flat_code(bare))


def _from_bands(text: str) -> Marking:
    """Read colours."""
    reading = read_bands(text)
    if not _RESISTOR_OHM[0] <= reading.value_ohm <= _RESISTOR_OHM[1]:
        raise _refusal(text, "ohm")
    other = None
    if reading.other is not None:
        other = Marking(reading.other.value_ohm, reading.other.tolerance, "ohm")
    notes = ("read from the other end, since only that makes sense",) if reading.turned else ()
    return Marking(reading.value_ohm, reading.tolerance, "ohm", notes, other=other)


def _flat_code(text: str) -> tuple[str, ...]:
    """Point out that three or four digits may be the code of a small flat resistor."""
    found = re.fullmatch(r"([0-9]{2,3})([1-7])", text.strip())
    if found is None or find_series(float(text)) is not None:
        return ()
    coded = format_value(float(f"{found[1]}e{found[2]}"), "ohm", 4)
    return (f"if '{text.strip()}' is the code on a small flat resistor, it means {coded}",)


def read_capacitor(text: str) -> Marking:
    """Read a capacitor: its value or its code.

    Parameters
    ----------
    text : str
        Such as ``223`` (22 and three zeros, in picofarads), ``223J``, ``22n``, ``22nK``,
        ``0.022`` (below 1: microfarads), ``2n2``, ``0.022 uF 63V``. A rated voltage does
        not matter.

    Returns
    -------
    Marking
        In farads.

    Raises
    ------
    DesignError
        It is no capacitor, or it does not say its unit.
    """
    bare, tolerance = _split_percent(_VOLTS.sub("", text.strip()))
    bare = _VOLTS_CODE.sub("", _VOLTS.sub("", bare))
    for read in (_read_code, _read_decimal, _read_unit):
        found = read(bare)
        if found is not None:
            value, letter, notes = found
            return _with_tolerance(text, value, letter, tolerance, notes)
    if re.fullmatch(r"[0-9]+", bare):
        raise DesignError(
            f"{quote(text)} does not say whether it is in pF, nF or µF",
            expected="a capacitance with its unit, or a code of three digits such as 223",
            attempt=f"'{bare}p', '{bare}n' or '{bare}u', whichever it is",
        )
    raise _refusal(text, "F")


_Found = tuple[float, str | None, tuple[str, ...]]


def _read_code(text: str) -> _Found | None:
    """Read a code of three digits: two digits and a power of ten, in picofarads."""
    found = _CODE.fullmatch(text)
    if found is None or text.startswith("0"):
        return None
    value = float(f"{found[1]}e{_CODE_POWERS[found[2]] - 12}")
    power = _CODE_POWERS[found[2]]
    shown = "no zero" if power == 0 else "1 zero" if power == 1 else f"{power} zeros"
    if power < 0:
        shown = "a hundredth of it" if power == -2 else "a tenth of it"
    notes = (f"read as a code: {found[1]}{', ' if power < 0 else ' and '}{shown}, in pF",)
    return value, found[3], notes


def _read_decimal(text: str) -> _Found | None:
    """Read a bare decimal below 1: microfarads."""
    found = _DECIMAL.fullmatch(text)
    if found is None or found[1].strip("0"):
        return None
    return float(f"0.{found[2]}e-6"), found[3], ("a bare decimal below 1 is in µF",)


def _read_unit(text: str) -> _Found | None:
    """Read a value with its prefix, a letter for the tolerance perhaps behind it."""
    plain = text.replace(",", ".")
    if re.fullmatch(r"[0-9.]+", plain):
        return None
    if (value := _try_value(plain, "F")) is not None:
        return value, None, ()
    lettered = _LETTER.fullmatch(plain)
    if lettered is None or (value := _try_value(lettered[1], "F")) is None:
        return None
    return value, lettered[2], ()


def _with_tolerance(
    text: str, value: float, letter: str | None, tolerance: float | None, notes: tuple[str, ...]
) -> Marking:
    """Put value, letter and percentage together."""
    if not _CAPACITOR_F[0] <= value <= _CAPACITOR_F[1]:
        raise _refusal(text, "F")
    if letter is not None:
        low, high = _letter_tolerance(text, letter, value)
        if low != high:
            notes += (
                f"the letter {letter} means -{100 * low:g} to +{100 * high:g} %; the larger "
                "stands in the design, and such a capacitor drifts too much to time with",
            )
        tolerance = high if tolerance is None else tolerance
    return Marking(value, tolerance, "F", notes)


def _letter_tolerance(text: str, letter: str, value: float) -> tuple[float, float]:
    """Return the tolerance of a letter downwards and upwards."""
    if value < 10 * _PICO * (1 - 1e-9) and letter in SMALL_CAPACITOR_PF:
        fraction = min(SMALL_CAPACITOR_PF[letter] * _PICO / value, 0.99)
        return fraction, fraction
    if letter in LOPSIDED_LETTERS:
        return LOPSIDED_LETTERS[letter]
    if letter not in TOLERANCE_LETTERS:
        raise DesignError(
            f"{quote(text)} ends in {letter}, which is no tolerance",
            expected="a letter such as J (5 %), K (10 %) or M (20 %)",
            attempt="the value alone, such as 22n",
        )
    return TOLERANCE_LETTERS[letter], TOLERANCE_LETTERS[letter]


def question_value(marking: Marking) -> tuple[str, bool]:
    """Tell whether such a value is made.

    Parameters
    ----------
    marking : Marking
        A resistor or capacitor.

    Returns
    -------
    said : str
        Such as 'an E12 value', or the neighbours where it is in neither E24 nor E96 (E24 for
        capacitors).
    made : bool
        Whether it is made.
    """
    among = ("E6", "E12", "E24", "E96") if marking.unit == "ohm" else ("E6", "E12", "E24")
    series = find_series(marking.value, among)
    if series is not None:
        return f"an {series} value", True
    below, above = (
        format_value(one, marking.unit, 4) for one in find_neighbours(marking.value, "E24")
    )
    known = "neither an E24 nor an E96 value" if marking.unit == "ohm" else "no E24 value"
    return f"{known}: next to it {below} and {above} are made", False


def _split_percent(text: str) -> tuple[str, float | None]:
    """Split a tolerance in percent from a value."""
    plain = text.strip()
    found = _PERCENT.fullmatch(plain)
    if found is None:
        return plain, None
    try:
        return found[1].strip(), parse_fraction(found[2].replace(",", "."))
    except ValueError as fault:
        raise DesignError(
            f"{fault}", expected="a tolerance from 0 to below 100 %", attempt="such as 5%"
        ) from fault


def _try_value(text: str, unit: str) -> float | None:
    """Return an engineering value, None if it is none."""
    try:
        return parse_value(re.sub(r"(?<=[0-9]),(?=[0-9])", ".", text), unit)
    except ValueError:
        return None


def _in_range(text: str, unit: str) -> float:
    """Return a value in the range that a design may hold."""
    value = _try_value(text, unit)
    low, high = _RESISTOR_OHM if unit == "ohm" else _CAPACITOR_F
    if value is None or not low <= value <= high:
        raise _refusal(text, unit)
    return value


def _refusal(text: str, unit: str) -> DesignError:
    """Return the error for a text that is no such part."""
    if unit == "ohm":
        return DesignError(
            f"{quote(text)} is no resistor",
            expected="a resistance from 0.1 Ω to 10 GΩ, or its colour bands",
            attempt="such as 33k, 4k7 1%, or 'orange orange orange gold'",
        )
    return DesignError(
        f"{quote(text)} is no capacitor",
        expected="a capacitance from 1 pF to 100 mF, or a code of three digits",
        attempt="such as 223, 22n, 0.022 or 22nJ",
    )
