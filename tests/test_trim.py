"""Setting trimmers: the model behind it, what is advised, and the command with a script at it."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchlog.calibration.trim_model import Aims, ChannelModel, Sides
from benchlog.calibration.trim_remedy import suggest_parts
from benchlog.calibration.trim_steps import Advice, Step, TrimSettings
from benchlog.calibration.trimmers import Trimmer, TrimmerState, estimate_scale
from benchlog.calibration.trimming import Trimming
from benchlog.channel.design import Design, parse_design
from benchlog.channel.preferred import SERIES
from benchlog.commands.trim_options import find_aims, find_trimmers
from benchlog.errors import DesignError, UsageError
from benchlog.show.live_layout import line_width
from benchlog.show.live_shapes import ASCII, UNICODE
from benchlog.show.trim_view import lay_out_trim
from benchlog.show.trim_words import (
    TrimPicture,
    describe_advice,
    name_share,
    picture_to_json,
    tell_step,
)
from benchlog.timing.settling import Settling
from tests.command_line import run_here
from tests.played_bench import PlayedBench, place_across
from tests.sound_server import SoundServer
from tests.trim_script import (
    KINDS,
    Build,
    Hand,
    Trimmed,
    aims_within_reach,
    follow_model,
    follow_trim,
)

_US = 1e6


@pytest.fixture(scope="module")
def wide_text(heron_text: str) -> str:
    """Return heron's design with a servo that leaves room around its pulses."""
    text = heron_text.replace("pulse_min_us = 500", "pulse_min_us = 300")
    return text.replace("pulse_max_us = 2500", "pulse_max_us = 3200")


@pytest.fixture(scope="module")
def design(wide_text: str) -> Design:
    return parse_design(wide_text, "heron")


@pytest.fixture(scope="module")
def plain_astable(heron_text: str) -> Design:
    """Return a channel without a diode, on an ideal timer."""
    text = heron_text.replace('family = "cmos"', 'family = "ideal"')
    return parse_design(text.replace('model = "1N4148"', 'model = "none"'), "heron")


# --- the model ------------------------------------------------------------------


def test_resistances_of_the_data_sheets_astable(plain_astable: Design) -> None:
    """Without a diode on is ln 2 (Ra + Rb) C and off ln 2 Rb C: TI SLFS022I, 7.4.2, A-stable.

    The section's number is from memory; it gives 0.693 for ln 2.
    """
    c_f, r_a, r_b = 22e-9, 50e3, 870e3
    on_s, off_s = math.log(2) * (r_a + r_b) * c_f, math.log(2) * r_b * c_f
    assert ChannelModel(plain_astable).find_sides(on_s, off_s) == pytest.approx((r_a, r_b))


def test_resistances_come_back_from_their_readings(design: Design) -> None:
    model = ChannelModel(design, supply_v=5.2, temperature_c=20.0)
    source = np.random.default_rng(1)
    for _ in range(30):
        r_on, track, r_off = source.uniform((15e3, 50e3, 400e3), (60e3, 150e3, 1.2e6))
        times = model.predict(Sides(r_on, track, r_off, track))
        low, high = model.find_sides(*times["low"]), model.find_sides(*times["high"])
        assert low == pytest.approx((r_on, r_off + track), rel=1e-6)
        assert high == pytest.approx((r_on + track, r_off), rel=1e-6)


def test_a_resistor_across_the_knob_is_a_star(design: Design) -> None:
    """By hand: 100k with its wiper in the middle and 100k across: 50, 50 and 100 kohm.

    The star's arms are 50 * 100 / 200 = 25k, 25k and 50 * 50 / 200 = 12.5k (Kennelly's
    transform), so a track of 50k and 12.5k in the wiper.
    """
    parts = place_across(design, 135.0, {"r_knob": 100e3}, 100e3)
    assert parts["r_knob"] == pytest.approx(50e3)
    assert parts["contact"] == pytest.approx(12.5e3)
    model = ChannelModel(design)
    sides = Sides(33e3, 50e3, 820e3, 100e3)
    build = Build(design, (), {"r_on": 33e3, "r_knob": 100e3, "r_off": 820e3}, {}, {}, {}, 6.0)
    build.fixed_ohm["across"], build.range_ohm["across"], build.place["across"] = 100e3, 0.0, 0.0
    for place, knob_deg in model.angles_deg.items():
        assert model.predict(sides)[place] == pytest.approx(build.truth(knob_deg), rel=1e-9)


