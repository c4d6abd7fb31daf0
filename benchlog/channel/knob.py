"""The knob: which share of its track lies on the on side at an angle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["LOG_MIDDLE", "Knob"]

LOG_MIDDLE = 0.15
"""Share of the resistance that a log track has passed at half its travel (common practice:
'audio taper' tracks are made for 10 to 20 %)."""

_LOG_BASE = ((1.0 - LOG_MIDDLE) / LOG_MIDDLE) ** 2


@dataclass(frozen=True, slots=True)
class Knob:
    """A potentiometer, seen from its shaft; 0 degrees is the anticlockwise stop.

    Attributes
    ----------
    travel_deg : float
        Angle between the stops, degrees, above 0.
    longer : {"clockwise", "anticlockwise"}
        The way of turning that lengthens the pulse.
    taper : {"linear", "log"}
        How resistance grows clockwise from the anticlockwise end.
    dead_low_deg, dead_high_deg : float
        Stretches at the anticlockwise and the clockwise stop that change nothing.
    contact_ohm : float
        Resistance of the wiper's contact, ohms.
    """

    travel_deg: float
    longer: Literal["clockwise", "anticlockwise"] = "clockwise"
    taper: Literal["linear", "log"] = "linear"
    dead_low_deg: float = 0.0
    dead_high_deg: float = 0.0
    contact_ohm: float = 0.0

    def on_fraction(self, knob_deg: ArrayLike) -> NDArray[np.float64]:
        """Return the fraction of the track that lies on the on side.

        Parameters
        ----------
        knob_deg : array_like
            Knob angle in degrees, any shape; beyond a stop it counts as at the stop.

        Returns
        -------
        numpy.ndarray
            0 to 1, shape of `knob_deg`.

        Notes
        -----
        A log track is taken as ``(a^p - 1)/(a - 1)`` over the turned share ``p``, with ``a``
        such that 15 % of the resistance is passed at half travel (common practice; real
        tracks are made of two or three straight pieces near that curve).
        """
        angle = np.asarray(knob_deg, dtype=np.float64)
        live_deg = self.travel_deg - self.dead_low_deg - self.dead_high_deg
        turned = np.clip((angle - self.dead_low_deg) / live_deg, 0.0, 1.0)
        if self.taper == "log":
            turned = (_LOG_BASE**turned - 1.0) / (_LOG_BASE - 1.0)
        return np.asarray(turned if self.longer == "clockwise" else 1.0 - turned)
