"""Whether the likeness of a channel to its neighbour is more than chance.

Each test asks by how much the neighbour explains the channel better, with all delays and ways of
dying away that are tried, and then the same of stand-ins: neighbours that do the same at other
times and at another rate. They show what the channel's own creep makes of such a search.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.pair.neighbour_pair import Pair
from benchlog.diagnosis.pair.neighbour_pull import DELAYS_S, LAGS_S, Neighbour, fade
from benchlog.diagnosis.pair.neighbour_strokes import HARMONICS

__all__ = ["P_FOUND", "Likeness", "find_restlessness", "find_strokes", "find_turns"]

FloatArray = NDArray[np.float64]

P_FOUND = 1e-4
"""Chance below which a likeness counts; two channels have six such tests."""

_STAND_INS = 24
_FEW_DELAYS_S = (0.0, 0.12, 0.24)
_SEED = 7


@dataclass(frozen=True, slots=True)
class Likeness:
    """How like a channel is to what its neighbour would do to it.

    Attributes
    ----------
    chance : float
        Of as great a likeness without any coupling.
    gain : float
        Twice the gain in log-likelihood.
    sizes : int
        How many sizes were fitted.
    delay_s, lag_s : float
        Where the likeness is greatest.
    """

    chance: float = 1.0
    gain: float = 0.0
    sizes: int = 0
    delay_s: float = 0.0
    lag_s: float = LAGS_S[0]

    @property
    def log_odds(self) -> float:
        """Gain in log-likelihood, less what a chance of `P_FOUND` has: above 0 where found."""
        from math import log

        return max(0.0, min(-log(max(self.chance, 1e-300)) + log(P_FOUND), 1e4))

    @property
    def is_found(self) -> bool:
        """Whether it is more than chance."""
        return self.chance <= P_FOUND


_Search = Callable[[Neighbour, Sequence[float]], tuple[float, float, float]]
"""Takes a neighbour and delays; returns the greatest gain, and the delay and lag that give it."""


def find_turns(pair: Pair, neighbour: Neighbour) -> Likeness:
    """Test whether the channel follows while the neighbour is turned."""

    def search(who: Neighbour, delays_s: Sequence[float]) -> tuple[float, float, float]:
        return max(
            (pair.fit.gain(pair.turns(who, delay_s, lag_s)), delay_s, lag_s)
            for delay_s in delays_s
            for lag_s in LAGS_S
        )

    sizes = pair.turns(neighbour, 0.0, LAGS_S[0]).shape[2]
    return _test_by_turning(search, neighbour, sizes)


def find_restlessness(pair: Pair, neighbour: Neighbour) -> Likeness:
    """Test whether the channel is more restless while the neighbour is turned."""
    time_s = pair.cycles.start_s[pair.fit.used]
    unrest = pair.fit.restlessness()
    base = np.stack([np.ones(time_s.size), time_s - time_s.mean()], axis=1)
    basis = np.linalg.qr(base)[0]
    left = unrest - basis @ (basis.T @ unrest)
    total = float(left @ left)

    def gain(who: Neighbour, delay_s: float, lag_s: float) -> float:
        pace = np.interp(time_s, who.grid_s, fade(who.pace, delay_s, lag_s))
        pace -= basis @ (basis.T @ pace)
        along = float(pace @ left)
        size = float(pace @ pace)
        if along <= 0 or not size > 0:
            return 0.0
        return time_s.size * float(np.log(total / max(total - along**2 / size, 1e-9 * total)))

    def search(who: Neighbour, delays_s: Sequence[float]) -> tuple[float, float, float]:
        return max(
            (gain(who, delay_s, lag_s), delay_s, lag_s) for delay_s in delays_s for lag_s in LAGS_S
        )

    return _test_by_turning(search, neighbour, 1)


def _test_by_turning(
    search: _Search,
    neighbour: Neighbour,
    sizes: int,
) -> Likeness:
    """Return the chance of the greatest gain that a search finds, and where it is."""
    gain, delay_s, lag_s = search(neighbour, DELAYS_S)
    tries = len(DELAYS_S) * len(LAGS_S)
    chance = _chance(gain, sizes, tries, None)
    if chance <= P_FOUND:
        rng = np.random.default_rng(_SEED)
        length_s = float(neighbour.grid_s[-1])
        stand_ins = np.array(
            [
                search(
                    neighbour.shifted(rng.uniform(0.1, 0.9) * length_s, _other_rate(rng)),
                    _FEW_DELAYS_S,
                )[0]
                for _ in range(_STAND_INS)
            ]
        )
        chance = _chance(gain, sizes, tries, stand_ins)
    return Likeness(chance, gain, sizes, delay_s, lag_s)


def find_strokes(pair: Pair, neighbour: Neighbour) -> Likeness:
    """Test whether the channel depends on the neighbour's phase at which its cycles begin."""
    gain = pair.strokes.gain(neighbour)
    sizes = 4 * HARMONICS
    chance = _chance(gain, sizes, 1, None)
    if chance <= P_FOUND:
        rng = np.random.default_rng(_SEED)
        stand_ins = np.array(
            [pair.strokes.gain(neighbour.shifted(0.0, _other_rate(rng))) for _ in range(_STAND_INS)]
        )
        chance = _chance(gain, sizes, 1, stand_ins)
    return Likeness(chance, gain, sizes)


def _chance(gain: float, sizes: int, tries: int, stand_ins: FloatArray | None) -> float:
    """Return the chance of a gain that great; stand-ins say how great gains are without a pull."""
    from scipy.stats import chi2

    usual = float(chi2.ppf(0.5 ** (1.0 / tries), sizes))
    excess = 1.0
    if stand_ins is not None:
        if gain <= stand_ins.max():
            return 1.0 / (1 + stand_ins.size)
        excess = max(1.0, float(np.median(stand_ins)) / usual)
        # a few far ones say that the tail is longer than chance alone makes it
        excess = max(excess, float(stand_ins.max()) / float(chi2.isf(0.1 / stand_ins.size, sizes)))
    return min(1.0, tries * float(chi2.sf(gain / excess, sizes)))


def _other_rate(rng: np.random.Generator) -> float:
    """Return by how much another train's rate differs, hertz."""
    return float(rng.uniform(0.4, 3.0)) * (1.0 if rng.uniform() < 0.5 else -1.0)