def test_a_plan_reaches_what_is_wanted(design: Design) -> None:
    model = ChannelModel(design)
    aims = Aims(650e-6, 2300e-6, 0.0155)
    planned = model.plan(model.marked, {"r_on", "across", "r_off"}, aims)
    assert planned is not None
    assert model.value_s(planned, "low") == pytest.approx(650e-6, abs=1e-8)
    assert model.value_s(planned, "high") == pytest.approx(2300e-6, abs=1e-8)
    assert model.value_s(planned, "middle") == pytest.approx(0.0155, abs=1e-8)


def test_a_balanced_plan_misses_both_ends_by_the_same(design: Design) -> None:
    model = ChannelModel(design)
    aims = Aims(600e-6, 2500e-6, None)
    planned = model.plan(model.marked, {"r_on"}, aims, balance=True)
    assert planned is not None
    low_s = model.value_s(planned, "low") - aims.low_s
    high_s = model.value_s(planned, "high") - aims.high_s
    assert low_s == pytest.approx(-high_s, abs=1e-8)
    assert abs(low_s) > 10e-6


def test_a_plan_that_nothing_reaches_is_none(design: Design) -> None:
    model = ChannelModel(design)
    assert model.plan(model.marked, {"r_off"}, Aims(6e-4, 2e-3, 1e-3)) is None


# --- trimmers -------------------------------------------------------------------


def test_how_far_a_trimmer_in_series() -> None:
    state = TrimmerState(Trimmer("r_on", 28e3, 10e3), 100e3, 0.2)
    state.set_scale(1.1, 0.01)
    ohm, u_ohm = state.setting(1.1 * 33e3)
    assert ohm == pytest.approx(33e3)
    # 1 % of 33k, and 5 % of 28k taken as rectangular
    assert u_ohm == pytest.approx(math.hypot(330.0, 28e3 * 0.05 / math.sqrt(3.0)))
    reach = state.reach(1.1 * 33e3, 1.1 * 35.5e3)
    assert reach.change_ohm == pytest.approx(2.5e3)
    assert reach.share == pytest.approx(0.25)
    assert reach.within == "yes"
    assert state.reach(1.1 * 33e3, 1.1 * 45e3).within == "no"


def test_how_far_a_trimmer_across_the_knob() -> None:
    """A knob known to 0.1 %: 100k across 720k is 87.8k, across 360k 78.3k."""
    state = TrimmerState(Trimmer("across", 220e3, 1e6), 100e3, 0.001)
    state.set_scale(1.0, 0.001)
    now, goal = 100e3 * 720e3 / 820e3, 100e3 * 360e3 / 460e3
    reach = state.reach(now, goal)
    assert reach.change_ohm == pytest.approx(-360e3, rel=0.02)
    assert reach.within == "yes"
    assert state.reach(now, 99e3).within == "no"


def test_a_turn_tells_how_much_a_trimmer_does() -> None:
    state = TrimmerState(Trimmer("r_on", 28e3, 10e3), 100e3, 0.2)
    before = state.reach(30e3, 32e3).change_ohm
    for _ in range(3):
        state.learn(30e3, 34e3, 2e3)  # twice as far as was advised: it is a 20k trimmer
    after = state.reach(30e3, 32e3).change_ohm
    assert after == pytest.approx(before / 2, rel=0.2)


