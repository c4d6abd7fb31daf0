"""Recording to disk: whatever ends it, what came is kept, and a name is never taken twice."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import signal
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray

from benchlog.capture import claims, recorder
from benchlog.capture.csv_writer import CSV_HEAD, EdgeWriter
from benchlog.capture.formats import open_recording
from benchlog.capture.locks import lock_file, open_locked
from benchlog.capture.recorder import Kept, keep_edges, keep_sound
from benchlog.capture.repair import is_broken_off, repair_record
from benchlog.capture.sidecar import Sidecar, read_sidecar, sidecar_path
from benchlog.capture.store import Bench, make_bench
from benchlog.capture.stream import EdgeBlock, StreamBlock
from benchlog.capture.verification import verify_captures
from benchlog.capture.wave_file import HEADER_BYTES, WaveWriter, wave_header
from benchlog.errors import DeviceError, StoreError
from benchlog.recording import EdgeList, Gap, Samples
from tests.command_line import Outcome as Told
from tests.command_line import run_process
from tests.killing import (
    PlayedProbe,
    kill_one,
    make_folder,
    start_capture,
    tell_left,
    wait_for_record,
    write_train,
)
from tests.sound_server import SoundServer, run_sound_server, what_is_missing

KNOWN = Sidecar("heron", 45.0, "2026-09-01T10:00:00Z", source="sound input", supply_v=6.0)
RATE = 1000.0


def ramp(start: int, count: int = 100) -> NDArray[np.int16]:
    return np.arange(start, start + count, dtype=np.int16)[:, None]


class Sound:
    """Stands in for a sound stream: plays blocks of 0.1 s, then does what it is told to do."""

    rate_hz = RATE
    input_count = 1
    device = "box"

    def __init__(self, blocks: int, end: BaseException | None = None, *, bits: int = 16) -> None:
        self.bits = bits
        self.lost: dict[int, Gap] = {}
        self.on_block: dict[int, object] = {}
        self.apart_s = 0.1
        self._blocks, self._end, self._next = blocks, end, 0

    def read(self, timeout_s: float) -> StreamBlock | None:
        k = self._next
        if k >= self._blocks:
            raise self._end or DeviceError("sound input box stopped", expected="-", attempt="-")
        self._next += 1
        call = self.on_block.get(k)
        if callable(call):
            call()
        values: NDArray[np.int16] | NDArray[np.float32] = ramp(100 * k)
        if self.bits > 16:
            values = (values / 2.0**22).astype(np.float32)
        return StreamBlock(values, 100 * k, self.lost.get(k), 50.0 + self.apart_s * k)


def keep(folder: Path, source: Sound, seconds: float = 1.0, **options: int) -> Kept:
    return keep_sound(make_bench(folder), KNOWN, source, seconds, **options)  # type: ignore[arg-type]


def samples_of(path: Path) -> NDArray[np.float32]:
    recording = open_recording(path)
    assert isinstance(recording, Samples)
    return np.concatenate(list(recording.blocks()))[:, 0]


def edges_of(path: Path) -> EdgeList:
    recording = open_recording(path)
    assert isinstance(recording, tuple)
    return recording[0]


def check_whole(kept: Kept) -> Sidecar:
    """Check that a record is finished and that its sidecar on the disk is what was returned."""
    path = kept.record.path
    known = read_sidecar(sidecar_path(path))
    assert known == kept.record.sidecar
    assert not known.unfinished
    assert known.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert sorted(p.suffix for p in path.parent.iterdir()) == sorted([path.suffix, ".json"])
    return known


# --- sound ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bits", "scale"), [(16, 2.0**15), (24, 2.0**22)])
def test_a_recording_is_packed_sample_by_sample(tmp_path: Path, bits: int, scale: float) -> None:
    kept = keep(tmp_path, Sound(20, bits=bits), 0.95)
    known = check_whole(kept)
    assert kept.record.path.suffix == ".flac"
    assert (kept.length_s, kept.cut_short, kept.notices) == (0.95, None, ())
    np.testing.assert_array_equal(samples_of(kept.record.path) * scale, np.arange(950))
    assert (known.rate_hz, known.supply_v, known.knob_deg) == (RATE, 6.0, 45.0)


def test_the_time_is_that_of_the_first_sample(tmp_path: Path) -> None:
    before = time.time()
    known = keep(tmp_path, Sound(10)).record.sidecar
    assert before - 1.2 <= known.recorded_at.timestamp() <= time.time()
    assert (tmp_path / "captures" / "heron" / f"{known.stamp}-45deg.json").exists()


def test_a_long_recording_stays_wav(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder, "FLAC_LIMIT_S", 0.5)
    kept = keep(tmp_path, Sound(10), riff_limit=1000)
    check_whole(kept)
    assert kept.record.path.suffix == ".wav"
    assert kept.record.path.read_bytes()[:4] == b"RF64"
    np.testing.assert_array_equal(samples_of(kept.record.path) * 2.0**15, np.arange(1000))


@pytest.mark.parametrize(
    ("end", "reason", "stopped"),
    [
        (KeyboardInterrupt(), "stopped by Ctrl-C", True),
        (DeviceError("sound input box stopped", expected="-", attempt="-"), "box stopped", False),
        (OSError(errno.EIO, "Input/output error"), "Input/output error", False),
    ],
)
def test_whatever_ends_it_the_rest_is_a_whole_record(
    tmp_path: Path, end: BaseException, reason: str, stopped: bool
) -> None:
    kept = keep(tmp_path, Sound(7, end))
    check_whole(kept)
    assert kept.cut_short is not None
    assert reason in kept.cut_short
    assert (kept.length_s, kept.stopped) == (0.7, stopped)
    assert len(samples_of(kept.record.path)) == 700


def test_a_device_that_gives_nothing_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(DeviceError, match="stopped"):
        keep(tmp_path, Sound(0))
    assert list((tmp_path / "captures").iterdir()) == []


def test_gaps_stand_in_the_sidecar_while_it_is_recorded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder, "SYNC_S", 0.0)
    source, seen = Sound(10), []
    source.lost = {3: Gap(0.3, 0.05), 6: Gap(0.6, 0.0)}

    def look() -> None:
        (path,) = (tmp_path / "captures" / "heron").glob("*.json")
        seen.append(read_sidecar(path))

    source.on_block = {5: look, 8: look}
    kept = keep(tmp_path, source)
    assert [known.gaps for known in seen] == [(Gap(0.3, 0.05),), (Gap(0.3, 0.05), Gap(0.6, 0.0))]
    assert [(known.unfinished, known.sha256) for known in seen] == [(True, None)] * 2
    assert check_whole(kept).gaps == (Gap(0.3, 0.05), Gap(0.6, 0.0))


def test_a_device_that_loses_samples_all_the_time_is_not_gone_on_with(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder, "MOST_GAPS", 3)
    source = Sound(10)
    source.lost = {k: Gap(k / 10, 0.01) for k in range(1, 10)}
    kept = keep(tmp_path, source)
    assert kept.cut_short == "the device lost samples 4 times"
    assert kept.length_s == 0.4
    check_whole(kept)


def test_a_rate_that_is_not_what_it_claims_is_told(tmp_path: Path) -> None:
    source = Sound(100)
    source.apart_s = 0.1 / 0.97  # three per cent slow
    kept = keep(tmp_path, source, 10.0)
    (notice,) = kept.notices
    assert "delivered 0.970 times the 1000 samples per second" in notice
    assert check_whole(kept).note == notice


def fill_disk(monkeypatch: pytest.MonkeyPatch, after: int) -> None:
    """Have the file take no more than `after` bytes of samples, as a full disk would."""
    write = WaveWriter.write

    def limited(self: WaveWriter, values: NDArray[np.int16]) -> None:
        room = after // 3 - self.frames
        write(self, values[:room])
        if len(values) > room:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(WaveWriter, "write", limited)


def test_a_full_disk_keeps_what_fits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill_disk(monkeypatch, 3 * 640)
    kept = keep(tmp_path, Sound(10))
    assert kept.cut_short is not None
    assert "is full" in kept.cut_short
    assert len(samples_of(kept.record.path)) == 640
    check_whole(kept)


def test_a_disk_without_room_for_one_sample_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill_disk(monkeypatch, 0)
    with pytest.raises(StoreError, match=r"nothing of box could be kept .*is full"):
        keep(tmp_path, Sound(10))
    assert list((tmp_path / "captures" / "heron").iterdir()) == []


def test_a_sidecar_that_cannot_be_completed_is_completed_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def refuse(*_: object) -> None:
        raise StoreError("the disk is full", expected="-", attempt="-")

    with monkeypatch.context() as patch:
        patch.setattr(recorder, "update_sidecar", refuse)
        kept = keep(tmp_path, Sound(7, KeyboardInterrupt()))
    (notice,) = kept.notices
    assert "could not be completed: the disk is full" in notice
    path = kept.record.path
    assert path.suffix == ".wav"
    assert is_broken_off(path)
    assert len(samples_of(path.with_suffix(".flac") if not path.exists() else path)) == 700
    assert "broken off" in caplog.text
    assert not is_broken_off(path)
    (finding,) = [*verify_captures(Bench(tmp_path)).findings, None][:1]
    assert finding is None or not finding.is_wrong


def test_a_folder_that_was_renamed_still_gets_every_sample(tmp_path: Path) -> None:
    source = Sound(10)
    heron = tmp_path / "captures" / "heron"
    source.on_block = {5: lambda: heron.rename(tmp_path / "captures" / "moved")}
    kept = keep(tmp_path, source)
    assert "could not be completed" in kept.notices[0]
    (moved,) = (tmp_path / "captures" / "moved").glob("*.wav")
    assert len(samples_of(moved)) == 1000


@pytest.mark.parametrize("seconds", [0.0, -1.0, float("nan"), float("inf")])
def test_seconds_must_be_above_zero(tmp_path: Path, seconds: float) -> None:
    with pytest.raises(ValueError, match="seconds"):
        keep(tmp_path, Sound(1), seconds)
    with pytest.raises(ValueError, match="seconds"):
        keep_probe(tmp_path, Probe(1), seconds)


# --- edges ---------------------------------------------------------------------------------------


class Probe:
    """Stands in for a probe's stream: a pulse of 1 ms every 10 ms, a block each."""

    rate_hz = 1e6
    resolution_s = 1e-6
    port = "COM9"

    def __init__(self, blocks: int, end: BaseException | None = None) -> None:
        self.began_s = time.monotonic()
        self.elapsed_s = 0.0
        self.gaps: dict[int, Gap] = {}
        self._blocks, self._end, self._next = blocks, end, 0

    def read(self, timeout_s: float) -> EdgeBlock | None:
        if self._next >= self._blocks:
            raise self._end or DeviceError("the probe was unplugged", expected="-", attempt="-")
        k, self._next = self._next, self._next + 1
        times = np.array([10_000 * k + 1, 10_000 * k + 1001]) / 1e6
        self.elapsed_s = float(times[1])
        gaps = (self.gaps[k],) if k in self.gaps else ()
        return EdgeBlock(times, np.array([True, False]), 0, gaps, 0.0)

    def finish(self) -> EdgeBlock | None:
        self.elapsed_s += 0.009
        return EdgeBlock(np.array([self.elapsed_s]), np.array([True]), 0, (), 0.0)

    def edges(self) -> EdgeList:
        ticks = np.arange(self._next) * 10_000 + 1
        both = np.append(np.stack([ticks, ticks + 1000], axis=1).ravel() / 1e6, self.elapsed_s)
        levels = np.arange(len(both)) % 2 == 0
        return EdgeList(both, levels, 1e-6, 0.0, self.elapsed_s, garbled_count=2)


