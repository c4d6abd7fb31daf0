"""What `diagnose --on-the-beat` and `--compare` share: device, bench, and what is known."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.diagnosed import Asked
from benchlog.commands.options import read_number
from benchlog.errors import MeasurementError, UsageError

if TYPE_CHECKING:
    from benchlog.capture.sidecar import Sidecar
    from benchlog.capture.store import Bench
    from benchlog.channel.design import Design
    from benchlog.commands.takes import Device
    from benchlog.diagnosis.cycles import Cycles
    from benchlog.diagnosis.finding import Heard
    from benchlog.diagnosis.separation.directions import Direction

__all__ = [
    "LiveWords",
    "hear_file",
    "list_heard",
    "open_live",
    "read_live",
]


@dataclass(frozen=True, slots=True)
class LiveWords:
    """What was typed of where to listen.

    Attributes
    ----------
    sound, port, channel_input, rate, baud : str or None
        As the options of these names.
    at : str or None
        The knob's angle.
    bench : str or None
        The bench folder, where one was named.
    asked : Asked
        How recordings are to be taken.
    """

    sound: str | None = None
    port: str | None = None
    channel_input: str | None = None
    rate: str | None = None
    baud: str | None = None
    at: str | None = None
    bench: str | None = None
    asked: Asked = field(default_factory=Asked)

    @property
    def device(self) -> str:
        """The option that names the device, for what is proposed."""
        return f"--port {self.port}" if self.port is not None else f"--input {self.sound}"

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
    """Open the bench folder, find the channel's design, and see that the device is there.

    The cautions are shown before the first record of a bench folder.
    """
    from benchlog.capture.store import open_bench, read_design
    from benchlog.commands.capture import caution_at_first, check_device

    bench = open_bench(Path(words.bench) if words.bench is not None else None)
    path = bench.design_path(channel)
    design = None
    if len(words.asked.designs) > 1:
        raise UsageError(
            f"--design {len(words.asked.designs)} times with something to listen to",
            expected="the design of the channel that is listened to",
            attempt=f"--design {words.asked.designs[0]}",
        )
    if words.asked.designs:
        design = read_design(Path(words.asked.designs[0]))
    elif path.exists() or not _is_known(bench, channel):
        design = read_design(path)  # one that is mistyped is refused with the names there are
    if design is not None and words.at is not None:
        _check_angle(words.at, design.knob.travel_deg)
    check_device(device)
    caution_at_first(bench)
    return bench, design


def _is_known(bench: Bench, channel: str) -> bool:
    """Tell whether a channel has a folder, in a bench folder where any channel has one."""
    known = bench.channels()
    return not known or channel in known


def _check_angle(at: str, travel_deg: float) -> None:
    """Refuse an angle that the knob cannot have."""
    knob_deg = read_number(at, "--at", "degrees", low=-3600.0, high=3600.0)
    if not 0.0 <= knob_deg <= travel_deg:
        raise UsageError(
            f"--at {knob_deg:g}",
            expected=f"an angle of this knob, 0 to {travel_deg:g} degrees",
            attempt=f"--at {min(max(knob_deg, 0.0), travel_deg):g}",
        )


def hear_file(words: LiveWords, path: Path) -> tuple[Heard, Sidecar | None]:
    """Measure one input of a recording with what is known of it.

    Parameters
    ----------
    words : LiveWords
        What was typed; without an input among it the first that has pulses is taken.
    path : Path
        The recording.

    Returns
    -------
    tuple
        What was heard, and its sidecar.

    Raises
    ------
    RecordingError, MeasurementError, DesignError, UsageError
        It cannot be read, or holds no pulses there.
    """
    from benchlog.commands.diagnosed import find_cases
    from benchlog.commands.diagnosed_inputs import hear_case, list_untold
    from benchlog.show.terminal import warn

    [case] = find_cases([str(path)], words.asked, bench=words.bench, together=False)
    heard, still, failures = hear_case(case, words.asked)
    if failures:
        raise failures[0]
    if not heard:
        raise still[0].absence
    for notice in list_untold(heard[0].measurement):
        warn(f"{path}: {notice.text}")
    return heard[0], case.recordings[0].sidecar


def list_heard(heard: Heard) -> tuple[Cycles, tuple[Direction, ...]]:
    """Return the whole cycles of what was heard, and how each cause would move them.

    Raises
    ------
    MeasurementError
        There are hardly any.
    """
    from benchlog.diagnosis.cycles import list_cycles
    from benchlog.diagnosis.findings import find_heard_directions
    from benchlog.diagnosis.train.events import find_events

    cycles = list_cycles(heard.measurement, find_events(heard.measurement).spoilt)
    if cycles.count < 8:
        raise MeasurementError(
            f"{heard.file} holds {cycles.count} whole cycles",
            expected="a train of pulses for some seconds",
            attempt="'benchlog listen --input DEVICE', to see what the input hears",
        )
    return cycles, find_heard_directions(heard, cycles)
