"""`benchlog sweep`: marks recorded once, at rest, never lost; by sound, by a probe, from files."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchlog.calibration.sweeping import Seen, SweepGuide
from benchlog.capture.locks import is_locked
from benchlog.capture.recent import RecentEdges, RecentSound
from benchlog.capture.store import open_bench
from benchlog.capture.sweep_files import (
    SweepLock,
    SweepPlan,
    find_unfinished,
    plan_path,
    read_plan,
    write_plan,
)
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.channel.knob_marks import Mark, plan_arm_marks, plan_marks
from benchlog.commands.options import Level
from benchlog.commands.sweep_course import Stretch, SweepCourse
from benchlog.errors import RecordingError, StoreError
from benchlog.recording import Gap
from benchlog.show.live_shapes import ASCII, UNICODE
from benchlog.show.sweep_view import SweepSentences, lay_out_sweep
from benchlog.show.sweep_words import SweepEvent, SweepPicture, picture_to_json, tell_stage
from benchlog.timing.live_reading import LiveReading
from tests.command_inputs import answer, check_line, write_edges
from tests.command_line import command_words, plain_environment, run_here
from tests.confirm_script import Played
from tests.played_bench import PlayedBench
from tests.sound_server import SoundServer
from tests.sweep_script import Swept, check_record, lay_out_bench, read_sweep, run_sweep

SPREAD_S = 2.5e-6
"""Pulses scatter by 0.2 us of the bench and 0.2 us of the input: of some thousand the one that is
furthest off lies within five deviations, 1.4 us. A knob that turns moves one by 7 us a degree."""


@pytest.fixture
def design(heron_text: str) -> Design:
    return parse_design(heron_text, "heron")


def pulse(design: Design, deg: float) -> float:
    return float(predict_cycle(design, deg).on_s)


# --- the way through the marks, without waiting for real time ---------------------------


class Walk:
    """A course with a knob that is set by hand; a tenth of a second a step."""

    def __init__(
        self,
        design: Design,
        marks: Sequence[Mark],
        seen: dict[int, Seen] | None = None,
        level: Level | None = "high",
    ) -> None:
        self.design, self.played = design, Played(design)
        guide = SweepGuide(design, marks, supply_v=6.0)
        self.course = SweepCourse(guide, marks, level, 2.0, seen or {})
        self.knob_deg = 0.0
        self.moved_s: list[float] = []
        self.kept: list[Stretch] = []
        self.spoil: Callable[[LiveReading], LiveReading] = lambda reading: reading

    def rest(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.1)):
            reading = self.spoil(self.played.read(self.knob_deg))
            stretch = self.course.add(reading)
            if stretch is not None:
                self.course.take(stretch)
                self.kept.append(stretch)

    def turn(self, deg: float, over_s: float = 0.5) -> None:
        steps = max(1, round(over_s / 0.1))
        for at in np.linspace(self.knob_deg, deg, steps + 1)[1:]:
            self.moved_s.append(self.played.now_s)
            self.knob_deg = float(at)
            self.rest(0.1)

    @property
    def numbers(self) -> list[int]:
        return [one.mark.number for one in self.kept]

    def check(self) -> None:
        """No stretch holds an instant at which the knob moved."""
        for one in self.kept:
            assert not [at for at in self.moved_s if one.begin_s - 0.05 <= at <= one.end_s], one


def test_marks_are_taken_one_by_one(design: Design) -> None:
    walk = Walk(design, plan_marks(270.0, every_deg=67.5, both_ways=True))
    walk.knob_deg = 40.0
    walk.rest(2.0)
    for deg in (0.0, 67.5, 135.0, 202.5, 270.0, 202.5, 135.0, 67.5, 0.0):
        walk.turn(deg)
        walk.rest(6.0)
    assert walk.numbers == list(range(1, 10))
    assert walk.course.mark is None
    walk.check()
    for one in walk.kept:
        assert one.mark.knob_deg is not None
        assert one.pulse_s == pytest.approx(pulse(design, one.mark.knob_deg), abs=0.1e-6)
        assert one.end_s - one.begin_s == pytest.approx(2.0)


def test_a_short_rest_at_a_wrong_angle_is_not_taken(design: Design) -> None:
    walk = Walk(design, plan_marks(270.0, angles=[0.0, 45.0, 90.0]))
    walk.turn(20.0)
    walk.turn(0.0)
    walk.rest(5.0)
    for deg, seconds in ((41.0, 2.0), (49.0, 2.0), (45.0, 5.0)):
        walk.turn(deg)
        walk.rest(seconds)
    assert walk.numbers == [1, 2]
    assert walk.kept[1].pulse_s == pytest.approx(pulse(design, 45.0), abs=0.2e-6)
    walk.check()


@pytest.mark.parametrize("deg", [22.5, 60.0, 90.0, 200.0])
def test_a_wrong_angle_is_asked_for_again_and_never_taken(design: Design, deg: float) -> None:
    walk = Walk(design, plan_marks(270.0, angles=[0.0, 45.0, 90.0]))
    walk.turn(20.0)
    walk.turn(0.0)
    walk.rest(5.0)
    walk.turn(deg)
    walk.rest(30.0)
    assert walk.numbers == [1]
    assert walk.course.stage == "doubtful"
    assert walk.course.looks_like_deg == pytest.approx(deg, abs=1.0)
    walk.turn(45.0)
    walk.rest(4.0)
    assert walk.numbers == [1, 2]


def test_a_knob_that_was_not_turned_is_told_and_not_taken(design: Design) -> None:
    walk = Walk(design, plan_marks(270.0, angles=[0.0, 45.0]))
    walk.turn(20.0)
    walk.turn(0.0)
    walk.rest(8.0)
    stages = [walk.course.stage]
    walk.rest(30.0)
    stages.append(walk.course.stage)
    assert walk.numbers == [1]
    assert stages == ["go", "same"]


def test_enter_takes_what_is_doubted_and_the_record_says_so(design: Design) -> None:
    walk = Walk(design, plan_marks(270.0, angles=[0.0, 45.0, 90.0]))
    walk.turn(20.0)
    walk.turn(0.0)
    walk.rest(5.0)
    walk.turn(60.0)
    walk.rest(5.0)
    assert walk.course.take_now()
    walk.rest(0.3)
    assert walk.numbers == [1, 2]  # at once: it had stood still for long enough
    assert walk.kept[1].note == "taken though it looks like 60 degrees"
    walk.check()


def test_turning_away_and_back_takes_it_without_a_key(design: Design) -> None:
    walk = Walk(design, plan_marks(270.0, angles=[0.0, 45.0, 90.0]))
    walk.turn(20.0)
    walk.turn(0.0)
    walk.rest(5.0)
    walk.turn(60.0)
    walk.rest(6.0)
    walk.turn(75.0)
    walk.turn(60.0)
    walk.rest(5.0)
    assert walk.numbers == [1, 2]
    assert walk.kept[1].note is not None
    walk.check()


def test_enter_before_it_rests_waits_until_it_does(design: Design) -> None:
    walk = Walk(design, plan_marks(270.0, angles=[0.0, 45.0]))
    walk.turn(30.0)
    assert walk.course.take_now()
    walk.turn(0.0)
    walk.rest(4.0)
    assert walk.numbers == [1]
    walk.check()


def test_without_pulses_there_is_nothing_to_take(design: Design) -> None:
    walk = Walk(design, plan_marks(270.0))
    walk.course.add(LiveReading(1, 1.0, "quiet"))
    assert not walk.course.take_now()
    assert walk.course.stage == "silent"


def test_a_mark_that_is_taken_back_is_visited_again(design: Design) -> None:
    walk = Walk(design, plan_marks(270.0, angles=[0.0, 45.0, 90.0]))
    walk.turn(20.0)
    for deg in (0.0, 45.0):
        walk.turn(deg)
        walk.rest(5.0)
    walk.course.take_back(2)
    assert walk.course.mark is not None
    assert walk.course.mark.number == 2
    walk.rest(1.5)
    assert walk.numbers == [1, 2]  # not at once: the knob is to be set anew
    walk.turn(47.0)
    walk.turn(45.0)
    walk.rest(5.0)
    assert walk.numbers == [1, 2, 2]


def test_the_knob_may_stand_at_the_first_mark_already(design: Design) -> None:
    walk = Walk(design, plan_marks(270.0, angles=[0.0, 45.0]))
    walk.rest(5.0)
    assert walk.numbers == []  # somebody may still be reading what to do
    walk.rest(8.0)
    assert walk.numbers == [1]


def test_marks_in_dead_travel_are_taken_as_well(heron_text: str) -> None:
    text = heron_text.replace("travel_deg = 270", "travel_deg = 270\ndead_low_deg = 20")
    walk = Walk(parse_design(text, "heron"), plan_marks(270.0, angles=[0.0, 10.0, 20.0]))
    walk.rest(40.0)  # the turns do not show
    assert walk.numbers == [1, 2, 3]


def test_lost_samples_begin_the_record_again_but_not_for_ever(design: Design) -> None:
    walk = Walk(design, plan_marks(270.0, angles=[0.0, 45.0]))
    walk.turn(20.0)
    walk.turn(0.0)
    lost = 0

    def losing(reading: LiveReading) -> LiveReading:
        nonlocal lost
        lost += 1
        return replace(reading, lost_count=lost)

    walk.spoil = losing
    walk.rest(4.0)
    assert walk.numbers == []
    walk.rest(6.0)
    assert walk.numbers == [1]


def test_a_source_that_comes_back_begins_with_the_mark_that_was_asked(design: Design) -> None:
    walk = Walk(design, plan_marks(270.0, angles=[0.0, 45.0]))
    walk.turn(20.0)
    walk.turn(0.0)
    walk.rest(5.0)
    walk.course.begin_anew()
    walk.played = Played(design)  # counts from 0 again
    walk.moved_s = []
    walk.rest(1.0)
    walk.turn(45.0)
    walk.rest(4.0)
    assert walk.numbers == [1, 2]


@pytest.mark.parametrize("goes_on", [False, True])
def test_an_input_that_turns_the_signal_over_is_led_as_well(design: Design, goes_on: bool) -> None:
    seen = {1: Seen(0.0, pulse(design, 0.0), "up")} if goes_on else {}
    walk = Walk(design, plan_marks(270.0, angles=[0.0, 45.0]), seen, None)
    walk.played.level = "low"  # what is read as the width is the rest of the cycle
    walk.spoil = lambda reading: replace(reading, active_level="high")
    walk.turn(20.0)
    for deg in (0.0, 45.0):
        walk.turn(deg)
        walk.rest(6.0)
    assert walk.numbers == ([2] if goes_on else [1, 2])
    assert walk.kept[-1].pulse_s == pytest.approx(pulse(design, 45.0), abs=1e-6)


def test_arm_angles_are_taken_within_the_dead_band(design: Design) -> None:
    walk = Walk(design, plan_arm_marks([90.0], 0.0, 180.0))
    wanted_s = float(design.servo.width_for(90.0))
    fine = np.linspace(0.0, 270.0, 27001)
    at_deg = float(np.interp(wanted_s, predict_cycle(design, fine).on_s, fine))
    walk.turn(at_deg - 10.0)
    walk.rest(20.0)
    assert walk.numbers == []
    assert walk.course.way_deg == pytest.approx(10.0, abs=0.3)
    walk.turn(at_deg + 0.4)  # some 3 us
    walk.rest(4.0)
    assert walk.numbers == [1]
    assert walk.course.estimate_deg(walk.kept[0].pulse_s) == pytest.approx(at_deg + 0.4, abs=0.1)


# --- what is cut from the stream ------------------------------------------------------------


def test_a_stretch_is_cut_to_the_sample() -> None:
    recent = RecentSound(1000.0)
    values = np.arange(5000, dtype=np.int16).reshape(-1, 1)
    for start in range(0, 5000, 70):
        recent.add(values[start : start + 70], None)
    cut = recent.cut(0, 1.234, 3.456)
    assert cut is not None
    got = np.concatenate([block[:, 0] for block in cut.blocks(512)])
    assert np.array_equal(np.rint(got * 32768), np.arange(1234, 3456))
    assert cut.frame_count == 2222
    assert recent.cut(0, 4.0, 5.1) is None  # not all of it is there yet
    assert recent.cut(0, 2.0, 2.0) is None


def test_a_stretch_keeps_what_was_lost_in_it() -> None:
    recent = RecentSound(1000.0)
    block = np.zeros((100, 1), np.int16)
    recent.add(block, None)
    recent.add(block, Gap(0.1, 0.05))  # the second one lasts from 0.15 to 0.25 s
    cut = recent.cut(0, 0.05, 0.2)
    assert cut is not None
    assert cut.frame_count == 100
    assert cut.gaps == (Gap(0.05, 0.05),)
    late = recent.cut(0, 0.16, 0.2)
    assert late is not None
    assert late.gaps == ()


def test_edges_are_cut_between_two_instants() -> None:
    recent = RecentEdges(1e-6)
    time_s = np.arange(1, 201, dtype=np.float64) * np.float64(0.01)
    recent.add(time_s, np.arange(200) % 2 == 0)
    cut = recent.cut(0.5, 1.0)
    assert cut is not None
    assert np.allclose(np.diff(cut.time_s), 0.01)
    assert cut.time_s.shape == (51,)
    assert recent.cut(0.0, 1.0) is None
    assert RecentEdges(1e-6).cut(0.0, 1.0) is None


# --- the marks on the disk ---------------------------------------------------------------------


def make_plan(folder: Path, stamp: str = "20260901T100000Z") -> SweepPlan:
    (folder / "captures" / "heron").mkdir(parents=True, exist_ok=True)
    return SweepPlan("heron", stamp, plan_marks(270.0, every_deg=90.0, both_ways=True), 2.0, 5.9)


def test_a_plan_is_read_back_as_it_was(bench_folder: Path) -> None:
    plan = make_plan(bench_folder)
    assert read_plan(write_plan(open_bench(bench_folder), plan)) == plan
    with pytest.raises(StoreError, match="there already"):
        write_plan(open_bench(bench_folder), plan)
    arms = replace(plan, stamp="20260901T110000Z", marks=plan_arm_marks([0.0, 90.0], 0.0, 180.0))
    assert read_plan(write_plan(open_bench(bench_folder), arms)) == arms


@pytest.mark.parametrize(
    ("spoil", "found"),
    [
        (lambda text: "", "not right JSON"),
        (lambda text: "[]", "no JSON object"),
        (lambda text: "[" * 5000, "not right JSON"),
        (lambda text: text.replace("heron", "moon"), "another channel"),
        (lambda text: text.replace("T100000Z", "T100001Z"), "another sweep"),
        (lambda text: text.replace('"marks"', '"mark"'), "no list of marks"),
        (lambda text: text.replace("90.0", "NaN"), "not right JSON"),
        (lambda text: text.replace("90.0", '"90"'), "under 'knob_deg'"),
        (lambda text: text.replace("90.0", "null"), "mark 2"),
        (lambda text: text.replace('"down"', '"left"'), "mark 5"),
        (lambda text: text.replace("5.9", "1e9"), "under 'supply_v'"),
    ],
)
def test_a_plan_that_was_spoilt_is_one_clear_line(
    bench_folder: Path, spoil: Callable[[str], str], found: str
) -> None:
    path = write_plan(open_bench(bench_folder), make_plan(bench_folder))
    path.write_text(spoil(path.read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(RecordingError, match=found) as refused:
        read_plan(path)
    assert len(str(refused.value).splitlines()) == 1


def lay_record(folder: Path, deg: float, **known: object) -> Path:
    """Lay a record of heron into a bench folder."""
    home = folder / "captures" / "heron"
    home.mkdir(parents=True, exist_ok=True)
    count = len(list(home.glob("*.csv")))
    path = home / f"r{count:02d}.csv"
    design = parse_design(
        (folder / "calibration" / "heron" / "design.toml").read_text(encoding="utf-8"), "heron"
    )
    cycle = predict_cycle(design, deg)
    write_edges(path, float(cycle.on_s), float(cycle.off_s))
    sidecar = {
        "channel": "heron",
        "knob_deg": deg,
        "recorded_utc": f"2026-09-01T10:{count:02d}:00Z",
        "sweep": "20260901T100000Z",
        "supply_v": 6.0,
        "temperature_c": 22.0,
        **known,
    }
    path.with_suffix(".json").write_text(json.dumps(sidecar), encoding="utf-8")
    return path


NOON = datetime(2026, 9, 1, 12, 0, tzinfo=UTC)


def test_a_sweep_that_was_left_today_is_found(bench_folder: Path) -> None:
    bench = open_bench(bench_folder)
    assert find_unfinished(bench, "heron", NOON) is None
    plan = make_plan(bench_folder)
    write_plan(bench, plan)
    assert find_unfinished(bench, "heron", NOON) is None  # nothing of it was recorded
    lay_record(bench_folder, 0.0, mark=1)
    lay_record(bench_folder, 90.0, direction="up")  # laid in by a person
    lay_record(bench_folder, 180.0, mark=3, set_aside="slipped")
    found = find_unfinished(bench, "heron", NOON)
    assert found is not None
    assert found[0] == plan
    assert sorted(found[1]) == [1, 2]
    assert find_unfinished(bench, "heron", NOON + timedelta(days=2)) is None
    # just after midnight it is still the same evening's
    assert find_unfinished(bench, "heron", NOON + timedelta(hours=9)) is not None


def test_a_sweep_that_is_whole_is_not_gone_on_with(bench_folder: Path) -> None:
    bench = open_bench(bench_folder)
    plan = make_plan(bench_folder)
    write_plan(bench, plan)
    for mark in plan.marks:
        lay_record(bench_folder, mark.knob_deg or 0.0, mark=mark.number)
    assert find_unfinished(bench, "heron", NOON) is None


def test_two_records_of_one_mark_count_once_and_a_lost_sidecar_asks_again(
    bench_folder: Path,
) -> None:
    bench = open_bench(bench_folder)
    write_plan(bench, make_plan(bench_folder))
    lay_record(bench_folder, 0.0, mark=1)
    second = lay_record(bench_folder, 0.0, mark=1)
    lost = lay_record(bench_folder, 90.0, mark=2)
    lost.with_suffix(".json").unlink()
    found = find_unfinished(bench, "heron", NOON)
    assert found is not None
    assert {number: one.path for number, one in found[1].items()} == {1: second}
    assert lost.exists()


def test_a_second_sweep_of_the_channel_is_kept_out(bench_folder: Path) -> None:
    bench = open_bench(bench_folder)
    with SweepLock(bench, "heron"), pytest.raises(StoreError, match="being swept") as refused:
        SweepLock(bench, "heron")
    assert len(str(refused.value).splitlines()) == 1
    with SweepLock(bench, "heron") as lock, SweepLock(bench, "moon"):
        lock.close()
        with SweepLock(bench, "heron"):
            pass
    assert not is_locked(bench_folder / "captures" / "heron" / ".sweep.lock")
    assert list((bench_folder / "captures" / "heron").iterdir()) == []


# --- words and pictures -------------------------------------------------------------------------


def make_picture(**words: Any) -> SweepPicture:
    marks = plan_marks(270.0, both_ways=True)
    known: dict[str, Any] = {
        "channel": "heron",
        "source": "desk",
        "marks": marks,
        "taken": frozenset({1, 2}),
        "mark": marks[2],
        "travel_deg": 270.0,
        "stage": "go",
        "pulse_s": 758.1e-6,
        "expected_s": 907.6e-6,
        "looks_like_deg": 22.4,
        "last_deg": 22.5,
        "way_deg": None,
        "arm_deg": None,
        "share": 0.4,
        "event": SweepEvent(2, "recorded", marks[1], "a.flac", 758.1e-6, 0.1e-6),
        "message": "",
        "quiet": "",
        "has_keys": True,
        "is_flashing": True,
    }
    return SweepPicture(**(known | words))


STAGES = ("silent", "go", "moving", "holding", "recording", "doubtful", "same", "flat", "lost")


@pytest.mark.parametrize("stage", STAGES)
def test_the_screen_fits_any_size(stage: Any) -> None:
    pictures = [
        make_picture(stage=stage),
        make_picture(stage=stage, pulse_s=None, expected_s=None, looks_like_deg=None),
        make_picture(stage=stage, arm_deg=44.0, way_deg=-3.2, mark=Mark(3, None, 45.0)),
        make_picture(stage=stage, message="Not recorded: the disk is full " * 4, event=None),
    ]
    for picture in pictures:
        for glyphs in (UNICODE, ASCII):
            for width, height in ((80, 24), (120, 50), (40, 12), (20, 5), (1, 1), (9, 24)):
                lines = lay_out_sweep(picture, width, height, glyphs)
                assert len(lines) == height
                for line in lines:
                    assert sum(len(text) for text, _ in line) <= width


def test_the_screen_shows_what_to_do_and_what_is_done() -> None:
    shown = ["".join(t for t, _ in one) for one in lay_out_sweep(make_picture(), 80, 24, UNICODE)]
    text = "\n".join(shown)
    for words in (
        "2 of 25 marks, on the way up",
        "Turn the knob to 45 degrees.",
        "✓ 22.5",
        "> 45",
        "Backspace take back the last",
        "758.1 ± 0.2 µs",
    ):
        assert words in text


def test_doubt_is_put_as_a_question() -> None:
    _, asked = tell_stage(make_picture(stage="doubtful", looks_like_deg=60.2))
    assert asked.startswith("This looks like 60 degrees, not 45: is the flag at 45?")
    assert "Enter takes it all the same" in asked
    _, still = tell_stage(make_picture(stage="same", has_keys=False))
    assert still.startswith("The pulse is still that of 22.5 degrees")
    assert "Enter" not in still


def test_the_way_back_asks_to_come_from_above() -> None:
    marks = plan_marks(270.0, both_ways=True)
    assert "coming from above" in tell_stage(make_picture(mark=marks[14]))[0]
    assert "its clockwise stop" in tell_stage(make_picture(mark=marks[12]))[0]


def test_json_lines_hold_no_nan_and_name_units() -> None:
    told = picture_to_json(make_picture(looks_like_deg=None))
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert (told["mark"], told["knob_deg"], told["now_us"]) == (3, 45.0, 758.1)


def test_sentences_say_each_thing_once(capsys: pytest.CaptureFixture[str]) -> None:
    view = SweepSentences()
    for _ in range(5):
        view.show(make_picture())
    said = capsys.readouterr().out
    assert said.count("Turn the knob to 45 degrees.") == 1
    assert said.count("Recorded: 22.5 degrees (up), 758.1 ± 0.2 µs.") == 1
    assert "strip of tape" in said
    assert "stalled servo" in said


# --- from recordings ---------------------------------------------------------------------------


def write_recordings(folder: Path, design: Design, angles: Sequence[float]) -> list[Path]:
    folder.mkdir(exist_ok=True)
    paths = []
    for index, deg in enumerate(angles):
        cycle = predict_cycle(design, deg)
        path = folder / f"{index}-{deg:g}.csv"
        paths.append(write_edges(path, float(cycle.on_s), float(cycle.off_s)))
    return paths


def last_line(out: str) -> Any:
    return json.loads(out.splitlines()[-1], parse_constant=lambda w: pytest.fail(w))


SURROUND = ("--supply", "6", "--temperature", "27", "--json")


def test_recordings_are_copied_into_a_sweep_and_calibrated(
    bench_folder: Path, design: Design, tmp_path: Path
) -> None:
    angles = (0.0, 90.0, 180.0, 270.0)
    files = write_recordings(tmp_path / "mine", design, angles)
    before = {path: path.read_bytes() for path in files}
    words = [f"--point={deg:g}={path}" for deg, path in zip(angles, files, strict=True)]
    outcome = run_here("sweep", "heron", *words, *SURROUND, cwd=bench_folder)
    told = last_line(outcome.out)
    assert (told["state"], told["taken"]) == ("done", 4)
    assert [row["knob_deg"] for row in told["calibration"]["rows"]] == list(angles)
    assert {row["verdict"] for row in told["calibration"]["rows"]} == {"on design"}
    assert {path: path.read_bytes() for path in files} == before
    records = read_sweep(bench_folder)
    assert {one.sidecar.sweep for one in records} == {told["sweep"]}
    assert sorted(path.read_bytes() for path in files) == sorted(
        one.path.read_bytes() for one in records
    )
    answer(run_here("log", "--verify", "--json", cwd=bench_folder))


def test_recordings_in_the_order_of_the_marks(
    bench_folder: Path, design: Design, tmp_path: Path
) -> None:
    files = write_recordings(tmp_path / "mine", design, (0.0, 135.0, 270.0, 135.0, 0.0))
    words = [word for path in files for word in ("--from", str(path))]
    outcome = run_here(
        "sweep",
        "heron",
        *words,
        *("--every", "135", "--both-ways"),
        *SURROUND,
        cwd=bench_folder,
    )
    rows = last_line(outcome.out)["calibration"]["rows"]
    assert Counter((row["knob_deg"], row["direction"]) for row in rows) == Counter(
        [(0.0, "up"), (135.0, "up"), (270.0, "up"), (135.0, "down"), (0.0, "down")]
    )


def test_recordings_go_with_marks_in_the_order_in_which_both_were_typed(
    bench_folder: Path, design: Design, tmp_path: Path
) -> None:
    angles = (270.0, 60.0, 180.0)
    files = write_recordings(tmp_path / "mine", design, angles)
    words = [word for path in files for word in ("--from", str(path))]
    outcome = run_here(
        "sweep", "heron", *words, "--marks", "270,60,180", *SURROUND, cwd=bench_folder
    )
    assert outcome.err == ""
    rows = last_line(outcome.out)["calibration"]["rows"]
    assert sorted(row["knob_deg"] for row in rows) == sorted(angles)
    for row in rows:
        assert row["pulse_us"] == pytest.approx(1e6 * pulse(design, row["knob_deg"]), abs=1.0)


def test_the_sweep_that_was_laid_in_last_is_the_newest(
    bench_folder: Path, design: Design, tmp_path: Path
) -> None:
    (path,) = write_recordings(tmp_path / "mine", design, (90.0,))
    for _ in range(2):  # the very same recording, so that only the stamps differ
        outcome = run_here("sweep", "heron", "--point", f"90={path}", *SURROUND, cwd=bench_folder)
        told = last_line(outcome.out)
        assert {one.sidecar.sweep for one in read_sweep(bench_folder)} == {told["sweep"]}
    assert told["text"].startswith("heron: its one mark is recorded")


def test_a_recording_that_looks_like_another_angle_is_told(
    bench_folder: Path, design: Design, tmp_path: Path
) -> None:
    files = write_recordings(tmp_path / "mine", design, (0.0, 90.0, 150.0, 270.0))
    marks = zip((0, 90, 180, 270), files, strict=True)
    words = [f"--point={deg}={path}" for deg, path in marks]
    outcome = run_here("sweep", "heron", *words, *SURROUND, cwd=bench_folder)
    assert "looks like 150 degrees beside the others, not 180" in outcome.err
    assert last_line(outcome.out)["taken"] == 4


@pytest.mark.parametrize("angles", [(90.0,), (90.0, 90.0), (200.0, 0.0, 90.0)])
def test_a_single_mark_one_twice_and_no_order_are_calibrated(
    bench_folder: Path, design: Design, tmp_path: Path, angles: tuple[float, ...]
) -> None:
    files = write_recordings(tmp_path / "mine", design, angles)
    words = [f"--point={deg:g}={path}" for deg, path in zip(angles, files, strict=True)]
    outcome = run_here("sweep", "heron", *words, *SURROUND, cwd=bench_folder)
    rows = last_line(outcome.out)["calibration"]["rows"]
    assert sorted(row["knob_deg"] for row in rows) == sorted(angles)


def test_marks_all_in_dead_travel_are_calibrated(
    bench_folder: Path, heron_text: str, tmp_path: Path
) -> None:
    text = heron_text.replace("travel_deg = 270", "travel_deg = 270\ndead_low_deg = 40")
    (bench_folder / "calibration" / "heron" / "design.toml").write_text(text, encoding="utf-8")
    files = write_recordings(tmp_path / "mine", parse_design(text, "heron"), (0.0, 15.0, 30.0))
    words = [f"--point={15 * n}={path}" for n, path in enumerate(files)]
    outcome = run_here("sweep", "heron", *words, *SURROUND, cwd=bench_folder)
    assert outcome.status in (0, 1), outcome
    assert len(last_line(outcome.out)["calibration"]["rows"]) == 3


# --- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ((), "without anything to listen to"),
        (("--input", "a", "--port", "b"), "--input and --port"),
        (("--port", "x", "--json", "--plain"), "--json together with --plain"),
        (("--port", "x", "--resume", "--new"), "--resume together with --new"),
        (("--port", "x", "--every", "0"), "--every '0'"),
        (("--port", "x", "--every", "10", "--marks", "0"), "--every and --marks"),
        (("--port", "x", "--marks", "0,x"), "--marks 'x'"),
        (("--port", "x", "--marks", "0,300"), "at 300 degrees"),
        (("--port", "x", "--to-angles", "0,500"), "at 500 degrees"),
        (("--port", "x", "--to-angles", "0", "--both-ways"), "--to-angles and --both-ways"),
        (("--port", "x", "--seconds", "60"), "--seconds '60'"),
        (("--port", "/dev/null", "--resume"), "no sweep of heron of today"),
        (("--point", "90"), "--point '90'"),
        (("--point", "400=a.csv"), "at a knob angle of 400"),
        (("--from", "a.csv", "--marks", "0,10"), "1 recording for 2 marks"),
        (("--from", "a.csv", "--marks", "0"), "a.csv"),
        (("--port", "/nowhere/port"), "/nowhere/port"),
    ],
)
def test_what_cannot_be_is_one_line(bench_folder: Path, words: tuple[str, ...], found: str) -> None:
    outcome = run_here("sweep", "heron", *words, cwd=bench_folder)
    assert outcome.status == 2, outcome
    assert found in outcome.err
    assert "Traceback" not in outcome.err
    assert not list((bench_folder / "captures").glob("heron/*"))  # nothing was begun


def test_a_channel_and_a_bench_are_needed(bench_folder: Path, tmp_path: Path) -> None:
    check_line(run_here("sweep", "--port", "x", cwd=bench_folder), "sweep without a channel")
    check_line(run_here("sweep", "heron", "--port", "x", cwd=tmp_path), "bench folder")


def test_a_blank_ring_is_written_first(bench_folder: Path, tmp_path: Path) -> None:
    ring = tmp_path / "ring.pdf"
    outcome = run_here("sweep", "heron", "--port", "/nowhere", "--blank", ring, cwd=bench_folder)
    assert outcome.status == 2
    assert ring.read_bytes().startswith(b"%PDF")


# --- a channel that is played in real time --------------------------------------------------------

WORDS = ("--every", "67.5", "--both-ways", "--supply", "6", "--temperature", "22")
VISITS = [(m.knob_deg, m.direction) for m in plan_marks(270.0, every_deg=67.5, both_ways=True)]


def check_whole(folder: Path, design: Design) -> None:
    """Each mark once, none of them while the knob moved, each as it truly was."""
    records = read_sweep(folder)
    found = [(one.sidecar.knob_deg, one.sidecar.direction) for one in records]
    assert Counter(found) == Counter(VISITS)
    for one in records:
        check_record(one, design, within_s=0.5e-6, spread_s=SPREAD_S)


def test_five_marks_up_and_down_by_sound(
    sound_server: SoundServer, heron_text: str, design: Design, tmp_path: Path
) -> None:
    folder = lay_out_bench(tmp_path / "bench", heron_text)
    with PlayedBench(sound_server, design, knob_deg=40.0, temperature_c=22.0, seed=3) as bench:
        swept = run_sweep(
            bench,
            design,
            *("--input", "pulse", "--seconds", "1", *WORDS),
            cwd=folder,
            environment=sound_server.environment,
            seed=3,
        )
    assert swept.last["state"] == "done", (swept.err, swept.last)
    assert swept.status == 0, swept.err
    assert [one["mark"] for one in swept.recorded] == list(range(1, 10))
    assert {one.path.suffix for one in read_sweep(folder)} == {".flac"}
    check_whole(folder, replace(design, temperature_c=22.0))


def after(count: int, number: int) -> Callable[[Swept], int | None]:
    return lambda swept: number if len(swept.recorded) >= count else None


def test_a_probe_swept_in_three_goes_ended_by_ctrl_c_and_by_a_kill(
    heron_text: str, design: Design, tmp_path: Path
) -> None:
    folder = lay_out_bench(tmp_path / "bench", heron_text)
    told: list[int] = []
    ends = (after(3, signal.SIGINT), after(2, signal.SIGKILL), None)
    statuses = []
    for attempt, end in enumerate(ends):
        bench = PlayedBench(None, design, knob_deg=40.0, temperature_c=22.0, seed=attempt)
        with bench.over_pty() as port:
            swept = run_sweep(
                bench,
                design,
                *("--port", port, "--seconds", "0.5", *WORDS),
                cwd=folder,
                seed=attempt,
                ends=end,
            )
        statuses.append(swept.status)
        told += [one["mark"] for one in swept.recorded]
        assert len(read_sweep(folder)) >= len(set(told)), "a recorded mark was lost"
    assert statuses == [130, -signal.SIGKILL, 0]
    assert swept.last["state"] == "done"
    assert sorted(told) == list(range(1, 10))
    check_whole(folder, replace(design, temperature_c=22.0))
    answer(run_here("log", "--verify", "--json", cwd=folder))


def test_two_sweeps_at_the_same_moment(heron_text: str, design: Design, tmp_path: Path) -> None:
    folder = lay_out_bench(tmp_path / "bench", heron_text)
    bench = PlayedBench(None, design, knob_deg=40.0)
    with bench.over_pty() as port:
        first = subprocess.Popen(
            command_words("sweep", "heron", "--port", port, "--json", "--marks", "0,90"),
            cwd=folder,
            env=plain_environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert first.stdout is not None
            assert json.loads(first.stdout.readline())["state"] == "begin"
            second = run_here("sweep", "heron", "--port", port, cwd=folder)
            check_line(second, "is being swept by another process")
        finally:
            os.kill(first.pid, signal.SIGINT)
            out, _ = first.communicate(timeout=20)
    assert first.returncode == 130
    # every line is JSON, the first ones as well
    left = [json.loads(line) for line in out.splitlines()][-1]
    assert (left["state"], left["taken"], left["calibration"]) == ("left", 0, None)
    # stopped before the first mark, it leaves nothing
    assert not list((folder / "captures").glob("heron/*"))


WITH_KEYS = """
import fcntl, os, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.execv(sys.argv[1], sys.argv[1:])
"""
"""Takes standard input as the terminal of a session of its own, as a shell does."""


def test_keys_on_a_terminal(heron_text: str, design: Design, tmp_path: Path) -> None:
    """Enter records at once, Backspace sets aside, q keeps what is there."""
    pty = pytest.importorskip("pty")
    folder = lay_out_bench(tmp_path / "bench", heron_text)
    bench = PlayedBench(None, design, knob_deg=30.0)
    words = ("--plain", "--marks", "0,90,180", "--supply", "6", "--seconds", "0.5")
    ours, theirs = pty.openpty()
    said: list[str] = []
    try:
        with bench.over_pty() as port:
            command = command_words("sweep", "heron", "--port", port, *words)
            process = subprocess.Popen(
                [sys.executable, "-c", WITH_KEYS, *command],
                cwd=folder,
                env=plain_environment(),
                stdin=theirs,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                encoding="utf-8",
                start_new_session=True,
            )
            watchdog = threading.Timer(60.0, process.kill)
            watchdog.start()
            assert process.stdout is not None
            for line in process.stdout:
                said.append(line)
                if "This looks like 30 degrees, not 0" in line:
                    os.write(ours, b"\n")
                elif line.startswith("Recorded: 0 degrees"):
                    os.write(ours, b"\x7f")
                elif line.startswith("Taken back"):
                    os.write(ours, b"q")
            process.wait(timeout=20)
            process.stdout.close()
            watchdog.cancel()
    finally:
        os.close(ours)
        os.close(theirs)
    text = "".join(said)
    assert "taken though it looks like 30 degrees" in text, text
    assert "Taken back: 0 degrees. Its record is set aside." in text
    assert process.returncode == 1
    (record,) = open_bench(folder).records("heron")
    assert record.sidecar.set_aside == "taken back during the sweep"
    assert record.path.exists()
    assert plan_path(open_bench(folder), "heron", record.sidecar.sweep or "").exists()
