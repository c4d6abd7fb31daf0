"""Stretches of samples that are exactly zero: what a driver puts where it lost some."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchlog.recording import Gap

__all__ = ["BlankFinder"]

_LEAST_FRAMES = 32
"""The shortest buffer that a driver hands over (common practice)."""
_MOST_FRAMES = 1 << 14
_BY_CHANCE = 1e-15
"""How likely noise may be to leave such a run of zeros, at each sample."""
_QUIETEST_STEPS = 0.4
"""Noise, in rounding steps, below which an input's own rest may be zero all along."""


class BlankFinder:
    """Gathers runs of zeros from one input's samples, a stretch at a time."""

    def __init__(self) -> None:
        self._runs: list[tuple[int, int]] = []
        self._open = -1  # where the run began that reaches the end of what was added

    def add(self, values: NDArray[np.floating], first: int) -> None:
        """Add the samples that follow, shape (n,); `first` is the index of the first of them."""
        end = first + values.shape[0]
        if values.shape[0] == 0:
            return
        zero = values == 0
        if not (self._open >= 0 or np.count_nonzero(zero) >= _LEAST_FRAMES or zero[-1]):
            return
        turns = np.flatnonzero(np.diff(np.concatenate(([False], zero, [False])).astype(np.int8)))
        begins, ends = (turns[::2] + first).tolist(), (turns[1::2] + first).tolist()
        if self._open >= 0:
            if begins and begins[0] == first:
                begins[0] = self._open
            else:
                begins, ends = [self._open, *begins], [first, *ends]
        self._open = -1
        if ends and ends[-1] == end:
            self._open = begins.pop()
            ends.pop()
        self._runs += [
            (begin, stop)
            for begin, stop in zip(begins, ends, strict=True)
            if stop - begin >= _LEAST_FRAMES
        ]

    def finish(self, noise: float, quantum: float, rate_hz: float) -> tuple[Gap, ...]:
        """Return the stretches that noise cannot have left at zero.

        Parameters
        ----------
        noise : float
            Standard deviation of the input's noise per sample, units of full scale.
        quantum : float
            Rounding step of the samples; 0 where they are not rounded.
        rate_hz : float
            Samples per second.

        Returns
        -------
        tuple of Gap
            In time's order; empty where the input is so quiet that zeros say nothing. Zeros
            with which the samples begin or end are left out: there the input was not yet, or
            no longer, running.
        """
        if not noise > 0 or noise < _QUIETEST_STEPS * quantum:
            return ()
        chance = math.erf(quantum / (2.0 * math.sqrt(2.0) * noise)) if quantum > 0 else 0.0
        least = _LEAST_FRAMES
        if chance > 0:
            least = max(
                least, min(_MOST_FRAMES, math.ceil(math.log(_BY_CHANCE) / math.log(chance)))
            )
        return tuple(
            Gap(begin / rate_hz, (stop - begin) / rate_hz)
            for begin, stop in self._runs
            if stop - begin >= least and begin > 0
        )
