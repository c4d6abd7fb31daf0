"""Dials on sheets of paper: cutting lines, captions, and a bar that checks the printer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchlog.calibration.dial_marks import Mark, Stretch
from benchlog.show.dial_boxes import Box
from benchlog.show.dial_face import Layout
from benchlog.show.dial_shapes import (
    PAPERS_MM,
    Arc,
    Page,
    Polygon,
    Segment,
    Shape,
    Words,
    centred_words,
)
from benchlog.show.dial_words import SetLine
from benchlog.show.lettering import MM_PER_POINT, measure_ink

__all__ = ["BAR_MM", "Dial", "Spot", "arrange", "draw_pages"]

BAR_MM = 50.0
"""Length of the bar that checks the printer's scale."""

_MARGIN_MM = 10.0
_FOOT_MM = 16.0
_GREY = "#808080"
_CUT_MM = 0.1
_CAPTION_PT = 6.5
_TITLE_PT = 8.0
_LINE_MM = 2.9
_LEAST_CELL_MM = 44.0


@dataclass(frozen=True, slots=True)
class Dial:
    """A dial, ready to be drawn.

    Attributes
    ----------
    channel : str
        Whose it is.
    layout : Layout
        Its ticks and labels.
    marks : tuple of Mark
        The marks behind them, in their order.
    stretches : tuple of Stretch
        What is pointed out on its band.
    lines : tuple of SetLine
        What is printed on it.
    title : str
        The first line beneath it.
    caption : tuple of str
        The others.
    has_slit : bool
        Whether it is cut open, to be put under a knob that stays on its shaft.
    """

    channel: str
    layout: Layout
    marks: tuple[Mark, ...]
    stretches: tuple[Stretch, ...]
    lines: tuple[SetLine, ...]
    title: str
    caption: tuple[str, ...]
    has_slit: bool = False


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a dial's centre lies.

    Attributes
    ----------
    page : int
        From 0.
    x_mm, y_mm : float
        From the page's lower left corner.
    """

    page: int
    x_mm: float
    y_mm: float


def arrange(dials: Sequence[Dial], paper: str) -> list[Spot]:
    """Find places for dials.

    Parameters
    ----------
    dials : sequence of Dial
        At least one.
    paper : {"a4", "letter"}
        The paper.

    Returns
    -------
    list of Spot
        One a dial, row by row; as many to a page as fit.
    """
    width, height = PAPERS_MM[paper]
    disc, cell = _cell_mm(dials)
    columns = min(max(1, int((width - 2.0 * _MARGIN_MM) / cell)), len(dials))
    spots: list[Spot] = []
    page, top = 0, height - _MARGIN_MM
    for start in range(0, len(dials), columns):
        row = dials[start : start + columns]
        lines = max(len(_wrap_caption(one, cell)) for one in row)
        tall = disc + 6.0 + _TITLE_PT * MM_PER_POINT + lines * _LINE_MM
        if top - tall < _MARGIN_MM + _FOOT_MM and top < height - _MARGIN_MM:
            page, top = page + 1, height - _MARGIN_MM
        for column in range(len(row)):
            x = width / 2.0 + (column - (columns - 1) / 2.0) * cell
            spots.append(Spot(page, x, top - disc / 2.0 - 1.0))
        top -= tall
    return spots


def _cell_mm(dials: Sequence[Dial]) -> tuple[float, float]:
    """Return the largest diameter, and the width that each dial gets."""
    disc = max(one.layout.face.diameter_mm for one in dials)
    return disc, max(disc + 8.0, _LEAST_CELL_MM)


def draw_pages(dials: Sequence[Dial], paper: str) -> list[Page]:
    """Draw dials on as many sheets as they need.

    Parameters
    ----------
    dials : sequence of Dial
        At least one.
    paper : {"a4", "letter"}
        The paper.

    Returns
    -------
    list of Page
        Each with a bar to check the printer's scale.
    """
    spots = arrange(dials, paper)
    count = spots[-1].page + 1
    pages = [Page(*PAPERS_MM[paper]) for _ in range(count)]
    first_on: dict[int, int] = {}
    for index, (dial, spot) in enumerate(zip(dials, spots, strict=True)):
        first = first_on.setdefault(spot.page, index)
        prefix = "" if index == first else f"dial-{index - first + 1}-"
        pages[spot.page].shapes.extend(_draw_dial(dial, spot, prefix))
    _, cell = _cell_mm(dials)
    for dial, spot in zip(dials, spots, strict=True):
        pages[spot.page].shapes.extend(_draw_caption(dial, spot, cell))
    for number, page in enumerate(pages):
        page.shapes.extend(_draw_foot(page, number, count))
    return pages


def _draw_dial(dial: Dial, spot: Spot, prefix: str) -> list[Shape]:
    """Draw one dial around its centre."""
    face, layout = dial.layout.face, dial.layout
    x, y = spot.x_mm, spot.y_mm
    facts = (
        ("channel", dial.channel),
        ("start-deg", f"{face.start_deg:.4f}"),
        ("travel-deg", f"{face.travel_deg:.4f}"),
    )
    shapes: list[Shape] = [
        Arc(x, y, face.radius_mm, 0.0, 360.0, _CUT_MM, f"{prefix}outline", "cut", facts, _GREY),
        Arc(x, y, face.hole_radius_mm, 0.0, 360.0, _CUT_MM, f"{prefix}hole", "cut", (), _GREY),
    ]
    arm = 0.6 * face.hole_radius_mm
    for name, dx, dy in (("across", arm, 0.0), ("upright", 0.0, arm)):
        shapes.append(
            Segment(
                x - dx, y - dy, x + dx, y + dy, _CUT_MM, f"{prefix}centre-{name}", "centre",
                ink=_GREY,
            )
        )  # fmt: skip
    if dial.has_slit:
        shapes.append(_draw_slit(dial, spot, prefix))
    shapes += _draw_base(dial, spot, prefix)
    shapes += _draw_ticks(dial, spot, prefix)
    names = _mark_names(dial, prefix)
    for label in layout.labels:
        box = _shifted(label.box, spot)
        ident = f"{names[label.item]}-label"
        shapes.append(centred_words(label.text, box, layout.size_pt, ident=ident, kind="label"))
    for line in dial.lines:
        box = _shifted(line.box, spot)
        shapes.append(
            centred_words(line.line.text, box, line.size_pt, bold=line.line.bold, kind="words")
        )
    return shapes


def _shifted(box: Box, spot: Spot) -> Box:
    return Box(
        box.x_mm + spot.x_mm, box.y_mm + spot.y_mm, box.width_mm, box.height_mm, box.turn_deg
    )


def _ray(
    dial: Dial, spot: Spot, knob_deg: float, inner: float, outer: float
) -> tuple[float, float, float, float]:
    """Return the ends of a radial line, from the page's corner."""
    x0, y0 = dial.layout.face.place(knob_deg, inner)
    x1, y1 = dial.layout.face.place(knob_deg, outer)
    return spot.x_mm + x0, spot.y_mm + y0, spot.x_mm + x1, spot.y_mm + y1


