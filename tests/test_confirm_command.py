"""The command `confirm`: recordings, words, a probe, and copies through a sound server."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

from benchlog.calibration.point import Point
from benchlog.capture.batch_files import read_batch
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.commands.confirm_points import note_supply
from tests.command_inputs import answer, check_line, write_edges
from tests.command_line import command_words, plain_environment, run_here
from tests.confirm_script import (
    DEG,
    confirm_boards,
    draw_boards,
)
from tests.played_bench import PlayedBench
from tests.sound_server import SoundServer, sound_server

__all__ = ["sound_server"]


@pytest.fixture(scope="module")
def design() -> Design:
    # tolerances as on the shipped example's parts
    text = (Path(__file__).parent.parent / "calibration" / "heron" / "design.toml").read_text(
        encoding="utf-8"
    )
    return parse_design(text, "heron")


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """Return a bench folder with heron's design and recordings of right and wrong copies."""
    text = (Path(__file__).parent.parent / "calibration" / "heron" / "design.toml").read_text(
        encoding="utf-8"
    )
    (tmp_path / "captures").mkdir()
    folder = tmp_path / "calibration" / "heron"
    folder.mkdir(parents=True)
    (folder / "design.toml").write_text(text, encoding="utf-8")
    design = parse_design(text, "heron")
    for name, parts in (("right", {}), ("wrong", {"r_off": 680e3})):
        for angle in (0, 135, 270):
            times = predict_cycle(design, float(angle), parts=parts)
            path = tmp_path / f"{name}{angle}.csv"
            write_edges(path, float(times.on_s), float(times.off_s), count=120)
    return tmp_path


def points_of(name: str) -> list[str]:
    return [word for deg in (0, 135, 270) for word in ("--point", f"{deg}={name}{deg}.csv")]


def test_recordings_in_place_of_listening(bench: Path) -> None:
    words = ("confirm", "heron", "--supply", "6", "--json")
    right = answer(run_here(*words, *points_of("right"), cwd=bench))
    assert (right["verdict"], right["supply_from"], right["suspects"]) == ("PASS", "meter", [])
    wrong = answer(run_here(*words, *points_of("wrong"), cwd=bench), status=1)
    assert wrong["verdict"] == "FAIL"
    assert wrong["suspects"][0]["part"] == "r_off"
    assert "820 kΩ" in wrong["next_step"]


def test_an_end_read_two_degrees_from_its_stop_is_an_end(bench: Path) -> None:
    words = ("--point", "1.5=right0.csv", "--point", "268=right270.csv", "--knob-reading", "2")
    assert run_here("confirm", "heron", *words, "--supply", "6", "--json", cwd=bench).status != 2


def test_supply_other_than_the_recordings_is_said() -> None:
    points = [measure_one(6.05), measure_one(6.04), measure_one(None)]
    text = note_supply(points, 9.0)
    assert text is not None
    assert "6.04 to 6.05 V, --supply says 9 V" in text
    assert note_supply(points, 6.0) is None
    assert note_supply(points, None) is None
    assert note_supply(points[2:], 9.0) is None


def measure_one(supply_v: float | None) -> Point:
    return Point(knob_deg=0.0, pulse_s=1e-3, pulse_sd_s=0.0, u_pulse_s=1e-7, period_s=15e-3,
                 rest_sd_s=0.0, pulse_count=100, supply_v=supply_v)  # fmt: skip


def test_the_wrong_level_is_doubted_before_any_part(bench: Path) -> None:
    words = ("confirm", "heron", *points_of("right"), "--supply", "6")
    content = answer(run_here(*words, "--active", "low", "--json", cwd=bench), status=1)
    assert (content["verdict"], content["suspects"]) == ("AGAIN", [])
    assert "--active low" in content["why"][0]
    assert content["next_step"] == "Leave --active away."


def test_recordings_of_an_earlier_copy_are_told(bench: Path) -> None:
    words = ("confirm", "heron", "--batch", "b", "--supply", "6", *points_of("right"))
    assert "already" not in run_here(*words, cwd=bench).err
    assert "these recordings are copy 1's already" in run_here(*words, cwd=bench).err
    labelled = run_here(*words[:4], "--labels", "labels.pdf", cwd=bench)
    assert "Written: labels.pdf" in labelled.out
    assert ".csv" not in labelled.out  # nothing was measured


def test_plain_answer_begins_with_its_word(bench: Path) -> None:
    done = run_here("confirm", "heron", *points_of("wrong"), "--plain", cwd=bench)
    assert done.status == 1
    first, servo, parts, *_ = done.out.splitlines()
    assert first == "FAIL"
    assert servo.startswith("Servo: Safe")
    assert parts.startswith("Parts: ")
    assert "r_off" in parts


def test_design_file_needs_no_bench(bench: Path, tmp_path: Path) -> None:
    design = bench / "calibration" / "heron" / "design.toml"
    words = [word.replace("=", f"={bench}/") for word in points_of("right")]
    other = tmp_path / "elsewhere"
    other.mkdir()
    done = run_here("confirm", "--design", design, *words, "--json", cwd=other)
    assert answer(done)["verdict"] == "PASS"


