"""A picture of a diagnosis: what was found, with series, cloud, shares and spectrum."""

from __future__ import annotations

import textwrap
import warnings
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

from benchlog.diagnosis.finding import CANNOT_TELL
from benchlog.diagnosis.separation.causes import find_causes
from benchlog.diagnosis.series.mains import MainsSearch
from benchlog.diagnosis.surroundings import tell_surroundings
from benchlog.diagnosis.words.event_texts import EVENT_CAUSES
from benchlog.errors import one_line
from benchlog.show.diagnosis_cloud import Lead, draw_cloud, enlarge_dots
from benchlog.show.diagnosis_panels import (
    EVENT_NAMES,
    Bar,
    draw_events,
    draw_series,
    draw_shares,
    draw_spectrum,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from benchlog.diagnosis.finding import Diagnosis, Finding, InputDiagnosis
    from benchlog.diagnosis.separation.unrest import Unrest
    from benchlog.diagnosis.train.event_kinds import EventKind

__all__ = ["draw_diagnosis"]

_DPI = 150
_WIDE_IN = 10.0
_LEFT_IN, _RIGHT_IN = 1.2, 0.35
_LINE_IN = 0.195
_LINE_LETTERS = 122
_MOST_LINES = 7
_BODY_IN = 10.75
_PULSE_IN, _SPECTRUM_IN = 1.55, 1.6
_ROW_IN = 0.26
_FEWEST_DRAWN = 2
_SPOILING = (CANNOT_TELL, "clipping", "weak-signal")
"""Findings beside which the shares are not to be relied on."""
_NAMES = {
    "wiper": "knob's wiper or its track",
    "supply": "supply",
    "diode": "diode's temperature",
    "capacitor": "timing capacitor",
    "off-path": "off side of the circuit",
    "threshold": "noise where the timer switches",
    "mains": "hum from the mains",
    "neighbour": "another channel",
}
"""What the bars are called, as in the first line on the screen."""


@dataclass(frozen=True, slots=True)
class _Column:
    """One input's part of the picture: where its panels lie, in inches from the lower left."""

    figure: Figure
    left_in: float
    size_in: tuple[float, float]

    def add(self, left: float, bottom: float, wide: float, tall: float) -> Axes:
        """Add a panel; `left` from this column's left."""
        across, up = self.size_in
        return self.figure.add_axes(
            ((self.left_in + left) / across, bottom / up, wide / across, tall / up)
        )

    def write(self, left: float, up: float, text: str, **looks: Any) -> None:
        """Write a line of text."""
        across, tall = self.size_in
        self.figure.text(
            (self.left_in + left) / across, up / tall, text, parse_math=False, va="baseline",
            **looks,
        )  # fmt: skip


def draw_diagnosis(name: str, diagnosis: Diagnosis, form: str) -> bytes:
    """Draw a diagnosis, each input in a column of its own.

    Of several recordings the one that shows the first finding best is drawn; the shares are
    of all.

    Parameters
    ----------
    name : str
        What was diagnosed, a channel or a file.
    diagnosis : Diagnosis
        What was found.
    form : {"png", "svg", "pdf"}
        The picture's format.

    Returns
    -------
    bytes
        The picture's file; the same every time.
    """
    import matplotlib as mpl

    metadata: dict[str, Any] = {"png": {"Software": "benchlog"}}.get(
        form, {"Creator": "benchlog", "Date" if form == "svg" else "CreationDate": None}
    )
    fixed: Any = {
        "svg.hashsalt": "benchlog", "pdf.fonttype": 42, "font.size": 9.0, "hatch.linewidth": 0.6,
        "axes.grid": True, "grid.color": "0.85", "grid.linewidth": 0.5, "axes.axisbelow": True,
        "font.family": ["DejaVu Sans"],
    }  # fmt: skip
    buffer = BytesIO()
    with mpl.rc_context(fixed), warnings.catch_warnings():
        # a letter of a file's name that the font lacks is drawn as a box
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure = _draw(name, diagnosis)
        figure.savefig(buffer, format=form, dpi=_DPI, metadata=metadata)
    return buffer.getvalue()


def _draw(name: str, diagnosis: Diagnosis) -> Figure:
    """Fill a figure."""
    from matplotlib.figure import Figure

    inputs = diagnosis.inputs
    places = [_place(one) for one in inputs]
    texts = [_caption(one) for one in inputs]
    rows = [_event_rows(one, place) for one, place in zip(inputs, places, strict=True)]
    lines_in = 0.65 + _LINE_IN * max(len(one) for one in texts)
    rows_in = _ROW_IN * max(len(one) for one in rows)
    drawn = any(
        one.cycles[place].count >= _FEWEST_DRAWN for one, place in zip(inputs, places, strict=True)
    )
    tall_in = (_BODY_IN if drawn else 1.0) + lines_in + rows_in
    size_in = (_WIDE_IN * len(inputs), tall_in)
    figure = Figure(figsize=size_in)
    end_s = max(
        one.heard[place].measurement.duration_s for one, place in zip(inputs, places, strict=True)
    )
    for index, (one, place) in enumerate(zip(inputs, places, strict=True)):
        column = _Column(figure, _WIDE_IN * index, size_in)
        _write_heading(column, one, place, name, texts[index], several=len(inputs) > 1)
        _draw_input(column, one, place, rows[index], tall_in - lines_in - rows_in, end_s)
    return figure


def _place(one: InputDiagnosis) -> int:
    """Choose the recording that shows an input's first finding best."""
    if len(one.heard) == 1:
        return 0
    cause = one.findings[0].cause if one.findings else ""
    if cause.startswith("end-stop"):
        beyond = [stop.beyond_s if stop is not None else -np.inf for stop in one.end_stops]
        return int(np.argmax(beyond))
    kinds = [kind for kind, speaks_for in EVENT_CAUSES.items() if speaks_for == cause]
    if any(found.of_kind(kind) for found in one.events for kind in kinds):
        return int(
            np.argmax([sum(len(found.of_kind(kind)) for kind in kinds) for found in one.events])
        )
    restless = [
        float(np.std(cycles.on_s if _counts_pulse(one) else cycles.period_s))
        if cycles.count >= _FEWEST_DRAWN
        else -1.0
        for cycles in one.cycles
    ]
    return int(np.argmax(restless))


def _counts_pulse(one: InputDiagnosis) -> bool:
    return one.unrest is None or one.unrest.counted == "pulse"


def _caption(one: InputDiagnosis) -> list[str]:
    """Return the first finding's sentence and the others' in lines."""
    lines: list[str] = []
    for index, finding in enumerate(one.findings):
        text = " ".join(part for part in (finding.what, finding.sure) if part)
        lead = "" if index == 0 else "Also: "
        lines += textwrap.wrap(one_line(f"{lead}{text}"), _LINE_LETTERS)
    if len(lines) > _MOST_LINES:
        lines = [*lines[: _MOST_LINES - 1], lines[_MOST_LINES - 1].rstrip(".") + " …"]
    return lines


def _event_rows(one: InputDiagnosis, place: int) -> list[EventKind]:
    """Return the kinds of event that occur."""
    counts = one.events[place].counts
    return [kind for kind in EVENT_NAMES if counts.get(kind)]


def _shorten(text: str, most: int) -> str:
    text = one_line(text)
    return text if len(text) <= most else "…" + text[1 - most :]


def _write_heading(
    column: _Column, one: InputDiagnosis, place: int, name: str, lines: list[str], *, several: bool
) -> None:
    """Write what was diagnosed, what was found, and from what."""
    top_in = column.size_in[1] - 0.4
    title = _shorten(PurePath(name).name or name, 60)
    column.write(
        0.3, top_in, f"{title}, input {one.input}" if several else title,
        fontsize=14, fontweight="bold",
    )  # fmt: skip
    heard, cycles = one.heard[place], one.cycles[place]
    count, length_s = cycles.count, heard.measurement.duration_s
    length = f"{length_s:.1f} s" if length_s >= 1.0 else f"{length_s:.2f} s"
    about = f"{count} cycle{'' if count == 1 else 's'}, {length}"
    if len(one.heard) > 1:
        file = _shorten(PurePath(heard.file).name, 40)
        about = f"recording {place + 1} of {len(one.heard)}, {file}: {about}"
    column.write(_WIDE_IN - _RIGHT_IN, top_in, about, fontsize=9, color="0.3", ha="right")
    for index, line in enumerate(lines):
        column.write(0.3, top_in - 0.27 - _LINE_IN * index, line, fontsize=10)


def _draw_input(
    column: _Column,
    one: InputDiagnosis,
    place: int,
    rows: list[EventKind],
    top_in: float,
    end_s: float,
) -> None:
    """Draw the panels of one input under its heading, from `top_in` down."""
    wide_in = _WIDE_IN - _LEFT_IN - _RIGHT_IN
    cycles = one.cycles[place]
    if cycles.count < _FEWEST_DRAWN:
        column.write(0.3, top_in - 0.5, "There are no whole cycles to draw.", fontsize=10)
        return
    unrest = one.unrest
    steps = one.steps[place] if place < len(one.steps) else ()
    pulse = column.add(_LEFT_IN, top_in - 1.95, wide_in, _PULSE_IN)
    rest = column.add(_LEFT_IN, top_in - 3.4, wide_in, 1.3)
    limit_s = unrest.pulse_limit_s if unrest is not None else None
    draw_series(pulse, cycles, "pulse", steps, limit_s, one.end_stops[place])
    draw_series(rest, cycles, "rest", steps)
    pulse.tick_params(labelbottom=False)
    for axes in (pulse, rest):
        axes.set_xlim(0.0, end_s)
    rest.set_xlabel("time / s")
    strip_in = _ROW_IN * len(rows)
    _head(pulse, "Pulse and rest over time", tall_in=_PULSE_IN, above_in=strip_in)
    if rows:
        strip = column.add(_LEFT_IN, top_in - 0.32, wide_in, strip_in - 0.06)
        strip.set_xlim(0.0, end_s)
        draw_events(strip, one.events[place], rows)
    search = _told_search(one, place)
    _draw_causes(column, one, place, search, top_in - 4.4)
    spectrum = column.add(_LEFT_IN, 0.55, wide_in, _SPECTRUM_IN)
    load = one.loads[place] if place < len(one.loads) else None
    if draw_spectrum(spectrum, cycles, search, load):
        _head(spectrum, "How fast they move", tall_in=_SPECTRUM_IN, above_in=0.5)
    else:
        _say_instead(spectrum, "Too few cycles in a row for a spectrum.")


def _told_search(one: InputDiagnosis, place: int) -> MainsSearch:
    """Return what of the mains shows; where causes are named and hum is none of them, no line."""
    if place >= len(one.searches):
        return MainsSearch((), (), ())
    search = one.searches[place]
    if _is_trusted(one) and all(finding.cause != "mains" for finding in one.findings):
        return replace(search, lines=())
    return search


def _draw_causes(
    column: _Column, one: InputDiagnosis, place: int, search: MainsSearch, top_in: float
) -> None:
    """Draw the cloud and the shares, from `top_in` down."""
    cloud = column.add(_LEFT_IN, top_in - 2.75, 3.2, 2.75)
    unrest, trusted = one.unrest, _is_trusted(one)
    leading = _list_leads(one) if trusted else []
    draw_cloud(cloud, one.cycles[place], one.directions[place], unrest, search, leading)
    cloud.set_title("Each cycle, and the way each cause would move it", loc="left", fontsize=10,
                    fontweight="bold", pad=7.0)  # fmt: skip
    shares = column.add(6.9, top_in - 2.75, _WIDE_IN - _RIGHT_IN - 6.9, 2.75)
    if unrest is None or not unrest.contributions:
        _say_instead(shares, "Too few cycles to share out\nwhat moves them.")
        return
    title = "What moves it"
    if not unrest.over:
        title = "What moves it, within its limits"
    elif not trusted:
        title = "What it looks like, unproven"
    shares.set_title(title, loc="left", fontsize=10, fontweight="bold", pad=7.0)
    draw_shares(shares, _list_bars(one, unrest, trusted=trusted), unrest.counted, trusted=trusted)


def _list_bars(one: InputDiagnosis, unrest: Unrest, *, trusted: bool) -> list[Bar]:
    """Return what the findings say of the shares; what it looks like where they name nothing."""
    told = [finding for finding in one.findings if finding.part is not None]
    if trusted and told:
        parts = [(_name(finding), finding.part) for finding in told if finding.part is not None]
        return [Bar(name, part.share, part.low, part.high) for name, part in parts]
    causes = find_causes(unrest, tell_surroundings(one))
    return [
        Bar(_NAMES.get(cause.name, cause.name), cause.share, cause.share_low, cause.share_high)
        for cause in causes
    ]


def _name(finding: Finding) -> str:
    """Return what a finding's bar is called."""
    alike = finding.evidence.get("or_like")
    if finding.cause == "supply" and isinstance(alike, list) and "diode" in alike:
        return "supply, or diode's temperature"
    return _NAMES.get(finding.cause, finding.cause)


def _list_leads(one: InputDiagnosis) -> list[Lead]:
    """Return the kinds of movement that the findings name, the shares as the findings say them."""
    contributions = one.unrest.contributions if one.unrest is not None else ()
    share_of = {each.kind: each.share for each in contributions}
    told = [finding for finding in one.findings if finding.part is not None]
    # beside a neighbour the shares by kind are not what the whole movement looks like
    is_alone = all(finding.cause != "neighbour" for finding in told)
    leads = []
    for rank, finding in enumerate(told):
        named = finding.evidence.get("kinds")
        kinds = [str(kind) for kind in named] if isinstance(named, list) else []
        whole = sum(share_of.get(kind, 0.0) for kind in kinds)
        if not is_alone or not whole:
            kinds, whole = kinds[:1], 0.0
        for kind in kinds:
            part = share_of[kind] / whole if whole else 1.0
            leads.append(Lead(kind, part * (finding.share or 0.0), rank))
    return leads


def _is_trusted(one: InputDiagnosis) -> bool:
    """Tell whether the leading causes are to stand out."""
    spoilt = any(finding.cause in _SPOILING for finding in one.findings)
    return one.unrest is not None and one.unrest.over and not spoilt


def _head(axes: Axes, title: str, *, tall_in: float, above_in: float) -> None:
    """Write a panel's title at its left and its legend at its right, some way above it."""
    up = 1.0 + (above_in + 0.08) / tall_in
    axes.text(0.0, up, title, transform=axes.transAxes, fontsize=10, fontweight="bold")
    handles, labels = axes.get_legend_handles_labels()
    legend = axes.legend(
        handles, labels, loc="lower right", bbox_to_anchor=(1.0, up), ncols=len(labels),
        fontsize=8, frameon=False, borderaxespad=0.0, borderpad=0.0, handletextpad=0.5,
        columnspacing=1.2, handlelength=1.8,
    )  # fmt: skip
    enlarge_dots(legend)


def _say_instead(axes: Axes, text: str) -> None:
    """Say why a panel is empty."""
    axes.set_axis_off()
    axes.text(0.0, 0.9, text, transform=axes.transAxes, va="top", color="0.3")
