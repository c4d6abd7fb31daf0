"""A dial's outline, what is to be set on it, and where that came to lie."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from benchlog.show.dial_boxes import Box, tick_box

__all__ = ["Face", "Item", "Layout", "Measure", "SetLabel", "Tick", "least_points", "usual_points"]

Measure = Callable[[str], tuple[float, float]]
"""Width and height of a label's ink in units of the font's size."""


@dataclass(frozen=True, slots=True)
class Face:
    """A dial's outline.

    Attributes
    ----------
    diameter_mm, hole_mm : float
        Its outer diameter and that of the hole for the shaft.
    travel_deg : float
        How far the knob turns, degrees.
    start_deg : float
        Where knob 0 lies, degrees clockwise from the top.

    Raises
    ------
    ValueError
        A hole that leaves less than 5 mm to the edge, or a travel of a whole turn or more.
    """

    diameter_mm: float
    hole_mm: float
    travel_deg: float
    start_deg: float

    def __post_init__(self) -> None:
        if not 0.0 < self.hole_mm <= self.diameter_mm - 10.0:
            raise ValueError(f"a hole of {self.hole_mm} mm in a dial of {self.diameter_mm} mm")
        if not 0.0 < self.travel_deg < 360.0:
            raise ValueError(f"a travel of {self.travel_deg} degrees")

    @property
    def radius_mm(self) -> float:
        """Half the outer diameter."""
        return self.diameter_mm / 2.0

    @property
    def hole_radius_mm(self) -> float:
        """Half the hole's diameter."""
        return self.hole_mm / 2.0

    @property
    def edge_mm(self) -> float:
        """What is kept free along the outer edge, for the scissors."""
        return 0.4 + 0.015 * self.radius_mm

    @property
    def outer_mm(self) -> float:
        """The radius that no letter leaves."""
        return self.radius_mm - self.edge_mm

    @property
    def tick_mm(self) -> float:
        """Length of a labelled mark's tick."""
        return min(max(0.1 * self.radius_mm, 1.0), 3.0)

    @property
    def band_mm(self) -> float:
        """Width of the band that shows end stops and dead travel."""
        return min(max(0.05 * self.radius_mm, 0.5), 1.6)

    @property
    def gap_mm(self) -> float:
        """From a tick's end to its label."""
        return 0.25 + 0.015 * self.radius_mm

    @property
    def least_mark_mm(self) -> float:
        """The least radius at which ticks may end: hole, band and ticks have room within."""
        return self.hole_radius_mm + 0.5 + self.band_mm + self.tick_mm

    def turn_deg(self, knob_deg: float) -> float:
        """Return where a knob angle lies, degrees clockwise from the top."""
        return self.start_deg + knob_deg

    def place(self, knob_deg: float, radius_mm: float) -> tuple[float, float]:
        """Return x to the right and y up from the centre, millimetres."""
        turn = math.radians(self.turn_deg(knob_deg))
        return radius_mm * math.sin(turn), radius_mm * math.cos(turn)


@dataclass(frozen=True, slots=True)
class Item:
    """What is to be set: a mark or a minor tick.

    Attributes
    ----------
    knob_deg : float
        Where, degrees of knob.
    text : str
        Its label; empty for a minor tick.
    count : int
        A mark's value in steps, by which labels are thinned; a minor tick's is 0 for the longer
        ones.
    """

    knob_deg: float
    text: str = ""
    count: int = 0


@dataclass(frozen=True, slots=True)
class Tick:
    """A radial line.

    Attributes
    ----------
    knob_deg : float
        Where, degrees of knob.
    inner_mm, outer_mm : float
        From where to where, from the centre.
    width_mm : float
        How wide it is drawn.
    item : int or None
        Which of the marks it is; None for a minor tick.
    leads_mm : float
        How far a thin line goes on to a label of the second ring; `outer_mm` where none does.
    """

    knob_deg: float
    inner_mm: float
    outer_mm: float
    width_mm: float
    item: int | None
    leads_mm: float


@dataclass(frozen=True, slots=True)
class SetLabel:
    """A label in its place.

    Attributes
    ----------
    item : int
        Which of the marks it belongs to.
    text : str
        What stands there: its own text, or a number that stands for it.
    box : Box
        What its ink covers.
    ring : int
        1, or 2 beyond the others.
    """

    item: int
    text: str
    box: Box
    ring: int


@dataclass(frozen=True, slots=True)
class Layout:
    """Ticks and labels of a dial.

    Attributes
    ----------
    face : Face
        The outline.
    base_mm : float
        The radius of the circle on which the ticks stand.
    band_mm : tuple of float
        Inner and outer radius of the band that shows end stops and dead travel.
    size_pt : float
        The labels' size.
    ticks : tuple of Tick
        Those of the marks first, in their order, then the minor ones.
    labels : tuple of SetLabel
        Those that found room.
    left_out : tuple of int
        The marks whose labels did not.
    numbered : bool
        Whether numbers stand for labels that are too long.
    """

    face: Face
    base_mm: float
    band_mm: tuple[float, float]
    size_pt: float
    ticks: tuple[Tick, ...]
    labels: tuple[SetLabel, ...]
    left_out: tuple[int, ...]
    numbered: bool

    def tick_boxes(self) -> list[Box]:
        """Return what the ticks cover, leaders included."""
        return [
            tick_box(self.face.turn_deg(one.knob_deg), one.inner_mm, one.leads_mm, one.width_mm)
            for one in self.ticks
        ]


def least_points(diameter_mm: float) -> float:
    """Return the least size of letters that can be read: 5 pt, on 40 mm and more 1.6 mm tall."""
    return 5.0 + 1.2 * min(max((diameter_mm - 20.0) / 20.0, 0.0), 1.0)


def usual_points(diameter_mm: float) -> float:
    """Return the size of letters that suits a dial, points."""
    return min(max(0.13 * diameter_mm, least_points(diameter_mm) + 1.0), 9.0)
