"""What tests of a diagnosis's picture share: given cycles and shares, and a look at the texts."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.separation.unrest import Contribution, Unrest
from benchlog.diagnosis.series.mains import MainsSearch

__all__ = [
    "NO_MAINS", "check_layout", "leave_out", "make_cycles", "make_unrest", "strong_lines",
]  # fmt: skip

NO_MAINS = MainsSearch(lines=(), aliases=(), near_zero=())


def make_cycles(on_s: NDArray[np.float64], off_s: NDArray[np.float64], u_s: float) -> Cycles:
    start = np.concatenate(([0.0], np.cumsum(on_s + off_s)[:-1]))
    follows = np.ones(on_s.shape[0], bool)
    follows[0] = False
    return Cycles(start, on_s, off_s, follows, u_s, float(np.sum(on_s + off_s)))


def leave_out(cycles: Cycles, kept: NDArray[np.bool_]) -> Cycles:
    where = np.flatnonzero(kept)
    follows = np.append(False, np.diff(where) == 1)[: where.shape[0]]
    return replace(
        cycles,
        start_s=cycles.start_s[where],
        on_s=cycles.on_s[where],
        off_s=cycles.off_s[where],
        follows=follows,
    )


def make_unrest(*shares: tuple[str, str, float], over: bool = True) -> Unrest:
    parts = tuple(
        Contribution(kind, cause, 9e-6, 9e-6, 9e-6, 0.0, 9e-6, 0.0, share, share, share, None, "V",
                     None)
        for kind, cause, share in shares
    )  # fmt: skip
    rest = 1.0 - sum(one[2] for one in shares)
    return Unrest(9e-6, 9e-6, 4e-6, 1e-4, "pulse", over, parts, (), rest, 20.0, None)


def strong_lines(axes: Axes) -> dict[str, float]:
    """Return the slope of each leading cause's line by its colour."""
    found = {}
    for line in axes.lines:
        x, y = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
        if line.get_linewidth() == 6.0 and x.shape == (2,):
            found[str(line.get_color())] = float((y[1] - y[0]) / (x[1] - x[0]))
    return found


def shown_texts(figure: Figure) -> list[tuple[str, tuple[float, float, float, float]]]:
    """Return each text that is seen with its box in pixels."""
    figure.draw_without_rendering()
    outside = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in axis.get_major_ticks() + axis.get_minor_ticks():
                if not low - 1e-9 <= tick.get_loc() <= high + 1e-9:
                    outside |= {id(tick.label1), id(tick.label2)}
    found = []
    for text in figure.findobj(Text):
        assert isinstance(text, Text)
        if id(text) in outside or not text.get_visible() or not text.get_text().strip():
            continue
        found.append((text.get_text(), Text.get_window_extent(text).extents))
    return found


def check_layout(figure: Figure) -> list[str]:
    """Check that no text leaves the picture or covers another; return the texts."""
    texts = shown_texts(figure)
    wide, tall = figure.bbox.size
    for text, (left, low, right, high) in texts:
        assert min(left, low, wide - right, tall - high) >= 0.0, text
    for (one, a), (other, b) in combinations(texts, 2):
        across = min(a[2], b[2]) - max(a[0], b[0])
        up = min(a[3], b[3]) - max(a[1], b[1])
        # a box holds the room of letters that reach lower than these do
        assert across <= 1.0 or up <= 1.5, (one, other)
    return [text for text, _ in texts]
