"""The loop of `benchlog trim`: readings in, steps out, keys obeyed, a lost input awaited."""

from __future__ import annotations

import dataclasses
import time
from typing import TYPE_CHECKING

from benchlog.commands.guided import lead
from benchlog.commands.live_listener import LiveListener
from benchlog.show.trim_words import TrimPicture
from benchlog.timing.settling import Settler, Settling

if TYPE_CHECKING:
    from benchlog.calibration.trimming import Trimming
    from benchlog.commands.live_sources import LiveSource
    from benchlog.show.live_screen import PictureView
    from benchlog.show.live_terminal import LiveTerminal
    from benchlog.timing.live_reading import LiveReading

__all__ = ["TrimLoop"]

_AGAIN_S = 1.0
_MESSAGE_S = 4.0


class TrimLoop:
    """Leads through trimming until all holds, or somebody leaves.

    Parameters
    ----------
    source : LiveSource
        What is listened to; not yet open.
    trimming : Trimming
        What leads.
    channel : str
        The channel's name.
    hold_s : float
        How long the pulse has to stand still.
    seconds : float or None
        After how long it ends; None for without end.
    """

    def __init__(
        self,
        source: LiveSource,
        trimming: Trimming,
        channel: str,
        *,
        hold_s: float,
        seconds: float | None,
    ) -> None:
        self._source = source
        self._listener = LiveListener(source)
        self._trimming = trimming
        self._channel = channel
        self._hold_s = hold_s
        self._seconds = seconds
        self._settler = Settler()
        self._heard_s = 0.0
        self._base_s = 0.0
        self._quiet: str | None = None
        self._message: tuple[str, float] | None = None
        self._quit = False
        self._has_keys = False

    def run(self, terminal: LiveTerminal, view: PictureView[TrimPicture]) -> None:
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

        def turn() -> TrimPicture:
            self._press_keys(terminal)
            self._listen()
            return self._picture()

        def is_over() -> bool:
            return self._quit or self._trimming.is_done

        lead(self._listener, terminal, view, turn, is_over, self._seconds)

    # --- listening ------------------------------------------------------------------

    def _listen(self) -> None:
        """Take what is new."""
        heard = self._listener.listen()
        if heard.news == "lost":
            self._trimming.take(Settling("none"), self._heard_s)
        elif heard.news == "end":
            self._quit = True
        elif heard.news == "back":
            # a stream that begins anew counts from 0 again
            self._base_s = self._heard_s + _AGAIN_S
            self._settler = Settler()
            self._say("The input is back.")
        for reading in heard.readings:
            self._hear(reading)

    def _hear(self, reading: LiveReading) -> None:
        settling = self._settler.add(reading)
        if settling.since_s is not None:
            since_s = self._base_s + settling.since_s
            settling = dataclasses.replace(settling, since_s=since_s)
        self._heard_s = self._base_s + reading.heard_s
        self._quiet = None
        if reading.quiet is not None:
            self._quiet = reading.quiet.sentence.rstrip(".")
        self._trimming.take(settling, self._heard_s)

    # --- keys and pictures ------------------------------------------------------------

    def _press_keys(self, terminal: LiveTerminal) -> None:
        """Obey the keys that were pressed."""
        trimming = self._trimming
        while not trimming.is_done and (key := terminal.poll_key()) is not None:
            if key in ("\r", "\n"):
                before = trimming.step()
                if trimming.confirm() == before:
                    self._say("Let the pulse stand still first.")
            elif key.lower() == "e":
                before = trimming.step()
                if trimming.say_at_end() == before:
                    self._say("Key e is for a trimmer that is at its end, its pulse at rest.")
            elif key.lower() == "b":
                trimming.go_back()
            elif key.lower() == "q":
                self._quit = True

    def _say(self, text: str) -> None:
        self._message = text, time.monotonic()

    def _picture(self) -> TrimPicture:
        trimming = self._trimming
        message = ""
        if self._message is not None and time.monotonic() - self._message[1] < _MESSAGE_S:
            message = self._message[0]
        return TrimPicture(
            channel=self._channel,
            source=self._source.name,
            step=trimming.step(),
            results=trimming.results(),
            travel_deg=trimming.model.design.knob.travel_deg,
            hold_s=self._hold_s,
            quiet=self._quiet,
            is_lost=self._listener.is_lost,
            message=message,
            has_keys=self._has_keys,
        )
