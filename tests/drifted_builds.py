"""Pairs of tables of one channel, with or without a change in between, and the truth of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.table import Point
from benchlog.calibration.table_text import StoredRow, StoredTable
from benchlog.channel.design import Design
from benchlog.channel.prediction import build_circuit, predict_cycle
from benchlog.channel.timer import try_cycle_times
from benchlog.channel.unknowns import draw_builds, list_unknowns

__all__ = ["MARKS_DEG", "NOISE_S", "Change", "draw_build", "draw_pair", "sweep_build"]

Values = NDArray[np.float64]

MARKS_DEG = np.arange(0.0, 271.0, 30.0)
NOISE_S = 0.2e-6


@dataclass(frozen=True, slots=True)
class Change:
    """What happens to a channel between two sweeps.

    ``cause`` is one that `drift` names, or empty; ``size`` a fraction for parts, volts for the
    supply, degrees for the knob's ends. ``end`` is 'low', 'high', or with '-hinge' behind for
    an end bent over its third of the travel.
    """

    cause: str = ""
    size: float = 0.0
    end: str = ""
    recorded: bool = False


def draw_build(design: Design, rng: np.random.Generator) -> dict[str, float]:
    """Draw a channel within the design's tolerances."""
    unknowns = [one for one in list_unknowns(design) if one.name != "supply_v"]
    parts = {name: float(one[0]) for name, one in draw_builds(unknowns, 1, rng).items()}
    return {**parts, "contact": float(rng.uniform(0.0, 100.0))}


def sweep_build(
    design: Design,
    parts: dict[str, float],
    rng: np.random.Generator,
    *,
    marks_deg: Values = MARKS_DEG,
    supply_v: float = 6.0,
    read_v: float | None = None,
    turned: Callable[[Values], Values] | None = None,
    **kept: Any,
) -> list[Point]:
    """Sweep a channel by hand, every reading with a fresh error within what it is good for."""
    knob_deg = marks_deg + rng.uniform(-1.0, 1.0, marks_deg.shape)
    if turned is not None:
        knob_deg = turned(knob_deg)
    times, _, _ = try_cycle_times(
        build_circuit(
            design,
            np.clip(knob_deg, 0.0, design.knob.travel_deg),
            supply_v=supply_v,
            temperature_c=design.temperature_c + rng.uniform(-1.0, 1.0),
            parts=parts,
        )
    )
    clock = 1.0 + rng.uniform(-1e-4, 1e-4)
    on_s = times.on_s * clock + rng.normal(0.0, NOISE_S, marks_deg.shape)
    off_s = times.off_s * clock + rng.normal(0.0, NOISE_S, marks_deg.shape)
    shown_v = supply_v / (1.0 + rng.uniform(-0.005, 0.005)) if read_v is None else read_v
    volts = None if kept.get("unread") else round(shown_v, 3)
    return [
        Point(
            knob_deg=float(mark),
            pulse_s=float(on),
            u_pulse_s=NOISE_S,
            period_s=float(on + off),
            u_period_s=NOISE_S * 2.0**0.5,
            supply_v=volts,
            temperature_c=design.temperature_c,
            pulse_count=100,
        )
        for mark, on, off in zip(marks_deg, on_s, off_s, strict=True)
    ]


def _bend(end: str, size: float, travel: float) -> Callable[[Values], Values]:
    """Return how a knob with one end bent turns its wiper."""

    def turn(knob: Values) -> Values:
        if end == "low":
            return np.maximum(knob - size, 0.0) * travel / (travel - size)
        if end == "high":
            return np.minimum(knob * travel / (travel - size), travel)
        third = travel / 3.0
        if end == "low-hinge":
            return knob + size * np.clip((third - knob) / third, 0.0, 1.0)
        return knob - size * np.clip((knob - 2.0 * third) / third, 0.0, 1.0)

    return turn


_PART = {"capacitor": "c_timing", "r_on": "r_on", "r_off": "r_off", "r_knob": "r_knob"}


def draw_pair(
    design: Design,
    rng: np.random.Generator,
    change: Change | None = None,
    *,
    marks_deg: Values = MARKS_DEG,
    unread: bool = False,
    days: int = 30,
) -> tuple[StoredTable, StoredTable]:
    """Return the tables of one build before and after a change."""
    change = change or Change()
    parts = draw_build(design, rng)
    before = sweep_build(design, parts, rng, marks_deg=marks_deg, unread=unread)
    after = dict(parts)
    how: dict[str, Any] = {}
    if change.cause in _PART:
        after[_PART[change.cause]] *= 1.0 + change.size
    elif change.cause == "supply":
        how["supply_v"] = 6.0 + change.size
        how["read_v"] = None if change.recorded else 6.0 * (1.0 + rng.uniform(-0.005, 0.005))
    elif change.cause == "knob-end":
        how["turned"] = _bend(change.end, change.size, design.knob.travel_deg)
    later = sweep_build(design, after, rng, marks_deg=marks_deg, unread=unread, **how)
    return (
        _stored(design, before, "20260901T100000Z"),
        _stored(design, later, f"2026{9 + days // 30:02d}{1 + days % 30:02d}T100000Z"),
    )


def _stored(design: Design, points: list[Point], stamp: str) -> StoredTable:
    """Return a table as one that lies in a bench folder reads."""
    angles = np.array([point.knob_deg for point in points])
    wanted = predict_cycle(design, angles).on_s
    rows = tuple(
        StoredRow(
            knob_deg=point.knob_deg,
            direction=point.direction,
            pulse_s=point.pulse_s,
            u_pulse_s=point.u_pulse_s,
            period_s=point.period_s,
            design_pulse_s=float(design_s),
            deviation_s=point.pulse_s - float(design_s),
            u_deviation_s=4e-6,
            verdict="on design",
            flags=(),
            supply_v=point.supply_v,
            temperature_c=point.temperature_c,
            pulse_count=point.pulse_count,
            source=point.source,
            u_period_s=point.u_period_s,
        )
        for point, design_s in zip(points, wanted, strict=True)
    )
    return StoredTable(design.channel, stamp, design.text, rows)
