"""The command that says what an input hears: from files, and through a real sound server."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from benchlog.capture.profile import Profile, parse_profile, profile_text, read_profile
from benchlog.capture.simulated import SoundInputModel, TrueEdges, render_sound
from benchlog.capture.store import Bench
from benchlog.errors import StoreError
from tests.command_line import Outcome, run_here, run_process
from tests.sound_server import RATE_HZ, SoundServer

_HUM_DB = -50.0
_MODEL = SoundInputModel(
    rate_hz=RATE_HZ,
    corners_hz=(25.0,),
    amplitude=0.4,
    snr_db=50.0,
    hum_fs=float(np.sqrt(2.0) * 10 ** (_HUM_DB / 20)),
)


def train(seconds: float, model: SoundInputModel = _MODEL) -> NDArray[np.float32]:
    """Render 1.5 ms pulses every 16.7003 ms."""
    start_s = 2e-3 + np.arange(int(seconds / 0.0167003) - 1) * 0.0167003
    times = np.stack([start_s, start_s + 1.5e-3], axis=1).ravel()
    edges = TrueEdges.from_times(times, first=True)
    return np.asarray(render_sound(edges, model, seconds, 3), dtype=np.float32).ravel()


def write(path: Path, values: NDArray[np.float32]) -> Path:
    soundfile.write(path, values, RATE_HZ, subtype="PCM_16")
    return path


def told(outcome: Outcome) -> dict[str, Any]:
    assert outcome.err == ""
    content: dict[str, Any] = json.loads(outcome.out)
    return content


def check_quality(quality: dict[str, Any]) -> None:
    """Hold what is told of an input to the bars: corner 5 %, noise and hum 1 dB."""
    assert quality["coupling_order"] == 1
    assert quality["corners_hz"] == [pytest.approx(25.0, rel=0.05)]
    assert quality["active_level"] == "high"
    assert quality["noise_below_step_db"] == pytest.approx(50.0, abs=1.0)
    assert quality["hum_dbfs"] == pytest.approx(_HUM_DB, abs=1.0)
    assert quality["pulse_us"] == pytest.approx(1500.0, abs=0.2)


# --- from a file ---------------------------------------------------------------------


def test_a_file_is_judged(tmp_path: Path) -> None:
    write(tmp_path / "a.wav", train(8.0))
    outcome = run_here("listen", "a.wav", "--json", cwd=tmp_path)
    assert outcome.status == 0
    (one,) = told(outcome)["inputs"]
    assert one["hears"] == "pulse"
    check_quality(one["quality"])


def test_a_room_is_named_and_nothing_of_it_is_kept(tmp_path: Path) -> None:
    bench = tmp_path / "bench"
    (bench / "captures").mkdir(parents=True)
    (bench / "calibration").mkdir()
    rng = np.random.default_rng(5)
    at = np.arange(8 * RATE_HZ) / RATE_HZ
    murmur = 0.1 * np.sin(2 * np.pi * (180 + 40 * np.sin(at)) * at) * (np.sin(3 * at) > 0)
    write(tmp_path / "room.wav", (murmur + 0.01 * rng.normal(size=at.shape)).astype(np.float32))
    words = ("listen", "room.wav", "--keep", "usb", "--bench", bench)
    outcome = run_here(*words, cwd=tmp_path)
    assert outcome.status == 1
    assert "room, not the wire" in " ".join(outcome.out.split())
    assert "no profile is kept" in outcome.err
    assert [path for path in bench.rglob("*") if path.is_file()] == []


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("listen",), "listen without an input"),
        (("listen", "a.wav", "--input", "x"), "both a file and --input"),
        (("listen", "a.wav", "--clock", "1"), "--clock together with a file"),
        (("listen", "a.wav"), "a.wav"),
    ],
)
def test_refusals(words: tuple[str, ...], named: str, tmp_path: Path) -> None:
    outcome = run_here(*words, cwd=tmp_path)
    assert outcome.status == 2
    assert outcome.err.count("\n") == 1
    assert named in outcome.err


# --- the profile ---------------------------------------------------------------------


def test_a_profile_survives_its_text() -> None:
    profile = Profile("usb", "2026-09-01T10:00:00Z", 48000.0, "low", (25.0,), 1, clock_ppm=-31.0,
                      u_clock_ppm=1.5)  # fmt: skip
    assert parse_profile(profile_text(profile), "usb.json") == profile


def test_a_profile_is_never_overwritten(bench_folder: Path) -> None:
    write(bench_folder / "a.wav", train(6.0))
    words = ("listen", "a.wav", "--keep", "usb", "--bench", bench_folder)
    assert run_here(*words, cwd=bench_folder).status == 0
    kept = (bench_folder / "calibration/inputs/usb.json").read_bytes()
    again = run_here(*words, cwd=bench_folder)
    assert again.status == 2
    assert again.err.count("\n") == 1
    assert (bench_folder / "calibration/inputs/usb.json").read_bytes() == kept


def _lay_record(bench: Path, values: NDArray[np.float32], profile: str | None) -> Path:
    folder = bench / "captures" / "heron"
    folder.mkdir(exist_ok=True)
    record = write(folder / "20260901T100000Z-135deg.wav", values)
    sidecar = {
        "channel": "heron",
        "knob_deg": 135,
        "recorded_utc": "2026-09-01T10:00:00Z",
        "rate_hz": RATE_HZ,
    }
    if profile is not None:
        sidecar["profile"] = profile
    record.with_suffix(".json").write_text(json.dumps(sidecar))
    return record


def _keep_profile(bench: Path, **known: Any) -> None:
    folder = bench / "calibration" / "inputs"
    folder.mkdir(parents=True, exist_ok=True)
    profile = Profile("usb", "2026-09-01T09:00:00Z", float(RATE_HZ), **known)
    (folder / "usb.json").write_text(profile_text(profile))


def test_a_profile_sets_the_clock_right_and_shrinks_its_term(bench_folder: Path) -> None:
    """A clock 80 ppm fast shows 1.5 ms as 1500.12 us; known to 2 ppm, it is 1500.00 ± 0.006."""
    model = SoundInputModel(rate_hz=RATE_HZ, snr_db=70.0, bits=24, clock_ppm=80.0)
    record = _lay_record(bench_folder, train(10.0, model), None)

    def width() -> dict[str, float]:
        content = told(run_here("measure", record, "--json", cwd=bench_folder))
        (one,) = content["files"][0]["inputs"]
        assert one["sample_rate_hz"] == RATE_HZ
        measured: dict[str, float] = one["pulse_width_us"]
        return measured

    unknown = width()
    assert unknown["mean"] == pytest.approx(1500.12, abs=0.01)
    assert unknown["u"] == pytest.approx(1500.0 * 100e-6 / np.sqrt(3.0), rel=0.05)
    _keep_profile(bench_folder, clock_ppm=80.0, u_clock_ppm=2.0)
    _lay_record(bench_folder, train(10.0, model), "usb")
    known = width()
    assert known["mean"] == pytest.approx(1500.0, abs=0.01)
    assert known["u"] < 0.01


def test_a_profile_tells_the_polarity(bench_folder: Path) -> None:
    _keep_profile(bench_folder, active_level="low")
    record = _lay_record(bench_folder, train(6.0), "usb")
    content = told(run_here("measure", record, "--json", cwd=bench_folder))
    assert content["files"][0]["inputs"][0]["active_level"] == "low"


def test_a_missing_profile_is_told_and_the_clock_counts_as_unknown(bench_folder: Path) -> None:
    record = _lay_record(bench_folder, train(6.0), "gone")
    content = told(run_here("measure", record, "--json", cwd=bench_folder))
    (one,) = content["files"][0]["inputs"]
    assert [warning["code"] for warning in one["warnings"]] == ["no-profile"]
    assert one["pulse_width_us"]["u"] > 0.08


def test_a_name_that_leaves_the_folder_is_refused(bench_folder: Path) -> None:
    with pytest.raises(StoreError, match="profile name"):
        read_profile(Bench(bench_folder), "../heron")


# --- through the sound server ------------------------------------------------------


def _listen(server: SoundServer, bench: Path, *words: str) -> Outcome:
    given: tuple[str | Path, ...] = (*words, "--bench", bench, "--json")
    return run_process(
        *("listen", "--input", "pulse", "--rate", str(RATE_HZ), "--channel-input", "1"),
        *given,
        cwd=bench,
        environment=server.environment,
    )


@pytest.mark.sound_server
def test_a_played_train_is_judged_kept_and_used(
    sound_server: SoundServer, bench_folder: Path, tmp_path: Path
) -> None:
    played = write(tmp_path / "train.wav", train(60.0))
    with sound_server.playing(played):
        heard = _listen(sound_server, bench_folder, "--seconds", "6", "--clock", "0.4",
                        "--keep", "usb")  # fmt: skip
        captured = run_process(
            *("capture", "heron", "--at", "135", "--input", "pulse", "--rate", str(RATE_HZ)),
            *("--seconds", "2", "--profile", "usb", "--bench", bench_folder, "--json"),
            cwd=bench_folder,
            environment=sound_server.environment,
        )
    assert heard.status == 0, heard
    content = told(heard)
    check_quality(content["inputs"][0]["quality"])
    # the null sink is driven by the system's own clock: the truth is 0, and the system
    # clock's own part of the uncertainty must not be needed to cover it
    clock = content["clock"]
    assert abs(clock["clock_ppm"]) <= 2.0 * clock["u_comparison_ppm"], clock
    assert clock["u_clock_ppm"] >= clock["u_comparison_ppm"]
    kept = (bench_folder / "calibration/inputs/usb.json").read_text()
    assert "pulse" not in json.loads(kept).values()
    assert "bench.monitor" not in kept
    profile = read_profile(Bench(bench_folder), "usb")
    assert list(profile.corners_hz or ()) == [pytest.approx(25.0, rel=0.05)]
    assert captured.status == 0, captured
    (sidecar,) = (bench_folder / "captures" / "heron").glob("*.json")
    assert json.loads(sidecar.read_text())["profile"] == "usb"


@pytest.mark.sound_server
def test_its_own_train_is_heard_over_a_loop(sound_server: SoundServer, bench_folder: Path) -> None:
    outcome = _listen(sound_server, bench_folder, "--seconds", "6", "--loopback", "pulse")
    assert outcome.status == 0, outcome
    assert outcome.err, "the caution stands on standard error"
    assert json.loads(outcome.out)["inputs"][0]["hears"] == "pulse"


@pytest.mark.sound_server
def test_a_silent_input_is_nothing(sound_server: SoundServer, bench_folder: Path) -> None:
    outcome = _listen(sound_server, bench_folder, "--seconds", "3")
    assert outcome.status == 1, outcome
    assert json.loads(outcome.out)["inputs"][0]["hears"] == "nothing"
