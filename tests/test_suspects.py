"""Wrong parts, named: each fault alone, what explains it, and good builds left in peace."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchlog.calibration.identify import Identification, Known, Suspect, identify_parts
from benchlog.calibration.reasons import explain_table
from benchlog.calibration.suppositions import part_decades, part_density
from benchlog.calibration.suspect_texts import Estimate, tell_fault
from benchlog.calibration.table import build_table
from benchlog.calibration.table_text import format_table, parse_table
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.channel.knob import Knob
from benchlog.commands.known_parts import read_known
from benchlog.errors import UsageError
from tests.command_inputs import answer, check_line, lay_in, write_edges
from tests.command_line import run_here
from tests.simulated_builds import NINE_DEG, Fault, draw_design, draw_sweep, knob_angles
from tests.test_identify import sweep_of


@pytest.fixture(scope="module")
def heron(heron_text: str) -> Design:
    """Give the design with the tolerances of parts that were picked."""
    text = heron_text
    for name, share in (("r_on", "1%"), ("r_knob", "3%"), ("r_off", "1%"), ("c_timing", "2.5%")):
        text = text.replace(f"{name} = ", f'{name}_tolerance = "{share}"\n{name} = ')
    return parse_design(text, "heron")


def identify(
    design: Design, fault: Fault | None, *, count: int = 9, seed: int = 1
) -> Identification:
    angles = knob_angles(design, count)
    build = draw_sweep(design, np.random.default_rng(seed), angles, fault=fault)
    assert build is not None
    return identify_parts(design, build.points)


def first(found: Identification) -> tuple[str, str]:
    assert found.suspects, found
    return found.suspects[0].part, found.suspects[0].fault


FAULTS = [
    Fault("r_on", "value", 1.15),
    Fault("r_on", "value", 0.7),
    Fault("r_knob", "value", 0.47),
    Fault("r_off", "value", 470 / 820),
    Fault("r_off", "value", 1.06),
    Fault("c_timing", "value", 1.5),
    Fault("r_on", "decade", 10.0),
    Fault("r_knob", "decade", 0.1),
    Fault("r_off", "decade", 0.1),
    Fault("c_timing", "decade", 10.0),
    Fault("r_on", "swapped"),
    Fault("knob", "ends-swapped"),
    Fault("knob", "taper"),
    Fault("diode", "open"),
    Fault("diode", "reversed"),
    Fault("diode", "value", diode="BAT54"),
]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda f: f"{f.part}-{f.fault}-{f.ratio:.2g}")
def test_each_fault_is_named_first(heron: Design, fault: Fault) -> None:
    found = identify(heron, fault)
    assert first(found) == (fault.part, fault.fault)
    assert not found.explained
    likely = [one.likely for one in found.suspects]
    assert likely == sorted(likely, reverse=True)
    assert 0.0 < sum(likely) <= 1.0 + 1e-9
    value = found.suspects[0].value
    if fault.part in ("r_on", "r_knob", "r_off", "c_timing") and fault.fault != "swapped":
        marked = getattr(heron, fault.part).value
        # the levels' 1 % and the other parts' tolerances stand in the value's way
        assert value == pytest.approx(fault.ratio * marked, rel=0.06)
        part = next(one for one in found.parts if one.part == fault.part)
        assert not part.within_tolerance


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize(
    "fault",
    [Fault("r_off", "value", 0.57), Fault("c_timing", "value", 2.1), Fault("knob", "ends-swapped"),
     Fault("r_on", "swapped"), Fault("diode", "open")],
    ids=lambda f: f"{f.part}-{f.fault}",
)  # fmt: skip
def test_from_few_positions_as_from_many(heron: Design, fault: Fault, count: int) -> None:
    assert first(identify(heron, fault, count=count)) == (fault.part, fault.fault)


def test_one_position_cannot_tell_all_apart_and_says_so(heron: Design) -> None:
    """From one position an r_on of half its value is as well a knob turned far the other way."""
    found = identify(heron, Fault("r_off", "value", 0.57), count=1)
    assert first(found)[0] == "r_off"
    found = identify(heron, Fault("r_on", "value", 0.6), count=1)
    named = {one.part for one in found.suspects}
    assert {"r_on", "r_knob"} <= named
    assert "do not tell it from" in found.suspects[0].text


def test_a_log_knob_in_either_sense(heron: Design) -> None:
    """The track of a log knob, its ends exchanged as well: the log curve from the other end."""
    built = replace(heron, knob=Knob(270.0, taper="log", longer="anticlockwise"))
    mirrored = predict_cycle(built, 270.0 - NINE_DEG, supply_v=6.0, temperature_c=27.0)
    points = [
        replace(point, pulse_s=float(on), period_s=float(on + off))
        for point, on, off in zip(sweep_of(heron), mirrored.on_s, mirrored.off_s, strict=True)
    ]
    assert first(identify_parts(heron, points)) == ("knob", "taper")
    log = replace(heron, knob=replace(heron.knob, taper="log"))
    assert first(identify_parts(log, sweep_of(heron))) == ("knob", "taper")


def test_a_supply_far_from_the_record(heron: Design) -> None:
    found = identify_parts(heron, sweep_of(heron, supply_v=3.6, read_v=6.0))
    assert first(found) == ("supply", "value")
    assert found.suspects[0].value == pytest.approx(3.6, rel=0.05)


def test_a_diode_where_there_should_be_none(heron: Design, heron_text: str) -> None:
    bare = parse_design(heron_text.replace('"1N4148"', '"none"'), "bare")
    assert first(identify_parts(bare, sweep_of(heron))) == ("diode", "value")


def test_a_good_build_is_left_in_peace(heron: Design, heron_text: str) -> None:
    """A sample of the benchmark's 400: none of 15 of several designs and numbers of positions."""
    rng = np.random.default_rng(8)
    for i in range(15):
        design = heron if i % 2 else draw_design(heron_text, rng)
        angles = knob_angles(design, (9, 13, 3, 2, 1)[i % 5])
        build = draw_sweep(design, rng, angles)
        assert build is not None
        assert identify_parts(design, build.points).suspects == ()


