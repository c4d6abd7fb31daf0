"""Options of `diagnose` that do not go together, and those that choose an input and its design."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.command_inputs import answer, check_line
from tests.command_line import run_here
from tests.test_diagnose_command import causes, lay_record

_RATE_HZ = 48000


def write_pair(path: Path, *widths_s: float, seconds: float = 11.0) -> Path:
    """Write steady trains as sound, an input each; nothing on an input of width 0."""
    place = np.arange(round(seconds * _RATE_HZ))
    # whole samples, so that no edge trembles for where it falls between two
    inputs = [
        0.3 * ((place + 190) % (715 + 14 * number) < round(width_s * _RATE_HZ))
        for number, width_s in enumerate(widths_s)
    ]
    soundfile.write(path, np.column_stack(inputs), _RATE_HZ)
    return path


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--at", "9"), "--at with a recording"),
        (("--knob", "9"), "--at with a recording"),
        (("--rate", "48000"), "--rate with a recording"),
        (("--baud", "9600"), "--baud with a recording"),
        (("--try", "tap"), "--try without --on-the-beat"),
        (("--rounds", "9"), "--rounds without --on-the-beat"),
        (("--slot", "3"), "--slot without --on-the-beat"),
        (("--quiet",), "--quiet without --on-the-beat"),
        (("--seconds", "9"), "--seconds without --compare"),
        (("--signal", "pulse"), "holds no signals by name"),
        (("--channel-input", "2"), "has 1 input;"),
        (("--channel-input", "0"), "--channel-input '0'"),
        (("--channel-input", "1.5"), "whole number"),
        (("--input", "USB"), "--seconds 60 --input USB, then benchlog diagnose"),
        (("--compare", "--try", "tap"), "--try without --on-the-beat"),
        (("--on-the-beat", "--seconds", "9"), "--seconds without --compare"),
        (("--on-the-beat", "--input", "1", "--baud", "9600"), "--baud with --input"),
        (("--on-the-beat", "--port", "x", "--rate", "48000"), "--rate with --port"),
        (("--on-the-beat", "--port", "x", "--channel-input", "1"), "--channel-input with --port"),
        (("--compare", "--port", "x", "--signal", "pulse"), "--signal with something to listen to"),
        (("--compare", "--seconds", "9"), "--seconds with what was recorded before"),
    ],
)
def test_an_option_that_would_change_nothing_is_refused(
    bench_folder: Path, words: tuple[str, ...], told: str
) -> None:
    path = lay_record(bench_folder, "r1", 0.0)
    check_line(run_here("diagnose", path, *words, cwd=bench_folder), told)


def test_a_channels_newest_comparison_is_as_it_is(bench_folder: Path) -> None:
    outcome = run_here("diagnose", "heron", "--compare", "--seconds", "9", cwd=bench_folder)
    check_line(outcome, "--seconds with what was recorded before")


def test_a_channels_name_stands_in_what_is_proposed(bench_folder: Path) -> None:
    outcome = run_here("diagnose", "heron", "--port", "COM1", cwd=bench_folder)
    check_line(outcome, "benchlog capture heron --at DEG", "benchlog diagnose heron")
    outcome = run_here("diagnose", "moon", "boat", "--compare", "--port", "COM1", cwd=bench_folder)
    check_line(outcome, "benchlog diagnose moon --compare --port COM1 --at DEG")


# --- one input of several ---


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Input 1 within every servo's range, input 2 past the usual one's end."""
    return write_pair(tmp_path_factory.mktemp("pair") / "pair.wav", 1.5e-3, 2.62e-3)


def diagnose(bench: Path, *words: str | Path, status: int = 0) -> Any:
    return answer(run_here("diagnose", *words, "--json", cwd=bench), status=status)


def test_an_input_is_judged_alone(bench_folder: Path, pair: Path) -> None:
    design = bench_folder / "calibration" / "heron" / "design.toml"
    words = (pair, "--design", design, "--channel-input")
    first = diagnose(bench_folder, *words, "1")
    assert [(one["input"], one["cause"]) for one in first["findings"]] == [(1, "steady")]
    assert first["warnings"] == []
    second = diagnose(bench_folder, *words, "2", status=1)
    assert {one["input"] for one in second["findings"]} == {2}
    assert causes(second)[0] == "end-stop-high"
    check_line(run_here("diagnose", pair, "--channel-input", "3", cwd=bench_folder), "has 2 inputs")


