"""The curve that a printed scale takes from a table: the fitted one, or the rows themselves.

The fitted curve weighs what is stated of the reading: half a degree of dead travel hides behind
readings that are good to a degree, and near the knob's stops it lies between 'some' and 'none'. A
sweep whose rows agree far better than that, the outermost ones with the others as well, has no
dead travel to speak of and was read that well: the channel model's shape is then led through
every row.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.calibration.knob_curve import KnobCurve
from benchlog.calibration.marks import Settings
from benchlog.calibration.point import Point
from benchlog.calibration.scale_curve import ScaleCurve
from benchlog.channel.design import Design, predict_cycle

__all__ = ["RowCurve", "take_curve"]

FloatArray = NDArray[np.float64]

_STEP_DEG = 0.1
_SAME_DEG = 0.5
_LEAST_ROWS = 6
_AGREE_DEG = 0.12
_FLOOR = 0.3


class RowCurve:
    """The channel model's curve led through a table's rows.

    Parameters
    ----------
    fitted : KnobCurve
        The fitted curve; dead travel, end stops, settings and uncertainties are its.
    knob_deg, pulse_s : numpy.ndarray
        The curve, shape (n,), the knob angles ascending.
    """

    dead_low_deg = dead_high_deg = 0.0
    u_dead_low_deg = u_dead_high_deg = 0.0

    def __init__(self, fitted: KnobCurve, knob_deg: FloatArray, pulse_s: FloatArray) -> None:
        self.knob_deg = knob_deg
        self.pulse_s = pulse_s
        self._fitted = fitted

    @property
    def settings(self) -> Settings:
        """How many settings can be told apart."""
        return self._fitted.settings

    @property
    def end_stop_low_deg(self) -> float | None:
        """Past which knob angle the servo is pushed against its low stop."""
        return self._fitted.end_stop_low_deg

    @property
    def end_stop_high_deg(self) -> float | None:
        """Past which knob angle the servo is pushed against its high stop."""
        return self._fitted.end_stop_high_deg

    @property
    def reach_s(self) -> tuple[float, float]:
        """Shortest and longest pulse, seconds."""
        return float(np.min(self.pulse_s)), float(np.max(self.pulse_s))

    def pulse_at(self, knob_deg: ArrayLike, /) -> tuple[FloatArray, FloatArray]:
        """Return pulses and their standard uncertainties, seconds."""
        at = np.asarray(knob_deg, dtype=np.float64)
        return np.asarray(np.interp(at, self.knob_deg, self.pulse_s)), self._fitted.pulse_at(at)[1]

    def angle_of(self, pulse_s: ArrayLike, /) -> tuple[FloatArray, FloatArray]:
        """Return knob angles and their standard uncertainties, degrees.

        Raises
        ------
        ValueError
            A pulse is outside the reach.
        """
        wanted = np.asarray(pulse_s, dtype=np.float64)
        low_s, high_s = self.reach_s
        slack = 1e-9 * high_s
        if not np.all((wanted >= low_s - slack) & (wanted <= high_s + slack)):
            raise ValueError(f"pulse_s must be from {low_s} to {high_s}, got {wanted}")
        knob, pulse = self.knob_deg, self.pulse_s
        if pulse[-1] < pulse[0]:
            knob, pulse = knob[::-1], pulse[::-1]
        angle = np.asarray(np.interp(wanted, pulse, knob))
        return angle, self._fitted.angle_of(np.clip(wanted, *self._fitted.reach_s))[1]


def take_curve(design: Design, points: Sequence[Point], fitted: KnobCurve) -> ScaleCurve:
    """Choose the curve that a printed scale follows.

    Parameters
    ----------
    design : Design
        What the channel should be.
    points : sequence of Point
        The table's rows.
    fitted : KnobCurve
        The curve that was fitted to them.

    Returns
    -------
    ScaleCurve
        The channel model's led through every row, where six rows or more agree with the smooth
        course of their neighbours' departures from it to 0.12 degrees of knob (root mean square),
        each of the outermost ones to three times that; else `fitted`.
    """
    from scipy.interpolate import PchipInterpolator

    travel_deg = float(fitted.knob_deg[-1])
    rows_deg, rows_s = _merge(points)
    if rows_deg.size < _LEAST_ROWS or rows_deg[0] < 0.0 or rows_deg[-1] > travel_deg:
        return fitted
    knob = np.union1d(np.linspace(0.0, travel_deg, int(travel_deg / _STEP_DEG) + 2), rows_deg)
    model_s = predict_cycle(
        design, knob, supply_v=fitted.supply_v, temperature_c=fitted.temperature_c
    ).on_s
    slope = np.abs(np.gradient(model_s, knob))
    worth = np.hypot(slope, _FLOOR * float(np.median(slope)))
    away_s = rows_s - np.interp(rows_deg, knob, model_s)
    if not _agree(rows_deg, away_s, np.interp(rows_deg, knob, worth)):
        return fitted
    within = np.clip(knob, rows_deg[0], rows_deg[-1])
    pulse_s = model_s + PchipInterpolator(rows_deg, away_s)(within)
    turn = np.diff(pulse_s)
    if not (np.all(turn > 0.0) or np.all(turn < 0.0)):
        return fitted
    return RowCurve(fitted, knob, np.asarray(pulse_s, dtype=np.float64))


def _merge(points: Sequence[Point]) -> tuple[FloatArray, FloatArray]:
    """Average the rows of one mark, whichever way they were reached."""
    groups: list[list[Point]] = []
    for point in sorted(points, key=lambda point: point.knob_deg):
        if groups and point.knob_deg - groups[-1][0].knob_deg < _SAME_DEG:
            groups[-1].append(point)
        else:
            groups.append([point])
    angles = [float(np.mean([one.knob_deg for one in group])) for group in groups]
    return np.array(angles), np.array([_middle_s(group) for group in groups])


def _middle_s(group: Sequence[Point]) -> float:
    """Return the pulse of one mark, both ways weighing alike where both were gone."""
    ways = [[p.pulse_s for p in group if p.direction == way] for way in ("up", "down", None)]
    both = [float(np.mean(some)) for some in ways[:2] if some]
    if len(both) == 2:
        return float(np.mean(both))
    return float(np.mean([p.pulse_s for p in group]))


def _agree(rows_deg: FloatArray, away_s: FloatArray, worth_s: FloatArray) -> bool:
    """Tell whether each row's departure is what its neighbours' lead one to expect."""
    last = rows_deg.size - 1
    misses = []
    for row in range(rows_deg.size):
        first = min(max(row - 1, 0), last - 2)
        near = [k for k in range(first, first + 3) if k != row]
        (x0, x1), (y0, y1) = rows_deg[near], away_s[near]
        expected = y0 + (y1 - y0) * (rows_deg[row] - x0) / (x1 - x0)
        misses.append(abs(away_s[row] - expected) / worth_s[row])
    inner = float(np.sqrt(np.mean(np.square(misses[1:-1]))))
    return inner <= _AGREE_DEG and max(misses[0], misses[-1]) <= 3.0 * _AGREE_DEG
