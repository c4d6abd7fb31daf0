"""What a bench folder holds, newest first, without reading more of it than is asked for.

The names of recordings begin with the stamp of their time, so that the newest of ten thousand are
found by listing folders. A name laid in by hand that does not is read for its time.
"""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from benchlog.capture.new_files import channel_fault
from benchlog.capture.record_lengths import record_length
from benchlog.capture.repair import is_broken_off
from benchlog.capture.sidecar import Sidecar, read_sidecar, stamp_of
from benchlog.capture.store import RECORD_SUFFIXES, Bench, Record
from benchlog.errors import RecordingError, StoreError

__all__ = ["LogEntry", "Wanted", "find_record", "list_entries"]

_STAMP = 16
_STAMPED = re.compile(r"[0-9]{8}T[0-9]{6}Z", re.ASCII)
_NOT_ASIDE = b'"set_aside": null'


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One recording in the list.

    Attributes
    ----------
    path : Path or None
        The recording; None where there is only a sidecar.
    beside : Path
        Its sidecar.
    channel : str
        The channel, by its folder.
    sidecar : Sidecar or None
        What is known of it; None where that cannot be read.
    length_s : float or None
        How long it is, where that can be told at once.
    verdict : str or None
        That of the newest table that holds it.
    is_live : bool
        Whether it is being recorded at this moment.
    """

    path: Path | None
    beside: Path
    channel: str
    sidecar: Sidecar | None
    length_s: float | None
    verdict: str | None
    is_live: bool


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which recordings are asked for; None asks for all.

    Attributes
    ----------
    channel : str or None
        Of this channel.
    since, until : datetime or None
        Recorded at or after, and before.
    verdict : str or None
        With this verdict.
    aside : bool
        Only those that are set aside.
    last : int or None
        So many at most, the newest.
    """

    channel: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    verdict: str | None = None
    aside: bool = False
    last: int | None = None


@dataclass(frozen=True, slots=True)
class _Name:
    """A sidecar by its name: when, where, and what lies beside it."""

    stamp: str
    channel: str
    stem: str
    beside: Path
    found: tuple[str, ...]


def list_entries(bench: Bench, wanted: Wanted) -> tuple[list[LogEntry], int]:
    """List recordings, oldest first.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    wanted : Wanted
        Which ones.

    Returns
    -------
    list of LogEntry
        At most `wanted.last`.
    int
        How many older ones there are that are wanted too.

    Raises
    ------
    StoreError
        A folder cannot be read.
    """
    names = [name for name in _names(bench, wanted.channel) if _is_between(name, wanted)]
    names.sort(key=lambda name: (name.stamp, name.channel, name.stem), reverse=True)
    verdicts = _Verdicts(bench)
    if wanted.aside:
        names = [name for name in names if _is_aside(name.beside)]
    if wanted.verdict is not None:
        names = [name for name in names if verdicts.of(name) == wanted.verdict]
    shown = names if wanted.last is None else names[: wanted.last]
    entries = [_entry(name, verdicts) for name in reversed(shown)]
    return entries, len(names) - len(shown)


def _names(bench: Bench, channel: str | None) -> Iterator[_Name]:
    for folder in _folders(bench.captures, channel):
        beside: list[str] = []
        found: dict[str, list[str]] = {}
        for name in _files(folder):
            stem, dot, suffix = name.rpartition(".")
            if not dot or name.startswith("."):
                continue
            if suffix == "json":
                beside.append(stem)
            elif "." + suffix.lower() in RECORD_SUFFIXES:
                found.setdefault(stem, []).append(name)
        for stem in beside:
            path = folder / f"{stem}.json"
            stamp = stem[:_STAMP] if _STAMPED.match(stem) else _stamp_within(path)
            yield _Name(stamp, folder.name, stem, path, tuple(found.get(stem, ())))


def _folders(captures: Path, channel: str | None) -> list[Path]:
    if channel is not None:
        return [captures / channel] if channel_fault(channel) is None else []
    return [captures / name for name in _files(captures) if channel_fault(name) is None]


def _files(folder: Path) -> list[str]:
    try:
        return sorted(os.listdir(folder))
    except (FileNotFoundError, NotADirectoryError):
        return []
    except OSError as exc:
        raise StoreError(
            f"{folder} cannot be read ({exc.strerror})",
            expected="a folder that you may read",
            attempt="changing its permissions, or another bench folder with --bench FOLDER",
        ) from exc


