"""What moved between two tables: worked by hand, told apart, and never a false alarm."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from statsmodels.regression.linear_model import WLS
from statsmodels.stats.multitest import multipletests

from benchlog.calibration.difference import compare_sweeps, look_at
from benchlog.calibration.drift import (
    CHANGED,
    UNCHANGED,
    UNDECIDED,
    compare_tables,
    compare_with_design,
    taken_at,
)
from benchlog.calibration.drift_base import find_base, make_base
from benchlog.calibration.drift_pace import _line
from benchlog.calibration.drift_rows import ROWS_LEVEL, find_significant
from benchlog.calibration.moved import choose_cause, judge_change
from benchlog.calibration.moved_text import figure
from benchlog.calibration.side_by_side import compare_channels
from benchlog.calibration.table import Point
from benchlog.calibration.table_text import StoredRow, StoredTable, parse_table
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.errors import StoreError
from tests.drifted_builds import MARKS_DEG, Change, draw_pair

_SHIPPED = Path(__file__).parents[1] / "calibration"


@pytest.fixture(scope="module")
def design() -> Design:
    """Give the shipped design of heron: parts that were picked, ten marks in its sweep."""
    return parse_design((_SHIPPED / "heron" / "design.toml").read_text(encoding="utf-8"), "heron")


def exact(
    design: Design,
    stamp: str = "20260901T100000Z",
    *,
    marks: np.ndarray = MARKS_DEG,
    supply_v: float | None = 6.0,
    read_v: float | None = 6.0,
    scale: float = 1.0,
    **parts: float,
) -> StoredTable:
    """Return the table of a channel without any error of reading."""
    cycle = predict_cycle(design, marks, supply_v=supply_v, parts=parts)
    wanted = predict_cycle(design, marks, supply_v=read_v).on_s
    rows = tuple(
        StoredRow(
            float(angle), "up", float(on) * scale, 1e-7, float(on + off) * scale,
            float(aim), float(on) * scale - float(aim), 4e-6, "on design", (), read_v, 22.0, 100,
            "", 1.5e-7,
        )
        for angle, on, off, aim in zip(marks, cycle.on_s, cycle.off_s, wanted, strict=True)
    )  # fmt: skip
    return StoredTable(design.channel, stamp, design.text, rows)


# --- worked by hand ---


def test_a_capacitor_of_1_5_percent_more_is_just_that(design: Design) -> None:
    before = exact(design)
    after = exact(design, "20260911T100000Z", c_timing=1.015 * 22e-9)
    drift = compare_tables([before, after], before)
    # on and off are both proportional to C but for the comparators' delay of 0.1 us or so
    for row, old in zip(drift.rows, before.rows, strict=True):
        assert row.change_s == pytest.approx(0.015 * old.pulse_s, rel=0.02)
        assert row.rest_change_s == pytest.approx(0.015 * (old.period_s - old.pulse_s), rel=0.02)
        assert row.surroundings_s == pytest.approx(0.0, abs=1e-12)
        assert row.verdict == CHANGED
    moved = drift.moved
    assert (moved.significant, moved.cause, moved.unit) == (True, "capacitor", "percent")
    assert moved.amount == pytest.approx(1.5, abs=0.02)
    # ten days; the longest pulse moves most
    assert moved.pace is not None
    assert moved.pace.knob_deg == 270.0
    assert moved.pace.per_day_s == pytest.approx(0.0015 * before.rows[-1].pulse_s, rel=0.02)
    assert "capacitor" in moved.text
    assert "levels" in moved.text
    assert "1.5 % longer" in moved.text


def test_the_same_table_twice_has_not_moved(design: Design) -> None:
    before, after = exact(design), exact(design, "20260911T100000Z")
    drift = compare_tables([before, after], before)
    assert not drift.moved.significant
    assert drift.moved.p_value == pytest.approx(1.0)
    assert drift.moved.cause is None
    assert {row.verdict for row in drift.rows} == {UNCHANGED}
    assert "Nothing has moved" in drift.moved.text


def test_the_knob_reading_alone_moves_pulses_but_says_nothing(design: Design) -> None:
    # each mark of the later sweep set 0.9 degree high or low: 6 us of pulse, and not significant
    marks = MARKS_DEG.copy()
    marks[1:-1] += 0.9 * np.array([1, -1, 1, 1, -1, 1, -1, -1])
    before = exact(design)
    seen = exact(design, "20260911T100000Z", marks=marks)
    after = replace(
        seen,
        rows=tuple(
            replace(row, knob_deg=float(mark))
            for row, mark in zip(seen.rows, MARKS_DEG, strict=True)
        ),
    )
    drift = compare_tables([before, after], before)
    assert max(abs(row.change_s or 0.0) for row in drift.rows) > 5e-6
    assert not drift.moved.significant
    assert CHANGED not in {row.verdict for row in drift.rows}
    # the same change of the pulse alone, the rest of the cycle as it was, is no knob's
    odd = replace(
        after,
        rows=tuple(
            replace(row, period_s=row.pulse_s + old.period_s - old.pulse_s)
            for row, old in zip(after.rows, before.rows, strict=True)
        ),
    )
    assert compare_tables([before, odd], before).moved.significant


def test_a_supply_that_was_recorded_is_taken_out_and_told(design: Design) -> None:
    before = exact(design)
    after = exact(design, "20260911T100000Z", supply_v=5.6, read_v=5.6)
    drift = compare_tables([before, after], before)
    cycle = predict_cycle(design, MARKS_DEG, supply_v=5.6).on_s
    usual = predict_cycle(design, MARKS_DEG, supply_v=6.0).on_s
    for row, new, old in zip(drift.rows, cycle, usual, strict=True):
        assert row.surroundings_s == pytest.approx(float(new - old), abs=0.1e-6)
        assert row.own_change_s == pytest.approx(0.0, abs=0.1e-6)
        assert row.verdict == UNCHANGED
    assert (drift.moved.significant, drift.moved.cause) == (True, "supply")
    assert drift.moved.amount == pytest.approx(-0.4, abs=0.02)
    assert "nothing of the channel has changed" in drift.moved.text
    # 0.12 V moves the pulse by 8 us at most, less than half of what counts as on design
    small = exact(design, "20260911T100000Z", supply_v=5.88, read_v=5.88)
    moved = compare_tables([before, small], before).moved
    assert not moved.significant
    assert "is taken out" in moved.text


@pytest.mark.parametrize("read_v", [6.0, None])
def test_a_supply_that_nobody_read_is_found(design: Design, read_v: float | None) -> None:
    before = exact(design, read_v=read_v)
    after = exact(design, "20260911T100000Z", supply_v=5.6, read_v=read_v)
    moved = compare_tables([before, after], before).moved
    assert (moved.significant, moved.cause, moved.unit) == (True, "supply", "V")
    assert moved.amount == pytest.approx(-0.4, abs=0.02)
    assert ("no meter reading" in moved.text) == (read_v is None)


def test_surroundings_that_nobody_read_do_not_hide_a_supply(design: Design) -> None:
    rng = np.random.default_rng(5)
    for change in (Change("supply", -0.4), Change()):
        bare = []
        for table in draw_pair(design, rng, change, unread=True):
            rows = tuple(replace(row, temperature_c=None) for row in table.rows)
            bare.append(replace(table, rows=rows))
        moved = compare_tables(bare, bare[0]).moved
        assert (moved.significant, moved.cause or "") == (change.cause != "", change.cause)


def test_digits_stand_as_far_as_the_uncertainty_lets_them() -> None:
    assert figure(1.4838, 0.0422) == "1.48 ± 0.05"
    assert figure(1.4838, 0.0122) == "1.484 ± 0.013"
    assert figure(244.4, 12.0) == "244 ± 12"
    assert figure(-3.2, 0.5, sign=True) == "-3.2 ± 0.5"


def test_holm_against_the_reference_library() -> None:
    # statsmodels.stats.multitest.multipletests
    rng = np.random.default_rng(1979)
    for _ in range(30):
        levels = rng.uniform(size=8) ** 8
        expected = multipletests(levels, alpha=ROWS_LEVEL, method="holm")[0]
        assert find_significant(levels).tolist() == expected.tolist()


def test_the_line_against_the_reference_library() -> None:
    # statsmodels WLS with known weights; slope, and its uncertainty where the scatter is larger
    days, u = np.array([10.0, 20.0, 45.0]), np.array([1.0, 2.0, 1.0])
    sizes = np.array([4.0, 1.0, 30.0])
    x = np.append(0.0, days)
    weight = 2.0 / np.append(1.0, u) ** 2
    fit = WLS(np.append(0.0, sizes), np.column_stack([np.ones(4), x]), weight).fit()
    slope, u_slope = _line(days, sizes, u)
    assert slope == pytest.approx(fit.params[1], rel=1e-12)
    assert fit.scale > 1.0
    assert u_slope == pytest.approx(fit.bse[1], rel=1e-12)
    assert _line(np.array([10.0]), np.array([4.0]), np.array([1.0])) == pytest.approx((0.4, 0.1))


# --- pace and limits ---


def test_a_line_over_three_tables_and_when_the_limit_is_left(design: Design) -> None:
    tables = [
        exact(design, f"2026090{1 + 2 * k}T100000Z", c_timing=22e-9 * (1.0 + 0.002 * k))
        for k in range(3)
    ]
    drift = compare_tables(tables, tables[0])
    pace = drift.moved.pace
    assert pace is not None
    assert pace.tables == 3
    assert pace.days == pytest.approx(4.0)
    longest_s = tables[0].rows[-1].pulse_s
    assert pace.per_day_s == pytest.approx(0.001 * longest_s, rel=0.02)
    # 0.4 % of 2385 us is 9.5 us off; 20 us at 2.4 us a day from there takes 4.4 days
    assert pace.limit == "deviation"
    assert pace.leaves_in_days == pytest.approx(
        (20e-6 - 0.004 * longest_s) / pace.per_day_s, abs=0.2
    )
    assert "in about 4 days" in drift.moved.text
    assert "3 tables" in drift.moved.text


def test_tables_of_one_hour_tell_no_pace(design: Design) -> None:
    before = exact(design)
    after = exact(design, "20260901T102000Z", c_timing=1.015 * 22e-9)
    assert compare_tables([before, after], before).moved.pace is None


def test_a_sweep_is_as_old_as_its_records(design: Design) -> None:
    table = exact(design)
    rows = tuple(
        replace(r, source=f"20260815T1200{i:02d}Z-0deg.flac") for i, r in enumerate(table.rows)
    )
    taken = taken_at(replace(table, rows=rows))
    assert taken is not None
    assert taken.isoformat() == "2026-08-15T12:00:00+00:00"
    assert taken_at(replace(table, stamp="someday")) is None


# --- told apart, with every reading's error ---


@pytest.mark.parametrize(
    ("change", "unread"),
    [
        (Change("capacitor", 0.015), False),
        (Change("capacitor", -0.015), True),
        (Change("supply", -0.4), False),
        (Change("supply", -0.4), True),
        (Change("supply", -0.4, recorded=True), False),
        (Change("r_on", 0.03), False),
        (Change("r_on", -0.2), False),
        (Change("r_off", 0.01), False),
        (Change("r_off", -0.05), True),
        (Change("r_knob", 0.02), False),
        (Change("knob-end", 8.0, "low"), False),
        (Change("knob-end", 8.0, "high"), False),
        (Change("knob-end", 8.0, "low-hinge"), False),
        (Change("knob-end", 8.0, "high-hinge"), False),
    ],
    ids=lambda value: f"{value.cause}{value.size}{value.end}" if isinstance(value, Change) else "",
)
def test_causes_are_told_apart(design: Design, change: Change, unread: bool) -> None:
    rng = np.random.default_rng(66)
    for marks in (MARKS_DEG, np.linspace(0.0, 270.0, 13)):  # the shipped marks, and thirteen
        pair = draw_pair(design, rng, change, marks_deg=marks, unread=unread)
        moved = compare_tables(pair, pair[0]).moved
        assert (moved.significant, moved.cause) == (True, change.cause), moved.text
        if change.cause != "knob-end":
            size = change.size * (1.0 if change.cause == "supply" else 100.0)
            assert moved.amount is not None
            assert moved.u_amount is not None
            assert abs(moved.amount - size) < 4.0 * moved.u_amount


def test_unchanged_pairs_raise_no_alarm(design: Design) -> None:
    # the level is 1 % at most: of 40 pairs 0.4 alarms, and three or more in one such test of 130
    rng = np.random.default_rng(400)
    alarms = 0
    for number in range(40):
        pair = draw_pair(design, rng, unread=number % 4 == 3)
        drift = compare_tables(pair, pair[0])
        alarms += drift.moved.significant or CHANGED in {row.verdict for row in drift.rows}
    assert alarms <= 2


def test_two_causes_at_once_are_both_named(design: Design) -> None:
    before = exact(design)
    after = exact(design, "20260911T100000Z", r_on=1.06 * 33e3, r_off=0.97 * 820e3)
    moved = compare_tables([before, after], before).moved
    assert moved.cause in ("r_on", "r_off")
    assert "besides" in moved.text
    assert "r_on" in moved.text
    assert "r_off" in moved.text


def test_one_mark_that_was_set_wrongly_is_that_mark(design: Design) -> None:
    marks = MARKS_DEG.copy()
    marks[4] += 6.0
    seen = exact(design, "20260911T100000Z", marks=marks)
    rows = tuple(replace(r, knob_deg=float(m)) for r, m in zip(seen.rows, MARKS_DEG, strict=True))
    drift = compare_tables([exact(design), replace(seen, rows=rows)], exact(design))
    assert drift.moved.cause is None
    assert "120°" in drift.moved.text
    assert [row.knob_deg for row in drift.rows if row.verdict == CHANGED] == [120.0]


def test_a_cause_leaves_the_same_whatever_is_common_to_both(design: Design) -> None:
    # parts far from the marked ones, in both tables: the difference is what counts
    def odd(stamp: str, c_timing: float) -> StoredTable:
        return exact(design, stamp, r_on=36e3, r_knob=112e3, r_off=790e3, c_timing=c_timing)

    before = odd("20260901T100000Z", 24e-9)
    after = odd("20260911T100000Z", 24e-9 * 1.01)
    moved = compare_tables([before, after], before).moved
    assert moved.cause == "capacitor"
    assert moved.amount == pytest.approx(1.0, abs=0.02)


# --- marks and designs that differ ---


def test_other_marks_are_compared_through_the_curve(design: Design) -> None:
    before = exact(design, marks=np.arange(0.0, 271.0, 30.0))
    after = exact(design, "20260911T100000Z", marks=np.array([15.0, 60.0, 100.0, 250.0]))
    drift = compare_tables([before, after], before)
    assert [row.between for row in drift.rows] == [True, False, True, True]
    for row in drift.rows:
        # the model is exact here, so the curve between two marks is
        assert row.change_s == pytest.approx(0.0, abs=0.2e-6)
    assert not drift.moved.significant
    assert any("no mark at 15°, 100°, 250°" in note for note in drift.notes)


def test_marks_beyond_the_earlier_ones_stay_undecided(design: Design) -> None:
    before = exact(design, marks=np.array([60.0, 120.0, 180.0]))
    after = exact(design, "20260911T100000Z", marks=np.array([0.0, 90.0, 180.0]))
    drift = compare_tables([before, after], before)
    assert [row.verdict for row in drift.rows] == [UNDECIDED, UNCHANGED, UNCHANGED]
    assert drift.rows[0].change_s is None
    assert "The earlier table does not reach 0°." in drift.notes
    far = exact(design, "20260911T100000Z", marks=np.array([240.0, 270.0]))
    with pytest.raises(StoreError, match="no knob angle in common"):
        compare_tables([before, far], before)


def test_single_marks_compare(design: Design) -> None:
    before = exact(design, marks=np.array([135.0]))
    same = exact(design, "20260911T100000Z", marks=np.array([135.0]))
    assert not compare_tables([before, same], before).moved.significant
    other = exact(design, "20260911T100000Z", marks=np.array([135.0]), c_timing=1.05 * 22e-9)
    drift = compare_tables([before, other], before)
    assert drift.moved.significant
    assert drift.rows[0].verdict == CHANGED


def test_up_goes_with_up(design: Design) -> None:
    both = []
    for stamp in ("20260901T100000Z", "20260911T100000Z"):
        up, down = exact(design, stamp), exact(design, stamp, marks=MARKS_DEG[1:-1] + 3.0)
        rows = [replace(r, knob_deg=r.knob_deg - 3.0, direction="down") for r in down.rows]
        both.append(replace(up, rows=(*up.rows, *rows)))
    drift = compare_tables(both, both[0])
    assert not drift.moved.significant
    assert all(abs(row.change_s or 0.0) < 1e-9 for row in drift.rows)
    # against a table that only went down, the play shows, and that is said
    downs = replace(both[0], rows=tuple(r for r in both[0].rows if r.direction == "down"))
    ups = replace(both[1], rows=tuple(r for r in both[1].rows if r.direction == "up"))
    assert any("different ways" in note for note in compare_tables([downs, ups], downs).notes)


def test_a_design_that_was_changed_is_said(design: Design) -> None:
    before = exact(design)
    text = design.text.replace('r_on = "33k"', 'r_on = "36k"')
    after = replace(exact(design, "20260911T100000Z", r_on=36e3), design_text=text)
    drift = compare_tables([before, after], before)
    assert drift.moved.cause == "r_on"
    assert any("r_on from 33 kΩ" in note and "36 kΩ" in note for note in drift.notes)


# --- against the design, and side by side ---


def read_shipped(channel: str) -> StoredTable:
    path = sorted((_SHIPPED / channel).glob("2*.csv"))[0]
    return parse_table(path.read_text(encoding="utf-8"), str(path))


def test_shipped_channels_against_their_design() -> None:
    moon = compare_with_design(read_shipped("moon"))
    assert (moon.moved.significant, moon.moved.cause) == (True, "capacitor")
    assert {row.verdict for row in moon.rows} == {CHANGED}
    heron = compare_with_design(read_shipped("heron"))
    assert not heron.moved.significant
    assert {row.verdict for row in heron.rows} == {UNCHANGED}


def test_shipped_channels_side_by_side() -> None:
    moon, curtain = compare_channels([read_shipped(c) for c in ("heron", "moon", "curtain")])
    # moon's capacitor is 9 % high: 1/1.09 less 1, within the others' tolerances of 1 %
    assert moon.part == "c_timing"
    assert moon.change_percent == pytest.approx(-8.3, abs=1.0)
    assert moon.worst.knob_deg == 270.0
    assert moon.left_s < 8e-6
    assert curtain.part is None
    assert "alike" in curtain.text
    with pytest.raises(ValueError, match="two or more"):
        compare_channels([read_shipped("heron")])


def test_the_base_is_the_channel_that_was_swept(design: Design) -> None:
    table = exact(design, r_on=36e3, c_timing=24e-9)
    base = find_base(design, table.points(), 1.0)
    logs = base.logs(MARKS_DEG, supply_v=6.0, temperature_c=22.0)
    # two parts far beyond their tolerances: the slopes taken from it need 1 % and no more
    assert np.exp(logs[:, 0]) == pytest.approx([r.pulse_s for r in table.rows], rel=0.01)
    # the knob's curve in straight pieces is the model's
    shift = np.full(MARKS_DEG.shape, 1.3)
    moved = base.turned(MARKS_DEG[:-1], shift[:-1], beyond=False)
    direct = base.logs(MARKS_DEG[:-1] + 1.3) - base.logs(MARKS_DEG[:-1])
    assert moved == pytest.approx(direct, abs=2e-6)


def test_wires_exchanged_do_not_hide_a_drift(design: Design) -> None:
    # the knob's ends exchanged in the built channel: what moves is still found
    built = replace(design, knob=replace(design.knob, longer="anticlockwise"))
    before = replace(exact(built), design_text=design.text)
    after = exact(built, "20260911T100000Z", r_on=1.05 * 33e3)
    moved = compare_tables([before, replace(after, design_text=design.text)], before).moved
    assert moved.cause == "r_on"


def test_what_chance_gives_is_spread_as_the_test_says(design: Design) -> None:
    # differences drawn from the very covariance: the test's p is uniform (Kolmogorov-Smirnov,
    # 300 draws: above 0.094 in one of a hundred), and no cause is fitted far from 0
    points = exact(design).points()
    seen = look_at(points, 1.0)
    difference = compare_sweeps(make_base(design, {}), seen, seen)
    assert difference is not None
    root = np.linalg.cholesky(difference.covariance)
    rng = np.random.default_rng(3)
    levels = []
    for _ in range(300):
        logs = (root @ rng.normal(size=root.shape[0])).reshape(-1, 2)
        levels.append(judge_change(replace(difference, logs=logs))[0])
    ordered = np.sort(levels)
    steps = np.arange(1, 301) / 300.0
    assert max(np.max(steps - ordered), np.max(ordered - steps + 1.0 / 300.0)) < 0.094
    chosen = choose_cause(difference)
    assert chosen is not None
    assert math.isclose(chosen.best.amount, 0.0, abs_tol=1e-9)


def test_points_keep_what_a_table_says(design: Design) -> None:
    row = exact(design).rows[3]
    point: Point = row.point()
    assert (point.knob_deg, point.pulse_s, point.u_period_s) == (90.0, row.pulse_s, 1.5e-7)
    vague = replace(row, u_period_s=None)
    assert vague.point().u_period_s == pytest.approx(math.sqrt(3.0) * row.u_pulse_s)
    assert replace(vague, flags=("jitter",)).point().u_period_s == pytest.approx(2e-6)
