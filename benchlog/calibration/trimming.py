"""Leading through the setting of trimmers: from one settled reading to what to do next.

The knob goes to the end of the short pulse, then to that of the long one, then to its middle for
the period, and round again until all hold. At each place the reading is turned into resistances
(`benchlog.calibration.trim_model`), all that is wanted into those that would give it, and
the difference into a turn of one trimmer. So the pulse that is wanted at a place just now may
differ by some microseconds from the one wanted in the end: setting the period later moves
the long pulse a little.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from benchlog.calibration.trim_model import PLACES, Aims, ChannelModel, Place, Sides, Where
from benchlog.calibration.trim_reckoning import TRIMMED_AT, PlaceReading, Reckoning
from benchlog.calibration.trim_steps import (
    Advice,
    Doubt,
    Phase,
    PlaceResult,
    Step,
    TrimmerResult,
    TrimSettings,
    Way,
)
from benchlog.calibration.trimmers import Trimmer, TrimmerState
from benchlog.channel.plan import Design
from benchlog.timing.settling import Settling

__all__ = ["Trimming"]

_ACCEPT = 0.5
_ACCEPT_BEST = 0.2
_ACCEPT_LATER = 0.6
_KEEP = 0.8
_AGAIN = 1.2
_MOVES_ENOUGH = 4
_SHIFT_SHARE = 0.2
_SHIFT_U = 0.3
_MOVED_S = 0.8e-6
_MOVED_SHARE = 0.1
_DOUBT_HOLDS = 5.0
_OTHER_WAY_HOLDS = 6.0
_STUCK_HOLDS = 3.0
_STUCK_HOLDS_UNMOVED = 12.0
_LEAST_HOLD_S = 0.5
_FELL_SHORT = 0.6
_TOO_FAR = 0.7
_MOST_ROUNDS = 8


@dataclass(frozen=True, slots=True)
class _Kept:
    """What a place gave when it was left, and the resistances that held then."""

    value_s: float
    u_s: float
    sides: Sides


@dataclass(slots=True)
class _Visit:
    """What has happened since a trimmer began to be set."""

    state: TrimmerState
    advice: Advice
    wanted_s: float
    advised: PlaceReading
    advised_s: float
    best: bool
    moves: int = 0
    last_change: float | None = None
    fell_short: bool = False
    is_reversed: bool = False


class Trimming:
    """Leads from reading to reading.

    Parameters
    ----------
    design : Design
        The design.
    trimmers : tuple of Trimmer
        One at each place at most; at least one.
    aims : Aims
        What is wanted.
    settings : TrimSettings, optional
        How the work is led.

    Raises
    ------
    ValueError
        No trimmer, or two at one place.
    """

    def __init__(
        self,
        design: Design,
        trimmers: tuple[Trimmer, ...],
        aims: Aims,
        settings: TrimSettings | None = None,
    ) -> None:
        if not trimmers or len({one.where for one in trimmers}) != len(trimmers):
            raise ValueError(f"one trimmer at each place, and at least one: {trimmers}")
        self._settings = settings or TrimSettings()
        self._aims = aims
        self._found = Reckoning(design, trimmers, aims, self._settings)
        self._kept: dict[Place, _Kept] = {}
        self._visits: list[Place] = []
        self._place: Place = "low"
        self._phase: Phase = "go"
        self._visit: _Visit | None = None
        self._round = 1
        self._moves = 0
        self._advices = 0
        self._began_s: float | None = None
        self._now = Settling("none")
        self._heard_s = 0.0
        self._held_s = 0.0
        self._doubt: Doubt | None = None

    # --- what the caller does --------------------------------------------------

    @property
    def is_done(self) -> bool:
        """Whether nothing is left to do."""
        return self._phase == "done"

    @property
    def round(self) -> int:
        """The round, from 1."""
        return self._round

    @property
    def moves(self) -> int:
        """Turns of trimmers so far."""
        return self._moves

    @property
    def model(self) -> ChannelModel:
        """The channel's model."""
        return self._found.model

    @property
    def found(self) -> Reckoning:
        """What readings have told so far."""
        return self._found

    @property
    def has_reached(self) -> bool:
        """Whether all that was wanted holds."""
        return all(one.holds is not False for one in self.results())

    def step(self) -> Step:
        """Return what to do now."""
        place, now, visit = self._place, self._now, self._visit
        expected_s = None
        if self._phase == "go":
            expected_s = self.model.value_s(self._found.sides, place)
            expected_s = expected_s if math.isfinite(expected_s) else None
        return Step(
            phase=self._phase,
            place=place,
            knob_deg=self.model.angles_deg[place],
            round=self._round,
            pulse=now.state,
            now_s=now.period_s if place == "middle" else now.mean_s,
            u_s=now.u_period_s if place == "middle" else now.u_s,
            expected_s=expected_s,
            wanted_s=visit.wanted_s if visit is not None else None,
            target_s=self._aims.target_s(place),
            within_s=self._aims.tolerance_s(place),
            advice=visit.advice if visit is not None else None,
            held_s=self._held_s,
            doubt=self._doubt,
            moves=self._moves,
            best=visit is not None and visit.best,
        )

    def take(self, settling: Settling, heard_s: float) -> Step:
        """Take what is heard.

        Parameters
        ----------
        settling : Settling
            The newest.
        heard_s : float
            The instant that it holds for.

        Returns
        -------
        Step
            What to do then.
        """
        self._now, self._heard_s = settling, heard_s
        if self._began_s is None:
            self._began_s = heard_s
        reading = self._reading()
        if reading is None or settling.since_s is None:
            self._held_s, self._doubt = 0.0, None
            return self.step()
        held_s = heard_s - max(settling.since_s, self._began_s)
        if self._phase == "go":
            self._wait(reading, held_s, has_moved=settling.since_s > self._began_s)
        elif self._visit is not None:
            self._adjust(reading, held_s, self._visit)
        return self.step()

    def confirm(self) -> Step:
        """Take the place, or the setting, as it is: somebody says so."""
        reading = self._reading()
        if reading is not None and self._phase == "go":
            self._arrive(reading)
        elif reading is not None and self._visit is not None:
            self._found.take(reading, is_first=False)
            self._leave(reading)
        return self.step()

    def say_at_end(self) -> Step:
        """Take the trimmer that is being set to be at its end: it cannot be turned further."""
        reading = self._reading()
        if self._visit is not None and reading is not None:
            self._stop_at_end(reading, self._visit)
        return self.step()

    def go_back(self) -> Step:
        """Go back to where the knob was before."""
        for state in self._found.trimmers.values():
            state.limit = None
        if self._phase == "set":
            self._begin(self._place)
        elif self._visits:
            place = self._visits.pop()
            self._kept.pop(place, None)
            self._begin(place)
        return self.step()

    def results(self) -> tuple[PlaceResult, ...]:
        """Return what each place gives in the end."""
        found = []
        for place in PLACES:
            kept = self._kept.get(place)
            value_s, u_s = None, None
            if kept is not None:
                shift_s = self._shift(place, kept)
                value_s, u_s = kept.value_s + shift_s, math.hypot(kept.u_s, _SHIFT_U * shift_s)
            angle, target_s = self.model.angles_deg[place], self._aims.target_s(place)
            within_s = self._aims.tolerance_s(place)
            found.append(PlaceResult(place, angle, value_s, u_s, target_s, within_s))
        return tuple(found)

    def trimmer_results(self) -> tuple[TrimmerResult, ...]:
        """Return where each trimmer stands in the end."""
        ideal = self._found.plan_all() if self._visits else None
        found = []
        for where, state in self._found.trimmers.items():
            looks_ohm = self._found.sides.side(where)
            ohm, u_ohm = state.setting(looks_ohm)
            wanted_ohm = None
            if ideal is not None and state.limit is not None:
                wanted_ohm = ohm + state.reach(looks_ohm, ideal.side(where)).change_ohm
            ends: dict[int | None, Literal["most", "least"]] = {1: "most", -1: "least"}
            at_end = ends.get(state.limit)
            found.append(TrimmerResult(state.trimmer, ohm, u_ohm, wanted_ohm, at_end))
        return tuple(found)

    # --- going to a place ----------------------------------------------------------

    def _reading(self) -> PlaceReading | None:
        """Return what is heard if it stands still."""
        now, place = self._now, self._place
        if now.state != "settled" or now.mean_s is None or now.period_s is None:
            return None
        off_s = now.period_s - now.mean_s
        if place == "middle":
            return PlaceReading(place, now.mean_s, off_s, now.period_s, now.u_period_s or 0.0)
        return PlaceReading(place, now.mean_s, off_s, now.mean_s, now.u_s or 0.0)

    def _wait(self, reading: PlaceReading, held_s: float, *, has_moved: bool) -> None:
        """Look whether a pulse that stands still is that of the place the knob is to go to."""
        doubt = self._found.find_doubt(reading, was_there=self._place in self._kept)
        holds = held_s / self._settings.hold_s
        self._held_s = held_s if doubt is None else 0.0
        # what has not moved yet is no cause for a remark
        self._doubt = doubt if has_moved or holds >= _DOUBT_HOLDS else None
        is_taken_anyway = doubt == "not-there" and has_moved and holds >= _DOUBT_HOLDS
        if (doubt is None and holds >= 1.0) or is_taken_anyway:
            self._arrive(reading)

    def _arrive(self, reading: PlaceReading) -> None:
        """Set the trimmer of a place that the knob has come to, or go on where none helps."""
        place = self._place
        self._found.take(reading, is_first=True)
        self._visits.append(place)
        state = self._find_trimmer()
        if state is None:
            self._leave(reading)
            return
        is_kept = place in self._kept and self.has_reached
        share = _KEEP if is_kept else self._accept(place)
        if abs(reading.value_s - self._found.goal_s(place)) <= self._near_s(reading, share):
            self._leave(reading)
            return
        self._phase, self._held_s, self._doubt = "set", 0.0, None
        self._advise(reading, state)

    def _find_trimmer(self) -> TrimmerState | None:
        """Return the trimmer that is set here, None where there is none that helps."""
        if self._aims.target_s(self._place) is None:
            return None
        return self._found.trimmers.get(TRIMMED_AT[self._place])

    def _accept(self, place: Place) -> float:
        """Return what share of the tolerance is near enough while a trimmer is set."""
        return _ACCEPT_BEST if self._found.goal_s(place) != self._aims.target_s(place) else _ACCEPT

    def _near_s(self, reading: PlaceReading, share: float) -> float:
        """Return how near to what is wanted is near enough."""
        return max(share * self._aims.tolerance_s(reading.place), 2.0 * reading.u_s)

    # --- setting a trimmer -----------------------------------------------------------

    def _advise(self, reading: PlaceReading, state: TrimmerState) -> None:
        """Tell how to turn the trimmer."""
        where, found, visit = state.trimmer.where, self._found, self._visit
        planned, is_short = found.plan()
        reach = state.reach(found.sides.side(where), planned.side(where))
        most_ohm = state.trimmer.range_ohm
        change_ohm = self._temper(reach.change_ohm) if visit is not None else reach.change_ohm
        change_ohm = min(max(change_ohm, -most_ohm), most_ohm)
        self._advices += 1
        advice = Advice(
            trimmer=state.trimmer,
            number=self._advices,
            change_ohm=change_ohm,
            share=abs(change_ohm) / most_ohm,
            way=self._find_way(state, change_ohm),
            is_way_known=visit is not None and visit.last_change is not None,
            within=reach.within,
        )
        wanted_s = reading.value_s + found.change_s(reading.place, where)
        best = is_short and found.goal_s(reading.place) != self._aims.target_s(reading.place)
        if visit is None:
            self._visit = _Visit(state, advice, wanted_s, reading, self._heard_s, best)
            return
        visit.advice, visit.wanted_s, visit.best = advice, wanted_s, best
        visit.advised, visit.advised_s = reading, self._heard_s

    def _temper(self, change_ohm: float) -> float:
        """Return a change that is sure to be less than one that just went too far."""
        visit = self._visit
        if visit is None or visit.last_change is None:
            return change_ohm
        last = visit.advice.change_ohm
        if last * visit.last_change < 0 or last * change_ohm >= 0:
            return change_ohm
        return math.copysign(min(abs(change_ohm), _TOO_FAR * abs(last)), change_ohm)

    def _find_way(self, state: TrimmerState, change_ohm: float) -> Way:
        visit = self._visit
        if visit is not None and visit.last_change is not None:
            return "on" if visit.last_change * change_ohm > 0 else "back"
        sense = state.clockwise or 1
        return "clockwise" if sense * change_ohm > 0 else "anticlockwise"

    def _adjust(self, reading: PlaceReading, held_s: float, visit: _Visit) -> None:
        """Look at a settled reading while a trimmer is being set."""
        if abs(reading.value_s - visit.advised.value_s) > self._least_move_s(reading):
            self._learn(reading, visit)
            self._advise(reading, visit.state)
        share = self._accept(reading.place) if visit.moves < _MOVES_ENOUGH else _ACCEPT_LATER
        if abs(reading.value_s - visit.wanted_s) <= self._near_s(reading, share):
            self._held_s = held_s
            if held_s >= self._settings.hold_s:
                self._found.take(reading, is_first=False)
                self._leave(reading)
            return
        self._held_s = 0.0
        still_s = min(held_s, self._heard_s - visit.advised_s)
        holds = still_s / max(self._settings.hold_s, _LEAST_HOLD_S)
        if holds >= _OTHER_WAY_HOLDS and visit.last_change is None and not visit.is_reversed:
            # it may be at the end that lies the way that was told
            told = 1 if visit.advice.way == "clockwise" else -1
            visit.state.clockwise = told if visit.advice.change_ohm < 0 else -told
            visit.is_reversed = True
            self._advise(reading, visit.state)
        elif self._is_stuck(visit, holds):
            self._stop_at_end(reading, visit)

    def _least_move_s(self, reading: PlaceReading) -> float:
        """Return the least change of a reading that counts as a turn of the trimmer."""
        share = _MOVED_SHARE if reading.place == "middle" else 0.0
        tolerance_s = self._aims.tolerance_s(reading.place)
        return max(_MOVED_S, 4.0 * reading.u_s, share * tolerance_s)

    def _learn(self, reading: PlaceReading, visit: _Visit) -> None:
        """Learn from a turn that has been made."""
        state, advised = visit.state, visit.advice.change_ohm
        where = state.trimmer.where
        before_ohm = self._found.sides.side(where)
        self._found.take(reading, is_first=False)
        after_ohm = self._found.sides.side(where)
        self._moves += 1
        visit.moves += 1
        if advised:
            state.learn(before_ohm, after_ohm, advised)
            turned = state.reach(before_ohm, after_ohm).change_ohm
            visit.fell_short = 0 <= turned / advised < _FELL_SHORT
        change = after_ohm - before_ohm
        if visit.advice.way in ("clockwise", "anticlockwise") and change:
            told = 1 if visit.advice.way == "clockwise" else -1
            state.clockwise = told * (1 if change > 0 else -1)
        visit.last_change = change
        state.limit = None

    def _is_stuck(self, visit: _Visit, holds: float) -> bool:
        """Tell whether the trimmer seems to be at its end: `holds` counts how long it is still."""
        direction = 1 if visit.advice.change_ohm > 0 else -1
        looks_ohm = self._found.sides.side(visit.state.trimmer.where)
        if not visit.state.is_near_end(looks_ohm, direction):
            return False
        return holds >= (_STUCK_HOLDS if visit.fell_short else _STUCK_HOLDS_UNMOVED)

    def _stop_at_end(self, reading: PlaceReading, visit: _Visit) -> None:
        """Note that the trimmer is at its end, and go on."""
        self._found.take(reading, is_first=False)
        visit.state.limit = 1 if visit.advice.change_ohm > 0 else -1
        self._leave(reading)

    # --- going on ----------------------------------------------------------------------

    def _leave(self, reading: PlaceReading) -> None:
        """Keep what the place gave, and go to the next one that does not hold."""
        self._kept[self._place] = _Kept(reading.value_s, reading.u_s, self._found.sides)
        self._visit = None
        order = PLACES.index(self._place) + 1
        later = [place for place in PLACES[order:] if self._is_pending(place)]
        again = [place for place in PLACES[:order] if self._is_pending(place)]
        if later:
            self._begin(later[0])
        elif again and self._round < _MOST_ROUNDS:
            self._round += 1
            self._begin(again[0])
        else:
            self._phase, self._held_s = "done", 0.0

    def _begin(self, place: Place) -> None:
        self._place, self._phase, self._visit = place, "go", None
        self._began_s, self._held_s, self._doubt = self._heard_s, 0.0, None

    def _shift(self, place: Place, kept: _Kept) -> float:
        """Return by how much a place must have moved since it was left."""
        return self._found.shift_s(place, kept.sides, self._found.sides)

    def _is_pending(self, place: Place) -> bool:
        """Tell whether a place has to be visited (again)."""
        if self._aims.target_s(place) is None:
            return False
        kept = self._kept.get(place)
        if kept is None:
            return True
        shift_s, within_s = self._shift(place, kept), self._aims.tolerance_s(place)
        if abs(shift_s) > _SHIFT_SHARE * within_s:
            return True
        where: Where = TRIMMED_AT[place]
        if where not in self._found.trimmers:
            return False
        share = _KEEP if self.has_reached else _AGAIN * self._accept(place)
        off_s = abs(kept.value_s + shift_s - self._found.goal_s(place))
        change_s = abs(self._found.change_s(place, where))
        return off_s > share * within_s and change_s > share * within_s / 2
