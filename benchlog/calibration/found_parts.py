"""What a sweep tells of the parts, stated: products, parts, and whether they are in tolerance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.box_posterior import spread_about_mean
from benchlog.calibration.sweep_model import Place
from benchlog.channel.plan import Design

__all__ = ["FoundPart", "Product", "state_parts", "state_product"]

Values = NDArray[np.float64]

DROP_A = 1e-4
"""The current at which the diode's drop is stated, amperes."""


@dataclass(frozen=True, slots=True)
class Product:
    """A product of a resistor and the capacitor: what timing tells sharply.

    Attributes
    ----------
    product : str
        ``"r_off*c_timing"``, ``"r_knob*c_timing"`` or ``"r_on*c_timing"``.
    marked_s : float
        From the marked values, seconds.
    found_s, u_s : float
        As found and its uncertainty, seconds: found ± 2 u holds the true one 95 times of 100.
    """

    product: str
    marked_s: float
    found_s: float
    u_s: float


@dataclass(frozen=True, slots=True)
class FoundPart:
    """A part, or what else of the channel is unknown, as found.

    Attributes
    ----------
    part : str
        ``r_on``, ``r_knob``, ``r_off``, ``c_timing``; then, where they are unknown, ``contact``,
        ``threshold`` and ``trigger`` (fractions of the supply), ``diode_v`` (its drop at
        0.1 mA and 27 degrees Celsius), ``supply``.
    marked : float
        What it should be; the recorded value of a supply that was recorded.
    found, u : float
        As found and its uncertainty: found ± 2 u holds the true one 95 times of 100.
    unit : str
        ``"ohm"``, ``"F"``, ``"V"`` or ``""``.
    within_tolerance : bool
        Whether what was found lies within the tolerance.
    """

    part: str
    marked: float
    found: float
    u: float
    unit: str
    within_tolerance: bool


def state_product(design: Design, values: Mapping[str, Values], pair: tuple[str, str]) -> Product:
    """State one product.

    Parameters
    ----------
    design : Design
        The design, for what is marked.
    values : mapping of str to numpy.ndarray
        Draws of the parts, SI units, shape (s,) each.
    pair : tuple of str
        The resistor's name and the capacitor's.

    Returns
    -------
    Product
        The product.
    """
    marked = {part.name: part.value for part in design.parts}
    found_s, half_s = spread_about_mean(values[pair[0]] * values[pair[1]])
    return Product("*".join(pair), marked[pair[0]] * marked[pair[1]], found_s, 0.5 * half_s)


def state_parts(
    design: Design, values: Mapping[str, Values], places: Sequence[Place]
) -> list[FoundPart]:
    """State the parts, and what else is unknown.

    Parameters
    ----------
    design : Design
        The design, for what is marked.
    values : mapping of str to numpy.ndarray
        Draws of all unknowns, SI units, shape (s,) each.
    places : sequence of Place
        The unknowns with their tolerances.

    Returns
    -------
    list of FoundPart
        The four parts first.
    """
    limits = {
        place.name: tuple(float(place.value_at(np.asarray(z))) for z in (place.low, place.high))
        for place in places
    }
    found = []
    for part in design.parts:
        value, half = spread_about_mean(values[part.name])
        inside = part.low * (1 - 1e-9) <= value <= part.high * (1 + 1e-9)
        found.append(FoundPart(part.name, part.value, value, 0.5 * half, part.unit, inside))
    timer = design.timer
    for name, part_name, marked, unit in (
        ("contact", "contact", design.knob.contact_ohm, "ohm"),
        ("threshold_fraction", "threshold", float(timer.threshold_fraction), ""),
        ("trigger_fraction", "trigger", float(timer.trigger_fraction), ""),
        ("supply_v", "supply", _marked_supply(design, places), "V"),
    ):
        if name not in values:
            continue
        value, half = spread_about_mean(values[name])
        low, high = limits.get(name, (value, value))
        found.append(FoundPart(part_name, marked, value, 0.5 * half, unit, low <= value <= high))
        if name == "trigger_fraction" and "saturation_current" in values:
            found.append(_drop(design, values, limits))
    if "saturation_current" in values and not any(one.part == "diode_v" for one in found):
        found.append(_drop(design, values, limits))
    return found


def _marked_supply(design: Design, places: Sequence[Place]) -> float:
    """Return the supply as recorded, else as designed."""
    return next((p.centre for p in places if p.name == "supply_v"), design.supply.value)


def _drop(
    design: Design, values: Mapping[str, Values], limits: Mapping[str, tuple[float, ...]]
) -> FoundPart:
    """State the diode's drop."""
    diode = design.diode
    drops = replace(
        diode,
        saturation_current_a=values["saturation_current"],
        emission=values.get("emission", diode.emission),
    ).forward_v(DROP_A)
    value, half = spread_about_mean(np.asarray(drops))
    ends = [
        float(replace(diode, saturation_current_a=one).forward_v(DROP_A))
        for one in limits.get("saturation_current", (diode.saturation_current_a,))
    ]
    inside = min(ends) <= value <= max(ends)
    marked = float(diode.forward_v(DROP_A))
    return FoundPart("diode_v", marked, value, 0.5 * half, "V", inside)
