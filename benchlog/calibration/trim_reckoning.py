"""From settled readings to a channel's resistances, and to those to go for."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Collection
from dataclasses import dataclass

from benchlog.calibration.trim_model import Aims, ChannelModel, Place, Sides, Where
from benchlog.calibration.trim_steps import Doubt, TrimSettings
from benchlog.calibration.trimmers import Trimmer, TrimmerState, estimate_scale
from benchlog.channel.plan import Design

__all__ = ["TRIMMED_AT", "PlaceReading", "Reckoning"]

TRIMMED_AT: dict[Place, Where] = {"low": "r_on", "high": "across", "middle": "r_off"}
"""Which resistance is set at which place."""

_BEST_SHARE = 0.2
_FAR = 0.5
_RETURN_SHARE = 0.06
_RETURN_S = 30e-6
_MIDDLE = (0.25, 0.75)
_SLACK, _SLACK_SHARE, _SLACK_HIGH = 0.05, 0.15, 0.3
_LEAST_OFF_SHARE = 0.05
_MOST_ON_SHARE = 0.9
_SUPPLY_UNKNOWN = 0.01
_SUPPLY_READ = 0.003


@dataclass(frozen=True, slots=True)
class PlaceReading:
    """A settled reading at a place.

    Attributes
    ----------
    place : {"low", "high", "middle"}
        Where the knob stands.
    on_s, off_s : float
        Pulse and pause, seconds.
    value_s, u_s : float
        What counts there, the pulse or in the middle the period, and its uncertainty.
    """

    place: Place
    on_s: float
    off_s: float
    value_s: float
    u_s: float


class Reckoning:
    """What readings have told of a channel so far.

    Parameters
    ----------
    design : Design
        The design.
    trimmers : tuple of Trimmer
        One at each place at most.
    aims : Aims
        What is wanted.
    settings : TrimSettings
        What is known besides.
    """

    def __init__(
        self, design: Design, trimmers: tuple[Trimmer, ...], aims: Aims, settings: TrimSettings
    ) -> None:
        self.aims = aims
        self.model = ChannelModel(
            design, supply_v=settings.supply_v, temperature_c=settings.temperature_c
        )
        knob = design.r_knob
        self.trimmers: dict[Where, TrimmerState] = {
            one.where: TrimmerState(one, knob.value, knob.tolerance) for one in trimmers
        }
        self._design = design
        supply_share = _SUPPLY_READ
        if settings.supply_v is None:
            supply_share = max(_SUPPLY_UNKNOWN, design.supply.tolerance / math.sqrt(3.0))
        self._supply_share = supply_share
        self._measured: frozenset[str] = frozenset()
        self._visited: set[Place] = set()
        self._period_off_s = 0.0
        self._planned: tuple[object, tuple[Sides, bool]] | None = None
        self.sides = self._guess()

    def _guess(self) -> Sides:
        """Return the marked resistances, trimmers at their middle."""
        sides = self.model.marked
        for where, state in self.trimmers.items():
            trimmer = state.trimmer
            ohm = trimmer.fixed_ohm + trimmer.range_ohm / 2
            if where == "across":
                ohm = sides.whole_track * ohm / (sides.whole_track + ohm)
            sides = sides.with_side(where, ohm)
        return sides

    @property
    def scale(self) -> tuple[float, float]:
        """By what factor resistances look larger than they are, and its uncertainty."""
        trimmers = tuple(one.trimmer for one in self.trimmers.values())
        return estimate_scale(
            self._design, self.sides, self._measured, trimmers, supply_share=self._supply_share
        )

    # --- readings -------------------------------------------------------------------

    def take(self, reading: PlaceReading, *, is_first: bool) -> None:
        """Take from a settled reading what the resistances are.

        Parameters
        ----------
        reading : PlaceReading
            The reading.
        is_first : bool
            Whether nothing was set since the knob came there.
        """
        if reading.place == "middle":
            self._take_middle(reading, is_first)
        else:
            found = self.model.find_sides(reading.on_s, reading.off_s)
            if found is not None:
                self._take_end(reading.place, *found)
        self._visited.add(reading.place)
        for state in self.trimmers.values():
            state.set_scale(*self.scale)
        if reading.place == "middle":
            return  # what lies across the knob does there is in the error seen on arrival
        across, whole = self.trimmers.get("across"), self.sides.track
        if across is not None:
            whole = across.whole_track(whole)
        self.sides = dataclasses.replace(self.sides, whole_track=whole)

    def _take_end(self, place: Place, r_a: float, r_b: float) -> None:
        sides = self.sides
        if place == "low":
            sides = dataclasses.replace(sides, r_on=r_a)
            if "r_off" not in self._measured:
                r_off = max(r_b - sides.track, _LEAST_OFF_SHARE * r_b)
                sides = dataclasses.replace(sides, r_off=r_off)
            self._measured |= {"r_on"}
        else:
            r_on = min(sides.r_on, _MOST_ON_SHARE * r_a)
            sides = dataclasses.replace(sides, r_on=r_on, track=r_a - r_on, r_off=r_b)
            self._measured |= {"r_off"}
            if "across" not in self.trimmers:
                self._measured |= {"track"}
        self.sides = sides

    def _take_middle(self, reading: PlaceReading, is_first: bool) -> None:
        """Take r_off from the period at mid-knob, once the model's own error there is known."""
        if is_first:
            on_s, off_s = self.model.predict(self.sides)["middle"]
            self._period_off_s = reading.value_s - on_s - off_s
            return
        aims = dataclasses.replace(self.aims, period_s=reading.value_s)
        found = self.model.plan(self.sides, {"r_off"}, aims, period_off_s=self._period_off_s)
        if found is not None:
            self.sides = found

    def find_doubt(self, reading: PlaceReading, *, was_there: bool) -> Doubt | None:
        """Tell why a reading cannot be that of its place, None where it can.

        Parameters
        ----------
        reading : PlaceReading
            The reading.
        was_there : bool
            Whether the knob has been there before.
        """
        place, sides = reading.place, self.sides
        if was_there:
            expected_s = self.model.predict(sides)[place][0]
            span_s = abs(self.aims.high_s - self.aims.low_s)
            off_s = abs(reading.on_s - expected_s)
            if off_s <= max(_RETURN_SHARE * span_s, _RETURN_S) or not math.isfinite(expected_s):
                return None
        found = self.model.find_sides(reading.on_s, reading.off_s)
        if found is None:
            return "not-there"
        share = (found[0] - sides.r_on) / sides.track
        if place == "middle":
            return None if _MIDDLE[0] < share < _MIDDLE[1] else "not-there"
        from_end = share if place == "low" else 1.0 - share
        if from_end > _FAR:
            return "other-end"
        return "not-there" if was_there or from_end > self._slack(place) else None

    def _slack(self, place: Place) -> float:
        """Return how far from its end, as a share of the track, the first reading may seem."""
        sides = self.sides
        if place == "high":
            return _SLACK_HIGH
        trimmer = self.trimmers.get("r_on")
        half_ohm = trimmer.trimmer.range_ohm / 2 if trimmer is not None else 0.0
        return (half_ohm + _SLACK_SHARE * sides.r_on) / sides.track + _SLACK

    # --- what to go for ---------------------------------------------------------------

    def _plan_for(self, free: Collection[Where]) -> Sides | None:
        return self.model.plan(
            self.sides,
            free,
            self.aims,
            balance=self._visited >= {"low", "high"} and _must_balance(free),
            period_off_s=self._period_off_s,
        )

    def plan(self) -> tuple[Sides, bool]:
        """Return the resistances to go for, and whether they may be short of what is wanted.

        A trimmer that is at its end is left where it is. Where r_on alone serves both ends it
        goes where both are off by the same, once both have been seen.
        """
        limits = tuple(state.limit for state in self.trimmers.values())
        key = (self.sides, limits, self._period_off_s, frozenset(self._visited))
        if self._planned is None or self._planned[0] != key:
            self._planned = key, self._find_plan()
        return self._planned[1]

    def _find_plan(self) -> tuple[Sides, bool]:
        free = set(self.trimmers)
        limited = False
        while (planned := self._plan_for(free)) is not None:
            stopped = {where for where in free if self._is_stopped(where, planned.side(where))}
            if not stopped:
                return planned, limited or _must_balance(free)
            free -= stopped
            limited = True
        return self.sides, True

    def plan_all(self) -> Sides | None:
        """Return the resistances that would reach all that is wanted, could each be set."""
        everything: set[Where] = {"r_on", "across", "r_off"}
        return self.model.plan(self.sides, everything, self.aims, period_off_s=self._period_off_s)

    def _is_stopped(self, where: Where, goal_ohm: float) -> bool:
        limit = self.trimmers[where].limit
        return limit is not None and limit * (goal_ohm - self.sides.side(where)) > 0

    def can_reach(self, where: Where, looks_ohm: float) -> bool:
        """Tell whether a trimmer gets to a resistance, as it looks, before its end."""
        state = self.trimmers.get(where)
        if state is None or self._is_stopped(where, looks_ohm):
            return False
        return state.reach(self.sides.side(where), looks_ohm).within != "no"

    def goal_s(self, place: Place) -> float:
        """Return what a place is to read in the end, as far as it can; it must be wanted there."""
        target_s = self.aims.target_s(place)
        assert target_s is not None
        planned, is_short = self.plan()
        if not is_short:
            return target_s
        off_s = self._period_off_s if place == "middle" else 0.0
        best_s = self.model.value_s(planned, place) + off_s
        within_s = _BEST_SHARE * self.aims.tolerance_s(place)
        return best_s if math.isfinite(best_s) and abs(best_s - target_s) > within_s else target_s

    def change_s(self, place: Place, where: Where) -> float:
        """Return by how much setting a trimmer where it is to go changes what a place reads."""
        planned, _ = self.plan()
        return self.shift_s(place, self.sides, self.sides.with_side(where, planned.side(where)))

    def shift_s(self, place: Place, before: Sides, after: Sides) -> float:
        """Return by how much what a place reads differs between two sets of resistances."""
        shift_s = self.model.value_s(after, place) - self.model.value_s(before, place)
        return shift_s if math.isfinite(shift_s) else 0.0


def _must_balance(free: Collection[Where]) -> bool:
    """Tell whether r_on alone serves both ends."""
    return "r_on" in free and "across" not in free
