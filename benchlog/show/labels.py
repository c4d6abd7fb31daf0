"""A sheet of labels for a batch, true to size: PDF or SVG.

Text never leaves its label: a line is set smaller until it fits, and where it would become too
small to be read it is cut with an ellipsis. matplotlib draws, and its own measure of each line,
the one that it draws by, decides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from benchlog.capture.new_files import write_new_bytes
from benchlog.errors import StoreError, UsageError
from benchlog.show.lettering import drawable, font

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["PAPERS_MM", "Label", "Sheet", "draw_sheets", "write_labels"]

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height (ISO 216; ANSI Y14.1 size A), from memory."""

_MM_PER_INCH = 25.4
_POINTS_PER_MM = 72.0 / _MM_PER_INCH
_LEAST_MM = (25.0, 12.0)
_PADDING = 0.08
_LARGEST_PADDING_MM = 4.0
_SMALLEST_PT = 4.5
_LEAST_SHARE = 0.6
_LEADING = 1.3
_SIZES_PT = (13.0, 10.0, 10.0, 9.0)
_GAP_PT = 4.0
_INK = {"PASS": "#000000", "FAIL": "#b03a00", "AGAIN": "#8a5a00"}


@dataclass(frozen=True, slots=True)
class Label:
    """What stands on one label.

    Attributes
    ----------
    channel, batch : str
        Whose copy it is.
    number : int
        The copy's number.
    date : str
        When it was measured, such as 2026-09-01.
    verdict : {"PASS", "FAIL", "AGAIN"}
        The answer.
    low_s, u_low_s, high_s, u_high_s : float or None
        The pulse at the two ends and its standard uncertainty, seconds; None where there was none.
    period_s : float or None
        The period in the middle, seconds.
    remark : str
        The part that is off, or why it is to be measured again; may be empty.
    """

    channel: str
    batch: str
    number: int
    date: str
    verdict: Literal["PASS", "FAIL", "AGAIN"]
    low_s: float | None
    u_low_s: float | None
    high_s: float | None
    u_high_s: float | None
    period_s: float | None
    remark: str

    def figures(self) -> tuple[str, str]:
        """Return the lines between the title and the remark."""
        if self.low_s is not None and self.high_s is not None:
            low = _pulse(self.low_s, self.u_low_s)
            high = _pulse(self.high_s, self.u_high_s)
            pulses = f"{low} to {high} µs"
        else:
            pulses = "no pulses"
        period = f"period {self.period_s * 1e3:.2f} ms   " if self.period_s is not None else ""
        return pulses, f"{period}{self.date}"


def _pulse(width_s: float, u_s: float | None) -> str:
    """Write a pulse with U, two standard uncertainties, rounded up."""
    if u_s is None:
        return f"{width_s * 1e6:.1f}"
    return f"{width_s * 1e6:.1f} ± {max(math.ceil(2.0 * u_s * 1e7 - 1e-9), 1) / 10.0:.1f}"


@dataclass(frozen=True, slots=True)
class Sheet:
    """How labels lie on the paper.

    Attributes
    ----------
    paper : str
        A key of `PAPERS_MM`.
    label_mm : tuple of float
        Width and height of a label.
    skip : int
        Labels that are gone already from the first sheet.

    Raises
    ------
    UsageError
        A label that is too small or larger than the paper, or all of them skipped.
    """

    paper: str = "a4"
    label_mm: tuple[float, float] = (70.0, 37.0)
    skip: int = 0

    def __post_init__(self) -> None:
        width, height = self.label_mm
        paper = PAPERS_MM[self.paper]
        if not (_LEAST_MM[0] <= width <= paper[0] and _LEAST_MM[1] <= height <= paper[1]):
            raise UsageError(
                f"a label of {width:g} x {height:g} mm",
                expected=f"from {_LEAST_MM[0]:g} x {_LEAST_MM[1]:g} mm to the paper's "
                f"{paper[0]:g} x {paper[1]:g} mm",
                attempt="--label-size 70x37",
            )
        if not 0 <= self.skip < self.count:
            raise UsageError(
                f"{self.skip} labels skipped",
                expected=f"0 to {self.count - 1}, of the {self.count} on a sheet",
                attempt="--skip-labels 0",
            )

    @property
    def columns(self) -> int:
        """Labels side by side."""
        return int(PAPERS_MM[self.paper][0] / self.label_mm[0] + 1e-9)

    @property
    def rows(self) -> int:
        """Labels one above the other."""
        return int(PAPERS_MM[self.paper][1] / self.label_mm[1] + 1e-9)

    @property
    def count(self) -> int:
        """Labels on a sheet."""
        return self.columns * self.rows

    def corner_mm(self, place: int) -> tuple[float, float]:
        """Return the lower left corner of a label, from the sheet's lower left corner.

        Parameters
        ----------
        place : int
            From 0, along the rows from the top left.

        Returns
        -------
        tuple of float
            Millimetres; the labels together lie in the middle of the sheet.
        """
        paper, label = PAPERS_MM[self.paper], self.label_mm
        row, column = divmod(place, self.columns)
        left = (paper[0] - self.columns * label[0]) / 2.0
        top = paper[1] - (paper[1] - self.rows * label[1]) / 2.0
        return left + column * label[0], top - (row + 1) * label[1]


