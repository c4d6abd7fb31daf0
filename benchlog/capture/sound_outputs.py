"""Playing a train of pulses out, so that an input can be judged without a channel."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.sound_inputs import load_portaudio, portaudio_error, quiet_stderr
from benchlog.errors import DeviceError

__all__ = ["SoundOutput", "find_output", "make_train", "playing"]

WIDTH_S = 1.5e-3
PERIOD_S = 18.0137e-3
"""No whole number of samples at any usual rate, so that edges fall anywhere between two."""

AMPLITUDE = 0.25
"""12 dB below full scale."""

_FADE_S = 0.05
_TRAIN_S = 30.0


@dataclass(frozen=True, slots=True)
class SoundOutput:
    """A device with sound outputs.

    Attributes
    ----------
    index : int
        Its number for this session.
    name : str
        Its name.
    rate_hz : float
        The rate that it uses unless asked for another.
    """

    index: int
    name: str
    rate_hz: float


def find_output(device: str) -> SoundOutput:
    """Return the one sound output that is meant.

    Parameters
    ----------
    device : str
        Its number, its name or part of it, large and small letters alike.

    Returns
    -------
    SoundOutput
        The output.

    Raises
    ------
    DeviceError
        None or several are meant; the choices are listed.
    """
    sounddevice = load_portaudio()
    try:
        with quiet_stderr():
            devices = sounddevice.query_devices()
    except sounddevice.PortAudioError as exc:
        raise portaudio_error(exc, "the list of sound outputs", 0.0, 0) from exc
    found = [
        SoundOutput(int(one["index"]), str(one["name"]), float(one["default_samplerate"]))
        for one in devices
        if one["max_output_channels"] > 0
    ]
    text = device.strip()
    wanted = text.casefold()
    if text.isdecimal():
        meant = [one for one in found if one.index == int(text)]
    else:
        meant = [one for one in found if one.name.casefold() == wanted]
        if not meant and wanted:
            meant = [one for one in found if wanted in one.name.casefold()]
    if len(meant) == 1:
        return meant[0]
    choices = ", ".join(f"{one.index}: {one.name}" for one in meant or found) or "none"
    what = f"{len(meant)} sound outputs match" if meant else "no sound output matches"
    raise DeviceError(
        f"{what} '{text}'", expected=f"one of {choices}", attempt="the number before its name"
    )


def make_train(rate_hz: float) -> NDArray[np.float32]:
    """Return a train of pulses to be played, shape (n,): whole cycles, band-limited."""
    from benchlog.capture.simulated import SoundInputModel, TrueEdges, render_sound

    rise_s = np.arange(int(_TRAIN_S / PERIOD_S) + 3) * PERIOD_S
    edges = TrueEdges.from_times(np.stack((rise_s, rise_s + WIDTH_S), axis=1).ravel(), True)
    model = SoundInputModel(rate_hz=rate_hz, corners_hz=(2.0,), amplitude=AMPLITUDE, bits=None)
    return render_sound(edges, model, _TRAIN_S)


@contextlib.contextmanager
def playing(output: SoundOutput, rate_hz: float) -> Iterator[None]:
    """Play a train of pulses for as long as the body runs.

    Parameters
    ----------
    output : SoundOutput
        From `find_output`.
    rate_hz : float
        Samples per second.

    Raises
    ------
    DeviceError
        The device cannot be opened.
    """
    sounddevice = load_portaudio()
    train = make_train(rate_hz)
    fade = np.minimum(1.0, np.arange(train.shape[0]) / (_FADE_S * rate_hz)).astype(np.float32)
    at = 0

    def give(out: NDArray[Any], frames: int, time: Any, status: Any) -> None:
        nonlocal at
        index = at + np.arange(frames)
        values = train[index % train.shape[0]]
        if at < fade.shape[0]:
            values = values * fade[np.minimum(index, fade.shape[0] - 1)]
        out[:] = values[:, None]
        at += frames

    with quiet_stderr():
        try:
            stream = sounddevice.OutputStream(
                device=output.index,
                samplerate=rate_hz,
                channels=1,
                dtype="float32",
                latency=0.2,
                callback=give,
            )
            stream.start()
        except sounddevice.PortAudioError as exc:
            raise portaudio_error(exc, output.name, rate_hz, 1) from exc
        try:
            yield
        finally:
            for end in (stream.abort, stream.close):
                with contextlib.suppress(sounddevice.PortAudioError):
                    end()
