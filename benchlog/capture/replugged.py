"""Opening a sound input again that was unplugged.

PortAudio makes its list of devices once, when it starts, and so never meets one that was plugged
in later. It has to be stopped and started again first, which no open stream survives.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchlog.capture.sound_inputs import load_portaudio, portaudio_error, quiet_stderr
from benchlog.capture.stream import SoundStream, open_sound

__all__ = ["reopen_sound"]


def reopen_sound(
    device: str, rate_hz: float | None, inputs: Sequence[int], latency_s: float
) -> SoundStream:
    """Open a sound input with a fresh list of devices; no stream may be open.

    Parameters
    ----------
    device : str
        The device's whole name, since its number may have changed.
    rate_hz, inputs, latency_s
        As for `open_sound`.

    Returns
    -------
    SoundStream
        Running; to be closed.

    Raises
    ------
    DeviceError
        It is not there yet, or PortAudio does not start.
    """
    sounddevice = load_portaudio()
    try:
        with quiet_stderr():
            # the package has no public way to start anew; its documentation names these two
            sounddevice._terminate()
            sounddevice._initialize()
    except sounddevice.PortAudioError as exc:
        raise portaudio_error(exc, device, rate_hz or 0.0, max(inputs)) from exc
    return open_sound(device, rate_hz, inputs, latency_s)
