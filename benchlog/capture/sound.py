"""Recording a stretch from a sound input into memory.

Nothing is recorded from a device that nobody chose: the
device is always named, by number or by part of its name. What comes is
what `stream` delivers; recording to disk is in `recorder`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.sound_inputs import SoundInput, find_input, list_inputs
from benchlog.capture.stream import SoundStream, StreamBlock, open_sound
from benchlog.errors import DeviceError
from benchlog.recording import Gap, Samples, samples_from_array

__all__ = ["SoundInput", "SoundTake", "find_input", "list_inputs", "record_sound"]

_POLL_S = 0.2


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
    with open_sound(device, rate_hz, inputs) as stream:
        wanted = round(seconds * stream.rate_hz)
        blocks, cut_short = _collect(stream, wanted, on_progress)
        bits = stream.bits
    gaps = tuple(b.lost_before for b in blocks if b.lost_before is not None)
    values = _joined(blocks, bits)
    return SoundTake(
        values=values[:wanted],
        rate_hz=stream.rate_hz,
        bits=bits,
        inputs=tuple(inputs),
        gaps=tuple(gap for gap in gaps if gap.start_s < min(wanted, len(values)) / stream.rate_hz),
        device=stream.device,
        cut_short=cut_short,
    )


def _collect(
    stream: SoundStream, wanted: int, on_progress: Callable[[float], None] | None
) -> tuple[list[StreamBlock], str | None]:
    """Read blocks until there are enough; return them and why there are fewer."""
    kept: list[StreamBlock] = []
    count = 0
    try:
        while count < wanted:
            block = stream.read(_POLL_S)
            if block is None:
                continue
            kept.append(block)
            count += len(block.values)
            if on_progress:
                on_progress(min(count, wanted) / stream.rate_hz)
    except DeviceError:
        if not kept:
            raise
        return kept, f"the device stopped after {count / stream.rate_hz:.1f} s"
    except KeyboardInterrupt:
        if not kept:
            raise
        return kept, f"stopped after {count / stream.rate_hz:.1f} s"
    return kept, None


def _joined(blocks: list[StreamBlock], bits: int) -> NDArray[np.int16] | NDArray[np.float32]:
    if bits == 16:
        return np.concatenate([block.values for block in blocks]).astype(np.int16, copy=False)
    return np.concatenate([block.samples() for block in blocks])
