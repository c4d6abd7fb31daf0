"""What has moved between two calibration tables of one channel, or since its design.

`compare_tables` sets the newest table against an earlier one (`difference`), tests once whether
the channel has changed at all, judges each mark, names the cause (`moved`) and says how fast
it goes on. All verdicts together raise a false alarm for fewer than one unchanged channel in a
hundred: the test of the whole channel has most of that, the marks share the rest (Holm), and so
does the test of a supply that was recorded as another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from benchlog.calibration.chances import normal_above
from benchlog.calibration.difference import Difference, Observed, compare_sweeps, look_at
from benchlog.calibration.drift_base import Base, find_base
from benchlog.calibration.drift_pace import Pace, find_pace
from benchlog.calibration.drift_rows import CHANGED, UNCHANGED, UNDECIDED, DriftRow, judge_rows
from benchlog.calibration.identify import identify_parts
from benchlog.calibration.moved import Choice, choose_cause, judge_change
from benchlog.calibration.moved_text import tell_moved, tell_recorded_supply
from benchlog.calibration.stored_table import StoredTable
from benchlog.calibration.verdict import OFF
from benchlog.calibration.verdict import UNDECIDED as NOT_DECIDED
from benchlog.channel.design import Design, parse_design
from benchlog.errors import StoreError

__all__ = [
    "CHANGED",
    "UNCHANGED",
    "UNDECIDED",
    "Drift",
    "DriftRow",
    "Moved",
    "compare_tables",
    "compare_with_design",
    "taken_at",
]

CHANNEL_LEVEL = 0.006
SUPPLY_LEVEL = 0.002
"""Shares of the 1 % of false alarms; the marks have theirs in `drift_rows`."""

_LISTED = ("capacitor", "supply", "r_on", "r_off", "r_knob", "knob-end")


@dataclass(frozen=True, slots=True)
class Moved:
    """What moved, for the whole channel.

    Attributes
    ----------
    significant : bool
        Whether anything did, at the 1 % level.
    p_value : float or None
        Probability that an unchanged channel shows as much by chance; None against a design.
    cause : str or None
        'capacitor', 'supply', 'r_on', 'r_off', 'r_knob' or 'knob-end'; None where nothing moved
        or none of these fits.
    also : tuple of str
        Causes that fit nearly as well.
    amount, u_amount : float or None
        Size of the cause and its standard uncertainty, in `unit`.
    unit : str or None
        'percent', 'V', 'degrees', 'K' or 'ohm'.
    pace : Pace or None
        How fast; None where the tables' dates do not tell.
    text : str
        All of it in a sentence or two.
    """

    significant: bool
    p_value: float | None
    cause: str | None
    also: tuple[str, ...]
    amount: float | None
    u_amount: float | None
    unit: str | None
    pace: Pace | None
    text: str


@dataclass(frozen=True, slots=True)
class Drift:
    """A comparison.

    Attributes
    ----------
    channel : str
        The channel.
    now : StoredTable
        The newest table.
    earlier : StoredTable or None
        The one that it is compared with; None for the design.
    rows : tuple of DriftRow
        In the order of the newest table.
    moved : Moved
        What moved.
    notes : tuple of str
        What should be known of the comparison, a sentence each.
    """

    channel: str
    now: StoredTable
    earlier: StoredTable | None
    rows: tuple[DriftRow, ...]
    moved: Moved
    notes: tuple[str, ...]


def taken_at(table: StoredTable) -> datetime | None:
    """Return when a table's sweep was taken.

    Parameters
    ----------
    table : StoredTable
        The table.

    Returns
    -------
    datetime or None
        When its first record was made, as far as the records' names tell; else when the table was
        made; None where neither tells.
    """
    stamps = [moment for row in table.rows if (moment := _moment(row.source)) is not None]
    return min(stamps) if stamps else _moment(table.stamp)


def _moment(name: str) -> datetime | None:
    """Read the stamp at the beginning of a name."""
    try:
        return datetime.strptime(name[:16], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        return None


def compare_tables(tables: Sequence[StoredTable], against: StoredTable) -> Drift:
    """Compare the newest table of a channel with an earlier one.

    Parameters
    ----------
    tables : sequence of StoredTable
        All tables of the channel that can be read, oldest first; the last one is compared.
    against : StoredTable
        The earlier one.

    Returns
    -------
    Drift
        The comparison.

    Raises
    ------
    StoreError
        The two have no stretch of the knob in common, or a table has no rows.
    DesignError
        The design in a table is wrong, or cannot oscillate.
    """
    now = tables[-1]
    design, before = _design_of(now), _design_of(against)
    earlier, later = _observe(against), _observe(now)
    base = find_base(before, earlier.points, earlier.reading_deg)
    difference = compare_sweeps(base, later, earlier)
    if difference is None:
        raise StoreError(
            f"the tables {against.stamp} and {now.stamp} of {now.channel} have no knob angle in "
            "common",
            expected="marks of the later one at, or between, marks of the earlier one",
            attempt="--against another table, or --against design",
        )
    level, _ = judge_change(difference)
    chosen = choose_cause(difference) if level < CHANNEL_LEVEL else None
    rows = judge_rows(now, difference, chosen, design)
    pace = _pace(tables, against, base, difference, chosen, design)
    moved = _tell(difference, level, chosen, rows, pace, design, later, earlier)
    notes = (*_tell_designs(before, design), *_tell_marks(rows, later, earlier))
    return Drift(now.channel, now, against, rows, moved, notes)


_SUSPECTS = {
    "c_timing": "capacitor",
    "r_on": "r_on",
    "r_off": "r_off",
    "r_knob": "r_knob",
    "supply": "supply",
}


def compare_with_design(now: StoredTable) -> Drift:
    """Compare a table with the design that it was made against.

    Parameters
    ----------
    now : StoredTable
        The table.

    Returns
    -------
    Drift
        'changed' is a pulse that surely lies beyond what the marked parts allow, 'unchanged' one
        that surely does not. What moved is the part that a sweep accuses.

    Raises
    ------
    StoreError, DesignError, MeasurementError
        The table has no rows, its design is wrong, or a pulse is longer than its period.
    """
    design = _design_of(now)
    points = _observe(now).points
    found = identify_parts(design, points, knob_reading_deg=now.knob_reading_deg)
    rows = tuple(
        DriftRow(
            knob_deg=row.knob_deg,
            direction=row.direction,
            pulse_s=row.pulse_s,
            design_pulse_s=row.design_pulse_s,
            earlier_pulse_s=None,
            change_s=row.deviation_s,
            surroundings_s=0.0,
            u_change_s=row.u_deviation_s,
            rest_s=row.period_s - row.pulse_s,
            rest_change_s=None,
            between=False,
            p_value=None,
            verdict=_AGAINST_DESIGN.get(row.verdict, UNCHANGED),
        )
        for row in now.rows
    )
    largest = max(now.rows, key=lambda row: abs(row.deviation_s))
    text = (
        f"The largest deviation from the design is {largest.deviation_s * 1e6:+.0f} µs, at "
        f"{largest.knob_deg:g}°, and the marked parts' tolerances explain the sweep."
    )
    cause = None
    off = not found.explained
    if found.suspects:
        cause = _SUSPECTS.get(found.suspects[0].part)
        text = found.suspects[0].text
    elif found.knob_note:
        text = found.knob_note
    elif off:
        text = "The sweep is not what the marked parts make, and no single one explains it."
    moved = Moved(off, None, cause, (), None, None, None, None, text)
    return Drift(now.channel, now, None, rows, moved, ())


_AGAINST_DESIGN = {OFF: CHANGED, NOT_DECIDED: UNDECIDED}


def _design_of(table: StoredTable) -> Design:
    """Read the design that a table was made against."""
    return parse_design(table.design_text, f"the design in table {table.stamp}")


def _observe(table: StoredTable) -> Observed:
    """Gather a table's points."""
    if not table.rows:
        raise StoreError(
            f"the table {table.stamp} of {table.channel} has no rows",
            expected="a row for each mark",
            attempt="calibrating again, or another table",
        )
    return look_at(table.points(), table.knob_reading_deg)


