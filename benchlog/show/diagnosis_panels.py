"""The panels of a diagnosis beside the cloud: events, series, spectrum and shares."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.series.spectrum import find_power_density
from benchlog.diagnosis.train.event_kinds import EventKind
from benchlog.show.cycle_averages import average_cycles
from benchlog.show.diagnosis_cloud import CAUSE_STYLES
from benchlog.show.spread_labels import spread_labels

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from benchlog.diagnosis.cycles import Cycles
    from benchlog.diagnosis.end_stop import EndStop
    from benchlog.diagnosis.series.mains import MainsLine, MainsSearch
    from benchlog.diagnosis.series.steps import PeriodicLoad, Step
    from benchlog.diagnosis.train.events import Events

__all__ = ["EVENT_NAMES", "Bar", "draw_events", "draw_series", "draw_shares", "draw_spectrum"]

Values = NDArray[np.float64]

_US = 1e6
_SLOW_HZ = 0.5
_FEWEST = 64
"""Of fewer cycles a spectrum shows chance alone."""
_MOST_FILLED = 0.2
_LEAST_SHARE = 0.01
_NEARLY_ALL = 0.9
_MOST_LETTERS = 43
_SEEN_RANGE = 0.02
"""A narrower range is a mark upon the bar's end that nobody can read."""
_MOST_BARS = 5
_MOST_ONE_WAY = 2
EVENT_NAMES: Mapping[EventKind, str] = {
    "missing-pulse": "missing pulses",
    "extra-edge": "extra pulses",
    "runt": "odd heights",
    "reset": "restarts",
    "gap": "lost samples",
    "dropout": "signal away",
}
"""What the rows of the events are called."""


def draw_events(axes: Axes, events: Events, kinds: Sequence[EventKind]) -> None:
    """Draw what happened when, a row for each kind.

    Parameters
    ----------
    axes : Axes
        Empty, with the time axis set.
    events : Events
        Of the recording.
    kinds : sequence of str
        The rows, from the top.
    """
    for row, kind in enumerate(kinds):
        found = events.of_kind(kind)
        begin = [one.time_s for one in found]
        axes.hlines(
            [row] * len(found), begin, [one.time_s + one.length_s for one in found],
            color="black", linewidth=3.0,
        )  # fmt: skip
        axes.plot(begin, [row] * len(found), "|", color="black", markersize=9, markeredgewidth=1.2)
    many = {kind: sum(one.count for one in events.of_kind(kind)) for kind in kinds}
    axes.set_ylim(len(kinds) - 0.4, -0.6)
    axes.set_yticks(
        range(len(kinds)), [f"{EVENT_NAMES[kind]}: {many[kind]}" for kind in kinds], fontsize=8
    )
    axes.tick_params(length=0, labelbottom=False)


def draw_series(
    axes: Axes,
    cycles: Cycles,
    part: str,
    steps: Sequence[Step],
    limit_s: float | None = None,
    stop: EndStop | None = None,
) -> None:
    """Draw pulse or rest over time.

    Parameters
    ----------
    axes : Axes
        Empty.
    cycles : Cycles
        One or more.
    part : {"pulse", "rest"}
        Which of the two.
    steps : sequence of Step
        Sudden changes, which get a line each.
    limit_s : float, optional
        Allowed standard deviation, drawn as a band about the mean.
    stop : EndStop, optional
        The servo's limit, drawn where given.
    """
    values = _US * (cycles.on_s if part == "pulse" else cycles.off_s)
    mean = float(np.mean(values))
    many = values.shape[0] > 3000
    axes.plot(
        cycles.start_s, values, ".", color="0.3", markersize=2.6 if many else 3.6, alpha=0.5,
        markeredgewidth=0, rasterized=many, zorder=4, label="each cycle",
    )  # fmt: skip
    if limit_s is not None:
        allowed = _US * limit_s
        axes.axhspan(mean - allowed, mean + allowed, color="#dfe8d2", linewidth=0, zorder=0,
                     label=f"allowed scatter: {allowed:g} µs either way")  # fmt: skip
    means = average_cycles(cycles)
    smooth = _US * (means.on_s if part == "pulse" else means.off_s)
    # dots stay to be seen: a line in front of a still channel's would hide them all
    axes.plot(means.time_s, smooth, color="#e0a23c", linewidth=2.2, zorder=3,
              label=f"averages over {means.length_s:.2g} s")  # fmt: skip
    _mark_steps(axes, steps)
    if stop is not None:
        _draw_stop(axes, stop, values)
    low, high = axes.get_ylim()
    room = max(0.0, 0.4 - (high - low)) / 2.0
    axes.set_ylim(low - room, high + room)
    axes.set_ylabel(f"{part} / µs")
    axes.ticklabel_format(axis="y", useOffset=False)


