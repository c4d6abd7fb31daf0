"""Files in and out: sound, VCD, CSV, saved probe lines."""

from __future__ import annotations

import importlib.util
import io
import itertools
import json
import os
import struct
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from vcd import VCDWriter

from benchlog.capture.audio_files import write_audio
from benchlog.capture.csv_files import write_csv
from benchlog.capture.formats import open_recording
from benchlog.capture.vcd_files import write_vcd
from benchlog.errors import RecordingError, StoreError
from benchlog.recording import EdgeList, Gap, Samples, samples_from_array

_counter = itertools.count()
FRESH = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def fresh(folder: Path, suffix: str) -> Path:
    return folder / f"file{next(_counter)}{suffix}"


def tone(frames: int = 3000, inputs: int = 1) -> NDArray[np.float32]:
    times = np.arange(frames)[:, None] + 100 * np.arange(inputs)
    return (0.5 * np.sin(times / 20)).astype(np.float32)


def sound_of(path: Path, block: int = 1000) -> tuple[Samples, NDArray[np.float32]]:
    samples = open_recording(path)
    assert isinstance(samples, Samples)
    return samples, np.concatenate(list(samples.blocks(block)))


def edges_of(path: Path, signal: str | None = None) -> EdgeList:
    found = open_recording(path, signal=signal)
    assert isinstance(found, tuple)
    (edges,) = found
    return edges


def refusal_of(path: Path) -> str | None:
    """Return why a file is refused, None if it is read; any other error passes."""
    try:
        found = open_recording(path)
        if isinstance(found, Samples):
            for _ in found.blocks():
                pass
    except RecordingError as exc:
        return str(exc)
    return None


def text_file(folder: Path, suffix: str, text: str | bytes) -> Path:
    path = fresh(folder, suffix)
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


