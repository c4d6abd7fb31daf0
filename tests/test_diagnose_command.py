"""`diagnose` as a user types it: channels, files, JSON, the screen, what can be wrong."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from benchlog.channel.design import parse_design, predict_cycle
from tests.command_inputs import answer, check_line, lay_in, write_edges
from tests.command_line import run_here

_SEED = 5


def write_train(
    path: Path, on_s: float, off_s: float, *, seconds: float = 12.0, wiper_s: float = 0.0
) -> Path:
    """Write a train whose pulse scatters along the wiper's way: the rest takes 0.85 of it back."""
    rng = np.random.default_rng(_SEED)
    count = int(seconds / (on_s + off_s))
    moved = wiper_s * rng.standard_normal(count)
    on, off = on_s + moved, off_s - 0.85 * moved
    start = 0.003 + np.concatenate(([0.0], np.cumsum(on + off)[:-1]))
    times = np.column_stack([start, start + on]).ravel()
    lines = ["time_s,level", "0,0"]
    lines += [f"{time:.9f},{(place + 1) % 2}" for place, time in enumerate(times.tolist())]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def lay_record(
    bench: Path, name: str, wiper_s: float, *, channel: str = "heron", **known: Any
) -> Path:
    """Lay one record of a channel, knob in the middle, into a bench folder."""
    folder = bench / "captures" / channel
    folder.mkdir(parents=True, exist_ok=True)
    design = parse_design(
        (bench / "calibration" / "heron" / "design.toml").read_text(encoding="utf-8"), "heron"
    )
    cycle = predict_cycle(design, 135.0)
    path = write_train(
        folder / f"{name}.csv", float(cycle.on_s), float(cycle.off_s), wiper_s=wiper_s
    )
    sidecar = {
        "channel": channel, "knob_deg": 135.0, "recorded_utc": f"2026-09-0{name[-1]}T10:00:00Z",
        "supply_v": 6.0, "temperature_c": 27.0, **known,
    }  # fmt: skip
    path.with_suffix(".json").write_text(json.dumps(sidecar), encoding="utf-8")
    return path


def causes(content: dict[str, Any]) -> list[str]:
    """Return the causes of all findings, and check their shape."""
    for one in content["findings"]:
        assert set(one) >= {"input", "cause", "share", "text", "evidence", "next_step"}
        assert one["text"]
        assert one["next_step"]
    return [one["cause"] for one in content["findings"]]


# --- channels and files ---


def test_a_channel_takes_its_newest_record(bench_folder: Path) -> None:
    lay_record(bench_folder, "r1", 20e-6)
    lay_record(bench_folder, "r2", 0.0)
    assert causes(answer(run_here("diagnose", "heron", "--json", cwd=bench_folder))) == ["steady"]
    lay_record(bench_folder, "r3", 20e-6)
    content = answer(run_here("diagnose", "heron", "--json", cwd=bench_folder), status=1)
    assert causes(content) == ["wiper"]
    (finding,) = content["findings"]
    # 20 us along the wiper's way are 20/6.5 = 3 degrees of this knob
    assert finding["evidence"]["pulse_sd_us"] == pytest.approx(20.0, rel=0.1)
    assert finding["evidence"]["size_deg"] == pytest.approx(3.0, rel=0.2)
    assert finding["share"] > 0.9
    lay_record(bench_folder, "r4", 0.0, set_aside="the lead was off")
    content = answer(run_here("diagnose", "heron", "--json", cwd=bench_folder), status=1)
    assert causes(content) == ["wiper"]


def test_a_sweep_is_judged_together(bench_folder: Path, heron_text: str) -> None:
    # each record by itself is far too short
    angles = [90.0 * k for k in range(4)]
    lay_in(bench_folder, heron_text, angles, sweep="20260901T100000Z")
    content = answer(run_here("diagnose", "heron", "--json", cwd=bench_folder))
    evidence = content["findings"][0]["evidence"]
    assert evidence["recording_count"] == 4
    assert evidence["duration_s"] == pytest.approx(4 * 60 * 14.9e-3, rel=0.05)


def test_a_file_takes_its_sidecars_design(bench_folder: Path, tmp_path: Path) -> None:
    path = lay_record(bench_folder, "r1", 20e-6)
    content = answer(run_here("diagnose", path, "--json", cwd=tmp_path), status=1)
    assert causes(content) == ["wiper"]
    assert "file" not in content["findings"][0]
    assert "size_deg" in content["findings"][0]["evidence"]
    loose = tmp_path / "loose.csv"
    loose.write_bytes(path.read_bytes())
    content = answer(run_here("diagnose", loose, "--json", cwd=tmp_path), status=1)
    assert causes(content) == ["wiper"]
    assert "size_deg" not in content["findings"][0]["evidence"]  # nobody says how far it turns


