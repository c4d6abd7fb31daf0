"""The shadow-puppet stage: each channel is what the story says, and is recorded so."""

from __future__ import annotations

import hashlib
import json
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from benchlog.capture.stage import STAGE, STAGE_START, StageRecord, main, make_stage
from benchlog.capture.store import Bench, make_bench, read_design
from benchlog.channel.design import predict_cycle, tolerance_band
from benchlog.errors import StoreError

Made = dict[str, list[StageRecord]]


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> tuple[Bench, Made]:
    """Make the whole stage once; nobody writes to it."""
    bench = make_bench(tmp_path_factory.mktemp("stage"))
    made: Made = {}
    for record in make_stage(bench, started=STAGE_START):
        made.setdefault(record.record.sidecar.channel, []).append(record)
    return bench, made


def deviations(bench: Bench, records: list[StageRecord]) -> tuple[np.ndarray, np.ndarray]:
    """Return true mean pulse less design and the upper end of the parts' band, in us."""
    away, high = [], []
    for one in records:
        known = one.record.sidecar
        design = read_design(bench.design_path(known.channel))
        supply_v, temperature_c = known.supply_v, known.temperature_c
        designed = float(
            predict_cycle(
                design, known.knob_deg, supply_v=supply_v, temperature_c=temperature_c
            ).on_s
        )
        away.append(1e6 * (one.edges.on_s.mean() - designed))
        band = tolerance_band(
            design, known.knob_deg, supply_v=supply_v, temperature_c=temperature_c
        )
        high.append(1e6 * (float(band.on_high_s) - designed))
    return np.array(away), np.array(high)


def test_four_channels_of_ten_marks(stage: tuple[Bench, Made]) -> None:
    bench, made = stage
    assert bench.channels() == ["boat", "curtain", "heron", "moon"]
    for channel in STAGE:
        marks = [record.sidecar.knob_deg for record in bench.sweep(channel.name)]
        assert marks == [30.0 * k for k in range(10)]
        design = read_design(bench.design_path(channel.name))
        assert design.channel == channel.name
        assert design.warnings == ()
        assert "invented" in design.text
        for one in made[channel.name]:
            assert abs(one.knob_deg - one.record.sidecar.knob_deg) <= 0.4


def test_heron_and_curtain_are_on_design(stage: tuple[Bench, Made]) -> None:
    """Deviations leave room for the uncertainty within the limit of 20 us.

    A knob read to 1 degree takes 2 * 7.3 us / sqrt 3 = 8.4 us of it, supply and temperature
    a little more (added as squares), so that 10 us are left for the deviation.
    """
    bench, made = stage
    for name in ("heron", "curtain"):
        away, _ = deviations(bench, made[name])
        assert np.abs(away).max() < 10


def test_heron_reaches_from_600_to_2370_us(stage: tuple[Bench, Made]) -> None:
    """The closed form for a diode of constant drop, R C ln((2 V - 3 Vd)/(V - 3 Vd)).

    Source: encyclopaedia article '555 timer IC', which cites the Signetics data book of 1973.
    Vd = 1.752 * 25.9 mV * ln(30 uA / 2.52 nA) = 0.43 V at the 30 uA that flow in mid-knob; a
    constant drop is itself good to a few per cent, and the path through Rb takes some off.
    """
    _, made = stage
    shortest, longest = (1e6 * made["heron"][k].edges.on_s.mean() for k in (0, -1))
    factor = math.log((12 - 3 * 0.43) / (6 - 3 * 0.43))
    assert shortest == pytest.approx(33e3 * 22e-3 * factor, rel=0.05)
    assert longest == pytest.approx(133e3 * 22e-3 * factor, rel=0.05)
    assert (shortest, longest) == pytest.approx((605, 2371), abs=15)


def test_moon_is_long_beyond_its_parts_at_every_mark(stage: tuple[Bench, Made]) -> None:
    """A capacitor 9 % high makes every pulse 9 % long, whatever the other parts."""
    bench, made = stage
    away, high = deviations(bench, made["moon"])
    assert np.all(away - 12 > np.maximum(high, 20))
    pulses = np.array([1e6 * one.edges.on_s.mean() for one in made["moon"]])
    np.testing.assert_allclose(away / (pulses - away), 0.09, atol=0.012)


def test_only_boat_jitters(stage: tuple[Bench, Made]) -> None:
    bench, made = stage
    for name, records in made.items():
        limit_s = read_design(bench.design_path(name)).limits.jitter_s
        scatter = np.array([one.edges.on_s.std(ddof=1) for one in records])
        if name == "boat":
            assert np.all(scatter > 1.2 * limit_s)
        else:
            assert np.all(scatter < 0.25 * limit_s)
    away, high = deviations(bench, made["boat"])
    assert np.all(np.abs(away) + 10 < np.maximum(high, 20))