def _pace(
    tables: Sequence[StoredTable],
    against: StoredTable,
    base: Base,
    difference: Difference,
    chosen: Choice | None,
    design: Design,
) -> Pace | None:
    """Find how fast the channel moves, over all tables that are not older than the earlier one."""
    begun = taken_at(against)
    if begun is None:
        return None
    now = tables[-1]
    moments: list[tuple[float, Observed]] = []
    clash = taken_at(now) == begun
    for table in (against, *(one for one in tables if one is not against)):
        moment = _moment(table.stamp) if clash else taken_at(table)
        start = _moment(against.stamp) if clash else begun
        if moment is None or start is None or (moment < start and table is not now):
            continue
        try:
            seen = look_at(table.points(), table.knob_reading_deg)
        except ValueError:
            continue
        moments.append(((moment - start).total_seconds() / 86400.0, seen))
    deviations = np.array([now.rows[i].deviation_s for i in difference.index])
    pulses = np.array([now.rows[i].pulse_s for i in difference.index])
    slope = None if chosen is None else chosen.best.slope
    return find_pace(base, moments, difference, slope, deviations, pulses, design)


def _tell(
    difference: Difference,
    level: float,
    chosen: Choice | None,
    rows: tuple[DriftRow, ...],
    pace: Pace | None,
    design: Design,
    later: Observed,
    earlier: Observed,
) -> Moved:
    """Say what moved."""
    supply = _recorded_supply(difference, rows, design)
    if chosen is not None:
        best = chosen.best
        unit = _UNITS.get(best.cause, "percent")
        amount, scale = best.amount, 1.0
        if best.cause not in _UNITS or best.cause == "supply":
            scale = difference.supply_v if best.cause == "supply" else 100.0
            amount = math.expm1(amount)
        text = tell_moved(difference, chosen, pace, design, later, earlier)
        if supply is not None:
            text += " " + tell_recorded_supply(difference, later, earlier, alone=False)
        return Moved(
            significant=True,
            p_value=level,
            cause=best.cause if best.cause in _LISTED else None,
            also=tuple(fit.cause for fit in chosen.alike),
            amount=amount * scale,
            u_amount=best.u_amount * scale,
            unit=unit,
            pace=pace,
            text=text,
        )
    if supply is not None:
        volts, u_volts, chance = supply
        text = tell_recorded_supply(difference, later, earlier, alone=True)
        return Moved(True, chance, "supply", (), volts, u_volts, "V", pace, text)
    if any(row.verdict == CHANGED for row in rows):
        marks = ", ".join(f"{row.knob_deg:g}°" for row in rows if row.verdict == CHANGED)
        text = (
            f"Not the channel as a whole, but the mark at {marks} stands out by itself: record it "
            "again, or look at the knob there."
        )
        return Moved(True, min(level, CHANNEL_LEVEL), None, (), None, None, None, pace, text)
    largest = max((abs(row.own_change_s or 0.0) for row in rows), default=0.0)
    text = (
        f"Nothing has moved that shows: the largest change of a pulse is {largest * 1e6:.1f} µs, "
        "no more than the knob's, supply's and temperature's readings explain."
    )
    felt = max((abs(row.surroundings_s or 0.0) for row in rows), default=0.0)
    if felt > 1e-6:
        text += (
            f" What the recorded supplies and temperatures account for, up to {felt * 1e6:.1f} µs, "
            "is taken out."
        )
    return Moved(False, level, None, (), None, None, None, pace, text)


