"""`benchlog demo`: the whole job on the simulated stage."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.options import JsonOption
from benchlog.errors import StoreError

if TYPE_CHECKING:
    from benchlog.calibration.identify import Identification
    from benchlog.calibration.table import Table
    from benchlog.capture.store import Bench

__all__ = ["show_demo"]


def show_demo(
    folder: Annotated[
        str | None,
        typer.Argument(
            metavar="FOLDER",
            help="A new or empty folder to keep the stage in; else it is thrown away afterwards.",
            show_default=False,
        ),
    ] = None,
    json_output: JsonOption = False,
) -> int:
    """Make a simulated shadow-puppet stage, record its four channels and calibrate them.

    All figures of the stage are invented. Exit status 0 says that the demo ran, although some
    channels are flagged: that is what it shows.
    """
    with ExitStack() as stack:
        if folder is None:
            place = stack.enter_context(_thrown_away())
        else:
            place = Path(folder)
            _refuse_taken(place)
        results = _make_and_calibrate(place)
        _present(results, None if folder is None else place, json_output)
    return 0


@contextmanager
def _thrown_away() -> Iterator[Path]:
    """Make a folder that is gone afterwards, also where its removal is interrupted (Ctrl-C)."""
    holder = tempfile.TemporaryDirectory(prefix="benchlog-")
    try:
        yield Path(holder.name)
    finally:
        try:
            holder.cleanup()
        except KeyboardInterrupt:
            shutil.rmtree(holder.name, ignore_errors=True)
            raise


def _refuse_taken(place: Path) -> None:
    """Refuse a place that holds something."""
    try:
        taken = place.exists() and (not place.is_dir() or any(place.iterdir()))
        what = "holds something already" if place.is_dir() else "is a file"
    except OSError as error:
        taken, what = True, f"cannot be looked into ({error.strerror})"
    if taken:
        raise StoreError(
            f"{place} {what}",
            expected="a folder that is new or empty, as nothing is overwritten",
            attempt="another name",
        )


def _make_and_calibrate(place: Path) -> list[tuple[Table, Path, Identification | None]]:
    """Record the stage, then calibrate channel after channel as `calibrate` would."""
    from benchlog.capture.stage import STAGE, make_stage
    from benchlog.capture.store import make_bench
    from benchlog.show.terminal import show_progress

    bench = make_bench(place)
    channels = [channel.name for channel in STAGE]
    with show_progress("recording the stage") as advance:
        make_stage(bench, on_progress=lambda done, total, _: advance(done / total))
    return [_calibrate(bench, channel) for channel in channels]


def _calibrate(bench: Bench, channel: str) -> tuple[Table, Path, Identification | None]:
    """Make and store one channel's table."""
    from benchlog.calibration.table import KNOB_READING_DEG, build_table
    from benchlog.capture.store import read_design
    from benchlog.commands.identifying import identify_sources
    from benchlog.commands.points import find_sources, measure_sources, store_table

    design = read_design(bench.design_path(channel))
    sources = find_sources(bench, channel)
    points, failures = measure_sources(design, sources)
    if failures:
        raise failures[0]
    points, found = identify_sources(design, sources, points, KNOB_READING_DEG)
    table = build_table(design, points)
    return table, store_table(bench, table, found), found


def _present(
    results: list[tuple[Table, Path, Identification | None]], kept: Path | None, json_output: bool
) -> None:
    """Show the tables and what is wrong with which channel."""
    from benchlog.calibration.reasons import explain_table
    from benchlog.show.json_output import write_json
    from benchlog.show.table_view import show_table, table_to_json
    from benchlog.show.terminal import key_value_table, show

    if json_output:
        write_json(
            {
                "folder": None if kept is None else str(kept),
                "channels": [
                    table_to_json(table, None if kept is None else str(path), found)
                    for table, path, found in results
                ],
            }
        )
        return
    show(
        "A simulated shadow-puppet stage: four channels on four AA cells. Every figure is invented."
    )
    for table, _, _ in results:
        show("")
        show_table(table, sentences=False)
    show("", "What is wrong with which")
    reasons = [
        (table.channel, " ".join(reason.text for reason in explain_table(table, found)))
        for table, _, found in results
    ]
    show(key_value_table(reasons))
    if kept is not None:
        show("", f"The stage is kept in {kept}: benchlog calibrate heron --bench {kept}")
        show(f"What makes a pulse restless says: benchlog diagnose boat --bench {kept}")
