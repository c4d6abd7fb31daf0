"""The servo: pulses to arm angles, against figures that makers and libraries publish."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.channel.servo import Servo
from benchlog.channel.servo_curve import ServoPoint, fit_servo_curve
from benchlog.errors import DesignError


def test_arduino_servo_library() -> None:
    """544 to 2400 us for 0 to 180 degrees: 10.3111 us a degree, middle 1472 us.

    Servo.h and arduino.cc, Servo attach().
    """
    servo = Servo(544e-6, 2400e-6)
    assert 1e6 / servo.deg_per_s == pytest.approx(10.3111, abs=5e-5)
    assert float(servo.angle_deg(1472e-6)) == pytest.approx(90.0, abs=1e-9)


def test_micro_servo_table() -> None:
    """SG90 documentation pages: 500 us 0 degrees to 2500 us 180 degrees.

    Their table rounds to whole degrees and microseconds: 833/30 1166/60 1500/90 1832/120
    2165/150, so within 0.2 degree.
    """
    servo = Servo(500e-6, 2500e-6)
    pulses = np.array([500, 833, 1166, 1500, 1832, 2165, 2500]) * 1e-6
    np.testing.assert_allclose(servo.angle_deg(pulses), [0, 30, 60, 90, 120, 150, 180], atol=0.2)


def test_standard_servo_sheet() -> None:
    """Futaba S3003, spec sheet: 45 degrees for 400 us, that is 0.1125 degree/us."""
    servo = Servo(1520e-6 - 400e-6, 1520e-6 + 400e-6, -45.0, 45.0)
    assert servo.deg_per_s * 1e-6 == pytest.approx(0.1125, rel=1e-12)
    assert float(servo.angle_deg(1520e-6)) == pytest.approx(0.0, abs=1e-9)


def test_servo_basics_page() -> None:
    """Futaba S148, controller manual: 600, 1520, 2400 us for -90, 0, +90 degrees.

    The straight line between the ends misses the stated middle by 20 us, 2 degrees.
    """
    servo = Servo(600e-6, 2400e-6, -90.0, 90.0)
    np.testing.assert_allclose(servo.angle_deg([600e-6, 2400e-6]), [-90.0, 90.0], atol=1e-9)
    assert float(servo.angle_deg(1520e-6)) == pytest.approx(2.0, abs=1e-9)


def test_held_at_the_stops() -> None:
    servo = Servo(500e-6, 2500e-6)
    assert servo.angle_deg([400e-6, 500e-6, 2500e-6, 2600e-6]).tolist() == [0.0, 0.0, 180.0, 180.0]
    assert servo.end_stop(499.9e-6) == "low"
    assert servo.end_stop(500e-6) is None
    assert servo.end_stop(2500e-6) is None
    assert servo.end_stop(2500.1e-6) == "high"


def test_a_servo_that_turns_the_other_way() -> None:
    servo = Servo(1e-3, 2e-3, 90.0, 0.0)
    assert servo.deg_per_s == pytest.approx(-90e3)
    assert servo.angle_deg([1e-3, 1.5e-3, 2.5e-3]).tolist() == [90.0, 45.0, 0.0]


@given(
    low=st.floats(300e-6, 1200e-6),
    span=st.floats(200e-6, 2000e-6),
    angles=st.tuples(st.floats(-180, 180), st.floats(-180, 180)),
    width=st.floats(1e-4, 5e-3),
)
def test_stays_within_its_angles(
    low: float, span: float, angles: tuple[float, float], width: float
) -> None:
    servo = Servo(low, low + span, *angles)
    assert min(angles) - 1e-9 <= float(servo.angle_deg(width)) <= max(angles) + 1e-9
    assert float(servo.angle_deg(servo.pulse_min_s)) == angles[0]
    assert float(servo.angle_deg(servo.pulse_max_s)) == angles[1]


# --- the way back -----------------------------------------------------------------


def test_the_pulse_for_an_angle() -> None:
    """By hand: 500 to 2500 us for 0 to 180 degrees is 11.111 us a degree."""
    servo = Servo(500e-6, 2500e-6)
    np.testing.assert_allclose(servo.width_for([0, 90, 180]), [500e-6, 1500e-6, 2500e-6])
    assert float(servo.width_for(180.0)) == 2500e-6
    with pytest.raises(ValueError, match="within 0 to 180 degrees, got -1 to 90"):
        servo.width_for([-1.0, 90.0])


def test_arduino_servo_library_backwards() -> None:
    """90 degrees is 1472 us: Servo.h maps 0..180 to 544..2400 (arduino.cc, Servo attach())."""
    assert float(Servo(544e-6, 2400e-6).width_for(90.0)) == pytest.approx(1472e-6, abs=1e-12)


@settings(max_examples=40)
@given(
    low=st.floats(300e-6, 1200e-6),
    span=st.floats(200e-6, 2000e-6),
    share=st.floats(0.0, 1.0),
    turned=st.booleans(),
    bow_deg=st.floats(-6.0, 6.0),
)
def test_there_and_back(
    low: float, span: float, share: float, turned: bool, bow_deg: float
) -> None:
    width_s = low + share * span
    ends = (180.0, 0.0) if turned else (0.0, 180.0)
    plain = Servo(low, low + span, *ends)
    at = np.linspace(0.1, 0.9, 5)
    arms = plain.angle_deg(low + at * span) + bow_deg * np.sin(np.pi * at)
    points = [ServoPoint(low + one * span, arm) for one, arm in zip(at, arms, strict=True)]
    for servo in (plain, Servo.from_points(low, low + span, points)):
        back_s = float(servo.width_for(servo.angle_deg(width_s)))
        assert back_s == pytest.approx(width_s, abs=1e-11)


# --- its own curve ----------------------------------------------------------------


def _points(*pairs: tuple[float, float]) -> list[ServoPoint]:
    return [ServoPoint(pulse_us / 1e6, arm_deg) for pulse_us, arm_deg in pairs]


def test_servo_basics_page_as_a_curve() -> None:
    """Futaba S148, controller manual: 600, 1520, 2400 us for -90, 0, +90 degrees.

    The curve meets all three within the standard uncertainty of what is taken as read to half a
    degree (0.5 / sqrt(3)), where the straight line between the ends misses the middle by 2 degrees.
    """
    servo = Servo.from_points(600e-6, 2400e-6, _points((600, -90), (1520, 0), (2400, 90)), 0.5)
    told = servo.angle_deg(np.array([600, 1520, 2400]) * 1e-6)
    np.testing.assert_allclose(told, [-90, 0, 90], atol=0.29)
    assert servo.curve is not None
    assert not servo.curve.is_straight


def test_micro_servo_table_as_points() -> None:
    """SG90 documentation pages: 500 us 0 degrees ... 2500 us 180 degrees, rounded to a degree.

    A straight line explains what was only rounded, and the curve stays within its U of it.
    """
    pairs = [(500, 0), (833, 30), (1166, 60), (1500, 90), (1832, 120), (2165, 150), (2500, 180)]
    servo = Servo.from_points(500e-6, 2500e-6, _points(*pairs), 0.5)
    assert servo.curve is not None
    assert servo.curve.is_straight
    width = np.linspace(500e-6, 2500e-6, 50)
    off = np.abs(servo.angle_deg(width) - (width - 500e-6) / 2000e-6 * 180)
    assert np.all(off <= 2.0 * servo.u_angle_deg(width))


def test_standard_servo_sheet_as_points() -> None:
    """Futaba S3003, spec sheet: 0.1125 degree/us, so the curve's slope is that throughout."""
    pairs = _points((1120, -45), (1320, -22.5), (1520, 0), (1720, 22.5), (1920, 45))
    servo = Servo.from_points(1120e-6, 1920e-6, pairs, 0.1)
    slope = servo.local_deg_per_s(np.linspace(1130e-6, 1910e-6, 20))
    np.testing.assert_allclose(slope * 1e-6, 0.1125, rtol=1e-3)
    assert servo.local_deg_per_s([1000e-6, 2000e-6]).tolist() == [0.0, 0.0]


