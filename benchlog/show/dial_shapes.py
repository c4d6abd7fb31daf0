"""What a printed page is made of, in millimetres from its lower left corner, y upward.

Both the pictures that matplotlib draws and the SVG are written from these, so that a mark lies at
the same place in each.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from benchlog.show.dial_boxes import Box
from benchlog.show.labels import PAPERS_MM
from benchlog.show.lettering import MM_PER_POINT, measure_ink

__all__ = ["PAPERS_MM", "Arc", "Page", "Polygon", "Segment", "Shape", "Words", "centred_words"]

Facts = tuple[tuple[str, str], ...]
"""What a program can read of a shape: names and values."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A straight line.

    Attributes
    ----------
    x0, y0, x1, y1 : float
        Its ends.
    width : float
        How wide it is drawn.
    ident : str
        Its name in the file; empty for none.
    kind : str
        What it is, such as 'mark'.
    facts : tuple
        What a program can read of it.
    ink : str
        Its colour.
    dash : tuple of float
        Lengths of stroke and gap; empty for a solid line.
    """

    x0: float
    y0: float
    x1: float
    y1: float
    width: float
    ident: str = ""
    kind: str = ""
    facts: Facts = ()
    ink: str = "#000000"
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Arc:
    """A part of a circle, or all of it where it turns by 360 degrees.

    Attributes
    ----------
    x, y, radius : float
        The circle.
    from_deg, to_deg : float
        Where it begins and ends, degrees clockwise from the top.
    width : float
        How wide it is drawn.
    ident, kind, facts, ink, dash
        As those of `Segment`.
    """

    x: float
    y: float
    radius: float
    from_deg: float
    to_deg: float
    width: float
    ident: str = ""
    kind: str = ""
    facts: Facts = ()
    ink: str = "#000000"
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Polygon:
    """A filled figure with straight sides.

    Attributes
    ----------
    points : tuple
        Its corners.
    ident, kind, facts, ink
        As those of `Segment`.
    """

    points: tuple[tuple[float, float], ...]
    ident: str = ""
    kind: str = ""
    facts: Facts = ()
    ink: str = "#000000"


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text.

    Attributes
    ----------
    x, y : float
        Where the pen starts, on the baseline.
    text : str
        Signs that the font has.
    size_pt : float
        The letters' size.
    turn_deg : float
        How far it is turned anticlockwise about the pen's start.
    bold : bool
        Its weight.
    ident, kind, facts, ink
        As those of `Segment`.
    """

    x: float
    y: float
    text: str
    size_pt: float
    turn_deg: float = 0.0
    bold: bool = False
    ident: str = ""
    kind: str = ""
    facts: Facts = ()
    ink: str = "#000000"


Shape = Segment | Arc | Polygon | Words


@dataclass(frozen=True, slots=True)
class Page:
    """A sheet of paper.

    Attributes
    ----------
    width_mm, height_mm : float
        Its size.
    shapes : list of Shape
        What is on it, drawn in this order.
    """

    width_mm: float
    height_mm: float
    shapes: list[Shape] = field(default_factory=list)


def centred_words(
    text: str,
    box: Box,
    size_pt: float,
    *,
    bold: bool = False,
    ident: str = "",
    kind: str = "",
    facts: Facts = (),
) -> Words:
    """Set a line so that its ink lies in the middle of a box.

    Parameters
    ----------
    text : str
        Signs that the font has.
    box : Box
        Where its ink goes, from the page's corner; turned as the letters are.
    size_pt : float
        The letters' size.
    bold : bool
        Its weight.
    ident, kind, facts
        As those of `Words`.

    Returns
    -------
    Words
        The line.
    """
    ink = measure_ink(text, bold=bold)
    size_mm = size_pt * MM_PER_POINT
    along, up = (ink.left + ink.right) / 2.0 * size_mm, (ink.bottom + ink.top) / 2.0 * size_mm
    (ax, ay), (bx, by) = box.axes()
    return Words(
        box.x_mm - along * ax - up * bx,
        box.y_mm - along * ay - up * by,
        text,
        size_pt,
        box.turn_deg,
        bold,
        ident,
        kind,
        facts,
    )
