"""Remedies: what to change, how surely that helps, and that the claim holds."""

from __future__ import annotations

import dataclasses
import math
import re
from dataclasses import dataclass, field

import eseries
import numpy as np
import pytest
from numpy.typing import NDArray

from benchlog.calibration.remedy import (
    Aim,
    Remedy,
    design_aim,
    explain_reach,
    meet_share,
    propose_remedies,
    servo_aim,
)
from benchlog.channel.built_ends import find_ends, try_builds
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.errors import DesignError
from benchlog.show.remedy_view import remedies_to_json, remedy_lines
from tests.remedied_builds import build_after, draw_within, meets

LN2 = math.log(2.0)

# Little drop beside the supply, and hardly any reverse current: 0.15 V of 60 V at emission 0.5, and
# 1 nA beside 25 uA. So the parts go by the closed forms: off = 0.693 RB C (TI SLFS022I 8.3.2), and
# on = ln((2 Vcc - 3 Vd)/(Vcc - 3 Vd)) RA C of the diode-steered timer (the encyclopaedia's
# "555 timer IC", which cites the Signetics data book of 1973), Vd being 0.7 % of on here.
LITTLE_DROP = """
channel = "heron"
[supply]
volts = 60.0
[timer]
r_on = "33k"
r_on_tolerance = "0.1%"
r_knob = "100k"
r_knob_tolerance = "0.1%"
r_off = "820k"
r_off_tolerance = "0.1%"
c_timing = "22n"
c_timing_tolerance = "0.1%"
[diode]
saturation_current = "1n"
emission = 0.5
series = 0
[knob]
travel_deg = 270
[servo]
pulse_min_us = 300
pulse_max_us = 2500
"""


@dataclass(frozen=True, slots=True)
class Seen:
    """A suspect part."""

    part: str
    fault: str


@dataclass(frozen=True, slots=True)
class Measured:
    """Parts that are known within a few thousandths, each by itself."""

    parts: dict[str, float]
    u: float = 0.001
    suspects: tuple[Seen, ...] = ()
    supply_v: float = 6.0
    u_supply_v: float = 0.01
    names: tuple[str, ...] = field(default=("r_on", "r_knob", "r_off", "c_timing"))

    def values(self) -> dict[str, float]:
        return dict(self.parts)

    def draw(self, count: int, source: np.random.Generator) -> dict[str, NDArray[np.float64]]:
        return {
            name: value * (1.0 + self.u * source.standard_normal(count))
            for name, value in self.parts.items()
        }


MARKED = {"r_on": 33e3, "r_knob": 100e3, "r_off": 820e3, "c_timing": 22e-9}


@pytest.fixture
def plain() -> Design:
    return parse_design(LITTLE_DROP, "plain")


def narrow(text: str, *, knob: str = "3%", film: str = "2.5%", fixed: str = "1%") -> str:
    """Return a design's text with the tolerances of picked parts."""
    for part, tolerance in (
        ("r_on", fixed), ("r_knob", knob), ("r_off", fixed), ("c_timing", film)
    ):  # fmt: skip
        text = text.replace(f"\n{part} =", f'\n{part}_tolerance = "{tolerance}"\n{part} =')
    return text


@pytest.fixture
def heron(heron_text: str) -> Design:
    return parse_design(narrow(heron_text), "heron")


def ideal_aim(r_on: float, r_knob: float, r_off: float, c: float, within_s: float = 10e-6) -> Aim:
    """Return what the parts give by the closed forms."""
    middle_s = on_s(r_on + r_knob / 2, c) + LN2 * c * (r_off + r_knob / 2)
    return Aim(on_s(r_on, c), on_s(r_on + r_knob, c), middle_s, within_s, 0.02)


def on_s(r_a: float, c: float) -> float:
    """Return the pulse of an ideal timer at 60 V."""
    drop_v = 0.5 * 0.02586 * math.log(30.0 / r_a / 1e-9)  # half of the supply across Ra
    return math.log((120.0 - 3 * drop_v) / (60.0 - 3 * drop_v)) * r_a * c


def what(remedy: Remedy) -> list[tuple[str, float, str]]:
    return [(change.part, change.new, change.place) for change in remedy.changes]