def test_the_scale_is_the_weighted_mean_of_what_the_parts_say(design: Design) -> None:
    """By hand for r_off alone, 5 % against the capacitor's 10 %: four fifths of its deviation."""
    sides = dataclasses.replace(ChannelModel(design).marked, r_off=820e3 * 1.05)
    scale, u_scale = estimate_scale(design, sides, frozenset({"r_off"}), (), supply_share=0.0)
    assert math.log(scale) == pytest.approx(0.8 * math.log(1.05), rel=2e-3)
    sigma = (0.05 / math.sqrt(3), 0.1 / math.sqrt(3))
    assert u_scale == pytest.approx(sigma[0] * sigma[1] / math.hypot(*sigma), rel=2e-3)


# --- rounds from any start --------------------------------------------------------


@pytest.mark.parametrize("by_ohm", [True, False])
@pytest.mark.parametrize("kind", KINDS)
def test_it_reaches_both_ends_from_any_start(design: Design, kind: str, by_ohm: bool) -> None:
    """Within 5 us and 1 % of the period, in at most four rounds, whatever the parts."""
    for seed in range(8):
        source = np.random.default_rng([21, seed])
        build = Build.draw(design, KINDS[kind], source)
        aims = aims_within_reach(build, source)
        trimming = follow_model(build, Hand(source, by_ohm), aims)
        low_s, high_s, period_s = build.ends()
        assert trimming.is_done, seed
        assert trimming.has_reached, seed
        assert trimming.round <= 4, seed
        assert abs(low_s - aims.low_s) <= aims.within_s, seed
        assert abs(high_s - aims.high_s) <= aims.within_s, seed
        if aims.period_s is not None:
            assert abs(period_s - aims.period_s) <= aims.period_within_s, seed


def _trim(
    design: Design, kind: str, *, low_s: float, high_s: float, period_s: float = 0.0
) -> tuple[Build, Aims, Trimming]:
    """Trim a build, its trimmers at their middle, to what it gives there and so much more."""
    source = np.random.default_rng(22)
    build = Build.draw(design, KINDS[kind], source)
    build.place = dict.fromkeys(build.place, 0.5)
    low, high, period = build.ends()
    wanted_s = period + period_s if "r_off" in build.place else None
    aims = Aims(low + low_s, high + high_s, wanted_s, period_within_s=0.01 * period)
    return build, aims, follow_model(build, Hand(source, by_ohm=True), aims)


def test_r_on_alone_shares_what_the_span_is_off(design: Design) -> None:
    build, aims, trimming = _trim(design, "r_on alone", low_s=0.0, high_s=60e-6)
    assert trimming.is_done
    assert not trimming.has_reached
    low_s, high_s, _ = build.ends()
    assert low_s - aims.low_s == pytest.approx(30e-6, abs=2.5e-6)
    assert high_s - aims.high_s == pytest.approx(-30e-6, abs=2.5e-6)
    (change,) = suggest_parts(trimming)
    assert change.part == "c_timing"
    assert change.adds
    assert "too narrow" in change.text


def test_a_wide_span_gets_a_resistor_across_the_knob(design: Design) -> None:
    build, aims, trimming = _trim(design, "r_on alone", low_s=0.0, high_s=-60e-6)
    (change,) = suggest_parts(trimming)
    assert (change.part, change.unit) == ("across-knob", "ohm")
    digits = round(change.value / 10 ** (math.floor(math.log10(change.value)) - 2))
    assert digits in SERIES[change.series]
    # built so, both ends come within what the step of the series leaves: 5 % of 60 us, halved
    parts = {**build.parts, "across": change.value}
    again = Build(design, build.trimmers, parts, build.fixed_ohm, build.range_ohm, build.place, 6.0)
    again.supply_v = build.supply_v
    trimming = follow_model(again, Hand(np.random.default_rng(2), by_ohm=True), aims)
    low_s, high_s, _ = again.ends()
    assert abs(low_s - aims.low_s) < 6e-6
    assert abs(high_s - aims.high_s) < 6e-6


