"""A bench folder: recordings with their sidecars, designs and tables.

::

    captures/<channel>/<stamp>-<knob>deg.flac|wav|vcd|csv   the recording, never edited
    captures/<channel>/<stamp>-<knob>deg.json               the sidecar: what is known of it
    calibration/<channel>/design.toml                       what the channel should be
    calibration/<channel>/<stamp>.csv                       a calibration table
    calibration/servos/<name>.toml                          a measured servo, see `servo_files`

A recording counts once its sidecar is there, and the sidecar comes last. New files are
written elsewhere in the same folder, flushed to the disk and then linked to
their names, so that a crash at any instant leaves the old state or the new one,
and a name that is taken is never taken again. While a name is
being claimed a hidden folder ``.<stem>.part`` stands for it; what a crash leaves
there is not counted.

A live recording has its name and a sidecar that calls it unfinished from its first sample on (see
`recorder`). A sound recording is packed as FLAC when it ends well: for an instant
both files lie there, and the sidecar says which one counts: the WAV file while it calls the
recording unfinished, the FLAC file afterwards.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from difflib import get_close_matches
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING

from benchlog.capture.new_files import (
    channel_fault,
    checksum_of,
    claim_name,
    flush_to_disk,
    give_name,
    release_name,
    store_error,
    write_flushed,
    write_new_text,
)
from benchlog.capture.sidecar import (
    Sidecar,
    is_stamp,
    kind_of_try,
    read_sidecar,
    sidecar_path,
    sidecar_text,
    stamp_of,
)
from benchlog.capture.small_files import Fault, read_small_text
from benchlog.errors import DesignError, StoreError

if TYPE_CHECKING:
    from benchlog.channel.design import Design
    from benchlog.channel.servo import Servo

__all__ = [
    "Bench",
    "Record",
    "Sidecar",
    "make_bench",
    "open_bench",
    "read_design",
    "read_sidecar",
    "sidecar_path",
    "stamp_now",
    "store_record",
    "write_new_text",
]

RECORD_SUFFIXES = (".flac", ".wav", ".vcd", ".csv", ".log")
"""Suffixes of recordings in a bench folder."""

_FOLDERS = ("captures", "calibration")
_DESIGN_LIMIT = 1 << 20
_DESIGN_FAULTS: dict[Fault, tuple[str, str]] = {
    "long": ("a design file of some lines", "the name of the channel's design.toml"),
    "coding": ("TOML text in UTF-8", "saving it as UTF-8 in a text editor"),
    "unreadable": ("a design.toml", "benchlog new CHANNEL to make one, or another name"),
}


@dataclass(frozen=True, slots=True)
class Record:
    """A recording in a bench folder.

    Attributes
    ----------
    path : Path
        The recording itself.
    sidecar : Sidecar
        What is known of it.
    """

    path: Path
    sidecar: Sidecar


@dataclass(frozen=True, slots=True)
class Bench:
    """A bench folder.

    Attributes
    ----------
    folder : Path
        The folder that holds ``captures`` and ``calibration``.
    """

    folder: Path

    @property
    def captures(self) -> Path:
        """The folder with one folder of recordings per channel."""
        return self.folder / "captures"

    @property
    def calibration(self) -> Path:
        """The folder with one folder of design and tables per channel."""
        return self.folder / "calibration"

    def channels(self) -> list[str]:
        """Return the names of the channels that have recordings or a calibration folder, sorted.

        Raises
        ------
        StoreError
            A folder cannot be read.
        """
        found: set[str] = set()
        for parent in (self.captures, self.calibration):
            for path in _listed(parent):
                if path.is_dir() and channel_fault(path.name) is None:
                    found.add(path.name)
        return sorted(found)

    def design_path(self, channel: str) -> Path:
        """Return where the channel's design file lies, whether or not it is there."""
        return self.calibration / _checked(channel) / "design.toml"

    def new_table_path(self, channel: str, stamp: str) -> Path:
        """Return where a calibration table of that stamp goes; the folder is not made."""
        return self.calibration / _checked(channel) / f"{stamp}.csv"

    def table_paths(self, channel: str) -> list[Path]:
        """Return the channel's calibration tables, oldest first."""
        return [
            path
            for path in _listed(self.calibration / _checked(channel))
            if path.suffix == ".csv" and is_stamp(path.stem[:16])
        ]

    def records(self, channel: str) -> list[Record]:
        """Return the channel's recordings, oldest first, those that were set aside as well.

        A recording that was set aside and is no longer there is left out.

        Raises
        ------
        StoreError
            A folder cannot be read, a sidecar's recording is missing, or it names another
            channel than the folder does.
        RecordingError
            A sidecar is wrong; the file and the key are named.
        """
        paths = _listed(self.captures / _checked(channel))
        beside: dict[str, list[Path]] = {}
        for path in paths:
            if path.suffix.lower() in RECORD_SUFFIXES:
                beside.setdefault(path.stem, []).append(path)
        records = []
        for path in paths:
            if path.suffix == ".json" and not _is_leftover(path):
                sidecar = read_sidecar(path)
                found = beside.get(path.stem, [])
                if found or sidecar.set_aside is None:
                    records.append(Record(_only(found, path, sidecar, channel), sidecar))
        return sorted(records, key=lambda r: (r.sidecar.recorded_at, r.path.stem))

    def loose_recordings(self, channel: str) -> list[Path]:
        """Return the channel's recordings that have no sidecar, sorted by name.

        Raises
        ------
        StoreError
            The folder cannot be read.
        """
        paths = _listed(self.captures / _checked(channel))
        known = {path.stem for path in paths if path.suffix == ".json"}
        return [
            path
            for path in paths
            if path.suffix.lower() in RECORD_SUFFIXES and path.stem not in known
        ]

    def sweep(self, channel: str, stamp: str | None = None) -> list[Record]:
        """Return the recordings of one sweep, oldest first.

        Those that were set aside are left out, and those of something that was tried.

        Parameters
        ----------
        channel : str
            The channel.
        stamp : str, optional
            The stamp of the sweep's start, or a day (``20260901`` or ``2026-09-01``, UTC) for the
            recordings of that day that name no sweep; the newest if None.

        Raises
        ------
        StoreError
            There is no such sweep, or what `records` raises.
        """
        sweeps: dict[str, list[Record]] = {}
        for record in self.records(channel):
            if record.sidecar.set_aside is None and kind_of_try(record.sidecar) is None:
                key = record.sidecar.sweep or record.sidecar.stamp[:8]
                sweeps.setdefault(key, []).append(record)
        if not sweeps:
            raise self._no_records(channel)
        if stamp is None:
            # recordings that were laid into two sweeps leave it to the later sweep's stamp
            newest_key = max(sweeps, key=lambda key: (sweeps[key][-1].sidecar.recorded_at, key))
            return sweeps[newest_key]
        key = stamp if is_stamp(stamp) else stamp.replace("-", "")
        if key not in sweeps:
            newest = sorted(sweeps)[-5:]
            raise StoreError(
                f"channel {channel} has no sweep {stamp}",
                expected=f"one of its {len(sweeps)}, the last ones {', '.join(newest)}",
                attempt=f"--sweep {newest[-1]}",
            )
        return sweeps[key]

    def _no_records(self, channel: str) -> StoreError:
        folder = self.captures / channel
        paths = _listed(folder)
        if not folder.is_dir():
            known = ", ".join(self.channels()[:8]) or "none yet"
            return StoreError(
                f"there are no recordings of channel {channel} in {self.captures}",
                expected=f"a channel that was recorded ({known})",
                attempt=f"benchlog capture {channel}",
            )
        if any(path.suffix == ".json" for path in paths):
            why = "every recording is set aside, or one of a try"
        else:
            loose = sum(path.suffix.lower() in RECORD_SUFFIXES for path in paths)
            why = f"{loose} files without a sidecar" if loose else "the folder is empty"
        return StoreError(
            f"{folder} holds no recording to use ({why})",
            expected="recordings with a sidecar each",
            attempt=f"benchlog capture {channel}, or a sidecar <name>.json beside each file",
        )


