"""The loop of `benchlog confirm`: readings in, positions taken, copies answered one by one."""

from __future__ import annotations

import time
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchlog.commands.confirm_course import Course
from benchlog.commands.confirm_records import copy_without_answer, make_copy, reckon
from benchlog.commands.confirm_taken import Taken
from benchlog.commands.guided import lead
from benchlog.commands.live_listener import LiveListener
from benchlog.commands.options import Level
from benchlog.errors import StoreError
from benchlog.show.confirm_view import ConfirmPicture, Stage

if TYPE_CHECKING:
    from benchlog.calibration.confirming import Confirmation
    from benchlog.capture.batch_files import BatchFile
    from benchlog.capture.batch_rows import BatchCopy
    from benchlog.channel.design import Design
    from benchlog.commands.live_sources import LiveSource
    from benchlog.show.live_screen import PictureView
    from benchlog.show.live_terminal import LiveTerminal
    from benchlog.timing.live_reading import LiveReading

__all__ = ["ConfirmLoop", "Surroundings"]

_MESSAGE_S = 6.0
_SAME_SHARE = 0.01
_BACK_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What is known of all copies alike.

    Attributes
    ----------
    level : str or None
        The level of a pulse.
    supply_v, temperature_c : float or None
        What was read.
    """

    level: Level | None
    supply_v: float | None
    temperature_c: float | None


def _load() -> None:
    """Load beforehand what works out the answer: it takes a second that nobody should wait for."""
    import scipy.special  # noqa: F401

    import benchlog.calibration.confirming  # noqa: F401


class ConfirmLoop:
    """Confirms one channel, or one copy of a batch after the other.

    Parameters
    ----------
    source : LiveSource
        What is listened to; not yet open.
    design : Design
        What each copy should be.
    known : Surroundings
        What is known beforehand.
    batch : BatchFile or None
        Where the copies go; None for a single channel.
    most : int or None
        Copies after which it ends by itself.
    """

    def __init__(
        self,
        source: LiveSource,
        design: Design,
        known: Surroundings,
        batch: BatchFile | None,
        most: int | None,
    ) -> None:
        self._listener = LiveListener(source)
        self._design = design
        self._known = known
        self._batch = batch
        self._most = most
        self._number = batch.batch.next_number if batch is not None else 1
        self._is_repeat = False
        self._has_keys = False
        self._course: Course | None = None
        self._answer: str | None = None
        self._result: Confirmation | None = None
        self._thinker = ThreadPoolExecutor(1, thread_name_prefix="reckoner")
        self._pending: Future[Confirmation] | None = None
        self._unwritten: list[BatchCopy] = []
        self._is_gone = False
        self._last_pulse_s: float | None = None
        self._asks_who = False
        self._message: tuple[str, float] | None = None
        self._quit = False
        self._done_count = 0

    @property
    def result(self) -> Confirmation | None:
        """The answer of a single channel, the newest one of a batch; None where there is none."""
        return self._result

    def run(self, terminal: LiveTerminal, view: PictureView[ConfirmPicture]) -> None:
        """Listen until there is an answer, or until the batch is ended.

        Parameters
        ----------
        terminal : LiveTerminal
            Taken.
        view : PictureView
            Where pictures go.

        Raises
        ------
        DeviceError
            The source cannot be opened in the first place.
        StoreError
            Copies could not be written, and cannot be at the end either.
        """
        self._has_keys = terminal.has_keys
        self._course = self._begin_course()

        def turn() -> ConfirmPicture:
            self._press_keys(terminal)
            self._listen()
            self._look_for_answer()
            return self._picture()

        self._thinker.submit(_load)
        try:
            lead(self._listener, terminal, view, turn, lambda: self._quit)
        finally:
            self._thinker.shutdown(wait=True, cancel_futures=True)
        self._write_rest()

    # --- listening ------------------------------------------------------------------

    def _listen(self) -> None:
        """Take what is new."""
        heard = self._listener.listen()
        if heard.news == "back":
            self._say("The input is back.")
            if self._answer is None and self._pending is None:
                self._course = self._begin_course()
        for reading in heard.readings:
            self._hear(reading)

    def _hear(self, reading: LiveReading) -> None:
        """Do what a reading asks for."""
        has_pulses = reading.state == "pulses" and reading.width is not None
        if reading.state == "quiet":
            self._is_gone = True
        if self._pending is not None:
            return
        if self._answer is not None:
            self._hear_after(reading, has_pulses)
            return
        course = self._course
        assert course is not None
        if self._batch is not None and self._is_gone and has_pulses and course.taken:
            self._asks_who = True
        if has_pulses:
            self._is_gone = False
        course.add(reading)
        if self._asks_who and course.phase not in ("silent", "moving"):
            self._find_out_who(course)
        elif has_pulses and not self._asks_who:
            self._last_pulse_s = course.pulse_s
        if course.phase == "done":
            self._reckon(course)

    def _find_out_who(self, course: Course) -> None:
        """Tell, after a pause in the middle of a copy, whether it is still the same copy."""
        self._asks_who = False
        now_s, before_s = course.pulse_s, self._last_pulse_s
        if now_s is None or before_s is None or abs(now_s - before_s) < _SAME_SHARE * before_s:
            return
        if not self._is_repeat:
            text = "It was unplugged before all three positions were taken."
            self._write(copy_without_answer(self._number, 0, "AGAIN", text))
            self._say(f"Copy {self._number}: AGAIN. {text} This is the next one.")
        self._next_copy()

    def _hear_after(self, reading: LiveReading, has_pulses: bool) -> None:
        """Wait for the next copy, or for the knob to be turned back where it is AGAIN."""
        if self._batch is None:
            return
        if has_pulses and self._is_gone:
            self._next_copy()
        elif has_pulses and self._answer == "AGAIN" and self._result is not None:
            first = self._result.table.rows[0].point
            last = self._result.table.rows[-1].point
            assert reading.width is not None
            width_s = reading.width.mean_s
            back_s = min(abs(width_s - first.pulse_s), abs(width_s - first.rest_s))
            if back_s < _BACK_SHARE * abs(last.pulse_s - first.pulse_s):
                self._measure_again()

    # --- copies ---------------------------------------------------------------------

    def _begin_course(self) -> Course:
        return Course(self._design, self._known.level, has_keys=self._has_keys)

    def _next_copy(self) -> None:
        """Go on to the next copy."""
        assert self._batch is not None
        self._number = self._next_number()
        self._is_repeat = False
        self._restart()

    def _next_number(self) -> int:
        known = self._batch.batch.next_number if self._batch is not None else 1
        return max(known, self._number + 1)

    def _measure_again(self) -> None:
        """Measure the same copy again."""
        self._is_repeat = True
        self._say(f"Copy {self._number} once more.")
        self._restart()

    def _restart(self) -> None:
        self._course, self._answer, self._result = self._begin_course(), None, None
        self._is_gone, self._asks_who, self._last_pulse_s = False, False, None

    def _reckon(self, course: Course) -> None:
        """Begin to work out what the positions say; listening goes on meanwhile."""
        self._pending = self._thinker.submit(
            reckon,
            self._design,
            course.taken,
            course.level,
            level_known=self._known.level is not None,
            supply_v=self._known.supply_v,
            temperature_c=self._known.temperature_c,
        )

    def _look_for_answer(self) -> None:
        """Take the answer once it is there."""
        if self._pending is None or not self._pending.done():
            return
        pending, self._pending = self._pending, None
        result = self._result = pending.result()
        self._answer = result.word
        if self._batch is None:
            self._quit = True
            return
        repeat = self._batch.batch.next_repeat(self._number)
        temperature_c = self._known.temperature_c
        self._write(make_copy(result, self._number, repeat, temperature_c=temperature_c))
        self._count_copy()

    def _count_copy(self) -> None:
        self._done_count += 1
        if self._most is not None and self._done_count >= self._most:
            self._quit = True

    def _write(self, copy: BatchCopy) -> None:
        """Add a row; what cannot be written now is tried again with the next one."""
        self._unwritten.append(copy)
        try:
            self._write_rest()
        except StoreError as error:
            self._say(f"Not written yet: {error}")

    def _write_rest(self) -> None:
        while self._unwritten and self._batch is not None:
            self._batch.append(self._unwritten[0])
            self._unwritten.pop(0)

    # --- keys -----------------------------------------------------------------------

    def _press_keys(self, terminal: LiveTerminal) -> None:
        """Obey the keys that were pressed."""
        while (key := terminal.poll_key()) is not None:
            if key in ("\r", "\n"):
                self._press_enter()
            elif key.lower() == "q":
                self._quit = True
            elif key.lower() == "o" and self._answer is None and self._course is not None:
                self._course.begin_at_other_end()
            elif key.lower() == "a" and self._batch is not None and self._pending is None:
                self._press_again()
            elif key.lower() == "d" and self._batch is not None and self._pending is None:
                self._press_dead()

    def _press_enter(self) -> None:
        if self._pending is not None or self._course is None:
            return
        if self._answer is not None:
            if self._batch is not None:
                self._next_copy()
        elif not self._course.take_now():
            self._say("There is no pulse to take.")
        elif self._course.phase == "done":
            self._reckon(self._course)

    def _press_again(self) -> None:
        """Begin this copy anew, or the one before where this one is not begun."""
        assert self._batch is not None
        assert self._course is not None
        if self._answer is None and not self._course.taken and self._number > 1:
            known = [one.number for one in self._batch.batch.copies]
            self._number = known[-1] if known else self._number
        self._is_repeat = any(one.number == self._number for one in self._batch.batch.copies)
        self._say(f"Copy {self._number} once more.")
        self._restart()

    def _press_dead(self) -> None:
        """Note a copy that makes no pulses."""
        assert self._batch is not None
        if self._answer is not None and self._is_gone:
            self._next_copy()
        if self._answer is not None or (self._course is not None and self._course.taken):
            self._say("Key d is for a copy that makes no pulses at all.")
            return
        repeat = self._batch.batch.next_repeat(self._number)
        self._write(copy_without_answer(self._number, repeat, "FAIL", "It makes no pulses."))
        self._answer, self._result, self._is_gone = "FAIL", None, True
        self._count_copy()

    # --- pictures -------------------------------------------------------------------

    def _say(self, text: str) -> None:
        self._message = text, time.monotonic()

    def _stage(self) -> Stage:
        if self._listener.is_lost:
            return "lost"
        if self._answer is not None:
            return "answer"
        if self._pending is not None or self._course is None or self._course.phase == "done":
            return "reckoning"
        return self._course.phase

    def _picture(self) -> ConfirmPicture:
        course = self._course
        assert course is not None
        message = ""
        if self._message is not None and time.monotonic() - self._message[1] < _MESSAGE_S:
            message = self._message[0]
        counts = (0, 0, 0)
        if self._batch is not None:
            words = [one.verdict for one in self._batch.batch.newest]
            counts = (words.count("PASS"), words.count("FAIL"), words.count("AGAIN"))

        def shown(one: Taken) -> tuple[float, float]:
            return one.pulse_s(course.level), one.u_width_s

        return ConfirmPicture(
            channel=self._design.channel,
            batch=self._batch.batch.name if self._batch is not None else None,
            number=self._number,
            counts=counts,
            stage=self._stage(),
            asked=course.asked,
            pulse_s=course.pulse_s if course.phase != "silent" else None,
            share=course.share,
            taken=tuple((name, *shown(one)) for name, one in course.taken.items()),
            result=self._result,
            answer=self._answer,
            message=message,
            has_keys=self._has_keys,
            is_gone=self._is_gone and self._answer is not None,
            next_number=self._next_number(),
        )
