"""How large a cause of movement is, in its own unit, and how far the pulse moves with it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from benchlog.diagnosis.separation.unrest import Contribution
from benchlog.diagnosis.words.amounts import digits, us
from benchlog.diagnosis.words.printed_commands import Bench
from benchlog.units import format_value

__all__ = [
    "Setting",
    "add_up",
    "is_slow",
    "lead_in",
    "tell_amount",
    "tell_change",
    "tell_outcome",
    "tell_size",
    "went_one_way",
]

_STILL = 0.25
"""A cause that leaves less than this much of the scatter leaves a pulse that holds still."""


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
    is_designed : bool
        Whether a design says what the channel is; sizes are rough where a usual one is assumed.
    pulse_s, period_s : float or None
        How far pulse and period scatter in all, seconds.
    rest_per_pulse : float or None
        How long the rest is beside the pulse.
    bench : Bench
        What the printed commands know of the channel.
    """

    travel_deg: float | None = None
    supply_v: float | None = None
    kelvin_per_v: float | None = None
    is_designed: bool = True
    pulse_s: float | None = None
    period_s: float | None = None
    rest_per_pulse: float | None = None
    bench: Bench = field(default_factory=Bench)

    def write(self, value: float) -> str:
        """Write the size of a cause: with one digit where a usual channel is assumed."""
        return digits(value, 2 if self.is_designed else 1)


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
        Such as ``0.31 V``; empty where it is not known. Of what went one way it is how far it
        went: its scatter would be a third of that, and the two figures beside each other read
        like a contradiction.
    """
    if one.size is None:
        return ""
    return tell_amount(one, (one.change or 0.0) if went_one_way(one) else one.size, setting)


def tell_amount(one: Contribution, amount: float, setting: Setting) -> str:
    """Write an amount of a cause in its unit, without its sign.

    Parameters
    ----------
    one : Contribution
        The cause, for its unit.
    amount : float
        How much of it.
    setting : Setting
        The channel.

    Returns
    -------
    str
        Such as ``2.7° of knob``.
    """
    size = abs(amount)
    figures = 2 if setting.is_designed else 1
    if one.unit == "share of the track":
        if setting.travel_deg is None:
            return f"{setting.write(100 * size)} % of the knob's turn"
        return f"{setting.write(size * setting.travel_deg)}° of knob"
    if one.unit == "share":
        return f"{setting.write(100 * size)} %"
    if one.unit == "K":
        return f"{setting.write(size)} °C"
    if one.unit == "S":
        return format_value(1.0 / size, "ohm", figures) if size > 0 else ""
    if one.unit == "V":
        # set beside its rounded self: 0.098 V is 98 mV with two digits, but 0.1 V with one
        is_small = float(f"{size:.{figures - 1}e}") < 0.1
        return f"{setting.write(1e3 * size)} mV" if is_small else f"{setting.write(size)} V"
    if one.unit == "ohm":
        return format_value(size, "ohm", figures) if size > 0 else "0 Ω"
    return f"{setting.write(size)} {one.unit}".rstrip()


def went_one_way(one: Contribution) -> bool:
    """Tell whether most of it is one way, from the recording's beginning to its end."""
    return one.change is not None and one.size is not None and abs(one.change) >= 1.5 * one.size


def is_slow(kinds: Sequence[Contribution]) -> bool:
    """Tell creep from jitter by what weighs more, all kinds of a cause together."""
    slow = add_up(kinds, "slow_pulse_rms_s") + 0.1 * add_up(kinds, "slow_period_rms_s")
    fast = add_up(kinds, "fast_pulse_rms_s") + 0.1 * add_up(kinds, "fast_period_rms_s")
    return slow > fast


def add_up(kinds: Sequence[Contribution], name: str) -> float:
    """Return what several independent movements make together, by the name of the figure."""
    return math.hypot(*(float(getattr(one, name)) for one in kinds))


def lead_in(one: Contribution, setting: Setting, before: str, after: str = "") -> str:
    """Return words around a size, nothing where the size is not known."""
    size = tell_size(one, setting)
    return f"{before}{size}{after}" if size else ""


def tell_change(one: Contribution, setting: Setting, name: str) -> str:
    """Say which way it went over the recording, where that is most of it.

    Parameters
    ----------
    one : Contribution
        The cause.
    setting : Setting
        The channel.
    name : str
        What it is called.

    Returns
    -------
    str
        A sentence with a space in front, or nothing.
    """
    if one.change is None or not went_one_way(one):
        return ""
    amount = tell_amount(one, one.change, setting)
    way = "higher" if one.change > 0 else "lower"
    return f" At the end {name} is some {amount} {way} than at the beginning." if amount else ""


def tell_outcome(
    kinds: Sequence[Contribution], setting: Setting, share: float = 0.0, what: str = "pulse"
) -> str:
    """Say what is seen once a cause is taken away.

    Parameters
    ----------
    kinds : sequence of Contribution
        All kinds of the cause.
    setting : Setting
        The channel, with how far it scatters in all.
    share : float
        The part of the movement that the cause makes, 0 to 1: it says what is left where causes
        that move against each other scatter more than both together.
    what : str
        'pulse' or 'cycle': which of the two is to be watched.

    Returns
    -------
    str
        ``the pulse holds still``, or, where other causes move it as well, ``the pulse's scatter
        falls from 8.5 to some 4.2 µs``.
    """
    total_s = setting.pulse_s if what == "pulse" else setting.period_s
    alone_s = add_up(kinds, "pulse_rms_s" if what == "pulse" else "period_rms_s")
    if not total_s:
        return f"the {what} holds still"
    left_s = math.sqrt(max(0.0, total_s**2 - alone_s**2))
    if alone_s > total_s and share > 0.0:
        left_s = total_s * math.sqrt(max(0.0, 1.0 - share))
    if left_s < _STILL * total_s:
        return f"the {what} holds still"
    before, after = us(total_s), us(left_s)
    if before == after:
        return f"the {what}'s scatter falls a little"
    return f"the {what}'s scatter falls from {before} to some {after}"
