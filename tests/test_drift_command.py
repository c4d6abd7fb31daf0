"""`drift` as a user types it: JSON, the screen, tables that are missing or spoiled."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchlog.calibration.table import Point, build_table
from benchlog.calibration.table_text import format_table
from benchlog.channel.design import Design, parse_design, predict_cycle
from tests.command_inputs import answer, check_line
from tests.command_line import run_here

_MARKS = np.linspace(0.0, 270.0, 7)


@pytest.fixture(scope="module")
def heron(heron_text: str) -> Design:
    """Give the design."""
    return parse_design(heron_text, "heron")


def lay_table(
    bench: Path, design: Design, stamp: str, *, supply_v: float | None = 6.0, **parts: float
) -> Path:
    """Lay the table of a channel with these parts into a bench folder."""
    cycle = predict_cycle(design, _MARKS, supply_v=supply_v, parts=parts)
    points = [
        Point(
            float(angle), float(on), 2e-7, float(on + off), "up", supply_v, 27.0, pulse_count=100,
            source=f"{stamp[:11]}{i:04d}Z-{angle:g}deg.flac", u_period_s=3e-7, clock_share=1e-4,
        )
        for i, (angle, on, off) in enumerate(zip(_MARKS, cycle.on_s, cycle.off_s, strict=True))
    ]  # fmt: skip
    folder = bench / "calibration" / design.channel
    folder.mkdir(exist_ok=True)
    path = folder / f"{stamp}.csv"
    path.write_text(format_table(build_table(design, points), stamp), encoding="utf-8")
    return path


@pytest.fixture
def bench(bench_folder: Path, heron: Design) -> Path:
    """Give a bench folder with three tables of heron, the capacitor creeping up."""
    for day, share in (("20260901", 0.0), ("20260911", 0.004), ("20260921", 0.008)):
        lay_table(bench_folder, heron, f"{day}T110000Z", c_timing=22e-9 * (1.0 + share))
    return bench_folder


def test_the_newest_against_the_one_before(bench: Path) -> None:
    content = answer(run_here("drift", "heron", "--json", cwd=bench), status=1)
    assert set(content) >= {"channel", "tables", "rows", "moved"}
    assert content["channel"] == "heron"
    assert content["tables"] == [f"202609{day}T110000Z" for day in ("01", "11", "21")]
    assert content["against"] == "20260911T110000Z"
    assert [row["knob_deg"] for row in content["rows"]] == _MARKS.tolist()
    for row in content["rows"]:
        assert row["change_us"] == pytest.approx(
            row["pulse_us"] - row["earlier_pulse_us"], abs=1e-5
        )
        assert row["verdict"] in ("unchanged", "changed", "undecided")
        assert row["u_change_us"] > 0
        assert row["design_pulse_us"] < row["pulse_us"]
    moved = content["moved"]
    assert (moved["significant"], moved["cause"]) == (True, "capacitor")
    assert moved["amount"] == pytest.approx(100 * (1.008 / 1.004 - 1), abs=0.02)
    longest_us = content["rows"][-1]["earlier_pulse_us"]
    assert moved["per_day_us"] == pytest.approx(0.0004 * longest_us, rel=0.05)
    assert moved["line_tables"] == 2
    assert moved["text"].count("capacitor") == 1


@pytest.mark.parametrize("named", ["20260901T110000Z", "20260901", "2026-09-01"])
def test_against_a_table_that_is_named(bench: Path, named: str) -> None:
    words = ("drift", "heron", "--against", named, "--json")
    content = answer(run_here(*words, cwd=bench), status=1)
    assert content["against"] == "20260901T110000Z"
    assert content["moved"]["amount"] == pytest.approx(0.8, abs=0.02)
    assert content["moved"]["line_tables"] == 3


def test_against_the_design(bench: Path) -> None:
    content = answer(run_here("drift", "heron", "--against", "design", "--json", cwd=bench))
    assert content["against"] == "design"
    assert content["moved"]["significant"] is False
    for row in content["rows"]:
        assert row["earlier_pulse_us"] is None
        assert row["change_us"] == pytest.approx(row["pulse_us"] - row["design_pulse_us"], abs=1e-3)


def test_one_table_is_set_against_its_design(bench_folder: Path, heron: Design) -> None:
    lay_table(bench_folder, heron, "20260901T110000Z", c_timing=1.3 * 22e-9)
    content = answer(run_here("drift", "heron", "--json", cwd=bench_folder), status=1)
    assert content["against"] == "design"
    assert content["moved"]["cause"] == "capacitor"
    shown = run_here("drift", "heron", cwd=bench_folder)
    assert "the only table" in shown.out


def test_a_sweep_that_was_calibrated_again_counts_once(bench: Path) -> None:
    folder = bench / "calibration" / "heron"
    again = (folder / "20260921T110000Z.csv").read_text(encoding="utf-8")
    text = again.replace("# made: 20260921T110000Z", "# made: 20260922T110000Z")
    (folder / "20260922T110000Z.csv").write_text(text, encoding="utf-8")
    content = answer(run_here("drift", "heron", "--json", cwd=bench), status=1)
    assert content["against"] == "20260911T110000Z"
    assert content["table"] == "20260922T110000Z"


def test_the_screen_at_80_columns(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    shown = run_here("drift", "heron", cwd=bench)
    assert shown.status == 1
    assert shown.err == ""
    lines = shown.out.splitlines()
    assert max(map(len, lines)) <= 80
    assert "heron: the table of 2026-09-21" in lines[0]
    assert sum("changed" in line for line in lines) >= 7
    assert "Against the design" in shown.out
    monkeypatch.setenv("COLUMNS", "40")
    narrow = run_here("drift", "heron", cwd=bench).out.splitlines()
    assert max(map(len, narrow)) <= 40


def test_nothing_is_written(bench: Path) -> None:
    before = {path: path.read_bytes() for path in bench.rglob("*") if path.is_file()}
    run_here("drift", "heron", cwd=bench)
    assert {path: path.read_bytes() for path in bench.rglob("*") if path.is_file()} == before


# --- what can be wrong ---


def test_no_table_at_all(bench_folder: Path) -> None:
    check_line(run_here("drift", "heron", cwd=bench_folder), "heron", "benchlog calibrate heron")
    check_line(run_here("drift", "nobody", cwd=bench_folder), "nobody")


@pytest.mark.parametrize("named", ["20250101", "someday", "20260921T110000Z", "", "-"])
def test_against_what_is_not_there(bench: Path, named: str) -> None:
    outcome = run_here("drift", "heron", "--against", named, cwd=bench)
    check_line(outcome, "20260911T110000Z")


_SPOILS = {
    "not utf-8": b"\xff\xfe\x00",
    "empty": b"",
    "words": b"# shopping list\n",
    "binary": bytes(range(256)) * 40,
}


@pytest.mark.parametrize("kind", [*_SPOILS, "number", "cut", "merge", "other channel", "design"])
@pytest.mark.parametrize("which", ["20260911", "20260921"])
def test_a_spoiled_table_is_named_and_the_others_compared(
    bench: Path, kind: str, which: str
) -> None:
    path = bench / "calibration" / "heron" / f"{which}T110000Z.csv"
    text = path.read_text(encoding="utf-8")
    spoiled = {
        "number": text.replace("\n90,up,", "\n90,up,x", 1),
        "cut": text[: int(len(text) * 0.97)],
        "merge": text.replace("\n90,", "\n>>>>>>> theirs\n90,", 1),
        "other channel": text.replace("# channel: heron", "# channel: moon", 1),
        "design": text.replace('# | r_on = "33k"', '# | r_on = "x"', 1),
    }
    path.write_bytes(_SPOILS[kind] if kind in _SPOILS else spoiled[kind].encode())
    outcome = run_here("drift", "heron", "--json", cwd=bench)
    assert outcome.status == 2
    assert len(outcome.err.splitlines()) == 1
    assert f"{which}T110000Z.csv" in outcome.err
    assert "expected" in outcome.err
    content = answer(outcome, status=2)
    rest = [f"202609{day}T110000Z" for day in ("01", "11", "21") if f"202609{day}" != which]
    assert content["tables"] == rest
    assert content["moved"]["cause"] == "capacitor"


def test_only_spoiled_tables(bench: Path) -> None:
    for path in (bench / "calibration" / "heron").glob("2*.csv"):
        path.write_text("nothing\n", encoding="utf-8")
    outcome = run_here("drift", "heron", "--json", cwd=bench)
    assert (outcome.status, outcome.out) == (2, "")
    assert len(outcome.err.splitlines()) == 4
    assert "none of the 3 calibration tables" in outcome.err


# --- channels side by side ---


def test_channels_side_by_side(bench_folder: Path, heron_text: str) -> None:
    for name, parts in (("heron", {}), ("moon", {"c_timing": 1.09 * 22e-9}), ("boat", {})):
        design = parse_design(heron_text.replace('"heron"', f'"{name}"'), name)
        lay_table(bench_folder, design, "20260901T110000Z", **parts)
    words = ("drift", "heron", "moon", "boat")
    content = answer(run_here(*words, "--json", cwd=bench_folder), status=1)
    assert content["channels"] == ["heron", "moon", "boat"]
    assert content["largest"]["channel"] == "moon"
    assert content["largest"]["knob_deg"] == 270.0
    moon, boat = content["others"]
    assert moon["part"] == "c_timing"
    assert moon["change_percent"] == pytest.approx(100 * (1 / 1.09 - 1), abs=0.2)
    assert moon["left_us"] < 2.0
    assert boat["part"] is None
    shown = run_here(*words, cwd=bench_folder)
    assert "c_timing of moon" in " ".join(shown.out.split())
    assert max(map(len, shown.out.splitlines())) <= 80
    # one that has no table is told, the others are shown all the same
    outcome = run_here(*words, "curtain", "--json", cwd=bench_folder)
    assert outcome.status == 2
    assert "curtain" in outcome.err
    assert answer(outcome, status=2)["channels"] == ["heron", "moon", "boat"]
    check_line(run_here("drift", "heron", "heron", cwd=bench_folder), "twice")
    check_line(run_here(*words, "--against", "design", cwd=bench_folder), "--against")


def test_a_mark_beyond_the_knobs_travel_is_named(bench_folder: Path, heron: Design) -> None:
    path = lay_table(bench_folder, heron, "20260901T110000Z")
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("\n270,", "\n400,", 1), encoding="utf-8")
    outcome = run_here("drift", "heron", cwd=bench_folder)
    check_line(outcome, "a mark at 400 degrees", "from 0 to 270", "moving it elsewhere")


def test_pulses_that_double_are_told_in_plain_figures(bench_folder: Path, heron: Design) -> None:
    lay_table(bench_folder, heron, "20260901T110000Z")
    lay_table(bench_folder, heron, "20260902T110000Z", c_timing=44e-9)
    content = answer(run_here("drift", "heron", "--json", cwd=bench_folder), status=1)
    # twice the capacitor makes twice the pulse
    assert "All pulses are 100 % longer" in content["moved"]["text"]
