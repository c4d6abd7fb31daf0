"""Colour bands, capacitor codes and values.

The colours, letters and codes are those of IEC 60062, from memory; the worked examples are
common textbook ones (yellow violet red gold is 4.7 kohm, 5 %).
"""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.channel.bands import read_bands
from benchlog.channel.markings import (
    file_value,
    question_value,
    read_capacitor,
    read_resistor,
)
from benchlog.channel.preferred import SERIES
from benchlog.errors import DesignError
from benchlog.units import parse_value

COLOURS = ("black", "brown", "red", "orange", "yellow", "green", "blue", "violet", "grey", "white")
TOLERANCE = {0.05: "gold", 0.10: "silver", 0.02: "red", 0.01: "brown", 0.005: "green"}


@pytest.mark.parametrize(
    ("bands", "ohm", "tolerance"),
    [
        ("yellow violet red gold", 4.7e3, 0.05),
        ("orange orange orange gold", 33e3, 0.05),
        ("grey red yellow silver", 820e3, 0.10),
        ("brown green green gold", 1.5e6, 0.05),
        ("green blue gold gold", 5.6, 0.05),
        ("red red silver gold", 0.22, 0.05),
        ("red violet pink gold", 0.027, 0.05),
        ("yellow violet red", 4.7e3, 0.20),
        ("orange orange black red brown", 33e3, 0.01),
        ("yellow white white red brown red", 49.9e3, 0.01),
        ("blue grey black orange violet", 680e3, 0.001),
        ("YE VT RD GD", 4.7e3, 0.05),
        ("Yellow, Purple / red-GOLD", 4.7e3, 0.05),
    ],
)
def test_read_bands(bands: str, ohm: float, tolerance: float) -> None:
    reading = read_bands(bands)
    assert reading.value_ohm == pytest.approx(ohm, rel=1e-12)
    assert reading.tolerance == tolerance
    assert not reading.turned


def bands_of(digits: str, power: int, tolerance: float) -> list[str]:
    """Write bands as a maker does: digits, multiplier, tolerance."""
    multiplier = {-1: "gold", -2: "silver"}.get(power) or COLOURS[power]
    return [*(COLOURS[int(one)] for one in digits), multiplier, TOLERANCE[tolerance]]


