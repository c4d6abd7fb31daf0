"""From measured positions to an answer, a batch's row, its JSON and its label."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from benchlog.capture.batch_rows import Batch, BatchCopy, BatchPlace, BatchProduct
from benchlog.commands.confirm_taken import Place, Taken, make_points
from benchlog.commands.options import Level
from benchlog.units import format_value

if TYPE_CHECKING:
    from benchlog.calibration.batch import BatchSummary
    from benchlog.calibration.confirming import Confirmation
    from benchlog.calibration.table import Point
    from benchlog.channel.design import Design
    from benchlog.show.labels import Label

__all__ = [
    "confirm_either",
    "copies_to_json",
    "copy_without_answer",
    "doubt_level",
    "find_same",
    "make_copy",
    "make_labels",
    "reckon",
    "summarise_copies",
    "turn_points",
    "utc_now",
]


def utc_now() -> str:
    """Return the time as records write it."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def reckon(
    design: Design,
    taken: Mapping[Place, Taken],
    level: Level,
    *,
    level_known: bool,
    supply_v: float | None,
    temperature_c: float | None,
) -> Confirmation:
    """Work out what three positions say.

    Parameters
    ----------
    design : Design
        What the copy should be.
    taken : mapping
        All three positions.
    level : str
        The level of a pulse.
    level_known : bool
        Whether that is certain; else the other one is tried where this one is not explained.
    supply_v, temperature_c : float or None
        What was read.

    Returns
    -------
    Confirmation
        The answer.
    """
    points = make_points(design, dict(taken), level, supply_v=supply_v, temperature_c=temperature_c)
    other = None
    if not level_known:
        turned: Level = "low" if level == "high" else "high"
        other = make_points(
            design, dict(taken), turned, supply_v=supply_v, temperature_c=temperature_c
        )
    return confirm_either(design, points, other)


def confirm_either(
    design: Design,
    points: Sequence[Point],
    turned: Sequence[Point] | None,
    *,
    knob_reading_deg: float | None = None,
) -> Confirmation:
    """Confirm, with pulse and rest of the cycle exchanged where that explains far more.

    Parameters
    ----------
    design : Design
        What the channel should be.
    points : sequence of Point
        With the level that fits the design better at first sight.
    turned : sequence of Point or None
        With the other level; None where the level is certain.
    knob_reading_deg : float, optional
        Half-width of the knob reading, degrees; that of a stop that one has felt if None.

    Returns
    -------
    Confirmation
        The answer. A wrong part can make a channel look like a sound one upside down, so at first
        sight is not enough: the fit decides.
    """
    from benchlog.calibration.confirming import STOP_READING_DEG, confirm_points

    reading_deg = STOP_READING_DEG if knob_reading_deg is None else knob_reading_deg

    def misfit(result: Confirmation) -> tuple[bool, bool, float]:
        found = result.found
        if found is None:
            return True, True, math.inf
        return found.is_turned, not found.explained, found.chi_square

    first = confirm_points(design, points, knob_reading_deg=reading_deg)
    if turned is None or not any(misfit(first)[:2]):
        return first
    return min(first, confirm_points(design, turned, knob_reading_deg=reading_deg), key=misfit)


def doubt_level(
    design: Design,
    points: Sequence[Point],
    result: Confirmation,
    level: Level,
    *,
    knob_reading_deg: float,
) -> Confirmation:
    """Doubt the level that the user named before any part, where the other one fits.

    Parameters
    ----------
    design : Design
        What the channel should be.
    points : sequence of Point
        With the level that was named.
    result : Confirmation
        What they say.
    level : str
        What was typed after ``--active``.
    knob_reading_deg : float
        Half-width of the knob reading, degrees.

    Returns
    -------
    Confirmation
        AGAIN where the other level passes and this one does not; else what it was. Exchanged
        resistors do not hide behind that: upside down their knob turns the wrong way.
    """
    from benchlog.calibration.confirming import confirm_points

    if result.word != "FAIL":
        return result
    other = confirm_points(design, turn_points(points), knob_reading_deg=knob_reading_deg)
    if other.word != "PASS":
        return result
    row, turned = result.table.rows[0], other.table.rows[0]
    named, left, wanted = (
        format_value(one, "s", 3)
        for one in (row.point.pulse_s, turned.point.pulse_s, row.design_pulse_s)
    )
    text = (
        f"With --active {level} the pulse is {named}, far from the design's {wanted}; "
        f"without it {left}."
    )
    return replace(result, word="AGAIN", remedy=None, why=(text,), next_step="Leave --active away.")


