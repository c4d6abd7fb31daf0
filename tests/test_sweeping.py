"""The marks of a sweep, and whether a pulse is plausible at one of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.calibration.sweeping import Seen, SweepGuide, next_mark
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.channel.knob_marks import MOST_MARKS, Mark, plan_arm_marks, plan_marks
from benchlog.channel.unknowns import draw_builds, list_unknowns
from benchlog.errors import UsageError

DEG = 6.6e-6
"""About what a degree of heron's knob is: some 1780 us over 270 degrees."""


@pytest.fixture(scope="module")
def design(heron_text: str) -> Design:
    return parse_design(heron_text, "heron")


@pytest.fixture(scope="module")
def guide(design: Design) -> SweepGuide:
    return SweepGuide(design, plan_marks(270.0), supply_v=6.0)


def pulse(design: Design, deg: float, **parts: float) -> float:
    return float(predict_cycle(design, deg, parts=parts).on_s)


# --- marks ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ({"every_deg": 90.0}, [0, 90, 180, 270]),
        ({"every_deg": 100.0}, [0, 100, 200, 270]),  # the stop is one in any case
        ({"every_deg": 500.0}, [0, 270]),
        ({"angles": [30.0, 10.0, 20.0]}, [10, 20, 30]),  # out of order: put in order
        ({"angles": [180.0, 90.0, 0.0]}, [180, 90, 0]),
        ({"angles": [42.0]}, [42]),
        ({"angles": [42.0], "both_ways": True}, [42]),
        ({"every_deg": 135.0, "both_ways": True}, [0, 135, 270, 135, 0]),
    ],
)
def test_marks_are_laid_out(words: dict[str, object], expected: list[float]) -> None:
    marks = plan_marks(270.0, **words)  # type: ignore[arg-type]
    assert [mark.knob_deg for mark in marks] == expected
    assert [mark.number for mark in marks] == list(range(1, len(expected) + 1))


def test_thirteen_marks_over_270_degrees_unless_told_otherwise() -> None:
    marks = plan_marks(270.0)
    assert [mark.knob_deg for mark in marks] == [22.5 * k for k in range(13)]
    both = plan_marks(270.0, both_ways=True)
    # the last one upward is visited once: nothing comes to it from beyond the stop
    assert [mark.direction for mark in both] == ["up"] * 13 + ["down"] * 12
    assert [mark.knob_deg for mark in both[13:]] == [22.5 * k for k in range(11, -1, -1)]


def test_falling_marks_are_visited_downward() -> None:
    marks = plan_marks(270.0, angles=[200.0, 100.0], both_ways=True)
    assert [(m.knob_deg, m.direction) for m in marks] == [
        (200.0, "down"),
        (100.0, "down"),
        (200.0, "up"),
    ]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ({"angles": []}, "no marks"),
        ({"angles": [0.0, 30.0, 30.0]}, "30 degrees twice"),
        ({"angles": [0.0, 271.0]}, "at 271 degrees"),
        ({"angles": [-1.0]}, "at -1 degrees"),
        ({"every_deg": 0.1}, "2701 marks"),
        ({"angles": [0.1 * k for k in range(MOST_MARKS + 1)]}, "401 marks"),
    ],
)
def test_marks_that_cannot_be_are_refused(words: dict[str, object], found: str) -> None:
    with pytest.raises(UsageError, match=found):
        plan_marks(270.0, **words)  # type: ignore[arg-type]


def test_arm_angles_keep_their_order_and_stay_within_the_servo() -> None:
    marks = plan_arm_marks([90.0, 0.0, 180.0], 180.0, 0.0)
    assert [(m.number, m.knob_deg, m.arm_deg, m.direction) for m in marks] == [
        (1, None, 90.0, None),
        (2, None, 0.0, None),
        (3, None, 180.0, None),
    ]
    with pytest.raises(UsageError, match="the servo's range"):
        plan_arm_marks([200.0], 0.0, 180.0)


def test_the_next_mark_is_the_first_without_a_record() -> None:
    marks = plan_marks(270.0, every_deg=90.0)
    assert next_mark(marks, ()) == marks[0]
    assert next_mark(marks, {1, 3}) == marks[1]
    assert next_mark(marks, {1, 2, 3, 4}) is None


