"""The way through a knob's two stops and its middle, from live readings."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.commands.confirm_course import Course
from benchlog.commands.confirm_taken import make_points
from benchlog.timing.live_reading import LiveReading
from tests.confirm_script import (
    Played,
)


@pytest.fixture(scope="module")
def design() -> Design:
    # tolerances as on the shipped example's parts
    text = (Path(__file__).parent.parent / "calibration" / "heron" / "design.toml").read_text(
        encoding="utf-8"
    )
    return parse_design(text, "heron")


def phase_of(course: Course) -> str:
    return course.phase


def go(
    course: Course, played: Played, route: list[float], *, most_s: float = 12.0, turn_s: float = 0.4
) -> list[float]:
    """Turn to each angle and wait until it is taken; return how long each stood still."""
    waited = []
    knob_deg = route[0]
    for angle in route:
        steps = max(1, round(turn_s / 0.1))
        if angle != knob_deg:
            for step in range(1, steps + 1):
                course.add(played.read(knob_deg + (angle - knob_deg) * step / steps))
        knob_deg = angle
        before = len(course.taken)
        stood_s = 0.0
        while len(course.taken) == before and stood_s < most_s:
            course.add(played.read(angle))
            stood_s += 0.1
        waited.append(stood_s)
    return waited


def test_three_positions_are_taken_in_a_few_seconds_each(design: Design) -> None:
    course, played = Course(design, None, has_keys=False), Played(design)
    waited = go(course, played, [0.0, 131.0, 270.0])
    assert phase_of(course) == "done"
    assert course.asked is None
    # two seconds of pulses, and up to a second until the settling is sure
    assert max(waited) < 3.2
    points = make_points(design, course.taken, "high", supply_v=6.0, temperature_c=None)
    assert [point.knob_deg for point in points] == pytest.approx([0.0, 131.0, 270.0], abs=0.2)
    for point in points:
        wanted = predict_cycle(design, point.knob_deg)
        assert point.pulse_s == pytest.approx(float(wanted.on_s), abs=2e-6)
        assert point.period_s == pytest.approx(float(wanted.period_s), abs=5e-6)
        assert point.pulse_sd_s < 0.5e-6
        assert point.notices == ()


def test_inverted_signal_is_turned_by_the_design(design: Design) -> None:
    course, played = Course(design, None, has_keys=False), Played(design)
    played.level = "low"  # the pulse is what the input calls low
    go(course, played, [0.0, 135.0, 270.0])
    assert course.level == "high"
    low_s = float(predict_cycle(design, 0.0).on_s)
    assert course.taken["anticlockwise"].pulse_s(course.level) == pytest.approx(low_s, abs=1e-6)


def test_unusual_pulse_is_taken_after_a_longer_wait(design: Design) -> None:
    course = Course(design, None, has_keys=False)
    played = Played(design, {"r_on": 68e3})  # 610 µs longer than it should be at the stop
    played_waits = go(course, played, [0.0, 135.0, 270.0])
    assert phase_of(course) == "done"
    assert played_waits[0] == pytest.approx(3.5, abs=0.6)


def test_somebody_who_reads_gets_time_for_the_first_position(design: Design) -> None:
    course, played = Course(design, None, has_keys=True), Played(design)
    for _ in range(60):  # six seconds at a place that is no stop
        course.add(played.read(100.0))
    assert course.taken == {}
    assert phase_of(course) == "doubtful"
    waited = go(course, played, [0.0, 135.0, 270.0])
    assert phase_of(course) == "done"
    assert waited[0] < 3.2


def test_straight_to_the_far_stop_and_back_to_the_middle(design: Design) -> None:
    course, played = Course(design, None, has_keys=False), Played(design)
    go(course, played, [0.0, 270.0])
    assert course.asked == "middle"
    go(course, played, [270.0, 140.0][1:])
    taken = {name: one.pulse_s("high") for name, one in course.taken.items()}
    assert taken["anticlockwise"] < taken["middle"] < taken["clockwise"]


def test_knob_of_twice_the_value_is_not_taken_for_the_far_stop(design: Design) -> None:
    course, played = Course(design, None, has_keys=False), Played(design, {"r_knob": 220e3})
    go(course, played, [0.0, 135.0, 270.0])
    taken = {name: one.pulse_s("high") for name, one in course.taken.items()}
    assert taken["anticlockwise"] < taken["middle"] < taken["clockwise"]


def test_other_stop_is_told_and_key_o_takes_it_as_such(design: Design) -> None:
    course, played = Course(design, None, has_keys=True), Played(design)
    for _ in range(15):
        course.add(played.read(270.0))
    assert phase_of(course) == "other-end"
    course.begin_at_other_end()
    assert phase_of(course) == "holding"
    go(course, played, [270.0])
    assert list(course.taken) == ["clockwise"]
    assert course.asked == "middle"
    go(course, played, [135.0, 0.0])
    taken = {name: one.pulse_s("high") for name, one in course.taken.items()}
    assert taken["anticlockwise"] < taken["middle"] < taken["clockwise"]


def test_resting_hand_at_the_same_place_is_not_taken_twice(design: Design) -> None:
    course, played = Course(design, None, has_keys=False), Played(design)
    go(course, played, [0.0])
    for _ in range(100):
        course.add(played.read(0.5))
    assert len(course.taken) == 1
    assert phase_of(course) == "go"
    assert course.share == 0.0


def test_enter_takes_at_once_and_says_that_it_moved(design: Design) -> None:
    course, played = Course(design, None, has_keys=True), Played(design)
    for step in range(6):
        course.add(played.read(10.0 * step))
    assert course.take_now()
    (taken,) = course.taken.values()
    assert [notice.code for notice in taken.notices] == ["moved"]
    assert not Course(design, None, has_keys=True).take_now()  # nothing was heard


def test_silence_while_waiting_takes_nothing(design: Design) -> None:
    course = Course(design, None, has_keys=False)
    for step in range(50):
        assert not course.add(LiveReading(1, 0.1 * step, "quiet"))
    assert phase_of(course) == "silent"
    assert course.pulse_s is None


def test_extra_pulses_of_before_do_not_count(design: Design) -> None:
    # pulses of another copy, five times as long, make the first ones of this one look too short
    course, played = Course(design, None, has_keys=False), Played(design)
    steps = 0
    while not course.taken and steps < 100:
        steps += 1
        course.add(
            dataclasses.replace(played.read(0.0), extra_count=10 * steps if steps < 6 else 0)
        )
    assert course.taken["anticlockwise"].notices == ()
    assert steps < 32


def test_pulses_of_the_copy_before_are_not_taken(design: Design) -> None:
    played = Played(design, {"r_on": 47e3})
    for _ in range(40):
        played.read(0.0)
    course = Course(design, None, has_keys=False)
    played.parts = None
    steps = 0
    while not course.taken:
        steps += 1
        course.add(played.read(0.0))
    assert steps > 19  # two seconds of its own pulses
    low_s = float(predict_cycle(design, 0.0).on_s)
    assert course.taken["anticlockwise"].pulse_s("high") == pytest.approx(low_s, abs=1e-6)


def test_extra_pulses_that_keep_coming_are_told(design: Design) -> None:
    course, played = Course(design, None, has_keys=False), Played(design)
    steps = 0
    while not course.taken and steps < 300:
        steps += 1
        course.add(dataclasses.replace(played.read(0.0), extra_count=steps))
    assert [one.code for one in course.taken["anticlockwise"].notices] == ["extra-edge"]


def test_lost_samples_once_only_make_it_wait_longer(design: Design) -> None:
    course, played = Course(design, None, has_keys=False), Played(design)
    steps = 0
    while not course.taken:
        steps += 1
        course.add(dataclasses.replace(played.read(0.0), lost_count=int(steps > 17)))
    assert course.taken["anticlockwise"].notices == ()
    assert 35 < steps < 60  # twice two seconds, and what settling takes


def test_missing_pulses_and_losses_that_stay_are_told(design: Design) -> None:
    course, played = Course(design, None, has_keys=False), Played(design)
    steps = 0
    while not course.taken and steps < 300:
        steps += 1
        reading = played.read(0.0)
        if steps % 15 == 0:
            del played._start[-2], played._width[-2]
        course.add(dataclasses.replace(reading, lost_count=steps // 10, clipped_share=0.01))
    codes = {notice.code for notice in course.taken["anticlockwise"].notices}
    assert codes == {"missing-pulse", "gap", "clipping"}
