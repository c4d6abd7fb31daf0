"""Recording from a device, a sound input and a serial probe alike."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.options import Level

if TYPE_CHECKING:
    from benchlog.recording import Gap
    from benchlog.timing.pulses import Measurement

__all__ = ["Device", "Take", "record"]


@dataclass(frozen=True, slots=True)
class Take:
    """What came from a device: how to write it, and what is known of it.

    Attributes
    ----------
    write : callable
        Writes it to a new file.
    suffix : str
        Of that file.
    measure : callable
        Measures its pulses, given which level is the pulse or None.
    rate_hz : float or None
        Samples per second; None for a probe.
    gaps : tuple of Gap
        What the driver says it lost.
    cut_short : str or None
        Why there is less than was asked for.
    """

    write: Callable[[Path], None]
    suffix: str
    measure: Callable[[Level | None], tuple[Measurement, ...]]
    rate_hz: float | None
    gaps: tuple[Gap, ...]
    cut_short: str | None


@dataclass(frozen=True, slots=True)
class Device:
    """What to record from, and how long.

    Attributes
    ----------
    sound, port : str or None
        The sound input or the serial port; one of them.
    channel_input : int
        Which input of the sound device, from 1.
    rate_hz : float or None
        Samples per second of sound; None for the device's own.
    baud : int or None
        Bits per second of the port; None for the usual.
    seconds : float
        How long.
    """

    sound: str | None
    port: str | None
    channel_input: int
    rate_hz: float | None
    baud: int | None
    seconds: float


def record(device: Device) -> Take:
    """Record from a device, with a bar when it takes long.

    Parameters
    ----------
    device : Device
        What to record from.

    Returns
    -------
    Take
        What came from it.

    Raises
    ------
    DeviceError
        It cannot be used, or nothing came.
    """
    return _record_sound(device) if device.port is None else _record_probe(device)


def _record_sound(device: Device) -> Take:
    """Record from a sound input."""
    from benchlog.capture.audio_files import write_audio
    from benchlog.capture.sound import record_sound
    from benchlog.show.terminal import show_progress
    from benchlog.timing.pulses import measure_recording

    with show_progress(f"recording {device.seconds:g} s") as advance:
        take = record_sound(
            device.sound or "",
            device.seconds,
            device.rate_hz,
            (device.channel_input,),
            lambda done_s: advance(done_s / device.seconds),
        )
    samples = take.samples()
    return Take(
        write=lambda path: write_audio(path, samples, take.rate_hz, take.subtype),
        suffix=".flac",
        measure=lambda level: measure_recording(samples, active_level=level),
        rate_hz=take.rate_hz,
        gaps=take.gaps,
        cut_short=take.cut_short,
    )


def _record_probe(device: Device) -> Take:
    """Record from a serial probe."""
    from benchlog.capture.csv_files import write_csv
    from benchlog.capture.probe import BAUD, record_probe
    from benchlog.show.terminal import show_progress
    from benchlog.timing.pulses import measure_recording

    with show_progress(f"recording {device.seconds:g} s") as advance:
        edges = record_probe(
            device.port or "",
            device.seconds,
            device.baud or BAUD,
            lambda done_s: advance(done_s / device.seconds),
        )
    had_s = edges.end_s - edges.start_s
    return Take(
        write=lambda path: write_csv(path, edges),
        suffix=".csv",
        measure=lambda level: measure_recording((edges,), active_level=level),
        rate_hz=None,
        gaps=edges.gaps,
        cut_short=None if had_s > 0.9 * device.seconds else f"{had_s:.1f} s are there",
    )
