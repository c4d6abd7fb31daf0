"""The live reading as sentences and as JSON, what is kept of it, and its verdict."""

from __future__ import annotations

import json
import math
import multiprocessing
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchlog.calibration.live_verdict import DesignReference
from benchlog.capture.mark_log import append_mark, marks_path, read_marks
from benchlog.capture.recent import RecentEdges, RecentSound
from benchlog.capture.store import Bench
from benchlog.channel.design import parse_design, predict_cycle
from benchlog.errors import StoreError
from benchlog.recording import Gap
from benchlog.show.live_picture import LivePicture, panel_to_json
from benchlog.show.live_sentences import Speaker, describe_panel
from tests.test_live_layout import _panel, _quiet, _verdict

# --- sentences ----------------------------------------------------------------


def test_a_reading_as_a_sentence() -> None:
    panel = replace(_panel(), verdict=_verdict("on design"), assumed=False)
    assert describe_panel(panel, "live") == (
        "heron, input 1: pulse 1498.7 microseconds, plus or minus 0.2. Arm at 89.9 degrees. "
        "That is on design: 1.2 microseconds longer than at 135 degrees of knob, plus or minus "
        "8.0. Period 14.876 milliseconds. Jitter 0.50 microseconds."
    )


@pytest.mark.parametrize("status", ["live", "unplugged"])
def test_sentences_hold_no_signs(status: str) -> None:
    for panel in (_panel(2600.0), _quiet(), replace(_panel(), zero_s=1e-3)):
        said = describe_panel(panel, status)
        assert said.isascii()
        assert said.endswith(".")
        assert "\n" not in said


def test_no_pulses_as_a_sentence() -> None:
    said = describe_panel(_quiet(), "live")
    assert said.startswith("heron, input 1: no pulses. Heard: silence. Likely reasons in order: 1,")
    assert said.index("no supply") < said.index("reset held low") < said.index("an open wiper")


def test_a_steady_channel_is_spoken_of_every_ten_seconds() -> None:
    speaker = Speaker()
    picture = LivePicture((_panel(),))
    said = [len(speaker.speak(picture, 0.5 * step)) for step in range(60)]
    assert [step * 0.5 for step, count in enumerate(said) if count] == [0.0, 10.0, 20.0]


def test_a_change_is_spoken_of_but_not_in_a_flood() -> None:
    speaker = Speaker()
    when = []
    for step in range(100):
        picture = LivePicture((_panel(1000.0 + 5.0 * step),))
        when += [0.1 * step] * len(speaker.speak(picture, 0.1 * step))
    assert len(when) == 10
    assert min(np.diff(when)) > 0.99


def test_news_is_spoken_once() -> None:
    speaker = Speaker()
    picture = LivePicture((_panel(),), message="marked")
    assert speaker.speak(picture, 0.0)[0] == "marked"
    assert speaker.speak(picture, 0.1) == []
    assert speaker.speak(replace(picture, message=None, status="unplugged"), 2.0) == [
        "heron, input 1: unplugged, waiting for it to come back."
    ]


# --- JSON ---------------------------------------------------------------------


def test_the_keys_are_always_the_same() -> None:
    known = replace(_panel(), verdict=_verdict("off design"), zero_s=1e-3)
    keys = [list(panel_to_json(one, "live")) for one in (_panel(), _quiet(), known)]
    assert keys[0] == keys[1] == keys[2]


def test_json_is_valid_and_finite() -> None:
    for panel in (_panel(), _quiet(), replace(_panel(jitter_s=None), zero_s=1e-3)):
        told = json.loads(json.dumps(panel_to_json(panel, "live"), allow_nan=False))
        assert told["channel"] == "heron"
    told = panel_to_json(replace(_panel(), zero_s=1490e-6), "live")
    assert told["change_us"] == pytest.approx(8.7)
    assert told["pulse_width_us"]["mean"] == pytest.approx(1498.7)
    assert told["arm_deg"] == pytest.approx((1498.7 - 500) / 2000 * 180)
    assert panel_to_json(_panel(), "unplugged")["state"] == "unplugged"


# --- the verdict --------------------------------------------------------------


def test_the_verdict_against_the_design(heron_text: str) -> None:
    design = parse_design(heron_text, "heron")
    on_s = float(predict_cycle(design, 135.0).on_s)
    reference = DesignReference(design, 135.0, supply_v=6.0, temperature_c=27.0)
    judged = reference.judge(on_s + 3e-6, 0.1e-6)
    assert judged.verdict == "on design"
    assert judged.deviation_s == pytest.approx(3e-6)
    assert judged.u_deviation_s is not None
    assert judged.u_deviation_s > 1e-6  # the knob's reading alone: 7 us a degree, over root 3
    assert reference.judge(on_s * 1.6, 0.1e-6).verdict == "off design"
    assert reference.judge(2600e-6, 1e-7).end_stop == "high"