def _checked(channel: str) -> str:
    fault = channel_fault(channel)
    if fault:
        raise StoreError(
            f"channel name '{channel}' {fault}",
            expected="letters, digits, '-', '_', '.' and blanks",
            attempt="a name such as heron",
        )
    return channel


def _listed(folder: Path) -> list[Path]:
    """Return what is in a folder, sorted by name, hidden names left out; nothing if not there."""
    try:
        return sorted(path for path in folder.iterdir() if not path.name.startswith("."))
    except FileNotFoundError:
        return []
    except OSError as exc:
        raise StoreError(
            f"{folder} cannot be read ({exc.strerror})",
            expected="a folder that you may read",
            attempt="changing its permissions, or another bench folder with --bench FOLDER",
        ) from exc


def _is_leftover(path: Path) -> bool:
    """Tell whether a sidecar is the empty name that a crash left where links do not work."""
    try:
        return path.stat().st_size == 0
    except OSError:
        return True


def _only(found: list[Path], beside: Path, sidecar: Sidecar, channel: str) -> Path:
    """Return the one recording of a sidecar."""
    if sorted(path.suffix for path in found) == [".flac", ".wav"]:
        counts = ".wav" if sidecar.unfinished else ".flac"
        found = [path for path in found if path.suffix == counts]
    if len(found) != 1:
        names = ", ".join(path.name for path in found) or "no recording"
        raise StoreError(
            f"beside the sidecar {beside} there is {names}",
            expected=f"one file {beside.stem}" + "|".join(RECORD_SUFFIXES),
            attempt='putting the file back, or "set_aside": "recording lost" in the sidecar',
        )
    if sidecar.channel != channel:
        raise StoreError(
            f"sidecar {beside} names channel '{sidecar.channel}'",
            expected=f"'{channel}', as its folder does",
            attempt="correcting the sidecar, or moving it and its recording",
        )
    return found[0]


def stamp_now() -> str:
    """Return the present instant as a stamp in UTC, ``20260901T100000Z``."""
    return stamp_of(datetime.now(UTC))


