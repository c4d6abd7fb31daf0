"""Edge tables: CSV (RFC 4180) with the header ``time_s,level``.

A row tells the level that holds from its time on. A row with the level of the row
before is no edge, it only says that the level still holds. A first row at time 0
or before tells the level at the start; a first row later than that is an edge.
"""

from __future__ import annotations

import csv
import math
import os
import re
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

import numpy as np

from benchlog.capture.new_files import store_error
from benchlog.errors import RecordingError
from benchlog.recording import EdgeList

__all__ = ["NoChangeError", "read_csv", "write_csv"]

_LINE_LIMIT = 1 << 16
_LATEST_S = 1e12  # seconds since any epoch that is in use are fewer
_CLOSEST_S = 1e-15
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+([eE][+-]?[0-9]+)?", re.ASCII)
_EXPORT = "exporting it again with the columns time_s,level"
_HEADER = "a header row with the columns time_s and level, separated by a comma"


class NoChangeError(RecordingError):
    """A table of edges whose level never changes.

    Parameters
    ----------
    name : str
        The table.
    length_s : float
        How long it is, seconds.
    """

    def __init__(self, name: str, length_s: float) -> None:
        super().__init__(
            f"{name} holds no change of level",
            expected="pulses",
            attempt="checking that the recorder was on the output pin, and recording again",
        )
        self.length_s = length_s


def read_csv(path: Path, *, unfinished: bool = False) -> EdgeList:
    """Read an edge table.

    Parameters
    ----------
    path : Path
        UTF-8 text, with or without a byte order mark, lines ended by LF or CRLF. Columns
        other than ``time_s`` and ``level`` are left out of account.
    unfinished : bool
        Whether the table is still growing or was broken off: then a last row without a line
        break is left out.

    Returns
    -------
    EdgeList
        Seconds as in the file; the resolution is not known.

    Raises
    ------
    RecordingError
        The file is no such table; the row and the value are named. Times that do
        not ascend, a level other than 0 and 1, and no change at all are refused too.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return _read_rows(file, str(path), unfinished)
    except OSError as exc:
        raise RecordingError(
            f"{path} cannot be read ({exc.strerror or exc})",
            expected="a CSV file",
            attempt="checking the name",
        ) from exc
    except UnicodeDecodeError as exc:
        raise _fault(str(path), "is not UTF-8 text", "CSV text in UTF-8") from exc
    except csv.Error as exc:
        raise _fault(str(path), f"is no right CSV ({exc})", "CSV after RFC 4180") from exc


def _fault(name: str, found: str, expected: str) -> RecordingError:
    return RecordingError(f"{name} {found}", expected=expected, attempt=_EXPORT)


def _lines(file: TextIO, name: str, unfinished: bool) -> Iterator[str]:
    while line := file.readline(_LINE_LIMIT):
        if unfinished and not line.endswith("\n"):
            return
        if len(line) == _LINE_LIMIT:
            raise _fault(name, f"has a line of {_LINE_LIMIT} characters or more", "short rows")
        yield line


def _read_rows(file: TextIO, name: str, unfinished: bool) -> EdgeList:
    reader = csv.reader(_lines(file, name, unfinished), strict=True)
    time_column, level_column, width = _find_columns(next(reader, []), name)
    times, levels = array("d"), bytearray()
    first_s, last_s = math.nan, math.nan
    level: bool | None = None
    for row in reader:
        if not row:
            continue
        at = f"row {reader.line_num}"
        if len(row) != width:
            raise _wrong_width(row, width, name, at)
        time_s = _time(row[time_column], name, at)
        if time_s - last_s < _CLOSEST_S:  # false for the first one, whose last_s is NaN
            raise _fault(name, f"has time {time_s:g} after {last_s:g} in {at}", "times that ascend")
        new = _level(row[level_column], name, at)
        begins = level is None and time_s <= 0
        if new is not level and not begins:
            times.append(time_s)
            levels.append(new)
        first_s = time_s if level is None else first_s
        last_s, level = time_s, new
    if not times:
        raise NoChangeError(name, last_s if math.isfinite(last_s) else 0.0)
    return EdgeList(
        time_s=np.array(times, dtype=np.float64),
        level=np.frombuffer(bytes(levels), dtype=np.uint8).astype(np.bool_),
        resolution_s=0.0,
        start_s=first_s,
        end_s=last_s,
        name=Path(name).stem,
    )


def _find_columns(header: list[str], name: str) -> tuple[int, int, int]:
    names = [field.strip() for field in header]
    for column in ("time_s", "level"):
        if names.count(column) != 1:
            line = ",".join(names)
            shown = line if len(line) <= 60 else line[:57] + "..."
            raise _fault(name, f"has the header row '{shown}'", _HEADER)
    return names.index("time_s"), names.index("level"), len(names)


def _wrong_width(row: list[str], width: int, name: str, at: str) -> RecordingError:
    hint = " (a decimal comma?)" if len(row) > width else ""
    return _fault(
        name, f"has {len(row)} fields in {at}{hint}", f"{width} fields and a decimal point"
    )


def _time(text: str, name: str, at: str) -> float:
    value = text.strip()
    if _NUMBER.fullmatch(value) and abs(float(value)) <= _LATEST_S:
        return float(value)
    expected = f"a number of seconds up to {_LATEST_S:g}"
    if _DECIMAL_COMMA.fullmatch(value):
        expected += " with a decimal point, not a comma"
    raise _fault(name, f"has '{value[:40]}' under time_s in {at}", expected)


def _level(text: str, name: str, at: str) -> bool:
    value = text.strip()
    if _NUMBER.fullmatch(value) and float(value) in (0.0, 1.0):
        return float(value) == 1.0
    raise _fault(name, f"has '{value[:40]}' under level in {at}", "0 or 1")


def write_csv(path: Path, edges: EdgeList) -> None:
    """Write an edge list as a new CSV file.

    Parameters
    ----------
    path : Path
        A file that is not there yet.
    edges : EdgeList
        What to write. Where watching began at time 0 or before, a first row tells the
        level then; where it went on after the last edge, a last row tells its end.

    Raises
    ------
    StoreError
        The file is there already or cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(("time_s", "level"))
            writer.writerows(_rows(edges))
            file.flush()
            os.fsync(file.fileno())
    except OSError as exc:
        raise store_error(exc, path) from exc


def _rows(edges: EdgeList) -> Iterator[tuple[str, int]]:
    if not edges.time_s.size:
        return
    first_s, last_s = float(edges.time_s[0]), float(edges.time_s[-1])
    start_s = edges.start_s
    if first_s <= 0 and start_s >= first_s:
        # Else the first edge would be read as the level at the start.
        start_s = min(first_s - (edges.resolution_s or 1e-9), math.nextafter(first_s, -math.inf))
    if start_s <= 0:
        yield repr(float(start_s)), int(not edges.level[0])
    for time_s, level in zip(edges.time_s, edges.level, strict=True):
        yield repr(float(time_s)), int(level)
    if edges.end_s > last_s:
        yield repr(float(edges.end_s)), int(edges.level[-1])
