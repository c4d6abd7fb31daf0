"""Where the knob truly stood, given how it was read, and how likely that makes what is left.

The knob's reading moves on and off of one position together along one line, and no other position.
It is taken out position by position: a rectangle of the reading's half-width, of which what lies
beyond a stop, or in a stretch that changes nothing, counts as at the end of the track.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.sweep_data import Sweep
from benchlog.channel.plan import Design

__all__ = ["LOG_2PI", "Reading", "log_normal", "log_reading", "read_knob", "with_knob"]

Values = NDArray[np.float64]

LOG_2PI = math.log(2.0 * math.pi)


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """Where the knob truly stood, given how it was read; degrees, p positions.

    A reading within its half-width, each angle as likely; what lies beyond the live stretch of
    the track counts as at its end.

    Attributes
    ----------
    mean_deg, sd_deg : numpy.ndarray
        Mean and standard deviation, shape (p,).
    low_deg, high_deg : numpy.ndarray
        The live stretch of the reading, shape (p,).
    at_low, at_high : numpy.ndarray
        Share of the reading that lies beyond either end, shape (p,).
    """

    mean_deg: Values
    sd_deg: Values
    low_deg: Values
    high_deg: Values
    at_low: Values
    at_high: Values


def read_knob(design: Design, sweep: Sweep) -> Reading:
    """Return where the knob truly stood."""
    knob, half = design.knob, sweep.reading_deg
    first, last = knob.dead_low_deg, knob.travel_deg - knob.dead_high_deg
    low = np.clip(sweep.knob_deg - half, first, last)
    high = np.clip(sweep.knob_deg + half, first, last)
    if half == 0.0:
        zero = np.zeros_like(low)
        return Reading(low, zero, low, high, zero, zero)
    at_low = np.clip((first - (sweep.knob_deg - half)) / (2.0 * half), 0.0, 1.0)
    at_high = np.clip((sweep.knob_deg + half - last) / (2.0 * half), 0.0, 1.0)
    inside = 1.0 - at_low - at_high
    mean = at_low * low + at_high * high + inside * 0.5 * (low + high)
    square = at_low * low**2 + at_high * high**2 + inside * (low**2 + low * high + high**2) / 3.0
    return Reading(mean, np.sqrt(np.maximum(square - mean**2, 0.0)), low, high, at_low, at_high)


def with_knob(knob_slope: Values, reading: Reading) -> Values:
    """Return unity plus what the knob's reading adds."""
    along = knob_slope * reading.sd_deg[:, None]
    return np.asarray(np.eye(2) + along[:, :, None] * along[:, None, :])


def log_normal(rest: Values, spread: Values) -> Values:
    """Return the log density of what is left, shape (..., p, 2), normal with `spread`."""
    inverse = np.linalg.inv(spread)
    square = np.einsum("...pi,pij,...pj->...", rest, inverse, rest)
    size = float(np.sum(np.linalg.slogdet(spread)[1]))
    return np.asarray(-0.5 * square - 0.5 * size - rest.shape[-2] * LOG_2PI)


def log_reading(rest: Values, knob_slope: Values, reading: Reading) -> Values:
    """Return the log density of what is left, the knob read within a rectangle, shape (s,)."""
    low, high = reading.low_deg - reading.mean_deg, reading.high_deg - reading.mean_deg
    length = np.sqrt(np.sum(knob_slope**2, axis=-1))
    unit = knob_slope / np.maximum(length, 1e-30)[:, None]
    along = np.sum(rest * unit, axis=-1)
    across = np.sum(rest**2, axis=-1) - along**2
    inside = 1.0 - reading.at_low - reading.at_high
    stretch = length * (high - low)
    with np.errstate(divide="ignore", invalid="ignore"):
        flat = _log_normal_share(length * low - along, length * high - along) - np.log(stretch)
        point = -0.5 * (along - length * 0.5 * (low + high)) ** 2 - 0.5 * LOG_2PI
        flat = np.where(stretch > 1e-3, flat, point)
        terms = np.stack(
            [
                np.log(inside) + flat,
                np.log(reading.at_low) - 0.5 * (along - length * low) ** 2 - 0.5 * LOG_2PI,
                np.log(reading.at_high) - 0.5 * (along - length * high) ** 2 - 0.5 * LOG_2PI,
            ]
        )
        density = np.logaddexp.reduce(terms, axis=0)
    return np.asarray(np.sum(density - 0.5 * across - 0.5 * LOG_2PI, axis=-1))


def _log_normal_share(start: Values, end: Values) -> Values:
    """Return the logarithm of the standard normal's share between two places."""
    from scipy.special import log_ndtr

    turned = start > 0.0
    start, end = np.where(turned, -end, start), np.where(turned, -start, end)
    upper = log_ndtr(end)
    return np.asarray(upper + np.log(-np.expm1(np.minimum(log_ndtr(start) - upper, -1e-300))))
