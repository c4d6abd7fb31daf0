"""How far the rest of the cycle moves for each movement of the pulse, as the recording shows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.series.mains import MainsSearch

__all__ = ["MeasuredRatio", "measure_ratio"]

_BLOCKS = 10
_FEWEST_CYCLES = 100
"""Of fewer cycles a tenth is hardly a block."""

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeasuredRatio:
    """A ratio with what is uncertain of it.

    Attributes
    ----------
    value : float
        Seconds of the rest for each second of the pulse; negative where one grows while the other
        shrinks.
    u : float
        Its standard uncertainty.
    """

    value: float
    u: float


def measure_ratio(
    cycles: Sequence[Cycles],
    searches: Sequence[MainsSearch] = (),
    *,
    counted: str = "pulse",
) -> MeasuredRatio | None:
    """Fit how far the rest moves for each movement of the pulse, where one cause moves both.

    The ratio is that of a covariance to a variance, of the cycles about the mean of their
    recording. What the noise of the edges adds is taken out of both: an edge that is late makes
    the pulse longer and the rest shorter, so that noise of variance s^2 an edge adds 2 s^2 to
    either variance and -s^2 to the covariance. What other causes move, independently of the one
    that is meant, stays in the variance by which is divided and pulls the ratio.

    Parameters
    ----------
    cycles : sequence of Cycles
        One or several recordings of one channel, knob in the same place.
    searches : sequence of MainsSearch
        For each of them the hum that was found, which is taken out; nothing is if empty.
    counted : {"pulse", "period"}
        Which the cause moves most: the ratio is to the pulse's variance with ``pulse``, from the
        rest's with ``period``, so that a cause that hardly moves one of the two is still seen in
        the other.

    Returns
    -------
    MeasuredRatio or None
        None of fewer than 100 cycles, or where noise is all there is. The uncertainty is that of
        the delete-one jackknife over ten blocks in the order of time, so that slow movement
        counts as few independent values (B. Efron, The jackknife, the bootstrap and other
        resampling plans, SIAM 1982, chapter 3).
    """
    kept: Sequence[MainsSearch | None] = list(searches) or [None] * len(cycles)
    blocks = [
        block
        for one, search in zip(cycles, kept, strict=True)
        if one.count >= 2
        for block in _moments(one, search, _share_of_blocks(one, cycles))
    ]
    moments = np.array(blocks)
    if moments.shape[0] < 2 or sum(one.count for one in cycles) < _FEWEST_CYCLES:
        return None
    whole = _ratio(moments.sum(axis=0), counted)
    left = [_ratio(moments.sum(axis=0) - block, counted) for block in moments]
    known = [one for one in left if one is not None]
    if whole is None or len(known) < len(left):
        return None
    count = len(known)
    spread = np.asarray(known) - np.mean(known)
    return MeasuredRatio(whole, float(np.sqrt((count - 1) / count * np.sum(spread**2))))


def _share_of_blocks(one: Cycles, cycles: Sequence[Cycles]) -> int:
    """Return how many of the ten blocks a recording gets, one at least."""
    return max(1, round(_BLOCKS * one.count / sum(each.count for each in cycles)))


def _moments(cycles: Cycles, search: MainsSearch | None, blocks: int) -> list[tuple[float, ...]]:
    """Return sums of squares of pulse and rest, and of their product, noise taken out, by block."""
    on, off = cycles.on_s.copy(), cycles.off_s.copy()
    for line in search.lines if search is not None else ():
        on -= line.on_part_s
        off -= line.off_part_s
    on -= on.mean()
    off -= off.mean()
    noise = cycles.u_edge_s**2
    return [
        (
            float(np.sum(on[part] ** 2 - 2.0 * noise)),
            float(np.sum(off[part] ** 2 - 2.0 * noise)),
            float(np.sum(on[part] * off[part] + noise)),
        )
        for part in np.array_split(np.arange(cycles.count), min(blocks, cycles.count))
    ]


def _ratio(moments: Values, counted: str) -> float | None:
    """Return the ratio that sums of squares and of products give; None where noise is all."""
    pulse, rest, both = (float(one) for one in moments)
    if counted == "pulse":
        return both / pulse if pulse > 0.0 else None
    return rest / both if rest > 0.0 and both != 0.0 else None
