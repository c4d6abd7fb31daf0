"""What `diagnose --on-the-beat` and `--compare` share: device, bench, and what is known."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.options import Level, read_number
from benchlog.errors import MeasurementError, UsageError

if TYPE_CHECKING:
    from benchlog.capture.sidecar import Sidecar
    from benchlog.capture.store import Bench
    from benchlog.channel.design import Design
    from benchlog.commands.takes import Device
    from benchlog.diagnosis.cycles import Cycles
    from benchlog.diagnosis.finding import Heard
    from benchlog.diagnosis.separation.directions import Direction

__all__ = ["LiveWords", "hear_file", "list_heard", "open_live", "read_live"]


@dataclass(frozen=True, slots=True)
class LiveWords:
    """What was typed of where to listen.

    Attributes
    ----------
    sound, port, channel_input, rate, baud : str or None
        As the options of these names.
    at : str or None
        The knob's angle.
    design, bench : str or None
        Files.
    active, supply : str or None
        The level of a pulse, and the supply.
    """

    sound: str | None = None
    port: str | None = None
    channel_input: str | None = None
    rate: str | None = None
    baud: str | None = None
    at: str | None = None
    design: str | None = None
    bench: str | None = None
    active: Level | None = None
    supply: float | None = None

    @property
    def is_live(self) -> bool:
        """Whether something is to be listened to."""
        return self.sound is not None or self.port is not None


def read_live(words: LiveWords, seconds: float, what: str) -> tuple[Device, float]:
    """Read what to record from, and where the knob stands.

    Parameters
    ----------
    words : LiveWords
        What was typed.
    seconds : float
        How long each recording is to be.
    what : str
        The option that asks for it, for messages.

    Returns
    -------
    tuple
        The device and the knob's angle, degrees.

    Raises
    ------
    UsageError
        Not one device, or no angle.
    """
    from benchlog.commands.takes import Device
    from benchlog.commands.watched import read_inputs, read_optional

    if words.sound is not None and words.port is not None:
        raise UsageError(
            "--input together with --port", expected="one of the two", attempt="--input"
        )
    numbers = read_inputs([words.channel_input] if words.channel_input is not None else None, 1)
    if words.at is None:
        raise UsageError(
            f"{what} without --at",
            expected="where the knob stands: it is kept with the recording",
            attempt="--at 135, degrees clockwise from its anticlockwise stop",
        )
    bits = read_optional(words.baud, "--baud", "bits per second", 50.0, 20e6)
    return (
        Device(
            sound=words.sound,
            port=words.port,
            channel_input=numbers[0] if numbers else 1,
            rate_hz=read_optional(words.rate, "--rate", "samples per second", 1000.0, 768000.0),
            baud=int(bits) if bits is not None else None,
            seconds=seconds,
        ),
        read_number(words.at, "--at", "degrees", low=-3600.0, high=3600.0),
    )


def open_live(words: LiveWords, channel: str, device: Device) -> tuple[Bench, Design | None]:
    """Open the bench folder, find the channel's design, and see that the device is there."""
    from benchlog.capture.store import open_bench, read_design
    from benchlog.commands.capture import check_device

    bench = open_bench(Path(words.bench) if words.bench is not None else None)
    path = bench.design_path(channel)
    design = None
    if words.design is not None:
        design = read_design(Path(words.design))
    elif path.exists():
        design = read_design(path)
    check_device(device)
    return bench, design


def hear_file(
    words: LiveWords, path: Path, input_: int | None = None
) -> tuple[Heard, Sidecar | None]:
    """Measure one input of a recording with what is known of it.

    Parameters
    ----------
    words : LiveWords
        What was typed.
    path : Path
        The recording.
    input_ : int or None
        Which input, from 1; the first that has pulses if None.

    Returns
    -------
    tuple
        What was heard, and its sidecar.

    Raises
    ------
    RecordingError, MeasurementError, DesignError
        It cannot be read, or holds no pulses there.
    """
    from benchlog.commands.diagnosed import find_cases, hear_case

    [case] = find_cases([str(path)], design=words.design, bench=words.bench, together=False)
    heard, failures = hear_case(case, level=words.active, signal=None, supply_v=words.supply)
    if failures:
        raise failures[0]
    for one in heard:
        if input_ is None or one.measurement.input == input_:
            return one, case.recordings[0].sidecar
    raise MeasurementError(
        f"input {input_} of {path} holds no pulses",
        expected="a train of pulses",
        attempt="another --channel-input",
    )


def list_heard(heard: Heard) -> tuple[Cycles, tuple[Direction, ...]]:
    """Return the whole cycles of what was heard, and how each cause would move them.

    Raises
    ------
    MeasurementError
        There are hardly any.
    """
    import numpy as np

    from benchlog.diagnosis.cycles import list_cycles
    from benchlog.diagnosis.separation.directions import find_directions
    from benchlog.diagnosis.train.events import find_events

    cycles = list_cycles(heard.measurement, find_events(heard.measurement).spoilt)
    if cycles.count < 8:
        raise MeasurementError(
            f"{heard.file} holds {cycles.count} whole cycles",
            expected="a train of pulses for some seconds",
            attempt="benchlog listen, to see what the input hears",
        )
    return cycles, find_directions(
        float(np.mean(cycles.on_s)),
        float(np.mean(cycles.off_s)),
        heard.design,
        supply_v=heard.supply_v,
        temperature_c=heard.temperature_c,
    )
