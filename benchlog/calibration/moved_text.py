"""What moved, in a sentence or two: which way, which part fits, how big, how fast."""

from __future__ import annotations

import math

import numpy as np

from benchlog.calibration.difference import Difference, Observed
from benchlog.calibration.drift_pace import HORIZON_DAYS, Pace
from benchlog.calibration.moved import CauseFit, Choice
from benchlog.channel.plan import Design

__all__ = ["figure", "name_cause", "tell_moved", "tell_recorded_supply"]

_NAMES = {
    "capacitor": "the timing capacitor",
    "supply": "the supply",
    "r_on": "r_on",
    "r_off": "r_off",
    "r_knob": "the knob's track (r_knob)",
    "knob-end": "an end of the knob",
    "knob-shaft": "the knob turned on its shaft, or read from another zero",
    "temperature": "the temperature, or the diode",
    "contact": "the wiper's contact",
    "mark": "a mark that was set wrongly",
}


def name_cause(cause: str) -> str:
    """Return a cause in words, such as 'the timing capacitor'."""
    return _NAMES[cause]


def tell_moved(
    difference: Difference,
    chosen: Choice,
    pace: Pace | None,
    design: Design,
    later: Observed,
    earlier: Observed,
) -> str:
    """Say what moved.

    Parameters
    ----------
    difference : Difference
        The two sweeps.
    chosen : Choice
        The cause.
    pace : Pace or None
        How fast.
    design : Design
        For the limits.
    later, earlier : Observed
        The two sweeps, for what was read of the supply.

    Returns
    -------
    str
        One sentence, and more where causes cannot be told apart.
    """
    text = f"{_way(difference, chosen)}: {_size(difference, chosen.best, later, earlier)}"
    if chosen.second is not None:
        text += f"; besides, {_size(difference, chosen.second, later, earlier)}"
    text += f"{_speed(pace, design)}."
    if not chosen.explained:
        text += " That leaves more than chance does: look at single marks, or record them again."
    also = [name_cause(fit.cause) for fit in chosen.alike]
    if also:
        text += f" These marks do not tell that from {_either(also)}."
    if chosen.best.cause == "capacitor" and chosen.second is None:
        text += _capacitor_or_what(difference, chosen.best)
    return text


