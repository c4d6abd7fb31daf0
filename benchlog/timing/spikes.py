"""Spikes too short for the search for edges: the output, or something else, for an instant."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["find_spikes"]

_REACH_S = 60e-6
"""Half the stretch that a sample is set against; the search for edges sees what lasts longer."""
_LEAST_SHARE = 0.6
"""Of the step. Set against both its sides a lone edge makes half a step, and its ringing more."""
_ABOVE_EDGES = 0.15
_SPREADS = 9.0
"""What is set against both sides has 1.22 times the noise of a sample: this is 7.3 times that."""
_RINGING_FRAMES = 8

FloatArray = NDArray[np.float64]


def find_spikes(
    values: NDArray[np.floating],
    place: NDArray[np.floating],
    rate_hz: float,
    step: float,
    noise: float,
) -> FloatArray:
    """Find samples that stand out from those on both sides by more than any edge makes them.

    Parameters
    ----------
    values : numpy.ndarray
        Samples of one input, units of full scale, shape (n,).
    place : numpy.ndarray
        The edges that were found, samples from the first value, shape (m,).
    rate_hz : float
        Samples per second.
    step : float
        Height of the pulse, units of full scale.
    noise : float
        Standard deviation of the noise per sample, units of full scale.

    Returns
    -------
    numpy.ndarray
        Where each spike is highest, samples from the first value, ascending; may be empty.
    """
    reach = max(2, round(_REACH_S * rate_hz))
    none = np.empty(0)
    if not step > 0 or values.shape[0] <= 2 * reach:
        return none
    out = np.abs(values[reach:-reach] - 0.5 * (values[: -2 * reach] + values[2 * reach :]))
    least = max(_LEAST_SHARE * step, _SPREADS * noise)
    hits = np.flatnonzero(out > least)
    if hits.shape[0] == 0:
        return none
    around = 2 * reach + _RINGING_FRAMES
    edges = np.sort(np.round(place).astype(np.int64)) - reach
    edges = edges[(edges >= around) & (edges < out.shape[0] - around)]
    if edges.shape[0]:
        usual = float(np.median(out[edges[:, None] + np.arange(-around, around + 1)].max(axis=1)))
        after = np.searchsorted(edges, hits)
        before = np.abs(hits - edges[np.maximum(after - 1, 0)])
        behind = np.abs(hits - edges[np.minimum(after, edges.shape[0] - 1)])
        near = np.minimum(before, behind) <= around
        above = max(_ABOVE_EDGES * step, _SPREADS * noise)
        hits = hits[~near | (out[hits] > usual + above)]
    groups = np.split(hits, np.flatnonzero(np.diff(hits) > 2 * reach) + 1)
    return np.array(
        [float(group[int(np.argmax(out[group]))] + reach) for group in groups if group.shape[0]]
    )
