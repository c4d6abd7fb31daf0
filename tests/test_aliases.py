"""Where the mains falls when it is sampled once a cycle."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.diagnosis.series.aliases import find_period_change, list_aliases


@pytest.mark.parametrize(
    ("period_s", "mains_hz", "harmonic", "alias_hz"),
    [
        (0.02, 50.0, 1, 0.0),
        (0.02, 60.0, 1, 10.0),
        (0.025, 50.0, 1, 10.0),  # 40 Hz
        (0.025, 60.0, 1, -20.0),
        (0.0125, 50.0, 1, -30.0),  # 80 Hz
        (0.0125, 50.0, 3, -10.0),
        (0.0125, 60.0, 4, 0.0),
    ],
)
def test_aliases_by_hand(period_s: float, mains_hz: float, harmonic: int, alias_hz: float) -> None:
    found = {one[:2]: one[2] for one in list_aliases(period_s)}
    if abs(alias_hz) == 0.5 / period_s:  # both signs are the same frequency
        assert abs(found[mains_hz, harmonic]) == pytest.approx(abs(alias_hz))
    else:
        assert found[mains_hz, harmonic] == pytest.approx(alias_hz, abs=1e-9)


@given(st.floats(0.005, 0.05), st.sampled_from([50.0, 60.0]), st.integers(1, 5))
def test_an_alias_is_what_samples_show(period_s: float, mains_hz: float, harmonic: int) -> None:
    alias = {one[:2]: one[2] for one in list_aliases(period_s)}[mains_hz, harmonic]
    time = period_s * np.arange(40)
    # The same values at every sampling instant: the sampling theorem. Phases reach 2 pi 600.
    assert np.cos(2 * np.pi * mains_hz * harmonic * time) == pytest.approx(
        np.cos(2 * np.pi * alias * time), abs=1e-8
    )


def test_change_of_period_by_hand() -> None:
    # At 20 ms all of 50 Hz stand still; 50 k Hz then move by 0.5 k Hz for each per cent, and
    # 60 x 5 = 300 Hz by 3 Hz: 0.3 Hz needs 0.6 per cent, and a little for the rate's change.
    change = find_period_change(0.02)
    assert change is not None
    assert abs(change) == pytest.approx(0.6, abs=0.051)
    # 60 Hz and 50 Hz fold to 10.98 and 0.98 Hz and so on at 20.4 ms: none near zero.
    assert find_period_change(0.0204) == 0.0


@given(st.floats(0.01, 0.03))
def test_change_of_period_does_clear(period_s: float) -> None:
    change = find_period_change(period_s)
    if change is not None:
        after = list_aliases(period_s * (1 + change / 100))
        assert min(abs(alias) for _, _, alias in after) >= 0.299