@pytest.mark.parametrize(
    ("kind", "moved", "part"),
    [
        ("all three", {"low_s": -150e-6, "high_s": -150e-6}, "r_on"),
        ("all three", {"low_s": 150e-6, "high_s": 150e-6}, "r_on"),
        ("r_on and r_off", {"low_s": 0.0, "high_s": 0.0, "period_s": 3e-3}, "r_off"),
    ],
)
def test_beyond_a_trimmers_end_the_fixed_resistor_is_named(
    design: Design, kind: str, moved: dict[str, float], part: str
) -> None:
    build, aims, trimming = _trim(design, kind, **moved)
    assert trimming.is_done
    assert not trimming.has_reached
    changes = {one.part: one for one in suggest_parts(trimming)}
    assert part in changes
    assert trimming.round <= 4
    stopped = {one.trimmer.where for one in trimming.trimmer_results() if one.at_end}
    assert part in stopped
    # with that resistor it reaches what was wanted
    for one in changes.values():
        assert one.unit == "ohm"
        where = "across" if one.part == "across-knob" else one.part
        ratio = one.value / next(t.fixed_ohm for t in build.trimmers if t.where == where)
        build.fixed_ohm[where] *= ratio  # type: ignore[index]
    trimmers = tuple(
        dataclasses.replace(
            one, fixed_ohm=changes[one.where].value if one.where in changes else one.fixed_ohm
        )
        for one in build.trimmers
    )
    build = dataclasses.replace(build, trimmers=trimmers)
    again = follow_model(build, Hand(np.random.default_rng(3), by_ohm=True), aims)
    assert again.has_reached


def test_nothing_is_suggested_where_all_holds(design: Design) -> None:
    _, _, trimming = _trim(design, "all three", low_s=20e-6, high_s=-30e-6)
    assert trimming.has_reached
    assert suggest_parts(trimming) == ()


# --- one step after the other -----------------------------------------------------


class _Bench:
    """A build whose knob and trimmers a test sets by hand, and the trimming that hears it."""

    def __init__(self, design: Design, kind: str = "r_on and r_off", hold_s: float = 2.0) -> None:
        self.build = Build.draw(design, KINDS[kind], np.random.default_rng(31))
        self.build.place = dict.fromkeys(self.build.place, 0.5)
        low, high, period = self.build.ends()
        self.aims = Aims(low + 30e-6, high + 30e-6, period)
        self.trimming = Trimming(design, KINDS[kind], self.aims, TrimSettings(hold_s))
        self.heard_s = 0.0
        self.since_s = 0.0
        self.knob_deg = 0.0

    def turn(self, knob_deg: float) -> None:
        self.knob_deg, self.since_s = knob_deg, self.heard_s

    def set(self, **places: float) -> None:
        self.build.place.update(places)  # type: ignore[arg-type]
        self.since_s = self.heard_s

    def wait(self, seconds: float) -> Step:
        on_s, off_s = self.build.truth(self.knob_deg)
        step = self.trimming.step()
        for _ in range(round(seconds / 0.5)):
            self.heard_s += 0.5
            told = Settling("settled", on_s, 1e-7, on_s + off_s, 1e-6, self.since_s, 30)
            step = self.trimming.take(told, self.heard_s)
        return step


def test_the_way_through_by_hand(design: Design) -> None:
    bench = _Bench(design)
    first = bench.trimming.step()
    assert (first.phase, first.place, first.knob_deg) == ("go", "low", 0.0)
    assert bench.wait(1.5).phase == "go"
    step = bench.wait(1.5)
    assert step.phase == "set"
    assert step.advice is not None
    assert step.advice.trimmer.where == "r_on"
    assert step.advice.way == "clockwise"
    assert not step.advice.is_way_known
    assert step.wanted_s == pytest.approx(bench.aims.low_s, abs=2e-7)
    # half of what was advised: the rest is further the same way
    share = step.advice.change_ohm / bench.build.range_ohm["r_on"]
    bench.set(r_on=0.5 + share / 2)
    step = bench.wait(0.5)
    assert step.advice is not None
    assert step.advice.way == "on"
    assert step.advice.number == 2
    assert step.moves == 1
    # too far: back
    bench.set(r_on=0.5 + 1.5 * share)
    step = bench.wait(0.5)
    assert step.advice is not None
    assert step.advice.way == "back"
    bench.set(r_on=0.5 + share)
    step = bench.wait(1.0)
    assert step.held_s > 0
    step = bench.wait(1.5)
    assert (step.phase, step.place) == ("go", "high")
    assert step.expected_s == pytest.approx(bench.build.truth(270.0)[0], rel=0.15)


