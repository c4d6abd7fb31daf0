"""Which sound inputs there are, through PortAudio (the ``sounddevice`` package).

The library is loaded on first use, so that a machine without PortAudio can do everything
else; what it refuses is told in one plain line.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, TextIO

from benchlog.errors import DeviceError

__all__ = [
    "SoundInput",
    "find_input",
    "list_inputs",
    "load_portaudio",
    "portaudio_error",
    "quiet_stderr",
]

_LIBRARY = (
    "sudo apt install libportaudio2 (Debian, Ubuntu) or the portaudio package of your system; "
    "on macOS and Windows: pip install --force-reinstall sounddevice"
)
_INVALID_CHANNELS = -9998
_INVALID_RATE = -9997
_INVALID_DEVICE = -9996
_UNAVAILABLE = -9985


@dataclass(frozen=True, slots=True)
class SoundInput:
    """A device with sound inputs.

    Attributes
    ----------
    index : int
        Its number for this session.
    name, host_api : str
        Its name, and the system's sound interface that offers it.
    input_count : int
        How many inputs it has at most.
    rate_hz : float
        The rate that it uses unless asked for another.
    is_default : bool
        Whether the system would choose it.
    """

    index: int
    name: str
    host_api: str
    input_count: int
    rate_hz: float
    is_default: bool


def list_inputs() -> list[SoundInput]:
    """Return the devices that have sound inputs; the list may be empty.

    Raises
    ------
    DeviceError
        PortAudio is not there or does not start.
    """
    sounddevice = load_portaudio()
    try:
        with quiet_stderr():
            devices = sounddevice.query_devices()
            host_apis = sounddevice.query_hostapis()
            default = sounddevice.default.device[0]
    except sounddevice.PortAudioError as exc:
        raise portaudio_error(exc, "the list of sound inputs", 0.0, 0) from exc
    return [
        SoundInput(
            index=int(device["index"]),
            name=str(device["name"]),
            host_api=str(host_apis[device["hostapi"]]["name"]),
            input_count=int(device["max_input_channels"]),
            rate_hz=float(device["default_samplerate"]),
            is_default=int(device["index"]) == default
            or (default < 0 and host_apis[0]["default_input_device"] == device["index"]),
        )
        for device in devices
        if device["max_input_channels"] > 0
    ]


def find_input(device: str | int) -> SoundInput:
    """Return the one sound input that is meant.

    Parameters
    ----------
    device : str or int
        Its number, its name, or part of its name and host interface (``usb``,
        ``USB Audio, ALSA``), large and small letters alike.

    Raises
    ------
    DeviceError
        None or several are meant; the choices are listed.
    """
    found = list_inputs()
    text = str(device).strip()
    if text.isdecimal() and len(text) < 10:
        meant = [one for one in found if one.index == int(text)]
    else:
        wanted = text.casefold()
        meant = [one for one in found if one.name.casefold() == wanted]
        if not meant and wanted:
            meant = [one for one in found if wanted in f"{one.name}, {one.host_api}".casefold()]
    if len(meant) == 1:
        return meant[0]
    choices = ", ".join(f"{one.index}: {one.name} ({one.host_api})" for one in meant or found)
    if not found:
        raise DeviceError(
            "there is no sound input",
            expected="a sound input that the system knows",
            attempt="plugging one in, or starting the sound server",
        )
    what = f"{len(meant)} sound inputs match" if meant else "no sound input matches"
    raise DeviceError(
        f"{what} '{text}'", expected=f"one of {choices}", attempt="the number before its name"
    )


def load_portaudio() -> Any:
    """Import the ``sounddevice`` package, which starts PortAudio, and return it.

    Raises
    ------
    DeviceError
        PortAudio is not there, with what to install, or does not start.
    """
    try:
        with quiet_stderr():
            import sounddevice
    except (OSError, ImportError) as exc:
        raise DeviceError(
            "the PortAudio library is not there",
            expected="PortAudio, to record sound",
            attempt=_LIBRARY,
        ) from exc
    except Exception as exc:
        # Its class cannot be had, since the module that defines it did not load.
        if type(exc).__name__ != "PortAudioError":
            raise
        raise DeviceError(
            f"PortAudio does not start ({exc.args[0] if exc.args else 'no reason given'})",
            expected="a working sound system",
            attempt="restarting the sound server or the computer",
        ) from exc
    return sounddevice


class _Quiet:
    """Standard error turned away from C libraries for as long as anybody asks for it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._askers = 0
        self._restore: Callable[[], None] | None = None

    def begin(self) -> None:
        with self._lock:
            self._askers += 1
            if self._askers == 1:
                self._restore = _turn_stderr_away()

    def end(self) -> None:
        with self._lock:
            self._askers -= 1
            if self._askers == 0 and self._restore is not None:
                self._restore()
                self._restore = None


_QUIET = _Quiet()


@contextlib.contextmanager
def quiet_stderr() -> Iterator[None]:
    """Keep what C libraries print on standard error off the screen; Python still prints there.

    It may be entered several times, and left in any order.
    """
    _QUIET.begin()
    try:
        yield
    finally:
        _QUIET.end()


def _turn_stderr_away() -> Callable[[], None] | None:
    """Turn descriptor 2 to nowhere; return what turns it back, None where there is none."""
    try:
        is_real = sys.stderr.fileno() == 2
        sys.stderr.flush()
        kept = os.dup(2)
    except (OSError, ValueError, AttributeError):
        is_real = False
        try:
            kept = os.dup(2)
        except OSError:  # there is no standard error
            return None
    python_stderr = sys.stderr
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    ours: TextIO | None = None
    if is_real:
        ours = open(  # noqa: SIM115 - closed below, together with its descriptor
            kept, "w", buffering=1, encoding=python_stderr.encoding, errors="backslashreplace"
        )
        sys.stderr = ours

    def restore() -> None:
        os.dup2(kept, 2)
        if ours is None:
            os.close(kept)
            return
        ours.close()
        if sys.stderr is ours:
            sys.stderr = python_stderr

    return restore


def portaudio_error(exc: Exception, name: str, rate_hz: float, inputs: int) -> DeviceError:
    """Return the `DeviceError` for a `sounddevice.PortAudioError`.

    Parameters
    ----------
    exc : sounddevice.PortAudioError
        What was met.
    name : str
        The device's name.
    rate_hz : float
        The rate that was asked for.
    inputs : int
        How many inputs were asked for.
    """
    code = exc.args[1] if len(exc.args) > 1 else None
    reason = str(exc.args[0]) if exc.args else "no reason given"
    if len(exc.args) > 2 and isinstance(exc.args[2], tuple) and exc.args[2][-1]:
        reason = f"{reason}: {exc.args[2][-1]}"
    expected = "a sound input that can be opened"
    attempt = "benchlog inputs, to see what there is"
    if code == _INVALID_RATE:
        reason = f"it does not do {rate_hz:g} samples per second"
        expected, attempt = "a rate that it does", "--rate 48000, or --rate 44100"
    elif code == _INVALID_CHANNELS:
        reason = f"it does not have {inputs} inputs"
        expected, attempt = "an input that it has", "--input 1"
    elif code in (_UNAVAILABLE, _INVALID_DEVICE):
        attempt = "closing the program that uses it, or plugging it in again"
    return DeviceError(
        f"sound input {name} cannot be used ({reason})", expected=expected, attempt=attempt
    )
