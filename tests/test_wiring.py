"""The drawing, the sentences and the meter's steps of a divider."""

from __future__ import annotations

import pytest

from benchlog.channel.divider import choose_divider
from benchlog.show.cautions import CAUTIONS
from benchlog.show.wiring import divider_to_json, list_facts, meter_steps, notes
from benchlog.show.wiring_drawing import draw_divider, wiring_sentences

EVERY = [
    (supply_v, family, kind)
    for supply_v in (3.0, 4.5, 6.0, 9.0, 15.0)
    for family in ("cmos", "bipolar")
    for kind in ("line", "microphone", "headset")
]


@pytest.mark.parametrize(("supply_v", "family", "kind"), EVERY)
@pytest.mark.parametrize("width", [40, 80])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_the_drawing_is_joined_up(
    supply_v: float, family: str, kind: str, width: int, ascii_only: bool
) -> None:
    divider = choose_divider(supply_v, family, kind)
    lines = draw_divider(divider, width, ascii_only=ascii_only)
    assert max(map(len, lines)) <= width
    if ascii_only:
        assert all(line.isascii() for line in lines)
    # Below each joint that leads down something stands, down to the ground lead.
    upright = "│|[]▼▲V^kΩ.ohm 0123456789"
    ground = next(
        row for row, line in enumerate(lines) if ("sleeve" in line or "ground" in line) and row > 4
    )
    top = next(row for row, line in enumerate(lines) if "tip" in line or "microphone" in line)
    joints = [column for column, sign in enumerate(lines[top]) if sign in ("┬", "├", "+")]
    assert len(joints) == (3 if divider.clamp_diodes else 1)
    for column in joints:
        for row in range(top + 1, ground):
            assert lines[row].ljust(width)[column] in upright
            assert lines[row].ljust(width)[column] != " " or "[" in lines[row][:column]
        assert lines[ground][column] in "┴├+"
    diodes = sum(line.count("▼") + line.count("▲") for line in lines)
    if not ascii_only:
        assert diodes == 2 * divider.clamp_diodes


def test_the_drawing_at_80_columns() -> None:
    assert draw_divider(choose_divider(6.0, "cmos", "line"), 80) == [
        "  timer                                                 plug",
        "  pin 3, output  o───[ 47 kΩ ]────┬────────┬────┬───────o  tip",
        "                                  │        │    │",
        "                             [ 4.7 kΩ ]    ▼    ▲  1N4148",
        "                                  │        ▼    ▲",
        "                                  │        │    │",
        "  pin 1, ground  o────────────────┴────────┴────┴───────o  sleeve",
    ]


@pytest.mark.parametrize(("supply_v", "family", "kind"), EVERY)
def test_the_sentences_say_what_is_drawn(supply_v: float, family: str, kind: str) -> None:
    divider = choose_divider(supply_v, family, kind)
    text = " ".join(wiring_sentences(divider))
    box = draw_divider(divider, 80)[1].partition("[ ")[2].partition(" ]")[0]
    assert box in text
    assert ("1N4148" in text) is bool(divider.clamp_diodes)
    assert not set("─│┬┴├▼▲") & set(text)


@pytest.mark.parametrize(("supply_v", "family", "kind"), EVERY)
def test_the_steps_end_in_stop_and_the_plug_comes_last(
    supply_v: float, family: str, kind: str
) -> None:
    steps = meter_steps(choose_divider(supply_v, family, kind), None)
    assert all("If not, stop" in step for step in steps[:-1])
    assert steps[-1] == "Only then the plug."
    assert "the timer off: 0 V" in steps[1]


def test_a_headset_says_its_order_its_bias_and_why_it_has_no_capacitor() -> None:
    text = " ".join(notes(choose_divider(6.0, "cmos", "headset")))
    for words in (
        "first ring",
        "CTIA",
        "OMTP",
        "2.5 V",
        "No coupling capacitor",
        "outputs: nothing is connected",
    ):
        assert words in text


def test_a_timer_outside_its_supply_is_told() -> None:
    assert "is made for 4.5 to 16 V" in " ".join(notes(choose_divider(3.0, "bipolar", "line")))
    assert "is made for" not in " ".join(notes(choose_divider(6.0, "bipolar", "line")))


def test_the_json_has_the_cautions_and_every_source() -> None:
    divider = choose_divider(9.0, "bipolar", "headset")
    told = divider_to_json(divider, None)
    assert told["cautions"] == list(CAUTIONS)
    assert len(told["sources"]) == len(list_facts(divider)) >= 8
    assert any("TI SLFS022A" in one["source"] for one in told["sources"])
    assert told["level_v_peak"] == divider.level_v.value
    assert told["below_full_scale_db"] == pytest.approx(-divider.level_db)
