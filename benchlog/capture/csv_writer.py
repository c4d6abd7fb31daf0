"""Appending edges to a table ``time_s,level`` as they come (see `csv_files`)."""

from __future__ import annotations

import contextlib
import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from io import FileIO

    from benchlog.capture.stream import EdgeBlock

__all__ = ["CSV_HEAD", "EdgeWriter", "whole_rows"]

CSV_HEAD = b"time_s,level\r\n"


class EdgeWriter:
    """Appends rows to a file that begins with `CSV_HEAD`.

    Parameters
    ----------
    file : FileIO
        The file, with no rows yet, open for reading and writing without a buffer; it is closed at
        the end.

    Attributes
    ----------
    count : int
        Edges that were written.
    last_s : float
        Time of the last of them, in seconds.
    """

    def __init__(self, file: FileIO) -> None:
        self._file = file
        self._whole = self._file.seek(0, os.SEEK_END)
        self.count = 0
        self.last_s = 0.0

    def write(self, block: EdgeBlock) -> None:
        """Append edges; OSError where the disk takes no more, and then only whole rows count."""
        first = not self.count and bool(block.level.size)
        rows = [f"0.0,{int(not block.level[0])}\r\n"] if first else []  # the level at the start
        for time_s, level in zip(block.time_s.tolist(), block.level.tolist(), strict=True):
            rows.append(f"{time_s!r},{int(level)}\r\n")
        data, done = "".join(rows).encode("ascii"), 0
        self._file.seek(self._whole)
        try:
            while done < len(data):
                done += self._file.write(data[done:])
        finally:
            whole = whole_rows(data[:done])
            self._whole += whole
            count = max(0, data[:whole].count(b"\n") - first)
            self.count += count
            if count:
                self.last_s = float(block.time_s[count - 1])

    def sync(self) -> None:
        """Flush what was written to the disk."""
        os.fsync(self._file.fileno())

    def finish(self) -> None:
        """Leave whole rows only, and flush them to the disk."""
        self._file.truncate(self._whole)
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Close the file; what was written stays."""
        with contextlib.suppress(OSError):
            self._file.close()


def whole_rows(data: bytes) -> int:
    """Return how many bytes of `data` are whole rows."""
    return data.rfind(b"\n") + 1
