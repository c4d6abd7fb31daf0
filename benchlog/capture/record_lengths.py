"""How long a recording is, by its first or last bytes alone: quick enough for long lists."""

from __future__ import annotations

import os
import struct
from io import RawIOBase
from pathlib import Path

__all__ = ["record_length"]

_HEAD_BYTES = 1 << 12
_TAIL_BYTES = 1 << 12


def record_length(path: Path) -> float | None:
    """Return the length of a recording in seconds, without reading it.

    Parameters
    ----------
    path : Path
        A recording.

    Returns
    -------
    float or None
        By the header of a sound file, by the time in the last whole row of an edge table. None
        where it cannot be told in this way.
    """
    try:
        with path.open("rb", buffering=0) as file:
            head = file.read(_HEAD_BYTES)
            if head[:4] == b"fLaC":
                return _flac(head)
            if head[:4] in (b"RIFF", b"RF64"):
                return _wave(head, os.fstat(file.fileno()).st_size)
            if head.removeprefix(b"\xef\xbb\xbf").startswith(b"time_s,level"):
                return _table(file)
    except (OSError, ValueError, struct.error):
        pass
    return None


def _flac(head: bytes) -> float | None:
    # RFC 9639, section 8.2: 20 bits of rate, 3 of channels, 5 of bits, 36 of samples
    packed = int.from_bytes(head[18:26], "big")
    rate_hz, frames = packed >> 44, packed & ((1 << 36) - 1)
    return frames / rate_hz if rate_hz and frames else None


def _wave(head: bytes, size: int) -> float | None:
    at, frame, rate_hz = 12, 0, 0
    while at + 8 <= len(head):
        name, length = struct.unpack_from("<4sI", head, at)
        if name == b"fmt ":
            rate_hz, _, frame = struct.unpack_from("<IIH", head, at + 12)
        if name == b"data":
            there = size - at - 8
            if head[12:16] not in (
                b"JUNK",
                b"ds64",
            ):  # else a crash may have left more than it says
                there = min(there, length)
            return there // frame / rate_hz if frame and rate_hz else None
        at += 8 + length + length % 2
    return None


def _table(source: RawIOBase) -> float | None:
    size = source.seek(0, os.SEEK_END)
    source.seek(max(0, size - _TAIL_BYTES))
    rows = (source.read(_TAIL_BYTES) or b"").replace(b"\r", b"").split(b"\n")
    whole = [row for row in rows[:-1] if row]
    return float(whole[-1].split(b",")[0]) if whole else None
