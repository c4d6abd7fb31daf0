"""How far jitter reaches: peak-to-peak values, seen and to be expected, in JESD65B's terms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles

__all__ = ["CycleJitter", "describe_jitter", "expect_peak_to_peak"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CycleJitter:
    """Jitter of a recording's cycles, seconds; zero where there are too few.

    Attributes
    ----------
    period_rms_s, period_peak_to_peak_s : float
        Of the period about its mean.
    cycle_to_cycle_rms_s, cycle_to_cycle_peak_s : float
        Of the change from one period to the next; the peak is the largest change.
    width_rms_s, width_peak_to_peak_s : float
        Of the pulse about its mean.
    half_period_rms_s : float
        Of both halves of the cycle together, each about its own mean.
    duty_rms : float
        Standard deviation of the duty cycle, a fraction.
    expected_factor : float
        Peak-to-peak of as many Gaussian values, in standard deviations.
    """

    period_rms_s: float
    period_peak_to_peak_s: float
    cycle_to_cycle_rms_s: float
    cycle_to_cycle_peak_s: float
    width_rms_s: float
    width_peak_to_peak_s: float
    half_period_rms_s: float
    duty_rms: float
    expected_factor: float


def expect_peak_to_peak(count: int) -> float:
    """Return the expected range of Gaussian values, in standard deviations.

    Parameters
    ----------
    count : int
        How many independent values, from 1.

    Returns
    -------
    float
        0 for one value.

    Raises
    ------
    ValueError
        Fewer than one value.

    Notes
    -----
    ``integral of 1 - F(x)^n - (1 - F(x))^n dx`` with the normal distribution F (Tippett, 1925,
    from memory); the d2 of control charts. The trapezoidal rule is exact to rounding for a
    smooth integrand that dies away.
    """
    if count < 1:
        raise ValueError(f"a range needs one value or more, got {count}")
    from scipy.special import log_ndtr

    x, step = np.linspace(-40.0, 40.0, 8001, retstep=True)
    below = count * log_ndtr(x)
    above = count * log_ndtr(-x)
    return float(np.sum(-np.expm1(below) - np.exp(above)) * step) if count > 1 else 0.0


def describe_jitter(cycles: Cycles) -> CycleJitter:
    """Describe the jitter of a recording's cycles.

    Parameters
    ----------
    cycles : Cycles
        Of one input, n from 0.

    Returns
    -------
    CycleJitter
        The input's own noise is in it.

    Notes
    -----
    Terms of JESD65B; changes from cycle to cycle are taken only where one follows the other.
    """
    on, off = np.asarray(cycles.on_s), np.asarray(cycles.off_s)
    period = on + off
    if on.shape[0] < 2:
        return CycleJitter(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    change = np.diff(period)[cycles.follows[1:]]
    return CycleJitter(
        period_rms_s=float(period.std(ddof=1)),
        period_peak_to_peak_s=float(np.ptp(period)),
        cycle_to_cycle_rms_s=float(np.sqrt(np.mean(change**2))) if change.size else 0.0,
        cycle_to_cycle_peak_s=float(np.max(np.abs(change))) if change.size else 0.0,
        width_rms_s=float(on.std(ddof=1)),
        width_peak_to_peak_s=float(np.ptp(on)),
        half_period_rms_s=float(np.sqrt(0.5 * (on.var(ddof=1) + off.var(ddof=1)))),
        duty_rms=float((on / period).std(ddof=1)),
        expected_factor=expect_peak_to_peak(on.shape[0]),
    )
