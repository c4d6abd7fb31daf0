"""`benchlog measure`: the pulses of recordings."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchlog.commands.options import JsonOption, Level, read_level
from benchlog.errors import BenchlogError, StoreError, one_line

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchlog.timing.pulses import Measurement

__all__ = ["measure_files"]

_WORTH_SHARING_BYTES = 20_000_000
"""Starting other processes takes as long as measuring some minutes of sound."""

_Task = tuple[str, Level | None, str | None]


def measure_files(
    files: Annotated[
        list[str],
        typer.Argument(
            metavar="FILE",
            help="Recordings: WAV, RF64, FLAC, VCD, or CSV of time_s,level.",
            show_default=False,
        ),
    ],
    active: Annotated[
        str | None,
        typer.Option(
            "--active",
            metavar="high|low",
            help="Which level is the pulse; else the sidecar says, else the shorter part is.",
            show_default=False,
        ),
    ] = None,
    signal: Annotated[
        str | None,
        typer.Option(
            "--signal",
            metavar="NAME",
            help="The signal to take from a VCD file that holds several.",
            show_default=False,
        ),
    ] = None,
    pulses: Annotated[
        str | None,
        typer.Option(
            "--pulses",
            metavar="OUT.csv",
            help="Also write a row a pulse to this file, which must not be there yet.",
            show_default=False,
        ),
    ] = None,
    json_output: JsonOption = False,
) -> int:
    """Measure the pulses of recordings: width, period, duty cycle, jitter.

    The figure behind ± is U, two standard uncertainties. Exit status 1 says that a warning spoils
    the figures, 2 that a file could not be measured (the others are still shown).
    """
    level = read_level(active)
    if pulses is not None:
        _refuse_existing(Path(pulses))
    measured, failed = _measure_all(files, level, signal)
    if pulses is not None and measured:
        _write_pulses(Path(pulses), measured)
    if measured:
        _present(measured, json_output)
    if failed:
        return 2
    notices = [n for _, results in measured for m in results for n in m.notices]
    return 1 if any(notice.spoils for notice in notices) else 0


def _measure_all(
    files: list[str], level: Level | None, signal: str | None
) -> tuple[list[tuple[str, tuple[Measurement, ...]]], bool]:
    """Measure the files; tell a failing one in its line and go on."""
    from benchlog.show.terminal import show_progress, warn

    measured: list[tuple[str, tuple[Measurement, ...]]] = []
    failures: list[str] = []
    with show_progress("measuring") as advance:
        outcomes = _measure_each([(file, level, signal) for file in files])
        for index, (file, outcome) in enumerate(zip(files, outcomes, strict=True)):
            advance((index + 1) / len(files))
            if isinstance(outcome, str):
                failures.append(outcome)
            else:
                measured.append((file, outcome))
    for failure in failures:
        warn(failure)
    return measured, bool(failures)


def _measure_each(work: list[_Task]) -> Iterator[tuple[Measurement, ...] | str]:
    """Measure in the files' order, side by side on all cores where that is worth it."""
    workers = min(len(work), os.cpu_count() or 1)
    if workers < 2 or sum(_size(file) for file, _, _ in work) < _WORTH_SHARING_BYTES:
        yield from map(_measure_one, work)
        return
    import multiprocessing

    with multiprocessing.Pool(workers, initializer=_leave_interrupts) as pool:
        yield from pool.imap(_measure_one, work)


def _measure_one(task: _Task) -> tuple[Measurement, ...] | str:
    """Measure one file, or return the line that says why not."""
    from benchlog.commands.recordings import measure_file

    file, level, signal = task
    try:
        return measure_file(Path(file), level=level, signal=signal)
    except BenchlogError as error:
        return str(error)


def _leave_interrupts() -> None:
    """Leave Ctrl-C to the process that shares the work out."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _size(file: str) -> int:
    """Return a file's size in bytes, 0 where it cannot be had."""
    try:
        return os.stat(file).st_size
    except (OSError, ValueError):
        return 0


def _present(measured: list[tuple[str, tuple[Measurement, ...]]], json_output: bool) -> None:
    """Show the results one way or the other."""
    from benchlog.show.json_output import write_json
    from benchlog.show.pulse_view import measurement_to_json, show_measurement

    if json_output:
        content: list[dict[str, Any]] = [
            {"file": file, "inputs": [measurement_to_json(m) for m in results]}
            for file, results in measured
        ]
        write_json({"files": content})
        return
    for file, results in measured:
        show_measurement(file, results)


def _refuse_existing(path: Path) -> None:
    """Refuse a file that is there already, before any work is done."""
    if os.path.lexists(path):
        raise StoreError(
            f"--pulses {path} is there already",
            expected="a name that is not taken, as nothing is overwritten",
            attempt="another name",
        )


def _write_pulses(path: Path, measured: list[tuple[str, tuple[Measurement, ...]]]) -> None:
    """Write a row a pulse."""
    import csv
    import io

    from benchlog.capture.store import write_new_text

    sheet = io.StringIO()
    writer = csv.writer(sheet, lineterminator="\n")
    writer.writerow(["file", "input", "pulse", "start_s", "width_us", "period_us"])
    for file, results in measured:
        for result in results:
            series = result.pulses
            periods = [f"{value * 1e6:.4f}" for value in series.period_s.tolist()] + [""]
            for number, (start_s, width_s) in enumerate(
                zip(series.start_s.tolist(), series.width_s.tolist(), strict=True)
            ):
                cells = [one_line(file), result.input, number + 1, f"{start_s:.9f}"]
                writer.writerow([*cells, f"{width_s * 1e6:.4f}", periods[number]])
    write_new_text(path, sheet.getvalue())
