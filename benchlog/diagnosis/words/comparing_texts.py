"""What a comparison of stages says, in words."""

from __future__ import annotations

from dataclasses import replace

from benchlog.channel.plan import Limits
from benchlog.diagnosis.finding import (
    CANNOT_TELL,
    STEADY,
    Evidence,
    Finding,
    Words,
    make_finding,
)
from benchlog.diagnosis.trial.comparing import Comparison, Difference, StageFigures
from benchlog.diagnosis.words.amounts import us
from benchlog.diagnosis.words.comparing_differences import (
    describe_another_place,
    difference_evidence,
    is_knob,
    is_not_supply,
    is_other,
    is_too_far,
    tell_seen,
    tell_when,
)
from benchlog.diagnosis.words.comparing_event_texts import (
    WITH_STAGE,
    describe_stage_events,
    describe_stops,
    name_culprit,
)

__all__ = ["DEAD_BAND_S", "STAGE_WORDS", "describe_comparison"]

STAGE_WORDS = {
    "unplugged": "servo unplugged",
    "plugged": "servo plugged in",
    "neighbour": "neighbour moving",
}
"""What each stage is called on the screen."""

DEAD_BAND_S = 5e-6
"""Change of the pulse that a servo does not follow, where no design says otherwise."""

_US = 1e6
_AGAIN = (
    "Compare once more, with the knob held still by a strip of tape and the leads left where they "
    "are: what changes again is the servo's doing, what does not was the knob or a lead."
)
_RIGHT = "Move the servo with its load on, or look at its own plug and cells"