def test_dead_travel_that_the_design_lacks_accuses_no_part(heron: Design) -> None:
    built = replace(heron, knob=Knob(270.0, dead_low_deg=15.0, dead_high_deg=12.0))
    found = identify_parts(heron, sweep_of(built))
    assert found.suspects == ()
    assert not found.explained
    assert "dead_low_deg" in found.knob_note
    assert "knob" in [one.code for one in explain_table(build_table(heron, sweep_of(built)), found)]


@pytest.mark.parametrize("ohm", [180.0, 700.0])
def test_a_worn_wiper_is_told_and_spares_the_parts(heron: Design, ohm: float) -> None:
    """Beyond what a good contact has; the parts must not make up for it."""
    parts = {"r_off": 823e3, "c_timing": 22.1e-9}
    found = identify_parts(heron, sweep_of(heron, {**parts, "contact": ohm}))
    assert found.suspects == ()
    assert "wiper's contact" in found.knob_note
    for one in found.parts:
        true = {**parts, "contact": ohm}.get(one.part)
        assert true is None or abs(one.found - true) <= 2.0 * one.u, one


def test_a_knob_of_another_travel_accuses_no_part(heron: Design) -> None:
    """A scale that is off by eight degrees at one end: each pair of pulse and pause is right."""
    points = sweep_of(heron)
    bent = [replace(p, knob_deg=p.knob_deg + 8.0 * math.sin(p.knob_deg / 60.0)) for p in points]
    found = identify_parts(heron, bent)
    assert found.suspects == ()


def test_a_part_a_little_out_of_tolerance_is_not_shouted_at(heron_text: str) -> None:
    usual = parse_design(heron_text, "usual")
    found = identify_parts(usual, sweep_of(usual, {"c_timing": 22e-9 * 1.11}))
    assert found.suspects == ()


def test_with_the_other_level_as_the_pulse(heron: Design) -> None:
    """Exchanged resistors make a short pause: taken for the pulse, only that supposition fits."""
    build = draw_sweep(heron, np.random.default_rng(4), NINE_DEG, fault=Fault("r_on", "swapped"))
    assert build is not None
    turned = [replace(p, pulse_s=p.rest_s) for p in build.points]
    found = identify_parts(heron, turned, polarity_open=True)
    assert first(found) == ("r_on", "swapped")
    assert found.is_turned


