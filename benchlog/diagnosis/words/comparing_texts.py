"""What a comparison of stages says, in words."""

from __future__ import annotations

from dataclasses import replace

from benchlog.channel.plan import Limits
from benchlog.diagnosis.finding import CANNOT_TELL, STEADY, Finding, Words, make_finding
from benchlog.diagnosis.trial.comparing import Comparison, Difference, StageFigures

__all__ = ["STAGE_WORDS", "describe_comparison"]

STAGE_WORDS = {
    "unplugged": "servo unplugged",
    "plugged": "servo plugged in, at rest",
    "neighbour": "neighbour moving",
}
"""What each stage is called on the screen."""

_US = 1e6
_AGAIN = (
    "Compare once more, with the knob fixed by a strip of tape and the leads left where they are: "
    "what changes again is the servo's doing, what does not was the knob or a lead."
)


def describe_comparison(
    comparison: Comparison, *, input_: int = 1, limits: Limits | None = None
) -> tuple[Finding, ...]:
    """Put what differs between the stages into words and figures.

    Parameters
    ----------
    comparison : Comparison
        Two or three stages.
    input_ : int
        The input, from 1.
    limits : Limits, optional
        The channel's; the usual ones if None.

    Returns
    -------
    tuple of Finding
        One for each difference that is more than chance; ``steady`` alone where there is none, or
        ``not-enough-to-tell`` where creep hides what could matter.
    """
    allowed = limits or Limits()
    found = []
    for one in comparison.differences:
        if one.is_shift or one.is_rougher:
            make = _own_servo if one.after == "plugged" else _neighbour
            found.append(make(one, input_))
    first = comparison.figures[0]
    if _is_over(first, allowed) and first.name == "unplugged":
        found.append(_restless_alone(first, allowed, input_))
    if found:
        return tuple(found)
    hidden = [one for one in comparison.differences if 2.0 * one.u_shift_s > allowed.jitter_s]
    if hidden:
        words = Words(
            "It cannot be told whether the stages differ.",
            f"The pulse creeps by itself: what is below {2 * hidden[0].u_shift_s * _US:.1f} µs "
            "from one stage to the next is hidden.",
            "Let the channel run for some minutes first, then take longer stages (--seconds 40).",
        )
        return (make_finding(input_, CANNOT_TELL, words, "", _evidence(comparison, None)),)
    names = " and ".join(STAGE_WORDS[one.name] for one in comparison.figures)
    most = max(abs(one.shift_s) + 2.0 * one.u_shift_s for one in comparison.differences)
    words = Words(
        "The stages do not differ: the servo is not to blame.",
        f"With {names} the pulse is the same within {most * _US:.1f} µs, and no more restless.",
        "Move the servo with its load on, or look at its own plug and cells: the pulse is right.",
    )
    return (make_finding(input_, STEADY, words, "", _evidence(comparison, None)),)


def _is_over(one: StageFigures, limits: Limits) -> bool:
    period_s = one.pulse_s + one.rest_s
    return one.pulse_sd_s > limits.jitter_s or one.period_sd_s > limits.period_fraction * period_s


def _seen(one: Difference) -> str:
    """Say what changed, in figures."""
    parts = []
    if one.is_shift:
        parts.append(
            f"the pulse changes by {one.shift_s * _US:+.1f} ± {2 * one.u_shift_s * _US:.1f} µs, "
            f"the rest after it by {one.rest_shift_s * _US:+.1f} ± "
            f"{2 * one.u_rest_shift_s * _US:.1f} µs"
        )
    if one.is_rougher:
        parts.append(
            f"from one cycle to the next the pulse scatters {one.ratio:.1f} times as much, the "
            f"whole cycle {one.period_ratio:.1f} times"
        )
    return "; ".join(parts)


def _sure(one: Difference) -> str:
    chance = one.p_rougher < 1e-4 or abs(one.shift_s) > 5 * one.u_shift_s
    return (
        "Surely: that is far more than chance and creep do."
        if chance
        else "Maybe: chance does as much a few times in 1000. Do it once more."
    )


