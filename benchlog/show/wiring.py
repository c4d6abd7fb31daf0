"""What a divider does, what a meter should read at it, and all of it as JSON."""

from __future__ import annotations

from typing import Any

from benchlog.channel.divider import (
    ACCIDENT_V,
    CABLE_F,
    PART_TOLERANCE,
    Divider,
    Span,
    meter_readings,
)
from benchlog.channel.input_kinds import OUTPUTS, SHARED_FACTS, Fact
from benchlog.channel.timer import FAMILIES
from benchlog.show.cautions import CAUTIONS
from benchlog.show.wiring_drawing import name_contacts, show_ohm
from benchlog.units import format_value

__all__ = ["divider_to_json", "level_rows", "list_facts", "meter_steps", "notes"]


def level_rows(divider: Divider) -> list[tuple[str, str]]:
    """Return what the divider does, as names and values.

    Parameters
    ----------
    divider : Divider
        The divider.

    Returns
    -------
    list of tuple
        For a table of two columns.
    """
    kind, level = divider.kind, divider.level_v
    full = f"full scale, taken as {_volts(kind.full_scale_v)} peak"
    return [
        ("timer's output", f"{divider.output_v:.3g} V high, of {divider.supply_v:g} V"),
        (
            "pulse at the input",
            f"{_volts(level.value)} peak ({_volts(level.low)} to {_volts(level.high)})",
        ),
        ("that is", f"{-divider.level_db:.1f} dB below {full}"),
        ("with no input", f"{_volts(divider.open_v)}"),
        (
            "source resistance",
            f"{show_ohm(divider.source_ohm)} before the input's {show_ohm(kind.load_ohm)}, which "
            f"takes {100 * divider.loading:.0f} % of the level",
        ),
        (
            "bandwidth",
            f"{format_value(divider.bandwidth_hz, 'Hz', 2)} with a metre of cable "
            f"({format_value(CABLE_F, 'F')}): either edge {divider.delay_s * 1e6:.2f} µs late, the "
            "width unchanged",
        ),
        (
            f"{ACCIDENT_V:g} V by mistake",
            f"{divider.accident_a * 1e3:.2f} mA at most into the input; "
            f"{_volts(divider.accident_v)} at the plug",
        ),
    ]


def _volts(volts: float) -> str:
    """Write a voltage with two digits or three."""
    return format_value(volts, "V", 2)


def notes(divider: Divider) -> list[str]:
    """Say what goes with this input: clamp, bias, coupling, the plug's contacts.

    Parameters
    ----------
    divider : Divider
        The divider.

    Returns
    -------
    list of str
        Sentences.
    """
    kind = divider.kind
    contacts = "; ".join(f"{name}: {use}" for name, use in kind.contacts)
    sentences = [
        *_supply_notes(divider),
        f"Plug, from the tip on: {contacts}.",
        *_clamp_notes(divider),
    ]
    if not kind.bias_v:
        return [*sentences, "No coupling capacitor: the input has one of its own."]
    bias = (
        f"The input feeds a microphone: about {kind.bias_v:g} V (up to {kind.bias_high_v:g} V) "
        f"through {show_ohm(kind.bias_ohm)}. Through the divider that becomes a steady "
        f"{divider.bias_plug_v:.2g} V at the plug and {divider.bias_a * 1e3:.2g} mA, which harms "
        "neither, and its resistor takes a part of the pulse, which is reckoned in above."
    )
    sentences.append(bias)
    if kind.lower_ohm is None:
        sentences.append(
            "No coupling capacitor: the input has one of its own, and a second would bend the "
            "pulse's top and its timing."
        )
    else:
        sentences += _headset_notes(divider)
    sentences.append(
        "Turn the gain low; turn boost, noise suppression, echo cancelling and automatic gain off."
    )
    return sentences


def _supply_notes(divider: Divider) -> list[str]:
    """Say that a timer is not made for its supply, where that is so."""
    timer = FAMILIES[divider.family]
    if timer.supply_min_v <= divider.supply_v <= timer.supply_max_v:
        return []
    return [
        f"A {timer.name} timer is made for {timer.supply_min_v:g} to {timer.supply_max_v:g} V: "
        f"at {divider.supply_v:g} V these figures may not hold."
    ]


def _clamp_notes(divider: Divider) -> list[str]:
    """Say what the clamp is for, or why there is none."""
    if divider.clamp_diodes:
        return [
            f"The clamp keeps the plug below {_volts(divider.loose_v)} if the "
            f"{show_ohm(divider.lower_ohm)} comes loose; without it that would be nearly "
            f"{divider.supply_v:g} V. It takes less than 1 % of the level. Not Schottky diodes: "
            "they leak at these voltages."
        ]
    loose_a = divider.supply_v / divider.series_ohm
    return [
        "No clamp diodes: the bias would make them conduct all the time and bend the pulse. "
        f"The {show_ohm(divider.series_ohm)} alone keeps the current harmless: "
        f"{loose_a * 1e3:.2f} mA at most if the {show_ohm(divider.lower_ohm)} comes loose."
    ]


