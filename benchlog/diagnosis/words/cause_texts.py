"""What a cause of jitter or creep is called, what shows it, and what to try: for a beginner."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from benchlog.diagnosis.finding import Words
from benchlog.diagnosis.separation.causes import MOST_KELVIN
from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.separation.unrest import Contribution
from benchlog.diagnosis.words.amounts import digits, us
from benchlog.units import format_value

__all__ = [
    "CAUSE_NAMES",
    "Setting",
    "describe_cause",
    "may_be_diode",
    "tell_size",
]


@dataclass(frozen=True, slots=True)
class Setting:
    """What the sentences need of the channel beside its movement.

    Attributes
    ----------
    travel_deg : float or None
        The knob's electrical travel, degrees, where a design says it.
    supply_v : float or None
        The supply, volts, where it is known.
    kelvin_per_v : float or None
        Degrees of the diode that move the pulse as a volt of the supply does.
    """

    travel_deg: float | None = None
    supply_v: float | None = None
    kelvin_per_v: float | None = None


_WITHIN = ("supply-on-end", "supply-off-end")
_UNPLUG = "Unplug every servo and other load from these cells and record again"
_HARDLY = 0.1
"""A pace that moves less than this much of what the other does is not worth a word."""

CAUSE_NAMES = {
    "wiper": "the knob's wiper",
    "supply": "the supply",
    "diode": "the diode's temperature",
    "capacitor": "the timing capacitor",
    "off-path": "the off side (r_off, or leakage there)",
    "threshold": "the voltages at which the timer switches",
    "mains": "hum from the mains",
}
"""Each cause of movement as a sentence names it."""


def tell_size(one: Contribution, setting: Setting) -> str:
    """Say how large a cause is, in its own unit.

    Parameters
    ----------
    one : Contribution
        The cause.
    setting : Setting
        The channel.

    Returns
    -------
    str
        Such as ``0.31 V``; empty where it is not known.
    """
    return "" if one.size is None else _amount(one, one.size, setting)


def _amount(one: Contribution, amount: float, setting: Setting) -> str:
    """Write an amount of a cause in its unit, without its sign."""
    size = abs(amount)
    if one.unit == "share of the track":
        if setting.travel_deg is None:
            return f"{digits(100 * size)} % of the knob's turn"
        return f"{digits(size * setting.travel_deg)}° of knob"
    if one.unit == "share":
        return f"{digits(100 * size)} %"
    if one.unit == "K":
        return f"{digits(size)} °C"
    if one.unit == "S":
        return format_value(1.0 / size, "ohm", 2) if size > 0 else ""
    if one.unit == "V":
        return f"{digits(1e3 * size)} mV" if size < 0.1 else f"{digits(size)} V"
    if one.unit == "ohm":
        return format_value(size, "ohm", 2) if size > 0 else "0 Ω"
    return f"{digits(size)} {one.unit}".rstrip()


def _went(one: Contribution) -> bool:
    """Tell whether most of it is one way, from the recording's beginning to its end."""
    return one.change is not None and one.size is not None and abs(one.change) >= 1.5 * one.size


def _is_slow(one: Contribution) -> bool:
    """Tell creep from jitter by what weighs more."""
    slow = one.slow_pulse_rms_s + 0.1 * one.slow_period_rms_s
    fast = one.fast_pulse_rms_s + 0.1 * one.fast_period_rms_s
    return slow > fast


def _lead(one: Contribution, setting: Setting, before: str, after: str = "") -> str:
    """Return words around a size, nothing where the size is not known.

    Of what went one way the size is how far it went: its scatter would be a third of that, and the
    two figures beside each other read like a contradiction.
    """
    size = tell_size(one, setting)
    if _went(one):
        size = _amount(one, one.change or 0.0, setting)
    return f"{before}{size}{after}" if size else ""


def _pace(kinds: Sequence[Contribution]) -> str:
    """Say how much of a cause creeps and how much jitters, all its kinds together."""
    slow, fast = _rms(kinds, "slow_pulse_rms_s"), _rms(kinds, "fast_pulse_rms_s")
    slow_period, fast_period = _rms(kinds, "slow_period_rms_s"), _rms(kinds, "fast_period_rms_s")
    name = "pulse"
    if slow_period + fast_period > 20 * (slow + fast):
        slow, fast, name = slow_period, fast_period, "period"
    text = f"This cause alone would make the {name} scatter by "
    if fast < _HARDLY * slow:
        return f"{text}{us(slow)}, nearly all of it slowly, over seconds."
    if slow < _HARDLY * fast:
        return f"{text}{us(fast)}, nearly all of it quickly, within a second or two."
    return (
        f"{text}{us(slow)} slowly, over seconds, and by {us(fast)} quickly, within a second or two."
    )


def _rms(kinds: Sequence[Contribution], name: str) -> float:
    return math.hypot(*(float(getattr(one, name)) for one in kinds))


def _ratio(direction: Direction | None) -> float | None:
    """Return how far the rest moves for a movement of the pulse, for a slow one."""
    if direction is None or direction.on_s + direction.next_on_s == 0:
        return None
    return (direction.off_s + direction.next_off_s) / (direction.on_s + direction.next_on_s)


