"""A channel's dial, and the blank ring of degrees, ready to be drawn."""

from __future__ import annotations

import math

from benchlog.calibration.dial_marks import Mark, Scale, find_stretches
from benchlog.show.dial_boxes import tick_box
from benchlog.show.dial_face import Item, least_points, usual_points
from benchlog.show.dial_layout import lay_out
from benchlog.show.dial_pages import Dial
from benchlog.show.dial_scale import (
    MOST_TRAVEL_DEG,
    DialSource,
    DialStyle,
    MarkWish,
    choose_scale,
    make_face,
    measure_label,
    set_scale,
)
from benchlog.show.dial_text import Hold, caption_of, lines_of
from benchlog.show.dial_words import Line, place_lines
from benchlog.show.lettering import drawable, measure_ink

__all__ = [
    "MOST_TRAVEL_DEG",
    "DialSource",
    "DialStyle",
    "Hold",
    "MarkWish",
    "choose_marks",
    "make_dial",
    "make_ring",
]

_RING_THIN = (3, 6)


def choose_marks(source: DialSource, style: DialStyle, wish: MarkWish) -> Scale:
    """Choose the marks of a channel's dial.

    Parameters
    ----------
    source : DialSource
        Whose, and from what.
    style : DialStyle
        How large.
    wish : MarkWish
        Which marks.

    Returns
    -------
    Scale
        The marks.

    Raises
    ------
    MeasurementError
        The knob turns too far for a scale of one turn, or reaches none of the marks.
    UsageError
        A mark lies where the knob does not reach, or there would be thousands.
    """
    return choose_scale(source, make_face(style, source.travel_deg), wish)


def make_dial(source: DialSource, style: DialStyle, scale: Scale, hold: Hold | None = None) -> Dial:
    """Make a channel's dial.

    Parameters
    ----------
    source : DialSource
        Whose, and from what.
    style : DialStyle
        How large.
    scale : Scale
        Its marks, from `choose_marks`.
    hold : Hold, optional
        Over which supplies they hold.

    Returns
    -------
    Dial
        Ready to be drawn.

    Raises
    ------
    MeasurementError
        The knob turns too far for a scale of one turn.
    """
    face = make_face(style, source.travel_deg)
    layout = set_scale(face, scale)
    stretches = find_stretches(source.curve, source.servo)
    lines = place_lines(
        layout,
        lines_of(source, scale, hold),
        measure_line,
        usual_pt=min(0.78 * usual_points(face.diameter_mm), 7.0),
        least_pt=min(least_points(face.diameter_mm), 5.0),
    )
    return Dial(
        channel=source.channel,
        layout=layout,
        marks=scale.marks,
        stretches=stretches,
        lines=lines,
        title=drawable(f"{source.channel}: {scale.title}"),
        caption=tuple(map(drawable, caption_of(source, scale, layout, hold))),
    )


def make_ring(travel_deg: float, style: DialStyle, channel: str = "") -> Dial:
    """Make a blank ring of degrees, to be put under a knob for a sweep.

    Parameters
    ----------
    travel_deg : float
        How far the knob turns, degrees.
    style : DialStyle
        How large.
    channel : str
        Whose; may be empty.

    Returns
    -------
    Dial
        Degrees from the anticlockwise stop on; ticks each 5 or 10, labels each 30.

    Raises
    ------
    MeasurementError
        The knob turns too far for one turn.
    """
    face = make_face(style, travel_deg)
    marks = [
        Mark(float(one), f"{one}", 0.0, 0.0, one // 30)
        for one in range(0, math.floor(travel_deg + 1e-9) + 1, 30)
    ]
    items = [Item(mark.knob_deg, mark.text, mark.count) for mark in marks]
    base_mm = lay_out(face, items, [], measure_label, thin=_RING_THIN).base_mm
    each = next((one for one in (1, 5, 10) if math.radians(one) * base_mm >= 0.55), 30)
    minors = [
        Item(float(one), "", 0 if one % 10 == 0 else 1)
        for one in range(0, math.floor(travel_deg + 1e-9) + 1, each)
        if one % 30
    ]
    layout = lay_out(face, items, minors, measure_label, thin=_RING_THIN)
    slit_deg = face.turn_deg((face.travel_deg + 360.0) / 2.0)
    name = drawable(channel)
    title = f"{name}: degrees of knob" if name else "degrees of knob"
    lines = place_lines(
        layout,
        [[Line("knob °", 1.2, bold=True)]],
        measure_line,
        usual_pt=min(0.78 * usual_points(face.diameter_mm), 7.0),
        least_pt=5.0,
        also=[tick_box(slit_deg, face.hole_radius_mm, face.radius_mm, 1.0)],
    )
    caption = (
        "for a sweep, not a scale",
        "cut along the dashes, slip it under the knob",
        "pointer to 0 at the anticlockwise stop",
    )
    return Dial(channel, layout, tuple(marks), (), lines, title, caption, has_slit=True)


def measure_line(text: str, bold: bool) -> tuple[float, float]:
    """Return width and height of a line's ink, in units of the font's size."""
    ink = measure_ink(text, bold=bold)
    return ink.right - ink.left, ink.top - ink.bottom
