"""The serial probe: its lines, and a port (a pseudo-terminal with the real pyserial)."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import numpy as np
import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from benchlog.capture import probe
from benchlog.capture.probe import list_ports, parse_probe_lines, record_probe
from benchlog.errors import DeviceError, RecordingError
from benchlog.recording import EdgeList, Gap

HEADER = "# benchlog-probe ticks_per_s=1000 width_bits=8 inputs=1"
WIDE = "# benchlog-probe ticks_per_s=2000000 width_bits=32 inputs=1"


def parse(text: str, header: str = HEADER) -> EdgeList:
    return parse_probe_lines([header, *text.split(",")])


def ticks_of(edges: EdgeList, rate_hz: float = 1000.0) -> list[int]:
    """Return the edges' times in ticks; the first one lies at 1."""
    return [round(time_s * rate_hz) for time_s in edges.time_s]


@pytest.mark.parametrize(
    ("text", "ticks", "levels", "garbled", "gaps"),
    [
        ("10 1,30 0,60 1", [1, 21, 51], [1, 0, 1], 0, []),
        # The counter wraps at 256, and once more.
        ("250 1,10 0,200 1,5 0", [1, 17, 207, 268], [1, 0, 1, 0], 0, []),
        # Garbled: counted and skipped; the edge that is missing makes a gap.
        ("10 1,3x 0,60 1,70 0", [1, 61], [1, 0], 1, [(1, 50)]),
        ("10 1,30 2,60 1,70 0", [1, 61], [1, 0], 1, [(1, 50)]),
        ("10 1,\udcff\udcfe,20 0,", [1, 11], [1, 0], 1, []),
        ("10 1,20 0 0,-5 1,999 1,30 01,20 0", [1, 11], [1, 0], 4, []),
        # Two edges to one level: what lies between is a gap, the later one is left out.
        ("10 1,20 0,40 0,50 1,60 0", [1, 11, 41, 51], [1, 0, 1, 0], 0, [(11, 20)]),
        ("10 1,40 1,50 1,60 0", [1, 51], [1, 0], 0, [(1, 30), (31, 10)]),
        # Two edges in one tick: the second is skipped.
        ("10 1,20 0,20 1,30 0,40 1", [1, 11, 31], [1, 0, 1], 1, [(11, 10)]),
        # The same header again: nothing, unless the counter began anew.
        (f"10 1,{HEADER},20 0", [1, 11], [1, 0], 0, []),
        (f"100 1,{HEADER},20 0,30 1", [1, 22, 32], [1, 0, 1], 0, [(1, 0)]),
        (f"10 1,{WIDE},20 0", [1, 11], [1, 0], 1, []),
    ],
)
def test_hand_worked_lines(
    text: str, ticks: list[int], levels: list[int], garbled: int, gaps: list[tuple[int, int]]
) -> None:
    edges = parse(text)
    assert ticks_of(edges) == ticks
    np.testing.assert_array_equal(edges.level, np.array(levels, dtype=bool))
    assert edges.garbled_count == garbled
    assert [(round(g.start_s * 1000), round(g.length_s * 1000)) for g in edges.gaps] == gaps
    assert (edges.start_s, edges.resolution_s) == (0.0, 1e-3)


def test_a_digit_lost_or_added_does_not_move_what_follows() -> None:
    cycle = [(1000 + 40_000 * i, 1) for i in range(5)] + [(4000 + 40_000 * i, 0) for i in range(5)]
    lines = [f"{tick} {level}" for tick, level in sorted(cycle)]
    clean = parse(",".join(lines), WIDE)
    for wrong in ("8100 1", "811000 1", "4294967000 1"):
        edges = parse(",".join([*lines[:4], wrong, *lines[5:]]), WIDE)
        assert edges.garbled_count == 1
        kept = np.delete(clean.time_s, [4, 5])  # the edge itself, and the next for alternation
        assert len(edges.gaps) == 1
        np.testing.assert_array_equal(edges.time_s, kept)


def test_a_32_bit_counter_wraps_after_35_8_minutes() -> None:
    # 2**32 ticks of 0.5 us are 2147.48 s.
    edges = parse("4294960000 1,4294963000 0,32704 1,35704 0", WIDE)
    np.testing.assert_allclose(np.diff(edges.time_s), [1.5e-3, 18.5e-3, 1.5e-3])


