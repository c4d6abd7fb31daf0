"""A batch's text: a row for each time that a copy of one design was measured.

Lines that begin with '#' say what it is and hold the design that the batch was begun with, each
line of it behind '# | '; then follows CSV (RFC 4180) with a header. Microseconds, volts and
degrees; an empty cell says 'not known'. A row's last cell is always ``end``: one that a crash cut
short lacks it and is passed over.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Iterable
from dataclasses import dataclass

from benchlog.errors import RecordingError, one_line

__all__ = [
    "COLUMNS",
    "PLACES",
    "Batch",
    "BatchCopy",
    "BatchPlace",
    "BatchProduct",
    "format_head",
    "format_row",
    "parse_batch",
    "tidy_design",
]

PLACES = ("anticlockwise", "middle", "clockwise")
"""Knob positions of a copy, as the columns name them."""

_PRODUCTS = ("r_off*c_timing", "r_knob*c_timing", "r_on*c_timing")
_HEAD = (
    "copy", "repeat", "measured_utc", "verdict", "part", "fault", "reason",
    "supply_v", "u_supply_v", "supply_from", "temperature_c",
)  # fmt: skip
_PLACE = (
    "deg", "pulse_us", "u_pulse_us", "period_us", "u_period_us", "pulse_count",
    "design_pulse_us", "deviation_us", "u_deviation_us", "verdict",
)  # fmt: skip
_PRODUCT = ("marked_us", "found_us", "u_us")
_TAIL = ("design_sha256", "row_end")
_ROW_END = "end"

COLUMNS = (
    *_HEAD,
    *(f"{place}_{one}" for place in PLACES for one in _PLACE),
    *(f"{name.replace('*', '_')}_{one}" for name in _PRODUCTS for one in _PRODUCT),
    *_TAIL,
)
"""The header of the CSV."""

TITLE = "# benchlog batch"
DESIGN_MARK = "# |"
_MOST_COPIES = 10_000_000


@dataclass(frozen=True, slots=True)
class BatchPlace:
    """One knob position of one copy.

    Attributes
    ----------
    knob_deg : float
        Knob angle, degrees.
    pulse_s, u_pulse_s, period_s, u_period_s : float
        Means and their standard uncertainties, seconds.
    pulse_count : int
        Pulses behind them.
    design_pulse_s, deviation_s, u_deviation_s : float
        What the design gives, the deviation and its standard uncertainty, seconds.
    verdict : str
        The row's verdict.
    """

    knob_deg: float
    pulse_s: float
    u_pulse_s: float
    period_s: float
    u_period_s: float
    pulse_count: int
    design_pulse_s: float
    deviation_s: float
    u_deviation_s: float
    verdict: str


@dataclass(frozen=True, slots=True)
class BatchProduct:
    """One product of a resistor and the timing capacitor.

    Attributes
    ----------
    product : str
        Such as 'r_off*c_timing'.
    marked_s, found_s, u_s : float
        Marked and found value, and the standard uncertainty of the latter, seconds.
    """

    product: str
    marked_s: float
    found_s: float
    u_s: float


@dataclass(frozen=True, slots=True)
class BatchCopy:
    """One copy as it was measured once.

    Attributes
    ----------
    number : int
        The copy's number, from 1.
    repeat : int
        0 the first time, 1 when it was measured again, and so on.
    measured_utc : str
        When, such as 2026-09-01T10:00:00Z.
    verdict : str
        'PASS', 'FAIL' or 'AGAIN'.
    part, fault : str or None
        The likeliest wrong part.
    reason : str
        What speaks against a pass; empty for one.
    supply_v, u_supply_v : float or None
        The supply and its standard uncertainty, volts.
    supply_read : bool
        Whether it was read on a meter.
    temperature_c : float or None
        The temperature, where it was given.
    places : tuple of (BatchPlace or None)
        One for each of `PLACES`.
    products : tuple of BatchProduct
        What the pulses give of the parts; may be empty.
    """

    number: int
    repeat: int
    measured_utc: str
    verdict: str
    part: str | None
    fault: str | None
    reason: str
    supply_v: float | None
    u_supply_v: float | None
    supply_read: bool
    temperature_c: float | None
    places: tuple[BatchPlace | None, BatchPlace | None, BatchPlace | None]
    products: tuple[BatchProduct, ...]


@dataclass(frozen=True, slots=True)
class Batch:
    """What a batch's file holds.

    Attributes
    ----------
    channel, name : str
        Whose batch it is, and its name.
    design_text : str
        The design that it was begun with.
    copies : tuple of BatchCopy
        In the order of the file, repeats included.
    broken_count : int
        Rows that could not be read.
    """

    channel: str
    name: str
    design_text: str
    copies: tuple[BatchCopy, ...]
    broken_count: int

    @property
    def newest(self) -> tuple[BatchCopy, ...]:
        """Each copy as it was measured last, in ascending order of the numbers."""
        last = {one.number: one for one in self.copies}
        return tuple(last[number] for number in sorted(last))

    @property
    def next_number(self) -> int:
        """The number of the next copy."""
        return max((one.number for one in self.copies), default=0) + 1

    def next_repeat(self, number: int) -> int:
        """Return the repeat that a copy's next row gets: 0 where it has none."""
        return max((one.repeat + 1 for one in self.copies if one.number == number), default=0)


