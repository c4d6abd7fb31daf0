"""Single cycles far outside the others: what a sudden pull on the supply leaves behind.

Where the supply steps in the middle of a rest, that one rest is longer or shorter by up to a
millisecond, while the cycles before and after differ by microseconds. A handful of those would
carry all of the variance, and what the other thousands tell would drown in it. So the causes
are told apart by the others, and what the odd ones add is put to a cause by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles

__all__ = ["Calmed", "calm_cycles"]

Values = NDArray[np.float64]

_WINDOW = 9  # cycles of the running median: no step moves it for long
_FAR = 8.0  # standard deviations, as the middle of the cycles gives them
_MOST = 0.15
"""Of all cycles: more of them are no odd ones, but how this channel moves."""
_FEWEST = 64
_AT_REST = 3.0  # standard deviations
_MOST_GROWN = 12  # cycles to either side
_LEAST_LEFT = 0.4
"""Of all cycles: what is left of a channel that is hardly ever at rest says nothing."""
_INNER = 0.85
_ROUNDING_S = 1e-11
_NORMAL = 1.4826  # from the median of absolute deviations to a standard deviation


@dataclass(frozen=True, slots=True, eq=False)
class Calmed:
    """A recording with its odd cycles set apart.

    Attributes
    ----------
    cycles : Cycles
        The odd ones lie on the straight line between the cycles around them: where a cause went
        from one state to another, that is the way in which it moves pulse and rest.
    on_s, off_s : numpy.ndarray
        By how much each odd cycle differed from that, seconds, shape (k,).
    variances : numpy.ndarray
        What they add to the variances of pulse and period, seconds squared, shape (2,).
    """

    cycles: Cycles
    on_s: Values
    off_s: Values
    variances: Values


def calm_cycles(cycles: Cycles) -> Calmed:
    """Set odd cycles apart.

    Parameters
    ----------
    cycles : Cycles
        A recording.

    Returns
    -------
    Calmed
        The recording as it is where there are no odd cycles, too many, or too few cycles.
    """
    none = np.zeros(0)
    if cycles.count < _FEWEST:
        return Calmed(cycles, none, none, np.zeros(2))
    both = np.stack([cycles.on_s, cycles.off_s])
    beyond = both - _running_median(both)
    scatter = np.array([_scatter(one) for one in beyond])[:, None]
    odd = np.any(np.abs(beyond) > _FAR * scatter, axis=0)
    if not odd.any() or np.mean(odd) > _MOST:
        return Calmed(cycles, none, none, np.zeros(2))
    odd = _with_what_follows(both / np.minimum(scatter, 1.0), odd)
    left = np.flatnonzero(~odd)
    if left.shape[0] < _FEWEST or left.shape[0] < _LEAST_LEFT * cycles.count:
        return Calmed(cycles, none, none, np.zeros(2))
    places = np.arange(cycles.count)
    on, off = (np.interp(places, left, one[left]) for one in both)
    calm = replace(cycles, on_s=on, off_s=off)
    added = np.array(
        [np.var(cycles.on_s) - np.var(on), np.var(cycles.period_s) - np.var(calm.period_s)]
    )
    apart = both[:, odd] - np.stack([on[odd], off[odd]])
    return Calmed(calm, apart[0], apart[1], np.maximum(added, 0.0))


def _running_median(both: Values) -> Values:
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(both, size=(1, _WINDOW), mode="nearest"), dtype=np.float64)


def _with_what_follows(scaled: Values, odd: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Add the cycles beside odd ones that have not come to rest yet.

    `scaled` is on and off in units of their scatter, shape (2, n). Each run of odd cycles grows
    while the next one still differs from the middle of those beyond it.
    """
    grown = odd.copy()
    count = odd.shape[0]
    for step in (1, -1):
        edges = np.flatnonzero(odd & ~np.roll(odd, -step))
        for edge in edges.tolist():
            for place in range(edge + step, edge + step * (_MOST_GROWN + 1), step):
                beyond = np.arange(place + step, place + step * (_WINDOW + 1), step)
                if not 0 <= place < count or beyond.min() < 0 or beyond.max() >= count:
                    break
                calm = beyond[~odd[beyond]]
                if calm.shape[0] < _WINDOW // 2:
                    break
                middle = np.median(scaled[:, calm], axis=1)
                if np.all(np.abs(scaled[:, place] - middle) < _AT_REST):
                    break
                grown[place] = True
    return grown


def _scatter(beyond: Values) -> float:
    """Return the standard deviation of the middle; infinite where the middle does not move."""
    size = np.abs(beyond)
    inner = size[size <= np.quantile(size, _INNER)]
    # where ticks are coarse the median is 0 and the inner ones still show them
    scatter = max(_NORMAL * float(np.median(size)), float(np.sqrt(np.mean(inner**2))))
    return scatter if scatter > _ROUNDING_S else np.inf
