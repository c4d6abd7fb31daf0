"""A calibration table as text: what lies in `calibration/<channel>/<stamp>.csv`.

Lines that begin with '#' say what it is and hold the design that it was made against, each line
of it behind '# | '; then follows CSV (RFC 4180) with a header. Microseconds, degrees, volts and
degrees Celsius; an empty cell says 'not known'.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass

from benchlog.calibration.identify import Identification
from benchlog.calibration.table import Row, Table
from benchlog.calibration.verdict import OFF, ON, UNDECIDED, WITHIN
from benchlog.errors import StoreError, one_line

__all__ = ["StoredRow", "StoredTable", "format_table", "parse_table"]

COLUMNS = (
    "knob_deg",
    "direction",
    "pulse_us",
    "u_pulse_us",
    "period_us",
    "servo_deg",
    "u_servo_deg",
    "design_pulse_us",
    "deviation_us",
    "u_deviation_us",
    "verdict",
    "flags",
    "supply_v",
    "temperature_c",
    "pulse_count",
    "source",
)
TITLE = "# benchlog calibration table"
DESIGN_MARK = "# |"


@dataclass(frozen=True, slots=True)
class StoredRow:
    """One row of a stored table.

    Attributes
    ----------
    knob_deg : float
        Knob angle, degrees.
    direction : str or None
        'up', 'down' or None.
    pulse_s, u_pulse_s, period_s : float
        Mean pulse, its standard uncertainty, mean period, seconds.
    design_pulse_s, deviation_s, u_deviation_s : float
        Design value, deviation and its standard uncertainty, seconds.
    verdict : str
        The verdict.
    flags : tuple of str
        The flags.
    supply_v, temperature_c : float or None
        What was known of the surroundings.
    pulse_count : int
        Pulses behind the mean.
    source : str
        The record.
    """

    knob_deg: float
    direction: str | None
    pulse_s: float
    u_pulse_s: float
    period_s: float
    design_pulse_s: float
    deviation_s: float
    u_deviation_s: float
    verdict: str
    flags: tuple[str, ...]
    supply_v: float | None
    temperature_c: float | None
    pulse_count: int
    source: str


@dataclass(frozen=True, slots=True)
class StoredTable:
    """A table as it was stored.

    Attributes
    ----------
    channel, stamp : str
        Whose it is, and when it was made (UTC).
    design_text : str
        The design that it was made against.
    rows : tuple of StoredRow
        In the order of the file.
    """

    channel: str
    stamp: str
    design_text: str
    rows: tuple[StoredRow, ...]


def format_table(table: Table, stamp: str, found: Identification | None = None) -> str:
    """Write a table as text.

    Parameters
    ----------
    table : Table
        The table.
    stamp : str
        When it was made, as in file names.
    found : Identification or None
        What it tells of the parts.

    Returns
    -------
    str
        Comment lines, then CSV with line breaks of one character.
    """
    lines = [
        f"{TITLE}, figures in microseconds, degrees, volts and degrees Celsius",
        f"# channel: {one_line(table.channel)}",
        f"# made: {stamp}",
        f"# knob read to within: {table.knob_reading_deg:g} degrees",
        f"# low end stop passed at: {_angle(table.end_stop_low_deg)}",
        f"# high end stop passed at: {_angle(table.end_stop_high_deg)}",
        "# u_ stands for a standard uncertainty (k = 1)",
        *_found_lines(found),
        "# made against this design:",
    ]
    design_text = table.design.text.replace("\r\n", "\n").removesuffix("\n")
    lines += [f"{DESIGN_MARK} {line}".rstrip() for line in design_text.split("\n")]
    sheet = io.StringIO()
    writer = csv.writer(sheet, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(_cells(row) for row in table.rows)
    return "\n".join(lines) + "\n" + sheet.getvalue()


def _found_lines(found: Identification | None) -> list[str]:
    """Write products, parts and suspects, a line each; SI units with their uncertainty (k = 1)."""
    if found is None:
        return []
    lines = [
        f"# found: {one.product} {one.found_s * 1e6:.3f} us, u {one.u_s * 1e6:.3f} us, "
        f"marked {one.marked_s * 1e6:.3f} us"
        for one in found.products
    ]
    for part in found.parts:
        figures = [f"{one:.6g} {part.unit}".rstrip() for one in (part.found, part.u, part.marked)]
        lines.append(f"# found: {part.part} {figures[0]}, u {figures[1]}, marked {figures[2]}")
    return lines + [
        f"# suspect: {one.part} {one.fault}: {one_line(one.text)}" for one in found.suspects
    ]


def _angle(angle_deg: float | None) -> str:
    """Write a knob angle or its absence."""
    return "not within this sweep" if angle_deg is None else f"{angle_deg:.2f} degrees of knob"


def _cells(row: Row) -> list[str]:
    """Write one row's cells in the order of `COLUMNS`."""
    point = row.point
    return [
        f"{point.knob_deg:g}",
        point.direction or "",
        f"{point.pulse_s * 1e6:.4f}",
        f"{point.u_pulse_s * 1e6:.4f}",
        f"{point.period_s * 1e6:.4f}",
        f"{row.servo_deg:.3f}",
        f"{row.u_servo_deg:.3f}",
        f"{row.design_pulse_s * 1e6:.4f}",
        f"{row.deviation_s * 1e6:.4f}",
        f"{row.u_deviation_s * 1e6:.4f}",
        row.verdict,
        " ".join(row.flags),
        "" if point.supply_v is None else f"{point.supply_v:g}",
        "" if point.temperature_c is None else f"{point.temperature_c:g}",
        str(point.pulse_count),
        one_line(point.source),
    ]