def turn_points(points: Sequence[Point]) -> list[Point]:
    """Return points with pulse and rest of the cycle exchanged.

    Parameters
    ----------
    points : sequence of Point
        As measured.

    Returns
    -------
    list of Point
        With the other level as the pulse.
    """
    return [
        replace(one, pulse_s=one.rest_s, pulse_sd_s=one.rest_sd_s, rest_sd_s=one.pulse_sd_s)
        for one in points
    ]


def make_copy(
    result: Confirmation, number: int, repeat: int, *, temperature_c: float | None
) -> BatchCopy:
    """Return an answer as a row of a batch.

    Parameters
    ----------
    result : Confirmation
        The answer.
    number, repeat : int
        The copy's number, and how often it was measured before.
    temperature_c : float or None
        What was read.

    Returns
    -------
    BatchCopy
        The row; of more than three positions the ends and the one nearest to the middle.
    """
    rows = list(result.table.rows)
    middle_deg = result.table.design.knob.travel_deg / 2.0
    inner = sorted(rows[1:-1], key=lambda row: abs(row.point.knob_deg - middle_deg))
    chosen = (rows[0], inner[0] if inner else None, rows[-1])

    def place(row: Any) -> BatchPlace | None:
        if row is None:
            return None
        point = row.point
        return BatchPlace(
            knob_deg=point.knob_deg,
            pulse_s=point.pulse_s,
            u_pulse_s=point.u_pulse_s,
            period_s=point.period_s,
            u_period_s=point.u_period_s,
            pulse_count=point.pulse_count,
            design_pulse_s=row.design_pulse_s,
            deviation_s=row.deviation_s,
            u_deviation_s=row.u_deviation_s,
            verdict=row.verdict,
        )

    suspect = result.suspects[0] if result.suspects else None
    found = result.found
    is_worn = result.word == "AGAIN" and found is not None and found.contact_ohm is not None
    return BatchCopy(
        number=number,
        repeat=repeat,
        measured_utc=utc_now(),
        verdict=result.word,
        part=suspect.part if suspect is not None else None,
        fault=suspect.fault if suspect is not None else None,
        reason=" ".join([*_reason_head(result, is_worn=is_worn), *result.why]),
        supply_v=result.supply_v,
        u_supply_v=result.u_supply_v,
        supply_read=result.supply_read,
        temperature_c=temperature_c,
        places=(place(chosen[0]), place(chosen[1]), place(chosen[2])),
        products=tuple(
            BatchProduct(one.product, one.marked_s, one.found_s, one.u_s)
            for one in (found.products if found is not None else ())
        ),
    )


def _reason_head(result: Confirmation, *, is_worn: bool) -> list[str]:
    """Return with what the reason begins, in the few words that a list has room for."""
    from benchlog.show.confirm_end import KNOB_WORN, NOT_AS_MARKED

    if is_worn:
        return [KNOB_WORN]
    suspect = result.suspects[0] if result.word == "FAIL" and result.suspects else None
    if suspect is None or suspect.value is None or suspect.fault not in ("value", "decade"):
        return []
    for part in result.table.design.parts:
        if part.name == suspect.part:
            found, marked = (format_value(one, part.unit, 3) for one in (suspect.value, part.value))
            return [f"{part.name} {found}{NOT_AS_MARKED}{marked}."]
    return []


def find_same(copies: Sequence[BatchCopy], new: BatchCopy) -> int | None:
    """Return the number of an earlier copy with the very same pulses: of the same recordings.

    Parameters
    ----------
    copies : sequence of BatchCopy
        The earlier ones.
    new : BatchCopy
        The new one.

    Returns
    -------
    int or None
        None where there is none. No two measurements agree to a tenth of a nanosecond at every
        position.
    """

    def pulses(copy: BatchCopy) -> list[float]:
        return [value for one in copy.places if one for value in (one.pulse_s, one.period_s)]

    wanted = pulses(new)
    for copy in copies:
        had = pulses(copy)
        if (
            had
            and len(had) == len(wanted)
            and all(abs(a - b) < 1e-10 for a, b in zip(had, wanted, strict=True))
        ):
            return copy.number
    return None


