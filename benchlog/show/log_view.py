"""The list of what was recorded, on the screen and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from benchlog.capture.sidecar import kind_of_try
from benchlog.errors import one_line
from benchlog.show.terminal import plain, screen_width, show, write_out

if TYPE_CHECKING:
    from benchlog.capture.log_index import LogEntry
    from benchlog.capture.store import Record
    from benchlog.capture.verification import Finding, Verification

__all__ = [
    "entry_to_json",
    "finding_to_json",
    "record_to_json",
    "show_entries",
    "show_verification",
]

_DASH = "-"
_WIDE = 112
_FULL = "%Y-%m-%d %H:%M:%S"
_BRIEF = "%Y-%m-%d %H:%M"
_NARROW = 60


def show_entries(entries: list[LogEntry], more: int) -> None:
    """Show recordings, newest last, times local.

    Parameters
    ----------
    entries : list of LogEntry
        Oldest first.
    more : int
        How many older ones there are.
    """
    from rich.table import Table as TextTable

    if not entries:
        show("No such recordings.")
        return
    table = TextTable(box=None, padding=(0, 2, 0, 0), header_style="bold")
    columns = _columns(screen_width())
    brief = screen_width() < _WIDE
    names = min(max(len(entry.channel) + 1 + len(entry.beside.stem) for entry in entries), 36)
    for name, justify, no_wrap in columns:
        least = names if name == "record" and screen_width() >= _NARROW else None
        table.add_column(name, justify=justify, no_wrap=no_wrap, min_width=least, overflow="fold")
    for entry in entries:
        cells = _cells(entry, brief)
        table.add_row(*(plain(cells[name]) for name, _, _ in columns))
        if brief and cells["remarks"]:  # a line of its own, as there is no room beside
            below = {"record": f"^ {cells['remarks']}"}
            table.add_row(*(plain(below.get(name, "")) for name, _, _ in columns))
    if more:
        show(f"... and {more} older ones: --last {len(entries) + more} shows them all")
    show(table)


def _columns(width: int) -> list[tuple[str, Literal["left", "right"], bool]]:
    """Return name, side and whether it stays on one line, of the columns that there is room for.

    The name of a record holds channel and knob angle as they were recorded.
    """
    if width < _NARROW:
        return [("record", "left", False), ("pulse", "left", False)]
    columns: list[tuple[str, Literal["left", "right"], bool]] = [
        ("recorded", "left", True),
        ("record", "left", False),
        ("knob", "right", True),
        ("length", "right", True),
        ("supply", "right", True),
        ("source", "left", False),
        ("pulse", "left", False),
        ("remarks", "left", False),
    ]
    if width >= _WIDE:
        return columns
    return [column for column in columns if column[0] not in ("knob", "source", "remarks")]


def _cells(entry: LogEntry, brief: bool) -> dict[str, str]:
    known = entry.sidecar
    cells = {
        "recorded": _DASH,
        "record": f"{entry.channel}/{entry.beside.stem}",
        "knob": _DASH,
        "length": _DASH if entry.length_s is None else f"{entry.length_s:.1f} s",
        "supply": _DASH,
        "source": _DASH,
        "pulse": entry.verdict or _DASH,
        "remarks": _remarks(entry),
    }
    if known is not None:
        cells["recorded"] = known.recorded_at.astimezone().strftime(_BRIEF if brief else _FULL)
        cells["knob"] = f"{known.knob_deg:g}°"
        cells["supply"] = _DASH if known.supply_v is None else f"{known.supply_v:g} V"
        cells["source"] = known.source or _DASH
    return cells


def _remarks(entry: LogEntry) -> str:
    """Say what is special about a recording."""
    known = entry.sidecar
    if known is None:
        return f"{entry.beside.name} cannot be read: log --verify says why"
    remarks = []
    tried = kind_of_try(known)
    if tried is not None:
        remarks.append(f"a try, {tried}")
    if entry.path is None:
        remarks.append("the recording is not there")
    if known.unfinished:
        remarks.append("being recorded" if entry.is_live else "broken off")
    if known.set_aside is not None:
        remarks.append(f"set aside: {known.set_aside}")
    if known.gaps:
        remarks.append(f"{len(known.gaps)} gap{'s' if len(known.gaps) > 1 else ''}")
    old = [change.old for change in known.history if change.key == "knob_deg"]
    if old and isinstance(old[0], int | float):
        remarks.append(f"knob at {known.knob_deg:g}°, not {old[0]:g}°")
    return ", ".join(remarks)


def entry_to_json(entry: LogEntry) -> dict[str, Any]:
    """Return an entry of the list as JSON.

    Parameters
    ----------
    entry : LogEntry
        The entry.

    Returns
    -------
    dict
        Every key is always there.
    """
    known = entry.sidecar
    return {
        "file": None if entry.path is None else str(entry.path),
        "sidecar": str(entry.beside),
        "channel": entry.channel,
        "knob_deg": None if known is None else known.knob_deg,
        "recorded_utc": None if known is None else known.recorded_utc,
        "length_s": entry.length_s,
        "supply_v": None if known is None else known.supply_v,
        "source": None if known is None else known.source,
        "verdict": entry.verdict,
        "set_aside": None if known is None else known.set_aside,
        "gap_count": None if known is None else len(known.gaps),
        "unfinished": known is not None and known.unfinished,
        "being_recorded": entry.is_live,
        "try": None if known is None else kind_of_try(known),
        "readable": known is not None,
    }


def record_to_json(record: Record) -> dict[str, Any]:
    """Return a recording whose sidecar was changed as JSON.

    Parameters
    ----------
    record : Record
        As it is now.

    Returns
    -------
    dict
        With the whole history.
    """
    known = record.sidecar
    return {
        "file": str(record.path),
        "channel": known.channel,
        "knob_deg": known.knob_deg,
        "set_aside": known.set_aside,
        "history": [
            {
                "changed_utc": change.changed_utc,
                "key": change.key,
                "old": change.old,
                "new": change.new,
                "why": change.why,
            }
            for change in known.history
        ],
    }


def show_verification(verification: Verification, findings: list[Finding], others: int) -> None:
    """Show what was checked, and what was found.

    Parameters
    ----------
    verification : Verification
        Of the recordings.
    findings : list of Finding
        All, those of tables and designs too.
    others : int
        How many tables and designs were read.
    """
    for finding in findings:
        word = "wrong" if finding.is_wrong else "note"
        write_out(one_line(f"{word}: {finding.path} {finding.text}") + "\n")
    wrong = sum(finding.is_wrong for finding in findings)
    parts = [
        f"{verification.recording_count} recordings, {verification.checked_count} with the "
        "right checksum"
    ]
    if verification.unsummed_count:
        parts.append(f"{verification.unsummed_count} without one")
    parts.append(f"{others} tables and designs")
    show(f"Checked {', '.join(parts)}: {f'{wrong} wrong' if wrong else 'nothing is wrong'}.")


def finding_to_json(finding: Finding) -> dict[str, Any]:
    """Return a finding as JSON.

    Parameters
    ----------
    finding : Finding
        The finding.

    Returns
    -------
    dict
        Path, code, text and whether it is wrong.
    """
    return {
        "file": str(finding.path),
        "code": finding.code,
        "text": finding.text,
        "wrong": finding.is_wrong,
    }
