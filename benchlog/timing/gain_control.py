"""Automatic gain and noise suppression, as they show on a train whose step should not change.

The step of a channel's output is its supply voltage, which does not care what the knob does. If
it changes at the input, the input changes it: automatic gain lets it creep up or down, noise
suppression lets a steady train fade or cuts pieces out, and both change the noise between
the pulses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["GainTrack", "find_gain_control", "level_out", "step_heights"]

_BLOCK_S = 0.5
_FEWEST_BLOCKS = 4
_NOTICED_DB = 1.0
_NOISE_NOTICED_DB = 3.0
_SIGNIFICANT = 6.0
_CUT_SHARE = 0.5
_LEVELLED_DB = 0.2

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class GainTrack:
    """How an input's gain went over a recording.

    Attributes
    ----------
    at_work : bool or None
        Whether gain control or noise suppression shows; None where the recording is too short
        to tell (less than two seconds).
    change_db : float
        From the lowest to the highest step, half-second means.
    trend_db_per_s : float
        Slope of the step.
    u_db : float
        Standard uncertainty of one half-second mean.
    noise_change_db : float
        From the lowest to the highest noise between the pulses, half-second figures.
    cut_count : int
        Half-seconds, between others with pulses, in which more than half of them are missing.
    watched_s : float
        Length of the stretch that was looked at.
    middle_s, relative : numpy.ndarray
        Middle of each half-second and its mean step over the usual one, shape (n,).
    """

    at_work: bool | None
    change_db: float
    trend_db_per_s: float
    u_db: float
    noise_change_db: float
    cut_count: int
    watched_s: float
    middle_s: FloatArray
    relative: FloatArray


def step_heights(values: FloatArray, time_s: FloatArray, rate_hz: float) -> FloatArray:
    """Return the height of each step, from the mean of 0.1 ms on either side of it.

    Parameters
    ----------
    values : numpy.ndarray
        Samples, shape (n,).
    time_s : numpy.ndarray
        When each step is, seconds from the first sample, shape (m,).
    rate_hz : float
        Samples per second.

    Returns
    -------
    numpy.ndarray
        Shape (m,), without sign; NaN for a step at an end of the recording.
    """
    reach = max(2, round(1e-4 * rate_hz))
    guard = max(1, round(5e-5 * rate_hz))
    place = np.rint(time_s * rate_hz).astype(np.intp)
    inside = (place > reach + guard) & (place < values.shape[0] - reach - guard)
    running = np.concatenate(([0.0], np.cumsum(values)))
    at = place[inside]
    after = running[at + guard + reach] - running[at + guard]
    before = running[at - guard] - running[at - guard - reach]
    result = np.full(time_s.shape, np.nan)
    result[inside] = np.abs(after - before) / reach
    return result


def find_gain_control(
    values: FloatArray, time_s: FloatArray, rate_hz: float, *, quantum: float = 0.0
) -> GainTrack:
    """Look for a gain that changes.

    Parameters
    ----------
    values : numpy.ndarray
        Samples, shape (n,).
    time_s : numpy.ndarray
        When each step is, ascending, shape (m,).
    rate_hz : float
        Samples per second.
    quantum : float
        Quantisation step; noise near it is not judged.

    Returns
    -------
    GainTrack
        Noticed where the step changes by 1 dB and by six times its uncertainty, where the
        noise changes by 3 dB, or where pulses are missing for half a second between others.
    """
    height = step_heights(values, time_s, rate_hz)
    known = np.isfinite(height) & (height > 0)
    height, time_s = height[known], time_s[known]
    watched_s = float(time_s[-1] - time_s[0]) if time_s.shape[0] else 0.0
    count = int(watched_s / _BLOCK_S)
    if count < _FEWEST_BLOCKS:
        empty = np.empty(0)
        return GainTrack(None, 0.0, 0.0, 0.0, 0.0, 0, watched_s, empty, empty)
    block = np.minimum(((time_s - time_s[0]) / watched_s * count).astype(np.intp), count - 1)
    pulses = np.bincount(block, minlength=count)
    full = pulses > _CUT_SHARE * np.median(pulses[pulses > 0])
    means = np.bincount(block, height, minlength=count)[full] / pulses[full]
    middle_s = (time_s[0] + (np.arange(count) + 0.5) * watched_s / count)[full]
    usual = float(np.median(means))
    scatter = _scatter(height, block, pulses, full)
    level_db = 20.0 * np.log10(means / usual)
    u_db = 8.69 * scatter / usual / float(np.sqrt(np.median(pulses[full])))
    change_db = float(level_db.max() - level_db.min())
    noise_db = _noise_change_db(values, time_s, rate_hz, quantum)
    cuts = int(np.count_nonzero(~full))
    moved = change_db > _NOTICED_DB and change_db > _SIGNIFICANT * u_db
    slope = float(np.polyfit(middle_s, level_db, 1)[0]) if middle_s.shape[0] > 1 else 0.0
    return GainTrack(
        at_work=bool(moved or cuts > 0 or noise_db > _NOISE_NOTICED_DB),
        change_db=change_db,
        trend_db_per_s=slope,
        u_db=u_db,
        noise_change_db=noise_db,
        cut_count=cuts,
        watched_s=watched_s,
        middle_s=middle_s,
        relative=means / usual,
    )


def level_out(values: FloatArray, track: GainTrack, rate_hz: float) -> FloatArray:
    """Undo a gain that changes, so that the rest of an input can be judged.

    Parameters
    ----------
    values : numpy.ndarray
        Samples, shape (n,).
    track : GainTrack
        From `find_gain_control`.
    rate_hz : float
        Samples per second.

    Returns
    -------
    numpy.ndarray
        The samples themselves where the gain hardly changes.
    """
    if track.change_db < _LEVELLED_DB or track.change_db < _SIGNIFICANT * track.u_db:
        return values
    at_s = np.arange(values.shape[0]) / rate_hz
    gain = np.exp(np.interp(at_s, track.middle_s, np.log(track.relative)))
    result: FloatArray = values / gain
    return result


def _scatter(
    height: FloatArray, block: NDArray[np.intp], pulses: NDArray[np.intp], full: NDArray[np.bool_]
) -> float:
    """Return the standard deviation of a single height within its half-second."""
    means = np.bincount(block, height, minlength=pulses.shape[0]) / np.maximum(pulses, 1)
    mine = full[block]
    apart = height[mine] - means[block[mine]]
    return float(np.sqrt(np.mean(apart**2)))


def _noise_change_db(
    values: FloatArray, time_s: FloatArray, rate_hz: float, quantum: float
) -> float:
    """Return how much the noise between the pulses changes, from second differences."""
    quiet = np.ones(values.shape[0], bool)
    at = np.rint(time_s * rate_hz).astype(np.intp)[:, None] + np.arange(-40, 41)
    quiet[np.clip(at, 0, values.shape[0] - 1)] = False
    size = round(_BLOCK_S * rate_hz)
    count = values.shape[0] // size
    if count < _FEWEST_BLOCKS:
        return 0.0
    curve = np.zeros(values.shape[0])
    curve[1:-1] = (values[2:] - 2.0 * values[1:-1] + values[:-2]) / np.sqrt(6.0)
    squares = np.where(quiet, curve**2, 0.0)[: count * size].reshape(count, size).sum(axis=1)
    counts = quiet[: count * size].reshape(count, size).sum(axis=1)
    enough = counts > 500
    if np.count_nonzero(enough) < _FEWEST_BLOCKS:
        return 0.0
    noise = np.sqrt(squares[enough] / counts[enough])
    noise = np.hypot(noise, max(quantum, 1e-9))  # below its step a converter shows no noise
    low, high = np.quantile(noise, [0.1, 0.9])
    return float(20.0 * np.log10(high / low))
