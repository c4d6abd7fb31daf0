"""A sound file that is shorter than its header promises: noticed, and told by the commands.

The layout is that of EBU Tech 3306 (RF64), section 2 and 3, laid out here by hand.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from benchlog.capture.formats import open_recording
from benchlog.capture.wave_claim import read_claimed_frames
from tests.command_inputs import answer
from tests.command_line import run_here

_RATE_HZ = 48000


def lay_out(
    claimed: int, *, magic: bytes = b"RIFF", order: str = "<", before: bytes = b"", held: int = 0
) -> bytes:
    """Return a WAV file of 16 bits and two inputs with a data size as claimed."""
    form = struct.pack(f"{order}HHIIHH", 1, 2, _RATE_HZ, 4 * _RATE_HZ, 4, 16)
    return (
        magic + struct.pack(f"{order}I", 0) + b"WAVE" + before
        + b"fmt " + struct.pack(f"{order}I", 16) + form
        + b"data" + struct.pack(f"{order}I", claimed) + bytes(held)
    )  # fmt: skip


def chunk(name: bytes, body: bytes) -> bytes:
    """Return a chunk; one of odd length is filled up with a byte that does not count."""
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


@pytest.mark.parametrize(
    ("content", "frames"),
    [
        (lay_out(4000), 1000),
        (lay_out(4003), 1000),
        (lay_out(4000, magic=b"RIFX", order=">"), 1000),
        (lay_out(4000, before=chunk(b"LIST", b"abc")), 1000),
        (lay_out(4000, before=chunk(b"JUNK", bytes(500))), 1000),
        # ds64: size of the file, of the samples, their count, and a table without entries
        (
            lay_out(
                0xFFFFFFFF,
                magic=b"RF64",
                before=chunk(b"ds64", struct.pack("<QQQI", 0, 8_000_000_000, 0, 0)),
            ),
            2_000_000_000,
        ),
        (lay_out(0), None),  # nobody came back to say how much it is
        (lay_out(0xFFFFFFFF), None),
        (lay_out(0x7FFFFFFF), None),
        (lay_out(4000, magic=b"fLaC"), None),
        (lay_out(4000)[:30], None),
        (b"", None),
        (b"RIFF\0\0\0\0WAVE" + 200 * chunk(b"LIST", b""), None),
    ],
)
def test_what_a_header_promises(tmp_path: Path, content: bytes, frames: int | None) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    assert read_claimed_frames(path) == frames


def test_a_file_that_is_not_there_promises_nothing(tmp_path: Path) -> None:
    assert read_claimed_frames(tmp_path / "a.wav") is None


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_it_agrees_with_the_sound_library(tmp_path: Path, container: str, subtype: str) -> None:
    """libsndfile, a general-purpose library, writes the header."""
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros((777, 2)), _RATE_HZ, subtype=subtype, format=container)
    assert read_claimed_frames(path) == 777


@pytest.mark.parametrize(("kept_s", "told"), [(2.0, True), (3.0, False)])
def test_measure_and_diagnose_tell_a_file_that_is_cut_short(
    tmp_path: Path, kept_s: float, told: bool
) -> None:
    time_s = np.arange(3 * _RATE_HZ) / _RATE_HZ
    path = tmp_path / "half.wav"
    soundfile.write(path, 0.3 * ((time_s % 0.015) < 0.0015), _RATE_HZ, subtype="PCM_16")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) - round((3.0 - kept_s) * _RATE_HZ) * 2])
    measured = answer(run_here("measure", path, "--json", cwd=tmp_path))
    [input_] = measured["files"][0]["inputs"]
    assert input_["duration_s"] == pytest.approx(kept_s, abs=1e-4)
    assert ("cut-short" in [one["code"] for one in input_["warnings"]]) is told
    diagnosed = answer(run_here("diagnose", path, "--json", cwd=tmp_path))
    assert [one["code"] for one in diagnosed["warnings"]] == ["cut-short"] * told
    shown = run_here("diagnose", path, cwd=tmp_path)
    assert ("promises 3.0 s, 2.0 s are there" in " ".join(shown.out.split())) is told


def test_a_signal_is_named_in_a_vcd_file_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(100), _RATE_HZ)
    outcome = run_here("measure", path, "--signal", "pulse", cwd=tmp_path)
    assert outcome.status == 2
    assert "holds no signals by name" in outcome.err


def test_the_claim_is_the_samples_count(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(lay_out(40_000, held=4_000))
    recording = open_recording(path)
    assert not isinstance(recording, tuple)
    assert recording.frame_count == 10_000
    assert sum(len(block) for block in recording.blocks()) == 1_000
