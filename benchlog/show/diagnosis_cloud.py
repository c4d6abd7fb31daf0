"""The cloud of a diagnosis: pulse against rest, and the way in which each cause moves them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchlog.show.cycle_averages import average_cycles
from benchlog.show.spread_labels import spread_labels

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.legend import Legend

    from benchlog.diagnosis.cycles import Cycles
    from benchlog.diagnosis.separation.directions import Direction
    from benchlog.diagnosis.separation.unrest import Unrest
    from benchlog.diagnosis.series.mains import MainsSearch

__all__ = ["CAUSE_STYLES", "Lead", "draw_cloud", "enlarge_dots"]

Values = NDArray[np.float64]

CAUSE_STYLES = (("#0b3c6f", "-"), ("#c4501b", (0, (3, 1))), ("#45a5b5", (0, (3, 1, 0.6, 1))))
"""Colour and dash of the leading causes: apart in brightness and in dash, so that they hold in
grey and for those who see few colours."""

_US = 1e6
_ROUND = 0.93
_FAINT = "0.62"
_LEAST_SHARE = 0.1
_ALIKE_DEG = 5.0
_MOST_RATIO = 6.0
_BAND, _PALE = 6.0, 0.45
"""A leading cause's line is wide and pale, behind the dots: those that lie along it show."""
_KINDS = {
    "wiper": "wiper on its track",
    "contact": "wiper's contact",
    "supply": "supply, slowly",
    "supply-bipolar": "supply, slowly",
    "capacitor": "timing capacitor",
    "off-path": "off side of the circuit",
    "diode": "diode's temperature",
    "leak": "timing capacitor leaks",
    "upper-level": "noise where the timer\nswitches, pulse's end",
    "lower-level": "noise where the timer\nswitches, rest's end",
    "supply-on-end": "supply, pulse's end",
    "supply-off-end": "supply, rest's end",
}
"""What the lines are called, those that matter most first: each begins with its cause's name."""
_ONLY_LEADING = ("supply-bipolar",)
"""What is drawn where it leads, and else goes without saying."""
_AFTER = ("lower-level", "supply-off-end")
_WITHIN = ("upper-level", "supply-on-end")
"""What moves a rest and the pulse after it, and a pulse and the rest after it."""


@dataclass(frozen=True, slots=True)
class Lead:
    """One kind of movement that stands out in the cloud.

    Attributes
    ----------
    kind : str
        The kind.
    share : float
        Of the variance, 0 to 1.
    rank : int
        Place of its cause among the findings, from 0: it has that one's colour and dash.
    """

    kind: str
    share: float
    rank: int


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """A cause's line: how it moves the pair, microseconds for any size, and how it looks."""

    kind: str
    move: tuple[float, float]
    label: str
    u_relative: float
    share: float | None
    colour: str
    dash: object


def draw_cloud(
    axes: Axes,
    cycles: Cycles,
    directions: Sequence[Direction],
    unrest: Unrest | None,
    search: MainsSearch,
    leading: Sequence[Lead],
) -> None:
    """Draw the cloud of (pulse, rest) with the causes' lines, their labels right of the axes.

    Parameters
    ----------
    axes : Axes
        Empty; right of it some 60 % of its width is used for labels.
    cycles : Cycles
        Two or more.
    directions : sequence of Direction
        How each cause would move them; may be empty.
    unrest : Unrest or None
        Which of them do: it says with which rest a pulse is shown.
    search : MainsSearch
        Mains lines in the same recording.
    leading : sequence of Lead
        What the findings name; empty where they name nothing.
    """
    after = _is_after(unrest)
    x, y = _pair(cycles, after)
    centre = float(np.mean(x)), float(np.mean(y))
    x, y = _US * (x - centre[0]), _US * (y - centre[1])
    reach = _reach(x, y)
    axes.set_xlim(-reach[0], reach[0])
    axes.set_ylim(-reach[1], reach[1])
    axes.locator_params(nbins=6)
    many = x.shape[0] > 3000
    axes.plot(
        x, y, ".", color="0.2", markersize=3.2 if many else 4.4, alpha=0.55,
        markeredgewidth=0, rasterized=many, zorder=8, label="each cycle",
    )  # fmt: skip
    means = average_cycles(cycles)
    axes.plot(
        _US * (means.on_s - centre[0]), _US * (means.off_s - centre[1]), "o", color="black",
        markersize=3.2, markeredgewidth=0, zorder=9, label=f"averages over {means.length_s:.2g} s",
    )  # fmt: skip
    noise_us = _US * cycles.u_edge_s
    if noise_us > 0:
        # pulse and rest share an edge: what makes one longer makes the other shorter
        rim = _ellipse(np.array([[2.0, -1.0], [-1.0, 2.0]]) * (2.0 * noise_us) ** 2)
        axes.plot(*rim, color="black", linewidth=0.9, linestyle=(0, (1, 1.5)), zorder=10,
                  label="noise of the input alone")  # fmt: skip
    ranks = [one.rank for one in leading if one.kind == "mains"]
    hum_colour = CAUSE_STYLES[ranks[0]][0] if ranks and ranks[0] < len(CAUSE_STYLES) else "0.35"
    for line in search.lines[:1]:
        parts = np.stack([line.on_part_s, line.off_part_s]) * _US
        if parts.shape[1] == cycles.count and line.on_part_s.shape[0] > 2:
            axes.plot(*_ellipse(2.0 * np.cov(parts)), color=hum_colour, linewidth=1.6,
                      zorder=6, label=f"hum of {line.mains_hz * line.harmonic:g} Hz")  # fmt: skip
    known = [one for one in leading if one.share >= _LEAST_SHARE and one.kind in _KINDS]
    lines = _list_lines(directions, known, after, reach)
    lowest = _tell_unseen(axes, known, after)
    means_us = _US * float(np.mean(cycles.on_s)), _US * float(np.mean(cycles.off_s))
    _draw_lines(axes, lines, reach, means_us, lowest)
    axes.set_xlabel("pulse, off its mean / µs")
    axes.set_ylabel(f"rest {'before' if after else 'after'} it, off its mean / µs")
    legend = axes.legend(
        loc="upper left", bbox_to_anchor=(-0.06, -0.155), ncols=4, fontsize=8, frameon=False,
        borderaxespad=0.0, columnspacing=1.2, handletextpad=0.5, handlelength=1.8,
    )  # fmt: skip
    enlarge_dots(legend)