def test_the_other_end_is_not_taken_for_this_one(design: Design) -> None:
    bench = _Bench(design)
    bench.wait(0.5)
    bench.turn(270.0)
    step = bench.wait(20.0)
    assert (step.phase, step.place, step.doubt) == ("go", "low", "other-end")
    bench.turn(0.0)
    assert bench.wait(3.0).phase == "set"


def test_a_knob_short_of_its_stop_is_waited_for(design: Design) -> None:
    bench = _Bench(design)
    bench.wait(1.0)
    bench.turn(100.0)
    step = bench.wait(6.0)
    assert (step.phase, step.doubt) == ("go", "not-there")
    # whoever leaves it there means it
    assert bench.wait(6.0).phase == "set"


def test_keys(design: Design) -> None:
    bench = _Bench(design)
    bench.wait(0.5)
    assert bench.trimming.confirm().phase == "set"
    assert bench.trimming.go_back().phase == "go"
    assert bench.trimming.step().place == "low"
    bench.trimming.confirm()
    assert bench.trimming.confirm().place == "high"
    step = bench.trimming.go_back()
    assert (step.phase, step.place) == ("go", "low")
    bench.trimming.confirm()
    step = bench.trimming.say_at_end()
    assert step.place == "high"
    (r_on, _) = bench.trimming.trimmer_results()
    assert r_on.at_end == "most"
    bench.trimming.go_back()
    assert bench.trimming.trimmer_results()[0].at_end is None


def test_keys_without_a_pulse_do_nothing(design: Design) -> None:
    bench = _Bench(design)
    before = bench.trimming.take(Settling("none"), 1.0)
    assert bench.trimming.confirm() == before
    assert bench.trimming.say_at_end() == before
    assert bench.trimming.go_back() == before


def test_a_trimmer_that_does_not_move_is_turned_the_other_way(design: Design) -> None:
    bench = _Bench(design)
    step = bench.wait(2.5)
    assert step.advice is not None
    assert step.advice.way == "clockwise"
    step = bench.wait(13.0)
    assert step.advice is not None
    assert step.advice.way == "anticlockwise"
    assert step.advice.number == 2


def test_no_two_trimmers_at_one_place(design: Design) -> None:
    aims = Aims(6e-4, 2e-3, None)
    for trimmers in ((), (Trimmer("r_on", 1e3, 1e4), Trimmer("r_on", 1e3, 1e4))):
        with pytest.raises(ValueError, match="one trimmer at each place"):
            Trimming(design, trimmers, aims)


# --- words ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "turns", "said"),
    [
        (0.01, 1, "a hair"),
        (0.13, 1, "about an eighth of its way"),
        (0.5, 1, "about half of its way"),
        (0.95, 1, "nearly all of its way"),
        (0.2, 25, "about 5 turns"),
        (0.06, 25, "about 1.5 turns"),
        (0.04, 25, "about 1 turn"),
        (0.01, 25, "about a quarter of a turn"),
        (0.001, 25, "a hair of a turn"),
    ],
)
def test_how_far_in_words(share: float, turns: float, said: str) -> None:
    assert name_share(share, turns) == said


def _picture(design: Design, **changes: Any) -> TrimPicture:
    bench = _Bench(design)
    step = bench.wait(3.0)
    advice = changes.pop("advice", None)
    if advice is not None and step.advice is not None:
        step = dataclasses.replace(step, advice=dataclasses.replace(step.advice, **advice))
    changed = {key: changes.pop(key) for key in list(changes) if key in Step.__slots__}
    step = dataclasses.replace(step, **changed)
    picture = TrimPicture("heron", "usb", step, bench.trimming.results(), 270.0, 2.0)
    return dataclasses.replace(picture, **changes)