# --- sound ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("suffix", "container", "subtype", "bits"),
    [
        (".wav", "WAV", "PCM_U8", 8),
        (".wav", "WAV", "PCM_16", 16),
        (".wav", "WAV", "PCM_24", 24),
        (".wav", "WAVEX", "PCM_16", 16),
        (".wav", "WAVEX", "PCM_24", 24),
        (".wav", "RF64", "PCM_16", 16),
        (".flac", "FLAC", "PCM_S8", 8),
        (".flac", "FLAC", "PCM_16", 16),
        (".flac", "FLAC", "PCM_24", 24),
    ],
)
def test_every_integer_comes_back_as_it_was(
    tmp_path: Path, suffix: str, container: str, subtype: str, bits: int
) -> None:
    full = 2 ** (bits - 1)
    whole = np.random.default_rng(bits).integers(-full, full, (2500, 2))
    whole[:2] = [[-full, full - 1], [0, -1]]
    values = (whole / full).astype(np.float32)  # exact: a float32 carries 24 bits
    path = tmp_path / f"sound{suffix}"
    write_audio(path, values, 48000, subtype, container=container)
    samples, read = sound_of(path)
    np.testing.assert_array_equal(read, values)
    assert samples.step == 1 / full
    assert (samples.rate_hz, samples.input_count, samples.frame_count) == (48000.0, 2, 2500)


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_float_files_keep_every_bit_and_have_no_step(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "sound.wav"
    write_audio(path, 1.5 * tone(), 44100, subtype)
    samples, read = sound_of(path)
    np.testing.assert_array_equal(read, 1.5 * tone())
    assert samples.step == 0.0


def test_32_bit_integers_are_right_to_the_last_bit_of_a_float32(tmp_path: Path) -> None:
    whole = np.array([[-(2**31)], [2**31 - 1], [12345678], [-7]], dtype=np.int32)
    path = tmp_path / "sound.wav"
    write_audio(path, whole, 48000, "PCM_32")
    np.testing.assert_array_equal(sound_of(path)[1], (whole / 2.0**31).astype(np.float32))


def test_int16_blocks_are_stored_as_they_are(tmp_path: Path) -> None:
    whole = np.arange(-32768, 32768, dtype=np.int16)
    path = tmp_path / "sound.flac"
    write_audio(path, iter([whole[:1000], whole[1000:]]), 48000)
    np.testing.assert_array_equal(sound_of(path)[1][:, 0] * 32768, whole)


def test_what_lies_beyond_full_scale_is_clipped(tmp_path: Path) -> None:
    path = tmp_path / "sound.wav"
    write_audio(path, np.array([2.0, -2.0, 1.0]), 48000)
    np.testing.assert_array_equal(sound_of(path)[1][:, 0] * 32768, [32767, -32768, 32767])


def test_samples_can_be_written_and_read_again_from_the_start(tmp_path: Path) -> None:
    path = tmp_path / "sound.flac"
    write_audio(path, samples_from_array(tone(5000), 8000), 8000, "PCM_24")
    samples = open_recording(path)
    assert isinstance(samples, Samples)
    first, second = (np.concatenate(list(samples.blocks(n))) for n in (7, 4096))
    np.testing.assert_array_equal(first, second)


def test_a_file_that_is_there_is_not_written_over(tmp_path: Path) -> None:
    path = text_file(tmp_path, ".wav", b"precious")
    with pytest.raises(StoreError, match="is there already"):
        write_audio(path, tone(), 48000)
    assert path.read_bytes() == b"precious"


def test_a_rate_that_is_no_whole_number_is_the_callers_mistake(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="whole number"):
        write_audio(tmp_path / "a.wav", tone(), 44100.5)
    with pytest.raises(ValueError, match="cannot hold"):
        write_audio(tmp_path / "a.flac", tone(), 44100, "FLOAT")


def corpus() -> list[Path]:
    """Return the WAV files inside scipy's wheel (scipy/io/tests/data)."""
    spec = importlib.util.find_spec("scipy")
    assert spec is not None
    assert spec.submodule_search_locations is not None
    folder = Path(spec.submodule_search_locations[0]) / "io" / "tests" / "data"
    return sorted(folder.glob("*.wav"))


def read_by_scipy(path: Path) -> NDArray[np.float32] | None:
    """Return the samples at full scale ±1 after scipy.io.wavfile.read; None if it refuses."""
    from scipy.io import wavfile

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            _, values = wavfile.read(path)
        except ValueError:
            return None
    table: NDArray[Any] = values if values.ndim == 2 else values[:, None]
    if table.dtype == np.uint8:
        return ((table.astype(float) - 128) / 128).astype(np.float32)
    if table.dtype.kind == "i":
        return (table / 2.0 ** (8 * table.dtype.itemsize - 1)).astype(np.float32)
    return table.astype(np.float32)


@pytest.mark.parametrize("path", corpus(), ids=lambda path: path.name)
def test_scipys_wav_corpus_is_read_alike_or_refused_in_one_line(path: Path) -> None:
    refusal = refusal_of(path)
    if refusal is not None:
        assert "\n" not in refusal
        # Integers of 36 bits and more have no place in the formats that are promised.
        beyond = any(f"{bits}bit.wav" in path.name for bits in (36, 45, 53, 64))
        assert beyond or read_by_scipy(path) is None
        return
    samples, read = sound_of(path)
    expected = read_by_scipy(path)
    if expected is not None:
        np.testing.assert_array_equal(read, expected)
    assert samples.input_count == read.shape[1]


def test_scipys_wav_corpus_is_there_and_mostly_read() -> None:
    assert sum(refusal_of(path) is None for path in corpus()) >= 12


def wav_bytes(**changed: int) -> bytes:
    """Return a 16-bit mono WAV of 1000 frames; keywords overwrite fields of its header."""
    stream = io.BytesIO()
    soundfile.write(stream, tone(1000), 48000, format="WAV", subtype="PCM_16")
    content = bytearray(stream.getvalue())
    places = {
        "format": ("<H", 20),
        "inputs": ("<H", 22),
        "rate": ("<I", 24),
        "bits": ("<H", 34),
        "length": ("<I", 40),
    }
    for key, value in changed.items():
        code, offset = places[key]
        struct.pack_into(code, content, offset, value)
    return bytes(content)


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"", "is empty"),
        (b"RIFF", "cannot be read as sound"),
        (wav_bytes()[:20], "cannot be read as sound"),
        (wav_bytes()[:44], "no samples"),
        (wav_bytes(length=0xFFFFFFF0)[:44], "no samples"),
        (wav_bytes(rate=0), "cannot be read as sound"),
        (wav_bytes(rate=1), "claims 1 samples per second; expected 1000 to"),
        (wav_bytes(rate=0xFFFFFFFF), "its header makes no sense"),
        (wav_bytes(inputs=0), "cannot be read as sound"),
        (wav_bytes(inputs=1000), "claims 1000 inputs; expected 1 to 64"),
        (wav_bytes(inputs=65535), "cannot be read as sound"),
        (wav_bytes(bits=33), "cannot be read as sound"),
        (wav_bytes(format=6), "coded as ALAW"),
        (wav_bytes(format=7), "coded as ULAW"),
        (b"OggS" + bytes(100), "Ogg"),
        (b"\xff\xfb\x90\x00" + bytes(100), "MP3"),
        (b"a letter to a friend\n", "is plain text"),
        (bytes(range(256)), "no kind of recording"),
    ],
)
def test_what_is_no_sound_is_refused_in_one_line(
    tmp_path: Path, content: bytes, match: str
) -> None:
    path = text_file(tmp_path, ".wav", content)
    with pytest.raises(RecordingError, match=match) as caught:
        sound_of(path)
    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("coding", ["ULAW", "ALAW", "IMA_ADPCM", "MS_ADPCM", "GSM610"])
