"""The loop of `benchlog servo`: the pulse followed, keys timed, ends and arm angles taken."""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

from benchlog.calibration.finding_range import (
    REACTION_HALF_S,
    REACTION_S,
    Press,
    RangeFinder,
    pulse_at_press,
    safe_range,
)
from benchlog.channel.kept_servo import ServoEnd
from benchlog.channel.servo_curve import ServoPoint, check_order
from benchlog.commands.live_listener import LiveListener
from benchlog.errors import DesignError
from benchlog.show.servo_view import ServoPicture, ServoStage
from benchlog.timing.settling import Settler, Settling

if TYPE_CHECKING:
    from benchlog.commands.live_sources import LiveSource
    from benchlog.show.live_screen import PictureView
    from benchlog.show.live_terminal import LiveTerminal
    from benchlog.timing.live_reading import LiveReading

__all__ = ["ServoLoop"]

_MESSAGE_S = 6.0
_PATIENCE_S = 1.0
_HALF_PERIOD_S = 0.03
_LONGEST_TYPED = 8
_MOST_POINTS = 64
_ANGLE_DEG = 3600.0
_BEYOND_S = 5e-6


class ServoLoop:
    """Leads through both ends of a servo's range, then through its arm's angles.

    Parameters
    ----------
    source : LiveSource
        What is listened to; not yet open.
    name : str
        The servo's name.
    reading_deg : float
        Half-width of a reading of the arm, degrees.
    lag_s : float
        By how much later the source tells of a pulse than it comes, seconds.
    """

    def __init__(self, source: LiveSource, name: str, *, reading_deg: float, lag_s: float) -> None:
        self._source = source
        self._listener = LiveListener(source)
        self._name = name
        self._reading_deg = reading_deg
        self._lag_s = lag_s
        self._finder = RangeFinder()
        self._settler = Settler()
        self._settling = Settling("none")
        self._reading: LiveReading | None = None
        self._came_s = 0.0
        self._pressed: tuple[float, float] | None = None
        self._points: list[ServoPoint] = []
        self._typed = ""
        self._message: tuple[str, float] | None = None
        self._message_count = 0
        self._is_enough = False

    @property
    def ends(self) -> tuple[ServoEnd | None, ServoEnd | None]:
        """The low and the high end as far as they were found."""
        return self._finder.ends()

    @property
    def points(self) -> tuple[ServoPoint, ...]:
        """The arm's angles, by pulse."""
        return tuple(sorted(self._points))

    @property
    def is_complete(self) -> bool:
        """Whether both ends were met as often as they have to be, in tries that agree."""
        return self._finder.phase == "done" and not self._finder.scatters

    def run(self, terminal: LiveTerminal, view: PictureView[ServoPicture]) -> None:
        """Lead until it is enough, or somebody leaves.

        Parameters
        ----------
        terminal : LiveTerminal
            Taken; it has keys.
        view : PictureView
            Where pictures go.

        Raises
        ------
        DeviceError
            The source cannot be opened in the first place.
        """
        self._listener.open()
        try:
            while terminal.ended_by is None and not self._is_enough:
                if terminal.settle():
                    view.redraw()
                while not self._is_enough and (key := terminal.poll_key()) is not None:
                    self._press(key)
                view.show(self._picture())
                self._listen()
        finally:
            self._listener.close()

    # --- listening ---------------------------------------------------------------------

    def _listen(self) -> None:
        """Take what is new."""
        heard = self._listener.listen()
        if heard.news == "end":
            self._is_enough = True
        elif heard.news is not None:
            # what comes from now on counts from 0 again
            self._settler, self._settling, self._reading = Settler(), Settling("none"), None
            self._pressed = None
            if heard.news == "back":
                self._say("The input is back.")
        for reading in heard.readings:
            self._reading, self._came_s = reading, time.monotonic()
            self._settling = self._settler.add(reading)
            if reading.latest_s is not None and self._pressed is None:
                self._finder.watch(reading.latest_s)
        if self._pressed is not None:
            self._weigh_press(*self._pressed)

    def _weigh_press(self, pressed_s: float, since_s: float) -> None:
        """Find the pulse at a press, once all of it was heard that can have been the buzz."""
        reading = self._reading
        if reading is None:
            return
        last_s = pressed_s - REACTION_S + REACTION_HALF_S - _HALF_PERIOD_S
        start_s = reading.recent_start_s
        is_heard = start_s.shape[0] > 0 and start_s[-1] >= last_s
        if not is_heard and time.monotonic() - since_s < _PATIENCE_S:
            return
        self._pressed = None
        press = pulse_at_press(start_s, reading.recent_s, pressed_s)
        if press is None:
            self._say("There was no pulse when you pressed: not counted.")
            return
        fault = self._finder.press(press)
        self._say(fault or f"Taken: {press.pulse_s * 1e6:.0f} ± {2e6 * press.u_s:.0f} µs.")

    # --- keys --------------------------------------------------------------------------

    @property
    def _stage(self) -> ServoStage:
        phase = self._finder.phase
        if self._pressed is not None:
            return "back"
        return "points" if phase == "done" else phase

    def _press(self, key: str) -> None:
        """Obey a key."""
        if key.lower() == "q":
            self._is_enough = True
        elif self._stage == "points":
            self._press_at_points(key)
        elif key.lower() == "b":
            self._pressed = None
            self._say("The last try is forgotten." if self._finder.take_back() else "No try yet.")
        elif key in ("\r", "\n"):
            self._press_enter()
        elif key.lower() == "e" and self._stage == "seek":
            self._take_knob_end()

    def _press_enter(self) -> None:
        reading = self._reading
        if reading is None or reading.latest_s is None or reading.state != "pulses":
            self._say("There is no pulse.")
        elif self._stage == "start":
            if self._settling.state != "settled" or self._settling.mean_s is None:
                self._say("Let the knob stand still in the middle of its travel first.")
            else:
                self._finder.start(self._settling.mean_s)
        elif self._stage == "seek":
            now_s = time.monotonic()
            self._pressed = reading.heard_s + (now_s - self._came_s) + self._lag_s, now_s

    def _take_knob_end(self) -> None:
        """Take it that the knob is at its end, and nothing buzzed."""
        settling = self._settling
        if settling.state != "settled" or settling.mean_s is None or settling.u_s is None:
            self._say("Leave the knob at its end until the pulse stands still, then key e.")
            return
        fault = self._finder.knob_end(Press(settling.mean_s, settling.u_s, 0.0))
        self._say(fault or f"Taken: it follows to {settling.mean_s * 1e6:.0f} µs at least.")

    def _press_at_points(self, key: str) -> None:
        if key in ("\r", "\n"):
            if self._typed:
                self._take_point()
            else:
                self._leave_points()
        elif key in ("\x7f", "\b"):
            self._typed = self._typed[:-1]
        elif key.lower() == "b":
            if self._points:
                gone = self._points.pop()
                self._say(f"Forgotten: {gone.pulse_s * 1e6:.0f} µs = {gone.arm_deg:g}°.")
        elif key and key in "0123456789.,-+" and len(self._typed) < _LONGEST_TYPED:
            self._typed += key.replace(",", ".")

    def _leave_points(self) -> None:
        """Leave it at the points that there are, if a curve goes through them."""
        range_s = self._range()
        if len(self._points) >= 2 and range_s is not None:
            from benchlog.channel.servo import Servo

            try:
                Servo.from_points(*range_s, self.points, self._reading_deg)
            except DesignError as fault:
                self._say(f"{fault.found}: {fault.attempt}. Key b forgets the last one.")
                return
        self._is_enough = True

    def _take_point(self) -> None:
        """Take an angle that was typed, at the pulse that is there."""
        settling = self._settling
        try:
            arm_deg = float(self._typed)
        except ValueError:
            arm_deg = math.nan
        range_s = self._range()
        if not abs(arm_deg) <= _ANGLE_DEG:
            self._say(f"'{self._typed}' is no angle in degrees.")
            self._typed = ""
        elif settling.state != "settled" or settling.mean_s is None:
            self._say("Let the pulse stand still first, then Enter.")
        elif range_s is not None and not (
            range_s[0] - _BEYOND_S <= settling.mean_s <= range_s[1] + _BEYOND_S
        ):
            self._say("That is past the servo's range, where the arm does not follow: not taken.")
        elif len(self._points) >= _MOST_POINTS:
            self._say(f"{_MOST_POINTS} angles are enough.")
        else:
            point = ServoPoint(round(settling.mean_s * 1e6, 3) / 1e6, arm_deg)
            self._typed = ""
            try:
                check_order(sorted([*self._points, point]), self._reading_deg)
            except DesignError as fault:
                self._say(f"Not taken: {fault.found}. If the one before is wrong, key b.")
                return
            self._points.append(point)
            self._say(f"Taken: {point.pulse_s * 1e6:.0f} µs = {arm_deg:g}°.")

    # --- pictures ----------------------------------------------------------------------

    def _range(self) -> tuple[float, float] | None:
        low, high = self.ends
        if low is None or high is None:
            return None
        return safe_range(low, high)

    def _say(self, text: str) -> None:
        self._message = text, time.monotonic()
        self._message_count += 1

    def _picture(self) -> ServoPicture:
        finder, reading = self._finder, self._reading
        message = ""
        if self._message is not None and time.monotonic() - self._message[1] < _MESSAGE_S:
            message = self._message[0]
        pulse_s = None
        quiet = ""
        if reading is not None and reading.state == "pulses":
            pulse_s = reading.latest_s
            if self._settling.state == "settled":
                pulse_s = self._settling.mean_s
        elif reading is not None and reading.quiet is not None:
            quiet = reading.quiet.sentence.rstrip(".")
        low, high = self.ends
        return ServoPicture(
            name=self._name,
            source=self._source.name,
            stage=self._stage,
            side=finder.side,
            attempt=finder.tries[finder.side] + 1,
            needs_more=finder.needs_more,
            pulse_s=pulse_s,
            is_settled=self._settling.state == "settled",
            low=low,
            high=high,
            range_s=self._range() if finder.phase == "done" else None,
            points=tuple(self._points),
            typed=self._typed,
            message=message,
            message_number=self._message_count,
            is_lost=self._listener.is_lost,
            quiet=quiet,
        )
