"""Engineering values: by hand, from the standard, and there and back."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.units import format_value, parse_fraction, parse_value


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("4k7", "ohm", 4700.0),
        ("4R7", "ohm", 4.7),
        ("33 kohm", "ohm", 33e3),
        ("33kΩ", "ohm", 33e3),
        ("33k\u2126", "ohm", 33e3),  # the ohm sign, not the Greek letter
        ("33K", "ohm", 33e3),
        ("470", "ohm", 470.0),
        ("470R", "ohm", 470.0),
        ("1M", "ohm", 1e6),
        ("0.568", "ohm", 0.568),
        (".568", "ohm", 0.568),
        ("568m", "ohm", 0.568),
        (33000, "ohm", 33000.0),
        ("1e3", "ohm", 1000.0),
        ("22n", "F", 22e-9),
        ("22nF", "F", 22e-9),
        ("22 nF", "F", 22e-9),
        ("22nf", "F", 22e-9),
        ("4n7", "F", 4.7e-9),
        ("4n7F", "F", 4.7e-9),
        ("100p", "F", 100e-12),
        ("1u5", "F", 1.5e-6),
        ("1µ5", "F", 1.5e-6),
        ("1μ5", "F", 1.5e-6),  # the Greek letter, not the micro sign
        ("2.52n", "A", 2.52e-9),
        ("2.52e-9", "A", 2.52e-9),
        ("14.3f", "A", 14.3e-15),
        ("1.5ms", "s", 1.5e-3),
        ("600us", "s", 600e-6),
        ("6V", "V", 6.0),
        ("-3.5V", "V", -3.5),
        ("1.752", "", 1.752),
        (0, "ohm", 0.0),
    ],
)
def test_reads(text: str | float, unit: str, value: float) -> None:
    assert parse_value(text, unit) == value


@pytest.mark.parametrize(
    ("code", "unit", "value"),
    [
        ("R15", "ohm", 0.15),
        ("1R5", "ohm", 1.5),
        ("15R", "ohm", 15.0),
        ("150R", "ohm", 150.0),
        ("1K5", "ohm", 1.5e3),
        ("59K04", "ohm", 59.04e3),
        ("1M5", "ohm", 1.5e6),
        ("1G5", "ohm", 1.5e9),
        ("1T5", "ohm", 1.5e12),
        ("p15", "F", 0.15e-12),
        ("1p5", "F", 1.5e-12),
        ("332p", "F", 332e-12),
        ("n15", "F", 0.15e-9),
        ("1n5", "F", 1.5e-9),
        ("59n04", "F", 59.04e-9),
        ("1µ5", "F", 1.5e-6),
        ("1m5", "F", 1.5e-3),
    ],
)
def test_codes_of_the_standard(code: str, unit: str, value: float) -> None:
    """Letter and digit code for resistance and capacitance, IEC 60062 (from memory)."""
    assert parse_value(code, unit) == value


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("22q", "F"),
        ("22nF", "ohm"),
        ("33k", "furlong"),
        ("4R7", "F"),
        ("6A", "V"),
        ("", "ohm"),
        ("k", "ohm"),
        ("nan", "ohm"),
        ("inf", "ohm"),
        ("1e999", "ohm"),
        ("1e99999999999999", "ohm"),
        (math.nan, "ohm"),
        (math.inf, "ohm"),
        (10**400, "ohm"),
        pytest.param(10**5000, "ohm", id="thousands of digits"),
        (True, "ohm"),
        (None, "ohm"),
        ("4,7k", "ohm"),
        ("4k7k", "ohm"),
        ("4E7", "ohm"),  # 4.7 ohm to some, 40 megohm to a program
        ("33 k ohm", "ohm"),
        ("٣٣k", "ohm"),  # digits of another script
        ("1" * 100, "ohm"),
        ("1.5", "furlong"),
    ],
)
def test_refuses(text: str | float, unit: str) -> None:
    with pytest.raises(ValueError, match=r"is not a|unit must be") as caught:
        parse_value(text, unit)
    assert len(str(caught.value)) < 200
    assert "\n" not in str(caught.value)


def test_message_tells_what_was_wanted() -> None:
    with pytest.raises(ValueError, match=r"^'22q' is not a capacitance such as 22n, 4n7 or 100p$"):
        parse_value("22q", "F")


@pytest.mark.parametrize(
    ("text", "value"), [("5%", 0.05), ("5 %", 0.05), (0.05, 0.05), ("0.05", 0.05), (0, 0.0)]
)
def test_reads_fractions(text: str | float, value: float) -> None:
    assert parse_fraction(text) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize("text", ["5", 5, "-1%", "100%", 1.0, math.nan, True, "", "%", "5%%", None])
def test_refuses_fractions(text: str | float) -> None:
    with pytest.raises(ValueError, match="is not a tolerance such as"):
        parse_fraction(text)


@pytest.mark.parametrize(
    ("value", "unit", "digits", "text"),
    [
        (820000, "ohm", 3, "820 kΩ"),
        (22e-9, "F", 3, "22 nF"),
        (4700, "ohm", 3, "4.7 kΩ"),
        (999.96e3, "ohm", 3, "1 MΩ"),
        (1234, "ohm", 2, "1.2 kΩ"),
        (123456, "ohm", 2, "120 kΩ"),
        (0, "ohm", 3, "0 Ω"),
        (-0.0, "V", 3, "0 V"),
        (-0.0123, "V", 3, "-12.3 mV"),
        (1e-18, "A", 3, "0.001 fA"),
        (1e16, "ohm", 3, "10000 TΩ"),
        (1.752, "", 4, "1.752"),
        (1e-6, "s", 3, "1 µs"),
        (50, "Hz", 3, "50 Hz"),
    ],
)
def test_writes(value: float, unit: str, digits: int, text: str) -> None:
    assert format_value(value, unit, digits) == text


def test_refuses_to_write_what_is_no_number() -> None:
    with pytest.raises(ValueError, match="finite"):
        format_value(math.nan, "ohm")
    with pytest.raises(ValueError, match="digits"):
        format_value(1.0, "ohm", 0)


MAGNITUDES = st.floats(1e-15, 1e14)


@given(value=MAGNITUDES, unit=st.sampled_from(["ohm", "F", "A", "V", "s", ""]))
def test_written_and_read_back(value: float, unit: str) -> None:
    assert parse_value(format_value(value, unit, 12), unit) == pytest.approx(value, rel=1e-11)


@given(value=st.floats(1e-12, 1e12), unit=st.sampled_from(["ohm", "F"]))
def test_three_digits_are_rounded_right(value: float, unit: str) -> None:
    """Rounding to n digits errs by at most half of the last one."""
    read = parse_value(format_value(value, unit, 3), unit)
    assert read == pytest.approx(value, rel=5.0001e-3)


@given(whole=st.integers(0, 999), part=st.integers(0, 99), letter=st.sampled_from("RkMG"))
def test_letter_stands_for_the_mark(whole: int, part: int, letter: str) -> None:
    prefix = "" if letter == "R" else letter
    assert parse_value(f"{whole}{letter}{part}", "ohm") == parse_value(
        f"{whole}.{part}{prefix}", "ohm"
    )


@given(text=st.text(max_size=60), unit=st.sampled_from(["ohm", "F", "A", "V", "s", ""]))
def test_any_text_is_read_or_refused(text: str, unit: str) -> None:
    try:
        value = parse_value(text, unit)
    except ValueError:
        return
    assert math.isfinite(value)