def _draw_slit(dial: Dial, spot: Spot, prefix: str) -> Segment:
    """Draw the slit through the side where the knob never points."""
    face = dial.layout.face
    middle = face.travel_deg + (360.0 - face.travel_deg) / 2.0
    ends = _ray(dial, spot, middle, face.hole_radius_mm, face.radius_mm)
    return Segment(*ends, _CUT_MM, f"{prefix}slit", "cut", (), _GREY, (2.0, 1.0))


def _draw_base(dial: Dial, spot: Spot, prefix: str) -> list[Shape]:
    """Draw the circle on which the ticks stand, the knob's stops, and the band beneath."""
    face, layout = dial.layout.face, dial.layout
    x, y, base = spot.x_mm, spot.y_mm, layout.base_mm
    first, last = face.turn_deg(0.0), face.turn_deg(face.travel_deg)
    thin = 0.6 * layout.ticks[0].width_mm if layout.ticks else 0.12
    shapes: list[Shape] = [Arc(x, y, base, first, last, thin, f"{prefix}travel", "travel")]
    inner, outer = layout.band_mm
    for name, knob_deg in (("anticlockwise", 0.0), ("clockwise", face.travel_deg)):
        ends = _ray(dial, spot, knob_deg, inner, base)
        fact = (("knob-deg", f"{knob_deg:.4f}"),)
        shapes.append(Segment(*ends, 1.6 * thin, f"{prefix}stop-{name}", "knob-stop", fact))
    for number, one in enumerate(dial.stretches):
        facts = (
            ("knob-from-deg", f"{one.from_deg:.4f}"),
            ("knob-to-deg", f"{one.to_deg:.4f}"),
        )
        ident = f"{prefix}{_STRETCH_NAMES[one.kind]}-{number + 1}"
        turns = face.turn_deg(one.from_deg), face.turn_deg(one.to_deg)
        if one.kind == "dead":
            middle, wide = (inner + outer) / 2.0, 0.4 * (outer - inner)
            dash = (wide, 1.4 * wide)
            shapes.append(Arc(x, y, middle, *turns, wide, ident, "dead", facts, dash=dash))
        else:
            shapes += _draw_end_stop(dial, spot, one, ident, facts)
    return shapes


