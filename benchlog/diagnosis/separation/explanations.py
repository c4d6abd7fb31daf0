"""Explanations of recordings: sets of causes, and how likely each is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.separation.powers import Fit, fit_powers, take_fits
from benchlog.diagnosis.separation.spectra import Cells
from benchlog.diagnosis.separation.supplies import SUPPLIES
from benchlog.diagnosis.separation.templates import ALWAYS, REST, WITHIN, Templates

__all__ = ["ASIDE", "Recording", "find_explanations"]

Values = NDArray[np.float64]

_COSTS = {
    "wiper": 4.0,
    "contact": 4.0,
    "supply": 3.0,
    "off-path": 6.0,
    "capacitor": 5.0,
    "diode": 8.0,
    "leak": 8.0,
    "within": 4.0,
    REST: 6.0,
    "battery": 3.0,
    "supply-bipolar": 4.0,
    "battery-bipolar": 4.0,
    "supply-held": 4.0,
    "supply-held-bipolar": 5.0,
    "supply-flowing": 3.0,
    "supply-flowing-bipolar": 4.0,
}
"""Log odds against each cause's being at work, before the recording is looked at."""

_WITHIN_ALONE = 6.0
"""More, where the supply moves within the cycle and not from cycle to cycle: that is rare."""

_RESTLESS = 4.0
"""Log odds against levels that are restless by themselves."""

ASIDE = ("mains", "contact", "supply")
"""The kinds to which what is taken out of a recording goes: hum, and odd cycles."""

_VAGUE = 0.02
"""Radians from which a direction's uncertainty may hide a better fit."""
_SIDES = (-1.2, 1.2)
"""Where else to begin, in standard uncertainties."""

_PULLED = (("supply", "within"),)
_FIRST_ROUNDS, _LAST_ROUNDS = 24, 60
_KEPT_SINGLES, _KEPT_PAIRS = 4, 3
_KEPT = 8


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """One recording, made ready.

    Attributes
    ----------
    cells : Cells
        What it holds, without the mains.
    templates : Templates
        What each kind may do in it.
    aside : numpy.ndarray
        Variances that were taken out before, a row for each of `ASIDE`; of pulse and period, slow
        and fast, shape (3, 2, 2), seconds squared.
    directions : tuple of Direction
        Of the channel as it stood.
    """

    cells: Cells
    templates: Templates
    aside: Values
    directions: tuple[Direction, ...]


def find_explanations(recordings: Sequence[Recording]) -> tuple[Values, list[Fit]]:
    """Fit the explanations of a channel's recordings that are worth it.

    Parameters
    ----------
    recordings : sequence of Recording
        One or several of one channel.

    Returns
    -------
    score : numpy.ndarray
        Natural log of how likely each is, prior odds included, up to a constant; shape (s,).
    fits : list of Fit
        For each recording, the explanations in that order.
    """
    return _score(recordings, _list_sets(recordings), _LAST_ROUNDS)


def _kinds_of(unit: str) -> tuple[str, ...]:
    return WITHIN if unit == "within" else (unit,)


def _is_sensible(units: tuple[str, ...]) -> bool:
    """Tell whether a set names the supply but once."""
    return len(SUPPLIES & set(units)) < 2


def _cost(units: tuple[str, ...]) -> float:
    """Return the log odds against a set of causes."""
    alone = _WITHIN_ALONE if "within" in units and not SUPPLIES & set(units) else 0.0
    return sum(_COSTS[unit] for unit in units) + alone


def _choose(templates: Templates, sets: Sequence[tuple[str, ...]]) -> NDArray[np.bool_]:
    """Return which kinds each set of causes has."""
    chosen = np.zeros((len(sets), len(templates.kinds)), dtype=bool)
    for row, units in enumerate(sets):
        wanted = {*ALWAYS, *(kind for unit in units for kind in _kinds_of(unit))}
        chosen[row] = [kind in wanted for kind in templates.kinds]
    return chosen


def _score(
    ready: Sequence[Recording], sets: Sequence[tuple[str, ...]], rounds: int
) -> tuple[Values, list[Fit]]:
    """Fit sets of causes; return how likely each is, and the fits."""
    total = np.array([-_cost(units) for units in sets])
    restless = np.zeros(len(sets), dtype=bool)
    fits = []
    for one in ready:
        fit = _fit_from_all_sides(one, _choose(one.templates, sets), rounds)
        total = total + fit.evidence
        restless |= fit.restless
        fits.append(fit)
    total = np.where(np.isfinite(total), total - _RESTLESS * restless, -np.inf)
    return total, fits


def _fit_from_all_sides(one: Recording, chosen: NDArray[np.bool_], rounds: int) -> Fit:
    """Fit sets of causes, those whose supply's direction is vague from several beginnings.

    A direction that may be turned far has more than one place where it fits; what is found from
    its middle alone may leave the movement to another cause.
    """
    templates = one.templates
    supplies = np.array([kind in SUPPLIES for kind in templates.kinds])
    vague = chosen & supplies & (templates.u_angle > _VAGUE)
    sides = np.flatnonzero(vague.any(axis=1))
    turns = np.zeros(chosen.shape)
    begin = np.concatenate(
        [turns, *(side * np.where(vague, templates.u_angle, 0.0)[sides] for side in _SIDES)]
    )
    sets = np.concatenate([np.arange(chosen.shape[0]), *(sides for _ in _SIDES)])
    fit = fit_powers(one.cells, templates, chosen[sets], rounds=rounds, turns=begin)
    if not sides.shape[0]:
        return fit
    best = [
        rows[int(np.argmax(fit.evidence[rows]))]
        for rows in (np.flatnonzero(sets == number) for number in range(chosen.shape[0]))
    ]
    return take_fits(fit, np.array(best))


def _list_sets(ready: Sequence[Recording]) -> list[tuple[str, ...]]:
    """Return the sets of causes that are worth a closer look."""
    known = {*ready[0].templates.kinds, "within"}
    units = tuple(unit for unit in _COSTS if unit in known)
    singles: list[tuple[str, ...]] = [(), *((unit,) for unit in units)]
    single_score, _ = _score(ready, singles, _FIRST_ROUNDS)
    ranked = [singles[k] for k in np.argsort(-single_score) if singles[k]]
    likely = {unit for one in ranked[:_KEPT_SINGLES] for unit in one}
    pairs = [
        pair for pair in combinations(units, 2) if _is_sensible(pair) and likely.intersection(pair)
    ]
    pairs += [pair for pair in _PULLED if pair not in pairs and set(pair) <= set(units)]
    pair_score, _ = _score(ready, pairs, _FIRST_ROUNDS)
    few, score = singles + pairs, np.concatenate([single_score, pair_score])
    order = np.argsort(-score)
    best = [few[k] for k in order if len(few[k]) == 2][:_KEPT_PAIRS]
    best += [pair for pair in _PULLED if pair not in best and set(pair) <= set(units)]
    third = {tuple(sorted({*pair, unit})) for pair in best for unit in units if unit not in pair}
    wider = sorted(one for one in third if _is_sensible(one))
    wide_score, _ = _score(ready, wider, _FIRST_ROUNDS)
    all_sets = few + wider
    whole = np.concatenate([score, wide_score])
    ranked = [all_sets[k] for k in np.argsort(-whole)]
    kept = ranked[:_KEPT]
    # one explanation under each single cause, however unlikely: rivals are named from them
    return kept + [one for one in singles if one not in kept]
