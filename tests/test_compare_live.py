"""`diagnose --compare` led over a pseudo-terminal: to its end, and broken off."""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchlog.capture.sidecar import Sidecar, read_sidecar
from tests.command_line import run_here
from tests.killing import PlayedProbe
from tests.servo_script import KeyedCommand

pytestmark = pytest.mark.pty

_HEADER = b"# benchlog-probe ticks_per_s=2000000 width_bits=32 inputs=1\r\n"
_TICKS_PER_S = 2_000_000
_REST_TICKS = 37_000


class StagedProbe(PlayedProbe):
    """A probe whose pulse a test makes longer, or lets stop; its header goes on coming."""

    longer_us = 0
    is_silent = False

    def _report(self) -> None:
        start, count, tick = time.monotonic(), 0, 0
        while not self._stop.wait(max(0.0, start + tick / _TICKS_PER_S - time.monotonic())):
            width = 3000 + int(self.longer_us * _TICKS_PER_S / 1e6)
            line = f"{tick % 2**32} 1\r\n{(tick + width) % 2**32} 0\r\n".encode("ascii")
            header = _HEADER if count % 10 == 0 else b""
            with contextlib.suppress(BlockingIOError):  # nobody reads: the line is lost
                os.write(self._far, header if self.is_silent else header + line)
            count, tick = count + 1, tick + width + _REST_TICKS


@pytest.fixture
def probe() -> Iterator[StagedProbe]:
    one = StagedProbe()
    with one:
        yield one


def start(probe: StagedProbe, bench: Path, seconds: str) -> KeyedCommand:
    words = ("diagnose", "heron", "--compare", "--at", "135", "--seconds", seconds)
    return KeyedCommand(*words, "--port", probe.port, cwd=bench)


def at_stage(command: KeyedCommand, number: int) -> None:
    """Wait until a stage is asked for."""
    command.wait_for(f"{number} of 3")
    command.wait_for("q leaves: ")


def read_records(bench: Path) -> list[Sidecar]:
    paths = sorted((bench / "captures" / "heron").glob("*.json"))
    return [read_sidecar(path) for path in paths]


def test_to_its_end_with_all_three_stages(probe: StagedProbe, bench_folder: Path) -> None:
    """The servo makes the pulse 30 us longer; the neighbour changes nothing."""
    command = start(probe, bench_folder, "2")
    at_stage(command, 1)
    command.press("x\r")  # any other word is not Enter
    command.wait_for("'x'")
    command.press("\r")
    command.wait_for("Kept: ")
    at_stage(command, 2)
    probe.longer_us = 30
    command.press("\r")
    command.wait_for("Kept: ")
    at_stage(command, 3)
    command.press("\r")
    command.wait_for("To compare them again:")
    command.wait_for("benchlog diagnose --compare ")
    assert command.finish() == 1, command.seen
    seen = command.seen
    assert "[" not in seen.split("1 of 3")[1].split("Kept")[0]
    assert "s, pulse 1500.0 µs." in seen
    assert "s, pulse 1530.0 µs." in seen
    assert "The channel's own servo pulls the supply" in seen
    assert "The neighbour" not in seen.split("heron", 1)[1]
    records = read_records(bench_folder)
    assert [one.other["stage"] for one in records] == ["unplugged", "plugged", "neighbour"]
    assert len({one.other["comparison"] for one in records}) == 1
    assert {one.other["planned_s"] for one in records} == {2.0}
    # what is printed, and the channel alone, give the same answer again
    printed = seen.split("To compare them again:")[1].split()
    again = run_here(*printed[1:], "--json", cwd=bench_folder)
    newest = run_here("diagnose", "heron", "--compare", "--json", cwd=bench_folder)
    assert (again.status, newest.status) == (1, 1), (again, newest)
    assert json.loads(again.out)["findings"] == json.loads(newest.out)["findings"]
    [finding] = json.loads(again.out)["findings"]
    assert finding["evidence"]["effect_us"] == pytest.approx(30.0, abs=0.5)


def test_ctrl_c_in_the_second_stage_compares_what_is_there(
    probe: StagedProbe, bench_folder: Path
) -> None:
    command = start(probe, bench_folder, "2")
    at_stage(command, 1)
    command.press("\r")
    at_stage(command, 2)
    probe.longer_us = 30
    command.press("\r")
    wait_for_pulses(bench_folder, 2)
    command.press("\x03")
    command.wait_for("To compare them again:")
    assert command.finish() == 130, command.seen
    assert "'servo plugged in' was cut short" in command.seen


def wait_for_pulses(bench: Path, number: int) -> None:
    """Wait until a record is there and holds some pulses; 30 s at most."""
    until_s = time.monotonic() + 30.0
    while time.monotonic() < until_s:
        records = sorted((bench / "captures" / "heron").glob("*.csv"))
        if len(records) == number and records[-1].read_bytes().count(b"\n") > 100:
            return
        time.sleep(0.02)
    raise AssertionError("no pulses were recorded")


def test_a_probe_that_is_pulled_in_the_second_stage(probe: StagedProbe, bench_folder: Path) -> None:
    command = start(probe, bench_folder, "2")
    at_stage(command, 1)
    command.press("\r")
    at_stage(command, 2)
    probe.longer_us = 30
    command.press("\r")
    wait_for_pulses(bench_folder, 2)
    probe.unplug()
    command.wait_for("that much is kept")
    at_stage(command, 3)
    command.press("\r")  # the probe is gone: what is there is compared
    command.wait_for("To compare them again:")
    assert command.finish() == 1, command.seen
    assert "'servo plugged in' was cut short" in command.seen
    assert "loses samples" not in command.seen  # what never came is no fault of its own


def test_a_channel_that_dies_when_its_servo_is_plugged_in(
    probe: StagedProbe, bench_folder: Path
) -> None:
    command = start(probe, bench_folder, "2")
    at_stage(command, 1)
    command.press("\r")
    at_stage(command, 2)
    probe.is_silent = True
    command.press("\r")
    command.wait_for("no pulses.")
    at_stage(command, 3)
    command.press("q\r")
    command.wait_for("With the servo plugged in the pulses stop.")
    assert command.finish() == 1, command.seen
    heard, silent = read_records(bench_folder)
    assert (heard.set_aside, silent.set_aside) == (None, "no pulses came")
    newest = run_here("diagnose", "heron", "--compare", "--json", cwd=bench_folder)
    assert newest.status == 1
    assert json.loads(newest.out)["findings"][0]["cause"] == "supply"


def test_a_stage_is_recorded_again_and_too_few_are_told(
    probe: StagedProbe, bench_folder: Path
) -> None:
    command = start(probe, bench_folder, "2")
    at_stage(command, 1)
    command.press("\r")
    at_stage(command, 2)
    command.press("r\r")
    at_stage(command, 1)
    command.press("\r")
    at_stage(command, 2)
    command.press("q\r")
    assert command.finish() == 2, command.seen
    assert "left after 1 stage" in command.seen
    old, new = read_records(bench_folder)
    assert (old.set_aside, new.set_aside) == ("recorded again", None)
    assert (new.servo, new.other["stage"]) == ("unplugged", "unplugged")
    assert f"unplugged=captures/heron/{new.stamp}-135deg.csv plugged=FILE" in command.seen