def draw_sheets(labels: Sequence[Label], sheet: Sheet) -> list[Figure]:
    """Draw labels.

    Parameters
    ----------
    labels : sequence of Label
        In the order of the sheet.
    sheet : Sheet
        How they lie.

    Returns
    -------
    list of matplotlib.figure.Figure
        A sheet each, as large as the paper; each text's ``gid`` is 'label-<place>'.
    """
    from matplotlib.figure import Figure

    paper = PAPERS_MM[sheet.paper]
    figures: list[Figure] = []
    for index, label in enumerate(labels):
        page, place = divmod(index + sheet.skip, sheet.count)
        while len(figures) <= page:
            figures.append(Figure(figsize=(paper[0] / _MM_PER_INCH, paper[1] / _MM_PER_INCH)))
        _draw_label(figures[page], label, sheet, place)
    return figures


def _draw_label(figure: Figure, label: Label, sheet: Sheet, place: int) -> None:
    """Draw one label: number and answer on top, figures below."""
    left_mm, bottom_mm = sheet.corner_mm(place)
    width_mm, height_mm = sheet.label_mm
    _draw_corners(figure, left_mm, bottom_mm, width_mm, height_mm)
    padding_mm = min(_LARGEST_PADDING_MM, _PADDING * width_mm, _PADDING * 2.0 * height_mm)
    room_pt = (width_mm - 2.0 * padding_mm) * _POINTS_PER_MM
    tall_pt = (height_mm - 2.0 * padding_mm) * _POINTS_PER_MM
    scale = min(1.0, tall_pt / (_LEADING * sum(_SIZES_PT)))
    x_pt = (left_mm + padding_mm) * _POINTS_PER_MM
    low_pt = (bottom_mm + padding_mm) * _POINTS_PER_MM
    y_pt = (bottom_mm + height_mm - padding_mm) * _POINTS_PER_MM
    ink = _INK[label.verdict]
    gid = f"label-{place}"
    size_pt = scale * _SIZES_PT[0]
    y_pt -= size_pt
    answer, answer_pt = _fit(label.verdict, 0.45 * room_pt, size_pt, bold=True)
    _put(figure, x_pt + room_pt, y_pt, answer, answer_pt, gid, ink=ink, right=True)
    left_pt = room_pt - _measure(answer, answer_pt, bold=True) - _GAP_PT
    title = f"{label.channel} {label.batch} #{label.number}"
    text, fitted_pt = _fit_title(title, f"#{label.number}", left_pt, size_pt)
    _put(figure, x_pt, y_pt, text, fitted_pt, gid, bold=True)
    for line, usual_pt in zip(label.figures(), _SIZES_PT[1:], strict=False):
        y_pt -= (_LEADING - 1.0) * size_pt
        size_pt = scale * usual_pt
        y_pt -= size_pt
        text, fitted_pt = _fit(line, room_pt, size_pt, bold=False)
        _put(figure, x_pt, y_pt, text, fitted_pt, gid)
    y_pt -= (_LEADING - 1.0) * size_pt
    size_pt = scale * _SIZES_PT[-1]
    most = max(1, int((y_pt - low_pt) / (_LEADING * size_pt)))
    for line in _wrap(label.remark, room_pt, size_pt, most):
        y_pt -= size_pt
        text, fitted_pt = _fit(line, room_pt, size_pt, bold=False)
        _put(figure, x_pt, y_pt, text, fitted_pt, gid, ink=ink)
        y_pt -= (_LEADING - 1.0) * size_pt


def _wrap(text: str, room_pt: float, size_pt: float, most: int) -> list[str]:
    """Break a sentence into lines; what does not fit into the last one is left to `_fit`."""
    lines: list[str] = []
    for word in drawable(text).split():
        joined = f"{lines[-1]} {word}" if lines else word
        full = bool(lines) and _measure(joined, size_pt, bold=False) > room_pt
        if lines and (not full or len(lines) == most):
            lines[-1] = joined
        else:
            lines.append(word)
    if len(lines) == most and _measure(lines[-1], size_pt, bold=False) > room_pt:
        # a long rest would make the last line tiny: it is cut at the size of the others
        lines[-1] = _cut(lines[-1], room_pt, size_pt, bold=False)
    return lines


def _draw_corners(figure: Figure, left: float, bottom: float, width: float, height: float) -> None:
    """Mark the label's corners for the scissors, within the label."""
    from matplotlib.lines import Line2D

    wide, tall = (one * _MM_PER_INCH for one in figure.get_size_inches())
    tick = 1.5
    for x, inward in ((left, tick), (left + width, -tick)):
        for y, upward in ((bottom, tick), (bottom + height, -tick)):
            xs = [(x + inward) / wide, x / wide, x / wide]
            ys = [y / tall, y / tall, (y + upward) / tall]
            line = Line2D(xs, ys, color="#b0b0b0", linewidth=0.3, transform=figure.transFigure)
            figure.add_artist(line)


