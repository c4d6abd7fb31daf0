"""What a person reads: text stays text, narrow screens, bars, numbers with their uncertainty."""

from __future__ import annotations

import io
import sys
import threading
from dataclasses import replace

import numpy as np
import pytest

from benchlog.calibration.table import Point, build_table
from benchlog.channel.design import parse_design, predict_cycle
from benchlog.show import terminal
from benchlog.show.cautions import CAUTIONS, show_cautions
from benchlog.show.json_output import in_microseconds, write_json
from benchlog.show.pulse_view import with_uncertainty
from benchlog.show.table_view import show_table
from benchlog.show.terminal import key_value_table, show, show_progress, warn


class Screen(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("text", ["[/dev/x]", "[busy]", "[red]x[/red]", "<b>x</b>", ":smile:"])
def test_text_from_outside_stays_text(capsys: pytest.CaptureFixture[str], text: str) -> None:
    show(text, key_value_table([(text, text)]))
    warn(text)
    captured = capsys.readouterr()
    assert captured.out.count(text) == 3
    assert captured.err == f"{text}\n"


def test_control_characters_are_made_visible(capsys: pytest.CaptureFixture[str]) -> None:
    show("a\x1b[31mb\nc")
    warn("a\x1b[31mb\nc")
    captured = capsys.readouterr()
    assert captured.out == captured.err == "a\\x1b[31mb\\nc\n"


def test_no_colour_and_no_trailing_blanks_through_a_pipe(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("FORCE_COLOR", raising=False)
    show(key_value_table([("a", "1"), ("longer", "2")]))
    out = capsys.readouterr().out
    assert "\x1b" not in out
    assert out == "\n".join(line.rstrip() for line in out.splitlines()) + "\n"


def test_no_bar_without_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    with show_progress("waiting") as advance:
        advance(0.5)
    assert capsys.readouterr().err == ""


def test_a_bar_comes_once_the_work_takes_long(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    with show_progress("[quick] work") as advance:
        advance(0.5)
    assert screen.getvalue() == ""
    monkeypatch.setattr(terminal, "BAR_AFTER_S", 0.0)
    with show_progress("[long] work") as advance:
        advance(0.25)
        advance(1.5)
    assert "[long] work" in screen.getvalue()
    assert "100%" in screen.getvalue()


def make_points() -> list[Point]:
    angles = np.array([0.0, 135.0, 270.0])
    return [Point(float(a), 0.0015, 1e-7, 0.015, supply_v=6.0, pulse_count=9) for a in angles]


@pytest.mark.parametrize("columns", [40, 60, 80, 120])
def test_a_table_fits_its_screen(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    heron_text: str,
    columns: int,
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    design = parse_design(heron_text, "heron")
    points = make_points()
    both = [*points, Point(0.0, 0.0026, 1e-7, 0.015, direction="down", pulse_sd_s=9e-6)]
    show_table(build_table(design, both))
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= columns
    assert "…" not in out
    words = " ".join(out.split())
    for word in ("1500.0 ± 0.2", "off design", "high stop", "jitter", "down"):
        assert word in words


def test_a_needy_row_says_what_would_decide(
    capsys: pytest.CaptureFixture[str], heron_text: str
) -> None:
    design = parse_design(heron_text, "heron")
    pulse_s = float(predict_cycle(design, 135.0, supply_v=6.0).on_s)
    point = Point(135.0, pulse_s, 1e-7, 0.015, supply_v=6.0, temperature_c=27.0)
    limit = build_table(design, [point]).rows[0].limit
    point = replace(point, pulse_s=pulse_s + limit.ceiling_s - 5e-6)
    table = build_table(design, [point])
    assert table.rows[0].verdict == "undecided"
    show_table(table)
    words = " ".join(capsys.readouterr().out.split())
    assert "Nothing is wrong" not in words
    assert "Undecided at 135°: what would decide is the knob read to within ±" in words


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (1495.31, 0.2, "1495.3 ± 0.4"),
        (1495.314, 0.02, "1495.31 ± 0.04"),
        (1495.3, 12.0, "1495.3 ± 24.0"),
    ],
)
def test_a_value_shows_two_standard_uncertainties(value: float, u: float, text: str) -> None:
    assert with_uncertainty(value, u) == text


def test_json_holds_finite_numbers_only(capsys: pytest.CaptureFixture[str]) -> None:
    write_json({"a": 1.5, "b": None, "c": "µ"})
    assert capsys.readouterr().out == '{\n  "a": 1.5,\n  "b": null,\n  "c": "\\u00b5"\n}\n'
    with pytest.raises(ValueError, match="JSON"):
        write_json({"a": float("nan")})
    with pytest.raises(ValueError, match="finite"):
        in_microseconds(float("inf"))
    assert in_microseconds(1.5e-3) == 1500.0


def test_the_cautions_name_what_can_hurt(capsys: pytest.CaptureFixture[str]) -> None:
    show_cautions()
    captured = capsys.readouterr()
    assert captured.out == ""
    assert len(captured.err.splitlines()) == len(CAUTIONS) + 1
    for word in ("mains", "headphone", "ground", "pinch", "burn", "local codes", "licensed"):
        assert word in captured.err


@pytest.mark.parametrize(
    ("is_terminal", "quiet", "is_told"),
    [(True, False, True), (True, True, False), (False, False, False)],
)
def test_slow_work_is_told_in_a_line_where_somebody_looks(
    monkeypatch: pytest.MonkeyPatch, is_terminal: bool, quiet: bool, is_told: bool
) -> None:
    class Screen(io.StringIO):
        def isatty(self) -> bool:
            return is_terminal

    screen = Screen()
    written = threading.Event()

    def write(text: str) -> None:
        screen.write(text)
        written.set()

    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(terminal, "BAR_AFTER_S", 0.0)
    monkeypatch.setattr(terminal, "warn", write)
    with terminal.tell_if_slow("Looking ...", quiet=quiet):
        if is_told:
            assert written.wait(20.0)
    assert screen.getvalue() == ("Looking ..." if is_told else "")


def test_quick_work_is_not_told(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(terminal, "BAR_AFTER_S", 3600.0)
    monkeypatch.setattr(terminal, "warn", told.append)
    with terminal.tell_if_slow("Looking ..."):
        pass
    assert told == []
