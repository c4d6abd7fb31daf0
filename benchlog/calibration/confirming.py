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
from typing import Literal

import numpy as np

from benchlog.calibration.figures import round_up
from benchlog.calibration.identify import Identification, Suspect, identify_parts
from benchlog.calibration.remedy import Remedy, design_aim, propose_remedies
from benchlog.calibration.suspect_texts import NAMES
from benchlog.calibration.table import Point, Row, Table, build_table
from benchlog.calibration.verdict import COVERAGE, OFF, ON, UNDECIDED, WITHIN, judge, tell_need
from benchlog.channel.design import Design, predict_cycle
from benchlog.errors import BenchlogError
from benchlog.units import format_value

__all__ = [
    "STOP_READING_DEG",
    "Confirmation",
    "Safety",
    "Word",
    "confirm_points",
]

Word = Literal["PASS", "FAIL", "AGAIN"]

STOP_READING_DEG = 0.5
"""Half-width of the knob angle at a stop that one has felt, and of the middle as `place_middle`
finds it, degrees."""


@dataclass(frozen=True, slots=True)
class Safety:
    """Whether the servo can follow the pulses.

    Attributes
    ----------
    state : {"safe", "unsafe", "unsure"}
        'unsure' where the uncertainty reaches across a limit.
    low_s, high_s : float
        The shortest and the longest pulse, seconds.
    u_low_s, u_high_s : float
        Their standard uncertainties, seconds.
    text : str
        One or two sentences.
    """

    state: Literal["safe", "unsafe", "unsure"]
    low_s: float
    high_s: float
    u_low_s: float
    u_high_s: float
    text: str


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
    safety = _judge_safety(design, points)
    found = _identify(design, points, knob_reading_deg)
    table, supply_v, u_supply_v = _table(design, points, found, knob_reading_deg)
    supply_read = all(point.supply_v is not None for point in points)
    again = _spoiled(table)
    bad = _wrong(safety, found, table)
    open_ = [] if again or bad else _undecided(safety, found, table)
    word: Word = "AGAIN" if again or (open_ and not bad) else "FAIL" if bad else "PASS"
    turned = word == "FAIL" and _ends_alone(found, table)
    remedy = _propose(design, found) if word == "FAIL" and not turned else None
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
        next_step=_next_step(
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


def _judge_safety(design: Design, points: Sequence[Point]) -> Safety:
    """Hold the shortest and the longest pulse against the servo's range."""
    servo = design.servo
    low = min(points, key=lambda point: point.pulse_s)
    high = max(points, key=lambda point: point.pulse_s)
    beyond_low_s = servo.pulse_min_s - low.pulse_s
    beyond_high_s = high.pulse_s - servo.pulse_max_s
    limits = f"{servo.pulse_min_s * 1e6:g} to {servo.pulse_max_s * 1e6:g} µs"
    faults = []
    unsure = False
    for point, beyond_s, word, limit_s in (
        (low, beyond_low_s, "shorter", servo.pulse_min_s),
        (high, beyond_high_s, "longer", servo.pulse_max_s),
    ):
        margin_s = COVERAGE * point.u_pulse_s
        if beyond_s > margin_s:
            faults.append(
                f"the pulse at {point.knob_deg:.0f}° is {point.pulse_s * 1e6:.0f} µs, "
                f"{beyond_s * 1e6:.0f} µs {word} than the {limit_s * 1e6:g} µs "
                "that the servo can follow"
            )
        elif beyond_s > -margin_s:
            unsure = True
    state: Literal["safe", "unsafe", "unsure"] = "safe"
    if faults:
        state = "unsafe"
        text = (
            f"Not safe for this servo: {' and '.join(faults)}. A servo held against its stop heats "
            "and can pinch: leave it unplugged."
        )
    elif unsure:
        state = "unsure"
        text = (
            f"Maybe not safe for this servo: a pulse lies at the very end of its range, {limits}. "
            "A servo held against its stop heats and can pinch: leave it unplugged."
        )
    else:
        text = (
            f"Safe for this servo: {_figure(low)} to {_figure(high)} µs, inside its range of "
            f"{limits}."
        )
    return Safety(state, low.pulse_s, high.pulse_s, low.u_pulse_s, high.u_pulse_s, text)


def _figure(point: Point) -> str:
    return f"{point.pulse_s * 1e6:.1f} ± {round_up(COVERAGE * point.u_pulse_s * 1e6, 1)}"


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


def _ends_alone(found: Identification | None, table: Table) -> bool:
    """Tell whether exchanging the knob's ends is all that its ends need.

    Asked of what was measured: where a position between them does not fit as well, the found
    build is none that could be relied on.
    """
    if found is None or not found.suspects or found.suspects[0].fault != "ends-swapped":
        return False
    first, last = table.rows[0], table.rows[-1]
    pairs = ((first.point.pulse_s, last), (last.point.pulse_s, first))
    return all(
        row.limit.floor_s <= pulse_s - row.design_pulse_s <= row.limit.ceiling_s
        for pulse_s, row in pairs
    )


def _propose(design: Design, found: Identification | None) -> Remedy | None:
    """Propose what to change, so that the channel becomes what its design says.

    Of several proposals the one that changes the suspected part alone is the natural one.
    """
    if found is None:
        return None
    try:
        remedies = propose_remedies(design, design_aim(design), found)
    except BenchlogError:
        return None
    suspected = found.suspects[0].part if found.suspects else None
    own = [one for one in remedies if {change.part for change in one.changes} == {suspected}]
    return next(iter(own or remedies), None)


def _tell_remedy(design: Design, suspects: Sequence[Suspect], remedy: Remedy | None) -> str | None:
    """Say in one sentence what to change: first of all the part that is wrong."""
    marked = {part.name: part for part in design.parts}
    first = suspects[0] if suspects else None
    changed = {change.part for change in remedy.changes} if remedy is not None else set()
    if first is not None and first.fault in ("value", "decade") and changed != {first.part}:
        part = marked.get(first.part)
        if part is not None:  # simpler than to make up for a wrong part with others
            value = format_value(part.value, part.unit)
            return f"Put the marked part in for {first.part}: {value}."
    if remedy is None:
        return None
    what = _sentence("; ".join(change.text for change in remedy.changes))
    within_us = design_aim(design).within_s * 1e6
    hundredths = round(100 * remedy.share)
    sure = f"{what[:-1]}; {hundredths} in 100 such channels come within ±{within_us:.0f} µs."
    return sure if hundredths >= 95 else f"{sure} Pick the part with a meter to be surer."


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:].rstrip(".") + "."


