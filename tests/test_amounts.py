"""Numbers in sentences: two digits, a '±' that is never 0."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from benchlog.diagnosis.words.amounts import digits, spell_count, tell_times, us, us_with_u


def test_two_digits_that_count() -> None:
    assert [digits(one) for one in (0.314, 2.0, 9.94, 9.97, 10.0, 99.6, 123.0, 16136.0)] == [
        "0.31", "2.0", "9.9", "10", "10", "100", "120", "16000",
    ]  # fmt: skip
    assert [digits(one, 1) for one in (0.98, 0.46, 1430.0)] == ["1", "0.5", "1000"]
    assert digits(0.0) == digits(1e-5) == digits(math.nan) == "0"
    assert us(13.4e-6) == "13 µs"


def test_a_change_ends_where_its_uncertainty_does() -> None:
    # twice 6.1 is 12.2, rounded up to 13; twice 0.0003 µs would show as 0
    assert us_with_u(-739.9e-6, 6.1e-6) == "-740 ± 13 µs"
    assert us_with_u(1584.0e-6, 0.0) == "+1584.000 ± 0.010 µs"
    assert us_with_u(2.13e-6, 0.21e-6) == "+2.13 ± 0.42 µs"


@given(st.floats(-1e-2, 1e-2), st.floats(0.0, 1e-3))
def test_an_uncertainty_is_never_shown_less_than_it_is(seconds: float, u_s: float) -> None:
    shown = us_with_u(seconds, u_s)
    value, half = (float(part) for part in shown.removesuffix(" µs").split(" ± "))
    assert half > 0.0
    assert half >= 2e6 * u_s * (1.0 - 1e-6)
    # the last digit shown is at most a tenth of the '±', and of 10 µs or more at most 1 µs
    assert abs(value - 1e6 * seconds) <= 0.5001 * max(1.0 if half >= 10.0 else 0.0, 0.1 * half)
    assert shown[0] in "+-"


def test_counts_are_words_up_to_ten() -> None:
    assert [spell_count(one) for one in (1, 10, 11)] == ["one", "ten", "11"]
    assert [tell_times(one) for one in (1, 2, 3)] == ["once", "twice", "three times"]