# --- by hand ---


@pytest.mark.parametrize(
    ("wanted", "change"),
    [
        ({"r_on": 39e3}, ("r_on", 39e3, "instead")),
        ({"r_on": 27e3}, ("r_on", 27e3, "instead")),
        ({"r_off": 1e6}, ("r_off", 1e6, "instead")),
        ({"c_timing": 18e-9}, ("c_timing", 18e-9, "instead")),
        ({"r_knob": 47e3}, ("r_knob", 47e3, "instead")),
        # 100 kohm with 470 kohm across it
        ({"r_knob": 100e3 * 470e3 / 570e3}, ("r_knob", 470e3, "parallel")),
    ],
)
def test_one_part_that_does_it_alone(
    plain: Design, wanted: dict[str, float], change: tuple[str, float, str]
) -> None:
    values = {**MARKED, **wanted}
    aim = ideal_aim(values["r_on"], values["r_knob"], values["r_off"], values["c_timing"])
    if change[2] == "parallel":  # it lengthens the period at the middle, which is not wanted here
        aim = dataclasses.replace(aim, period_s=None)
    first = propose_remedies(plain, aim)[0]
    assert what(first) == [change]
    # at worst five parts of 0.1 % at their edges: 0.3 % of 1.9 ms are 6 us of 10
    assert first.share == 1.0
    assert first.changes[0].before == pytest.approx(MARKED[change[0]], rel=1e-3)


def test_the_words_of_one_part(plain: Design) -> None:
    remedy = propose_remedies(plain, ideal_aim(39e3, 100e3, 820e3, 22e-9))[0]
    found = re.match(
        r"Put 39 kΩ in place of r_on \(33 kΩ\): the shortest pulse becomes (\d+) ± (\d+) µs, the "
        r"longest (\d+) ± (\d+) µs",
        remedy.text,
    )
    assert found is not None, remedy.text
    low, low_band, high, high_band = map(int, found.groups())
    # by the closed forms 598.7 and 2133.7 us, 0.1 % less for what goes round by Rb
    assert low == pytest.approx(598.7, abs=1.5)
    assert high == pytest.approx(2133.7, abs=3.0)
    # a resistor and a capacitor of 0.1 % each: 95 of 100 within 0.155 % (sum of two equal boxes)
    assert low_band == math.ceil(0.00155 * 598.7)
    assert 3 <= high_band <= 4
    assert "a pulse comes every 14.6 ± " in remedy.text
    assert remedy.text.endswith(
        "Of 100 such channels 100 then have both ends within ±10 µs and the period within ±2 %."
    )
    assert len(remedy.positions) == 13
    assert remedy.positions[0].on_s == pytest.approx(on_s(39e3, 22e-9), rel=1e-3)
    assert remedy.positions[-1].on_s == pytest.approx(on_s(139e3, 22e-9), rel=1e-3)
    assert remedy.positions[6].period_s == pytest.approx(LN2 * 959e3 * 22e-9, rel=2e-3)


def test_two_parts_where_one_does_not_do(plain: Design) -> None:
    aim = ideal_aim(39e3, 100e3, 1.2e6, 22e-9)
    remedies = propose_remedies(plain, aim)
    assert what(remedies[0]) in (
        [("r_on", 39e3, "instead"), ("r_off", 1.2e6, "instead")],
        [("r_on", 39e3, "instead"), ("r_off", 390e3, "series")],
    )
    assert remedies[0].share == 1.0


def test_what_meets_its_aim_needs_no_remedy(plain: Design) -> None:
    aim = design_aim(plain)
    assert meet_share(plain, aim) == 1.0
    assert propose_remedies(plain, aim) == ()


def test_no_remedy_for_less_than_one(plain: Design) -> None:
    with pytest.raises(ValueError, match="most"):
        propose_remedies(plain, design_aim(plain), most=0)


def test_the_exact_values_are_told(plain: Design) -> None:
    text = explain_reach(plain, ideal_aim(35e3, 93e3, 500e3, 22e-9))
    assert "r_on 35 kΩ, r_knob 93 kΩ and r_off 500 kΩ" in text


