"""The design file: what a channel should be, read strictly.

This is the room's front door: `parse_design` and, from the modules beside it, the
design's type and what can be predicted from it.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from benchlog.channel.diode import MODELS, NO_DIODE, TYPE_SPREAD, Diode
from benchlog.channel.entries import Entries, read_entries
from benchlog.channel.knob import Knob
from benchlog.channel.names import check_channel_name
from benchlog.channel.parts import DEFAULT_TOLERANCES, Part
from benchlog.channel.plan import Design, Limits
from benchlog.channel.prediction import (
    Band,
    PartEffect,
    Position,
    Sensitivity,
    build_circuit,
    first_order_band,
    part_effects,
    predict_cycle,
    predict_positions,
    sensitivity,
    tolerance_band,
    worst_band,
)
from benchlog.channel.servo import Servo
from benchlog.channel.servo_entries import SERVO_KEYS, read_servo
from benchlog.channel.timer import FAMILIES
from benchlog.errors import DesignError

__all__ = [
    "Band",
    "Design",
    "Limits",
    "PartEffect",
    "Position",
    "Sensitivity",
    "build_circuit",
    "check_channel_name",
    "first_order_band",
    "parse_design",
    "part_effects",
    "predict_cycle",
    "predict_positions",
    "sensitivity",
    "tolerance_band",
    "worst_band",
]

_TIMER_PARTS = ("r_on", "r_knob", "r_off", "c_timing")
_PARAMETERS = ("saturation_current", "emission", "series")
_KNOWN = {
    "": ("channel",),
    "supply": ("volts", "volts_tolerance"),
    "timer": ("family", *_TIMER_PARTS, *(f"{part}_tolerance" for part in _TIMER_PARTS)),
    "diode": ("model", *_PARAMETERS, "saturation_current_tolerance"),
    "knob": ("travel_deg", "longer", "taper", "dead_low_deg", "dead_high_deg", "contact_ohm"),
    "servo": SERVO_KEYS,
    "limits": ("deviation_us", "jitter_us", "period_percent"),
    "ambient": ("temperature_c",),
}
_RESISTOR_OHM = (0.1, 1e10)
_CAPACITOR_F = (1e-12, 0.1)
_TRIMMED = re.compile(r"(.*\S)\s*\+\s*trimmer\s+(\S.*)", re.DOTALL)
_US = 1e6


def parse_design(text: str, name: str, servos: Mapping[str, Servo] | None = None) -> Design:
    """Read the text of a design file.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        What to call the file in a message.
    servos : mapping of str to Servo, optional
        Measured servos, for a design that names one; a name is looked up only where it is used.

    Returns
    -------
    Design
        Checked; whether the circuit oscillates is told by `predict_cycle`.

    Raises
    ------
    DesignError
        Anything is wrong; the message names key, value and line.
    """
    entries = read_entries(text, name)
    entries.check_keys(_KNOWN)
    channel = entries.take("", "channel", example='"heron"')
    channel = entries.checked("", "channel", channel, check_channel_name)
    supply = Part(
        "supply",
        entries.take_value("supply", "volts", "V", (0.1, 60.0), example="6.0"),
        entries.take_fraction("supply", "volts_tolerance", DEFAULT_TOLERANCES["supply"]),
        "V",
    )
    family = entries.take_choice("timer", "family", tuple(FAMILIES), "ideal")
    r_on, r_on_trimmer_ohm = _read_resistor(entries, "r_on", "33k")
    r_off, r_off_trimmer_ohm = _read_resistor(entries, "r_off", "820k")
    diode, diode_model, diode_tolerance = _read_diode(entries)
    design = Design(
        channel=channel,
        supply=supply,
        timer=FAMILIES[family],
        r_on=r_on,
        r_knob=_read_part(entries, "r_knob", "ohm", (0.0, _RESISTOR_OHM[1]), "100k"),
        r_off=r_off,
        c_timing=_read_part(entries, "c_timing", "F", _CAPACITOR_F, "22n"),
        diode=diode,
        diode_model=diode_model,
        diode_tolerance=diode_tolerance,
        knob=_read_knob(entries),
        servo=read_servo(entries, servos),
        limits=_read_limits(entries),
        temperature_c=entries.take_number(
            "ambient", "temperature_c", (-55.0, 125.0), 27.0, example="27"
        ),
        r_on_trimmer_ohm=r_on_trimmer_ohm,
        r_off_trimmer_ohm=r_off_trimmer_ohm,
        text=text,
    )
    if entries.take("servo", "model", None) is not None:
        _check_whole(design, entries)
    return design


def _check_whole(design: Design, entries: Entries) -> None:
    """Refuse a servo's name that stands where its figures cannot take its place in a table."""
    try:
        is_whole = parse_design(design.whole_text, "").servo == design.servo
    except DesignError:
        is_whole = False
    if not is_whole:
        entries.refuse(
            "servo",
            "model",
            "servo.model stands in a way that cannot be followed",
            expected='a line [servo], and a line such as model = "lifter" below it',
            attempt="writing it so",
        )


