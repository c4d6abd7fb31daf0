"""Memory stays within 300 MiB whatever a file's header claims and however long its lines are."""

from __future__ import annotations

import json
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.command_line import plain_environment
from tests.fuzz.targets import sound_seeds, wav_bytes

LIMIT_MIB = 300.0

# Runs commands one after the other in one process and prints each status and the peak. The peak
# is that of the process itself: what getrusage tells holds that of the parent before the start.
_MEASURE = """
import contextlib, io, json, resource, sys
from benchlog.__main__ import main
results = []
for words in json.load(sys.stdin):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main(words)
    results.append([status, err.getvalue()])
peak_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
if sys.platform == "darwin":
    peak_kib /= 1024
with contextlib.suppress(OSError):
    lines = open("/proc/self/status").read().split("VmHWM:")
    peak_kib = int(lines[1].split()[0])
json.dump({"results": results, "peak_mib": peak_kib / 1024}, sys.stdout)
"""

_LONG = 100 << 20
_VCD = b"$timescale 1 us $end\n$var wire 1 ! a $end\n"
_PROBE = b"# benchlog-probe ticks_per_s=1000000 width_bits=32 inputs=1\n"


def _rf64(frames: int) -> bytes:
    """Return an RF64 file (EBU Tech 3306) that claims so many 16-bit frames and holds 900."""
    size = 2 * frames
    sizes = struct.pack("<QQQI", size + 72, size, frames, 0)
    return (
        b"RF64" + struct.pack("<I", 0xFFFFFFFF) + b"WAVEds64" + struct.pack("<I", 28) + sizes
        + b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, 48000, 96000, 2, 16)
        + b"data" + struct.pack("<I", 0xFFFFFFFF) + bytes(1800)
    )  # fmt: skip


def _flac_block(kind: int, claimed: int) -> bytes:
    """Return a FLAC file whose second metadata block (RFC 9639, 8.1) claims so many bytes."""
    seed = next(seed for seed in sound_seeds() if seed[:4] == b"fLaC")
    return seed[:4] + bytes([seed[4] & 0x7F]) + seed[5:42] + bytes([kind]) + (
        claimed.to_bytes(3, "big") + seed[42:]
    )  # fmt: skip


def _chunk(name: bytes, claimed: int) -> bytes:
    """Return a WAV file with a chunk before its samples that claims so many bytes."""
    whole = wav_bytes(bytes(1800))
    return whole[:36] + name + struct.pack("<I", claimed) + bytes(8) + whole[36:]


CLAIMS: dict[str, Callable[[], bytes]] = {
    "2^31 frames.wav": lambda: wav_bytes(bytes(1800), claimed=2**32 - 1),
    "2^32 frames.wav": lambda: _rf64(2**32),
    "2^40 frames.wav": lambda: _rf64(2**40),
    "2^62 frames.wav": lambda: _rf64(2**62),
    "65535 inputs.wav": lambda: wav_bytes(bytes(1 << 20), inputs=65535),
    "1024 inputs.wav": lambda: wav_bytes(bytes(1 << 20), inputs=1024, bits=32),
    "64 inputs.wav": lambda: wav_bytes(bytes(64 * 8 * 5000), inputs=64, kind=3, bits=64),
    "rate 0.wav": lambda: wav_bytes(bytes(1800), rate_hz=0),
    "rate 2^31.wav": lambda: wav_bytes(bytes(1800), rate_hz=2**31),
    "rate 2^32.wav": lambda: wav_bytes(bytes(1800), rate_hz=2**32 - 1),
    "long LIST.wav": lambda: _chunk(b"LIST", 2**31),
    "long fmt.wav": lambda: _chunk(b"fmt ", 2**31),
    "long bext.wav": lambda: _chunk(b"bext", 2**32 - 2),
    "long cue.wav": lambda: _chunk(b"cue ", 2**30),
    "long smpl.wav": lambda: _chunk(b"smpl", 2**30),
    **{
        f"block {kind}.flac": lambda kind=kind: _flac_block(kind, 2**24 - 1)  # type: ignore[misc]
        for kind in (1, 2, 3, 4, 5, 6, 126)
    },
    "long ID3.flac": lambda: b"ID3\x04\0\0\x7f\x7f\x7f\x7f" + sound_seeds()[6],
    "many fields.csv": lambda: b"time_s,level" + b",x" * 30_000 + b"\n" + b"1," * 30_001,
    "many signals.vcd": lambda: _VCD + b"".join(
        b"$var wire 1 v%d %s%d $end\n" % (number, b"x" * 600, number) for number in range(30_000)
    ),
    "deep scopes.vcd": lambda: _VCD + b"$scope module aaaaaaaaaaaa $end\n" * 300_000,
    "many blocks.json": lambda: b'{"a":' + b"[" * 900_000,
}  # fmt: skip