def _not_supply(one: Difference) -> bool:
    """Tell whether the means moved in a way that a supply cannot move them."""
    effect = one.effect
    if not one.is_shift or effect.cause is None:
        return False
    return effect.cause not in ("supply", "diode") and "supply" not in effect.rivals


def _own_servo(one: Difference, input_: int) -> Finding:
    """Say what plugging the channel's own servo in does."""
    if _not_supply(one):
        meaning = (
            "Something else changed when the servo was plugged in: a falling supply does not move "
            "pulse and rest so. Was the knob touched, or a lead moved?"
        )
    elif one.is_rougher and not one.is_shift:
        meaning = (
            "The channel's own servo makes the pulse restless without changing it on the whole: "
            "its current comes in jerks, through a ground lead or cells that both share."
        )
    else:
        meaning = "The channel's own servo pulls the supply, and the pulse with it."
    words = Words(
        meaning,
        f"Once it is plugged in, {_seen(one)}.",
        "Run the servo's ground and plus straight to the cells, with leads of their own, and put "
        "100 µF (its minus to ground) across the timer's supply pins, all with the power off; or "
        "feed it from its own cells, grounds joined. If the pulse then holds still, that was it.",
    )
    if _not_supply(one):
        words = replace(words, next_step=_AGAIN)
    return make_finding(input_, "supply", words, _sure(one), _difference_evidence(one))


def _neighbour(one: Difference, input_: int) -> Finding:
    """Say what the neighbour does."""
    meaning = "The neighbour's servo moves this channel through the supply that both share."
    if _not_supply(one):
        meaning = (
            "Something changed when the neighbour moved, but not as a falling supply moves a "
            "pulse. Was this channel's knob touched, or a lead moved?"
        )
    words = Words(
        meaning,
        f"While it moves, {_seen(one)}.",
        "Feed the neighbour's servo from cells of its own, grounds joined: if the pulse then holds "
        "still, it was the shared supply.",
    )
    if _not_supply(one):
        words = replace(words, next_step=_AGAIN)
    return make_finding(input_, "neighbour", words, _sure(one), _difference_evidence(one))


def _restless_alone(one: StageFigures, limits: Limits, input_: int) -> Finding:
    """Say that the channel is restless without any servo."""
    words = Words(
        "The pulse is restless with the servo unplugged as well: so it is the channel itself.",
        f"It scatters by {one.pulse_sd_s * _US:.1f} µs (limit {limits.jitter_s * _US:g}), the "
        f"whole cycle by {one.period_sd_s * _US:.0f} µs (limit "
        f"{limits.period_fraction * (one.pulse_s + one.rest_s) * _US:.0f}).",
        "Record half a minute with the servo unplugged, and let benchlog diagnose say why.",
    )
    evidence = {
        "pulse_sd_us": round(one.pulse_sd_s * _US, 3),
        "period_sd_us": round(one.period_sd_s * _US, 3),
        "creep_us_per_s": round(one.creep_s_per_s * _US, 4),
    }
    return make_finding(input_, CANNOT_TELL, words, "", evidence)


def _difference_evidence(one: Difference) -> dict[str, float | str | list[str] | None]:
    return {
        "before": one.before,
        "after": one.after,
        "effect_us": round(one.shift_s * _US, 3),
        "u_effect_us": round(one.u_shift_s * _US, 3),
        "rest_effect_us": round(one.rest_shift_s * _US, 3),
        "u_rest_effect_us": round(one.u_rest_shift_s * _US, 3),
        "scatter_ratio": round(one.ratio, 3),
        "period_scatter_ratio": round(one.period_ratio, 3),
        "p_value": float(f"{one.p_rougher:.3g}"),
        "moves_like": one.effect.cause,
        "or_like": list(one.effect.rivals),
    }


def _evidence(
    comparison: Comparison, one: Difference | None
) -> dict[str, float | str | list[str] | None]:
    """Return the figures of the difference that weighs most."""
    chosen = one or max(comparison.differences, key=lambda each: abs(each.shift_s))
    return _difference_evidence(chosen)
