"""Along the knob: positions taken twice, dead travel, and how many settings there are.

All functions take positions in ascending order of the knob angle, and pulses in seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Settings", "count_settings", "find_dead_travel", "merge_positions"]

_CONFIDENCE = 0.95
_LIVE_SHARE = 0.02
"""A piece of the curve lives when it is at least so steep, of the whole curve's mean."""
_PIECES, _RUNGS, _HALVINGS = 128, 20, 30

DEAD_SHARE = 0.15
"""A stretch is dead when it surely changes the pulse by less than this share of the usual."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Settings:
    """How many knob positions can be told apart and set again with confidence.

    Attributes
    ----------
    count : int or None
        Number of them over the knob's travel; None where that is not known.
    spacing_deg : float or None
        Knob angle from one to the next, degrees.
    """

    count: int | None
    spacing_deg: float | None


def merge_positions(
    knob_deg: FloatArray, values: FloatArray, same_deg: float = 1e-6
) -> tuple[FloatArray, FloatArray]:
    """Average what was taken at one knob angle (up and down, or twice).

    Parameters
    ----------
    knob_deg, values : numpy.ndarray
        Shape (n,), in any order.
    same_deg : float
        Angles closer than this are one position.

    Returns
    -------
    tuple of numpy.ndarray
        Angles, strictly ascending, and mean values, both of shape (m,), m <= n.
    """
    order = np.argsort(knob_deg, kind="stable")
    angles, sorted_values = knob_deg[order], values[order]
    group = np.concatenate(([0], np.cumsum(np.diff(angles) > same_deg)))
    counts = np.bincount(group)
    return (
        np.bincount(group, weights=angles) / counts,
        np.bincount(group, weights=sorted_values) / counts,
    )


def find_dead_travel(
    knob_deg: FloatArray,
    pulse_s: FloatArray,
    u_s: FloatArray,
    design_s: FloatArray | None = None,
) -> NDArray[np.bool_]:
    """Mark positions at either end between which turning the knob changes nothing.

    Parameters
    ----------
    knob_deg : numpy.ndarray
        Strictly ascending, shape (n,), degrees.
    pulse_s, u_s : numpy.ndarray
        Pulses and their standard uncertainties, shape (n,), seconds.
    design_s : numpy.ndarray, optional
        The design's pulses there, shape (n,), seconds.

    Returns
    -------
    numpy.ndarray
        Shape (n,), bool. With fewer than four positions and no design nothing is evident: all
        False.

    Notes
    -----
    A step is dead when its change and twice that change's uncertainty together stay below
    `DEAD_SHARE` of what the design changes there; of what the median slope of the sweep would
    give where there is no design, or one that is dead there itself.
    """
    dead = np.zeros(knob_deg.size, dtype=bool)
    if knob_deg.size < (4 if design_s is None else 2):
        return dead
    turn = np.diff(knob_deg)
    change = np.abs(np.diff(pulse_s))
    usual = float(np.median(change / turn)) * turn
    if design_s is not None:
        meant = np.abs(np.diff(design_s))
        usual = np.where(meant > 0.0, meant, usual)
    still = change + 2.0 * np.hypot(u_s[1:], u_s[:-1]) < DEAD_SHARE * usual
    for steps, first in ((still, 0), (still[::-1], knob_deg.size - 1)):
        length = int(np.argmin(np.append(steps, False)))
        if length:
            sign = 1 if first == 0 else -1
            dead[[first + sign * k for k in range(length + 1)]] = True
    return dead


def count_settings(
    knob_deg: FloatArray,
    pulse_s: FloatArray,
    *,
    u_pulse_s: float,
    knob_reading_deg: float,
    hysteresis_deg: float = 0.0,
) -> Settings:
    """Count the settings of the knob that can be told apart and set again.

    Parameters
    ----------
    knob_deg, pulse_s : numpy.ndarray
        A curve over the knob's travel, finely stepped, shape (n,), degrees and seconds.
    u_pulse_s : float
        Standard uncertainty with which a pulse repeats at one place of the knob, seconds.
    knob_reading_deg : float
        Half-width within which a mark is set by hand, degrees (rectangular).
    hysteresis_deg : float
        Knob angle between the ways up and down; a mark is come to from either side alike.

    Returns
    -------
    Settings
        See the notes; along a stretch in which the pulse does not move lies no further one.

    Notes
    -----
    Two neighbouring marks are told apart with 95 % confidence: set one mark twice, each time by
    hand and from either side, and 95 of 100 differences of its two pulses are smaller than the
    step of the curve from it to its neighbour. The step in degrees, where the curve is worth
    ``k`` seconds a degree, is the 95 % point of ``|e1 - e2 + h (w1 - w2)/2 + (p1 - p2)/k|``.
    """
    from scipy.special import ndtr

    turn = np.diff(knob_deg)
    slope = np.abs(np.diff(pulse_s)) / turn
    usual = float(np.sum(slope * turn)) / float(np.sum(turn))
    live = slope > _LIVE_SHARE * usual
    if usual <= 0.0 or not live.any():
        return Settings(count=1, spacing_deg=None)
    # the difference of two readings is a triangle: middles of equal shares of it
    share = (np.arange(_PIECES) + 0.5) / _PIECES
    part = np.where(share < 0.5, np.sqrt(2.0 * share) - 1.0, 1.0 - np.sqrt(2.0 * (1.0 - share)))
    offsets = 2.0 * knob_reading_deg * part[:, None] + hysteresis_deg * np.array([-1.0, 0.0, 1.0])
    weights = np.full((_PIECES, 1), 1.0 / _PIECES) * np.array([0.25, 0.5, 0.25])
    offset, weight = offsets.ravel(), weights.ravel()
    # steps are found for a ladder of slopes, and taken from it for each piece of the curve
    ladder = np.geomspace(float(slope[live].min()), float(slope[live].max()) * (1 + 1e-9), _RUNGS)
    least = 2.0 * knob_reading_deg / _PIECES + 1e-9
    sd = np.maximum(math.sqrt(2.0) * u_pulse_s / ladder, least)[:, None]
    low = np.zeros((_RUNGS, 1))
    high = 2.0 * knob_reading_deg + abs(hysteresis_deg) + 4.0 * sd
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        inside = ndtr((middle - offset) / sd) - ndtr((-middle - offset) / sd)
        enough = (inside @ weight)[:, None] > _CONFIDENCE
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    step_deg = np.interp(slope[live], ladder, high[:, 0])
    total = float(np.sum(turn[live] / step_deg))
    if total < 1.0:
        return Settings(count=1, spacing_deg=None)
    return Settings(count=math.floor(total) + 1, spacing_deg=float(np.sum(turn[live])) / total)
