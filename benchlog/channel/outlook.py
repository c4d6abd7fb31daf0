"""All that a design foretells at some knob angles: cycle, bands, what moves it, battery life."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.channel.battery import Battery, guess_battery, holding_supply, life_pulses
from benchlog.channel.plan import Design
from benchlog.channel.prediction import (
    Band,
    PartEffect,
    Position,
    Sensitivity,
    part_effects,
    predict_positions,
    sensitivity,
    tolerance_band,
    worst_band,
)
from benchlog.channel.servo import EndStop

__all__ = ["WITHIN_DEG", "Outlook", "PastStop", "foretell"]

Values = NDArray[np.float64]

WITHIN_DEG = 3.0
"""By how much the arm may be off for a mark to hold, degrees."""


_GRID = 361  # knob angles over the travel, of which the pulse runs straight from one to the next


@dataclass(frozen=True, slots=True)
class PastStop:
    """Where on the knob, at one end of the battery's life, a servo's stop is passed.

    Attributes
    ----------
    life : {"full", "empty"}
        The battery.
    stop : {"low", "high"}
        The servo's stop.
    from_deg, to_deg : float
        The knob angles between which the pulse is past it, degrees.
    worst_deg, worst_s : float
        The knob angle, degrees, and the pulse, seconds, furthest past it.
    """

    life: Literal["full", "empty"]
    stop: EndStop
    from_deg: float
    to_deg: float
    worst_deg: float
    worst_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """What a design foretells; every array has one value a position.

    Attributes
    ----------
    design : Design
        The design.
    positions : tuple of Position
        The cycle at each knob angle.
    band, worst : Band
        What 95 of 100 channels keep to, and what none exceeds, with parts within tolerance.
    slopes : Sensitivity
        By volt, kelvin and degree.
    effects : tuple of PartEffect
        By part, those first that move the pulse most within their tolerance.
    battery : Battery
        What the channel seems to be fed from.
    within_deg : float
        The arm angle that a mark may be off.
    holds_low_v, holds_high_v : numpy.ndarray
        Between which supplies each mark holds.
    full_s, empty_s : numpy.ndarray
        The pulse with the battery full and empty, seconds; not a number where there is none.
    past_stops : tuple of PastStop
        Which stops are passed with the battery full or empty, anywhere on the knob's travel.
    """

    design: Design
    positions: tuple[Position, ...]
    band: Band
    worst: Band
    slopes: Sensitivity
    effects: tuple[PartEffect, ...]
    battery: Battery
    within_deg: float
    holds_low_v: Values
    holds_high_v: Values
    full_s: Values
    empty_s: Values
    past_stops: tuple[PastStop, ...]


def foretell(
    design: Design, knob_deg: Iterable[float] | ArrayLike, *, within_deg: float = WITHIN_DEG
) -> Outlook:
    """Foretell what a design does at knob angles, at its own supply and temperature.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : iterable of float
        Knob angles, degrees, within the knob's travel.
    within_deg : float
        By how much the arm may be off for a mark to hold, degrees, above 0.

    Returns
    -------
    Outlook
        One value each angle, in the order of `knob_deg`.

    Raises
    ------
    DesignError
        An angle is beyond the knob's stops, or the circuit cannot oscillate.
    ValueError
        `within_deg` is not above 0.
    """
    angle = np.atleast_1d(np.asarray(knob_deg, dtype=np.float64))
    positions = predict_positions(design, angle)
    effects = part_effects(design, angle)
    battery = guess_battery(design.supply.value)
    low_v, high_v = holding_supply(design, angle, within_deg)
    full_s, empty_s = life_pulses(design, angle, battery)
    return Outlook(
        design=design,
        positions=positions,
        band=tolerance_band(design, angle),
        worst=worst_band(design, angle),
        slopes=sensitivity(design, angle),
        effects=tuple(
            sorted(effects, key=lambda one: -float(np.max(np.abs(one.on_spread_s), initial=0.0)))
        ),
        battery=battery,
        within_deg=within_deg,
        holds_low_v=low_v,
        holds_high_v=high_v,
        full_s=full_s,
        empty_s=empty_s,
        past_stops=_find_past_stops(design, battery),
    )


def _find_past_stops(design: Design, battery: Battery) -> tuple[PastStop, ...]:
    """Return which stops a full and an empty battery let the servo be driven past."""
    knob_deg = np.linspace(0.0, design.knob.travel_deg, _GRID)
    full_s, empty_s = life_pulses(design, knob_deg, battery)
    servo = design.servo
    lives: tuple[Literal["full", "empty"], ...] = ("full", "empty")
    stops: tuple[EndStop, ...] = ("low", "high")
    found = []
    for life, pulse_s in zip(lives, (full_s, empty_s), strict=True):
        for stop, past_s in zip(
            stops, (servo.pulse_min_s - pulse_s, pulse_s - servo.pulse_max_s), strict=True
        ):
            past = past_s > 0.0  # false where the channel stops
            if not past.any():
                continue
            first, last = np.flatnonzero(past)[[0, -1]]
            worst = int(np.nanargmax(past_s))
            found.append(
                PastStop(
                    life=life,
                    stop=stop,
                    from_deg=_cross(knob_deg, past_s, int(first), -1),
                    to_deg=_cross(knob_deg, past_s, int(last), 1),
                    worst_deg=float(knob_deg[worst]),
                    worst_s=float(pulse_s[worst]),
                )
            )
    return tuple(found)


def _cross(knob_deg: Values, past_s: Values, inside: int, step: int) -> float:
    """Return where, between a knob angle past the stop and the next, the stop is met."""
    outside = inside + step
    if not 0 <= outside < past_s.size or not np.isfinite(past_s[outside]):
        return float(knob_deg[inside])
    share = past_s[inside] / (past_s[inside] - past_s[outside])
    return float(knob_deg[inside] + share * (knob_deg[outside] - knob_deg[inside]))