def _run(folder: Path, commands: list[list[str]]) -> tuple[list[tuple[int, str]], float]:
    """Run commands in one process; return their ends and the peak of its memory in MiB."""
    done = subprocess.run(
        [sys.executable, "-c", _MEASURE],
        cwd=folder,
        env=plain_environment(),
        input=json.dumps(commands),
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    return [(status, err) for status, err in answer["results"]], answer["peak_mib"]


def _check(ends: list[tuple[int, str]], peak_mib: float) -> None:
    for status, err in ends:
        assert status in (0, 1, 2), err
        assert len(err.splitlines()) == (status == 2), err[:500]
        assert len(err) < 1500
    assert peak_mib < LIMIT_MIB


def test_whatever_a_header_claims(tmp_path: Path) -> None:
    pytest.importorskip("resource")
    for name, make in CLAIMS.items():
        (tmp_path / name).write_bytes(make())
    sidecar = (tmp_path / "many blocks.json").rename(tmp_path / "rate 0.json")
    assert sidecar.is_file()
    names = [name for name in CLAIMS if not name.endswith(".json")]
    _check(*_run(tmp_path, [["measure", name] for name in names]))


@pytest.mark.parametrize("filling", [b"a", b"\0", b"1", b" ", b'"', b"\xff"], ids=repr)
def test_a_line_of_100_megabytes(tmp_path: Path, heron_text: str, filling: bytes) -> None:
    pytest.importorskip("resource")
    heads = {
        "a.csv": b"time_s,level\n0,0\n1,",
        "b.csv": b'time_s,level\n0,"',
        "c.csv": b"",
        "a.vcd": _VCD + b"$enddefinitions $end\n#1\n1!\n#",
        "b.vcd": _VCD + b"$comment ",
        "c.vcd": b"$var wire 1 ",
        "a.log": _PROBE + b"1 1\n",
        "b.log": _PROBE[:-1] + b" ",
        "a.toml": heron_text.encode() + b"# ",
    }
    names = list(heads)
    for name, head in heads.items():
        with (tmp_path / name).open("wb") as file:
            file.write(head)
            if filling == b"\0":
                file.truncate(_LONG)  # a file with a hole costs no disk
            else:
                for _ in range(_LONG >> 20 if filling == b"a" and name[0] == "a" else 4):
                    file.write(filling * (1 << 20))
    commands = [["measure", name] for name in names if name.endswith((".csv", ".vcd", ".log"))]
    commands.append(["predict", "a.toml"])
    _check(*_run(tmp_path, commands))


def test_a_long_silence_in_a_small_file(tmp_path: Path) -> None:
    # ten minutes of eight inputs, 115 MB as samples, that FLAC packs into some hundred kilobytes
    import soundfile

    pytest.importorskip("resource")
    with soundfile.SoundFile(tmp_path / "a.flac", "w", 8000, 8, "PCM_16", format="FLAC") as file:
        for _ in range(60):
            file.write(np.zeros((80_000, 8), dtype=np.int16))
    assert (tmp_path / "a.flac").stat().st_size < 1 << 20
    _check(*_run(tmp_path, [["measure", "a.flac"]]))
