"""The marks of a knob: the positions that a sweep visits, in the order in which it does."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from benchlog.errors import UsageError

__all__ = ["EVERY_DEG", "MOST_MARKS", "Direction", "Mark", "plan_arm_marks", "plan_marks"]

Direction = Literal["up", "down"]

EVERY_DEG = 22.5
"""How far marks lie apart where nothing else is asked for: 13 of them over 270 degrees."""

MOST_MARKS = 400
"""More are a slip of the keyboard."""

_SAME_DEG = 1e-6


@dataclass(frozen=True, slots=True)
class Mark:
    """One position that is to be visited.

    Attributes
    ----------
    number : int
        Its place in the order of visiting, from 1.
    knob_deg : float or None
        Knob angle, degrees; None where the arm angle is what is sought.
    arm_deg : float or None
        Arm angle that is sought, degrees; None where the knob angle is given.
    direction : str or None
        ``up`` or ``down``: the way on which the knob comes to it; None where that is not known.
    """

    number: int
    knob_deg: float | None
    arm_deg: float | None = None
    direction: Direction | None = None

    @property
    def degrees(self) -> float:
        """The angle that names it: the arm's where that is sought, else the knob's."""
        return self.arm_deg if self.arm_deg is not None else (self.knob_deg or 0.0)


def plan_marks(
    travel_deg: float,
    *,
    every_deg: float = EVERY_DEG,
    angles: Sequence[float] | None = None,
    both_ways: bool = False,
) -> tuple[Mark, ...]:
    """Lay out the marks of a sweep.

    Parameters
    ----------
    travel_deg : float
        The knob's travel, degrees.
    every_deg : float
        How far the marks lie apart, above 0; the clockwise stop is one in any case.
    angles : sequence of float, optional
        The marks themselves, degrees, in place of `every_deg`. Those that fall are visited
        downward; those in no order are put into ascending order.
    both_ways : bool
        Whether to come back over the same marks. The last one is visited once: nothing comes to
        it from beyond.

    Returns
    -------
    tuple of Mark
        At least one.

    Raises
    ------
    UsageError
        No marks, too many, one twice, or one beyond the knob's travel.
    """
    if angles is None:
        count = math.ceil(travel_deg / every_deg - 1e-9)
        if count + 1 > MOST_MARKS:
            raise _too_many(count + 1)
        chosen = [min(index * every_deg, travel_deg) for index in range(count + 1)]
    else:
        chosen = _check_angles(angles, 0.0, travel_deg, "the knob's travel")
    falls = len(chosen) > 1 and all(b < a for a, b in itertools.pairwise(chosen))
    if not falls:
        chosen = sorted(chosen)
    there: Direction = "down" if falls else "up"
    back: Direction = "up" if falls else "down"
    marks = [Mark(0, angle, None, there) for angle in chosen]
    if both_ways:
        marks += [Mark(0, angle, None, back) for angle in reversed(chosen[:-1])]
    return tuple(replace(mark, number=number) for number, mark in enumerate(marks, 1))


def plan_arm_marks(angles: Sequence[float], low_deg: float, high_deg: float) -> tuple[Mark, ...]:
    """Lay out marks at arm angles, in the order in which they were named.

    Parameters
    ----------
    angles : sequence of float
        Arm angles, degrees.
    low_deg, high_deg : float
        What the servo reaches, degrees, either first.

    Returns
    -------
    tuple of Mark
        Their knob angles are not known.

    Raises
    ------
    UsageError
        No angles, too many, one twice, or one that the servo does not reach.
    """
    least_deg, most_deg = sorted((low_deg, high_deg))
    chosen = _check_angles(angles, least_deg, most_deg, "the servo's range")
    return tuple(Mark(number, None, angle) for number, angle in enumerate(chosen, 1))


def _check_angles(angles: Sequence[float], low: float, high: float, what: str) -> list[float]:
    """Return angles that can be marks."""
    if not angles:
        raise UsageError(
            "no marks", expected="one angle at least", attempt="angles such as 0,45,90"
        )
    if len(angles) > MOST_MARKS:
        raise _too_many(len(angles))
    for angle in angles:
        if not low - _SAME_DEG <= angle <= high + _SAME_DEG:
            raise UsageError(
                f"a mark at {angle:g} degrees",
                expected=f"marks from {low:g} to {high:g} degrees, {what}",
                attempt="leaving it out, or correcting the design",
            )
    ordered = sorted(angles)
    for before, after in itertools.pairwise(ordered):
        if after - before < _SAME_DEG:
            raise UsageError(
                f"the mark at {after:g} degrees twice",
                expected="each mark once",
                attempt="naming it once; --both-ways visits the marks a second time",
            )
    return [float(angle) for angle in angles]


def _too_many(count: int) -> UsageError:
    return UsageError(
        f"{count} marks",
        expected=f"at most {MOST_MARKS}",
        attempt="marks that lie further apart",
    )