def _either(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def _way(difference: Difference, chosen: Choice) -> str:
    """Say how the pulses moved: all in proportion, all by as much, one end, or none."""
    effect = chosen.best.effect
    if chosen.second is not None:
        effect = effect + chosen.second.effect
    pulses = np.exp(difference.earlier_logs[:, 0])
    moved = pulses * np.expm1(effect[:, 0]) * 1e6
    k = int(np.argmax(np.abs(moved)))
    largest = float(moved[k])
    if abs(largest) < 1.0:
        rest = np.exp(difference.earlier_logs[:, 1]) * np.expm1(effect[:, 1]) * 1e6
        j = int(np.argmax(np.abs(rest)))
        word = "longer" if rest[j] > 0 else "shorter"
        return f"The pulses stay, the rest of the cycle is {abs(rest[j]):.0f} µs {word}"
    word = "longer" if largest > 0 else "shorter"
    low, high = float(np.min(moved)), float(np.max(moved))
    span = f"{abs(low):.0f} to {abs(high):.0f}" if low > 0 else f"{abs(high):.0f} to {abs(low):.0f}"
    if chosen.second is None and chosen.best.cause == "mark":
        return f"One mark alone has moved, by {largest:+.0f} µs at {difference.knob_deg[k]:g}°"
    is_one_way = low * high > 0
    if chosen.second is None and chosen.best.cause == "knob-end":
        which = "lower" if chosen.best.end == "low" else "upper"
        at = f"{difference.knob_deg[k]:g}°"
        return f"The {which} end of the knob has moved, by {largest:+.0f} µs at {at}"
    if is_one_way and np.ptp(moved) < 0.15 * abs(largest):
        return f"All pulses are {abs(float(np.mean(moved))):.0f} µs {word} (an offset)"
    share = np.expm1(effect[:, 0])
    if is_one_way and np.ptp(share) < 0.3 * float(np.max(np.abs(share))):
        return f"All pulses are {_percent(float(np.mean(share)))} % {word} ({span} µs)"
    if abs(low) < 0.15 * abs(largest) or abs(high) < 0.15 * abs(largest):
        where = f"{difference.knob_deg[k]:g}°"
        return (
            f"The knob's span has moved: pulses are up to {abs(largest):.0f} µs {word} at {where}"
        )
    return f"The pulses have moved by {low:+.0f} to {high:+.0f} µs"


def _percent(share: float) -> str:
    """Write a share with two figures, from 100 % on without decimals."""
    percent = abs(share) * 100.0
    return f"{percent:.0f}" if percent >= 9.95 else f"{percent:.2g}"


def _size(difference: Difference, fit: CauseFit, later: Observed, earlier: Observed) -> str:
    """Say which cause fits, and how big it is."""
    u = 2.0 * fit.u_amount
    if fit.cause in ("capacitor", "r_on", "r_off", "r_knob"):
        high = "higher" if fit.amount > 0 else "lower"
        share = abs(math.expm1(fit.amount)) * 100.0
        return f"{name_cause(fit.cause)} {figure(share, u * 100.0)} % {high} fits"
    if fit.cause == "supply":
        high = "higher" if fit.amount > 0 else "lower"
        volts = difference.supply_v * abs(math.expm1(fit.amount))
        text = f"a supply {figure(volts, u * difference.supply_v)} V {high} fits"
        if later.supply_v is None or earlier.supply_v is None:
            return f"{text}, and no meter reading says otherwise"
        return f"{text} (more than its recorded {earlier.supply_v:.4g} and {later.supply_v:.4g} V)"
    if fit.cause == "temperature":
        warm = "warmer" if fit.amount > 0 else "colder"
        return f"a diode {figure(abs(fit.amount), u)} °C {warm} than recorded fits, or another"
    if fit.cause == "contact":
        return f"the wiper's contact with {figure(fit.amount, u, sign=True)} Ω fits"
    degrees = f"{figure(abs(fit.amount), u)}°"
    if fit.cause == "knob-shaft":
        return f"the knob turned {degrees} on its shaft (or read from another zero) fits"
    if fit.cause == "mark":
        return f"the knob set {degrees} off at the mark of {fit.hinge_deg:g}° fits; take it again"
    first, last = difference.base.live_deg
    whole = fit.hinge_deg in (first, last)
    reach = "with the whole track" if whole else f"from {fit.hinge_deg:g}° on"
    return f"a track or pointer {degrees} off at that end, {reach}, fits"


def figure(value: float, u: float, *, sign: bool = False) -> str:
    """Write a value and what it may be off by, as many digits as that lets stand.

    Parameters
    ----------
    value : float
        The value.
    u : float
        What it may be off by, above 0; rounded up (JCGM 100:2008, 7.2.6).
    sign : bool
        Whether a plus is written.

    Returns
    -------
    str
        Such as ``1.48 ± 0.05``.
    """
    if not u > 0.0 or not math.isfinite(u):
        return f"{value:+.3g}" if sign else f"{value:.3g}"
    power = math.floor(math.log10(u))
    if u / 10.0**power < 2.0:
        power -= 1
    digits = max(-power, 0)
    off = math.ceil(u / 10.0**power - 1e-9) * 10.0**power
    return f"{value:{'+' if sign else ''}.{digits}f} ± {off:.{digits}f}"


def _speed(pace: Pace | None, design: Design) -> str:
    """Say how fast it goes, and when a limit is left."""
    if pace is None:
        return ""
    rate, u = pace.per_day_s * 1e6, 2.0 * pace.u_per_day_s * 1e6
    if abs(rate) < 1e-6 and u < 1e-6:
        return ""
    text = f"; {figure(rate, u, sign=True)} µs a day at {pace.knob_deg:g}°"
    if pace.tables > 2:
        text += f" (a straight line over {pace.tables} tables)"
    most = f"{design.limits.deviation_s * 1e6:g} µs from the design"
    name = {"deviation": most, "end-stop-low": "the servo's low stop"}.get(
        pace.limit or "", "the servo's high stop"
    )
    if pace.limit is None or pace.leaves_in_days is None:
        return f"{text}, no limit within a year at that pace" if abs(rate) > u else text
    if pace.leaves_in_days == 0.0:
        return f"{text}, at {pace.limit_deg:g}° already more than {name}"
    days = max(1, math.floor(pace.leaves_in_days))
    assert days <= HORIZON_DAYS
    counted = "a day" if days == 1 else f"{days} days"
    return f"{text}, past {name} at {pace.limit_deg:g}° in about {counted} at that pace"


def _capacitor_or_what(difference: Difference, fit: CauseFit) -> str:
    """Say what looks like the capacitor."""
    text = " The timer's two levels moved together would look the same"
    if abs(fit.amount) < 3.0 * difference.log_clock_u:
        return f"{text}, and so would another recorder's clock."
    return f"{text}; a recorder's clock cannot be that far off."


def tell_recorded_supply(
    difference: Difference, later: Observed, earlier: Observed, *, alone: bool
) -> str:
    """Say that the supply was recorded as another, and what that does.

    Parameters
    ----------
    difference : Difference
        The two sweeps.
    later, earlier : Observed
        The two sweeps.
    alone : bool
        Whether nothing else moved.

    Returns
    -------
    str
        A sentence or two.
    """
    assert later.supply_v is not None
    assert earlier.supply_v is not None
    volts = later.supply_v - earlier.supply_v
    word = "higher" if volts > 0 else "lower"
    shares = difference.supply_slope[:, 0] * (difference.log_supply or 0.0)
    moved = np.exp(difference.earlier_logs[:, 0]) * np.expm1(shares) * 1e6
    low, high = float(np.min(moved)), float(np.max(moved))
    if low < 0.0:
        low, high = high, low
    span = f"{low:+.0f} to {high:+.0f} µs"
    recorded = f"from {earlier.supply_v:.3g} to {later.supply_v:.3g} V"
    if alone:
        return (
            f"The supply moved the pulses, by {span}: it was recorded {abs(volts):.2g} V {word} "
            f"({recorded}). With that taken out nothing of the channel has changed."
        )
    return (
        f"The supply, recorded {abs(volts):.2g} V {word} ({recorded}), moved the pulses by {span} "
        "besides; that is taken out."
    )
