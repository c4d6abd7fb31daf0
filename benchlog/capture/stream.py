"""Live streams: blocks of samples from a sound input, edges from a serial probe, as they come.

A stream is opened by `open_sound` or `open_probe`, read until it has been read enough, and
closed as a context manager or with ``close()``. Everything that records or watches stands on
these two; that of a probe is in `probe_stream`.

PortAudio calls back in a thread of its own. The callback copies the block, keeps the
status flags, the converter's time and this machine's monotonic clock, and queues them;
everything else happens in the reader's thread, so a reader that is late loses nothing.

Lost samples are placed in time. The driver says so with a flag; its length then is how much
later than the end of the block before the converter took this one's first sample. Without
a flag, a pause longer than what then comes in one go is a loss too: so a computer that slept,
or a process that was stopped, leaves a gap and not a silent jump.

Samples are asked for as 32-bit integers, into which PortAudio and the sound servers
put 16- and 24-bit samples by a shift, so what is delivered is what the
converter gave, sample for sample.
"""

from __future__ import annotations

import contextlib
import queue
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.closing import Closing
from benchlog.capture.probe_stream import HEADER_TIMEOUT_S, EdgeBlock, ProbeStream, open_probe
from benchlog.capture.sound_inputs import (
    SoundInput,
    find_input,
    load_portaudio,
    portaudio_error,
    quiet_stderr,
)
from benchlog.errors import DeviceError
from benchlog.recording import Gap

__all__ = [
    "HEADER_TIMEOUT_S",
    "EdgeBlock",
    "ProbeStream",
    "SoundStream",
    "StreamBlock",
    "open_probe",
    "open_sound",
]

START_S = 6.0
"""How long a device may take to deliver its first samples; sound servers can take two seconds."""

STALL_S = 2.0
"""A device that has begun and delivers nothing for so long has stopped."""

LATENCY_S = 0.1

_DTYPES = ("int32", "int16", "float32")
_PAUSE_S = 0.5
_SETTLE_S = 0.3
_LEAST_LOSS_S = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class StreamBlock:
    """What came at once from a sound input.

    Attributes
    ----------
    values : numpy.ndarray
        Shape (n, inputs); int16 while the device has given no more than 16 bits, float32 with
        full scale at ±1 from the first block on that has more.
    first_frame : int
        Index of the first frame, counted from the stream's start, lost frames included as far
        as their number is known.
    lost_before : Gap or None
        What was lost just before this block; its `start_s` counts delivered frames only, as
        the times in a recording do, its `length_s` is 0 where it is not known.
    time_s : float
        When the block came, by this machine's monotonic clock (`time.monotonic`).
    """

    values: NDArray[np.int16] | NDArray[np.float32]
    first_frame: int
    lost_before: Gap | None
    time_s: float

    def samples(self) -> NDArray[np.float32]:
        """Return the values as float32 with full scale at ±1, shape (n, inputs)."""
        if self.values.dtype == np.int16:
            return self.values.astype(np.float32) * np.float32(2.0**-15)
        return self.values.astype(np.float32, copy=False)


@dataclass(frozen=True, slots=True, eq=False)
class _Arrival:
    """What one call of PortAudio brought."""

    values: NDArray[Any]
    overflowed: bool
    adc_s: float
    came_s: float
    asleep_s: float


