"""Lines of text on a dial, in whatever room its scale leaves."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from benchlog.show.dial_boxes import Box, tick_box
from benchlog.show.dial_face import Layout

__all__ = ["Line", "SetLine", "place_lines", "ring_boxes"]

MeasureLine = Callable[[str, bool], tuple[float, float]]
"""Width and height of a line's ink in units of the font's size, for a text and its weight."""

_MM_PER_POINT = 25.4 / 72.0
_SIZES = 6
_LEADING = 1.28
_STEP_MM = 0.4
_CHUNK_DEG = 3.0


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text.

    Attributes
    ----------
    text : str
        What it says.
    size : float
        Its letters' size beside those of plain lines, which is 1.
    bold : bool
        Its weight.
    """

    text: str
    size: float = 1.0
    bold: bool = False


@dataclass(frozen=True, slots=True)
class SetLine:
    """A line in its place.

    Attributes
    ----------
    line : Line
        What it says.
    size_pt : float
        Its letters' size.
    box : Box
        What its ink covers.
    """

    line: Line
    size_pt: float
    box: Box


def ring_boxes(layout: Layout) -> list[Box]:
    """Return what the scale takes up: labels, ticks, and the band beneath the ticks.

    Parameters
    ----------
    layout : Layout
        The scale.

    Returns
    -------
    list of Box
        The band and the circle above it are cut into short pieces.
    """
    face = layout.face
    boxes = [one.box for one in layout.labels] + layout.tick_boxes()
    count = max(1, math.ceil(face.travel_deg / _CHUNK_DEG))
    piece = face.travel_deg / count
    inner, outer = layout.band_mm[0] - 0.2, layout.base_mm + 0.1
    wide = 2.0 * outer * math.tan(math.radians(piece / 2.0))
    boxes += [tick_box(face.turn_deg((k + 0.5) * piece), inner, outer, wide) for k in range(count)]
    return boxes


def place_lines(
    layout: Layout,
    choices: Sequence[Sequence[Line]],
    measure: MeasureLine,
    *,
    usual_pt: float,
    least_pt: float,
    also: Sequence[Box] = (),
) -> tuple[SetLine, ...]:
    """Set the first of some texts that finds room on a dial.

    Parameters
    ----------
    layout : Layout
        The scale.
    choices : sequence of sequence of Line
        Texts, the best one first; the lines of each from top to bottom.
    measure : callable
        Tells how large a line is.
    usual_pt, least_pt : float
        The largest and the smallest size of plain lines, points.
    also : sequence of Box
        What else is to be kept free.

    Returns
    -------
    tuple of SetLine
        Empty where none finds room.
    """
    taken = [box.padded(0.35, 0.35) for box in (*ring_boxes(layout), *also)]
    places = _places(layout)
    for lines in choices:
        for k in range(_SIZES):
            size_pt = usual_pt + (least_pt - usual_pt) * k / (_SIZES - 1)
            blocks = _stack(lines, size_pt, measure)
            found = [place for place in places if _fits(layout, taken, _moved(blocks, place))]
            if found:
                # the first way in which there is room at all, in its middle
                ways = [place for place in found if place[2] == found[0][2]]
                return _moved(blocks, ways[len(ways) // 2])
    return ()


def _places(layout: Layout) -> list[tuple[float, float, int]]:
    """Return where a block's middle may lie: along the free side, then below, then above."""
    face = layout.face
    gap_deg = face.turn_deg(face.travel_deg + (360.0 - face.travel_deg) / 2.0)
    places = []
    for way, turn_deg in enumerate((gap_deg, 180.0, 0.0, 90.0, 270.0)):
        turn = math.radians(turn_deg)
        steps = int((face.radius_mm - face.hole_radius_mm) / _STEP_MM)
        for k in range(steps + 1):
            radius = face.hole_radius_mm + k * _STEP_MM
            places.append((radius * math.sin(turn), radius * math.cos(turn), way))
    return places


def _stack(lines: Sequence[Line], size_pt: float, measure: MeasureLine) -> tuple[SetLine, ...]:
    """Set lines below each other around the dial's centre."""
    heights = [line.size * size_pt * _MM_PER_POINT * _LEADING for line in lines]
    top = sum(heights) / 2.0
    blocks = []
    for line, height in zip(lines, heights, strict=True):
        points = line.size * size_pt
        wide, tall = (one * points * _MM_PER_POINT for one in measure(line.text, line.bold))
        blocks.append(SetLine(line, points, Box(0.0, top - height / 2.0, wide, tall)))
        top -= height
    return tuple(blocks)


def _moved(blocks: tuple[SetLine, ...], place: tuple[float, float, int]) -> tuple[SetLine, ...]:
    x, y, _ = place
    return tuple(
        SetLine(
            one.line,
            one.size_pt,
            Box(one.box.x_mm + x, one.box.y_mm + y, one.box.width_mm, one.box.height_mm),
        )
        for one in blocks
    )


def _fits(layout: Layout, taken: list[Box], blocks: tuple[SetLine, ...]) -> bool:
    """Tell whether lines keep off the edge, the hole and the scale."""
    face = layout.face
    most_mm, least_mm = face.radius_mm - face.edge_mm, face.hole_radius_mm + 0.5
    return all(
        one.box.farthest_mm() <= most_mm and one.box.nearest_mm() >= least_mm for one in blocks
    ) and not any(one.box.meets(taken) for one in blocks)