def test_lossy_codings_are_refused(tmp_path: Path, coding: str) -> None:
    path = tmp_path / "sound.wav"
    soundfile.write(path, tone(5000), 8000, subtype=coding)
    with pytest.raises(RecordingError, match=f"coded as {coding}"):
        open_recording(path)


def test_a_header_that_claims_more_gives_what_is_there(tmp_path: Path) -> None:
    path = text_file(tmp_path, ".wav", wav_bytes(length=0xFFFFFFF0))
    assert len(sound_of(path)[1]) == 1000


@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_a_file_that_was_cut_off_gives_what_is_there(tmp_path: Path, suffix: str) -> None:
    noise = np.random.default_rng(1).integers(-9000, 9000, 100_000).astype(np.int16)
    whole = tmp_path / f"whole{suffix}"
    write_audio(whole, noise, 48000)
    content = whole.read_bytes()
    cut = text_file(tmp_path, suffix, content[: len(content) // 2])
    for block in (1000, 65536):
        read = sound_of(cut, block)[1][:, 0] * 32768
        # A FLAC block of 4096 frames that was cut is lost as a whole.
        assert 50_000 - 2 * 4096 < len(read) <= 50_000
        np.testing.assert_array_equal(read, noise[: len(read)])


def test_a_damaged_flac_is_told_with_the_place(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(-9000, 9000, 100_000).astype(np.int16)
    path = tmp_path / "sound.flac"
    write_audio(path, noise, 48000)
    content = bytearray(path.read_bytes())
    content[60_000:60_400] = b"\x55" * 400
    path.write_bytes(content)
    got: list[NDArray[np.float32]] = []
    samples = open_recording(path)
    assert isinstance(samples, Samples)
    with pytest.raises(RecordingError, match=r"cannot be decoded after 0\.[5-9]"):
        got.extend(samples.blocks(1000))
    np.testing.assert_array_equal(
        np.concatenate(got)[:, 0] * 32768, noise[: sum(len(block) for block in got)]
    )


def test_a_flac_that_does_not_know_its_length_is_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "sound.flac"
    write_audio(path, tone(20_000), 48000)
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0  # the 36-bit count of frames in STREAMINFO (RFC 9639, 8.2)
    content[22:26] = bytes(4)
    path.write_bytes(content)
    samples, read = sound_of(path)
    assert samples.frame_count is None
    assert len(read) == 20_000


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_no_number_is_told_with_the_place(tmp_path: Path, bad: float) -> None:
    values = tone(3000, 2)
    values[2400, 1] = bad
    path = tmp_path / "sound.wav"
    write_audio(path, values, 48000, "FLOAT")
    with pytest.raises(RecordingError, match=rf"holds {bad} in input 2 at 0\.050000 s"):
        sound_of(path)


def test_paths_that_are_no_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="is a folder"):
        open_recording(tmp_path)
    with pytest.raises(RecordingError, match="is not there"):
        open_recording(tmp_path / "none.wav")
    with pytest.raises(RecordingError, match="null byte"):
        open_recording(tmp_path / "a\0b")
    if Path("/dev/zero").exists():
        with pytest.raises(RecordingError, match="no plain file"):
            open_recording(Path("/dev/zero"))


@pytest.mark.skipif(os.name == "nt", reason="file names are text there")
def test_a_file_name_that_is_no_text_is_read(tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"\xff\xfe.wav")
    try:
        path.write_bytes(wav_bytes())
    except OSError:
        pytest.skip("this file system wants text for names")
    assert len(sound_of(path)[1]) == 1000


def test_a_file_that_is_gone_before_it_is_read(tmp_path: Path) -> None:
    path = text_file(tmp_path, ".wav", wav_bytes())
    samples = open_recording(path)
    assert isinstance(samples, Samples)
    path.unlink()
    with pytest.raises(RecordingError, match="cannot be read"):
        list(samples.blocks())


@FRESH
@given(content=st.binary(max_size=300), start=st.sampled_from([b"", b"fLaC", wav_bytes()[:44]]))
def test_any_bytes_are_read_or_refused(tmp_path: Path, content: bytes, start: bytes) -> None:
    path = text_file(tmp_path, ".wav", start + content)
    assert "\n" not in (refusal_of(path) or "")


# --- sidecar gaps ----------------------------------------------------------------------------


def test_gaps_come_from_the_sidecar(tmp_path: Path) -> None:
    sidecar = {
        "channel": "heron",
        "knob_deg": 90,
        "recorded_utc": "2026-09-01T10:00:00Z",
        "gaps": [{"start_s": 0.01, "length_s": 0.5}],
    }
    (tmp_path / "a.json").write_text(json.dumps(sidecar))
    (tmp_path / "a.wav").write_bytes(wav_bytes())
    assert sound_of(tmp_path / "a.wav")[0].gaps == (Gap(0.01, 0.5),)
    (tmp_path / "a.csv").write_text("time_s,level\n0,0\n1,1\n")
    assert edges_of(tmp_path / "a.csv").gaps == (Gap(0.01, 0.5),)


@pytest.mark.parametrize("text", ["{", "[]", '{"channel": 3}', ""])
def test_a_broken_sidecar_does_not_keep_a_file_from_being_read(tmp_path: Path, text: str) -> None:
    (tmp_path / "a.json").write_text(text)
    (tmp_path / "a.wav").write_bytes(wav_bytes())
    assert sound_of(tmp_path / "a.wav")[0].gaps == ()


# --- VCD --------------------------------------------------------------------------------------

HEADER = "$timescale 1 us $end\n$scope module stage $end\n$var wire 1 ! pulse $end\n"
BODY = "$upscope $end\n$enddefinitions $end\n"
DUMP = "$dumpvars\n0!\n$end\n"


def vcd(text: str, head: str = HEADER + BODY) -> str:
    return head + text


def test_the_value_at_the_start_is_no_edge(tmp_path: Path) -> None:
    path = text_file(tmp_path, ".vcd", vcd(f"#0\n{DUMP}#1000\n1!\n#2500\n0!\n#21000\n1!\n#30000\n"))
    edges = edges_of(path)
    np.testing.assert_array_equal(edges.time_s, [1e-3, 2.5e-3, 21e-3])
    np.testing.assert_array_equal(edges.level, [True, False, True])
    assert (edges.start_s, edges.end_s, edges.resolution_s) == (0.0, 0.03, 1e-6)
    assert edges.name == "stage.pulse"


@pytest.mark.parametrize(
    ("text", "times", "levels", "gaps"),
    [
        # Nothing said before: the first change is an edge; at time 0 it is the state.
        ("#10 1! #20 0!", [10, 20], [1, 0], []),
        ("#0 1! #20 0!", [20], [0], []),
        # Unknown at the start, then known: no edge between two levels.
        ("#0 $dumpvars x! $end #10 1! #20 0!", [20], [0], []),
        # Said again: no edge.
        ("#0 0! #10 1! #15 1! #20 0!", [10, 20], [1, 0], []),
        # A spike within one tick: none.
        ("#0 0! #10 1! 0! #20 1!", [20], [1], []),
        ("#0 0! #10 1! #20 0! 1! #30 0!", [10, 30], [1, 0], []),
        # Without a level for a while: a gap; the level after it is the one before.
        ("#0 0! #10 1! #20 x! #30 1! #40 0!", [10, 40], [1, 0], [(20, 10)]),
        # Another level after the gap: the next edge to the level seen last is left out.
        ("#0 0! #10 1! #20 z! #30 0! #40 1! #50 0!", [10, 50], [1, 0], [(20, 10)]),
        # No level, and one again within the same tick: an edge like any other.
        ("#0 0! #10 x! 1! #20 0!", [10, 20], [1, 0], []),
        # A vector of one bit, and weak levels.
        ("#0 b0 ! #10 b1 ! #20 L!", [10, 20], [1, 0], []),
        # A dump begun later.
        ("#0 0! #5 $dumpoff x! $end #30 $dumpon 1! $end #40 0! #50 1!", [50], [1], [(5, 25)]),
    ],
)
def test_hand_worked_dumps(
    tmp_path: Path, text: str, times: list[int], levels: list[int], gaps: list[tuple[int, int]]
) -> None:
    edges = edges_of(text_file(tmp_path, ".vcd", vcd(text.replace(" b", "\nb") + "\n")))
    np.testing.assert_array_equal(edges.time_s, np.array(times) / 1e6)
    np.testing.assert_array_equal(edges.level, np.array(levels, dtype=bool))
    assert edges.gaps == tuple(Gap(a / 1e6, b / 1e6) for a, b in gaps)


@pytest.mark.parametrize(
    ("scale", "tick_s"),
    [
        ("1 s", 1.0),
        ("100ms", 0.1),
        ("10 us", 1e-5),
        ("\n\t1\n ns ", 1e-9),
        ("100 ps", 1e-10),
        ("1fs", 1e-15),
    ],
)
def test_time_scales_of_the_standard(tmp_path: Path, scale: str, tick_s: float) -> None:
    head = HEADER.replace("1 us", scale) + BODY
    edges = edges_of(text_file(tmp_path, ".vcd", vcd("#0 0! #3 1! #7 0!\n", head)))
    np.testing.assert_allclose(edges.time_s, [3 * tick_s, 7 * tick_s], rtol=1e-15)
    assert edges.resolution_s == tick_s


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (vcd("#0 0!\n#10\n0!\n"), "holds no change of the signal stage.pulse"),
        (vcd("#0 0! #10 1! #20 0! #15 1!\n"), "runs back from #20 to #15, line"),
        (vcd("#0 0! #10 1!\n", HEADER.replace("$timescale 1 us $end", "") + BODY), "timescale"),
        (vcd("#0 0! #1 1!\n", HEADER.replace("1 us", "0 us") + BODY), "time scale 0 us"),
        (vcd("#0 0! #1 1!\n", HEADER.replace("1 us", "1 zs") + BODY), "time scale 1 zs"),
        (HEADER, "ends within its header"),
        (HEADER + "#0 0!\n", "before \\$enddefinitions"),
        (vcd("", "$timescale 1 us $end\n$enddefinitions $end\n"), "no signal of one bit"),
        (vcd(f"#{2**63} 1!\n"), "has the time"),
        (vcd("#" + "9" * 5000 + "\n1!\n"), "no right VCD"),
        (vcd("#0 0! #1 q1!"), "no right VCD at line"),
        ("$timescale\xff 1", "no right VCD"),
        ("$comment " + "a" * 3_000_000, "an item of more than"),
    ],
)
def test_dumps_that_are_refused(tmp_path: Path, text: str, match: str) -> None:
    with pytest.raises(RecordingError, match=match) as caught:
        edges_of(text_file(tmp_path, ".vcd", text))
    assert "\n" not in str(caught.value)


