"""A measured sweep as a fit takes it: logarithms of pulse and pause with their covariance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.point import ROOT3, Point

__all__ = ["Sweep", "read_sweep"]

Values = NDArray[np.float64]

_LEAST_SHARE = 1e-5
"""How well the model's own figures hold; no reading counts as better (a fraction)."""

_LEAST_S = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """What was measured, as a fit takes it; p positions.

    Attributes
    ----------
    knob_deg : numpy.ndarray
        Knob angles as read, shape (p,).
    logs : numpy.ndarray
        ln of pulse and of the rest of the cycle, shape (p, 2).
    covariance : numpy.ndarray
        Of `logs`, the recorder's clock left out, shape (p, 2, 2).
    supply_v, temperature_c : numpy.ndarray
        As recorded, not a number where not, shape (p,).
    clock_share : float
        Half-width of the recorder's clock, a fraction; the same for all positions.
    reading_deg : float
        Half-width of the knob reading.
    """

    knob_deg: Values
    logs: Values
    covariance: Values
    supply_v: Values
    temperature_c: Values
    clock_share: float
    reading_deg: float

    def blurred(self, share: float) -> Sweep:
        """Return the same, each time less sure by a fraction of it."""
        return replace(self, covariance=self.covariance + share**2 * np.eye(2))

    def turned_over(self) -> Sweep:
        """Return the same with pulse and rest exchanged."""
        return replace(self, logs=self.logs[:, ::-1], covariance=self.covariance[:, ::-1, ::-1])


def read_sweep(points: Sequence[Point], knob_reading_deg: float) -> Sweep:
    """Gather the points of a sweep.

    Parameters
    ----------
    points : sequence of Point
        At least one. A rest of the cycle so short that its error reaches below 0 (a reversed diode
        leaves next to none) counts as one of its error's size.
    knob_reading_deg : float
        Half-width of the knob reading, degrees.

    Returns
    -------
    Sweep
        In the points' order.

    Notes
    -----
    A period that is known better than root 2 times its pulse comes from long spans between
    edges, and the pulse's error is none of its own; one that is known worse is taken as the
    sum of two parts measured apart. Where the points do not say how well the period is known,
    the rest of the cycle counts as measured as well as the pulse.
    """
    clock = max(point.clock_share for point in points)
    return Sweep(
        knob_deg=np.array([point.knob_deg for point in points], dtype=np.float64),
        logs=np.log([_sizes(point) for point in points]),
        covariance=np.array([_covariance(point) for point in points]),
        supply_v=_known([point.supply_v for point in points]),
        temperature_c=_known([point.temperature_c for point in points]),
        clock_share=clock,
        reading_deg=knob_reading_deg,
    )


def _known(values: list[float | None]) -> Values:
    return np.array([math.nan if one is None else one for one in values], dtype=np.float64)


def _sizes(point: Point) -> Values:
    """Return pulse and rest of the cycle, neither below what it may be off by."""
    least_s = max(point.u_pulse_s, _LEAST_S)
    return np.maximum([point.pulse_s, point.rest_s], least_s)


def _covariance(point: Point) -> Values:
    """Return the covariance of ln(pulse) and ln(rest) of one point, shape (2, 2)."""
    clock = point.clock_share / ROOT3
    pulse = max(point.u_pulse_s**2 - (clock * point.pulse_s) ** 2, 0.0)
    period = max(point.u_period_s**2 - (clock * point.period_s) ** 2, 0.0)
    if point.u_period_s == 0.0:
        rest, shared = pulse, 0.0
    elif period > 1.98 * pulse:
        rest, shared = period - pulse, 0.0
    else:
        rest, shared = period + pulse, -pulse
    both = _sizes(point)
    covariance = np.array([[pulse, shared], [shared, rest]]) / np.outer(both, both)
    return np.asarray(covariance + _LEAST_SHARE**2 * np.eye(2))
