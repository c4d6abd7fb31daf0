"""A WAV file that is right at any instant while it is being written.

The layout is that of EBU Tech 3306 (RF64): 28 bytes of ``JUNK`` stand where ``ds64`` goes
once the file outgrows 4 GiB, so that the header never moves::

    0  RIFF|RF64, size, WAVE
    12 JUNK|ds64, 28 bytes
    48 fmt, 16 bytes: PCM of 24 bits
    72 data, size
    80 samples

Samples are appended as they come, and every so often the data are flushed to the disk and then
the sizes in the header are raised to what is surely there. What a crash leaves is
therefore a file that any program opens, up to half a second short of what lies in it;
`complete_header` raises its sizes to the last whole frame. No byte of a
sample is ever written twice.
"""

from __future__ import annotations

import contextlib
import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from io import FileIO

    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "HEADER_BYTES",
    "WaveShape",
    "WaveWriter",
    "complete_header",
    "read_shape",
    "wave_header",
]

HEADER_BYTES = 80
RIFF_LIMIT = (1 << 32) - 1
"""The largest size that a RIFF header can hold."""

_SAMPLE_BYTES = 3
_UNKNOWN = 0xFFFFFFFF


def wave_header(rate_hz: int, inputs: int, data_bytes: int, *, limit: int = RIFF_LIMIT) -> bytes:
    """Return the header of a file of 24-bit PCM.

    Parameters
    ----------
    rate_hz, inputs : int
        Frames per second, and columns.
    data_bytes : int
        Bytes of samples.
    limit : int
        From which size of the whole on it is RF64.

    Returns
    -------
    bytes
        `HEADER_BYTES` of them.
    """
    frame = inputs * _SAMPLE_BYTES
    riff_bytes = HEADER_BYTES - 8 + data_bytes + data_bytes % 2
    form = struct.pack(
        "<4sIHHIIHH4s", b"fmt ", 16, 1, inputs, rate_hz, rate_hz * frame, frame, 24, b"data"
    )
    if riff_bytes <= limit:
        start = struct.pack("<4sI4s4sI28x", b"RIFF", riff_bytes, b"WAVE", b"JUNK", 28)
        return start + form + struct.pack("<I", data_bytes)
    sizes = struct.pack("<QQQI", riff_bytes, data_bytes, data_bytes // frame, 0)
    start = struct.pack("<4sI4s4sI", b"RF64", _UNKNOWN, b"WAVE", b"ds64", 28)
    return start + sizes + form + struct.pack("<I", _UNKNOWN)


@dataclass(frozen=True, slots=True)
class WaveShape:
    """What the header of a file in this layout says, and what is there.

    Attributes
    ----------
    rate_hz, inputs : int
        Frames per second, and columns.
    claimed_frames, present_frames : int
        Whole frames by the header, and by the size of the file.
    """

    rate_hz: int
    inputs: int
    claimed_frames: int
    present_frames: int


def read_shape(path: Path) -> WaveShape | None:
    """Read a header in this layout.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    WaveShape or None
        None where the file has another layout.

    Raises
    ------
    OSError
        It cannot be read.
    """
    with path.open("rb") as file:
        head = file.read(HEADER_BYTES)
        size = os.fstat(file.fileno()).st_size
    return _parse(head, size)


def _parse(head: bytes, size: int) -> WaveShape | None:
    if len(head) < HEADER_BYTES:
        return None
    inputs, rate_hz = struct.unpack_from("<HI", head, 58)
    if not 1 <= inputs <= 1024 or rate_hz < 1:
        return None
    claimed: int
    if head[:4] == b"RF64":
        (claimed,) = struct.unpack_from("<Q", head, 28)
        expected = wave_header(rate_hz, inputs, claimed, limit=-1)
    else:
        (claimed,) = struct.unpack_from("<I", head, 76)
        expected = wave_header(rate_hz, inputs, claimed, limit=1 << 40)
    if head != expected:
        return None
    frame = inputs * _SAMPLE_BYTES
    return WaveShape(rate_hz, inputs, claimed // frame, (size - HEADER_BYTES) // frame)


class WaveWriter:
    """Appends samples to a file that begins with a `wave_header`.

    Parameters
    ----------
    file : FileIO
        The file, open for reading and writing without a buffer; it is closed at the end.
    rate_hz, inputs : int
        As in its header.
    limit : int
        From which size of the whole on it is RF64.

    Attributes
    ----------
    frames : int
        Frames that were written.
    """

    def __init__(self, file: FileIO, rate_hz: int, inputs: int, *, limit: int = RIFF_LIMIT) -> None:
        self._rate_hz, self._inputs, self._limit = rate_hz, inputs, limit
        self._file = file
        self._file.seek(0, os.SEEK_END)
        self.frames = (self._file.tell() - HEADER_BYTES) // (inputs * _SAMPLE_BYTES)

    def write(self, values: NDArray[np.int16] | NDArray[np.float32]) -> None:
        """Append frames, shape (n, inputs); OSError where the disk takes no more of them."""
        data = memoryview(_packed(values))
        start = HEADER_BYTES + self.frames * self._inputs * _SAMPLE_BYTES
        done = 0
        self._file.seek(start)
        try:
            while done < len(data):  # a disk that is nearly full takes a part before it refuses
                done += self._file.write(data[done:])
        finally:
            self.frames += done // (self._inputs * _SAMPLE_BYTES)

    def sync(self) -> None:
        """Flush the samples to the disk, then the sizes of them."""
        data_bytes = self.frames * self._inputs * _SAMPLE_BYTES
        if data_bytes % 2:  # an odd chunk would need a byte after it
            data_bytes -= self._inputs * _SAMPLE_BYTES
        _flush(self._file.fileno())
        self._put_header(data_bytes)
        _flush(self._file.fileno())

    def finish(self) -> None:
        """Bring file and header to the last whole frame, and flush them to the disk."""
        data_bytes = self.frames * self._inputs * _SAMPLE_BYTES
        self._file.truncate(HEADER_BYTES + data_bytes)
        self._file.seek(0, os.SEEK_END)
        if data_bytes % 2:
            with contextlib.suppress(OSError):  # a full disk: every reader does without it
                self._file.write(b"\0")
        _flush(self._file.fileno())
        self._put_header(data_bytes)
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Close the file; what was written stays."""
        with contextlib.suppress(OSError):
            self._file.close()

    def _put_header(self, data_bytes: int) -> None:
        self._file.seek(0)
        self._file.write(wave_header(self._rate_hz, self._inputs, data_bytes, limit=self._limit))


def complete_header(path: Path) -> WaveShape | None:
    """Raise the sizes in a header to the last whole frame that is there.

    Parameters
    ----------
    path : Path
        A file that nobody writes to.

    Returns
    -------
    WaveShape or None
        As it was before; None where the file has another layout.

    Raises
    ------
    OSError
        It cannot be written.
    """
    shape = read_shape(path)
    if shape is None or shape.present_frames == shape.claimed_frames:
        return shape
    data_bytes = shape.present_frames * shape.inputs * _SAMPLE_BYTES
    with path.open("r+b", buffering=0) as file:
        if data_bytes % 2 and file.seek(0, os.SEEK_END) == HEADER_BYTES + data_bytes:
            file.write(b"\0")
        file.seek(0)
        file.write(wave_header(shape.rate_hz, shape.inputs, data_bytes))
        os.fsync(file.fileno())
    return shape


def _packed(values: NDArray[np.int16] | NDArray[np.float32]) -> bytes:
    """Return samples as 24-bit little-endian integers."""
    import numpy as np

    if values.dtype == np.int16:
        whole = values.astype("<i4") << 8
    else:
        scaled = np.rint(values.astype(np.float64) * 2.0**23)
        whole = np.clip(scaled, -(2.0**23), 2.0**23 - 1).astype("<i4")
    flat = np.ascontiguousarray(whole, dtype="<i4")
    return flat.view(np.uint8).reshape(-1, 4)[:, :_SAMPLE_BYTES].tobytes()


def _flush(handle: int) -> None:
    (os.fdatasync if hasattr(os, "fdatasync") else os.fsync)(handle)
