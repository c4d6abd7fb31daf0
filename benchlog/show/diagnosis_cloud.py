"""The cloud of a diagnosis: pulse against rest, and the way in which each cause moves them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchlog.show.spread_labels import spread_labels

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.legend import Legend

    from benchlog.diagnosis.cycles import Cycles
    from benchlog.diagnosis.separation.directions import Direction
    from benchlog.diagnosis.separation.unrest import Unrest
    from benchlog.diagnosis.series.mains import MainsSearch

__all__ = ["CAUSE_STYLES", "Averages", "average_cycles", "draw_cloud", "enlarge_dots"]

Values = NDArray[np.float64]

CAUSE_STYLES = (("#0b3c6f", "-"), ("#c4501b", (0, (5, 2))), ("#45a5b5", (0, (5, 2, 1, 2))))
"""Colour and dash of the leading causes: apart in brightness and in dash, so that they hold in
grey and for those who see few colours."""

_US = 1e6
_ROUND = 0.93
_FAINT = "0.62"
_LEAST_SHARE = 0.1
_ALIKE_DEG = 5.0
_MOST_RATIO = 6.0
_KINDS = {
    "wiper": "wiper moves on its track",
    "contact": "contact of the wiper",
    "supply": "supply, slowly",
    "capacitor": "timing capacitor",
    "off-path": "off side of the circuit",
    "diode": "warmth of the diode",
    "leak": "leak at the capacitor",
    "upper-level": "level that ends the pulse",
    "lower-level": "level that ends the rest",
    "supply-on-end": "supply as the pulse ends",
    "supply-off-end": "supply as the rest ends",
}
"""What the lines are called, those that matter most first."""
_AFTER = ("lower-level", "supply-off-end")
_WITHIN = ("upper-level", "supply-on-end")
"""What moves a rest and the pulse after it, and a pulse and the rest after it."""


@dataclass(frozen=True, slots=True, eq=False)
class Averages:
    """Means over short stretches, in which the jitter goes and the creep stays.

    Attributes
    ----------
    time_s : numpy.ndarray
        Middle of each stretch, seconds from the recording's start, shape (m,).
    on_s, off_s : numpy.ndarray
        Mean pulse and rest in it, seconds, shape (m,).
    length_s : float
        Length of a stretch, seconds.
    """

    time_s: Values
    on_s: Values
    off_s: Values
    length_s: float


def average_cycles(cycles: Cycles) -> Averages:
    """Average a recording over stretches of a second, other ones where it is short or long.

    Parameters
    ----------
    cycles : Cycles
        One or more.

    Returns
    -------
    Averages
        Of those stretches that hold three cycles at least; may be empty.
    """
    begin_s, end_s = float(cycles.start_s[0]), float(cycles.start_s[-1])
    whole_s, period_s = end_s - begin_s, float(np.mean(cycles.period_s))
    length_s = max(min(1.0, whole_s / 10.0), whole_s / 300.0, 4.0 * period_s)
    index = ((cycles.start_s - begin_s) / length_s).astype(np.intp)
    count = np.bincount(index)
    kept = count >= 3

    def mean(values: Values) -> Values:
        return np.asarray((np.bincount(index, values) / np.maximum(count, 1))[kept])

    return Averages(mean(cycles.start_s), mean(cycles.on_s), mean(cycles.off_s), length_s)


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
    *,
    trusted: bool,
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
        Which of them do.
    search : MainsSearch
        Mains lines in the same recording.
    trusted : bool
        Whether the leading causes may stand out.
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
        x, y, ".", color="0.4", markersize=2.4 if many else 3.2, alpha=0.45,
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
    for line in search.lines[:1]:
        parts = np.stack([line.on_part_s, line.off_part_s]) * _US
        if parts.shape[1] == cycles.count and line.on_part_s.shape[0] > 2:
            axes.plot(*_ellipse(2.0 * np.cov(parts)), color=CAUSE_STYLES[1][0], linewidth=1.6,
                      zorder=6, label=f"hum of {line.mains_hz * line.harmonic:g} Hz")  # fmt: skip
    shares = _list_shares(unrest) if trusted else {}
    lines = _list_lines(directions, shares, after, reach)
    _tell_unseen(axes, shares, after)
    means_us = _US * float(np.mean(cycles.on_s)), _US * float(np.mean(cycles.off_s))
    _draw_lines(axes, lines, reach, means_us)
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


def _list_shares(unrest: Unrest | None) -> dict[str, float]:
    """Return the shares of the kinds of movement that are worth a line."""
    parts = unrest.contributions if unrest is not None else ()
    return {
        one.kind: one.share for one in parts if one.share >= _LEAST_SHARE and one.kind in _KINDS
    }


def _tell_unseen(axes: Axes, shares: Mapping[str, float], after: bool) -> None:
    """Name what moves a rest and the pulse on its other side, which this cloud does not show."""
    unseen = [kind for kind in (_WITHIN if after else _AFTER) if kind in shares]
    if not unseen:
        return
    lines = [f"{_KINDS[kind]}: {100.0 * shares[kind]:.0f} %" for kind in unseen]
    side = "after" if after else "before"
    axes.text(
        1.05, -0.05, "\n".join([f"not seen here, but with the rest {side}:", *lines]),
        transform=axes.transAxes, va="top", fontsize=7.5, color="0.3", linespacing=1.15,
    )  # fmt: skip


def _list_lines(
    directions: Sequence[Direction],
    shares: Mapping[str, float],
    after: bool,
    reach: tuple[float, float],
) -> list[_Line]:
    """List the leading causes' lines, then the others', gathered where they lie alike."""
    unseen = _WITHIN if after else _AFTER
    ways = {one.kind: one for one in directions if one.kind in _KINDS and one.kind not in unseen}
    leading = sorted((one for one in shares if one in ways), key=lambda kind: -shares[kind])
    leading = leading[: len(CAUSE_STYLES)]
    lines = [
        _Line(kind, _move(way, after), _KINDS[kind], way.u_relative, shares[kind], *style)
        for kind, way, style in zip(leading, map(ways.get, leading), CAUSE_STYLES, strict=False)
        if way is not None
    ]
    groups: list[list[str]] = []
    for kind in (one for one in _KINDS if one in ways and one not in leading):
        angle = _angle_deg(_move(ways[kind], after), reach)
        for group in groups:
            if _apart_deg(angle, _angle_deg(_move(ways[group[0]], after), reach)) < _ALIKE_DEG:
                group.append(kind)
                break
        else:
            groups.append([kind])
    for group in groups:
        label = ",\n".join(_KINDS[kind] for kind in group)
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
    axes: Axes, lines: Sequence[_Line], reach: tuple[float, float], means_us: tuple[float, float]
) -> None:
    """Draw the lines through the middle, with their labels in a column at the right."""
    scale = np.array(reach)
    angles = [_angle_deg(one.move, reach) for one in lines]
    wanted = [0.5 + 0.5 * float(_end(angle)[1]) for angle in angles]
    labels = [
        one.label if one.share is None else f"{one.label}: {100.0 * one.share:.0f} %"
        for one in lines
    ]
    # ends near the top come in the order of their angles, as the leaders do
    order = np.argsort(angles)
    sizes = [0.022 + 0.054 * (1 + label.count("\n")) for label in labels]
    wanted = [one + 1e-6 * int(place) for one, place in zip(wanted, np.argsort(order), strict=True)]
    places = spread_labels(wanted, sizes, -0.02, 1.02)
    for one, angle, place, label in zip(lines, angles, places, labels, strict=True):
        end = _end(angle)
        strong = one.share is not None
        if strong and one.u_relative > 0:
            _draw_wedge(axes, one, reach, means_us)
        x, y = zip(-end * scale, end * scale, strict=True)
        axes.plot(
            x, y, color=one.colour, linestyle=one.dash, linewidth=3.0 if strong else 0.9,
            zorder=7 if strong else 1,
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