def _put(
    figure: Figure,
    x_pt: float,
    y_pt: float,
    text: str,
    size_pt: float,
    gid: str,
    *,
    ink: str = "#000000",
    right: bool = False,
    bold: bool = False,
) -> None:
    """Set a line with its baseline at a place."""
    wide, tall = (one * 72.0 for one in figure.get_size_inches())
    figure.text(
        x_pt / wide,
        y_pt / tall,
        text,
        fontsize=size_pt,
        family="DejaVu Sans",
        weight="bold" if bold or right else "normal",
        color=ink,
        ha="right" if right else "left",
        va="baseline",
        parse_math=False,
        gid=gid,
    )


def _measure(text: str, size_pt: float, *, bold: bool) -> float:
    """Return how wide a line is, points."""
    from matplotlib.textpath import text_to_path

    return float(
        text_to_path.get_text_width_height_descent(text, font(size_pt, bold=bold), False)[0]
    )


def _fit(text: str, room_pt: float, size_pt: float, *, bold: bool) -> tuple[str, float]:
    """Set a line smaller until it fits, and cut it where that would be too small."""
    text = drawable(text)
    if not text:
        return "", size_pt
    # a thousandth is left for what the drawing rounds
    wanted_pt = 0.999 * size_pt * room_pt / _measure(text, size_pt, bold=bold)
    least_pt = min(max(_SMALLEST_PT, _LEAST_SHARE * size_pt), size_pt)
    if wanted_pt >= least_pt:
        return text, min(size_pt, wanted_pt)
    return _cut(text, room_pt, least_pt, bold=bold), least_pt


def _cut(text: str, room_pt: float, size_pt: float, *, bold: bool) -> str:
    """Cut a line that is too long at a size, with an ellipsis."""
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if _measure(text[:middle].rstrip() + "…", size_pt, bold=bold) <= 0.998 * room_pt:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + "…"


def _fit_title(title: str, number: str, room_pt: float, size_pt: float) -> tuple[str, float]:
    """Fit the title; the number stays whole whatever the names are."""
    text, fitted_pt = _fit(title, room_pt, size_pt, bold=True)
    if not text.endswith("…"):
        return text, fitted_pt
    names = title.removesuffix(number).rstrip()
    own_pt = _measure(f" {number}", fitted_pt, bold=True)
    cut, _ = _fit(names, max(room_pt - own_pt, 1.0), fitted_pt, bold=True)
    return _fit(f"{cut} {number}", room_pt, fitted_pt, bold=True)


def write_labels(path: Path, labels: Sequence[Label], sheet: Sheet) -> tuple[Path, ...]:
    """Write sheets of labels into new files.

    Parameters
    ----------
    path : Path
        Ends in .pdf or .svg; an SVG holds one sheet, so the others go to ``<stem>-2.svg`` and on.
    labels : sequence of Label
        At least one.
    sheet : Sheet
        How they lie.

    Returns
    -------
    tuple of Path
        What was written.

    Raises
    ------
    UsageError
        Another suffix.
    StoreError
        A file is there already, or cannot be written.
    """
    suffix = path.suffix.lower()
    if suffix not in (".pdf", ".svg"):
        raise UsageError(
            f"labels in '{path.name}'",
            expected="a name that ends in .pdf or .svg",
            attempt=f"{path.stem or 'labels'}.pdf",
        )
    if not labels:
        raise StoreError(
            "a batch without copies",
            expected="at least one that was measured",
            attempt="measuring one: confirm with --input or --port and this --batch",
        )
    figures = draw_sheets(labels, sheet)
    if suffix == ".pdf":
        return (write_new_bytes(path, _to_pdf(figures)),)
    names = [path] + [
        path.with_name(f"{path.stem}-{page}{path.suffix}") for page in range(2, len(figures) + 1)
    ]
    return tuple(
        write_new_bytes(name, _to_svg(figure)) for name, figure in zip(names, figures, strict=True)
    )


def _to_pdf(figures: Sequence[Figure]) -> bytes:
    import matplotlib as mpl
    from matplotlib.backends.backend_pdf import PdfPages

    buffer = BytesIO()
    with (
        mpl.rc_context({"pdf.fonttype": 42}),
        PdfPages(buffer, metadata={"Creator": "benchlog", "CreationDate": None}) as pages,
    ):
        for figure in figures:
            pages.savefig(figure)
    return buffer.getvalue()


def _to_svg(figure: Figure) -> bytes:
    import matplotlib as mpl

    buffer = BytesIO()
    with mpl.rc_context({"svg.fonttype": "path", "svg.hashsalt": "benchlog"}):
        figure.savefig(buffer, format="svg", metadata={"Creator": "benchlog", "Date": None})
    return buffer.getvalue()