def test_straight_line_is_the_line_of_least_squares() -> None:
    """Points on a line give that line, and beyond the outer ones as well."""
    points = _points((700, 20), (1100, 60), (1500, 100), (1900, 140))
    curve = fit_servo_curve(points, (600e-6, 2000e-6))
    width = np.linspace(600e-6, 2000e-6, 31)
    np.testing.assert_allclose(curve.angle_deg(width), (width * 1e6 - 500) * 0.1, atol=1e-6)


def test_cubic_against_a_reference_library() -> None:
    """scipy.interpolate.PchipInterpolator goes through the same knots (Fritsch and Butland)."""
    from scipy.interpolate import PchipInterpolator

    points = _points((600, 5), (900, 31), (1400, 92), (1800, 128), (2300, 190))
    curve = fit_servo_curve(points, (550e-6, 2400e-6))
    reference = PchipInterpolator(curve.knot_s, curve.knot_deg)
    width = np.linspace(550e-6, 2400e-6, 401)
    np.testing.assert_allclose(curve.angle_deg(width), reference(width), atol=1e-9)
    np.testing.assert_allclose(curve.slope_at(width), reference.derivative()(width), rtol=1e-9)


def test_the_curve_covers_the_truth() -> None:
    """Bands of U (k = 2) hold the true angle at some 95 of a hundred pulses.

    100 servos for each count, 101 pulses each. Bowed servos as the fit expects them come near 95;
    straight ones are covered oftener, since a bow is allowed for. The pulses of one servo go
    together, so a mean share has a standard deviation of some 0.015.
    """
    source = np.random.default_rng(11)
    low_s, high_s = 500e-6, 2500e-6
    width = np.linspace(low_s, high_s, 101)
    for count in (3, 5, 9):
        shares = []
        for _ in range(100):
            bow, wave = source.normal(0, 2), source.normal(0, 1)
            swing = source.choice([-1, 1]) * source.uniform(80, 190)

            def truth(
                at_s: np.ndarray, bow: float = bow, wave: float = wave, swing: float = swing
            ) -> np.ndarray:
                t = (at_s - low_s) / (high_s - low_s)
                bowed = 4 * bow * t * (1 - t) + wave * np.sin(2 * np.pi * t)
                return np.asarray(swing * t + bowed)

            at_s = np.linspace(600e-6, 2400e-6, count) + source.uniform(-50e-6, 50e-6, count)
            read = truth(at_s) + source.uniform(-1.5, 1.5, count)
            points = [ServoPoint(*one) for one in zip(at_s.tolist(), read.tolist(), strict=True)]
            curve = fit_servo_curve(points, (low_s, high_s), 1.5)
            off = np.abs(curve.angle_deg(width) - truth(width))
            shares.append(float(np.mean(off <= 2 * curve.u_angle_deg(width))))
            assert np.all(np.sign(swing) * np.diff(curve.angle_deg(width)) > 0)
        assert 0.91 < np.mean(shares) < 0.995, count