def _wiper(one: Contribution, setting: Setting, direction: Direction | None) -> Words:
    size = _lead(one, setting, ", by some ")
    ratio = _ratio(direction)
    figure = f", {digits(abs(ratio))} µs for each µs" if ratio is not None else ""
    why = (
        f"What the pulse gains the rest of the cycle loses{figure}: only the place of the wiper "
        f"on its track does that."
    )
    if _is_slow(one):
        what = f"The knob does not stay where it is: its wiper moves slowly on the track{size}."
        return Words(
            what,
            why,
            "Fix the knob with a strip of tape and record again: if the pulse holds still, the "
            "knob was turned or slips; if not, the track is worn: fit another knob.",
        )
    what = f"The knob's wiper trembles on its track{size}."
    return Words(
        what,
        why,
        "Fix the knob with a strip of tape and record again: if the pulse holds still, the knob "
        "shook; if not, turn it to and fro over its whole travel twenty times to clean the "
        "track, and fit another knob if that does not help.",
    )


def _contact(one: Contribution, setting: Setting, direction: Direction | None) -> Words:
    size = _lead(one, setting, ", by some ")
    ratio = _ratio(direction)
    figure = f" {digits(abs(ratio))} times as far as the pulse" if ratio is not None else " far"
    return Words(
        "The contact between the knob's wiper and its track is bad: its resistance keeps "
        f"changing{size}.",
        f"The rest of the cycle moves{figure}, the same way, as a resistance in the wiper's lead "
        f"makes it.",
        "Unplug the servo and tap the knob lightly while you record: if the pulse jumps with the "
        "taps, it is the contact ('benchlog diagnose CHANNEL --on-the-beat --try tap' listens for "
        "it). Turning the knob to and fro over its whole travel twenty times often cleans "
        "it; else fit another knob.",
    )


def _supply(one: Contribution, setting: Setting, told: bool) -> Words:
    """Describe a supply that changes more slowly than the cycle."""
    volts = f"{setting.supply_v:.1f} V" if setting.supply_v else "its usual voltage"
    size = _lead(one, setting, ", by some ")
    why = (
        "The pulse moves while the rest of the cycle nearly stays, as with a supply that changes "
        "more slowly than the cycle."
    )
    if not _is_slow(one):
        return Words(
            f"The supply is pulled{size}: by another servo or load on the same cells.",
            why,
            f"{_UNPLUG}: if the pulse holds still, give the servos cells of their own, joined at "
            "the ground alone. 'benchlog diagnose CHANNEL --on-the-beat' tries one servo at a "
            "time.",
        )
    if told or may_be_diode(one, setting) is False:
        what = f"The supply creeps{size}."
        alike = "" if told else f" The diode would have to change{_warmth(one, setting)} for that."
    else:
        what = "The supply creeps, or the diode warms or cools"
        what += _lead(one, setting, ": ", " of supply would do it") + "."
        alike = f" A change of the diode's temperature{_warmth(one, setting)} looks alike."
    return Words(
        what,
        f"{why}{_change(one, setting, 'the supply')}{alike}",
        f"Hold the supply at {volts}, from fresh cells or an isolated bench supply, and record "
        "again: if the pulse holds still, it was the cells, or another servo that pulls on them"
        + (
            "."
            if told
            else "; if not, warm the diode with a fingertip ('benchlog diagnose CHANNEL "
            "--on-the-beat --try warm' leads through it) and see whether the pulse follows."
        ),
    )


def may_be_diode(one: Contribution, setting: Setting) -> bool | None:
    """Tell whether the diode's temperature could do what the supply seems to.

    Parameters
    ----------
    one : Contribution
        What the supply seems to do.
    setting : Setting
        The channel.

    Returns
    -------
    bool or None
        False where it is too fast or too much for a diode; None where its size is not known.
    """
    if not _is_slow(one):
        return False
    if one.size is None or setting.kelvin_per_v is None:
        return None
    return abs(one.size * setting.kelvin_per_v) < MOST_KELVIN


def _warmth(one: Contribution, setting: Setting) -> str:
    """Return what the diode's temperature would have to do in place of the supply."""
    if one.size is None or setting.kelvin_per_v is None:
        return ""
    amount = one.change if one.change is not None and _went(one) else one.size
    kelvin = abs(amount * setting.kelvin_per_v)
    return f" by some {digits(kelvin)} °C" if kelvin > 0 else ""


def _change(one: Contribution, setting: Setting, name: str) -> str:
    """Say which way it went over the recording, where that is most of it."""
    if one.change is None or not _went(one):
        return ""
    amount = _amount(one, one.change, setting)
    way = "higher" if one.change > 0 else "lower"
    return f" At the end {name} is some {amount} {way} than at the beginning." if amount else ""