@given(st.sampled_from(SERIES["E24"]), st.integers(-2, 6), st.sampled_from([0.05, 0.10]))
def test_four_bands_are_read_from_either_end(step: int, power: int, tolerance: float) -> None:
    # Gold and silver are no digits, so a last band of either settles the direction.
    bands = bands_of(str(step)[:2], power, tolerance)
    right, turned = read_bands(" ".join(bands)), read_bands(" ".join(bands[::-1]))
    assert right.value_ohm == pytest.approx(step // 10 * 10.0**power, rel=1e-12)
    assert turned.value_ohm == right.value_ohm
    assert turned.tolerance == right.tolerance == tolerance
    assert turned.turned
    assert right.other is None
    assert turned.other is None


@given(st.sampled_from(SERIES["E96"]), st.integers(0, 4), st.sampled_from([0.01, 0.02, 0.005]))
def test_five_bands_keep_the_true_reading(step: int, power: int, tolerance: float) -> None:
    """The value is what is read, or offered as the other reading, from either end."""
    bands = bands_of(str(step), power, tolerance)
    for words in (bands, bands[::-1]):
        reading = read_bands(" ".join(words))
        offered = [reading, reading.other]
        values = [(one.value_ohm, one.tolerance) for one in offered if one is not None]
        true = pytest.approx(step * 10.0**power, rel=1e-12)
        in_e24 = step in SERIES["E24"]
        if tolerance <= 0.01 or in_e24:  # a 2 % resistor of E96 is hardly made
            assert any(ohm == true and one == tolerance for ohm, one in values), bands


def test_the_series_tells_the_direction() -> None:
    # 49.9 kohm 1 % is made (E96); from the other end brown red white white yellow would be
    # 129 x 10^9 ohm at 0.02 %, which is neither.
    assert read_bands("brown red white white yellow").value_ohm == 49.9e3
    assert read_bands("brown red white white yellow").turned


def test_what_makes_sense_from_either_end_is_offered_twice() -> None:
    # brown black black red brown: 10 kohm 1 %; from the other end brown red black black brown,
    # 120 ohm 1 %. Both are E24 values.
    reading = read_bands("brown black black red brown")
    assert (reading.value_ohm, reading.tolerance) == (10e3, 0.01)
    assert reading.other is not None
    assert (reading.other.value_ohm, reading.other.tolerance) == (120.0, 0.01)
    marking = read_resistor("brown black black red brown")
    assert marking.other is not None
    assert marking.other.value == 120.0


@pytest.mark.parametrize(
    ("bands", "message"),
    [
        ("red red", "2 bands"),
        ("red red red red red red red", "7 bands"),
        ("gold gold gold gold", "from either end"),
        ("black black black black", "from either end"),
        ("yelow violet red gold", "'yelow' is no colour.*try: yellow"),
        ("yellow violet [red]", r"is no colour"),
        ("yellow violet red \x1b[31m", r"\\x1b"),
    ],
)
def test_wrong_bands(bands: str, message: str) -> None:
    with pytest.raises(DesignError, match=message):
        read_bands(bands)


@pytest.mark.parametrize(
    ("text", "ohm", "tolerance", "trimmer"),
    [
        ("33k", 33e3, None, 0.0),
        ("4k7", 4.7e3, None, 0.0),
        ("4K7J", 4.7e3, 0.05, 0.0),
        ("R47F", 0.47, 0.01, 0.0),
        ("470RG", 470.0, 0.02, 0.0),
        ("1M", 1e6, None, 0.0),
        ("1MM", 1e6, 0.20, 0.0),
        ("820 kΩ ± 5 %", 820e3, 0.05, 0.0),
        ("2,2k (0,5%)", 2.2e3, 0.005, 0.0),
        ("33k + trimmer 10k", 33e3, None, 10e3),
        ("33k 1% + trimmer 10k", 33e3, 0.01, 10e3),
        ("orange orange orange gold + 10k trimmer", 33e3, 0.05, 10e3),
    ],
)
def test_read_resistor(text: str, ohm: float, tolerance: float | None, trimmer: float) -> None:
    marking = read_resistor(text)
    assert (marking.value, marking.tolerance, marking.trimmer_ohm) == (ohm, tolerance, trimmer)


@pytest.mark.parametrize("text", ["", "x", "33n", "0", "-33k", "1e12", "nan", "33k + trimmer x"])
def test_what_is_no_resistor(text: str) -> None:
    with pytest.raises(DesignError, match="is no resistor"):
        read_resistor(text)


def test_the_code_of_a_flat_resistor_is_pointed_out() -> None:
    # EIA code of surface-mounted resistors (common practice): 333 is 33 and three zeros.
    assert "33 kΩ" in read_resistor("333").notes[0]
    assert read_resistor("330").notes == ()  # 330 ohm is made


@pytest.mark.parametrize(
    ("text", "farad", "tolerance"),
    [
        ("223", 22e-9, None),
        ("223J", 22e-9, 0.05),
        ("104K", 100e-9, 0.10),
        ("103M", 10e-9, 0.20),
        ("470", 47e-12, None),
        ("229", 2.2e-12, None),
        ("2A223J", 22e-9, 0.05),
        ("223J100", 22e-9, 0.05),
        ("223K 100V", 22e-9, 0.10),
        ("22n", 22e-9, None),
        ("22nJ", 22e-9, 0.05),
        ("22nF 63 V 5%", 22e-9, 0.05),
        ("0.022", 22e-9, None),
        (".022K", 22e-9, 0.10),
        ("0,022 µF", 22e-9, None),
        ("2n2", 2.2e-9, None),
        ("n47", 470e-12, None),
        ("5pC", 5e-12, 0.05),
        ("0.1uF/50V", 100e-9, None),
    ],
)
def test_read_capacitor(text: str, farad: float, tolerance: float | None) -> None:
    marking = read_capacitor(text)
    assert marking.value == pytest.approx(farad, rel=1e-12)
    assert marking.tolerance == (None if tolerance is None else pytest.approx(tolerance))


@pytest.mark.parametrize("text", ["22", "4700", "47"])
def test_a_capacitor_without_a_unit_is_asked_about(text: str) -> None:
    with pytest.raises(DesignError, match=f"'{text}' does not say.*'{text}n'"):
        read_capacitor(text)


@pytest.mark.parametrize(
    "text", ["", "228", "4.7", "hello", "22k", "22F", "1e9", "-22n", "nan", "22 33n"]
)
def test_what_is_no_capacitor(text: str) -> None:
    with pytest.raises(DesignError, match=r"is no capacitor|is no tolerance"):
        read_capacitor(text)


def test_a_lopsided_tolerance_warns() -> None:
    marking = read_capacitor("223Z")
    assert marking.tolerance == 0.80
    assert any("-20 to +80 %" in note for note in marking.notes)


@given(st.sampled_from(SERIES["E24"]), st.integers(-12, -2))
def test_a_capacitor_code_and_its_value_agree(step: int, power: int) -> None:
    """Two digits and a power of ten in picofarads: the code is arithmetic."""
    code = f"{step // 10}{power + 12}" if 0 <= power + 12 <= 7 else None
    if code is None:
        return
    assert read_capacitor(code).value == float(f"{step // 10}e{power}")


@given(st.floats(0.1, 1e10))
def test_what_a_file_holds_reads_back(value: float) -> None:
    assert parse_value(file_value(value, "ohm"), "ohm") == value


@given(st.text(max_size=80))
def test_any_text_is_read_or_refused_in_one_line(text: str) -> None:
    for read in (read_resistor, read_capacitor):
        try:
            told = str(read(text))
        except DesignError as refusal:
            told = str(refusal)
        assert told.isprintable()
        assert len(told) < 400


@pytest.mark.parametrize(
    ("marking", "said", "made"),
    [
        (read_resistor("47k"), "an E6 value", True),
        (read_resistor("49k9"), "an E96 value", True),
        (read_resistor("823k"), "820 kΩ and 910 kΩ", False),
        (read_capacitor("22n"), "an E6 value", True),
        (read_capacitor("49n9"), "47 nF and 51 nF", False),
    ],
)
def test_question_value(marking: object, said: str, made: bool) -> None:
    told = question_value(marking)  # type: ignore[arg-type]
    assert re.search(re.escape(said), told[0])
    assert told[1] is made
