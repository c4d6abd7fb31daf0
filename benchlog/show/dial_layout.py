"""Where ticks and labels lie on a dial: pure geometry in millimetres.

Ticks stand on a circle and point outward, labels stand beyond them. As many labels as possible
are set, in letters as large as possible: first they shrink to what can still be read, then they
are thinned; a user's own labels, none of which can be spared, go to a second ring, are turned, or
numbers stand for them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from benchlog.show.dial_face import Face, Item, Layout, Measure, Tick
from benchlog.show.dial_setting import Setting, set_own, set_spared

__all__ = ["lay_out"]

_NEAREST_MM = 0.02
_THINNEST_MM = 0.06


def lay_out(
    face: Face,
    items: Sequence[Item],
    minors: Sequence[Item],
    measure: Measure,
    *,
    thin: Sequence[int] = (),
) -> Layout:
    """Place the ticks and labels of a dial.

    Parameters
    ----------
    face : Face
        The outline.
    items : sequence of Item
        The marks, in ascending order of the knob angle.
    minors : sequence of Item
        The ticks between.
    measure : callable
        Tells how large a label is.
    thin : sequence of int
        Where there is no room for all labels, every so manieth may stand, by `Item.count`, the
        finer first; empty where none can be spared.

    Returns
    -------
    Layout
        No two labels overlap, none leaves the dial or touches a tick.
    """
    setting = set_spared(face, items, measure, thin) if thin else set_own(face, items, measure)
    return _with_ticks(face, items, minors, setting)


def _with_ticks(
    face: Face, items: Sequence[Item], minors: Sequence[Item], setting: Setting
) -> Layout:
    """Add the ticks to the labels."""
    base_mm = setting.mark_mm - face.tick_mm
    labelled = {one.item: one for one in setting.labels}
    angles = [item.knob_deg for item in items]
    spaces = [math.radians(b - a) * base_mm for a, b in pairwise(angles)]
    usual_mm = 0.12 + 0.0025 * face.diameter_mm
    nearest_mm = min((one for one in spaces if one > _NEAREST_MM), default=usual_mm)
    width_mm = max(min(usual_mm, 0.4 * nearest_mm), _THINNEST_MM)
    ticks = []
    for index, item in enumerate(items):
        outer = setting.mark_mm if index in labelled else base_mm + 0.72 * face.tick_mm
        leads = outer
        if index in labelled and labelled[index].ring == 2:
            leads = labelled[index].box.nearest_mm() - 0.8 * face.gap_mm
        ticks.append(Tick(item.knob_deg, base_mm, outer, width_mm, index, leads))
    for item in minors:
        outer = base_mm + (0.55 if item.count == 0 else 0.4) * face.tick_mm
        ticks.append(Tick(item.knob_deg, base_mm, outer, 0.6 * width_mm, None, outer))
    return Layout(
        face=face,
        base_mm=base_mm,
        band_mm=(base_mm - 0.1 - face.band_mm, base_mm - 0.1),
        size_pt=setting.size_pt,
        ticks=tuple(ticks),
        labels=setting.labels,
        left_out=tuple(k for k in range(len(items)) if k not in labelled),
        numbered=setting.numbered,
    )
