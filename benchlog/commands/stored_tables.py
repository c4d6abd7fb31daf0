"""The calibration tables of a bench folder, read back; those that cannot be are told of."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.capture.small_files import Fault, read_small_text
from benchlog.commands.points import BEYOND_STOP_DEG
from benchlog.errors import BenchlogError, StoreError

if TYPE_CHECKING:
    from benchlog.calibration.table_text import StoredTable
    from benchlog.capture.store import Bench

__all__ = ["find_table", "read_newest", "read_table", "read_tables"]

_LARGEST = 1 << 24
_FAULTS: dict[Fault, tuple[str, str]] = {
    "long": ("a calibration table of some lines", "restoring the file as it was written"),
    "coding": ("a calibration table in UTF-8", "restoring the file, or saving it as UTF-8"),
    "unreadable": ("a calibration table", "changing its permissions, or restoring it"),
}
_SAME_S = 1e-6


def read_tables(bench: Bench, channel: str) -> tuple[list[StoredTable], list[BenchlogError]]:
    """Read all calibration tables of a channel.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    channel : str
        The channel.

    Returns
    -------
    tuple
        The tables, the earliest sweep first, a sweep that was calibrated again once, as it was
        last; and the errors of those that cannot be read.

    Raises
    ------
    StoreError
        The channel has no table at all, or its folder cannot be read.
    """
    paths = bench.table_paths(channel)
    if not paths:
        raise StoreError(
            f"there is no calibration table of {channel} in {bench.calibration / channel}",
            expected="one table or more",
            attempt=f"benchlog calibrate {channel}",
        )
    tables: list[StoredTable] = []
    failures: list[BenchlogError] = []
    for path in paths:
        try:
            table = read_table(path, channel)
        except BenchlogError as error:
            failures.append(error)
            continue
        tables = [one for one in tables if not _same_sweep(one, table)]
        tables.append(table)

    return sorted(tables, key=lambda table: (_taken_stamp(table), table.stamp)), failures


def read_newest(bench: Bench, channel: str) -> StoredTable:
    """Read the newest calibration table of a channel, a line for each that cannot be read.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    channel : str
        The channel.

    Returns
    -------
    StoredTable
        That of its newest sweep.

    Raises
    ------
    StoreError, DesignError
        There is no table, or none that can be read.
    """
    from benchlog.show.terminal import warn

    tables, failures = read_tables(bench, channel)
    if not tables:
        raise failures[0]
    for failure in failures:
        warn(str(failure))
    return tables[-1]


def _taken_stamp(table: StoredTable) -> str:
    """Return the stamp of a table's sweep; empty where nothing tells."""
    from benchlog.calibration.drift import taken_at

    taken = taken_at(table)
    return "" if taken is None else taken.strftime("%Y%m%dT%H%M%SZ")


def read_table(path: Path, channel: str) -> StoredTable:
    """Read one table.

    Parameters
    ----------
    path : Path
        The file.
    channel : str
        Whose it should be.

    Returns
    -------
    StoredTable
        The table.

    Raises
    ------
    StoreError
        It cannot be read, is wrong, or is another channel's; file, line and value are named.
    DesignError
        The design in it is wrong.
    """
    from benchlog.calibration.table_text import parse_table
    from benchlog.channel.design import parse_design

    def refuse(fault: Fault, found: str) -> StoreError:
        expected, attempt = _FAULTS[fault]
        return StoreError(f"{path} {found}", expected=expected, attempt=attempt)

    text = read_small_text(path, _LARGEST, refuse)
    table = parse_table(text, str(path))
    if table.channel != channel:
        raise StoreError(
            f"{path} names channel '{table.channel}'",
            expected=f"'{channel}', as its folder does",
            attempt="moving the table into its channel's folder",
        )
    if not table.rows:
        raise StoreError(
            f"{path} has no rows",
            expected="a row for each mark",
            attempt="restoring the file, or moving it elsewhere and calibrating again",
        )
    design = parse_design(table.design_text, f"the design in {path}")
    most_deg = design.knob.travel_deg
    for row in table.rows:
        if not -BEYOND_STOP_DEG <= row.knob_deg <= most_deg + BEYOND_STOP_DEG:
            raise StoreError(
                f"{path} has a mark at {row.knob_deg:g} degrees of a knob that turns "
                f"{most_deg:g}, as the design in it says",
                expected=f"marks from 0 to {most_deg:g} degrees",
                attempt="restoring the file, or moving it elsewhere and calibrating again",
            )
    return table


def _same_sweep(one: StoredTable, other: StoredTable) -> bool:
    """Tell whether two tables were made of the same records."""
    names = [[row.source for row in table.rows] for table in (one, other)]
    if names[0] != names[1] or not all(names[0]):
        return False
    return all(
        abs(a.pulse_s - b.pulse_s) < _SAME_S for a, b in zip(one.rows, other.rows, strict=True)
    )


def find_table(tables: list[StoredTable], named: str) -> StoredTable:
    """Find the earlier table that is meant.

    Parameters
    ----------
    tables : list of StoredTable
        The channel's tables; the last one is the newest, which is not meant.
    named : str
        The stamp at which it was made or its sweep was taken, or a day, as ``20260901`` or
        ``2026-09-01``.

    Returns
    -------
    StoredTable
        The newest of then.

    Raises
    ------
    StoreError
        There is none, or it is the newest itself.
    """
    wanted = named.replace("-", "").removesuffix(".csv")
    others = [
        table
        for table in tables[:-1]
        if wanted and (table.stamp.startswith(wanted) or _taken_stamp(table).startswith(wanted))
    ]
    if others:
        return others[-1]
    stamps = [table.stamp for table in tables[:-1]]
    known = ", ".join(stamps[-5:]) or "none: there is but one table"
    last = stamps[-1] if stamps else "design"
    raise StoreError(
        f"{tables[-1].channel} has no earlier table {named}",
        expected=f"the stamp of one ({known}), or 'design'",
        attempt=f"--against {last}",
    )
