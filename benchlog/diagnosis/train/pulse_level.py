"""By how much the pulse is longer behind a place than before it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.train.usual_cycle import UsualCycle

__all__ = ["list_pulses", "measure_step"]

_ABOUT = 3
"""Pulses on either side; their median is compared."""
_FEWEST = 2
_WITHIN = (0.5, 1.7)
"""Shares of the usual pulse: what is shorter or longer is no whole pulse of the train."""
_STEP_SPREADS = 6.0
_STEP_RANGES = 3.0
"""Times what the pulses on the quieter side differ among themselves: a knob that is turned moves
the pulse before and after as well, a load leaves one side still."""

FloatArray = NDArray[np.float64]


def list_pulses(cycle: UsualCycle) -> NDArray[np.intp]:
    """List the intervals that are a whole pulse of about the usual length.

    Parameters
    ----------
    cycle : UsualCycle
        From `find_usual_cycle`.

    Returns
    -------
    numpy.ndarray
        Their indices, ascending.
    """
    part = cycle.length_s / cycle.usual_on_s
    kept = cycle.whole & cycle.opens[:-1] & (part > _WITHIN[0]) & (part < _WITHIN[1])
    return np.flatnonzero(kept)


def measure_step(cycle: UsualCycle, pulses: NDArray[np.intp], first: int, last: int) -> float:
    """Return by how much the pulse is longer behind a stretch than before it.

    Parameters
    ----------
    cycle : UsualCycle
        From `find_usual_cycle`.
    pulses : numpy.ndarray
        From `list_pulses`.
    first, last : int
        Index of the stretch's first and last edge.

    Returns
    -------
    float
        As a share of the usual pulse, below 0 where it is shorter; 0 where it steps by no more
        than pulses differ there, or too few pulses lie on one side.
    """
    low, high = np.searchsorted(pulses, (first, last))
    before = cycle.length_s[pulses[max(int(low) - _ABOUT, 0) : low]]
    after = cycle.length_s[pulses[high : high + _ABOUT]]
    if min(before.shape[0], after.shape[0]) < _FEWEST:
        return 0.0
    step = float(np.median(after) - np.median(before))
    still = float(min(np.ptp(before), np.ptp(after)))
    # near loads that come and go the pulse's scatter there is the loads' own
    usual_spread = float(np.min(cycle.spread_on_s))
    least = max(_STEP_SPREADS * usual_spread, _STEP_RANGES * still)
    return step / cycle.usual_s(first, on=True) if abs(step) > least else 0.0