def test_what_nothing_reaches_is_said(plain: Design) -> None:
    # ends that differ by 1 us need a knob of 65 ohm, or a capacitor far too small
    aim = Aim(1500e-6, 1501e-6, 20e-3, 1e-6)
    assert propose_remedies(plain, aim) == ()
    assert explain_reach(plain, aim).startswith("No values of r_on")


def test_a_resistor_across_the_track() -> None:
    # the three resistors between r_on's end, wiper and r_off's end, by their conductances,
    # against the star that the builds are reckoned with
    track, shunt, x = 100e3, 390e3, 0.3
    upper, lower = x * track, (1 - x) * track
    triangle = np.array(
        [
            [1 / upper + 1 / shunt, -1 / upper, -1 / shunt],
            [-1 / upper, 1 / upper + 1 / lower, -1 / lower],
            [-1 / shunt, -1 / lower, 1 / lower + 1 / shunt],
        ]
    )
    both = track * shunt / (track + shunt)
    arms = np.array([x * both, x * (1 - x) * track**2 / (track + shunt), (1 - x) * both])
    conductances = 1 / arms
    star = np.diag(conductances) - np.outer(conductances, conductances) / conductances.sum()
    np.testing.assert_allclose(star, triangle, rtol=1e-9)


def test_a_resistor_across_the_track_moves_the_middle(heron: Design) -> None:
    builds = {"r_knob": np.array([100e3]), "knob_shunt": np.array([390e3])}
    angles = np.array([0.0, 135.0, 270.0])
    times = try_builds(heron, angles, builds)
    both = 100e3 * 390e3 / 490e3
    plain = predict_cycle(heron, angles, parts={"r_knob": both})
    np.testing.assert_allclose(times.on_s[0, [0, 2]], plain.on_s[[0, 2]], rtol=1e-9)
    # 5.1 kohm in the wiper's lead: some 40 us of pause a 100 ohm
    assert 0.5e-3 < times.off_s[0, 1] - plain.off_s[1] < 4e-3


# --- aims ---


def test_the_servo_s_aim_keeps_off_the_stops(heron: Design) -> None:
    aim = servo_aim(heron)
    # 500 to 2500 us, a margin of 5 % of that at either end, and as much room
    assert (aim.low_s, aim.high_s) == pytest.approx((600e-6, 2400e-6))
    assert aim.within_s == pytest.approx(100e-6)
    assert aim.period_s is None
    assert aim.low_s - aim.within_s == pytest.approx(heron.servo.pulse_min_s)
    assert aim.high_s + aim.within_s == pytest.approx(heron.servo.pulse_max_s)


def test_the_design_s_aim_is_what_the_marked_parts_give(heron: Design) -> None:
    aim = design_aim(heron)
    times = predict_cycle(heron, [0.0, 270.0, 135.0])
    assert (aim.low_s, aim.high_s) == pytest.approx((times.on_s[0], times.on_s[1]))
    assert aim.period_s == pytest.approx(times.period_s[2])
    assert aim.within_s == heron.limits.deviation_s


@pytest.mark.parametrize(
    ("low", "high", "period", "message"),
    [
        (2400e-6, 600e-6, 20e-3, "other way round"),
        (600e-6, 600e-6, 20e-3, "that differ"),
        (600e-6, 2400e-6, 2e-3, "longer than the longest pulse"),
        (0.0, 2400e-6, 20e-3, "above 0"),
        (math.nan, 2400e-6, 20e-3, "above 0"),
    ],
)
def test_an_aim_that_cannot_be(low: float, high: float, period: float, message: str) -> None:
    with pytest.raises(DesignError, match=message):
        Aim(low, high, period)


def test_an_end_stop_has_a_remedy(heron: Design) -> None:
    servo = dataclasses.replace(heron.servo, pulse_max_s=2100e-6)
    curtain = dataclasses.replace(heron, servo=servo)
    aim = servo_aim(curtain)
    assert meet_share(curtain, aim) < 0.02
    first = propose_remedies(curtain, aim)[0]
    assert first.share > 0.8
    assert all(position.end_stop is None for position in first.positions)
    # nothing but the span: r_off stays, since any period will do
    assert all(change.part != "r_off" for change in first.changes)


# --- measured channels ---


