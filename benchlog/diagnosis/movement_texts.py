"""Hum, pulls on the supply, and shares of the movement: for a beginner."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchlog.diagnosis.amounts import us
from benchlog.diagnosis.finding import Words
from benchlog.diagnosis.mains import MainsLine
from benchlog.diagnosis.steps import Episode, PeriodicLoad

__all__ = ["describe_mains", "tell_pulls", "tell_share"]


def tell_pulls(episodes: Sequence[Episode], load: PeriodicLoad | None) -> str:
    """Say when a supply is pulled, where that is seen in steps or to and fro.

    Parameters
    ----------
    episodes : sequence of Episode
        Steps with those that take them back.
    load : PeriodicLoad or None
        A movement to and fro.

    Returns
    -------
    str
        Sentences with a space in front; empty where neither is seen.
    """
    text = ""
    if episodes:
        longest = max(episodes, key=lambda one: one.length_s)
        largest = max(abs(one.on_s) for one in episodes)
        times = "once" if len(episodes) == 1 else f"{len(episodes)} times"
        text += (
            f" {times.capitalize()} the pulse jumps and comes back, by up to {us(largest)} and "
            f"for up to {longest.length_s:.1f} s, as when a servo starts and stops."
        )
    if load is not None:
        text += (
            f" It moves to and fro every {load.period_s:.2f} s, by ±{us(load.on_peak_s)}, as "
            "when a servo is driven to and fro."
        )
    return text


def describe_mains(lines: Sequence[MainsLine]) -> Words:
    """Describe hum from the mains.

    Parameters
    ----------
    lines : sequence of MainsLine
        What was found, strongest first.

    Returns
    -------
    Words
        The sentences.
    """
    next_step = (
        "Run the laptop from its battery with the charger unplugged, lay the leads away from "
        "mains leads and lamps, and record again: if the beat is gone, it was picked up there."
    )
    if not lines:
        return Words("Hum from the mains gets into the channel.", "It shows as a beat.", next_step)
    first = lines[0]
    hertz = f"{first.mains_hz:g} Hz"
    if first.harmonic > 1:
        hertz = f"{first.mains_hz * first.harmonic:g} Hz ({first.harmonic} times {hertz})"
    larger_s, name = max((first.on_peak_s, "pulse"), (first.off_peak_s, "rest of the cycle"))
    return Words(
        f"Hum from the mains gets into the channel, at {hertz}.",
        f"The channel meets the mains once a cycle, so that {hertz} shows as a beat of "
        f"{_hertz(abs(first.found_alias_hz))}. Just there the {name} swings by "
        f"±{us(larger_s)}, and it keeps the time of the mains.",
        next_step,
    )


def _hertz(value: float) -> str:
    return f"{value:.1f} Hz" if value >= 1.0 else f"{value:.2f} Hz"


_NEARLY_ALL = 0.9
_SHARES = (
    (0.95, "all"), (0.86, "nine tenths"), (0.72, "three quarters"), (0.62, "two thirds"),
    (0.42, "half"), (0.29, "a third"), (0.22, "a quarter"), (0.15, "a fifth"), (0.07, "a tenth"),
)  # fmt: skip


def tell_share(share: float, low: float, high: float) -> str:
    """Say a share in words and figures.

    Parameters
    ----------
    share, low, high : float
        0 to 1, and its 95 % interval.

    Returns
    -------
    str
        Such as ``about three quarters (74 %, 66 to 81 %)``.
    """
    if low >= _NEARLY_ALL:
        return f"nearly all (at least {math.floor(100 * low)} %)"
    name = next((f"about {name}" for least, name in _SHARES if share >= least), "a small part")
    return f"{name} ({100 * share:.0f} %, {100 * low:.0f} to {100 * high:.0f} %)"