def _supply_within(one: Contribution, setting: Setting, direction: Direction | None) -> Words:
    del direction
    return Words(
        "The supply is pulled within the cycle" + _lead(one, setting, ", by some ") + ": by "
        "another servo or load on the same cells, or through a long thin lead.",
        "Pulse and rest move as they do when the supply at the end of a pulse or of a rest is "
        "not what it was at its beginning.",
        f"{_UNPLUG}: if the pulse holds still, give the servos cells of their own, joined at the "
        "ground alone, or, with the power off, solder 100 nF and 470 µF (its minus to ground) "
        "across the timer's supply pins.",
    )


def _diode(one: Contribution, setting: Setting, direction: Direction | None) -> Words:
    del direction
    return Words(
        "The diode warms or cools" + _lead(one, setting, ", by some ") + ".",
        f"Pulse and rest move as the diode's temperature moves them.{_change_warm(one)}",
        "Put a scrap of foam or cloth over the diode and record again: if the pulse holds still, "
        "it was moving air or a warm part nearby; if not, feed the timer from fresh cells or an "
        "isolated bench supply and record once more.",
    )


def _change_warm(one: Contribution) -> str:
    if one.change is None or not _went(one):
        return ""
    way = "warmer" if one.change > 0 else "cooler"
    return f" At the end it is some {digits(abs(one.change))} °C {way} than at the beginning."


def _capacitor(one: Contribution, setting: Setting, direction: Direction | None) -> Words:
    del direction
    return Words(
        "The timing capacitor changes" + _lead(one, setting, ", by some ") + ": it warms, or it "
        "is of a kind that does not hold its value.",
        "Pulse and rest of the cycle move the same way and in the same proportion, as the "
        f"capacitor moves them.{_change(one, setting, 'it')}",
        "Hold a warm fingertip to the capacitor's body, not to its leads, while you record: if "
        "the pulse moves so again, it is the capacitor: fit a film capacitor, away from warm "
        "parts.",
    )


def _leak(one: Contribution, setting: Setting, direction: Direction | None) -> Words:
    del direction
    return Words(
        "Current leaks past the timing capacitor" + _lead(one, setting, ", as through some ") + ".",
        "The pulse grows a little while the rest of the cycle shrinks a lot, as leakage across "
        "the capacitor makes it.",
        "Power off, clean the board around the capacitor with alcohol, let it dry and record "
        "again: if the cycle holds still, it was dirt or damp; if not, fit another capacitor.",
    )


def _off_path(one: Contribution, setting: Setting, direction: Direction | None) -> Words:
    del direction
    return Words(
        "The off side of the circuit changes" + _lead(one, setting, ", by some ") + " of r_off: "
        "r_off itself, its joints, or leakage past it.",
        f"The rest of the cycle moves and the pulse stays.{_change(one, setting, 'it')}",
        "Power off, clean the board around r_off with alcohol, let it dry, solder r_off's joints "
        "again and record once more: if the rest of the cycle holds still, it was that; if not, "
        "fit another r_off.",
    )


def _threshold(one: Contribution, setting: Setting, direction: Direction | None) -> Words:
    del direction
    return Words(
        "The two voltages at which the timer ends the pulse and the rest tremble"
        + _lead(one, setting, ", by some ")
        + ": noise in the timer or at its pins, or a supply "
        "that is restless from cycle to cycle, which looks alike.",
        "A pulse that ends late is followed by a rest that is longer too, or a rest that ends "
        "late by a longer pulse, as such noise makes them.",
        "Power off, put 10 nF from the timer's control pin (pin 5) to ground and 100 nF across "
        "its supply pins, close to it, and record again: if the scatter falls, it was noise there; "
        "else feed the timer from fresh cells or an isolated bench supply, and then try another "
        "timer.",
    )


_DESCRIBERS: dict[str, Callable[[Contribution, Setting, Direction | None], Words]] = {
    "wiper": _wiper,
    "contact": _contact,
    "supply-on-end": _supply_within,
    "supply-off-end": _supply_within,
    "diode": _diode,
    "capacitor": _capacitor,
    "leak": _leak,
    "off-path": _off_path,
    "upper-level": _threshold,
    "lower-level": _threshold,
}


def describe_cause(
    one: Contribution,
    setting: Setting,
    direction: Direction | None = None,
    *,
    told: bool = False,
    kinds: Sequence[Contribution] = (),
) -> Words:
    """Describe a cause of movement.

    Parameters
    ----------
    one : Contribution
        The cause, by its kind; not ``mains``, which needs the line that was found.
    setting : Setting
        The channel.
    direction : Direction or None
        How the cause moves pulse and rest, for a figure in the sentence.
    told : bool
        Whether readings beside the recordings tell supply from diode.
    kinds : sequence of Contribution
        All kinds of movement of the same cause, whose scatter is told together; `one` alone if
        empty.

    Returns
    -------
    Words
        The sentences.
    """
    if one.kind == "supply":
        words = _supply(one, setting, told)
    else:
        words = _DESCRIBERS[one.kind](one, setting, direction)
    within = [each for each in kinds if each.kind in _WITHIN and each is not one]
    beside = ""
    if one.kind == "supply" and _rms(within, "period_rms_s") > one.period_rms_s:
        beside = " It is pulled within the cycle as well, which moves the rest too."
    return replace(words, why=f"{words.why}{beside} {_pace(kinds or (one,))}")
