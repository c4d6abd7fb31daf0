"""Pages as PDF, with the font in it, and as PNG."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Any

from benchlog.show.dial_shapes import Arc, Page, Polygon, Segment, Shape, Words
from benchlog.show.lettering import font

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.transforms import Transform

__all__ = ["to_pdf", "to_png"]

_MM_PER_INCH = 25.4
_POINTS_PER_MM = 72.0 / _MM_PER_INCH
_DPI = 300


def to_pdf(pages: Sequence[Page]) -> bytes:
    """Write pages as PDF.

    Parameters
    ----------
    pages : sequence of Page
        At least one.

    Returns
    -------
    bytes
        One file, its pages true to size, with the letters that it needs of the font (Type 42);
        the same every time.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_pdf import PdfPages

    buffer = BytesIO()
    with (
        mpl.rc_context({"pdf.fonttype": 42, "path.simplify": False}),
        PdfPages(buffer, metadata={"Creator": "benchlog", "CreationDate": None}) as sheets,
    ):
        for page in pages:
            sheets.savefig(_draw(page))
    return buffer.getvalue()


def to_png(page: Page) -> bytes:
    """Write a page as PNG, 300 points an inch.

    Parameters
    ----------
    page : Page
        The page.

    Returns
    -------
    bytes
        One file; the same every time.
    """
    import matplotlib as mpl

    buffer = BytesIO()
    with mpl.rc_context({"text.hinting": "none"}):
        figure = _draw(page)
        figure.savefig(buffer, format="png", dpi=_DPI, metadata={"Software": "benchlog"})
    return buffer.getvalue()


def _draw(page: Page) -> Figure:
    """Draw a page."""
    from matplotlib.figure import Figure
    from matplotlib.transforms import Affine2D

    figure = Figure(figsize=(page.width_mm / _MM_PER_INCH, page.height_mm / _MM_PER_INCH))
    to_page = Affine2D().scale(1.0 / _MM_PER_INCH) + figure.dpi_scale_trans
    for shape in page.shapes:
        _add(figure, shape, to_page)
    return figure


def _add(figure: Figure, shape: Shape, to_page: Transform) -> None:
    """Add one shape to a figure."""
    import numpy as np
    from matplotlib import patches
    from matplotlib.lines import Line2D
    from matplotlib.path import Path

    if isinstance(shape, Words):
        figure.text(
            shape.x,
            shape.y,
            shape.text,
            transform=to_page,
            fontproperties=font(shape.size_pt, bold=shape.bold),
            color=shape.ink,
            rotation=shape.turn_deg,
            rotation_mode="anchor",
            ha="left",
            va="baseline",
            parse_math=False,
        )
    elif isinstance(shape, Polygon):
        figure.add_artist(
            patches.Polygon(
                shape.points, closed=True, facecolor=shape.ink, linewidth=0, transform=to_page
            )
        )
    elif isinstance(shape, Segment):
        figure.add_artist(
            Line2D(
                [shape.x0, shape.x1],
                [shape.y0, shape.y1],
                transform=to_page,
                solid_capstyle="butt",
                dash_capstyle="butt",
                snap=False,
                **_pen(shape),
            )
        )
    else:
        # matplotlib's own arcs run anticlockwise from the right
        unit = Path.arc(90.0 - shape.to_deg, 90.0 - shape.from_deg)
        if shape.to_deg - shape.from_deg >= 360.0:
            unit = Path.unit_circle()
        points = np.asarray(unit.vertices, dtype=float) * shape.radius + [shape.x, shape.y]
        figure.add_artist(
            patches.PathPatch(
                Path(points, unit.codes),
                fill=False,
                capstyle="butt",
                transform=to_page,
                snap=False,
                **_pen(shape),
            )
        )


def _pen(shape: Segment | Arc) -> dict[str, Any]:
    """Return a line's width, colour and dashes, for matplotlib."""
    width_pt = shape.width * _POINTS_PER_MM
    pen: dict[str, Any] = {"color": shape.ink, "linewidth": width_pt}
    if shape.dash:
        # matplotlib reckons dashes in widths of the line
        pen["linestyle"] = (0, tuple(one / shape.width for one in shape.dash))
    return pen
