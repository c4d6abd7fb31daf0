"""What a channel should do, as a person reads it and as JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from benchlog.channel.design import Design, Position
from benchlog.channel.outlook import Outlook
from benchlog.show.battery_words import tell_battery
from benchlog.show.json_output import in_microseconds
from benchlog.show.terminal import plain, screen_width, show

if TYPE_CHECKING:
    from rich.table import Table as TextTable

__all__ = ["outlook_to_json", "positions_to_json", "show_outlook"]

GRID_WIDTH = 78
"""Columns that the grid needs."""

PARTS_WIDTH = 60
"""Columns that the table of parts needs."""

_LEAST_S = 0.5e-6
"""A part that moves the pulse by less at every mark is not worth a line."""
_MOST_PARTS = 6


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


def outlook_to_json(outlook: Outlook) -> dict[str, Any]:
    """Return all that is foretold as JSON: `positions_to_json` and more beside it.

    Parameters
    ----------
    outlook : Outlook
        From `benchlog.channel.outlook.foretell`.

    Returns
    -------
    dict
        Microseconds, volts, degrees; null where a channel would not oscillate.
    """
    design, battery = outlook.design, outlook.battery
    columns = {
        "off_low_us": outlook.band.off_low_s,
        "off_high_us": outlook.band.off_high_s,
        "period_low_us": outlook.band.period_low_s,
        "period_high_us": outlook.band.period_high_s,
        "on_worst_low_us": outlook.worst.on_low_s,
        "on_worst_high_us": outlook.worst.on_high_s,
        "off_worst_low_us": outlook.worst.off_low_s,
        "off_worst_high_us": outlook.worst.off_high_s,
        "period_worst_low_us": outlook.worst.period_low_s,
        "period_worst_high_us": outlook.worst.period_high_s,
        "on_per_v_us": outlook.slopes.on_per_v,
        "on_per_k_us": outlook.slopes.on_per_k,
        "on_per_deg_us": outlook.slopes.on_per_deg,
        "off_per_v_us": outlook.slopes.off_per_v,
        "off_per_k_us": outlook.slopes.off_per_k,
        "off_per_deg_us": outlook.slopes.off_per_deg,
        "on_battery_full_us": outlook.full_s,
        "on_battery_empty_us": outlook.empty_s,
    }
    rows = positions_to_json(outlook.positions)
    for k, row in enumerate(rows):
        row.update({key: _finite_us(values[k]) for key, values in columns.items()})
        row["holds_low_v"] = round(float(outlook.holds_low_v[k]), 6)
        row["holds_high_v"] = round(float(outlook.holds_high_v[k]), 6)
        row["parts"] = [
            {
                "part": one.part,
                "tolerance_percent": round(one.half_width_percent, 6),
                "on_per_percent_us": in_microseconds(float(one.on_per_percent_s[k])),
                "off_per_percent_us": in_microseconds(float(one.off_per_percent_s[k])),
                "on_tolerance_us": in_microseconds(float(one.on_spread_s[k])),
                "off_tolerance_us": in_microseconds(float(one.off_spread_s[k])),
            }
            for one in outlook.effects
        ]
    return {
        "channel": design.channel,
        "supply_v": design.supply.value,
        "temperature_c": design.temperature_c,
        "holds_within_deg": outlook.within_deg,
        "battery": {
            "kind": battery.kind,
            "cell_count": battery.cell_count,
            "full_v": round(battery.full_v, 6),
            "empty_v": round(battery.empty_v, 6),
        },
        "past_stops": [
            {
                "life": past.life,
                "stop": past.stop,
                "knob_from_deg": round(past.from_deg, 6),
                "knob_to_deg": round(past.to_deg, 6),
                "worst_knob_deg": round(past.worst_deg, 6),
                "worst_on_us": in_microseconds(past.worst_s),
            }
            for past in outlook.past_stops
        ],
        "positions": rows,
    }


def _finite_us(seconds: float) -> float | None:
    """Return microseconds, None for what is not finite."""
    return in_microseconds(float(seconds)) if math.isfinite(seconds) else None


def show_outlook(outlook: Outlook) -> None:
    """Show what is foretold at 80 columns, or in sentences where there are fewer.

    Parameters
    ----------
    outlook : Outlook
        From `benchlog.channel.outlook.foretell`.
    """
    design = outlook.design
    width = screen_width()
    rows = [_cells(outlook, k) for k in range(len(outlook.positions))]
    show(
        f"{design.channel}: what it should do at {design.supply.value:g} V and "
        f"{design.temperature_c:g} °C",
        "",
        *(map(_position_sentence, rows) if width < GRID_WIDTH else (_grid(rows),)),
        "",
        *_explanations(outlook),
        "",
        *_parts(outlook, width),
        "",
        *tell_battery(outlook),
    )


def _explanations(outlook: Outlook) -> list[str]:
    """Say what the columns mean, and what the servo takes."""
    servo = outlook.design.servo
    sentences = [
        "'with these parts': what 95 of 100 channels built of the marked parts keep to.",
        "'1 V less', '10 °C more': what that does to the pulse, in µs.",
        f"The servo follows pulses from {servo.pulse_min_s * 1e6:g} to "
        f"{servo.pulse_max_s * 1e6:g} µs.",
    ]
    if any(position.end_stop for position in outlook.positions):
        sentences.append(
            "Past a stop the servo pushes against it, heats and can pinch: keep the knob away "
            "from there, or change the parts."
        )
    elif reached := _stops_within_reach(outlook):
        sentences.append(
            f"Some channels built of these parts would push against the {reached} stop: measure "
            "before the servo is connected."
        )
    return sentences


def _stops_within_reach(outlook: Outlook) -> str:
    """Name the stops that parts at the edge of the 95 % band would drive the servo past."""
    servo = outlook.design.servo
    named = []
    if np.any(outlook.band.on_low_s < servo.pulse_min_s):
        named.append("low")
    if np.any(outlook.band.on_high_s > servo.pulse_max_s):
        named.append("high")
    return " and the ".join(named)


def _cells(outlook: Outlook, k: int) -> tuple[str, ...]:
    """Write one position's figures."""
    position = outlook.positions[k]
    return (
        f"{position.knob_deg:g}",
        f"{position.on_s * 1e6:.1f}",
        f"{position.on_low_s * 1e6:.0f} to {position.on_high_s * 1e6:.0f}",
        f"{position.period_s * 1e3:.2f}",
        f"{position.servo_deg:.1f}",
        f"{-outlook.slopes.on_per_v[k] * 1e6:+.0f}",
        f"{10 * outlook.slopes.on_per_k[k] * 1e6:+.0f}",
        f"past the {position.end_stop} stop" if position.end_stop else "",
    )


