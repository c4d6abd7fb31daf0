"""What a try on the beat is, and what its answer says, in words."""

from __future__ import annotations

from dataclasses import dataclass

from benchlog.channel.plan import Limits
from benchlog.diagnosis.finding import CANNOT_TELL, STEADY, Finding, Words, make_finding
from benchlog.diagnosis.separation.beat_likeness import Effect
from benchlog.diagnosis.trial.beat import BeatResult
from benchlog.diagnosis.trial.beats import FEWEST_ROUNDS
from benchlog.diagnosis.words.amounts import capital, tell_times, us, us_with_u

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
    moves_so : str
        How such a thing moves the pulse, after "not".
    meaning : str
        What it means if the pulse follows.
    loses : str
        What it means if pulses are lost on the beat.
    loses_cause : str or None
        The word of the findings then; None where it is only known that they are lost.
    next_step : str
        What would confirm it.
    """

    word: str
    act: str
    rest: str
    ready: str
    cause: str
    kinds: tuple[str, ...]
    moves_so: str
    meaning: str
    loses: str
    loses_cause: str | None
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
            "as a pulled supply moves it",
            "the neighbour's servo pulls the supply that both share",
            "the neighbour's servo pulls the supply that both share too far down",
            "supply",
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
            "as a loose knob moves it",
            "something in or at the knob is loose: its wiper, or a joint",
            "something in or at the knob is loose: its wiper, or a joint",
            "wiper",
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
            "as a part that gets warm moves it",
            "the part that was warmed moves the pulse",
            "a joint at the part that was touched is loose, or the finger leads a current",
            None,
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
            "as a falling supply moves it",
            "the pulse goes with the supply",
            "the supply falls too far with the load on it",
            "supply",
            "Feed the timer from fresh cells or an isolated bench supply: if the pulse holds "
            "still, it was the supply.",
        ),
    )
}
"""What can be tried, by its word."""

_US = 1e6
_P_SEEMS = 0.05
_FEW_LOST = 3
"""So many pulses lost or split are no accident."""

_NEXT_TRY = {
    "wiper": "tap",
    "supply": "supply",
    "diode": "warm",
    "capacitor": "warm",
    "off-path": "warm",
}

_NAMES = {
    "wiper": "the knob's wiper",
    "supply": "the supply",
    "diode": "the diode's temperature",
    "capacitor": "the timing capacitor",
    "off-path": "the off side of the circuit",
}


def describe_beat(
    result: BeatResult,
    tried: str,
    *,
    input_: int = 1,
    limits: Limits | None = None,
    dead_band_s: float | None = None,
    ceased_s: float | None = None,
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
    dead_band_s : float, optional
        By how much a pulse must change until its servo answers, seconds.
    ceased_s : float, optional
        When the pulses ceased for good, although the recording went on, seconds from its start.

    Returns
    -------
    Finding
        With the cause of what was tried where the pulse follows; ``steady`` where it surely does
        not by as much as the limit, ``missing-pulse`` or ``extra-edge`` where such events are many
        and not on the beat, ``not-enough-to-tell`` else.
    """
    what = TRIES[tried]
    limit_s = (limits or Limits()).jitter_s
    figures = _evidence(result, tried, ceased_s)
    if result.rounds < FEWEST_ROUNDS:
        return _too_short(result, input_, ceased_s, figures)
    ceased = f" The pulses ceased after {ceased_s:.0f} s." if ceased_s is not None else ""
    if result.found:
        return _follows(result, what, input_, min(limit_s, dead_band_s or limit_s), ceased, figures)
    if result.lost_act + result.lost_rest >= _FEW_LOST:
        words = Words(
            "Pulses are lost or split, but not on the beat.",
            f"{result.lost_act} while you acted, {result.lost_rest} at rest.{ceased}",
            "Look at the recording without its beats: benchlog diagnose with its name says what "
            "loses them.",
        )
        return make_finding(input_, _kind_of_loss(result), words, "", figures)
    most_s = abs(result.effect_s) + 2.0 * result.u_effect_s
    if most_s <= limit_s:
        seems = result.p_value < _P_SEEMS
        lost = result.lost_act + result.lost_rest
        few = f" Lost or split pulses: {lost}, too few to tell more." if lost else ""
        words = Words(
            f"The pulse does not follow{' by as much as matters' if seems else ''}.",
            f"Whatever you did moves it by less than {us(most_s)}. {_chance(result)}{few}{ceased}",
            "Look elsewhere: benchlog diagnose with a recording of half a minute says where.",
        )
        return make_finding(input_, STEADY, words, "", figures)
    longer = f"longer beats (--slot {_longer(result.slot_s):g})"
    if result.p_value < _P_SEEMS:
        words = Words(
            f"The pulse seems to follow, but not surely (chance does that "
            f"{_often(result.p_value)}).",
            f"It may move by as much as {us(most_s)}.{ceased}",
            f"Do it again with {longer}.",
        )
    else:
        words = Words(
            "It cannot be told whether the pulse follows.",
            f"It moves so much by itself that anything below {us(most_s)} is hidden. "
            f"{_chance(result)}{ceased}",
            f"Do it again with {longer} or more rounds (--rounds 16), and act more strongly.",
        )
    return make_finding(input_, CANNOT_TELL, words, "", figures)


