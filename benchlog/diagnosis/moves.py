"""What moves an input's cycle: a finding for each cause, or why none can be named."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchlog.diagnosis.alike import LOOK_ALIKE, gather_alike, is_either, tell_as_named
from benchlog.diagnosis.evidence import (
    cause_evidence,
    cycle_to_cycle_s,
    duration_s,
    floor_s,
    mains_evidence,
    mean_period_s,
    pull_evidence,
    ratio_evidence,
    scatter_evidence,
)
from benchlog.diagnosis.finding import (
    CANNOT_TELL,
    STEADY,
    Evidence,
    Finding,
    InputDiagnosis,
    Part,
    Words,
    make_finding,
)
from benchlog.diagnosis.known_setting import (
    find_direction,
    gather_setting,
    know_bench,
    know_output,
)
from benchlog.diagnosis.measured_ratio import MeasuredRatio, measure_ratio
from benchlog.diagnosis.separation.causes import TOLD_SURELY, Cause, find_causes
from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.separation.unrest import Unrest
from benchlog.diagnosis.series.aliases import find_period_change
from benchlog.diagnosis.series.steps import Episode, PeriodicLoad, pair_steps
from benchlog.diagnosis.surroundings import tell_surroundings
from benchlog.diagnosis.words.cause_texts import CAUSE_NAMES, describe_cause
from benchlog.diagnosis.words.movement_texts import describe_mains, tell_pulls
from benchlog.diagnosis.words.sizes import Setting
from benchlog.diagnosis.words.supply_texts import is_pulled
from benchlog.diagnosis.words.verdict_texts import (
    Scatter,
    capital,
    describe_few,
    describe_hidden,
    describe_near_zero,
    describe_rivals,
    describe_short,
    describe_steady,
    describe_unknown,
)

__all__ = ["make_scatter", "weigh_moves"]

_SHORT_MOVING_S = 5.0
_SHORT_STILL_S = 10.0
_TOLD_APART = 1.0
"""Log odds of the leading cause against its rival below which it is not named."""
_SMALL_SHARE = 0.05
_NOTHING = 0.005
_KNOWN_SHARE = 0.3
_HALF = 0.5
_WEIGHS = 0.2
"""A jump or a swing of less than this much of the pulse's scatter makes none of it."""
_NEARLY_ALONE = 0.8
"""A cause with this share of the movement shows its own ratio of rest to pulse."""
_NEAR_ZERO_CAUSES = ("threshold", "supply", "off-path", "capacitor")


def weigh_moves(one: InputDiagnosis, *, with_scatter: bool = True) -> list[Finding]:
    """Say what moves the cycle, that it is steady, or that it cannot be told.

    Parameters
    ----------
    one : InputDiagnosis
        The input.
    with_scatter : bool
        Whether the first cause begins with how far the cycle scatters.

    Returns
    -------
    list of Finding
        The causes by their share, or a single finding.
    """
    count = sum(cycles.count for cycles in one.cycles)
    unrest = one.unrest
    if unrest is None:
        evidence = {"cycle_count": count, "duration_s": duration_s(one.cycles)}
        return [_cannot_tell(one, describe_few(count, know_bench(one)), evidence)]
    scatter = make_scatter(one, unrest)
    base = scatter_evidence(one, unrest)
    if not unrest.over:
        return [_still(one, unrest, scatter, base)]
    told = tell_surroundings(one)
    causes = gather_alike(one, unrest, find_causes(unrest, told), told)
    doubt = _doubt(one, unrest, causes, scatter)
    if doubt is not None:
        return [_cannot_tell(one, doubt, {**base, **_lean(unrest, causes)})]
    return [
        _move(
            one,
            unrest,
            cause,
            base,
            scatter if with_scatter and index == 0 else None,
            told,
            leads=index == 0,
        )
        for index, cause in enumerate(causes)
        if index == 0 or cause.share >= _SMALL_SHARE or _breaks_a_limit(cause, unrest)
    ]


def _breaks_a_limit(cause: Cause, unrest: Unrest) -> bool:
    """Tell whether a cause by itself would take pulse or period past the limit."""
    pulse_s = math.hypot(*(kind.pulse_rms_s for kind in cause.kinds))
    period_s = math.hypot(*(kind.period_rms_s for kind in cause.kinds))
    return pulse_s > unrest.pulse_limit_s or period_s > unrest.period_limit_s


