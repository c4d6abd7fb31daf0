"""Whether pulses go missing, or come on top, more often once something is plugged in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchlog.diagnosis.train.event_kinds import Event, EventKind
from benchlog.diagnosis.trial.stage import Stage

__all__ = ["EventChange", "compare_events"]

_BLOCK_S = 0.5
_P_MORE = 0.003
_BURST_P = 0.05
_AWAY_SHARE = 0.05
_RECORDERS = ("gap",)
"""Kinds that are the recording's doing, not the channel's."""


@dataclass(frozen=True, slots=True)
class EventChange:
    """How often one kind of event comes in two stages that follow each other.

    Attributes
    ----------
    kind : str
        The kind.
    before, after : str
        The stages.
    first, second : int
        Events in each.
    first_s, second_s : float
        How long each stage is, seconds.
    p_more : float
        Chance of as many in the second stage where nothing changed.
    is_more : bool
        Whether that is more than chance, or the signal stays away for long.
    """

    kind: EventKind
    before: str
    after: str
    first: int
    second: int
    first_s: float
    second_s: float
    p_more: float
    is_more: bool


def compare_events(before: Stage, after: Stage) -> tuple[EventChange, ...]:
    """Compare how often each kind of event comes in two stages.

    Parameters
    ----------
    before, after : Stage
        Two that follow each other.

    Returns
    -------
    tuple of EventChange
        One for each kind that the channel may be blamed for and that occurs in either.

    Notes
    -----
    Where events come at a constant rate, n of them in both stages fall into the second one as
    binomial draws with its share of the time (the conditional test of two Poisson rates,
    Przyborowski and Wilenski 1940, cited from memory). Events that come in bursts are no such
    draws: their counts are divided by how far their numbers in half seconds scatter beyond
    Poisson's.
    """
    found = []
    kinds = {one.kind for stage in (before, after) for one in _events(stage)} - set(_RECORDERS)
    for kind in sorted(kinds):
        first, second = (
            [one for one in _events(stage) if one.kind == kind] for stage in (before, after)
        )
        p_more = _chance(first, second, before.duration_s, after.duration_s)
        away = kind == "dropout" and _stays_away(first, second, before, after)
        found.append(
            EventChange(
                kind=kind,
                before=before.name,
                after=after.name,
                first=len(first),
                second=len(second),
                first_s=before.duration_s,
                second_s=after.duration_s,
                p_more=p_more,
                is_more=p_more < _P_MORE or away,
            )
        )
    return tuple(found)


def _events(stage: Stage) -> tuple[Event, ...]:
    return () if stage.events is None else stage.events.events


def _chance(
    first: Sequence[Event], second: Sequence[Event], first_s: float, second_s: float
) -> float:
    """Return the chance of as many in the second stage at one rate in both."""
    from scipy.stats import binom

    spread = max(_spread(first, first_s), _spread(second, second_s))
    later = math.floor(len(second) / spread)
    total = later + math.ceil(len(first) / spread)
    if not later or first_s + second_s <= 0:
        return 1.0
    return float(binom.sf(later - 1, total, second_s / (first_s + second_s)))


def _spread(events: Sequence[Event], duration_s: float) -> float:
    """Return how far counts in half seconds scatter, in shares of what Poisson's would.

    1 where they scatter no more than Poisson's do once in 20 times.
    """
    from scipy.stats import chi2

    blocks = int(duration_s / _BLOCK_S)
    if len(events) < 2 or blocks < 2:
        return 1.0
    place = np.minimum([int(one.time_s / _BLOCK_S) for one in events], blocks - 1)
    counts = np.bincount(place, minlength=blocks)
    spread = float(np.var(counts, ddof=1) / np.mean(counts))
    is_chance = chi2.sf((blocks - 1) * spread, blocks - 1) > _BURST_P
    return 1.0 if is_chance else max(1.0, spread)


def _stays_away(
    first: Sequence[Event], second: Sequence[Event], before: Stage, after: Stage
) -> bool:
    """Tell whether the signal is away for a part of the second stage, and was not in the first."""
    was = sum(one.length_s for one in first) / max(before.duration_s, 1e-9)
    now = sum(one.length_s for one in second) / max(after.duration_s, 1e-9)
    return now > _AWAY_SHARE and was < 0.2 * now