def test_the_knob_angle_that_gives_a_pulse(heron_text: str) -> None:
    design = parse_design(heron_text, "heron")
    reference = DesignReference(design)
    for knob_deg in (3.0, 135.2, 269.0):
        on_s = float(predict_cycle(design, knob_deg).on_s)
        judged = reference.judge(on_s, 1e-7)
        assert judged.verdict is None
        # straight lines over half a degree of a curve that bends by far less than that
        assert judged.gives_deg == pytest.approx(knob_deg, abs=0.02)
    assert reference.judge(100e-6, 1e-7).gives_deg is None


# --- marks --------------------------------------------------------------------


def test_marks_are_added_and_read(bench_folder: Path) -> None:
    bench = Bench(bench_folder)
    assert read_marks(bench, "heron") == []
    for number in range(3):
        path = append_mark(bench, "heron", {"number": number, "text": 'ü "quoted"\n'})
    assert path == bench_folder / "captures" / "heron" / "marks.jsonl"
    assert [one["number"] for one in read_marks(bench, "heron")] == [0, 1, 2]
    assert len(path.read_text().splitlines()) == 3


def test_a_torn_line_costs_only_itself(bench_folder: Path) -> None:
    bench = Bench(bench_folder)
    path = append_mark(bench, "heron", {"number": 0})
    with path.open("ab") as file:
        file.write(b'{"number": 1, "te')
    append_mark(bench, "heron", {"number": 2})
    assert [one["number"] for one in read_marks(bench, "heron")] == [0, 2]


def test_marks_do_not_disturb_the_records(bench_folder: Path) -> None:
    bench = Bench(bench_folder)
    append_mark(bench, "heron", {"number": 0})
    assert bench.records("heron") == []
    assert bench.channels() == ["heron"]


@pytest.mark.parametrize("name", ["../x", "a/b", "-x", ".x", ""])
def test_a_mark_goes_nowhere_else(bench_folder: Path, name: str) -> None:
    with pytest.raises(StoreError, match="channel name"):
        append_mark(Bench(bench_folder), name, {})


def test_a_mark_that_is_no_number_is_a_mistake(bench_folder: Path) -> None:
    with pytest.raises(ValueError, match="Out of range"):
        append_mark(Bench(bench_folder), "heron", {"x": math.nan})
    assert not marks_path(Bench(bench_folder), "heron").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full")
def test_a_full_disk_is_told(bench_folder: Path) -> None:
    bench = Bench(bench_folder)
    path = marks_path(bench, "heron")
    path.parent.mkdir(parents=True)
    path.symlink_to("/dev/full")
    with pytest.raises(StoreError, match="full"):
        append_mark(bench, "heron", {"number": 0})


def _mark_many(folder: str, name: int) -> None:
    for number in range(40):
        append_mark(Bench(Path(folder)), "heron", {"who": name, "n": number, "fill": "x" * 500})


def test_two_processes_mark_at_once(bench_folder: Path) -> None:
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_mark_many, args=(str(bench_folder), n)) for n in range(3)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(timeout=60)
    marks = read_marks(Bench(bench_folder), "heron")
    assert sorted((one["who"], one["n"]) for one in marks) == [
        (who, n) for who in range(3) for n in range(40)
    ]
    assert os.stat(marks_path(Bench(bench_folder), "heron")).st_size > 3 * 40 * 500


# --- the last minute ----------------------------------------------------------


def test_the_last_minute_of_sound() -> None:
    recent = RecentSound(1000.0, seconds=2.0)
    for number in range(50):
        lost = Gap(0.0, 0.3) if number == 40 else None
        recent.add(np.full((100, 2), number, np.int16), lost)
    samples = recent.take(1)
    values = np.concatenate(list(samples.blocks(64)))[:, 0]
    assert values.shape == (samples.frame_count,) == (2000,)
    assert np.array_equal(np.unique(np.rint(values * 32768)), np.arange(30, 50))
    assert samples.gaps == (Gap(1.0, 0.3),)
    assert samples.step == 2.0**-15


def test_a_snapshot_stays_while_more_comes() -> None:
    recent = RecentSound(1000.0, seconds=1.0)
    recent.add(np.ones((1000, 1), np.float32) * 0.5, None)
    samples = recent.take(0)
    for _ in range(30):
        recent.add(np.zeros((100, 1), np.float32), None)
    assert np.all(np.concatenate(list(samples.blocks())) == 0.5)


def test_the_last_minute_of_edges() -> None:
    recent = RecentEdges(1e-6, seconds=10.0)
    for number in range(100):
        at = np.array([number * 0.5, number * 0.5 + 0.1])
        recent.add(at, np.array([True, False]))
    recent.add(np.empty(0), np.empty(0, bool), (Gap(45.0, 0.01),), 2)
    edges = recent.take()
    assert edges.time_s[0] == pytest.approx(1e-6)
    assert edges.end_s == pytest.approx(10.0, abs=0.5)
    assert np.all(np.diff(edges.time_s) > 0)
    assert (edges.garbled_count, len(edges.gaps)) == (2, 1)
    assert edges.gaps[0].start_s == pytest.approx(45.0 - (49.6 - edges.end_s))
