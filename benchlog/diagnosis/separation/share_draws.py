"""Shares as draws: what each cause may have done, over all explanations, and its 95 % interval."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.separation.explanations import ASIDE
from benchlog.diagnosis.separation.shares import Realised

__all__ = ["CauseShare", "draw_shares", "gather_causes", "take_interval", "weigh_scores"]

Values = NDArray[np.float64]

_LEAST_WEIGHT = 3e-3
_FINE = 6e-3
"""Of a share: finer than this the model of directions does not reach."""

_MISTAKEN, _LOOSE, _LOOSE_MAINS = 0.015, 0.12, 0.18
"""What is left out: of the leading cause, and by how much variances may be off (log). How hard hum
pulls depends on where all the rest stands at that moment, which its line's size does not tell."""

_DRAWS = 600
_SEED = 11


@dataclass(frozen=True, slots=True)
class CauseShare:
    """What all kinds of one cause do together.

    Attributes
    ----------
    cause : str
        The word of the findings.
    share, low, high : float
        Share of the variance of what counts, and the 95 % interval of it.
    """

    cause: str
    share: float
    low: float
    high: float


def weigh_scores(score: Values) -> Values:
    """Return the weights of explanations; those that hardly count have none.

    Parameters
    ----------
    score : numpy.ndarray
        Natural log of how likely each is, up to a constant, shape (s,).

    Returns
    -------
    numpy.ndarray
        Shape (s,), adding up to 1.
    """
    weight = np.exp(score - score.max())
    weight = np.where(weight < _LEAST_WEIGHT, 0.0, weight)
    return np.asarray(weight / weight.sum())


def draw_shares(
    score: Values,
    realised: Sequence[Realised],
    find_spread: Callable[[int], Values],
    aside: Values,
    counted: int,
) -> Values:
    """Draw what each kind's share may be.

    Parameters
    ----------
    score : numpy.ndarray
        Natural log of how likely each explanation is, shape (s,).
    realised : sequence of Realised
        What each kind did by each of them.
    find_spread : callable
        Given the number of one, how well that is known (`shares.find_spread`); asked only of
        those that count.
    aside : numpy.ndarray
        What was taken out before, a row for each of `ASIDE`; of pulse and period, slow and fast,
        shape (3, 2, 2), seconds squared.
    counted : int
        0 for the pulse, 1 for the period.

    Returns
    -------
    numpy.ndarray
        Shape (draws, kinds + 3), those set aside last; each row adds up to 1.
    """
    rng = np.random.default_rng(_SEED)
    weight = weigh_scores(score)
    numbers = np.floor(np.cumsum(weight) * _DRAWS + 0.5).astype(int)
    numbers = np.diff(np.concatenate([[0], numbers]))
    rows = []
    for number in np.flatnonzero(numbers).tolist():
        count, one = int(numbers[number]), realised[number]
        mean = one.slow[counted] + one.fast[counted]
        values, vectors = np.linalg.eigh(find_spread(number)[counted])
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        draws = mean + rng.standard_normal((count, mean.shape[0])) @ root.T
        draws = np.where(mean > 0, np.maximum(draws, 0.0), 0.0)
        draws[:, 0] = 0.0
        rows.append(draws)
    draws = np.concatenate(rows)
    apart = np.tile(aside[:, counted].sum(axis=1), (draws.shape[0], 1))
    draws = np.concatenate([draws, apart], axis=1)
    draws = _blur(rng, draws)
    total = draws.sum(axis=1, keepdims=True)
    return np.asarray(draws / np.where(total > 0, total, 1.0))


def _blur(rng: np.random.Generator, draws: Values) -> Values:
    """Allow for what the model leaves out: a little of the leading cause may pass as others'."""
    lead = draws.argmax(axis=1)
    rows = np.arange(draws.shape[0])
    loose = _MISTAKEN * draws[rows, lead][:, None] * rng.random((draws.shape[0], 1))
    off = np.full(draws.shape[1], _LOOSE)
    off[-len(ASIDE)] = _LOOSE_MAINS
    small = np.maximum(draws - loose, 0.0) * np.exp(off * rng.standard_normal(draws.shape))
    small[rows, lead] = draws[rows, lead] * np.exp(off[lead] * rng.standard_normal(lead.shape))
    return np.asarray(small)


def take_interval(draws: Values) -> tuple[float, float, float]:
    """Return the mean of draws of a share, and the 95 % interval, which holds the mean.

    Parameters
    ----------
    draws : numpy.ndarray
        Shape (draws,).

    Returns
    -------
    mean, low, high : float
        0 to 1.
    """
    mean = float(draws.mean())
    low, high = (float(one) for one in np.quantile(draws, [0.025, 0.975]))
    return mean, max(min(low, mean) - _FINE, 0.0), min(max(high, mean) + _FINE, 1.0)


def gather_causes(
    names: tuple[str, ...], causes: Mapping[str, str], shares: Values
) -> tuple[CauseShare, ...]:
    """Gather the shares of kinds by the cause that a finding names.

    Parameters
    ----------
    names : tuple of str
        The kinds.
    causes : mapping of str to str
        The cause of each kind that has one.
    shares : numpy.ndarray
        Draws, a column for each of `names`.

    Returns
    -------
    tuple of CauseShare
        The weightiest first.
    """
    sums: dict[str, Values] = {}
    for k, kind in enumerate(names):
        cause = causes.get(kind)
        if cause is not None and shares[:, k].any():
            sums[cause] = sums.get(cause, 0.0) + shares[:, k]
    found = []
    for cause, draws in sums.items():
        found.append(CauseShare(cause, *take_interval(draws)))
    return tuple(sorted(found, key=lambda one: -one.share))
