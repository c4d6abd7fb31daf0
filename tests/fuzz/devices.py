"""A stand-in for the sound library: devices that are named and refuse, or must not be opened."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

__all__ = ["Devices", "PortAudioError"]


class PortAudioError(Exception):
    """Built as the library's own: text, code, (host interface, code, text)."""


class Devices:
    """Lists the devices of the given names; opening one raises `refusal`."""

    PortAudioError = PortAudioError

    def __init__(
        self, refusal: Exception | None = None, *, names: tuple[str, ...] = ("USB",)
    ) -> None:
        self.refusal = refusal
        self.names = names
        self.default = SimpleNamespace(device=[0, -1])

    def query_devices(self) -> list[dict[str, Any]]:
        return [
            {
                "index": index,
                "name": name,
                "hostapi": 0,
                "max_input_channels": 2,
                "default_samplerate": 48000.0,
            }
            for index, name in enumerate(self.names)
        ]

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": "ALSA", "default_input_device": 0}]

    def InputStream(self, **_: Any) -> Any:
        raise self.refusal or PortAudioError("Device unavailable", -9985)