def test_an_input_without_pulses_cannot_be_judged(bench_folder: Path) -> None:
    path = write_pair(bench_folder / "left.wav", 1.5e-3, 0.0, seconds=2.0)
    content = diagnose(bench_folder, path, "--channel-input", "2")
    [finding] = content["findings"]
    assert (finding["input"], finding["cause"]) == (2, "not-enough-to-tell")
    assert "input 2 holds silence" in finding["text"]
    shown = run_here("diagnose", path, "--channel-input", "1", cwd=bench_folder)
    assert "Input 2 holds no pulses" not in shown.out  # nobody asked


def test_the_device_input_of_a_record_of_one_input(bench_folder: Path) -> None:
    lay_record(bench_folder, "r1", 0.0, input=2)
    assert causes(diagnose(bench_folder, "heron", "--channel-input", "2")) == ["steady"]
    outcome = run_here("diagnose", "heron", "--channel-input", "3", cwd=bench_folder)
    check_line(outcome, "has 1 input;")


# --- a design for each input ---


@pytest.fixture
def wide(bench_folder: Path) -> Path:
    """Write a design whose servo takes 2620 us."""
    text = (bench_folder / "calibration" / "heron" / "design.toml").read_text(encoding="utf-8")
    path = bench_folder / "wide.toml"
    changed = text.replace("pulse_max_us = 2500", "pulse_max_us = 2700")
    assert changed != text
    path.write_text(changed, encoding="utf-8")
    return path


def test_each_input_has_its_own_design(bench_folder: Path, pair: Path, wide: Path) -> None:
    narrow = bench_folder / "calibration" / "heron" / "design.toml"
    both = diagnose(bench_folder, pair, "--design", narrow, "--design", wide)
    assert "end-stop-high" not in causes(both)
    assert both["warnings"] == []
    turned = diagnose(bench_folder, pair, "--design", wide, "--design", narrow, status=1)
    first = turned["findings"][0]
    assert (first["input"], first["cause"]) == (2, "end-stop-high")


def test_one_design_for_two_inputs_is_told(bench_folder: Path, pair: Path, wide: Path) -> None:
    content = diagnose(bench_folder, pair, "--design", wide)
    [warning] = content["warnings"]
    assert (warning["code"], warning["file"]) == ("one-design", str(pair))
    shown = run_here("diagnose", pair, "--design", wide, cwd=bench_folder)
    assert "is taken for both inputs" in " ".join(shown.out.split())


def test_a_silent_input_needs_no_design(bench_folder: Path, wide: Path) -> None:
    path = write_pair(bench_folder / "right.wav", 0.0, 2.62e-3)
    narrow = bench_folder / "calibration" / "heron" / "design.toml"
    both = ["steady", "not-enough-to-tell"]
    assert causes(diagnose(bench_folder, path, "--design", wide)) == both
    words = (path, "--design", narrow, "--design", wide)
    assert causes(diagnose(bench_folder, *words)) == both


@pytest.mark.parametrize("count", [2, 3])
def test_designs_that_do_not_fit_the_inputs(bench_folder: Path, wide: Path, count: int) -> None:
    lay_record(bench_folder, "r1", 0.0)
    words: list[str | Path] = ["--design", wide]
    outcome = run_here("diagnose", "heron", *words * count, cwd=bench_folder)
    check_line(outcome, f"{count} designs for", "holds 1 channel;", "--design once")


def test_one_design_alone_where_something_is_listened_to(bench_folder: Path, wide: Path) -> None:
    words: list[str | Path] = ["--on-the-beat", "--port", "COM1", "--at", "9"]
    words += ["--design", wide, "--design", wide]
    check_line(run_here("diagnose", "heron", *words, cwd=bench_folder), "--design 2 times")


def test_a_guess_of_the_pulse_is_told_and_counts_as_wrong(tmp_path: Path) -> None:
    path = write_pair(tmp_path / "even.wav", 7.4e-3, seconds=4.0)
    content = diagnose(tmp_path, path, status=1)
    assert [one["code"] for one in content["warnings"]] == ["polarity-unsure"]
    shown = run_here("diagnose", path, cwd=tmp_path)
    assert "warning, input 1: high and low last about as long" in " ".join(shown.out.split())
    content = diagnose(tmp_path, path, "--active", "high", status=1)  # past every servo's stop
    assert content["warnings"] == []