@settings(max_examples=60, deadline=None)
@given(
    st.floats(20.0, 3000.0),
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30, unique_by=lambda x: round(x, 4)),
    st.booleans(),
)
def test_each_mark_and_way_comes_once(travel: float, shares: list[float], both: bool) -> None:
    angles = [travel * round(one, 4) for one in shares]
    marks = plan_marks(travel, angles=angles, both_ways=both)
    visits = [(mark.knob_deg, mark.direction) for mark in marks]
    assert len(set(visits)) == len(visits)
    assert {mark.knob_deg for mark in marks} == set(angles)
    steps = np.diff([mark.knob_deg for mark in marks])
    assert np.count_nonzero(np.diff(np.sign(steps))) <= int(both)  # one turn at most


# --- plausibility ------------------------------------------------------------------


def test_without_anything_seen_the_window_is_the_tolerance(
    design: Design, guide: SweepGuide
) -> None:
    first = guide.expect(plan_marks(270.0)[0], [])
    assert first.pulse_s == pytest.approx(pulse(design, 0.0), rel=1e-9)
    # heron's parts: 1, 3, 1 and 2.5 %; a fiftieth at least, and far less than half of the travel
    assert 12e-6 < first.half_s < 0.15 * 1780e-6


def test_what_was_seen_narrows_the_window(design: Design, guide: SweepGuide) -> None:
    marks = plan_marks(270.0)
    seen: list[Seen] = []
    halves = []
    for mark in marks:
        assert mark.knob_deg is not None
        halves.append(guide.expect(mark, seen).half_s)
        seen.append(Seen(mark.knob_deg, pulse(design, mark.knob_deg), "up"))
    assert halves[1] < 0.5 * halves[0]
    # in the end some six degrees: the reading of the knob rules
    assert max(halves[4:]) < 8.0 * DEG
    assert min(halves) > 2.0 * DEG


@pytest.mark.parametrize("seed", range(24))
def test_builds_within_tolerance_are_taken_without_a_question(design: Design, seed: int) -> None:
    # every mark of a build within its tolerances, the knob read to a degree
    source = np.random.default_rng([91, seed])
    drawn = draw_builds(list_unknowns(design, supply_v=6.0), 1, source)
    parts = {name: float(one[0]) for name, one in drawn.items() if name != "supply_v"}
    marks = plan_marks(270.0, both_ways=True)
    guide = SweepGuide(design, marks, supply_v=6.0)
    seen: list[Seen] = []
    for mark in marks:
        assert mark.knob_deg is not None
        at_deg = float(np.clip(mark.knob_deg + source.uniform(-1.0, 1.0), 0.0, 270.0))
        pulse_s = pulse(design, at_deg, **parts)
        told = guide.judge(mark, pulse_s, seen, seen[-1] if seen else None)
        assert told in ("fits", "nearly"), (mark, told)
        seen.append(Seen(mark.knob_deg, pulse_s, mark.direction))


def test_a_capacitor_that_is_nine_percent_high_is_learned(
    design: Design, guide: SweepGuide
) -> None:
    # the stage's moon: far outside its own tolerance, yet the same share at each mark
    marks = plan_marks(270.0)
    seen: list[Seen] = []
    for mark in marks:
        assert mark.knob_deg is not None
        pulse_s = pulse(design, mark.knob_deg, c_timing=22e-9 * 1.09)
        assert guide.judge(mark, pulse_s, seen, seen[-1] if seen else None) in ("fits", "nearly")
        seen.append(Seen(mark.knob_deg, pulse_s, "up"))


