"""Channels set side by side: where their pulses differ most, and which part would make them alike.

The first channel is the one that the others should be like. Each other one is compared with it
at its own marks, supplies and temperatures taken out, and every part of its own, in turn, is
changed until its pulses are as near to the first one's as that part can bring them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.difference import Difference, compare_sweeps, look_at
from benchlog.calibration.drift_base import Base, find_base
from benchlog.calibration.table_text import StoredTable
from benchlog.calibration.verdict import COVERAGE
from benchlog.channel.design import Design, parse_design
from benchlog.errors import StoreError
from benchlog.units import format_value

__all__ = ["Match", "SideRow", "compare_channels"]

Values = NDArray[np.float64]

PARTS = ("c_timing", "r_on", "r_knob", "r_off")
_FARTHEST = 0.7


@dataclass(frozen=True, slots=True)
class SideRow:
    """One mark of one channel against the first channel.

    Attributes
    ----------
    knob_deg : float
        Knob angle, degrees.
    pulse_s, first_pulse_s : float
        Its pulse and the first channel's there, seconds.
    arm_deg, first_arm_deg : float
        The arm angles that these ask for, each by its own servo, degrees.
    mismatch_s, u_mismatch_s : float
        Pulse less the first channel's, what different supplies and temperatures account for taken
        out, and its standard uncertainty, seconds.
    """

    knob_deg: float
    pulse_s: float
    first_pulse_s: float
    arm_deg: float
    first_arm_deg: float
    mismatch_s: float
    u_mismatch_s: float


@dataclass(frozen=True, slots=True)
class Match:
    """One channel against the first one.

    Attributes
    ----------
    channel : str
        Its name.
    stamp : str
        Its table.
    rows : tuple of SideRow
        Its marks that the first one's sweep reaches.
    worst : SideRow
        The largest mismatch.
    part : str or None
        The part whose change brings it nearest: 'c_timing', 'r_on', 'r_knob' or 'r_off'; None
        where the mismatch is no more than readings explain.
    change_percent : float or None
        By how much to change it.
    left_s : float
        The largest mismatch that is left then, seconds.
    text : str
        All of it in a sentence or two.
    """

    channel: str
    stamp: str
    rows: tuple[SideRow, ...]
    worst: SideRow
    part: str | None
    change_percent: float | None
    left_s: float
    text: str


def compare_channels(tables: Sequence[StoredTable]) -> tuple[Match, ...]:
    """Set channels side by side.

    Parameters
    ----------
    tables : sequence of StoredTable
        The newest table of each channel, two or more; the first is the one to be like.

    Returns
    -------
    tuple of Match
        One for each but the first.

    Raises
    ------
    ValueError
        Fewer than two tables.
    StoreError
        A table has no rows, or no knob angle in common with the first.
    DesignError
        A table's design is wrong, or cannot oscillate.
    """
    if len(tables) < 2:
        raise ValueError("tables must hold two or more")
    return tuple(_match(tables[0], other) for other in tables[1:])


def _match(first: StoredTable, other: StoredTable) -> Match:
    """Compare one channel with the first."""
    for table in (first, other):
        if not table.rows:
            raise StoreError(
                f"the table {table.stamp} of {table.channel} has no rows",
                expected="a row for each mark",
                attempt="calibrating again, or another channel",
            )
    model = parse_design(first.design_text, f"the design in table {first.stamp}")
    design = parse_design(other.design_text, f"the design in table {other.stamp}")
    base = find_base(model, first.points(), first.knob_reading_deg)
    own = find_base(design, other.points(), other.knob_reading_deg)
    difference = compare_sweeps(
        base,
        look_at(other.points(), other.knob_reading_deg),
        look_at(first.points(), first.knob_reading_deg),
    )
    if difference is None:
        raise StoreError(
            f"the tables of {first.channel} and {other.channel} have no knob angle in common",
            expected="marks of the one at, or between, marks of the other",
            attempt="sweeping both over the same marks",
        )
    rows = _rows(difference, other, model, design)
    worst = max(rows, key=lambda row: abs(row.mismatch_s))
    if max(abs(row.mismatch_s) - COVERAGE * row.u_mismatch_s for row in rows) <= 0.0:
        text = (
            f"{other.channel} and {first.channel} are alike: no mark differs by more than the "
            f"readings explain; the largest mismatch is {worst.mismatch_s * 1e6:+.1f} µs at "
            f"{worst.knob_deg:g}°."
        )
        return Match(
            other.channel, other.stamp, rows, worst, None, None, abs(worst.mismatch_s), text
        )
    part, amount, left_s = min(
        (_bring_near(own, difference, rows, name) for name in PARTS), key=lambda one: one[2]
    )
    change = 100.0 * math.expm1(amount)
    text = _tell(first, other, worst, own, part, amount, left_s)
    if not _same_parts(model, design):
        text += " Their designs differ, so they are not meant to be alike at every knob angle."
    return Match(other.channel, other.stamp, rows, worst, part, change, left_s, text)


def _rows(
    difference: Difference, other: StoredTable, model: Design, design: Design
) -> tuple[SideRow, ...]:
    """Return the marks of one channel."""
    n = len(difference.index)
    variance = difference.covariance.reshape(n, 2, n, 2)[range(n), 0, range(n), 0]
    rows = []
    for k, i in enumerate(difference.index):
        pulse_s = other.rows[i].pulse_s
        first_s = float(np.exp(difference.earlier_logs[k, 0]))
        rows.append(
            SideRow(
                knob_deg=other.rows[i].knob_deg,
                pulse_s=pulse_s,
                first_pulse_s=first_s,
                arm_deg=float(design.servo.angle_deg(pulse_s)),
                first_arm_deg=float(model.servo.angle_deg(first_s)),
                mismatch_s=pulse_s * -math.expm1(-float(difference.logs[k, 0])),
                u_mismatch_s=pulse_s * math.sqrt(float(variance[k])),
            )
        )
    return tuple(rows)


def _bring_near(
    own: Base, difference: Difference, rows: tuple[SideRow, ...], name: str
) -> tuple[str, float, float]:
    """Return a part, by how much (ln) to change it, and the largest mismatch that is left."""
    from scipy.optimize import minimize_scalar

    volts, warmth = difference.supply_v, difference.temperature_c
    before = own.logs(difference.knob_deg, supply_v=volts, temperature_c=warmth)
    pulses = np.array([row.pulse_s for row in rows])
    wanted = pulses - np.array([row.mismatch_s for row in rows])

    def left(amount: float) -> float:
        changed = {name: own.value(name) * math.exp(amount)}
        after = own.logs(difference.knob_deg, supply_v=volts, temperature_c=warmth, changed=changed)
        moved = pulses * np.exp(after[:, 0] - before[:, 0])
        worst = float(np.max(np.abs(moved - wanted)))
        return worst if math.isfinite(worst) else 1.0

    if own.value(name) <= 0.0:
        return name, 0.0, left(0.0)
    done = minimize_scalar(
        left, bounds=(-_FARTHEST, _FARTHEST), method="bounded", options={"xatol": 1e-5}
    )
    return name, float(done.x), float(done.fun)


def _same_parts(one: Design, other: Design) -> bool:
    """Tell whether two designs have the same timer parts and knob."""
    values = [[part.value for part in design.parts] for design in (one, other)]
    return values[0] == values[1] and one.knob == other.knob and one.timer == other.timer


def _tell(
    first: StoredTable,
    other: StoredTable,
    worst: SideRow,
    own: Base,
    part: str,
    amount: float,
    left_s: float,
) -> str:
    """Say what differs most and what to change."""
    marked = next(one for one in own.design.parts if one.name == part)
    percent = 100.0 * math.expm1(amount)
    way = "larger" if percent > 0 else "smaller"
    works = format_value(own.value(part), marked.unit, 3)
    wanted = format_value(own.value(part) * math.exp(amount), marked.unit, 3)
    text = (
        f"{other.channel} differs most from {first.channel} at {worst.knob_deg:g}°: by "
        f"{worst.mismatch_s * 1e6:+.0f} µs. "
    )
    if left_s > 0.8 * abs(worst.mismatch_s):
        return text + "No single part would bring them much nearer."
    return text + (
        f"The part to change is {part} of {other.channel}, {abs(percent):.2g} % {way} (it works as "
        f"some {works} and should work as {wanted}): that leaves {left_s * 1e6:.1f} µs at most."
    )
