"""The sample clock against the system clock.

Each block of samples comes a little after its last sample was taken: never earlier than a
certain least delay, often later. So the earliest arrivals lie on a straight line whose slope
is the true time between samples, and everything else lies above it. The line is fitted to the
lower envelope: the earliest arrival (against the nominal rate) in each of some equal stretches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ClockFit", "fit_clock"]

_STRETCHES = 24
_FEWEST_STRETCHES = 8
_SETTLE_SHARE = 0.15
_LONGEST_SETTLE_S = 4.0
_WANDER_S = 2e-4
_WANDER_SHARE = 0.02

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ClockFit:
    """What the sample clock does.

    Attributes
    ----------
    ppm : float
        By how much it runs faster than the system clock, parts in a million. A fast clock
        makes every pulse look longer than it is.
    u_ppm : float
        Standard uncertainty of the comparison; the system clock's own is not in it.
    duration_s : float
        Length of the comparison.
    block_count : int
        Arrivals that were used.
    latency_scatter_s : float
        Scatter of the arrivals' delays, as a standard deviation (from the median).
    """

    ppm: float
    u_ppm: float
    duration_s: float
    block_count: int
    latency_scatter_s: float


def fit_clock(frame_count: FloatArray, arrival_s: FloatArray, rate_hz: float) -> ClockFit | None:
    """Compare a sample clock with the clock that the arrivals were read from.

    Parameters
    ----------
    frame_count : numpy.ndarray
        Frames that the device has taken up to the end of each block, lost ones included,
        ascending, shape (n,).
    arrival_s : numpy.ndarray
        When each block came, seconds by the system's monotonic clock, shape (n,).
    rate_hz : float
        The nominal rate.

    Returns
    -------
    ClockFit or None
        None from fewer than some twenty blocks.

    Notes
    -----
    The uncertainty is that of a straight line through the envelope's points from their own
    scatter (widened for few points), from its bend, or from the envelope's whole range about the
    line over the comparison (rectangular), whichever is largest; to that comes what
    the least delay may wander unseen over the comparison, taken as 0.2 ms or a fiftieth of the
    delays' scatter.
    """
    if frame_count.shape[0] < 3 * _FEWEST_STRETCHES:
        return None
    late = arrival_s - frame_count / rate_hz
    settle_s = min(_LONGEST_SETTLE_S, _SETTLE_SHARE * float(arrival_s[-1] - arrival_s[0]))
    used = arrival_s >= arrival_s[0] + settle_s
    at, late = arrival_s[used] - arrival_s[0], late[used] - late[used].min()
    count = min(_STRETCHES, at.shape[0] // 3)
    if count < _FEWEST_STRETCHES:
        return None
    x, y = _envelope(at, late, count)
    slope, u = _line(x, y)
    duration_s = float(at[-1] - at[0])
    rest = late - slope * at
    scatter_s = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    wander = max(_WANDER_S, _WANDER_SHARE * scatter_s) / duration_s
    # the least delay may wander over all of this range, as a sound server's sawtooth does, and
    # a line that follows one of its ramps takes the rest for outliers
    wide = float(np.ptp(y - slope * x)) / (np.sqrt(3.0) * duration_s)
    u = float(np.hypot(max(u, _bend(x, y, slope), wide), wander))
    # The delay against the nominal rate grows with time where the clock is slow.
    return ClockFit(
        ppm=-1e6 * slope,
        u_ppm=1e6 * u,
        duration_s=duration_s,
        block_count=int(at.shape[0]),
        latency_scatter_s=scatter_s,
    )


def _envelope(at: FloatArray, late: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """Return the earliest arrival of each stretch, the mean slope taken out for the choice."""
    slope = 0.0
    for _ in range(3):
        bounds = np.linspace(at[0], at[-1], count + 1)
        stretch = np.clip(np.searchsorted(bounds, at, side="right") - 1, 0, count - 1)
        flat = late - slope * at
        chosen = []
        for number in range(count):
            mine = np.flatnonzero(stretch == number)
            if mine.shape[0]:
                chosen.append(mine[np.argmin(flat[mine])])
        index = np.array(chosen)
        slope = _line(at[index], late[index])[0]
    return at[index], late[index]


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Return the slope of a straight line, outliers weighed down, and its uncertainty."""
    weight = np.ones(x.shape[0])
    slope, rest = 0.0, y - y.mean()
    for _ in range(8):
        mean_x, mean_y = np.average(x, weights=weight), np.average(y, weights=weight)
        spread = float(np.sum(weight * (x - mean_x) ** 2))
        slope = float(np.sum(weight * (x - mean_x) * (y - mean_y))) / spread
        rest = y - mean_y - slope * (x - mean_x)
        scale = 1.4826 * float(np.median(np.abs(rest))) + 1e-9
        weight = 1.0 / np.maximum(1.0, np.abs(rest) / (2.0 * scale))
    free = max(1.0, float(weight.sum()) - 2.0)
    variance = float(np.sum(weight * rest**2)) / free
    return slope, float(np.sqrt(variance / spread)) * (1.0 + 2.0 / free)


def _bend(x: FloatArray, y: FloatArray, slope: float) -> float:
    """Return how far the envelope's middle lies off its ends, as an uncertainty of the slope."""
    rest = y - slope * x
    third = max(2, x.shape[0] // 3)
    first, last = float(np.median(rest[:third])), float(np.median(rest[-third:]))
    middle = float(np.median(rest[third:-third]))
    apart = float(x[-third:].mean() - x[:third].mean())
    return abs(0.5 * (first + last) - middle) / apart
