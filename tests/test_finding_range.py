"""Finding a servo's range from key presses at the buzz: by hand, then with simulated people."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchlog.calibration.finding_range import (
    DEAD_BAND_S,
    Press,
    RangeFinder,
    agree,
    combine_presses,
    pulse_at_press,
    safe_range,
)
from benchlog.channel.kept_servo import ServoEnd

_US = 1e-6


def test_a_still_pulse_is_what_it_is() -> None:
    start = np.arange(0.0, 4.0, 0.02)
    press = pulse_at_press(start, np.full(start.shape, 1.5e-3), 3.9)
    assert press is not None
    assert press.pulse_s == pytest.approx(1.5e-3)
    assert press.u_s == pytest.approx(0.5 * _US)  # no reading is better than that
    assert press.slope_s_per_s == pytest.approx(0.0, abs=1e-12)


def test_a_moving_pulse_is_taken_a_reaction_earlier() -> None:
    """By hand: 50 us a second, pressed at 3 s: 0.35 s earlier it was 132.5 us on.

    The buzz lies anywhere within 0.3 s of that: 50 * 0.3 / sqrt(3) = 8.66 us (JCGM 100, 4.3.7).
    """
    start = np.arange(0.0, 4.0, 0.01)
    press = pulse_at_press(start, 1e-3 + 50 * _US * start, 3.0)
    assert press is not None
    assert press.pulse_s == pytest.approx(1e-3 + 132.5 * _US, abs=0.1 * _US)
    # a grid of 61 instants spreads by 1.6 % more than the interval itself
    assert press.u_s == pytest.approx(50 * _US * 0.3 / math.sqrt(3), rel=0.03)
    assert press.slope_s_per_s == pytest.approx(50 * _US, rel=1e-6)


@pytest.mark.parametrize("times", [(), (0.0,), (0.0, 1.0), (9.0, 9.5)])
def test_no_pulses_at_that_time(times: tuple[float, ...]) -> None:
    start = np.array(times)
    assert pulse_at_press(start, np.full(start.shape, 1e-3), 5.0) is None


def test_combining_by_hand() -> None:
    """Weights 1 : 1; u is theirs, which they share, and half of what they lie apart."""
    both = [Press(1000 * _US, 6 * _US, 0.0), Press(1008 * _US, 6 * _US, 0.0)]
    pulse_s, u_s = combine_presses(both)
    assert pulse_s == pytest.approx(1004 * _US)
    assert u_s == pytest.approx(math.hypot(6, 4) * _US)
    assert agree(both)
    assert not agree([Press(1000 * _US, 6 * _US, 0.0), Press(1030 * _US, 6 * _US, 0.0)])


def test_what_is_safe_lies_inside_by_what_is_not_sure() -> None:
    buzz = ServoEnd("buzz", 520 * _US, 4 * _US, (520 * _US,))
    knob_end = ServoEnd("at least", 2300 * _US, 0.1 * _US)
    low_s, high_s = safe_range(buzz, knob_end)
    assert low_s == pytest.approx((520 + 8) * _US + DEAD_BAND_S)
    assert high_s == pytest.approx((2300 - 0.2) * _US)
    told = ServoEnd("given", 520 * _US), ServoEnd("given", 2440 * _US)
    assert safe_range(*told) == pytest.approx((520 * _US, 2440 * _US))
    assert safe_range(*told, 8 * _US) == pytest.approx((528 * _US, 2432 * _US))


# --- the way through it ------------------------------------------------------------


def _press(pulse_us: float, u_us: float = 5.0) -> Press:
    return Press(pulse_us * _US, u_us * _US, 0.0)


def _try(finder: RangeFinder, pulse_us: float, u_us: float = 5.0) -> str:
    said = finder.press(_press(pulse_us, u_us))
    finder.watch(1500 * _US)
    return said


def _where(finder: RangeFinder) -> tuple[str, int]:
    return finder.phase, finder.side


def test_two_tries_each_are_enough_where_they_agree() -> None:
    finder = RangeFinder()
    assert _where(finder) == ("start", 0)
    finder.start(1500 * _US)
    assert _where(finder) == ("seek", 0)
    assert finder.press(_press(2440)) == ""
    assert _where(finder) == ("back", 0)
    finder.watch(2430 * _US)
    assert _where(finder) == ("back", 0)
    finder.watch(2400 * _US)
    assert (finder.phase, finder.side, finder.tries) == ("seek", 0, (1, 0))
    assert _try(finder, 2446) == ""
    assert (finder.phase, finder.side, finder.tries) == ("seek", 1, (2, 0))
    assert _try(finder, 520) == ""
    assert finder.press(_press(526)) == ""
    assert _where(finder) == ("back", 1)  # not done before the servo is off its stop
    finder.watch(1500 * _US)
    assert finder.phase == "done"
    low, high = finder.ends()
    assert low is not None
    assert high is not None
    assert (low.how, high.how) == ("buzz", "buzz")
    assert low.pulse_s == pytest.approx(523 * _US)
    assert high.tries_s == pytest.approx((2440 * _US, 2446 * _US))
    assert not finder.scatters


def test_a_knob_that_is_wired_the_other_way_round() -> None:
    finder = RangeFinder()
    finder.start(1500 * _US)
    for pulse in (520, 522, 2440, 2442):
        assert _try(finder, pulse) == ""
    low, high = finder.ends()
    assert low is not None
    assert low.pulse_s == pytest.approx(521 * _US)
    assert high is not None
    assert high.pulse_s == pytest.approx(2441 * _US)


def test_tries_that_disagree_ask_for_more_and_end_after_five() -> None:
    finder = RangeFinder()
    finder.start(1500 * _US)
    for count, pulse in enumerate((2300, 2400, 2300, 2400, 2300), start=1):
        assert finder.side == 0
        assert _try(finder, pulse) == ""
        assert finder.needs_more == (2 <= count < 5)
    assert finder.side == 1
    assert finder.scatters
    _, high = finder.ends()
    assert high is not None
    assert high.u_s > 20 * _US  # what they scatter by is in it


def test_what_is_not_counted() -> None:
    finder = RangeFinder()
    finder.start(1500 * _US)
    assert "hardly away" in finder.press(_press(1510))
    assert finder.phase == "seek"
    assert "too quickly" in _try(finder, 2440, 30.0)
    assert finder.tries == (0, 0)
    _try(finder, 2440)
    assert finder.press(_press(2440)) == ""
    assert "Turn back" in finder.press(_press(2440))
    finder.watch(1500 * _US)
    assert "known already" in _try(finder, 2441)
    assert finder.tries == (2, 0)


def test_the_knobs_end_comes_first() -> None:
    finder = RangeFinder()
    finder.start(1500 * _US)
    assert finder.knob_end(_press(2300, 0.1)) == ""
    assert _where(finder) == ("seek", 1)  # no stop to turn back from
    assert _try(finder, 600) == ""
    assert "It buzzed here before" in finder.knob_end(_press(560, 0.1))
    assert finder.take_back()
    assert finder.knob_end(_press(560, 0.1)) == ""
    assert finder.phase == "done"
    assert [one.how for one in finder.ends() if one is not None] == ["at least", "at least"]


def test_taking_back() -> None:
    finder = RangeFinder()
    assert not finder.take_back()
    finder.start(1500 * _US)
    for pulse in (2440, 2442, 520):
        _try(finder, pulse)
    assert finder.take_back()
    assert finder.tries == (2, 0)
    assert finder.take_back()
    assert (finder.side, finder.tries) == (0, (1, 0))
    assert finder.ends()[0] is None


def test_a_range_lies_within_the_truth_for_simulated_people() -> None:
    """1000 people at one end: the truth within U, and the safe value not past it.

    Each has a usual reaction of 0.2 to 0.5 s, scatters by 0.06 s about it, and turns at 20 to 60
    us a second, steadier or less so; input and screen add 0 to 0.1 s. The reaction's rectangular
    interval is wider than that, so more than 95 of a hundred are right; it may not be so wide
    that nothing is ever wrong by more than half of U.
    """
    source = np.random.default_rng(7)
    right = safe = half = 0
    for _ in range(1000):
        truth_s = source.uniform(2200, 2500) * _US
        usual_s = source.uniform(0.2, 0.5)
        finder = RangeFinder()
        finder.start(1500 * _US)
        while finder.side == 0:
            rate = source.uniform(20, 60) * _US
            start = np.arange(0.0, 8.0, 0.02) + source.uniform(0, 0.02)
            wobble = 0.2 * rate * np.sin(2 * np.pi * (start + source.uniform()) / 1.7)
            width = truth_s - 4 * rate + rate * start + wobble
            width += 0.3 * _US * source.standard_normal(start.shape)
            buzz_s = start[np.argmax(width > truth_s)]
            pressed_s = buzz_s + usual_s + 0.06 * source.standard_normal() + source.uniform(0, 0.1)
            heard = start <= pressed_s + 0.05
            press = pulse_at_press(start[heard], width[heard], pressed_s)
            assert press is not None
            finder.press(press)
            finder.watch(1500 * _US)
        _, high = finder.ends()
        assert high is not None
        off = abs(high.pulse_s - truth_s)
        right += off <= 2 * high.u_s
        half += off <= high.u_s
        safe += safe_range(ServoEnd("given", 1e-3), high)[1] <= truth_s
    assert right >= 950
    assert safe >= 950
    assert half <= 990
