"""What is said where nothing is wrong, and where it cannot be told: for a beginner."""

from __future__ import annotations

from dataclasses import dataclass

from benchlog.channel.input_kinds import OUTPUTS
from benchlog.diagnosis.finding import Words
from benchlog.diagnosis.words.amounts import capital, digits, us
from benchlog.diagnosis.words.cause_texts import CAUSE_NAMES
from benchlog.diagnosis.words.printed_commands import Bench, print_capture
from benchlog.errors import MeasurementError

__all__ = [
    "Output",
    "Scatter",
    "capital",
    "describe_few",
    "describe_hidden",
    "describe_near_zero",
    "describe_rivals",
    "describe_short",
    "describe_steady",
    "describe_still",
    "describe_unknown",
]

_LEAST_US = 0.01
_LEAST_PERCENT = 0.001
_LOST_V = OUTPUTS["bipolar"].drop_v
"""How far a bipolar timer's output stays below its supply."""

_PARTING = {
    frozenset(("capacitor", "off-path")): "Record at the knob's other end too: there the pulse "
    "is longer or shorter beside the rest, so that the two differ more",
    frozenset(("wiper", "supply")): "Record once more with the knob held still by a strip of "
    "tape: what is left then is not the wiper",
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
    period_s : float
        The period, seconds; 0 where it is not known.
    """

    pulse_s: float
    pulse_limit_s: float
    period_share: float
    period_limit: float
    period_s: float = 0.0

    def __str__(self) -> str:
        """Write both in words, without a capital letter."""
        period = f"{_percent(self.period_share)} % (limit {100 * self.period_limit:.3g} %)"
        if self.period_s:
            period = (
                f"{_us(self.period_share * self.period_s)}, which is {_percent(self.period_share)} "
                f"% of it (limit {100 * self.period_limit:.3g} %)"
            )
        return (
            f"the pulse scatters by {_us(self.pulse_s)} (limit {self.pulse_limit_s * 1e6:g} µs), "
            f"the period by {period}"
        )


@dataclass(frozen=True, slots=True)
class Output:
    """What a meter on the timer's output should read.

    Attributes
    ----------
    duty : float
        The pulse as a share of the period.
    supply_v : float or None
        The supply, volts, where it is known.
    family : str or None
        The timer's family, where a design says it: ``bipolar`` pulses are less high.
    where : str
        With which knob position that holds.
    """

    duty: float
    supply_v: float | None = None
    family: str | None = None
    where: str = "here"

    def __str__(self) -> str:
        """Write it as a part of a sentence; a meter shows the average of the pulses."""
        if self.supply_v is None:
            return (
                f"it reads {digits(self.duty)} times the pulses' height {self.where}, which is "
                f"that of the supply, with a bipolar timer some {_LOST_V:g} V less"
            )
        full = f"{digits(self.duty * self.supply_v)} V"
        lower_v = max(0.0, self.supply_v - _LOST_V)
        lower = f"{digits(self.duty * lower_v)} V"
        if self.family == "bipolar":
            return (
                f"pulses of a bipolar timer's usual height ({lower_v:.1f} V, {_LOST_V:g} V below "
                f"the supply) read {lower} {self.where}"
            )
        text = f"pulses of full height ({self.supply_v:.1f} V) read {full} {self.where}"
        if self.family is None:
            text += f", those of a bipolar timer, some {_LOST_V:g} V less high, {lower}"
        return text


def _us(seconds: float) -> str:
    if seconds * 1e6 < _LEAST_US:
        return f"less than {_LEAST_US} µs"
    return us(seconds)


def _percent(share: float) -> str:
    percent = 100 * share
    return f"less than {_LEAST_PERCENT}" if percent < _LEAST_PERCENT else digits(percent)


def describe_steady(
    scatter: Scatter,
    cycle_to_cycle_s: float | None,
    output: Output | None = None,
    *,
    assumed: bool = False,
) -> Words:
    """Describe a channel that holds its limits.

    Parameters
    ----------
    scatter : Scatter
        How far it scatters.
    cycle_to_cycle_s : float or None
        How far adjacent periods differ, seconds.
    output : Output or None
        What a meter on the timer's output should read.
    assumed : bool
        Whether the servo's range is assumed, since nobody described the servo.

    Returns
    -------
    Words
        The sentences.
    """
    adjacent = (
        ""
        if cycle_to_cycle_s is None
        else f"; adjacent periods differ, as a rule, by {_us(cycle_to_cycle_s)}"
    )
    what = "The pulse is steady: nothing here would make a servo jitter, creep or hit its stop."
    if assumed:
        what = (
            "The pulse is steady, and inside 500 to 2500 µs, which is assumed for a servo that "
            "nobody described."
        )
    reading = "" if output is None else f": {output}"
    return Words(
        what,
        f"{capital(str(scatter))}, creep included and the input's own noise taken out{adjacent}.",
        "If the servo still misbehaves, look beyond the pulse: try another servo; follow the "
        "ground from the servo to the timer, which must be one unbroken wire; hold a meter on "
        "direct volts to the servo's supply pins while it moves, where it should not fall by more "
        "than half a volt; and hold the meter to pin 3 (the output), for the pulses' height, which "
        f"a sound input cannot tell{reading}.",
    )


def describe_few(count: int, bench: Bench | None = None) -> Words:
    """Describe a recording with next to no whole cycles."""
    return Words(
        "There is not enough to tell.",
        f"The recording holds {count} whole cycle{'s' * (count != 1)} that nothing spoils; even "
        "a rough figure needs ten, and a diagnosis some thousand.",
        "Record 60 s while the channel runs and the knob is left alone: "
        f"{print_capture(bench or Bench())}.",
    )


def describe_still(
    input_: int,
    absence: MeasurementError,
    edge_count: int,
    step_per_noise: float | None = None,
    bench: Bench | None = None,
) -> Words:
    """Describe an input on which no two pulses follow each other.

    Parameters
    ----------
    input_ : int
        Its number, from 1.
    absence : MeasurementError
        What it holds instead, and what to try.
    edge_count : int
        Edges that were found all the same.
    step_per_noise : float or None
        How far a step must stand out of the noise for pulses to be found; None where there is
        no noise, as in an edge list.
    bench : Bench, optional
        What is known of where it was recorded.

    Returns
    -------
    Words
        The sentences.
    """
    none = "" if edge_count else ", and not one edge was found"
    why = f"{absence.found}{none}."
    more = ""
    if step_per_noise is not None:
        why += (
            f" Pulses are found where their step is at least {step_per_noise:.0f} times the noise, "
            "and can be judged from 30 times on."
        )
        more = (
            " If the channel runs and its lead is right, turn the input's level up, or take a "
            "divider that gives more ('benchlog wire'), until 'benchlog listen' hears the pulse "
            "and calls the input good."
        )
    return Words(
        f"Input {input_} holds no pulses, so there is not enough to tell.",
        why,
        f"Try this: {absence.attempt}.{more} Then record 60 s: {print_capture(bench or Bench())}.",
    )


def describe_short(
    scatter: Scatter, duration_s: float, looks_like: str | None, bench: Bench | None = None
) -> Words:
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
        f"Record 60 s with the knob left alone: {print_capture(bench or Bench())}.",
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