def test_several_files_by_themselves_and_together(bench_folder: Path) -> None:
    first, second = lay_record(bench_folder, "r1", 0.0), lay_record(bench_folder, "r2", 20e-6)
    content = answer(run_here("diagnose", first, second, "--json", cwd=bench_folder), status=1)
    assert [(one["file"], one["cause"]) for one in content["findings"]] == [
        (str(first), "steady"),
        (str(second), "wiper"),
    ]
    words = ("diagnose", first, second, "--together", "--json")
    content = answer(run_here(*words, cwd=bench_folder), status=1)
    assert causes(content) == ["wiper"]
    assert content["findings"][0]["evidence"]["recording_count"] == 2


def test_the_design_settles_which_level_is_the_pulse(
    bench_folder: Path, heron_text: str, tmp_path: Path
) -> None:
    design = parse_design(heron_text, "heron")
    cycle = predict_cycle(design, 135.0)
    path = write_edges(
        tmp_path / "upside.csv", float(cycle.on_s), float(cycle.off_s), count=900, inverted=True
    )
    words = ("diagnose", path, "--design", bench_folder / "calibration/heron/design.toml", "--json")
    assert causes(answer(run_here(*words, cwd=tmp_path))) == ["steady"]


def test_past_the_end_stop(bench_folder: Path, tmp_path: Path) -> None:
    path = write_train(tmp_path / "long.csv", 2.62e-3, 13e-3)
    words = ("diagnose", path, "--design", bench_folder / "calibration/heron/design.toml", "--json")
    content = answer(run_here(*words, cwd=tmp_path), status=1)
    assert causes(content)[0] == "end-stop-high"
    finding = content["findings"][0]
    assert finding["evidence"]["beyond_us"] == pytest.approx(120.0, abs=1.0)
    assert "pinch" in finding["next_step"]
    assert finding["share"] is None


# --- the screen ---