def enlarge_dots(legend: Legend) -> None:
    """Make a legend's dots large enough to be seen.

    Parameters
    ----------
    legend : Legend
        Any; its other signs stay.
    """
    from matplotlib.lines import Line2D

    for handle in legend.legend_handles:
        if isinstance(handle, Line2D) and handle.get_marker() == ".":
            handle.set_markersize(7.0)
            handle.set_alpha(1.0)


def _is_after(unrest: Unrest | None) -> bool:
    """Tell whether the leading cause moves a rest together with the pulse after it."""
    fast = [
        one.kind
        for one in (unrest.contributions if unrest is not None else ())
        if one.kind in _AFTER + _WITHIN
    ]
    leading = unrest.contributions[0].kind if unrest is not None and fast else ""
    return leading in _AFTER


def _pair(cycles: Cycles, after: bool) -> tuple[Values, Values]:
    """Return pulses with the rests after them, or with those before."""
    if not after:
        return cycles.on_s, cycles.off_s
    follows = np.flatnonzero(cycles.follows)
    if follows.shape[0] < 2:
        return cycles.on_s, cycles.off_s
    return cycles.on_s[follows], cycles.off_s[follows - 1]


def _reach(x: Values, y: Values) -> tuple[float, float]:
    """Return how far to each side the frame goes, microseconds."""
    reach = []
    for values in (np.abs(x), np.abs(y)):
        most, usual = float(values.max()), float(np.quantile(values, 0.99))
        reach.append(max(1.1 * (most if most < 4.0 * usual else 2.0 * usual), 0.5))
    # of what hardly moves a frame of its own would show noise as large as the other's movement
    return max(reach[0], reach[1] / _MOST_RATIO), max(reach[1], reach[0] / _MOST_RATIO)


def _ellipse(cover: Values) -> tuple[Values, Values]:
    """Return the rim at one standard deviation."""
    turn = np.linspace(0.0, 2.0 * math.pi, 121)
    size, axis = np.linalg.eigh(cover)
    rim = axis @ (np.sqrt(np.maximum(size, 0.0))[:, None] * np.stack([np.cos(turn), np.sin(turn)]))
    return rim[0], rim[1]


def _tell_unseen(axes: Axes, leading: Sequence[Lead], after: bool) -> float:
    """Name what moves a rest and the pulse on its other side, which this cloud does not show.

    Returns how low the labels of the lines may go, in heights of the axes.
    """
    unseen = [one for one in leading if one.kind in (_WITHIN if after else _AFTER)]
    if not unseen:
        return -0.02
    side = "after" if after else "before"
    text = "\n".join(
        [f"moves a pulse with the rest {side} it:"]
        + [_label(one.kind, one.share) for one in unseen]
    )
    top = 0.046 * (1 + text.count("\n")) - 0.14
    axes.text(
        1.05, top, text,
        transform=axes.transAxes, va="top", fontsize=7.5, color="0.3", linespacing=1.15,
    )  # fmt: skip
    return max(-0.02, top + 0.02)


def _label(kind: str, share: float) -> str:
    """Name a kind with its share."""
    return f"{_KINDS[kind]}: {100.0 * share:.0f} %"