def keep_probe(folder: Path, source: Probe, seconds: float = 0.5) -> Kept:
    return keep_edges(make_bench(folder), KNOWN, source, seconds)  # type: ignore[arg-type]


def test_edges_lie_on_the_disk_as_they_were_told(tmp_path: Path) -> None:
    source = Probe(1000)
    source.gaps = {7: Gap(0.06, 0.02)}
    kept = keep_probe(tmp_path, source)
    known = check_whole(kept)
    assert kept.edges is not None
    read = edges_of(kept.record.path)
    np.testing.assert_array_equal(read.time_s, kept.edges.time_s)
    np.testing.assert_array_equal(read.level, kept.edges.level)
    assert (read.start_s, kept.edges.garbled_count) == (0.0, 2)
    assert known.gaps == read.gaps == (Gap(0.06, 0.02),)
    assert (known.rate_hz, kept.cut_short) == (None, None)
    assert kept.length_s == kept.edges.end_s == pytest.approx(0.510001)


def test_seconds_count_from_the_first_edge(tmp_path: Path) -> None:
    """An edge that comes 4 s after the port was opened lies at the record's beginning."""
    source = Probe(20, KeyboardInterrupt())
    source.began_s -= 4.0
    told: list[float] = []
    keep_edges(make_bench(tmp_path), KNOWN, source, 5.0, told.append)  # type: ignore[arg-type]
    assert told[0] == 0.0
    # its edges span 0.19 s, and come at once
    assert 0.15 < max(told) < 3.0


