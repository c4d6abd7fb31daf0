"""Recording a stretch from a serial probe into memory.

What the lines mean is in `probe_lines`; how they come from a port in `stream`; recording to
disk is in `recorder`.
"""

from __future__ import annotations

import dataclasses
import math
import time
from collections.abc import Callable

from benchlog.capture.probe_lines import ProbeHeader, parse_probe_lines
from benchlog.capture.serial_ports import BAUD, SerialPort, list_ports
from benchlog.capture.stream import HEADER_TIMEOUT_S, ProbeStream, open_probe
from benchlog.errors import DeviceError
from benchlog.recording import EdgeList, Gap

__all__ = ["ProbeHeader", "SerialPort", "list_ports", "parse_probe_lines", "record_probe"]

_POLL_S = 0.1


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
    with open_probe(port, baud, header_timeout_s=header_timeout_s) as stream:
        lost = _collect(stream, seconds, on_progress)
        edges = stream.edges()
    if not edges.time_s.size:
        why = f"; {lost}" if lost else f" in {seconds:g} s"
        raise DeviceError(
            f"the probe on {port} sent no edges{why}",
            expected="two edges a pulse",
            attempt="checking that it is on the output pin and shares the channel's ground",
        )
    if lost is None:
        return edges
    missing_s = max(0.0, seconds - edges.end_s)
    return dataclasses.replace(edges, gaps=(*edges.gaps, Gap(edges.end_s, missing_s)))


def _collect(
    stream: ProbeStream, seconds: float, on_progress: Callable[[float], None] | None
) -> str | None:
    """Read until the time is over or the user stops; return why, where the probe is gone."""
    began = time.monotonic()
    done_s = 0.0
    try:
        while done_s < seconds:
            if on_progress:
                on_progress(done_s)
            stream.read(_POLL_S)
            done_s = min(max(time.monotonic() - began, stream.elapsed_s), seconds)
        if on_progress:
            on_progress(done_s)
    except DeviceError as exc:
        return exc.found
    except KeyboardInterrupt:
        if not stream.elapsed_s:
            raise
    return None