def _mark_steps(axes: Axes, steps: Sequence[Step]) -> None:
    """Draw a line at each step; many of them one way are a steep creep, which needs none."""
    ways = {step.on_s > 0 for step in steps}
    if len(ways) == 1 and len(steps) > _MOST_ONE_WAY:
        return
    for index, step in enumerate(steps):
        axes.axvline(step.time_s, color=CAUSE_STYLES[1][0], linewidth=0.8, linestyle=(0, (4, 2)),
                     zorder=3, label="sudden step" if index == 0 else None)  # fmt: skip


def _draw_stop(axes: Axes, stop: EndStop, values: Values) -> None:
    """Draw the servo's limit and what lies beyond it."""
    limit = _US * stop.limit_s
    low = min(float(values.min()), limit)
    high = max(float(values.max()), limit)
    room = 0.25 * max(high - low, 4.0)
    low, high = low - room, high + room
    beyond = (low, limit) if stop.end == "low" else (limit, high)
    axes.axhspan(*beyond, facecolor="none", edgecolor="0.75", hatch="///", linewidth=0, zorder=0.5)
    known = ", assumed" if stop.assumed else ""
    axes.axhline(limit, color="black", linewidth=1.3, linestyle=(0, (8, 3, 2, 3)), zorder=5,
                 label=f"{stop.end} end stop: {round(limit, 1):g} µs{known}")  # fmt: skip
    axes.set_ylim(low, high)