_Figures = dict[str, float | str | list[str] | None]


def _too_short(
    result: BeatResult, input_: int, ceased_s: float | None, figures: _Figures
) -> Finding:
    """Say that too little was heard, and why."""
    rounds = f"{result.rounds or 'No'} round{'s' * (result.rounds != 1)}"
    heard = f"{rounds} of at least {FEWEST_ROUNDS} {'was' if result.rounds == 1 else 'were'} heard"
    if ceased_s is not None:
        words = Words(
            f"The pulses ceased after {ceased_s:.0f} s.",
            f"{heard} until then.",
            "See that the channel is on, and its output pin joined to the input; then do it again.",
        )
        return make_finding(input_, "missing-pulse", words, "", figures)
    words = Words("That was too short to tell.", f"{heard}.", "Do it once more, to its end.")
    return make_finding(input_, CANNOT_TELL, words, "", figures)


def _follows(
    result: BeatResult,
    what: Try,
    input_: int,
    least_s: float,
    ceased: str,
    figures: _Figures,
) -> Finding:
    """Say what it means that the pulse follows."""
    sure = (
        f"Surely: by chance alone that happens {_often(result.p_value)}, and there were "
        f"{result.rounds} rounds."
    )
    lost = f"{result.lost_act} pulses are lost or split while you act, {result.lost_rest} at rest"
    if result.way == "events":
        words = Words(
            f"Pulses are lost or split while you act. {capital(what.loses)}.",
            f"{lost}.{ceased}",
            what.next_step,
        )
        cause = what.loses_cause or _kind_of_loss(result)
        return make_finding(input_, cause, words, sure, figures)
    besides = f" Besides, {lost}." if result.lost_act + result.lost_rest else ""
    moved = (
        f"the pulse changes by {us_with_u(result.effect_s, result.u_effect_s)} and the rest "
        f"after it by {us_with_u(result.rest_effect_s, result.u_rest_effect_s)}"
    )
    if result.way == "restless":
        why = (
            f"While you act, it scatters {result.scatter_ratio:.1f} times as much from pulse to "
            f"pulse; on the whole {moved}.{besides}{ceased}"
        )
        words = Words(f"The pulse follows what you do: {what.meaning}.", why, what.next_step)
        return make_finding(input_, what.cause, words, sure, figures)
    why = f"While you act, {moved}, half of it within {result.delay_s:.1f} s."
    effect = result.effect
    # a bad contact hardly moves the pulse, and is a fault however little it does today
    is_small = abs(result.effect_s) + 2.0 * result.u_effect_s <= least_s
    if is_small and not besides and effect.kind != "contact":
        words = Words(
            f"It does, by {us(abs(result.effect_s))}: too little to move the arm.",
            f"{why}{ceased}",
            "Look elsewhere: benchlog diagnose with a recording of half a minute says where.",
        )
        return make_finding(input_, STEADY, words, sure, figures)
    return _moves(result, what, input_, f"{why}{besides}{ceased}", sure, figures)


