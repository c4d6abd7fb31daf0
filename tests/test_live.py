"""The live measurement against known truth: figures, how soon, how long remembered, and why not."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchlog.recording import Gap, samples_from_array
from benchlog.timing.live import LiveEdges, LivePulses
from benchlog.timing.live_quiet import explain_quiet, explain_stop
from benchlog.timing.live_reading import SLOT_S, STRIP_SLOTS, LiveReading, count_widths
from benchlog.timing.live_train import find_change
from benchlog.timing.pulses import measure_recording
from tests.pulse_signals import render_train

RATE_HZ = 48000
BLOCK = RATE_HZ // 20
PERIOD_S = 0.0167003

FloatArray = NDArray[np.float64]


def _feed(
    live: LivePulses, values: NDArray[np.float32], block: int = BLOCK
) -> list[tuple[float, LiveReading]]:
    """Feed blocks; return each reading with how many seconds had been fed by then."""
    table = values if values.ndim == 2 else values[:, None]
    readings = []
    for start in range(0, table.shape[0], block):
        part = table[start : start + block]
        fed_s = (start + part.shape[0]) / RATE_HZ
        readings += [(fed_s, reading) for reading in live.add(part)]
    return readings


def _last(values: NDArray[np.float32], **known: object) -> LiveReading:
    live = LivePulses(RATE_HZ, **known)  # type: ignore[arg-type]
    _feed(live, values)
    return live.finish()[-1]


@pytest.mark.parametrize("width_us", [600.0, 1500.0, 2370.0])
@pytest.mark.parametrize("corner_hz", [5.0, 80.0])
def test_the_width_is_true(width_us: float, corner_hz: float) -> None:
    train = render_train(width_us * 1e-6, duration_s=4.0, corner_hz=corner_hz)
    reading = _last(train.values)
    assert reading.state == "pulses"
    assert reading.width is not None
    # 50 dB: one width scatters by 0.1 us (test_edges), a mean of 120 by 0.01 us; the method's own
    # error is held below 0.05 us by the tests of the edges.
    assert reading.width.mean_s == pytest.approx(width_us * 1e-6, abs=0.08e-6)
    assert reading.period is not None
    assert reading.period.mean_s == pytest.approx(PERIOD_S, abs=0.05e-6)
    assert reading.duty_cycle == pytest.approx(width_us * 1e-6 / PERIOD_S, rel=1e-3)


def test_it_agrees_with_the_measurement_of_a_recording() -> None:
    train = render_train(0.0013, duration_s=2.0)
    whole = measure_recording(samples_from_array(train.values, RATE_HZ))[0]
    reading = _last(train.values)
    assert reading.width is not None
    # the same edges by the same method; only what was learned of the input differs a little
    assert reading.width.mean_s == pytest.approx(whole.width.mean_s, abs=0.02e-6)
    assert reading.jitter_s == pytest.approx(whole.jitter.width_rms_s, rel=0.3)


def test_two_inputs_and_an_inverted_one() -> None:
    left = render_train(0.0015, duration_s=3.0, seed=1).values
    right = render_train(0.0009, duration_s=3.0, seed=2, inverted=True).values
    live = LivePulses(RATE_HZ, (1, 2))
    _feed(live, np.stack([left, right], axis=1))
    one, two = live.finish()
    assert (one.input, two.input) == (1, 2)
    assert (one.active_level, two.active_level) == ("high", "low")
    assert one.width is not None
    assert two.width is not None
    assert one.width.mean_s == pytest.approx(0.0015, abs=0.1e-6)
    assert two.width.mean_s == pytest.approx(0.0009, abs=0.1e-6)


@pytest.mark.parametrize("step_us", [-300.0, -5.0, 2.0, 10.0, 300.0])
def test_a_change_shows_soon(step_us: float) -> None:
    count = int(8.0 / PERIOD_S)
    width_s = np.full(count, 0.0015)
    width_s[count // 2 :] += step_us * 1e-6
    train = render_train(width_s, duration_s=8.0)
    changed_s = float(train.fall_s[count // 2])  # when the first changed pulse has been heard
    readings = _feed(LivePulses(RATE_HZ), train.values)
    # Two changed pulses are waited for (17 ms), an edge is timed 3.3 ms behind it, and it is looked
    # for every 90 ms, which 50 ms blocks round up to 100: 120 ms in all, and one more round
    # where the second pulse is just missed. A change of 2 us takes four pulses, two more.
    within_s = 0.225 if abs(step_us) > 3.0 else 0.26
    seen = [
        fed_s
        for fed_s, reading in readings
        if reading.width is not None
        and abs(reading.width.mean_s - width_s[-1]) < 0.25 * abs(step_us) * 1e-6 + 0.2e-6
        and fed_s > changed_s
    ]
    assert seen
    assert seen[0] - changed_s < within_s
    later = [r for fed_s, r in readings if fed_s > changed_s + within_s]
    assert all(r.moved_s is not None and abs(r.moved_s - changed_s) < 0.02 for r in later)


def test_a_steady_channel_says_little_and_never_that_it_moved() -> None:
    rng = np.random.default_rng(8)
    count = int(20.0 / PERIOD_S)
    train = render_train(0.0015 + rng.normal(size=count) * 3e-6, duration_s=20.0)
    readings = _feed(LivePulses(RATE_HZ), train.values)
    moved = [r for _, r in readings if r.moved_s is not None]
    assert not moved
    assert len(readings) < 80


def test_jitter_is_that_of_the_last_seconds() -> None:
    rng = np.random.default_rng(2)
    count = int(10.0 / PERIOD_S)
    widths = 0.0015 + rng.normal(size=count) * 3e-6
    train = render_train(widths, duration_s=10.0)
    reading = _last(train.values)
    assert reading.jitter_s is not None
    # 300 widths: their standard deviation is known to 1 / sqrt(2 * 300) = 4 %; three times that
    recent = train.width_s[-reading.recent_s.shape[0] :]
    assert reading.jitter_s == pytest.approx(3e-6, rel=0.13)
    assert reading.recent_s.shape[0] == pytest.approx(5.0 / PERIOD_S, abs=3)
    assert float(np.std(recent)) == pytest.approx(reading.jitter_s, rel=0.05)
    assert reading.floor_s is not None
    assert reading.floor_s < 0.3e-6
    histogram = count_widths(reading.recent_s, 20, reading.floor_s)
    assert histogram is not None
    assert sum(histogram.counts) == reading.recent_s.shape[0]


def test_the_strip_holds_the_last_minute() -> None:
    train = render_train(0.0015, duration_s=70.0, snr_db=60.0)
    live = LivePulses(RATE_HZ)
    _feed(live, train.values[: 30 * RATE_HZ])
    early = live.finish()[0].strip_s
    assert len(early) == pytest.approx(30.0 / SLOT_S, abs=3)
    _feed(live, train.values[30 * RATE_HZ :])
    strip = live.finish()[0].strip_s
    assert len(strip) == STRIP_SLOTS
    known = [one for one in strip if one is not None]
    assert len(known) >= STRIP_SLOTS - 1
    assert max(abs(one - 0.0015) for one in known) < 0.3e-6


@settings(max_examples=8)
@given(block=st.integers(min_value=1, max_value=3 * RATE_HZ), seed=st.integers(0, 100))
def test_how_it_is_cut_makes_no_difference(block: int, seed: int) -> None:
    train = render_train(0.0011, duration_s=3.0, seed=seed)
    live = LivePulses(RATE_HZ)
    _feed(live, train.values, max(block, 400))
    reading = live.finish()[0]
    assert reading.width is not None
    assert reading.width.mean_s == pytest.approx(0.0011, abs=0.08e-6)
    assert reading.missing_count == reading.extra_count == 0


def test_no_edge_is_lost_or_doubled_at_the_borders() -> None:
    train = render_train(0.0015, duration_s=30.0)
    readings = _feed(LivePulses(RATE_HZ), train.values)
    assert all(r.missing_count == r.extra_count == 0 for _, r in readings)


def test_memory_does_not_grow() -> None:
    train = render_train(0.0015, duration_s=20.0)
    tracemalloc.start()
    try:
        live = LivePulses(RATE_HZ)
        for _ in range(5):  # what is kept for seconds is full, the strip's minute too
            _feed(live, train.values)
        before = tracemalloc.get_traced_memory()[0]
        for _ in range(3):
            _feed(live, train.values)
        grown = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
    # a minute of edges alone, 7200 of 17 bytes, would be 120 kB
    assert grown < 40_000


def test_missing_pulses_are_counted() -> None:
    train = render_train(0.0015, duration_s=4.0)
    values = train.values.copy()
    for pulse in (-40, -60):
        middle = round(train.rise_s[pulse] * RATE_HZ)
        values[middle - 60 : middle + 200] = values[middle - 61]
    assert _last(values).missing_count == 2


def test_clipping_and_weakness_are_told() -> None:
    train = render_train(0.0015, duration_s=3.0)
    assert _last(np.clip(train.values * 2.6, -1, 1)).clipped_share > 0.01
    assert _last(train.values).clipped_share == 0.0
    assert not _last(train.values).weak
    # 10 is the ratio of step to noise below which `measure` warns; 18 dB is a ratio of 8
    assert _last(render_train(0.0015, duration_s=3.0, snr_db=18.0).values).weak


def test_lost_samples_part_the_pulses_on_both_sides() -> None:
    train = render_train(0.0015, duration_s=6.0)
    live = LivePulses(RATE_HZ)
    cut, lost = 3 * RATE_HZ, RATE_HZ // 2
    _feed(live, train.values[:cut])
    rest = train.values[cut + lost :, None]
    live.add(rest[:BLOCK], Gap(3.0, lost / RATE_HZ))
    _feed(live, rest[BLOCK:, 0])
    reading = live.finish()[0]
    assert (reading.lost_count, reading.lost_s) == (1, 0.5)
    assert reading.missing_count == 0
    assert reading.width is not None
    assert reading.width.mean_s == pytest.approx(0.0015, abs=0.1e-6)
    assert reading.heard_s == pytest.approx(6.0)


# --- no pulses ----------------------------------------------------------------


@pytest.mark.parametrize(("active", "word"), [("high", "low"), ("low", "high")])
def test_pulses_that_stop(active: str, word: str) -> None:
    values = render_train(0.0015, duration_s=4.0).values.copy()
    values[3 * RATE_HZ :] = 0.0
    live = LivePulses(RATE_HZ, active_level=active)  # type: ignore[arg-type]
    readings = _feed(live, values)
    reading = live.finish()[0]
    assert reading.state == "quiet"
    assert reading.quiet is not None
    assert reading.quiet.heard == f"stopped-{word}"
    assert reading.width is None
    assert reading.last_pulse_s == pytest.approx(3.0, abs=0.02)
    first = next(fed_s for fed_s, r in readings if r.state == "quiet")
    assert first - 3.0 < 0.75  # half a second of patience, and at most two looks


def test_the_order_of_the_reasons() -> None:
    silence = explain_quiet(np.zeros(12000, np.float32), 12000.0, stopped=None)
    beginnings = [reason.split(":")[0] for reason in silence.reasons]
    assert beginnings[:4] == ["no supply", "reset held low", "an open wiper", "the output stuck"]
    assert explain_stop("low").reasons[0].startswith("no supply")
    assert explain_stop("high").reasons[0].startswith("the output stuck high")
    assert explain_stop(None).reasons[0].startswith("no supply")


@pytest.mark.parametrize(
    ("heard", "first"),
    [("hum", "the lead"), ("noise", "the wrong input"), ("silence", "no supply"), ("level", "no")],
)
def test_what_is_heard_in_place_of_pulses(heard: str, first: str) -> None:
    rng = np.random.default_rng(3)
    at = np.arange(3 * RATE_HZ) / RATE_HZ
    signals: dict[str, FloatArray] = {
        "hum": 0.05 * np.sin(2 * np.pi * 50.0 * at) + 0.01 * np.sin(2 * np.pi * 150.0 * at),
        "noise": rng.normal(scale=0.02, size=(at.shape[0],)),
        "silence": rng.normal(scale=1e-5, size=(at.shape[0],)),
        "level": np.full(at.shape[0], 0.4),
    }
    reading = _last(signals[heard].astype(np.float32))
    assert reading.state == "quiet"
    assert reading.quiet is not None
    assert reading.quiet.heard == heard
    assert reading.quiet.reasons[0].startswith(first)


def test_pulses_after_silence() -> None:
    train = render_train(0.0015, duration_s=3.0).values
    reading = _last(np.concatenate((np.zeros(4 * RATE_HZ, np.float32), train)))
    assert reading.state == "pulses"
    assert reading.strip_s[4] is None


# --- a probe ------------------------------------------------------------------


def _probe(count: int, width_s: float = 0.0015) -> tuple[FloatArray, NDArray[np.bool_]]:
    rise_s = 0.005 + np.arange(count) * PERIOD_S
    time_s = np.sort(np.concatenate((rise_s, rise_s + width_s)))
    return np.round(time_s * 2e6) / 2e6, np.arange(2 * count) % 2 == 0


def test_a_probes_edges() -> None:
    time_s, level = _probe(120)
    live = LiveEdges(0.5e-6)
    for start in range(0, 240, 12):
        part = slice(start, start + 12)
        (reading,) = live.add(time_s[part], level[part], float(time_s[part][-1]) + 0.01)
    assert reading.state == "pulses"
    assert reading.width is not None
    assert reading.width.mean_s == pytest.approx(0.0015, abs=0.5e-6)
    assert reading.active_level == "high"


def test_a_probe_that_falls_silent_and_garbles() -> None:
    time_s, level = _probe(60)
    live = LiveEdges(0.5e-6)
    assert live.add(np.empty(0), np.empty(0, bool), 1.0)[0].quiet is not None
    live.add(time_s + 1.0, level, 2.1, garbled_count=2, gaps=(Gap(1.5, 0.01),))
    (reading,) = live.add(np.empty(0), np.empty(0, bool), 4.0)
    assert reading.quiet is not None
    assert reading.quiet.heard == "stopped-low"
    assert (reading.garbled_count, reading.lost_count, reading.lost_s) == (2, 1, 0.01)


# --- hand-made ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("widths", "where"),
    [
        ([10.0, 10.0, 10.0, 10.0, 12.0, 12.0], 4),
        ([10.0, 10.0, 10.0, 10.0, 10.0, 12.0], None),  # a single one is an outlier until another
        ([10.0, 10.0, 12.0, 12.0], 2),
        ([10.0, 10.0, 15.0, 10.0, 10.0, 10.0], None),
        ([10.0, 10.1, 9.9, 10.0, 10.1, 9.9], None),
        ([10.0, 10.0], None),
    ],
)
def test_where_a_change_is(widths: list[float], where: int | None) -> None:
    assert find_change(np.array(widths) * 1e-6, 0.05e-6) == where


def test_a_histogram_by_hand() -> None:
    widths = np.array([-1.0, -0.2, 0.2, 1.0]) * 1e-6 + 1e-3
    histogram = count_widths(widths, 4, 0.0)
    assert histogram is not None
    assert histogram.counts == (1, 1, 1, 1)
    assert histogram.low_s == pytest.approx(0.999e-3)
    assert count_widths(np.empty(0), 4, 0.0) is None
    with pytest.raises(ValueError, match="bins"):
        count_widths(widths, 0, 0.0)


@pytest.mark.parametrize(("rate_hz", "inputs"), [(0.0, (1,)), (48000.0, ())])
def test_a_callers_mistakes(rate_hz: float, inputs: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="rate_hz"):
        LivePulses(rate_hz, inputs)
