"""Live streams: what is delivered, what counts as lost, and when a device is gone."""

from __future__ import annotations

import os
import sys
import time
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchlog.capture import stream
from benchlog.capture.pace import Pace
from benchlog.capture.probe_lines import ProbeLines
from benchlog.capture.stream import ProbeStream, SoundStream, StreamBlock, open_probe
from benchlog.errors import DeviceError
from tests.killing import PlayedProbe

RATE = 1000.0


class Clock:
    """Stands in for the module `time`, and for what tells how long the machine slept."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now_s = 100.0
        self.slept_s = 0.0
        monkeypatch.setattr(stream, "time", SimpleNamespace(monotonic=lambda: self.now_s))
        monkeypatch.setattr(stream, "_asleep_s", lambda: self.slept_s)
        monkeypatch.setattr(stream, "_SETTLE_S", 0.01)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    return Clock(monkeypatch)


def bring(
    source: SoundStream, value: int, count: int = 100, *, lost: bool = False, adc_s: float = 0.0
) -> None:
    """Have the library bring `count` frames of 16 bits in 32."""
    data = np.full((count, 2), value << 16, dtype=np.int32)
    source.receive(
        data, count, SimpleNamespace(inputBufferAdcTime=adc_s), SimpleNamespace(input_overflow=lost)
    )
    data[:] = 0  # the library uses its buffer again


def take(source: SoundStream) -> StreamBlock:
    block = source.read(0.0)
    assert block is not None
    return block


def test_blocks_come_with_the_index_of_their_first_frame(clock: Clock) -> None:
    source = SoundStream("box", (2,), RATE)
    for value in (1, 2, 3):
        bring(source, value)
        clock.now_s += 0.1
    blocks = [take(source) for _ in range(3)]
    assert [block.first_frame for block in blocks] == [0, 100, 200]
    assert [block.time_s for block in blocks] == pytest.approx([100.0, 100.1, 100.2])
    assert [block.lost_before for block in blocks] == [None] * 3
    assert blocks[1].values.shape == (100, 1)
    assert blocks[1].values.dtype == np.int16
    np.testing.assert_array_equal(blocks[1].samples(), np.float32(2 / 32768))
    assert source.read(0.0) is None


def test_lost_frames_count_in_the_index_and_not_in_the_gap(clock: Clock) -> None:
    source = SoundStream("box", (1,), RATE)
    bring(source, 1, adc_s=50.0)
    bring(source, 2, lost=True, adc_s=50.35)  # 0.1 s were delivered, so 0.25 s are missing
    bring(source, 3, adc_s=50.45)
    blocks = [take(source) for _ in range(3)]
    gap = blocks[1].lost_before
    assert gap is not None
    assert gap.start_s == 0.1
    assert gap.length_s == pytest.approx(0.25)
    assert [block.first_frame for block in blocks] == [0, 350, 450]


@pytest.mark.parametrize(
    ("paused_s", "slept_s", "at_once", "missing_s"),
    [
        (3.0, 0.0, 1, 2.9),  # 3 s between two blocks of 0.1 s
        (3.0, 0.0, 30, None),  # late, but then all 3 s come at once
        (3.0, 0.0, 11, 1.9),  # a buffer of a second
        (0.4, 0.0, 1, None),  # a sound server's usual unevenness
        (0.1, 60.0, 1, 60.0),  # the machine slept a minute, which its monotonic clock leaves out
    ],
)
def test_a_pause_is_a_gap_as_far_as_it_is_not_made_up_for(
    clock: Clock, paused_s: float, slept_s: float, at_once: int, missing_s: float | None
) -> None:
    source = SoundStream("box", (1,), RATE)
    bring(source, 1)
    take(source)
    clock.now_s += paused_s
    clock.slept_s += slept_s
    for _ in range(at_once):
        bring(source, 2)
    gap = take(source).lost_before
    assert (gap is None) == (missing_s is None)
    if gap is not None and missing_s is not None:
        assert gap.start_s == 0.1
        assert gap.length_s == pytest.approx(missing_s)
    rest = [take(source) for _ in range(at_once - 1)]
    assert all(block.lost_before is None for block in rest)


def test_finer_samples_turn_the_stream_to_floats(clock: Clock) -> None:
    source = SoundStream("box", (1,), RATE)
    now, fine = SimpleNamespace(inputBufferAdcTime=0.0), SimpleNamespace(input_overflow=False)
    for whole, bits, dtype in ((3 << 16, 16, "int16"), (3 << 8, 24, "float32"), (3, 32, "float32")):
        source.receive(np.full((4, 1), whole, dtype=np.int32), 4, now, fine)
        block = take(source)
        assert (source.bits, block.values.dtype) == (bits, np.dtype(dtype))
        np.testing.assert_array_equal(block.samples(), np.float32(whole / 2.0**31))


def test_a_device_that_ends_or_stalls_is_told(clock: Clock) -> None:
    source = SoundStream("box", (1,), RATE)
    bring(source, 1)
    take(source)
    assert source.read(0.0) is None
    clock.now_s += stream.STALL_S
    with pytest.raises(DeviceError, match=r"sound input box stopped after 0.1 s"):
        source.read(0.0)
    ended = SoundStream("box", (1,), RATE)
    bring(ended, 1)
    ended.end()
    take(ended)
    with pytest.raises(DeviceError, match=r"sound input box stopped after 0.1 s"):
        ended.read(0.0)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such clock")
def test_the_time_asleep_is_what_two_clocks_differ_by() -> None:
    before = stream._asleep_s()
    assert stream._asleep_s() - before == pytest.approx(0.0, abs=0.05)


# --- a device's rate ---------------------------------------------------------------------------


def run_device(actual_hz: float, seconds: float, *, unevenness_s: float = 0.02) -> float | None:
    """Have a device that states 1000 Hz deliver `actual_hz`, unevenly; return what is found."""
    pace, chance = Pace(RATE), np.random.default_rng(1)
    values: NDArray[np.int16] = np.zeros((50, 1), dtype=np.int16)
    for k in range(round(seconds * actual_hz / 50)):
        at_s = 50 * (k + 1) / actual_hz + chance.uniform(0, unevenness_s)
        pace.add(StreamBlock(values, 50 * k, None, at_s))
    return pace.deviation()


@pytest.mark.parametrize("actual_hz", [920.0, 975.0, 1030.0, 1088.4])
def test_a_device_that_lies_about_its_rate_is_found_out(actual_hz: float) -> None:
    # Least squares over 400 blocks whose times scatter by 0.02/sqrt(12) s: a slope over 20 s
    # scatters by 0.0058 sqrt(12/400) / 20 = 5e-5.
    found = run_device(actual_hz, 20.0)
    assert found == pytest.approx(actual_hz / RATE - 1, abs=3e-4)


@pytest.mark.parametrize(
    ("actual_hz", "seconds", "unevenness_s"),
    [(1000.0, 20.0, 0.1), (1009.0, 20.0, 0.02), (991.0, 20.0, 0.02), (1030.0, 2.0, 0.02)],
)
def test_a_device_within_a_percent_or_too_short_to_tell_is_not_accused(
    actual_hz: float, seconds: float, unevenness_s: float
) -> None:
    assert run_device(actual_hz, seconds, unevenness_s=unevenness_s) is None


def test_a_pause_is_not_taken_for_a_rate() -> None:
    pace = Pace(RATE)
    values: NDArray[np.int16] = np.zeros((50, 1), dtype=np.int16)
    for k in range(200):
        late_s = 4.0 if 100 <= k < 180 else 0.0  # four seconds late, then all of it at once
        pace.add(StreamBlock(values, 50 * k, None, max(0.05 * k, 5.0 if late_s else 0) + late_s))
    assert pace.deviation() is None


# --- a probe -----------------------------------------------------------------------------------

HEADER = "# benchlog-probe ticks_per_s=1000 width_bits=8 inputs=1"
LINES = st.lists(
    st.one_of(
        st.builds(lambda tick, level: f"{tick} {level}", st.integers(0, 255), st.integers(0, 1)),
        st.sampled_from(["3x 0", HEADER, ""]),
    ),
    max_size=40,
)


@given(LINES, st.integers(1, 5))
def test_edges_taken_piece_by_piece_are_the_edges(lines: list[str], step: int) -> None:
    whole, piecewise = ProbeLines(), ProbeLines()
    for reader in (whole, piecewise):
        reader.feed(HEADER)
    pieces = []
    for i in range(0, len(lines), step):
        for line in lines[i : i + step]:
            whole.feed(line)
            piecewise.feed(line)
        pieces.append(piecewise.take_new())
    piecewise.flush()
    pieces.append(piecewise.take_new())
    edges = whole.edges()
    np.testing.assert_array_equal(np.concatenate([p[0] for p in pieces]), edges.time_s)
    np.testing.assert_array_equal(np.concatenate([p[1] for p in pieces]), edges.level)
    assert sum(p[2] for p in pieces) == edges.garbled_count
    taken = sorted((gap for p in pieces for gap in p[3]), key=lambda gap: gap.start_s)
    assert tuple(taken) == edges.gaps


def read_until_gone(source: ProbeStream) -> None:
    while True:
        source.read(0.2)


@pytest.mark.pty
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")
def test_a_probe_is_read_as_it_comes_until_it_is_unplugged() -> None:
    with PlayedProbe() as probe, open_probe(probe.port) as source:
        assert source.resolution_s == 0.5e-6
        times: list[float] = []
        deadline = time.monotonic() + 10
        while len(times) < 20 and time.monotonic() < deadline:
            block = source.read(0.2)
            if block is not None:
                times += block.time_s.tolist()
        assert np.all(np.diff(times) > 0)
        steps = np.diff(times[:20])  # 1.5 ms and 18.5 ms in turn
        np.testing.assert_allclose(np.minimum(steps, 0.02 - steps), 1.5e-3, atol=1e-9)
        probe.unplug()
        with pytest.raises(DeviceError, match="was unplugged"):
            read_until_gone(source)
        last = source.finish()
        assert last is None or last.time_s.size <= 1
        assert source.edges().time_s.size >= len(times)
