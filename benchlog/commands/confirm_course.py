"""The way through a knob's two stops and its middle, told from live readings alone.

What comes is taken when it has stood still for long enough: two seconds where the pulse is near
what the design, with its tolerances and beyond, makes of the position that was asked for; longer
where it is not, so that a hand that only rests is not taken for one that has arrived, and a wrong
part still needs no key. The first position is simply where it settles. Of the other two the one
further away is the stop, whichever came first.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from benchlog.channel.design import Design, predict_cycle, tolerance_band
from benchlog.commands.confirm_taken import Place, Taken, list_spoilers, take_reading
from benchlog.commands.options import Level
from benchlog.timing.live_reading import LiveReading
from benchlog.timing.notices import Notice
from benchlog.timing.settling import Settler, Settling

__all__ = ["Course", "Phase"]

Phase = Literal["silent", "go", "moving", "holding", "doubtful", "other-end", "done"]

TAKE_S = 2.0
"""Seconds of pulses behind each position."""

DOUBTFUL_S = 3.5
"""How long a pulse has to stand still where it was not expected."""

PATIENT_S = 8.0
"""The same for the first position where somebody may still be reading what to do."""

_NEAR_SHARE = 0.12
_MIDDLE = (0.25, 0.75)
_MOVED_SHARE = 0.02
_TRANSIENT = {"gap", "missing-pulse", "extra-edge", "garbled-lines"}
_MOST_RETRIES = 3
_SAME_STAND_S = 0.3


class Course:
    """One copy's way through its three positions.

    Parameters
    ----------
    design : Design
        What the copy should be.
    level : str or None
        The level of a pulse, where it is known; else what fits the design better.
    has_keys : bool
        Whether somebody sits there who may still be reading.
    """

    def __init__(self, design: Design, level: Level | None, *, has_keys: bool) -> None:
        ends_deg = np.array([0.0, design.knob.travel_deg])
        marks = np.linspace(0.0, design.knob.travel_deg, 28)
        curve = predict_cycle(design, marks)
        self._curve = np.log(np.stack((curve.on_s, curve.off_s)))
        band = tolerance_band(design, ends_deg)
        self._ends_s = (float(curve.on_s[0]), float(curve.on_s[-1]))
        span_s = self._span_s = self._ends_s[1] - self._ends_s[0]
        half_s = np.maximum(
            band.on_high_s - curve.on_s[[0, -1]], curve.on_s[[0, -1]] - band.on_low_s
        )
        self._near = [
            _NEAR_SHARE + float(one) / max(abs(span_s), 1e-9) for one in np.atleast_1d(half_s)
        ]
        self._known_level = level
        self._level: Level = level or "high"
        self._has_keys = has_keys
        self._settler = Settler()
        self._settling = Settling("none")
        self._reading: LiveReading | None = None
        self._counts_at: tuple[int, int] | None = None
        # in the newest reading, new ones since it stands still, and since when that is
        self._extra: tuple[int, int, float | None] = (0, 0, None)
        self._has_moved = False
        self._first: Place = "anticlockwise"
        self._taken: list[Taken] = []
        self._retries = 0

    # --- what a view shows --------------------------------------------------------

    @property
    def taken(self) -> dict[Place, Taken]:
        """The positions that were taken, by what they turned out to be."""
        places = self._order()
        return dict(zip(places, self._taken, strict=False))

    @property
    def level(self) -> Level:
        """The level of a pulse, as far as is known now."""
        return self._level

    @property
    def asked(self) -> Place | None:
        """The position to go to now; None where all were taken."""
        return None if len(self._taken) == 3 else self._order()[len(self._taken)]

    @property
    def pulse_s(self) -> float | None:
        """The pulse as it is now, seconds."""
        reading = self._reading
        if reading is None or reading.width is None or reading.period is None:
            return None
        is_pulse = (reading.active_level or "high") == self._level
        width_s, period_s = reading.width.mean_s, reading.period.mean_s
        return width_s if is_pulse else period_s - width_s

    @property
    def phase(self) -> Phase:
        """What is going on."""
        if len(self._taken) == 3:
            return "done"
        if self._settling.state == "none":
            return "silent"
        if self._settling.state == "moving":
            return "moving"
        if not self._is_elsewhere():
            return "go"
        if self._is_other_end():
            return "other-end"
        return "holding" if self._is_expected() else "doubtful"

    @property
    def share(self) -> float:
        """How much of the wait is over, 0 to 1."""
        if self.phase not in ("holding", "doubtful", "other-end"):
            return 0.0
        return min(1.0, self._held_s() / self._wait_s())

    # --- what happens -------------------------------------------------------------

    def add(self, reading: LiveReading) -> bool:
        """Take a live reading; tell whether a position was taken with it."""
        if self._reading is None:
            # what is older may be of the copy before
            self._settler.restart(reading.heard_s)
        self._reading = reading
        self._settling = self._settler.add(reading)
        self._count_extra(reading)
        self._has_moved |= self._settling.state == "moving" and self._counts_at is not None
        if self._counts_at is None and self._settling.state == "settled":
            self._counts_at = self._counts(reading)
        if self._known_level is None and self._settling.mean_s is not None:
            self._level = self._better_level()
        if self.phase not in ("holding", "doubtful", "other-end"):
            return False
        if self._held_s() < self._wait_s():
            return False
        if self._is_disturbed(reading):
            return False
        return self._take()

    def take_now(self) -> bool:
        """Take what is there, however short it stood; tell whether there was anything."""
        return len(self._taken) < 3 and self._take()

    def begin_at_other_end(self) -> None:
        """Note that the knob was begun at its clockwise stop."""
        if len(self._taken) <= 1:
            self._first = "clockwise" if self._first == "anticlockwise" else "anticlockwise"

    # --- inside -------------------------------------------------------------------

    def _order(self) -> tuple[Place, Place, Place]:
        """Return the positions in the order in which they come."""
        last: Place = "clockwise" if self._first == "anticlockwise" else "anticlockwise"
        if len(self._taken) < 2:
            return self._first, "middle", last
        first, *others = (one.pulse_s(self._level) for one in self._taken)
        away = [abs(one - first) for one in others]
        straight = away[0] > away[1] if len(away) == 2 else self._is_far(away[0])
        return (self._first, last, "middle") if straight else (self._first, "middle", last)

    def _is_far(self, away_s: float) -> bool:
        near = self._near[1 if self._first == "anticlockwise" else 0]
        return away_s / abs(self._span_s) > max(1.0 - near, 0.5 * (1.0 + _MIDDLE[1]))

    def _settled_s(self) -> float:
        """Return the pulse that has settled, seconds."""
        mean_s, period_s = self._settling.mean_s, self._settling.period_s
        assert mean_s is not None
        if self._read_level() == self._level or period_s is None:
            return mean_s
        return period_s - mean_s

    def _read_level(self) -> Level:
        """Return the level whose time the newest reading calls its width."""
        return (self._reading.active_level if self._reading is not None else None) or "high"

    def _held_s(self) -> float:
        assert self._reading is not None
        since_s = self._settling.since_s
        return self._reading.heard_s - since_s if since_s is not None else 0.0

    def _wait_s(self) -> float:
        if self.phase == "holding":
            return TAKE_S
        reads = self._has_keys and not self._taken and not self._has_moved
        return PATIENT_S if reads else DOUBTFUL_S

    def _is_elsewhere(self) -> bool:
        """Tell whether the knob has left the positions that were taken."""
        if self._settling.period_s is None:
            return False
        pulse_s = self._settled_s()
        least_s = max(_MOVED_SHARE * abs(self._span_s), 10.0 * (self._settling.u_s or 0.0))
        return all(abs(pulse_s - one.pulse_s(self._level)) > least_s for one in self._taken)

    def _share_of(self, pulse_s: float) -> float:
        """Return where a pulse lies between those of the design's stops: 0 to 1."""
        return (pulse_s - self._ends_s[0]) / self._span_s

    def _is_other_end(self) -> bool:
        """Tell whether the first position looks like the other stop's."""
        if self._taken:
            return False
        share = self._share_of(self._settled_s())
        if self._first == "clockwise":
            return abs(share) <= self._near[0]
        return abs(share - 1.0) <= self._near[1]

    def _is_expected(self) -> bool:
        """Tell whether the pulse is near what is plausible at the position that was asked for."""
        asked, pulse_s = self.asked, self._settled_s()
        share = self._share_of(pulse_s)
        if asked == "middle":
            return _MIDDLE[0] <= share <= _MIDDLE[1]
        end = 0 if asked == "anticlockwise" else 1
        return abs(share - end) <= self._near[end]

    def _better_level(self) -> Level:
        """Return the level that makes the design's pulse rather."""
        if self._taken:
            return self._level
        mean_s, period_s = self._settling.mean_s, self._settling.period_s
        if mean_s is None or period_s is None or not 0 < mean_s < period_s:
            return self._level
        reading_level = self._read_level()
        pair = np.log(np.array([[mean_s], [period_s - mean_s]]))
        as_read = float(np.min(np.sum((self._curve - pair) ** 2, axis=0)))
        turned = float(np.min(np.sum((self._curve - pair[::-1]) ** 2, axis=0)))
        other: Level = "low" if reading_level == "high" else "high"
        return reading_level if as_read <= turned else other

    @staticmethod
    def _counts(reading: LiveReading) -> tuple[int, int]:
        return reading.lost_count, reading.garbled_count

    def _count_extra(self, reading: LiveReading) -> None:
        """Count extra pulses that came while it stood still: readings keep older ones as well."""
        before, new, before_s = self._extra
        since_s = self._settling.since_s
        same = since_s is not None and before_s is not None and since_s - before_s < _SAME_STAND_S
        added = max(0, reading.extra_count - before) if same else 0
        self._extra = reading.extra_count, new + added if same else 0, since_s

    def _spoilers(self, reading: LiveReading) -> tuple[Notice, ...]:
        before = self._counts_at or self._counts(reading)
        lost, garbled = (now - one for now, one in zip(self._counts(reading), before, strict=True))
        return list_spoilers(
            reading,
            self._settling,
            lost_count=lost,
            garbled_count=garbled,
            extra_count=self._extra[1],
        )

    def _is_disturbed(self, reading: LiveReading) -> bool:
        """Tell whether a disturbance spoilt the wait; it begins anew then, a few times at most."""
        codes = {one.code for one in self._spoilers(reading)}
        if not codes & _TRANSIENT or self._retries >= _MOST_RETRIES:
            return False
        self._retries += 1
        self._begin_wait(reading)
        return True

    def _take(self) -> bool:
        reading = self._reading
        if reading is None:
            return False
        taken = take_reading(reading, self._settling, self._spoilers(reading))
        if taken is None:
            return False
        self._taken.append(taken)
        self._retries = 0
        self._begin_wait(reading)
        return True

    def _begin_wait(self, reading: LiveReading) -> None:
        """Forget what was before."""
        self._settler.restart(reading.heard_s)
        self._counts_at = self._counts(reading)
        self._settling = Settling("moving")
