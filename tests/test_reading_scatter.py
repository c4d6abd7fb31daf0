"""How well a sweep's marks were read, told by their scatter: limits by hand, and curves by it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchlog.calibration.fit import KnobCurve, fit_curve
from benchlog.calibration.point import Point
from benchlog.calibration.reading_scatter import scatter_ratio
from benchlog.channel.design import Design, parse_design, predict_cycle
from tests.simulated_knobs import DESIGN_TEXT

US = 1e-6


@pytest.fixture(scope="module")
def design() -> Design:
    return parse_design(DESIGN_TEXT, "heron")


def dead_ended(design: Design, low_deg: float, high_deg: float) -> Design:
    return replace(design, knob=replace(design.knob, dead_low_deg=low_deg, dead_high_deg=high_deg))


def swept(
    real: Design, count: int, ways: tuple[str | None, ...], errors: np.ndarray | None = None
) -> list[Point]:
    """Return marks over the travel, set with errors in degrees."""
    marks = np.linspace(0.0, 270.0, count)
    points = []
    for k, way in enumerate(ways):
        off = errors[k] if errors is not None else 0.0
        cycle = predict_cycle(real, np.clip(marks + off, 0.0, 270.0))
        points += [
            Point(float(a), float(on), 0.1 * US, float(on + rest), direction=way, supply_v=6.0)
            for a, on, rest in zip(marks, cycle.on_s, cycle.off_s, strict=True)
        ]
    return points


def away_deg(curve: KnobCurve, real: Design) -> np.ndarray:
    """Return how far the curve is off, as degrees of knob."""
    true_s = predict_cycle(real, curve.knob_deg).on_s
    knob = real.knob
    slope = np.ptp(true_s) / (knob.travel_deg - knob.dead_low_deg - knob.dead_high_deg)
    return np.asarray((curve.pulse_s - true_s) / slope)


# With two degrees of freedom chi-square lies below x with 1 - exp(-x/2): one in a thousand lies
# below 0.0020010, and one in a hundred above 9.2103.


@pytest.mark.parametrize("misfit", [0.00201, 0.5, 2.0, 9.20])
def test_what_is_not_rare_leaves_the_stated_reading(misfit: float) -> None:
    assert scatter_ratio(misfit, 2.0) == 1.0


def test_what_is_rare_is_the_better_witness() -> None:
    assert scatter_ratio(9.22, 2.0) == pytest.approx(math.sqrt(9.22 / 2.0))
    assert scatter_ratio(450.0, 50.0) == pytest.approx(3.0)
    # a twentieth of chi-squares lies below -2 ln 0.95 = 0.102587
    assert scatter_ratio(0.0020, 2.0) == 0.2
    # tables of chi-square: 5 % of 20 degrees of freedom lies below 10.851, 0.1 % below 5.921
    assert scatter_ratio(5.93, 20.0) == 1.0
    assert scatter_ratio(5.0, 20.0) == pytest.approx(math.sqrt(5.0 / 10.851), rel=1e-4)
    assert scatter_ratio(0.0, 20.0) == 0.2


def test_too_few_marks_say_nothing() -> None:
    for misfit in (0.0, 1e6):
        assert scatter_ratio(misfit, 1.9) == 1.0
        assert scatter_ratio(misfit, 0.0) == 1.0


@pytest.mark.parametrize(
    ("count", "dead_deg", "ways"),
    [
        (31, (10.0, 6.0), (None,)),
        (31, (10.0, 6.0), ("up", "down")),
        (13, (0.0, 0.0), ("up", "down")),
        (13, (5.3, 8.7), ("up",)),
    ],
)
def test_the_curve_follows_rows_that_agree(
    design: Design, count: int, dead_deg: tuple[float, float], ways: tuple[str | None, ...]
) -> None:
    real = dead_ended(design, *dead_deg)
    curve = fit_curve(design, swept(real, count, ways))
    off = away_deg(curve, real)
    # a kink between two marks is smoothed over some degrees, the rest lies on the marks
    assert float(np.sqrt(np.mean(off**2))) < 0.1
    assert curve.dead_low_deg == pytest.approx(dead_deg[0], abs=0.7)
    assert curve.dead_high_deg == pytest.approx(dead_deg[1], abs=0.7)
    true_s = predict_cycle(real, curve.knob_deg).on_s
    assert np.mean((true_s >= curve.low_s) & (true_s <= curve.high_s)) > 0.9
    if len(ways) == 1:
        # the middle of both lies evenly within 2 degrees: half of 0.95 of that, and a little for
        # its limits
        slope = np.interp(135.0, curve.knob_deg, np.gradient(curve.pulse_s, curve.knob_deg))
        assert curve.pulse_at(135.0)[1] / slope == pytest.approx(0.96, abs=0.06)
    # a mark is set again by hand within the degree that is stated: 0.95 of the differences of two
    # settings lie below 2 - sqrt(0.2) degrees
    live_deg = 270.0 - sum(dead_deg)
    assert curve.settings.count == pytest.approx(live_deg / (2.0 - math.sqrt(0.2)) + 1.0, abs=3.0)


def test_readings_far_worse_than_stated_widen_the_band(design: Design) -> None:
    real = dead_ended(design, 4.0, 9.0)
    rng = np.random.default_rng(12)
    errors = rng.uniform(-4.0, 4.0, (2, 19))
    points = swept(real, 19, ("up", "down"), errors)
    curve = fit_curve(design, points, knob_reading_deg=1.0)
    as_it_was = fit_curve(design, points, knob_reading_deg=4.0)
    true_s = predict_cycle(real, curve.knob_deg).on_s
    # one sweep is right or wrong over long stretches: 95 % less four times sqrt(.95 .05/8)
    assert np.mean((true_s >= curve.low_s) & (true_s <= curve.high_s)) > 0.65
    assert np.mean(curve.u_s) == pytest.approx(float(np.mean(as_it_was.u_s)), rel=0.5)
    assert curve.settings.count is not None
    assert as_it_was.settings.count is not None
    assert curve.settings.count < 1.6 * as_it_was.settings.count


# --- pulses that no channel gives ---


@pytest.mark.parametrize("u_pulse_s", [0.0, 0.1 * US])
@pytest.mark.parametrize("angles", [[90.0], [90.0, 90.0], [0.0, 270.0], [0.0, 135.0, 270.0]])
def test_a_pulse_of_ten_microseconds_is_fitted(
    design: Design, angles: list[float], u_pulse_s: float
) -> None:
    points = [Point(angle, 10 * US, u_pulse_s, 16e-3) for angle in angles]
    curve = fit_curve(design, points)
    for values in (curve.pulse_s, curve.low_s, curve.high_s, curve.u_s, curve.period_s):
        assert np.all(np.isfinite(values))
    assert np.all(curve.pulse_s >= 0.0)
    assert np.all(curve.period_s > curve.pulse_s)
    # where it was measured it is as it was measured, as far as the model's straight line goes
    value, _ = curve.pulse_at(angles[0])
    assert float(value) == pytest.approx(10 * US, abs=40 * US)


def test_marks_that_all_give_one_pulse_are_level(design: Design) -> None:
    for pulse_s in (0.7e-3, 1e-3):
        points = [Point(angle, pulse_s, 0.1 * US, 16e-3) for angle in (0.0, 135.0, 270.0)]
        curve = fit_curve(design, points)
        assert curve.pulse_s == pytest.approx(pulse_s, abs=2 * US)