def _cannot_tell(one: InputDiagnosis, words: Words, evidence: Evidence) -> Finding:
    return make_finding(one.input, CANNOT_TELL, words, "", evidence)


def _lean(unrest: Unrest, causes: Sequence[Cause]) -> dict[str, float | str | None]:
    """Return what it looks like where that is not enough."""
    if not causes:
        return {"looks_like": None, "log_odds": None, "rival": None}
    return {
        "looks_like": causes[0].name,
        "looks_like_share": causes[0].share,
        "log_odds": unrest.log_odds,
        "rival": unrest.rival,
    }


def _still(one: InputDiagnosis, unrest: Unrest, scatter: Scatter, base: Evidence) -> Finding:
    """Return the finding for a cycle within its limits."""
    floor = floor_s(one.cycles)
    if floor > unrest.pulse_limit_s:
        return _cannot_tell(one, describe_hidden(floor, unrest.pulse_limit_s), base)
    length_s = duration_s(one.cycles)
    if length_s < _SHORT_STILL_S:
        return _cannot_tell(one, describe_short(scatter, length_s, None, know_bench(one)), base)
    assumed = one.design is None or one.design.servo.assumed
    sure = f"Surely, for the {length_s:.0f} s that were recorded."
    if assumed:
        sure = (
            f"Surely steady for the {length_s:.0f} s that were recorded; maybe past this servo's "
            "own stop ('benchlog servo NAME' finds it)."
        )
    return make_finding(
        one.input,
        STEADY,
        describe_steady(scatter, cycle_to_cycle_s(one), know_output(one), assumed=assumed),
        sure,
        base,
    )


def _doubt(
    one: InputDiagnosis, unrest: Unrest, causes: Sequence[Cause], scatter: Scatter
) -> Words | None:
    """Say why no cause can be named, None where one can."""
    length_s = duration_s(one.cycles)
    if length_s < _SHORT_MOVING_S:
        leading_name = causes[0].name if causes else None
        return describe_short(scatter, length_s, leading_name, know_bench(one))
    if not causes or (unrest.rest_share > 0.5 and causes[0].share < _KNOWN_SHARE):
        return describe_unknown(scatter, unrest.rest_share)
    leading = causes[0]
    if _may_be_mains(one, leading):
        mains_hz, harmonic, _ = next(near for each in one.searches for near in each.near_zero)
        change = find_period_change(mean_period_s(one.cycles))
        return describe_near_zero(scatter, mains_hz, harmonic, change)
    alike = {leading.name, unrest.rival} <= LOOK_ALIKE
    if unrest.log_odds < _TOLD_APART and not alike:
        return describe_rivals(scatter, leading.name, unrest.rival)
    return None


def _may_be_mains(one: InputDiagnosis, leading: Cause) -> bool:
    """Tell whether the leading cause is slow and hum would look slow, and alike, here."""
    if leading.name not in _NEAR_ZERO_CAUSES or leading.main.kind == "supply":
        return False
    main = leading.main
    slow = main.slow_period_rms_s > main.fast_period_rms_s
    return slow and any(each.near_zero for each in one.searches)