def test_a_meter_that_reads_another_value_is_believed(heron: Design) -> None:
    points = sweep_of(heron, {"r_off": 470e3})
    found = identify_parts(heron, points, known={"r_off": Known(471e3, 1.5e3)})
    assert first(found) == ("r_off", "value")
    assert "meter reads" in found.suspects[0].text
    assert "470 kΩ" in found.suspects[0].text
    assert len(found.suspects) == 1
    slipped = identify_parts(
        heron, sweep_of(heron, {"r_off": 82e3}), known={"r_off": Known(82e3, 200.0)}
    )
    assert first(slipped) == ("r_off", "decade")


# --- densities and words, by hand ---


def test_the_density_of_a_wrong_part_sums_to_one() -> None:
    grid = np.linspace(-9.0, 9.0, 400001)
    for tolerance in (0.01, 0.05, 0.2):
        total = np.sum(np.exp(part_density(grid, tolerance))) * (grid[1] - grid[0])
        assert total == pytest.approx(1.0, rel=0.01)
    decades, others = part_decades(np.array([math.log(10.0), math.log(5.0)]), 0.05)
    assert decades[0] > others[0]
    assert decades[1] == -np.inf


@pytest.mark.parametrize(
    ("part", "fault", "value", "words"),
    [
        ("r_off", "value", 470e3, ("470 kΩ", "820 kΩ ± 1 % belongs", "E12")),
        ("r_off", "decade", 82e3, ("82 kΩ", "another power of ten")),
        ("r_on", "value", 38.9e3, ("18 % high", "39 kΩ (E12)", "next value of the series")),
        ("c_timing", "value", 33.1e-9, ("33 nF", "timing capacitor")),
    ],
)
def test_a_value_is_named_with_what_explains_it(
    heron: Design, part: str, fault: str, value: float, words: tuple[str, ...]
) -> None:
    marked = getattr(heron, part).value
    text = tell_fault(heron, part, fault, Estimate(value, 0.99 * value, 1.01 * value, marked))
    for word in words:
        assert word in text


def test_figures_in_the_other_order_are_told(heron_text: str) -> None:
    design = parse_design(heron_text.replace('"33k"', '"39k"').replace('"820k"', '"180k"'), "d")
    text = tell_fault(design, "r_off", "value", Estimate(812e3, 805e3, 825e3, 180e3))
    assert "820 kΩ" in text
    text = tell_fault(design, "r_on", "value", Estimate(93e3, 90.5e3, 92e3, 39e3))
    assert "91 kΩ" in text


@pytest.mark.parametrize(
    ("text", "part", "value", "half"),
    [
        # 0.5 % and one step of the last figure; 2 % and one step for a capacitor
        ("r_off=812k", "r_off", 812e3, 4060 + 1000),
        ("r_on=4k71", "r_on", 4710.0, 23.55 + 10),
        ("r_knob=98.2k", "r_knob", 98.2e3, 491 + 100),
        ("c_timing=22.4n", "c_timing", 22.4e-9, 0.448e-9 + 0.1e-9),
        ("c_timing=2.24e-8", "c_timing", 22.4e-9, 0.448e-9 + 0.1e-9),
        ("r_off=812k±0.5%", "r_off", 812e3, 4060.0),
        ("r_off=812k+-2k", "r_off", 812e3, 2000.0),
        ("r_off= 812k ± 0.1 %", "r_off", 812e3, 812.0),
    ],
)
def test_a_meter_reading_is_read(text: str, part: str, value: float, half: float) -> None:
    known = read_known([text])[part]
    assert known.value == pytest.approx(value)
    assert known.u == pytest.approx(half / math.sqrt(3.0))


@pytest.mark.parametrize(
    "text",
    ["", "r_off", "r_off=", "=812k", "x=1", "r_off=-3k", "r_off=0", "r_off=8±", "r_off=8±-1",
     "r_off=nan", "r_off=R", "r_off=812k±200%", "c_timing=22nF±1k±2"],
)  # fmt: skip
def test_a_reading_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        read_known([text])


def test_one_part_is_not_known_twice() -> None:
    with pytest.raises(UsageError, match="once"):
        read_known(["r_off=812k", "r_off=813k"])


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
    check_line(run_here(*words, "--known", "r_of=820k", cwd=bench_folder), "PART=VALUE")


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
