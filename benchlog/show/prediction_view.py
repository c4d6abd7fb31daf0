"""What a channel should do, as a person reads it and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from benchlog.channel.design import Design, Position
from benchlog.show.json_output import in_microseconds
from benchlog.show.terminal import plain, screen_width, show

if TYPE_CHECKING:
    from rich.table import Table as TextTable

__all__ = ["positions_to_json", "show_prediction"]

GRID_WIDTH = 72
"""Columns that the grid needs."""


def positions_to_json(positions: Sequence[Position]) -> list[dict[str, Any]]:
    """Return predicted positions as the JSON that `predict` promises.

    Parameters
    ----------
    positions : sequence of Position
        From `benchlog.channel.design.predict_positions`.

    Returns
    -------
    list of dict
        One a knob angle; microseconds.
    """
    return [
        {
            "knob_deg": position.knob_deg,
            "on_us": in_microseconds(position.on_s),
            "off_us": in_microseconds(position.off_s),
            "period_us": in_microseconds(position.period_s),
            "servo_deg": position.servo_deg,
            "end_stop": position.end_stop,
            "on_low_us": in_microseconds(position.on_low_s),
            "on_high_us": in_microseconds(position.on_high_s),
        }
        for position in positions
    ]


def show_prediction(design: Design, positions: Sequence[Position]) -> None:
    """Show the positions at 80 columns, and what surrounds them.

    Parameters
    ----------
    design : Design
        The channel.
    positions : sequence of Position
        What it should do.
    """
    servo = design.servo
    sentences = [
        "'with these parts': what 95 of 100 channels built of the marked parts keep to.",
        f"The servo follows pulses from {servo.pulse_min_s * 1e6:g} to "
        f"{servo.pulse_max_s * 1e6:g} µs.",
    ]
    if any(position.end_stop for position in positions):
        sentences.append(
            "Past a stop the servo pushes against it, heats and can pinch: keep the knob away "
            "from there, or change the parts."
        )
    narrow = screen_width() < GRID_WIDTH
    show(
        f"{design.channel}: what it should do at {design.supply.value:g} V and "
        f"{design.temperature_c:g} °C",
        *(map(_position_sentence, positions) if narrow else (_grid(positions),)),
        *sentences,
    )


def _position_sentence(position: Position) -> str:
    """Write one position for a screen that is too narrow for the grid."""
    knob, pulse, band, period, arm, stop = _cells(position)
    text = f"{knob}°: pulse {pulse} µs, with these parts {band} µs, period {period} ms, arm {arm}°"
    return f"{text}; {stop}" if stop else text


def _cells(position: Position) -> tuple[str, str, str, str, str, str]:
    """Write one position's figures."""
    return (
        f"{position.knob_deg:g}",
        f"{position.on_s * 1e6:.1f}",
        f"{position.on_low_s * 1e6:.0f} to {position.on_high_s * 1e6:.0f}",
        f"{position.period_s * 1e3:.2f}",
        f"{position.servo_deg:.1f}",
        f"past the {position.end_stop} stop" if position.end_stop else "",
    )


def _grid(positions: Sequence[Position]) -> TextTable:
    """Lay out the positions, one a row."""
    from rich.table import Table as TextTable

    grid = TextTable(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for name in ("knob\n°", "pulse\nµs", "with these parts\nµs", "period\nms", "arm\n°"):
        grid.add_column(name, justify="right", no_wrap=True)
    grid.add_column("\n", no_wrap=True)
    for position in positions:
        style = "bold" if position.end_stop else ""
        grid.add_row(*map(plain, _cells(position)), style=style)
    return grid