def parse_batch(text: str, source: str = "the text") -> Batch:
    """Read a batch's text.

    Parameters
    ----------
    text : str
        What the file holds.
    source : str
        What to call it in messages.

    Returns
    -------
    Batch
        Rows that are broken are counted and passed over.

    Raises
    ------
    RecordingError
        It is no batch.
    """
    lines = text.split("\n")
    if not lines[0].startswith(TITLE):
        raise RecordingError(
            f"{source} does not begin with '{TITLE}'",
            expected="a batch as 'confirm --batch' writes it",
            attempt="another name with --batch",
        )
    comments = [line for line in lines if line.startswith("#")]
    rows = [line for line in lines if line and not line.startswith("#")]
    if not rows or tuple(rows[0].rstrip("\r").split(",")) != COLUMNS:
        raise RecordingError(
            f"{source} has another header than a batch's",
            expected=f"the columns {COLUMNS[0]}, {COLUMNS[1]}, ... {COLUMNS[-1]}",
            attempt="another name with --batch",
        )
    told: dict[str, str] = {}
    for line in comments:
        key, colon, value = line.removeprefix("#").strip().partition(": ")
        if colon and not line.startswith(DESIGN_MARK):
            told.setdefault(key, value)
    design = [
        line.removeprefix(DESIGN_MARK).removeprefix(" ")
        for line in comments
        if line.startswith(DESIGN_MARK)
    ]
    copies = [_parse_row(row) for row in rows[1:]]
    kept = tuple(one for one in copies if one is not None)
    return Batch(
        told.get("channel", ""),
        told.get("batch", ""),
        "\n".join(design) + "\n",
        kept,
        len(copies) - len(kept),
    )


def format_head(channel: str, name: str, design_text: str) -> str:
    """Write what a batch's file begins with.

    Parameters
    ----------
    channel, name : str
        Whose batch it is, and its name.
    design_text : str
        The design that it is begun with.

    Returns
    -------
    str
        Comment lines and the header.
    """
    lines = [
        f"{TITLE}, figures in microseconds, volts, degrees and degrees Celsius",
        f"# channel: {one_line(channel)}",
        f"# batch: {one_line(name)}",
        "# a row each time that a copy was measured; repeat counts how often it was before",
        "# u_ stands for a standard uncertainty (k = 1); an empty cell for 'not known'",
        "# supply_from: meter, or pulses where the supply was inferred from them",
        "# begun with this design:",
    ]
    lines += [f"{DESIGN_MARK} {line}".rstrip() for line in tidy_design(design_text).split("\n")]
    return "\n".join(lines) + "\n" + ",".join(COLUMNS) + "\n"


def tidy_design(design_text: str) -> str:
    """Return a design's text as it looks once it went through a batch's file.

    Parameters
    ----------
    design_text : str
        A design file's text.

    Returns
    -------
    str
        Without blanks at the ends of lines or empty lines at its end.
    """
    lines = design_text.replace("\r\n", "\n").rstrip("\n").split("\n")
    return "\n".join(line.rstrip() for line in lines)


