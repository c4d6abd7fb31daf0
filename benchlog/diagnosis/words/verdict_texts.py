"""What is said where nothing is wrong, and where it cannot be told: for a beginner."""

from __future__ import annotations

from dataclasses import dataclass

from benchlog.diagnosis.finding import Words
from benchlog.diagnosis.words.amounts import digits, us
from benchlog.diagnosis.words.cause_texts import CAUSE_NAMES

__all__ = [
    "Scatter",
    "capital",
    "describe_few",
    "describe_hidden",
    "describe_near_zero",
    "describe_rivals",
    "describe_short",
    "describe_steady",
    "describe_unknown",
]

_LEAST_US = 0.01
_LEAST_PERCENT = 0.001
RECORD_S = 60.0
"""The length of recording that is asked for."""

_PARTING = {
    frozenset(("capacitor", "off-path")): "Record at the knob's other end too: there the pulse "
    "is longer or shorter beside the rest, so that the two differ more",
    frozenset(("wiper", "supply")): "Record once more with the knob fixed by a strip of tape: "
    "what is left then is not the wiper",
    frozenset(
        ("threshold", "supply")
    ): "Record once more with the timer fed from fresh cells or an "
    "isolated bench supply: "
    "what is left then is the timer's own",
}


@dataclass(frozen=True, slots=True)
class Scatter:
    """How far pulse and period scatter beside what is allowed.

    Attributes
    ----------
    pulse_s, pulse_limit_s : float
        Standard deviation of the pulse and its limit, seconds.
    period_share, period_limit : float
        Of the period, as shares of it.
    """

    pulse_s: float
    pulse_limit_s: float
    period_share: float
    period_limit: float

    def __str__(self) -> str:
        """Write both in words, without a capital letter."""
        return (
            f"the pulse scatters by {_us(self.pulse_s)} (limit {self.pulse_limit_s * 1e6:g} µs), "
            f"the period by {_percent(self.period_share)} % (limit {100 * self.period_limit:.3g} %)"
        )


def _us(seconds: float) -> str:
    if seconds * 1e6 < _LEAST_US:
        return f"less than {_LEAST_US} µs"
    return us(seconds)


def _percent(share: float) -> str:
    percent = 100 * share
    return f"less than {_LEAST_PERCENT}" if percent < _LEAST_PERCENT else digits(percent)


def capital(text: str) -> str:
    """Return text with a capital letter in front."""
    return text[:1].upper() + text[1:]


def describe_steady(scatter: Scatter, cycle_to_cycle_s: float | None) -> Words:
    """Describe a channel that holds its limits.

    Parameters
    ----------
    scatter : Scatter
        How far it scatters.
    cycle_to_cycle_s : float or None
        How far adjacent periods differ, seconds.

    Returns
    -------
    Words
        The sentences.
    """
    adjacent = (
        "" if cycle_to_cycle_s is None else f"; adjacent periods differ by {_us(cycle_to_cycle_s)}"
    )
    return Words(
        "The pulse is steady: nothing here would make a servo jitter, creep or hit its stop.",
        f"{capital(str(scatter))}, creep included and the input's own noise taken out{adjacent}.",
        "If the servo still misbehaves, look beyond the pulse: try another servo; follow the "
        "ground from the servo to the timer, which must be one unbroken wire; hold a meter on "
        "direct volts to the servo's supply pins while it moves, where it should not fall by more "
        "than half a volt; and see with the meter that pin 3 (the output) gives pulses of nearly "
        "the supply, whose height a sound input cannot tell.",
    )


def describe_few(count: int) -> Words:
    """Describe a recording with next to no whole cycles."""
    return Words(
        "There is not enough to tell.",
        f"The recording holds {count} whole cycle{'s' * (count != 1)} that nothing spoils; even "
        "a rough figure needs ten, and a diagnosis some thousand.",
        f"Record {RECORD_S:.0f} s while the channel runs and the knob is left alone: benchlog "
        f"capture CHANNEL --at DEG --seconds {RECORD_S:.0f}.",
    )


