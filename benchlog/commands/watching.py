"""The loop of `benchlog watch`: readings in, pictures out, keys obeyed, a lost device awaited."""

from __future__ import annotations

import dataclasses
import queue
import threading
import time
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from benchlog.commands.watched import Watched
from benchlog.errors import BenchlogError, DeviceError
from benchlog.show.live_picture import LivePicture, Panel, panel_to_json
from benchlog.timing.live_reading import LiveReading

if TYPE_CHECKING:
    from benchlog.capture.store import Bench
    from benchlog.commands.live_sources import LiveSource, Minute
    from benchlog.show.live_terminal import LiveTerminal
    from benchlog.show.live_view import LiveView

__all__ = ["Watch"]

_POLL_S = 0.1
_AGAIN_S = 1.0
_MESSAGE_S = 4.0


class Watch:
    """Watches a source until it ends or the user has seen enough.

    Parameters
    ----------
    source : LiveSource
        What is watched; not yet open.
    inputs : sequence of Watched
        Its inputs.
    bench : Bench or None
        Where marks and records go.
    known : dict
        What else is known for a record's sidecar.
    seconds : float or None
        How long; None for without end.
    replay : bool
        Whether time is the source's own.
    """

    def __init__(
        self,
        source: LiveSource,
        inputs: tuple[Watched, ...],
        bench: Bench | None,
        known: dict[str, Any],
        *,
        seconds: float | None,
        replay: bool,
    ) -> None:
        self._source = source
        self._inputs = inputs
        self._bench = bench
        self._known = known
        self._seconds = seconds
        self.is_replay = replay
        self._readings: dict[int, tuple[LiveReading, float]] = {}
        self._zero: dict[int, float] = {}
        self._held: tuple[LivePicture, float] | None = None
        self._message: tuple[str, float] | None = None
        self._unplugged_s: float | None = None
        self._tried_s = 0.0
        self._news: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._keepers: list[threading.Thread] = []
        self._ended = False
        self._quit = False

    def run(self, terminal: LiveTerminal, view: LiveView) -> LivePicture:
        """Watch.

        Parameters
        ----------
        terminal : LiveTerminal
            Taken.
        view : LiveView
            Where pictures go.

        Returns
        -------
        LivePicture
            The last one.

        Raises
        ------
        DeviceError
            The source cannot be opened in the first place.
        """
        self._source.open()
        began_s = time.monotonic()
        try:
            while terminal.ended_by is None and not self._quit:
                redraw = terminal.settle()
                if redraw:
                    view.redraw()
                news = self._press_keys(terminal) | self._listen() | redraw
                if news or view.is_due():
                    view.show(self._picture(terminal.has_keys), news=news)
                if self._ended or self._is_over(began_s):
                    break
            return self._picture(terminal.has_keys)
        finally:
            self._source.close()

    def finish(self) -> list[str]:
        """Wait for records that are still being written; return what is to be said of them."""
        for keeper in self._keepers:
            keeper.join()
        said = []
        while not self._news.empty():
            said.append(self._news.get())
        return said

    def _is_over(self, began_s: float) -> bool:
        if self._seconds is None:
            return False
        if self.is_replay:
            heard = [reading.heard_s for reading, _ in self._readings.values()]
            return bool(heard) and min(heard) >= self._seconds
        return time.monotonic() - began_s >= self._seconds

    # --- readings -------------------------------------------------------------

    def _listen(self) -> bool:
        """Take what is new; tell whether there was anything."""
        if self._unplugged_s is not None:
            return self._try_again()
        try:
            readings = self._source.read(_POLL_S)
        except DeviceError:
            if not self._source.can_return:
                raise
            self._source.close()
            self._unplugged_s = self._tried_s = time.monotonic()
            return True
        if readings is None:
            self._ended = True
            return True
        now_s = time.monotonic()
        for reading in readings:
            self._readings[reading.input] = reading, now_s
        return self._has_news() or bool(readings)

    def _try_again(self) -> bool:
        """Try to open a device that was unplugged, once a second."""
        now_s = time.monotonic()
        if now_s - self._tried_s < _AGAIN_S:
            time.sleep(_POLL_S)
            return self._has_news()
        self._tried_s = now_s
        try:
            self._source.open()
        except DeviceError:
            self._tried_s = time.monotonic()
            return False
        self._unplugged_s = None
        self._readings.clear()
        self._say("it is back")
        return True

    def _has_news(self) -> bool:
        """Take a message from a record that was being written."""
        if self._news.empty():
            return False
        self._say(self._news.get())
        return True

    # --- pictures -------------------------------------------------------------

    def _picture(self, has_keys: bool) -> LivePicture:
        now_s = time.monotonic()
        message = None
        if self._message is not None and now_s - self._message[1] < _MESSAGE_S:
            message = self._message[0]
        if self._held is not None:
            held, since_s = self._held
            return dataclasses.replace(held, message=message, held_s=now_s - since_s)
        status = "unplugged" if self._unplugged_s is not None else "live"
        return LivePicture(
            panels=tuple(self._panel(one, now_s) for one in self._inputs),
            status="ended" if self._ended else status,  # type: ignore[arg-type]
            source=self._source.name,
            message=message,
            has_keys=has_keys,
        )

    def _panel(self, watched: Watched, now_s: float) -> Panel:
        reading, came_s = self._readings.get(
            watched.input, (LiveReading(watched.input, 0.0, "listening"), now_s)
        )
        if self._unplugged_s is not None:
            reading = dataclasses.replace(reading, width=None, period=None, quiet=None)
        age_s = None
        if reading.last_pulse_s is not None:
            since_s = 0.0 if self.is_replay and self._ended else now_s - came_s
            age_s = max(0.0, reading.heard_s - reading.last_pulse_s + since_s)
        design, width = watched.design, reading.width
        panel = Panel(watched.title, reading, age_s=age_s, zero_s=self._zero.get(watched.input))
        if design is None:
            return panel
        verdict = None
        if watched.reference is not None and width is not None:
            verdict = watched.reference.judge(width.mean_s, width.u_s)
        return dataclasses.replace(
            panel,
            servo=design.servo,
            assumed=False,
            verdict=verdict,
            jitter_limit_s=design.limits.jitter_s,
        )

    def _say(self, text: str) -> None:
        self._message = text, time.monotonic()

    # --- keys -----------------------------------------------------------------

    def _press_keys(self, terminal: LiveTerminal) -> bool:
        """Obey the keys that were pressed; tell whether there were any."""
        pressed = False
        while (key := terminal.poll_key()) is not None:
            pressed = True
            action = {
                "h": self._toggle_hold,
                "z": self._toggle_zero,
                "m": self._mark,
                "r": self._record,
                "q": self._leave,
            }.get(key.lower())
            if action is not None:
                action()
        return pressed

    def _leave(self) -> None:
        self._quit = True

    def _toggle_hold(self) -> None:
        if self._held is not None:
            self._held = None
            self._say("live again")
        else:
            picture = self._picture(has_keys=True)
            self._held = dataclasses.replace(picture, status="held"), time.monotonic()
            self._say("held; h goes on")

    def _toggle_zero(self) -> None:
        if self._zero:
            self._zero.clear()
            self._say("zero taken off")
            return
        for number, (reading, _) in self._readings.items():
            if reading.width is not None:
                self._zero[number] = reading.width.mean_s
        self._say("change is shown from here; z ends that" if self._zero else "no pulse to zero on")

    def _named(self, what: str) -> list[Watched]:
        """Return the inputs whose channel is known, saying what is missing where none is."""
        if self._bench is None:
            self._say(f"{what} needs a bench folder: --bench FOLDER")
            return []
        named = [one for one in self._inputs if one.channel is not None]
        if not named:
            self._say(f"{what} needs a channel to keep it for: benchlog watch CHANNEL")
        return named

    def _mark(self) -> None:
        """Write what is on the screen into the bench's log."""
        from benchlog.capture.mark_log import append_mark

        named = {one.input: one for one in self._named("mark")}
        picture = self._picture(has_keys=True)
        moment = datetime.now(UTC)
        if self._held is not None:
            moment -= timedelta(seconds=picture.held_s)
        marked = []
        for panel in picture.panels:
            one = named.get(panel.reading.input)
            if one is None or self._bench is None or one.channel is None:
                continue
            content = panel_to_json(panel, picture.status)
            content |= {"channel": one.channel, "knob_deg": one.knob_deg}
            stamp = {"marked_utc": moment.strftime("%Y-%m-%dT%H:%M:%SZ")}
            try:
                append_mark(self._bench, one.channel, stamp | content)
            except BenchlogError as error:
                self._say(str(error))
                return
            marked.append(one.channel)
        if marked:
            self._say(f"marked in the log of {' and '.join(marked)}")

    def _record(self) -> None:
        """Keep the last minute as a record, written while the watch goes on."""
        for one in self._named("record"):
            if one.knob_deg is None:
                self._say("record needs to know where the knob stands: --at DEG")
                return
            minute = self._source.minute(one.input)
            if minute is None:
                self._say("record: there is nothing to keep")
                return
            self._say(f"keeping the last {minute.duration_s:.0f} s of {one.channel}...")
            keeper = threading.Thread(target=self._keep, args=(one, minute), name="keeper")
            self._keepers = [other for other in self._keepers if other.is_alive()]
            self._keepers.append(keeper)
            keeper.start()

    def _keep(self, one: Watched, minute: Minute) -> None:
        """Write a minute into the bench folder; runs beside the loop."""
        from benchlog.commands.keeping import keep_minute

        assert self._bench is not None
        try:
            path = keep_minute(self._bench, one, minute, self._known)
        except BenchlogError as error:
            self._news.put(str(error))
        else:
            self._news.put(f"kept as {path.name}")
