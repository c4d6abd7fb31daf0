"""Recording from sound inputs, through PortAudio (the ``sounddevice`` package).

Nothing is recorded from a device that nobody chose: the
device is always named, by number or by part of its name.

The callback runs in PortAudio's own thread. It copies the block, keeps the status flags
and queues both; everything else happens in the caller's thread. Where the driver
says that it lost samples, that is kept as a gap, placed before the block that carries the
flag; its length comes from the converter's time stamps where the driver gives them.

Samples are asked for as 32-bit integers, into which PortAudio and the sound servers
put 16- and 24-bit samples by a shift, so what is recorded is what the
converter gave, sample for sample.
"""

from __future__ import annotations

import contextlib
import math
import queue
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.sound_inputs import (
    SoundInput,
    find_input,
    list_inputs,
    load_portaudio,
    portaudio_error,
    quiet_stderr,
)
from benchlog.errors import DeviceError
from benchlog.recording import Gap, Samples, samples_from_array

__all__ = ["SoundInput", "SoundTake", "find_input", "list_inputs", "record_sound"]

START_S = 6.0
"""How long a device may take to deliver its first samples; sound servers can take two seconds."""

STALL_S = 2.0
"""A device that has begun and delivers nothing for so long has stopped."""

_LATENCY_S = 0.1

_DTYPES = ("int32", "int16", "float32")