def _moves(
    result: BeatResult, what: Try, input_: int, why: str, sure: str, figures: _Figures
) -> Finding:
    """Say what moves the pulse, as far as the way that it moves tells."""
    effect = result.effect
    if what.word == "supply" and result.effect_s < -2.0 * result.u_effect_s:
        words = Words(
            "Something else changed: with a lower supply the pulse gets longer, and it got "
            "shorter.",
            why,
            "See with the meter that the supply falls while you act, and that nothing else is "
            "touched on the beat; then do it again.",
        )
        maybe = f"Maybe the supply, but it rose. The pulse follows surely: {sure[8:]}"
        return make_finding(input_, what.cause, words, maybe, figures)
    cause = what.cause
    if effect.kind is None or effect.cause is None or not effect.fits:
        words = Words(f"The pulse follows what you do: {what.meaning}.", why, what.next_step)
        return make_finding(input_, cause, words, sure, figures)
    also = " or ".join(_NAMES.get(one, one) for one in (effect.cause, *effect.rivals))
    if effect.kind not in what.kinds and not set(effect.rivals) & _causes_of(what):
        words = Words(
            f"The pulse follows what you do, but not {what.moves_so}: more like {also}. See that "
            "nothing else is touched on the beat.",
            why,
            f"Do it again with --try {_NEXT_TRY.get(effect.cause, 'supply')}.",
        )
        maybe = f"Maybe {also}. The pulse follows surely: {sure[8:]}"
        return make_finding(input_, effect.cause, words, maybe, figures)
    if what.word == "supply" and result.effect_s <= 2.0 * result.u_effect_s:
        sure = f"Maybe: the pulse itself hardly gets longer. It follows surely: {sure[8:]}"
    if what.word == "warm" and effect.cause in ("capacitor", "off-path", "diode"):
        cause = effect.cause
    words = Words(
        f"The pulse follows what you do: {what.meaning}.",
        f"{why} Pulse and rest move as {also} would move them.",
        what.next_step,
    )
    return make_finding(input_, cause, words, sure, figures)


def _causes_of(what: Try) -> set[str]:
    return {"wiper" if kind == "contact" else kind for kind in what.kinds}


def _kind_of_loss(result: BeatResult) -> str:
    """Return the word of the findings for pulses that are lost or split."""
    return "extra-edge" if result.lost_kind == "extra-edge" else "missing-pulse"


def _longer(slot_s: float) -> float:
    """Return the length of beats to be tried next."""
    return 4.0 if slot_s < 4.0 else float(round(1.5 * slot_s))


def _chance(result: BeatResult) -> str:
    """Say how much chance has to do with it where the pulse does not follow."""
    if result.p_value < _P_SEEMS:
        return f"Chance does that {_often(result.p_value)}."
    return "Nothing but chance is needed for that."


def _often(p_value: float) -> str:
    """Say how often something comes by chance."""
    return f"{tell_times(max(1, round(1000 * p_value)))} in 1000"


def _evidence(result: BeatResult, tried: str, ceased_s: float | None) -> _Figures:
    # what does not move has no way of moving
    effect = result.effect if result.way == "moves" else Effect()
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
        "moves_like": effect.cause,
        "or_like": list(effect.rivals),
        "lost_acting": result.lost_act,
        "lost_resting": result.lost_rest,
        "ceased_s": None if ceased_s is None else round(ceased_s, 2),
    }
