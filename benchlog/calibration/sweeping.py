"""Leading through the marks of a sweep: which one is next, and whether a pulse is plausible there.

What a mark should give follows from builds drawn within the parts' tolerances: as long as nothing
was seen their spread is what may be expected, and each mark that was taken narrows it. Two
departures that no part explains are allowed for: a track that does not follow its taper, and the
reading of the knob.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.cycle import build_circuit
from benchlog.channel.design import Design, predict_cycle
from benchlog.channel.knob_marks import Direction, Mark
from benchlog.channel.timer import try_cycle_times
from benchlog.channel.unknowns import draw_builds, list_unknowns

__all__ = ["Expected", "Judgement", "Seen", "SweepGuide", "next_mark"]

Judgement = Literal["fits", "nearly", "same", "flat", "elsewhere"]
"""Where a pulse that stands still belongs.

``fits`` and ``nearly``: at the mark, well within or at the border of what is expected there;
``same``: the knob was not moved since the last mark; ``flat``: the same pulse as at the last
mark, and none other is expected; ``elsewhere``: at another angle.
"""

_STEP_DEG = 2.5
_DRAWS = 200
_SEED = 558
_SUPPLY_SHARE = 0.08
_TAPER_SHARE = 0.03
_TAPER_REACH = 0.5
_READING_DEG = 1.5
_BACKLASH_DEG = 2.0
_SPREADS = 2.0
_READINGS = 2.5
_NEAR = 0.5
_NEIGHBOUR_SHARE = 0.6
_SAME_SHARE = 0.15
_SAME_LEAST_S = 3e-6
_KEPT = 16

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Seen:
    """A mark that was taken.

    Attributes
    ----------
    knob_deg : float
        Where.
    pulse_s : float
        The pulse there, seconds.
    direction : str or None
        On which way.
    """

    knob_deg: float
    pulse_s: float
    direction: Direction | None = None


@dataclass(frozen=True, slots=True)
class Expected:
    """What a mark should give.

    Attributes
    ----------
    pulse_s : float
        The pulse, seconds.
    half_s : float
        Within which half-width a pulse is plausible, seconds.
    """

    pulse_s: float
    half_s: float


def next_mark(marks: Sequence[Mark], taken: Collection[int]) -> Mark | None:
    """Return the first mark that was not taken.

    Parameters
    ----------
    marks : sequence of Mark
        All, in the order of visiting.
    taken : collection of int
        Numbers of those that were taken.

    Returns
    -------
    Mark or None
        None where all were.
    """
    return next((mark for mark in marks if mark.number not in taken), None)


class SweepGuide:
    """Knows what each mark should give, the better the more marks were seen.

    Parameters
    ----------
    design : Design
        What the channel should be.
    marks : sequence of Mark
        All marks; their knob angles bound how far a pulse may be off before it belongs to a
        neighbour.
    supply_v, temperature_c : float or None
        As they were read; a supply that was not is taken to lie within 8 % of the design's.

    Raises
    ------
    DesignError
        The design does not oscillate over the knob's whole travel.
    """

    def __init__(
        self,
        design: Design,
        marks: Sequence[Mark],
        *,
        supply_v: float | None = None,
        temperature_c: float | None = None,
    ) -> None:
        self._servo = design.servo
        travel_deg = design.knob.travel_deg
        steps = min(400, max(28, round(travel_deg / _STEP_DEG)))
        self._grid_deg = np.linspace(0.0, travel_deg, steps + 1)
        cycle = predict_cycle(
            design, self._grid_deg, supply_v=supply_v, temperature_c=temperature_c
        )
        self._design_s = np.asarray(cycle.on_s, dtype=np.float64)
        self._off_s = np.asarray(cycle.off_s, dtype=np.float64)
        self._cov = self._covariance(design, supply_v, temperature_c)
        self._known: dict[
            tuple[tuple[Seen, ...], Direction | None], tuple[FloatArray, FloatArray]
        ] = {}
        steps_s = np.abs(np.gradient(self._design_s, self._grid_deg))
        self._slopes_s = np.maximum(steps_s, max(0.25 * float(np.median(steps_s)), 1e-9))
        self._marks_deg = np.unique([m.knob_deg for m in marks if m.knob_deg is not None])

    def _covariance(
        self, design: Design, supply_v: float | None, temperature_c: float | None
    ) -> FloatArray:
        """Return how the pulses of builds vary together over the grid, seconds squared."""
        source = np.random.default_rng(_SEED)
        drawn = draw_builds(list_unknowns(design, supply_v=supply_v), _DRAWS, source)
        parts = {name: one.reshape(_DRAWS, 1) for name, one in drawn.items()}
        supply = parts.pop("supply_v")
        if supply_v is None:
            supply = supply * (1.0 + _SUPPLY_SHARE * source.uniform(-1.0, 1.0, (_DRAWS, 1)))
        circuit = build_circuit(
            design, self._grid_deg, supply_v=supply, temperature_c=temperature_c, parts=parts
        )
        times, on_ends, off_ends = try_cycle_times(circuit)
        good = np.all(on_ends & off_ends, axis=1)
        on_s = np.broadcast_to(times.on_s, (_DRAWS, self._grid_deg.shape[0]))[good]
        away = on_s - self._design_s
        cov = away.T @ away / max(away.shape[0], 1)
        span_s = float(np.ptp(self._design_s))
        reach_deg = _TAPER_REACH * float(self._grid_deg[-1])
        apart = (self._grid_deg[:, None] - self._grid_deg[None, :]) / reach_deg
        return np.asarray(cov + (_TAPER_SHARE * span_s) ** 2 * np.exp(-0.5 * apart**2))

    # --- what may be expected ---------------------------------------------------

    def slope_s(self, knob_deg: float) -> float:
        """Return by how much the pulse changes for a degree of knob, seconds, without sign.

        Where the design's knob is dead it is that of the knob's travel as a whole, if less.
        """
        return float(np.interp(knob_deg, self._grid_deg, self._slopes_s))

    def expect(self, mark: Mark, seen: Sequence[Seen]) -> Expected:
        """Return what a mark should give.

        Parameters
        ----------
        mark : Mark
            The mark.
        seen : sequence of Seen
            Marks that were taken, in any order.

        Returns
        -------
        Expected
            Its half-width never reaches more than some way to the neighbouring marks once a
            mark was seen. For a mark at an arm angle the servo's pulse there, within its dead band.
        """
        if mark.knob_deg is None:
            servo = self._servo
            return Expected(float(servo.width_for(mark.degrees)), max(servo.dead_band_s, 1e-6))
        mean, variance = self._condition(seen, mark.direction)
        pulse_s = float(np.interp(mark.knob_deg, self._grid_deg, mean))
        spread_s = float(np.sqrt(np.interp(mark.knob_deg, self._grid_deg, variance)))
        reading_s = _READING_DEG * self.slope_s(mark.knob_deg)
        half_s = float(np.hypot(_SPREADS * spread_s, _READINGS * reading_s))
        if seen:
            half_s = min(half_s, self._reach_of(mark.knob_deg, mean))
        return Expected(pulse_s, half_s)

    def _condition(
        self, seen: Sequence[Seen], direction: Direction | None
    ) -> tuple[FloatArray, FloatArray]:
        """Return the expected curve over the grid and its variance.

        A live screen asks the same some dozens of times a second.
        """
        key = (tuple(seen), direction)
        if key not in self._known:
            if len(self._known) >= _KEPT:
                self._known.clear()
            self._known[key] = self._work_out(seen, direction)
        return self._known[key]

    def _work_out(
        self, seen: Sequence[Seen], direction: Direction | None
    ) -> tuple[FloatArray, FloatArray]:
        """Return the expected curve over the grid and its variance."""
        variance = np.diag(self._cov).copy()
        if not seen:
            return self._design_s, variance
        grid = self._grid_deg
        at_deg = np.array([one.knob_deg for one in seen])
        rows = np.stack([np.interp(at_deg, grid, column) for column in self._cov])
        among = np.stack([np.interp(at_deg, grid, rows[:, k]) for k in range(at_deg.size)], 1)
        noise = [
            self.slope_s(one.knob_deg)
            * (_READING_DEG + _BACKLASH_DEG * (one.direction != (direction or one.direction)))
            for one in seen
        ]
        away = np.array([one.pulse_s for one in seen]) - np.interp(at_deg, grid, self._design_s)
        gain = np.linalg.solve(among + np.diag(np.square(noise)), rows.T).T
        mean = self._design_s + gain @ away
        variance -= np.sum(gain * rows, axis=1)
        return mean, np.maximum(variance, 0.0)

    def _reach_of(self, knob_deg: float, mean: FloatArray) -> float:
        """Return how far the pulse may be off before it belongs to the next mark, seconds."""
        others = self._marks_deg[np.abs(self._marks_deg - knob_deg) > 1e-6]
        if not others.size:
            return np.inf
        here = float(np.interp(knob_deg, self._grid_deg, mean))
        beside = [others[others < knob_deg][-1:], others[others > knob_deg][:1]]
        steps_s = [
            abs(float(np.interp(float(one[0]), self._grid_deg, mean)) - here)
            for one in beside
            if one.size
        ]
        # where a neighbour lies in dead travel with it, the two cannot be told apart anyway
        steps_s = [one for one in steps_s if one > _SAME_LEAST_S]
        return max(_NEIGHBOUR_SHARE * min(steps_s), _SAME_LEAST_S) if steps_s else np.inf

    def looks_like_deg(self, pulse_s: float, seen: Sequence[Seen]) -> float:
        """Return the knob angle that a pulse looks like, degrees, held at the stops."""
        mean, _ = self._condition(seen, None)
        rises = mean[-1] >= mean[0]
        ordered = mean if rises else mean[::-1]
        angles = self._grid_deg if rises else self._grid_deg[::-1]
        return float(np.interp(pulse_s, np.maximum.accumulate(ordered), angles))

    # --- judging ------------------------------------------------------------------

    def judge(
        self, mark: Mark, pulse_s: float, seen: Sequence[Seen], last: Seen | None
    ) -> Judgement:
        """Say where a pulse that stands still belongs.

        Parameters
        ----------
        mark : Mark
            The mark that was asked for.
        pulse_s : float
            The pulse, seconds.
        seen : sequence of Seen
            Marks that were taken.
        last : Seen or None
            The one that was taken last, where the knob may still stand.

        Returns
        -------
        str
            See `Judgement`.
        """
        expected = self.expect(mark, seen)
        if mark.knob_deg is None:
            return "fits" if abs(pulse_s - expected.pulse_s) <= expected.half_s else "elsewhere"
        if last is not None:
            step_s = abs(expected.pulse_s - last.pulse_s)
            same_s = max(_SAME_LEAST_S, _SAME_SHARE * step_s)
            if abs(pulse_s - last.pulse_s) < same_s:
                return "flat" if step_s < 2.0 * _SAME_LEAST_S else "same"
        off = abs(pulse_s - expected.pulse_s) / expected.half_s
        if off > 1.0:
            return "elsewhere"
        return "fits" if off <= _NEAR else "nearly"

    def better_width(self, width_s: float, period_s: float) -> bool:
        """Tell whether a width and the rest of its period are the design's this way round.

        Parameters
        ----------
        width_s, period_s : float
            A cycle, seconds.

        Returns
        -------
        bool
            False where the design rather makes the rest of the period its pulse.
        """
        rest_s = period_s - width_s
        if not 0.0 < width_s < period_s:
            return True
        curve = np.log(np.stack((self._design_s, self._off_s)))
        pair = np.log(np.array([[width_s], [rest_s]]))
        as_read = float(np.min(np.sum((curve - pair) ** 2, axis=0)))
        turned = float(np.min(np.sum((curve - pair[::-1]) ** 2, axis=0)))
        return as_read <= turned
