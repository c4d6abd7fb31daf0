"""Where live readings come from: a sound input, a serial probe, or a file replayed."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.recent import RecentEdges, RecentSound
from benchlog.commands.options import Level
from benchlog.recording import EdgeList, Gap, Samples
from benchlog.timing.live import LiveEdges, LivePulses

if TYPE_CHECKING:
    from benchlog.capture.stream import ProbeStream, SoundStream
    from benchlog.timing.live_reading import LiveReading

__all__ = ["FileSource", "LiveSource", "Minute", "ProbeSource", "SoundSource"]

LATENCY_S = 0.1
"""What a sound input may gather before it delivers."""

_BLOCK_S = 0.05
_EDGE_READ_S = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Minute:
    """The last minute of one input, to be written as a record.

    Attributes
    ----------
    sound : Samples or None
        Of a sound input.
    edges : EdgeList or None
        Of a probe.
    """

    sound: Samples | None
    edges: EdgeList | None

    @property
    def duration_s(self) -> float:
        """How much it is, seconds."""
        if self.sound is not None:
            return (self.sound.frame_count or 0) / self.sound.rate_hz
        return self.edges.end_s - self.edges.start_s if self.edges is not None else 0.0


class LiveSource(Protocol):
    """What is watched."""

    @property
    def name(self) -> str:
        """What to call it."""

    @property
    def inputs(self) -> Sequence[int]:
        """Its inputs' numbers, from 1."""

    @property
    def can_return(self) -> bool:
        """Whether it can be unplugged and come back."""

    def open(self) -> None:
        """Begin, or begin again; DeviceError where it is not there."""

    def read(self, timeout_s: float) -> tuple[LiveReading, ...] | None:
        """Return readings that are new, None at the end; DeviceError where it is gone."""

    def close(self) -> None:
        """End; a second time does nothing."""

    def minute(self, input_: int) -> Minute | None:
        """Return the last minute of an input; None where it cannot be had."""

    def cut(self, input_: int, begin_s: float, end_s: float) -> Minute | None:
        """Return a stretch of it, on the scale of the readings' ``heard_s``; None likewise."""


class SoundSource:
    """A sound input.

    Parameters
    ----------
    device : str
        Its number or part of its name.
    rate_hz : float or None
        Samples per second; its own if None.
    inputs : sequence of int
        Which of its inputs, from 1.
    level : str or None
        The active level, where it is known.
    """

    can_return = True

    def __init__(
        self, device: str, rate_hz: float | None, inputs: Sequence[int], level: Level | None
    ) -> None:
        self.name = device
        self.inputs = tuple(inputs)
        self._rate_hz = rate_hz
        self._level: Level | None = level
        self._stream: SoundStream | None = None
        self._pulses: LivePulses | None = None
        self._recent: RecentSound | None = None
        self._was_open = False
        self._took_s = 0.0

    def open(self) -> None:
        """Open the device; by its whole name where it was open before."""
        from benchlog.capture.replugged import reopen_sound
        from benchlog.capture.stream import open_sound

        begin = reopen_sound if self._was_open else open_sound
        stream = begin(self.name, self._rate_hz, self.inputs, LATENCY_S)
        self._stream, self._was_open, self.name = stream, True, stream.device
        self._pulses = LivePulses(stream.rate_hz, self.inputs, active_level=self._level)
        self._recent = RecentSound(stream.rate_hz)

    def read(self, timeout_s: float) -> tuple[LiveReading, ...] | None:
        """Take blocks, some twentieth of a second together: many small steps cost more than few."""
        assert self._stream is not None
        assert self._pulses is not None
        assert self._recent is not None
        # Waking up for every block of the device costs more than all that is done with it.
        time.sleep(max(0.0, min(timeout_s, self._took_s + _BLOCK_S - time.monotonic())))
        readings: tuple[LiveReading, ...] = ()
        held: list[NDArray[np.float32]] = []
        wait_s = timeout_s
        while (block := self._stream.read(wait_s)) is not None:
            wait_s = 0.0
            if block.lost_before is not None:
                if held:
                    readings += self._pulses.add(np.concatenate(held))
                readings += self._pulses.add(block.samples(), block.lost_before)
                held = []
            else:
                held.append(block.samples())
            self._recent.add(block.values, block.lost_before)
        self._took_s = time.monotonic()
        return readings + (self._pulses.add(np.concatenate(held)) if held else ())

    def close(self) -> None:
        """Close the device."""
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.close()

    def minute(self, input_: int) -> Minute | None:
        """Return the last minute of an input."""
        if self._recent is None or not self._recent.duration_s:
            return None
        return Minute(self._recent.take(self.inputs.index(input_)), None)

    def cut(self, input_: int, begin_s: float, end_s: float) -> Minute | None:
        """Return a stretch of the last minute of an input."""
        if self._recent is None:
            return None
        sound = self._recent.cut(self.inputs.index(input_), begin_s, end_s)
        return Minute(sound, None) if sound is not None else None