def test_random_bytes_are_no_dump(tmp_path: Path) -> None:
    noise = np.random.default_rng(3).bytes(100_000)
    with pytest.raises(RecordingError, match="no right VCD"):
        edges_of(text_file(tmp_path, ".vcd", noise))


def two_signals(folder: Path) -> Path:
    """Write a dump of two pulses and a bus with pyvcd's own writer."""
    path = fresh(folder, ".vcd")
    with path.open("w") as file, VCDWriter(file, timescale="1 us", date="") as writer:
        moon = writer.register_var("stage.left", "pulse", "wire", size=1, init=0)
        boat = writer.register_var("stage.right", "pulse", "wire", size=1, init=0)
        bus = writer.register_var("stage", "bus", "wire", size=8, init=0)
        writer.register_alias("stage", "boat", boat)
        for cycle in range(5):
            start = 1000 + 20_000 * cycle
            writer.change(moon, start, 1)
            writer.change(boat, start + 100, 1)
            writer.change(bus, start + 200, cycle)
            writer.change(moon, start + 1500, 0)
            writer.change(boat, start + 1800, 0)
        writer.close(110_000)
    return path


def test_a_signal_is_chosen_by_name(tmp_path: Path) -> None:
    path = two_signals(tmp_path)
    for name, width_us in (
        ("stage.left.pulse", 1500),
        ("left.pulse", 1500),
        ("stage.right.pulse", 1700),
        ("boat", 1700),
    ):
        edges = edges_of(path, name)
        np.testing.assert_allclose(np.diff(edges.time_s)[::2], width_us * 1e-6, rtol=1e-9)
        assert edges.level[0]
        assert edges.end_s == 0.11


