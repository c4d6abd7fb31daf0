"""Design files in the making: what is written is what was told, and reads back."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.capture.design_files import store_design
from benchlog.capture.store import Bench
from benchlog.channel.design import parse_design, predict_cycle
from benchlog.channel.draft import Draft, ServoRange, copy_text, draft_text
from benchlog.channel.draft_check import find_reach, suggest_part
from benchlog.channel.markings import read_capacitor, read_resistor
from benchlog.errors import DesignError, StoreError

HERON = Draft(
    channel="heron",
    supply_v=6.0,
    family="cmos",
    r_on=read_resistor("33k"),
    r_knob=read_resistor("100k"),
    r_off=read_resistor("820k"),
    c_timing=read_capacitor("223J"),
    diode="1N4148",
    travel_deg=270.0,
    longer="clockwise",
    taper="linear",
    servo=ServoRange(500.0, 2500.0),
    angles_deg=(0.0, 180.0),
    told={"supply": "4 AA", "c_timing": "223J", "r_on": "33k"},
)


def test_a_draft_reads_back() -> None:
    text = draft_text(HERON)
    design = parse_design(text, "heron")
    assert [part.value for part in design.parts] == [33e3, 100e3, 820e3, 22e-9]
    assert design.c_timing.tolerance == 0.05
    assert design.r_on.tolerance == 0.05  # not told: the default
    assert (design.channel, design.supply.value, design.timer.name) == ("heron", 6.0, "cmos")
    assert (design.servo.pulse_min_s, design.servo.pulse_max_s) == (500e-6, 2500e-6)
    # The words are kept, unless they say no more than the value.
    assert "'4 AA'" in text
    assert "'223J'" in text
    assert "'33k'" not in text
    assert "cautious" not in text


@given(
    r_on=st.floats(1.0, 1e8),
    c=st.floats(1e-12, 1e-2),
    volts=st.floats(0.1, 18.0),
    travel=st.floats(1.0, 3600.0),
    words=st.text(max_size=120),
)
def test_any_draft_reads_back(
    r_on: float, c: float, volts: float, travel: float, words: str
) -> None:
    draft = dataclasses.replace(
        HERON,
        supply_v=volts,
        r_on=dataclasses.replace(HERON.r_on, value=r_on, tolerance=0.01),
        c_timing=dataclasses.replace(HERON.c_timing, value=c),
        travel_deg=travel,
        told={"timer": words, "r_on": words, "supply": words},
    )
    design = parse_design(draft_text(draft), "any")
    assert design.r_on.value == r_on
    assert design.c_timing.value == c
    assert design.supply.value == volts
    assert design.knob.travel_deg == pytest.approx(travel, rel=1e-11)


def test_a_trimmer_and_a_cautious_servo() -> None:
    draft = dataclasses.replace(
        HERON,
        r_on=read_resistor("33k + trimmer 10k"),
        servo=ServoRange(1000.0, 2000.0, is_assumed=True),
    )
    text = draft_text(draft)
    assert parse_design(text, "x").r_on_trimmer_ohm == 10e3
    assert "cautious" in text


def test_copying_changes_the_name_alone(heron_text: str) -> None:
    text = '# the pond\n"channel" = \'heron\'  # my "channel"\n' + heron_text.split("\n", 1)[1]
    original = parse_design(text, "heron.toml")
    copied = copy_text(original, "mond [b]", "heron.toml")
    lines = copied.split("\n")
    assert lines[0] == '# Copied from the design of "heron".'
    assert lines[2] == '"channel" = "mond [b]"  # my "channel"'
    assert lines[1:2] + lines[3:] == text.split("\n")[:1] + text.split("\n")[2:]
    other = parse_design(copied, "copy")
    assert dataclasses.replace(other, text="", channel="") == dataclasses.replace(
        original, text="", channel=""
    )


def test_copying_keeps_the_line_ends_of_the_original(heron_text: str) -> None:
    original = parse_design(heron_text.replace("\n", "\r\n"), "heron.toml")
    copied = copy_text(original, "moon", "heron.toml")
    assert copied.count("\n") == copied.count("\r\n") == heron_text.count("\n") + 1


def test_a_name_that_cannot_be_changed_is_told(heron_text: str) -> None:
    text = heron_text.replace('"heron"', '"""heron"""', 1)
    original = parse_design(text, "heron.toml")
    with pytest.raises(DesignError, match=r"heron\.toml: the channel's name stands there"):
        copy_text(original, "moon", "heron.toml")


def test_the_reach_is_what_is_predicted() -> None:
    design = parse_design(draft_text(HERON), "heron")
    reach = find_reach(design)
    ends = predict_cycle(design, [0.0, 270.0]).on_s
    assert reach.pulse_s == pytest.approx(tuple(ends), rel=1e-9)
    assert not reach.past_low
    assert not reach.past_high
    assert reach.safe_deg == (0.0, 270.0)
    assert reach.likely_s[0] < reach.pulse_s[0] < reach.pulse_s[1] < reach.likely_s[1]


@pytest.mark.parametrize("longer", ["clockwise", "anticlockwise"])
def test_where_the_servo_s_range_is_left(longer: str) -> None:
    draft = dataclasses.replace(HERON, servo=ServoRange(1000.0, 2000.0), longer=longer)
    design = parse_design(draft_text(draft), "heron")
    reach = find_reach(design)
    assert reach.past_low
    assert reach.past_high
    assert reach.safe_deg is not None
    inside = predict_cycle(design, list(reach.safe_deg)).on_s
    assert 1000e-6 <= inside.min() <= inside.max() <= 2000e-6
    # a degree further it is left: a degree of knob is some 7 us
    outside = predict_cycle(design, [reach.safe_deg[0] - 1, reach.safe_deg[1] + 1]).on_s
    assert outside.min() < 1000e-6
    assert outside.max() > 2000e-6


@pytest.mark.parametrize("end", ["low", "high"])
def test_the_part_that_is_suggested_keeps_the_range(end: str) -> None:
    draft = dataclasses.replace(HERON, servo=ServoRange(1000.0, 2000.0))
    design = parse_design(draft_text(draft), "heron")
    better = suggest_part(design, end)
    assert better is not None
    name, ohm = better
    marking = read_resistor(f"{ohm:g}")
    changed = dataclasses.replace(draft, **{name: marking})  # type: ignore[arg-type]
    reach = find_reach(parse_design(draft_text(changed), "better"))
    assert not (reach.past_low if end == "low" else reach.past_high)


def test_storing_reads_back_and_never_overwrites(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    path, design = store_design(bench, "heron", draft_text(HERON))
    assert path == tmp_path / "calibration" / "heron" / "design.toml"
    assert path.read_text(encoding="utf-8") == draft_text(HERON) == design.text
    before = path.read_bytes()
    with pytest.raises(StoreError, match="is there already"):
        store_design(bench, "heron", draft_text(HERON).replace("6.0", "5.0"))
    assert path.read_bytes() == before
    assert [one.name for one in path.parent.iterdir()] == ["design.toml"]


@pytest.mark.parametrize(
    "text", ["nonsense", draft_text(HERON).replace("33k", "33q"), draft_text(HERON)]
)
def test_what_does_not_read_back_leaves_nothing(tmp_path: Path, text: str) -> None:
    with pytest.raises(DesignError):
        store_design(Bench(tmp_path), "moon", text)
    assert list(tmp_path.iterdir()) == []


def test_a_full_or_closed_disk_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(path: Path, text: str) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("benchlog.capture.design_files.write_flushed", fail)
    with pytest.raises(StoreError, match="is full"):
        store_design(Bench(tmp_path), "moon", draft_text(HERON))
    assert list(tmp_path.iterdir()) == []


def test_the_text_is_plain_toml() -> None:
    values = tomllib.loads(draft_text(HERON))
    assert set(values) == {"channel", "supply", "timer", "diode", "knob", "servo"}
    assert math.isclose(values["supply"]["volts"], 6.0)