class SoundStream(Closing):
    """A sound input that is being read; made by `open_sound`.

    Attributes
    ----------
    rate_hz : float
        Samples per second, as the device states it.
    bits : int
        16, 24 or 32: how many have been seen to be in use so far.
    input_count : int
        Columns of each block.
    device : str
        The device's name.
    """

    def __init__(self, device: str, inputs: Sequence[int], rate_hz: float) -> None:
        self.device = device
        self.rate_hz = rate_hz
        self.input_count = len(inputs)
        self.bits = 16
        self._columns = [number - 1 for number in inputs]
        self._arrivals: queue.SimpleQueue[_Arrival | None] = queue.SimpleQueue()
        self._held: deque[_Arrival] = deque()
        self._last: _Arrival | None = None
        self._delivered = 0
        self._lost = 0
        self._waiting_since = time.monotonic()
        self._ended = False
        self._on_close: Callable[[], None] | None = None

    def receive(self, data: NDArray[Any], frames: int, clock: Any, status: Any) -> None:
        """Take what PortAudio brings; called in its thread."""
        self._arrivals.put(
            _Arrival(
                values=data.copy(),
                overflowed=bool(status.input_overflow),
                adc_s=float(clock.inputBufferAdcTime),
                came_s=time.monotonic(),
                asleep_s=_asleep_s(),
            )
        )

    def end(self) -> None:
        """Take that PortAudio will bring no more; called in its thread."""
        self._arrivals.put(None)

    def opened(self, rate_hz: float, close: Callable[[], None]) -> None:
        """Take the rate that was got, and what closes the device."""
        self.rate_hz = rate_hz
        self._on_close = close
        self._waiting_since = time.monotonic()

    def close(self) -> None:
        """Stop and close the device; a second time does nothing."""
        close, self._on_close = self._on_close, None
        if close:
            close()

    def read(self, timeout_s: float) -> StreamBlock | None:
        """Return the next block.

        Parameters
        ----------
        timeout_s : float
            How long to wait for it at most.

        Returns
        -------
        StreamBlock or None
            None where nothing came within the timeout.

        Raises
        ------
        DeviceError
            The device is gone, or has delivered nothing for `STALL_S` (`START_S` before the
            first block).
        """
        arrival = self._next(timeout_s)
        if arrival is None:
            waited_s = time.monotonic() - self._waiting_since
            if self._ended or waited_s >= (START_S if self._last is None else STALL_S):
                raise self._stopped()
            return None
        lost = self._lost_before(arrival)
        if lost is not None:
            self._lost += round(lost.length_s * self.rate_hz)
        values = self._without_padding(arrival.values[:, self._columns])
        block = StreamBlock(values, self._delivered + self._lost, lost, arrival.came_s)
        self._delivered += len(values)
        self._last = arrival
        self._waiting_since = time.monotonic()
        return block

    def _next(self, timeout_s: float) -> _Arrival | None:
        if self._held:
            return self._held.popleft()
        if self._ended:
            return None
        try:
            arrival = self._arrivals.get(timeout=max(timeout_s, 0.0))
        except queue.Empty:
            return None
        self._ended = arrival is None
        return arrival

    def _stopped(self) -> DeviceError:
        if self._last is None:
            return DeviceError(
                f"sound input {self.device} delivered no samples",
                expected="samples as soon as it is opened",
                attempt="plugging it in again, or another one from benchlog inputs",
            )
        return DeviceError(
            f"sound input {self.device} stopped after {self._delivered / self.rate_hz:.1f} s",
            expected="samples without a pause",
            attempt="plugging it in again, or restarting the sound server",
        )

    def _lost_before(self, arrival: _Arrival) -> Gap | None:
        """Return what is missing between the block before and this one, None if nothing."""
        before, start_s = self._last, self._delivered / self.rate_hz
        if before is None:
            return Gap(start_s, 0.0) if arrival.overflowed else None
        if arrival.overflowed:
            length_s = 0.0
            if before.adc_s > 0 and arrival.adc_s > 0:
                length_s = arrival.adc_s - before.adc_s - len(before.values) / self.rate_hz
            return Gap(start_s, length_s if length_s > 1 / self.rate_hz else 0.0)
        pause_s = arrival.came_s - before.came_s + arrival.asleep_s - before.asleep_s
        late_s = pause_s - len(arrival.values) / self.rate_hz
        if late_s < _PAUSE_S:
            return None
        missing_s = late_s - self._caught_up_s()
        return Gap(start_s, missing_s) if missing_s > _LEAST_LOSS_S else None

    def _caught_up_s(self) -> float:
        """Wait a moment after a pause; return how much more came in it than its own length."""
        began, frames = time.monotonic(), 0
        while (left_s := began + _SETTLE_S - time.monotonic()) > 0 and not self._ended:
            try:
                arrival = self._arrivals.get(timeout=left_s)
            except queue.Empty:
                break
            if arrival is None:
                self._ended = True
                break
            self._held.append(arrival)
        frames = sum(len(arrival.values) for arrival in self._held)
        return max(0.0, frames / self.rate_hz - (time.monotonic() - began))

    def _without_padding(self, raw: NDArray[Any]) -> NDArray[np.int16] | NDArray[np.float32]:
        """Return samples without the zeros that fill 32 bits, and keep how many bits they have."""
        if raw.dtype == np.float32:
            self.bits = 32
            return np.ascontiguousarray(raw)
        if raw.dtype == np.int16:
            return np.ascontiguousarray(raw)
        if self.bits == 16:
            if not np.any(raw & 0xFFFF):
                return (raw >> 16).astype(np.int16)
            self.bits = 24
        if self.bits == 24 and np.any(raw & 0xFF):
            self.bits = 32
        return (raw / 2.0**31).astype(np.float32)


