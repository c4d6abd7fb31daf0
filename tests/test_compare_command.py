"""`diagnose --compare`: from files, and led over a pseudo-terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchlog.capture.sidecar import read_sidecar
from benchlog.channel.design import Design, parse_design
from tests.command_line import run_here
from tests.played_bench import PlayedBench
from tests.servo_script import KeyedCommand
from tests.test_beat_command import draw_cycles, write_cycles


@pytest.fixture(scope="module")
def design(heron_text: str) -> Design:
    return parse_design(heron_text, "heron")


def test_stages_from_files(bench_folder: Path) -> None:
    """The own servo takes 3 us off the pulse; the neighbour triples the scatter of the rest."""
    stages = {}
    for number, (stage, shift_s, times) in enumerate(
        (("unplugged", 0.0, 1.0), ("plugged", -3e-6, 1.0), ("neighbour", -3e-6, 3.0))
    ):
        on_s, off_s = draw_cycles(900, number)
        off_s = 13e-3 + times * (off_s - 13e-3)
        stages[stage] = write_cycles(bench_folder / f"{stage}.csv", on_s + shift_s, off_s)
    words = [f"{stage}={path}" for stage, path in stages.items()]
    out = run_here("diagnose", *words, "--compare", "--json", cwd=bench_folder)
    content = json.loads(out.out)
    assert out.status == 1
    assert [one["cause"] for one in content["findings"]] == ["supply", "neighbour"]
    own, neighbour = (one["evidence"] for one in content["findings"])
    # 900 pulses of 1 us each: a difference is known to 0.05 us
    assert own["effect_us"] == pytest.approx(-3.0, abs=0.2)
    assert own["moves_like"] in ("supply", "diode")
    assert neighbour["effect_us"] == pytest.approx(0.0, abs=0.2)
    assert neighbour["period_scatter_ratio"] == pytest.approx(2.8, abs=0.3)
    assert [one["stage"] for one in content["stages"]] == list(stages)
    shown = run_here("diagnose", *words, "--compare", cwd=bench_folder)
    assert "servo unplugged" in shown.out
    assert "±" in shown.out


def test_files_whose_sidecars_say_what_the_servo_did(bench_folder: Path) -> None:
    files = []
    for number, servo in enumerate(("unplugged", "idle")):
        on_s, off_s = draw_cycles(900, 10 + number)
        files.append(write_cycles(bench_folder / f"{servo}.csv", on_s, off_s, servo=servo))
    out = run_here("diagnose", *files, "--compare", "--json", cwd=bench_folder)
    assert out.status == 0, out
    [finding] = json.loads(out.out)["findings"]
    assert finding["cause"] == "steady"


@pytest.mark.pty
def test_a_stage_led_over_a_probe_is_kept_though_the_rest_is_left(
    design: Design, bench_folder: Path
) -> None:
    bench = PlayedBench(None, design, knob_deg=135.0)
    words = ("diagnose", "heron", "--compare", "--at", "135", "--seconds", "2")
    with bench.over_pty() as port:
        command = KeyedCommand(*words, "--port", port, cwd=bench_folder)
        command.wait_for("1 of 3")
        command.wait_for("[go]")
        command.press("\r")
        command.wait_for("2 of 3")
        command.wait_for("[go]")
        command.press("q\r")
        assert command.finish() == 2, command.seen
    assert "left after 1 stage" in command.seen
    [record] = (bench_folder / "captures" / "heron").glob("*.json")
    kept = read_sidecar(record)
    assert (kept.servo, kept.other["stage"]) == ("unplugged", "unplugged")


def test_a_knob_that_was_touched_is_not_blamed_on_the_supply(bench_folder: Path) -> None:
    """A wiper gives the pulse 60 us and takes 51 us from the rest: no supply does that."""
    words = []
    for number, stage in enumerate(("unplugged", "plugged")):
        on_s, off_s = draw_cycles(900, 20 + number)
        path = write_cycles(
            bench_folder / f"{stage}.csv", on_s + number * 60e-6, off_s - number * 51e-6
        )
        words.append(f"{stage}={path}")
    out = run_here("diagnose", *words, "--compare", "--json", cwd=bench_folder)
    [finding] = json.loads(out.out)["findings"]
    assert out.status == 1
    assert "Was the knob touched" in finding["text"]
    assert finding["next_step"].startswith("Compare once more")
