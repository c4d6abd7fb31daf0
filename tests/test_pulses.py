"""Pulses, their statistics and their notices."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from benchlog.errors import MeasurementError
from benchlog.recording import EdgeList, Gap, samples_from_array
from benchlog.timing.cleaning import clean_edges
from benchlog.timing.edges import Edges, edges_from_list
from benchlog.timing.jitter import effective_count, measure_jitter, summarise
from benchlog.timing.medians import median
from benchlog.timing.pulses import measure_pulses, measure_recording
from tests.pulse_signals import render_train


def edge_list(times: list[float], first: bool = True, gaps: tuple[Gap, ...] = ()) -> EdgeList:
    level = (np.arange(len(times)) % 2 == 0) == first
    return EdgeList(np.array(times), level, 1e-7, 0.0, times[-1] + 0.01, gaps=gaps)


def train(count: int = 20) -> list[float]:
    return [t for k in range(count) for t in (0.02 * k, 0.02 * k + 0.0015)]


def codes(edges: EdgeList) -> list[str]:
    (measurement,) = measure_recording((edges,))
    return [notice.code for notice in measurement.notices]


def test_hand_worked_pulses() -> None:
    times = [0.010, 0.0115, 0.030, 0.0316, 0.050, 0.0514]
    pulses = measure_pulses(edges_from_list(edge_list(times)), "high")
    assert pulses.start_s == pytest.approx([0.010, 0.030, 0.050])
    assert pulses.width_s == pytest.approx([1.5e-3, 1.6e-3, 1.4e-3])
    assert pulses.period_s == pytest.approx([0.02, 0.02])
    low = measure_pulses(edges_from_list(edge_list(times)), "low")
    assert low.width_s == pytest.approx([18.5e-3, 18.4e-3])


def test_pulses_cut_by_the_ends_are_left_out() -> None:
    pulses = measure_pulses(edges_from_list(edge_list([0.001, 0.0195, 0.021], False)), "high")
    assert pulses.width_s == pytest.approx([1.5e-3])


def test_the_shorter_state_is_the_pulse_of_a_sound_recording() -> None:
    for inverted, level in ((False, "high"), (True, "low")):
        train = render_train(1.5e-3, inverted=inverted)
        (measurement,) = measure_recording(samples_from_array(train.values, 48000.0))
        assert measurement.active_level == level
        assert measurement.width.mean_s == pytest.approx(1.5e-3, abs=0.1e-6)
        assert measurement.notices == ()


def test_half_and_half_is_said_to_be_unsure_unless_told() -> None:
    train = render_train(8.35e-3)
    samples = samples_from_array(train.values, 48000.0)
    (measurement,) = measure_recording(samples)
    assert [n.code for n in measurement.notices] == ["polarity-unsure"]
    (measurement,) = measure_recording(samples, active_level="high")
    assert measurement.notices == ()


def test_a_missing_pulse_is_counted_and_kept_out_of_the_period() -> None:
    times = train()
    del times[20:22]
    assert codes(edge_list(times)) == ["missing-pulse"]
    (measurement,) = measure_recording((edge_list(times),))
    assert measurement.pulses.missing_count == 1
    assert measurement.period.max_s == pytest.approx(0.02)


def test_a_glitch_is_left_out_and_told() -> None:
    times = sorted([*train(), 0.2007, 0.20071])
    assert codes(edge_list(times)) == ["extra-edge"]
    (measurement,) = measure_recording((edge_list(times),))
    assert measurement.pulse_count == 20
    assert measurement.width.min_s == pytest.approx(1.5e-3)


def test_a_gap_takes_its_pulse_and_its_period_out() -> None:
    edges = edge_list(train(), gaps=(Gap(0.1005, 0.0002),))
    assert codes(edges) == ["gap"]
    (measurement,) = measure_recording((edges,))
    assert measurement.pulse_count == 19
    assert measurement.period.max_s == pytest.approx(0.02)


def test_a_cut_in_the_recording_is_told_and_its_period_left_out() -> None:
    train = render_train(1.5e-3, duration_s=10.0)
    cut = np.delete(train.values, slice(240100, 240612))  # 10.7 ms are missing at 5 s
    (measurement,) = measure_recording(samples_from_array(cut, 48000.0))
    assert "gap" in [notice.code for notice in measurement.notices]
    assert measurement.period.min_s == pytest.approx(0.0167003, abs=2e-6)
    assert measurement.width.mean_s == pytest.approx(1.5e-3, abs=0.1e-6)


def test_runts_are_left_out_and_counted() -> None:
    train = render_train(1.5e-3, duration_s=10.0, corner_hz=0.0)
    small = render_train(1.0e-3, duration_s=10.0, corner_hz=0.0, amplitude=0.2, snr_db=90.0)
    # five small pulses in the pauses: 5 ms after every hundredth pulse began
    runts = np.zeros(train.values.shape[0])
    first = round(small.rise_s[0] * 48000.0) - 100
    piece = small.values[first : first + 300]
    for start_s in train.rise_s[50:550:100]:
        at = round((start_s + 5e-3) * 48000.0)
        runts[at : at + 300] += piece
    (measurement,) = measure_recording(samples_from_array(train.values + runts, 48000.0))
    assert measurement.pulses.runt_count == 10
    assert measurement.pulse_count == train.rise_s.shape[0]
    assert [notice.code for notice in measurement.notices] == ["runt"]
    assert measurement.width.mean_s == pytest.approx(1.5e-3, abs=0.1e-6)


def test_few_pulses_are_told() -> None:
    assert codes(edge_list(train(4))) == ["few-pulses"]


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("silence", "silence"),
        ("hiss", "hiss"),
        ("steady", "steady level"),
        ("edge", "single edge"),
        ("hum", "mains hum at 50 Hz"),
    ],
)
def test_what_is_there_instead_of_pulses_is_named(kind: str, words: str) -> None:
    at = np.arange(96000) / 48000.0
    signal = {
        "silence": np.zeros(at.shape),
        "hiss": 0.1 * np.random.default_rng(3).normal(size=at.shape),
        "steady": np.full(at.shape, 0.4),
        "edge": np.where(at > 1.0, 0.4, 0.0),
        "hum": 0.2 * np.sin(2 * np.pi * 50 * at) + 0.02 * np.sin(2 * np.pi * 150 * at),
    }[kind]
    with pytest.raises(MeasurementError, match=words):
        measure_recording(samples_from_array(signal, 48000.0))


def test_white_edge_noise_gives_the_published_jitter() -> None:
    """Independent edge noise s: period sqrt(2) s, cycle to cycle sqrt(6) s (JESD65B terms).

    The ratios are analytic; 40,000 periods leave a standard error below 0.6 %.
    """
    edges = np.arange(40001) * 0.02 + np.random.default_rng(1).normal(size=40001) * 1e-6
    period = np.diff(edges)
    jitter = measure_jitter(period, period, np.ones(period.shape[0] - 1, bool), 0.0)
    assert jitter.period_rms_s == pytest.approx(np.sqrt(2) * 1e-6, rel=0.03)
    assert jitter.cycle_to_cycle_rms_s == pytest.approx(np.sqrt(6) * 1e-6, rel=0.03)


@given(arrays(np.float64, st.integers(1, 40), elements=st.floats(-1e3, 1e3)))
def test_the_median_is_the_usual_one(values: NDArray[np.float64]) -> None:
    assert median(values) == np.median(values)
    assert median(np.stack([values, -values])).tolist() == [np.median(values), -np.median(values)]


def test_the_median_of_nothing_is_not_a_number() -> None:
    assert np.isnan(median(np.empty(0)))
    assert median(np.empty((2, 0), np.float32)).shape == (2,)


@pytest.mark.parametrize("count", [5, 18, 200])
def test_effective_count_however_long_the_correlation_reaches(count: int) -> None:
    values = np.cumsum(np.random.default_rng(count).normal(size=count))
    centred = values - values.mean()
    lags = [float(centred[: count - lag] @ centred[lag:]) for lag in range(count // 2 * 2)]
    pairs = np.reshape(lags, (-1, 2)).sum(axis=1) / lags[0]
    falling = np.minimum.accumulate(pairs[: int(np.argmax(pairs <= 0)) or pairs.shape[0]])
    inflation = max(1.0, 2.0 * float(falling.sum()) - 1.0)
    assert effective_count(values) == pytest.approx(max(1.0, count / inflation), rel=1e-9)


def test_effective_count_of_a_first_order_autoregression() -> None:
    """For AR(1) with coefficient r the mean's variance is (1 + r)/(1 - r) times white noise's.

    Handbook result (Priestley, Spectral Analysis and Time Series; from memory).
    """
    rng = np.random.default_rng(2)
    count, r = 20000, 0.8
    noise = rng.normal(size=count)
    values = np.zeros(count)
    for k in range(1, count):
        values[k] = r * values[k - 1] + noise[k]
    assert effective_count(values) == pytest.approx(count * (1 - r) / (1 + r), rel=0.15)
    assert effective_count(noise) == pytest.approx(count, rel=0.1)


def test_a_creep_is_not_averaged_away() -> None:
    creep = np.linspace(1.0e-3, 1.1e-3, 2000)
    assert effective_count(creep) < 10


def test_statistic_joins_its_parts_in_quadrature() -> None:
    values = np.array([1.0, 3.0]) * 1e-3
    one = summarise(values, 3e-3, 2.0)
    assert one.mean_s == pytest.approx(2e-3)
    assert one.sd_s == pytest.approx(np.sqrt(2) * 1e-3)
    assert one.u_s == pytest.approx(np.sqrt(1 + 9 + 16) * 1e-3)


def test_too_short_an_edge_list_is_refused() -> None:
    with pytest.raises(MeasurementError, match="2 edges"):
        measure_recording((edge_list([0.0, 0.001]),))


def test_an_input_that_cuts_one_level_off_has_no_runts_but_the_real_one() -> None:
    # falls two thirds and rises four thirds of the mean height; a runt of a third at 1 s
    time_s = np.sort(np.concatenate([np.arange(100) * 0.02, np.arange(100) * 0.02 + 1.5e-3]))
    share = np.where(np.arange(200) % 2 == 0, 4 / 3, 2 / 3)
    time_s = np.insert(time_s, 100, [1.000 - 8e-3, 1.000 - 7e-3])
    share = np.insert(share, 100, [0.33, 0.33])
    edges = Edges(
        time_s=time_s,
        rising=np.arange(202) % 2 == 0,
        u_s=np.full(202, 1e-7),
        start_s=0.0,
        end_s=2.0,
        rate_hz=48000.0,
        share=share,
    )
    clean = clean_edges(edges)
    assert clean.runt_count == 2
    assert np.array_equal(clean.time_s, np.delete(time_s, [100, 101]))
