"""The servo: from pulse to arm angle, and where it meets its end stops."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.channel.servo_curve import READING_DEG, ServoCurve, ServoPoint, fit_servo_curve

__all__ = ["EndStop", "Servo"]

EndStop = Literal["low", "high"]

_NEAR_DEG = 1e-6


@dataclass(frozen=True, slots=True)
class Servo:
    """A servo whose arm follows the pulse along a straight line, or along its own curve.

    Attributes
    ----------
    pulse_min_s, pulse_max_s : float
        The pulses, in seconds, outside of which it pushes against its stop.
    angle_min_deg, angle_max_deg : float
        Arm angles at those pulses, degrees.
    dead_band_s : float
        Change of pulse, in seconds, that it does not follow.
    name : str or None
        What a measured servo is kept as.
    assumed : bool
        Whether the range was neither measured nor looked up.
    curve : ServoCurve or None
        Its own curve; None for the straight line.
    """

    pulse_min_s: float
    pulse_max_s: float
    angle_min_deg: float = 0.0
    angle_max_deg: float = 180.0
    dead_band_s: float = 5e-6
    name: str | None = None
    assumed: bool = False
    curve: ServoCurve | None = None

    @classmethod
    def from_points(
        cls,
        pulse_min_s: float,
        pulse_max_s: float,
        points: Sequence[ServoPoint],
        reading_deg: float = READING_DEG,
        *,
        dead_band_s: float = 5e-6,
        name: str | None = None,
        assumed: bool = False,
    ) -> Self:
        """Make a servo with its own curve.

        Parameters
        ----------
        pulse_min_s, pulse_max_s : float
            Its range, seconds.
        points : sequence of ServoPoint
            Readings of its arm, two or more.
        reading_deg : float
            Half-width of a reading, degrees.
        dead_band_s, name, assumed
            As the attributes.

        Raises
        ------
        DesignError
            No servo's arm goes through such points.
        """
        curve = fit_servo_curve(points, (pulse_min_s, pulse_max_s), reading_deg)
        low_deg, high_deg = curve.angle_deg([pulse_min_s, pulse_max_s]).tolist()
        return cls(pulse_min_s, pulse_max_s, low_deg, high_deg, dead_band_s, name, assumed, curve)

    @property
    def deg_per_s(self) -> float:
        """Degrees of arm for a second of pulse, over the whole range."""
        swing_deg = self.angle_max_deg - self.angle_min_deg
        return swing_deg / (self.pulse_max_s - self.pulse_min_s)

    def local_deg_per_s(self, width_s: ArrayLike) -> NDArray[np.float64]:
        """Return degrees of arm for a second of pulse at pulses in seconds; 0 past the stops."""
        width = np.asarray(width_s, dtype=np.float64)
        inside = (width >= self.pulse_min_s) & (width <= self.pulse_max_s)
        slope = self.deg_per_s if self.curve is None else self.curve.slope_at(width)
        return np.asarray(np.where(inside, slope, 0.0))

    def angle_deg(self, width_s: ArrayLike) -> NDArray[np.float64]:
        """Return the arm angle in degrees, held at the stops, for pulses in seconds."""
        width = np.clip(np.asarray(width_s, dtype=np.float64), self.pulse_min_s, self.pulse_max_s)
        if self.curve is not None:
            return self.curve.angle_deg(width)
        # from the nearer end, so that both ends come out exactly
        swing_deg = self.angle_max_deg - self.angle_min_deg
        share = (width - self.pulse_min_s) / (self.pulse_max_s - self.pulse_min_s)
        return np.asarray(
            np.where(
                share <= 0.5,
                self.angle_min_deg + share * swing_deg,
                self.angle_max_deg - (1.0 - share) * swing_deg,
            )
        )

    def u_angle_deg(self, width_s: ArrayLike, u_width_s: ArrayLike = 0.0) -> NDArray[np.float64]:
        """Return the standard uncertainty of the arm angle.

        Parameters
        ----------
        width_s, u_width_s : array_like
            Pulses and their standard uncertainties, seconds.

        Returns
        -------
        numpy.ndarray
            Degrees. It holds the curve's own uncertainty; that of a straight line is not known,
            and left out.
        """
        width = np.clip(np.asarray(width_s, dtype=np.float64), self.pulse_min_s, self.pulse_max_s)
        pulse_part = self.local_deg_per_s(width) * np.asarray(u_width_s, dtype=np.float64)
        curve_part = 0.0 if self.curve is None else self.curve.u_angle_deg(width)
        return np.asarray(np.hypot(pulse_part, curve_part))

    def width_for(self, arm_deg: ArrayLike) -> NDArray[np.float64]:
        """Return the pulses that bring the arm to angles: the inverse of `angle_deg`.

        Parameters
        ----------
        arm_deg : array_like
            Arm angles, degrees, from `angle_min_deg` to `angle_max_deg`.

        Returns
        -------
        numpy.ndarray
            Pulses in seconds, within the range.

        Raises
        ------
        ValueError
            An angle that the arm does not reach.
        """
        wanted = np.asarray(arm_deg, dtype=np.float64)
        low, high = sorted((self.angle_min_deg, self.angle_max_deg))
        if not bool(np.all((wanted >= low - _NEAR_DEG) & (wanted <= high + _NEAR_DEG))):
            raise ValueError(
                f"arm angles must lie within {low:g} to {high:g} degrees, got "
                f"{float(wanted.min()):g} to {float(wanted.max()):g}"
            )
        if self.curve is not None:
            found = self.curve.width_for(wanted)
        else:
            swing_deg = self.angle_max_deg - self.angle_min_deg
            share = (wanted - self.angle_min_deg) / swing_deg
            span_s = self.pulse_max_s - self.pulse_min_s
            found = np.where(
                share <= 0.5,
                self.pulse_min_s + share * span_s,
                self.pulse_max_s - (1.0 - share) * span_s,
            )
        return np.clip(found, self.pulse_min_s, self.pulse_max_s)

    def end_stop(self, width_s: float) -> EndStop | None:
        """Return the stop that a pulse in seconds drives the arm against, None for neither."""
        if width_s < self.pulse_min_s:
            return "low"
        return "high" if width_s > self.pulse_max_s else None
