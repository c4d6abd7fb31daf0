"""What of a built channel is not known from its design: values that differ from build to build."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.channel.circuit import TimerFamily
from benchlog.channel.plan import Design

__all__ = ["Unknown", "draw_builds", "list_unknowns"]

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Unknown:
    """One value that is known only to lie within limits, each value between equally likely.

    Attributes
    ----------
    name : str
        A name of `benchlog.channel.cycle.OVERRIDES`, or ``"supply_v"`` or
        ``"temperature_c"``.
    centre : float
        The value that it should have, in `unit`.
    half_width : float
        From the centre to either limit: in `unit`, or of the natural logarithm of the value
        where `in_log`; 0 or more.
    unit : str
        ``"ohm"``, ``"F"``, ``"A"``, ``"V"``, ``"degC"`` or ``""``.
    in_log : bool
        Whether it is the logarithm that is spread evenly.
    """

    name: str
    centre: float
    half_width: float
    unit: str
    in_log: bool = False

    def value_at(self, place: ArrayLike) -> Values:
        """Return the value at a place between the limits: -1 is the lower one, 1 the upper."""
        shift = self.half_width * np.asarray(place, dtype=np.float64)
        return np.asarray(self.centre * np.exp(shift) if self.in_log else self.centre + shift)


def list_unknowns(design: Design, *, supply_v: float | None = None) -> tuple[Unknown, ...]:
    """Return what differs between channels that are built to one design.

    Parameters
    ----------
    design : Design
        The design.
    supply_v : float, optional
        A supply that was read on the meter: the design's tolerance of it does not count then.

    Returns
    -------
    tuple of Unknown
        The four timer parts, the timer's two levels, the diode's saturation current and the
        supply, those without any spread included; then what else of the timer moves the cycle
        noticeably between the typical figure and the limit (`TimerFamily`): the discharge
        transistor's resistance of a cmos timer, the voltage left across it and the input
        current of a bipolar one.

    Notes
    -----
    A figure with a typical value and an upper limit is spread evenly in its logarithm, as far
    below the typical value as the limit lies above. Not listed: the input current of cmos
    timers (300 pA of 2 uA through 1 Mohm: 0.01 %), and the comparators' delay (0.2 us of 600).
    """
    timer, diode, supply = design.timer, design.diode, design.supply
    parts = [
        Unknown(part.name, part.value, part.value * part.tolerance, part.unit)
        for part in design.parts
    ]
    levels = [
        Unknown(name, level, level * timer.level_tolerance, "")
        for name, level in (
            ("threshold_fraction", timer.threshold_fraction),
            ("trigger_fraction", timer.trigger_fraction),
        )
    ]
    current_a = diode.saturation_current_a
    drop = Unknown("saturation_current", current_a, design.diode_tolerance, "A", in_log=True)
    half_v = supply.value * supply.tolerance if supply_v is None else 0.0
    volts = supply.value if supply_v is None else supply_v
    return (
        *parts,
        *levels,
        drop,
        Unknown("supply_v", volts, half_v, "V"),
        *_list_timer_figures(timer),
    )


_LEAST_OHM = 30.0
"""Of a discharge transistor, between typical and limit: 0.1 % of the off time of a typical
channel, as much as a resistor picked by meter."""
_LEAST_A = 10e-9
"""Of the input current: 0.5 % of the off current of a typical channel."""
_LEAST_V = 5e-3
"""Left across the discharge transistor: 0.2 % of the off time at 6 V."""


def _list_timer_figures(timer: TimerFamily) -> tuple[Unknown, ...]:
    """Return what of the timer has an upper limit so far from typical that it shows."""
    figures = (
        ("discharge_ohm", timer.discharge_ohm, timer.discharge_most_ohm, _LEAST_OHM, "ohm"),
        ("saturation_v", timer.saturation_v, timer.saturation_most_v, _LEAST_V, "V"),
        ("input_current", timer.input_current_a, timer.input_current_most_a, _LEAST_A, "A"),
    )
    return tuple(
        Unknown(name, typical, math.log(most / typical), unit, in_log=True)
        for name, typical, most, least, unit in figures
        if most - typical > least
    )


def draw_builds(
    unknowns: Sequence[Unknown], count: int, source: np.random.Generator
) -> dict[str, Values]:
    """Draw values, one in each of `count` equal strata of every unknown.

    Parameters
    ----------
    unknowns : sequence of Unknown
        What is drawn.
    count : int
        How many builds, above 0.
    source : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    dict of str to numpy.ndarray
        By name, shape (count,), in the unknown's unit.
    """
    drawn = {}
    for one in unknowns:
        share = (source.permutation(count) + source.random(count)) / count
        drawn[one.name] = one.value_at(2.0 * share - 1.0)
    return drawn
