"""Listening to a source that may be unplugged and come back: what the guided loops share."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from benchlog.errors import DeviceError

if TYPE_CHECKING:
    from benchlog.commands.live_sources import LiveSource
    from benchlog.timing.live_reading import LiveReading

__all__ = ["POLL_S", "Heard", "LiveListener"]

POLL_S = 0.1
"""How long is listened before the keys are looked at again."""

_AGAIN_S = 1.0


@dataclass(frozen=True, slots=True)
class Heard:
    """What came at one look.

    Attributes
    ----------
    readings : tuple of LiveReading
        Those that are new.
    news : {"lost", "back", "end"} or None
        The source is gone since this look, is back, or has ended for good.
    """

    readings: tuple[LiveReading, ...] = ()
    news: Literal["lost", "back", "end"] | None = None


class LiveListener:
    """Reads a source, and tries once a second to open it again while it is gone.

    Parameters
    ----------
    source : LiveSource
        Not yet open; what is read from it after it came back counts from 0 again.
    """

    def __init__(self, source: LiveSource) -> None:
        self._source = source
        self._tried_s: float | None = None

    @property
    def is_lost(self) -> bool:
        """Whether the source is gone."""
        return self._tried_s is not None

    def open(self) -> None:
        """Open the source for the first time; DeviceError where it is not there."""
        self._source.open()

    def close(self) -> None:
        """Close it; a second time does nothing."""
        self._source.close()

    def listen(self) -> Heard:
        """Take what is new.

        Raises
        ------
        DeviceError
            The source is gone and is none that can come back.
        """
        if self._tried_s is not None:
            return self._try_again(self._tried_s)
        try:
            readings = self._source.read(POLL_S)
        except DeviceError:
            if not self._source.can_return:
                raise
            self._source.close()
            self._tried_s = time.monotonic()
            return Heard(news="lost")
        return Heard(readings) if readings is not None else Heard(news="end")

    def _try_again(self, tried_s: float) -> Heard:
        if time.monotonic() - tried_s < _AGAIN_S:
            time.sleep(POLL_S)
            return Heard()
        try:
            self._source.open()
        except DeviceError:
            self._tried_s = time.monotonic()
            return Heard()
        self._tried_s = None
        return Heard(news="back")
