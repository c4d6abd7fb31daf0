"""The sentences of a cause of movement: one size, one pace, the cautions."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from benchlog.diagnosis.finding import Part, Words, make_finding
from benchlog.diagnosis.findings import diagnose
from benchlog.diagnosis.measured_ratio import MeasuredRatio
from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.separation.unrest import Contribution
from benchlog.diagnosis.series.steps import Episode
from benchlog.diagnosis.words.cause_texts import describe_cause
from benchlog.diagnosis.words.movement_texts import (
    describe_mains,
    tell_pulls,
)
from benchlog.diagnosis.words.portions import tell_share
from benchlog.diagnosis.words.printed_commands import Bench
from benchlog.diagnosis.words.sizes import Setting
from benchlog.diagnosis.words.supply_texts import is_pulled, may_be_diode
from benchlog.diagnosis.words.verdict_texts import Output, Scatter, describe_steady
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


def test_of_a_cause_that_makes_all_the_scatter_is_told_once() -> None:
    assert "This cause alone" in describe_cause(make_part(), Setting(), share=0.9).why
    assert "This cause alone" not in describe_cause(make_part(), Setting(), share=0.96).why


def test_a_cause_of_the_period_says_how_much_of_the_period_it_makes() -> None:
    one = make_part(
        "contact", "wiper", slow_pulse_rms_s=0.0, fast_pulse_rms_s=3e-6, period_rms_s=180e-6,
        fast_period_rms_s=180e-6, slow_period_rms_s=0.0,
    )  # fmt: skip
    words = describe_cause(one, Setting(pulse_s=9e-6, period_s=190e-6), share=0.15)
    # (180/190)^2 is 0.90
    assert "by 180 µs (90 % of the period's movement), nearly all of it quickly" in words.why


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


@pytest.mark.parametrize("kind", ["diode", "upper-level"])
def test_a_bench_supply_is_an_isolated_one(kind: str) -> None:
    """Battery or isolated low voltage only: the caution stands in the step itself."""
    step = describe_cause(make_part(kind), Setting(supply_v=6.0)).next_step
    assert "isolated bench supply" in step
    assert "fresh cells" in step


def test_a_supply_that_creeps_is_read_with_a_meter() -> None:
    one = make_part(size=0.15, change=-0.44)
    both = describe_cause(one, Setting(kelvin_per_v=25.0))
    assert "falls by some 0.44 V from beginning to end" in both.next_step
    # a tenth of 0.44 V, with one digit
    assert "stays within 40 mV, it is the diode" in both.next_step
    # 2 V would be 50 degrees: that is no diode, and nothing is said of warming it
    alone = describe_cause(replace(one, size=2.0), Setting(kelvin_per_v=25.0))
    assert "fresh cells" in alone.next_step
    assert "warm" not in alone.next_step


def test_a_pulled_supply_is_neither_creep_nor_a_warming_diode() -> None:
    slow = make_part(size=0.1, change=-0.34)
    quick = replace(slow, slow_pulse_rms_s=8.8e-6, fast_pulse_rms_s=14e-6)
    within = make_part("supply-on-end", pulse_rms_s=5e-6)
    setting = Setting(kelvin_per_v=25.0)
    assert may_be_diode(slow, setting) is True
    assert may_be_diode(quick, setting) is False
    for one, kinds, jumps in (
        (quick, (quick,), False), (slow, (slow,), True), (slow, (slow, within), False),
    ):  # fmt: skip
        assert is_pulled(kinds, jumps=jumps)
        words = describe_cause(one, setting, kinds=kinds, jumps=jumps)
        assert words.what.startswith("The supply is pulled")
        assert "diode" not in words.what + words.why + words.next_step
        assert words.next_step.startswith("Unplug every servo")
    assert not is_pulled((slow,))
    # a pull within the cycle that hardly moves anything makes no pull of a creep
    assert not is_pulled((slow, replace(within, pulse_rms_s=1e-6)))


def test_without_a_design_sizes_have_one_digit_and_decide_nothing() -> None:
    one = make_part(size=0.42, change=-0.98)
    rough = Setting(kelvin_per_v=50.0, is_designed=False)
    assert "1 V of supply" in describe_cause(one, rough).what
    assert may_be_diode(one, rough) is None
    assert may_be_diode(one, replace(rough, is_designed=True)) is False  # 21 degrees
    contact = make_part("contact", "wiper", size=1430.0, unit="ohm")
    assert "some 1 kΩ" in describe_cause(contact, rough).what
    assert "some 1.4 kΩ" in describe_cause(contact, Setting()).what
    # 98 mV is 0.1 V with one digit, not 100 mV
    assert "some 0.1 V" in describe_cause(replace(one, size=0.098, change=None), rough).next_step


def _wiper_way(rest: float) -> Direction:
    """Give a wiper that moves the rest by so much for each movement of the pulse."""
    return Direction("wiper", "wiper", 1e-3, rest * 1e-3, 0.0, 0.0, "share of the track", 0.0)


def test_what_is_measured_stands_beside_what_is_expected() -> None:
    one = make_part("wiper", "wiper", size=0.01, unit="share of the track")
    words = describe_cause(one, Setting(), _wiper_way(-0.87), ratio=MeasuredRatio(-0.853, 0.013))
    # twice 0.013 is 0.026, rounded up
    assert "0.85 ± 0.03 µs for each µs in this recording" in words.why
    assert "should make some 0.870 here" in words.why
    words = describe_cause(one, Setting(), _wiper_way(-0.87))
    assert "by the model some 0.870 µs for each µs here" in words.why
    assert "±" not in words.why


def test_what_is_expected_is_a_range_where_the_model_is_uncertain() -> None:
    one = make_part("contact", "wiper", size=400.0, unit="ohm")
    way = replace(_wiper_way(11.0), kind="contact", u_relative=0.05)
    words = describe_cause(one, Setting(rest_per_pulse=10.0), way, ratio=MeasuredRatio(11.6, 0.01))
    # atan(1.1) is 0.83298; 10 tan(0.73298) is 9.00, 10 tan(0.93298) is 13.48
    assert "should make that 9.0 to 13 times here" in words.why
    assert "11.60 ± 0.02 times as far" in words.why


def test_what_is_left_when_a_cause_is_taken_away() -> None:
    one = make_part("wiper", "wiper", pulse_rms_s=6.87e-6, size=0.01, unit="share of the track")
    # sqrt(8.5^2 - 6.87^2) is 5.0
    words = describe_cause(one, Setting(pulse_s=8.5e-6))
    assert "if the pulse's scatter falls from 8.5 µs to some 5.0 µs" in words.next_step
    words = describe_cause(replace(one, pulse_rms_s=8.4e-6), Setting(pulse_s=8.5e-6))
    assert "if the pulse holds still" in words.next_step


def test_a_capacitor_can_be_refuted() -> None:
    one = make_part("capacitor", "capacitor", size=0.0035, change=-0.012, unit="share")
    step = describe_cause(one, Setting()).next_step
    assert "by 1.2 % or more within a minute, fit a film capacitor" in step
    assert "if they move far less, warm the timer next" in step
    assert "--try warm" in step


def test_printed_commands_name_what_is_known() -> None:
    contact = make_part("contact", "wiper")
    known = describe_cause(contact, Setting(bench=Bench("boat", 135.0))).next_step
    assert (
        "'benchlog diagnose boat --on-the-beat --try tap --at 135 --input DEVICE' ('benchlog "
        "inputs' lists the devices" in known
    )
    unknown = describe_cause(contact, Setting()).next_step
    assert "diagnose CHANNEL --on-the-beat --try tap --at DEG" in unknown
    assert "CHANNEL is its name; DEG is the knob's angle" in unknown
    assert "CHANNEL" not in known
    odd = describe_cause(contact, Setting(bench=Bench("my boat", 12.5))).next_step
    assert 'diagnose "my boat" --on-the-beat --try tap --at 12.5' in odd


def test_tapping_a_knob_is_done_with_the_servo_unplugged() -> None:
    assert "Unplug the servo" in describe_cause(make_part("contact", "wiper"), Setting()).next_step


def test_mains_are_never_touched() -> None:
    assert "Touch and open nothing" in describe_mains([]).next_step


def test_a_share_is_told_in_figures_alone() -> None:
    assert tell_share(0.58, 0.0, 1.0) == "somewhere between 0 and 100 % (likeliest 58 %)"
    assert tell_share(0.5, 0.4, 0.6) == "50 % (40 to 60 %)"
    assert tell_share(0.97, 0.87, 1.0) == "97 % (87 to 100 %)"
    assert tell_share(0.99, 0.985, 1.0) == "at least 98 %"


def test_how_often_a_supply_is_pulled() -> None:
    one, two = (Episode(start, 2.0, -20e-6) for start in (5.0, 30.0))
    assert "comes back once, by up to 20 µs" in tell_pulls([one], None)
    assert "comes back twice" in tell_pulls([one, two], None)
    assert "comes back three times" in tell_pulls([one, two, one], None)


def test_a_part_that_changes_is_told_anew() -> None:
    words = Words("The supply moves.", "The pulse scatters.", "Use fresh cells.")
    one = make_finding(1, "supply", words, "", {"cells": 4.0}, Part(0.9, 0.8, 0.95, "pulse"))
    less = replace(one, part=Part(0.9, 0.8, 1.0, "pulse").scaled(0.5, less=0.1))
    assert less.why == (
        "The pulse scatters. This cause makes 40 % (35 to 45 %) of the pulse's movement."
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


@pytest.mark.parametrize(
    ("output", "told"),
    [
        # a tenth of the time at 6 V is 0.6 V on a meter, of a bipolar timer's 4.5 V 0.45 V
        (Output(0.1, 6.0, "cmos"), "full height (6.0 V) read 0.60 V here"),
        (Output(0.1, 6.0, "bipolar"), "usual height (4.5 V, 1.5 V below the supply) read 0.45 V"),
        (
            Output(0.1, 6.0),
            "read 0.60 V here, those of a bipolar timer, some 1.5 V less high, 0.45",
        ),
        (Output(0.1), "it reads 0.10 times the pulses' height here"),
        (Output(0.1, 6.0, "cmos", "at a knob angle of 270°"), "0.60 V at a knob angle of 270°"),
    ],
)
def test_what_a_meter_on_the_output_should_read(output: Output, told: str) -> None:
    assert told in str(output)
    scatter = Scatter(1e-6, 4e-6, 1e-4, 1e-2, 15e-3)
    assert told in describe_steady(scatter, None, output).next_step


def test_the_period_is_told_in_both_units() -> None:
    # 1e-4 of 15 ms is 1.5 µs
    assert "the period by 1.5 µs, which is 0.010 % of it (limit 1 %)" in str(
        Scatter(1e-6, 4e-6, 1e-4, 1e-2, 15e-3)
    )


def test_a_servo_that_nobody_described_may_have_its_stop_elsewhere() -> None:
    scatter = Scatter(1e-6, 4e-6, 1e-4, 1e-2)
    assert "hit its stop" in describe_steady(scatter, None).what
    what = describe_steady(scatter, None, assumed=True).what
    assert "assumed for a servo that nobody described" in what
    assert "stop" not in what
