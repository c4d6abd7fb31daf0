"""A knob's curve: knob angle to pulse and back, with its band, and what is read off it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.calibration.marks import Settings

__all__ = ["KnobCurve"]

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class KnobCurve:
    """The curve of a knob over its whole travel; n angles.

    Attributes
    ----------
    knob_deg : numpy.ndarray
        Knob angles from stop to stop, half a degree apart or less, shape (n,).
    pulse_s : numpy.ndarray
        The pulse there, the middle of both ways, seconds, shape (n,).
    low_s, high_s : numpy.ndarray
        Its 95 % band, seconds, shape (n,).
    u_s : numpy.ndarray
        Half of the band's half-width, seconds, shape (n,).
    period_s : numpy.ndarray
        The period there, seconds, shape (n,).
    dead_low_deg, dead_high_deg : float
        Lengths of the stretches at the anticlockwise and the clockwise stop that change nothing.
    u_dead_low_deg, u_dead_high_deg : float
        Their standard uncertainties, degrees.
    hysteresis_deg, u_hysteresis_deg : float or None
        Knob angle between the ways up and down, and its standard uncertainty; None where only
        one way was swept.
    linearity_s : float
        Largest departure of the pulse from its best straight line (least squares) over the
        live travel, seconds.
    end_stop_low_deg, end_stop_high_deg : float or None
        Knob angles past which the servo is pushed against its stop; None where it is not.
    u_end_stop_low_deg, u_end_stop_high_deg : float or None
        Their standard uncertainties, degrees.
    settings : Settings
        How many settings of the knob can be told apart and set again.
    supply_v, temperature_c : float
        For which the curve holds: those of the records, else the design's.
    """

    knob_deg: Values
    pulse_s: Values
    low_s: Values
    high_s: Values
    u_s: Values
    period_s: Values
    dead_low_deg: float
    dead_high_deg: float
    u_dead_low_deg: float
    u_dead_high_deg: float
    hysteresis_deg: float | None
    u_hysteresis_deg: float | None
    linearity_s: float
    end_stop_low_deg: float | None
    u_end_stop_low_deg: float | None
    end_stop_high_deg: float | None
    u_end_stop_high_deg: float | None
    settings: Settings
    supply_v: float
    temperature_c: float

    @property
    def reach_s(self) -> tuple[float, float]:
        """Shortest and longest pulse of the curve, seconds."""
        return float(np.min(self.pulse_s)), float(np.max(self.pulse_s))

    def pulse_at(self, knob_deg: ArrayLike) -> tuple[Values, Values]:
        """Return the pulse at knob angles.

        Parameters
        ----------
        knob_deg : array_like
            Degrees, any shape; beyond a stop they count as at the stop.

        Returns
        -------
        tuple of numpy.ndarray
            Pulse and its standard uncertainty, seconds, shape of `knob_deg`.
        """
        at = np.asarray(knob_deg, dtype=np.float64)
        return (
            np.asarray(np.interp(at, self.knob_deg, self.pulse_s)),
            np.asarray(np.interp(at, self.knob_deg, self.u_s)),
        )

    def angle_of(self, pulse_s: ArrayLike) -> tuple[Values, Values]:
        """Return the knob angle of pulses: the inverse of `pulse_at`.

        Parameters
        ----------
        pulse_s : array_like
            Seconds, any shape, within `reach_s`.

        Returns
        -------
        tuple of numpy.ndarray
            Knob angle and its standard uncertainty, degrees, shape of `pulse_s`. A pulse at
            the end of the reach belongs to the end of the live travel.

        Raises
        ------
        ValueError
            A pulse is outside the curve's reach, or no number.
        """
        wanted = np.asarray(pulse_s, dtype=np.float64)
        shortest, longest = self.reach_s
        slack = 1e-9 * longest
        outside = ~((wanted >= shortest - slack) & (wanted <= longest + slack))
        if np.any(outside):
            raise ValueError(
                f"pulse {float(wanted[outside].flat[0]) * 1e6:.1f} us is outside the curve, which "
                f"reaches from {shortest * 1e6:.1f} to {longest * 1e6:.1f} us"
            )
        angle = _inverse(wanted, self.knob_deg, self.pulse_s)
        one = _inverse(wanted, self.knob_deg, self.low_s)
        other = _inverse(wanted, self.knob_deg, self.high_s)
        return angle, np.asarray(0.25 * np.abs(one - other))


def _inverse(wanted: Values, knob_deg: Values, pulse_s: Values) -> Values:
    """Return where a curve takes a value, a level stretch left out but for its inner end."""
    if pulse_s[-1] < pulse_s[0]:
        knob_deg, pulse_s = knob_deg[::-1], pulse_s[::-1]
    least = 1e-6 * max(float(pulse_s[-1] - pulse_s[0]), 1e-12)
    low = int(np.searchsorted(pulse_s, pulse_s[0] + least))
    high = int(np.searchsorted(pulse_s, pulse_s[-1] - least))
    first = max(low - 1, 0)
    last = min(high, pulse_s.size - 1)
    return np.asarray(
        np.interp(wanted, pulse_s[first : last + 1], knob_deg[first : last + 1]), dtype=np.float64
    )