@pytest.mark.parametrize(("end", "stopped"), [(None, False), (KeyboardInterrupt(), True)])
def test_an_unplugged_probe_misses_the_rest_and_a_stopped_one_does_not(
    tmp_path: Path, end: BaseException | None, stopped: bool
) -> None:
    kept = keep_probe(tmp_path, Probe(20, end), 5.0)
    known = check_whole(kept)
    assert kept.stopped == stopped
    assert kept.cut_short is not None
    missing = [] if stopped else [Gap(kept.length_s, 5.0 - kept.length_s)]
    assert list(known.gaps) == missing


def test_a_full_disk_leaves_whole_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(CSV_HEAD)
    file = open_locked(path)
    writer = EdgeWriter(file)

    class Full:
        """A file that takes a part of what it is given before it refuses."""

        def __init__(self) -> None:
            self.file = file
            self.room = 30

        def write(self, data: bytes) -> int:
            if not self.room:
                raise OSError(errno.ENOSPC, "No space left on device")
            taken = self.file.write(data[: self.room])
            self.room = 0
            return taken

        def __getattr__(self, name: str) -> object:
            return getattr(self.file, name)

    monkeypatch.setattr(writer, "_file", Full())
    block = EdgeBlock(np.array([0.001, 0.0025, 0.021]), np.array([1, 0, 1], bool), 0, (), 0.0)
    with pytest.raises(OSError, match="No space"):
        writer.write(block)
    writer.finish()
    writer.close()
    rows = b"time_s,level\r\n0.0,0\r\n0.001,1\r\n0.0025,0\r\n0.021,1\r\n"
    assert path.read_bytes() == rows[: rows.rindex(b"\n", 0, len(CSV_HEAD) + 30) + 1]
    assert (writer.count, writer.last_s) == (2, 0.0025)


