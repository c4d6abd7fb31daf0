"""What a try on the beat is, and what its answer says, in words."""

from __future__ import annotations

from dataclasses import dataclass

from benchlog.channel.plan import Limits
from benchlog.diagnosis.finding import CANNOT_TELL, STEADY, Finding, Words, make_finding
from benchlog.diagnosis.trial.beat import FEWEST_ROUNDS, BeatResult

__all__ = ["TRIES", "Try", "describe_beat"]


@dataclass(frozen=True, slots=True)
class Try:
    """Something to be tried on the beat.

    Attributes
    ----------
    word : str
        What it is called.
    act, rest : str
        What the hand does, and what it does in between.
    ready : str
        What to prepare, and what to mind.
    cause : str
        The word of the findings if the pulse follows.
    kinds : tuple of str
        Ways of moving that speak for it.
    meaning : str
        What it means if the pulse follows.
    next_step : str
        What would confirm it.
    """

    word: str
    act: str
    rest: str
    ready: str
    cause: str
    kinds: tuple[str, ...]
    meaning: str
    next_step: str


TRIES: dict[str, Try] = {
    one.word: one
    for one in (
        Try(
            "neighbour",
            "turn the neighbour's knob to and fro",
            "hands off",
            "Leave this channel's knob alone; the neighbour's servo is plugged in, its arm off or "
            "free to turn.",
            "neighbour",
            ("supply", "diode"),
            "the neighbour's servo pulls the supply that both share",
            "Feed the neighbour's servo from cells of its own, grounds joined, and do the same "
            "again: if the pulse holds still, it was the shared supply.",
        ),
        Try(
            "tap",
            "tap the knob's body with a pencil, twice a second",
            "hands off",
            "Do not turn the knob. The servo is unplugged, so that it cannot start at a tap.",
            "wiper",
            ("wiper", "contact"),
            "something in or at the knob is loose: its wiper, or a joint",
            "Resolder the knob's three joints, and do the same again; if the pulse still follows, "
            "put another knob in.",
        ),
        Try(
            "warm",
            "warm the part with a fingertip",
            "take the finger away",
            "Battery or isolated low voltage only. Put a bit of tape on the part first: bare skin "
            "leads a little current, and that would count as well.",
            "diode",
            ("supply", "diode", "capacitor", "leak", "off-path"),
            "the part that was warmed moves the pulse",
            "Warm the parts beside it in the same way: the right one moves the pulse most.",
        ),
        Try(
            "supply",
            "load the supply, or lower it a little",
            "take the load away, or put it back",
            "A load that the cells can bear for some seconds, such as a small lamp: never a short "
            "circuit, cells can burn.",
            "supply",
            ("supply", "diode"),
            "the pulse goes with the supply",
            "Hold the supply at one value from a regulated source: if the pulse holds still, "
            "it was the supply.",
        ),
    )
}
"""What can be tried, by its word."""

_US = 1e6


def describe_beat(
    result: BeatResult, tried: str, *, input_: int = 1, limits: Limits | None = None
) -> Finding:
    """Put the answer into words and figures.

    Parameters
    ----------
    result : BeatResult
        The answer.
    tried : str
        Which of `TRIES`.
    input_ : int
        The input, from 1.
    limits : Limits, optional
        The channel's; the usual ones if None.

    Returns
    -------
    Finding
        With the cause of what was tried where the pulse follows; ``steady`` where it surely does
        not by as much as the limit, ``not-enough-to-tell`` else.
    """
    what = TRIES[tried]
    limit_s = (limits or Limits()).jitter_s
    if result.rounds < FEWEST_ROUNDS:
        words = Words(
            "That was too short to tell.",
            f"{result.rounds or 'No'} round{'s' * (result.rounds != 1)} of at least "
            f"{FEWEST_ROUNDS} {'was' if result.rounds == 1 else 'were'} heard.",
            "Do it once more, to its end.",
        )
        return make_finding(input_, CANNOT_TELL, words, "", _evidence(result, tried))
    if result.found:
        return _follows(result, what, input_)
    most_s = abs(result.effect_s) + 2.0 * result.u_effect_s
    chance = f"As clear an answer comes by chance {_often(result.p_value)}."
    if most_s <= limit_s:
        words = Words(
            "The pulse does not follow.",
            f"Whatever you did moves it by less than {most_s * _US:.1f} µs. {chance}",
            "Look elsewhere: benchlog diagnose with a recording of half a minute says where.",
        )
        return make_finding(input_, STEADY, words, "", _evidence(result, tried))
    words = Words(
        "It cannot be told whether the pulse follows.",
        f"It moves so much by itself that anything below {most_s * _US:.1f} µs is hidden. {chance}",
        "Do it again with more rounds (--rounds 16), and act more strongly.",
    )
    return make_finding(input_, CANNOT_TELL, words, "", _evidence(result, tried))