def open_bench(folder: Path | None = None) -> Bench:
    """Open a bench folder; nothing is made.

    Parameters
    ----------
    folder : Path, optional
        The folder; the one that the environment variable BENCHLOG_BENCH names, or the
        current one, if None.

    Raises
    ------
    StoreError
        There is no such folder, or it has neither ``captures`` nor ``calibration``.
    """
    named = os.environ.get("BENCHLOG_BENCH", "")
    chosen = folder if folder is not None else Path(named or ".")
    what = f"{chosen}" if folder is not None or named else "the current folder"
    # os.path tells of names that no file can have as of names that are not there
    if not os.path.isdir(chosen):
        raise StoreError(
            f"{what} is no folder" if os.path.exists(chosen) else f"{what} is not there",
            expected="a bench folder",
            attempt="--bench FOLDER with one that is there",
        )
    if not any((chosen / name).is_dir() for name in _FOLDERS):
        raise StoreError(
            f"{what} is no bench folder",
            expected="the folders captures or calibration in it",
            attempt="--bench FOLDER, or benchlog new CHANNEL to begin one",
        )
    return Bench(chosen)


def make_bench(folder: Path) -> Bench:
    """Make a bench folder, or complete one, and open it.

    Raises
    ------
    StoreError
        It cannot be made.
    """
    try:
        for name in _FOLDERS:
            (folder / name).mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise store_error(exc, folder / "captures") from exc
    return Bench(folder)


def read_design(path: Path, servos: Mapping[str, Servo] | None = None) -> Design:
    """Read a design file.

    Parameters
    ----------
    path : Path
        The file.
    servos : mapping of str to Servo, optional
        Measured servos that it may name; those of the bench folder that it lies in if None.

    Raises
    ------
    DesignError
        The file cannot be read or is wrong; key, value and line are named.
    """
    from benchlog.capture.servo_files import servos_beside
    from benchlog.channel.design import parse_design

    def refuse(fault: Fault, found: str) -> DesignError:
        expected, attempt = _DESIGN_FAULTS[fault]
        file = path if fault == "long" else f"design file {path}"
        return DesignError(f"{file} {found}", expected=expected, attempt=attempt)

    try:
        text = read_small_text(path, _DESIGN_LIMIT, refuse)
    except DesignError as refusal:
        in_bench = path.name == "design.toml" and path.parent.parent.name == "calibration"
        if in_bench and isinstance(refusal.__cause__, FileNotFoundError):
            raise _no_design(path) from refusal.__cause__
        raise
    return parse_design(text, str(path), servos_beside(path) if servos is None else servos)


def _no_design(path: Path) -> DesignError:
    """Refuse a channel whose design file is not there, proposing the nearest that has one."""
    channel, bench = path.parent.name, Bench(path.parent.parent.parent)
    known = bench.channels()
    designed = [one for one in known if one != channel and bench.design_path(one).is_file()]
    near = get_close_matches(channel, designed, n=1)
    attempt = f"benchlog new {quote(channel)} to make it"
    if channel in known:
        return DesignError(
            f"channel {channel} has no design file", expected=str(path), attempt=attempt
        )
    if near:
        attempt = f"benchlog predict {quote(near[0])}, or that name in any other command"
    return DesignError(
        f"there is no channel {channel}",
        expected=f"one of {', '.join(designed)}"
        if designed
        else f"a design in {bench.calibration}",
        attempt=attempt,
    )


def store_record(
    bench: Bench, sidecar: Sidecar, write: Callable[[Path], Sidecar | None], suffix: str
) -> Record:
    """Add a recording to a bench folder.

    Parameters
    ----------
    bench : Bench
        Where to.
    sidecar : Sidecar
        What is known of it; the name comes from its channel, time and knob angle,
        with ``-2``, ``-3``... where that name is taken. The checksum is filled in.
    write : callable
        Called with the path of a file to make. It may return the sidecar completed with what
        is known only afterwards, such as gaps.
    suffix : str
        One of `RECORD_SUFFIXES`.

    Returns
    -------
    Record
        As it lies in the folder.

    Raises
    ------
    ValueError
        `suffix` is no recording's.
    StoreError
        The folder cannot be written. What `write` had written stays in the hidden folder.
    """
    if suffix not in RECORD_SUFFIXES:
        raise ValueError(f"suffix must be one of {RECORD_SUFFIXES}, got {suffix}")
    folder = bench.captures / _checked(sidecar.channel)
    wanted = f"{sidecar.stamp}-{sidecar.knob_deg:g}deg"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        stem, part = claim_name(folder, wanted, RECORD_SUFFIXES)
        try:
            written, beside = part / f"record{suffix}", part / "record.json"
            known = write(written) or sidecar
            flush_to_disk(written)
            known = dataclasses.replace(known, sha256=checksum_of(written))
            write_flushed(beside, sidecar_text(known))
            final = folder / f"{stem}{suffix}"
            give_name(written, final)
            give_name(beside, sidecar_path(final))
        except BaseException:
            release_name(part, keep=True)
            raise
        release_name(part, keep=False)
        flush_to_disk(folder)
    except OSError as exc:
        raise store_error(exc, folder / wanted) from exc
    return Record(final, known)
