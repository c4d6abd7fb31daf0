"""A calibration table as text: what lies in `calibration/<channel>/<stamp>.csv`.

Lines that begin with '#' say what it is and hold the design that it was made against, each line
of it behind '# | '; then follows CSV (RFC 4180) with a header. Microseconds, degrees, volts and
degrees Celsius; an empty cell says 'not known'. Columns are found by their names: a table of an
older version, which lacks some, still reads, and one with a column more does too.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NoReturn

from benchlog.calibration.identify import Identification
from benchlog.calibration.stored_table import StoredRow, StoredTable
from benchlog.calibration.table import KNOB_READING_DEG, Row, Table
from benchlog.calibration.verdict import OFF, ON, UNDECIDED, WITHIN
from benchlog.errors import StoreError, one_line

__all__ = ["StoredRow", "StoredTable", "format_table", "parse_table"]

_FIRST = (
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
)
_ADDED = (
    "u_period_us",
    "pulse_sd_us",
    "rest_sd_us",
    "period_sd_us",
    "pulse_rest_correlation",
    "clock_ppm",
)
"""Columns that older tables do not have."""

COLUMNS = (*_FIRST, *_ADDED, "source")
REQUIRED = (*_FIRST, "source")
TITLE = "# benchlog calibration table"
DESIGN_MARK = "# |"
MERGE_MARKS = ("<<<<<<<", "|||||||", "=======", ">>>>>>>")
"""What the merge of two versions leaves in a file (common practice)."""

_MOST_ROWS = 100_000


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
        f"{_ROWS_MARK}{len(table.rows)}",
        *_found_lines(found),
        "# made against this design:",
    ]
    design_text = table.design.whole_text.replace("\r\n", "\n").removesuffix("\n")
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
        "" if point.u_period_s == 0.0 else f"{point.u_period_s * 1e6:.4f}",
        f"{point.pulse_sd_s * 1e6:.4f}",
        f"{point.rest_sd_s * 1e6:.4f}",
        f"{point.period_sd_s * 1e6:.4f}",
        f"{point.pulse_rest_correlation:.4f}",
        "" if point.clock_share == 0.0 else f"{point.clock_share * 1e6:.3f}",
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
    for number, line in enumerate(lines, 1):
        if line.startswith(MERGE_MARKS):
            found = f"has the mark '{line[:7]}' of an unfinished merge in line {number}"
            raise _fault(name, found, "one of the two versions", "choosing one, without the marks")
    if not lines[0].startswith(TITLE):
        raise _fault(name, "is no calibration table", f"'{TITLE}' as its first line")
    comments = [line for line in lines if line.startswith("#")]
    design_text = "".join(
        line[len(DESIGN_MARK) + 1 :] + "\n" for line in comments if line.startswith(DESIGN_MARK)
    )
    body = [(i, line) for i, line in enumerate(lines, 1) if line and not line.startswith("#")]
    rows = _parse_body(body, name)
    _check_rows(rows, body, comments, name)
    return StoredTable(
        channel=_comment(comments, "channel", name),
        stamp=_comment(comments, "made", name),
        design_text=design_text,
        rows=rows,
        knob_reading_deg=_knob_reading(comments, name),
    )


_ROWS_MARK = "# rows: "
_READING_MARK = "# knob read to within: "


def _fault(name: str, found: str, expected: str, attempt: str | None = None) -> StoreError:
    """Say what is wrong with a stored table."""
    usual = "restoring the file as it was written, or moving it elsewhere and calibrating again"
    return StoreError(f"{name} {found}", expected=expected, attempt=attempt or usual)


def _comment(comments: list[str], key: str, name: str) -> str:
    """Return what a comment line says."""
    for line in comments:
        if line.startswith(f"# {key}: "):
            return line.removeprefix(f"# {key}: ")
    raise _fault(name, f"lacks the line '# {key}: ...'", "that line among the first ones")


def _knob_reading(comments: list[str], name: str) -> float:
    """Return the half-width of the knob reading, the usual one where there is no such line."""
    for number, line in enumerate(comments, 1):
        if line.startswith(_READING_MARK):
            text = line.removeprefix(_READING_MARK).removesuffix(" degrees")
            reading = _finite(text)
            if reading is None or not 0.0 <= reading <= 360.0:
                found = f"says '{text}' in line {number}, '{_READING_MARK.strip()}'"
                raise _fault(name, found, "degrees, such as 1")
            return reading
    return KNOB_READING_DEG


def _finite(text: str) -> float | None:
    """Read a finite number, None where it is none."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _parse_body(body: list[tuple[int, str]], name: str) -> tuple[StoredRow, ...]:
    """Read the header and the rows below it."""
    if not body:
        raise _fault(name, "lacks the header of its columns", ",".join(REQUIRED))
    number, header = body[0]
    columns = _split(header, number, name)
    for column in REQUIRED:
        if columns.count(column) != 1:
            how = f"lacks the column {column}" if column not in columns else f"has {column} twice"
            raise _fault(name, f"{how} in its header, line {number}", ",".join(REQUIRED))
    if len(body) > _MOST_ROWS:
        raise _fault(name, f"has {len(body) - 1} rows", f"at most {_MOST_ROWS}")
    return tuple(_parse_row(line, number, name, columns) for number, line in body[1:])


