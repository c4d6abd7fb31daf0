"""What has moved, as a person reads it at 80 columns, and as JSON."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from benchlog.calibration.drift import CHANGED, UNDECIDED, Drift, DriftRow, taken_at
from benchlog.calibration.drift_pace import Pace
from benchlog.calibration.side_by_side import Match, SideRow
from benchlog.calibration.table_text import StoredTable
from benchlog.calibration.verdict import COVERAGE
from benchlog.show.json_output import in_microseconds, known_microseconds
from benchlog.show.terminal import plain, screen_width, show, spell_out

if TYPE_CHECKING:
    from rich.table import Table as TextTable
    from rich.text import Text

__all__ = ["drift_to_json", "matches_to_json", "show_drift_of", "show_matches"]

GRID_WIDTH = 76
_SHOWN_S = 0.5e-6


def drift_to_json(drift: Drift, stamps: Sequence[str]) -> dict[str, Any]:
    """Return a comparison as the JSON that `drift` promises.

    Parameters
    ----------
    drift : Drift
        The comparison.
    stamps : sequence of str
        The channel's tables, oldest first.

    Returns
    -------
    dict
        The JSON object.
    """
    moved = drift.moved
    return {
        "channel": drift.channel,
        "tables": list(stamps),
        "table": drift.now.stamp,
        "against": "design" if drift.earlier is None else drift.earlier.stamp,
        "rows": [_row_to_json(row) for row in drift.rows],
        "moved": {
            "significant": moved.significant,
            "p_value": moved.p_value,
            "cause": moved.cause,
            "also_fits": list(moved.also),
            "amount": moved.amount,
            "u_amount": moved.u_amount,
            "amount_unit": moved.unit,
            **_pace_to_json(moved.pace),
            "text": moved.text,
        },
        "notes": list(drift.notes),
    }


def _row_to_json(row: DriftRow) -> dict[str, Any]:
    """Return one mark in microseconds and degrees."""
    return {
        "knob_deg": row.knob_deg,
        "direction": row.direction,
        "pulse_us": in_microseconds(row.pulse_s),
        "design_pulse_us": in_microseconds(row.design_pulse_s),
        "earlier_pulse_us": known_microseconds(row.earlier_pulse_s),
        "change_us": known_microseconds(row.change_s),
        "surroundings_us": known_microseconds(row.surroundings_s),
        "own_change_us": known_microseconds(row.own_change_s),
        "u_change_us": known_microseconds(row.u_change_s),
        "rest_us": in_microseconds(row.rest_s),
        "rest_change_us": known_microseconds(row.rest_change_s),
        "between_marks": row.between,
        "p_value": row.p_value,
        "verdict": row.verdict,
    }


def _pace_to_json(pace: Pace | None) -> dict[str, Any]:
    """Return how fast it goes; nothing known without dates."""
    if pace is None:
        names = ("per_day_us", "u_per_day_us", "per_day_at_deg", "line_tables", "line_days")
        return dict.fromkeys((*names, "leaves", "leaves_in_days", "leaves_at_deg"))
    return {
        "per_day_us": in_microseconds(pace.per_day_s),
        "u_per_day_us": in_microseconds(pace.u_per_day_s),
        "per_day_at_deg": pace.knob_deg,
        "line_tables": pace.tables,
        "line_days": pace.days,
        "leaves": pace.limit,
        "leaves_in_days": pace.leaves_in_days,
        "leaves_at_deg": pace.limit_deg,
    }


def show_drift_of(drift: Drift, *, alone: bool) -> None:
    """Show a comparison.

    Parameters
    ----------
    drift : Drift
        The comparison.
    alone : bool
        Whether the channel has but one table, so that only its design is there to compare with.
    """
    now = _when(drift.now)
    before = "its design" if drift.earlier is None else f"the one of {_when(drift.earlier)}"
    title = f"{drift.channel}: the table of {now} against {before}"
    if screen_width() < GRID_WIDTH:
        show(title, *(plain(_row_sentence(row)) for row in drift.rows))
    else:
        show(title, _grid(drift))
    sentences = [drift.moved.text, *drift.notes]
    if drift.earlier is not None:
        sentences += [_design_sentence(drift), _words(drift)]
    if alone:
        sentences.append(
            "It is the only table that can be read: the next one shows what moves from now on."
        )
    show("", *(plain(sentence) for sentence in sentences if sentence))


def _when(table: StoredTable) -> str:
    """Write when a table's sweep was taken, local time."""
    taken = taken_at(table)
    return table.stamp if taken is None else taken.astimezone().strftime("%Y-%m-%d %H:%M")


