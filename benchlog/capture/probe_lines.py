"""The lines of a serial probe: a header, then ``<ticks> <level>`` for each edge.

::

    # benchlog-probe ticks_per_s=2000000 width_bits=32 inputs=1
    1234567 1
    1237567 0

The counter wraps: a tick lower than the last one has passed 2**width_bits. A line
that cannot be read is counted and skipped, and so is one whose tick does not lie
between its neighbours (a digit that was lost or added on the way; told only by counters
of 24 bits and more, where a whole turn between neighbouring edges does not occur).
Where a line is missing, two edges to the same level follow each other: the stretch
between them becomes a gap and the later one is left out (see `edge_series`). Where the
header comes again and the counter starts lower, the board was reset: that becomes a gap of
unknown length. The first edge is placed one tick after the start.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.edge_series import EdgeSeries
from benchlog.errors import RecordingError
from benchlog.recording import EdgeList, Gap

__all__ = ["ProbeHeader", "ProbeLines", "parse_probe_lines", "read_probe_log"]

MAGIC = b"# benchlog-probe"
HEADER_EXAMPLE = "# benchlog-probe ticks_per_s=2000000 width_bits=32 inputs=1"
LINE_LIMIT = 4096
_EDGE = re.compile(rb"([0-9]{1,20})[ \t]+([01])", re.ASCII)
_CHECKED_WIDTH = 24


@dataclass(frozen=True, slots=True)
class ProbeHeader:
    """What a probe says of itself.

    Attributes
    ----------
    ticks_per_s : int
        Rate of its counter in hertz.
    width_bits : int
        Width of its counter.
    inputs : int
        Number of its inputs.
    """

    ticks_per_s: int
    width_bits: int
    inputs: int


class ProbeLines:
    """Reads a probe's lines one by one; `edges` tells what has come so far.

    Parameters
    ----------
    name : str
        What to call the probe in messages.

    Attributes
    ----------
    header : ProbeHeader or None
        None until it has come.
    garbled_count : int
        Lines after the header that were skipped.
    """

    def __init__(self, name: str = "the probe") -> None:
        self.name = name
        self.header: ProbeHeader | None = None
        self.garbled_count = 0
        self._series = EdgeSeries()
        self._resets: list[int] = []
        self._pending: tuple[int, bool] | None = None
        self._tick: int | None = None
        self._level: bool | None = None
        self._now = 0
        self._header_again = False
        self._taken = (0, 0, 0, 0)

    @property
    def elapsed_s(self) -> float:
        """Seconds from the start to the last edge."""
        return self._now / self.header.ticks_per_s if self.header else 0.0

    def feed(self, line: bytes | str) -> None:
        """Take one line, with or without its line break.

        Raises
        ------
        RecordingError
            A header that cannot be used.
        """
        raw = line.encode("utf-8", "replace") if isinstance(line, str) else line
        raw = raw.strip(b" \t\r\n\0")
        if raw.startswith(MAGIC):
            self._take_header(raw)
        elif self.header is not None and raw:
            edge = self._parse_edge(raw, self.header)
            if edge is None:
                self.garbled_count += 1
            else:
                self._take_edge(edge, self.header)

    def _take_header(self, raw: bytes) -> None:
        header, fault = _parse_header(raw)
        if self.header is not None:
            if header != self.header:  # noise on the line, since a probe does not change its rate
                self.garbled_count += 1
            else:
                self.flush()
                self._header_again = True
            return
        if header is None:
            raise RecordingError(
                f"{self.name} begins with a header line that has {fault}",
                expected=HEADER_EXAMPLE,
                attempt="checking the baud rate, or the program on the board",
            )
        self.header = header

    @staticmethod
    def _parse_edge(raw: bytes, header: ProbeHeader) -> tuple[int, bool] | None:
        match = _EDGE.fullmatch(raw)
        if match is None:
            return None
        tick = int(match[1])
        return (tick, match[2] == b"1") if tick < 1 << header.width_bits else None

    def _take_edge(self, edge: tuple[int, bool], header: ProbeHeader) -> None:
        """Keep one edge back, so that a tick out of order can be told by the next one."""
        pending, self._pending = self._pending, edge
        if pending is None:
            return
        if header.width_bits >= _CHECKED_WIDTH and self._tick is not None:
            turn = 1 << header.width_bits
            there = (pending[0] - self._tick) % turn
            back = (edge[0] - pending[0]) % turn
            straight = (edge[0] - self._tick) % turn
            if there + back >= turn and straight < turn >> 8:
                self.garbled_count += 1
                return
        self._place(pending, header)

    def flush(self) -> None:
        """Place the edge that is held back, for when no more lines are expected."""
        if self._pending is not None and self.header is not None:
            self._place(self._pending, self.header)
            self._pending = None

    def _place(self, edge: tuple[int, bool], header: ProbeHeader) -> None:
        tick, level = edge
        before = self._now
        if self._tick is None:
            self._now = 1
        elif self._header_again and tick < self._tick:
            self._resets.append(before)
            self._now += tick + 1
        else:
            self._now += (tick - self._tick) % (1 << header.width_bits)
        self._header_again = False
        if self._tick is not None and self._now == before:
            # Two edges in one tick: too short to tell, as if neither line had come.
            self.garbled_count += 1
            return
        if self._now >= 1 << 53:  # beyond it, seconds cannot tell one tick from the next
            raise RecordingError(
                f"{self.name} has counted on for {self.elapsed_s:.0f} s",
                expected="a recording of some minutes",
                attempt="recording it again",
            )
        if level is self._level:
            self._series.gaps.append((before, self._now))
        self._series.add_edge(self._now, level)
        self._tick, self._level = tick, level

    def take_new(
        self,
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_], int, tuple[Gap, ...]]:
        """Return what has been placed since this was last called.

        Returns
        -------
        time_s : numpy.ndarray
            Seconds from one tick before the first edge, shape (n,).
        level : numpy.ndarray
            The level after each edge, shape (n,), bool.
        garbled_count : int
            Lines that were skipped.
        gaps : tuple of Gap
            Stretches that were lost.
        """
        if self.header is None:
            return np.zeros(0), np.zeros(0, dtype=np.bool_), 0, ()
        rate = float(self.header.ticks_per_s)
        edges, garbled, gaps, resets = self._taken
        ticks, levels = self._series.since(edges)
        new = [Gap(a / rate, (b - a) / rate) for a, b in self._series.gaps[gaps:]]
        new += [Gap(tick / rate, 0.0) for tick in self._resets[resets:]]
        count = self.garbled_count - garbled
        self._taken = (
            len(self._series),
            self.garbled_count,
            len(self._series.gaps),
            len(self._resets),
        )
        return ticks.astype(np.float64) / rate, levels, count, tuple(new)

    def edges(self) -> EdgeList:
        """Return the edges that have come so far.

        Returns
        -------
        EdgeList
            Seconds from one tick before the first edge; there may be no edges.

        Raises
        ------
        RecordingError
            No header has come.
        """
        if self.header is None:
            raise RecordingError(
                f"{self.name} holds no probe header",
                expected=HEADER_EXAMPLE,
                attempt="checking the baud rate, or the program on the board",
            )
        self.flush()
        rate = float(self.header.ticks_per_s)
        gaps = [Gap(start / rate, (end - start) / rate) for start, end in self._series.gaps]
        gaps += [Gap(tick / rate, 0.0) for tick in self._resets]
        return EdgeList(
            time_s=self._series.ticks().astype(np.float64) / rate,
            level=self._series.levels(),
            resolution_s=1.0 / rate,
            start_s=0.0,
            end_s=self.elapsed_s,
            garbled_count=self.garbled_count,
            gaps=tuple(sorted(gaps, key=lambda gap: gap.start_s)),
            name=self.name,
        )


def _parse_header(raw: bytes) -> tuple[ProbeHeader | None, str]:
    """Return the header, or None and what is wrong with it."""
    text = raw[len(MAGIC) :].decode("ascii", "replace")
    given = dict(word.split("=", 1) for word in text.split() if "=" in word)
    values = {}
    for key, low, high in (
        ("ticks_per_s", 1, 10**12),
        ("width_bits", 8, 63),
        ("inputs", 1, 1),
    ):
        value = given.get(key, "")
        if not re.fullmatch(r"[0-9]{1,15}", value, re.ASCII):
            return None, f"{key}={value[:40]}" if value else f"no {key}"
        if not low <= int(value) <= high:
            return None, f"{key}={value} (possible: {low} to {high})"
        values[key] = int(value)
    return ProbeHeader(**values), ""


def parse_probe_lines(lines: Iterable[bytes | str], name: str = "the probe") -> EdgeList:
    """Read a probe's lines.

    Parameters
    ----------
    lines : iterable of bytes or str
        With or without line breaks. Lines before the header are left out of account.
    name : str
        What to call the probe in messages.

    Returns
    -------
    EdgeList
        Seconds from one tick before the first edge; there may be no edges.

    Raises
    ------
    RecordingError
        There is no header that can be used.
    """
    reader = ProbeLines(name)
    for line in lines:
        reader.feed(line)
    return reader.edges()


def read_probe_log(path: Path) -> EdgeList:
    """Read the saved lines of a serial probe.

    Parameters
    ----------
    path : Path
        A text file.

    Returns
    -------
    EdgeList
        With at least one edge.

    Raises
    ------
    RecordingError
        The file cannot be read, has no header that can be used, or no edges.
    """
    reader = ProbeLines(str(path))
    try:
        with path.open("rb") as file:
            while line := file.readline(LINE_LIMIT):
                reader.feed(line)
    except OSError as exc:
        raise RecordingError(
            f"{path} cannot be read ({exc.strerror or exc})",
            expected="the saved lines of a probe",
            attempt="checking the name",
        ) from exc
    edges = reader.edges()
    if not edges.time_s.size:
        raise RecordingError(
            f"{path} holds a probe's header and no edges",
            expected="lines of <ticks> <level>",
            attempt="checking that the probe was on the output pin, and recording again",
        )
    return edges