class ProbeSource:
    """A serial probe.

    Parameters
    ----------
    port : str
        The port's name.
    baud : int
        Bits per second.
    level : str or None
        The active level, where it is known.
    """

    can_return = True
    inputs = (1,)

    def __init__(self, port: str, baud: int, level: Level | None) -> None:
        self.name = port
        self._baud = baud
        self._level: Level | None = level
        self._stream: ProbeStream | None = None
        self._edges: LiveEdges | None = None
        self._recent: RecentEdges | None = None
        self._last_s = 0.0
        self._came_s = 0.0

    def open(self) -> None:
        """Open the port and wait for the probe's header."""
        from benchlog.capture.stream import open_probe

        self._stream = open_probe(self.name, self._baud)
        self._edges = LiveEdges(self._stream.resolution_s, active_level=self._level)
        self._recent = RecentEdges(self._stream.resolution_s)
        self._last_s, self._came_s = 0.0, time.monotonic()

    def read(self, timeout_s: float) -> tuple[LiveReading, ...] | None:
        """Gather edges for a tenth of a second."""
        assert self._stream is not None
        assert self._edges is not None
        assert self._recent is not None
        until_s = time.monotonic() + min(timeout_s, _EDGE_READ_S)
        times: list[NDArray[np.float64]] = [np.empty(0)]
        levels: list[NDArray[np.bool_]] = [np.empty(0, bool)]
        gaps: list[Gap] = []
        garbled = 0
        while (left_s := until_s - time.monotonic()) > 0:
            block = self._stream.read(left_s)
            if block is None:
                continue
            times.append(block.time_s)
            levels.append(block.level)
            gaps += block.gaps
            garbled += block.garbled_count
            if block.time_s.shape[0]:
                self._last_s, self._came_s = float(block.time_s[-1]), block.came_s
        time_s, level = np.concatenate(times), np.concatenate(levels)
        self._recent.add(time_s, level, tuple(gaps), garbled)
        heard_s = self._last_s + time.monotonic() - self._came_s
        return self._edges.add(time_s, level, heard_s, gaps=tuple(gaps), garbled_count=garbled)

    def close(self) -> None:
        """Close the port."""
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.close()

    def minute(self, input_: int) -> Minute | None:
        """Return the last minute."""
        if self._recent is None or not self._recent.duration_s:
            return None
        return Minute(None, self._recent.take())

    def cut(self, input_: int, begin_s: float, end_s: float) -> Minute | None:
        """Return a stretch of the last minute."""
        edges = self._recent.cut(begin_s, end_s) if self._recent is not None else None
        return Minute(None, edges) if edges is not None else None


