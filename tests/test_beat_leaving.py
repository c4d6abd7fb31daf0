"""`diagnose --on-the-beat` left before its end: what was heard is kept."""

from __future__ import annotations

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