# --- repair --------------------------------------------------------------------------------------


def break_off(folder: Path, suffix: str, head: bytes, rest: bytes, **known: object) -> Path:
    """Lay a record as a killed capture leaves it."""
    told = replace(KNOWN, **known)  # type: ignore[arg-type]
    record, growing = claims.claim_record(make_bench(folder), told, suffix, head)
    growing.close()
    with record.path.open("ab") as file:
        file.write(rest)
    return record.path


def test_a_broken_off_record_is_listed_with_what_is_known(tmp_path: Path) -> None:
    path = break_off(tmp_path, ".wav", wave_header(1000, 1, 0), bytes(3000))
    (record,) = Bench(tmp_path).records("heron")
    assert record.path == path
    assert (record.sidecar.knob_deg, record.sidecar.supply_v) == (45.0, 6.0)
    assert (record.sidecar.unfinished, record.sidecar.sha256) == (True, None)


def test_opened_it_is_completed_and_told(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = break_off(tmp_path, ".wav", wave_header(1000, 1, 300), bytes(3001))
    (path.parent / f".{path.stem}.12.flac.part").write_bytes(b"half of it")
    assert len(samples_of(path)) == 1000
    assert sorted(one.suffix for one in path.parent.iterdir()) == [".json", ".wav"]
    known = read_sidecar(sidecar_path(path))
    assert known.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert [(change.key, change.old, change.new) for change in known.history] == [
        ("unfinished", True, False)
    ]
    assert f"{path} was broken off" in caplog.text
    assert "1.0 s that are there" in caplog.text
    caplog.clear()
    assert repair_record(path) is None
    assert caplog.text == ""


@pytest.mark.parametrize(
    ("rest", "length", "tail"),
    [
        (b"0.0,0\r\n0.001,1\r\n0.0025,0\r\n0.02", 2, "0.02"),
        (b"0.0,0\r\n0.001,1\r\n0.0025,0\r\n", 2, None),
        (b"0.0,0\r\n0.001,1\r\n0.0025,0\r\n" + bytes(9000), 2, "\0" * 200),
    ],
)
def test_a_row_without_an_end_is_cut_off_and_kept_in_the_history(
    tmp_path: Path, rest: bytes, length: int, tail: str | None
) -> None:
    path = break_off(tmp_path, ".csv", CSV_HEAD, rest)
    edges = edges_of(path)
    assert len(edges.time_s) == length
    known = read_sidecar(sidecar_path(path))
    assert [change.old for change in known.history if change.key == "last row"] == (
        [tail] if tail else []
    )


def test_one_with_nothing_in_it_is_set_aside(tmp_path: Path) -> None:
    for suffix, head in ((".wav", wave_header(1000, 1, 0)), (".csv", CSV_HEAD)):
        path = break_off(tmp_path, suffix, head, b"")
        completed = repair_record(path)
        assert completed is not None
        assert completed.sidecar.set_aside == "broken off before anything was recorded"


def test_a_record_that_is_being_made_is_left_alone(tmp_path: Path) -> None:
    source = Sound(10)

    def look() -> None:
        (path,) = (tmp_path / "captures" / "heron").glob("*.wav")
        assert not is_broken_off(path)
        assert repair_record(path) is None
        assert samples_of(path).size >= 0 if path.stat().st_size > HEADER_BYTES + 300 else True
        assert read_sidecar(sidecar_path(path)).unfinished

    source.on_block = {5: look}
    monkey = pytest.MonkeyPatch()
    with monkey.context() as patch:
        patch.setattr(recorder, "SYNC_S", 0.0)
        check_whole(keep(tmp_path, source))


def test_killed_while_it_was_packed_one_file_is_left(tmp_path: Path) -> None:
    kept = keep(tmp_path, Sound(10))
    flac = kept.record.path
    wave = break_off(tmp_path / "other", ".wav", wave_header(1000, 1, 0), b"")
    writer = WaveWriter(open_locked(wave), 1000, 1)
    for k in range(10):
        writer.write(ramp(100 * k))
    writer.finish()
    writer.close()
    packed = wave.with_suffix(".flac")
    packed.write_bytes(flac.read_bytes())
    (record,) = Bench(tmp_path / "other").records("heron")
    assert record.path == wave
    np.testing.assert_array_equal(samples_of(wave) * 2.0**15, np.arange(1000))
    assert not wave.exists()
    (record,) = Bench(tmp_path / "other").records("heron")
    assert record.path == packed
    assert record.sidecar.sha256 == hashlib.sha256(packed.read_bytes()).hexdigest()


def test_where_it_cannot_be_completed_it_is_read_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    path = break_off(tmp_path, ".csv", CSV_HEAD, b"0.0,0\r\n0.001,1\r\n0.0025,0\r\n0.02")
    monkeypatch.setattr("benchlog.capture.repair._cut_last_row", refuse)
    edges = edges_of(path)
    assert edges.time_s.tolist() == [0.001, 0.0025]
    assert "cannot be completed" in caplog.text


@pytest.mark.skipif(os.name == "nt", reason="an open file cannot be given a name there")
def test_it_is_never_seen_as_broken_off_while_it_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever looks at any step sees a record that is being made, or a whole one."""
    seen: list[str] = []

    def look(step: str) -> None:
        for record in Bench(tmp_path).records("heron"):
            wrong = [one.code for one in verify_captures(Bench(tmp_path)).findings if one.is_wrong]
            assert not is_broken_off(record.path), step
            assert repair_record(record.path) is None, step
            assert not wrong, step
            seen.append(step)

    def watched(module: ModuleType, name: str) -> None:
        plain = getattr(module, name)

        def step(*args: object, **more: object) -> object:
            result = plain(*args, **more)
            look(name)
            return result

        monkeypatch.setattr(module, name, step)

    for name in ("give_name", "release_name", "flush_to_disk"):
        watched(claims, name)
    for name in ("pack_wave", "checksum_of", "update_sidecar"):
        watched(recorder, name)
    keep(tmp_path, Sound(10))
    assert seen == [
        "give_name", "release_name", "flush_to_disk", "pack_wave", "checksum_of", "update_sidecar"
    ]  # fmt: skip


def test_two_who_look_do_not_take_each_other_for_the_one_who_records(tmp_path: Path) -> None:
    path = break_off(tmp_path, ".csv", CSV_HEAD, b"")
    with path.open("rb") as file:
        assert lock_file(file.fileno(), shared=True)
        assert is_broken_off(path)


# --- names ---------------------------------------------------------------------------------------


def test_two_never_take_the_same_name(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)

    def claim(_: int) -> Path:
        record, file = claims.claim_record(bench, KNOWN, ".csv", CSV_HEAD)
        file.close()
        return record.path

    with ThreadPoolExecutor(8) as pool:
        paths = list(pool.map(claim, range(40)))
    assert len(set(paths)) == 40
    assert len(Bench(tmp_path).records("heron")) == 40
    assert not [path for path in paths[0].parent.iterdir() if path.name.startswith(".")]


# --- broken off, for real ------------------------------------------------------------------------

pty_only = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")

# What a kill may cost: what PortAudio and the sound server hold back (0.1 s and some), or one
# pulse of 20 ms from a probe, on a machine that is busy with other captures.
_MAY_BE_LOST_S = 1.0


@pytest.mark.pty
@pty_only
def test_killed_captures_from_a_probe_are_readable(tmp_path: Path) -> None:
    def kill(seed: int) -> None:
        bench = make_folder(tmp_path / f"{seed}")
        with PlayedProbe() as probe:
            outcome = kill_one(bench, "--port", probe.port, seconds=1.5, seed=seed)
        assert outcome.faults == ()
        assert outcome.lost_s < _MAY_BE_LOST_S

    with ThreadPoolExecutor(3) as pool:
        list(pool.map(kill, range(3)))


@pytest.fixture(scope="module")
def playing(
    sound_server: SoundServer, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[SoundServer]:
    """Return the sound server while it plays a pulse train."""
    train = write_train(tmp_path_factory.mktemp("train") / "train.wav", 120.0)
    with sound_server.playing(train):
        yield sound_server


@pytest.mark.sound_server
def test_killed_captures_from_sound_are_readable(tmp_path: Path, playing: SoundServer) -> None:
    def kill(seed: int) -> None:
        bench = make_folder(tmp_path / f"{seed}")
        source, environment = ("--input", "pulse"), playing.environment
        outcome = kill_one(bench, *source, seconds=1.5, seed=seed, environment=environment)
        assert outcome.faults == ()
        assert outcome.lost_s < _MAY_BE_LOST_S

    with ThreadPoolExecutor(3) as pool:
        list(pool.map(kill, range(10, 13)))


@pytest.mark.sound_server
def test_eight_captures_at_once_into_one_channel_keep_all(
    tmp_path: Path, playing: SoundServer
) -> None:
    bench = make_folder(tmp_path / "bench")
    processes = [
        start_capture(bench, "--input", "pulse", seconds=1.0, environment=playing.environment)
        for _ in range(8)
    ]
    told = [json.loads(process.communicate(timeout=60)[0]) for process in processes]
    assert [process.returncode for process in processes] == [0] * 8
    assert len({one["file"] for one in told}) == 8
    for one in told:
        assert one["inputs"][0]["pulse_width_us"]["mean"] == pytest.approx(1500, abs=1.0)
    verification = verify_captures(Bench(bench))
    assert (verification.findings, verification.checked_count) == ((), 8)


@pytest.mark.sound_server
def test_a_sound_server_that_stops_leaves_a_whole_record(tmp_path: Path) -> None:
    missing = what_is_missing()
    if missing is not None:
        pytest.skip(f"needs a private sound server: {missing}")
    bench = make_folder(tmp_path / "bench")
    with run_sound_server() as server:
        environment = server.environment
        process = start_capture(bench, "--input", "pulse", seconds=30, environment=environment)
        sidecar = wait_for_record(bench, process)
        assert sidecar is not None
        began = sidecar.stat().st_mtime
        time.sleep(0.8)
        stopped = time.time()
        server.control("exit")
        _, said = process.communicate(timeout=30)
    # Silence was recorded, so there is no pulse in it.
    assert process.returncode == 2, said
    assert "cut short after" in said
    outcome = tell_left(bench, began, stopped, 30.0)
    assert outcome.faults == ()
    assert outcome.lost_s < _MAY_BE_LOST_S


@pytest.mark.pty
@pty_only
def test_an_unplugged_probe_leaves_a_whole_record(tmp_path: Path) -> None:
    bench = make_folder(tmp_path / "bench")
    with PlayedProbe() as probe:
        process = start_capture(bench, "--port", probe.port, seconds=30)
        sidecar = wait_for_record(bench, process)
        assert sidecar is not None
        began = sidecar.stat().st_mtime
        time.sleep(0.8)
        unplugged = time.time()
        probe.unplug()
        _, said = process.communicate(timeout=30)
    assert process.returncode == 1, said
    assert "was unplugged; what was recorded until then is kept" in said
    outcome = tell_left(bench, began, unplugged, 30.0)
    assert outcome.faults == ()
    assert outcome.lost_s < _MAY_BE_LOST_S


@pytest.mark.pty
@pty_only
def test_ctrl_c_leaves_a_whole_record_and_says_so(tmp_path: Path) -> None:
    bench = make_folder(tmp_path / "bench")
    with PlayedProbe() as probe:
        process = start_capture(bench, "--port", probe.port, seconds=30)
        assert wait_for_record(bench, process) is not None
        time.sleep(0.8)
        process.send_signal(signal.SIGINT)
        out, said = process.communicate(timeout=30)
    assert process.returncode == 0, said
    assert "kept as a whole record" in said
    assert "Traceback" not in said
    told = json.loads(out)
    assert told["recorded_s"] > 0.5
    assert told["inputs"][0]["pulse_width_us"]["mean"] == pytest.approx(1500, abs=0.6)
    assert verify_captures(Bench(bench)).findings == ()


@pytest.mark.pty
@pty_only
def test_a_file_size_limit_is_a_full_disk(tmp_path: Path) -> None:
    # A limit on the size of a file is refused as a full disk is, and needs no small disk.
    bench = make_folder(tmp_path / "bench")
    limited = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (1500, 1500)); "
        "from benchlog.__main__ import main; sys.exit(main(sys.argv[1:]))"
    )
    with PlayedProbe() as probe:
        told = run_limited(limited, bench, probe.port)
    assert told.status == 1, told
    assert "is full" in told.err
    (record,) = Bench(bench).records("heron")
    assert record.path.stat().st_size <= 1500
    assert not record.sidecar.unfinished
    assert verify_captures(Bench(bench)).findings == ()


def run_limited(program: str, bench: Path, port: str) -> Told:
    import subprocess

    from tests.command_line import plain_environment

    words = ["capture", "heron", "--at", "10", "--port", port, "--seconds", "20"]
    done = subprocess.run(
        [sys.executable, "-c", program, *words, "--bench", str(bench)],
        env=plain_environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return Told(done.returncode, done.stdout, done.stderr)


@pytest.mark.pty
@pty_only
def test_a_profile_is_kept_by_its_name(tmp_path: Path) -> None:
    bench = make_folder(tmp_path / "bench")
    with PlayedProbe() as probe:
        told = run_process(
            *("capture", "heron", "--at", "10", "--port", probe.port, "--seconds", "0.5"),
            *("--profile", "usb blue", "--bench", bench),
            cwd=tmp_path,
        )
    assert told.status == 0, told
    (record,) = Bench(bench).records("heron")
    assert record.sidecar.profile == "usb blue"