def _position_sentence(cells: tuple[str, ...]) -> str:
    """Write one position for a screen that is too narrow for the grid."""
    knob, pulse, band, period, arm, volt, warmth, stop = cells
    text = (
        f"{knob}°: pulse {pulse} µs, with these parts {band} µs, period {period} ms, arm {arm}°; "
        f"1 V less {volt} µs, 10 °C more {warmth} µs"
    )
    return f"{text}; {stop}" if stop else text


def _grid(rows: Sequence[tuple[str, ...]]) -> TextTable:
    """Lay out the positions, one a row."""
    from rich.table import Table as TextTable

    grid = TextTable(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    names = ("knob\n°", "pulse\nµs", "with these\nparts µs", "period\nms", "arm\n°")
    for name in (*names, "1 V\nless", "10 °C\nmore"):
        grid.add_column(name, justify="right", no_wrap=True)
    grid.add_column("\n", no_wrap=True)
    for cells in rows:
        grid.add_row(*map(plain, cells), style="bold" if cells[-1] else "")
    return grid


def _parts(outlook: Outlook, width: int) -> list[Any]:
    """Tell which parts matter most, as a table or as sentences."""
    last = len(outlook.positions) - 1
    shown = sorted({0, last // 2, last})
    effects = [one for one in outlook.effects if np.max(np.abs(one.on_spread_s)) >= _LEAST_S]
    if not effects:
        return ["No part has a tolerance that moves the pulse."]
    knobs = [f"{outlook.positions[k].knob_deg:g}°" for k in shown]
    rows = [
        (
            part_words(outlook.design, one.part),
            *(f"±{abs(one.on_spread_s[k]) * 1e6:.0f}" for k in shown),
        )
        for one in effects[:_MOST_PARTS]
    ]
    if width < PARTS_WIDTH:
        ends = [f"{row[0]}: {row[-1]} µs" for row in rows]
        return [f"What moves the pulse most at knob {knobs[-1]}:", *ends]
    from rich.table import Table as TextTable

    grid = TextTable(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    grid.add_column("what moves the pulse most, µs at knob", no_wrap=True)
    for knob in knobs:
        grid.add_column(knob, justify="right", no_wrap=True)
    for row in rows:
        grid.add_row(*map(plain, row))
    return [grid]


_OTHERS = {
    "saturation_current": "the diode's make",
    "discharge_ohm": "the timer's discharge transistor",
    "saturation_v": "the timer's discharge transistor",
    "input_current": "the timer's input current",
}


def part_words(design: Design, part: str) -> str:
    """Name a part with its mark.

    Parameters
    ----------
    design : Design
        The design.
    part : str
        A name of `benchlog.channel.unknowns.list_unknowns`.

    Returns
    -------
    str
        Such as 'r_on 33 kΩ ± 1 %'.
    """
    for one in design.parts:
        if one.name == part:
            return f"{one.name} {one}"
    level = f"± {100 * design.timer.level_tolerance:.3g} %"
    if part == "threshold_fraction":
        return f"the timer's upper level {level}"
    if part == "trigger_fraction":
        return f"the timer's lower level {level}"
    return f"supply {design.supply}" if part == "supply_v" else _OTHERS[part]
