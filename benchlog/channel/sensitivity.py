"""How a channel's times depend on supply, temperature, knob and parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.channel.cycle import predict_cycle
from benchlog.channel.plan import Design
from benchlog.channel.timer import CycleTimes
from benchlog.channel.unknowns import list_unknowns

__all__ = ["PartEffect", "Sensitivity", "part_effects", "sensitivity"]

Values = NDArray[np.float64]

_STEP = 1e-3
"""Central differences by 0.1 % of a value: their error is some 1e-6 of the slope."""


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivity:
    """How on and off change: seconds per volt, per kelvin and per degree of knob."""

    on_per_v: Values
    on_per_k: Values
    on_per_deg: Values
    off_per_v: Values
    off_per_k: Values
    off_per_deg: Values


@dataclass(frozen=True, slots=True, eq=False)
class PartEffect:
    """How on and off change with one part.

    Attributes
    ----------
    part : str
        A name of `benchlog.channel.unknowns.list_unknowns`.
    half_width_percent : float
        Its tolerance; of a value that is known by its logarithm 100 times that half-width.
    on_per_percent_s, off_per_percent_s : numpy.ndarray
        For one per cent more of it, seconds.
    on_spread_s, off_spread_s : numpy.ndarray
        For the whole half-width of its tolerance, to first order, seconds, with their signs.
    """

    part: str
    half_width_percent: float
    on_per_percent_s: Values
    off_per_percent_s: Values
    on_spread_s: Values
    off_spread_s: Values


def sensitivity(
    design: Design,
    knob_deg: ArrayLike,
    *,
    supply_v: float | None = None,
    temperature_c: float | None = None,
    parts: Mapping[str, ArrayLike] | None = None,
) -> Sensitivity:
    """Return how on and off change with supply, temperature and knob angle.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : array_like
        Knob angles, degrees.
    supply_v, temperature_c : float, optional
        Other supply and temperature than the design's.
    parts : mapping, optional
        Other values than the design's, as in `build_circuit`.

    Returns
    -------
    Sensitivity
        Shape of `knob_deg`.

    Raises
    ------
    DesignError
        The circuit cannot oscillate there, or a step beside it.

    Notes
    -----
    Central differences: ±0.5 % of the supply, ±0.5 K, ±0.5 degree (within the stops).
    """
    angle = np.asarray(knob_deg, dtype=np.float64)
    volts = design.supply.value if supply_v is None else supply_v
    warmth = design.temperature_c if temperature_c is None else temperature_c
    step_v, step_k = np.asarray(0.005 * volts), np.asarray(0.5)
    low_deg = np.clip(angle - 0.5, 0.0, max(design.knob.travel_deg - 0.5, 0.0))
    high_deg = np.clip(angle + 0.5, 0.5, design.knob.travel_deg)

    def times(knob: ArrayLike, supply: ArrayLike, temperature: ArrayLike) -> CycleTimes:
        return predict_cycle(design, knob, supply_v=supply, temperature_c=temperature, parts=parts)

    def slopes(high: CycleTimes, low: CycleTimes, apart: Values) -> tuple[Values, Values]:
        on, off = high.on_s - low.on_s, high.off_s - low.off_s
        return np.asarray(on / apart), np.asarray(off / apart)

    on_v, off_v = slopes(
        times(angle, volts + step_v, warmth), times(angle, volts - step_v, warmth), 2 * step_v
    )
    on_k, off_k = slopes(
        times(angle, volts, warmth + step_k), times(angle, volts, warmth - step_k), 2 * step_k
    )
    on_deg, off_deg = slopes(
        times(high_deg, volts, warmth), times(low_deg, volts, warmth), high_deg - low_deg
    )
    return Sensitivity(on_v, on_k, on_deg, off_v, off_k, off_deg)


def part_effects(
    design: Design,
    knob_deg: ArrayLike,
    *,
    supply_v: float | None = None,
    temperature_c: float | None = None,
) -> tuple[PartEffect, ...]:
    """Return how on and off change with each part that may differ from its mark.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : array_like
        Knob angles, degrees.
    supply_v, temperature_c : float, optional
        Other supply and temperature than the design's; a supply that is given here counts as
        measured.

    Returns
    -------
    tuple of PartEffect
        One for each of `list_unknowns` that is not 0, in that order.

    Raises
    ------
    DesignError
        The circuit cannot oscillate there, or a step beside it.
    """
    angle = np.asarray(knob_deg, dtype=np.float64)
    unknowns = list_unknowns(design, supply_v=supply_v)
    moved = [one for one in unknowns if one.centre != 0.0]
    count = 2 * len(moved)
    parts: dict[str, Values] = {}
    for k, one in enumerate(moved):
        values = np.full(count, one.centre)
        values[2 * k], values[2 * k + 1] = one.centre * (1.0 + _STEP), one.centre * (1.0 - _STEP)
        parts[one.name] = values.reshape((count,) + (1,) * angle.ndim)
    supply = parts.pop("supply_v")
    times = predict_cycle(design, angle, supply_v=supply, temperature_c=temperature_c, parts=parts)
    effects = []
    for k, one in enumerate(moved):
        on, off = (
            np.asarray((both[2 * k] - both[2 * k + 1]) / (200.0 * _STEP))
            for both in (times.on_s, times.off_s)
        )
        percent = 100.0 * (one.half_width if one.in_log else one.half_width / abs(one.centre))
        effects.append(PartEffect(one.name, percent, on, off, on * percent, off * percent))
    return tuple(effects)
