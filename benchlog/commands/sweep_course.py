"""The way through the marks of a sweep, told from live readings alone.

A mark is recorded while its pulse stands still: a stretch of the stream is chosen that begins once
the pulse has settled, and it counts only if nothing moved to its end and a moment beyond. Whether
to begin depends on where the pulse belongs: at once where it is well within what the mark should
give and the knob has come from elsewhere, after a rest where it is at the border, never by itself
where it belongs elsewhere. Then it is asked, and answered by Enter, or by turning away and back.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchlog.calibration.sweeping import Judgement, Seen, SweepGuide, next_mark
from benchlog.channel.knob_marks import Mark
from benchlog.commands.options import Level
from benchlog.timing.live_reading import LiveReading
from benchlog.timing.settling import Settler, Settling

__all__ = ["Stage", "Stretch", "SweepCourse"]

Stage = Literal[
    "silent", "go", "moving", "holding", "recording", "doubtful", "same", "flat", "done"
]

BEYOND_S = 0.3
"""How long the pulse has to stand still behind what is recorded."""

PATIENT_S = 8.0
"""How long it rests where nothing has moved since the mark was asked for: somebody may read."""

_READY_S = 4.0
_FIRST_S = 1.5
_NEARLY_S = 2.5
_FLAT_S = 1.0
_ASK_S = 4.0
_ASK_SAME_S = 10.0
_AWAY_DEG = 4.0
_BACK_DEG = 2.5
_MOVED_S = 10e-6
_STILL_S = 1.5e-6
_SIGMAS = 4.0
_MOST_RETRIES = 3
_PUSHED_S = 8.0
_SLACK_S = 0.05
_CALM_S = 0.2
"""How long after it seems to rest a hand may still let the knob slip."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the stream that is a mark's record.

    Attributes
    ----------
    mark : Mark
        The mark.
    begin_s, end_s : float
        The stretch, on the scale of the readings' ``heard_s``.
    pulse_s, u_s : float
        The pulse in it and its standard uncertainty by the live reading, seconds.
    note : str or None
        What the record should tell besides.
    """

    mark: Mark
    begin_s: float
    end_s: float
    pulse_s: float
    u_s: float
    note: str | None = None


class SweepCourse:
    """Goes from mark to mark.

    Parameters
    ----------
    guide : SweepGuide
        Knows what each mark should give.
    marks : sequence of Mark
        In the order of visiting.
    level : str or None
        The level of a pulse, where it is known; else what fits the design better.
    seconds : float
        How long a record is.
    seen : mapping of int to Seen
        What marks gave that were taken before, by their numbers.
    taken : collection of int, optional
        Numbers of the marks that were taken before: those of `seen` if None.
    """

    def __init__(
        self,
        guide: SweepGuide,
        marks: Sequence[Mark],
        level: Level | None,
        seconds: float,
        seen: Mapping[int, Seen],
        taken: Collection[int] | None = None,
    ) -> None:
        self._guide = guide
        self.marks = tuple(marks)
        self._seconds = seconds
        self._level: Level = level or "high"
        self._is_level_sure = level is not None
        self._given = dict(seen)
        self._taken = set(seen if taken is None else taken)
        self._last = next(reversed(self._given.values()), None)
        self._settler = Settler()
        self._settling = Settling("none")
        self._reading: LiveReading | None = None
        self._ask()

    def _ask(self) -> None:
        """Begin to wait for the next mark."""
        self._mark = next_mark(self.marks, self._taken)
        self._asked_s: float | None = None
        self._asked_pulse_s: float | None = None
        self._has_moved = False
        self._doubt_s: float | None = None
        self._doubt_left = False
        self._pushed_s: float | None = None
        self._retries = 0
        self._begin: tuple[float, tuple[int, ...]] | None = None
        self._judgement: Judgement = "same"

    # --- what a view shows --------------------------------------------------------

    @property
    def mark(self) -> Mark | None:
        """The mark to go to; None where all were taken."""
        return self._mark

    @property
    def taken(self) -> frozenset[int]:
        """Numbers of the marks that were taken."""
        return frozenset(self._taken)

    @property
    def last(self) -> Seen | None:
        """The mark where the knob stood last."""
        return self._last

    @property
    def pulse_s(self) -> float | None:
        """The pulse as it is now, seconds."""
        reading = self._reading
        if reading is None or reading.width is None or reading.period is None:
            return None
        return self._as_pulse(reading.width.mean_s, reading.period.mean_s)

    @property
    def expected_s(self) -> float | None:
        """The pulse that the mark should give, seconds."""
        if self._mark is None:
            return None
        return self._guide.expect(self._mark, self._seen).pulse_s

    @property
    def looks_like_deg(self) -> float | None:
        """The knob angle that the pulse looks like, degrees."""
        pulse_s = self.pulse_s
        return None if pulse_s is None else self._guide.looks_like_deg(pulse_s, self._seen)

    @property
    def way_deg(self) -> float | None:
        """How far the knob has to be turned for the mark's pulse, degrees, clockwise above 0."""
        expected_s, here_deg = self.expected_s, self.looks_like_deg
        if expected_s is None or here_deg is None:
            return None
        return self._guide.looks_like_deg(expected_s, self._seen) - here_deg

    @property
    def stage(self) -> Stage:
        """What is going on."""
        if self._mark is None:
            return "done"
        if self._settling.state == "none":
            return "silent"
        if self._begin is not None:
            return "recording"
        if self._settling.state == "moving":
            return "moving"
        if self._judgement in ("fits", "nearly"):
            return "holding"
        if self._judgement == "flat":
            return "flat"
        if self._doubt_s is not None and self._mark.knob_deg is not None:
            return "same" if self._judgement == "same" else "doubtful"
        return "go"

    @property
    def share(self) -> float:
        """How much of the record is there, 0 to 1."""
        if self._begin is None or self._reading is None:
            return 0.0
        return min(1.0, (self._reading.heard_s - self._begin[0]) / (self._seconds + BEYOND_S))

    # --- what happens -------------------------------------------------------------

    def add(self, reading: LiveReading) -> Stretch | None:
        """Take a live reading.

        Returns
        -------
        Stretch or None
            What to record now; it counts once `take` says that it was kept.
        """
        if self._reading is None:
            self._settler.restart(reading.heard_s)  # what is older may be anything
        self._reading = reading
        self._settling = self._settler.add(reading)
        self._choose_level()
        pulse_s = self.pulse_s
        if self._mark is None or pulse_s is None or self._settling.state == "none":
            self._begin = None
            return None
        if self._asked_s is None or self._asked_pulse_s is None:
            self._asked_s, self._asked_pulse_s = reading.heard_s, pulse_s
        self._has_moved |= abs(pulse_s - self._asked_pulse_s) > _MOVED_S
        self._watch_doubt(pulse_s)
        is_moving = self._settling.state == "moving" or self._settling.since_s is None
        if is_moving and not self._is_pushed_long(reading):
            self._begin = None
            return None
        if self._begin is not None:
            return self._finish(reading)
        if self._may_begin(reading):
            self._start(reading)
        return None

    def take(self, stretch: Stretch) -> None:
        """Note that a stretch was kept."""
        mark = stretch.mark
        knob_deg = mark.knob_deg
        if knob_deg is None:
            knob_deg = self.estimate_deg(stretch.pulse_s)
        self._last = Seen(knob_deg, stretch.pulse_s, mark.direction)
        self._given[mark.number] = self._last
        self._taken.add(mark.number)
        self._is_level_sure = True
        self._ask()

    def estimate_deg(self, pulse_s: float) -> float:
        """Return the knob angle that the design gives for a pulse, degrees."""
        return self._guide.looks_like_deg(pulse_s, ())

    def take_back(self, number: int) -> None:
        """Visit a mark again."""
        self._taken.discard(number)
        self._given.pop(number, None)
        self._last = None
        self._ask()

    def take_now(self) -> bool:
        """Record what is there, plausible or not; tell whether there is anything."""
        if self._mark is None or self._reading is None or self._settling.state == "none":
            return False
        if self._pushed_s is None:
            self._pushed_s = self._reading.heard_s
        return True

    def begin_anew(self) -> None:
        """Forget what was heard, as when the source was gone."""
        self._settler, self._settling, self._reading = Settler(), Settling("none"), None
        self._ask()

    # --- inside -------------------------------------------------------------------

    @property
    def _seen(self) -> list[Seen]:
        return list(self._given.values())

    def _as_pulse(self, width_s: float, period_s: float) -> float:
        read_level = (self._reading.active_level if self._reading is not None else None) or "high"
        return width_s if read_level == self._level else period_s - width_s

    def _choose_level(self) -> None:
        """Find which level is the pulse, until the first mark is taken."""
        reading = self._reading
        if self._is_level_sure or reading is None:
            return
        if reading.width is None or reading.period is None:
            return
        read_level: Level = reading.active_level or "high"
        other: Level = "low" if read_level == "high" else "high"
        fits = self._guide.better_width(reading.width.mean_s, reading.period.mean_s)
        self._level = read_level if fits else other

    def _settled_pulse_s(self) -> float:
        """Return the pulse that has settled, seconds."""
        mean_s, period_s = self._settling.mean_s, self._settling.period_s
        if mean_s is None or period_s is None:
            return self.pulse_s or 0.0
        return self._as_pulse(mean_s, period_s)

    def _watch_doubt(self, pulse_s: float) -> None:
        """Note that the knob left the place that was doubted."""
        if self._doubt_s is None or self._mark is None:
            return
        away_s = _AWAY_DEG * self._guide.slope_s(self._guide.looks_like_deg(pulse_s, self._seen))
        self._doubt_left |= abs(pulse_s - self._doubt_s) > away_s

    def _is_pushed_long(self, reading: LiveReading) -> bool:
        """Tell whether Enter was pressed so long ago that a moving pulse is taken too."""
        return self._pushed_s is not None and reading.heard_s - self._pushed_s > _PUSHED_S

    def _may_begin(self, reading: LiveReading) -> bool:
        """Tell whether to begin to record now."""
        assert self._mark is not None
        assert self._asked_s is not None
        if self._pushed_s is not None:
            return True
        pulse_s = self._settled_pulse_s()
        self._judgement = self._guide.judge(self._mark, pulse_s, self._seen, self._last)
        since_s = self._settling.since_s
        held_s = reading.heard_s - max(since_s or reading.heard_s, self._asked_s)
        if self._judgement in ("same", "elsewhere"):
            return self._is_confirmed(pulse_s, held_s)
        self._doubt_s, self._doubt_left = None, False
        return held_s >= self._wait_s()

    def _is_confirmed(self, pulse_s: float, held_s: float) -> bool:
        """Ask where it rests for long; tell whether turning away and back has answered."""
        assert self._mark is not None
        if self._mark.knob_deg is None:
            return False
        near_s = _BACK_DEG * self._guide.slope_s(self._guide.looks_like_deg(pulse_s, self._seen))
        if self._doubt_s is not None and abs(pulse_s - self._doubt_s) < near_s:
            return self._doubt_left
        if held_s >= (_ASK_SAME_S if self._judgement == "same" else _ASK_S):
            self._doubt_s, self._doubt_left = pulse_s, False
        return False

    def _wait_s(self) -> float:
        """Return how long the pulse has to rest before it is recorded."""
        if self._judgement == "flat":
            return _FLAT_S if self._has_moved else PATIENT_S
        if self._mark is not None and self._mark.knob_deg is None:
            return 0.0 if self._has_moved else _READY_S
        if self._has_moved:
            wait_s = 0.0 if self._taken else _FIRST_S
        else:
            wait_s = _READY_S if self._taken else PATIENT_S
        return wait_s + (_NEARLY_S if self._judgement == "nearly" else 0.0)

    def _start(self, reading: LiveReading) -> None:
        """Choose where the record begins."""
        begin_s = reading.heard_s
        since_s = self._settling.since_s
        if self._pushed_s is not None and since_s is not None and self._asked_s is not None:
            # Enter takes what has stood still already
            latest_s = begin_s - self._seconds - BEYOND_S
            begin_s = min(begin_s, max(since_s + _CALM_S, self._asked_s, latest_s))
        self._begin = begin_s, self._counts(reading)

    @staticmethod
    def _counts(reading: LiveReading) -> tuple[int, ...]:
        spoilt = reading.extra_count + reading.missing_count
        return reading.lost_count, reading.garbled_count, spoilt

    def _finish(self, reading: LiveReading) -> Stretch | None:
        """Go on with the record; return it once it is whole."""
        assert self._begin is not None
        assert self._mark is not None
        begin_s, counts = self._begin
        since_s = self._settling.since_s
        if since_s is not None and since_s > begin_s + _SLACK_S:
            self._begin = None  # it moved meanwhile
            return None
        is_disturbed = any(
            now > before for now, before in zip(self._counts(reading), counts, strict=True)
        )
        if is_disturbed and self._retries < _MOST_RETRIES:
            self._retries += 1
            self._begin = None
            return None
        end_s = begin_s + self._seconds
        if reading.heard_s < end_s + BEYOND_S:
            return None
        told = self._check_still(reading, begin_s, end_s)
        if told is None:
            self._begin = None
            return None
        pulse_s, u_s = told
        return Stretch(self._mark, begin_s, end_s, pulse_s, u_s, self._note())

    def _check_still(
        self, reading: LiveReading, begin_s: float, end_s: float
    ) -> tuple[float, float] | None:
        """Return pulse and uncertainty of a stretch, None where the pulse moved in it or after."""
        start, width = reading.recent_start_s, reading.recent_s
        inside = width[(start >= begin_s) & (start < end_s)]
        if inside.shape[0] < 2 or reading.period is None:
            return None
        scatter_s = 1.4826 * float(np.median(np.abs(np.diff(inside)))) / math.sqrt(2.0)
        middle = inside.shape[0] // 2
        after = width[start >= end_s]
        for one, other in ((inside[:middle], inside[middle:]), (inside[middle:], after)):
            if not one.shape[0] or not other.shape[0]:
                continue
            u_s = scatter_s * math.sqrt(1.0 / one.shape[0] + 1.0 / other.shape[0])
            apart_s = abs(float(np.mean(one)) - float(np.mean(other)))
            if apart_s > max(_STILL_S, _SIGMAS * u_s) and self._settling.state != "moving":
                return None
        u_mean_s = max(float(inside.std()) / math.sqrt(inside.shape[0]), self._settling.u_s or 0.0)
        return self._as_pulse(float(inside.mean()), reading.period.mean_s), u_mean_s

    def _note(self) -> str | None:
        """Say what a record should tell besides."""
        assert self._mark is not None
        if self._settling.state == "moving":
            return "taken by hand while the pulse still moved"
        pulse_s = self._settled_pulse_s()
        judgement = self._guide.judge(self._mark, pulse_s, self._seen, self._last)
        if self._mark.knob_deg is None:
            return None if judgement == "fits" else "taken by hand off the arm angle"
        if judgement == "elsewhere":
            like_deg = self._guide.looks_like_deg(pulse_s, self._seen)
            return f"taken though it looks like {like_deg:.0f} degrees"
        if judgement == "same":
            return "taken though the pulse had not changed since the mark before"
        return None
