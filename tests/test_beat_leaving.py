"""`diagnose --on-the-beat` left before its end: what was heard is kept."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest

from benchlog.capture.sidecar import read_sidecar
from benchlog.channel.design import Design, parse_design
from tests.played_bench import PlayedBench
from tests.servo_script import KeyedCommand
from tests.test_beat_command import SHORT


@pytest.fixture(scope="module")
def design(heron_text: str) -> Design:
    return parse_design(heron_text, "heron")


@pytest.mark.pty
@pytest.mark.parametrize("key", ["q", "\x03"])
def test_leaving_early_keeps_what_was_heard(key: str, design: Design, bench_folder: Path) -> None:
    bench = PlayedBench(None, design, knob_deg=135.0)
    words = ("diagnose", "heron", "--on-the-beat", "--at", "135", "--plain", "--quiet")
    with bench.over_pty() as port:
        command = KeyedCommand(*words, *SHORT, "--port", port, cwd=bench_folder)
        command.wait_for("3 of 14")
        command.press(key)
        assert command.finish() == (0 if key == "q" else 130), command.seen
    assert "That was too short to tell." in command.seen
    assert "\a" not in command.seen
    [record] = list((bench_folder / "captures" / "heron").glob("*.csv"))
    sidecar = read_sidecar(record.with_suffix(".json"))
    assert not sidecar.unfinished
    assert record.stat().st_size > 500
    assert sidecar.other["beats"]["ended_s"] > 4.0


def listening(port: str, folder: Path, *more: str, term: str = "dumb") -> KeyedCommand:
    words = ("diagnose", "heron", "--on-the-beat", "--at", "135", "--quiet", "--port", port)
    return KeyedCommand(*words, *SHORT, *more, cwd=folder, term=term)


@pytest.mark.pty
@pytest.mark.parametrize(
    ("how", "status", "said"),
    [
        ("q", 2, "left before anything was recorded"),
        ("\x03", 130, "left before anything was recorded"),
        ("TERM", 143, "ended by the system before anything was recorded"),
    ],
)
def test_left_before_the_first_edge_nothing_is_said_to_be_kept(
    how: str, status: int, said: str, design: Design, bench_folder: Path
) -> None:
    bench = PlayedBench(None, design, knob_deg=135.0, plugged=False)
    with bench.over_pty() as port:
        command = listening(port, bench_folder, "--plain")
        command.wait_for("No pulses yet: is the channel on?")
        if how == "TERM":
            os.kill(command.pid, signal.SIGTERM)
        else:
            command.press(how)
        assert command.finish() == status, command.seen
    assert said in command.seen
    assert "kept" not in command.seen.split("No pulses yet")[1]
    assert not (bench_folder / "captures" / "heron").exists()
    # before the first record of a bench folder
    assert "Battery or isolated low voltage only" in command.seen


@pytest.mark.pty
def test_enter_begins_and_nothing_else(design: Design, bench_folder: Path) -> None:
    bench = PlayedBench(None, design, knob_deg=135.0)
    with bench.over_pty() as port:
        command = listening(port, bench_folder, term="xterm")
        command.wait_for("Enter begins, q leaves: ")
        command.press("x\r")
        command.wait_for("Expected: Enter, or q")
        command.press("q\r")
        assert command.finish() == 2, command.seen
    assert "ACT: turn the neighbour's knob to and fro. REST: hands off." in command.seen
    assert not (bench_folder / "captures" / "heron").exists()


@pytest.mark.pty
def test_asked_to_end_it_says_by_whom(design: Design, bench_folder: Path) -> None:
    bench = PlayedBench(None, design, knob_deg=135.0)
    with bench.over_pty() as port:
        command = listening(port, bench_folder, "--plain")
        command.wait_for("2 of 14")
        os.kill(command.pid, signal.SIGTERM)
        assert command.finish() == 143, command.seen
    assert "ended by the system after" in command.seen
    assert "that much is kept" in command.seen


@pytest.mark.pty
def test_a_probe_that_is_pulled_is_no_success(design: Design, bench_folder: Path) -> None:
    bench = PlayedBench(None, design, knob_deg=135.0)
    with bench.over_pty() as port:
        command = listening(port, bench_folder, "--plain")
        command.wait_for("2 of 14")
    assert command.finish() == 1, command.seen
    assert "was unplugged; that much is kept" in command.seen
    assert "That was too short to tell." in command.seen


@pytest.mark.pty
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_bar_gives_the_cursor_back_before_the_system_ends_it(
    number: signal.Signals, design: Design, bench_folder: Path
) -> None:
    bench = PlayedBench(None, design, knob_deg=135.0)
    with bench.over_pty() as port:
        words = ("capture", "heron", "--at", "135", "--port", port, "--seconds", "30")
        command = KeyedCommand(*words, cwd=bench_folder, term="xterm")
        command.wait_for("\x1b[?25l")
        time.sleep(1.0)  # the first edge may be as late as the bar
        os.kill(command.pid, number)
        assert command.finish() == -number, command.seen
    assert command.seen.rindex("\x1b[?25h") > command.seen.rindex("\x1b[?25l")
    assert "ended by the system after" in command.seen
    [record] = list((bench_folder / "captures" / "heron").glob("*.json"))
    assert not read_sidecar(record).unfinished