@pytest.mark.parametrize(
    ("signal", "match"),
    [
        (None, "holds 2 signals; .*stage.boat, stage.left.pulse; .*--signal"),
        ("pulse", "2 signals named pulse; expected the full path"),
        ("heron", "no signal heron; expected one of stage.boat, stage"),
        ("bus", "the signal bus, which is not of one bit"),
    ],
)
def test_a_signal_that_cannot_be_chosen(tmp_path: Path, signal: str | None, match: str) -> None:
    with pytest.raises(RecordingError, match=match):
        edges_of(two_signals(tmp_path), signal)


# --- CSV --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "times", "levels", "end_s"),
    [
        ("time_s,level\n0,0\n0.001,1\n0.0025,0\n", [0.001, 0.0025], [1, 0], 0.0025),
        # A first row later than 0 is an edge.
        ("time_s,level\n0.001,1\n0.0025,0\n", [0.001, 0.0025], [1, 0], 0.0025),
        # The same level again only says that it still holds.
        ("time_s,level\n0,0\n1,1\n2,1\n3,0\n4,0\n", [1, 3], [1, 0], 4.0),
        # Byte order mark, CRLF, quotes, blanks, blank lines, another order, more columns.
        ('\ufefftime_s,level\r\n"0","0"\r\n1e-3,"1"\r\n\r\n', [0.001], [1], 0.001),
        ("note, level ,time_s\nx,0,0\n y ,1, 1.5 \n", [1.5], [1], 1.5),
        ("time_s,level\n-1,0\n-0.5,1\n+.5,0.0\n1.,1.0\n", [-0.5, 0.5, 1.0], [1, 0, 1], 1.0),
    ],
)
def test_hand_worked_tables(
    tmp_path: Path, text: str, times: list[float], levels: list[int], end_s: float
) -> None:
    edges = edges_of(text_file(tmp_path, ".csv", text))
    np.testing.assert_array_equal(edges.time_s, times)
    np.testing.assert_array_equal(edges.level, np.array(levels, dtype=bool))
    assert edges.end_s == end_s


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("time_s,level\n0,0\nsoon,1\n", "has 'soon' under time_s in row 3; expected a number"),
        ("time_s,level\n0,0\n1,high\n", "has 'high' under level in row 3; expected 0 or 1"),
        ("time_s,level\n0,0\n1,2\n", "has '2' under level"),
        ("time_s,level\n0,0\nnan,1\n", "has 'nan' under time_s"),
        ("time_s,level\n0,0\ninf,1\n", "has 'inf' under time_s"),
        ("time_s,level\n0,0\n1e999,1\n", "has '1e999' under time_s"),
        ("time_s,level\n0,0\n1_0,1\n", "has '1_0' under time_s"),
        ('time_s,level\n0,0\n"0,5",1\n', "'0,5' under time_s in row 3; .*not a comma"),
        ("time_s,level\n0,0\n0,5,1\n", r"3 fields in row 3 \(a decimal comma\?\)"),
        ("time_s,level\n0,0\n1\n", "has 1 fields in row 3"),
        ("time_s,level\n0,0\n2,1\n1,0\n", "has time 1 after 2 in row 4; expected times that asc"),
        ("time_s,level\n0,0\n1,1\n1,0\n", "has time 1 after 1"),
        ("time_s;level\n0;0\n", "header row 'time_s;level'"),
        ("time,level\n0,0\n", "header row 'time,level'"),
        ("time_s\n0\n", "header row 'time_s'"),
        ("time_s,level,level\n0,0,0\n", "header row"),
        ("time_s,level\n", "no change of level"),
        ("time_s,level\n0,1\n1,1\n2,1\n", "no change of level"),
        ('time_s,level\n0,0\n"1,1\n', "no right CSV"),
        (b"time_s,level\n0,0\n\xff,1\n", "not UTF-8"),
        ("time_s,level\n" + "1" * 100_000, "a line of 65536 characters"),
    ],
)
def test_tables_that_are_refused(tmp_path: Path, text: str | bytes, match: str) -> None:
    with pytest.raises(RecordingError, match=match) as caught:
        edges_of(text_file(tmp_path, ".csv", text))
    assert "\n" not in str(caught.value)


