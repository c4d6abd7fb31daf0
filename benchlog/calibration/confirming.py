"""Confirming a channel from a few knob positions: pass, fail, or measure again.

The questions are answered in the order in which a beginner needs them: is the pulse safe for the
servo, are the parts right, how far is each pulse from its design. The word follows from them:

AGAIN
    A recording that cannot be relied on; a pulse whose uncertainty reaches across the servo's
    limit; pulses that the tolerances do not explain although no row is surely off and no part
    stands out.
FAIL
    Surely past an end stop; a wrong part; a pulse surely off design that tolerances do not explain.
PASS
    Else. A row may still be off design or undecided by itself: that line is drawn where 95 of 100
    builds lie, so of three rows it accuses one good build in twelve or so. All positions together
    are the sharper test, and they decide.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchlog.calibration.confirming_safety import Safety, judge_safety
from benchlog.calibration.confirming_steps import Word, ends_alone, propose_remedy, tell_next_step
from benchlog.calibration.identify import Identification, Suspect, identify_parts
from benchlog.calibration.remedy import Remedy
from benchlog.calibration.table import Point, Row, Table, build_table
from benchlog.calibration.verdict import COVERAGE, OFF, ON, UNDECIDED, WITHIN, judge, tell_need
from benchlog.channel.design import Design
from benchlog.errors import BenchlogError

__all__ = [
    "STOP_READING_DEG",
    "Confirmation",
    "Safety",
    "Word",
    "confirm_points",
]

STOP_READING_DEG = 0.5
"""Half-width of the knob angle at a stop that one has felt, and of the middle as `place_middle`
finds it, degrees."""


@dataclass(frozen=True, slots=True, eq=False)
class Confirmation:
    """What three knob positions say of a channel.

    Attributes
    ----------
    word : {"PASS", "FAIL", "AGAIN"}
        The answer.
    safety : Safety
        The servo's.
    found : Identification or None
        The parts'; None where the pulses cannot be made into parts.
    table : Table
        The microseconds, a row a position, at the supply that was read or inferred.
    supply_read : bool
        Whether the supply was read on a meter rather than inferred.
    supply_v, u_supply_v : float
        The supply and its standard uncertainty, volts.
    remedy : Remedy or None
        The change that is proposed where something is wrong.
    why : tuple of str
        What speaks against a pass, weightiest first; empty for a pass.
    notes : tuple of str
        What should be known beside it.
    next_step : str
        What to do now, one sentence.
    """

    word: Word
    safety: Safety
    found: Identification | None
    table: Table
    supply_read: bool
    supply_v: float
    u_supply_v: float
    remedy: Remedy | None
    why: tuple[str, ...]
    notes: tuple[str, ...]
    next_step: str

    @property
    def suspects(self) -> tuple[Suspect, ...]:
        """Wrong or miswired parts, likeliest first; none unless the word is FAIL."""
        return self.found.suspects if self.found is not None and self.word == "FAIL" else ()

    @property
    def part(self) -> str | None:
        """The likeliest wrong part; None where no part is suspected."""
        return self.suspects[0].part if self.suspects else None


def confirm_points(
    design: Design, points: Sequence[Point], *, knob_reading_deg: float = STOP_READING_DEG
) -> Confirmation:
    """Confirm a channel from a few knob positions.

    Parameters
    ----------
    design : Design
        What the channel should be.
    points : sequence of Point
        At least two, the knob's ends among them; all at the same supply.
    knob_reading_deg : float
        Half-width of the knob reading, degrees.

    Returns
    -------
    Confirmation
        The answer.

    Raises
    ------
    ValueError
        Fewer than two points.
    DesignError
        The design cannot oscillate.
    """
    if len(points) < 2:
        raise ValueError(f"a channel is confirmed from two points or more, got {len(points)}")
    safety = judge_safety(design, points)
    found = _identify(design, points, knob_reading_deg)
    table, supply_v, u_supply_v = _table(design, points, found, knob_reading_deg)
    supply_read = all(point.supply_v is not None for point in points)
    again = _spoiled(table)
    bad = _wrong(safety, found, table)
    open_ = [] if again or bad else _undecided(safety, found, table)
    word: Word = "AGAIN" if again or (open_ and not bad) else "FAIL" if bad else "PASS"
    turned = word == "FAIL" and ends_alone(found, table)
    remedy = propose_remedy(design, found) if word == "FAIL" and not turned else None
    why = again or bad or open_
    return Confirmation(
        word=word,
        safety=safety,
        found=found,
        table=table,
        supply_read=supply_read,
        supply_v=supply_v,
        u_supply_v=u_supply_v,
        remedy=remedy,
        why=tuple(text for text, _ in why),
        notes=tuple(_notes(word, found, table, supply_read, supply_v, u_supply_v)),
        next_step=tell_next_step(
            design, word, found.suspects if found is not None else (), remedy, why, safety, supply_v
        ),
    )


def _identify(design: Design, points: Sequence[Point], reading_deg: float) -> Identification | None:
    """Find the parts; None where no circuit of this kind makes such pulses."""
    try:
        return identify_parts(design, points, knob_reading_deg=reading_deg)
    except BenchlogError:
        return None


def _table(
    design: Design, points: Sequence[Point], found: Identification | None, reading_deg: float
) -> tuple[Table, float, float]:
    """Build the table, at the inferred supply where none was read, and return the supply."""
    read = [point.supply_v for point in points if point.supply_v is not None]
    plain = build_table(design, points, knob_reading_deg=reading_deg)
    if len(read) == len(points) or found is None:
        supply_v = float(np.mean(read)) if read else design.supply.value
        slopes = [abs(row.budget.supply_slope_s) for row in plain.rows]
        widest = max(range(len(slopes)), key=slopes.__getitem__)
        share_s = plain.rows[widest].budget.supply_v_s
        return plain, supply_v, share_s / slopes[widest] if slopes[widest] > 0 else 0.0
    supply_v, u_supply_v = found.supply_v, found.u_supply_v
    inferred = [
        replace(point, supply_v=supply_v if point.supply_v is None else point.supply_v)
        for point in points
    ]
    table = build_table(design, inferred, knob_reading_deg=reading_deg)
    rows = tuple(_widen(row, u_supply_v) for row in table.rows)
    return replace(table, rows=rows), supply_v, u_supply_v


def _widen(row: Row, u_supply_v: float) -> Row:
    """Judge a row anew with the uncertainty of an inferred supply."""
    budget = replace(row.budget, supply_v_s=abs(row.budget.supply_slope_s) * u_supply_v)
    verdict = judge(row.deviation_s, budget.u_s, row.limit)
    need = tell_need(row.deviation_s, budget, row.limit) if verdict == UNDECIDED else None
    return replace(row, budget=budget, verdict=verdict, need=need)


Reasons = list[tuple[str, str]]
"""What was found and what to do about it."""


def _spoiled(table: Table) -> Reasons:
    """Say what spoils the measurement."""
    reasons: Reasons = []
    for row in table.rows:
        where = f"at {row.point.knob_deg:.0f}°"
        for notice in row.point.notices:
            if notice.spoils:
                found, _, attempt = notice.text.partition(": ")
                reasons.append((f"Measured badly {where}: {found}.", attempt or "measure it again"))
    reasons += _scatter(table)
    periods = [row for row in table.rows if "period-jitter" in row.flags and not _jitters(row)]
    if periods:
        reasons.append(
            (
                f"The period does not hold still at {_places(periods)}.",
                "measure again; if it stays, suspect the knob's contact",
            )
        )
    return reasons


def _jitters(row: Row) -> bool:
    return "jitter" in row.flags


def _places(rows: Sequence[Row]) -> str:
    """Name knob positions."""
    shown = [f"{row.point.knob_deg:.0f}°" for row in rows]
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if shown[:-1] else shown)


def _scatter(table: Table) -> Reasons:
    """Say where the pulse does not hold still."""
    rows = [row for row in table.rows if _jitters(row)]
    if not rows:
        return []
    most_us = max(row.point.pulse_sd_s for row in rows) * 1e6
    by = f"up to {most_us:.1f}" if len(rows) > 1 else f"{most_us:.1f}"
    return [
        (
            f"The pulse does not hold still at {_places(rows)}: it scatters by {by} µs (the limit "
            f"is {table.design.limits.jitter_s * 1e6:g} µs).",
            "hold the knob still and measure again; if it stays, suspect a worn knob, a loose "
            "contact or the supply",
        )
    ]


def _wrong(safety: Safety, found: Identification | None, table: Table) -> Reasons:
    """Say what is surely wrong."""
    reasons: Reasons = []
    if safety.state == "unsafe":
        reasons.append((safety.text, "leave the servo unplugged"))
    if found is not None and found.suspects:
        reasons.append((found.suspects[0].text, "put that right"))
        return reasons
    off = [row for row in table.rows if row.verdict == OFF]
    if off and (found is None or not found.explained):
        places = ", ".join(
            f"{round(row.deviation_s * 1e6):+d} µs at {row.point.knob_deg:.0f}°" for row in off
        )
        reasons.append(
            (
                f"Off design ({places}), and no single wrong part explains it.",
                "compare every part and every wire with the design",
            )
        )
    return reasons


def _undecided(safety: Safety, found: Identification | None, table: Table) -> Reasons:
    """Say what is not decided."""
    reasons: Reasons = []
    if safety.state == "unsure":
        reasons.append((safety.text, "move the end away from the servo's limit, then measure"))
    rough = [row for row in table.rows if row.verdict == UNDECIDED and _is_rough(row)]
    if rough:
        half_deg = max(_knob_half_deg(row) for row in rough)
        reasons.append(
            (
                f"The knob was read too roughly (±{half_deg:.2g}°) to tell.",
                "turn it to its stops, or give a smaller --knob-reading",
            )
        )
    if rough or (found is not None and found.explained):
        return reasons
    for row in table.rows:
        if row.verdict == UNDECIDED:
            reasons.append(
                (
                    f"Undecided at {row.point.knob_deg:.0f}°: {round(row.deviation_s * 1e6):+d} µs "
                    "is at the edge of what the parts' tolerances allow.",
                    f"measure again; what would decide is {row.need}",
                )
            )
    if not reasons:
        reasons.append(
            (
                "The positions do not fit together, although each is within the parts' tolerance.",
                "measure again, with the knob turned firmly to its stops",
            )
        )
    return reasons


def _is_rough(row: Row) -> bool:
    """Tell whether the reading of the knob alone leaves more room than the parts' tolerances."""
    return COVERAGE * row.budget.knob_s > min(row.limit.ceiling_s, -row.limit.floor_s)


def _knob_half_deg(row: Row) -> float:
    """Return the half-width of a row's knob reading, degrees."""
    slope_s = abs(row.budget.knob_deg_s)
    return math.sqrt(3.0) * row.budget.knob_s / slope_s if slope_s > 0.0 else 0.0


def _notes(
    word: Word,
    found: Identification | None,
    table: Table,
    supply_read: bool,
    supply_v: float,
    u_supply_v: float,
) -> list[str]:
    """Say what should be known beside the answer."""
    notes = [found.knob_note] if found is not None and found.knob_note else []
    apart = [row for row in table.rows if row.verdict not in (ON, WITHIN)]
    if word == "PASS" and apart:
        places = " and ".join(f"{row.point.knob_deg:.0f}°" for row in apart)
        notes.append(
            f"At {places} the pulse is at the edge of what 95 of 100 such channels make, or past "
            "it; all positions together still fit the parts' tolerances."
        )
    if not supply_read:
        how = "inferred from the pulses" if found is not None else "taken from the design"
        notes.append(
            f"The supply was not read: {supply_v:.2f} ± {COVERAGE * u_supply_v:.2f} V, {how}. "
            "A meter reading makes the answer surer."
        )
    return notes
