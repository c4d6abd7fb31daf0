"""What is said of channels that move each other: for a beginner."""

from __future__ import annotations

import math
from typing import Any

from benchlog.diagnosis.finding import Words
from benchlog.diagnosis.pair.common_supply import CommonMove
from benchlog.diagnosis.pair.neighbour import Coupling, Couplings

__all__ = ["describe_common", "describe_neighbour", "describe_turned", "neighbour_evidence"]


def describe_neighbour(one: Coupling, couplings: Couplings, source_input: int) -> Words:
    """Describe a channel that is moved by another one.

    Parameters
    ----------
    one : Coupling
        What moves it.
    couplings : Couplings
        All pairs of the recording.
    source_input : int
        Number of the input that the other channel is on.

    Returns
    -------
    Words
        The sentences.
    """
    size = one.size
    mutual = any(
        (other.source, other.target) == (one.target, one.source) for other in couplings.found
    )
    what = (
        f"The channel on input {source_input} moves this one through the supply they share"
        f"{', and this one moves it back' if mutual else ''}."
    )
    parts = []
    if abs(size.effect_s) > 2.0 * size.u_effect_s > 0.0:
        parts.append(
            f"While the neighbour's servo moves, this pulse changes by "
            f"{1e6 * size.effect_s:+.1f} ± {_us(2.0 * size.u_effect_s)}"
        )
        if size.supply_v:
            way = "fall" if size.supply_v < 0 else "rise"
            parts[-1] += f", as a {way} of the supply by {1e3 * abs(size.supply_v):.0f} mV would do"
        if size.delay_s is not None:
            parts[-1] += f", {1e3 * size.delay_s:.0f} ± {2e3 * size.u_delay_s:.0f} ms after it"
    if one.p_strokes < min(one.p_turns, one.p_restless):
        parts.append(
            "This pulse is longer or shorter according to where in the neighbour's cycle it falls, "
            "as the current of the neighbour's servo makes it"
        )
    if not parts:
        parts.append("This pulse follows the neighbour's movements")
    odds = 10000 if one.p_value < 1e-4 else round(1.0 / one.p_value)
    most = "less than " if one.p_value < 1e-4 else ""
    why = ". ".join(parts) + (
        f". By chance alone so close a match between the two channels would come {most}once in "
        f"{odds} recordings."
    )
    return Words(
        what,
        why,
        "Unplug the neighbour's servo and record again: if this pulse holds still, feed the servos "
        "from cells of their own, joined with these at the ground alone, with short thick leads.",
    )


def _us(seconds: float) -> str:
    value = math.ceil(abs(seconds) * 1e7 - 1e-9) / 10.0
    return f"{value:.1f} µs"


def describe_turned(travel_s: float, left: str) -> Words:
    """Describe a channel whose knob was turned, beside one that was watched.

    Parameters
    ----------
    travel_s : float
        By how much its pulse was changed, seconds.
    left : str
        How far it scatters beside that.

    Returns
    -------
    Words
        The sentences.
    """
    return Words(
        "The knob of this channel is turned during the recording, which is no fault.",
        f"Its pulse goes over {_span(travel_s)} as the knob turns; beside that {left}.",
        "To judge this channel by itself record it with its knob left alone.",
    )


def describe_common(one: CommonMove, other_input: int, words: Words, *, designed: bool) -> Words:
    """Describe a supply that moves two channels alike.

    Parameters
    ----------
    one : CommonMove
        What the two say of it.
    other_input : int
        Number of the input that the other channel is on.
    words : Words
        What this channel by itself says.
    designed : bool
        Whether both channels' designs are known: without them one digit is all that holds.

    Returns
    -------
    Words
        The sentences.
    """
    amount = abs(one.change_v) if one.went_one_way else one.spread_v
    size = _volts(amount, 2 if designed else 1)
    way = "creeps"
    if one.went_one_way:
        way = "falls" if one.change_v < 0 else "rises"
    return Words(
        f"The supply {way} by some {size}, for this channel and for the one on input "
        f"{other_input} alike.",
        f"{words.why} The channel on input {other_input} shows the same movement (correlation "
        f"{one.correlation:.2f}) and the same volts ({one.ratio:.2f} ± {2.0 * one.u_ratio:.2f} "
        "times as many): two diodes do not warm so alike.",
        "Hold a meter on direct volts to the timers' supply pins while you record again: if it "
        f"{way} by some {size}, take fresh cells, and give the servos cells of their own, joined "
        "with these at the ground alone.",
    )


def _volts(value: float, digits: int) -> str:
    """Write volts with so many digits."""
    shown = float(f"{value:.{digits - 1}e}")
    if shown < 0.1:
        return f"{1e3 * shown:.0f} mV"
    after = digits if shown < 1.0 else digits - 1
    return f"{shown:.{after}f} V" if shown < 10.0 else f"{shown:.0f} V"


def _span(seconds: float) -> str:
    """Write how far a pulse goes, two digits."""
    shown = float(f"{1e6 * seconds:.1e}")
    return f"{shown * 1e-3:.1f} ms" if shown >= 1000.0 else f"{shown:.0f} µs"


def neighbour_evidence(one: Coupling, source_input: int) -> dict[str, Any]:
    """Return the figures behind a coupling.

    Parameters
    ----------
    one : Coupling
        The coupling.
    source_input : int
        Number of the input that the other channel is on.

    Returns
    -------
    dict
        The figures.
    """
    size = one.size
    return {
        "source_input": source_input,
        "effect_us": round(1e6 * size.effect_s, 6),
        "u_effect_us": round(1e6 * size.u_effect_s, 6),
        "supply_v": size.supply_v,
        "u_supply_v": size.u_supply_v,
        "delay_s": size.delay_s,
        "u_delay_s": size.u_delay_s,
        "p_value": one.p_value,
        "coupling_log_odds": one.log_odds,
        "source_travel_us": round(1e6 * one.travel_s, 6),
    }
