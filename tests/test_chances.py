"""Tails of distributions, against scipy's package of distributions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, norm

from benchlog.calibration.chances import (
    chi_square_above,
    chi_square_point,
    normal_above,
    normal_point,
)


@pytest.mark.parametrize("freedom", [1, 2, 9, 26, 100])
def test_chi_square_agrees_with_scipy_stats(freedom: int) -> None:
    values = np.array([0.0, 0.3, 1.0, freedom, 3.0 * freedom + 20.0])
    assert chi_square_above(values, freedom) == pytest.approx(chi2.sf(values, freedom), rel=1e-12)
    for chance in (0.5, 0.05, 1e-3, 1e-4):
        # 1 - chance loses four digits of the smallest chance
        assert chi_square_point(chance, freedom) == pytest.approx(
            float(chi2.ppf(1.0 - chance, freedom)), rel=1e-10
        )


def test_normal_agrees_with_scipy_stats_and_the_handbook() -> None:
    for value in (-2.0, 0.0, 1.0, 5.0):
        assert normal_above(value) == pytest.approx(float(norm.sf(value)), rel=1e-12)
    for chance in (0.5, 0.025, 1e-6):
        assert normal_point(chance) == pytest.approx(float(norm.isf(chance)), rel=1e-12)
    # JCGM 100:2008, table G.1: 95 % lie within 1.960
    assert normal_point(0.025) == pytest.approx(1.960, abs=5e-4)