# --- round trips ------------------------------------------------------------------------------


def edge_list(ticks: list[int], first: bool, tick_s: float, lead: int, tail: int) -> EdgeList:
    times = np.array(ticks) * tick_s
    return EdgeList(
        time_s=times,
        level=np.arange(len(ticks)) % 2 == (0 if first else 1),
        resolution_s=tick_s,
        start_s=max(0, ticks[0] - lead) * tick_s,
        end_s=(ticks[-1] + tail) * tick_s,
    )


TICKS = st.lists(st.integers(0, 2**40), min_size=1, max_size=30, unique=True).map(sorted)
EDGES = st.builds(
    edge_list,
    TICKS,
    st.booleans(),
    st.sampled_from([1e-6, 5e-7, 1e-5, 1e-9, 62.5e-9]),
    st.integers(0, 2**40),
    st.integers(0, 1000),
)


@FRESH
@given(edges=EDGES, write=st.sampled_from([write_vcd, write_csv]))
def test_edge_lists_come_back_as_they_were(
    tmp_path: Path, edges: EdgeList, write: Callable[[Path, EdgeList], None]
) -> None:
    path = fresh(tmp_path, ".vcd" if write is write_vcd else ".csv")
    write(path, edges)
    read = edges_of(path)
    # VCD holds whole ticks of a power of ten; a double carries them to 1 in 2**52.
    np.testing.assert_allclose(read.time_s, edges.time_s, rtol=1e-15, atol=0)
    np.testing.assert_array_equal(read.level, edges.level)
    np.testing.assert_allclose(read.end_s, edges.end_s, rtol=1e-15, atol=0)