def test_batch_from_recordings_goes_on_and_makes_labels(bench: Path) -> None:
    words = ("confirm", "heron", "--batch", "autumn-1", "--supply", "6")
    path = bench / "calibration" / "heron" / "batches" / "autumn-1.csv"
    for number, (name, status) in enumerate((("right", 0), ("wrong", 1), ("right", 1)), 1):
        before = path.read_bytes() if path.exists() else b""
        done = run_here(*words, *points_of(name), "--json", cwd=bench)
        content = answer(done, status=status)  # a batch passes when all of its copies do
        assert [one["copy"] for one in content["copies"]] == list(range(1, number + 1))
        assert path.read_bytes().startswith(before)
    assert (content["passed"], content["failed"], content["again"]) == (2, 1, 0)
    # the wrong copy stands alone, which leaves two that tell of r_off
    spread = {one["product"] for one in content["spread"]}
    assert spread == {"r_knob*c_timing", "r_on*c_timing"}
    assert content["copies"][1]["part"] == "r_off"
    labelled = run_here(*words[:4], "--labels", "labels.pdf", cwd=bench)
    assert labelled.status == 1
    assert (bench / "labels.pdf").read_bytes().startswith(b"%PDF")
    assert "3 copies: 2 PASS, 1 FAIL, 0 AGAIN." in labelled.out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("heron",), "without anything to listen to"),
        (("--input", "1"), "without a channel"),
        (("heron", "--input", "1", "--port", "x"), "--input and --port"),
        (("heron", "--point", "0=right0.csv"), "two angles"),
        (
            ("heron", "--point", "0=right0.csv", "--point", "0=right0.csv"),
            "--point 0 comes twice; expected each knob angle once",
        ),
        (
            ("heron", *(f for deg in (30, 120, 210) for f in ("--point", f"{deg}=right0.csv"))),
            "--point at 30°, 120° and 210°; expected the knob's two ends, 0° and 270°, among them",
        ),
        (("heron", "--point", "0=right0.csv", "--point", "267=right270.csv"), "two ends"),
        (("heron", "--point", "nonsense"), "DEG=FILE"),
        (("heron", "--labels", "a.pdf"), "--batch"),
        (("heron", "--batch", "none", "--labels", "a.pdf"), "not there"),
        (("heron", "--batch", "../x", "--input", "1"), "named"),
        (("heron", "--batch", "a", "--input", "1", "--labels", "a.txt"), ".pdf or .svg"),
        (("heron", "--batch", "a", "--labels", "a.pdf", "--label-size", "7"), "70x37"),
        (("heron", "--batch", "a", "--labels", "a.pdf", "--paper", "b7"), "a4"),
        (("heron", "--batch", "a", "--labels", "a.pdf", "--skip-labels", "24"), "24"),
        (("heron", "--input", "1", "--supply", "lots"), "--supply"),
        (("nobody", "--input", "1"), "nobody"),
    ],
)
def test_words_that_cannot_be(bench: Path, words: tuple[str, ...], told: str) -> None:
    check_line(run_here("confirm", *words, cwd=bench), told)
    assert not (bench / "calibration" / "heron" / "batches").exists()


def test_labels_are_refused_before_anything_is_measured(bench: Path) -> None:
    (bench / "old.pdf").write_text("old", encoding="utf-8")
    words = ("confirm", "heron", "--batch", "a", "--labels", "old.pdf", *points_of("right"))
    check_line(run_here(*words, cwd=bench), "nothing is overwritten")
    assert (bench / "old.pdf").read_text(encoding="utf-8") == "old"


# --- through the sound server ----------------------------------------------------------------


@pytest.mark.sound_server
def test_batch_with_one_wrong_copy_through_the_sound_server(
    sound_server: SoundServer, bench: Path, design: Design
) -> None:
    """Nobody at the keys: a script turns the knob and swaps the boards as it is told to."""
    boards = draw_boards(design, 3, (2,), 4, faults=("r_off",))
    words = ["--input", "pulse", "--rate", "48000", "--batch", "many", "--copies", "3"]
    words += ["--supply", "6", "--labels", str(bench / "labels.pdf")]
    status, said, _ = confirm_boards(sound_server, design, boards, bench, words, within_s=200.0)
    assert status == 1, said
    batch = read_batch(bench / "calibration" / "heron" / "batches" / "many.csv")
    assert [(one.number, one.verdict) for one in batch.copies] == [
        (1, "PASS"),
        (2, "FAIL"),
        (3, "PASS"),
    ], said
    assert batch.copies[1].part == "r_off"
    for copy, board in zip(batch.copies, boards, strict=True):
        for place, angle in zip(copy.places, DEG, strict=True):
            assert place is not None
            wanted = predict_cycle(
                design, place.knob_deg if angle == 135.0 else angle, parts=board.parts
            )
            # the clock's 100 ppm (rectangular) and the estimator: five standard uncertainties;
            # between the stops the angle itself is found from the pause, to 0.1 degree or 0.7 µs
            room_s = 5.0 * place.u_pulse_s + (1.5e-6 if angle == 135.0 else 0.0)
            assert abs(place.pulse_s - float(wanted.on_s)) < room_s, (copy.number, angle)
    assert (bench / "labels.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.pty
def test_one_channel_from_a_probe_with_json(bench: Path, design: Design) -> None:
    played = PlayedBench(None, design, parts={"r_off": 680e3}, seed=2)
    with played.over_pty() as port:
        words = command_words("confirm", "heron", "--port", port, "--supply", "6", "--json")
        with subprocess.Popen(
            words,
            cwd=bench,
            env=plain_environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        ) as process:
            assert process.stdout is not None
            assert process.stderr is not None
            said = []
            for line in process.stderr:  # progress for whoever waits; the answer stands alone
                said.append(line)
                if line.startswith("Taken: "):
                    played.turn({1: 135.0, 2: 270.0}.get(_count_taken(said), 270.0))
            content = json.loads(process.stdout.read())
    assert process.returncode == 1, said
    assert content["verdict"] == "FAIL"
    assert content["suspects"][0]["part"] == "r_off"
    assert said[0].startswith("The servo is unplugged")


def _count_taken(said: list[str]) -> int:
    return sum(line.startswith("Taken: ") for line in said)


def test_pattern_of_a_stamp() -> None:
    from benchlog.commands.confirm_records import utc_now

    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", utc_now())
