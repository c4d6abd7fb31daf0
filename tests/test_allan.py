"""Deviations against NIST SP 1065 and allantools."""

from __future__ import annotations

from collections.abc import Callable

import allantools
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.diagnosis.series.allan import (
    Deviations,
    adev,
    hdev,
    mdev,
    oadev,
    ohdev,
    split_noise,
    tdev,
)

ESTIMATORS: dict[str, Callable[..., Deviations]] = {
    "ADEV": adev,
    "OADEV": oadev,
    "MDEV": mdev,
    "TDEV": tdev,
    "HDEV": hdev,
    "OHDEV": ohdev,
}

# NIST SP 1065 section 12.4: the nine frequencies of NBS Monograph 140, annex 8.E, and table 30.
NINE = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677], float)
NINE_DEVIATIONS = [
    ("ADEV", 91.22945, 115.8082),
    ("OADEV", 91.22945, 85.95287),
    ("MDEV", 91.22945, 74.78849),
    ("TDEV", 52.67135, 86.35831),
    ("HDEV", 70.80607, 116.7980),
    ("OHDEV", 70.80607, 85.61487),
]

# The same, table 31: 1000 frequencies of a generator, at averaging factors 1, 10 and 100.
THOUSAND_DEVIATIONS = [
    ("ADEV", 2.922319e-01, 9.965736e-02, 3.897804e-02),
    ("OADEV", 2.922319e-01, 9.159953e-02, 3.241343e-02),
    ("MDEV", 2.922319e-01, 6.172376e-02, 2.170921e-02),
    ("TDEV", 1.687202e-01, 3.563623e-01, 1.253382e00),
    ("HDEV", 2.943883e-01, 1.052754e-01, 3.910860e-02),
    ("OHDEV", 2.943883e-01, 9.581083e-02, 3.237638e-02),
]


def thousand() -> np.ndarray:
    """Return the 1000-point set: n = 16807 n mod (2^31 - 1) from 1234567890, over 2^31 - 1."""
    modulus = 2**31 - 1
    numbers = [1234567890]
    while len(numbers) < 1000:
        numbers.append(16807 * numbers[-1] % modulus)
    return np.array(numbers) / modulus


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        # Phase 0, 1, 3, 6: second differences 1, 1, so the variance is 1/2.
        ([1.0, 2.0, 3.0], np.sqrt(0.5)),
        # Frequencies up and down by 2: differences 2, -2, 2, so 4/2.
        ([0.0, 2.0, 0.0, 2.0], np.sqrt(2.0)),
    ],
)
def test_by_hand(values: list[float], expected: float) -> None:
    for estimator in (adev, oadev, mdev):
        assert estimator(np.array(values), factors=[1]).deviation == pytest.approx([expected])


def test_hadamard_does_not_see_a_drift() -> None:
    drifting = 3.0 * np.arange(50.0)
    assert hdev(drifting, factors=[1, 4]).deviation == pytest.approx([0.0, 0.0], abs=1e-9)
    # Frequency rising by d a step: ADEV is d tau / sqrt(2) (NIST SP 1065; by hand too).
    assert oadev(drifting, factors=[1, 4]).deviation == pytest.approx(
        [3.0 / np.sqrt(2.0), 12.0 / np.sqrt(2.0)]
    )


@pytest.mark.parametrize(("name", "first", "second"), NINE_DEVIATIONS)
def test_nine_points_of_the_handbook(name: str, first: float, second: float) -> None:
    found = ESTIMATORS[name](NINE, factors=[1, 2])
    # Seven digits are printed.
    assert found.deviation == pytest.approx([first, second], rel=1e-6)
    assert found.tau_s == pytest.approx([1.0, 2.0])


@pytest.mark.parametrize(("name", "one", "ten", "hundred"), THOUSAND_DEVIATIONS)
def test_thousand_points_of_the_handbook(name: str, one: float, ten: float, hundred: float) -> None:
    found = ESTIMATORS[name](thousand(), factors=[1, 10, 100])
    assert found.deviation == pytest.approx([one, ten, hundred], rel=1e-6)


