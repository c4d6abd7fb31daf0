"""One difference between two stages: how it moved, what it looks like, and its figures."""

from __future__ import annotations

from collections.abc import Mapping

from benchlog.diagnosis.finding import CANNOT_TELL, Evidence, Finding, Words, make_finding
from benchlog.diagnosis.trial.comparing import Difference, StageFigures
from benchlog.diagnosis.words.amounts import us_with_u
from benchlog.diagnosis.words.comparing_event_texts import WITH_STAGE, name_culprit

__all__ = [
    "describe_another_place",
    "difference_evidence",
    "is_knob",
    "is_not_supply",
    "is_other",
    "is_too_far",
    "tell_seen",
    "tell_when",
]

_US = 1e6
_MOST_SHIFT = 0.2
"""Of the pulse or the rest: by the model a supply that falls by 30 % makes the pulse of usual
channels longer by 5 to 10 %, and hardly moves the rest."""


def tell_when(one: Difference) -> str:
    """Say when it changed, as the beginning of a sentence."""
    return {
        "own": "Once it is plugged in",
        "neighbour": "While it moves",
        "either": "With the neighbour moving, against no servo at all",
    }[name_culprit(one.before, one.after)[0]]


def tell_seen(one: Difference) -> str:
    """Say what changed, in figures."""
    parts = []
    if one.is_shift:
        parts.append(
            f"the pulse changes by {us_with_u(one.shift_s, one.u_shift_s)}, the rest after it by "
            f"{us_with_u(one.rest_shift_s, one.u_rest_shift_s)}"
        )
    if one.is_rougher:
        parts.append(
            f"from one cycle to the next the pulse scatters {one.ratio:.1f} times as much, the "
            f"whole cycle {one.period_ratio:.1f} times"
        )
    return "; ".join(parts)


def is_other(one: Difference) -> bool:
    """Tell whether the means moved as no supply that is pulled down moves them."""
    return is_not_supply(one) or one.is_falling is False


def is_not_supply(one: Difference) -> bool:
    """Tell whether the means moved in a way that a supply cannot move them."""
    effect = one.effect
    if not one.is_shift or effect.cause is None:
        return False
    return effect.cause not in ("supply", "diode") and "supply" not in effect.rivals


def is_too_far(one: Difference, before: StageFigures) -> bool:
    """Tell whether the means moved farther than any fall of a running timer's supply moves them."""
    pulse, rest = one.shift_s / before.pulse_s, one.rest_shift_s / before.rest_s
    return max(abs(pulse), abs(rest)) > _MOST_SHIFT


def is_knob(one: Difference) -> bool:
    """Tell whether the means moved as the knob's wiper moves them, and no supply would."""
    return is_not_supply(one) and one.effect.fits and one.effect.kind == "wiper"


def describe_another_place(
    one: Difference, by_name: Mapping[str, StageFigures], input_: int
) -> Finding:
    """Say that two stages are not of one channel with its knob in one place."""
    before, after = (by_name[name] for name in (one.before, one.after))
    way = (
        "A turned knob moves pulse and rest so, no servo that pulls on the supply does"
        if is_knob(one)
        else "No servo that pulls on the supply moves them so far"
    )
    words = Words(
        "The stages cannot be compared: they look like recordings of two channels, or of two knob "
        "positions.",
        f"With {WITH_STAGE[one.before]} the pulse is {before.pulse_s * _US:.0f} µs, with "
        f"{WITH_STAGE[one.after]} {after.pulse_s * _US:.0f} µs: {tell_seen(one)}. {way}.",
        "See that all stages are of one channel, hold its knob still with a strip of tape, and "
        "compare again.",
    )
    return make_finding(input_, CANNOT_TELL, words, "", difference_evidence(one))


def difference_evidence(one: Difference) -> Evidence:
    """Return its figures, with the unit in each name."""
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
        "apart_s": None if one.apart_s is None else round(one.apart_s, 1),
    }
