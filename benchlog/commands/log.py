"""`benchlog log`: what was recorded, and whether it is whole."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.options import BenchOption, JsonOption, read_number
from benchlog.errors import BenchlogError, UsageError

if TYPE_CHECKING:
    from benchlog.capture.store import Bench, Record
    from benchlog.capture.verification import Finding

__all__ = ["show_log"]

_VERDICTS = ("on design", "within part tolerance", "off design", "undecided")
_MOST = 1_000_000


def show_log(
    channel: Annotated[
        str | None,
        typer.Option("--channel", metavar="CHANNEL", help="Only this channel.", show_default=False),
    ] = None,
    since: Annotated[
        str | None,
        typer.Option(
            "--since",
            metavar="DATE",
            help="Only what was recorded on this day or later, such as 2026-09-01.",
            show_default=False,
        ),
    ] = None,
    until: Annotated[
        str | None,
        typer.Option(
            "--until",
            metavar="DATE",
            help="Only what was recorded on this day or earlier.",
            show_default=False,
        ),
    ] = None,
    verdict: Annotated[
        str | None,
        typer.Option(
            "--verdict",
            metavar="VERDICT",
            help="Only what the newest table calls so: 'on design', 'within part tolerance', "
            "'off design' or 'undecided'.",
            show_default=False,
        ),
    ] = None,
    aside: Annotated[bool, typer.Option("--aside", help="Only what is set aside.")] = False,
    last: Annotated[
        str, typer.Option("--last", metavar="N", help="How many, the newest ones.")
    ] = "40",
    verify: Annotated[
        bool,
        typer.Option(
            "--verify",
            help="Check the whole bench folder: checksums, sidecars, tables and designs.",
        ),
    ] = False,
    set_aside: Annotated[
        str | None,
        typer.Option(
            "--set-aside",
            metavar="RECORD",
            help="Set a recording aside, so that it is not used; needs --why.",
            show_default=False,
        ),
    ] = None,
    take_back: Annotated[
        str | None,
        typer.Option(
            "--take-back",
            metavar="RECORD",
            help="Use a recording again that was set aside.",
            show_default=False,
        ),
    ] = None,
    correct: Annotated[
        str | None,
        typer.Option(
            "--correct",
            metavar="RECORD",
            help="Correct the knob angle of a recording; needs --at. The old angle is kept.",
            show_default=False,
        ),
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(
            "--at", metavar="DEG", help="The right knob angle, in degrees.", show_default=False
        ),
    ] = None,
    why: Annotated[
        str | None,
        typer.Option("--why", metavar="TEXT", help="The reason, kept with it.", show_default=False),
    ] = None,
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """List what was recorded, the newest last: when, which knob angle, how long, what came of it.

    RECORD is a name from the list, such as heron/20260901T100000Z-0deg. Nothing is ever deleted: a
    bad recording is set aside with a reason, and a corrected knob angle keeps the old one.

    Exit status 1 says that --verify found something wrong.
    """
    from benchlog.capture.store import open_bench

    edits = [one for one in (set_aside, take_back, correct) if one is not None]
    _check_together(edits, verify, set_aside, correct, at, why)
    opened = open_bench(Path(bench) if bench is not None else None)
    if verify:
        return _verify(opened, json_output)
    if edits:
        record = _edit(opened, set_aside, take_back, correct, at, why)
        return _present_edit(record, json_output)
    return _list(opened, (channel, since, until, verdict), aside, last, json_output)


def _check_together(
    edits: list[str],
    verify: bool,
    set_aside: str | None,
    correct: str | None,
    at: str | None,
    why: str | None,
) -> None:
    """Refuse options that do not go together."""
    if len(edits) + verify > 1:
        raise UsageError(
            "several of --verify, --set-aside, --take-back and --correct",
            expected="one of them at a time",
            attempt="one after the other",
        )
    if set_aside is not None and not (why or "").strip():
        raise UsageError(
            "--set-aside without a reason",
            expected="--why TEXT beside it",
            attempt='--why "the knob slipped"',
        )
    if (correct is None) != (at is None):
        raise UsageError(
            "--correct without --at" if at is None else "--at without --correct",
            expected="--correct RECORD --at DEG",
            attempt="both together",
        )
    if why is not None and set_aside is None and correct is None:
        raise UsageError(
            "--why without anything to give a reason for",
            expected="--set-aside or --correct beside it",
            attempt="--set-aside RECORD --why TEXT",
        )


def _edit(
    bench: Bench,
    aside: str | None,
    back: str | None,
    correct: str | None,
    at: str | None,
    why: str | None,
) -> Record:
    """Change a sidecar as it was asked for."""
    from benchlog.capture import corrections
    from benchlog.capture.log_index import find_record

    record = find_record(bench, aside or back or correct or "")
    if aside is not None:
        return corrections.set_aside(record, why or "")
    if back is not None:
        return corrections.take_back(record)
    knob_deg = read_number(at or "", "--at", "degrees", low=-3600.0, high=3600.0)
    return corrections.correct_knob(record, knob_deg, why)


def _present_edit(record: Record, json_output: bool) -> int:
    """Say what was changed."""
    from benchlog.show.json_output import write_json
    from benchlog.show.log_view import record_to_json
    from benchlog.show.terminal import show

    if json_output:
        write_json(record_to_json(record))
        return 0
    change, known = record.sidecar.history[-1], record.sidecar
    if change.key == "knob_deg" and isinstance(change.old, int | float):
        show(f"{record.path} is at {known.knob_deg:g}° now; {change.old:g}° is kept in its history")
    elif known.set_aside is not None:
        show(f"{record.path} is set aside: {known.set_aside}")
    else:
        show(f"{record.path} is used again")
    return 0


def _list(
    bench: Bench,
    filters: tuple[str | None, str | None, str | None, str | None],
    aside: bool,
    last: str,
    json_output: bool,
) -> int:
    """List recordings."""
    from benchlog.capture.log_index import Wanted, list_entries
    from benchlog.show.json_output import write_json
    from benchlog.show.log_view import entry_to_json, show_entries

    channel, since, until, verdict = filters
    if channel is not None:
        bench.design_path(channel)  # refuses what can be no channel's name
    if verdict is not None and verdict not in _VERDICTS:
        raise UsageError(
            f"--verdict '{verdict}'",
            expected=" or ".join(f"'{word}'" for word in _VERDICTS),
            attempt="--verdict 'off design'",
        )
    count = read_number(last, "--last", "recordings", low=1, high=_MOST)
    wanted = Wanted(
        channel=channel,
        since=_read_day(since, "--since"),
        until=_day_after(until),
        verdict=verdict,
        aside=aside,
        last=int(count),
    )
    entries, more = list_entries(bench, wanted)
    if json_output:
        write_json({"records": [entry_to_json(entry) for entry in entries], "more": more})
    else:
        show_entries(entries, more)
    return 0


def _read_day(text: str | None, option: str) -> datetime | None:
    """Read a day as its first instant, local time."""
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").astimezone()
    except (ValueError, OverflowError) as exc:
        raise UsageError(
            f"{option} '{text}'", expected="a day", attempt=f"{option} 2026-09-01"
        ) from exc


def _day_after(text: str | None) -> datetime | None:
    """Read a day as the first instant of the next one, local time."""
    day = _read_day(text, "--until")
    if day is None:
        return None
    try:
        following = day.replace(tzinfo=None) + timedelta(days=1)
        return following.astimezone()
    except OverflowError:
        return None


def _verify(bench: Bench, json_output: bool) -> int:
    """Check the bench folder."""
    from benchlog.capture.verification import verify_captures
    from benchlog.show.json_output import write_json
    from benchlog.show.log_view import finding_to_json, show_verification
    from benchlog.show.terminal import show_progress

    with show_progress("checking") as advance:
        verification = verify_captures(bench, advance)
    found, others = _verify_calibration(bench)
    findings = [*verification.findings, *found]
    if json_output:
        write_json(
            {
                "recordings": verification.recording_count,
                "checksums_right": verification.checked_count,
                "without_checksum": verification.unsummed_count,
                "tables_and_designs": others,
                "findings": [finding_to_json(finding) for finding in findings],
            }
        )
    else:
        show_verification(verification, findings, others)
    return 1 if any(finding.is_wrong for finding in findings) else 0


def _verify_calibration(bench: Bench) -> tuple[list[Finding], int]:
    """Read every table and design."""
    from benchlog.calibration.table_text import parse_table
    from benchlog.capture.store import read_design
    from benchlog.capture.verification import Finding

    findings, count = [], 0
    for channel in bench.channels():
        design = bench.design_path(channel)
        paths = [*([design] if design.exists() else []), *bench.table_paths(channel)]
        for path in paths:
            count += 1
            try:
                if path == design:
                    read_design(path)
                else:
                    parse_table(path.read_text(encoding="utf-8-sig"), str(path))
            except BenchlogError as exc:
                code = "unreadable-design" if path == design else "unreadable-table"
                findings.append(Finding(path, code, str(exc)))
            except (OSError, ValueError) as exc:
                findings.append(Finding(path, "unreadable-table", f"cannot be read ({exc})"))
    return findings, count
