"""What moves a channel's cycle: causes by likelihood, and the share of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.odd_cycles import Calmed, calm_cycles
from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.separation.explanations import (
    ASIDE,
    Recording,
    find_explanations,
)
from benchlog.diagnosis.separation.powers import Fit
from benchlog.diagnosis.separation.share_draws import (
    CauseShare,
    draw_shares,
    gather_causes,
    take_interval,
    weigh_scores,
)
from benchlog.diagnosis.separation.shares import Realised, find_spread, realise
from benchlog.diagnosis.separation.spectra import LEAST_CYCLES, list_cells
from benchlog.diagnosis.separation.supplies import SUPPLIES, list_supplies
from benchlog.diagnosis.separation.templates import REST, list_templates

if TYPE_CHECKING:
    from benchlog.diagnosis.series.mains import MainsSearch

__all__ = ["CauseShare", "Contribution", "Unrest", "separate_causes"]

Values = NDArray[np.float64]

_MOSTLY_LONGER, _ALIKE = 0.9, 0.4
"""Of odd cycles that a bad contact makes: they are longer, and the pulse goes with the rest."""
_PULLED_CYCLES = 10


@dataclass(frozen=True, slots=True)
class Contribution:
    """What one cause does to the cycle.

    Attributes
    ----------
    kind : str
        As in `Direction`, or ``mains``.
    cause : str
        The word of the findings.
    pulse_rms_s, period_rms_s : float
        Standard deviation that it makes by itself, seconds.
    slow_pulse_rms_s, fast_pulse_rms_s, slow_period_rms_s, fast_period_rms_s : float
        Of it what goes slower and faster than 0.5 Hz.
    share, share_low, share_high : float
        Its share of the variance of what counts, and the 95 % interval of it.
    size : float or None
        Root mean square of the cause in its own unit; None where there is no unit.
    unit : str
        The unit.
    change : float or None
        Of what is slow: the last tenth of the recording less the first, in that unit.
    """

    kind: str
    cause: str
    pulse_rms_s: float
    period_rms_s: float
    slow_pulse_rms_s: float
    fast_pulse_rms_s: float
    slow_period_rms_s: float
    fast_period_rms_s: float
    share: float
    share_low: float
    share_high: float
    size: float | None
    unit: str
    change: float | None


@dataclass(frozen=True, slots=True)
class Unrest:
    """How restless a channel's cycle is, and why.

    Attributes
    ----------
    pulse_rms_s, period_rms_s : float
        Standard deviation within a recording, creep included, the input's own part taken out;
        of several recordings pooled. Seconds.
    pulse_limit_s, period_limit_s : float
        What is allowed.
    counted : {"pulse", "period"}
        The one that is more over its limit: shares are of its variance.
    over : bool
        Whether one of them exceeds its limit.
    contributions : tuple of Contribution
        The weightiest first.
    cause_shares : tuple of CauseShare
        The same gathered by cause, the weightiest first.
    rest_share : float
        What no cause explains. All shares and this one add up to 1.
    log_odds : float
        Natural log odds of the leading cause against the best explanation in which another
        leads.
    rival : str or None
        That other cause.
    """

    pulse_rms_s: float
    period_rms_s: float
    pulse_limit_s: float
    period_limit_s: float
    counted: str
    over: bool
    contributions: tuple[Contribution, ...]
    cause_shares: tuple[CauseShare, ...]
    rest_share: float
    log_odds: float
    rival: str | None


def separate_causes(
    cycles: Sequence[Cycles],
    directions: Sequence[tuple[Direction, ...]],
    *,
    pulse_limit_s: float = 4e-6,
    period_limit: float = 0.01,
    lines: Sequence[MainsSearch] = (),
    calmed: Sequence[Calmed] = (),
) -> Unrest:
    """Tell what moves a channel's cycle.

    Parameters
    ----------
    cycles : sequence of Cycles
        One or several recordings of one channel.
    directions : sequence of tuple of Direction
        For each of them, of the channel as it stood then.
    pulse_limit_s : float
        Standard deviation of the pulse that is allowed, seconds.
    period_limit : float
        That of the period, as a share of it.
    lines : sequence of MainsSearch
        For each recording the mains lines in it; none where not given.
    calmed : sequence of Calmed
        For each recording its odd cycles set apart; worked out where not given.

    Returns
    -------
    Unrest
        Without contributions where no recording has enough cycles.

    Raises
    ------
    ValueError
        As many directions as recordings are needed, or there is no recording.
    """
    optional = [len(given) for given in (lines, calmed) if given]
    if not cycles or {len(cycles)} != {len(directions), *optional}:
        raise ValueError("needs one set of directions (and of lines) for each recording")
    searches: Sequence[MainsSearch | None] = list(lines) or [None] * len(cycles)
    calm = calmed or [calm_cycles(one) for one in cycles]
    ready = [
        _prepare(one, ways, search)
        for one, ways, search in zip(calm, directions, searches, strict=True)
        if one.cycles.count >= LEAST_CYCLES
    ]
    pulse, period, mean_period = _measure(cycles)
    period_limit_s = period_limit * mean_period
    excess = (pulse / pulse_limit_s, period / period_limit_s if period_limit_s else 0.0)
    counted = "pulse" if excess[0] >= excess[1] else "period"
    told = _Explained((), (), 1.0, 0.0, None)
    if ready:
        told = _explain(ready, 0 if counted == "pulse" else 1)
    return Unrest(
        pulse_rms_s=pulse,
        period_rms_s=period,
        pulse_limit_s=pulse_limit_s,
        period_limit_s=period_limit_s,
        counted=counted,
        over=max(excess) > 1.0,
        contributions=told.contributions,
        cause_shares=told.cause_shares,
        rest_share=told.rest_share,
        log_odds=told.log_odds,
        rival=told.rival,
    )


def _measure(cycles: Sequence[Cycles]) -> tuple[float, float, float]:
    """Return the standard deviations of pulse and period, and the mean period, pooled."""
    weights, pulses, periods, means = [], [], [], []
    for one in cycles:
        if one.count < 2:
            continue
        noise = 2.0 * one.u_edge_s**2
        weights.append(one.count - 1)
        pulses.append(float(np.var(one.on_s, ddof=1)) - noise)
        periods.append(float(np.var(one.period_s, ddof=1)) - noise)
        means.append(float(np.mean(one.period_s)))
    if not weights:
        return 0.0, 0.0, 0.0
    pulse, period, mean = (
        float(np.average(one, weights=weights)) for one in (pulses, periods, means)
    )
    return float(np.sqrt(max(pulse, 0.0))), float(np.sqrt(max(period, 0.0))), mean


def _prepare(
    calmed: Calmed, directions: tuple[Direction, ...], search: MainsSearch | None
) -> Recording:
    """Take the mains out of a recording without its odd cycles, and sort the rest into cells."""
    on, off = calmed.cycles.on_s.copy(), calmed.cycles.off_s.copy()
    aside = np.zeros((len(ASIDE), 2, 2))
    is_contact = _is_contact(calmed, directions)
    aside[ASIDE.index("contact" if is_contact else "supply"), :, 1] = calmed.variances
    mains = aside[ASIDE.index("mains")]
    for line in search.lines if search is not None else ():
        on -= line.on_part_s
        off -= line.off_part_s
        fast = int(abs(line.alias_hz) >= 0.5)
        mains[0, fast] += float(np.var(line.on_part_s))
        mains[1, fast] += float(np.var(line.on_part_s + line.off_part_s))
    directions = (*directions, *list_supplies(directions))
    cells = list_cells(on, off, calmed.cycles.u_edge_s)
    is_pulled = calmed.off_s.shape[0] >= _PULLED_CYCLES and not is_contact
    templates = list_templates(cells, directions, is_pulled=is_pulled)
    return Recording(cells, templates, aside, directions)


def _is_contact(calmed: Calmed, directions: Sequence[Direction]) -> bool:
    """Tell whether odd cycles go the way that a bad contact moves pulse and rest."""
    way = next((one for one in directions if one.kind == "contact"), None)
    if way is None or not calmed.off_s.shape[0] or not way.off_s:
        return False
    expected = way.on_s / way.off_s
    seen = float(calmed.on_s @ calmed.off_s) / float(calmed.off_s @ calmed.off_s)
    longer = float(np.sum(calmed.off_s[calmed.off_s > 0] ** 2) / np.sum(calmed.off_s**2))
    return longer > _MOSTLY_LONGER and abs(seen / expected - 1.0) < _ALIKE


@dataclass(frozen=True, slots=True)
class _Explained:
    """The part of `Unrest` that needs an explanation."""

    contributions: tuple[Contribution, ...]
    cause_shares: tuple[CauseShare, ...]
    rest_share: float
    log_odds: float
    rival: str | None


def _explain(ready: Sequence[Recording], counted: int) -> _Explained:
    """Weigh the explanations of recordings."""
    score, fits = find_explanations(ready)
    kinds = ready[0].templates.kinds
    causes = {one.kind: one.cause for one in ready[0].directions}
    realised = [_pool(ready, fits, k) for k in range(score.shape[0])]
    parts = np.stack([one.aside for one in ready])
    aside: Values = np.einsum("r,rkij->kij", _weigh_lengths(ready), parts)
    names = (*kinds, *ASIDE)
    causes |= {"mains": "mains", "contact": "wiper"}
    leaders = [_leader(names, causes, one, aside, counted) for one in realised]
    best = int(np.argmax(score))
    rivals = [k for k, leader in enumerate(leaders) if leader != leaders[best]]
    other = max(rivals, key=lambda k: score[k]) if rivals else None
    odds = float(score[best] - score[other]) if other is not None else 1e3
    shares = draw_shares(
        score, realised, lambda number: _pool_spread(ready, fits, number), aside, counted
    )
    weight = weigh_scores(score)

    def average(name: str) -> Values:
        each = [getattr(one, name) for one in realised]
        return np.asarray(sum(w * one for w, one in zip(weight, each, strict=True)))

    slow, fast, size, change = (average(name) for name in ("slow", "fast", "size", "change"))
    slow = np.concatenate([slow, aside[:, :, 0].T], axis=1)
    fast = np.concatenate([fast, aside[:, :, 1].T], axis=1)
    size, change = (np.pad(one, (0, len(ASIDE))) for one in (size, change))
    units = {one.kind: one.unit for one in ready[0].directions}
    rest = float(shares[:, kinds.index(REST)].mean())
    columns: dict[str, list[int]] = {}
    for k, kind in enumerate(names):
        if kind in causes and np.any(slow[:, k] + fast[:, k] > 0):
            columns.setdefault("supply" if kind in SUPPLIES else kind, []).append(k)
    found = [
        _contribution(
            kind,
            causes[kind],
            np.stack([slow[:, ks].sum(axis=1), fast[:, ks].sum(axis=1)]),
            shares[:, ks].sum(axis=1),
            float(np.sqrt(size[ks].sum())) if kind in units else None,
            units.get(kind, ""),
            float(change[ks].sum()) if kind in units else None,
        )
        for kind, ks in columns.items()
    ]
    found.sort(key=lambda one: -one.share)
    rival = leaders[other] if other is not None else None
    return _Explained(tuple(found), gather_causes(names, causes, shares), rest, odds, rival)


def _contribution(
    kind: str,
    cause: str,
    parts: Values,
    shares: Values,
    size: float | None,
    unit: str,
    change: float | None,
) -> Contribution:
    """Return a contribution; `parts` are variances, slow and fast of pulse and period."""
    root = np.sqrt(np.maximum(parts, 0.0))
    whole = np.sqrt(np.maximum(parts.sum(axis=0), 0.0))
    share, low, high = take_interval(shares)
    return Contribution(
        kind=kind,
        cause=cause,
        pulse_rms_s=float(whole[0]),
        period_rms_s=float(whole[1]),
        slow_pulse_rms_s=float(root[0, 0]),
        fast_pulse_rms_s=float(root[1, 0]),
        slow_period_rms_s=float(root[0, 1]),
        fast_period_rms_s=float(root[1, 1]),
        share=share,
        share_low=low,
        share_high=high,
        size=size,
        unit=unit,
        change=change,
    )


def _pool(ready: Sequence[Recording], fits: Sequence[Fit], k: int) -> Realised:
    """Return what each kind did in all recordings together."""
    each = [realise(one.cells, one.templates, fit, k) for one, fit in zip(ready, fits, strict=True)]
    weight = _weigh_lengths(ready)
    return Realised(
        slow=np.asarray(sum(w * one.slow for w, one in zip(weight, each, strict=True))),
        fast=np.asarray(sum(w * one.fast for w, one in zip(weight, each, strict=True))),
        size=np.asarray(sum(w * one.size for w, one in zip(weight, each, strict=True))),
        change=np.asarray(sum(w * one.change for w, one in zip(weight, each, strict=True))),
    )


def _pool_spread(ready: Sequence[Recording], fits: Sequence[Fit], k: int) -> Values:
    """Return how well that is known, of all recordings together."""
    return np.asarray(
        sum(
            w**2 * find_spread(one.cells, one.templates, fit, k)
            for w, one, fit in zip(_weigh_lengths(ready), ready, fits, strict=True)
        )
    )


def _weigh_lengths(ready: Sequence[Recording]) -> Values:
    """Return the weight of each recording, by its cycles."""
    counts = np.array([one.cells.count for one in ready], dtype=np.float64)
    return np.asarray(counts / counts.sum())


def _leader(
    names: tuple[str, ...], causes: dict[str, str], one: Realised, aside: Values, counted: int
) -> str:
    """Return the cause that does most of what counts."""
    each = [*(one.slow[counted] + one.fast[counted]), *aside[:, counted].sum(axis=1)]
    sums: dict[str, float] = {}
    for kind, variance in zip(names, each, strict=True):
        if kind in causes:
            sums[causes[kind]] = sums.get(causes[kind], 0.0) + float(variance)
    return max(sums, key=lambda cause: sums[cause])