def _check_rows(
    rows: tuple[StoredRow, ...], body: list[tuple[int, str]], comments: list[str], name: str
) -> None:
    """Refuse rows that stand there twice, and a table that was cut short."""
    seen: dict[tuple[object, ...], int] = {}
    for row, (number, line) in zip(rows, body[1:], strict=True):
        key = (row.knob_deg, row.direction, row.source) if row.source else (line,)
        if key in seen:
            found = f"has the same row in lines {seen[key]} and {number}"
            raise _fault(name, found, "each recording once", f"taking line {number} out")
        seen[key] = number
    for line in comments:
        if line.startswith(_ROWS_MARK) and line != f"{_ROWS_MARK}{len(rows)}":
            found = f"has {len(rows)} rows where it says '{line}'"
            attempt = "restoring the file, or that line corrected if rows were taken out on purpose"
            raise _fault(name, found, "as many rows as it says", attempt)


def _split(line: str, number: int, name: str) -> list[str]:
    """Split a line at its commas."""
    try:
        return next(csv.reader([line], strict=True))
    except csv.Error as exc:
        raise _fault(name, f"has line {number}, which is no CSV ({exc})", "RFC 4180") from exc


def _parse_row(line: str, number: int, name: str, columns: list[str]) -> StoredRow:
    """Read one row."""
    cells = _split(line, number, name)
    if len(cells) != len(columns):
        raise _fault(name, f"has {len(cells)} cells in line {number}", f"{len(columns)} cells")
    read = _Cells(dict(zip(columns, cells, strict=True)), number, name)
    clock_ppm, u_period_us = read.optional("clock_ppm"), read.optional("u_period_us")
    return StoredRow(
        knob_deg=read.number("knob_deg"),
        direction=read.word("direction", ("", "up", "down")) or None,
        pulse_s=read.pulse_us() * 1e-6,
        u_pulse_s=read.number("u_pulse_us") * 1e-6,
        period_s=read.number("period_us", above=0.0) * 1e-6,
        design_pulse_s=read.number("design_pulse_us") * 1e-6,
        deviation_s=read.number("deviation_us") * 1e-6,
        u_deviation_s=read.number("u_deviation_us") * 1e-6,
        verdict=read.word("verdict", (ON, WITHIN, OFF, UNDECIDED)),
        flags=tuple(read.cells["flags"].split()),
        supply_v=read.optional("supply_v"),
        temperature_c=read.optional("temperature_c"),
        pulse_count=int(read.number("pulse_count")),
        source=read.cells["source"],
        u_period_s=None if u_period_us is None else u_period_us * 1e-6,
        pulse_sd_s=(read.optional("pulse_sd_us") or 0.0) * 1e-6,
        rest_sd_s=(read.optional("rest_sd_us") or 0.0) * 1e-6,
        period_sd_s=(read.optional("period_sd_us") or 0.0) * 1e-6,
        pulse_rest_correlation=read.optional("pulse_rest_correlation") or 0.0,
        clock_share=None if clock_ppm is None else clock_ppm * 1e-6,
    )


_MOST_US = 1e9
_BETWEEN = {
    "knob_deg": (-3600.0, 3600.0),
    "clock_ppm": (0.0, 1e6),
    "pulse_rest_correlation": (-1.0, 1.0),
    "supply_v": (0.0, 100.0),
    "temperature_c": (-100.0, 200.0),
    "pulse_count": (0.0, 1e12),
    "design_pulse_us": (-_MOST_US, _MOST_US),
    "deviation_us": (-_MOST_US, _MOST_US),
}
"""Between what a cell must lie, as in a sidecar; else from 0 to `_MOST_US`: figures beyond are a
slip of the keyboard, and the reckoning would overflow."""


@dataclass(frozen=True, slots=True)
class _Cells:
    """The cells of one row by column, and where it stands."""

    cells: Mapping[str, str]
    line: int
    name: str

    def number(self, column: str, *, above: float | None = None) -> float:
        """Read a number that must be there."""
        low, high = _BETWEEN.get(column, (0.0, _MOST_US))
        value = _finite(self.cells[column])
        if value is None or not low <= value <= high or (above is not None and value <= above):
            expected = f"a number from {low:g} to {high:g}"
            if above is not None:
                expected = f"a number above {above:g}, up to {high:g}"
            self._refuse(column, expected)
        return value

    def pulse_us(self) -> float:
        """Read the pulse, which is part of its period."""
        value = self.number("pulse_us", above=0.0)
        if value >= self.number("period_us", above=0.0):
            self._refuse(
                "pulse_us", f"less than the period, {self.cells['period_us']} under period_us"
            )
        return value

    def _refuse(self, column: str, expected: str) -> NoReturn:
        """Say what is wrong with a cell."""
        found = f"has '{self.cells[column]}' under {column} in line {self.line}"
        raise _fault(self.name, found, expected)

    def optional(self, column: str) -> float | None:
        """Read a number that may be left out."""
        if not self.cells.get(column):
            return None
        return self.number(column)

    def word(self, column: str, words: tuple[str, ...]) -> str:
        """Read one word of a few."""
        text = self.cells[column]
        if text not in words:
            named = [f"'{word}'" if word else "nothing" for word in words]
            self._refuse(column, " or ".join(named))
        return text
