"""Along the knob: where the servo's range is left, dead travel, hysteresis, settings.

All functions take positions in ascending order of the knob angle, and pulses in seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Settings", "count_settings", "find_crossing", "find_dead_travel", "merge_positions"]

DEAD_SHARE = 0.15
"""A stretch is dead when it surely changes the pulse by less than this share of the usual."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Settings:
    """How many knob positions can be told apart and set again with confidence.

    Attributes
    ----------
    count : int or None
        Number of them on the swept part of the knob; None with fewer than two positions.
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


def find_crossing(knob_deg: FloatArray, pulse_s: FloatArray, level_s: float) -> float | None:
    """Return the knob angle at which a curve crosses a pulse width.

    Parameters
    ----------
    knob_deg : numpy.ndarray
        Ascending, shape (n,), degrees.
    pulse_s : numpy.ndarray
        The curve, shape (n,), seconds.
    level_s : float
        The width sought, seconds.

    Returns
    -------
    float or None
        The first crossing by straight lines between the points; None where there is none.
    """
    beyond = pulse_s > level_s
    changes = np.flatnonzero(beyond[1:] != beyond[:-1])
    if changes.size == 0:
        return None
    i = int(changes[0])
    share = (level_s - pulse_s[i]) / (pulse_s[i + 1] - pulse_s[i])
    return float(knob_deg[i] + share * (knob_deg[i + 1] - knob_deg[i]))


def find_dead_travel(
    knob_deg: FloatArray, pulse_s: FloatArray, u_s: FloatArray
) -> NDArray[np.bool_]:
    """Mark positions at either end between which turning the knob changes nothing.

    Parameters
    ----------
    knob_deg : numpy.ndarray
        Strictly ascending, shape (n,), degrees.
    pulse_s, u_s : numpy.ndarray
        Pulses and their standard uncertainties, shape (n,), seconds.

    Returns
    -------
    numpy.ndarray
        Shape (n,), bool. With fewer than four positions nothing is evident: all False.

    Notes
    -----
    A step is dead when its change and twice that change's uncertainty together stay below
    `DEAD_SHARE` of what the median slope of the sweep would give.
    """
    dead = np.zeros(knob_deg.size, dtype=bool)
    if knob_deg.size < 4:
        return dead
    turn = np.diff(knob_deg)
    change = np.abs(np.diff(pulse_s))
    usual = float(np.median(change / turn)) * turn
    still = change + 2.0 * np.hypot(u_s[1:], u_s[:-1]) < DEAD_SHARE * usual
    for steps, first in ((still, 0), (still[::-1], knob_deg.size - 1)):
        length = int(np.argmin(np.append(steps, False)))
        if length:
            sign = 1 if first == 0 else -1
            dead[[first + sign * k for k in range(length + 1)]] = True
    return dead


def count_settings(
    knob_deg: FloatArray, pulse_s: FloatArray, u_s: FloatArray, u_knob_deg: float
) -> Settings:
    """Estimate how many settings of the knob can be told apart and set again.

    Parameters
    ----------
    knob_deg : numpy.ndarray
        Strictly ascending, shape (n,), degrees.
    pulse_s, u_s : numpy.ndarray
        Pulses and the standard uncertainties with which a setting repeats, shape (n,), seconds.
    u_knob_deg : float
        Standard uncertainty of setting the knob to a mark, degrees.

    Returns
    -------
    Settings
        Neighbouring settings lie apart by twice the standard uncertainty of the difference
        of two of them, so that they are surely two (k = 2).

    Notes
    -----
    Piecewise: between two positions a degree is worth the local slope; a stretch in which
    the pulse does not move holds no further setting.
    """
    if knob_deg.size < 2:
        return Settings(count=None, spacing_deg=None)
    turn = np.diff(knob_deg)
    change = np.abs(np.diff(pulse_s))
    u_step = np.hypot(u_s[1:], u_s[:-1]) / math.sqrt(2.0)
    apart_s = 2.0 * math.sqrt(2.0) * np.hypot(u_step, change / turn * u_knob_deg)
    spaces = np.divide(change, apart_s, out=np.zeros_like(change), where=apart_s > 0)
    total = float(np.sum(spaces))
    if total < 1.0:
        return Settings(count=1, spacing_deg=None)
    live = float(np.sum(turn[spaces > 0]))
    return Settings(count=math.floor(total) + 1, spacing_deg=live / total)
