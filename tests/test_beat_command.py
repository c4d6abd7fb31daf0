"""`diagnose --on-the-beat` and `--compare`: led over a pseudo-terminal, and from files."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchlog.capture.sidecar import read_sidecar
from benchlog.channel.design import Design, parse_design
from benchlog.diagnosis.trial.beats import Beats, draw_beats
from benchlog.show.beat_view import BeatPicture, BeatSentences, lay_out_beat
from benchlog.show.live_layout import line_width
from benchlog.show.live_shapes import ASCII, UNICODE
from tests.command_line import run_here
from tests.played_bench import PlayedBench
from tests.servo_script import KeyedCommand

SHORT = ("--rounds", "7", "--slot", "2")


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
    """The channel is switched on late: the beats begin with its first pulse."""
    bench = PlayedBench(None, design, knob_deg=135.0, plugged=False)
    words = ("diagnose", "heron", "--on-the-beat", "--try", "supply", "--at", "135", "--plain")
    with bench.over_pty() as port:
        command = KeyedCommand(*words, *SHORT, "--port", port, cwd=bench_folder)
        command.wait_for("No pulses yet: is the channel on?")
        time.sleep(2.0)
        bench.plug()
        for _ in range(14):
            said = command.wait_for("of 14, ACT: load the supply", "of 14, REST: take the load")
            bench.set(supply_v=5.7 if "ACT" in said else 6.0)
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
        (("heron", "--on-the-beat", "--slot", "1.5"), "--slot '1.5'"),
        (("heorn", "--on-the-beat", "--port", "/dev/null", "--at", "1"), "no channel heorn"),
        (("heron", "--on-the-beat", "--port", "/dev/null", "--at", "300"), "0 to 270 degrees"),
        (("heron", "--on-the-beat", "--port", "/dev/null", "--at=-1"), "0 to 270 degrees"),
        (("heron", "--on-the-beat", "--compare"), "--on-the-beat together with --compare"),
        (("heron", "moon", "--on-the-beat"), "with 2 names"),
        (("heron", "--port", "x"), "something to listen to"),
        (("heron", "--compare"), "--compare with 'heron'"),
        (("unplugged=a.csv", "--compare"), "--compare with 1 recording"),
        (("unplugged=a.csv", "unplugged=b.csv", "--compare"), "each once"),
        (("unplugged=a.csv", "plugged=b.csv", "--compare"), "a.csv"),
        (("heron", "--compare", "--port", "/dev/null/x", "--at", "1"), "no serial port"),
        (("plain.csv", "--on-the-beat"), "plain.csv was not recorded on the beat"),
        (
            ("wrong.csv", "--on-the-beat"),
            "what wrong.json says of the beats of wrong.csv cannot be",
        ),
        (("plain.csv", "--on-the-beat", "--try", "tap"), "--try with what was recorded before"),
        (("plain.csv", "--on-the-beat", "--at", "9"), "--at with what was recorded before"),
        (
            ("heron", "--on-the-beat", "--try", "tap", "--at", "9"),
            "--try tap --at 9 --input DEVICE",
        ),
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
    assert "{" not in out.err, out  # plain words, no programmer's


def beats_beside(*, slot_s: float = 2.0, tried: str = "tap", seed: int = 1) -> dict[str, object]:
    """Return what a sidecar says of seven rounds."""
    beats = draw_beats(7, slot_s, seed)
    acts = [int(one) for one in beats.acts]
    return {"try": tried, "start_s": 1.5, "slot_s": slot_s, "acts": acts}


def lose_cycles(
    on_s: np.ndarray, off_s: np.ndarray, share_at: Callable[[float], float]
) -> tuple[np.ndarray, np.ndarray]:
    """Lose pulses: the rest before each lasts until the next one that came."""
    rng = np.random.default_rng(7)
    kept_on, kept_off, now_s = [on_s[0]], [off_s[0]], on_s[0] + off_s[0]
    for on, off in zip(on_s[1:].tolist(), off_s[1:].tolist(), strict=True):
        if rng.random() < share_at(now_s):
            kept_off[-1] += on + off
        else:
            kept_on.append(on)
            kept_off.append(off)
        now_s += on + off
    return np.array(kept_on), np.array(kept_off)


@pytest.mark.parametrize(
    ("where", "cause", "way"),
    [("acting", "wiper", "events"), ("always", "missing-pulse", None), ("never", "steady", None)],
)
def test_pulses_that_a_tap_loses(
    where: str, cause: str, way: str | None, bench_folder: Path
) -> None:
    """Of the pulses of each act 30 % are lost, as a wiper that opens does it; or all the time."""
    told = beats_beside()
    beats = Beats(2.0, draw_beats(7, 2.0, 1).acts, 1.5)

    def share_at(time_s: float) -> float:
        always = {"acting": 0.0, "always": 0.3, "never": 0.0}[where]
        return 0.3 if where == "acting" and beats.act_at(time_s - 0.4) else always

    on_s, off_s = lose_cycles(*draw_cycles(2080, 5), share_at)
    path = write_cycles(bench_folder / "tap.csv", on_s, off_s, beats=told)
    out = run_here("diagnose", path, "--on-the-beat", "--json", cwd=bench_folder)
    [finding] = json.loads(out.out)["findings"]
    assert (finding["cause"], finding["evidence"]["way"]) == (cause, way), finding
    assert out.status == (0 if where == "never" else 1)
    assert ("does not follow" in finding["text"]) == (where == "never")


def test_a_channel_that_died_on_the_way(bench_folder: Path) -> None:
    """9 s of pulses in a recording that nobody ended, and in one that was left there."""
    on_s, off_s = draw_cycles(620, 5)
    path = write_cycles(bench_folder / "died.csv", on_s, off_s, beats=beats_beside())
    out = run_here("diagnose", path, "--on-the-beat", cwd=bench_folder)
    assert out.status == 1
    assert "The pulses ceased after 9 s." in out.out
    told = {**beats_beside(), "ended_s": 9.0}
    left = write_cycles(bench_folder / "left.csv", on_s, off_s, beats=told)
    out = run_here("diagnose", left, "--on-the-beat", cwd=bench_folder)
    assert out.status == 0
    assert "too short to tell" in out.out
    assert out.out.splitlines()[-1] == str(left)


def test_tries_are_no_part_of_a_calibration(bench_folder: Path) -> None:
    folder = bench_folder / "captures" / "heron"
    folder.mkdir()
    on_s, off_s = draw_cycles(300, 5)
    moved_s = on_s + 90e-6
    later = "2026-09-01T11:00:00Z"
    path = folder / "20260901T100000Z-135deg.csv"
    write_cycles(path, on_s, off_s, recorded_utc="2026-09-01T10:00:00Z")
    path = folder / "20260901T110000Z-135deg.csv"
    write_cycles(path, moved_s, off_s, recorded_utc=later, beats=beats_beside())
    path = folder / "20260901T110000Z-135deg-2.csv"
    write_cycles(path, moved_s, off_s, recorded_utc=later, comparison="x", stage="plugged")
    out = run_here("calibrate", "heron", "--json", cwd=bench_folder)
    [row] = json.loads(out.out)["rows"]
    # 300 pulses of 1 us each: the mean lies within 0.3 us; a try's would be 90 us off
    assert row["pulse_us"] == pytest.approx(1500.0, abs=1.0)
    out = run_here("diagnose", "heron", "--json", cwd=bench_folder)
    assert "20260901T110000Z" not in out.out
    log = run_here("log", "--json", cwd=bench_folder)
    tries = [one["try"] for one in json.loads(log.out)["records"]]
    assert sorted(filter(None, tries)) == ["compared: plugged", "on the beat: tap"]


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
    assert said == ["1 of 3, REST: rest", "2 of 3, ACT: act", "3 of 3, REST: rest"]


def test_a_channel_that_is_silent_is_told() -> None:
    silent = BeatPicture("heron", "act", "rest", None, 0, 14, 1.5, is_silent=True)
    lines = ["".join(text for text, _ in line) for line in lay_out_beat(silent, 80, 24, ASCII)]
    assert any("No pulses yet: is the channel on?" in line for line in lines)
    assert "kept" not in lines[-1]
    said: list[str] = []
    view = BeatSentences(said.append)
    view.show(silent)
    view.show(silent)
    assert said == ["No pulses yet: is the channel on?"]
