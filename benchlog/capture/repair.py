"""Completing a recording that a crash, a kill or a power cut broke off.

What was recorded is not touched. In a WAV file the sizes in the header are raised to the last
whole frame that is there; of an edge table a last row that does not end is cut off and
kept in the sidecar's history. Then the checksum is taken, and the sidecar says when this was done.
A recording that is still being made is left alone: whoever makes it holds a lock.
"""

from __future__ import annotations

import dataclasses
import glob
import logging
import os
from datetime import UTC, datetime
from pathlib import Path

from benchlog.capture.claims import update_sidecar
from benchlog.capture.csv_writer import whole_rows
from benchlog.capture.locks import is_locked
from benchlog.capture.new_files import checksum_of, store_error
from benchlog.capture.packing import same_samples
from benchlog.capture.sidecar import Change, read_sidecar, sidecar_path
from benchlog.capture.store import Record
from benchlog.capture.wave_file import complete_header, read_shape
from benchlog.errors import RecordingError, StoreError, one_line

__all__ = ["is_broken_off", "repair_record"]

_LOGGER = logging.getLogger(__name__)
_NOTHING = "broken off before anything was recorded"
_WHY = "broken off while it was recorded; completed when it was next opened"
_TAIL_BYTES = 1 << 12
_KEPT_BYTES = 200
_ROWS = 3


def is_broken_off(path: Path) -> bool:
    """Tell whether a recording's sidecar calls it unfinished though nobody records it any more."""
    return _broken_off(path) is not None


def _broken_off(path: Path) -> Record | None:
    """Return an unfinished record that nobody holds.

    Whoever makes it takes the lock before it has a name and writes the finished sidecar before
    giving the lock back. So the sidecar counts as it is read after the lock was looked at.
    """
    if _unfinished(path) is None:
        return None
    files = {path, path.with_suffix(".wav")}  # the WAV file is held while a FLAC is made of it
    return None if any(is_locked(file) for file in files) else _unfinished(path)


def _unfinished(path: Path) -> Record | None:
    beside = sidecar_path(path)
    try:
        if beside == path or not beside.is_file():
            return None
        sidecar = read_sidecar(beside)
    except (
        OSError,
        ValueError,
        RecordingError,
    ):  # who reads it for its own sake tells what is wrong
        return None
    return Record(path, sidecar) if sidecar.unfinished else None


def repair_record(path: Path) -> Record | None:
    """Complete a recording that was broken off, and log a warning that says so.

    Parameters
    ----------
    path : Path
        A recording in a bench folder, or any other file.

    Returns
    -------
    Record or None
        As it is now. None where there was nothing to do, or the folder cannot be written; then
        it can be read as it is.
    """
    record = _broken_off(path)
    if record is None:
        return None
    try:
        completed, length_s = _complete(record)
    except (OSError, StoreError) as exc:
        told = exc if isinstance(exc, StoreError) else store_error(exc, path)
        _warn(f"{path} was broken off while it was recorded, and cannot be completed: {told.found}")
        return None
    _warn(
        f"{path} was broken off while it was recorded; "
        + (f"the {length_s:.1f} s that are there were kept" if length_s else "nothing is there")
    )
    return completed


def _warn(text: str) -> None:
    _LOGGER.warning("%s", one_line(text))


def _complete(record: Record) -> tuple[Record, float]:
    path, sidecar = record.path, record.sidecar
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    changes = [Change(now, "unfinished", True, False, _WHY)]
    if path.suffix == ".csv":
        length_s, tail = _cut_last_row(path)
        if tail:
            changes.append(Change(now, "last row", tail.decode("latin-1"), None, "it had no end"))
    else:
        length_s = _complete_sound(path)
    path = _packed(path)
    finished = dataclasses.replace(
        sidecar,
        unfinished=False,
        sha256=checksum_of(path),
        history=(*sidecar.history, *changes),
        set_aside=sidecar.set_aside or (None if length_s else _NOTHING),
    )
    completed = update_sidecar(Record(path, sidecar), finished)
    if path != record.path:
        record.path.unlink()
    for part in path.parent.glob(f".{glob.escape(path.stem)}.*.part"):
        if part.is_file():  # what was about to take the place of another file
            part.unlink()
    return completed, length_s


def _complete_sound(path: Path) -> float:
    complete_header(path)
    shape = read_shape(path)
    return shape.claimed_frames / shape.rate_hz if shape else 1.0


def _packed(path: Path) -> Path:
    """Return the FLAC file that had been made of a WAV file just before the crash, if so."""
    packed = path.with_suffix(".flac")
    if path.suffix != ".wav" or not packed.exists() or not same_samples(path, packed):
        return path
    return packed


def _cut_last_row(path: Path) -> tuple[float, bytes]:
    """Cut off a last row without an end; return the time of the last row, and what was cut."""
    with path.open("r+b") as file:
        start = size = file.seek(0, os.SEEK_END)
        data = b""
        while start > 0 and data.count(b"\n") < _ROWS:
            start = max(0, start - _TAIL_BYTES)
            file.seek(start)
            data = file.read(size - start)
        whole = whole_rows(data)
        if whole < len(data):
            file.truncate(start + whole)
            file.flush()
            os.fsync(file.fileno())
    last = data[:whole].split(b"\r\n")[-2].split(b",")[0] if data.count(b"\r\n") > 1 else b""
    try:
        return float(last), data[whole : whole + _KEPT_BYTES]
    except ValueError:
        return 0.0, data[whole : whole + _KEPT_BYTES]
