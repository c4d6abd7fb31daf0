"""`benchlog inputs`: sound inputs and serial ports."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchlog.commands.options import JsonOption
from benchlog.errors import DeviceError

if TYPE_CHECKING:
    from benchlog.capture.probe import SerialPort
    from benchlog.capture.sound import SoundInput

__all__ = ["list_inputs"]


def list_inputs(json_output: JsonOption = False) -> int:
    """List the sound inputs and serial ports of this computer.

    'benchlog capture --input' takes the number or part of the name of a sound input,
    'benchlog capture --port' the name of a serial port. Nothing is recorded from a device that
    was not chosen.
    """
    from benchlog.capture import probe, sound
    from benchlog.show.json_output import write_json

    inputs, fault = [], None
    try:
        inputs = sound.list_inputs()
    except DeviceError as error:
        fault = str(error)
    ports = probe.list_ports()
    if json_output:
        write_json(_to_json(inputs, fault, ports))
    else:
        _show(inputs, fault, ports)
    return 0


def _to_json(
    inputs: list[SoundInput], fault: str | None, ports: list[SerialPort]
) -> dict[str, object]:
    """Return both lists, and why there is no first one."""
    return {
        "sound_inputs": [
            {
                "number": one.index,
                "name": one.name,
                "interface": one.host_api,
                "input_count": one.input_count,
                "sample_rate_hz": one.rate_hz,
                "system_default": one.is_default,
            }
            for one in inputs
        ],
        "sound_fault": fault,
        "serial_ports": [{"name": one.name, "description": one.description} for one in ports],
    }


def _show(inputs: list[SoundInput], fault: str | None, ports: list[SerialPort]) -> None:
    """Show both lists."""
    from rich.table import Table as TextTable

    from benchlog.show.terminal import plain, show, warn

    if fault is not None:
        warn(fault)
    elif not inputs:
        show("Sound inputs: none")
    else:
        table = TextTable(box=None, padding=(0, 2, 0, 0), header_style="bold")
        for name in ("number", "inputs", "rate Hz"):
            table.add_column(name, justify="right", no_wrap=True)
        table.add_column("name")
        table.add_column("interface")
        for one in inputs:
            cells = (str(one.index), str(one.input_count), f"{one.rate_hz:g}", one.name)
            table.add_row(*map(plain, cells), plain(one.host_api))
        show("Sound inputs", table)
    if not ports:
        show("Serial ports: none")
        return
    table = TextTable(box=None, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("port")
    table.add_column("what the system says of it")
    for port in ports:
        table.add_row(plain(port.name), plain(port.description))
    show("Serial ports", table)