def parse_table(text: str, name: str) -> StoredTable:
    """Read a stored table.

    Parameters
    ----------
    text : str
        The file's text.
    name : str
        What to call it in a message.

    Returns
    -------
    StoredTable
        What it holds.

    Raises
    ------
    StoreError
        It is no calibration table, or a cell is wrong; line and value are named.
    """
    # split at line feeds alone: a note in the design may hold what else Unicode calls a line's end
    lines = [line.removesuffix("\r") for line in text.removeprefix("\ufeff").split("\n")]
    if not lines[0].startswith(TITLE):
        raise _fault(name, "is no calibration table", f"'{TITLE}' as its first line")
    comments = [line for line in lines if line.startswith("#")]
    design_text = "".join(
        line[len(DESIGN_MARK) + 1 :] + "\n" for line in comments if line.startswith(DESIGN_MARK)
    )
    body = [(i, line) for i, line in enumerate(lines, 1) if line and not line.startswith("#")]
    if not body or body[0][1] != ",".join(COLUMNS):
        raise _fault(name, "lacks the header of its columns", ",".join(COLUMNS))
    rows = tuple(_parse_row(line, number, name) for number, line in body[1:])
    return StoredTable(
        channel=_comment(comments, "channel", name),
        stamp=_comment(comments, "made", name),
        design_text=design_text,
        rows=rows,
    )


def _fault(name: str, found: str, expected: str) -> StoreError:
    """Say what is wrong with a stored table."""
    attempt = "restoring the file as it was written, or calibrating again"
    return StoreError(f"{name} {found}", expected=expected, attempt=attempt)


def _comment(comments: list[str], key: str, name: str) -> str:
    """Return what a comment line says."""
    for line in comments:
        if line.startswith(f"# {key}: "):
            return line.removeprefix(f"# {key}: ")
    raise _fault(name, f"lacks the line '# {key}: ...'", "that line among the first ones")


def _parse_row(line: str, number: int, name: str) -> StoredRow:
    """Read one row."""
    try:
        cells = next(csv.reader([line], strict=True))
    except csv.Error as exc:
        raise _fault(name, f"has line {number}, which is no CSV ({exc})", "RFC 4180") from exc
    if len(cells) != len(COLUMNS):
        raise _fault(name, f"has {len(cells)} cells in line {number}", f"{len(COLUMNS)} cells")
    by_name = dict(zip(COLUMNS, cells, strict=True))

    def number_of(column: str) -> float:
        try:
            value = float(by_name[column])
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            found = f"has '{by_name[column]}' under {column} in line {number}"
            raise _fault(name, found, "a finite number")
        return value

    def optional(column: str) -> float | None:
        return number_of(column) if by_name[column] else None

    for column, words in (
        ("direction", ("", "up", "down")),
        ("verdict", (ON, WITHIN, OFF, UNDECIDED)),
    ):
        if by_name[column] not in words:
            found = f"has '{by_name[column]}' under {column} in line {number}"
            raise _fault(name, found, " or ".join(f"'{word}'" for word in words))
    return StoredRow(
        knob_deg=number_of("knob_deg"),
        direction=by_name["direction"] or None,
        pulse_s=number_of("pulse_us") * 1e-6,
        u_pulse_s=number_of("u_pulse_us") * 1e-6,
        period_s=number_of("period_us") * 1e-6,
        design_pulse_s=number_of("design_pulse_us") * 1e-6,
        deviation_s=number_of("deviation_us") * 1e-6,
        u_deviation_s=number_of("u_deviation_us") * 1e-6,
        verdict=by_name["verdict"],
        flags=tuple(by_name["flags"].split()),
        supply_v=optional("supply_v"),
        temperature_c=optional("temperature_c"),
        pulse_count=int(number_of("pulse_count")),
        source=by_name["source"],
    )
