"""Straight lines and polynomials: by hand, as properties, against published values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.calibration.straight_line import fit_polynomial, fit_straight_line

PUBLISHED = Path(__file__).parent / "published"


def read_published(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Return x and y of a published set."""
    y, x = np.loadtxt(PUBLISHED / name, delimiter=",", skiprows=_header(name), unpack=True)
    return x, y


def _header(name: str) -> int:
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return lines.index("y,x") + 1


# --- by hand ---


def test_a_line_through_four_points_by_hand() -> None:
    # x 0 1 2 3, y 1 3 2 4: slope sum (x-1.5)(y-2.5)/5 = 4/5, intercept 2.5 - 1.2 = 1.3;
    # residuals -0.3 0.9 -0.9 0.3, their squares 1.8, s^2 = 1.8/2; u(slope)^2 = 0.9/5
    line = fit_straight_line([0.0, 1.0, 2.0, 3.0], [1.0, 3.0, 2.0, 4.0])
    assert line.coefficients == pytest.approx([1.3, 0.8])
    assert line.residual_sd**2 == pytest.approx(0.9)
    assert line.u[1] ** 2 == pytest.approx(0.9 / 5)
    assert line.freedom == 2
    assert line.chi_square == pytest.approx(1.8)
    value, u = line.predict([1.5])
    assert value == pytest.approx([2.5])
    assert u**2 == pytest.approx([0.9 / 4])


def test_given_uncertainties_weigh_and_stand_for_themselves() -> None:
    # two observations of one thing, u 1 and 2: weights 4 to 1, u of the mean 1/sqrt(1 + 1/4)
    mean = fit_polynomial([0.0, 1.0], [10.0, 15.0], 0, [1.0, 2.0])
    assert mean.coefficients == pytest.approx([11.0])
    assert mean.u == pytest.approx([1 / np.sqrt(1.25)])


def test_two_points_leave_no_scatter() -> None:
    line = fit_straight_line([1.0, 3.0], [5.0, 9.0])
    assert line.coefficients == pytest.approx([3.0, 2.0])
    assert (line.residual_sd, line.freedom) == (0.0, 0)
    assert line.u == pytest.approx([0.0, 0.0])
    assert np.all(np.isfinite(line.correlation))


