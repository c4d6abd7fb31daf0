"""A channel's three resistances as readings at the knob's ends show them, and where they should be.

At either end of the knob the pair (on, off) gives the resistance on the on side and on the off
side of the wiper. They are those that would give the reading were the capacitor, the diode and
the timer just as marked: a capacitor that is 5 % high makes all of them look 5 % high, which
does no harm, since what counts is by how much they have to change.

A resistor across the knob's ends makes a triangle with its two halves; in the star of the same
three ends (Kennelly's transform) the two in parallel are the track, and ``x (1 - x)`` times what
the track has become smaller stands in series with the wiper: nothing at either end.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.circuit import Circuit
from benchlog.channel.plan import Design
from benchlog.channel.prediction import build_circuit
from benchlog.channel.timer import try_cycle_times

__all__ = ["PLACES", "Aims", "ChannelModel", "Place", "Sides", "Where"]

Place = Literal["low", "high", "middle"]
"""Where the knob stands: the end of the short pulse, that of the long one, or between."""

PLACES: tuple[Place, ...] = ("low", "high", "middle")

Where = Literal["r_on", "across", "r_off"]
"""Where a trimmer is: in series or in place of r_on or r_off, or across the knob's ends."""

_NEWTON_STEPS = 12
_STEP = 1e-4
_LARGEST_STEP = 0.7
_CLOSE_S = 1e-9

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Aims:
    """What is wanted.

    Attributes
    ----------
    low_s, high_s : float
        Pulse at the knob's two ends, seconds.
    period_s : float or None
        Period at mid-knob, seconds; None where it does not matter.
    within_s : float
        By how much a pulse may be off.
    period_within_s : float
        By how much the period may be off.
    """

    low_s: float
    high_s: float
    period_s: float | None
    within_s: float = 5e-6
    period_within_s: float = 150e-6

    def target_s(self, place: Place) -> float | None:
        """Return what is wanted at a place."""
        return {"low": self.low_s, "high": self.high_s, "middle": self.period_s}[place]

    def tolerance_s(self, place: Place) -> float:
        """Return by how much it may be off there."""
        return self.period_within_s if place == "middle" else self.within_s


@dataclass(frozen=True, slots=True)
class Sides:
    """The resistances of a channel as its readings show them, ohms.

    Attributes
    ----------
    r_on, r_off : float
        With their trimmers.
    track : float
        The knob's track, together with what lies across it.
    whole_track : float
        The knob's track alone; matters only in between its ends.
    """

    r_on: float
    track: float
    r_off: float
    whole_track: float

    def side(self, where: Where) -> float:
        """Return the resistance that a trimmer sets."""
        return {"r_on": self.r_on, "across": self.track, "r_off": self.r_off}[where]

    def with_side(self, where: Where, ohm: float) -> Sides:
        """Return these with another value of the one that a trimmer sets."""
        name = "track" if where == "across" else where
        return dataclasses.replace(self, **{name: ohm})