@pytest.mark.parametrize(
    ("header", "match"),
    [
        ("hello", "no probe header"),
        ("# benchlog-probe", "no ticks_per_s"),
        ("# benchlog-probe ticks_per_s=0 width_bits=32 inputs=1", "ticks_per_s=0"),
        ("# benchlog-probe ticks_per_s=2e6 width_bits=32 inputs=1", "ticks_per_s=2e6"),
        ("# benchlog-probe ticks_per_s=1000 width_bits=2 inputs=1", "width_bits=2 .possible: 8"),
        ("# benchlog-probe ticks_per_s=1000 width_bits=32 inputs=2", "inputs=2"),
    ],
)
def test_headers_that_are_refused(header: str, match: str) -> None:
    with pytest.raises(RecordingError, match=match):
        parse("1 1", header)


def test_what_comes_before_the_header_is_left_out() -> None:
    edges = parse_probe_lines(["boot", "5 1", HEADER, "10 1", "20 0"])
    assert (ticks_of(edges), edges.garbled_count) == ([1, 11], 0)


@given(st.lists(st.binary(max_size=40)), st.booleans())
def test_any_bytes_give_ascending_alternating_edges_or_one_line(
    lines: list[bytes], with_header: bool
) -> None:
    given_lines = [HEADER.encode(), *lines] if with_header else lines
    try:
        edges = parse_probe_lines(given_lines)
    except RecordingError:
        return
    assert np.all(np.diff(edges.time_s) > 0)
    assert np.all(edges.level[1:] != edges.level[:-1])


EDGES = st.lists(st.tuples(st.integers(1, 255), st.sampled_from("01x")), min_size=1, max_size=30)


@given(EDGES)
def test_counts_add_up(steps: list[tuple[int, str]]) -> None:
    tick, lines, skipped = 0, [], 0
    last: int | None = None
    for step, level in steps:
        tick = (tick + step) % 256
        lines.append(f"{tick} {level}")
        # After a garbled line a counter of 8 bits may be where it was: that looks like no time.
        if level == "x" or tick == last:
            skipped += 1
        else:
            last = tick
    edges = parse_probe_lines([HEADER, *lines])
    assert edges.garbled_count == skipped
    assert np.all(np.diff(edges.time_s) > 0)
    assert np.all(edges.level[1:] != edges.level[:-1])


@given(st.lists(st.integers(1, 255), min_size=1, max_size=50), st.integers(0, 255))
def test_ticks_survive_the_wrap(steps: list[int], start: int) -> None:
    total = start + np.cumsum(steps)
    lines = [f"{tick % 256} {i % 2}" for i, tick in enumerate(total)]
    edges = parse_probe_lines([HEADER, *lines])
    assert ticks_of(edges) == [int(tick - total[0] + 1) for tick in total]


# --- a port ------------------------------------------------------------------------------------

pty_only = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")


@contextmanager
def board(data: bytes, *, unplug: bool = False) -> Iterator[str]:
    """Play a probe that sends `data` on a pseudo-terminal, from another thread."""
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    name = os.ttyname(slave)
    ends = [slave, master]
    over = threading.Event()

    def run() -> None:
        over.wait(0.1)  # pyserial drops what waits when it opens a port
        rest = data
        while rest and not over.wait(0.001):
            with suppress(BlockingIOError):
                rest = rest[os.write(master, rest[:512]) :]
        if unplug:
            over.wait(0.3)
            while ends:
                os.close(ends.pop(0))

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield name
    finally:
        over.set()
        thread.join()
        while ends:
            os.close(ends.pop())


def pulses(count: int, level: int = 1) -> bytes:
    """Return the lines of `count` pulses of 1.5 ms every 20 ms at 0.5 us ticks."""
    lines = []
    for cycle in range(count):
        start = (4_294_900_000 + 40_000 * cycle) % 2**32
        lines += [f"{start} {level}", f"{(start + 3000) % 2**32} {1 - level}"]
    return "".join(line + "\r\n" for line in lines).encode()


@pty_only
@pytest.mark.pty
def test_pulses_arrive_through_a_port() -> None:
    seen: list[float] = []
    with board(WIDE.encode() + b"\n" + pulses(300)) as name:
        edges = record_probe(name, 4.0, on_progress=seen.append)
    assert len(edges.time_s) >= 2 * 200  # 4 s by its own counter, however fast they come
    np.testing.assert_allclose(np.diff(edges.time_s)[::2], 1.5e-3, rtol=1e-9)
    assert edges.gaps == ()
    assert seen
    assert seen[-1] == 4.0