def test_the_screen(bench_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lay_record(bench_folder, "r1", 20e-6)
    for width in (80, 40):
        monkeypatch.setenv("COLUMNS", str(width))
        shown = run_here("diagnose", "heron", cwd=bench_folder)
        assert shown.status == 1
        assert shown.err == ""
        lines = shown.out.splitlines()
        assert max(map(len, lines)) <= width
        assert lines[0].startswith("heron: the knob's wiper")
        for word in ("What", "Why", "How sure", "Next", "Figures", "too much"):
            assert word in shown.out
        assert "variance" not in shown.out


def test_nothing_is_written(bench_folder: Path) -> None:
    lay_record(bench_folder, "r1", 0.0)
    before = {path: path.read_bytes() for path in bench_folder.rglob("*") if path.is_file()}
    run_here("diagnose", "heron", cwd=bench_folder)
    assert {p: p.read_bytes() for p in bench_folder.rglob("*") if p.is_file()} == before


# --- what can be wrong ---


def test_what_is_not_there(bench_folder: Path) -> None:
    check_line(run_here("diagnose", "nobody", cwd=bench_folder), "nobody")
    check_line(run_here("diagnose", "nobody.wav", cwd=bench_folder), "nobody.wav")
    check_line(run_here("diagnose", "heron", cwd=bench_folder), "heron", "benchlog capture heron")
    check_line(run_here("diagnose", cwd=bench_folder), "CHANNEL|FILE")


def test_a_file_without_pulses(tmp_path: Path) -> None:
    path = tmp_path / "still.csv"
    path.write_text("time_s,level\n0,0\n0.5,1\n0.502,0\n", encoding="utf-8")
    [finding] = answer(run_here("diagnose", path, "--json", cwd=tmp_path))["findings"]
    assert (finding["input"], finding["cause"]) == (1, "not-enough-to-tell")
    assert "still holds 2 edges" in finding["text"]
    assert "noise" not in finding["text"]  # an edge list has none
    check_line(run_here("measure", path, cwd=tmp_path), "still holds 2 edges")


@pytest.mark.parametrize(
    ("kind", "told"),
    [("hiss", "hiss or other sound"), ("silence", "silence"), ("hum", "mains hum at 50 Hz")],
)
def test_sound_that_hides_or_lacks_pulses(tmp_path: Path, kind: str, told: str) -> None:
    rate_hz = 48000
    time_s = np.arange(3 * rate_hz) / rate_hz
    rng = np.random.default_rng(1)
    # pulses of 0.1 in noise of 0.1: step and noise alike, 0 dB
    pulses = 0.1 * ((time_s % 0.015) < 0.0015) + 0.1 * rng.normal(size=time_s.size)
    sounds = {
        "hiss": pulses,
        "silence": np.zeros_like(time_s),
        "hum": 0.3 * np.sin(2 * np.pi * 50 * time_s),
    }
    path = tmp_path / f"{kind}.wav"
    soundfile.write(path, sounds[kind], rate_hz)
    [finding] = answer(run_here("diagnose", path, "--json", cwd=tmp_path))["findings"]
    assert (finding["input"], finding["cause"]) == (1, "not-enough-to-tell")
    assert told in finding["text"]
    assert finding["evidence"]["edge_count"] == 0
    assert finding["evidence"]["duration_s"] == 3.0
    assert "6 times the noise" in finding["text"]
    assert "'benchlog listen'" in finding["next_step"]
    shown = run_here("diagnose", path, "--plot", "p.png", cwd=tmp_path)
    assert shown.status == 0
    assert "not enough to tell" in shown.out
    assert "p.png is not drawn" in shown.err
    assert not (tmp_path / "p.png").exists()
    check_line(run_here("measure", path, cwd=tmp_path), told)


def test_a_file_without_samples_is_no_recording(tmp_path: Path) -> None:
    path = tmp_path / "empty.wav"
    soundfile.write(path, np.zeros(0), 48000)
    check_line(run_here("diagnose", path, cwd=tmp_path), "empty.wav")


def test_one_file_of_two_that_cannot_be_read(bench_folder: Path) -> None:
    good = lay_record(bench_folder, "r1", 0.0)
    bad = bench_folder / "bad.csv"
    bad.write_text("nothing here\n", encoding="utf-8")
    outcome = run_here("diagnose", good, bad, "--json", cwd=bench_folder)
    assert outcome.status == 2
    assert len(outcome.err.splitlines()) == 1
    assert "bad.csv" in outcome.err
    content = answer(outcome, status=2)
    assert [(one["file"], one["cause"]) for one in content["findings"]] == [(str(good), "steady")]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--supply", "many"), "--supply"),
        (("--supply", "0"), "--supply"),
        (("--active", "up"), "--active"),
        (("--plot", "picture.gif"), ".gif"),
        (("--design", "none.toml"), "none.toml"),
        (("--together",), "--together"),
    ],
)
def test_wrong_options(bench_folder: Path, words: tuple[str, ...], told: str) -> None:
    path = lay_record(bench_folder, "r1", 0.0)
    check_line(run_here("diagnose", path, *words, cwd=bench_folder), told)


def test_recordings_of_two_channels_are_not_one(bench_folder: Path) -> None:
    first = lay_record(bench_folder, "r1", 0.0)
    second = lay_record(bench_folder, "r2", 0.0, channel="moon")
    outcome = run_here("diagnose", first, second, "--together", cwd=bench_folder)
    check_line(outcome, "heron, moon")


def test_a_picture_is_new_and_never_overwritten(bench_folder: Path) -> None:
    path = lay_record(bench_folder, "r1", 20e-6)
    words = ("diagnose", path, "--plot", "found.png", "--json")
    content = answer(run_here(*words, cwd=bench_folder), status=1)
    assert content["plot"] == "found.png"
    assert (bench_folder / "found.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    check_line(run_here(*words, cwd=bench_folder), "found.png", "there already")


def test_an_input_without_pulses_is_told(tmp_path: Path) -> None:
    rate_hz, seconds = 48000, 3
    time_s = np.arange(rate_hz * seconds) / rate_hz
    pulses = 0.3 * ((time_s % 0.015) < 0.0015)
    path = tmp_path / "pair.wav"
    soundfile.write(path, np.column_stack([np.zeros_like(pulses), pulses]), rate_hz)
    shown = run_here("diagnose", path, cwd=tmp_path)
    assert "Input 1 holds no pulses" in shown.out
    assert "Input 2 holds no pulses" not in shown.out
    findings = answer(run_here("diagnose", path, "--json", cwd=tmp_path), status=shown.status)[
        "findings"
    ]
    assert [one["input"] for one in findings] == [2] * (len(findings) - 1) + [1]
    assert findings[-1]["cause"] == "not-enough-to-tell"
