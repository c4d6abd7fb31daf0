"""`benchlog wire`: what it shows, what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchlog.channel.divider import choose_divider
from benchlog.show.cautions import CAUTIONS
from tests.command_inputs import check_line
from tests.command_line import plain_environment, run_here, run_process


@pytest.mark.parametrize("kind", ["line", "microphone", "headset"])
def test_it_shows_drawing_level_steps_and_cautions(tmp_path: Path, kind: str) -> None:
    outcome = run_here(
        "wire", "--supply", "4 AA", "--timer", "TLC555", "--into", kind, cwd=tmp_path
    )
    assert outcome.status == 0
    told = " ".join(outcome.out.split())
    divider = choose_divider(6.0, "cmos", kind)
    for words in (
        "pin 3, output",
        f"{-divider.level_db:.1f} dB below full scale",
        "12 V by mistake",
        "the timer off: 0 V",
        "If not, stop",
        "Only then the plug",
    ):
        assert words in told
    assert all(len(line) <= 80 for line in outcome.out.splitlines())
    for caution in CAUTIONS:
        assert caution in outcome.err
    assert "stored copy" not in told


def test_why_shows_the_sources(tmp_path: Path) -> None:
    outcome = run_here("wire", "--supply", "6", "--into", "line", "--why", cwd=tmp_path)
    told = " ".join(outcome.out.split())
    for words in ("-10 dBV", "TI SLFS043C p. 9; stored copy", "common practice; from memory"):
        assert words in told


def test_plain_is_sentences(tmp_path: Path) -> None:
    outcome = run_here("wire", "--supply", "6", "--into", "line", "--plain", cwd=tmp_path)
    assert not set("─│┬┴├▼▲[]") & set(outcome.out)
    assert "From the timer's pin 3, its output, 47 kΩ to the plug's tip." in outcome.out


@pytest.mark.parametrize("columns", ["40", "80", "120"])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_it_fits_the_screen(tmp_path: Path, columns: str, encoding: str) -> None:
    environment = plain_environment() | {"COLUMNS": columns, "PYTHONIOENCODING": encoding}
    outcome = run_process(
        "wire", "--supply", "6", "--into", "line", cwd=tmp_path, environment=environment
    )
    assert outcome.status == 0
    lines = outcome.out.splitlines()
    assert max(map(len, lines)) <= int(columns)
    drawing = "\n".join(lines[:14])
    assert ("─" in drawing) is (encoding == "utf-8")
    assert ("kohm ]" in drawing) is (encoding == "ascii")


def test_json_is_one_object_with_units(tmp_path: Path) -> None:
    outcome = run_here("wire", "--supply", "6", "--into", "headset", "--json", cwd=tmp_path)
    told = json.loads(outcome.out)
    assert told["series_ohm"] == 100e3
    assert told["clamp"] is None
    assert told["bias"]["input_v"] == 2.5
    assert [one["contact"] for one in told["contacts"]] == [
        "tip",
        "first ring",
        "second ring",
        "sleeve",
    ]
    assert outcome.err == ""


def test_a_channel_tells_supply_timer_and_pulse(bench_folder: Path) -> None:
    told = json.loads(run_here("wire", "heron", "--into", "line", "--json", cwd=bench_folder).out)
    assert (told["supply_v"], told["timer"]) == (6.0, "cmos")
    wide = json.loads(
        run_here("wire", "--supply", "6", "--into", "line", "--json", cwd=bench_folder).out
    )
    known, any_servo = told["meter"]["running_v"], wide["meter"]["running_v"]
    assert any_servo["low"] < known["low"] < known["high"] < any_servo["high"]
    # 605 us and 2371 us of some 14.9 ms, 0.54 V high, resistors within 5 %
    assert known["low"] == pytest.approx(0.54 * 0.0406 * 0.92, rel=0.03)
    assert known["high"] == pytest.approx(0.54 * 0.160 * 1.09, rel=0.03)


@pytest.mark.parametrize("supply", ["mains", "230", "wall", "16", "15.5", "24 V", "120 VAC"])
def test_mains_and_over_15_volts_are_refused_with_the_caution(tmp_path: Path, supply: str) -> None:
    outcome = run_here("wire", "--supply", supply, "--into", "line", cwd=tmp_path)
    assert outcome.status == 2
    assert outcome.out == ""
    check_line(outcome)
    assert "never mains" in outcome.err
    assert "local codes come first" in outcome.err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "wire without --supply"),
        (("--supply", "6"), "wire without --into"),
        (("--supply", "2", "--into", "line"), "3 to 15 V"),
        (("--supply", "6", "--into", "headphone"), "never a headphone output"),
        (("--supply", "6", "--into", "[red]"), "--into '[red]'"),
        (("--supply", "6", "--into", "line", "--timer", "555"), "timer's family"),
        (("nowhere", "--into", "line"), "no bench folder"),
    ],
)
def test_what_is_refused(tmp_path: Path, words: tuple[str, ...], message: str) -> None:
    outcome = run_here("wire", *words, cwd=tmp_path)
    assert outcome.status == 2
    assert outcome.out == ""
    check_line(outcome)
    assert message in outcome.err
