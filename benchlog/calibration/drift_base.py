"""The channel as a sweep found it: what two sweeps of it are compared around.

A model of the built channel turns a change of a part, of the surroundings or of the knob into a
change of ln(pulse) and ln(rest of the cycle) at each mark. Only differences of two sweeps are
judged by it, so that what the model leaves unexplained in both of them cancels.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.calibration.chances import chi_square_point
from benchlog.calibration.identify import identify_parts
from benchlog.calibration.suppositions import suppose_right
from benchlog.calibration.sweep_data import read_sweep
from benchlog.calibration.sweep_fit import fit_sweep
from benchlog.calibration.table import Point
from benchlog.calibration.weighing import MODEL_SHARE
from benchlog.channel.cycle import OVERRIDES, build_circuit
from benchlog.channel.plan import Design
from benchlog.channel.timer import try_cycle_times
from benchlog.errors import MeasurementError

__all__ = ["Base", "find_base", "make_base"]

Values = NDArray[np.float64]

_HALF_STEP_DEG = 0.5
_CURVE_STEPS = 1081


@dataclass(frozen=True, slots=True, eq=False)
class Base:
    """A channel as it was built, as well as a sweep tells.

    Attributes
    ----------
    design : Design
        The design, wired as it was built.
    parts : mapping of str to float
        Values that differ from the design's, by name (`benchlog.channel.cycle.OVERRIDES`), SI.
    curve_deg : numpy.ndarray
        Knob angles from one end of the live track to the other, shape (m,).
    curve : numpy.ndarray
        ln(pulse) and ln(rest of the cycle) there, in the design's surroundings, shape (m, 2).
    """

    design: Design
    parts: Mapping[str, float]
    curve_deg: Values
    curve: Values

    def value(self, name: str) -> float:
        """Return the value of one of the four timer parts, SI units."""
        marked = {part.name: part.value for part in self.design.parts}
        return float(self.parts.get(name, marked[name]))

    def logs(
        self,
        knob_deg: ArrayLike,
        *,
        supply_v: ArrayLike | None = None,
        temperature_c: ArrayLike | None = None,
        changed: Mapping[str, float] | None = None,
    ) -> Values:
        """Return ln(pulse) and ln(rest of the cycle) at knob angles.

        Parameters
        ----------
        knob_deg : array_like
            Knob angles, degrees, shape (p,).
        supply_v, temperature_c : array_like, optional
            Surroundings, shape (p,) or a number; the design's if None.
        changed : mapping of str to float, optional
            Values by name in place of the channel's own, SI units.

        Returns
        -------
        numpy.ndarray
            Shape (p, 2); not a number where the circuit does not oscillate.
        """
        circuit = build_circuit(
            self.design,
            np.asarray(knob_deg, dtype=np.float64),
            supply_v=supply_v,
            temperature_c=temperature_c,
            parts={**self.parts, **(changed or {})},
        )
        times, on_ends, off_ends = try_cycle_times(circuit)
        shape = np.shape(knob_deg)
        both = np.stack([np.broadcast_to(one, shape) for one in (times.on_s, times.off_s)], axis=-1)
        ends = np.broadcast_to(on_ends & off_ends, shape)[:, None]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.where(ends & (both > 0.0), np.log(both), math.nan))

    def _along(self, knob_deg: Values) -> Values:
        """Return the curve at knob angles within the live track, shape (p, 2)."""
        both = [np.interp(knob_deg, self.curve_deg, self.curve[:, k]) for k in (0, 1)]
        return np.column_stack(both)

    @property
    def live_deg(self) -> tuple[float, float]:
        """The knob angles between which turning it moves the pulse."""
        knob = self.design.knob
        return knob.dead_low_deg, knob.travel_deg - knob.dead_high_deg

    def per_degree(self, knob_deg: Values) -> Values:
        """Return the change of `logs` by a degree of knob, shape (p, 2); inside at the ends."""
        first, last = self.live_deg
        low = np.clip(knob_deg - _HALF_STEP_DEG, first, max(last - _HALF_STEP_DEG, first))
        high = np.clip(knob_deg + _HALF_STEP_DEG, min(first + _HALF_STEP_DEG, last), last)
        rise = self._along(high) - self._along(low)
        return np.asarray(rise / np.maximum(high - low, 1e-9)[:, None])

    def turned(self, knob_deg: Values, shift_deg: Values, *, beyond: bool) -> Values:
        """Return what turning the wiper on by some degrees at each mark adds to `logs`.

        Parameters
        ----------
        knob_deg, shift_deg : numpy.ndarray
            Marks and how far the wiper stands further on there, shape (p,), degrees.
        beyond : bool
            Whether a shift past the end of the track counts on in a straight line, rather than
            ending there.

        Returns
        -------
        numpy.ndarray
            Shape (p, 2).
        """
        first, last = self.live_deg
        start = np.clip(knob_deg, first, last)
        aim = start + shift_deg
        end = np.clip(aim, first, last)
        moved = self._along(end) - self._along(start)
        if beyond:
            moved = moved + self.per_degree(end) * (aim - end)[:, None]
        return np.asarray(moved)


def make_base(design: Design, parts: Mapping[str, float]) -> Base:
    """Return the channel of a design with some parts other than marked.

    Parameters
    ----------
    design : Design
        The design, wired as the channel was built.
    parts : mapping of str to float
        Values by name, SI units.

    Returns
    -------
    Base
        With its curve, in steps so fine that a straight line between two of them is off by less
        than 1 in a million.
    """
    first, last = design.knob.dead_low_deg, design.knob.travel_deg - design.knob.dead_high_deg
    curve_deg = np.linspace(first, last, _CURVE_STEPS)
    bare = Base(design, parts, curve_deg, np.zeros((_CURVE_STEPS, 2)))
    return replace(bare, curve=bare.logs(curve_deg))


def find_base(design: Design, points: Sequence[Point], knob_reading_deg: float) -> Base:
    """Find the channel that a sweep shows.

    Parameters
    ----------
    design : Design
        What it should be.
    points : sequence of Point
        At least one.
    knob_reading_deg : float
        Half-width of the knob reading, degrees.

    Returns
    -------
    Base
        The marked parts moved until they fit; wired otherwise where only that explains the sweep.
    """
    angles = np.array([point.knob_deg for point in points])
    sweep = read_sweep(points, knob_reading_deg).blurred(MODEL_SHARE)
    problem = suppose_right(design, sweep).problem
    fit = fit_sweep(problem)
    values = {
        place.name: float(place.value_at(np.asarray(at)))
        for place, at in zip(problem.places, fit.at, strict=True)
        if place.name in OVERRIDES
    }
    if "contact" in values:
        values["contact"] = max(values["contact"], 0.0)
    base = make_base(design, values)
    fits = fit.misfit < chi_square_point(1e-4, 2 * angles.size)
    if fits and np.isfinite(base.logs(angles)).all():
        return base
    try:
        found = identify_parts(design, points, knob_reading_deg=knob_reading_deg)
    except MeasurementError:
        return base
    other = make_base(found.built, found.values())
    return other if np.isfinite(other.logs(angles)).all() else base
