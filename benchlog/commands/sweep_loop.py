"""The loop of `benchlog sweep`: readings in, marks recorded, keys obeyed, a lost input awaited."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from benchlog.commands.guided import lead
from benchlog.commands.live_listener import LiveListener
from benchlog.commands.sweep_course import SweepCourse
from benchlog.errors import StoreError
from benchlog.show.sweep_words import SweepEvent, SweepPicture, SweepStage

if TYPE_CHECKING:
    from benchlog.channel.design import Design
    from benchlog.commands.live_sources import LiveSource
    from benchlog.commands.sweep_course import Stretch
    from benchlog.commands.sweep_records import SweepKeeper
    from benchlog.show.live_screen import PictureView
    from benchlog.show.live_terminal import LiveTerminal
    from benchlog.timing.live_reading import LiveReading

__all__ = ["SweepLoop"]

_MESSAGE_S = 5.0
_FLASH_S = 0.7
_BACKSPACE = ("\x7f", "\b")


class SweepLoop:
    """Leads from mark to mark until all are recorded, or somebody stops it.

    Parameters
    ----------
    source : LiveSource
        What is listened to; not yet open.
    course : SweepCourse
        What leads.
    keeper : SweepKeeper
        What writes the records.
    design : Design
        What the channel should be.
    seconds : float or None
        After how long it stops by itself; None for never.
    """

    def __init__(
        self,
        source: LiveSource,
        course: SweepCourse,
        keeper: SweepKeeper,
        design: Design,
        *,
        seconds: float | None = None,
    ) -> None:
        self._source = source
        self._course = course
        self._keeper = keeper
        self._design = design
        self._most_s = seconds
        self._listener = LiveListener(source)
        self._heard_s = 0.0
        self._quiet = ""
        self._event: SweepEvent | None = None
        self._flash_s = float("-inf")
        self._message: tuple[str, float] | None = None
        self._quit = False
        self._has_keys = False

    @property
    def is_done(self) -> bool:
        """Whether every mark has a record."""
        return self._course.mark is None

    def run(self, terminal: LiveTerminal, view: PictureView[SweepPicture]) -> None:
        """Lead.

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
        """
        self._has_keys = terminal.has_keys

        def turn() -> SweepPicture:
            self._press_keys(terminal)
            self._listen()
            return self._picture()

        def is_over() -> bool:
            return self._quit or self.is_done

        lead(self._listener, terminal, view, turn, is_over, self._most_s)

    # --- listening ------------------------------------------------------------------

    def _listen(self) -> None:
        """Take what is new."""
        heard = self._listener.listen()
        if heard.news == "end":
            self._quit = True
        elif heard.news == "back":
            self._say("The input is back.")
            self._course.begin_anew()
        for reading in heard.readings:
            self._hear(reading)

    def _hear(self, reading: LiveReading) -> None:
        self._heard_s = reading.heard_s
        self._quiet = reading.quiet.sentence.rstrip(".") if reading.quiet is not None else ""
        stretch = self._course.add(reading)
        if stretch is not None:
            self._keep(stretch)

    def _keep(self, stretch: Stretch) -> None:
        """Write a mark's record; it is ticked off only once it is on the disk."""
        minute = self._source.cut(self._source.inputs[0], stretch.begin_s, stretch.end_s)
        if minute is None:
            self._say("Not all of it is there any more: once again.")
            self._course.begin_anew()
            return
        mark = stretch.mark
        knob_deg = mark.knob_deg
        if knob_deg is None:
            knob_deg = self._course.estimate_deg(stretch.pulse_s)
        behind_s = self._heard_s - stretch.begin_s
        try:
            record = self._keeper.keep(mark, minute, behind_s, knob_deg, stretch.note)
        except StoreError as error:
            self._say(f"Not recorded: {error}")
            self._course.begin_anew()
            return
        self._course.take(stretch)
        self._flash_s = time.monotonic()
        self._tell(
            SweepEvent(
                self._next_serial(),
                "recorded",
                mark,
                record.path.name,
                stretch.pulse_s,
                stretch.u_s,
                stretch.note,
            )
        )

    def _next_serial(self) -> int:
        return self._event.serial + 1 if self._event is not None else 1

    def _tell(self, event: SweepEvent) -> None:
        self._event, self._message = event, None

    # --- keys -----------------------------------------------------------------------

    def _press_keys(self, terminal: LiveTerminal) -> None:
        """Obey the keys that were pressed."""
        while (key := terminal.poll_key()) is not None:
            if key in ("\r", "\n"):
                if not self._course.take_now():
                    self._say("There is no pulse to record.")
            elif key in _BACKSPACE:
                self._take_back()
            elif key.lower() == "q":
                self._quit = True

    def _take_back(self) -> None:
        """Set the last record aside and visit its mark again."""
        newest = next(reversed(self._keeper.visited.items()), None)
        if newest is None:
            self._say("There is nothing to take back.")
            return
        number, record = newest
        try:
            self._keeper.take_back()
        except StoreError as error:
            self._say(f"Not taken back: {error}")
            return
        self._course.take_back(number)
        mark = self._course.marks[number - 1]
        self._tell(SweepEvent(self._next_serial(), "taken-back", mark, record.path.name))

    # --- pictures -------------------------------------------------------------------

    def _say(self, text: str) -> None:
        self._message = text, time.monotonic()

    def _picture(self) -> SweepPicture:
        course, now_s = self._course, time.monotonic()
        message = ""
        if self._message is not None and now_s - self._message[1] < _MESSAGE_S:
            message = self._message[0]
        stage: SweepStage = "lost" if self._listener.is_lost else course.stage
        mark, pulse_s, last = course.mark, course.pulse_s, course.last
        arm_deg = None
        if mark is not None and mark.arm_deg is not None and pulse_s is not None:
            arm_deg = float(self._design.servo.angle_deg(pulse_s))
        return SweepPicture(
            channel=self._design.channel,
            source=self._source.name,
            marks=course.marks,
            taken=course.taken,
            mark=mark,
            travel_deg=self._design.knob.travel_deg,
            stage=stage,
            pulse_s=pulse_s if stage != "silent" else None,
            expected_s=course.expected_s,
            looks_like_deg=course.looks_like_deg,
            last_deg=last.knob_deg if last is not None else None,
            way_deg=course.way_deg if arm_deg is not None else None,
            arm_deg=arm_deg,
            share=course.share,
            event=self._event,
            message=message,
            quiet=self._quiet,
            has_keys=self._has_keys,
            is_flashing=now_s - self._flash_s < _FLASH_S,
        )
