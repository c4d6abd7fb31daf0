"""Edge times against known truth and against the Cramer-Rao bound."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import lfilter

from benchlog.recording import EdgeList, Samples, samples_from_array
from benchlog.timing.edges import Edges, edges_from_list, find_edges
from tests.pulse_signals import Train, cramer_rao_width_s, render_train


def widths_of(edges: Edges) -> NDArray[np.float64]:
    return edges.time_s[~edges.rising] - edges.time_s[edges.rising]


def edges_of(train: Train) -> Edges:
    (edges,) = find_edges(samples_from_array(train.values, train.rate_hz))
    return edges


@pytest.mark.parametrize("rate_hz", [44100.0, 48000.0, 96000.0])
@pytest.mark.parametrize("kind", ["linear", "narrow"])
@pytest.mark.parametrize("corner_hz", [0.0, 20.0, 80.0])
def test_widths_reach_the_bound_without_bias(rate_hz: float, kind: str, corner_hz: float) -> None:
    """Bound: see `cramer_rao_width_s`.

    The scatter of 300 widths has a standard error of 4 %, so 1.2 times the bound is
    five of them above it. A straight-line crossing would be off by 10 us at 80 Hz.
    """
    train = render_train(1.5e-3, rate_hz=rate_hz, kind=kind, corner_hz=corner_hz)
    edges = edges_of(train)
    assert edges.rising.tolist() == [True, False] * train.rise_s.shape[0]
    error = widths_of(edges) - train.width_s
    bound = cramer_rao_width_s(rate_hz, 50.0, kind)
    assert error.std() < 1.2 * bound
    assert abs(error.mean()) < 0.25e-6
    assert np.sqrt(2) * edges.u_s.mean() == pytest.approx(error.std(), rel=0.35)


@pytest.mark.parametrize("width_s", [0.3e-3, 0.5e-3, 1.0e-3, 2.5e-3, 8.35e-3])
def test_short_and_long_pulses_are_unbiased(width_s: float) -> None:
    train = render_train(width_s)
    error = widths_of(edges_of(train)) - train.width_s
    assert abs(error.mean()) < 0.1e-6


def test_an_inverted_input_shows_the_edges_the_other_way_round() -> None:
    train = render_train(1.5e-3, inverted=True)
    edges = edges_of(train)
    assert not edges.rising[0]
    low = edges.time_s[edges.rising] - edges.time_s[~edges.rising]
    assert low.mean() == pytest.approx(1.5e-3, abs=0.1e-6)


@pytest.mark.parametrize("corner_hz", [5.0, 20.0, 80.0])
def test_the_coupling_corner_is_found(corner_hz: float) -> None:
    edges = edges_of(render_train(1.5e-3, corner_hz=corner_hz))
    (found_hz,) = edges.coupling_hz
    assert found_hz == pytest.approx(corner_hz, rel=0.05)


def test_two_coupling_stages_are_told_apart_and_undone() -> None:
    train = render_train(1.5e-3, corner_hz=20.0, duration_s=20.0)
    half = np.pi * 35.0 / 48000.0
    twice = lfilter([1 / (1 + half), -1 / (1 + half)], [1, -(1 - half) / (1 + half)], train.values)
    (edges,) = find_edges(samples_from_array(twice, 48000.0))
    assert edges.coupling_hz == pytest.approx((20.0, 35.0), rel=0.03)
    error = widths_of(edges) - train.width_s
    assert abs(error.mean()) < 0.05e-6
    assert error.std() < 1.1 * cramer_rao_width_s(48000.0, 50.0, "linear")


def test_hum_and_its_third_harmonic_are_taken_out() -> None:
    """Hum 30 dB below the pulse slopes by 1.5e-4 of it a sample: unheeded, 0.2 us at random."""
    train = render_train(1.5e-3, duration_s=10.0, snr_db=70.0)
    at = np.arange(train.values.shape[0]) / 48000.0
    peak = 0.25 * 10 ** (-30 / 20)
    hum = np.sin(2 * np.pi * 50.03 * at) + np.sin(2 * np.pi * 150.09 * at + 1.0) / 3
    (edges,) = find_edges(samples_from_array(train.values + peak * hum, 48000.0))
    error = widths_of(edges) - train.width_s
    assert abs(error.mean()) < 0.02e-6
    assert error.std() < 2.0 * cramer_rao_width_s(48000.0, 70.0, "linear")


def test_a_creeping_gain_is_followed() -> None:
    train = render_train(1.5e-3, duration_s=10.0)
    at = np.arange(train.values.shape[0]) / 48000.0
    (edges,) = find_edges(samples_from_array(train.values * 10 ** (-6 * at / 10 / 20), 48000.0))
    error = widths_of(edges) - train.width_s
    assert abs(error.mean()) < 0.05e-6
    assert error.std() < 1.5 * cramer_rao_width_s(48000.0, 50.0, "linear")


def test_overlapping_edges_of_a_narrow_input_are_unbiased() -> None:
    """0.5 ms at 44.1 kHz is 22 samples; the narrow input's edge has not settled by then."""
    train = render_train(0.5e-3, rate_hz=44100.0, kind="narrow", snr_db=70.0, duration_s=10.0)
    error = widths_of(edges_of(train)) - train.width_s
    assert abs(error.mean()) < 0.05e-6
    assert error.std() < max(1.15 * cramer_rao_width_s(44100.0, 70.0, "narrow"), 0.03e-6)