_STRETCH_NAMES = {"dead": "dead-travel", "low": "end-stop-low", "high": "end-stop-high"}


def _draw_end_stop(
    dial: Dial, spot: Spot, one: Stretch, ident: str, facts: tuple[tuple[str, str], ...]
) -> list[Shape]:
    """Draw a stretch past an end stop: an outlined band of slanting bars, which no print loses."""
    face = dial.layout.face
    inner, outer = dial.layout.band_mm
    turns = face.turn_deg(one.from_deg), face.turn_deg(one.to_deg)
    line = min(0.15, 0.2 * (outer - inner))
    shapes: list[Shape] = [
        Arc(spot.x_mm, spot.y_mm, inner, *turns, line, ident, "end-stop", facts),
        Arc(spot.x_mm, spot.y_mm, outer, *turns, line, "", "end-stop"),
    ]
    slant = math.degrees((outer - inner) / outer)
    pitch = 1.3 * slant
    count = max(1, round((one.to_deg - one.from_deg) / pitch))
    pitch = (one.to_deg - one.from_deg) / count
    thick = 0.5 * pitch
    for k in range(count):
        foot = one.from_deg + k * pitch
        # each bar leans clockwise; what would lean out of the band is cut off
        lower = [(min(foot + d, one.to_deg), inner) for d in (0.0, thick)]
        upper = [(min(foot + d + slant, one.to_deg), outer) for d in (thick, 0.0)]
        corners = [face.place(knob, radius) for knob, radius in (*lower, *upper)]
        points = tuple((spot.x_mm + x, spot.y_mm + y) for x, y in corners)
        shapes.append(Polygon(points, "", "end-stop"))
    return shapes


def _draw_ticks(dial: Dial, spot: Spot, prefix: str) -> list[Shape]:
    """Draw ticks, and the thin lines to labels further out."""
    names = _mark_names(dial, prefix)
    shapes: list[Shape] = []
    for tick in dial.layout.ticks:
        ends = _ray(dial, spot, tick.knob_deg, tick.inner_mm, tick.outer_mm)
        facts = [("knob-deg", f"{tick.knob_deg:.4f}")]
        if tick.item is None:
            shapes.append(Segment(*ends, tick.width_mm, "", "minor", tuple(facts)))
            continue
        mark = dial.marks[tick.item]
        facts += [
            ("label", mark.text),
            ("pulse-us", f"{mark.pulse_s * 1e6:.3f}"),
            ("servo-deg", f"{mark.servo_deg:.3f}"),
        ]
        if dial.has_slit:
            facts = facts[:2]
        shapes.append(Segment(*ends, tick.width_mm, names[tick.item], "mark", tuple(facts)))
        if tick.leads_mm > tick.outer_mm:
            ends = _ray(dial, spot, tick.knob_deg, tick.outer_mm, tick.leads_mm)
            thin = min(0.4 * tick.width_mm, 0.12)
            shapes.append(Segment(*ends, thin, "", "leader", (), _GREY))
    return shapes


