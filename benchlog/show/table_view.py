"""A calibration table as a person reads it at 80 columns, and as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from benchlog.calibration.identify import Identification
from benchlog.calibration.reasons import explain_table
from benchlog.calibration.table import Row, Table
from benchlog.calibration.verdict import COVERAGE, OFF, ON, UNDECIDED, WITHIN
from benchlog.show.curve_view import curve_sentences, curve_to_json
from benchlog.show.json_output import in_microseconds
from benchlog.show.parts_view import parts_to_json, show_parts
from benchlog.show.terminal import plain, screen_width, show

if TYPE_CHECKING:
    from rich.table import Table as TextTable

__all__ = ["show_table", "summary_sentences", "table_to_json"]

GRID_WIDTH = 76
"""Columns that the grid needs."""

VERDICT_WORDS = {
    ON: "on design",
    WITHIN: "in tolerance",
    OFF: "off design",
    UNDECIDED: "undecided",
}
FLAG_WORDS = {
    "end-stop-low": "low stop",
    "end-stop-high": "high stop",
    "period-jitter": "period",
    "hysteresis": "up/down",
    "dead-travel": "dead travel",
    "few-pulses": "few pulses",
}


def table_to_json(
    table: Table, stored: str | None, found: Identification | None = None
) -> dict[str, Any]:
    """Return a table as the JSON that `calibrate` promises.

    Parameters
    ----------
    table : Table
        The table.
    stored : str or None
        Where it was stored.
    found : Identification or None
        What it tells of the parts; without it `products`, `parts` and `suspects` are empty.

    Returns
    -------
    dict
        The JSON object.
    """
    return {
        "channel": table.channel,
        "rows": [_row_to_json(row) for row in table.rows],
        **parts_to_json(found),
        **curve_to_json(table.curve),
        "table": stored,
    }


def _row_to_json(row: Row) -> dict[str, Any]:
    """Return one row in microseconds and degrees."""
    point = row.point
    return {
        "knob_deg": point.knob_deg,
        "direction": point.direction,
        "pulse_us": in_microseconds(point.pulse_s),
        "u_pulse_us": in_microseconds(point.u_pulse_s),
        "period_us": in_microseconds(point.period_s),
        "servo_deg": row.servo_deg,
        "u_servo_deg": row.u_servo_deg,
        "design_pulse_us": in_microseconds(row.design_pulse_s),
        "deviation_us": in_microseconds(row.deviation_s),
        "u_deviation_us": in_microseconds(row.u_deviation_s),
        "verdict": row.verdict,
        "flags": list(row.flags),
    }


def show_table(
    table: Table, *, sentences: bool = True, found: Identification | None = None
) -> None:
    """Show a table and, in sentences, what it says.

    Parameters
    ----------
    table : Table
        The table.
    sentences : bool
        Whether the sentences follow.
    found : Identification or None
        What the table tells of the parts, to be shown behind it.
    """
    count = len({(row.point.knob_deg, row.point.direction) for row in table.rows})
    taken = f"{len(table.rows)} recordings at " if len(table.rows) > count else ""
    title = f"{table.channel}: calibration of {taken}{count} knob position{'s' * (count != 1)}"
    if screen_width() < GRID_WIDTH:
        show(title, *(_row_sentence(row) for row in table.rows))
    else:
        show(title, _grid(table))
    if found is not None:
        show_parts(table.design, found)
        show("")
    if sentences:
        show(*(plain(sentence) for sentence in summary_sentences(table, found)))


def _row_sentence(row: Row) -> str:
    """Write one row for a screen that is too narrow for the grid."""
    cells = _cells(row, own_supply=False, way=True)
    knob, pulse, arm, design, deviation, way, verdict, flags = cells
    text = (
        f"{knob}°{' ' if way else ''}{way}: pulse {pulse} µs, arm {arm}°, design {design} µs, "
        f"off by {deviation} µs: {verdict}"
    )
    return f"{text}; {flags}" if flags else text


def _grid(table: Table) -> TextTable:
    """Lay out the rows."""
    from rich.table import Table as TextTable

    grid = TextTable(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="bold")
    ways = len({row.point.direction for row in table.rows}) > 1
    own_supply = f"at {table.design.supply.value:g} V" if _supplies(table) else None
    columns = ["knob\n°", "pulse ± U\nµs", "arm ± U\n°", "design\nµs", "off by ± U\nµs"]
    if own_supply is not None:
        columns.insert(4, f"{own_supply}\nµs")
    for name in columns:
        grid.add_column(name, justify="right", no_wrap=True)
    if ways:
        grid.add_column("way\n", no_wrap=True)
    grid.add_column("verdict\n", no_wrap=True)
    grid.add_column("flags\n")
    for row in table.rows:
        cells = _cells(row, own_supply=own_supply is not None, way=ways)
        bad = row.verdict in (OFF, UNDECIDED) or bool(row.flags)
        grid.add_row(*(plain(cell) for cell in cells), style="bold" if bad else "")
    return grid


def _cells(row: Row, *, own_supply: bool, way: bool) -> list[str]:
    """Write one row's figures."""
    point = row.point
    deviation = f"{round(row.deviation_s * 1e6):+d} ± {_expanded(row.u_deviation_s * 1e6, 0)}"
    cells = [
        f"{point.knob_deg:g}",
        f"{point.pulse_s * 1e6:.1f} ± {_expanded(point.u_pulse_s * 1e6, 1)}",
        f"{row.servo_deg:.1f} ± {_expanded(row.u_servo_deg, 1)}",
        f"{row.design_pulse_s * 1e6:.1f}",
        deviation,
    ]
    if own_supply:
        cells.insert(4, f"{row.nominal_pulse_s * 1e6:.1f}")
    if way:
        cells.append(point.direction or "")
    flags = ", ".join(FLAG_WORDS.get(flag, flag) for flag in row.flags)
    return [*cells, VERDICT_WORDS[row.verdict], flags]


