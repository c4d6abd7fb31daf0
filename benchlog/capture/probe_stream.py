"""The live stream of a serial probe: edges as they come.

What the lines mean is in `probe_lines`. `stream` is the door for both kinds of streams.
"""

from __future__ import annotations

import contextlib
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.closing import Closing
from benchlog.capture.probe_lines import HEADER_EXAMPLE, LINE_LIMIT, ProbeHeader, ProbeLines
from benchlog.capture.serial_ports import BAUD, open_port
from benchlog.errors import DeviceError, RecordingError
from benchlog.recording import EdgeList, Gap

__all__ = ["HEADER_TIMEOUT_S", "EdgeBlock", "ProbeStream", "open_probe"]

HEADER_TIMEOUT_S = 5.0
"""How long a board may take until its header comes; many boot anew when a port is opened."""

_SEEN_BYTES = 60


@dataclass(frozen=True, slots=True, eq=False)
class EdgeBlock:
    """What came at once from a serial probe.

    Attributes
    ----------
    time_s : numpy.ndarray
        Edges that are new, in seconds by the probe's counter from the stream's start, ascending,
        shape (n,); n may be 0 where only garbled lines came.
    level : numpy.ndarray
        The level after each, shape (n,), bool.
    garbled_count : int
        Lines that were skipped since the block before.
    gaps : tuple of Gap
        Stretches that were found lost since the block before, on the scale of `time_s`.
    came_s : float
        When it came, by this machine's monotonic clock (`time.monotonic`).
    """

    time_s: NDArray[np.float64]
    level: NDArray[np.bool_]
    garbled_count: int
    gaps: tuple[Gap, ...]
    came_s: float


class ProbeStream(Closing):
    """A serial probe that is being read; made by `open_probe`.

    The edge that came last is held back until the next one proves it (see `probe_lines`).

    Attributes
    ----------
    header : ProbeHeader
        What the probe says of itself.
    rate_hz, resolution_s : float
        Ticks per second of its counter, and the length of one.
    port : str
        The port's name.
    """

    def __init__(self, port: str, reader: _LineReader, lines: ProbeLines, header: ProbeHeader):
        self.port = port
        self.header = header
        self.rate_hz = float(header.ticks_per_s)
        self.resolution_s = 1.0 / self.rate_hz
        self.began_s = time.monotonic()
        self._reader = reader
        self._lines = lines

    def close(self) -> None:
        """Close the port; a second time does nothing."""
        self._reader.close()

    @property
    def elapsed_s(self) -> float:
        """Seconds from the start to the last edge, by the probe's counter."""
        return self._lines.elapsed_s

    def read(self, timeout_s: float) -> EdgeBlock | None:
        """Return what is new.

        Parameters
        ----------
        timeout_s : float
            How long to wait for it at most, to a tenth of a second.

        Returns
        -------
        EdgeBlock or None
            None where nothing came within the timeout: a channel that does not change sends
            nothing.

        Raises
        ------
        DeviceError
            The probe was unplugged. What came before can still be had from `edges`.
        """
        deadline = time.monotonic() + timeout_s
        while True:
            self._reader.read()
            block = self._new_block()
            if block is not None or time.monotonic() >= deadline:
                return block

    def _new_block(self) -> EdgeBlock | None:
        times, levels, garbled, gaps = self._lines.take_new()
        if not times.size and not garbled and not gaps:
            return None
        return EdgeBlock(times, levels, garbled, gaps, time.monotonic())

    def finish(self) -> EdgeBlock | None:
        """Return what was held back, for when nothing more is to be read; None if nothing."""
        self._lines.flush()
        return self._new_block()

    def edges(self) -> EdgeList:
        """Return all edges since the start; for streams that are read to an end."""
        return self._lines.edges()


class _LineReader:
    """Feeds what a port sends to the reader of lines."""

    def __init__(self, port: str, connection: Any, lines: ProbeLines) -> None:
        self._port = port
        self._connection = connection
        self._lines = lines
        self._rest = b""
        self.seen = bytearray()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._connection.close()

    def read(self) -> None:
        """Read what waits, or for a tenth of a second; DeviceError where the port is gone."""
        try:
            chunk = self._connection.read(max(1, self._connection.in_waiting))
        except (OSError, TypeError) as exc:  # pyserial meets a TypeError where a port vanishes
            raise DeviceError(
                f"the probe on {self._port} was unplugged",
                expected="a probe that stays connected",
                attempt="plugging it in again",
            ) from exc
        if len(self.seen) < _SEEN_BYTES:
            self.seen += chunk[: _SEEN_BYTES - len(self.seen)]
        *lines, self._rest = (self._rest + chunk).split(b"\n")
        try:
            for line in lines:
                self._lines.feed(line)
        except RecordingError as exc:
            raise DeviceError(exc.found, expected=exc.expected, attempt=exc.attempt) from exc
        if len(self._rest) > LINE_LIMIT:
            self._lines.feed(self._rest)
            self._rest = b""


def open_probe(
    port: str, baud: int = BAUD, *, header_timeout_s: float = HEADER_TIMEOUT_S
) -> ProbeStream:
    """Open a serial probe and wait for its header.

    Parameters
    ----------
    port : str
        The port's name.
    baud : int
        Bits per second.
    header_timeout_s : float
        How long to wait for the header line.

    Returns
    -------
    ProbeStream
        Running; to be closed.

    Raises
    ------
    DeviceError
        The port is not there, busy or closed to this user, or no header came.
    """
    connection = open_port(port, baud)
    lines = ProbeLines(f"the probe on {port}")
    reader = _LineReader(port, connection, lines)
    try:
        lost = _await_header(reader, lines, header_timeout_s)
        if lines.header is not None:
            return ProbeStream(port, reader, lines, lines.header)
    except BaseException:
        reader.close()
        raise
    reader.close()
    seen = bytes(reader.seen).decode("ascii", "backslashreplace")
    what = f"'{seen}'" if seen else "nothing"
    why = f"; {lost}" if lost else f" within {header_timeout_s:g} s"
    raise DeviceError(
        f"the probe on {port} sent {what}{why}",
        expected=f"the line {HEADER_EXAMPLE}",
        attempt="checking the port and --baud, then the board's reset button",
    )


def _await_header(reader: _LineReader, lines: ProbeLines, timeout_s: float) -> str | None:
    """Read until the header has come; return why it cannot come any more, if so."""
    deadline = time.monotonic() + timeout_s
    while lines.header is None and time.monotonic() < deadline:
        try:
            reader.read()
        except DeviceError as exc:
            if not isinstance(exc.__cause__, OSError | TypeError):
                raise
            return exc.found
    return None