def draw_spectrum(
    axes: Axes, cycles: Cycles, search: MainsSearch, load: PeriodicLoad | None
) -> bool:
    """Draw how fast pulse and rest move, and where hum would show.

    Parameters
    ----------
    axes : Axes
        Empty; a tenth of its width and a quarter of its height above it is used for labels.
    cycles : Cycles
        Any number.
    search : MainsSearch
        What of the mains shows, and where the rest of it would.
    load : PeriodicLoad or None
        A movement to and fro that is none of the mains.

    Returns
    -------
    bool
        False, with nothing drawn, where there are too few cycles.
    """
    runs = _even_series(cycles)
    if runs is None:
        return False
    period_s = float(np.mean(cycles.period_s))
    half_hz = 0.5 / period_s
    segment = max(_FEWEST, runs[0].shape[0] // 3)
    shown: list[Values] = []
    for values, name, colour, width in (
        (runs[1], "rest", CAUSE_STYLES[1][0], 0.9),
        (runs[0], "pulse", CAUSE_STYLES[0][0], 1.3),
    ):
        density = find_power_density(_US * values, period_s, segment=segment)
        root = np.sqrt(np.maximum(density.density[1:], 1e-12))
        shown.append(root)
        axes.plot(density.hz[1:], root, color=colour, linewidth=width, label=name,
                  linestyle="-" if name == "pulse" else (0, (4, 1)), zorder=4)  # fmt: skip
    noise = _US * cycles.u_edge_s * float(np.sqrt(4.0 * period_s))
    if noise > 0:
        axes.axhline(noise, color="black", linewidth=0.9, linestyle=(0, (1, 1.5)), zorder=3,
                     label="noise of the input alone")  # fmt: skip
    axes.set_yscale("log")
    most = max(float(one.max()) for one in shown)
    least = min(min(float(np.quantile(one, 0.02)) for one in shown), noise or np.inf)
    axes.set_ylim(max(0.6 * least, 1e-6 * most), 2.0 * most)
    # roots give room to what is slow without crowding what is fast
    axes.set_xscale("function", functions=(_root, _square))
    axes.set_xlim(0.0, half_hz)
    axes.set_xticks([one for one in (0.1, 0.5, 1, 2, 5, 10, 15, 20, 30, 40, 60) if one <= half_hz])
    axes.xaxis.set_major_formatter("{x:g}")
    axes.minorticks_off()
    low, high = axes.get_ylim()
    axes.set_yticks(_round_values(low, high))
    axes.yaxis.set_major_formatter("{x:g}")
    axes.axvspan(0.0, _SLOW_HZ, color="0.93", linewidth=0, zorder=0, label="slow: creep")
    if load is not None and 1.0 / load.period_s <= half_hz:
        axes.axvline(1.0 / load.period_s, color="#45a5b5", linewidth=2.0, zorder=2,
                     linestyle=(0, (5, 2, 1, 2)),
                     label=f"to and fro, {load.period_s:.2f} s each")  # fmt: skip
    for index, line in enumerate(_told_lines(search)[:3]):
        axes.axvline(abs(line.found_alias_hz), color="black", linewidth=1.1, zorder=3,
                     label="hum found" if index == 0 else None)  # fmt: skip
    _mark_aliases(axes, search, half_hz)
    axes.set_xlabel("frequency of the movement / Hz")
    axes.set_ylabel("movement / (µs per √Hz)")
    return True


def _told_lines(search: MainsSearch) -> list[MainsLine]:
    """Return the lines of the mains that the finding names: a bench has one mains, not two."""
    return [line for line in search.lines if line.mains_hz == search.lines[0].mains_hz]


def _round_values(low: float, high: float) -> list[float]:
    """Return round values between two: powers of ten, with 2 and 5 between where those are few."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    steps = (1.0, 2.0, 5.0) if math.log10(high / low) < 2.0 else (1.0,)
    values = [step * 10.0**power for power in range(first, last + 1) for step in steps]
    return [one for one in values if low <= one <= high]


def _root(values: Values) -> Values:
    return np.asarray(np.sqrt(np.maximum(values, 0.0)))


def _square(values: Values) -> Values:
    return np.asarray(np.square(values))


def _mark_aliases(axes: Axes, search: MainsSearch, half_hz: float) -> None:
    """Mark above the axes where each harmonic of the mains is seen once a cycle."""
    if not search.aliases:
        return
    found = {(line.mains_hz, line.harmonic) for line in _told_lines(search)}
    aliases = sorted(search.aliases, key=lambda one: (abs(one[2]), one[0] * one[1]))
    at = [float(np.sqrt(abs(alias) / half_hz)) for _, _, alias in aliases]
    places = spread_labels(at, [0.052] * len(at), -0.01, 1.01)
    for (mains, harmonic, _), true, place in zip(aliases, at, places, strict=True):
        strong = (mains, harmonic) in found
        sixty = mains == 60.0
        axes.annotate(
            f"{mains * harmonic:g}",
            xy=(true, 1.0),
            xytext=(place, 1.11),
            xycoords="axes fraction",
            textcoords="axes fraction",
            ha="center",
            va="bottom",
            fontsize=9.5 if strong else 8,
            fontweight="bold" if strong else "normal",
            fontstyle="italic" if sixty else "normal",
            color="black" if strong else "0.3",
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-", "color": "black" if strong else "0.6", "shrinkA": 0.0,
                "shrinkB": 0.0, "linewidth": 1.2 if strong else 0.6,
                "linestyle": (0, (2, 1.5)) if sixty else "-",
            },
        )  # fmt: skip
    axes.text(
        0.0, 1.24, "hum of the mains, if any, shows at these places (in Hz; 50 upright, 60 "
        "slanted, each with its multiples):", transform=axes.transAxes, fontsize=8, color="0.3",
    )  # fmt: skip


def _even_series(cycles: Cycles) -> tuple[Values, Values] | None:
    """Return pulse and rest of each cycle with short holes bridged, or of the longest run."""
    if cycles.count < _FEWEST:
        return None
    period_s = float(np.mean(cycles.period_s))
    ends = cycles.start_s[:-1] + cycles.period_s[:-1]
    holes = np.where(cycles.follows[1:], 0, np.rint((cycles.start_s[1:] - ends) / period_s))
    index = np.concatenate([[0], np.cumsum(1 + np.maximum(holes, 0))])
    length = int(index[-1]) + 1
    if length <= (1.0 + _MOST_FILLED) * cycles.count:
        even = np.arange(length)
        return (
            np.asarray(np.interp(even, index, cycles.on_s)),
            np.asarray(np.interp(even, index, cycles.off_s)),
        )
    begins = np.flatnonzero(~cycles.follows)
    ends_at = np.append(begins[1:], cycles.count)
    longest = int(np.argmax(ends_at - begins))
    run = slice(int(begins[longest]), int(ends_at[longest]))
    if run.stop - run.start < _FEWEST:
        return None
    return cycles.on_s[run], cycles.off_s[run]


@dataclass(frozen=True, slots=True)
class Bar:
    """What one cause makes of the movement.

    Attributes
    ----------
    name : str
        What it is called.
    share, low, high : float
        Of the variance, 0 to 1, and its 95 % interval.
    """

    name: str
    share: float
    low: float
    high: float

    @property
    def figures(self) -> str:
        """The share as the finding says it, and no more exactly."""
        if self.low >= _NEARLY_ALL:
            return f"at least {math.floor(100.0 * self.low)} %"
        return f"{100.0 * self.share:.0f} % ({100.0 * self.low:.0f} to {100.0 * self.high:.0f} %)"


def draw_shares(axes: Axes, bars: Sequence[Bar], counted: str, *, trusted: bool) -> None:
    """Draw each cause's share as a bar with its interval.

    Parameters
    ----------
    axes : Axes
        Empty.
    bars : sequence of Bar
        Weightiest first; those that make next to nothing, or are too many, are left out.
    counted : {"pulse", "period"}
        Whose movement is shared out.
    trusted : bool
        Whether the bars may have the colours of the cloud's lines.
    """
    shown = [one for one in bars if one.share >= _LEAST_SHARE][:_MOST_BARS]
    left = max(0.0, 1.0 - sum(one.share for one in shown))
    place = 0.0
    for index, one in enumerate(shown):
        colour = CAUSE_STYLES[index][0] if index < len(CAUSE_STYLES) else "0.6"
        axes.barh(place, one.share, height=0.5, color=colour if trusted else "0.6", zorder=2)
        below, above = max(0.0, one.share - one.low), max(0.0, one.high - one.share)
        if below + above >= _SEEN_RANGE:
            for colour, width in (("white", 3.6), ("black", 1.4)):
                axes.errorbar(
                    one.share, place, xerr=[[below], [above]], color=colour, linewidth=width,
                    capsize=4.0, capthick=width, zorder=3, clip_on=False,
                )  # fmt: skip
        # beside a long name the range is left to its mark
        room = len(one.name) + len(one.figures) <= _MOST_LETTERS
        _name_bar(axes, place, one.name, one.figures if room else one.figures.split(" (")[0])
        place += 1.0
    if left >= _LEAST_SHARE:
        axes.barh(place, left, height=0.5, facecolor="white", edgecolor="0.4", hatch="////",
                  zorder=2)  # fmt: skip
    _name_bar(axes, place, "everything else", f"{100.0 * left:.0f} %")
    axes.set_ylim(max(place, 3.0) + 0.5, -0.75)
    axes.set_xlim(0.0, 1.0)
    axes.set_xticks([0.0, 0.25, 0.5, 0.75, 1.0], ["0", "25", "50", "75", "100"])
    axes.set_yticks([])
    axes.set_xlabel(f"share of the {counted}'s squared scatter / %")


def _name_bar(axes: Axes, place: float, name: str, figures: str) -> None:
    """Write a bar's name and figures above it."""
    for x, text, side in ((0.01, name, "left"), (0.99, figures, "right")):
        axes.text(x, place - 0.29, text, ha=side, va="bottom", fontsize=8.0, zorder=4)