def test_a_capacitor_9_percent_high_is_replaced(heron: Design) -> None:
    found = Measured({**MARKED, "c_timing": 24e-9}, suspects=(Seen("c_timing", "value"),))
    aim = dataclasses.replace(design_aim(heron), within_s=60e-6)
    remedies = propose_remedies(heron, aim, found)
    named = [what(one)[0] for one in remedies]
    assert ("c_timing", 22e-9, "instead") in named
    change = next(one for one in remedies if what(one)[0][0] == "c_timing").changes[0]
    assert change.before == pytest.approx(24e-9, rel=1e-3)
    assert "(22 nF marked, 24 nF found)" in change.text


def test_the_wrong_part_comes_first_however_wide_its_tolerance(heron: Design) -> None:
    found = Measured({**MARKED, "c_timing": 24e-9}, suspects=(Seen("c_timing", "value"),))
    remedies = propose_remedies(heron, design_aim(heron), found)
    assert what(remedies[0]) == [("c_timing", 22e-9, "instead")]
    # 2.5 % of 2384 us is 60 us, and 20 are allowed: a third of such capacitors, less what the
    # other parts' uncertainty takes
    assert remedies[0].share == pytest.approx(1 / 3, abs=0.04)
    assert "picked with a meter" in remedies[0].text
    assert remedies[-1].share > 0.9
    only = propose_remedies(heron, design_aim(heron), found, most=1)
    assert [what(one) for one in only] == [what(remedies[0])]


def test_a_wrong_resistor_is_replaced(heron: Design) -> None:
    found = Measured({**MARKED, "r_off": 470e3}, suspects=(Seen("r_off", "value"),))
    first = propose_remedies(heron, design_aim(heron), found)[0]
    assert [change.part for change in first.changes] == ["r_off"]
    assert first.share > 0.97
    assert "The chance that it then has" in first.text


@pytest.mark.parametrize(
    ("fault", "part", "values", "words"),
    [
        ("swapped", "r_on", {"r_on": 820e3, "r_off": 33e3}, "Exchange r_on and r_off"),
        ("ends-swapped", "knob", {}, "Exchange the two outer leads of the knob"),
        ("open", "diode", {"saturation_current": 2.52e-9}, "Put a new diode"),
        ("reversed", "diode", {}, "Put a new diode"),
        ("taper", "knob", {}, "Put 100 kΩ in place of r_knob"),
    ],
)
def test_wiring_is_put_right_first(
    heron: Design, fault: str, part: str, values: dict[str, float], words: str
) -> None:
    found = Measured({**MARKED, **values}, suspects=(Seen(part, fault),))
    remedies = propose_remedies(heron, design_aim(heron), found)
    assert remedies[0].text.startswith(words)
    assert all(one.text.startswith(words) for one in remedies)
    if fault in ("swapped", "ends-swapped"):
        assert remedies[0].changes[0].how == "rewire"
        assert remedies[0].share > 0.9
        assert len(remedies[0].changes) == 1


def test_a_trimmer_is_only_turned(heron_text: str) -> None:
    design = parse_design(narrow(heron_text).replace('"33k"', '"27k + trimmer 10k"'), "trimmed")
    # r_on stands at 35 kohm: 3 kohm more than the 32 kohm of the middle, out of 10
    aim = dataclasses.replace(design_aim(design), within_s=25e-6)
    found = Measured({**MARKED, "r_on": 35e3})
    first = propose_remedies(design, aim, found)[0]
    (change,) = first.changes
    assert (change.how, change.part, change.trimmer_ohm) == ("trimmer", "r_on", 10e3)
    assert change.before == pytest.approx(35e3, rel=0.01)
    assert change.after == pytest.approx(32e3, rel=0.01)
    assert "less resistance, about a quarter of its whole turn" in change.text or (
        "less resistance, about a third of its whole turn" in change.text
    )
    assert first.share > 0.95


def test_a_trimmer_that_does_not_reach(heron_text: str) -> None:
    design = parse_design(narrow(heron_text).replace('"33k"', '"27k + trimmer 10k"'), "trimmed")
    aim = Aim(900e-6, 2670e-6, None, 40e-6)
    remedies = propose_remedies(design, aim, Measured({**MARKED, "r_on": 32e3}))
    assert remedies
    assert any(
        change.part == "r_on" and change.new and change.trimmer_ohm == 10e3
        for change in remedies[0].changes
    )
    assert "place of the fixed 27 kΩ of r_on" in remedies[0].text


