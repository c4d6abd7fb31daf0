"""The servo: from pulse to arm angle, and where it meets its end stops."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["EndStop", "Servo"]

EndStop = Literal["low", "high"]


@dataclass(frozen=True, slots=True)
class Servo:
    """A servo whose arm follows the pulse along a straight line.

    Attributes
    ----------
    pulse_min_s, pulse_max_s : float
        The pulses, in seconds, outside of which it pushes against its stop.
    angle_min_deg, angle_max_deg : float
        Arm angles at those pulses, degrees.
    dead_band_s : float
        Change of pulse, in seconds, that it does not follow.
    """

    pulse_min_s: float
    pulse_max_s: float
    angle_min_deg: float = 0.0
    angle_max_deg: float = 180.0
    dead_band_s: float = 5e-6

    @property
    def deg_per_s(self) -> float:
        """Degrees of arm for a second of pulse."""
        swing_deg = self.angle_max_deg - self.angle_min_deg
        return swing_deg / (self.pulse_max_s - self.pulse_min_s)

    def angle_deg(self, width_s: ArrayLike) -> NDArray[np.float64]:
        """Return the arm angle in degrees, held at the stops, for pulses in seconds."""
        width = np.clip(np.asarray(width_s, dtype=np.float64), self.pulse_min_s, self.pulse_max_s)
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

    def end_stop(self, width_s: float) -> EndStop | None:
        """Return the stop that a pulse in seconds drives the arm against, None for neither."""
        if width_s < self.pulse_min_s:
            return "low"
        return "high" if width_s > self.pulse_max_s else None
