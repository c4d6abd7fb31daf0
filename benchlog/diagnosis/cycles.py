"""The cycles of a recording: each pulse and the rest that follows it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.pulses import Measurement

__all__ = ["Cycles", "list_cycles"]

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Cycles:
    """Whole cycles of one input, in the order of time.

    Attributes
    ----------
    start_s : numpy.ndarray
        Beginning of each pulse, seconds from the recording's start, shape (n,).
    on_s, off_s : numpy.ndarray
        The pulse, and the rest that follows it, seconds, shape (n,).
    follows : numpy.ndarray
        Shape (n,), bool: True where the cycle begins as the one before it in the list ends.
        The first is False.
    u_edge_s : float
        Standard deviation of one edge's time from the input's noise alone, seconds.
    duration_s : float
        Length of the stretch that was watched, seconds.
    """

    start_s: Values
    on_s: Values
    off_s: Values
    follows: NDArray[np.bool_]
    u_edge_s: float
    duration_s: float

    @property
    def period_s(self) -> Values:
        """On and off together, seconds, shape (n,)."""
        return self.on_s + self.off_s

    @property
    def count(self) -> int:
        """Number of cycles."""
        return int(self.on_s.shape[0])


def list_cycles(measurement: Measurement, spoilt: NDArray[np.bool_] | None = None) -> Cycles:
    """List the whole cycles of a measurement.

    Parameters
    ----------
    measurement : Measurement
        With m pulses.
    spoilt : numpy.ndarray, optional
        Shape (m,), bool: True where an event touches the pulse or the cycle that it begins.
        Such cycles are left out.

    Returns
    -------
    Cycles
        Between 0 and m - 1 of them.

    Raises
    ------
    ValueError
        `spoilt` has another shape than the pulses.
    """
    pulses = measurement.pulses
    count = pulses.start_s.shape[0]
    kept = np.asarray(pulses.whole, dtype=bool).copy()
    if spoilt is not None:
        if spoilt.shape != (count,):
            raise ValueError(f"spoilt must have shape ({count},), got {spoilt.shape}")
        if pulses.cut is not None:
            kept |= pulses.cut  # a cut leaves such cycles, and then they are spoilt
        kept &= ~spoilt[: kept.shape[0]]
    where = np.flatnonzero(kept)
    on = pulses.width_s[where]
    follows = np.zeros(where.shape[0], dtype=bool)
    follows[1:] = np.diff(where) == 1
    noise = float(np.sqrt(np.mean(pulses.u_width_s**2) / 2)) if count else 0.0
    return Cycles(
        start_s=pulses.start_s[where],
        on_s=on,
        off_s=pulses.period_s[where] - on,
        follows=follows,
        u_edge_s=noise,
        duration_s=measurement.duration_s,
    )
