"""Hum, and pulls on the supply: for a beginner."""

from __future__ import annotations

from collections.abc import Sequence

from benchlog.diagnosis.finding import Words
from benchlog.diagnosis.series.mains import MainsLine
from benchlog.diagnosis.series.steps import Episode, PeriodicLoad
from benchlog.diagnosis.words.amounts import tell_times, us

__all__ = ["describe_mains", "tell_pulls"]


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
        times = tell_times(len(episodes))
        text += (
            f" The pulse jumps and comes back {times}, by up to {us(largest)} and for up to "
            f"{longest.length_s:.1f} s, as when a servo starts and stops."
        )
    if load is not None:
        text += (
            f" The pulse moves to and fro every {load.period_s:.2f} s, by {us(load.on_peak_s)} "
            "either way, as when a servo is driven to and fro."
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
        "mains leads and lamps, and record again: if the beat is gone, it was picked up there. "
        "Touch and open nothing that is plugged into the mains."
    )
    if not lines:
        return Words(
            "Hum from the mains gets into the channel.",
            "Pulse and rest swing to and fro in the mains' own time.",
            next_step,
        )
    first = lines[0]
    hertz = f"{first.mains_hz:g} Hz"
    if first.harmonic > 1:
        hertz = f"{first.mains_hz * first.harmonic:g} Hz ({first.harmonic} times {hertz})"
    larger_s, name = max((first.on_peak_s, "pulse"), (first.off_peak_s, "rest of the cycle"))
    return Words(
        f"Hum from the mains gets into the channel, at {hertz}.",
        f"The channel meets the mains once a cycle, so that {hertz} shows as a beat: a swing to "
        f"and fro {_pace(abs(first.found_alias_hz))}. The {name} swings just that fast, by "
        f"{us(larger_s)} either way, in step with the mains.",
        next_step,
    )


def _pace(value: float) -> str:
    if value < 0.95:
        return f"every {1.0 / value:.1f} s" if value > 0 else "very slowly"
    return f"{value:.1f} times a second"
