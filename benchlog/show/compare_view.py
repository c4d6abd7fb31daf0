"""The answer of a comparison: findings, a table of the stages, and how to see it again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.table import Table as TextTable

    from benchlog.diagnosis.finding import Finding
    from benchlog.diagnosis.trial.comparing import Comparison, StageFigures
    from benchlog.diagnosis.trial.stage import Stage

__all__ = ["comparison_to_json", "show_comparison"]

_US = 1e6
_WIDE = 78


def show_comparison(
    name: str, comparison: Comparison, findings: Sequence[Finding], again: str | None
) -> None:
    """Show what differs between stages.

    Parameters
    ----------
    name : str
        The channel.
    comparison : Comparison
        The stages.
    findings : sequence of Finding
        What is said of them.
    again : str or None
        The command that compares the recordings again; None where it was just typed.
    """
    from benchlog.show.beat_view import show_findings
    from benchlog.show.terminal import show, write_out

    show_findings(name, findings)
    show("", _lay_out(comparison))
    if again is not None:
        show("", "The recordings are kept. To compare them again:")
        # not wrapped: a line that is copied must be one line
        write_out(f"{again}\n")


def _lay_out(comparison: Comparison) -> TextTable:
    """Lay out a row for each stage."""
    from rich.table import Table as TextTable

    from benchlog.diagnosis.words.comparing_texts import STAGE_WORDS
    from benchlog.show.terminal import plain, screen_width

    is_wide = screen_width() >= _WIDE
    table = TextTable(box=None, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("stage", no_wrap=True)
    headings = [
        "",
        "pulse\nµs",
        "scatter\nµs",
        "of cycle\nµs",
        "creep\nµs/s",
        "events",
        "length\ns",
    ]
    for heading in (headings if is_wide else _narrow(headings))[1:]:
        table.add_column(heading, justify="right", overflow="fold")
    figures = {one.name: one for one in comparison.figures}
    for one in comparison.stages:
        row = [
            STAGE_WORDS[one.name],
            *_cells(figures.get(one.name)),
            str(_count_events(one)) if one.name not in comparison.silent else "-",
            f"{one.duration_s:.1f}",
        ]
        if one.name in comparison.silent:
            row[1] = "none"
        table.add_row(*(plain(cell) for cell in (row if is_wide else _narrow(row))))
    return table


def _narrow(row: list[str]) -> list[str]:
    """Leave out what a narrow screen has no room for: scatter of the cycle, creep."""
    return [*row[:3], *row[5:]]


def _cells(one: StageFigures | None) -> list[str]:
    """Write the figures of a stage."""
    if one is None:
        return ["-"] * 4
    return [
        f"{one.pulse_s * _US:.1f} ± {_half(one.u_pulse_s)}",
        _digits(one.pulse_sd_s),
        _digits(one.period_sd_s),
        f"{_signed(one.creep_s_per_s, 2)} ± {_half(one.u_creep_s_per_s, 2)}",
    ]


def _digits(seconds: float) -> str:
    from benchlog.diagnosis.words.amounts import digits

    return digits(seconds * _US)


def _half(u_s: float, places: int = 1) -> str:
    """Write a '±' (k = 2) with as many places as it takes for a digit that is not 0."""
    half = max(2.0 * u_s * _US, 0.001)
    while round(half, places) == 0:
        places += 1
    return f"{half:.{places}f}"


def _signed(seconds: float, places: int) -> str:
    """Write a figure with its sign; none on 0."""
    text = f"{seconds * _US:+.{places}f}"
    return text if float(text) else text[1:]


def _count_events(stage: Stage) -> int:
    return 0 if stage.events is None else len(stage.events.events)


def comparison_to_json(
    comparison: Comparison, findings: Sequence[Finding], files: Mapping[str, Path]
) -> dict[str, Any]:
    """Put a comparison into JSON values.

    Parameters
    ----------
    comparison : Comparison
        The stages.
    findings : sequence of Finding
        What is said of them.
    files : mapping
        The recording of each stage.

    Returns
    -------
    dict
        ``findings`` and ``stages``; figures of a stage without enough whole cycles are None.
    """
    from benchlog.show.diagnosis_view import findings_to_json

    figures = {one.name: one for one in comparison.figures}
    return {
        "findings": findings_to_json(list(findings)),
        "stages": [
            {
                "stage": one.name,
                "file": str(files[one.name]),
                "duration_s": one.duration_s,
                "cut_short": one.is_cut_short,
                "pulse_count": one.pulses,
                **_figures_to_json(figures.get(one.name)),
                "events": dict(one.events.counts) if one.events is not None else {},
            }
            for one in comparison.stages
        ],
    }


def _figures_to_json(one: StageFigures | None) -> dict[str, float | None]:
    values = {
        "pulse_us": None if one is None else one.pulse_s,
        "u_pulse_us": None if one is None else one.u_pulse_s,
        "pulse_sd_us": None if one is None else one.pulse_sd_s,
        "period_sd_us": None if one is None else one.period_sd_s,
        "creep_us_per_s": None if one is None else one.creep_s_per_s,
        "u_creep_us_per_s": None if one is None else one.u_creep_s_per_s,
    }
    return {key: None if value is None else value * _US for key, value in values.items()}
