"""`predict` as a person and as a program read it, and its picture."""

from __future__ import annotations

import json
import math
import os
import re
from pathlib import Path

import numpy as np
import pytest

from benchlog.channel.design import (
    parse_design,
    predict_cycle,
    sensitivity,
    tolerance_band,
    worst_band,
)
from benchlog.channel.outlook import Outlook, foretell
from benchlog.show.battery_words import tell_battery
from benchlog.show.prediction_plot import draw_prediction
from benchlog.show.prediction_view import outlook_to_json
from tests.command_line import Outcome, run_here
from tests.test_design import HERON

SHIPPED = Path(__file__).resolve().parent.parent / "calibration"
CHANNELS = ("heron", "moon", "boat", "curtain")


def predict(folder: Path, text: str, *words: str) -> Outcome:
    (folder / "d.toml").write_text(text, encoding="utf-8")
    return run_here("predict", "d.toml", *words, cwd=folder)


# --- the table ---


@pytest.mark.parametrize("channel", CHANNELS)
def test_shipped_designs_fit_80_columns(
    channel: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    outcome = run_here("predict", SHIPPED / channel / "design.toml", cwd=tmp_path)
    assert outcome.status == (1 if channel == "curtain" else 0)
    lines = outcome.out.splitlines()
    assert max(map(len, lines)) <= 80
    assert "…" not in outcome.out
    rows = [line for line in lines if re.match(r" *[0-9.]+ +[0-9.]+ +[0-9]+ to [0-9]+ ", line)]
    assert len(rows) == 13
    assert "on time" not in outcome.out
    assert "'1 V less', '10 °C more': what that does to the pulse, in µs." in lines
    # the parts that matter and the battery
    assert "c_timing 22 nF ± " in outcome.out
    assert "4 alkaline cells: 6.4 V fresh, 3.6 V empty" in outcome.out
    assert re.search(r"hold within 3° of arm from 6\.4 to 5\.[0-9] V", " ".join(lines))


@pytest.mark.parametrize("command", ["predict", "calibrate", "wire", "dial"])
def test_a_channel_that_is_not_there_is_one_line(command: str, bench_folder: Path) -> None:
    outcome = run_here(command, "hreon", cwd=bench_folder)
    assert (outcome.status, outcome.out, outcome.err.count("\n")) == (2, "", 1)
    assert outcome.err.startswith("there is no channel hreon; expected one of heron; try: ")
    assert "benchlog predict heron" in outcome.err


def test_narrow_screens_get_sentences(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    outcome = predict(tmp_path, HERON, "--at", "90")
    assert max(map(len, outcome.out.splitlines())) <= 40
    assert "1 V less +" in " ".join(outcome.out.split())


def test_one_mark_alone_reads_well(tmp_path: Path) -> None:
    outcome = predict(tmp_path, HERON, "--at", "90")
    assert "A mark made at 6 V holds within 3° of arm from 6.4 to " in outcome.out


def test_parts_come_in_the_order_of_what_they_do() -> None:
    outlook = foretell(parse_design(HERON, "x"), [0.0, 135.0, 270.0])
    most = [float(np.max(np.abs(one.on_spread_s))) for one in outlook.effects]
    assert most == sorted(most, reverse=True)
    # 20 % of the knob, 10 % of the capacitor
    assert [one.part for one in outlook.effects][:2] == ["r_knob", "c_timing"]


def test_exact_parts_say_so(tmp_path: Path) -> None:
    text = HERON.replace('"cmos"', '"ideal"')
    for part in ("r_on", "r_knob", "r_off", "c_timing"):
        text = re.sub(rf"({part} = .*)", rf"\1\n{part}_tolerance = 0", text)
    outcome = predict(tmp_path, text)
    assert "No part has a tolerance that moves the pulse." in outcome.out


def test_parts_that_may_reach_a_stop_are_told(tmp_path: Path) -> None:
    """2370 us as marked; with 20 % of knob and 10 % of capacitor 2500 is passed by some."""
    outcome = predict(tmp_path, HERON)
    assert outcome.status == 0
    assert "would push against the high stop" in outcome.out


# --- what a battery does, in words ---


def words_at(volts: str, changes: tuple[tuple[str, str], ...] = ()) -> str:
    text = HERON.replace("volts = 6.0", f"volts = {volts}")
    for old, new in changes:
        text = text.replace(old, new)
    return " ".join(tell_battery(foretell(parse_design(text, "x"), np.linspace(0, 270, 7))))


def test_battery_words() -> None:
    assert "With the cells empty the pulse at knob" in words_at("6.0")
    assert "4 NiMH cells: 5.6 V fresh, 4 V empty" in words_at("4.8")
    steady = words_at("5.0")
    assert "regulated supply: 4.75 to 5.25 V" in steady
    assert "over all of that" in steady
    bipolar = words_at("6.0", (('"cmos"', '"bipolar"'),))
    assert "Below 4.5 V bipolar timers are not made to work" in bipolar
    bare = words_at(
        "6.0",
        (('saturation_current = "2.52n"\nemission = 1.752\nseries = "0.568"', 'model = "none"'),),
    )
    assert "for the whole life of the cells" in bare


def heron_life(**changes: str) -> Outlook:
    """Return what a heron of exact parts foretells, some of its lines changed."""
    text = HERON
    for key, value in changes.items():
        text, count = re.subn(rf"(?m)^{key} = .*$", f"{key} = {value}", text)
        assert count == 1
    return foretell(parse_design(text, "x"), [90.0])


@pytest.mark.parametrize("longer", ["clockwise", "anticlockwise"])
def test_a_stop_that_empty_cells_drive_past_is_told(longer: str) -> None:
    outlook = heron_life(pulse_max_us="2500", longer=f'"{longer}"')
    design, empty_v = outlook.design, outlook.battery.empty_v
    assert [(one.life, one.stop) for one in outlook.past_stops] == [("empty", "high")]
    past = outlook.past_stops[0]
    met_deg = past.from_deg if longer == "clockwise" else past.to_deg
    on_s = predict_cycle(design, [past.worst_deg, met_deg], supply_v=empty_v).on_s
    assert past.worst_s == pytest.approx(on_s[0])
    # the pulse bends by far less than 0.1 us over the grid's 0.75 degrees of some 7 us a degree
    assert on_s[1] == pytest.approx(2500e-6, abs=0.1e-6)
    words = " ".join(tell_battery(outlook))
    # though the one mark that is shown is nowhere near
    end = f"from about {math.floor(met_deg)}° on"
    if longer == "anticlockwise":
        end = f"up to about {math.ceil(met_deg)}°"
    assert (
        f"With the cells empty the pulse at knob {past.worst_deg:g}° is "
        f"{1e6 * past.worst_s:.0f} µs: past the servo's high stop {end}."
    ) in words
    assert past.worst_deg == (270.0 if longer == "clockwise" else 0.0)


def test_stops_that_no_supply_reaches_are_not_told() -> None:
    outlook = heron_life(pulse_min_us="100", pulse_max_us="5000")
    assert outlook.past_stops == ()
    assert "past the servo" not in " ".join(tell_battery(outlook))


def test_the_worst_of_a_life_is_told_once_a_stop() -> None:
    """Fresh cells shorten the pulse, empty ones lengthen it."""
    outlook = heron_life(pulse_min_us="1200", pulse_max_us="1400")
    assert len(outlook.past_stops) == 4
    found = re.findall(
        r"With the cells (\w+) the pulse at knob (\d+)° is \d+ µs: past the servo's (\w+) stop",
        " ".join(tell_battery(outlook)),
    )
    assert found == [("fresh", "0", "low"), ("empty", "270", "high")]
    always = heron_life(pulse_min_us="100", pulse_max_us="200")
    assert "high stop all over the knob's travel." in " ".join(tell_battery(always))
    steady = heron_life(volts="5.0", pulse_max_us="2000")
    assert "At 4.75 V the pulse at knob 270° is" in " ".join(tell_battery(steady))


def test_a_range_is_never_told_wider_than_it_is() -> None:
    """The volts shown are rounded inwards."""
    for volts in ("5.7", "6.0", "7.5", "9.0"):
        design = parse_design(HERON.replace("6.0", volts), "x")
        outlook = foretell(design, np.linspace(0, 270, 7))
        text = " ".join(tell_battery(outlook))
        found = re.search(r"from ([0-9.]+) to ([0-9.]+) V", text)
        if found is not None:
            assert float(found[1]) <= float(outlook.holds_high_v.min()) + 1e-9
            assert float(found[2]) >= float(outlook.holds_low_v.max()) - 1e-9


# --- JSON ---


def test_json_holds_what_the_model_says(tmp_path: Path) -> None:
    outcome = predict(tmp_path, HERON, "--at", "45", "--at", "200", "--json")
    content = json.loads(outcome.out)
    assert next(iter(content)) == "channel"
    assert content["plot"] is None
    assert content["battery"] == {
        "kind": "alkaline", "cell_count": 4, "full_v": 6.4, "empty_v": 3.6,
    }  # fmt: skip
    (past,) = content["past_stops"]
    assert (past["life"], past["stop"], past["worst_knob_deg"]) == ("empty", "high", 270.0)
    empty = predict_cycle(parse_design(HERON, "x"), [270.0], supply_v=3.6).on_s[0]
    assert past["worst_on_us"] == pytest.approx(1e6 * empty)
    assert 200.0 < past["knob_from_deg"] < past["knob_to_deg"] == 270.0
    design, knob = parse_design(HERON, "x"), [45.0, 200.0]
    band, worst, slopes = (
        tolerance_band(design, knob), worst_band(design, knob), sensitivity(design, knob),
    )  # fmt: skip
    full = predict_cycle(design, knob, supply_v=6.4)
    for k, row in enumerate(content["positions"]):
        for key, wanted in {
            "on_low_us": band.on_low_s,
            "off_high_us": band.off_high_s,
            "period_low_us": band.period_low_s,
            "on_worst_high_us": worst.on_high_s,
            "period_worst_low_us": worst.period_low_s,
            "on_per_v_us": slopes.on_per_v,
            "off_per_k_us": slopes.off_per_k,
            "on_battery_full_us": full.on_s,
        }.items():
            assert row[key] == pytest.approx(1e6 * float(wanted[k]), abs=2e-6), key
        assert row["holds_low_v"] < 6 < row["holds_high_v"]
        assert {one["part"] for one in row["parts"]} >= {"r_on", "r_knob", "c_timing"}
        for one in row["parts"]:
            assert one["on_tolerance_us"] == pytest.approx(
                one["on_per_percent_us"] * one["tolerance_percent"], abs=1e-4
            )


def test_json_has_null_where_a_channel_would_stop() -> None:
    """115 ohm within 10 % against a contact of 10 and a transistor of up to 50.

    Off never ends where the two come to half of r_on: in a corner, and in some 3 of 100.
    """
    text = HERON.replace('r_on = "33k"', 'r_on = "115"\nr_on_tolerance = "10%"')
    text = text.replace('r_knob = "100k"', "r_knob = 0")
    design = parse_design(text.replace("[servo]", "contact_ohm = 10\n[servo]"), "x")
    (row,) = outlook_to_json(foretell(design, [0.0]))["positions"]
    assert row["off_worst_high_us"] is None
    assert row["off_worst_low_us"] > 0
    json.dumps(row, allow_nan=False)


# --- the picture ---

BEGINS = {".png": b"\x89PNG\r\n", ".svg": b"<?xml", ".pdf": b"%PDF-"}


@pytest.mark.parametrize("suffix", sorted(BEGINS))
def test_a_picture_of_each_kind(suffix: str, tmp_path: Path) -> None:
    outcome = predict(tmp_path, HERON, "--plot", f"pulse{suffix}")
    assert outcome.status == 0, outcome.err
    content = (tmp_path / f"pulse{suffix}").read_bytes()
    assert content.startswith(BEGINS[suffix])
    assert f"The picture is pulse{suffix}." in outcome.out
    assert sorted(os.listdir(tmp_path)) == ["d.toml", f"pulse{suffix}"]


def test_what_stands_in_the_picture() -> None:
    """SVG with its text as text: title, axes with units, legend, end stops."""
    import matplotlib as mpl

    with mpl.rc_context({"svg.fonttype": "none"}):
        svg = draw_prediction(parse_design(HERON, "x"), [0.0, 135.0], "svg").decode()
    for words in (
        "heron: pulse against knob angle, 6 V, 27 °C",
        "knob angle / °",
        "pulse / µs",
        "arm angle / °",
        "high end stop, 2500 µs",
        "low end stop, 500 µs",
        "the servo's range",
        "95 of 100 channels built of these parts",
        "worst case: every part at its limit",
        ">180<",
        ">270<",
    ):
        assert words.replace("'", "'") in svg.replace("&#x27;", "'").replace("&apos;", "'"), words
    assert svg == _draw_text_again()


def _draw_text_again() -> str:
    """Draw the same once more: a picture holds no date and no chance."""
    import matplotlib as mpl

    with mpl.rc_context({"svg.fonttype": "none"}):
        return draw_prediction(parse_design(HERON, "x"), [0.0, 135.0], "svg").decode()


def _grey_rows(png: bytes) -> np.ndarray:
    from io import BytesIO

    from matplotlib.image import imread

    picture = np.asarray(imread(BytesIO(png), format="png"))
    return np.asarray(picture[..., :3] @ np.array([0.299, 0.587, 0.114]))


def test_bands_stay_apart_in_grey() -> None:
    """Along the right part of the picture lie, from the stop down, four shades of grey.

    Luma weights of Rec. 601, from memory. Neighbouring areas differ by 0.08 of full scale at least,
    which a laser printer keeps apart (common practice).
    """
    grey = _grey_rows(draw_prediction(parse_design(HERON, "x"), [0.0], "png"))
    shades = {round(float(one), 2) for one in np.unique(np.round(grey, 2))}
    counts = {shade: int(np.sum(np.abs(grey - shade) < 0.006)) for shade in shades}
    areas = sorted(shade for shade, count in counts.items() if count > 0.004 * grey.size)
    assert len(areas) >= 4  # 95 %, worst case, servo's range, paper
    assert min(np.diff([0.62, 0.80, 0.93, 1.0])) > 0.05
    for wanted in (0.62, 0.80, 0.93, 1.0):
        assert min(abs(wanted - shade) for shade in areas) < 0.03, areas


@pytest.mark.parametrize(
    "changes",
    [
        ("pulse_max_us = 2500", "pulse_max_us = 2500\nangle_min_deg = 90\nangle_max_deg = -90"),
        ("travel_deg = 270", "travel_deg = 3600"),
        ("travel_deg = 270", "travel_deg = 1"),
        ('r_knob = "100k"', "r_knob = 0"),
        ('longer = "clockwise"', 'longer = "anticlockwise"\ntaper = "log"'),
        ('"heron"', '"$x_1$ 七 [busy]"'),
        ('"heron"', '"' + "wide-" * 12 + '"'),
    ],
)
def test_odd_designs_can_be_drawn(changes: tuple[str, str]) -> None:
    """Warnings are errors in tests: none is raised by odd names, turns and servos."""
    design = parse_design(HERON.replace(*changes), "x")
    assert draw_prediction(design, [0.0], "png").startswith(BEGINS[".png"])


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("pulse", "ends in .png, .svg or .pdf"),
        ("pulse.jpg", "ends in .png, .svg or .pdf"),
        ("", "ends in .png, .svg or .pdf"),
        ("there.png", "there already"),
        ("dir.png", "there already"),
        ("nowhere/pulse.png", "is not there"),
    ],
)
def test_pictures_that_are_refused(name: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "there.png").write_bytes(b"mine")
    (tmp_path / "dir.png").mkdir()
    outcome = predict(tmp_path, HERON, "--plot", name)
    assert outcome.status == 2
    assert outcome.out == ""
    assert words in outcome.err
    assert outcome.err.count("\n") == 1
    assert (tmp_path / "there.png").read_bytes() == b"mine"
    assert sorted(os.listdir(tmp_path)) == ["d.toml", "dir.png", "there.png"]


def test_a_dangling_link_is_not_written_through(tmp_path: Path) -> None:
    (tmp_path / "link.png").symlink_to(tmp_path / "elsewhere.png")
    outcome = predict(tmp_path, HERON, "--plot", "link.png")
    assert outcome.status == 2
    assert not (tmp_path / "elsewhere.png").exists()


def test_json_names_the_picture(tmp_path: Path) -> None:
    outcome = predict(tmp_path, HERON, "--at", "90", "--json", "--plot", "p.svg")
    assert json.loads(outcome.out)["plot"] == "p.svg"
    assert (tmp_path / "p.svg").is_file()