def _mark_names(dial: Dial, prefix: str) -> list[str]:
    """Return a name for each mark that an XML file can hold, no two of them the same."""
    names: list[str] = []
    for mark in dial.marks:
        kept = mark.text.replace("−", "-")
        plain = "".join(one if one.isascii() and one.isalnum() else "-" for one in kept)
        name = f"{prefix}mark-{plain}"
        while name in names:
            name += "x"
        names.append(name)
    return names


def _draw_caption(dial: Dial, spot: Spot, cell: float) -> list[Shape]:
    """Write the lines beneath a dial."""
    y = spot.y_mm - dial.layout.face.radius_mm - 1.5 - _TITLE_PT * MM_PER_POINT
    shapes: list[Shape] = []
    for text, size_pt, bold in _wrap_caption(dial, cell):
        size_pt = min(size_pt, size_pt * (cell - 3.0) / max(_width(text, size_pt, bold), 1e-6))
        left = spot.x_mm - _width(text, size_pt, bold) / 2.0
        shapes.append(Words(left, y, text, size_pt, bold=bold, kind="caption"))
        y -= _LINE_MM
    return shapes


def _width(text: str, size_pt: float, bold: bool) -> float:
    return measure_ink(text, bold=bold).right * size_pt * MM_PER_POINT


def _wrap_caption(dial: Dial, cell: float) -> list[tuple[str, float, bool]]:
    """Break the caption into lines that fit a cell: text, size and weight of each."""
    lines = [(text, _TITLE_PT, True) for text in _wrap(dial.title, _TITLE_PT, True, cell - 3.0)]
    for sentence in dial.caption:
        wrapped = _wrap(sentence, _CAPTION_PT, False, cell - 3.0)
        lines += [(text, _CAPTION_PT, False) for text in wrapped]
    return lines


def _wrap(text: str, size_pt: float, bold: bool, room: float) -> list[str]:
    """Break a sentence between its words."""
    lines: list[str] = []
    for word in text.split(" "):  # a no-break space holds a figure and its unit together
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and _width(joined, size_pt, bold) <= room:
            lines[-1] = joined
        else:
            lines.append(word)
    return lines


def _draw_foot(page: Page, number: int, count: int) -> list[Shape]:
    """Draw the bar that checks the printer, and what to do with the sheet."""
    left = (page.width_mm - BAR_MM) / 2.0
    y = _MARGIN_MM + 9.0
    fact = (("length-mm", f"{BAR_MM:g}"),)
    shapes: list[Shape] = [
        Segment(left, y, left + BAR_MM, y, 0.3, "bar-50mm", "bar", fact),
    ]
    for k in range(11):
        x = left + 5.0 * k
        tall = 3.0 if k in (0, 10) else 1.8 if k % 2 == 0 else 1.0
        shapes.append(Segment(x, y, x, y + tall, 0.15, f"bar-tick-{5 * k}mm", "bar-tick"))
    texts = [
        "Print at 100 % (actual size), not fitted to the page: this bar must measure 50 mm.",
        "Cut along the grey circles; the cross is the middle of the shaft.",
    ]
    if count > 1:
        texts[1] += f" Sheet {number + 1} of {count}."
    for k, text in enumerate(texts):
        x = (page.width_mm - _width(text, 7.0, False)) / 2.0
        shapes.append(Words(x, y - 4.0 - 3.4 * k, text, 7.0, kind="foot"))
    return shapes