@pytest.mark.parametrize("name", sorted(ESTIMATORS))
@pytest.mark.parametrize("kind", ["phase", "frequency"])
def test_agrees_with_allantools(name: str, kind: str) -> None:
    values = np.cumsum(np.random.default_rng(5).standard_normal(700)) * 1e-6
    factors = [1, 2, 3, 7, 20, 64]
    found = ESTIMATORS[name](values, step_s=0.02, kind=kind, factors=factors)
    tau, expected, _, terms = getattr(allantools, name.lower())(
        values,
        rate=50.0,
        data_type="phase" if kind == "phase" else "freq",
        taus=[m * 0.02 for m in factors],
    )
    assert found.tau_s == pytest.approx(tau)
    assert found.deviation == pytest.approx(expected, rel=1e-9)
    if name in ("OADEV", "MDEV"):
        assert list(found.terms) == [int(one) for one in terms]


@given(
    st.lists(st.floats(-1e3, 1e3), min_size=8, max_size=60),
    st.floats(-1e3, 1e3),
    st.floats(0.1, 10.0),
)
def test_level_is_nothing_and_scale_scales(values: list[float], level: float, scale: float) -> None:
    row = np.array(values)
    for estimator in ESTIMATORS.values():
        plain = estimator(row).deviation
        # Rounding: values up to 2e3 and sums of 60 of them, so some 1e-10.
        assert estimator(row + level).deviation == pytest.approx(plain, abs=1e-8)
        assert estimator(scale * row).deviation == pytest.approx(scale * plain, abs=1e-8)


def test_too_few_values_leave_nothing() -> None:
    for estimator in ESTIMATORS.values():
        assert estimator(np.array([1.0]), factors=[1]).tau_s.shape == (0,)
        assert estimator(np.empty(0)).tau_s.shape == (0,)


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ({"values": np.array([1.0, np.nan])}, "finite"),
        ({"values": np.ones((2, 2))}, "shape"),
        ({"values": np.ones(5), "step_s": 0.0}, "step"),
        ({"values": np.ones(5), "factors": [0]}, "begin at 1"),
        ({"values": np.ones(5), "kind": "angle"}, "phase"),
    ],
)
def test_refuses(arguments: dict[str, object], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        oadev(**arguments)  # type: ignore[arg-type]


@pytest.mark.parametrize(("white", "walk"), [(2e-6, 0.0), (2e-6, 1e-7), (0.0, 1e-6), (1e-6, 1e-6)])
def test_splits_white_and_walk(white: float, walk: float) -> None:
    hits = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        series = white * rng.standard_normal(1500) + walk * np.cumsum(rng.standard_normal(1500))
        found = split_noise(series, 0.02)
        per_root = walk / np.sqrt(0.02)
        hits += abs(found.white_rms_s - white) <= 2 * found.u_white_rms_s
        hits += abs(found.walk_rms_s_per_sqrt_s - per_root) <= 2 * found.u_walk_rms_s_per_sqrt_s
        hits += abs(found.drift_s_per_s) <= 2 * found.u_drift_s_per_s
    # 180 intervals of about 95 %: 9 +- 3 misses; the parts of one series share their data.
    assert hits >= 160


def test_splits_a_drift_off() -> None:
    rng = np.random.default_rng(1)
    series = 1e-6 * rng.standard_normal(3000) + 3e-7 * 0.02 * np.arange(3000)
    found = split_noise(series, 0.02)
    assert abs(found.drift_s_per_s - 3e-7) <= 4 * found.u_drift_s_per_s
    # A walk that would hide: a tenth of the drift over the minute's root.
    assert found.walk_rms_s_per_sqrt_s < 3e-7
    # 3000 values: 1.3 % is one standard deviation.
    assert found.white_rms_s == pytest.approx(1e-6, rel=0.06)


def test_too_short_to_split() -> None:
    with pytest.raises(ValueError, match="16"):
        split_noise(np.ones(15), 0.02)
    assert split_noise(np.ones(16), 0.02).white_rms_s == 0.0
