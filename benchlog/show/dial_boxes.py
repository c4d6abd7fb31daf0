"""Turned rectangles in millimetres: what a label or a tick takes up on a dial."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Box", "overlap", "tick_box"]


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle, x to the right and y up from the dial's centre.

    Attributes
    ----------
    x_mm, y_mm : float
        Its centre.
    width_mm, height_mm : float
        Its sides.
    turn_deg : float
        How far its width is turned anticlockwise from the horizontal, degrees.
    """

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    turn_deg: float = 0.0

    def axes(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return the directions of its width and of its height, unit vectors."""
        turn = math.radians(self.turn_deg)
        along, up = math.cos(turn), math.sin(turn)
        return (along, up), (-up, along)

    def corners(self) -> tuple[tuple[float, float], ...]:
        """Return its four corners."""
        (ax, ay), (bx, by) = self.axes()
        half, tall = self.width_mm / 2.0, self.height_mm / 2.0
        return tuple(
            (self.x_mm + i * half * ax + j * tall * bx, self.y_mm + i * half * ay + j * tall * by)
            for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        )

    def nearest_mm(self) -> float:
        """Return the distance of its nearest point from the dial's centre."""
        along, up = self._centre_seen()
        return math.hypot(
            max(along - self.width_mm / 2.0, 0.0), max(up - self.height_mm / 2.0, 0.0)
        )

    def farthest_mm(self) -> float:
        """Return the distance of its farthest corner from the dial's centre."""
        along, up = self._centre_seen()
        return math.hypot(along + self.width_mm / 2.0, up + self.height_mm / 2.0)

    def _centre_seen(self) -> tuple[float, float]:
        """Return how far the dial's centre lies off along its width and its height."""
        (ax, ay), (bx, by) = self.axes()
        return (
            abs(self.x_mm * ax + self.y_mm * ay),
            abs(self.x_mm * bx + self.y_mm * by),
        )

    def padded(self, wide_mm: float, tall_mm: float) -> Box:
        """Return it with so much more on either side."""
        return Box(
            self.x_mm,
            self.y_mm,
            self.width_mm + 2.0 * wide_mm,
            self.height_mm + 2.0 * tall_mm,
            self.turn_deg,
        )

    def meets(self, others: Iterable[Box]) -> bool:
        """Tell whether it overlaps any of others."""
        return any(overlap(self, other) for other in others)


def overlap(one: Box, other: Box) -> bool:
    """Tell whether two boxes share more than an edge.

    Parameters
    ----------
    one, other : Box
        The boxes.

    Returns
    -------
    bool
        False where some side of one of them has the other wholly beyond it (the separating axis
        theorem for convex shapes).
    """
    away = (other.x_mm - one.x_mm, other.y_mm - one.y_mm)
    reach = math.hypot(one.width_mm, one.height_mm) + math.hypot(other.width_mm, other.height_mm)
    if 4.0 * (away[0] ** 2 + away[1] ** 2) >= reach**2:
        return False
    for axis in (*one.axes(), *other.axes()):
        apart = abs(away[0] * axis[0] + away[1] * axis[1])
        if apart >= _half_shadow(one, axis) + _half_shadow(other, axis) - 1e-9:
            return False
    return True


def _half_shadow(box: Box, axis: tuple[float, float]) -> float:
    """Return half the length of a box's shadow on a direction."""
    (ax, ay), (bx, by) = box.axes()
    wide = abs(ax * axis[0] + ay * axis[1])
    tall = abs(bx * axis[0] + by * axis[1])
    return (wide * box.width_mm + tall * box.height_mm) / 2.0


def tick_box(turn_deg: float, inner_mm: float, outer_mm: float, width_mm: float) -> Box:
    """Return the box of a radial line.

    Parameters
    ----------
    turn_deg : float
        Its direction, clockwise from the top, degrees.
    inner_mm, outer_mm : float
        Where it begins and ends, from the centre.
    width_mm : float
        How wide it is drawn.

    Returns
    -------
    Box
        The line's own.
    """
    turn, middle = math.radians(turn_deg), (inner_mm + outer_mm) / 2.0
    return Box(
        middle * math.sin(turn),
        middle * math.cos(turn),
        outer_mm - inner_mm,
        width_mm,
        90.0 - turn_deg,
    )
