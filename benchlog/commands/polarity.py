"""Which level is the pulse, where only the circuit can tell."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from benchlog.commands.options import Level

if TYPE_CHECKING:
    from benchlog.channel.design import Design
    from benchlog.commands.profiles import InputKnowledge
    from benchlog.timing.pulses import Measurement

__all__ = ["settle_level"]

_KNOB_STEPS = 28
"""Knob angles that are tried where nobody says which it was."""


def settle_level(
    design: Design,
    measured: Measurement,
    known: InputKnowledge,
    *,
    knob_deg: float | None,
    supply_v: float | None,
    temperature_c: float | None,
) -> Measurement:
    """Take the other level for the pulse where the circuit makes such a cycle rather.

    Parameters
    ----------
    design : Design
        What the channel should be.
    measured : Measurement
        With one of the levels as the pulse.
    known : InputKnowledge
        What is known of the input.
    knob_deg : float or None
        Knob angle, degrees; None tries the whole travel.
    supply_v, temperature_c : float or None
        As read; None takes the design's.

    Returns
    -------
    Measurement
        With the level that fits; without the warning that it is a guess.
    """
    if _other_fits(design, measured, knob_deg, supply_v, temperature_c):
        measured = _turn_over(measured, known)
    settled = tuple(one for one in measured.notices if one.code != "polarity-unsure")
    return replace(measured, notices=settled)


def _other_fits(
    design: Design,
    measured: Measurement,
    knob_deg: float | None,
    supply_v: float | None,
    temperature_c: float | None,
) -> bool:
    """Tell whether the circuit makes the measured cycle rather the other way round."""
    import numpy as np

    from benchlog.channel.design import predict_cycle

    angles = (
        np.linspace(0.0, design.knob.travel_deg, _KNOB_STEPS)
        if knob_deg is None
        else np.array([knob_deg])
    )
    cycle = predict_cycle(design, angles, supply_v=supply_v, temperature_c=temperature_c)
    pulse_s = measured.width.mean_s
    rest_s = measured.period.mean_s - pulse_s

    def distance(first_s: float, second_s: float) -> float:
        apart = np.log(first_s / cycle.on_s) ** 2 + np.log(second_s / cycle.off_s) ** 2
        return float(np.min(apart))

    return distance(rest_s, pulse_s) < distance(pulse_s, rest_s)


def _turn_over(measured: Measurement, known: InputKnowledge) -> Measurement:
    """Measure the same edges with the other level as the pulse."""
    from benchlog.timing.pulses import measure_edges

    level: Level = "low" if measured.active_level == "high" else "high"
    clock_ppm = known.clock.half_width_ppm
    turned = measure_edges(
        measured.edges, active_level=level, clock_ppm=clock_ppm, input_=measured.input
    )
    if turned is None:
        return measured
    # what the file itself lacks, the edges do not tell
    cut = tuple(one for one in measured.notices if one.code == "cut-short")
    notices = turned.notices + known.notices + cut
    return replace(turned, sample_rate_hz=measured.sample_rate_hz, notices=notices)
