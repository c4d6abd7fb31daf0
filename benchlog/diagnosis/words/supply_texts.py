"""What is said of a supply that moves, and of the diode, which looks like it: for a beginner."""

from __future__ import annotations

from collections.abc import Sequence

from benchlog.diagnosis.finding import Words
from benchlog.diagnosis.separation.causes import MOST_KELVIN
from benchlog.diagnosis.separation.unrest import Contribution
from benchlog.diagnosis.words.amounts import digits
from benchlog.diagnosis.words.printed_commands import print_beat
from benchlog.diagnosis.words.sizes import (
    Setting,
    add_up,
    is_slow,
    lead_in,
    tell_amount,
    tell_change,
    tell_outcome,
    tell_size,
    went_one_way,
)

__all__ = [
    "describe_diode",
    "describe_supply",
    "describe_supply_within",
    "is_pulled",
    "may_be_diode",
]

_WITHIN = ("supply-on-end", "supply-off-end")
_PULLED_WITHIN = 0.5
"""A pull within the cycle that moves the pulse this much of what the slow part does is told."""
_STAYS = 0.1
"""A supply that falls by less than this much of what it should is not what moves the pulse."""
_UNPLUG = "Unplug every servo and other load from these cells and record again"


def is_pulled(kinds: Sequence[Contribution], *, jumps: bool = False) -> bool:
    """Tell a supply that a load pulls on from one that creeps.

    Parameters
    ----------
    kinds : sequence of Contribution
        All kinds of movement of the supply.
    jumps : bool
        Whether the pulse is seen to jump and come back, or to move to and fro.

    Returns
    -------
    bool
        True with such jumps, with a pull within the cycle, and with more quick than slow movement.
    """
    within = [one for one in kinds if one.kind in _WITHIN]
    beside = [one for one in kinds if one.kind not in _WITHIN]
    if jumps or not is_slow(kinds):
        return True
    if not within or not beside:
        return bool(within)
    return add_up(within, "pulse_rms_s") > _PULLED_WITHIN * add_up(beside, "pulse_rms_s")


def may_be_diode(one: Contribution, setting: Setting, *, pulled: bool | None = None) -> bool | None:
    """Tell whether the diode's temperature could do what the supply seems to.

    Parameters
    ----------
    one : Contribution
        What the supply seems to do.
    setting : Setting
        The channel.
    pulled : bool, optional
        Whether a load pulls on the supply, see `is_pulled`; by this movement alone if None.

    Returns
    -------
    bool or None
        False where it is too quick for a diode, or by the channel's design too much; None where
        that is not known.
    """
    if is_pulled((one,)) if pulled is None else pulled:
        return False
    if one.size is None or setting.kelvin_per_v is None or not setting.is_designed:
        return None
    return abs(one.size * setting.kelvin_per_v) < MOST_KELVIN


def describe_supply(
    one: Contribution,
    setting: Setting,
    kinds: Sequence[Contribution],
    share: float = 0.0,
    *,
    told: bool,
    pulled: bool,
) -> Words:
    """Describe a supply that changes more slowly than the cycle.

    Parameters
    ----------
    one : Contribution
        What it does to the cycle.
    setting : Setting
        The channel.
    kinds : sequence of Contribution
        All kinds of movement of the supply, this one among them.
    share : float
        The part of the movement that it makes, 0 to 1; 0 where that is not known.
    told : bool
        Whether readings beside the recordings tell supply from diode.
    pulled : bool
        Whether a load pulls on it, see `is_pulled`.

    Returns
    -------
    Words
        The sentences.
    """
    why = (
        "The pulse moves while the rest of the cycle nearly stays, as with a supply that changes "
        "more slowly than the cycle."
    )
    size = lead_in(one, setting, ", by some ")
    if pulled:
        within = [each for each in kinds if each.kind in _WITHIN]
        if add_up(within, "period_rms_s") > one.period_rms_s:
            why += " It is pulled within the cycle as well, which moves the rest too."
        return Words(
            f"The supply is pulled{size}: by a servo or another load on the same cells.",
            why,
            f"{_UNPLUG}: if {tell_outcome(kinds, setting, share)}, give the servos cells of their "
            "own, joined at the ground alone. To try one servo after the other: "
            f"{print_beat(setting.bench, 'neighbour')}.",
        )
    alone = told or may_be_diode(one, setting, pulled=False) is False
    if alone:
        what = f"The supply creeps{size}."
        alike = "" if told else f" The diode would have to change{_warmth(one, setting)} for that."
    else:
        what = "The supply creeps, or the diode warms or cools"
        what += lead_in(one, setting, ": ", " of supply would do it") + "."
        alike = f" A change of the diode's temperature{_warmth(one, setting)} looks alike."
    return Words(
        what,
        f"{why}{tell_change(one, setting, 'the supply')}{alike}",
        _read_the_supply(one, setting, alone=alone),
    )


