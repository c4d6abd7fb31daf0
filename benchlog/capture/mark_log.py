"""Marks: readings that a person chose to keep, a line of JSON each.

::

    captures/<channel>/marks.jsonl

Lines are only ever added. One is written in a single call to a file that is opened for
appending, so lines of several processes do not mix; where a crash cut the last line short, the
next one begins on a line of its own, and `read_marks` passes over what is no JSON.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from benchlog.capture.new_files import store_error
from benchlog.capture.store import Bench
from benchlog.errors import RecordingError, StoreError

__all__ = ["append_mark", "marks_path", "read_marks"]

_LONGEST = 1 << 16


def marks_path(bench: Bench, channel: str) -> Path:
    """Return where the marks of a channel lie, whether or not there are any.

    Raises
    ------
    StoreError
        The channel's name cannot be a folder's.
    """
    bench.design_path(channel)  # refuses a name that leads elsewhere
    return bench.captures / channel / "marks.jsonl"


def append_mark(bench: Bench, channel: str, content: dict[str, Any]) -> Path:
    """Add a mark.

    Parameters
    ----------
    bench : Bench
        Where to.
    channel : str
        The channel's name.
    content : dict
        What JSON can hold, its numbers finite.

    Returns
    -------
    Path
        The file that it was added to.

    Raises
    ------
    ValueError
        A number is not finite.
    StoreError
        The file cannot be written; what it held before is as it was.
    """
    path = marks_path(bench, channel)
    line = json.dumps(content, allow_nan=False, ensure_ascii=True).encode() + b"\n"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        flags = os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
        handle = os.open(path, flags, 0o666)
        try:
            size = os.fstat(handle).st_size
            if size and not _ends_a_line(handle, size):
                line = b"\n" + line
            written = os.write(handle, line)
            if written != len(line):
                raise StoreError(
                    f"the disk of {path.parent} is full",
                    expected="room for a mark",
                    attempt="freeing some space, and marking again",
                )
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as exc:
        raise store_error(exc, path) from exc
    return path


def _ends_a_line(handle: int, size: int) -> bool:
    """Tell whether a file ends with a line break."""
    os.lseek(handle, size - 1, os.SEEK_SET)
    return os.read(handle, 1) == b"\n"


def read_marks(bench: Bench, channel: str) -> list[dict[str, Any]]:
    """Return the marks of a channel, oldest first; what is no mark is passed over.

    Raises
    ------
    RecordingError
        The file is there and cannot be read.
    """
    path = marks_path(bench, channel)
    marks = []
    try:
        with path.open("rb") as file:
            while raw := file.readline(_LONGEST):
                try:
                    content = json.loads(raw)
                except (ValueError, RecursionError):
                    continue
                if isinstance(content, dict):
                    marks.append(content)
    except FileNotFoundError:
        return []
    except OSError as exc:
        raise RecordingError(
            f"{path} cannot be read ({exc.strerror})",
            expected="a file of marks",
            attempt="changing its permissions",
        ) from exc
    return marks
