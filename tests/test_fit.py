"""The knob's curve: by hand, against simulated knobs with known truth, and odd sweeps."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchlog.calibration.fit import KnobCurve, fit_curve
from benchlog.calibration.marks import count_settings
from benchlog.calibration.point import Point
from benchlog.channel.design import Design, parse_design, predict_cycle
from tests.simulated_knobs import DESIGN_TEXT, NOISE_S, SimulatedKnob, draw_knob

US = 1e-6
THIRTEEN = np.linspace(0.0, 270.0, 13)


@pytest.fixture(scope="module")
def design() -> Design:
    return parse_design(DESIGN_TEXT, "heron")


def exact_points(
    design: Design, angles: np.ndarray, *, direction: str | None = None
) -> list[Point]:
    """Return what the design gives, read without an error, as far as its Points know."""
    cycle = predict_cycle(design, angles)
    return [
        Point(float(a), float(on), 0.1 * US, float(on + off), direction=direction, supply_v=6.0)
        for a, on, off in zip(angles, cycle.on_s, cycle.off_s, strict=True)
    ]


def check_curve(curve: KnobCurve) -> None:
    """Hold what every curve keeps."""
    assert np.all(np.diff(curve.knob_deg) > 0.0)
    assert np.max(np.diff(curve.knob_deg)) <= 0.5 + 1e-9
    for values in (curve.pulse_s, curve.low_s, curve.high_s, curve.u_s, curve.period_s):
        assert values.shape == curve.knob_deg.shape
        assert np.all(np.isfinite(values))
    rising = np.diff(curve.pulse_s) * np.sign(curve.pulse_s[-1] - curve.pulse_s[0])
    assert np.all(rising >= -1e-15)
    assert np.all((curve.low_s <= curve.pulse_s) & (curve.pulse_s <= curve.high_s))
    assert curve.u_s == pytest.approx((curve.high_s - curve.low_s) / 4.0)
    assert np.all(curve.period_s > curve.pulse_s)


# --- by hand ---


def test_exact_marks_give_the_designs_own_curve(design: Design) -> None:
    curve = fit_curve(design, exact_points(design, THIRTEEN), knob_reading_deg=0.0)
    check_curve(curve)
    cycle = predict_cycle(design, curve.knob_deg)
    # one way alone leaves the middle of both open by 2 degrees, of some 7 us each
    assert curve.pulse_s == pytest.approx(cycle.on_s, abs=14 * US)
    # a knob without any dead ends is the last of what dead ends of 0 to 15 degrees allow
    assert np.mean((cycle.on_s >= curve.low_s) & (cycle.on_s <= curve.high_s)) > 0.96
    assert curve.period_s == pytest.approx(cycle.on_s + cycle.off_s, rel=1e-3)
    assert curve.hysteresis_deg is None
    assert curve.u_hysteresis_deg is None


def test_both_ways_without_any_error_are_met_to_a_microsecond(design: Design) -> None:
    both = [p for w in ("up", "down") for p in exact_points(design, THIRTEEN, direction=w)]
    curve = fit_curve(design, both, knob_reading_deg=0.0)
    check_curve(curve)
    at_marks, u = curve.pulse_at(THIRTEEN[1:-1])
    true_s = predict_cycle(design, THIRTEEN[1:-1]).on_s
    assert at_marks == pytest.approx(true_s, abs=US)
    assert np.all(u < US)
    assert curve.hysteresis_deg == pytest.approx(0.0, abs=0.05)


def test_the_inverse_takes_pulses_back_to_angles(design: Design) -> None:
    curve = fit_curve(design, exact_points(design, THIRTEEN))
    angles = np.linspace(20.0, 250.0, 24)
    pulses, u_s = curve.pulse_at(angles)
    back, u_deg = curve.angle_of(pulses)
    assert back == pytest.approx(angles, abs=1e-6)
    # u of the angle is u of the pulse over the slope, some 7 us a degree
    slope = np.gradient(pulses, angles)
    assert u_deg == pytest.approx(u_s / slope, rel=0.1)
    low_s, high_s = curve.reach_s
    assert np.all(np.isfinite(curve.angle_of([low_s, high_s])[0]))
    for outside in (low_s - US, high_s + US, math.nan):
        with pytest.raises(ValueError, match="outside the curve"):
            curve.angle_of(outside)


def test_linearity_is_the_largest_departure_from_the_best_line(design: Design) -> None:
    both = [p for w in ("up", "down") for p in exact_points(design, THIRTEEN, direction=w)]
    curve = fit_curve(design, both, knob_reading_deg=0.0)
    angle = np.linspace(0.0, 270.0, 541)
    true_s = predict_cycle(design, angle).on_s
    # the marks do not show a dead end of less than their distance to a microsecond
    line = np.polyval(np.polyfit(angle, true_s, 1), angle)
    assert curve.linearity_s == pytest.approx(float(np.max(np.abs(true_s - line))), abs=2 * US)


# --- settings ---


def test_settings_of_a_straight_knob() -> None:
    # only the reading counts: the difference of two lies within d with 1 - (2-d)^2/4 = 0.95 for
    # d = 2 - sqrt(0.2) = 1.5528 degrees
    angles = np.linspace(0.0, 270.0, 541)
    pulses = 500 * US + 7 * US * angles
    read = count_settings(angles, pulses, u_pulse_s=0.0, knob_reading_deg=1.0)
    assert read.spacing_deg == pytest.approx(2 - math.sqrt(0.2), rel=5e-3)
    assert read.spacing_deg is not None
    assert read.count == math.floor(270 / read.spacing_deg + 1e-9) + 1
    # only the pulse counts: 1.96 sqrt(2) 10 us of 7 us a degree
    noisy = count_settings(angles, pulses, u_pulse_s=10 * US, knob_reading_deg=0.0)
    assert noisy.spacing_deg == pytest.approx(1.96 * math.sqrt(2) * 10 / 7, rel=5e-3)
    # only hysteresis: a quarter of the differences is h one way, a quarter the other
    lagging = count_settings(
        angles, pulses, u_pulse_s=0.01 * US, knob_reading_deg=0.0, hysteresis_deg=3.0
    )
    assert lagging.spacing_deg == pytest.approx(3.0, rel=5e-3)


def test_a_knob_that_changes_nothing_has_one_setting() -> None:
    angles = np.linspace(0.0, 270.0, 541)
    level = count_settings(
        angles, np.full(541, 1e-3), u_pulse_s=1e-7, knob_reading_deg=1.0, hysteresis_deg=0.0
    )
    assert (level.count, level.spacing_deg) == (1, None)


def test_dead_ends_hold_no_settings() -> None:
    angles = np.linspace(0.0, 270.0, 541)
    pulses = 500 * US + 7 * US * np.clip(angles, 30.0, 240.0)
    found = count_settings(angles, pulses, u_pulse_s=0.0, knob_reading_deg=1.0)
    assert found.count == pytest.approx(210 / (2 - math.sqrt(0.2)) + 1, abs=2)


@pytest.mark.parametrize(("hysteresis_deg", "both"), [(0.0, False), (2.5, True)])
def test_settings_agree_with_setting_and_reading_over_and_over(
    hysteresis_deg: float, both: bool
) -> None:
    # 40000 differences of two settings of one mark: the 95 % point is good to some 1 %
    rng = np.random.default_rng(8)
    knob = draw_knob(rng, kind="bow", hysteresis_deg=hysteresis_deg)
    curve = fit_curve(knob.design, knob.sweep(THIRTEEN, ("up", "down"), rng))
    fine = np.linspace(0.0, 270.0, 5401)
    middle_s, _ = knob.cycle_s(fine)
    apart = []
    for _ in range(2):
        way = rng.choice([-1.0, 1.0], 40000) if both else np.ones(40000)
        wiper = knob.set_by_hand(np.full(40000, 135.0), way, 1.0, rng)
        apart.append(np.interp(wiper, fine, middle_s) + rng.normal(0.0, NOISE_S, 40000))
    step_s = float(np.quantile(np.abs(apart[0] - apart[1]), 0.95))
    slope = float(np.interp(135.5, fine, middle_s) - np.interp(134.5, fine, middle_s))
    truth = count_settings(
        fine, middle_s, u_pulse_s=NOISE_S, knob_reading_deg=1.0, hysteresis_deg=hysteresis_deg
    )
    assert truth.spacing_deg == pytest.approx(step_s / slope, rel=0.03)
    # as fitted: hysteresis is known to some ±0.5 degrees
    assert curve.settings.count is not None
    assert truth.count is not None
    assert curve.settings.count == pytest.approx(truth.count, rel=0.2)


# --- simulated knobs ---


def covered(knob: SimulatedKnob, curve: KnobCurve, rng: np.random.Generator) -> float:
    """Return the share of knob angles at which the band covers the truth."""
    at = rng.uniform(0.0, knob.design.knob.travel_deg, 100)
    true_s, _ = knob.cycle_s(at)
    low_s = np.interp(at, curve.knob_deg, curve.low_s)
    high_s = np.interp(at, curve.knob_deg, curve.high_s)
    return float(np.mean((true_s >= low_s) & (true_s <= high_s)))


def test_the_band_covers_what_is_true() -> None:
    # 16 knobs, of which each is right or wrong over long stretches: some 8 independent stretches
    # a knob, so the share scatters by sqrt(.95 .05/128) = 1.9 %; four of that below 95 %.
    # (1000 knobs, both ways and one: tests/benchmarks/bench_curve.py)
    rng = np.random.default_rng(20)
    shares, stops, u_dead = [], [], []
    for index in range(16):
        kind = ("straight", "sines", "pieces", "bow")[index % 4]
        knob = draw_knob(rng, kind=kind)
        curve = fit_curve(knob.design, knob.sweep(THIRTEEN, ("up", "down"), rng))
        check_curve(curve)
        shares.append(covered(knob, curve, rng))
        true_deg = knob.crossing_deg(knob.design.servo.pulse_max_s)
        found, u = curve.end_stop_high_deg, curve.u_end_stop_high_deg
        assert (found is None) == (true_deg is None)
        assert (found is None) == (u is None)
        if found is not None and u is not None and true_deg is not None:
            stops.append(abs(found - true_deg) / u)
        u_dead.append(abs(curve.dead_low_deg - knob.dead_low_deg) / curve.u_dead_low_deg)
        assert curve.hysteresis_deg is not None
        assert curve.u_hysteresis_deg is not None
        # 32 such checks with the dead ends': 4 u leave one in ten thousand of each
        off = abs(curve.hysteresis_deg - knob.hysteresis_deg)
        assert off < 4.0 * curve.u_hysteresis_deg
    assert np.mean(shares) > 0.87
    assert len(stops) > 6
    assert np.mean(np.array(stops) < 2.0) > 0.8
    assert np.max(u_dead) < 4.5


def test_a_log_track_and_one_that_turns_the_other_way() -> None:
    log_text = DESIGN_TEXT.replace("travel_deg = 270", 'travel_deg = 270\ntaper = "log"')
    back_text = DESIGN_TEXT.replace("travel_deg = 270", 'travel_deg = 270\nlonger="anticlockwise"')
    rng = np.random.default_rng(3)
    marks = np.linspace(0.0, 270.0, 19)
    for text, kind in ((log_text, "log"), (back_text, "sines")):
        shares = []
        for _ in range(3):
            knob = draw_knob(rng, kind=kind, text=text)
            curve = fit_curve(knob.design, knob.sweep(marks, ("up", "down"), rng))
            check_curve(curve)
            shares.append(covered(knob, curve, rng))
            true_deg = knob.crossing_deg(knob.design.servo.pulse_max_s)
            if true_deg is not None:
                assert curve.end_stop_high_deg == pytest.approx(true_deg, abs=3.0)
        # 3 knobs of some 8 stretches: 95 % less four times sqrt(.95 .05/24)
        assert np.mean(shares) > 0.77, kind


def test_a_knob_wired_the_other_way_or_of_another_taper_is_fitted_as_it_is(
    design: Design,
) -> None:
    for knob in (
        replace(design.knob, longer="anticlockwise"),
        replace(design.knob, taper="log"),
    ):
        real = replace(design, knob=knob)
        both = [p for w in ("up", "down") for p in exact_points(real, THIRTEEN, direction=w)]
        curve = fit_curve(design, both)
        check_curve(curve)
        true_s = predict_cycle(real, curve.knob_deg).on_s
        # a reading of 1 degree, averaged; a log track is up to 3.6 times as steep
        assert np.max(np.abs(curve.pulse_s - true_s)) < 40 * US


def test_a_capacitor_of_another_decade_is_fitted_as_it_is(design: Design) -> None:
    wrong = {"c_timing": 10 * design.c_timing.value}
    cycle = predict_cycle(design, THIRTEEN, parts=wrong)
    points = [
        replace(p, pulse_s=float(on), period_s=float(on + off), direction=way)
        for way in ("up", "down")
        for p, on, off in zip(exact_points(design, THIRTEEN), cycle.on_s, cycle.off_s, strict=True)
    ]
    curve = fit_curve(design, points)
    check_curve(curve)
    true_s = predict_cycle(design, curve.knob_deg, parts=wrong).on_s
    assert curve.pulse_s == pytest.approx(true_s, rel=0.03)


def test_the_design_says_how_long_a_dead_end_is(design: Design) -> None:
    stated = replace(design, knob=replace(design.knob, dead_low_deg=25.0))
    for given, least_u in ((stated, 0.0), (design, 0.5)):
        # the marks leave the stretch from 0 to 60 degrees open
        points = exact_points(stated, np.array([0.0, 60.0, 120.0, 180.0, 240.0]))
        curve = fit_curve(given, points)
        assert curve.dead_low_deg == pytest.approx(25.0, abs=3.0 * curve.u_dead_low_deg + 0.5)
        assert curve.u_dead_low_deg > least_u


# --- few marks, odd marks ---


@pytest.mark.parametrize("angles", [[135.0], [30.0, 200.0], [0.0, 135.0, 270.0]])
def test_few_marks_give_a_wide_band(design: Design, angles: list[float]) -> None:
    parts = {"c_timing": 1.05 * design.c_timing.value, "r_knob": 0.95 * design.r_knob.value}
    cycle = predict_cycle(design, np.array(angles), parts=parts)
    points = [
        Point(a, float(on), 0.1 * US, float(on + off), supply_v=6.0)
        for a, on, off in zip(angles, cycle.on_s, cycle.off_s, strict=True)
    ]
    curve = fit_curve(design, points)
    check_curve(curve)
    true_s = predict_cycle(design, curve.knob_deg, parts=parts).on_s
    assert np.mean((true_s >= curve.low_s) & (true_s <= curve.high_s)) > 0.9
    many = fit_curve(design, exact_points(design, THIRTEEN))
    assert np.mean(curve.u_s) > np.mean(many.u_s)


def test_marks_all_in_the_dead_travel_leave_the_rest_to_the_design(design: Design) -> None:
    dead = replace(design, knob=replace(design.knob, dead_low_deg=14.0))
    curve = fit_curve(design, exact_points(dead, np.array([0.0, 4.0, 8.0, 12.0])))
    check_curve(curve)
    assert curve.dead_low_deg + 2 * curve.u_dead_low_deg > 12.0
    value, u = curve.pulse_at([6.0, 200.0])
    assert value[0] == pytest.approx(float(predict_cycle(dead, 6.0).on_s), abs=2 * US)
    assert u[1] > 20 * US
    true_s = float(predict_cycle(dead, 200.0).on_s)
    assert abs(value[1] - true_s) < 3 * u[1]


def test_the_order_of_marks_is_nothing_and_a_second_visit_helps(design: Design) -> None:
    points = [p for w in ("up", "down") for p in exact_points(design, THIRTEEN, direction=w)]
    curve = fit_curve(design, points)
    shuffled = [points[i] for i in np.random.default_rng(4).permutation(len(points))]
    again = fit_curve(design, shuffled)
    assert again.pulse_s == pytest.approx(curve.pulse_s, abs=0.3 * US)
    twice = fit_curve(design, points + points)
    assert np.mean(twice.u_s) < np.mean(curve.u_s)


def test_marks_beyond_a_stop_count_as_at_the_stop(design: Design) -> None:
    points = exact_points(design, THIRTEEN)
    beyond = [replace(points[0], knob_deg=-2.0), *points[1:-1], replace(points[-1], knob_deg=272.0)]
    curve, as_read = fit_curve(design, beyond), fit_curve(design, points)
    assert curve.pulse_s == pytest.approx(as_read.pulse_s, abs=1e-12)


def test_a_supply_that_changed_from_record_to_record_is_taken_out(design: Design) -> None:
    points = []
    for way in ("up", "down"):
        for i, angle in enumerate(THIRTEEN):
            supply_v = 6.0 - 0.02 * i
            cycle = predict_cycle(design, angle, supply_v=supply_v)
            on_s, off_s = float(cycle.on_s), float(cycle.off_s)
            points.append(Point(float(angle), on_s, 0.1 * US, on_s + off_s, way, supply_v=supply_v))
    curve = fit_curve(design, points, knob_reading_deg=0.0)
    assert curve.supply_v == pytest.approx(5.88)
    true_s = predict_cycle(design, THIRTEEN, supply_v=5.88).on_s
    assert curve.pulse_at(THIRTEEN)[0] == pytest.approx(true_s, abs=US)


@pytest.mark.parametrize(
    ("times", "words"),
    [
        ((math.nan, 0.015), "finite"),
        ((0.0, 0.015), "above 0"),
        ((1e-3, 1e-6), "shorter than its period"),
    ],
)
def test_a_callers_mistake_is_a_value_error(
    design: Design, times: tuple[float, float], words: str
) -> None:
    pulse_s, period_s = times
    exact = exact_points(design, np.array([90.0]))[0]
    point = replace(exact, pulse_s=pulse_s, period_s=period_s)
    with pytest.raises(ValueError, match=words):
        fit_curve(design, [point])
    with pytest.raises(ValueError, match="empty"):
        fit_curve(design, [])
    with pytest.raises(ValueError, match="knob_reading_deg"):
        fit_curve(design, exact_points(design, THIRTEEN), knob_reading_deg=-1.0)
