"""All that a design foretells at some knob angles: cycle, bands, what moves it, battery life."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

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

__all__ = ["WITHIN_DEG", "Outlook", "foretell"]

Values = NDArray[np.float64]

WITHIN_DEG = 3.0
"""By how much the arm may be off for a mark to hold, degrees."""


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
    )