def test_advice_in_words(design: Design) -> None:
    picture = _picture(design)
    what, mind = tell_step(picture)
    assert what.startswith("Turn the trimmer at r_on about ")
    assert "clockwise" in what
    assert what.endswith("kΩ more.")
    assert mind == "If the pulse gets further away, or does not move, turn the other way."
    advice = picture.step.advice
    assert isinstance(advice, Advice)
    far, _ = describe_advice(dataclasses.replace(advice, within="no"))
    assert far == "Turn the trimmer at r_on to its end, clockwise: more resistance."
    _, mind = describe_advice(dataclasses.replace(advice, within="perhaps"))
    assert "key e" in mind


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"phase": "go"}, "Turn the knob to its anticlockwise stop (0 degrees): the short pulse."),
        ({"phase": "go", "doubt": "other-end"}, "its ends are exchanged"),
        ({"phase": "go", "doubt": "not-there"}, "not yet what the stop should give"),
        ({"phase": "go", "pulse": "none", "quiet": "silence"}, "No pulses are heard: silence."),
        ({"phase": "go", "place": "middle", "knob_deg": 135.0}, "about its middle (135 degrees)"),
        ({"held_s": 0.5}, "leave the trimmer as it is"),
        ({"is_lost": True}, "The input is gone."),
        ({"phase": "done"}, "Done."),
    ],
)
def test_steps_in_words(design: Design, changes: dict[str, Any], said: str) -> None:
    assert said in " ".join(tell_step(_picture(design, **changes)))


def test_a_line_of_json_is_plain_numbers(design: Design) -> None:
    content = picture_to_json(_picture(design))
    assert json.loads(json.dumps(content, allow_nan=False)) == content
    assert content["quantity"] == "pulse"
    assert content["advice"]["trimmer"] == "r_on"
    assert content["advice"]["change_ohm"] > 0
    assert 0 < content["advice"]["share_of_turn"] < 1


@pytest.mark.parametrize("size", [(80, 24), (200, 60), (60, 20), (40, 12), (20, 6), (8, 3)])
@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"phase": "go", "doubt": "other-end"},
        {"pulse": "none", "now_s": None, "quiet": "hum"},
        {"place": "middle", "now_s": 0.0155, "wanted_s": 0.0152},
        {"phase": "done"},
        {"held_s": 1.0, "best": True, "message": "news", "has_keys": True},
        {"phase": "go", "target_s": None, "wanted_s": None},
    ],
)
def test_the_screen_fits(design: Design, size: tuple[int, int], changes: dict[str, Any]) -> None:
    for glyphs in (UNICODE, ASCII):
        lines = lay_out_trim(_picture(design, **changes), *size, glyphs)
        assert len(lines) == size[1]
        assert max(line_width(line) for line in lines) <= size[0]


def test_the_screen_says_what_counts(design: Design) -> None:
    shown = "\n".join(
        "".join(text for text, _ in line)
        for line in lay_out_trim(_picture(design, has_keys=True), 80, 24, UNICODE)
    )
    for text in ("trim heron", "Servo unplugged", "trimmer at r_on", "wanted", "> short end"):
        assert text in shown
    assert "Enter there / done" in shown


# --- the command's words ------------------------------------------------------------


def test_trimmers_of_the_design_and_of_the_command_line(heron_text: str) -> None:
    text = heron_text.replace('"33k"', '"28k + trimmer 10k"')
    design = parse_design(text, "heron")
    (marked,) = find_trimmers(design, {}, 1.0)
    assert (marked.where, marked.range_ohm) == ("r_on", 10e3)
    assert marked.fixed_ohm == pytest.approx(28e3)
    assert marked.fixed_tolerance == pytest.approx(0.05)
    given = find_trimmers(design, {"r_on": "trimmer 50k", "across": "100k + trimmer 1M"}, 25.0)
    assert given == (
        Trimmer("r_on", 0.0, 50e3, 0.05, 25.0),
        Trimmer("across", 100e3, 1e6, 0.05, 25.0),
    )