def _move(
    one: InputDiagnosis,
    unrest: Unrest,
    cause: Cause,
    base: Evidence,
    scatter: Scatter | None,
    told: str | None,
    *,
    leads: bool,
) -> Finding:
    """Return the finding for one cause of movement; a scatter is told first."""
    setting = gather_setting(one, unrest)
    extra: Evidence = {}
    pulled = False
    if cause.name == "mains":
        lines = [line for each in one.searches for line in each.lines]
        words = describe_mains(lines)
        extra = mains_evidence(lines)
    else:
        main = tell_as_named(cause, setting)
        kinds = (main, *cause.kinds[1:])
        direction = find_direction(one, main.kind) if len(one.heard) == 1 else None
        ratio = _measured(one, unrest, cause, direction)
        # of several causes nobody knows which one jumps
        episodes, load = _list_pulls(one, unrest) if cause.share > _HALF else ([], None)
        jumps = bool(episodes) or load is not None
        pulled = cause.name == "supply" and is_pulled(kinds, jumps=jumps)
        words = describe_cause(
            main,
            setting,
            direction,
            told=told is not None,
            kinds=kinds,
            share=cause.share,
            ratio=ratio,
            jumps=jumps,
        )
        if ratio is not None and direction is not None:
            extra = ratio_evidence(ratio, direction)
        if cause.name == "supply":
            words = replace(words, why=f"{words.why}{tell_pulls(episodes, load)}")
            extra = {**extra, **pull_evidence(episodes, load)}
        if is_either(cause, setting, told, pulled=pulled):
            extra = {**extra, "or_like": ["diode"]}
    first = f"{capital(str(scatter))}. " if scatter is not None else ""
    return make_finding(
        one.input,
        cause.name,
        Words(words.what, f"{first}{words.why}", words.next_step),
        _sureness(unrest, cause, setting, told, leads=leads, pulled=pulled),
        {**cause_evidence(cause, unrest, setting, base), **extra},
        Part(cause.share, cause.share_low, cause.share_high, unrest.counted),
    )


def _list_pulls(one: InputDiagnosis, unrest: Unrest) -> tuple[list[Episode], PeriodicLoad | None]:
    """Return jumps that are taken back, and a movement to and fro, where they weigh something."""
    least_s = _WEIGHS * unrest.pulse_rms_s
    episodes = [each for steps in one.steps for each in pair_steps(steps)]
    if not any(abs(each.on_s) > least_s for each in episodes):
        episodes = []
    loads = [each for each in one.loads if each is not None and each.on_peak_s > least_s]
    return episodes, loads[0] if loads else None


def _measured(
    one: InputDiagnosis, unrest: Unrest, cause: Cause, direction: Direction | None
) -> MeasuredRatio | None:
    """Fit how far the rest moves with the pulse, where a cause is nearly all that moves them."""
    if direction is None or cause.share < _NEARLY_ALONE or len(cause.kinds) > 1:
        return None
    ratio = measure_ratio(one.cycles, one.searches, counted=unrest.counted)
    return ratio if ratio is not None and 4.0 * ratio.u < abs(ratio.value) else None


def _sureness(
    unrest: Unrest,
    cause: Cause,
    setting: Setting,
    told: str | None,
    *,
    leads: bool,
    pulled: bool,
) -> str:
    """Say how sure a cause is."""
    if not leads:
        if cause.share_low > _SMALL_SHARE:
            return "Surely a part of it."
        if cause.share_low < _NOTHING:
            return "Maybe: it could be no part of it at all."
        return f"Maybe: it could be as little as {100.0 * cause.share_low:.0f} % of the movement."
    if cause.main.kind in LOOK_ALIKE and told is not None:
        return f"Surely: the readings beside the recordings say that it is {CAUSE_NAMES[told]}."
    is_sure = unrest.log_odds >= TOLD_SURELY
    if cause.name == "supply" and cause.main.kind in LOOK_ALIKE:
        is_sure = is_sure or unrest.rival in LOOK_ALIKE
    if is_sure or unrest.rival is None:
        if not is_either(cause, setting, told, pulled=pulled):
            return "Surely: nothing else would move pulse and rest like that."
        if cause.share_low >= _KNOWN_SHARE:
            return "Surely one of these two."
        return (
            "Maybe: these two could be as little as "
            f"{100.0 * cause.share_low:.0f} % of the movement."
        )
    return (
        f"Maybe: {CAUSE_NAMES.get(unrest.rival or '', 'another cause')} would do nearly the same."
    )


def make_scatter(one: InputDiagnosis, unrest: Unrest, left: float = 1.0) -> Scatter:
    """Gather how far pulse and period scatter beside what is allowed.

    Parameters
    ----------
    one : InputDiagnosis
        The input.
    unrest : Unrest
        Its movement.
    left : float
        The part of the variance that counts, 0 to 1.

    Returns
    -------
    Scatter
        The figures.
    """
    period_s = mean_period_s(one.cycles)
    root = float(np.sqrt(left))
    return Scatter(
        root * unrest.pulse_rms_s,
        unrest.pulse_limit_s,
        root * unrest.period_rms_s / period_s,
        unrest.period_limit_s / period_s,
        period_s,
    )
