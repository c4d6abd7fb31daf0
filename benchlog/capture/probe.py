"""Serial probes: ports, and recording edges from one (the ``pyserial`` package).

What the lines mean is in `probe_lines`; here they come from a port.
"""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from benchlog.capture.probe_lines import (
    HEADER_EXAMPLE,
    LINE_LIMIT,
    ProbeHeader,
    ProbeLines,
    parse_probe_lines,
)
from benchlog.errors import DeviceError, RecordingError
from benchlog.recording import EdgeList, Gap

__all__ = ["ProbeHeader", "SerialPort", "list_ports", "parse_probe_lines", "record_probe"]

BAUD = 115200
"""Bits per second unless asked for another rate."""

HEADER_TIMEOUT_S = 5.0
"""How long a board may take until its header comes; many boot anew when a port is opened."""

_POLL_S = 0.1
_NO_PORT = (errno.ENOTTY, errno.EINVAL, errno.EISDIR, errno.ENXIO, errno.EIO)
_SEEN_BYTES = 60


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


def record_probe(
    port: str,
    seconds: float,
    baud: int = BAUD,
    on_progress: Callable[[float], None] | None = None,
    *,
    header_timeout_s: float = HEADER_TIMEOUT_S,
) -> EdgeList:
    """Record edges from a serial probe.

    Parameters
    ----------
    port : str
        The port's name.
    seconds : float
        How long, above 0, from the header on; by the probe's counter or this machine's clock,
        whichever is there first.
    baud : int
        Bits per second.
    on_progress : callable, optional
        Called with the number of seconds that are there.
    header_timeout_s : float
        How long to wait for the header line.

    Returns
    -------
    EdgeList
        With at least one edge. Where the probe was unplugged before the end, the last
        gap begins at `end_s` and is as long as what is missing. Stopped by Ctrl-C, it ends there.

    Raises
    ------
    ValueError
        `seconds` is not above 0.
    DeviceError
        The port is not there, busy or closed to this user, no header came, or no edges.
    """
    if not (seconds > 0 and math.isfinite(seconds)):
        raise ValueError(f"seconds must be above 0, got {seconds}")
    connection = _open_port(port, baud)
    run = _Run(port, connection, seconds, on_progress)
    try:
        run.await_header(header_timeout_s)
        run.collect()
    finally:
        with contextlib.suppress(OSError):
            connection.close()
    return run.finish()


def _open_port(port: str, baud: int) -> Any:
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


class _Run:
    """One recording from an open port."""

    def __init__(
        self,
        port: str,
        connection: Any,
        seconds: float,
        on_progress: Callable[[float], None] | None,
    ) -> None:
        self._port = port
        self._connection = connection
        self._seconds = seconds
        self._on_progress = on_progress
        self._lines = ProbeLines(f"the probe on {port}")
        self._rest = b""
        self._seen = bytearray()
        self._lost: str | None = None
        self._began = time.monotonic()

    def await_header(self, timeout_s: float) -> None:
        """Read until the header has come; DeviceError tells what came instead."""
        deadline = time.monotonic() + timeout_s
        while self._lines.header is None and self._lost is None and time.monotonic() < deadline:
            self._read()
        if self._lines.header is None:
            seen = bytes(self._seen).decode("ascii", "backslashreplace")
            what = f"'{seen}'" if seen else "nothing"
            why = f"; {self._lost}" if self._lost else f" within {timeout_s:g} s"
            raise DeviceError(
                f"the probe on {self._port} sent {what}{why}",
                expected=f"the line {HEADER_EXAMPLE}",
                attempt="checking the port and --baud, then the board's reset button",
            )
        self._began = time.monotonic()

    def collect(self) -> None:
        """Read until the time is over, the probe is gone or the user stops."""
        try:
            while self._lost is None and self._elapsed_s() < self._seconds:
                self._tell_progress()
                self._read()
            self._tell_progress()
        except KeyboardInterrupt:
            if not self._lines.elapsed_s:
                raise

    def _tell_progress(self) -> None:
        if self._on_progress:
            self._on_progress(min(self._elapsed_s(), self._seconds))

    def _elapsed_s(self) -> float:
        return max(time.monotonic() - self._began, self._lines.elapsed_s)

    def _read(self) -> None:
        try:
            chunk = self._connection.read(max(1, self._connection.in_waiting))
        except (OSError, TypeError) as exc:  # pyserial meets a TypeError where a port vanishes
            self._lost = f"the probe was unplugged ({exc})"
            return
        if len(self._seen) < _SEEN_BYTES:
            self._seen += chunk[: _SEEN_BYTES - len(self._seen)]
        *lines, self._rest = (self._rest + chunk).split(b"\n")
        try:
            for line in lines:
                self._lines.feed(line)
        except RecordingError as exc:
            raise DeviceError(exc.found, expected=exc.expected, attempt=exc.attempt) from exc
        if len(self._rest) > LINE_LIMIT:
            self._lines.feed(self._rest)
            self._rest = b""

    def finish(self) -> EdgeList:
        """Return the edges, with what is missing at the end as a gap."""
        edges = self._lines.edges()
        if not edges.time_s.size:
            why = f"; {self._lost}" if self._lost else f" in {self._seconds:g} s"
            raise DeviceError(
                f"the probe on {self._port} sent no edges{why}",
                expected="two edges a pulse",
                attempt="checking that it is on the output pin and shares the channel's ground",
            )
        if self._lost is None:
            return edges
        missing_s = max(0.0, self._seconds - edges.end_s)
        return dataclasses.replace(edges, gaps=(*edges.gaps, Gap(edges.end_s, missing_s)))
