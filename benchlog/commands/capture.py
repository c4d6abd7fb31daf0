"""`benchlog capture`: record one knob position."""

from __future__ import annotations

import contextlib
import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchlog.commands.options import (
    BaudOption,
    BenchOption,
    InputOption,
    JsonOption,
    KeptProfileOption,
    PortOption,
    RateOption,
    SupplyOption,
    TemperatureOption,
    read_choice,
    read_level,
    read_number,
)
from benchlog.errors import BenchlogError, DeviceError, StoreError, UsageError

if TYPE_CHECKING:
    from benchlog.capture.recorder import Kept
    from benchlog.capture.store import Bench
    from benchlog.commands.takes import Device
    from benchlog.timing.pulses import Measurement

__all__ = ["capture_position", "caution_at_first", "check_device"]

LONGEST_S = 3600.0
HIGHEST_RATE_HZ = 768000.0


def capture_position(
    channel: Annotated[
        str, typer.Argument(metavar="CHANNEL", help="The channel's name.", show_default=False)
    ],
    at: Annotated[
        str,
        typer.Option(
            "--at",
            "--knob",
            metavar="DEG",
            help="Where the knob stands, in degrees clockwise from its anticlockwise stop.",
            show_default=False,
        ),
    ],
    sound_input: InputOption = None,
    port: PortOption = None,
    seconds: Annotated[
        str, typer.Option("--seconds", metavar="S", help="How long to record.")
    ] = "5",
    rate: RateOption = None,
    channel_input: Annotated[
        str,
        typer.Option(
            "--channel-input",
            metavar="N",
            help="Which input of the sound device, from 1 (left) on.",
        ),
    ] = "1",
    baud: BaudOption = None,
    active: Annotated[
        str | None,
        typer.Option(
            "--active",
            metavar="high|low",
            help="Which level is the pulse in this recording; else it is found out.",
            show_default=False,
        ),
    ] = None,
    direction: Annotated[
        str | None,
        typer.Option(
            "--direction",
            metavar="up|down",
            help="Whether the knob was turned up or down to get there.",
            show_default=False,
        ),
    ] = None,
    supply: SupplyOption = None,
    temperature: TemperatureOption = None,
    servo: Annotated[
        str | None,
        typer.Option(
            "--servo",
            metavar="unplugged|idle|moving",
            help="What the servo does meanwhile.",
            show_default=False,
        ),
    ] = None,
    note: Annotated[
        str | None,
        typer.Option(
            "--note", metavar="TEXT", help="Words to keep with the record.", show_default=False
        ),
    ] = None,
    profile: KeptProfileOption = None,
    sweep: Annotated[
        str | None,
        typer.Option(
            "--sweep",
            metavar="STAMP",
            help="The sweep that this record belongs to, such as 20260901T100000Z.",
            show_default=False,
        ),
    ] = None,
    make_bench: Annotated[
        bool, typer.Option("--make-bench", help="Make the bench folder where there is none.")
    ] = False,
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """Record one knob position of a channel, keep it in the bench folder, and measure it.

    One of --input and --port must be given. What comes is on the disk at once, so a crash, a full
    disk or an unplugged device loses no more than the last moment, and Ctrl-C keeps what is there
    as a whole record.

    Exit status 1 says that something spoils the figures or cut the recording short, 2 that
    there is no pulse to measure; what was recorded is kept all the same.
    """
    device = _read_device(sound_input, port, channel_input, rate, baud, seconds)
    known: dict[str, Any] = {
        "knob_deg": read_number(at, "--at", "degrees", low=-3600.0, high=3600.0),
        "direction": read_choice(direction, "--direction", ("up", "down")),
        "servo": read_choice(servo, "--servo", ("unplugged", "idle", "moving")),
        "active_level": read_level(active),
        "supply_v": _read_optional(supply, "--supply", "volts", 0.0, 100.0),
        "temperature_c": _read_optional(
            temperature, "--temperature", "degrees Celsius", -100.0, 200.0
        ),
        "note": note,
        "profile": profile,
        "sweep": _read_sweep(sweep),
    }
    opened = _open(bench, make_bench=make_bench)
    _check_place(opened, channel)
    check_device(device)
    caution_at_first(opened)
    kept, measured = _record(opened, channel, device, known)
    return _present(kept, measured, json_output)


def _read_device(
    sound: str | None,
    port: str | None,
    channel_input: str,
    rate: str | None,
    baud: str | None,
    seconds: str,
) -> Device:
    """Read what to record from; one device, and no other than the one that was chosen."""
    from benchlog.commands.takes import Device

    if (sound is None) == (port is None):
        both = sound is not None
        raise UsageError(
            "both --input and --port" if both else "capture without a device",
            expected="either --input DEVICE (sound) or --port PORT (serial probe)",
            attempt="benchlog inputs, to see what there is",
        )
    number = read_number(channel_input, "--channel-input", "an input", low=1, high=1024)
    if number != int(number):
        raise UsageError(
            f"--channel-input '{channel_input}'",
            expected="a whole number from 1",
            attempt="--channel-input 1",
        )
    bits = _read_optional(baud, "--baud", "bits per second", 50.0, 20e6)
    return Device(
        sound=sound,
        port=port,
        channel_input=int(number),
        rate_hz=_read_optional(rate, "--rate", "samples per second", 1000.0, HIGHEST_RATE_HZ),
        baud=int(bits) if bits is not None else None,
        seconds=read_number(seconds, "--seconds", "seconds", low=0.1, high=LONGEST_S),
    )


def _read_optional(
    text: str | None, option: str, unit: str, low: float, high: float
) -> float | None:
    """Read a number where one is given."""
    return None if text is None else read_number(text, option, unit, low=low, high=high)


def _read_sweep(text: str | None) -> str | None:
    """Read a stamp where one is given."""
    from benchlog.capture.sidecar import is_stamp

    if text is None or is_stamp(text):
        return text
    raise UsageError(
        f"--sweep '{text}'",
        expected="a stamp in UTC such as 20260901T100000Z",
        attempt="the stamp of the sweep's start",
    )


def _open(bench: str | None, *, make_bench: bool) -> Bench:
    """Open the bench folder, or make it where that is asked for."""
    from benchlog.capture import store

    folder = Path(bench) if bench is not None else None
    if make_bench:
        named = os.environ.get("BENCHLOG_BENCH")
        return store.make_bench(folder or Path(named or "."))
    return store.open_bench(folder)


def _check_place(bench: Bench, channel: str) -> None:
    """Refuse a channel's name or a folder that could not take the record, before recording."""
    bench.design_path(channel)
    folder = bench.captures
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    if not os.access(folder, os.W_OK):
        raise StoreError(
            f"{folder} cannot be written",
            expected="a bench folder that you may write to",
            attempt="changing its permissions, or another bench folder with --bench FOLDER",
        )


def check_device(device: Device) -> None:
    """Refuse a device that is not there before anything else is shown.

    Parameters
    ----------
    device : Device
        What is to be recorded from.

    Raises
    ------
    DeviceError
        It is not there.
    """
    from benchlog.capture import probe, sound

    if device.sound is not None:
        sound.find_input(device.sound)
    elif device.port is not None and not _port_is_there(device.port):
        names = ", ".join(one.name for one in probe.list_ports()) or "none"
        raise DeviceError(
            f"there is no serial port {device.port}",
            expected=f"a port of this computer ({names})",
            attempt="benchlog inputs",
        )


def _port_is_there(port: str) -> bool:
    """Tell whether a port exists, as far as that can be known without opening it."""
    from benchlog.capture import probe

    if os.name == "nt" or "://" in port:
        return True
    return os.path.exists(port) or any(one.name == port for one in probe.list_ports())


def caution_at_first(bench: Bench) -> None:
    """Show the cautions while the bench folder holds no record yet.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    """
    from benchlog.show.cautions import show_cautions

    if not any(path.suffix == ".json" for path in bench.captures.glob("*/*")):
        show_cautions()


def _record(
    bench: Bench, channel: str, device: Device, known: dict[str, Any]
) -> tuple[Kept, tuple[Measurement, ...] | BenchlogError]:
    """Record and measure; what holds no pulse is set aside."""
    from datetime import UTC, datetime

    from benchlog.capture.claims import update_sidecar
    from benchlog.capture.sidecar import Sidecar
    from benchlog.commands.takes import keep
    from benchlog.show.terminal import warn

    started = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    sidecar = Sidecar(
        channel=channel,
        recorded_utc=started,
        source="serial probe" if device.port is not None else "sound input",
        input=device.channel_input if device.sound is not None else None,
        **known,
    )
    kept = keep(bench, device, sidecar)
    for line in _tell_end(kept):
        warn(line)
    if not kept.record.path.exists():
        return kept, StoreError(
            f"{kept.record.path} is not there any more",
            expected="the folder where it was when recording began",
            attempt="looking where the folder was moved to: what was recorded lies in it",
        )
    try:
        return kept, _measure(kept)
    except BenchlogError as error:
        aside = f"no pulse when it was recorded: {error.found}"
        with contextlib.suppress(StoreError):  # it has been told already that it cannot be written
            update_sidecar(kept.record, replace(kept.record.sidecar, set_aside=aside))
        return kept, error


def _tell_end(kept: Kept) -> list[str]:
    """Say how a recording ended, where it is not as it was asked for."""
    lines = []
    if kept.stopped:
        lines.append(
            f"stopped after {kept.length_s:.1f} s; that much is kept as a whole record, "
            f"{kept.record.path}"
        )
    elif kept.cut_short is not None:
        lines.append(
            f"the recording was cut short after {kept.length_s:.1f} s: {kept.cut_short}; "
            "what was recorded until then is kept"
        )
    return [*lines, *kept.notices]


def _measure(kept: Kept) -> tuple[Measurement, ...]:
    """Measure what was kept: edges as they came, sound as it lies on the disk."""
    from benchlog.commands.recordings import measure_file
    from benchlog.timing.pulses import measure_recording

    if kept.edges is not None:
        return measure_recording((kept.edges,), active_level=kept.record.sidecar.active_level)
    return measure_file(kept.record.path, level=kept.record.sidecar.active_level)


def _present(
    kept: Kept, measured: tuple[Measurement, ...] | BenchlogError, json_output: bool
) -> int:
    """Show what was recorded, and say how good it is."""
    from benchlog.show.json_output import write_json
    from benchlog.show.pulse_view import measurement_to_json, show_measurement
    from benchlog.show.terminal import show, warn

    record = kept.record
    if isinstance(measured, BenchlogError):
        aside = f" (the recording is kept as {record.path}, set aside)"
        warn(f"{measured}{aside if record.path.exists() else ''}")
        return 2
    if json_output:
        write_json(
            {
                "channel": record.sidecar.channel,
                "knob_deg": record.sidecar.knob_deg,
                "file": str(record.path),
                "recorded_s": kept.length_s,
                "cut_short": kept.cut_short,
                "inputs": [measurement_to_json(m) for m in measured],
            }
        )
    else:
        name = f"{record.sidecar.channel} at {record.sidecar.knob_deg:g}°"
        show_measurement(name, measured)
        show(f"Stored as {record.path}")
    spoilt = any(notice.spoils for m in measured for notice in m.notices)
    return 1 if spoilt or kept.notices or (kept.cut_short and not kept.stopped) else 0
