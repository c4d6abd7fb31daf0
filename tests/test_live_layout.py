"""The live picture at any size: nothing wider than the screen, the words there, no sign alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.calibration.live_verdict import LiveVerdict
from benchlog.show.live_layout import KEYS, lay_out, line_width
from benchlog.show.live_picture import LivePicture, Panel, Status, panel_remarks, picture_is_well
from benchlog.show.live_shapes import ASCII, UNICODE, Glyphs, bar_rows, big_number, draw_arm
from benchlog.show.live_view import STYLES, write_picture
from benchlog.timing.jitter import Statistic
from benchlog.timing.live_quiet import explain_quiet
from benchlog.timing.live_reading import LiveReading

SIZES = [(80, 24), (120, 40), (40, 20)]


def _reading(width_us: float = 1498.7, **known: object) -> LiveReading:
    rng = np.random.default_rng(1)
    recent = width_us * 1e-6 + rng.normal(size=300) * 0.5e-6
    width = Statistic(width_us * 1e-6, 0.5e-6, 0.1e-6, recent.min(), recent.max())
    plain = LiveReading(
        1,
        12.0,
        "pulses",
        width=width,
        period=Statistic(0.0148759, 1e-6, 1e-6, 0.0148, 0.0149),
        width_count=120,
        latest_s=width.mean_s,
        last_pulse_s=11.99,
        recent_s=recent,
        jitter_s=0.5e-6,
        floor_s=0.1e-6,
        strip_s=(None, None, *(recent[:80].tolist())),
        active_level="high",
        step=0.5,
    )
    return replace(plain, **known)  # type: ignore[arg-type]


def _panel(width_us: float = 1498.7, title: str = "heron", **known: object) -> Panel:
    return Panel(title, _reading(width_us, **known), age_s=0.04)


def _quiet(title: str = "heron") -> Panel:
    quiet = explain_quiet(np.zeros(12000, np.float32), 12000.0, stopped=None)
    return Panel(title, LiveReading(1, 5.0, "quiet", quiet=quiet), age_s=None)


def _verdict(word: str) -> LiveVerdict:
    return LiveVerdict(135.0, 1497.5e-6, 1.2e-6, 4e-6, word, 135.1, 89.9, None)


def _text(picture: LivePicture, width: int, height: int, glyphs: Glyphs = UNICODE) -> list[str]:
    lines = lay_out(picture, width, height, glyphs)
    assert len(lines) == height
    assert all(line_width(line) <= width for line in lines)
    assert all(style in STYLES for line in lines for _, style in line)
    return ["".join(text for text, _ in line) for line in lines]


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_healthy_channel(width: int, height: int) -> None:
    panel = replace(_panel(), verdict=_verdict("on design"), assumed=False)
    lines = _text(LivePicture((panel,), source="USB Audio"), width, height)
    whole = "\n".join(lines)
    for word in ("heron", "s ago", "arm 89.9°", "± 0.2", "✓ on design", "period 14.876 ms"):
        assert word in whole
    assert "jitter 0.50 µs" in whole
    assert "last " in whole
    assert lines[-1].strip() == KEYS
    assert "live" in lines[0]
    # the number is drawn from blocks, five rows of them at the least
    assert sum("██" in line for line in lines) >= 5


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_arm_and_the_number_come_first(width: int, height: int) -> None:
    lines = _text(LivePicture((_panel(),)), width, height)
    arm = next(row for row, line in enumerate(lines) if "arm " in line)
    number = next(row for row, line in enumerate(lines) if "██" in line)
    rest = next(row for row, line in enumerate(lines) if "period" in line)
    assert max(arm, number) < rest


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize(("width_us", "stop"), [(480.0, "low"), (2600.0, "high")])
def test_an_end_stop(width: int, height: int, width_us: float, stop: str) -> None:
    panel = replace(_panel(width_us), assumed=False)
    whole = "\n".join(_text(LivePicture((panel,)), width, height))
    assert f"! past the {stop} end stop" in whole
    assert "STOP" in whole


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_no_pulses(width: int, height: int) -> None:
    lines = _text(LivePicture((_quiet(),)), width, height)
    whole = "\n".join(lines)
    assert "NO PULSES" in whole
    assert "Heard: silence." in whole
    numbered = [line[0] for line in lines if line[:2] in ("1 ", "2 ", "3 ", "4 ")]
    assert numbered == ["1", "2", "3", "4"]
    assert whole.index("no supply") < whole.index("reset") < whole.index("wiper")
    assert "██" not in whole


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_what_is_wrong_is_said(width: int, height: int) -> None:
    panel = _panel(clipped_share=0.071, lost_count=2, lost_s=0.012)
    whole = "\n".join(_text(LivePicture((panel,)), width, height))
    assert "! clipping, 7.1 %" in whole
    if width > 40:
        assert "! samples lost 2 times (12 ms)" in whole


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_two_inputs(width: int, height: int) -> None:
    panels = (_panel(1498.7), replace(_panel(2600.0, "curtain"), assumed=False))
    lines = _text(LivePicture(panels), width, height)
    whole = "\n".join(lines)
    for word in ("heron", "curtain", "past the high end stop"):
        assert word in whole
    assert sum("██" in line for line in lines) >= 5


@pytest.mark.parametrize("count", [3, 4, 8])
def test_many_inputs(count: int) -> None:
    panels = tuple(
        replace(_panel(1000.0 + 100 * n, f"c{n}"), reading=_reading(1000.0 + 100 * n, input=n))
        for n in range(count)
    )
    for width, height in (*SIZES, (80, 12)):
        whole = "\n".join(_text(LivePicture(panels), width, height))
        assert all(f"c{n}" in whole for n in range(count if height > 15 or width > 60 else 4))


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_held_and_zeroed(width: int, height: int) -> None:
    panel = replace(_panel(), zero_s=1490.2e-6)
    picture = LivePicture((panel,), status="held", held_s=7.2, message="held; h goes on")
    lines = _text(picture, width, height)
    assert "HELD 7 s" in lines[0]
    assert "changed" in "\n".join(lines)
    assert "now 1498.7" in "\n".join(lines)
    assert "held; h goes on" in lines[-1]


def test_a_long_message_is_told_whole() -> None:
    message = "the disk of /a/long/path is full; expected room for a mark; try: freeing some space"
    lines = _text(LivePicture((_panel(),), message=message), 40, 20)
    assert " ".join(" ".join(lines[-4:]).split()).endswith("freeing some space")


def test_unplugged_shows_no_number() -> None:
    panel = replace(_panel(), reading=_reading(width=None, period=None))
    lines = _text(LivePicture((panel,), status="unplugged"), 80, 24)
    assert "UNPLUGGED, waiting" in lines[0]
    assert any("Plug it in again" in line for line in lines)


@pytest.mark.parametrize(
    ("word", "mark"),
    [
        ("on design", "✓"),
        ("within part tolerance", "✓"),
        ("undecided", "?"),
        ("off design", "!"),
    ],
)
def test_a_verdict_has_a_mark_and_a_word(word: str, mark: str) -> None:
    panel = replace(_panel(), verdict=_verdict(word), assumed=False)
    whole = "\n".join(_text(LivePicture((panel,)), 80, 24))
    assert f"{mark} {word}: +1.2 ± 8.0 µs from 1497.5 µs at 135°" in whole
    well = picture_is_well(LivePicture((panel,)))
    assert well is (word in ("on design", "within part tolerance"))


def test_without_a_knob_angle_the_design_tells_it() -> None:
    known = LiveVerdict(None, None, None, None, None, 134.2, 89.9, None)
    panel = replace(_panel(), verdict=known, assumed=False)
    assert "knob is at 134.2°" in "\n".join(_text(LivePicture((panel,)), 80, 24))
    never = replace(panel, verdict=replace(known, gives_deg=None))
    assert "! the design never gives this pulse" in "\n".join(_text(LivePicture((never,)), 80, 24))


@pytest.mark.parametrize("title", ["[bold]x[/]", "[/dev/x]", "a\x1b[31mb\nc", "長い名前" * 10])
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_outside_text_only_names(title: str, width: int, height: int) -> None:
    picture = LivePicture((_panel(title=title),), source=title, message=None)
    lines = _text(picture, width, height)
    assert not any("\x1b" in line or "\n" in line for line in lines)
    if title.startswith("[b"):
        assert title in lines[1]


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_ascii_alone(width: int, height: int) -> None:
    stopped = replace(_panel(2600.0), verdict=_verdict("off design"), jitter_limit_s=0.1e-6)
    for panel in (_panel(), _quiet(), stopped):
        whole = "\n".join(_text(LivePicture((panel,)), width, height, ASCII))
        assert whole.isascii()


@settings(max_examples=150)
@given(
    width=st.integers(1, 200),
    height=st.integers(1, 70),
    count=st.integers(0, 5),
    status=st.sampled_from(["live", "held", "unplugged", "ended"]),
    kind=st.sampled_from(["good", "quiet", "zero", "huge", "few"]),
)
def test_any_size(width: int, height: int, count: int, status: Status, kind: str) -> None:
    panels = {
        "good": _panel(),
        "quiet": _quiet(),
        "zero": replace(_panel(), zero_s=1e-3, verdict=_verdict("undecided")),
        "huge": _panel(123456.7, jitter_s=1e-3, floor_s=0.0),
        "few": _panel(jitter_s=None, strip_s=(), recent_s=np.empty(0)),
    }
    _text(LivePicture((panels[kind],) * count, status=status), width, height)
    _text(LivePicture((panels[kind],) * count, status=status), width, height, ASCII)


# --- shapes -------------------------------------------------------------------


def test_a_number_by_hand() -> None:
    assert big_number("1.", 1, 1, "#") == [" #   ", "##   ", " #   ", " #   ", "### #"]
    assert len(big_number("0", 2, 2, "#")) == 10


@pytest.mark.parametrize(("angle", "side"), [(0.0, "left"), (90.0, "up"), (180.0, "right")])
def test_where_the_arm_points(angle: float, side: str) -> None:
    arm, _ = draw_arm(40, 10, angle, True)
    rows = arm.split("\n")
    columns = [column for row in rows for column, cell in enumerate(row) if cell != "0"]
    middle = sum(columns) / len(columns)
    drawn_rows = sum(any(cell != "0" for cell in row) for row in rows)
    assert {"left": middle < 17, "up": 18 < middle < 21, "right": middle > 22}[side]
    assert (drawn_rows > 7) is (side == "up")


def test_bars_by_hand() -> None:
    assert bar_rows([0.0, 0.5, 1.0, None], 1, UNICODE) == [" ▄█·"]
    assert bar_rows([0.25, 0.75, 1.0], 2, UNICODE) == [" ▄█", "▄██"]


def test_only_lines_that_differ_are_drawn() -> None:
    def paint(text: str, style: str) -> str:
        return text

    first = lay_out(LivePicture((_panel(),)), 80, 24, UNICODE)
    older = lay_out(LivePicture((replace(_panel(), age_s=3.0),)), 80, 24, UNICODE)
    assert write_picture(first, first, 80, paint) == ""
    changed = write_picture(older, first, 80, paint)
    assert changed.count("\x1b[2;1H") == 1
    assert changed.count("H") - changed.count("heron") <= 2
    assert write_picture(first, None, 80, paint).count("\x1b[2J") == 1


def test_a_full_line_is_not_erased_at_its_end() -> None:
    line = [("x" * 10, "")]
    assert "\x1b[K" not in write_picture([line], None, 10, lambda text, _: text)
    assert "\x1b[K" in write_picture([line], None, 11, lambda text, _: text)


def test_every_remark_begins_with_what_it_is() -> None:
    panel = _panel(weak=True, level_unsure=True, missing_count=1, extra_count=2, garbled_count=3)
    remarks = dict((text, severity) for severity, text in panel_remarks(panel))
    assert remarks["1 pulse missing"] == "bad"
    assert remarks["2 extra pulses"] == "bad"
    assert remarks["3 garbled lines"] == "note"
