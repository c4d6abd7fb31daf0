"""A small stand-in for the PortAudio library, for what a real device cannot be made to do."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

from numpy.typing import NDArray

__all__ = ["RATE", "Library", "PortAudioError"]

RATE = 1000.0


class PortAudioError(Exception):
    """Named and built as the library's own: text, code, (host interface, code, text)."""


@dataclass
class Library:
    """Stands in for the library; its stream delivers `script` from a thread of its own.

    A script holds one entry a callback: the block, whether samples were lost before it, and the
    converter's time of its first sample.
    """

    script: list[tuple[NDArray[Any], bool, float]] = field(default_factory=list)
    refused: dict[str, Exception] = field(default_factory=dict)
    opened: list[dict[str, Any]] = field(default_factory=list)
    noise: bytes = b""
    names: tuple[str, ...] = ("USB Audio", "usb microphone", "Speaker", "Line [busy]")
    PortAudioError: type[Exception] = PortAudioError

    @property
    def default(self) -> Any:
        return SimpleNamespace(device=[1, 2])

    def query_devices(self) -> list[dict[str, Any]]:
        os.write(2, self.noise)
        self._refuse("query")
        return [
            {
                "index": index,
                "name": name,
                "hostapi": index % 2,
                "max_input_channels": 0 if name == "Speaker" else 2,
                "default_samplerate": RATE,
            }
            for index, name in enumerate(self.names)
        ]

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [
            {"name": "ALSA", "default_input_device": 0},
            {"name": "OSS", "default_input_device": 1},
        ]

    def _refuse(self, what: str) -> None:
        if what in self.refused:
            raise self.refused[what]

    def InputStream(self, **options: Any) -> Any:
        self.opened.append(options)
        os.write(2, self.noise)
        self._refuse("open")
        self._refuse(options["dtype"])
        return Stream(self, options["callback"], options["samplerate"])


class Stream:
    def __init__(self, library: Library, callback: Callable[..., None], rate: float) -> None:
        self.library, self.callback, self.samplerate = library, callback, rate
        self.closed = False

    def start(self) -> None:
        self.library._refuse("start")
        self.thread = threading.Thread(target=self.run)
        self.thread.start()

    def run(self) -> None:
        for block, lost, time_s in self.library.script:
            buffer = block.copy()
            status = SimpleNamespace(input_overflow=lost)
            self.callback(buffer, len(buffer), SimpleNamespace(inputBufferAdcTime=time_s), status)
            buffer[:] = 0  # the library uses its buffer again: who keeps it must have copied it

    def abort(self) -> None:
        self.thread.join()
        self.library._refuse("abort")

    def close(self) -> None:
        self.closed = True