@pytest.mark.parametrize(
    "text", ["", "33k", "trimmer", "trimmer x", "x + trimmer 10k", "0 + trimmer 1k"]
)
def test_what_is_no_trimmer_is_refused(design: Design, text: str) -> None:
    with pytest.raises(UsageError, match="--r-on"):
        find_trimmers(design, {"r_on": text}, 1.0)


def _aims(design: Design, **given: Any) -> Aims:
    base: dict[str, Any] = {
        "low": None,
        "high": None,
        "period": None,
        "within": "5",
        "period_within": "1",
        "has_period_trimmer": False,
        "supply_v": None,
        "temperature_c": None,
    }
    return find_aims(design, **(base | given))


def test_without_words_the_marked_parts_are_wanted(design: Design) -> None:
    model = ChannelModel(design)
    marked = model.predict(model.marked)
    aims = _aims(design, has_period_trimmer=True)
    assert aims.low_s == pytest.approx(marked["low"][0])
    assert aims.high_s == pytest.approx(marked["high"][0])
    assert aims.period_s == pytest.approx(sum(marked["middle"]))
    assert aims.period_within_s == pytest.approx(0.01 * sum(marked["middle"]))
    assert _aims(design).period_s is None


def test_without_words_the_servos_range_is_kept(heron_text: str) -> None:
    text = heron_text.replace("pulse_max_us = 2500", "pulse_max_us = 2100")
    design = parse_design(text.replace("pulse_min_us = 500", "pulse_min_us = 700"), "curtain")
    aims = _aims(design)
    assert aims.low_s * _US == pytest.approx(705.0)
    assert aims.high_s * _US == pytest.approx(2095.0)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"low": "x"}, "--low 'x'"),
        ({"low": "100"}, "drives the servo against its stop"),
        ({"high": "4000"}, "drives the servo against its stop"),
        ({"low": "2000", "high": "1000"}, "a long end that is longer"),
        ({"period": "2"}, "--period '2'"),
        ({"within": "0"}, "--within '0'"),
        ({"period_within": "nan"}, "--period-within 'nan'"),
    ],
)
def test_wishes_that_are_refused(design: Design, given: dict[str, str], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        _aims(design, **given)


def test_a_design_that_stands_still_is_refused(wide_text: str) -> None:
    design = parse_design(wide_text.replace('"33k"', '"1"'), "heron")
    with pytest.raises(DesignError, match="does not oscillate"):
        _aims(design)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "trim without anything to listen to"),
        (("--input", "0", "--port", "x"), "--input and --port"),
        (("--input", "0", "--json", "--plain"), "--json together with --plain"),
        (("--input", "0"), "no trimmer in the design"),
        (("--input", "0", "--r-on", "28k"), "--r-on '28k'"),
        (("--input", "0", "--r-on", "trimmer 50k"), "nobody to ask whether the servo is unplugged"),
        (("--input", "0", "--hold", "0"), "--hold '0'"),
        (("--input", "0", "--turns", "x"), "--turns 'x'"),
    ],
)
def test_refusals(words: tuple[str, ...], said: str, bench_folder: Path) -> None:
    out = run_here("trim", "heron", *words, cwd=bench_folder)
    assert out.status == 2, out
    assert said in out.err.splitlines()[-1]
    assert out.out == ""


def test_a_port_that_is_not_there_is_refused(bench_folder: Path) -> None:
    words = ("--port", "/dev/there-is-none", "--r-on", "1k + trimmer 50k", "--servo-unplugged")
    out = run_here("trim", "heron", *words, cwd=bench_folder)
    assert out.status == 2
    assert "/dev/there-is-none" in out.err
    assert len(out.err.splitlines()) == 1


# --- a script at the simulated knob and trimmers -------------------------------------

_SERIES = ("r_on and r_off", {"r_on": "28k + trimmer 10k", "r_off": "750k + trimmer 200k"}, ())
_ACROSS = ("all three", _SERIES[1], ("--across-knob", "220k + trimmer 1M"))


