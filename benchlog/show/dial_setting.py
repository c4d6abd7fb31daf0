"""Ways of setting the labels of a dial, and which of them is taken.

Each way is tried in letters from the usual size down to the least that can be read. The circle
beyond which the labels stand is as large as the longest of them allows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from benchlog.show.dial_boxes import Box, tick_box
from benchlog.show.dial_face import Face, Item, Measure, SetLabel, least_points, usual_points

__all__ = ["Setting", "set_own", "set_spared"]

Way = Literal["upright", "outward", "around"]
"""How letters stand: level, along the ray, or across it."""

_MM_PER_POINT = 25.4 / 72.0
_SIZES = 9
_LEAST_LEFT = 5
_UNEVEN = 1.8
_ROUNDS = 24
_OPEN_SHARE = 0.5
_OWN_WAYS: tuple[tuple[Way, int], ...] = (
    ("upright", 1),
    ("upright", 2),
    ("outward", 1),
    ("around", 1),
)


@dataclass(frozen=True, slots=True)
class Setting:
    """One way of setting the labels, and what came of it.

    Attributes
    ----------
    size_pt : float
        The letters' size.
    mark_mm : float
        The radius at which the ticks end.
    labels : tuple of SetLabel
        Those that found room.
    numbered : bool
        Whether numbers stand for them.
    """

    size_pt: float
    mark_mm: float
    labels: tuple[SetLabel, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class _Plan:
    """What does not change from try to try."""

    face: Face
    items: tuple[Item, ...]
    measure: Measure

    def sizes(self) -> list[float]:
        """Return the sizes to be tried, the largest first."""
        diameter = self.face.diameter_mm
        usual, least = usual_points(diameter), least_points(diameter)
        return [usual + (least - usual) * k / (_SIZES - 1) for k in range(_SIZES)]


def set_spared(face: Face, items: Sequence[Item], measure: Measure, thin: Sequence[int]) -> Setting:
    """Set as many labels as possible, leaving out such as can be counted from the others.

    Parameters
    ----------
    face : Face
        The outline.
    items : sequence of Item
        The marks, in ascending order of the knob angle.
    measure : callable
        Tells how large a label is.
    thin : sequence of int
        Every so manieth may stand where there is no room for all, the finer first.

    Returns
    -------
    Setting
        All; else every second, fifth...: everywhere alike where the marks are about evenly
        spaced, else stretch by stretch.
    """
    plan = _Plan(face, tuple(items), measure)
    best: Setting | None = None
    ways: tuple[Way, ...] = ("upright", "around")
    for way in ways:
        found = _thinned(plan, way, thin)
        if found is not None and (best is None or len(found.labels) > len(best.labels)):
            best = found
        if best is not None and len(best.labels) >= min(_LEAST_LEFT, len(items)):
            break
    return best if best is not None else _without_labels(plan)


def set_own(face: Face, items: Sequence[Item], measure: Measure) -> Setting:
    """Set labels none of which can be spared: smaller, on two rings, turned, or as numbers.

    Parameters
    ----------
    face, items, measure
        As in `set_spared`.

    Returns
    -------
    Setting
        All if there is any way to it; numbers stand for the labels where it is the only one.
    """
    plan = _Plan(face, tuple(items), measure)
    numbers = _Plan(
        face,
        tuple(replace(item, text=str(k)) for k, item in enumerate(items, 1)),
        measure,
    )
    wide = _OPEN_SHARE * face.radius_mm
    tries: list[Setting] = []
    # a circle that the knob does not hide, then any, then numbers
    for some, least_mm in ((plan, wide), (plan, 0.0), (numbers, 0.0)):
        for way, rings in _OWN_WAYS:
            for size_pt in some.sizes():
                one = _try_own(some, size_pt, way, rings)
                if one is None:
                    continue
                one = replace(one, numbered=some is numbers)
                if len(one.labels) == len(items) and one.mark_mm >= least_mm:
                    return one
                tries.append(one)
    return max(tries, key=lambda one: len(one.labels), default=_without_labels(plan))


def _without_labels(plan: _Plan) -> Setting:
    return Setting(least_points(plan.face.diameter_mm), plan.face.outer_mm, ())


# --- labels that can be spared ---------------------------------------------------


def _thinned(plan: _Plan, way: Way, thin: Sequence[int]) -> Setting | None:
    """Set all labels, or as many as can be in one way; None where there is no room for any."""
    rooms = [room for size in plan.sizes() if (room := _Room.make(plan, size, way)) is not None]
    if not rooms:
        return None
    everything = frozenset(range(len(plan.items)))
    for room in rooms:
        if room.has_room(everything):
            return room.setting(everything)
    found = [_evenly(plan, rooms, thin)]
    if _is_uneven(plan):
        found += [_by_stretches(plan, rooms[k], thin) for k in (0, len(rooms) // 2, -1)]
    return max((one for one in found if one is not None), key=lambda one: len(one.labels))


def _evenly(plan: _Plan, rooms: Sequence[_Room], thin: Sequence[int]) -> Setting | None:
    """Show every second, fifth...: the most that have room, in the largest letters."""
    for each in thin:
        some = frozenset(k for k, item in enumerate(plan.items) if item.count % each == 0)
        for room in rooms:
            if some and room.has_room(some):
                return room.setting(some)
    return rooms[-1].setting(frozenset({len(plan.items) // 2}))


def _is_uneven(plan: _Plan) -> bool:
    """Tell whether the marks crowd at one side."""
    spaces = [b.knob_deg - a.knob_deg for a, b in pairwise(plan.items)]
    return len(spaces) > 1 and max(spaces) > _UNEVEN * min(spaces)


def _by_stretches(plan: _Plan, room: _Room, thin: Sequence[int]) -> Setting:
    """Fill stretch by stretch with finer and finer labels, from the best of some sequences."""
    best: frozenset[int] = frozenset()
    for start in range(min(3, len(thin))):
        chain = [1]
        for each in thin[start:]:
            if each % chain[-1] == 0:
                chain.append(each)
        shown = _fill_stretches(plan, room, chain)
        best = max(best, shown, key=len)
    return room.setting(best)


def _fill_stretches(plan: _Plan, room: _Room, chain: Sequence[int]) -> frozenset[int]:
    """Show the coarsest labels that have room, then all or none of the finer ones between two."""
    shown: set[int] = set()
    for each in reversed(chain):
        if not shown:
            first = frozenset(k for k, one in enumerate(plan.items) if one.count % each == 0)
            shown = set(first) if room.has_room(first) else set()
            continue
        ends = [-1, *sorted(shown), len(plan.items)]
        for low, high in pairwise(ends):
            inside = [k for k in range(low + 1, high) if plan.items[k].count % each == 0]
            near = {k for k in (low, high) if 0 <= k < len(plan.items)}
            # the finer hold the coarser, so that none is passed over by a finer one
            if inside and room.has_room(frozenset(inside) | near, shown):
                shown.update(inside)
    return frozenset(shown)


@dataclass(frozen=True, slots=True)
class _Room:
    """Where every label would lie in one size and way."""

    plan: _Plan
    size_pt: float
    mark_mm: float
    boxes: tuple[Box, ...]
    padded: tuple[Box, ...]

    @classmethod
    def make(cls, plan: _Plan, size_pt: float, way: Way) -> _Room | None:
        """Place every label; None where hole, ticks and labels do not fit one within another."""
        clear_mm = _clearance(plan, size_pt, way)
        mark_mm = clear_mm - plan.face.gap_mm
        if mark_mm < plan.face.least_mark_mm:
            return None
        boxes = tuple(_label_box(plan, item, size_pt, way, clear_mm) for item in plan.items)
        return cls(plan, size_pt, mark_mm, boxes, tuple(_pad(box, size_pt) for box in boxes))

    def has_room(self, shown: frozenset[int], others: Iterable[int] = ()) -> bool:
        """Tell whether some labels keep apart, from each other and from others."""
        mine = sorted(shown)
        theirs = [k for k in others if k not in shown]
        boxes = self.padded
        return not any(
            boxes[k].meets(boxes[j] for j in (*mine[:position], *theirs))
            for position, k in enumerate(mine)
        )

    def setting(self, shown: frozenset[int]) -> Setting:
        """Return these labels as they are set."""
        labels = tuple(
            SetLabel(k, self.plan.items[k].text, self.boxes[k], 1) for k in sorted(shown)
        )
        return Setting(self.size_pt, self.mark_mm, labels)


# --- labels that cannot ------------------------------------------------------------


def _try_own(plan: _Plan, size_pt: float, way: Way, rings: int) -> Setting | None:
    """Set labels from the anticlockwise end on, each where it finds room."""
    clear_mm = _clearance(plan, size_pt, way)
    inner_mm, gap_mm = clear_mm, plan.face.gap_mm
    if rings == 2:
        tallest = max((plan.measure(item.text)[1] for item in plan.items), default=0.0)
        inner_mm -= (1.6 * tallest + 0.3) * size_pt * _MM_PER_POINT
    if inner_mm - gap_mm < plan.face.least_mark_mm:
        return None
    placed: list[SetLabel] = []
    taken: list[Box] = []
    for index, item in enumerate(plan.items):
        for ring, radius_mm in ((1, inner_mm), (2, clear_mm))[:rings]:
            box = _label_box(plan, item, size_pt, way, radius_mm)
            own = [_pad(box, size_pt)]
            if ring == 2:
                turn_deg = plan.face.turn_deg(item.knob_deg)
                own.append(tick_box(turn_deg, inner_mm - gap_mm, radius_mm - 0.8 * gap_mm, 0.4))
            if not any(one.meets(taken) for one in own):
                placed.append(SetLabel(index, item.text, box, ring))
                taken += own
                break
    return Setting(size_pt, inner_mm - gap_mm, tuple(placed))


# --- one label -----------------------------------------------------------------


def _pad(box: Box, size_pt: float) -> Box:
    """Return a label's box with the room that keeps it apart from the next."""
    size_mm = size_pt * _MM_PER_POINT
    return box.padded(0.17 * size_mm, 0.1 * size_mm)


