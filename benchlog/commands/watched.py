"""What `benchlog watch` watches: its words sorted, its source made, its inputs described."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.commands.options import Level, read_number
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.calibration.live_verdict import DesignReference
    from benchlog.capture.store import Bench
    from benchlog.channel.design import Design
    from benchlog.commands.live_sources import LiveSource

__all__ = [
    "Watched",
    "describe_inputs",
    "make_source",
    "read_inputs",
    "read_optional",
    "sort_targets",
]

_SUFFIXES = (".wav", ".flac", ".vcd", ".csv", ".log", ".rf64")
_MOST_INPUTS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """One input, and what is known of it.

    Attributes
    ----------
    input : int
        The input's number, from 1.
    channel : str or None
        The channel that is on it.
    knob_deg : float or None
        Where its knob stands.
    design : Design or None
        What it should be.
    reference : DesignReference or None
        The same, worked out.
    """

    input: int
    channel: str | None = None
    knob_deg: float | None = None
    design: Design | None = None
    reference: DesignReference | None = None

    @property
    def title(self) -> str:
        """What to call it."""
        return self.channel or f"input {self.input}"


def sort_targets(targets: list[str]) -> tuple[list[str], Path | None]:
    """Tell channels from the file."""
    channels: list[str] = []
    files: list[Path] = []
    for one in targets:
        path = Path(one)
        looks = path.suffix.lower() in _SUFFIXES or "/" in one or "\\" in one
        if looks or path.is_file():
            files.append(path)
        else:
            channels.append(one)
    if len(files) > 1:
        raise UsageError(
            f"{len(files)} files ({files[0]}, {files[1]})",
            expected="one recording to replay",
            attempt=f"benchlog watch {files[0]}",
        )
    return channels, files[0] if files else None


def read_optional(
    text: str | None, option: str, unit: str, low: float, high: float
) -> float | None:
    """Read a number where one is given."""
    return None if text is None else read_number(text, option, unit, low=low, high=high)


def read_inputs(given: list[str] | None, channel_count: int) -> list[int]:
    """Read --channel-input; as many inputs as channels where it is not given."""
    numbers = []
    for text in given or []:
        number = read_number(text, "--channel-input", "an input", low=1, high=1024)
        if number != int(number) or int(number) in numbers:
            raise UsageError(
                f"--channel-input '{text}'",
                expected="a whole number from 1, each once",
                attempt="--channel-input 1",
            )
        numbers.append(int(number))
    most = max(len(numbers), channel_count)
    if most > _MOST_INPUTS:
        raise UsageError(
            f"{most} inputs at once",
            expected=f"at most {_MOST_INPUTS}",
            attempt="watching fewer of them",
        )
    if numbers and channel_count > len(numbers):
        raise UsageError(
            f"{channel_count} channels for {len(numbers)} --channel-input",
            expected="an input for each channel",
            attempt="--channel-input once for each",
        )
    return numbers


def make_source(
    sound: str | None,
    port: str | None,
    file: Path | None,
    numbers: list[int],
    level: Level | None,
    rate: str | None,
    baud: str | None,
    signal: str | None,
    fast: bool,
) -> LiveSource:
    """Make what is watched."""
    from benchlog.capture.serial_ports import BAUD
    from benchlog.commands.live_sources import ProbeSource, SoundSource

    if file is not None:
        return _make_replay(file, numbers, level, signal, fast)
    if port is not None:
        bits = read_optional(baud, "--baud", "bits per second", 50.0, 20e6)
        return ProbeSource(port, int(bits) if bits is not None else BAUD, level)
    rate_hz = read_optional(rate, "--rate", "samples per second", 1000.0, 768000.0)
    return SoundSource(sound or "", rate_hz, numbers or [1], level)


def _make_replay(
    file: Path, numbers: list[int], level: Level | None, signal: str | None, fast: bool
) -> LiveSource:
    """Open a recording to be replayed, with what its sidecar says of it."""
    import dataclasses

    from benchlog.capture.formats import open_recording
    from benchlog.commands.live_sources import FileSource
    from benchlog.commands.recordings import read_beside
    from benchlog.recording import Samples

    recording = open_recording(file, signal=signal)
    sidecar = read_beside(file)
    if sidecar is not None:
        level = level or sidecar.active_level
        if isinstance(recording, Samples):
            recording = dataclasses.replace(recording, gaps=recording.gaps + sidecar.gaps)
    count = recording.input_count if isinstance(recording, Samples) else len(recording)
    if numbers and max(numbers) > count:
        raise UsageError(
            f"--channel-input {max(numbers)}",
            expected=f"one of the {count} inputs of {file}",
            attempt="--channel-input 1",
        )
    return FileSource(
        file, recording, level, numbers or list(range(1, count + 1))[:_MOST_INPUTS], fast=fast
    )


def describe_inputs(
    source: LiveSource,
    channels: list[str],
    angles: list[float],
    design: str | None,
    bench: Bench | None,
    known: dict[str, Any],
) -> tuple[Watched, ...]:
    """Join each input with its channel, knob angle and design."""
    from benchlog.calibration.live_verdict import DesignReference

    if len(channels) > len(source.inputs):
        raise UsageError(
            f"{len(channels)} channels",
            expected=f"at most {len(source.inputs)}, one an input of {source.name}",
            attempt=f"benchlog watch {channels[0]}",
        )
    if len(angles) > 1 and len(angles) != max(1, len(channels)):
        raise UsageError(
            f"--at {len(angles)} times for {len(channels)} channels",
            expected="once, or once a channel",
            attempt="--at DEG",
        )
    inputs = []
    for index, number in enumerate(source.inputs):
        channel = channels[index] if index < len(channels) else None
        angle = None
        if angles:
            angle = angles[index] if len(angles) > 1 and index < len(angles) else angles[0]
        plan = _find_design(design, channel, bench)
        reference = None
        if plan is not None:
            reference = DesignReference(
                plan, angle, supply_v=known["supply_v"], temperature_c=known["temperature_c"]
            )
        inputs.append(Watched(number, channel, angle, plan, reference))
    return tuple(inputs)


def _find_design(design: str | None, channel: str | None, bench: Bench | None) -> Design | None:
    """Read the design that is named, else the channel's where it has one."""
    from benchlog.capture.store import read_design

    if design is not None:
        return read_design(Path(design))
    if channel is None or bench is None:
        return None
    path = bench.design_path(channel)
    if path.exists() or not (bench.captures / channel).is_dir():
        return read_design(path)
    return None
