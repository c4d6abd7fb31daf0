"""A page as SVG: in millimetres, letters as outlines, marks that a program can read."""

from __future__ import annotations

import math
from html import escape

from benchlog.show.dial_shapes import Arc, Page, Polygon, Segment, Shape, Words
from benchlog.show.lettering import MM_PER_POINT, outline

__all__ = ["to_svg"]

_LETTERS = {1: "M", 2: "L", 3: "Q", 4: "C", 79: "Z"}
"""matplotlib's path codes; a quadratic or cubic curve takes its points in turn."""


def to_svg(page: Page) -> bytes:
    """Write a page as SVG.

    Parameters
    ----------
    page : Page
        The page.

    Returns
    -------
    bytes
        An SVG 1.1 file as large as the page, one unit a millimetre; the same every time. What a
        program may want to know of a shape stands in ``data-`` attributes (SVG 2, HTML 5.3).
    """
    size = f"{page.width_mm:g}", f"{page.height_mm:g}"
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{size[0]}mm" '
        f'height="{size[1]}mm" viewBox="0 0 {size[0]} {size[1]}">',
        f'<rect width="{size[0]}" height="{size[1]}" fill="#ffffff"/>',
    ]
    lines += [_write(one, page.height_mm) for one in page.shapes]
    lines.append("</svg>\n")
    return "\n".join(lines).encode("utf-8")


def _write(shape: Shape, height: float) -> str:
    """Write one shape."""
    names = _names(shape)
    if isinstance(shape, Words):
        return _write_words(shape, height, names)
    if isinstance(shape, Polygon):
        points = " ".join(f"{_mm(x)},{_mm(height - y)}" for x, y in shape.points)
        return f'<polygon{names} points="{points}" fill="{shape.ink}"/>'
    dash = f' stroke-dasharray="{" ".join(map(_mm, shape.dash))}"' if shape.dash else ""
    pen = f' stroke="{shape.ink}" stroke-width="{_mm(shape.width)}"{dash} fill="none"'
    if isinstance(shape, Segment):
        return (
            f'<line{names} x1="{_mm(shape.x0)}" y1="{_mm(height - shape.y0)}" '
            f'x2="{_mm(shape.x1)}" y2="{_mm(height - shape.y1)}"{pen}/>'
        )
    if shape.to_deg - shape.from_deg >= 360.0:
        return (
            f'<circle{names} cx="{_mm(shape.x)}" cy="{_mm(height - shape.y)}" '
            f'r="{_mm(shape.radius)}"{pen}/>'
        )
    return f'<path{names} d="{_arc(shape, height)}"{pen}/>'


def _names(shape: Shape) -> str:
    """Write a shape's name, kind and facts."""
    words = f' id="{escape(shape.ident)}"' if shape.ident else ""
    words += f' class="{escape(shape.kind)}"' if shape.kind else ""
    return words + "".join(f' data-{name}="{escape(value)}"' for name, value in shape.facts)


def _mm(value: float) -> str:
    """Write millimetres to a tenth of a micrometre."""
    return f"{value:.4f}".rstrip("0").rstrip(".") if value else "0"


def _arc(arc: Arc, height: float) -> str:
    """Write part of a circle, clockwise."""
    ends = []
    for turn_deg in (arc.from_deg, arc.to_deg):
        turn = math.radians(turn_deg)
        x, y = arc.x + arc.radius * math.sin(turn), arc.y + arc.radius * math.cos(turn)
        ends.append(f"{_mm(x)} {_mm(height - y)}")
    large = int(arc.to_deg - arc.from_deg > 180.0)
    radius = _mm(arc.radius)
    return f"M {ends[0]} A {radius} {radius} 0 {large} 1 {ends[1]}"


def _write_words(words: Words, height: float, names: str) -> str:
    """Write a line of text as the outlines of its letters, already in their place."""
    turn = math.radians(words.turn_deg)
    scale = words.size_pt * MM_PER_POINT
    along, up = scale * math.cos(turn), scale * math.sin(turn)

    def place(x: float, y: float) -> str:
        across, down = words.x + x * along - y * up, height - words.y - x * up - y * along
        return f"{across:.3f} {down:.3f}"

    path = outline(words.text, bold=words.bold)
    parts: list[str] = []
    left = 0
    for (x, y), code in zip(path.vertices, path.codes, strict=True):
        letter = _LETTERS[int(code)]
        if letter == "Z":
            parts.append("Z")
        elif left:
            parts.append(place(x, y))
            left -= 1
        else:
            parts.append(f"{letter}{place(x, y)}")
            left = {"Q": 1, "C": 2}.get(letter, 0)
    title = f"<title>{escape(words.text)}</title>"
    return (
        f'<path{names} role="img" aria-label="{escape(words.text)}" '
        f'd="{" ".join(parts)}" fill="{words.ink}">{title}</path>'
    )
