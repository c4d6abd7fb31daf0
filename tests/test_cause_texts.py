"""The sentences of a cause of movement: one size, one pace, the cautions."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from benchlog.diagnosis.finding import Part, Words, make_finding
from benchlog.diagnosis.findings import diagnose
from benchlog.diagnosis.separation.unrest import Contribution
from benchlog.diagnosis.series.steps import Episode
from benchlog.diagnosis.words.cause_texts import Setting, describe_cause
from benchlog.diagnosis.words.movement_texts import (
    describe_mains,
    tell_pulls,
)
from benchlog.diagnosis.words.portions import tell_share
from tests.simulated_faults import draw_case


def make_part(kind: str = "supply", cause: str = "supply", **known: Any) -> Contribution:
    """Make a contribution that is all slow, where nothing else is said."""
    figures: dict[str, Any] = {
        "pulse_rms_s": 8e-6, "period_rms_s": 8e-6, "slow_pulse_rms_s": 8e-6,
        "fast_pulse_rms_s": 0.0, "slow_period_rms_s": 8e-6, "fast_period_rms_s": 0.0,
        "share": 1.0, "share_low": 0.9, "share_high": 1.0, "size": None, "unit": "V",
        "change": None,
    }  # fmt: skip
    return Contribution(kind=kind, cause=cause, **{**figures, **known})


def test_what_goes_one_way_has_one_size_throughout() -> None:
    # a straight creep of 1.2 % scatters by 1.2/sqrt(12) = 0.35 %: that second figure is not told
    one = make_part("capacitor", "capacitor", size=0.0035, change=-0.012, unit="share")
    words = describe_cause(one, Setting())
    assert "by some 1.2 %" in words.what
    assert "At the end it is some 1.2 % lower" in words.why
    assert "0.35" not in words.what + words.why


def test_supply_and_diode_are_told_over_the_same_stretch() -> None:
    one = make_part(size=0.1, change=-0.34)
    words = describe_cause(one, Setting(supply_v=6.0, kelvin_per_v=25.0))
    assert "0.34 V of supply" in words.what
    # 0.34 V times 25 degrees per volt are 8.5 degrees
    assert "8.5 °C" in words.why
    assert "the supply is some 0.34 V lower" in words.why


def test_all_kinds_of_a_cause_are_told_together() -> None:
    main = make_part(
        slow_pulse_rms_s=1e-6, fast_pulse_rms_s=3e-6, fast_period_rms_s=3e-6, period_rms_s=3e-6
    )
    within = make_part(
        "supply-on-end", slow_pulse_rms_s=0.0, fast_pulse_rms_s=4e-6, period_rms_s=50e-6
    )
    words = describe_cause(main, Setting(), kinds=(main, within))
    # 3 and 4 us of two independent movements are 5 us together
    assert "1.0 µs slowly, over seconds, and by 5.0 µs quickly" in words.why
    assert "within the cycle as well" in words.why
    alone = describe_cause(main, Setting())
    assert "3.0 µs quickly" in alone.why
    assert "within the cycle as well" not in alone.why


def test_a_pace_that_hardly_counts_is_left_out() -> None:
    words = describe_cause(make_part(fast_pulse_rms_s=0.1e-6), Setting())
    assert "8.0 µs, nearly all of it slowly" in words.why
    assert "0.10 µs" not in words.why


@pytest.mark.parametrize(
    ("kind", "cause"),
    [("off-path", "off-path"), ("leak", "capacitor"), ("upper-level", "threshold"),
     ("supply-on-end", "supply")],
)  # fmt: skip
def test_the_power_is_off_where_parts_are_soldered(kind: str, cause: str) -> None:
    words = describe_cause(make_part(kind, cause), Setting())
    assert "power off" in words.next_step.lower()


@pytest.mark.parametrize("kind", ["supply", "diode", "upper-level"])
def test_a_bench_supply_is_an_isolated_one(kind: str) -> None:
    """Battery or isolated low voltage only: the caution stands in the step itself."""
    step = describe_cause(make_part(kind), Setting(supply_v=6.0)).next_step
    assert "isolated bench supply" in step
    assert "fresh cells" in step


def test_tapping_a_knob_is_done_with_the_servo_unplugged() -> None:
    assert "Unplug the servo" in describe_cause(make_part("contact", "wiper"), Setting()).next_step


def test_mains_are_never_touched() -> None:
    assert "Touch and open nothing" in describe_mains([]).next_step


def test_a_share_that_may_be_anything_is_not_called_half() -> None:
    assert tell_share(0.58, 0.0, 1.0) == "somewhere between 0 and 100 % (likeliest 58 %)"
    assert tell_share(0.5, 0.4, 0.6) == "about half (50 %, 40 to 60 %)"
    assert tell_share(0.97, 0.87, 1.0) == "nearly all (97 %, 87 to 100 %)"
    assert tell_share(0.99, 0.985, 1.0) == "nearly all (at least 98 %)"


def test_how_often_a_supply_is_pulled() -> None:
    one, two = (Episode(start, 2.0, -20e-6) for start in (5.0, 30.0))
    assert "comes back once, by up to 20 µs" in tell_pulls([one], None)
    assert "comes back twice" in tell_pulls([one, two], None)
    assert "comes back 3 times" in tell_pulls([one, two, one], None)


def test_a_part_that_changes_is_told_anew() -> None:
    words = Words("The supply moves.", "The pulse scatters.", "Use fresh cells.")
    one = make_finding(1, "supply", words, "", {"cells": 4.0}, Part(0.9, 0.8, 0.95, "pulse"))
    less = replace(one, part=Part(0.9, 0.8, 1.0, "pulse").scaled(0.5, less=0.1))
    assert less.why == (
        "The pulse scatters. It makes about a third (40 %, 35 to 45 %) of the pulse's movement."
    )
    assert less.evidence["cells"] == 4.0
    assert [less.evidence[f"share_{name}"] for name in ("low", "high", "of")] == [
        pytest.approx(0.35),
        pytest.approx(0.45),
        "pulse",
    ]
    assert Part(0.2, 0.1, 0.4, "period").scaled(1.0, less=0.3).share == 0.0
    assert replace(one, part=None).why == "The pulse scatters."


@pytest.mark.parametrize("kind", ["coupled", "two-channels-common-sag", "wiper-and-battery"])
def test_words_and_figures_give_the_same_share(kind: str) -> None:
    found = diagnose(draw_case(kind, 7, duration_s=40.0).heard()).findings
    shares = [one for one in found if one.share is not None]
    assert shares
    for one in shares:
        low, high = (one.evidence[f"share_{end}"] for end in ("low", "high"))
        assert isinstance(low, float)
        assert isinstance(high, float)
        assert tell_share(one.share or 0.0, low, high) in one.why
