"""Labels in a row or a column, moved as little as need be so that none covers another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

__all__ = ["spread_labels"]


def spread_labels(
    wanted: Sequence[float], sizes: Sequence[float], low: float, high: float
) -> list[float]:
    """Find places for labels along a line.

    Parameters
    ----------
    wanted : sequence of float
        Where the middle of each label would lie best, shape (n,), in any order.
    sizes : sequence of float
        Length of each along the line, its distance to the next counted in, shape (n,).
    low, high : float
        The ends of the line.

    Returns
    -------
    list of float
        The middles, in the order of `wanted`; the sum of the squared moves is the least that
        keeps the labels apart, in their order, and on the line. Where the line is too short
        for all, they stand as close as it takes, evenly.

    Raises
    ------
    ValueError
        As many sizes as labels are needed.
    """
    if len(wanted) != len(sizes):
        raise ValueError(f"{len(wanted)} labels need as many sizes, got {len(sizes)}")
    if not wanted:
        return []
    order = np.argsort(np.asarray(wanted, np.float64), kind="stable")
    size = np.asarray(sizes, np.float64)[order]
    size = size * min(1.0, (high - low) / float(size.sum()))
    offset = np.cumsum(size) - size / 2.0
    # with the labels' own lengths taken out, 'apart' means 'not falling'
    free = _rise(np.asarray(wanted, np.float64)[order] - offset)
    placed = np.clip(free, low, max(low, high - float(size.sum()))) + offset
    found = np.empty(placed.shape)
    found[order] = placed
    return [float(one) for one in found]


def _rise(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[float]:
    """Return the nearest series that never falls (pooling of adjacent violators)."""
    pools: list[tuple[float, int]] = []
    for value in values:
        mean, count = float(value), 1
        while pools and pools[-1][0] > mean:
            before, many = pools.pop()
            mean = (mean * count + before * many) / (count + many)
            count += many
        pools.append((mean, count))
    return [mean for mean, count in pools for _ in range(count)]
