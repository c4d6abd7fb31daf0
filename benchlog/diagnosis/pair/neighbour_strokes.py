"""The strokes of a neighbour's servo: the channel as a function of the neighbour's phase.

A servo draws in strokes behind its own pulse. A stroke that meets one of the channel's crossings
moves it far, one that falls between them not at all; so pulse and rest are some function, of any
shape, of the place in the neighbour's cycle at which the channel's cycle begins. How strongly
the servo works may change from second to second.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.pair.neighbour_pull import Neighbour, phase_of

__all__ = ["HARMONICS", "StrokeFit", "Strokes"]

FloatArray = NDArray[np.float64]

HARMONICS = 12
"""Of the neighbour's cycle: a stroke of a millisecond in a cycle of some 15."""
_FIT_HARMONICS = 24
"""Once a stroke is found, its flanks count as well."""

_AROUND_CYCLES = 31
_WINDOW_S = 1.0
_FINE_WINDOW_S = 0.1
"""A servo begins and stops within so long."""
_ROUNDS = 3
_SEEN = 0.2
_LEAST_SPREAD = 1e-4
"""Square of a strength's least spread: below it all tenths of a second are alike."""


@dataclass(frozen=True, slots=True, eq=False)
class StrokeFit:
    """What the strokes do.

    Attributes
    ----------
    moves : numpy.ndarray
        To pulse and rest of each cycle, seconds, shape (n, 2).
    strength : numpy.ndarray
        How strongly the servo works in each cycle, 1 on the average, shape (n,).
    """

    moves: FloatArray
    strength: FloatArray


class Strokes:
    """A channel's pulses and rests, their creep taken out, ready to be compared with a phase.

    Parameters
    ----------
    cycles : Cycles
        The channel's.
    """

    def __init__(self, cycles: Cycles) -> None:
        pairs = np.stack([cycles.on_s, cycles.off_s], axis=1)
        calm = np.stack([_running_mean(one) for one in pairs.T], axis=1)
        self._start_s = cycles.start_s
        self._quick = pairs - calm
        # fractions of the scatter, so that pulse and rest count alike
        self._scale = self._quick.std(axis=0) + 1e-12
        self._total = (self._quick**2).sum(axis=0)

    def gain(self, neighbour: Neighbour) -> float:
        """Return twice the gain in log-likelihood that the neighbour's phase brings."""
        waves = self._waves(neighbour)
        found = np.linalg.lstsq(waves, self._quick, rcond=1e-6)[0]
        left = ((self._quick - waves @ found) ** 2).sum(axis=0)
        count = self._start_s.size
        return float(count * np.log(self._total / np.maximum(left, 1e-6 * self._total)).sum())

    def fit(self, neighbour: Neighbour, known: FloatArray | None = None) -> StrokeFit:
        """Fit one function of the phase with a strength, 0 or more, for each tenth of a second.

        Parameters
        ----------
        neighbour : Neighbour
            Who pulls.
        known : numpy.ndarray, optional
            What moves pulse and rest otherwise, seconds, shape (n, 2): it is taken out first.

        Returns
        -------
        StrokeFit
            Where the strength of a tenth of a second hardly shows, that of its second counts.
        """
        waves = self._waves(neighbour, _FIT_HARMONICS)
        quick = self._quick
        if known is not None:
            quick = quick - _calmed(known)
        values = quick / self._scale
        strength = np.ones(self._start_s.size)
        for _ in range(_ROUNDS):
            strength = self._strengthen(values, waves, strength, None)
        by_second = strength
        for _ in range(_ROUNDS):
            strength = self._strengthen(values, waves, strength, by_second)
        # what a bout does on the average counts too: it shows where the bout begins and ends
        whole = self._waves(neighbour, _FIT_HARMONICS, calmed=False)
        whole = np.concatenate([np.ones((strength.size, 1)), whole], axis=1) * strength[:, None]
        found = np.linalg.lstsq(_calmed(whole), values, rcond=1e-4)[0]
        moves = whole @ found * self._scale
        return StrokeFit(moves - moves.mean(axis=0), strength)

    def _strengthen(
        self,
        values: FloatArray,
        waves: FloatArray,
        strength: FloatArray,
        by_second: FloatArray | None,
    ) -> FloatArray:
        """Return the strength of each cycle anew, by seconds, or finer where those are known."""
        length_s = _WINDOW_S if by_second is None else _FINE_WINDOW_S
        window = (self._start_s / length_s).astype(np.intp)
        found = np.linalg.lstsq(waves * strength[:, None], values, rcond=1e-6)[0]
        shape = waves @ found
        along = np.bincount(window, (shape * values).sum(axis=1))
        power = np.bincount(window, (shape * shape).sum(axis=1)) + 1e-12
        by_window = along / power
        if by_second is not None:
            usual = np.bincount(window, by_second) / np.maximum(np.bincount(window), 1)
            noise = float((values - shape * strength[:, None]).var())
            seen = power > _SEEN * float(np.median(power))
            apart = (by_window - usual) ** 2 - noise / power
            # how far tenths differ from their second, against what chance makes of them
            weight = noise / max(float(np.mean(apart[seen])), _LEAST_SPREAD)
            by_window = (along + weight * usual) / (power + weight)
        by_window = np.maximum(by_window, 0.0)
        by_window /= max(float(by_window[window].mean()), 1e-9)
        return np.asarray(by_window[window])

    def _waves(
        self, neighbour: Neighbour, harmonics: int = HARMONICS, *, calmed: bool = True
    ) -> FloatArray:
        angle = 2.0 * np.pi * phase_of(neighbour, self._start_s)
        many = angle[:, None] * np.arange(1, harmonics + 1)
        waves = np.concatenate([np.cos(many), np.sin(many)], axis=1)
        # the running mean is taken from the waves as well: slow beats say nothing
        return _calmed(waves) if calmed else waves


def _calmed(functions: FloatArray) -> FloatArray:
    """Return functions without their running means, shape (n, q)."""
    return functions - np.stack([_running_mean(one) for one in functions.T], axis=1)


def _running_mean(values: FloatArray) -> FloatArray:
    weights = np.ones(min(_AROUND_CYCLES, values.size))
    total = np.convolve(values, weights, mode="same")
    return np.asarray(total / np.convolve(np.ones(values.size), weights, mode="same"))