def _stamp_within(path: Path) -> str:
    try:
        return stamp_of(read_sidecar(path).recorded_at)
    except RecordingError:
        return ""


def _is_between(name: _Name, wanted: Wanted) -> bool:
    since = wanted.since is None or name.stamp >= stamp_of(wanted.since)
    return since and (wanted.until is None or name.stamp < stamp_of(wanted.until))


def _is_aside(path: Path) -> bool:
    try:
        return _NOT_ASIDE not in path.read_bytes() and read_sidecar(path).set_aside is not None
    except (OSError, RecordingError):
        return False


def _entry(name: _Name, verdicts: _Verdicts) -> LogEntry:
    try:
        sidecar = read_sidecar(name.beside)
    except RecordingError:
        sidecar = None
    path = name.beside.with_name(_counting(name.found, sidecar)) if name.found else None
    unfinished = sidecar is not None and sidecar.unfinished
    return LogEntry(
        path=path,
        beside=name.beside,
        channel=name.channel,
        sidecar=sidecar,
        length_s=record_length(path) if path else None,
        verdict=verdicts.of(name),
        is_live=unfinished and path is not None and not is_broken_off(path),
    )


def _counting(found: tuple[str, ...], sidecar: Sidecar | None) -> str:
    """Return which of several files of one stem counts (see `store`)."""
    suffix = ".wav" if sidecar is not None and sidecar.unfinished else ".flac"
    return next((name for name in found if name.endswith(suffix)), found[0])


class _Verdicts:
    """The verdicts of a bench folder's tables, read only as far back as they are asked for."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._tables: dict[str, list[Path]] = {}
        self._known: dict[str, dict[str, str]] = {}

    def of(self, name: _Name) -> str | None:
        """Return the verdict of the newest table that holds a recording."""
        if name.channel not in self._tables:
            folder = self._bench.calibration / name.channel
            self._tables[name.channel] = [
                folder / file
                for file in _files(folder)
                if file.endswith(".csv") and _STAMPED.match(file)
            ]
            self._known[name.channel] = {}
        tables, known = self._tables[name.channel], self._known[name.channel]
        while True:
            for file in name.found:
                if file in known:
                    return known[file]
            # A table that is older than the recording cannot hold it.
            if not tables or tables[-1].name[:_STAMP] < name.stamp:
                return None
            for source, verdict in _read_verdicts(tables.pop()):
                known.setdefault(source, verdict)


def _read_verdicts(path: Path) -> list[tuple[str, str]]:
    """Return file names and verdicts; nothing of a table that cannot be read."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = csv.DictReader(line for line in file if not line.startswith("#"))
            return [(row.get("source") or "", row.get("verdict") or "") for row in rows]
    except (OSError, ValueError, csv.Error):
        return []


def find_record(bench: Bench, named: str) -> Record:
    """Find the one recording that is meant.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    named : str
        The path of the recording or of its sidecar, or its name with or without the channel
        and the suffix: ``heron/20260901T100000Z-0deg``.

    Returns
    -------
    Record
        With its sidecar.

    Raises
    ------
    StoreError
        None or several are meant.
    RecordingError
        Its sidecar is wrong.
    """
    channel, _, last = named.replace("\\", "/").rpartition("/")
    channel = channel.rpartition("/")[2]
    stem, dot, suffix = last.rpartition(".")
    if not dot or f".{suffix.lower()}" not in (*RECORD_SUFFIXES, ".json"):
        stem = last
    meant = [name for name in _names(bench, channel or None) if name.stem == stem and name.found]
    if len(meant) == 1:
        sidecar = read_sidecar(meant[0].beside)
        return Record(meant[0].beside.with_name(_counting(meant[0].found, sidecar)), sidecar)
    if not meant:
        raise StoreError(
            f"there is no recording {named} in {bench.captures}",
            expected="a name such as heron/20260901T100000Z-0deg",
            attempt="benchlog log, to see the names",
        )
    choices = ", ".join(f"{name.channel}/{name.stem}" for name in meant)
    raise StoreError(
        f"{len(meant)} recordings are called {named}",
        expected=f"one of {choices}",
        attempt="the name with its channel before it",
    )