def _headset_notes(divider: Divider) -> list[str]:
    """Say how the two orders of a headset plug are told apart, and why it is coupled directly."""
    low, high = divider.kind.lower_ohm or (0.0, 0.0)
    return [
        "No coupling capacitor: the socket looks for a steady current through a microphone; "
        f"{show_ohm(low)} to {show_ohm(high)} to ground pass for one, while a few hundred ohms "
        "would pass for a button and a capacitor for nothing plugged in.",
        "Two orders are in use. To tell yours: an empty plug, laptop on its battery, meter on "
        "direct volts, red lead on the sleeve, black on the second ring. About +2 V: the sleeve "
        "is the microphone, the second ring ground (the newer order, CTIA). About -2 V: the other "
        "way round (OMTP). Nothing: the socket takes no microphone; stop.",
        "Tip and first ring are outputs: nothing is connected to them.",
    ]


def meter_steps(divider: Divider, duty: tuple[float, float] | None) -> list[str]:
    """Say what a meter should read, step by step, before the plug goes in.

    Parameters
    ----------
    divider : Divider
        The divider.
    duty : tuple of float or None
        Shares of the period that the pulse takes, where the channel is known.

    Returns
    -------
    list of str
        Steps; each ends in what to do if not.
    """
    signal, ground = name_contacts(divider)
    steady, running, stop_v = meter_readings(divider, duty)
    series, lower = divider.series_ohm, divider.lower_ohm
    percent = f"{100 * PART_TOLERANCE:g} %"
    before = " (before the diodes are in)" if divider.clamp_diodes else ""
    return [
        f"All off, the plug in nothing. On ohms{before}: {show_ohm(series)} from the clip to the "
        f"{signal}, {show_ohm(lower)} from {signal} to {ground}, {show_ohm(series + lower)} from "
        f"the clip to the {ground}, each within {percent}. If not, stop.",
        f"On direct volts, from {signal} to {ground}, the timer off: 0 V, within "
        f"{_meter_volts(max(steady.value / 50, 0.001))}. If not, stop.",
        f"The clip on the supply's plus instead of pin 3: {_span(steady)}. If not, stop: a "
        "resistor is wrong.",
        f"Servo unplugged, the clip on pin 3, the timer on: the pulse's average, "
        f"{_meter_volts(running.low)} to {_meter_volts(running.high)}. If not, stop. Above "
        f"{_meter_volts(stop_v)}, or a minus sign: the resistors are exchanged, the lower one is "
        "loose, it is the wrong pin, or the output never falls. 0 V: the timer does not run.",
        "Only then the plug.",
    ]


def _span(span: Span) -> str:
    """Write a reading and its tolerance."""
    return f"{_meter_volts(span.value)} ({_meter_volts(span.low)} to {_meter_volts(span.high)})"


def _meter_volts(volts: float) -> str:
    """Write a voltage as a meter shows it."""
    if volts >= 1:
        return f"{volts:.2f} V"
    return f"{volts * 1e3:.0f} mV" if volts >= 0.01 else f"{volts * 1e3:.1f} mV"


def list_facts(divider: Divider) -> list[Fact]:
    """Return every figure that was assumed for a divider, and where it is from.

    Parameters
    ----------
    divider : Divider
        The divider.

    Returns
    -------
    list of Fact
        Those of the input, the timer and the rest.
    """
    return [*divider.kind.facts, *OUTPUTS[divider.family].facts, *SHARED_FACTS]


def divider_to_json(divider: Divider, duty: tuple[float, float] | None) -> dict[str, Any]:
    """Return a divider as JSON.

    Parameters
    ----------
    divider : Divider
        The divider.
    duty : tuple of float or None
        Shares of the period that the pulse takes, where the channel is known.

    Returns
    -------
    dict
        Units in the key names.
    """
    kind = divider.kind
    steady, running, stop_v = meter_readings(divider, duty)
    return {
        "supply_v": divider.supply_v,
        "timer": divider.family,
        "into": kind.name,
        "series_ohm": divider.series_ohm,
        "lower_ohm": divider.lower_ohm,
        "clamp": {"diode": "1N4148", "in_series": divider.clamp_diodes, "strings": 2}
        if divider.clamp_diodes
        else None,
        "coupling_capacitor_f": None,
        "output_v": divider.output_v,
        "level_v_peak": divider.level_v.value,
        "level_low_v_peak": divider.level_v.low,
        "level_high_v_peak": divider.level_v.high,
        "level_open_v_peak": divider.open_v,
        "full_scale_v_peak": kind.full_scale_v,
        "below_full_scale_db": -divider.level_db,
        "source_ohm": divider.source_ohm,
        "input_ohm": kind.load_ohm,
        "loading": divider.loading,
        "cable_f": CABLE_F,
        "bandwidth_hz": divider.bandwidth_hz,
        "accident": {
            "lead_v": ACCIDENT_V,
            "current_a": divider.accident_a,
            "plug_v": divider.accident_v,
        },
        "bias": {
            "input_v": kind.bias_v,
            "through_ohm": kind.bias_ohm,
            "plug_v": divider.bias_plug_v,
            "current_a": divider.bias_a,
        }
        if kind.bias_v
        else None,
        "contacts": [{"contact": name, "use": use} for name, use in kind.contacts],
        "meter": {
            "off_v": 0.0,
            "clip_on_supply_v": _span_to_json(steady),
            "running_v": _span_to_json(running),
            "stop_above_v": stop_v,
        },
        "steps": meter_steps(divider, duty),
        "notes": notes(divider),
        "cautions": list(CAUTIONS),
        "sources": [
            {"figure": fact.what, "source": fact.source, "status": fact.status}
            for fact in list_facts(divider)
        ],
    }


def _span_to_json(span: Span) -> dict[str, float]:
    """Return a figure and its range."""
    return {"value": span.value, "low": span.low, "high": span.high}