def _list_lines(
    directions: Sequence[Direction],
    leading: Sequence[Lead],
    after: bool,
    reach: tuple[float, float],
) -> list[_Line]:
    """List the leading causes' lines, then the others', gathered where they lie alike."""
    unseen = _WITHIN if after else _AFTER
    ways = {one.kind: one for one in directions if one.kind in _KINDS and one.kind not in unseen}
    strong = [one for one in leading if one.kind in ways and one.rank < len(CAUSE_STYLES)]
    strong = sorted(strong, key=lambda one: -one.share)[: len(CAUSE_STYLES)]
    lines = []
    for one in strong:
        way = ways[one.kind]
        lines.append(
            _Line(one.kind, _move(way, after), _KINDS[one.kind], way.u_relative, one.share,
                  *CAUSE_STYLES[one.rank])
        )  # fmt: skip
    drawn = {one.kind for one in strong}
    groups: list[list[str]] = []
    for kind in (one for one in _KINDS if one in ways and one not in drawn):
        if kind in _ONLY_LEADING:
            continue
        angle = _angle_deg(_move(ways[kind], after), reach)
        for group in groups:
            if _apart_deg(angle, _angle_deg(_move(ways[group[0]], after), reach)) < _ALIKE_DEG:
                group.append(kind)
                break
        else:
            groups.append([kind])
    for group in groups:
        label = ",\n".join(dict.fromkeys(_KINDS[kind] for kind in group))
        lines.append(_Line(group[0], _move(ways[group[0]], after), label, 0.0, None, _FAINT, "-"))
    return lines


def _move(way: Direction, after: bool) -> tuple[float, float]:
    """Return how a cause moves the pair in the picture."""
    if way.kind in _AFTER and after:
        return way.next_on_s, way.off_s
    if way.kind in _WITHIN:
        return way.on_s, way.off_s
    return way.on_s + way.next_on_s, way.off_s + way.next_off_s


def _angle_deg(move: tuple[float, float], reach: tuple[float, float]) -> float:
    """Return a line's angle in the picture, its right end's: above -90 up to 90 degrees."""
    angle = math.degrees(math.atan2(move[1] / reach[1], move[0] / reach[0]))
    if angle <= -90.0:
        return angle + 180.0
    return angle - 180.0 if angle > 90.0 else angle


def _apart_deg(one: float, other: float) -> float:
    """Return the angle between two lines."""
    return abs((one - other + 90.0) % 180.0 - 90.0)


def _end(angle_deg: float) -> Values:
    """Return a line's right end, -1 to 1 each way."""
    angle = math.radians(angle_deg)
    return _ROUND * np.array([math.cos(angle), math.sin(angle)])


def _draw_lines(
    axes: Axes,
    lines: Sequence[_Line],
    reach: tuple[float, float],
    means_us: tuple[float, float],
    lowest: float,
) -> None:
    """Draw the lines through the middle, with their labels in a column at the right."""
    scale = np.array(reach)
    angles = [_angle_deg(one.move, reach) for one in lines]
    wanted = [0.5 + 0.5 * float(_end(angle)[1]) for angle in angles]
    labels = [one.label if one.share is None else _label(one.kind, one.share) for one in lines]
    # ends near the top come in the order of their angles, as the leaders do
    order = np.argsort(angles)
    sizes = [0.022 + 0.054 * (1 + label.count("\n")) for label in labels]
    wanted = [one + 1e-6 * int(place) for one, place in zip(wanted, np.argsort(order), strict=True)]
    places = spread_labels(wanted, sizes, lowest, 1.02)
    for one, angle, place, label in zip(lines, angles, places, labels, strict=True):
        end = _end(angle)
        strong = one.share is not None
        if strong and one.u_relative > 0:
            _draw_wedge(axes, one, reach, means_us)
        x, y = zip(-end * scale, end * scale, strict=True)
        axes.plot(
            x, y, color=one.colour, linestyle=one.dash, linewidth=_BAND if strong else 0.9,
            alpha=_PALE if strong else None, zorder=2 if strong else 1,
        )  # fmt: skip
        axes.annotate(
            label,
            xy=tuple(0.5 + 0.5 * end),
            xytext=(1.05, place),
            xycoords="axes fraction",
            textcoords="axes fraction",
            ha="left",
            va="center",
            fontsize=8.5 if strong else 7.5,
            fontweight="bold" if strong else "normal",
            color=one.colour if strong else "0.3",
            linespacing=1.15,
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-", "color": one.colour, "linewidth": 0.6, "shrinkA": 1.0,
                "shrinkB": 0.0, "relpos": (0.0, 0.5),
            },
        )  # fmt: skip


def _draw_wedge(
    axes: Axes, line: _Line, reach: tuple[float, float], means_us: tuple[float, float]
) -> None:
    """Shade how far the direction may be off (k = 2), which is an angle in shares of the means."""
    middle = math.atan2(line.move[1] / means_us[1], line.move[0] / means_us[0])
    half = min(2.0 * line.u_relative, math.pi / 2.0)
    rim = []
    for angle in np.linspace(middle - half, middle + half, 15):
        way = np.array(
            [math.cos(angle) * means_us[0] / reach[0], math.sin(angle) * means_us[1] / reach[1]]
        )
        rim.append(_ROUND * way / float(np.hypot(*way)) * np.array(reach))
    for sign in (1.0, -1.0):
        corners = np.vstack([[0.0, 0.0], sign * np.array(rim)])
        axes.fill(corners[:, 0], corners[:, 1], color=line.colour, alpha=0.15, linewidth=0,
                  zorder=1.5)  # fmt: skip
