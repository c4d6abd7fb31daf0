"""Autocorrelation and spectrum against statsmodels and scipy."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from statsmodels.tsa.stattools import acf

from benchlog.diagnosis.series.spectrum import autocorrelate, find_power_density


def series(count: int = 1501) -> np.ndarray:
    rng = np.random.default_rng(3)
    walk = np.cumsum(rng.standard_normal(count)) * 0.1
    return 1.5e-3 + 1e-6 * (walk + rng.standard_normal(count))


def test_autocorrelation_by_hand() -> None:
    # Mean 0: products 1 of neighbours -3, two apart +2, three apart -1, of 4 squares.
    found = autocorrelate(np.array([1.0, -1.0, 1.0, -1.0]), 3)
    assert found == pytest.approx([1.0, -0.75, 0.5, -0.25])
    assert autocorrelate(np.full(5, 2.0), 2) == pytest.approx([1.0, 0.0, 0.0])


def test_autocorrelation_agrees_with_statsmodels() -> None:
    values = series()
    # Its sums are of the same products; 1e-9 leaves room for rounding of the transform.
    assert autocorrelate(values, 60) == pytest.approx(acf(values, nlags=60, fft=False), abs=1e-9)


@pytest.mark.parametrize("segment", [None, 256, 255])
def test_density_agrees_with_scipy(segment: int | None) -> None:
    values = series()
    found = find_power_density(values, 0.02, segment=segment)
    hz, expected = scipy.signal.welch(
        values,
        fs=50.0,
        window="hann",
        nperseg=segment or values.shape[0],
        noverlap=(segment or values.shape[0]) // 2,
        detrend="constant",
    )
    assert found.hz == pytest.approx(hz)
    assert found.density == pytest.approx(expected, rel=1e-9, abs=1e-24)


def test_white_density_holds_the_variance() -> None:
    white = np.random.default_rng(8).standard_normal(6000) * 2e-6
    found = find_power_density(white, 0.02, segment=256)
    # White of variance s^2: 2 s^2 T at each frequency. 45 stretches, half over each other,
    # and 127 frequencies: some 4000 free values, so 1.6 % is one standard deviation.
    assert np.mean(found.density[1:-1]) == pytest.approx(2.0 * 4e-12 * 0.02, rel=0.065)
    assert found.segments == 45


def test_refuses() -> None:
    with pytest.raises(ValueError, match="lags"):
        autocorrelate(np.ones(4), 4)
    with pytest.raises(ValueError, match="stretches"):
        find_power_density(np.ones(4), 0.02, segment=5)
    with pytest.raises(ValueError, match="stretches"):
        find_power_density(np.ones(4), 0.0)