def _design_sentence(drift: Drift) -> str:
    """Say how far the newest pulses lie from the design."""
    row = max(drift.now.rows, key=lambda one: abs(one.deviation_s))
    off = sum(one.verdict == "off design" for one in drift.now.rows)
    text = f"Against the design: at most {_signed(row.deviation_s, 0)} µs, at {row.knob_deg:g}°"
    return f"{text}; {off} of {len(drift.now.rows)} marks off design." if off else f"{text}."


def _words(drift: Drift) -> str:
    """Explain what the verdicts mean, where they need it."""
    if not any(row.verdict in (CHANGED, UNDECIDED) for row in drift.rows):
        return ""
    text = "'changed': pulse and rest together differ surely more than the readings explain"
    if any(row.verdict == UNDECIDED for row in drift.rows):
        text += "; 'undecided': maybe, and two sweeps read more closely would tell"
    return f"{text}."


def _grid(drift: Drift) -> TextTable:
    """Lay out the marks."""
    from rich.table import Table as TextTable

    grid = TextTable(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="bold")
    ways = len({row.direction for row in drift.rows}) > 1
    felt = any(abs(row.surroundings_s or 0.0) > _SHOWN_S for row in drift.rows)
    columns = ["knob\n°", "pulse\nµs"]
    if drift.earlier is None:
        columns += ["design\nµs", "off by ± U\nµs"]
    else:
        columns += ["earlier\nµs", "change\nµs"]
        columns += ["by supply\nand warmth"] if felt else []
        columns += ["own ± U\nµs", "rest\nµs"]
    for name in columns:
        grid.add_column(name, justify="right", no_wrap=True)
    if ways:
        grid.add_column("way\n", no_wrap=True)
    grid.add_column("verdict\n", no_wrap=True)
    for row in drift.rows:
        cells = [f"{row.knob_deg:g}", f"{row.pulse_s * 1e6:.1f}"]
        if drift.earlier is None:
            cells += [f"{row.design_pulse_s * 1e6:.1f}", _own(row, 0)]
        else:
            cells += [_plain(row.earlier_pulse_s), _signed(row.change_s, 1)]
            cells += [_signed(row.surroundings_s, 1)] if felt else []
            cells += [_own(row, 1), _signed(row.rest_change_s, 1)]
        cells += [row.direction or ""] if ways else []
        style = "bold" if row.verdict == CHANGED else ""
        grid.add_row(*(plain(cell) for cell in (*cells, row.verdict)), style=style)
    return grid


def _plain(seconds: float | None) -> str:
    return "" if seconds is None else f"{seconds * 1e6:.1f}"


def _signed(seconds: float | None, digits: int) -> str:
    """Write a change with its sign; none at all as 0."""
    if seconds is None:
        return ""
    shown = round(seconds * 1e6, digits) + 0.0
    return f"{shown:+.{digits}f}"


def _own(row: DriftRow, digits: int) -> str:
    """Write the change that the recorded surroundings do not account for, with its U."""
    if row.own_change_s is None or row.u_change_s is None:
        return ""
    scale = 10.0**digits
    u = math.ceil(COVERAGE * row.u_change_s * 1e6 * scale - 1e-9) / scale
    return f"{_signed(row.own_change_s, digits)} ± {u:.{digits}f}"


