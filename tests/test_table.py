"""The calibration table: verdicts, uncertainty, end stops, flags, reasons, the stored text."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq
from uncertainties import ufloat

from benchlog.calibration.marks import find_dead_travel, merge_positions
from benchlog.calibration.reasons import explain_table
from benchlog.calibration.table import Point, Table, build_table
from benchlog.calibration.table_text import format_table, parse_table
from benchlog.calibration.verdict import Budget, Limit, judge, tell_need
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.errors import StoreError
from benchlog.timing.notices import Notice

US = 1e-6
ANGLES = np.linspace(0.0, 270.0, 13)


@pytest.fixture(scope="module")
def heron(heron_text: str) -> Design:
    return parse_design(heron_text, "heron")


def tight(text: str) -> Design:
    """Give the marked parts narrow tolerances, so that a wrong one shows."""
    return parse_design(
        text.replace('r_on = "33k"', 'r_on = "33k"\nr_on_tolerance = "1%"')
        .replace('r_knob = "100k"', 'r_knob = "100k"\nr_knob_tolerance = "2%"')
        .replace('r_off = "820k"', 'r_off = "820k"\nr_off_tolerance = "1%"')
        .replace('c_timing = "22n"', 'c_timing = "22n"\nc_timing_tolerance = "2%"'),
        "tight",
    )


def sweep(
    design: Design,
    *,
    angles: np.ndarray = ANGLES,
    parts: dict[str, float] | None = None,
    supply_v: float | None = 6.0,
    **others: object,
) -> list[Point]:
    """Return points as a channel with such parts would give them, measured to 0.1 us."""
    cycle = predict_cycle(design, angles, supply_v=supply_v, parts=parts)
    return [
        Point(
            knob_deg=float(angle),
            pulse_s=float(on_s),
            u_pulse_s=0.1 * US,
            period_s=float(on_s + off_s),
            supply_v=supply_v,
            temperature_c=27.0,
            pulse_count=100,
            **others,  # type: ignore[arg-type]
        )
        for angle, on_s, off_s in zip(angles, cycle.on_s, cycle.off_s, strict=True)
    ]


def codes(table: Table) -> list[str]:
    return [reason.code for reason in explain_table(table)]


# --- verdicts: JCGM 106:2012, acceptance with a guard band of U = 2 u ---


@pytest.mark.parametrize(
    ("deviation_us", "u_us", "verdict"),
    [
        (0.0, 1.0, "on design"),
        (17.9, 1.0, "on design"),  # 17.9 + 2 is just within 20
        (-17.9, 1.0, "on design"),
        (18.1, 1.0, "within part tolerance"),
        (0.0, 10.1, "within part tolerance"),
        (97.9, 1.0, "within part tolerance"),
        (98.1, 1.0, "undecided"),
        (101.9, 1.0, "undecided"),
        (102.1, 1.0, "off design"),
        (-47.9, 1.0, "within part tolerance"),
        (-49.0, 1.0, "undecided"),
        (-52.1, 1.0, "off design"),
        (0.0, 60.0, "undecided"),
    ],
)
def test_verdict_keeps_a_guard_band(deviation_us: float, u_us: float, verdict: str) -> None:
    limit = Limit(deviation_s=20 * US, low_s=-50 * US, high_s=100 * US)
    assert judge(deviation_us * US, u_us * US, limit) == verdict


def test_the_parts_band_is_never_narrower_than_the_limit() -> None:
    limit = Limit(deviation_s=20 * US, low_s=-1 * US, high_s=2 * US)
    assert judge(10 * US, 1 * US, limit) == "on design"
    assert judge(19 * US, 1 * US, limit) == "undecided"
    assert judge(23 * US, 1 * US, limit) == "off design"


@given(
    deviation=st.floats(-500, 500),
    u=st.floats(0, 200),
    low=st.floats(-300, 0),
    high=st.floats(0, 300),
)
def test_better_knowledge_never_turns_a_verdict(
    deviation: float, u: float, low: float, high: float
) -> None:
    limit = Limit(deviation_s=20 * US, low_s=low * US, high_s=high * US)
    known, better = (judge(deviation * US, scale * u * US, limit) for scale in (1.0, 0.5))
    if known == "off design":
        assert better == "off design"
    if known == "on design":
        assert better == "on design"
    if known == "within part tolerance":
        assert better in ("on design", "within part tolerance")


def budget(**shares_us: float) -> Budget:
    return Budget(
        pulse_s=shares_us.get("pulse", 0.0) * US,
        knob_s=shares_us.get("knob", 0.0) * US,
        supply_v_s=shares_us.get("supply", 0.0) * US,
        temperature_s=shares_us.get("temperature", 0.0) * US,
        knob_deg_s=7 * US,
        supply_slope_s=-100 * US,
        temperature_slope_s=-1.5 * US,
        pulse_count=50,
    )


def test_what_would_decide_is_the_share_that_stands_in_the_way() -> None:
    limit = Limit(deviation_s=20 * US, low_s=-50 * US, high_s=50 * US)
    # 44 is 6 below the limit, so U must come below 6, u below 3.
    assert "supply known to within ±" in tell_need(44 * US, budget(supply=17.0, pulse=1.0), limit)
    assert "knob read to within ±" in tell_need(44 * US, budget(knob=4.0, pulse=1.0), limit)
    # u falls with the root of the count (JCGM 100, 4.2.3): from 6 to 2.94 takes 50 (6/2.94)^2 = 209
    assert "about 209 pulses in place of 50" in tell_need(44 * US, budget(pulse=6.0), limit)
    assert "nothing single" in tell_need(49 * US, budget(knob=4.0, supply=4.0), limit)


def test_following_the_advice_decides() -> None:
    limit = Limit(deviation_s=20 * US, low_s=-50 * US, high_s=50 * US)
    before = budget(knob=4.0, pulse=1.0)
    assert judge(44 * US, before.u_s, limit) == "undecided"
    half_deg = float(tell_need(44 * US, before, limit).split("±")[1].rstrip("°"))
    after = replace(before, knob_s=half_deg * 7 * US / math.sqrt(3))
    assert judge(44 * US, after.u_s, limit) == "within part tolerance"


# --- rows ---


def test_a_channel_as_designed_is_on_design(heron: Design) -> None:
    table = build_table(heron, sweep(heron))
    assert {row.verdict for row in table.rows} == {"on design"}
    assert all(abs(row.deviation_s) < 1e-12 and row.flags == () for row in table.rows)
    assert table.sound
    assert codes(table) == ["on-design"]


@pytest.mark.parametrize("supply_v", [6.0, None])
def test_uncertainty_agrees_with_the_uncertainties_package(
    heron: Design, supply_v: float | None
) -> None:
    # Rectangular half-widths over root 3 (JCGM 100:2008, 4.3.7), combined by the general-purpose
    # `uncertainties` package over slopes taken here from the model itself.
    point = replace(sweep(heron, angles=np.array([120.0]))[0], supply_v=supply_v)
    row = build_table(heron, [point], knob_reading_deg=1.0).rows[0]

    def on_s(knob: float = 120.0, supply: float = 6.0, temperature: float = 27.0) -> float:
        return float(predict_cycle(heron, knob, supply_v=supply, temperature_c=temperature).on_s)

    knob = ufloat(120.0, 1.0 / math.sqrt(3))
    supply = ufloat(6.0, (0.005 if supply_v else 0.05) * 6.0 / math.sqrt(3))
    temperature = ufloat(27.0, 1.0 / math.sqrt(3))
    design = (
        on_s()
        + (on_s(knob=120.1) - on_s(knob=119.9)) / 0.2 * (knob - 120.0)
        + (on_s(supply=6.01) - on_s(supply=5.99)) / 0.02 * (supply - 6.0)
        + (on_s(temperature=27.1) - on_s(temperature=26.9)) / 0.2 * (temperature - 27.0)
    )
    deviation = ufloat(point.pulse_s, point.u_pulse_s) - design
    # central differences over other steps differ by the curvature alone, far below 1 %
    assert row.u_deviation_s == pytest.approx(deviation.std_dev, rel=0.01)


def test_a_supply_that_nobody_read_costs_certainty(heron: Design) -> None:
    known = build_table(heron, sweep(heron))
    unknown = build_table(heron, [replace(p, supply_v=None) for p in sweep(heron)])
    pairs = list(zip(known.rows, unknown.rows, strict=True))
    assert all(vague.u_deviation_s > sure.u_deviation_s for sure, vague in pairs)
    # at the top a volt is worth some 60 us, so ±0.3 V (10 us standard) outweigh the knob's 4 us
    assert pairs[-1][1].u_deviation_s > 2 * pairs[-1][0].u_deviation_s


def test_the_design_is_reckoned_at_the_records_own_supply(heron: Design) -> None:
    table = build_table(heron, sweep(heron, supply_v=5.2))
    assert all(abs(row.deviation_s) < 1e-12 for row in table.rows)
    # a lower supply lengthens the pulse, so at the design's 6 V it would be shorter
    assert all(row.nominal_pulse_s < row.design_pulse_s for row in table.rows)


def test_the_arm_angle_follows_the_servos_line(heron: Design) -> None:
    # 500 to 2500 us over 180 degrees (common practice): 0.09 degrees a microsecond
    point = Point(90.0, 1500 * US, 1.0 * US, 0.02, supply_v=6.0)
    row = build_table(heron, [point]).rows[0]
    assert row.servo_deg == pytest.approx(90.0)
    assert row.u_servo_deg == pytest.approx(0.09)


def test_rows_stand_in_the_order_of_the_knob(heron: Design) -> None:
    points = sweep(heron)
    shuffled = [points[i] for i in np.random.default_rng(3).permutation(len(points))]
    assert build_table(heron, shuffled).rows == build_table(heron, points).rows


@pytest.mark.parametrize(
    ("points", "words"),
    [([], "empty"), ([Point(math.nan, 1e-3, 0.0, 0.02)], "finite")],
)
def test_a_callers_mistake_is_a_value_error(heron: Design, points: list[Point], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        build_table(heron, points)


# --- what is wrong, and why ---


@pytest.mark.parametrize(("scale", "words"), [(1.09, "9 % long"), (0.91, "9 % short")])
def test_a_capacitor_far_off_is_named(heron_text: str, scale: float, words: str) -> None:
    design = tight(heron_text)
    table = build_table(design, sweep(design, parts={"c_timing": scale * 22e-9}))
    assert {row.verdict for row in table.rows} == {"off design"}
    assert not table.sound
    reasons = explain_table(table)
    named = [reason.text for reason in reasons if reason.code == "capacitor"]
    assert len(named) == 1
    assert words in named[0]
    assert "timing capacitor" in named[0]
    # a pulse that is too long may drive the servo past its stop, but nothing else is to be said
    assert {reason.code for reason in reasons} <= {"capacitor", "end-stop-high", "end-stop-low"}


@pytest.mark.parametrize(
    "parts", [{"r_on": 43e3}, {"r_off": 700e3}, {"r_knob": 120e3}], ids=lambda p: next(iter(p))
)
def test_another_part_is_not_called_the_capacitor(heron_text: str, parts: dict[str, float]) -> None:
    design = tight(heron_text)
    assert "capacitor" not in codes(build_table(design, sweep(design, parts=parts)))


def test_a_supply_other_than_the_record_says_moves_the_pulse_alone(heron_text: str) -> None:
    design = tight(heron_text)
    points = [replace(point, supply_v=6.0) for point in sweep(design, supply_v=5.0)]
    assert "pulse-scale" in codes(build_table(design, points))


def test_past_the_end_stop_is_flagged_with_the_angle(heron: Design) -> None:
    servo = replace(heron.servo, pulse_min_s=700 * US, pulse_max_s=2200 * US)
    design = replace(heron, servo=servo)
    table = build_table(design, sweep(design))

    def over(knob: float, level_s: float) -> float:
        return float(predict_cycle(design, knob).on_s) - level_s

    # the roots by scipy's bracketing solver
    low_deg = brentq(over, 0.0, 270.0, args=(700 * US,))
    high_deg = brentq(over, 0.0, 270.0, args=(2200 * US,))
    curve = table.curve
    for found, u, true_deg in (
        (table.end_stop_low_deg, curve.u_end_stop_low_deg, low_deg),
        (table.end_stop_high_deg, curve.u_end_stop_high_deg, high_deg),
    ):
        assert found is not None
        assert u is not None
        assert abs(found - true_deg) < 2 * u
        # one way was swept: 2 degrees, rectangular, for the middle of both
        assert u < 1.3
    for row in table.rows:
        assert ("end-stop-low" in row.flags) == (row.point.knob_deg < low_deg)
        assert ("end-stop-high" in row.flags) == (row.point.knob_deg > high_deg)
    assert codes(table) == ["end-stop-low", "end-stop-high"]
    assert not table.sound


def test_the_end_stop_is_found_on_the_measured_curve(heron: Design) -> None:
    servo = replace(heron.servo, pulse_max_s=2200 * US)
    design = replace(heron, servo=servo)
    table = build_table(design, sweep(design, parts={"c_timing": 23e-9}))

    def over(knob: float) -> float:
        return float(predict_cycle(design, knob, parts={"c_timing": 23e-9}).on_s) - 2200 * US

    u = table.curve.u_end_stop_high_deg
    assert u is not None
    assert table.end_stop_high_deg == pytest.approx(brentq(over, 0.0, 270.0), abs=2 * u)
    assert table.end_stop_low_deg is None


def test_scatter_over_the_limit_tells_contact_from_track(heron: Design) -> None:
    contact = build_table(heron, sweep(heron, pulse_sd_s=5 * US, rest_sd_s=60 * US))
    assert all(row.flags == ("jitter",) for row in contact.rows)
    assert codes(contact) == ["wiper-contact"]
    track = build_table(
        heron,
        sweep(heron, pulse_sd_s=6 * US, rest_sd_s=5.1 * US, pulse_rest_correlation=-0.95),
    )
    assert codes(track) == ["wiper"]
    other = build_table(
        heron, sweep(heron, pulse_sd_s=6 * US, rest_sd_s=5 * US, pulse_rest_correlation=0.9)
    )
    assert codes(other) == ["jitter"]
    assert codes(build_table(heron, sweep(heron, pulse_sd_s=3.9 * US))) == ["on-design"]


def test_a_scattering_period_is_flagged(heron: Design) -> None:
    table = build_table(heron, sweep(heron, period_sd_s=300 * US, rest_sd_s=300 * US))
    assert all(row.flags == ("period-jitter",) for row in table.rows)
    assert not table.sound


def test_a_notice_that_spoils_is_a_flag_and_one_that_does_not_is_none(heron: Design) -> None:
    notices = (Notice("clipping", "It clips.", spoils=True), Notice("mains", "It hums a little."))
    table = build_table(heron, sweep(heron, notices=notices))
    assert all(row.flags == ("clipping",) for row in table.rows)
    assert not table.sound


def test_hysteresis_beyond_the_reading_is_flagged(heron: Design) -> None:
    up = [replace(point, direction="up") for point in sweep(heron)]
    # two readings of 1 degree, 7 us a degree: U of the difference is 2 sqrt(2) 7/sqrt(3) = 11 us
    for shift_us, flagged in ((5.0, False), (20.0, True)):
        down = [replace(p, direction="down", pulse_s=p.pulse_s + shift_us * US) for p in up]
        table = build_table(heron, up + down)
        assert len(table.rows) == 26
        assert all(("hysteresis" in row.flags) == flagged for row in table.rows)


def test_dead_travel_is_flagged_at_its_end(heron_text: str) -> None:
    design = parse_design(heron_text, "heron")
    real = parse_design(
        heron_text.replace("travel_deg = 270", "travel_deg = 270\ndead_low_deg = 50"), "real"
    )
    angles = np.arange(0.0, 271.0, 22.5)
    table = build_table(design, sweep(real, angles=angles))
    dead = [row.point.knob_deg for row in table.rows if "dead-travel" in row.flags]
    assert dead == [0.0, 22.5, 45.0]
    assert table.curve.dead_low_deg == pytest.approx(50.0, abs=2 * table.curve.u_dead_low_deg)


def test_marks_that_all_lie_in_dead_travel_are_told_so(heron: Design) -> None:
    points = [replace(p, pulse_s=800 * US) for p in sweep(heron, angles=np.array([0.0, 9.0, 18.0]))]
    table = build_table(heron, points)
    assert all("dead-travel" in row.flags for row in table.rows)
    text = next(one.text for one in explain_table(table) if one.code == "dead-travel")
    assert "at any of the marks" in text
    assert np.all(np.diff(table.curve.pulse_s) >= 0.0)


def test_the_curve_is_fitted_once_and_only_when_asked_for(heron: Design) -> None:
    table = build_table(heron, sweep(heron))
    assert table.curve is table.curve
    assert table.settings == table.curve.settings
    # a row without a pulse serves as a reference for live readings, and has no curve
    blank = build_table(heron, [Point(90.0, 0.0, 0.0, 0.0)])
    assert blank.rows[0].design_pulse_s > 0.0
    with pytest.raises(ValueError, match="above 0"):
        _ = blank.curve


# --- along the knob ---


def test_positions_taken_twice_are_averaged() -> None:
    angles, values = merge_positions(np.array([90.0, 0.0, 90.0]), np.array([3.0, 1.0, 5.0]))
    assert angles.tolist() == [0.0, 90.0]
    assert values.tolist() == [1.0, 4.0]


def test_dead_travel_needs_four_positions_and_certainty() -> None:
    angles = np.array([0.0, 10.0, 20.0, 30.0, 40.0])
    pulses = np.array([500.0, 500.5, 570.0, 640.0, 710.0])
    sharp, vague = np.full(5, 0.5), np.full(5, 10.0)
    assert find_dead_travel(angles, pulses, sharp).tolist() == [True, True, False, False, False]
    assert find_dead_travel(angles, pulses[::-1], sharp).tolist() == [False] * 3 + [True] * 2
    assert not find_dead_travel(angles, pulses, vague).any()
    assert not find_dead_travel(angles[:3], pulses[:3], sharp).any()


def test_dead_travel_is_held_against_the_design_where_there_is_one() -> None:
    angles, still = np.array([0.0, 10.0, 20.0]), np.full(3, 500.0)
    design = np.array([500.0, 570.0, 640.0])
    assert find_dead_travel(angles, still, np.full(3, 0.5), design).all()
    # the flat beginning of a log track is meant to be flat: 3 of 4 is alive, 3 of 70 is dead
    moved = np.array([500.0, 503.0, 506.0])
    flat = np.array([500.0, 504.0, 508.0])
    sharp = np.full(3, 0.01)
    assert not find_dead_travel(angles, moved, sharp, flat).any()
    assert find_dead_travel(angles, moved, sharp, design).all()


# --- the stored text ---


def test_a_table_reads_back_as_it_was_written(heron: Design) -> None:
    points = sweep(heron, direction="up", source='a "quoted", name\n.flac')
    points[3] = replace(points[3], supply_v=None, temperature_c=None, pulse_sd_s=9 * US)
    table = build_table(heron, points)
    text = format_table(table, "20260901T100000Z")
    stored = parse_table(text, "heron.csv")
    assert (stored.channel, stored.stamp) == ("heron", "20260901T100000Z")
    assert parse_design(stored.design_text, "back") == replace(heron, text=stored.design_text)
    for row, back in zip(table.rows, stored.rows, strict=True):
        assert back.pulse_s == pytest.approx(row.point.pulse_s, abs=1e-10)
        assert back.u_deviation_s == pytest.approx(row.u_deviation_s, abs=1e-10)
        assert (back.verdict, back.flags) == (row.verdict, row.flags)
        assert (back.supply_v, back.temperature_c) == (row.point.supply_v, row.point.temperature_c)
        assert (back.direction, back.pulse_count) == ("up", 100)
    assert stored.rows[0].source == 'a "quoted", name\\n.flac'


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("# benchlog calibration table", "# shopping list", "no calibration table"),
        ("knob_deg,direction", "knob,direction", "header"),
        ("on design", "fine", "'fine' under verdict in line"),
        (",100,", ",many,", "'many' under pulse_count in line"),
        (",100,", ",nan,", "'nan' under pulse_count in line"),
        (",100,", ",100,1,", "cells in line"),
        ("# channel: heron", "# heron", "lacks the line"),
    ],
)
def test_a_table_edited_into_nonsense_is_refused(
    heron: Design, old: str, new: str, words: str
) -> None:
    text = format_table(build_table(heron, sweep(heron)), "20260901T100000Z")
    assert old in text
    with pytest.raises(StoreError, match=words):
        parse_table(text.replace(old, new, 1), "heron.csv")
    assert parse_table(text, "heron.csv").rows
