"""`calibrate` and `demo` as a user types them: JSON, tables that are kept, exit statuses."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from benchlog.calibration.table_text import parse_table
from benchlog.channel.design import parse_design, predict_cycle
from tests.command_inputs import answer, check_line, lay_in, write_edges
from tests.command_line import run_here, run_process

ROW_KEYS = {
    *("knob_deg", "direction", "pulse_us", "u_pulse_us", "period_us", "servo_deg", "u_servo_deg"),
    *("design_pulse_us", "deviation_us", "u_deviation_us", "verdict", "flags"),
}
TABLE_KEYS = {
    *("channel", "rows", "products", "parts", "suspects", "end_stop_low_deg", "end_stop_high_deg"),
    *("settings", "table"),
    *("u_end_stop_low_deg", "u_end_stop_high_deg", "hysteresis_deg", "u_hysteresis_deg"),
    *("dead_low_deg", "u_dead_low_deg", "dead_high_deg", "u_dead_high_deg", "linearity_us"),
    *("curve", "curve_supply_v"),
}
CURVE_KEYS = {"knob_deg", "pulse_us", "u_pulse_us", "low_us", "high_us", "period_us"}


def test_calibrate_gives_the_promised_json_and_keeps_the_table(
    bench_folder: Path, heron_text: str
) -> None:
    lay_in(bench_folder, heron_text, (15, 75, 135, 195, 255), direction="up")
    outcome = run_here("calibrate", "heron", "--json", cwd=bench_folder)
    content = answer(outcome)
    assert outcome.err == ""
    assert set(content) == TABLE_KEYS
    assert set(content["settings"]) == {"count", "spacing_deg"}
    assert all(set(row) == ROW_KEYS for row in content["rows"])
    assert [row["knob_deg"] for row in content["rows"]] == [15, 75, 135, 195, 255]
    curve = content["curve"]
    assert all(set(row) == CURVE_KEYS for row in curve)
    assert [row["knob_deg"] for row in curve] == [float(k) for k in range(271)]
    for row in content["rows"]:
        near = curve[round(row["knob_deg"])]
        assert near["low_us"] <= row["pulse_us"] <= near["high_us"]
        assert near["period_us"] == pytest.approx(row["period_us"], rel=2e-3)
    for row in content["rows"]:
        assert row["verdict"] == "on design"
        assert row["deviation_us"] == pytest.approx(0.0, abs=0.01)
        assert (row["direction"], row["flags"]) == ("up", [])
    path = bench_folder / content["table"]
    assert path.parent == bench_folder / "calibration" / "heron"
    stored = parse_table(path.read_text(encoding="utf-8"), path.name)
    assert stored.design_text.strip() == heron_text.strip()
    for row, kept in zip(content["rows"], stored.rows, strict=True):
        assert kept.pulse_s * 1e6 == pytest.approx(row["pulse_us"], abs=1e-4)


def test_two_tables_of_one_second_are_both_kept(bench_folder: Path, heron_text: str) -> None:
    lay_in(bench_folder, heron_text, (15, 255))
    paths = [
        answer(run_here("calibrate", "heron", "--json", cwd=bench_folder))["table"]
        for _ in range(3)
    ]
    assert len({(bench_folder / path).resolve() for path in paths}) == 3


def test_no_save_leaves_the_bench_folder_as_it_is(bench_folder: Path, heron_text: str) -> None:
    lay_in(bench_folder, heron_text, (15, 255))
    before = sorted(bench_folder.rglob("*"))
    outcome = run_here("calibrate", "heron", "--no-save", "--json", cwd=bench_folder)
    assert answer(outcome)["table"] is None
    assert sorted(bench_folder.rglob("*")) == before


def test_files_are_calibrated_without_a_bench_folder(tmp_path: Path, heron_text: str) -> None:
    (tmp_path / "d.toml").write_text(heron_text, encoding="utf-8")
    cycle = predict_cycle(parse_design(heron_text, "heron"), 90.0)
    write_edges(tmp_path / "a=b.csv", float(cycle.on_s), float(cycle.off_s))
    words = ("--design", "d.toml", "--point", "90=a=b.csv", "--json")
    content = answer(run_here("calibrate", *words, cwd=tmp_path))
    assert content["table"] is None
    assert content["rows"][0]["deviation_us"] == pytest.approx(0.0, abs=0.01)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a=b.csv", "d.toml"]
    # nobody said at which supply: less sure than with a reading
    (tmp_path / "a=b.json").write_text(
        '{"channel": "heron", "knob_deg": 90, "recorded_utc": "2026-09-01T10:00:00Z",'
        ' "supply_v": 6.0, "temperature_c": 27}'
    )
    known = answer(run_here("calibrate", *words, cwd=tmp_path))
    assert known["rows"][0]["u_deviation_us"] < content["rows"][0]["u_deviation_us"]


def test_the_design_settles_the_polarity(bench_folder: Path, heron_text: str) -> None:
    lay_in(bench_folder, heron_text, (90,), inverted=True)
    content = answer(run_here("calibrate", "heron", "--json", cwd=bench_folder))
    assert content["rows"][0]["deviation_us"] == pytest.approx(0.0, abs=0.01)
    # said otherwise, it is taken as it is said
    words = ("calibrate", "heron", "--active", "high", "--json")
    content = answer(run_here(*words, cwd=bench_folder), status=1)
    assert content["rows"][0]["verdict"] == "off design"


def test_a_wrong_capacitor_is_status_1_and_named(bench_folder: Path, heron_text: str) -> None:
    design = bench_folder / "calibration" / "heron" / "design.toml"
    tight = heron_text.replace("[diode]", 'c_timing_tolerance = "2%"\nr_knob_tolerance = "2%"\n'
                               'r_on_tolerance = "1%"\n[diode]')  # fmt: skip
    design.write_text(tight, encoding="utf-8")
    lay_in(bench_folder, heron_text, (15, 75, 135, 195), parts={"c_timing": 1.09 * 22e-9})
    outcome = run_here("calibrate", "heron", cwd=bench_folder)
    assert outcome.status == 1
    assert "timing capacitor 9 % high" in " ".join(outcome.out.split())
    assert "off design" in outcome.out


def test_past_the_end_stop_is_status_1(bench_folder: Path, heron_text: str) -> None:
    short = heron_text.replace("2500", "2000")
    (bench_folder / "calibration" / "heron" / "design.toml").write_text(short, encoding="utf-8")
    lay_in(bench_folder, heron_text, (15, 135, 255))
    content = answer(run_here("calibrate", "heron", "--json", cwd=bench_folder), status=1)
    assert [row["flags"] for row in content["rows"]] == [[], [], ["end-stop-high"]]
    assert 200 < content["end_stop_high_deg"] < 255
    assert content["end_stop_low_deg"] is None


def test_a_record_that_cannot_be_measured_stops_the_storing(
    bench_folder: Path, heron_text: str
) -> None:
    lay_in(bench_folder, heron_text, (15, 75, 135))
    (bench_folder / "captures" / "heron" / "m01.csv").write_text("time_s,level\n0,0\n")
    shown = run_here("calibrate", "heron", cwd=bench_folder)
    assert "Not stored" in shown.out
    assert "--set-aside" in shown.out
    outcome = run_here("calibrate", "heron", "--json", cwd=bench_folder)
    content = answer(outcome, status=2)
    assert [row["knob_deg"] for row in content["rows"]] == [15, 135]
    assert content["table"] is None
    assert len(outcome.err.splitlines()) == 1
    assert "m01.csv" in outcome.err
    assert list((bench_folder / "calibration" / "heron").iterdir()) == [
        bench_folder / "calibration" / "heron" / "design.toml"
    ]


def test_a_recording_without_its_sidecar_is_told(bench_folder: Path, heron_text: str) -> None:
    lay_in(bench_folder, heron_text, (15, 75, 135))
    folder = bench_folder / "captures" / "heron"
    recorded = json.loads(next(folder.glob("*.json")).read_text("utf-8"))["recorded_utc"]
    stamp = recorded.replace("-", "").replace(":", "")
    write_edges(folder / f"{stamp}-195deg.csv", 0.0019, 0.0181)
    write_edges(folder / "20200101T000000Z-255deg.csv", 0.0023, 0.0177)  # of another day
    outcome = run_here("calibrate", "heron", "--json", "--no-save", cwd=bench_folder)
    answer(outcome)
    (line,) = outcome.err.splitlines()
    assert line.startswith(f"warning: {stamp}-195deg.csv has no sidecar and is left out")
    assert "; expected " in line
    assert f"; try: {stamp}-195deg.json with channel" in line


def test_two_records_of_one_mark_are_one_position(bench_folder: Path, heron_text: str) -> None:
    lay_in(bench_folder, heron_text, (15, 75, 75))
    outcome = run_here("calibrate", "heron", "--no-save", cwd=bench_folder)
    assert "calibration of 3 recordings at 2 knob positions" in outcome.out
    assert outcome.err == ""


def test_records_of_one_mark_that_contradict_each_other_are_named(
    bench_folder: Path, heron_text: str
) -> None:
    lay_in(bench_folder, heron_text, (15, 75, 105, 135))
    sidecar = bench_folder / "captures" / "heron" / "m02.json"
    known = json.loads(sidecar.read_text("utf-8"))
    sidecar.write_text(json.dumps({**known, "knob_deg": 75}), encoding="utf-8")
    outcome = run_here("calibrate", "heron", "--no-save", cwd=bench_folder)
    assert "warning: two recordings at 75 degrees differ by " in outcome.err
    assert "m01.csv and m02.csv" in outcome.err
    assert "benchlog log --set-aside" in outcome.err


def test_an_angle_beyond_the_knob_is_refused(tmp_path: Path, heron_design: Path) -> None:
    write_edges(tmp_path / "a.csv", 0.0015, 0.0185)
    words = ("calibrate", "--design", heron_design, "--point", "300=a.csv")
    check_line(run_here(*words, cwd=tmp_path), "300 degrees", "0 to 270")


def test_the_table_is_readable_at_80_columns(bench_folder: Path, heron_text: str) -> None:
    lay_in(bench_folder, heron_text, (15, 75, 135))
    environment = {**os.environ, "COLUMNS": "80", "FORCE_COLOR": "", "NO_COLOR": "1"}
    outcome = run_process("calibrate", "heron", cwd=bench_folder, environment=environment)
    assert outcome.status == 0, outcome
    assert max(map(len, outcome.out.splitlines())) <= 80
    assert "…" not in outcome.out
    assert "\x1b" not in outcome.out
    for word in ("knob", "pulse ± U", "arm ± U", "design", "off by ± U", "verdict", "on design"):
        assert word in outcome.out


def test_demo_tells_each_channel_by_its_fault(tmp_path: Path) -> None:
    outcome = run_here("demo", "stage", "--json", cwd=tmp_path)
    content = answer(outcome)
    assert outcome.err == ""
    assert content["folder"] == "stage"
    tables = {table["channel"]: table for table in content["channels"]}
    assert list(tables) == ["heron", "moon", "boat", "curtain"]
    assert all(set(table) == TABLE_KEYS for table in tables.values())
    verdicts = {name: {row["verdict"] for row in t["rows"]} for name, t in tables.items()}
    flags = {
        name: {flag for row in t["rows"] for flag in row["flags"]} for name, t in tables.items()
    }
    assert verdicts["heron"] == {"on design"}
    assert flags["heron"] == set()
    assert verdicts["moon"] == {"off design"}
    assert "jitter" in flags["boat"]
    assert flags["curtain"] == {"end-stop-high"}
    assert all((tmp_path / table["table"]).is_file() for table in tables.values())
    # the kept folder is a bench folder like any other
    moon = run_here("calibrate", "moon", "--bench", "stage", "--no-save", cwd=tmp_path)
    assert moon.status == 1
    assert "timing capacitor 9 % high" in " ".join(moon.out.split())
    boat = run_here("calibrate", "boat", "--bench", "stage", "--no-save", cwd=tmp_path)
    assert boat.status == 1
    assert "noisy contact of the knob's wiper" in " ".join(boat.out.split())
