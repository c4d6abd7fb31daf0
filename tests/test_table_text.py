"""A stored table: it keeps all that a later comparison needs, and nonsense is told by its line."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.calibration.table import Point, Table, build_table
from benchlog.calibration.table_text import (
    COLUMNS,
    REQUIRED,
    StoredTable,
    _cells,
    format_table,
    parse_table,
)
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.errors import StoreError

_SHIPPED = sorted((Path(__file__).parents[1] / "calibration").glob("*/2*.csv"))


@pytest.fixture(scope="module")
def table(heron_text: str) -> Table:
    """Give a table of four marks with all that a record can tell."""
    design: Design = parse_design(heron_text, "heron")
    marks = np.array([0.0, 90.0, 180.0, 270.0])
    cycle = predict_cycle(design, marks)
    points = [
        Point(
            knob_deg=float(angle),
            pulse_s=float(on),
            u_pulse_s=1.5e-7,
            period_s=float(on + off),
            direction="up",
            supply_v=6.02,
            temperature_c=21.5,
            pulse_sd_s=1.1e-6,
            rest_sd_s=2.2e-6,
            period_sd_s=2.4e-6,
            pulse_rest_correlation=-0.25,
            pulse_count=100,
            source=f"20260901T1000{i:02d}Z-{angle:g}deg.flac",
            u_period_s=3.5e-7,
            clock_share=25e-6,
        )
        for i, (angle, on, off) in enumerate(zip(marks, cycle.on_s, cycle.off_s, strict=True))
    ]
    return build_table(design, points, knob_reading_deg=0.5)


@pytest.fixture(scope="module")
def text(table: Table) -> str:
    """Give its text."""
    return format_table(table, "20260901T110000Z")


def test_a_table_gives_its_points_back(table: Table, text: str) -> None:
    stored = parse_table(text, "heron.csv")
    assert stored.knob_reading_deg == 0.5
    for row, back in zip(table.rows, stored.points(), strict=True):
        point = row.point
        # times are written to a tenth of a nanosecond
        for name in ("pulse_s", "u_pulse_s", "period_s", "u_period_s"):
            assert getattr(back, name) == pytest.approx(getattr(point, name), abs=0.6e-10)
        for name in ("pulse_sd_s", "rest_sd_s", "period_sd_s"):
            assert getattr(back, name) == pytest.approx(getattr(point, name), abs=0.6e-10)
        assert back.clock_share == pytest.approx(25e-6)
        assert back.pulse_rest_correlation == -0.25
        same = ("knob_deg", "direction", "supply_v", "temperature_c", "pulse_count", "source")
        assert [getattr(back, name) for name in same] == [getattr(point, name) for name in same]
    assert parse_design(stored.design_text, "back") == replace(
        table.design, text=stored.design_text
    )


@given(
    pulse_us=st.floats(10.0, 5000.0),
    rest_us=st.floats(100.0, 30000.0),
    u_us=st.floats(0.0, 50.0),
    knob=st.floats(0.0, 270.0),
    volts=st.none() | st.floats(3.0, 15.0),
)
@settings(max_examples=40)
def test_any_row_comes_back(
    table: Table,
    text: str,
    pulse_us: float,
    rest_us: float,
    u_us: float,
    knob: float,
    volts: float | None,
) -> None:
    row = table.rows[0]
    point = replace(
        row.point,
        knob_deg=round(knob, 2),
        pulse_s=pulse_us * 1e-6,
        u_pulse_s=u_us * 1e-6,
        period_s=(pulse_us + rest_us) * 1e-6,
        supply_v=None if volts is None else round(volts, 3),
    )
    cells = ",".join(_cells(replace(row, point=point)))
    one = text[: text.index("\n0,") + 1].replace("# rows: 4", "# rows: 1") + cells + "\n"
    back = parse_table(one, "t.csv").rows[0]
    assert back.pulse_s == pytest.approx(point.pulse_s, abs=0.6e-10)
    assert back.period_s == pytest.approx(point.period_s, abs=0.6e-10)
    assert (back.knob_deg, back.supply_v) == (point.knob_deg, point.supply_v)


def strip_added(text: str) -> str:
    """Return a table as older versions wrote it: without the newer columns and the row count."""
    lines = []
    for line in text.splitlines():
        if line.startswith("# rows: "):
            continue
        if not line.startswith("#"):
            cells = line.split(",")
            assert len(cells) == len(COLUMNS)
            line = ",".join(c for c, name in zip(cells, COLUMNS, strict=True) if name in REQUIRED)
        lines.append(line)
    return "\n".join(lines) + "\n"


def test_an_older_table_reads(text: str) -> None:
    new, old = parse_table(text, "new.csv"), parse_table(strip_added(text), "old.csv")
    assert [row.pulse_s for row in old.rows] == [row.pulse_s for row in new.rows]
    assert old.rows[0].u_period_s is None
    assert old.points()[0].clock_share == 0.0


@pytest.mark.parametrize("path", _SHIPPED, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_the_shipped_tables_read(path: Path) -> None:
    stored = parse_table(path.read_text(encoding="utf-8"), str(path))
    assert stored.channel == path.parent.name
    assert len(stored.rows) == 10
    assert parse_design(stored.design_text, "kept").channel == path.parent.name


def lines_of(stored: StoredTable) -> list[float]:
    return [row.knob_deg for row in stored.rows]


def test_what_editors_do_to_a_file_does_no_harm(text: str) -> None:
    plain = lines_of(parse_table(text, "t.csv"))
    assert lines_of(parse_table("\ufeff" + text, "bom.csv")) == plain
    assert lines_of(parse_table(text.replace("\n", "\r\n"), "crlf.csv")) == plain
    assert lines_of(parse_table(text.rstrip("\n"), "no-end.csv")) == plain
    assert lines_of(parse_table(text + "\n\n", "blank.csv")) == plain
    # a column more, and the columns in another order
    wide = "\n".join(
        line if line.startswith("#") else line + (",remark" if "knob_deg" in line else ",mine")
        for line in text.rstrip("\n").split("\n")
    )
    assert lines_of(parse_table(wide, "wide.csv")) == plain


def line_number(text: str, start: str) -> int:
    return next(i for i, line in enumerate(text.split("\n"), 1) if line.startswith(start))


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda t: "", "is no calibration table"),
        (lambda t: "a,b\n1,2\n", "is no calibration table"),
        (lambda t: t.replace("knob_deg,", "knob,", 1), "lacks the column knob_deg in its header"),
        (lambda t: t.replace("pulse_us,u_pulse", "pulse_us,pulse_us,u_pulse", 1), "twice"),
        (lambda t: t[: t.index("knob_deg,")], "lacks the header"),
        (lambda t: t[: t.rindex("\n270") + 20], "cells in line"),
        (lambda t: t[: t.rindex("\n270") + 1], "has 3 rows where it says '# rows: 4'"),
        (lambda t: t + t.rstrip("\n").rsplit("\n", 1)[1] + "\n", "the same row in lines"),
        (lambda t: t.replace("\n90,", "\nninety,", 1), "'ninety' under knob_deg in line"),
        (lambda t: t.replace("\n90,up,", "\n90,sideways,", 1), "'sideways' under direction"),
        (lambda t: t.replace("\n90,up,", "\n90,up,-", 1), "under pulse_us in line"),
        (lambda t: t.replace(",6.02,", ",-6.02,", 1), "'-6.02' under supply_v in line"),
        (lambda t: t.replace(",6.02,", ",six,", 1), "'six' under supply_v in line"),
        (lambda t: t.replace(",25.000,", ",nan,", 1), "'nan' under clock_ppm in line"),
        (lambda t: t.replace(",6.02,", ",1e6,", 1), "'1e6' under supply_v in line"),
        (lambda t: re.sub(r"\n90,up,([^,]*),[^,]*,", r"\n90,up,\1,1e300,", t), "under u_pulse_us"),
        (lambda t: re.sub(r"(\n90,up,[^,]*,[^,]*),[^,]*,", r"\1,9,", t), "less than the period, 9"),
        (lambda t: t.replace("\n90,", "\n1e9,", 1), "'1e9' under knob_deg in line"),
        (lambda t: t.replace("within: 0.5", "within: much", 1), "says 'much"),
        (lambda t: t.replace("\n90,", "\n<<<<<<< mine\n90,", 1), "'<<<<<<<' of an unfinished"),
        (lambda t: t.replace("\n90,", "\n=======\n90,", 1), "'=======' of an unfinished merge"),
        (lambda t: t.replace("# channel: heron\n", "", 1), "lacks the line '# channel"),
    ],
)  # fmt: skip
def test_nonsense_is_one_line_that_says_where(text: str, spoil: object, words: str) -> None:
    broken = spoil(text)  # type: ignore[operator]
    assert broken != text
    with pytest.raises(StoreError) as caught:
        parse_table(broken, "calibration/heron/t.csv")
    message = str(caught.value)
    assert words in message
    assert message.startswith("calibration/heron/t.csv ")
    assert message.isprintable()
    for part in ("; expected ", "; try: "):
        assert part in message


def test_the_line_that_is_named_is_the_line(text: str) -> None:
    number = line_number(text, "90,")
    with pytest.raises(StoreError, match=f"in line {number};"):
        parse_table(text.replace("\n90,", "\nx,", 1), "t.csv")
    row = text.split("\n")[number - 1]
    with pytest.raises(StoreError, match=f"in lines {number} and {number + 1};"):
        parse_table(text.replace(row, f"{row}\n{row}", 1), "t.csv")


def test_two_records_of_one_mark_are_no_repetition(table: Table) -> None:
    again = replace(table.rows[1], point=replace(table.rows[1].point, source="another.flac"))
    both = replace(table, rows=(*table.rows[:2], again, *table.rows[2:]))
    assert len(parse_table(format_table(both, "20260901T110000Z"), "t.csv").rows) == 5
