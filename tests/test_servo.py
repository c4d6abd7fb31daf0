"""The servo: pulses to arm angles, against figures that makers and libraries publish."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.channel.servo import Servo


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