def test_only_curtain_passes_an_end_stop_and_only_near_the_top(stage: tuple[Bench, Made]) -> None:
    bench, made = stage
    for name, records in made.items():
        servo = read_design(bench.design_path(name)).servo
        stops = [servo.end_stop(float(one.edges.on_s.mean())) for one in records]
        expected = 8 * [None] + 2 * ["high"] if name == "curtain" else 10 * [None]
        assert stops == expected


def test_records_and_sidecars(stage: tuple[Bench, Made]) -> None:
    _, made = stage
    for records in made.values():
        sweep = records[0].record.sidecar.stamp
        for one in records:
            path, known = one.record.path, one.record.sidecar
            info = soundfile.info(path)
            assert (info.format, info.subtype, info.samplerate) == ("FLAC", "PCM_16", 48000)
            # 2 s by a clock that runs 12 ppm fast: 96001.15 samples.
            assert info.frames == 96001
            assert path.name == f"{known.stamp}-{known.knob_deg:g}deg.flac"
            content = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
            assert content["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
            assert content["note"] == "invented: simulated stage"
            assert (content["source"], content["servo"], content["direction"]) == (
                "simulated",
                "unplugged",
                "up",
            )
            assert (content["sweep"], content["temperature_c"]) == (sweep, 22.0)
            assert content["supply_v"] == pytest.approx(6.02, abs=0.045)


def test_samples_hold_the_true_edges(stage: tuple[Bench, Made]) -> None:
    """The steepest places of the samples are the true edges, to within a sample."""
    _, made = stage
    for records in made.values():
        one = records[4]
        values, rate = soundfile.read(one.record.path)
        slope = np.diff(values)
        true = one.edges.time_s * rate * (1 + 12e-6)
        # The step from sample n to n + 1 is steepest where the edge lies between the two.
        rising = np.flatnonzero(slope > 0.04)
        for place in true[one.edges.level]:
            assert np.min(np.abs(rising + 0.5 - place)) <= 1
        falling = np.flatnonzero(slope < -0.04)
        for place in true[~one.edges.level]:
            assert np.min(np.abs(falling + 0.5 - place)) <= 1


def test_the_stage_fits_where_it_is_shipped(stage: tuple[Bench, Made]) -> None:
    """At most 5 MB for captures and calibration together."""
    bench, _ = stage
    size = sum(path.stat().st_size for path in bench.folder.rglob("*") if path.is_file())
    assert size < 3.5e6


def test_the_same_stage_twice(tmp_path: Path) -> None:
    """Same start, same bytes; and the channels' marks do not depend on the record's length."""
    folders = [tmp_path / "one", tmp_path / "other"]
    for folder in folders:
        make_stage(
            make_bench(folder), started=STAGE_START, knob_deg=(0, 90), seconds_per_record=0.2
        )
    one, other = (
        {
            str(path.relative_to(folder)): path.read_bytes()
            for path in folder.rglob("*")
            if path.is_file()
        }
        for folder in folders
    )
    assert one == other
    assert len(one) == 4 * (1 + 2 * 2)


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    few = {"knob_deg": (0.0,), "seconds_per_record": 0.1}
    make_stage(bench, started=STAGE_START, **few)  # type: ignore[arg-type]
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    with pytest.raises(StoreError, match="20260901T100000Z of heron already"):
        make_stage(bench, started=STAGE_START, **few)  # type: ignore[arg-type]
    assert {path for path in tmp_path.rglob("*") if path.is_file()} == set(before)
    make_stage(bench, **few)  # type: ignore[arg-type]
    assert all(path.read_bytes() == content for path, content in before.items())
    assert len(bench.records("heron")) == 2
    bench.design_path("heron").write_text("channel = 'heron'\n", encoding="utf-8")
    with pytest.raises(StoreError, match=r"design\.toml"):
        make_stage(bench, started=datetime(2026, 1, 1, tzinfo=UTC), **few)  # type: ignore[arg-type]


def test_progress_is_told(tmp_path: Path) -> None:
    told: list[tuple[int, int, str]] = []
    make_stage(
        make_bench(tmp_path),
        on_progress=lambda done, total, what: told.append((done, total, what)),
        knob_deg=(0, 30),
        seconds_per_record=0.1,
    )
    assert [done for done, _, _ in told] == list(range(9))
    assert {total for _, total, _ in told} == {8}
    assert told[1][2] == "heron at 30 degrees"


def test_the_entry(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "bench"
    assert main([str(folder)]) == 0
    assert len(list(folder.rglob("*.flac"))) == 40
    assert main([str(folder)]) == 2
    assert "try: a new folder" in capsys.readouterr().err
    assert main([]) == 2
    assert "one word" in capsys.readouterr().err