def copy_without_answer(number: int, repeat: int, verdict: str, reason: str) -> BatchCopy:
    """Return the row of a copy that gave no figures.

    Parameters
    ----------
    number, repeat : int
        The copy's number, and how often it was measured before.
    verdict : str
        'FAIL' or 'AGAIN'.
    reason : str
        Why.

    Returns
    -------
    BatchCopy
        The row.
    """
    return BatchCopy(
        number=number,
        repeat=repeat,
        measured_utc=utc_now(),
        verdict=verdict,
        part=None,
        fault=None,
        reason=reason,
        supply_v=None,
        u_supply_v=None,
        supply_read=False,
        temperature_c=None,
        places=(None, None, None),
        products=(),
    )


def summarise_copies(design: Design, copies: Sequence[BatchCopy]) -> BatchSummary:
    """Say what the copies of a batch have in common.

    Parameters
    ----------
    design : Design
        What every copy should be.
    copies : sequence of BatchCopy
        Each copy once; those to be measured again are passed over.

    Returns
    -------
    BatchSummary
        Empty for fewer than three copies.
    """
    from benchlog.calibration.batch import CopyProduct, summarise_batch

    return summarise_batch(
        design,
        {
            copy.number: {
                one.product: CopyProduct(one.marked_s, one.found_s, one.u_s)
                for one in copy.products
            }
            for copy in copies
            if copy.verdict != "AGAIN"
        },
    )


def copies_to_json(copies: Sequence[BatchCopy]) -> list[dict[str, Any]]:
    """Return copies as JSON.

    Parameters
    ----------
    copies : sequence of BatchCopy
        The copies.

    Returns
    -------
    list of dict
        Units in the key names.
    """
    from benchlog.show.json_output import in_microseconds

    def place(one: BatchPlace) -> dict[str, Any]:
        return {
            "knob_deg": one.knob_deg,
            "pulse_us": in_microseconds(one.pulse_s),
            "u_pulse_us": in_microseconds(one.u_pulse_s),
            "period_us": in_microseconds(one.period_s),
            "u_period_us": in_microseconds(one.u_period_s),
            "pulse_count": one.pulse_count,
            "design_pulse_us": in_microseconds(one.design_pulse_s),
            "deviation_us": in_microseconds(one.deviation_s),
            "u_deviation_us": in_microseconds(one.u_deviation_s),
            "verdict": one.verdict,
        }

    return [
        {
            "copy": copy.number,
            "repeat": copy.repeat,
            "measured_utc": copy.measured_utc,
            "verdict": copy.verdict,
            "part": copy.part,
            "fault": copy.fault,
            "reason": copy.reason,
            "supply_v": copy.supply_v,
            "u_supply_v": copy.u_supply_v,
            "supply_from": None
            if copy.supply_v is None
            else "meter"
            if copy.supply_read
            else "pulses",
            "temperature_c": copy.temperature_c,
            "positions": [place(one) for one in copy.places if one is not None],
            "products": [
                {
                    "product": one.product,
                    "marked_us": in_microseconds(one.marked_s),
                    "found_us": in_microseconds(one.found_s),
                    "u_us": in_microseconds(one.u_s),
                }
                for one in copy.products
            ],
        }
        for copy in copies
    ]


def make_labels(batch: Batch) -> list[Label]:
    """Return a label for each copy of a batch.

    Parameters
    ----------
    batch : Batch
        The batch.

    Returns
    -------
    list of Label
        As each copy was measured last, in the order of their numbers.
    """
    from benchlog.show.confirm_end import shorten_reason
    from benchlog.show.labels import Label

    labels = []
    for copy in batch.newest:
        places = [one for one in copy.places if one is not None]
        low = min(places, key=lambda one: one.pulse_s, default=None)
        high = max(places, key=lambda one: one.pulse_s, default=None)
        middle = copy.places[1] or low
        labels.append(
            Label(
                channel=batch.channel,
                batch=batch.name,
                number=copy.number,
                date=copy.measured_utc[:10],
                verdict=copy.verdict,  # type: ignore[arg-type]
                low_s=low.pulse_s if low is not None else None,
                u_low_s=low.u_pulse_s if low is not None else None,
                high_s=high.pulse_s if high is not None else None,
                u_high_s=high.u_pulse_s if high is not None else None,
                period_s=middle.period_s if middle is not None else None,
                remark=shorten_reason(copy),
            )
        )
    return labels