def format_row(copy: BatchCopy, design_text: str) -> str:
    """Write a copy as one line.

    Parameters
    ----------
    copy : BatchCopy
        The copy.
    design_text : str
        The design that it was measured against; the row keeps its checksum.

    Returns
    -------
    str
        The line with its line break.
    """
    cells: list[str] = [
        str(copy.number),
        str(copy.repeat),
        copy.measured_utc,
        copy.verdict,
        copy.part or "",
        copy.fault or "",
        one_line(copy.reason),
        _number(copy.supply_v),
        _number(copy.u_supply_v),
        "" if copy.supply_v is None else "meter" if copy.supply_read else "pulses",
        _number(copy.temperature_c),
    ]
    for place in copy.places:
        cells += [""] * len(_PLACE) if place is None else _format_place(place)
    by_name = {one.product: one for one in copy.products}
    for name in _PRODUCTS:
        one = by_name.get(name)
        cells += (
            [""] * len(_PRODUCT)
            if one is None
            else [_micro(one.marked_s), _micro(one.found_s), _micro(one.u_s)]
        )
    digest = hashlib.sha256(tidy_design(design_text).encode()).hexdigest()
    cells += [digest, _ROW_END]
    sheet = io.StringIO()
    csv.writer(sheet, lineterminator="\n").writerow(cells)
    return sheet.getvalue()


def _format_place(place: BatchPlace) -> list[str]:
    return [
        _number(place.knob_deg),
        _micro(place.pulse_s),
        _micro(place.u_pulse_s),
        _micro(place.period_s),
        _micro(place.u_period_s),
        str(place.pulse_count),
        _micro(place.design_pulse_s),
        _micro(place.deviation_s),
        _micro(place.u_deviation_s),
        place.verdict,
    ]


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _micro(seconds: float) -> str:
    return f"{seconds * 1e6:.4f}"


def _parse_row(line: str) -> BatchCopy | None:
    """Read a row; None where it is broken."""
    try:
        (cells,) = csv.reader([line.rstrip("\r")], strict=True)
    except (csv.Error, ValueError):
        return None
    if len(cells) != len(COLUMNS) or cells[-1] != _ROW_END:
        return None
    by_name = dict(zip(COLUMNS, cells, strict=True))
    try:
        return _build_copy(by_name)
    except ValueError:
        return None


def _build_copy(cells: dict[str, str]) -> BatchCopy:
    """Make a copy of a row's cells; ValueError where one is wrong."""
    number, repeat = int(cells["copy"]), int(cells["repeat"])
    if not (0 < number < _MOST_COPIES and 0 <= repeat < _MOST_COPIES):
        raise ValueError(f"copy {number}, repeat {repeat}")
    if cells["verdict"] not in ("PASS", "FAIL", "AGAIN"):
        raise ValueError(f"verdict {cells['verdict']!r}")
    first, middle, last = (_parse_place(cells, place) for place in PLACES)
    return BatchCopy(
        number=number,
        repeat=repeat,
        measured_utc=cells["measured_utc"],
        verdict=cells["verdict"],
        part=cells["part"] or None,
        fault=cells["fault"] or None,
        reason=cells["reason"],
        supply_v=_maybe(cells["supply_v"]),
        u_supply_v=_maybe(cells["u_supply_v"]),
        supply_read=cells["supply_from"] == "meter",
        temperature_c=_maybe(cells["temperature_c"]),
        places=(first, middle, last),
        products=tuple(_parse_products(cells)),
    )


def _parse_place(cells: dict[str, str], place: str) -> BatchPlace | None:
    if not cells[f"{place}_pulse_us"]:
        return None

    def seconds(name: str) -> float:
        return _finite(cells[f"{place}_{name}_us"]) * 1e-6

    return BatchPlace(
        knob_deg=_finite(cells[f"{place}_deg"]),
        pulse_s=seconds("pulse"),
        u_pulse_s=seconds("u_pulse"),
        period_s=seconds("period"),
        u_period_s=seconds("u_period"),
        pulse_count=int(cells[f"{place}_pulse_count"]),
        design_pulse_s=seconds("design_pulse"),
        deviation_s=seconds("deviation"),
        u_deviation_s=seconds("u_deviation"),
        verdict=cells[f"{place}_verdict"],
    )


def _parse_products(cells: dict[str, str]) -> Iterable[BatchProduct]:
    for name in _PRODUCTS:
        key = name.replace("*", "_")
        if cells[f"{key}_found_us"]:
            values = [_finite(cells[f"{key}_{one}"]) * 1e-6 for one in _PRODUCT]
            if values[0] <= 0:
                raise ValueError(f"{name} marked {values[0]}")
            yield BatchProduct(name, *values)


def _maybe(cell: str) -> float | None:
    return _finite(cell) if cell else None


def _finite(cell: str) -> float:
    value = float(cell)
    if not math.isfinite(value):
        raise ValueError(f"{cell!r} is not finite")
    return value