def test_twenty_decibels_still_show_every_pulse() -> None:
    train = render_train(1.5e-3, snr_db=20.0, duration_s=30.0)
    edges = edges_of(train)
    assert edges.time_s.shape[0] == 2 * train.rise_s.shape[0]
    assert np.max(np.abs(edges.time_s[edges.rising] - train.rise_s)) < 30e-6


def test_a_handful_of_edges_falls_back_to_the_crossing() -> None:
    train = render_train(1.5e-3, duration_s=0.07)
    edges = edges_of(train)
    assert 4 <= edges.time_s.shape[0] < 12
    assert np.max(np.abs(widths_of(edges) - train.width_s)) < 0.5e-6


def test_noise_and_step_are_reported() -> None:
    edges = edges_of(render_train(1.5e-3, snr_db=40.0))
    assert edges.step == pytest.approx(0.5, rel=0.02)
    assert 20 * np.log10(edges.step / edges.noise) == pytest.approx(40.0, abs=1.0)


def test_clipped_samples_are_counted_once_where_chunks_meet() -> None:
    # 2.5 chunks; a fifth of the time at the top, the rest at the bottom, all of it clipped
    values = np.where(np.arange(5 << 18) % 960 < 192, 1.0, -1.0).astype(np.float32)
    (edges,) = find_edges(samples_from_array(values, 48000.0))
    assert edges.clipped_share == pytest.approx(1.0, abs=1e-12)


def test_two_inputs_are_timed_separately() -> None:
    one, two = render_train(1.0e-3, seed=1), render_train(2.0e-3, seed=2)
    both = np.stack([one.values, two.values], axis=1)
    first, second = find_edges(samples_from_array(both, 48000.0))
    assert widths_of(first).mean() == pytest.approx(1.0e-3, abs=0.1e-6)
    assert widths_of(second).mean() == pytest.approx(2.0e-3, abs=0.1e-6)


def test_silence_has_no_edges() -> None:
    (edges,) = find_edges(samples_from_array(np.zeros(48000), 48000.0))
    assert edges.time_s.shape == (0,)


_TRAIN = render_train(1.5e-3, duration_s=14.0)


@settings(max_examples=15)
@given(st.lists(st.integers(1, 200_000), min_size=1, max_size=8), st.integers(1, 90_000))
def test_the_result_does_not_depend_on_the_blocks(cuts: list[int], rest: int) -> None:
    """The same recording, cut anywhere, gives the same edges within 1 ns."""
    values = _TRAIN.values[:, None]
    borders = [0]
    for size in [*cuts, *([rest] * (values.shape[0] // rest + 1))]:
        borders.append(min(borders[-1] + size, values.shape[0]))
    blocks = [values[a:b] for a, b in itertools.pairwise(borders) if b > a]
    cut = Samples(48000.0, 1, values.shape[0], lambda _: iter(blocks))
    (expected,) = find_edges(samples_from_array(_TRAIN.values, 48000.0))
    (found,) = find_edges(cut)
    assert found.time_s.shape == expected.time_s.shape
    assert np.max(np.abs(found.time_s - expected.time_s)) < 1e-9


def test_a_delay_shifts_every_edge() -> None:
    """480 samples of the first level, put in front, shift the edges by 10 ms."""
    train = render_train(1.5e-3, corner_hz=0.0)
    later = np.concatenate((np.full(480, train.values[0]), train.values))
    (early,), (late,) = (
        find_edges(samples_from_array(values, 48000.0)) for values in (train.values, later)
    )
    assert late.time_s - early.time_s == pytest.approx(0.01, abs=2e-8)


def test_times_scale_with_the_rate() -> None:
    train = render_train(1.5e-3)
    (slow,), (fast,) = (
        find_edges(samples_from_array(train.values, rate)) for rate in (48000.0, 50000.0)
    )
    assert fast.time_s * 50000.0 == pytest.approx(slow.time_s * 48000.0, abs=1e-3)


def test_a_list_of_edges_is_taken_as_it_is() -> None:
    edges = edges_from_list(
        EdgeList(np.array([0.0, 0.001]), np.array([True, False]), 1e-6, 0.0, 1.0)
    )
    assert edges.time_s.tolist() == [0.0, 0.001]
    assert edges.u_s == pytest.approx(1e-6 / np.sqrt(12))
