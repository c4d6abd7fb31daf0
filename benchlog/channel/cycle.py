"""A design at a knob angle: its circuit, and its on and off times."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from benchlog.channel.plan import Design
from benchlog.channel.timer import Circuit, CycleTimes, cycle_times

__all__ = ["OVERRIDES", "build_circuit", "predict_cycle"]

OVERRIDES = (
    "r_on",
    "r_knob",
    "r_off",
    "c_timing",
    "saturation_current",
    "emission",
    "series",
    "threshold_fraction",
    "trigger_fraction",
    "contact",
    "discharge_ohm",
    "saturation_v",
    "input_current",
    "delay",
)
"""Names that may be given other values than the design's, SI units.

``contact`` is the wiper's, ``discharge_ohm`` and ``saturation_v`` are the discharge transistor's,
``input_current`` is what both input pins draw together, ``delay`` the comparators'.
"""


def build_circuit(
    design: Design,
    knob_deg: ArrayLike,
    *,
    supply_v: ArrayLike | None = None,
    temperature_c: ArrayLike | None = None,
    parts: Mapping[str, ArrayLike] | None = None,
) -> Circuit:
    """Return the circuit of a design at knob angles.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : array_like
        Knob angles, degrees; beyond a stop they count as at the stop.
    supply_v, temperature_c : array_like, optional
        Other supply and temperature than the design's.
    parts : mapping, optional
        Other values than the design's by name (`OVERRIDES`), SI units. All broadcast.

    Returns
    -------
    Circuit
        The circuit; not yet checked whether it oscillates.

    Raises
    ------
    ValueError
        A name in `parts` is unknown.
    """
    given: dict[str, Any] = dict(parts or {})
    if unknown := sorted(set(given) - set(OVERRIDES)):
        raise ValueError(f"unknown part {unknown[0]!r}, known are {', '.join(OVERRIDES)}")

    def value(name: str, default: Any) -> Any:
        return np.asarray(given[name], dtype=np.float64) if name in given else default

    x = design.knob.on_fraction(knob_deg)
    r_knob = value("r_knob", design.r_knob.value)
    diode, timer = design.diode, design.timer
    # one that is given stands for the sum of both
    trigger_a = 0.0 if "input_current" in given else timer.trigger_current_a
    return Circuit(
        supply_v=design.supply.value if supply_v is None else supply_v,
        r_a_ohm=value("r_on", design.r_on.value) + x * r_knob,
        r_b_ohm=value("r_off", design.r_off.value) + (1.0 - x) * r_knob,
        r_wiper_ohm=value("contact", design.knob.contact_ohm),
        c_f=value("c_timing", design.c_timing.value),
        diode=dataclasses.replace(
            diode,
            saturation_current_a=value("saturation_current", diode.saturation_current_a),
            emission=value("emission", diode.emission),
            series_ohm=value("series", diode.series_ohm),
        ),
        timer=dataclasses.replace(
            timer,
            threshold_fraction=value("threshold_fraction", timer.threshold_fraction),
            trigger_fraction=value("trigger_fraction", timer.trigger_fraction),
            discharge_ohm=value("discharge_ohm", timer.discharge_ohm),
            saturation_v=value("saturation_v", timer.saturation_v),
            threshold_current_a=value("input_current", timer.threshold_current_a),
            trigger_current_a=trigger_a,
            delay_s=value("delay", timer.delay_s),
        ),
        temperature_c=design.temperature_c if temperature_c is None else temperature_c,
    )


def predict_cycle(
    design: Design,
    knob_deg: ArrayLike,
    *,
    supply_v: ArrayLike | None = None,
    temperature_c: ArrayLike | None = None,
    parts: Mapping[str, ArrayLike] | None = None,
) -> CycleTimes:
    """Return on and off times of a design at knob angles.

    Parameters and broadcasting are those of `build_circuit`.

    Returns
    -------
    CycleTimes
        Seconds.

    Raises
    ------
    DesignError
        The circuit cannot oscillate at one of the angles.
    ValueError
        A name in `parts` is unknown.
    """
    return cycle_times(
        build_circuit(design, knob_deg, supply_v=supply_v, temperature_c=temperature_c, parts=parts)
    )