@FRESH
@given(edges=EDGES)
def test_csv_keeps_every_bit(tmp_path: Path, edges: EdgeList) -> None:
    path = fresh(tmp_path, ".csv")
    write_csv(path, edges)
    np.testing.assert_array_equal(edges_of(path).time_s, edges.time_s)


def test_edges_without_a_resolution_keep_a_picosecond(tmp_path: Path) -> None:
    edges = EdgeList(np.array([0.1, 0.2 + 1e-12]), np.array([True, False]), 0.0, 0.0, 0.3)
    path = tmp_path / "a.vcd"
    write_vcd(path, edges)
    np.testing.assert_allclose(edges_of(path).time_s, edges.time_s, atol=0.6e-12, rtol=0)


@pytest.mark.parametrize("times", [[-0.1, 0.2], [0.1, 0.1000004]])
def test_edges_that_a_dump_cannot_hold(tmp_path: Path, times: list[float]) -> None:
    edges = EdgeList(np.array(times), np.array([True, False]), 1e-6, 0.0, 0.3)
    with pytest.raises(ValueError, match="must ascend from 0"):
        write_vcd(tmp_path / "a.vcd", edges)


@pytest.mark.parametrize("write", [write_vcd, write_csv])
def test_edge_files_are_not_written_over(
    tmp_path: Path, write: Callable[[Path, EdgeList], None]
) -> None:
    path = text_file(tmp_path, ".csv", "precious")
    with pytest.raises(StoreError, match="is there already"):
        write(path, edge_list([1, 2], True, 1e-6, 1, 0))
    assert path.read_text() == "precious"


@FRESH
@given(
    content=st.binary(max_size=200),
    start=st.sampled_from(
        ["", "time_s,level\n0,0\n", vcd("#0 0!\n"), HEADER, "# benchlog-probe ", "$var"]
    ),
    suffix=st.sampled_from([".vcd", ".csv", ".txt"]),
)
def test_any_text_is_read_or_refused(
    tmp_path: Path, content: bytes, start: str, suffix: str
) -> None:
    path = text_file(tmp_path, suffix, start.encode() + content)
    assert "\n" not in (refusal_of(path) or "")


def test_saved_probe_lines_are_read(tmp_path: Path) -> None:
    text = "# benchlog-probe ticks_per_s=1000000 width_bits=32 inputs=1\r\n100 1\r\n1600 0\r\n"
    edges = edges_of(text_file(tmp_path, ".txt", text))
    np.testing.assert_allclose(np.diff(edges.time_s), 1.5e-3)
    with pytest.raises(RecordingError, match="no edges"):
        edges_of(text_file(tmp_path, ".txt", text.splitlines()[0] + "\n"))