class FileSource:
    """A recording, replayed.

    Parameters
    ----------
    path : Path
        Its file, for the name.
    recording : Samples or tuple of EdgeList
        What it holds.
    level : str or None
        The active level, where it is known.
    inputs : sequence of int
        Which inputs, from 1; all if empty.
    fast : bool
        Whether to go as fast as possible, in place of as fast as it was recorded.
    """

    can_return = False

    def __init__(
        self,
        path: Path,
        recording: Samples | tuple[EdgeList, ...],
        level: Level | None,
        inputs: Sequence[int],
        *,
        fast: bool,
    ) -> None:
        self.name = path.name
        count = recording.input_count if isinstance(recording, Samples) else len(recording)
        self.inputs = tuple(inputs) or tuple(range(1, count + 1))
        self._fast = fast
        if isinstance(recording, Samples):
            self._steps = _replay_samples(recording, self.inputs, level)
        else:
            self._steps = _replay_edges(recording, self.inputs, level)
        self._began_s = 0.0
        self._next: tuple[float, tuple[LiveReading, ...]] | None = None

    def open(self) -> None:
        """Begin the replay."""
        self._began_s = time.monotonic()

    def read(self, timeout_s: float) -> tuple[LiveReading, ...] | None:
        """Take what is due; None at the end."""
        if self._next is None:
            self._next = next(self._steps, None)
        if self._next is None:
            return None
        at_s, readings = self._next
        wait_s = 0.0 if self._fast else self._began_s + at_s - time.monotonic()
        if wait_s > timeout_s:
            time.sleep(timeout_s)
            return ()
        if wait_s > 0:
            time.sleep(wait_s)
        self._next = None
        return readings

    def close(self) -> None:
        """Do nothing: the file is closed at its end."""

    def minute(self, input_: int) -> Minute | None:
        """Return None: it is a record already."""
        return None

    def cut(self, input_: int, begin_s: float, end_s: float) -> Minute | None:
        """Return None: it is a record already."""
        return None


def _replay_samples(
    samples: Samples, inputs: Sequence[int], level: Level | None
) -> Iterator[tuple[float, tuple[LiveReading, ...]]]:
    """Measure samples block by block; yields when each is due, and its readings."""
    pulses = LivePulses(samples.rate_hz, inputs, active_level=level)
    columns = [number - 1 for number in inputs]
    gaps = sorted(samples.gaps, key=lambda gap: gap.start_s)
    size = max(1, round(_BLOCK_S * samples.rate_hz))
    frame = 0
    for block in samples.blocks(size):
        lost = None
        # a gap counts at the border of the block that it lies in
        while gaps and gaps[0].start_s * samples.rate_hz < frame + block.shape[0]:
            lost = Gap(gaps[0].start_s, gaps[0].length_s + (lost.length_s if lost else 0.0))
            gaps.pop(0)
        frame += block.shape[0]
        yield frame / samples.rate_hz, pulses.add(block[:, columns], lost)
    yield frame / samples.rate_hz, pulses.finish()


def _replay_edges(
    lists: tuple[EdgeList, ...], inputs: Sequence[int], level: Level | None
) -> Iterator[tuple[float, tuple[LiveReading, ...]]]:
    """Measure edge lists a tenth of a second at a time."""
    chosen = [(number, lists[number - 1]) for number in inputs]
    measured = [LiveEdges(one.resolution_s, number, active_level=level) for number, one in chosen]
    start_s = min(one.start_s for _, one in chosen)
    end_s = max(one.end_s for _, one in chosen)
    done = [0] * len(chosen)
    for step in range(1, int((end_s - start_s) / _EDGE_READ_S) + 2):
        until_s = min(start_s + step * _EDGE_READ_S, end_s)
        readings: list[LiveReading] = []
        for index, ((_, one), live) in enumerate(zip(chosen, measured, strict=True)):
            last = int(np.searchsorted(one.time_s, until_s, side="right"))
            part = slice(done[index], last)
            before_s = until_s - _EDGE_READ_S
            gaps = tuple(
                Gap(gap.start_s - start_s, gap.length_s)
                for gap in one.gaps
                if before_s <= gap.start_s < until_s
            )
            done[index] = last
            time_s = one.time_s[part] - start_s
            readings += live.add(time_s, one.level[part], until_s - start_s, gaps=gaps)
        yield until_s - start_s, tuple(readings)
