"""WAV files that are right at any instant: the header after EBU Tech 3306 and the RIFF rules.

What libsndfile (the ``soundfile`` package) reads is the reference that lies outside the project.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchlog.capture.locks import is_locked, open_locked
from benchlog.capture.packing import pack_wave, same_samples
from benchlog.capture.record_lengths import record_length
from benchlog.capture.wave_file import (
    HEADER_BYTES,
    WaveWriter,
    complete_header,
    read_shape,
    wave_header,
)

RATE = 48000


def new_file(path: Path, inputs: int = 1, **options: int) -> WaveWriter:
    path.write_bytes(wave_header(RATE, inputs, 0, **options))
    return WaveWriter(open_locked(path), RATE, inputs, **options)


def ramp(count: int, inputs: int = 1) -> NDArray[np.int16]:
    steps = np.arange(count * inputs).reshape(count, inputs) % 65536 - 32768
    return steps.astype(np.int16)


def read(path: Path) -> NDArray[np.int32]:
    values, rate_hz = soundfile.read(path, dtype="int32", always_2d=True)
    assert rate_hz == RATE
    whole: NDArray[np.int32] = values
    return whole


@pytest.mark.parametrize("inputs", [1, 2, 3])
def test_another_program_reads_it_at_any_instant(tmp_path: Path, inputs: int) -> None:
    path = tmp_path / "a.wav"
    writer, values = new_file(path, inputs), ramp(1000, inputs)
    for start in range(0, 1000, 125):
        writer.write(values[start : start + 125])
        writer.sync()
        found = read(path)
        # RIFF wants chunks of even length, so of an odd one the last frame is told later.
        assert start + 124 <= len(found) <= start + 125
        np.testing.assert_array_equal(found >> 16, values[: len(found)])
    writer.finish()
    writer.close()
    np.testing.assert_array_equal(read(path), values.astype(np.int32) << 16)
    assert path.stat().st_size % 2 == 0


def test_floats_keep_24_bits_and_are_clipped_beyond_full_scale(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    writer = new_file(path)
    steps = np.array([-(2**23), -1, 0, 1, 2**23 - 1])
    writer.write((np.append(steps, [2**24, -(2**24)]) / 2.0**23).astype(np.float32)[:, None])
    writer.finish()
    writer.close()
    full = np.append(steps, [2**23 - 1, -(2**23)])
    np.testing.assert_array_equal(read(path)[:, 0] >> 8, full)


def test_beyond_the_limit_it_becomes_rf64(tmp_path: Path) -> None:
    path, values = tmp_path / "a.wav", ramp(700)
    writer = new_file(path, limit=1500)
    # The header is 72 bytes of what RIFF counts: 450 frames make 1422 of them, 700 make 2172.
    for start, end, kind in ((0, 350, b"RIFF"), (350, 450, b"RIFF"), (450, 700, b"RF64")):
        writer.write(values[start:end])
        writer.sync()
        assert path.read_bytes()[:4] == kind
    writer.finish()
    writer.close()
    head = path.read_bytes()[:HEADER_BYTES]
    # EBU Tech 3306, table 2: ds64 holds the sizes of RIFF and data and the number of samples,
    # and the 32-bit fields hold FFFFFFFF.
    assert struct.unpack_from("<4sI4s4sI", head) == (b"RF64", 0xFFFFFFFF, b"WAVE", b"ds64", 28)
    assert struct.unpack_from("<QQQI", head, 20) == (72 + 2100, 2100, 700, 0)
    assert struct.unpack_from("<4sI", head, 72) == (b"data", 0xFFFFFFFF)
    assert soundfile.info(path).format == "RF64"
    np.testing.assert_array_equal(read(path) >> 16, values)


def test_a_broken_off_file_beyond_4_gib_is_completed(tmp_path: Path) -> None:
    path, frames = tmp_path / "a.wav", 1_500_000_000
    path.write_bytes(wave_header(RATE, 1, 48_000))
    with path.open("r+b") as file:
        file.truncate(HEADER_BYTES + 3 * frames + 2)  # sparse: it takes no room
    complete_header(path)
    shape = read_shape(path)
    assert shape is not None
    assert (shape.claimed_frames, shape.present_frames) == (frames, frames)
    info = soundfile.info(path)
    assert (info.format, info.frames) == ("RF64", frames)
    assert record_length(path) == frames / RATE


@given(st.integers(0, 400), st.integers(1, 3), st.integers(0, 60))
def test_cut_off_anywhere_it_keeps_every_whole_frame(
    tmp_path_factory: pytest.TempPathFactory, cut: int, inputs: int, told: int
) -> None:
    path = tmp_path_factory.mktemp("cut") / "a.wav"
    values = ramp(60, inputs)
    writer = new_file(path, inputs)
    writer.write(values[:told])
    writer.sync()
    writer.write(values[told:])
    writer.close()
    with path.open("r+b") as file:
        size = min(HEADER_BYTES + cut, path.stat().st_size)
        file.truncate(max(size, HEADER_BYTES + 3 * inputs * told))
    before = path.read_bytes()
    complete_header(path)
    after = path.read_bytes()
    assert after[HEADER_BYTES : len(before)] == before[HEADER_BYTES:]
    assert len(after) - len(before) in (0, 1)  # the byte that evens out an odd chunk
    whole = (len(before) - HEADER_BYTES) // (3 * inputs)
    if whole:
        np.testing.assert_array_equal(read(path) >> 16, values[:whole])
    assert complete_header(path) == read_shape(path)


@pytest.mark.parametrize("content", [b"", b"RIFF", b"\0" * 200, b"RIFF" + b"x" * 100])
def test_other_files_are_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    assert complete_header(path) is None
    assert path.read_bytes() == content


def test_a_file_that_is_being_written_is_locked(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    writer = new_file(path)
    assert is_locked(path)
    writer.close()
    assert not is_locked(path)
    assert not is_locked(tmp_path / "none.wav")


@pytest.mark.parametrize(("bits", "subtype"), [(16, "PCM_16"), (24, "PCM_24")])
def test_packed_it_is_the_same_sample_by_sample(tmp_path: Path, bits: int, subtype: str) -> None:
    path = tmp_path / "a.wav"
    writer = new_file(path, 2)
    noise = np.random.default_rng(1).integers(-(2**15), 2**15, (5000, 2))
    writer.write(noise.astype(np.int16) if bits == 16 else (noise / 2.0**22).astype(np.float32))
    writer.finish()
    writer.close()
    packed = pack_wave(path, bits)
    assert packed.suffix == ".flac"
    assert soundfile.info(packed).subtype == subtype
    np.testing.assert_array_equal(read(packed), read(path))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.flac", "a.wav"]


def test_what_cannot_be_packed_stays(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    writer = new_file(path)
    writer.write((ramp(100) / 2.0**22).astype(np.float32))
    writer.finish()
    writer.close()
    assert pack_wave(path, 16) == path  # more bits than it is said to have
    (tmp_path / "a.flac").write_bytes(b"other")
    assert pack_wave(path, 24) == path
    assert (tmp_path / "a.flac").read_bytes() == b"other"
    assert not same_samples(path, tmp_path / "a.flac")
    assert not same_samples(path, tmp_path / "none.flac")


@pytest.mark.parametrize(
    ("name", "subtype"),
    [("a.wav", "PCM_16"), ("a.flac", "PCM_24"), ("a.wav", "FLOAT"), ("b.rf64", "PCM_16")],
)
def test_the_length_is_told_from_the_header(tmp_path: Path, name: str, subtype: str) -> None:
    path = tmp_path / name
    container = "RF64" if name.endswith("rf64") else None
    soundfile.write(path, np.zeros((12345, 2)), RATE, subtype=subtype, format=container)
    assert record_length(path) == 12345 / RATE


@pytest.mark.parametrize(
    ("text", "length_s"),
    [
        ("time_s,level\r\n0.0,0\r\n1.5,1\r\n", 1.5),
        ("time_s,level\n0,0\n1.5,1\n2.", 1.5),
        ("time_s,level\r\n", None),
        ("hello", None),
        ("", None),
    ],
)
def test_the_length_of_a_table_is_its_last_time(
    tmp_path: Path, text: str, length_s: float | None
) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text, newline="")
    assert record_length(path) == length_s