def _asleep_s() -> float:
    """Return for how long this machine has slept, which its monotonic clock leaves out."""
    number = getattr(time, "CLOCK_BOOTTIME", None)
    if number is None:
        return 0.0
    return time.clock_gettime(number) - time.clock_gettime(time.CLOCK_MONOTONIC)


def open_sound(
    device: str | int,
    rate_hz: float | None = None,
    inputs: Sequence[int] = (1,),
    latency_s: float = LATENCY_S,
) -> SoundStream:
    """Open a sound input and start it.

    Parameters
    ----------
    device : str or int
        As for `find_input`.
    rate_hz : float, optional
        Samples per second; the device's own if None.
    inputs : sequence of int
        Which inputs, from 1; a column of each block each.
    latency_s : float
        How much the device may gather before it delivers; the time between blocks follows it.

    Returns
    -------
    SoundStream
        Running; to be closed.

    Raises
    ------
    ValueError
        `inputs` is not at least one number from 1.
    DeviceError
        The device is not there or cannot do what is asked.
    """
    if not inputs or min(inputs) < 1:
        raise ValueError(f"inputs must be numbers from 1, got {inputs}")
    sounddevice = load_portaudio()
    chosen = find_input(device)
    if max(inputs) > chosen.input_count:
        raise DeviceError(
            f"sound input {chosen.name} has {chosen.input_count} inputs, not {max(inputs)}",
            expected=f"an input from 1 to {chosen.input_count}",
            attempt="--input 1",
        )
    rate = float(rate_hz or chosen.rate_hz)
    stream = SoundStream(chosen.name, inputs, rate)
    with contextlib.ExitStack() as stack:
        stack.enter_context(quiet_stderr())
        running = _start(sounddevice, chosen, rate, max(inputs), latency_s, stream)
        held = stack.pop_all()

    def close() -> None:
        with held:
            for end in (running.abort, running.close):
                with contextlib.suppress(sounddevice.PortAudioError):
                    end()

    stream.opened(float(running.samplerate), close)
    return stream


def _start(
    sounddevice: Any,
    chosen: SoundInput,
    rate: float,
    channels: int,
    latency_s: float,
    stream: SoundStream,
) -> Any:
    """Open and start an input with every foreign error translated."""
    try:
        running = _open_input(sounddevice, chosen, rate, channels, latency_s, stream)
        try:
            running.start()
        except sounddevice.PortAudioError:
            running.close()
            raise
    except sounddevice.PortAudioError as exc:
        raise portaudio_error(exc, chosen.name, rate, channels) from exc
    except ValueError as exc:
        raise DeviceError(
            f"sound input {chosen.name} cannot be used ({exc})",
            expected="a sound input that can be opened",
            attempt="benchlog inputs, to see what there is",
        ) from exc
    return running


def _open_input(
    sounddevice: Any,
    chosen: SoundInput,
    rate: float,
    channels: int,
    latency_s: float,
    stream: SoundStream,
) -> Any:
    """Open an input in the first sample format that the device takes."""
    refused: Exception | None = None
    for dtype in _DTYPES:
        try:
            return sounddevice.InputStream(
                device=chosen.index,
                samplerate=rate,
                channels=channels,
                dtype=dtype,
                latency=latency_s,
                blocksize=max(1, round(latency_s * rate / 2)),  # else a hundred calls a second
                callback=stream.receive,
                finished_callback=stream.end,
                clip_off=True,
                dither_off=True,
            )
        except sounddevice.PortAudioError as exc:
            refused = refused or exc
    assert refused is not None
    raise refused