@pytest.mark.parametrize(
    ("x", "y", "degree", "u", "words"),
    [
        ([1.0], [1.0], 1, None, "needs 2 places, got 1"),
        ([1.0, 1.0], [1.0, 2.0], 1, None, "needs 2 places, got 1"),
        ([1.0, 2.0], [1.0], 1, None, "of one shape"),
        ([1.0, np.nan], [1.0, 2.0], 1, None, "finite"),
        ([1.0, 2.0], [1.0, 2.0], 1, [1.0, 0.0], "above 0"),
        ([1.0, 2.0], [1.0, 2.0], 9, None, "degree must be 0 to 6"),
    ],
)
def test_what_cannot_be_fitted_is_refused(
    x: list[float], y: list[float], degree: int, u: list[float] | None, words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        fit_polynomial(x, y, degree, u)


# --- properties ---

offsets = st.floats(-1e3, 1e3)


@given(offsets, offsets, st.floats(0.1, 10.0), st.integers(0, 2**31))
def test_a_moved_abscissa_moves_the_line(
    start: float, origin: float, stretch: float, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.arange(12.0), rng.normal(size=12)
    own = fit_straight_line(x, y)
    moved = fit_straight_line(start + stretch * x, y, origin=origin)
    at = np.linspace(-3.0, 15.0, 7)
    for one, other in zip(own.predict(at), moved.predict(start + stretch * at), strict=True):
        assert other == pytest.approx(one, rel=1e-9, abs=1e-9)
    assert moved.coefficients[1] == pytest.approx(own.coefficients[1] / stretch, rel=1e-9, abs=1e-9)


@given(st.integers(0, 2**31), st.integers(0, 3))
def test_equal_uncertainties_change_no_curve(seed: int, degree: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.sort(rng.uniform(0.0, 5.0, 9)), rng.normal(size=9)
    plain, weighed = (fit_polynomial(x, y, degree, u) for u in (None, np.full(9, 0.25)))
    assert weighed.coefficients == pytest.approx(plain.coefficients, rel=1e-9, abs=1e-9)
    scale = 0.25 / plain.residual_sd
    assert weighed.u == pytest.approx(plain.u * scale, rel=1e-9)


def test_stated_uncertainties_hold_the_truth() -> None:
    # 2000 lines with known scatter: within 1.96 u in 95 %, give or take 1.5 % (3 sigma)
    rng = np.random.default_rng(11)
    x, u = np.linspace(0.0, 1.0, 6), np.linspace(0.1, 0.5, 6)
    inside = 0
    for _ in range(2000):
        line = fit_straight_line(x, 2.0 + 3.0 * x + u * rng.normal(size=6), u)
        value, spread = line.predict(0.7)
        inside += abs(float(value) - 4.1) < 1.96 * float(spread)
    assert inside / 2000 == pytest.approx(0.95, abs=0.015)


# --- published values ---


@pytest.mark.parametrize(
    ("name", "degree", "certified", "certified_u", "residual_sd"),
    [
        # NIST StRD, linear regression: certified values of Norris and of Pontius
        (
            "norris.csv",
            1,
            [-0.262323073774029, 1.00211681802045],
            [0.232818234301152, 0.429796848199937e-03],
            0.884796396144373,
        ),
        (
            "pontius.csv",
            2,
            [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14],
            [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16],
            0.205177424076185e-03,
        ),
    ],
)
def test_certified_values_to_nine_digits(
    name: str,
    degree: int,
    certified: list[float],
    certified_u: list[float],
    residual_sd: float,
) -> None:
    line = fit_polynomial(*read_published(name), degree)
    assert line.coefficients == pytest.approx(certified, rel=5e-10, abs=0.0)
    assert line.u == pytest.approx(certified_u, rel=5e-10, abs=0.0)
    assert line.residual_sd == pytest.approx(residual_sd, rel=5e-10)


def test_the_thermometer_of_the_guide() -> None:
    # JCGM 100:2008, H.3.3 and H.3.4: y1 = -0.1712(29) and y2 = 0.00218(67) at 20 degrees, their
    # correlation -0.930, s = 0.0035, and the correction -0.1494(41) at 30 degrees
    reading, correction = read_published("thermometer.csv")
    line = fit_straight_line(reading, correction, origin=20.0)
    assert line.coefficients == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert line.coefficients[1] == pytest.approx(0.00218, abs=5e-6)
    assert line.u[0] == pytest.approx(0.0029, abs=5e-5)
    assert line.u[1] == pytest.approx(0.00067, abs=5e-6)
    assert line.correlation[0, 1] == pytest.approx(-0.930, abs=5e-4)
    assert line.residual_sd == pytest.approx(0.0035, abs=5e-5)
    value, u = line.predict(30.0)
    assert float(value) == pytest.approx(-0.1494, abs=5e-5)
    assert float(u) == pytest.approx(0.0041, abs=5e-5)
    # the same data recomputed with exact arithmetic, to 9 digits
    assert line.coefficients == pytest.approx([-0.17120379013135, 0.00218269773989], rel=1e-9)
    assert line.u == pytest.approx([0.00287759783516, 0.00066793877323], rel=1e-9)
    assert line.correlation[0, 1] == pytest.approx(-0.930429603093, rel=1e-9)
    assert (float(value), float(u)) == pytest.approx((-0.14937681273248, 0.00413859575285))
    # H.3.5 (from memory): with the origin at the mean reading nothing correlates
    centred = fit_straight_line(reading, correction, origin=float(np.mean(reading)))
    assert centred.coefficients[0] == pytest.approx(-0.1625, abs=5e-5)
    assert centred.correlation[0, 1] == pytest.approx(0.0, abs=1e-9)