def _quote(example: str) -> str:
    """Return an example as it stands in a file."""
    return f'"{example}"'


def _read_part(
    entries: Entries, key: str, unit: str, limits: tuple[float, float], example: str
) -> Part:
    """Read a timer part and its tolerance."""
    value = entries.take_value("timer", key, unit, limits, example=_quote(example))
    tolerance = entries.take_fraction("timer", f"{key}_tolerance", DEFAULT_TOLERANCES[key])
    return Part(key, value, tolerance, unit)


def _read_resistor(entries: Entries, key: str, example: str) -> tuple[Part, float]:
    """Read a resistor, with a trimmer in series where one is named."""
    raw: Any = entries.take("timer", key, example=_quote(example))
    trimmed = _TRIMMED.fullmatch(raw) if isinstance(raw, str) else None
    if trimmed is None:
        return _read_part(entries, key, "ohm", _RESISTOR_OHM, example), 0.0
    fixed_ohm, trimmer_ohm = (
        entries.read_value(
            "timer",
            key,
            raw,
            word,
            "ohm",
            _RESISTOR_OHM,
            example=_quote(f"{example} + trimmer 10k"),
        )
        for word in trimmed.groups()
    )
    tolerance = entries.take_fraction("timer", f"{key}_tolerance", DEFAULT_TOLERANCES[key])
    middle_ohm = fixed_ohm + trimmer_ohm / 2
    half_ohm = fixed_ohm * tolerance + trimmer_ohm / 2
    return Part(key, middle_ohm, half_ohm / middle_ohm, "ohm"), trimmer_ohm


def _read_diode(entries: Entries) -> tuple[Diode, str | None, float]:
    """Read the diode, its type's name if it has one, and the half-width of ln Is."""
    given = [one for one in _KNOWN["diode"][1:] if entries.take("diode", one, None) is not None]
    if not given:
        model = entries.take_choice("diode", "model", (*MODELS, "none"), "1N4148")
        if model == "none":
            return NO_DIODE, model, 0.0
        return MODELS[model], model, TYPE_SPREAD[model]
    model = entries.take("diode", "model", None)
    if model is not None:
        entries.refuse(
            "diode",
            given[0],
            f"diode.{given[0]} beside diode.model = {model!r}"[:120],
            expected="either a model or its parameters",
            attempt="a # before one of the two",
        )
    limits = {"saturation_current": (1e-18, 0.1), "emission": (0.5, 10.0), "series": (0.0, 1e5)}
    examples = {"saturation_current": '"2.52n"', "emission": "1.752", "series": '"0.568"'}
    units = {"saturation_current": "A", "emission": "", "series": "ohm"}
    current_a, emission, series_ohm = (
        entries.take_value("diode", key, units[key], limits[key], example=examples[key])
        for key in _PARAMETERS
    )
    tolerance = entries.take_fraction("diode", "saturation_current_tolerance", 0.0)
    return Diode(current_a, emission, series_ohm), None, float(np.log1p(tolerance))


def _read_knob(entries: Entries) -> Knob:
    """Read the knob."""
    travel_deg = entries.take_number("knob", "travel_deg", (1.0, 36000.0), example="270")
    dead = {
        key: entries.take_number("knob", key, (0.0, 36000.0), 0.0, example="0")
        for key in ("dead_low_deg", "dead_high_deg")
    }
    if sum(dead.values()) >= travel_deg:
        worse = max(dead, key=lambda key: dead[key])
        entries.refuse_value(
            "knob",
            worse,
            dead[worse],
            expected=f"dead stretches of less than the travel of {travel_deg:g} degrees in all",
            attempt="how far the knob turns at each stop before the pulse changes",
        )
    knob = Knob(
        travel_deg,
        dead_low_deg=dead["dead_low_deg"],
        dead_high_deg=dead["dead_high_deg"],
        contact_ohm=entries.take_value("knob", "contact_ohm", "ohm", (0.0, 1e9), 0.0, example="0"),
    )
    longer = entries.take_choice("knob", "longer", ("clockwise", "anticlockwise"), knob.longer)
    taper = entries.take_choice("knob", "taper", ("linear", "log"), knob.taper)
    return dataclasses.replace(knob, longer=longer, taper=taper)  # type: ignore[arg-type]


def _read_limits(entries: Entries) -> Limits:
    """Read what counts as right; all of it has defaults."""
    return Limits(
        entries.take_number("limits", "deviation_us", (1e-3, 1e5), 20.0, example="20") / _US,
        entries.take_number("limits", "jitter_us", (1e-3, 1e5), 4.0, example="4") / _US,
        entries.take_number("limits", "period_percent", (1e-6, 100.0), 1.0, example="1") / 100,
    )
