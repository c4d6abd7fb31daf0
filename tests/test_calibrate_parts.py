"""`calibrate` as a user types it: products, parts and suspects, meter readings, what is stored."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchlog.calibration.identify import Identification, Known, Suspect, identify_parts
from benchlog.calibration.reasons import explain_table
from benchlog.calibration.table import build_table
from benchlog.calibration.table_text import format_table, parse_table
from benchlog.channel.design import Design, parse_design, predict_cycle
from tests.command_inputs import answer, check_line, lay_in, write_edges
from tests.command_line import run_here
from tests.test_identify import sweep_of


@pytest.fixture(scope="module")
def heron(heron_text: str) -> Design:
    """Give the design with the tolerances of parts that were picked."""
    text = heron_text
    for name, share in (("r_on", "1%"), ("r_knob", "3%"), ("r_off", "1%"), ("c_timing", "2.5%")):
        text = text.replace(f"{name} = ", f'{name}_tolerance = "{share}"\n{name} = ')
    return parse_design(text, "heron")


def first(found: Identification) -> tuple[str, str]:
    assert found.suspects, found
    return found.suspects[0].part, found.suspects[0].fault


# --- the command ---


def test_calibrate_names_products_parts_and_suspects(bench_folder: Path, heron_text: str) -> None:
    lay_in(bench_folder, heron_text, (15, 75, 135, 195, 255), parts={"r_off": 470e3})
    content = answer(run_here("calibrate", "heron", "--json", cwd=bench_folder), status=1)
    assert [one["product"] for one in content["products"]] == [
        "r_off*c_timing", "r_knob*c_timing", "r_on*c_timing",
    ]  # fmt: skip
    assert set(content["products"][0]) == {"product", "marked_us", "found_us", "u_us"}
    product = content["products"][0]
    assert product["marked_us"] == pytest.approx(18040.0)
    assert abs(product["found_us"] - 470e3 * 22e-3) <= 2.0 * product["u_us"]
    assert [one["part"] for one in content["parts"][:4]] == ["r_on", "r_knob", "r_off", "c_timing"]
    assert {"contact", "threshold", "trigger", "diode_v", "supply"} == {
        one["part"] for one in content["parts"][4:]
    }
    keys = {"part", "marked", "found", "u", "unit", "within_tolerance"}
    assert all(set(one) == keys for one in content["parts"])
    suspect = content["suspects"][0]
    assert set(suspect) == {"part", "fault", "text"}
    assert (suspect["part"], suspect["fault"]) == ("r_off", "value")
    assert "470 kΩ" in suspect["text"]
    text = run_here("calibrate", "heron", "--no-save", cwd=bench_folder)
    assert text.status == 1
    words = " ".join(text.out.split())
    assert words.index("r_off × C") < words.index("r_off 820 kΩ") < words.index("Suspect: ")
    assert max(map(len, text.out.splitlines())) <= 80


def test_a_reading_on_the_command_line_narrows_the_parts(
    bench_folder: Path, heron_text: str
) -> None:
    lay_in(bench_folder, heron_text, (15, 75, 135, 195, 255))
    words = ("calibrate", "heron", "--no-save", "--json")
    wide = answer(run_here(*words, cwd=bench_folder))
    narrow = answer(run_here(*words, "--known", "r_off=820k±0.2%", cwd=bench_folder))
    for before, after in zip(wide["parts"][:4], narrow["parts"][:4], strict=True):
        assert after["u"] < 0.7 * before["u"]
    assert narrow["suspects"] == []
    text = run_here(*words[:3], "--known", "r_off=820k", cwd=bench_folder).out
    text = " ".join(text.split())
    assert "the meter's 820 kΩ is taken as ± 5.1 kΩ" in text
    assert "if it reads" not in text  # the hint is left out once it was followed
    check_line(run_here(*words, "--known", "r_off=820", cwd=bench_folder), "820 kΩ is marked")
    check_line(run_here(*words, "--known", "r_of=820k", cwd=bench_folder), "PART=VALUE")


@pytest.mark.parametrize(
    ("reading", "name"), [(Known(900e3, 3e3), "r_off"), (Known(25e-9, 0.43e-9), "c_timing")]
)
def test_a_reading_that_contradicts_the_sweep_is_doubted_and_not_used(
    heron: Design, reading: Known, name: str
) -> None:
    points = sweep_of(heron)
    alone = identify_parts(heron, points)
    found = identify_parts(heron, points, known={name: reading})
    assert first(found) == (name, "reading")
    assert len(found.suspects) == 1
    assert "Read it again (power off, one leg free)" in found.suspects[0].text
    assert "common value" not in found.suspects[0].text
    for before, after in zip(alone.parts, found.parts, strict=True):
        assert (after.found, after.u) == (before.found, before.u)
    assert found.known == {name: reading}


def test_one_estimate_in_the_sentence_and_in_the_table(heron: Design) -> None:
    found = identify_parts(heron, sweep_of(heron, {"c_timing": 1.09 * 22e-9}))
    part = next(one for one in found.parts if one.part == "c_timing")
    assert found.suspects[0].value == part.found
    low, high = ((part.found + k * part.u) * 1e9 for k in (-2, 2))
    assert f"(surely {low:.3g} to {high:.3g} nF)" in found.suspects[0].text


def test_exchanged_resistors_are_named_though_nobody_said_which_level_is_the_pulse(
    tmp_path: Path, heron_text: str
) -> None:
    (tmp_path / "d.toml").write_text(heron_text, encoding="utf-8")
    design = parse_design(heron_text, "heron")
    words: list[str] = []
    true_us = []
    for angle in (0.0, 90.0, 180.0, 270.0):
        cycle = predict_cycle(design, angle, parts={"r_on": 820e3, "r_off": 33e3})
        name = f"{angle:g}.csv"
        write_edges(tmp_path / name, float(cycle.on_s), float(cycle.off_s))
        words += ["--point", f"{angle:g}={name}"]
        true_us.append(float(cycle.on_s) * 1e6)
    outcome = run_here("calibrate", "--design", "d.toml", *words, "--json", cwd=tmp_path)
    content = answer(outcome, status=1)
    assert (content["suspects"][0]["part"], content["suspects"][0]["fault"]) == ("r_on", "swapped")
    assert [row["pulse_us"] for row in content["rows"]] == pytest.approx(true_us, rel=1e-6)


def test_the_stored_table_holds_what_was_found(bench_folder: Path, heron_text: str) -> None:
    lay_in(bench_folder, heron_text, (15, 75, 135, 195), parts={"r_off": 470e3})
    content = json.loads(run_here("calibrate", "heron", "--json", cwd=bench_folder).out)
    text = (bench_folder / content["table"]).read_text(encoding="utf-8")
    assert "# found: r_off*c_timing" in text
    assert "# suspect: r_off value: " in text
    assert parse_table(text, "t.csv").rows


def test_a_table_without_what_was_found_is_read(heron: Design) -> None:
    table = build_table(heron, sweep_of(heron))
    text = format_table(table, "20260901T100000Z")
    assert "# found" not in text
    assert parse_table(text, "t.csv").rows


def test_reasons_take_over_what_identification_knows(heron: Design) -> None:
    points = sweep_of(heron, {"r_off": 470e3})
    found = identify_parts(heron, points)
    codes = [one.code for one in explain_table(build_table(heron, points), found)]
    assert "suspect" in codes
    assert "deviation" not in codes
    points = sweep_of(heron, {"c_timing": 1.09 * 22e-9})
    found = identify_parts(heron, points)
    reasons = explain_table(build_table(heron, points), found)
    assert first(found)[0] == "c_timing"
    assert "timing capacitor 9 % high" in " ".join(one.text for one in reasons)


def test_a_suspect_is_plain_data() -> None:
    one = Suspect("r_off", "value", "words", 470e3, 0.9)
    assert (one.part, one.fault, one.value, one.likely) == ("r_off", "value", 470e3, 0.9)
