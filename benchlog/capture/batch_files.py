"""A batch of copies of one design: one CSV that only ever grows.

::

    calibration/<channel>/batches/<name>.csv

`batch_rows` says what it holds. A copy that is measured again gets another row with the same
number and the next ``repeat``; nothing that was written is changed. A row is written in one call to
a file that is opened for appending, and is on the disk before the next copy is asked for. Where a
crash cut the last row short, the next one begins on a line of its own.
"""

from __future__ import annotations

import os
from pathlib import Path

from benchlog.capture.batch_rows import (
    Batch,
    BatchCopy,
    format_head,
    format_row,
    parse_batch,
    tidy_design,
)
from benchlog.capture.closing import Closing
from benchlog.capture.locks import lock_file
from benchlog.capture.new_files import channel_fault, store_error, write_new_text
from benchlog.capture.store import Bench
from benchlog.errors import RecordingError, StoreError, one_line

__all__ = ["BatchFile", "batch_path", "read_batch"]

_LIMIT = 64 << 20


def batch_path(bench: Bench, channel: str, name: str) -> Path:
    """Return where a batch lies, whether or not it is there.

    Raises
    ------
    StoreError
        The name cannot be a file's.
    """
    fault = channel_fault(name)
    if fault is not None:
        raise StoreError(
            f"a batch named '{one_line(name)[:60]}' {fault}",
            expected="a name of letters, digits, '-', '_' and '.'",
            attempt="a name such as autumn-1",
        )
    return bench.design_path(channel).parent / "batches" / f"{name}.csv"


class BatchFile(Closing):
    """A batch that is being measured: held by this process alone, and added to.

    Parameters
    ----------
    path : Path
        Where it lies; made with its header where it is not there.
    channel : str
        The channel.
    design_text : str
        The design that the copies are measured against.

    Raises
    ------
    StoreError
        It cannot be written, another process adds to it, or it is another channel's.
    RecordingError
        What is there is no batch.
    """

    def __init__(self, path: Path, channel: str, design_text: str) -> None:
        self.path = path
        self._design = design_text
        name = path.stem
        if not path.exists():
            try:
                write_new_text(path, format_head(channel, name, design_text))
            except StoreError:
                if not path.exists():  # else another process made it meanwhile
                    raise
        flags = os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0)
        try:
            self._handle = os.open(path, flags)
        except OSError as exc:
            raise store_error(exc, path) from exc
        try:
            if not lock_file(self._handle):
                raise StoreError(
                    f"{path} is being added to by another process",
                    expected="one that measures a batch at a time",
                    attempt="ending that one, or another name with --batch",
                )
            self.batch = read_batch(path)
            if self.batch.channel != channel:
                raise StoreError(
                    f"{path} is a batch of channel {one_line(self.batch.channel)}",
                    expected=f"a batch of channel {channel}",
                    attempt="another name with --batch",
                )
        except BaseException:
            os.close(self._handle)
            raise

    def close(self) -> None:
        """Let go of the file; a second time does nothing."""
        handle, self._handle = self._handle, -1
        if handle >= 0:
            os.close(handle)

    @property
    def has_another_design(self) -> bool:
        """Whether the batch was begun with another design than it is measured against now."""
        return tidy_design(self.batch.design_text) != tidy_design(self._design)

    def append(self, copy: BatchCopy) -> None:
        """Add a row; it is on the disk when this returns.

        Raises
        ------
        StoreError
            It cannot be written; what the file held before is as it was.
        """
        line = format_row(copy, self._design).encode()
        try:
            size = os.fstat(self._handle).st_size
            if size and not self._ends_a_line(size):
                line = b"\n" + line
            written = os.write(self._handle, line)
            os.fsync(self._handle)
        except OSError as exc:
            raise store_error(exc, self.path) from exc
        if written != len(line):
            raise StoreError(
                f"the disk of {self.path.parent} is full",
                expected="room for a row",
                attempt="freeing some space",
            )
        known = self.batch
        self.batch = Batch(
            known.channel,
            known.name,
            known.design_text,
            (*known.copies, copy),
            known.broken_count,
        )

    def _ends_a_line(self, size: int) -> bool:
        os.lseek(self._handle, size - 1, os.SEEK_SET)
        return os.read(self._handle, 1) == b"\n"


def read_batch(path: Path) -> Batch:
    """Read a batch.

    Parameters
    ----------
    path : Path
        Its file.

    Returns
    -------
    Batch
        Its copies.

    Raises
    ------
    StoreError
        It is not there.
    RecordingError
        It cannot be read, or is no batch.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(_LIMIT + 1)
    except FileNotFoundError as exc:
        raise StoreError(
            f"{path} is not there",
            expected="a batch that was begun",
            attempt="beginning it: confirm with --input or --port and this --batch",
        ) from exc
    except OSError as exc:
        raise RecordingError(
            f"{path} cannot be read ({exc.strerror})",
            expected="a batch",
            attempt="changing its permissions",
        ) from exc
    if len(raw) > _LIMIT:
        raise RecordingError(
            f"{path} holds more than {_LIMIT >> 20} MiB",
            expected="a batch of a few copies",
            attempt="another file",
        )
    return parse_batch(raw.decode("utf-8", "replace"), str(path))