def _row_sentence(row: DriftRow) -> str:
    """Write one mark for a screen that is too narrow for the grid."""
    way = f" {row.direction}" if row.direction else ""
    text = f"{row.knob_deg:g}°{way}: pulse {row.pulse_s * 1e6:.1f} µs"
    if row.change_s is None:
        return f"{text}, not in the earlier table"
    return f"{text}, changed by {_own(row, 1)} µs of its own: {row.verdict}"


def matches_to_json(first: StoredTable, matches: Sequence[Match]) -> dict[str, Any]:
    """Return channels side by side as JSON.

    Parameters
    ----------
    first : StoredTable
        The first channel's table.
    matches : sequence of Match
        The others, one or more.

    Returns
    -------
    dict
        The JSON object.
    """
    worst = max(matches, key=lambda one: abs(one.worst.mismatch_s))
    return {
        "channels": [first.channel, *(one.channel for one in matches)],
        "tables": [first.stamp, *(one.stamp for one in matches)],
        "largest": {"channel": worst.channel, **_side_to_json(worst.worst)},
        "others": [
            {
                "channel": one.channel,
                "table": one.stamp,
                "rows": [_side_to_json(row) for row in one.rows],
                "part": one.part,
                "change_percent": one.change_percent,
                "left_us": in_microseconds(one.left_s),
                "text": one.text,
            }
            for one in matches
        ],
    }


def _side_to_json(row: SideRow) -> dict[str, Any]:
    return {
        "knob_deg": row.knob_deg,
        "pulse_us": in_microseconds(row.pulse_s),
        "first_pulse_us": in_microseconds(row.first_pulse_s),
        "arm_deg": row.arm_deg,
        "first_arm_deg": row.first_arm_deg,
        "mismatch_us": in_microseconds(row.mismatch_s),
        "u_mismatch_us": in_microseconds(row.u_mismatch_s),
    }


def show_matches(first: StoredTable, matches: Sequence[Match]) -> None:
    """Show channels side by side.

    Parameters
    ----------
    first : StoredTable
        The first channel's table.
    matches : sequence of Match
        The others, one or more.
    """
    for match in matches:
        title = f"{match.channel} beside {first.channel}"
        if screen_width() < GRID_WIDTH:
            show(title, *(plain(_side_sentence(row)) for row in match.rows))
        else:
            show(title, _side_grid(first, match))
        show("")
    show(*(plain(match.text) for match in matches))


def _side_sentence(row: SideRow) -> str:
    return f"{row.knob_deg:g}°: {row.pulse_s * 1e6:.1f} µs, off by {_mismatch(row)} µs"


def _mismatch(row: SideRow) -> str:
    u = math.ceil(COVERAGE * row.u_mismatch_s * 1e6 * 10.0 - 1e-9) / 10.0
    return f"{_signed(row.mismatch_s, 1)} ± {u:.1f}"


def _side_grid(first: StoredTable, match: Match) -> TextTable:
    """Lay out one channel beside the first."""
    from rich.table import Table as TextTable

    grid = TextTable(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    names = [match.channel[:12], first.channel[:12]]
    heads = ["knob\n°", *(f"{name}\nµs" for name in names), "mismatch ± U\nµs"]
    heads += [f"{name}\narm °" for name in names]
    for head in heads:
        grid.add_column(_head(head), justify="right", no_wrap=True)
    for row in match.rows:
        cells = [f"{row.knob_deg:g}", f"{row.pulse_s * 1e6:.1f}", f"{row.first_pulse_s * 1e6:.1f}"]
        cells += [_mismatch(row), f"{row.arm_deg:.1f}", f"{row.first_arm_deg:.1f}"]
        style = "bold" if row is match.worst else ""
        grid.add_row(*(plain(cell) for cell in cells), style=style)
    return grid


def _head(text: str) -> Text:
    """Wrap a heading of two lines, of which a channel's name is never read as markup."""
    from rich.text import Text

    from benchlog.errors import one_line

    encoding = getattr(sys.stdout, "encoding", None)
    return Text("\n".join(spell_out(one_line(line), encoding) for line in text.split("\n")))