def _read_the_supply(one: Contribution, setting: Setting, *, alone: bool) -> str:
    """Say what a meter on the supply should read, and what to do about it."""
    size = tell_size(one, setting)
    way = "changes"
    if went_one_way(one) and one.change is not None:
        way = "rises" if one.change > 0 else "falls"
    far = f" by some {size} from beginning to end" if way != "changes" else f" by some {size}"
    step = (
        "Hold a meter on direct volts to the timer's supply pins while you record again: if it "
        f"{way}{far if size else ''}, it is the supply: take fresh cells, and give the servos "
        "cells of their own"
    )
    if alone:
        return f"{step}."
    least = f"within {_tell_least(one, setting)}" if size else "as it is"
    return (
        f"{step}. If it stays {least}, it is the diode: warm it with a fingertip, with "
        f"{print_beat(setting.bench, 'warm')}, and see whether the pulse follows."
    )


def _tell_least(one: Contribution, setting: Setting) -> str:
    """Write the tenth part of what the supply would have to do."""
    amount = one.change if went_one_way(one) and one.change is not None else one.size or 0.0
    return tell_amount(one, float(f"{_STAYS * abs(amount):.0e}"), setting)


def _warmth(one: Contribution, setting: Setting) -> str:
    """Return what the diode's temperature would have to do in place of the supply."""
    if one.size is None or setting.kelvin_per_v is None:
        return ""
    amount = one.change if one.change is not None and went_one_way(one) else one.size
    kelvin = abs(amount * setting.kelvin_per_v)
    return f" by some {setting.write(kelvin)} °C" if kelvin > 0 else ""


def describe_supply_within(one: Contribution, setting: Setting, outcome: str) -> Words:
    """Describe a supply that is pulled within the cycle, and what is seen once it is not."""
    return Words(
        "The supply is pulled within the cycle"
        + lead_in(one, setting, ", by some ")
        + ": by a servo or another load on the same cells, or through a long thin lead.",
        "Pulse and rest move as they do when the supply at the end of a pulse or of a rest is "
        "not what it was at its beginning.",
        f"{_UNPLUG}: if {outcome}, give the servos cells of their own, joined "
        "at the ground alone, or, with the power off, solder 100 nF and 470 µF (its minus to "
        "ground) across the timer's supply pins.",
    )


def describe_diode(one: Contribution, setting: Setting, outcome: str) -> Words:
    """Describe a diode that warms or cools, and what is seen once it does not."""
    change = ""
    if one.change is not None and went_one_way(one):
        way = "warmer" if one.change > 0 else "cooler"
        change = f" At the end it is some {digits(abs(one.change))} °C {way} than at the beginning."
    return Words(
        "The diode warms or cools" + lead_in(one, setting, ", by some ") + ".",
        f"Pulse and rest move as the diode's temperature moves them.{change}",
        "Put a scrap of foam or cloth over the diode and record again: if "
        f"{outcome}, it was moving air or a warm part nearby; if not, feed "
        "the timer from fresh cells or an isolated bench supply and record once more.",
    )
