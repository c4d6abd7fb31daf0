"""`diagnose --on-the-beat` and `--compare`: led over a pseudo-terminal, and from files."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from benchlog.capture.sidecar import read_sidecar
from benchlog.channel.design import Design, parse_design
from benchlog.show.beat_view import BeatPicture, BeatSentences, lay_out_beat
from benchlog.show.live_layout import line_width
from benchlog.show.live_shapes import ASCII, UNICODE
from tests.command_line import run_here
from tests.played_bench import PlayedBench
from tests.servo_script import KeyedCommand

SHORT = ("--rounds", "7", "--slot", "1")


@pytest.fixture(scope="module")
def design(heron_text: str) -> Design:
    return parse_design(heron_text, "heron")


def write_cycles(path: Path, on_s: np.ndarray, off_s: np.ndarray, **sidecar: object) -> Path:
    """Write a probe's list of pulses, with a sidecar beside it."""
    ends = np.cumsum(np.stack([on_s, off_s], axis=1).ravel())
    times = np.concatenate([[0.01], 0.01 + ends[:-1]])
    rows = [f"{one:.9f},{1 - k % 2}" for k, one in enumerate(times.tolist())]
    path.write_text("time_s,level\n" + "\n".join(rows) + "\n", encoding="ascii")
    known = {"channel": "heron", "knob_deg": 135, "recorded_utc": "2026-09-01T10:00:00Z"}
    path.with_suffix(".json").write_text(json.dumps({**known, **sidecar}), encoding="utf-8")
    return path


def draw_cycles(count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Draw steady cycles of heron's kind, with a microsecond of jitter."""
    rng = np.random.default_rng(seed)
    return 1.5e-3 + 1e-6 * rng.standard_normal(count), 13e-3 + 3e-6 * rng.standard_normal(count)


# --- on the beat ---------------------------------------------------------------------


@pytest.mark.pty
def test_a_hand_that_loads_the_supply_is_found_and_the_record_kept(
    design: Design, bench_folder: Path
) -> None:
    bench = PlayedBench(None, design, knob_deg=135.0)
    words = ("diagnose", "heron", "--on-the-beat", "--try", "supply", "--at", "135", "--plain")
    with bench.over_pty() as port:
        command = KeyedCommand(*words, *SHORT, "--port", port, cwd=bench_folder)
        for _ in range(14):
            said = command.wait_for("of 14: load the supply", "of 14: take the load away")
            bench.set(supply_v=5.7 if "load the" in said else 6.0)
        command.wait_for("The recording")
        assert command.finish() == 1, command.seen
    assert "The pulse follows what you do" in command.seen
    assert "\a" in command.seen
    [record] = list((bench_folder / "captures" / "heron").glob("*.csv"))
    beats = read_sidecar(record.with_suffix(".json")).other["beats"]
    assert (beats["try"], sum(beats["acts"]), len(beats["acts"])) == ("supply", 7, 14)
    # what was recorded gives the same answer again, and 0.3 V at some -35 us/V are -10 us more
    again = run_here("diagnose", record, "--on-the-beat", "--json", cwd=bench_folder)
    [finding] = json.loads(again.out)["findings"]
    assert (again.status, finding["cause"]) == (1, "supply")
    assert 5.0 < finding["evidence"]["effect_us"] < 16.0
    assert finding["evidence"]["p_value"] <= 0.005


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("heron", "--on-the-beat"), "nothing to listen to"),
        (("heron", "--on-the-beat", "--port", "x"), "without --at"),
        (("heron", "--on-the-beat", "--port", "x", "--input", "1"), "--input together with --port"),
        (("heron", "--on-the-beat", "--try", "hope"), "--try 'hope'"),
        (("heron", "--on-the-beat", "--rounds", "3"), "--rounds '3'"),
        (("heron", "--on-the-beat", "--rounds", "7.5"), "whole number"),
        (("heron", "--on-the-beat", "--slot", "nan"), "--slot 'nan'"),
        (("heron", "--on-the-beat", "--compare"), "--on-the-beat together with --compare"),
        (("heron", "moon", "--on-the-beat"), "with 2 names"),
        (("heron", "--port", "x"), "something to listen to"),
        (("heron", "--compare"), "--compare with 'heron'"),
        (("unplugged=a.csv", "--compare"), "--compare with 1 recording"),
        (("unplugged=a.csv", "unplugged=b.csv", "--compare"), "each once"),
        (("unplugged=a.csv", "plugged=b.csv", "--compare"), "a.csv"),
        (("heron", "--compare", "--port", "/dev/null/x", "--at", "1"), "no serial port"),
        (("plain.csv", "--on-the-beat"), "no beats"),
        (("wrong.csv", "--on-the-beat"), "beats that cannot be"),
    ],
)
def test_refusals(words: tuple[str, ...], said: str, bench_folder: Path) -> None:
    on_s, off_s = draw_cycles(100, 1)
    write_cycles(bench_folder / "plain.csv", on_s, off_s)
    beats = {"try": "tap", "start_s": 0, "slot_s": 1, "acts": [0, 1, 2, 1, 0, 1, 0, 1]}
    write_cycles(bench_folder / "wrong.csv", on_s, off_s, beats=beats)
    out = run_here("diagnose", *words, cwd=bench_folder)
    assert (out.status, out.out) == (2, ""), out
    assert len(out.err.splitlines()) == 1, out
    assert said in out.err, out


# --- the screen ----------------------------------------------------------------------


def test_the_screen_fits_any_size() -> None:
    for is_act in (True, False, None):
        picture = BeatPicture("heron", "turn the neighbour's knob", "hands off", is_act, 3, 16, 2.4)
        for glyphs in (UNICODE, ASCII):
            for width in (1, 8, 20, 80, 200):
                for height in (1, 3, 10, 24, 60):
                    lines = lay_out_beat(picture, width, height, glyphs)
                    assert len(lines) == height
                    assert all(line_width(line) <= width for line in lines)


def test_sentences_once_a_beat() -> None:
    said: list[str] = []
    view = BeatSentences(said.append)
    for slot, is_act in ((0, None), (1, False), (1, False), (2, True), (3, False)):
        view.show(BeatPicture("heron", "act", "rest", is_act, slot, 3, 1.0))
    assert said == ["1 of 3: rest", "2 of 3: act", "3 of 3: rest"]
