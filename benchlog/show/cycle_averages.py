"""Averages of a recording's cycles over short stretches, for pictures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from benchlog.diagnosis.cycles import Cycles

__all__ = ["Averages", "average_cycles"]

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Averages:
    """Means over short stretches, in which the jitter goes and the creep stays.

    Attributes
    ----------
    time_s : numpy.ndarray
        Middle of each stretch, seconds from the recording's start, shape (m,).
    on_s, off_s : numpy.ndarray
        Mean pulse and rest in it, seconds, shape (m,).
    length_s : float
        Length of a stretch, seconds.
    """

    time_s: Values
    on_s: Values
    off_s: Values
    length_s: float


def average_cycles(cycles: Cycles) -> Averages:
    """Average a recording over stretches of a second, other ones where it is short or long.

    Parameters
    ----------
    cycles : Cycles
        One or more.

    Returns
    -------
    Averages
        Of those stretches that hold three cycles at least; may be empty.
    """
    begin_s, end_s = float(cycles.start_s[0]), float(cycles.start_s[-1])
    whole_s, period_s = end_s - begin_s, float(np.mean(cycles.period_s))
    length_s = max(min(1.0, whole_s / 10.0), whole_s / 300.0, 4.0 * period_s)
    index = ((cycles.start_s - begin_s) / length_s).astype(np.intp)
    count = np.bincount(index)
    kept = count >= 3

    def mean(values: Values) -> Values:
        return np.asarray((np.bincount(index, values) / np.maximum(count, 1))[kept])

    return Averages(mean(cycles.start_s), mean(cycles.on_s), mean(cycles.off_s), length_s)
