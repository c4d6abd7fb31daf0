"""What a battery's life does to a channel, in sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.outlook import Outlook, PastStop

__all__ = ["tell_battery"]


def tell_battery(outlook: Outlook) -> list[str]:
    """Tell what the supply does to the marks over a battery's life.

    Parameters
    ----------
    outlook : Outlook
        From `benchlog.channel.outlook.foretell`.

    Returns
    -------
    list of str
        One sentence or a few.
    """
    battery, design = outlook.battery, outlook.design
    volts = f"{design.supply.value:g} V"
    if battery.cell_count:
        begin = (
            f"{volts} is taken for {battery.text}: {battery.full_v:.3g} V fresh, "
            f"{battery.empty_v:.3g} V empty."
        )
    else:
        begin = (
            f"{volts} is taken for a regulated supply: {battery.empty_v:.3g} to "
            f"{battery.full_v:.3g} V."
        )
    sentences = [begin, _tell_marks(outlook)]
    least_v = design.timer.supply_min_v
    if battery.empty_v < least_v:
        sentences.append(
            f"Below {least_v:g} V {design.timer.name} timers are not made to work: change the "
            "cells before."
        )
    if moved := _tell_empty(outlook):
        sentences.append(moved)
    return sentences + [_tell_past(outlook, one) for one in _worst(outlook.past_stops)]


def _worst(past_stops: Sequence[PastStop]) -> list[PastStop]:
    """Return for each stop the end of the battery's life that drives the servo furthest past it."""
    low = [one for one in past_stops if one.stop == "low"]
    high = [one for one in past_stops if one.stop == "high"]
    return (
        sorted(low, key=lambda one: one.worst_s)[:1]
        + sorted(high, key=lambda one: -one.worst_s)[:1]
    )


def _tell_past(outlook: Outlook, past: PastStop) -> str:
    """Tell where a stop is passed at one end of the battery's life."""
    battery, travel_deg = outlook.battery, outlook.design.knob.travel_deg
    if battery.cell_count:
        begin = f"With the cells {'empty' if past.life == 'empty' else 'fresh'}"
    else:
        volts = battery.empty_v if past.life == "empty" else battery.full_v
        begin = f"At {volts:.3g} V"
    # rounded so that what is said to be past the stop is never less than it is
    from_deg, to_deg = math.floor(past.from_deg), math.ceil(past.to_deg)
    if past.from_deg <= 0.0 and past.to_deg >= travel_deg:
        where = "all over the knob's travel"
    elif past.to_deg >= travel_deg:
        where = f"from about {from_deg}° on"
    elif past.from_deg <= 0.0:
        where = f"up to about {to_deg}°"
    else:
        where = f"from about {from_deg}° to {to_deg}°"
    return (
        f"{begin} the pulse at knob {past.worst_deg:g}° is {past.worst_s * 1e6:.0f} µs: past the "
        f"servo's {past.stop} stop {where}."
    )


def _tell_marks(outlook: Outlook) -> str:
    """Tell from which supply to which the marks hold."""
    battery = outlook.battery
    low_v, high_v = outlook.holds_low_v, outlook.holds_high_v
    made = f"{'Marks' if low_v.size > 1 else 'A mark'} made at {outlook.design.supply.value:g} V"
    hold = "hold" if low_v.size > 1 else "holds"
    within = f"within {outlook.within_deg:g}° of arm"
    top_v = min(float(np.min(high_v)), battery.full_v)
    foot_v = float(np.max(low_v))
    if foot_v <= battery.empty_v and top_v >= battery.full_v:
        life = "for the whole life of the cells" if battery.cell_count else "over all of that"
        return f"{made} {hold} {within} {life}."
    foot_v = max(foot_v, battery.empty_v)
    text = f"{made} {hold} {within} from {_volts_down(top_v)} to {_volts_up(foot_v)} V"
    kindest = int(np.argmin(np.where(_is_free(outlook), low_v, np.inf)))
    if low_v[kindest] < foot_v - 0.1:
        best_v = max(float(low_v[kindest]), battery.empty_v)
        text += f"; at knob {outlook.positions[kindest].knob_deg:g}° to {_volts_up(best_v)} V"
    return f"{text}."


def _is_free(outlook: Outlook) -> NDArray[np.bool_]:
    """Return at which marks the arm could move as far as is allowed without meeting a stop."""
    servo = outlook.design.servo
    low_deg, high_deg = sorted((servo.angle_min_deg, servo.angle_max_deg))
    arm_deg = np.array([position.servo_deg for position in outlook.positions])
    near = outlook.within_deg
    return np.asarray((arm_deg - near >= low_deg) & (arm_deg + near <= high_deg))


def _volts_down(volts: float) -> str:
    """Write volts to a tenth, never more than they are."""
    return f"{np.floor(10 * volts + 1e-6) / 10:.1f}"


def _volts_up(volts: float) -> str:
    """Write volts to a tenth, never less than they are."""
    return f"{np.ceil(10 * volts - 1e-6) / 10:.1f}"


def _tell_empty(outlook: Outlook) -> str:
    """Tell how far off the arm is once the cells are empty; empty where it is not."""
    servo, battery = outlook.design.servo, outlook.battery
    if not battery.cell_count:
        return ""
    if not np.all(np.isfinite(outlook.empty_s)):
        return "The channel stops before the cells are empty."
    now = np.array([position.on_s for position in outlook.positions])
    off_deg = servo.angle_deg(outlook.empty_s) - servo.angle_deg(now)
    worst = int(np.argmax(np.abs(off_deg)))
    if abs(off_deg[worst]) <= outlook.within_deg:
        return ""
    more_us = 1e6 * float(outlook.empty_s[worst] - now[worst])
    return (
        f"With the cells empty the pulse at knob {outlook.positions[worst].knob_deg:g}° is "
        f"{abs(more_us):.0f} µs {'longer' if more_us > 0 else 'shorter'}, and the arm "
        f"{abs(float(off_deg[worst])):.0f}° off."
    )
