"""Recordings that grow: claiming a name before there is anything, and changing a sidecar later."""

from __future__ import annotations

import dataclasses
import os
from io import FileIO
from pathlib import Path

from benchlog.capture.locks import open_locked
from benchlog.capture.new_files import (
    claim_name,
    flush_to_disk,
    give_name,
    release_name,
    replace_text,
    store_error,
    write_flushed,
)
from benchlog.capture.sidecar import Sidecar, sidecar_path, sidecar_text
from benchlog.capture.store import RECORD_SUFFIXES, Bench, Record

__all__ = ["claim_record", "update_sidecar"]


def claim_record(bench: Bench, sidecar: Sidecar, suffix: str, head: bytes) -> tuple[Record, FileIO]:
    """Give a recording that begins now its name.

    Its file is locked before anyone can see it: a recording without a lock was broken off.

    Parameters
    ----------
    bench : Bench
        Where to.
    sidecar : Sidecar
        What is known of it so far; it is marked as unfinished.
    suffix : str
        One of `RECORD_SUFFIXES`.
    head : bytes
        What the file begins with.

    Returns
    -------
    Record
        A name of its own, with its sidecar beside it.
    FileIO
        Its file, to be written on at its end; closing it gives the lock back.

    Raises
    ------
    StoreError
        The folder cannot be written.
    """
    bench.design_path(sidecar.channel)  # refuses a name that is none
    folder = bench.captures / sidecar.channel
    wanted = f"{sidecar.stamp}-{sidecar.knob_deg:g}deg"
    known = dataclasses.replace(sidecar, unfinished=True, sha256=None)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        stem, part = claim_name(folder, wanted, RECORD_SUFFIXES)
        final = folder / f"{stem}{suffix}"
        try:
            written, beside = part / f"record{suffix}", part / "record.json"
            written.write_bytes(head)
            write_flushed(beside, sidecar_text(known))
            file = _name_locked(written, final)
            try:
                give_name(beside, sidecar_path(final))
            except OSError:
                file.close()
                final.unlink()
                raise
        finally:
            release_name(part, keep=False)
        flush_to_disk(folder)
    except OSError as exc:
        raise store_error(exc, folder / wanted) from exc
    return Record(final, known), file


def _name_locked(written: Path, final: Path) -> FileIO:
    """Give a file its name with its lock on it; on Windows an open file may not be renamed."""
    if os.name == "nt":
        give_name(written, final)
        return open_locked(final)
    file = open_locked(written)
    try:
        give_name(written, final)
    except OSError:
        file.close()
        raise
    return file


def update_sidecar(record: Record, sidecar: Sidecar) -> Record:
    """Replace a recording's sidecar, so that the old one or the new one is there.

    Parameters
    ----------
    record : Record
        The recording.
    sidecar : Sidecar
        What is known of it now.

    Returns
    -------
    Record
        With the new sidecar.

    Raises
    ------
    StoreError
        The folder cannot be written, or is not there any more.
    """
    path = sidecar_path(record.path)
    try:
        replace_text(path, sidecar_text(sidecar))
    except OSError as exc:
        raise store_error(exc, path) from exc
    return Record(record.path, sidecar)