def _next_step(
    design: Design,
    word: Word,
    suspects: Sequence[Suspect],
    remedy: Remedy | None,
    why: Reasons,
    safety: Safety,
    supply_v: float,
) -> str:
    """Say what to do now."""
    if word == "PASS":
        return "Nothing is to be done."
    told = _tell_remedy(design, suspects, remedy) if word == "FAIL" else None
    if told is None and word == "FAIL" and suspects and suspects[0].fault == "ends-swapped":
        return "Exchange the two outer leads of the knob, then confirm again."
    if told is None and word == "FAIL" and suspects:
        return _tell_check(suspects, supply_v)
    if told is None and word == "FAIL" and safety.state == "unsafe" and len(why) == 1:
        return _tell_too_long(design, safety)
    return told or _sentence(why[0][1])


def _tell_check(suspects: Sequence[Suspect], supply_v: float) -> str:
    """Say what to look at where no change of a part can be named."""
    names = list(dict.fromkeys(one.part for one in suspects))
    if "supply" in names:
        others = [NAMES[name] for name in names if name != "supply"][:1]
        rest = f"; if it is {supply_v:.3g} V, look at {others[0]}" if others else ""
        return f"Measure the supply at the timer while the channel runs{rest}."
    return f"Look at {' and '.join(NAMES[name] for name in names[:2])}."


def _tell_too_long(design: Design, safety: Safety) -> str:
    """Say what to do where right parts make pulses that the servo cannot follow."""
    servo, knob = design.servo, design.knob
    degrees = np.linspace(0.0, knob.travel_deg, 541)
    supply = design.supply.value
    pulses_s = np.asarray(predict_cycle(design, degrees, supply_v=supply).on_s)
    good = degrees[(pulses_s >= servo.pulse_min_s) & (pulses_s <= servo.pulse_max_s)]
    keep = ""
    if good.size and good[0] > 0.0 and good[-1] < knob.travel_deg:
        keep = f"keep the knob between {math.ceil(good[0])}° and {math.floor(good[-1])}°, or "
    elif good.size and good[0] > 0.0:
        keep = f"keep the knob above {math.ceil(good[0])}°, or "
    elif good.size and good[-1] < knob.travel_deg:
        keep = f"keep the knob below {math.floor(good[-1])}°, or "
    low_us, high_us = servo.pulse_min_s * 1e6, servo.pulse_max_s * 1e6
    needs = [
        f"{one * 1e6:.0f} µs"
        for one, is_past in (
            (safety.low_s, safety.low_s < servo.pulse_min_s),
            (safety.high_s, safety.high_s > servo.pulse_max_s),
        )
        if is_past
    ]
    word = "long" if safety.high_s > servo.pulse_max_s else "short"
    period_ms = float(predict_cycle(design, 0.5 * knob.travel_deg).period_s) * 1e3
    return (
        f"Leave the servo unplugged. The parts are right, but the design is too {word} for this "
        f"servo: {keep}choose parts for {low_us:.0f} to {high_us:.0f} µs (benchlog new NAME "
        f"--aim {low_us:.0f} {high_us:.0f} {period_ms:.0f}), or a servo that takes "
        f"{' and '.join(needs)}."
    )
