"""Ticks between the marks of a dial: how many, and where there is no room for them."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

from benchlog.calibration.dial_marks import Mark, Scale

__all__ = ["choose_parts", "keep_clear"]

_PARTS = (10, 9, 6, 5, 4, 3, 2)
_USUAL_MM = 0.65
_LEAST_MM = 0.45


def choose_parts(step: float) -> list[int]:
    """Return into how many parts a step may be divided so that each is round.

    Parameters
    ----------
    step : float
        From mark to mark, degrees or microseconds.

    Returns
    -------
    list of int
        The most parts first.
    """
    return [parts for parts in _PARTS if _is_round(step / parts)]


def _is_round(value: float) -> bool:
    """Tell whether a value is 1, 2 or 5 times a power of ten, or 15 of something."""
    if value <= 0.0:
        return False
    digits = value / 10.0 ** math.floor(math.log10(value) + 1e-9)
    return min(abs(digits - one) for one in (1.0, 2.0, 5.0)) < 1e-6 or abs(value - 15.0) < 1e-6


def keep_clear(scale: Scale, radius_mm: float) -> Scale | None:
    """Leave out minor ticks where they would run into each other.

    Parameters
    ----------
    scale : Scale
        Marks and minor ticks.
    radius_mm : float
        The radius of the circle on which they stand.

    Returns
    -------
    Scale or None
        Between two marks either all minor ticks or the longer ones or none; None where fewer
        than half of all keep enough room.
    """
    kept: list[Mark] = []
    knobs = [mark.knob_deg for mark in scale.marks]
    airy = 0
    for low, high in zip([-math.inf, *knobs], [*knobs, math.inf], strict=True):
        inside = [one for one in scale.minors if low < one.knob_deg < high]
        halves = [one for one in inside if one.count == 0]
        ends = [end for end in (low, high) if math.isfinite(end)]
        for some in (inside, halves):
            near = _nearest_mm([*ends, *(one.knob_deg for one in some)], radius_mm)
            if near >= _LEAST_MM:
                kept += some
                airy += len(some) if near >= _USUAL_MM else 0
                break
    if 2 * airy < len(scale.minors):
        return None
    return replace(scale, minors=tuple(kept))


def _nearest_mm(angles: list[float], radius_mm: float) -> float:
    ordered = sorted(angles)
    spaces = (b - a for a, b in pairwise(ordered))
    return math.radians(min(spaces, default=math.inf)) * radius_mm
