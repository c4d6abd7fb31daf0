"""Expected and seen peak-to-peak jitter."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.series.peak_to_peak import describe_jitter, expect_peak_to_peak


def cycles(on: list[float], off: list[float], follows: list[bool]) -> Cycles:
    on_s, off_s = np.array(on), np.array(off)
    start = np.concatenate([[0.0], np.cumsum(on_s + off_s)[:-1]])
    return Cycles(start, on_s, off_s, np.array(follows), 0.0, float(np.sum(on_s + off_s)))


# Factors d2 of control charts for 2 to 5 (two over the root of pi for 2; the others from memory),
# and for 10 to 10 000 the table of expected Gaussian ranges, recomputed independently.
@pytest.mark.parametrize(
    ("count", "factor"),
    [
        (2, 1.1284),
        (3, 1.6926),
        (4, 2.0588),
        (5, 2.3259),
        (10, 3.0775),
        (100, 5.0152),
        (1000, 6.4829),
        (10_000, 7.7032),
    ],
)
def test_published_factors(count: int, factor: float) -> None:
    # Four decimals are printed.
    assert expect_peak_to_peak(count) == pytest.approx(factor, abs=6e-5)


def test_one_and_two_values() -> None:
    assert expect_peak_to_peak(1) == 0.0
    assert expect_peak_to_peak(2) == pytest.approx(2.0 / np.sqrt(np.pi), rel=1e-12)
    with pytest.raises(ValueError, match="one value"):
        expect_peak_to_peak(0)


def test_jitter_by_hand() -> None:
    found = describe_jitter(
        cycles([1.0, 2.0, 1.0, 2.0], [9.0, 9.0, 9.0, 9.0], [False, True, True, False])
    )
    # Periods 10, 11, 10, 11; the last does not follow, so changes are +1 and -1.
    assert found.period_peak_to_peak_s == pytest.approx(1.0)
    assert found.period_rms_s == pytest.approx(np.sqrt(1.0 / 3.0))
    assert found.cycle_to_cycle_rms_s == pytest.approx(1.0)
    assert found.cycle_to_cycle_peak_s == pytest.approx(1.0)
    assert found.width_rms_s == pytest.approx(np.sqrt(1.0 / 3.0))
    assert found.half_period_rms_s == pytest.approx(np.sqrt(1.0 / 6.0))
    assert found.duty_rms == pytest.approx((2.0 / 11.0 - 0.1) / np.sqrt(3.0))


def test_white_edges_give_the_known_ratios() -> None:
    edge = np.random.default_rng(4).standard_normal(40_001) * 1e-6
    time = np.arange(40_001) * 0.02 + edge
    period = np.diff(time)
    found = describe_jitter(
        Cycles(time[:-1], 0.1 * period, 0.9 * period, np.arange(40_000) > 0, 0.0, 800.0)
    )
    # Edge noise s: period sqrt(2) s, cycle to cycle sqrt(6) s (common practice, by summing
    # variances). 40 000 values, correlated over three: one in two hundred is 1.5 sd.
    assert found.period_rms_s == pytest.approx(np.sqrt(2.0) * 1e-6, rel=0.02)
    assert found.cycle_to_cycle_rms_s == pytest.approx(np.sqrt(6.0) * 1e-6, rel=0.02)


def test_too_few_cycles_have_no_jitter() -> None:
    found = describe_jitter(cycles([1.0], [9.0], [False]))
    assert found.period_rms_s == 0.0
    assert found.expected_factor == 0.0
