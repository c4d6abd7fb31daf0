"""The E series against the `eseries` package, a general reference for IEC 60063."""

from __future__ import annotations

import eseries
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.channel.preferred import (
    SERIES,
    find_neighbours,
    find_series,
    nearest_value,
    values_between,
)


@pytest.mark.parametrize("name", list(SERIES))
def test_each_series_is_that_of_the_reference(name: str) -> None:
    reference = sorted(round(float(one) * 100) for one in eseries.series(eseries.ESeries[name]))
    scale = 10 ** (len(str(reference[0])) - 3)  # the package gives 10..91 or 100..988
    assert [round(one / scale) for one in reference] == list(SERIES[name])


@pytest.mark.parametrize(
    ("value", "series"),
    [
        (47e3, "E6"),
        (0.47, "E6"),
        (8.2e5, "E12"),
        (51.0, "E24"),
        (49.9e3, "E96"),
        (22e-9, "E6"),
        (823e3, None),
        (1e9, "E6"),
        (9.2, None),  # E192 alone
    ],
)
def test_find_series(value: float, series: str | None) -> None:
    assert find_series(value) == series


def test_the_exception_of_the_finest_series() -> None:
    assert find_series(9.20, ("E192",)) == "E192"
    assert find_series(9.19, ("E192",)) is None


@given(st.floats(1e-12, 1e10), st.sampled_from(["E6", "E12", "E24", "E96"]))
def test_neighbours_enclose(value: float, series: str) -> None:
    below, above = find_neighbours(value, series)
    assert below * (1 - 2e-6) <= value <= above * (1 + 2e-6)
    assert find_series(below, (series,)) == find_series(above, (series,)) == series
    assert nearest_value(value, series) in (below, above)
    # nothing of the series lies between the two
    assert set(values_between(below, above, series)) == {below, above}


def test_values_between_spans_decades() -> None:
    assert values_between(680, 2200, "E6") == (680, 1000, 1500, 2200)
    assert values_between(2.3, 3.2, "E6") == ()
    assert values_between(47e3, 47e3, "E12") == (47e3,)


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf")])
def test_what_is_no_value(value: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        find_series(value)
    with pytest.raises(ValueError, match="above 0"):
        values_between(value, 1.0, "E6")