def describe_short(scatter: Scatter, duration_s: float, looks_like: str | None) -> Words:
    """Describe a recording that is too short for what it should tell."""
    if looks_like is None:
        why = (
            f"In {duration_s:.1f} s {scatter}. That is within the limits, but what creeps shows "
            "only over a longer time."
        )
    else:
        why = (
            f"In {duration_s:.1f} s {scatter}. That is too much, and it looks like "
            f"{CAUSE_NAMES.get(looks_like, looks_like)}, but so short a stretch may deceive."
        )
    return Words(
        "There is not enough to tell: the recording is too short.",
        why,
        f"Record {RECORD_S:.0f} s with the knob left alone: benchlog capture CHANNEL --at DEG "
        f"--seconds {RECORD_S:.0f}.",
    )


def describe_hidden(floor_s: float, limit_s: float, signal_db: float | None = None) -> Words:
    """Describe a recording whose own noise hides what is sought."""
    if floor_s > limit_s or signal_db is None:
        why = (
            f"The input alone makes each pulse scatter by {_us(floor_s)}, more than the "
            f"{limit_s * 1e6:g} µs that the channel may."
        )
    else:
        why = (
            f"The pulse's step is only {10 ** (signal_db / 20):.0f} times the noise, where 30 "
            "times are enough: noise then moves edges, hides some and makes others."
        )
    return Words(
        "There is not enough to tell: the input's own noise hides the channel's.",
        why,
        "Turn the input's level up, or take a divider that gives more ('benchlog wire'), until "
        "'benchlog listen' calls the input good; then record again.",
    )


def describe_rivals(scatter: Scatter, leading: str, rival: str | None) -> Words:
    """Describe a movement that two causes explain about as well."""
    names = [CAUSE_NAMES.get(leading, leading)]
    if rival is not None:
        names.append(CAUSE_NAMES.get(rival, rival))
    both = " and ".join(names)
    pair = frozenset((leading, rival)) if rival is not None else frozenset((leading,))
    ask = _PARTING.get(
        pair,
        "Record at the knob's other end too, or several minutes at this one: there the causes "
        "move pulse and rest in other proportions",
    )
    return Words(
        f"The channel moves too much, but there is not enough to tell whether it is "
        f"{' or '.join(names)}.",
        f"{capital(str(scatter))}; {both} would move pulse and rest about alike here.",
        f"{ask}.",
    )


def describe_near_zero(
    scatter: Scatter, mains_hz: float, harmonic: int, change: float | None
) -> Words:
    """Describe a slow movement where hum would look slow too."""
    ask = (
        f"Turn the knob until the period is {abs(change):.1f} % "
        f"{'longer' if change > 0 else 'shorter'} and record again: hum from the mains then "
        "shows as a quick beat, true creep stays slow."
        if change
        else "Turn the knob a little and record again: hum from the mains then shows as a quick "
        "beat, true creep stays slow."
    )
    what = f"{mains_hz:g} Hz" if harmonic == 1 else f"{harmonic} times {mains_hz:g} Hz"
    return Words(
        "The channel creeps too much, but there is not enough to tell whether that is hum from "
        "the mains.",
        f"{capital(str(scatter))}. At this period {what} of the mains, which the channel meets "
        "once a cycle, would look like creep.",
        ask,
    )


def describe_unknown(scatter: Scatter, unexplained: float) -> Words:
    """Describe a movement that no known cause would make."""
    return Words(
        "The channel moves too much, and no cause that is known here would move pulse and rest "
        "like that.",
        f"{capital(str(scatter))}; {100 * unexplained:.0f} % of it fits no cause.",
        "Record at another knob position and for longer, with the servo unplugged; if it stays "
        "so, look for a loose joint by pressing on each part in turn while 'benchlog watch' "
        "runs.",
    )