def _follows(result: BeatResult, what: Try, input_: int) -> Finding:
    """Say what it means that the pulse follows."""
    moved = (
        f"the pulse changes by {_plus_minus(result.effect_s, result.u_effect_s)} and the rest "
        f"after it by {_plus_minus(result.rest_effect_s, result.u_rest_effect_s)}"
    )
    if result.way == "restless":
        seen = (
            f"it scatters {result.scatter_ratio:.1f} times as much from pulse to pulse; on the "
            f"whole {moved}"
        )
    else:
        seen = f"{moved}, half of it within {result.delay_s:.1f} s"
    effect = result.effect
    meaning, cause = what.meaning, what.cause
    pointed = ""
    if result.way == "moves" and effect.kind is not None and effect.fits:
        if what.word == "warm" and effect.cause in ("capacitor", "off-path", "diode"):
            cause = effect.cause
        also = " or ".join(_NAMES.get(one, one) for one in (effect.cause, *effect.rivals) if one)
        pointed = f" Pulse and rest move as {also} would move them."
        if effect.kind not in what.kinds and not set(effect.rivals) & _causes_of(what):
            meaning = (
                "the pulse follows, but not in the way expected: see that nothing else is touched "
                "or moved on the beat"
            )
    words = Words(
        f"The pulse follows what you do: {meaning}.",
        f"While you act, {seen}.{pointed}",
        what.next_step,
    )
    sure = (
        f"Surely: with beats in another order as clear an answer comes {_often(result.p_value)}, "
        f"and there were {result.rounds} rounds."
    )
    return make_finding(input_, cause, words, sure, _evidence(result, what.word))


_NAMES = {
    "wiper": "the knob's wiper",
    "supply": "the supply",
    "diode": "the diode's temperature",
    "capacitor": "the timing capacitor",
    "off-path": "the off side of the circuit",
}


def _causes_of(what: Try) -> set[str]:
    return {"wiper" if kind == "contact" else kind for kind in what.kinds}


def _often(p_value: float) -> str:
    """Say how often something comes by chance."""
    if p_value >= 0.095:
        return f"{round(10 * p_value)} times in 10"
    return f"{max(1, round(1000 * p_value))} times in 1000" if p_value < 0.0995 else "often"


def _plus_minus(value_s: float, u_s: float) -> str:
    return f"{value_s * _US:+.1f} ± {2.0 * u_s * _US:.1f} µs"


def _evidence(result: BeatResult, tried: str) -> dict[str, float | str | list[str] | None]:
    return {
        "tried": tried,
        "rounds": result.rounds,
        "p_value": round(result.p_value, 5),
        "way": result.way,
        "effect_us": round(result.effect_s * _US, 3),
        "u_effect_us": round(result.u_effect_s * _US, 3),
        "rest_effect_us": round(result.rest_effect_s * _US, 3),
        "u_rest_effect_us": round(result.u_rest_effect_s * _US, 3),
        "delay_s": round(result.delay_s, 2),
        "scatter_ratio": round(result.scatter_ratio, 3),
        "moves_like": result.effect.cause,
        "or_like": list(result.effect.rivals),
    }
