"""From sound to the table: a sweep played through a real sound server into PortAudio."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from benchlog.capture.simulated_sound import SoundInputModel, render_sound
from tests.command_line import Outcome, run_here, run_process
from tests.knob_sweep import (
    KNOB_DEG,
    Position,
    Row,
    calibrate_files,
    make_bench,
    read_rows,
    true_positions,
)
from tests.sound_server import RATE_HZ, SoundServer

pytestmark = pytest.mark.sound_server

_RECORDED_S = 2.0
_PLAYED_S = 20.0

# A usual input: 20 Hz coupling, 0.4 of full scale, 60 dB of signal over noise. Over the whole band
# of the converter an edge can be placed to about sigma / A samples (the Cramer-Rao bound for a
# step), a thousandth of 20.8 us; a width to sqrt(2) of that, the mean of a hundred to a tenth of
# it. What is left of the 0.5 us allowed is for the method's bias.
_INPUT = SoundInputModel(rate_hz=RATE_HZ, corners_hz=(20.0,), amplitude=0.4, snr_db=60.0)
_ALLOWED_US = 0.5


def _render(position: Position, folder: Path) -> Path:
    import soundfile

    path = folder / f"{position.knob_deg:g}.wav"
    seed = round(position.knob_deg)
    values = render_sound(position.edges(_PLAYED_S), _INPUT, _PLAYED_S, seed)
    soundfile.write(path, values, RATE_HZ, subtype="PCM_16")
    return path


def _capture(server: SoundServer, bench: Path, knob_deg: float) -> Outcome:
    return run_process(
        *("capture", "heron", "--at", f"{knob_deg:g}", "--input", "pulse"),
        *("--rate", str(RATE_HZ), "--seconds", f"{_RECORDED_S:g}", "--bench", bench, "--json"),
        cwd=bench,
        environment=server.environment,
    )


def _record_sweep(
    server: SoundServer, positions: tuple[Position, ...], bench: Path, folder: Path
) -> None:
    for position in positions:
        path = _render(position, folder)
        with server.playing(path):
            outcome = _capture(server, bench, position.knob_deg)
        assert outcome.status == 0, outcome


@pytest.fixture(scope="module")
def recorded(
    sound_server: SoundServer, tmp_path_factory: pytest.TempPathFactory, heron_text: str
) -> tuple[Path, tuple[Position, ...]]:
    """Return a bench folder with a recorded sweep, and what is true of it."""
    folder = tmp_path_factory.mktemp("sound")
    bench = make_bench(folder / "bench", heron_text)
    positions = true_positions(heron_text)
    _record_sweep(sound_server, positions, bench, folder)
    return bench, positions


def _calibrate(bench: Path) -> dict[float, Row]:
    return read_rows(run_here("calibrate", "heron", "--bench", bench, "--json", cwd=bench))


def test_every_pulse_of_a_recorded_sweep_is_true(
    recorded: tuple[Path, tuple[Position, ...]],
) -> None:
    bench, positions = recorded
    rows = _calibrate(bench)
    assert sorted(rows) == sorted(KNOB_DEG)
    for position in positions:
        row = rows[position.knob_deg]
        assert row.pulse_us == pytest.approx(position.on_s * 1e6, abs=_ALLOWED_US)
        period_us = (position.on_s + position.off_s) * 1e6
        assert row.period_us == pytest.approx(period_us, abs=_ALLOWED_US)
        assert row.flags == ()


def test_the_recorded_sweep_gives_the_table_of_exact_edges(
    recorded: tuple[Path, tuple[Position, ...]], heron_text: str, tmp_path: Path
) -> None:
    bench, positions = recorded
    exact = calibrate_files(tmp_path, heron_text, positions)
    for knob_deg, row in _calibrate(bench).items():
        assert row.pulse_us == pytest.approx(exact[knob_deg].pulse_us, abs=_ALLOWED_US)
        assert row.verdict == exact[knob_deg].verdict


def test_the_records_say_where_they_come_from(
    recorded: tuple[Path, tuple[Position, ...]],
) -> None:
    bench, _ = recorded
    sidecars = sorted((bench / "captures" / "heron").glob("*.json"))
    assert len(sidecars) == len(KNOB_DEG)
    for path in sidecars:
        told = json.loads(path.read_text(encoding="utf-8"))
        assert told["channel"] == "heron"
        assert told["knob_deg"] in KNOB_DEG
        assert told["rate_hz"] == RATE_HZ
        assert told["gaps"] == []
        (record,) = (p for p in path.parent.glob(path.stem + ".*") if p.suffix != ".json")
        assert told["sha256"] == hashlib.sha256(record.read_bytes()).hexdigest()


def test_a_sound_input_that_nobody_named_is_not_recorded(
    sound_server: SoundServer, bench_folder: Path
) -> None:
    outcome = run_process(
        *("capture", "heron", "--at", "45", "--seconds", "1", "--bench", bench_folder),
        cwd=bench_folder,
        environment=sound_server.environment,
    )
    assert outcome.status == 2, outcome
    assert len(outcome.err.splitlines()) == 1, outcome
    assert "input" in outcome.err
    assert list((bench_folder / "captures").rglob("*.*")) == []


def test_an_input_that_is_not_there_is_refused(
    sound_server: SoundServer, bench_folder: Path
) -> None:
    outcome = run_process(
        *("capture", "heron", "--at", "45", "--input", "no such box", "--seconds", "1"),
        cwd=bench_folder,
        environment=sound_server.environment,
    )
    assert outcome.status == 2, outcome
    assert len(outcome.err.splitlines()) == 1, outcome
    assert "no such box" in outcome.err


def test_inputs_lists_the_servers_input(sound_server: SoundServer, tmp_path: Path) -> None:
    outcome = run_process("inputs", cwd=tmp_path, environment=sound_server.environment)
    assert outcome.status == 0, outcome
    assert "pulse" in outcome.out
