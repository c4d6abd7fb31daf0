"""How much sound a WAV file's header promises, which may be more than the file holds.

RIFF and RF64 as in EBU Tech 3306: chunks of four letters and a size; the size of ``data`` is that
of the samples, and where it does not fit into 32 bits it stands in ``ds64``.
"""

from __future__ import annotations

import struct
from pathlib import Path

__all__ = ["read_claimed_frames"]

_MOST_CHUNKS = 64
_UNKNOWN_BYTES = 0x7FFF0000
"""Programs that write to a pipe put the largest size there that they can hold: no promise."""


def read_claimed_frames(path: Path) -> int | None:
    """Read how many frames a WAV or RF64 file's header promises.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    int or None
        None where the header does not say, or the file is no such file.
    """
    try:
        with path.open("rb") as file:
            magic, _, form = struct.unpack("<4sI4s", file.read(12))
            order = {b"RIFF": "<", b"RF64": "<", b"BW64": "<", b"RIFX": ">"}.get(magic)
            if order is None or form != b"WAVE":
                return None
            frame_bytes = long_bytes = 0
            for _ in range(_MOST_CHUNKS):
                name, size = struct.unpack(f"{order}4sI", file.read(8))
                if name == b"data":
                    claimed = long_bytes or (size if size < _UNKNOWN_BYTES else 0)
                    return claimed // frame_bytes if claimed and frame_bytes else None
                body = file.read(min(size, 32))
                if name == b"fmt ":
                    frame_bytes = struct.unpack_from(f"{order}H", body, 12)[0]
                elif name == b"ds64":
                    long_bytes = struct.unpack_from("<Q", body, 8)[0]
                file.seek(size - len(body) + size % 2, 1)
    except (OSError, ValueError, struct.error):
        pass
    return None