_UNITS = {
    "supply": "V",
    "knob-end": "degrees",
    "knob-shaft": "degrees",
    "mark": "degrees",
    "temperature": "K",
    "contact": "ohm",
}


def _recorded_supply(
    difference: Difference, rows: tuple[DriftRow, ...], design: Design
) -> tuple[float, float, float] | None:
    """Return by how many volts the supply was recorded as another, where that moved the pulses.

    Only where the meter's two readings surely differ, and where some pulse was moved by more
    than half of what counts as on design: cells that sag a little are no news.
    """
    if difference.log_supply is None or difference.u_log_supply is None:
        return None
    chance = 2.0 * normal_above(abs(difference.log_supply) / difference.u_log_supply)
    felt_s = max((abs(row.surroundings_s or 0.0) for row in rows), default=0.0)
    if chance >= SUPPLY_LEVEL or felt_s <= 0.5 * design.limits.deviation_s:
        return None
    volts = difference.supply_v
    return difference.log_supply * volts, difference.u_log_supply * volts, chance


def _tell_designs(before: Design, design: Design) -> list[str]:
    """Say what of the design was changed between the tables."""
    marked = [*zip(before.parts, design.parts, strict=True), (before.supply, design.supply)]
    changes = [
        f"{old.name} from {old} to {new}"
        for old, new in marked
        if (old.value, old.tolerance) != (new.value, new.tolerance)
    ]
    changes += [
        f"the {name}"
        for name, old, new in (
            ("timer", before.timer, design.timer),
            ("diode", before.diode, design.diode),
            ("knob", before.knob, design.knob),
            ("servo", before.servo, design.servo),
            ("limits", before.limits, design.limits),
        )
        if old != new
    ]
    if not changes:
        return []
    return [
        f"The design was changed between the two tables: {'; '.join(changes)}. What was changed "
        "on purpose shows as a change here."
    ]


def _tell_marks(rows: tuple[DriftRow, ...], later: Observed, earlier: Observed) -> list[str]:
    """Say where marks differ, and how they were reached."""
    notes = []
    between = [f"{row.knob_deg:g}°" for row in rows if row.between]
    if between:
        notes.append(
            f"The earlier table has no mark at {', '.join(between)}: its pulse there follows from "
            "its neighbours and the channel's curve."
        )
    beyond = [f"{row.knob_deg:g}°" for row in rows if row.earlier_pulse_s is None]
    if beyond:
        notes.append(f"The earlier table does not reach {', '.join(beyond)}.")
    ways = [{point.direction for point in sweep.points} for sweep in (later, earlier)]
    if not ways[0] & ways[1]:
        notes.append(
            "The two sweeps turned the knob different ways: play in the knob shows as a change."
        )
    return notes