@pytest.mark.parametrize(
    ("asked", "at", "expected"),
    [
        (4, 67.5, "fits"),
        (4, 45.0, "same"),  # the knob was not turned
        (4, 90.0, "elsewhere"),  # one was skipped
        (4, 56.0, "elsewhere"),  # a rest half way
        (4, 22.5, "elsewhere"),  # turned back
        (4, 200.0, "elsewhere"),
    ],
)
def test_a_pulse_is_told_apart_from_its_neighbours(
    design: Design, guide: SweepGuide, asked: int, at: float, expected: str
) -> None:
    marks = plan_marks(270.0)
    seen = [Seen(deg, pulse(design, deg), "up") for deg in (0.0, 22.5, 45.0)]
    assert guide.judge(marks[asked - 1], pulse(design, at), seen, seen[-1]) == expected
    assert guide.looks_like_deg(pulse(design, at), seen) == pytest.approx(at, abs=1.0)


def test_marks_close_together_are_not_confused(design: Design) -> None:
    marks = plan_marks(270.0, every_deg=5.0)
    guide = SweepGuide(design, marks, supply_v=6.0)
    seen = [Seen(5.0 * k, pulse(design, 5.0 * k), "up") for k in range(10)]
    assert guide.judge(marks[10], pulse(design, 50.0), seen, seen[-1]) == "fits"
    assert guide.judge(marks[10], pulse(design, 55.0), seen, seen[-1]) == "elsewhere"
    assert guide.judge(marks[10], pulse(design, 45.0), seen, seen[-1]) == "same"


def test_backlash_on_the_way_down_is_no_doubt(design: Design, guide: SweepGuide) -> None:
    # 4 degrees of play: the wiper stands higher on the way down
    marks = plan_marks(270.0, both_ways=True)
    seen = [Seen(22.5 * k, pulse(design, 22.5 * k), "up") for k in range(13)]
    told = guide.judge(marks[13], pulse(design, 247.5 + 4.0), seen, seen[-1])
    assert told in ("fits", "nearly")


def test_dead_travel_of_the_design_is_flat_and_not_the_same(heron_text: str) -> None:
    text = heron_text.replace("travel_deg = 270", "travel_deg = 270\ndead_low_deg = 20")
    design = parse_design(text, "heron")
    marks = plan_marks(270.0, angles=[0.0, 10.0, 20.0])
    guide = SweepGuide(design, marks, supply_v=6.0)
    seen = [Seen(0.0, pulse(design, 0.0), "up")]
    assert guide.judge(marks[1], pulse(design, 10.0), seen, seen[-1]) == "flat"


def test_an_arm_angle_is_met_within_the_dead_band(design: Design, guide: SweepGuide) -> None:
    mark = Mark(1, None, 90.0)
    wanted_s = float(design.servo.width_for(90.0))
    assert guide.expect(mark, []).pulse_s == wanted_s
    assert guide.judge(mark, wanted_s + 4.9e-6, [], None) == "fits"
    assert guide.judge(mark, wanted_s + 5.1e-6, [], None) == "elsewhere"


def test_a_knob_that_shortens_clockwise_is_led_as_well(heron_text: str) -> None:
    text = heron_text.replace('longer = "clockwise"', 'longer = "anticlockwise"')
    design = parse_design(text, "heron")
    marks = plan_marks(270.0)
    guide = SweepGuide(design, marks, supply_v=6.0)
    seen: list[Seen] = []
    for mark in marks[:5]:
        assert mark.knob_deg is not None
        pulse_s = pulse(design, mark.knob_deg)
        assert guide.looks_like_deg(pulse_s, seen) == pytest.approx(mark.knob_deg, abs=0.5)
        assert guide.judge(mark, pulse_s, seen, seen[-1] if seen else None) == "fits"
        seen.append(Seen(mark.knob_deg, pulse_s, "up"))


def test_the_level_that_the_circuit_can_make_is_chosen(guide: SweepGuide, design: Design) -> None:
    cycle = predict_cycle(design, 100.0)
    on_s, period_s = float(cycle.on_s), float(cycle.period_s)
    assert guide.better_width(on_s, period_s)
    assert not guide.better_width(period_s - on_s, period_s)


def test_the_shipped_channels_can_all_be_led() -> None:
    folder = Path(__file__).parent.parent / "calibration"
    for name in ("heron", "moon", "boat", "curtain"):
        text = (folder / name / "design.toml").read_text(encoding="utf-8")
        design = parse_design(text, name)
        SweepGuide(design, plan_marks(design.knob.travel_deg))