def describe_comparison(
    comparison: Comparison,
    *,
    input_: int = 1,
    limits: Limits | None = None,
    dead_band_s: float = DEAD_BAND_S,
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
    dead_band_s : float
        Change of the pulse that the servo does not follow, seconds.

    Returns
    -------
    tuple of Finding
        One for each difference that is more than chance and more than the servo's dead band or
        the limits, one for stages without pulses, and one for each kind of event; ``steady``
        alone where there is none.
        ``not-enough-to-tell`` where creep hides what could matter, where a stage is too short, or
        where the stages cannot be of one channel with its knob left alone.
    """
    allowed = limits or Limits()
    said = _Said(comparison, input_, allowed, dead_band_s)
    more, anyway = describe_stage_events(comparison, input_, allowed.jitter_s)
    found = [
        *describe_stops(comparison, input_),
        *more,
        *said.differences(),
        *said.restless(),
        *anyway,
    ] or [said.nothing()]
    remark = _tell_cut(comparison)
    return tuple(_with_remark(one, remark) for one in found)


def _tell_cut(comparison: Comparison) -> str:
    """Say which stages are shorter than they were to be."""
    return " ".join(
        f"The stage '{STAGE_WORDS[one.name]}' was cut short: {one.duration_s:.1f} of "
        f"{one.planned_s or 0.0:g} s are there."
        for one in comparison.stages
        if one.is_cut_short
    )


def _with_remark(finding: Finding, remark: str) -> Finding:
    if not remark:
        return finding
    if finding.sure:
        return replace(finding, sure=f"{finding.sure} {remark}")
    return replace(finding, sure=f"Maybe: {remark[:1].lower()}{remark[1:]}")


class _Said:
    """The findings of one comparison."""

    def __init__(
        self, comparison: Comparison, input_: int, limits: Limits, dead_band_s: float
    ) -> None:
        self._comparison = comparison
        self._input = input_
        self._limits = limits
        self._dead_band_s = dead_band_s
        self._by_name = {one.name: one for one in comparison.figures}

    def differences(self) -> list[Finding]:
        """Tell of what changed by more than chance, creep and the limits."""
        found = []
        for one in self._comparison.differences:
            before = self._by_name[one.before]
            if one.is_shift and is_too_far(one, before):
                found.append(describe_another_place(one, self._by_name, self._input))
            elif not self._matters(one):
                continue
            elif one.is_shift and is_knob(one):
                found.append(describe_another_place(one, self._by_name, self._input))
            elif one.is_shift and is_other(one):
                found.append(self._other(one))
            else:
                found.append(self._servo(one))
        return found

    def _matters(self, one: Difference) -> bool:
        """Tell whether what changed may be enough to move the arm, or beyond the limits."""
        return self._shifts_enough(one, sure=False) or self._is_rough_enough(one)

    def _shifts_enough(self, one: Difference, *, sure: bool) -> bool:
        """Tell whether means that moved may have moved by more than is let pass, or surely did."""
        side = -2.0 if sure else 2.0
        before = self._by_name[one.before]
        period_s = self._limits.period_fraction * (before.pulse_s + before.rest_s)
        # two small steps may be a large one together
        in_all_s = self._by_name[one.after].pulse_s - self._comparison.figures[0].pulse_s
        if one.is_shift and not sure and abs(in_all_s) > self._dead_band_s:
            return True
        return one.is_shift and (
            abs(one.shift_s) + side * one.u_shift_s > self._dead_band_s
            or abs(one.rest_shift_s) + side * one.u_rest_shift_s > period_s
        )

    def _is_rough_enough(self, one: Difference) -> bool:
        after = self._by_name[one.after]
        return one.is_rougher and self._is_over(after, after.quick_sd_s, after.quick_period_sd_s)

    def _is_over(self, one: StageFigures, pulse_sd_s: float, period_sd_s: float) -> bool:
        period_s = self._limits.period_fraction * (one.pulse_s + one.rest_s)
        return pulse_sd_s > self._limits.jitter_s or period_sd_s > period_s

    def _sure(self, one: Difference) -> str:
        """Say how sure a difference is."""
        far = one.p_rougher < 1e-4 or abs(one.shift_s) > 5 * one.u_shift_s
        far = far or abs(one.rest_shift_s) > 5 * one.u_rest_shift_s
        rough = self._is_rough_enough(one)
        if one.apart_s is None and not rough:
            return (
                "Maybe: it is not known when each stage was recorded, so that what the channel "
                "crept in between cannot be told from it. Record all stages in one go."
            )
        if not one.is_timed and not rough:
            apart_h = (one.apart_s or 0.0) / 3600.0
            return (
                f"Maybe: the stages were recorded {apart_h:.0f} h apart, and much else changes "
                "in that time. Record all stages in one go."
            )
        if far and (rough or self._shifts_enough(one, sure=True)):
            return "Surely: that is far more than chance and creep do."
        if far:
            return (
                f"Maybe: it is there, but whether it is more than the {self._dead_band_s * _US:g} "
                "µs that the servo does not follow is open. Do it once more, with longer stages."
            )
        return "Maybe: chance does as much a few times in 1000. Do it once more."

    def _servo(self, one: Difference) -> Finding:
        """Say what a servo does."""
        who, step = name_culprit(one.before, one.after)
        rough_alone = one.is_rougher and not one.is_shift
        meaning = {
            "own": "The channel's own servo makes the pulse restless without changing it on the "
            "whole: its current comes in jerks, through a ground lead or cells that both share."
            if rough_alone
            else "The channel's own servo pulls the supply, and the pulse with it.",
            "neighbour": "The neighbour's servo moves this channel through the supply that both "
            "share.",
            "either": "One of the two servos moves this channel through the supply: its own, if "
            "it was plugged in meanwhile, or the neighbour's.",
        }[who]
        words = Words(meaning, f"{tell_when(one)}, {tell_seen(one)}.", step)
        cause = "neighbour" if who == "neighbour" else "supply"
        return make_finding(self._input, cause, words, self._sure(one), difference_evidence(one))

    def _other(self, one: Difference) -> Finding:
        """Say that the means moved as no falling supply moves them."""
        began = {
            "own": "Something else changed when the servo was plugged in",
            "neighbour": "Something else changed when the neighbour moved",
            "either": "Something else changed between the two stages",
        }[name_culprit(one.before, one.after)[0]]
        like_supply = not is_not_supply(one)
        why = (
            "a servo can only pull the supply down, and the pulse moves as if it rose"
            if like_supply and one.is_falling is False
            else "a falling supply does not move pulse and rest so"
        )
        words = Words(
            f"{began}: {why}. Was the knob touched, a lead moved, or the supply changed?",
            f"{tell_when(one)}, {tell_seen(one)}.",
            _AGAIN,
        )
        cause = one.effect.cause if one.effect.fits and one.effect.cause else CANNOT_TELL
        return make_finding(self._input, cause, words, self._sure(one), difference_evidence(one))

    def restless(self) -> list[Finding]:
        """Say that the channel is restless before anything is plugged in or moves."""
        first = next(iter(self._comparison.figures), None)
        if first is None or not self._is_over(first, first.pulse_sd_s, first.period_sd_s):
            return []
        limits = self._limits
        what = {
            "unplugged": "The pulse is restless with the servo unplugged as well: so it is the "
            "channel itself.",
            "plugged": "The pulse is restless with the neighbour at rest as well: so it is the "
            "channel itself, or its own servo.",
            "neighbour": "The pulse is restless.",
        }[first.name]
        words = Words(
            what,
            f"It scatters by {us(first.pulse_sd_s)} (limit {limits.jitter_s * _US:g} µs), the "
            f"whole cycle by {us(first.period_sd_s)} (limit "
            f"{limits.period_fraction * (first.pulse_s + first.rest_s) * _US:.0f} µs).",
            "Record half a minute with the servo unplugged, and let benchlog diagnose say why.",
        )
        evidence = {
            "pulse_sd_us": round(first.pulse_sd_s * _US, 3),
            "period_sd_us": round(first.period_sd_s * _US, 3),
            "creep_us_per_s": round(first.creep_s_per_s * _US, 4),
        }
        return [make_finding(self._input, CANNOT_TELL, words, "", evidence)]

    def nothing(self) -> Finding:
        """Say that nothing was found: since there is nothing, or since it cannot be told."""
        hidden = [
            one for one in self._comparison.differences if 2.0 * one.u_shift_s > self._dead_band_s
        ]
        little = [one for one in self._comparison.differences if one.is_shift or one.is_rougher]
        if self._comparison.short or not self._comparison.differences:
            return self._too_short()
        if hidden:
            return self._hidden(max(hidden, key=lambda one: one.u_shift_s))
        if little:
            return self._little(max(little, key=lambda one: abs(one.shift_s)))
        return self._same()

    def _too_short(self) -> Finding:
        which = " and ".join(
            f"'{STAGE_WORDS[one.name]}' ({one.count} whole cycles)"
            for one in self._comparison.short or self._comparison.stages
        )
        words = Words(
            "That is too short to tell.",
            f"Too short a stage: {which}; it takes 60 whole cycles or more.",
            "Compare again with all stages to their ends.",
        )
        return make_finding(self._input, CANNOT_TELL, words, "", self._evidence())

    def _hidden(self, one: Difference) -> Finding:
        words = Words(
            "It cannot be told whether the stages differ.",
            f"The pulse creeps by itself: what is below {us(2 * one.u_shift_s)} "
            "from one stage to the next is hidden.",
            "Let the channel run for some minutes first, then record longer stages (--seconds 40) "
            "without a break between them.",
        )
        return make_finding(self._input, CANNOT_TELL, words, "", difference_evidence(one))

    def _little(self, one: Difference) -> Finding:
        after = self._by_name[one.after]
        who = {"own": "the servo", "neighbour": "the neighbour", "either": "a servo"}
        question = f"Does {who[name_culprit(one.before, one.after)[0]]} move the pulse?"
        by = f", by {us(abs(one.shift_s))}" if one.is_shift else ""
        limits = (
            f"the arm does not follow less than {self._dead_band_s * _US:g} µs"
            if one.is_shift
            else f"the pulse scatters by {us(after.quick_sd_s)} (limit "
            f"{self._limits.jitter_s * _US:g} µs)"
        )
        words = Words(
            f"{question} It does{by}: too little to move the arm.",
            f"{tell_when(one)}, {tell_seen(one)}; {limits}.",
            f"{_RIGHT}{self._praise()}.",
        )
        return make_finding(self._input, STEADY, words, "", difference_evidence(one))

    def _same(self) -> Finding:
        names = [WITH_STAGE[one.name] for one in self._comparison.figures]
        where = (
            "In all three stages"
            if len(names) == len(STAGE_WORDS)
            else f"With {names[0]} and with {names[1]}"
        )
        most = max(abs(one.shift_s) + 2.0 * one.u_shift_s for one in self._comparison.differences)
        words = Words(
            "The stages do not differ: the servo is not to blame.",
            f"{where} the pulse is the same within {us(most)}, and no more restless.",
            f"{_RIGHT}{self._praise()}.",
        )
        return make_finding(self._input, STEADY, words, "", self._evidence())

    def _praise(self) -> str:
        """Say that the pulse is right, where it is in every stage."""
        restless = any(
            self._is_over(one, one.pulse_sd_s, one.period_sd_s) for one in self._comparison.figures
        )
        return "" if restless else ": the pulse is right"

    def _evidence(self) -> Evidence:
        """Return the figures of the difference that weighs most."""
        if not self._comparison.differences:
            return {}
        most = max(self._comparison.differences, key=lambda each: abs(each.shift_s))
        return difference_evidence(most)