@pty_only
@pytest.mark.pty
def test_noise_on_the_line_is_counted() -> None:
    lines = pulses(300).splitlines(keepends=True)
    lines.insert(20, b"\x00\xff\xfe garbage\n")
    lines.insert(30, b"z" * 5000)  # without an end: swallows the line after it
    data = b"noise before\n" + WIDE.encode() + b"\n" + b"".join(lines)
    with board(data) as name:
        edges = record_probe(name, 4.0)
    assert edges.garbled_count >= 2
    assert len(edges.gaps) == 1
    assert np.all(np.diff(edges.time_s) > 0)


@pty_only
@pytest.mark.pty
def test_an_unplugged_probe_keeps_what_came() -> None:
    with board(WIDE.encode() + b"\n" + pulses(10), unplug=True) as name:
        edges = record_probe(name, 5.0)
    assert len(edges.time_s) == 20
    assert edges.gaps == (Gap(edges.end_s, 5.0 - edges.end_s),)


@pty_only
@pytest.mark.pty
@pytest.mark.parametrize(
    ("data", "match"),
    [
        (b"", "sent nothing within 0.3 s; expected the line # benchlog-probe"),
        (b"1 1\n2 0\n", r"sent '1 1.*2 0.*' within"),
        (b"\xff\xfe\n", r"sent '.*xff.*xfe"),
        (b"# benchlog-probe ticks_per_s=nil\n", "ticks_per_s=nil"),
        (WIDE.encode() + b"\n", "sent no edges in 0.5 s"),
    ],
)
def test_what_is_no_probe_is_told_with_what_came(data: bytes, match: str) -> None:
    with (
        board(data) as name,
        pytest.raises(DeviceError, match=match) as caught,
    ):
        record_probe(name, 0.5, header_timeout_s=0.3)
    assert "\n" not in str(caught.value)


@pty_only
@pytest.mark.pty
def test_a_port_in_use_is_told() -> None:
    with (
        board(b"") as name,
        serial.Serial(name, exclusive=True),
        pytest.raises(DeviceError, match=r"is in use; .*closing the program"),
    ):
        record_probe(name, 1.0)


@pty_only
def test_ports_that_are_none(tmp_path: object) -> None:
    with pytest.raises(DeviceError, match="is not there"):
        record_probe("/dev/no-such-port", 1.0)
    with pytest.raises(DeviceError, match="no serial port"):
        record_probe(str(tmp_path), 1.0)
    with pytest.raises(DeviceError, match="no serial port"):
        record_probe("/dev/null", 1.0)


@pytest.mark.parametrize(
    ("exc", "match"),
    [
        (serial.SerialException(errno.EACCES, "denied"), "closed to you .*dialout"),
        (serial.SerialException(errno.EBUSY, "busy"), "is in use"),
        (serial.SerialException("could not open port 'COM9': FileNotFoundError(2)"), "not there"),
        (serial.SerialException("could not open port 'COM9': PermissionError, Access"), "in use"),
        (ValueError("Invalid baud rate: 1"), "cannot be set to 1 baud"),
    ],
)
def test_every_refusal_of_the_system_is_one_line(
    monkeypatch: pytest.MonkeyPatch, exc: Exception, match: str
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise exc

    monkeypatch.setattr(serial, "Serial", refuse)
    with pytest.raises(DeviceError, match=match):
        record_probe("COM9", 1.0, 1)


@pty_only
@pytest.mark.pty
def test_ctrl_c_keeps_what_came(monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(seconds: float) -> None:
        if seconds > 0.1:
            raise KeyboardInterrupt

    with board(WIDE.encode() + b"\n" + pulses(20)) as name:
        edges = record_probe(name, 5.0, on_progress=stop)
    assert len(edges.time_s) > 10
    assert edges.gaps == ()


def test_seconds_must_be_above_zero() -> None:
    with pytest.raises(ValueError, match="seconds"):
        record_probe("COM9", 0.0)


def test_ports_are_listed_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    import serial.tools.list_ports as tools
    from serial.tools.list_ports_common import ListPortInfo

    def comports() -> list[ListPortInfo]:
        found = [ListPortInfo("/dev/ttyUSB1"), ListPortInfo("/dev/ttyACM0")]
        found[0].description = "[board]"
        return found

    monkeypatch.setattr(tools, "comports", comports)
    assert [port.name for port in list_ports()] == ["/dev/ttyACM0", "/dev/ttyUSB1"]
    assert list_ports()[1] == probe.SerialPort("/dev/ttyUSB1", "[board]")
