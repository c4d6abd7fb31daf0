"""Recording from a device into a bench folder, a sound input and a serial probe alike."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchlog.capture.recorder import Kept
    from benchlog.capture.sidecar import Sidecar
    from benchlog.capture.store import Bench

__all__ = ["Device", "keep"]


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


def keep(bench: Bench, device: Device, sidecar: Sidecar) -> Kept:
    """Record from a device into a bench folder, with a bar when it takes long.

    Parameters
    ----------
    bench : Bench
        Where to.
    device : Device
        What to record from.
    sidecar : Sidecar
        What is known beforehand.

    Returns
    -------
    Kept
        As it lies in the bench folder.

    Raises
    ------
    DeviceError
        It cannot be used, or nothing came.
    StoreError
        The bench folder cannot be written.

    Notes
    -----
    Asked to end by the system, it completes the record, says so, and then ends.
    """
    from benchlog.show.ending import EndingSignals
    from benchlog.show.terminal import warn

    ending = EndingSignals()
    length_s = 0.0
    try:
        with ending:
            kept = _keep_with_bar(bench, device, sidecar)
            length_s = kept.length_s
    finally:
        if ending.ended_by is not None:
            much = (
                f"after {length_s:.1f} s; that much is kept"
                if length_s
                else "before anything was kept"
            )
            with contextlib.suppress(OSError):  # the terminal may be gone
                warn(f"ended by the system {much}")
            ending.pass_on()
    return kept


def _keep_with_bar(bench: Bench, device: Device, sidecar: Sidecar) -> Kept:
    from benchlog.show.terminal import show_progress

    with show_progress(f"recording {device.seconds:g} s") as advance:

        def tell(done_s: float) -> None:
            advance(done_s / device.seconds)

        if device.port is None:
            from benchlog.capture.recorder import keep_sound
            from benchlog.capture.stream import open_sound

            inputs = (device.channel_input,)
            with open_sound(device.sound or "", device.rate_hz, inputs) as sound:
                return keep_sound(bench, sidecar, sound, device.seconds, tell)
        from benchlog.capture.recorder import keep_edges
        from benchlog.capture.serial_ports import BAUD
        from benchlog.capture.stream import open_probe

        with open_probe(device.port, device.baud or BAUD) as probe:
            return keep_edges(bench, sidecar, probe, device.seconds, tell)