def _expanded(u: float, digits: int) -> str:
    """Write U, rounded up so that it never promises too much (JCGM 100:2008, 7.2.6)."""
    scale = 10**digits
    return f"{math.ceil(COVERAGE * u * scale - 1e-9) / scale:.{digits}f}"


def _supplies(table: Table) -> list[float]:
    """Return the supplies that stand in the records, ascending, each once."""
    return sorted({row.point.supply_v for row in table.rows if row.point.supply_v is not None})


def summary_sentences(table: Table, found: Identification | None = None) -> list[str]:
    """Say in sentences what a table shows.

    Parameters
    ----------
    table : Table
        The table.
    found : Identification or None
        What it tells of the parts; what that says already is not said again.

    Returns
    -------
    list of str
        What is wrong and why, the end stops, what would decide, how it was reckoned.
    """
    told = {"suspect", "knob"} if found is not None else set()
    reasons = explain_table(table, found)
    sentences = [reason.text for reason in reasons if reason.code not in told]
    sentences += _undecided(table)
    sentences += _surroundings(table)
    sentences += curve_sentences(table)
    if any(row.verdict == WITHIN for row in table.rows):
        sentences.append(
            "'in tolerance': further off than the limit of "
            f"{table.design.limits.deviation_s * 1e6:g} µs, but no more than the tolerances of the "
            "marked parts allow."
        )
    return sentences


def _undecided(table: Table) -> list[str]:
    """Say what would decide the undecided rows, those with the same need together."""
    needs: dict[str, list[str]] = {}
    for row in table.rows:
        if row.need is not None:
            needs.setdefault(row.need, []).append(f"{row.point.knob_deg:g}°")
    return [
        f"Undecided at {', '.join(places)}: what would decide is {need}."
        for need, places in needs.items()
    ]


def _surroundings(table: Table) -> list[str]:
    """Say at which supply the design was reckoned, and what it would be at the design's own."""
    own_v = table.design.supply.value
    supplies = _supplies(table)
    if not supplies:
        return [
            f"The records do not say the supply, so the design's {own_v:g} V was taken, with room "
            "for its error: a meter reading given with each record sharpens this."
        ]
    span = f"{supplies[0]:g} V"
    if len(supplies) > 1:
        span = f"{supplies[0]:g} to {supplies[-1]:g} V"
    return [
        f"'design' is what the marked parts give at the recorded supply ({span}) and temperature; "
        f"'at {own_v:g} V' what they give at the design's own."
    ]
