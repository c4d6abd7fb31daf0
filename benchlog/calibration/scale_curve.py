"""What a printed scale asks of a knob's curve, and such a curve for a channel not yet measured."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.channel.design import Design, predict_cycle

__all__ = ["DesignCurve", "DesignSettings", "ScaleCurve", "SettingCount", "count_spaces"]

FloatArray = NDArray[np.float64]

_GRID_DEG = 0.1
_APART = 2.0 * math.sqrt(2.0)
"""Two settings are two where they lie this many standard uncertainties of one of them apart."""


class SettingCount(Protocol):
    """How many settings a curve allows."""

    @property
    def count(self) -> int | None:
        """Settings that can be told apart; None where that is not known."""

    @property
    def spacing_deg(self) -> float | None:
        """Knob degrees from one to the next; None where there is but one."""


class ScaleCurve(Protocol):
    """What a scale needs to know of a knob's curve.

    ``knob_deg`` and ``pulse_s`` are a grid over the whole travel, shape (n,); the dead stretches
    are lengths at either stop, degrees.
    """

    @property
    def knob_deg(self) -> FloatArray:
        """The grid's knob angles, ascending, degrees."""

    @property
    def pulse_s(self) -> FloatArray:
        """The pulses there, seconds."""

    @property
    def dead_low_deg(self) -> float:
        """Stretch at the anticlockwise stop that changes nothing, degrees."""

    @property
    def dead_high_deg(self) -> float:
        """Stretch at the clockwise stop that changes nothing, degrees."""

    @property
    def u_dead_low_deg(self) -> float:
        """The former's standard uncertainty, degrees."""

    @property
    def u_dead_high_deg(self) -> float:
        """The latter's standard uncertainty, degrees."""

    @property
    def end_stop_low_deg(self) -> float | None:
        """Past which knob angle the servo is pushed against its low stop; None: by the curve."""

    @property
    def end_stop_high_deg(self) -> float | None:
        """Past which knob angle the servo is pushed against its high stop; None: by the curve."""

    @property
    def reach_s(self) -> tuple[float, float]:
        """Shortest and longest pulse, seconds."""

    @property
    def settings(self) -> SettingCount:
        """How many settings can be told apart."""

    def pulse_at(self, knob_deg: ArrayLike, /) -> tuple[FloatArray, FloatArray]:
        """Return pulses and their standard uncertainties, seconds."""

    def angle_of(self, pulse_s: ArrayLike, /) -> tuple[FloatArray, FloatArray]:
        """Return knob angles and their standard uncertainties, degrees."""


@dataclass(frozen=True, slots=True)
class DesignSettings:
    """How many settings a design allows."""

    count: int | None
    spacing_deg: float | None


class DesignCurve:
    """The curve of a channel that was not measured: what its marked parts should give.

    Parameters
    ----------
    design : Design
        The design.

    Raises
    ------
    DesignError
        The circuit cannot oscillate somewhere on the way.
    """

    def __init__(self, design: Design) -> None:
        knob = design.knob
        self.dead_low_deg = knob.dead_low_deg
        self.dead_high_deg = knob.dead_high_deg
        self.u_dead_low_deg = self.u_dead_high_deg = 0.0
        self.end_stop_low_deg: float | None = None  # where the curve meets a stop
        self.end_stop_high_deg: float | None = None
        self._first_deg = knob.dead_low_deg
        self._last_deg = knob.travel_deg - knob.dead_high_deg
        steps = math.ceil((self._last_deg - self._first_deg) / _GRID_DEG) + 1
        live = np.linspace(self._first_deg, self._last_deg, max(steps, 201))
        self._live_deg = live
        self._live_s = predict_cycle(design, live).on_s
        self.knob_deg = np.union1d(live, [0.0, knob.travel_deg])
        self.pulse_s = np.interp(self.knob_deg, live, self._live_s)
        # A setting that was never tried repeats within what the servo does not follow, and the
        # knob is read to within a degree.
        u_s = design.servo.dead_band_s / (2.0 * math.sqrt(3.0))
        spaces = count_spaces(self.knob_deg, self.pulse_s, u_s, 1.0 / math.sqrt(3.0))
        total = float(spaces[-1])
        live_deg = self._last_deg - self._first_deg
        self.settings = DesignSettings(
            math.floor(total) + 1, live_deg / total if total >= 1.0 else None
        )

    @property
    def reach_s(self) -> tuple[float, float]:
        """Shortest and longest pulse, seconds."""
        return float(np.min(self._live_s)), float(np.max(self._live_s))

    def pulse_at(self, knob_deg: ArrayLike, /) -> tuple[FloatArray, FloatArray]:
        """Return pulses, seconds; the uncertainties are zeros."""
        value = np.interp(np.asarray(knob_deg, dtype=np.float64), self._live_deg, self._live_s)
        return np.asarray(value), np.zeros_like(value)

    def angle_of(self, pulse_s: ArrayLike, /) -> tuple[FloatArray, FloatArray]:
        """Return knob angles, degrees; the uncertainties are zeros."""
        wanted = np.asarray(pulse_s, dtype=np.float64)
        low_s, high_s = self.reach_s
        if not np.all((wanted >= low_s) & (wanted <= high_s)):
            raise ValueError(f"pulse_s must be from {low_s} to {high_s}, got {wanted}")
        pulses, angles = self._live_s, self._live_deg
        if pulses[-1] < pulses[0]:
            pulses, angles = pulses[::-1], angles[::-1]
        value = np.interp(wanted, pulses, angles)
        return np.asarray(value), np.zeros_like(value)


def count_spaces(
    knob_deg: FloatArray, pulse_s: FloatArray, u_s: float, u_knob_deg: float
) -> FloatArray:
    """Return how many settings fit between the first angle and each.

    Parameters
    ----------
    knob_deg, pulse_s : numpy.ndarray
        A curve, shape (n,), ascending degrees and seconds.
    u_s : float
        With which standard uncertainty a pulse repeats, seconds.
    u_knob_deg : float
        Standard uncertainty of setting the knob to a mark, degrees.

    Returns
    -------
    numpy.ndarray
        Shape (n,), from 0 on: a stretch in which the pulse does not move adds nothing.
    """
    turn, change = np.diff(knob_deg), np.abs(np.diff(pulse_s))
    apart = _APART * np.hypot(u_s * turn, change * u_knob_deg)
    share = np.divide(change * turn, apart, out=np.zeros_like(change), where=apart > 0.0)
    return np.concatenate([[0.0], np.cumsum(share)])