@dataclass(frozen=True, slots=True, eq=False)
class SoundTake:
    """What was recorded from a sound input.

    Attributes
    ----------
    values : numpy.ndarray
        Shape (n, inputs); int16 where the device gives no more than 16 bits, else float32
        with full scale at ±1.
    rate_hz : float
        Samples per second, as the device states it.
    bits : int
        16 or 24 for integers of that many bits, 32 for anything finer.
    inputs : tuple of int
        Which inputs the columns are, from 1.
    gaps : tuple of Gap
        Where the driver says that it lost samples. Times are those of the samples that are there.
    device : str
        The device's name.
    cut_short : str or None
        Why there is less than was asked for; None where there is not.
    """

    values: NDArray[np.int16] | NDArray[np.float32]
    rate_hz: float
    bits: int
    inputs: tuple[int, ...]
    gaps: tuple[Gap, ...]
    device: str
    cut_short: str | None

    @property
    def subtype(self) -> str:
        """The coding with which `write_audio` keeps every bit: ``PCM_16``, ``PCM_24``."""
        return "PCM_16" if self.bits == 16 else "PCM_24"

    def samples(self) -> Samples:
        """Return the take as samples, full scale at ±1."""
        scale = 2.0**15 if self.values.dtype == np.int16 else 1.0
        whole = samples_from_array(
            (self.values / np.float32(scale)).astype(np.float32, copy=False),
            self.rate_hz,
            step=2.0 ** (1 - self.bits),
            name=self.device,
        )
        return Samples(
            rate_hz=whole.rate_hz,
            input_count=whole.input_count,
            frame_count=whole.frame_count,
            open_blocks=whole.open_blocks,
            step=whole.step,
            gaps=self.gaps,
            name=whole.name,
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    """What one call of PortAudio brought."""

    values: NDArray[Any]
    overflowed: bool
    time_s: float


def record_sound(
    device: str | int,
    seconds: float,
    rate_hz: float | None = None,
    inputs: Sequence[int] = (1,),
    on_progress: Callable[[float], None] | None = None,
) -> SoundTake:
    """Record from a sound input.

    Parameters
    ----------
    device : str or int
        As for `find_input`.
    seconds : float
        How long, above 0.
    rate_hz : float, optional
        Samples per second; the device's own if None.
    inputs : sequence of int
        Which inputs, from 1.
    on_progress : callable, optional
        Called with the number of seconds that are there, after each block.

    Returns
    -------
    SoundTake
        Cut short, with the reason, where the device stopped or the user did (Ctrl-C).

    Raises
    ------
    ValueError
        `seconds` is not above 0, or `inputs` not at least one number from 1.
    DeviceError
        The device is not there, cannot do what is asked, or delivers nothing.
    """
    if not (seconds > 0 and math.isfinite(seconds)) or not inputs or min(inputs) < 1:
        raise ValueError(f"seconds must be above 0 and inputs from 1, got {seconds}, {inputs}")
    sounddevice = load_portaudio()
    chosen = find_input(device)
    channels = max(inputs)
    rate = float(rate_hz or chosen.rate_hz)
    if channels > chosen.input_count:
        raise DeviceError(
            f"sound input {chosen.name} has {chosen.input_count} inputs, not {channels}",
            expected=f"an input from 1 to {chosen.input_count}",
            attempt="--input 1",
        )
    blocks: queue.SimpleQueue[_Block] = queue.SimpleQueue()

    def take_block(data: NDArray[Any], frames: int, time: Any, status: Any) -> None:
        blocks.put(_Block(data.copy(), bool(status.input_overflow), float(time.inputBufferAdcTime)))

    with quiet_stderr():
        stream = _start_stream(sounddevice, chosen, rate, channels, take_block)
        actual_hz = float(stream.samplerate)
        wanted = round(seconds * actual_hz)
        try:
            kept, cut_short = _collect(blocks, wanted, actual_hz, on_progress)
        finally:
            for end in (stream.abort, stream.close):
                with contextlib.suppress(sounddevice.PortAudioError):
                    end()
    if not kept:
        raise DeviceError(
            f"sound input {chosen.name} delivered no samples ({cut_short})",
            expected="samples as soon as it is opened",
            attempt="plugging it in again, or another one from benchlog inputs",
        )
    return _as_take(
        kept, chosen.name, actual_hz, tuple(inputs), round(seconds * actual_hz), cut_short
    )


def _start_stream(
    sounddevice: Any, chosen: SoundInput, rate: float, channels: int, callback: Callable[..., None]
) -> Any:
    """Open and start an input stream with every foreign error translated."""
    try:
        stream = _open_stream(sounddevice, chosen, rate, channels, callback)
        try:
            stream.start()
        except sounddevice.PortAudioError:
            stream.close()
            raise
    except sounddevice.PortAudioError as exc:
        raise portaudio_error(exc, chosen.name, rate, channels) from exc
    except ValueError as exc:
        raise DeviceError(
            f"sound input {chosen.name} cannot be used ({exc})",
            expected="a sound input that can be opened",
            attempt="benchlog inputs, to see what there is",
        ) from exc
    return stream


def _open_stream(
    sounddevice: Any, chosen: SoundInput, rate: float, channels: int, callback: Callable[..., None]
) -> Any:
    """Open an input stream in the first sample format that the device takes."""
    refused: Exception | None = None
    for dtype in _DTYPES:
        try:
            return sounddevice.InputStream(
                device=chosen.index,
                samplerate=rate,
                channels=channels,
                dtype=dtype,
                latency=_LATENCY_S,
                callback=callback,
                clip_off=True,
                dither_off=True,
            )
        except sounddevice.PortAudioError as exc:
            refused = refused or exc
    assert refused is not None
    raise refused


def _collect(
    blocks: queue.SimpleQueue[_Block],
    wanted: int,
    rate_hz: float,
    on_progress: Callable[[float], None] | None,
) -> tuple[list[_Block], str | None]:
    """Take blocks from the queue until there are enough; return them and why there are fewer."""
    kept: list[_Block] = []
    count = 0
    try:
        while count < wanted:
            try:
                block = blocks.get(timeout=STALL_S if kept else START_S)
            except queue.Empty:
                return kept, f"the device stopped after {count / rate_hz:.1f} s"
            kept.append(block)
            count += len(block.values)
            if on_progress:
                on_progress(min(count, wanted) / rate_hz)
    except KeyboardInterrupt:
        if not kept:
            raise
        return kept, f"stopped after {count / rate_hz:.1f} s"
    return kept, None


def _as_take(
    kept: list[_Block],
    name: str,
    rate_hz: float,
    inputs: tuple[int, ...],
    wanted: int,
    cut_short: str | None,
) -> SoundTake:
    gaps = _place_gaps(kept, rate_hz)
    columns = [number - 1 for number in inputs]
    raw = np.concatenate([block.values[:, columns] for block in kept])[:wanted]
    values, bits = _without_padding(raw)
    return SoundTake(
        values=values,
        rate_hz=rate_hz,
        bits=bits,
        inputs=inputs,
        gaps=tuple(gap for gap in gaps if gap.start_s < len(raw) / rate_hz),
        device=name,
        cut_short=cut_short,
    )


def _place_gaps(kept: list[_Block], rate_hz: float) -> list[Gap]:
    """Return a gap before each block that carries the overflow flag.

    Its length is how much later than the end of the block before the converter took the
    block's first sample; 0 (not known) where the driver gives no such times.
    """
    gaps: list[Gap] = []
    frames = 0
    for before, block in zip([None, *kept], kept, strict=False):
        if block.overflowed:
            length_s = 0.0
            if before is not None and before.time_s > 0 and block.time_s > 0:
                length_s = block.time_s - before.time_s - len(before.values) / rate_hz
            gaps.append(Gap(frames / rate_hz, length_s if length_s > 1 / rate_hz else 0.0))
        frames += len(block.values)
    return gaps


def _without_padding(
    raw: NDArray[Any],
) -> tuple[NDArray[np.int16] | NDArray[np.float32], int]:
    """Return samples without the zeros that fill 32 bits, and how many bits they have."""
    if raw.dtype == np.int16:
        return raw, 16
    if raw.dtype == np.float32:
        return raw, 32
    if not np.any(raw & 0xFFFF):
        return (raw >> 16).astype(np.int16), 16
    bits = 24 if not np.any(raw & 0xFF) else 32
    return (raw / 2.0**31).astype(np.float32), bits
