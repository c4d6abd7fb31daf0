"""A new design as a person reads it, and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from benchlog.channel.design import Design
from benchlog.channel.draft_check import Reach, suggest_part
from benchlog.show.json_output import in_microseconds
from benchlog.units import format_value

__all__ = ["CIRCUIT", "design_to_json", "reach_sentences"]

USUAL_PERIOD_S = (5e-3, 30e-3)
"""Periods that analog servos take (common practice: 20 ms, with room either way)."""

CIRCUIT = (
    "  supply +",
    "     |",
    "  [ r_on ]      the shortest pulse",
    "     |",
    "  [ r_knob ]<---+   how far it reaches",
    "     |          |",
    "  [ r_off ]     +--- pin 7",
    "     |          |",
    "     |        --v--  diode, its bar to",
    "     |          |    pins 2 and 6",
    "     +----------+--- pins 2 and 6",
    "     |",
    "  [ c_timing ]",
    "     |",
    "  ground, pin 1",
)
"""The circuit in 40 columns, so that the names in the questions have a place."""


def reach_sentences(design: Design, reach: Reach) -> list[str]:
    """Say what a design would do.

    Parameters
    ----------
    design : Design
        The design.
    reach : Reach
        From `benchlog.channel.draft_check.find_reach`.

    Returns
    -------
    list of str
        Pulse and period, then how that suits the servo.
    """
    low, high = (round(one * 1e6) for one in reach.pulse_s)
    likely_low, likely_high = (round(one * 1e6) for one in reach.likely_s)
    sentences = [
        f"With these parts the pulse goes from {low} to {high} µs over the knob's "
        f"{design.knob.travel_deg:g}°, at {design.supply.value:g} V. Their tolerances may make it "
        f"{likely_low} to {likely_high} µs.",
        _period_sentence(reach),
        *_servo_sentences(design, reach),
    ]
    return sentences + [f"Note: {text}." for _, text in design.warnings]


def _period_sentence(reach: Reach) -> str:
    """Say how often a pulse comes, and whether servos are used to that."""
    low, high = (format_value(one, "s", 3) for one in reach.period_s)
    shown = low if low == high else f"{low} to {high}"
    sentence = f"A pulse comes every {shown}."
    usual_low_s, usual_high_s = USUAL_PERIOD_S
    if usual_low_s <= reach.period_s[0] and reach.period_s[1] <= usual_high_s:
        return sentence
    return f"{sentence} Servos are made for some 20 ms: look again at r_off and c_timing."


def _servo_sentences(design: Design, reach: Reach) -> list[str]:
    """Say how the pulses suit the servo."""
    servo = design.servo
    span = f"{servo.pulse_min_s * 1e6:g} to {servo.pulse_max_s * 1e6:g} µs"
    if reach.safe_deg is None:
        return [
            f"No knob angle gives a pulse that the servo follows ({span}): something is amiss "
            "with the parts' values."
        ]
    if not (reach.past_low or reach.past_high):
        text = f"That stays within the servo's {span}."
        at_risk = reach.likely_s[0] < servo.pulse_min_s or reach.likely_s[1] > servo.pulse_max_s
        return [f"{text} With parts at the edge of their tolerance maybe not." if at_risk else text]
    ways = ["shorter"] * reach.past_low + ["longer"] * reach.past_high
    start, end = reach.safe_deg
    sentences = [
        f"It gets {' and '.join(ways)} than the servo's {span}: outside {start:.0f} to {end:.0f}° "
        "of knob the servo pushes against its stop, heats and can pinch."
    ]
    for way, past in (("low", reach.past_low), ("high", reach.past_high)):
        better = suggest_part(design, way) if past else None
        if better is not None:
            name, ohm = better
            end_word = "shortest" if way == "low" else "longest"
            sentences.append(
                f"{name} of {format_value(ohm, 'ohm')} would keep the {end_word} pulse within."
            )
    return sentences


def design_to_json(design: Design, reach: Reach, notes: Sequence[str]) -> dict[str, Any]:
    """Return a new design as JSON.

    Parameters
    ----------
    design : Design
        The design.
    reach : Reach
        What it does.
    notes : sequence of str
        What was doubtful, or taken for granted.

    Returns
    -------
    dict
        Units in the key names.
    """
    servo, knob = design.servo, design.knob
    names = (("r_on", "ohm"), ("r_knob", "ohm"), ("r_off", "ohm"), ("c_timing", "f"))
    parts: dict[str, float] = {}
    for (name, unit), part in zip(names, design.parts, strict=True):
        parts[f"{name}_{unit}"] = part.value
        parts[f"{name}_tolerance"] = part.tolerance
    return {
        "supply_v": design.supply.value,
        "timer": design.timer.name,
        **parts,
        "r_on_trimmer_ohm": design.r_on_trimmer_ohm,
        "r_off_trimmer_ohm": design.r_off_trimmer_ohm,
        "diode": design.diode_model,
        "knob_travel_deg": knob.travel_deg,
        "knob_longer": knob.longer,
        "knob_taper": knob.taper,
        "servo_pulse_min_us": in_microseconds(servo.pulse_min_s),
        "servo_pulse_max_us": in_microseconds(servo.pulse_max_s),
        "servo_angle_min_deg": servo.angle_min_deg,
        "servo_angle_max_deg": servo.angle_max_deg,
        "pulse_min_us": in_microseconds(reach.pulse_s[0]),
        "pulse_max_us": in_microseconds(reach.pulse_s[1]),
        "pulse_low_us": in_microseconds(reach.likely_s[0]),
        "pulse_high_us": in_microseconds(reach.likely_s[1]),
        "period_min_us": in_microseconds(reach.period_s[0]),
        "period_max_us": in_microseconds(reach.period_s[1]),
        "safe_from_deg": None if reach.safe_deg is None else reach.safe_deg[0],
        "safe_to_deg": None if reach.safe_deg is None else reach.safe_deg[1],
        "past_low_stop": reach.past_low,
        "past_high_stop": reach.past_high,
        "notes": [*notes, *(text for _, text in design.warnings)],
    }