def test_order_of_points_does_not_matter_and_curves_compare() -> None:
    points = _points((700, 20), (1500, 95), (1900, 140))
    first = Servo.from_points(600e-6, 2000e-6, points, name="lifter")
    second = Servo.from_points(600e-6, 2000e-6, points[::-1], name="lifter")
    assert first == second
    assert hash(first) == hash(second)
    assert first != Servo.from_points(600e-6, 2000e-6, points[:2], name="lifter")


@pytest.mark.parametrize(
    ("pairs", "said"),
    [
        ((), "arm angles at 0 pulses"),
        (((1500, 90),), r"arm angles at 1 pulse \(1500 µs = 90°\)"),
        (((1500, 90), (1520, 92)), "too close together"),
        (((1000, 0), (2000, 3)), "too close together"),
        (((1000, 0), (1500, 90), (1600, 80), (2000, 180)), "turn back.*1500 µs = 90°.*1600"),
        (((1000, 0), (1500, 90), (1500, 80), (2000, 180)), "two arm angles at one pulse"),
    ],
)
def test_points_that_no_servo_makes(pairs: tuple[tuple[float, float], ...], said: str) -> None:
    with pytest.raises(DesignError, match=said):
        Servo.from_points(500e-6, 2500e-6, _points(*pairs))


def test_angles_that_turn_back_within_their_reading_are_smoothed() -> None:
    points = _points((1000, 0), (1490, 90.0), (1510, 89.0), (2000, 180))
    servo = Servo.from_points(1e-3, 2e-3, points, 1.0)
    assert np.all(np.diff(servo.angle_deg(np.linspace(1e-3, 2e-3, 500))) > 0)


def test_uncertainty_of_the_arm_angle() -> None:
    """By hand: 10 us at 0.09 degree/us is 0.9 degree; the curve's own is added in square."""
    plain = Servo(500e-6, 2500e-6)
    assert float(plain.u_angle_deg(1500e-6, 10e-6)) == pytest.approx(0.9)
    own = Servo.from_points(500e-6, 2500e-6, _points((500, 0), (1500, 90), (2500, 180)))
    alone = float(own.u_angle_deg(1500e-6))
    slope = float(own.local_deg_per_s(1500e-6))
    assert float(own.u_angle_deg(1500e-6, 10e-6)) == pytest.approx(np.hypot(alone, slope * 10e-6))