def _label_box(plan: _Plan, item: Item, size_pt: float, way: Way, clear_mm: float) -> Box:
    """Place a label on the ray of its mark so that it just keeps off a circle."""
    width, height = (one * size_pt * _MM_PER_POINT for one in plan.measure(item.text))
    turn_deg = plan.face.turn_deg(item.knob_deg)
    turn = math.radians(turn_deg)
    letters_deg = _letters_deg(turn_deg, way)
    seen = math.radians(90.0 - turn_deg - letters_deg)  # the ray, from the letters' line
    radius_mm = _ray_distance(clear_mm, width / 2.0, height / 2.0, seen)
    return Box(radius_mm * math.sin(turn), radius_mm * math.cos(turn), width, height, letters_deg)


def _letters_deg(turn_deg: float, way: Way) -> float:
    """Return how letters are turned so that they are never upside down."""
    turn = math.radians(turn_deg)
    if way == "outward":
        return 90.0 - turn_deg + (180.0 if math.sin(turn) < 0.0 else 0.0)
    if way == "around":
        return -turn_deg + (180.0 if math.cos(turn) < 0.0 else 0.0)
    return 0.0


def _ray_distance(clear_mm: float, wide: float, tall: float, seen: float) -> float:
    """Return how far out a box's centre lies whose nearest point keeps off a circle.

    ``wide`` and ``tall`` are half its sides, ``seen`` the ray's direction from its width, radians.
    """
    along, up = abs(math.cos(seen)), abs(math.sin(seen))
    if along > 1e-12:
        radius = (clear_mm + wide) / along
        if radius * up <= tall:
            return radius
    if up > 1e-12:
        radius = (clear_mm + tall) / up
        if radius * along <= wide:
            return radius
    # the nearest point is a corner: |radius (along, up) - (wide, tall)| = clear
    middle = wide * along + tall * up
    return middle + math.sqrt(max(middle**2 - (wide**2 + tall**2 - clear_mm**2), 0.0))


def _clearance(plan: _Plan, size_pt: float, way: Way) -> float:
    """Return the largest circle beyond which all labels fit on the dial; 0 where none does."""
    outer = plan.face.outer_mm

    def fits(item: Item) -> Callable[[float], bool]:
        return lambda radius: _label_box(plan, item, size_pt, way, radius).farthest_mm() <= outer

    clear_mm = outer
    for item in plan.items:
        is_inside = fits(item)
        if is_inside(clear_mm):
            continue
        low = 0.0
        for _ in range(_ROUNDS):
            middle = 0.5 * (low + clear_mm)
            low, clear_mm = (middle, clear_mm) if is_inside(middle) else (low, middle)
        clear_mm = low
    return clear_mm
