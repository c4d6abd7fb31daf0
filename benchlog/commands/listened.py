"""Listening to an input: samples for the analysis, arrivals for the clock, nothing kept."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.errors import DeviceError, UsageError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from benchlog.capture.stream import SoundStream

__all__ = ["LONGEST_S", "Listened", "Source", "hear_file", "hear_input"]

LONGEST_S = 120.0
"""Seconds of samples that are looked at, at most."""

_SETTLE_S = 0.3
"""Left out at the beginning: inputs settle when they are opened."""

_LOOPBACK_SETTLE_S = 1.5
_LEAST_S = 1.0
_TIMEOUT_S = 1.0


@dataclass(frozen=True, slots=True)
class Source:
    """What to listen to.

    Attributes
    ----------
    device : str
        The sound input.
    rate_hz : float or None
        Samples per second; None for the device's own.
    inputs : tuple of int or None
        Which inputs, from 1; None for the first two that there are.
    seconds : float
        How long for the analysis.
    clock_s : float
        How long for the clock; 0 for not at all.
    loopback : str or None
        A sound output to play a train of pulses through meanwhile.
    """

    device: str
    rate_hz: float | None
    inputs: tuple[int, ...] | None
    seconds: float
    clock_s: float
    loopback: str | None


@dataclass(frozen=True, slots=True, eq=False)
class Listened:
    """What was heard, in memory only.

    Attributes
    ----------
    values : numpy.ndarray
        Shape (n, inputs), full scale at ±1.
    rate_hz : float
        Samples per second.
    quantum : float
        Quantisation step; 0 where it is not known.
    inputs : tuple of int
        The inputs' numbers, from 1.
    frame_count, arrival_s : numpy.ndarray
        Frames taken up to each block's end, and when it came; empty from a file.
    gap_count : int
        Places where samples were lost.
    cut_short : str or None
        Why there is less than was asked for.
    """

    values: NDArray[np.float32]
    rate_hz: float
    quantum: float
    inputs: tuple[int, ...]
    frame_count: NDArray[np.float64]
    arrival_s: NDArray[np.float64]
    gap_count: int
    cut_short: str | None


def hear_file(path: Path, inputs: tuple[int, ...] | None) -> Listened:
    """Read what a recording holds.

    Parameters
    ----------
    path : Path
        A sound recording; its first two minutes are read.
    inputs : tuple of int or None
        Which inputs, from 1; None for all.

    Returns
    -------
    Listened
        Without arrivals.

    Raises
    ------
    RecordingError
        It cannot be read.
    UsageError
        It holds edges and no sound, or not the inputs that are asked for.
    """
    import numpy as np

    from benchlog.capture.formats import open_recording

    recording = open_recording(path)
    if isinstance(recording, tuple):
        raise UsageError(
            f"{path} holds edges and no sound",
            expected="a recording of a sound input (WAV, FLAC)",
            attempt=f"benchlog measure {path}",
        )
    wanted = inputs or tuple(range(1, recording.input_count + 1))
    if max(wanted) > recording.input_count:
        raise UsageError(
            f"--channel-input {max(wanted)}",
            expected=f"an input from 1 to {recording.input_count}, as {path} has them",
            attempt="--channel-input 1",
        )
    most = round(LONGEST_S * recording.rate_hz)
    parts, count = [], 0
    for block in recording.blocks():
        parts.append(block[: most - count, [number - 1 for number in wanted]])
        count += parts[-1].shape[0]
        if count >= most:
            break
    values = np.concatenate(parts) if parts else np.zeros((0, len(wanted)), np.float32)
    none = np.empty(0)
    gaps = len(recording.gaps)
    return Listened(values, recording.rate_hz, recording.step, wanted, none, none, gaps, None)


def hear_input(source: Source, on_progress: Callable[[float], None]) -> Listened:
    """Listen to a sound input.

    Parameters
    ----------
    source : Source
        What to listen to.
    on_progress : callable
        Called with the share that is done.

    Returns
    -------
    Listened
        Cut short, with the reason, where the device stopped or the user did (Ctrl-C).

    Raises
    ------
    DeviceError
        It cannot be opened, or less than a second came.
    """
    from benchlog.capture.sound_inputs import find_input
    from benchlog.capture.stream import open_sound

    inputs = source.inputs or tuple(range(1, min(2, find_input(source.device).input_count) + 1))
    with (
        open_sound(source.device, source.rate_hz, inputs) as stream,
        _played(source.loopback, stream.rate_hz),
    ):
        return _gather(source, stream, inputs, on_progress)


@contextlib.contextmanager
def _played(device: str | None, rate_hz: float) -> Iterator[None]:
    """Play a train of pulses meanwhile, if that is wanted."""
    if device is None:
        yield
        return
    from benchlog.capture.sound_outputs import find_output, playing

    with playing(find_output(device), rate_hz):
        yield


def _gather(
    source: Source,
    stream: SoundStream,
    inputs: tuple[int, ...],
    on_progress: Callable[[float], None],
) -> Listened:
    """Take blocks until there are enough; samples beyond what is looked at are let go."""
    import numpy as np

    settle_s = _LOOPBACK_SETTLE_S if source.loopback else _SETTLE_S
    first, last = (
        round(settle_s * stream.rate_hz),
        round((settle_s + source.seconds) * stream.rate_hz),
    )
    total = max(last, round(source.clock_s * stream.rate_hz))
    parts: list[NDArray[np.float32]] = []
    ends: list[float] = []
    arrivals: list[float] = []
    taken, gaps, cut_short = 0, 0, None
    try:
        while taken < total:
            block = stream.read(_TIMEOUT_S)
            if block is None:
                continue
            values = block.samples()
            gaps += block.lost_before is not None
            parts.append(values[max(0, first - taken) : max(0, last - taken)])
            taken += values.shape[0]
            ends.append(float(block.first_frame + values.shape[0]))
            arrivals.append(block.time_s)
            on_progress(min(1.0, taken / total))
    except KeyboardInterrupt:
        cut_short = "it was stopped"
    except DeviceError as error:
        cut_short = error.found
    kept = np.concatenate(parts) if parts else np.zeros((0, len(inputs)), np.float32)
    if cut_short is not None and kept.shape[0] < _LEAST_S * stream.rate_hz:
        if cut_short == "it was stopped":
            raise KeyboardInterrupt
        raise DeviceError(
            cut_short,
            expected=f"{source.seconds:g} s of sound",
            attempt="plugging it in again, or another one from benchlog inputs",
        )
    quantum = 2.0 ** (1 - stream.bits) if stream.bits in (16, 24) else 0.0
    return Listened(
        kept,
        stream.rate_hz,
        quantum,
        inputs,
        np.array(ends),
        np.array(arrivals),
        gaps,
        cut_short,
    )