# --- what holds for all ---


@pytest.fixture(scope="module")
def proposed(heron_text: str) -> list[tuple[Design, Aim, tuple[Remedy, ...]]]:
    """Return some designs and aims with what is proposed for them."""
    fine = narrow(heron_text)
    heron = parse_design(fine, "heron")
    wide = parse_design(heron_text, "wide")
    trimmed = parse_design(fine.replace('"33k"', '"27k + trimmer 10k"'), "trimmed")
    cases = [
        (heron, Aim(700e-6, 2400e-6, 20e-3, 60e-6)),
        (heron, Aim(550e-6, 2000e-6, None, 60e-6)),
        (wide, Aim(650e-6, 2300e-6, 16e-3, 150e-6, 0.1)),
        (trimmed, Aim(580e-6, 2200e-6, 15e-3, 80e-6)),
    ]
    return [(design, aim, propose_remedies(design, aim)) for design, aim in cases]


def test_every_claim_holds_on_builds_made_otherwise(
    proposed: list[tuple[Design, Aim, tuple[Remedy, ...]]],
) -> None:
    source = np.random.default_rng(7)
    for design, aim, remedies in proposed:
        assert remedies
        for remedy in remedies:
            before = draw_within(design, 4000, source)
            builds = build_after(design, remedy, before, aim, source)
            met = float(np.mean(meets(design, builds, aim)))
            # 3 in a hundred are promised; a claim on 8000 builds against 4000 others scatters
            # by 1 in a hundred at most
            assert abs(met - remedy.share) < 0.03, remedy.text


def test_new_parts_are_made_and_the_order_is_kept(
    proposed: list[tuple[Design, Aim, tuple[Remedy, ...]]],
) -> None:
    for _, _, remedies in proposed:
        counts = [len(one.changes) for one in remedies]
        assert len(remedies) <= 3
        assert counts == sorted(counts)
        for remedy in remedies:
            assert remedy.changes
            assert 0.0 < remedy.share <= 1.0
            for change in remedy.changes:
                if change.new and change.part != "r_knob":
                    series = eseries.E12 if change.part == "c_timing" else eseries.E24
                    near = eseries.find_nearest(series, change.new)
                    assert change.new == pytest.approx(near, rel=1e-9)


def test_the_same_question_gets_the_same_answer(heron: Design) -> None:
    aim = Aim(550e-6, 2000e-6, None, 60e-6)
    assert propose_remedies(heron, aim) == propose_remedies(heron, aim)


def test_remedies_as_lines_and_as_json(heron: Design) -> None:
    import json

    remedies = propose_remedies(heron, Aim(550e-6, 2000e-6, None, 60e-6))
    lines = remedy_lines(remedies, table=True)
    assert lines[0].startswith("What to change: ")
    assert all(line.startswith("Or: ") for line in lines[1 : len(remedies)])
    assert "power off and the servo unplugged" in lines[len(remedies)]
    table = lines[len(remedies) + 3 :]
    assert len(table) == 2 + 13
    assert max(map(len, table)) <= 76
    told = json.loads(json.dumps(remedies_to_json(remedies), allow_nan=False))
    assert told[0]["share"] == remedies[0].share
    assert told[0]["changes"][0]["unit"] in ("ohm", "F", "")
    assert len(told[0]["positions"]) == 13


def test_a_build_that_does_not_run_does_not_meet(heron: Design) -> None:
    # 5 ohm against the discharge transistor: the capacitor is never emptied
    ends = find_ends(heron, {"r_on": np.array([5.0, 33e3])})
    met = ends.meet(design_aim(heron))
    assert met.tolist() == [False, True]


def test_a_found_travel_does_not_disturb(heron: Design) -> None:
    found = Measured({**MARKED, "c_timing": 24e-9, "dead_low_deg": 5.0, "supply_v": 6.0})
    assert propose_remedies(heron, design_aim(heron), found)