class ChannelModel:
    """What pulse and period come from which resistances.

    Parameters
    ----------
    design : Design
        The design.
    supply_v, temperature_c : float, optional
        Other supply and temperature than the design's.
    """

    def __init__(
        self, design: Design, *, supply_v: float | None = None, temperature_c: float | None = None
    ) -> None:
        knob = design.knob
        ends = (0.0, knob.travel_deg)
        low_deg, high_deg = ends if knob.longer == "clockwise" else ends[::-1]
        self.design = design
        self.angles_deg: dict[Place, float] = {
            "low": low_deg,
            "high": high_deg,
            "middle": knob.travel_deg / 2,
        }
        angles = np.array([self.angles_deg[place] for place in PLACES])
        self._share = knob.on_fraction(angles)
        self._circuit = build_circuit(
            design, angles, supply_v=supply_v, temperature_c=temperature_c
        )

    @property
    def marked(self) -> Sides:
        """The resistances as marked, trimmers in series at their middle, nothing across."""
        design = self.design
        knob_ohm = design.r_knob.value
        return Sides(design.r_on.value, knob_ohm, design.r_off.value, knob_ohm)

    def predict(self, sides: Sides) -> dict[Place, tuple[float, float]]:
        """Return on and off at each place, seconds; NaN where the circuit stands still."""
        on_s, off_s = self._times(np.array([dataclasses.astuple(sides)]))
        return {
            place: (float(on_s[0, index]), float(off_s[0, index]))
            for index, place in enumerate(PLACES)
        }

    def value_s(self, sides: Sides, place: Place) -> float:
        """Return the pulse at an end, or the period at mid-knob, seconds."""
        on_s, off_s = self.predict(sides)[place]
        return on_s + off_s if place == "middle" else on_s

    def _times(self, sides: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return on and off, shape (n, places), for resistances of shape (n, 4)."""
        r_on, track, r_off, whole = (column[:, None] for column in sides.T)
        share = self._share
        contact = np.asarray(self._circuit.r_wiper_ohm, dtype=np.float64)
        arm = share * (1.0 - share) * np.maximum(whole - track, 0.0)
        return self._solve_cycle(r_on + share * track, r_off + (1.0 - share) * track, contact + arm)

    def _solve_cycle(
        self, r_a: FloatArray, r_b: FloatArray, r_wiper: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        circuit: Circuit = dataclasses.replace(
            self._circuit, r_a_ohm=r_a, r_b_ohm=r_b, r_wiper_ohm=r_wiper
        )
        times, _, _ = try_cycle_times(circuit)
        return times.on_s, times.off_s

    def find_sides(self, on_s: float, off_s: float) -> tuple[float, float] | None:
        """Return the resistances on either side of the wiper that give a reading at an end.

        Parameters
        ----------
        on_s, off_s : float
            The reading, seconds.

        Returns
        -------
        tuple of float or None
            On side and off side, ohms; None where no pair of resistances gives it.
        """
        marked = self.marked
        contact = np.asarray(self.design.knob.contact_ohm, dtype=np.float64)
        start = np.log([marked.r_on + marked.track / 2, marked.r_off + marked.track / 2])

        def miss(points: FloatArray) -> FloatArray:
            r_a, r_b = np.exp(points).T
            on, off = self._solve_cycle(r_a, r_b, contact)
            return np.stack([np.log(on / on_s), np.log(off / off_s)], axis=1)

        found = _newton(miss, start, _CLOSE_S / max(on_s, off_s))
        return None if found is None else (float(np.exp(found[0])), float(np.exp(found[1])))

    def plan(
        self,
        sides: Sides,
        free: Collection[Where],
        aims: Aims,
        *,
        balance: bool = False,
        period_off_s: float = 0.0,
    ) -> Sides | None:
        """Return the resistances that reach the aims, those that are not free left as they are.

        Parameters
        ----------
        sides : Sides
            As they are.
        free : collection of Where
            Those that a trimmer can change.
        aims : Aims
            What is wanted.
        balance : bool
            Where r_on alone has to serve both ends: whether it shall miss both by the same,
            in place of reaching the low one.
        period_off_s : float
            By how much the period at mid-knob is truly longer than the model says.

        Returns
        -------
        Sides or None
            None where nothing that can be built reaches them.
        """
        wanted: list[Where] = []
        if "r_on" in free:
            wanted.append("r_on")
        if "across" in free:
            wanted.append("across")
        if "r_off" in free and aims.period_s is not None:
            wanted.append("r_off")
        if not wanted:
            return sides
        columns = [{"r_on": 0, "across": 1, "r_off": 2}[one] for one in wanted]
        base = np.array(dataclasses.astuple(sides))
        share_both = balance and "across" not in free

        def miss(points: FloatArray) -> FloatArray:
            tried = np.repeat(base[None, :], points.shape[0], axis=0)
            tried[:, columns] = np.exp(points)
            on_s, off_s = self._times(tried)
            low, high = on_s[:, 0] - aims.low_s, on_s[:, 1] - aims.high_s
            middle = on_s[:, 2] + off_s[:, 2] + period_off_s - (aims.period_s or 0.0)
            first = (low + high) / 2 if share_both else low
            rows = {"r_on": first, "across": high, "r_off": middle}
            return np.stack([rows[one] for one in wanted], axis=1)

        found = _newton(miss, np.log(base[columns]), _CLOSE_S)
        if found is None:
            return None
        base[columns] = np.exp(found)
        return Sides(*base.tolist())


def _newton(miss, start: FloatArray, close: float) -> FloatArray | None:  # type: ignore[no-untyped-def]
    """Solve small equations by Newton's method with difference quotients; None if it fails.

    `miss` takes points of shape (n, m) and returns what is left of the equations there, shape
    (n, m).
    """
    point = start.copy()
    size = point.shape[0]
    for _ in range(_NEWTON_STEPS):
        points = np.vstack([point, point + _STEP * np.eye(size)])
        left = miss(points)
        if not np.isfinite(left).all():
            return None
        if np.abs(left[0]).max() < close:
            return point
        slopes = (left[1:] - left[0]).T / _STEP
        try:
            step = np.linalg.solve(slopes, -left[0])
        except np.linalg.LinAlgError:
            return None
        largest = np.abs(step).max()
        point = point + step * min(1.0, _LARGEST_STEP / max(largest, 1e-300))
    left = miss(point[None, :])
    return point if np.isfinite(left).all() and np.abs(left).max() < 100 * close else None
