"""The serial ports of this machine, through the ``pyserial`` package."""

from __future__ import annotations

import errno
from dataclasses import dataclass
from typing import Any

from benchlog.errors import DeviceError

__all__ = ["BAUD", "SerialPort", "list_ports", "open_port"]

BAUD = 115200
"""Bits per second unless asked for another rate."""

_POLL_S = 0.1
_NO_PORT = (errno.ENOTTY, errno.EINVAL, errno.EISDIR, errno.ENXIO, errno.EIO)


@dataclass(frozen=True, slots=True)
class SerialPort:
    """A serial port of this machine.

    Attributes
    ----------
    name : str
        What to open.
    description : str
        What the system says of it.
    """

    name: str
    description: str


def list_ports() -> list[SerialPort]:
    """Return the serial ports of this machine, sorted by name; the list may be empty."""
    from serial.tools.list_ports import comports

    return sorted(
        (SerialPort(str(port.device), str(port.description)) for port in comports()),
        key=lambda port: port.name,
    )


def open_port(port: str, baud: int) -> Any:
    """Open a serial port for this process alone.

    Parameters
    ----------
    port : str
        Its name.
    baud : int
        Bits per second.

    Returns
    -------
    serial.Serial
        Whose reads wait for a tenth of a second at most.

    Raises
    ------
    DeviceError
        It is not there, in use, closed to this user or no serial port.
    """
    import serial

    try:
        return serial.Serial(port, baud, timeout=_POLL_S, exclusive=True)
    except (OSError, ValueError, OverflowError) as exc:  # SerialException is an OSError
        raise _port_fault(exc, port, baud) from exc


def _port_fault(exc: Exception, port: str, baud: int) -> DeviceError:
    code = getattr(exc, "errno", None)
    text = str(exc)
    found, attempt = f"cannot be opened ({text})", "benchlog inputs, to see the ports"
    if isinstance(exc, ValueError | OverflowError) and "port" not in text.lower():
        found, attempt = f"cannot be set to {baud} baud", f"--baud {BAUD}"
    elif code == errno.ENOENT or "FileNotFoundError" in text:
        names = ", ".join(one.name for one in list_ports()) or "none"
        found = f"is not there (ports of this machine: {names})"
        attempt = "plugging the probe in, then benchlog inputs"
    elif code in (errno.EACCES, errno.EPERM):
        found = "is closed to you (permission denied)"
        attempt = "sudo usermod -aG dialout $USER and a new login, or closing what uses it"
    elif code in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in text or "Access" in text:
        found, attempt = "is in use", "closing the program that uses it"
    elif code in _NO_PORT or "Could not configure" in text:
        found = "is no serial port"
    return DeviceError(f"port {port} {found}", expected="a serial port", attempt=attempt)
