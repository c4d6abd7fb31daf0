"""`benchlog drift`: what has moved since an earlier table, or from channel to channel."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.options import BenchOption, JsonOption
from benchlog.errors import BenchlogError, StoreError, UsageError

if TYPE_CHECKING:
    from benchlog.calibration.table_text import StoredTable
    from benchlog.capture.store import Bench

__all__ = ["show_drift"]


def show_drift(
    channel: Annotated[
        list[str],
        typer.Argument(
            metavar="CHANNEL",
            help="The channel whose newest table is compared with an earlier one; several channels "
            "are set side by side, the first being what the others should be like.",
            show_default=False,
        ),
    ],
    against: Annotated[
        str | None,
        typer.Option(
            "--against",
            metavar="STAMP|design",
            help="Another table than the one before, such as 20260901T100000Z or 2026-09-01; or "
            "the design.",
            show_default=False,
        ),
    ] = None,
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """Tell what has moved: the newest table against the one before, and against the design.

    For each mark the change with its U and a verdict; for the channel, in a sentence, what moved,
    which part or supply fits, how fast, and when a limit is left at that pace. Exit status 1
    says that something has moved; for channels side by side, that they are not alike.
    """
    from benchlog.capture.store import open_bench

    opened = open_bench(Path(bench) if bench is not None else None)
    if len(channel) > 1:
        if against is not None:
            raise UsageError(
                "--against with several channels",
                expected="one channel, or several without --against",
                attempt="leaving one of the two out",
            )
        return _side_by_side(opened, channel, json_output=json_output)
    return _drift(opened, channel[0], against, json_output=json_output)


def _drift(bench: Bench, channel: str, against: str | None, *, json_output: bool) -> int:
    """Compare one channel's newest table."""
    from benchlog.calibration.drift import compare_tables, compare_with_design
    from benchlog.commands.stored_tables import find_table
    from benchlog.show.drift_view import drift_to_json, show_drift_of
    from benchlog.show.json_output import write_json

    tables, failed = _readable(bench, channel)
    if against == "design" or (against is None and len(tables) == 1):
        result = compare_with_design(tables[-1])
    else:
        earlier = tables[-2] if against is None else find_table(tables, against)
        result = compare_tables(tables, earlier)
    stamps = [table.stamp for table in tables]
    if json_output:
        write_json(drift_to_json(result, stamps))
    else:
        show_drift_of(result, alone=against is None and len(tables) == 1)
    if failed:
        return 2
    return 1 if result.moved.significant else 0


def _side_by_side(bench: Bench, channels: list[str], *, json_output: bool) -> int:
    """Compare the newest tables of several channels."""
    from benchlog.calibration.side_by_side import compare_channels
    from benchlog.show.drift_view import matches_to_json, show_matches
    from benchlog.show.json_output import write_json
    from benchlog.show.terminal import warn

    if len(set(channels)) < len(channels):
        raise UsageError(
            f"a channel twice among {', '.join(channels)}",
            expected="each channel once",
            attempt="leaving one out",
        )
    newest: list[StoredTable] = []
    failed = False
    for name in channels:
        try:
            tables, broken = _readable(bench, name)
        except BenchlogError as error:
            if not newest:
                raise  # the others have nothing to be like
            warn(str(error))
            failed = True
            continue
        failed = failed or broken
        newest.append(tables[-1])
    if len(newest) < 2:
        return 2
    matches = compare_channels(newest)
    if json_output:
        write_json(matches_to_json(newest[0], matches))
    else:
        show_matches(newest[0], matches)
    if failed:
        return 2
    return 1 if any(match.part is not None for match in matches) else 0


def _readable(bench: Bench, channel: str) -> tuple[list[StoredTable], bool]:
    """Read a channel's tables, a line for each that cannot be; and whether there was one."""
    from benchlog.commands.stored_tables import read_tables
    from benchlog.show.terminal import warn

    tables, failures = read_tables(bench, channel)
    if not tables and len(failures) == 1:
        raise failures[0]
    for failure in failures:
        warn(str(failure))
    if not tables:
        raise StoreError(
            f"none of the {len(failures)} calibration tables of {channel} can be read",
            expected="one that can",
            attempt=f"what is said above of each, or benchlog calibrate {channel}",
        )
    return tables, bool(failures)
