"""What a design should do at a knob angle, how surely, and what it depends on.

The room's predictions in one place: `predict_cycle` and `build_circuit` (`cycle.py`),
`tolerance_band`, `worst_band` and `first_order_band` (`tolerance.py`), `sensitivity` and
`part_effects` (`sensitivity.py`), and here `predict_positions`, which puts them together.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from benchlog.channel.cycle import OVERRIDES, build_circuit, predict_cycle
from benchlog.channel.plan import Design
from benchlog.channel.sensitivity import PartEffect, Sensitivity, part_effects, sensitivity
from benchlog.channel.servo import EndStop
from benchlog.channel.tolerance import Band, first_order_band, tolerance_band, worst_band
from benchlog.errors import DesignError

__all__ = [
    "OVERRIDES",
    "Band",
    "PartEffect",
    "Position",
    "Sensitivity",
    "build_circuit",
    "first_order_band",
    "part_effects",
    "predict_cycle",
    "predict_positions",
    "sensitivity",
    "tolerance_band",
    "worst_band",
]


@dataclass(frozen=True, slots=True)
class Position:
    """What a design should do at one knob angle.

    Attributes
    ----------
    knob_deg : float
        Knob angle, degrees.
    on_s, off_s, period_s : float
        The cycle, seconds.
    servo_deg : float
        Arm angle, held at the stops, degrees.
    end_stop : {"low", "high"} or None
        The stop that the pulse drives the arm against.
    on_low_s, on_high_s : float
        95 % band of the parts' tolerances, seconds.
    """

    knob_deg: float
    on_s: float
    off_s: float
    period_s: float
    servo_deg: float
    end_stop: EndStop | None
    on_low_s: float
    on_high_s: float


def predict_positions(
    design: Design,
    knob_deg: Iterable[float] | ArrayLike,
    *,
    supply_v: float | None = None,
    temperature_c: float | None = None,
) -> tuple[Position, ...]:
    """Return what a design should do at each of some knob angles.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : iterable of float
        Knob angles, degrees, within the knob's travel.
    supply_v, temperature_c : float, optional
        Other supply and temperature than the design's.

    Returns
    -------
    tuple of Position
        In the order of `knob_deg`.

    Raises
    ------
    DesignError
        An angle is beyond the knob's stops, or the circuit cannot oscillate.
    """
    angle = np.atleast_1d(np.asarray(knob_deg, dtype=np.float64))
    travel_deg = design.knob.travel_deg
    if beyond := [one for one in angle.tolist() if not 0.0 <= one <= travel_deg]:
        raise DesignError(
            f"knob angle {beyond[0]:g} degrees of channel {design.channel}",
            expected=f"an angle from 0 to {travel_deg:g} degrees, the knob's travel",
            attempt="an angle within the travel, or knob.travel_deg as the knob really turns",
        )
    times = predict_cycle(design, angle, supply_v=supply_v, temperature_c=temperature_c)
    band = tolerance_band(design, angle, supply_v=supply_v, temperature_c=temperature_c)
    servo = design.servo
    columns = (
        angle,
        times.on_s,
        times.off_s,
        times.period_s,
        servo.angle_deg(times.on_s),
        band.on_low_s,
        band.on_high_s,
    )
    return tuple(
        Position(
            knob_deg=knob,
            on_s=on_s,
            off_s=off_s,
            period_s=period_s,
            servo_deg=servo_deg,
            end_stop=servo.end_stop(on_s),
            on_low_s=on_low_s,
            on_high_s=on_high_s,
        )
        for knob, on_s, off_s, period_s, servo_deg, on_low_s, on_high_s in np.column_stack(
            columns
        ).tolist()
    )