def _write_design(folder: Path, text: str, marked: dict[str, str]) -> Design:
    for name, was in (("r_on", "33k"), ("r_off", "820k")):
        if name in marked:
            text = text.replace(f'{name} = "{was}"', f'{name} = "{marked[name]}"')
    (folder / "design.toml").write_text(text, encoding="utf-8")
    return parse_design(text, "heron")


def _words(aims: Aims, *more: str) -> tuple[str, ...]:
    wanted = ("--low", f"{aims.low_s * 1e6:.3f}", "--high", f"{aims.high_s * 1e6:.3f}")
    assert aims.period_s is not None
    period = ("--period", f"{aims.period_s * 1e3:.5f}")
    return (
        *("--design", "design.toml"),
        *wanted,
        *period,
        *("--hold", "0.6", "--seconds", "240"),
        *more,
    )


def _check_reached(done: Trimmed, build: Build, aims: Aims) -> None:
    assert done.status == 0, (done.summary, done.err)
    assert done.summary["reached"] is True
    assert done.summary["rounds"] <= 4
    low_s, high_s, period_s = build.ends()
    assert abs(low_s - aims.low_s) <= 5e-6
    assert abs(high_s - aims.high_s) <= 5e-6
    assert aims.period_s is not None
    assert abs(period_s - aims.period_s) <= aims.period_within_s
    told = {one["place"]: one for one in done.summary["results"]}
    # what it says of the ends is true: by the reading's uncertainty, and the clock's 100 ppm
    # that the played bench does not have
    assert told["low"]["value_us"] == pytest.approx(low_s * 1e6, abs=1.0)
    assert told["high"]["value_us"] == pytest.approx(high_s * 1e6, abs=1.5)
    keys = {key for step in done.steps for key in step}
    assert all(step.keys() == keys for step in done.steps)


@pytest.mark.sound_server
@pytest.mark.parametrize(("kind", "marked", "more"), [_SERIES, _ACROSS], ids=["series", "across"])
def test_through_the_sound_server(
    kind: str,
    marked: dict[str, str],
    more: tuple[str, ...],
    sound_server: SoundServer,
    wide_text: str,
    tmp_path: Path,
) -> None:
    design = _write_design(tmp_path, wide_text, marked)
    source = np.random.default_rng([41, len(more)])
    build = Build.draw(design, KINDS[kind], source)
    aims = aims_within_reach(build, source)
    with PlayedBench(
        sound_server, design, parts=build.values(), supply_v=build.supply_v, knob_deg=200.0
    ) as bench:
        done = follow_trim(
            bench,
            build,
            Hand(source),
            *("--input", "pulse", *_words(aims, *more)),
            cwd=tmp_path,
            environment=sound_server.environment,
        )
    _check_reached(done, build, aims)


@pytest.mark.pty
def test_through_a_probe(wide_text: str, tmp_path: Path) -> None:
    kind, marked, _ = _SERIES
    design = _write_design(tmp_path, wide_text, marked)
    source = np.random.default_rng(42)
    build = Build.draw(design, KINDS[kind], source)
    aims = aims_within_reach(build, source)
    bench = PlayedBench(None, design, parts=build.values(), supply_v=build.supply_v, knob_deg=9.0)
    with bench.over_pty() as port:
        done = follow_trim(
            bench,
            build,
            Hand(source, by_ohm=True),
            *("--port", port, *_words(aims)),
            cwd=tmp_path,
        )
    _check_reached(done, build, aims)


@pytest.mark.pty
def test_left_before_the_end_is_status_1(wide_text: str, tmp_path: Path) -> None:
    from tests.command_line import run_process

    design = _write_design(tmp_path, wide_text, _SERIES[1])
    bench = PlayedBench(None, design)
    with bench.over_pty() as port:
        out = run_process(
            *("trim", "--design", "design.toml", "--port", port, "--plain"),
            *("--servo-unplugged", "--seconds", "2.5"),
            cwd=tmp_path,
        )
    assert out.status == 1, out
    assert out.out.startswith("Turn the knob to its anticlockwise stop (0 degrees)")
    assert "left before all was set" in out.out
    assert list(tmp_path.iterdir()) == [tmp_path / "design.toml"]
