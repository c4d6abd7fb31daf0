"""The tick of an edge list, read off its times."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import list_cycles
from benchlog.recording import EdgeList
from benchlog.timing.edges import edges_from_list
from benchlog.timing.pulses import measure_edges
from benchlog.timing.tick import infer_tick


def train(jitter_s: float = 1e-6, count: int = 400, seed: int = 1) -> NDArray[np.float64]:
    """Return edge times of pulses of 1.5 ms, a whole number of no tick apart."""
    rng = np.random.default_rng(seed)
    start = 0.01 + np.arange(count) * 0.0171234567 + rng.normal(size=count) * jitter_s
    end = start + 1.5e-3 + rng.normal(size=count) * jitter_s
    return np.stack([start, end], axis=1).ravel()


def ticked(time_s: NDArray[np.float64], tick_s: float, digits: int) -> NDArray[np.float64]:
    """Return times as a clock of that tick gives them and a file writes them."""
    return np.asarray(np.round(np.floor(time_s / tick_s) * tick_s, digits))


def test_four_edges_a_microsecond_apart_are_too_few() -> None:
    assert infer_tick(np.array([0.010, 0.011, 0.030, 0.032])) == 0.0


@pytest.mark.parametrize("digits", [6, 7, 9, 12])
@pytest.mark.parametrize("tick_s", [1e-6, 4e-6, 1e-5])
@pytest.mark.parametrize("jitter_s", [0.0, 1e-6, 20e-6])
def test_a_round_tick_is_found(tick_s: float, digits: int, jitter_s: float) -> None:
    assert infer_tick(ticked(train(jitter_s), tick_s, digits)) == pytest.approx(tick_s, rel=1e-9)


def test_the_tick_of_a_watch_crystal_is_found_in_nanoseconds() -> None:
    # 32768 Hz, the usual watch crystal (common practice): its tick is no whole number of ns
    found = infer_tick(ticked(train(), 1 / 32768, 9))
    assert found == pytest.approx(1 / 32768, rel=1e-6)


def test_times_on_no_grid_have_no_tick() -> None:
    assert infer_tick(train()) == 0.0


def test_a_train_without_any_change_does_not_tell() -> None:
    # every millisecond would fit, and it would be foolish to take that for a clock's tick
    time = np.sort(np.concatenate([0.02 * np.arange(100), 0.02 * np.arange(100) + 0.002]))
    assert infer_tick(time) == 0.0


def test_a_few_odd_lengths_do_not_tell() -> None:
    # steady to the last digit but for three cycles, whose lengths are multiples of 0.1 ms
    length = np.tile([1.5e-3, 8.5e-3], 100)
    length[100:106] += [1e-4, 2e-4, 5e-4, 1e-4, 3e-4, 2e-4]
    assert infer_tick(np.round(np.cumsum(length), 9)) == 0.0


@settings(max_examples=30, deadline=None)
@given(tick_us=st.integers(1, 50), seed=st.integers(0, 1000), shift_s=st.floats(0.0, 10.0))
def test_a_tick_does_not_depend_on_when_it_began(tick_us: int, seed: int, shift_s: float) -> None:
    time = ticked(train(30e-6, 200, seed) + shift_s, tick_us * 1e-6, 6)
    assert infer_tick(time) == pytest.approx(tick_us * 1e-6, rel=1e-9)


@pytest.mark.parametrize(("said_s", "expected_s"), [(0.0, 4e-6), (1e-6, 4e-6), (8e-6, 8e-6)])
def test_a_tick_counts_as_noise_of_the_input(said_s: float, expected_s: float) -> None:
    time = ticked(train(), 4e-6, 9)
    listed = EdgeList(time, np.arange(time.size) % 2 == 0, said_s, 0.0, float(time[-1]) + 0.01)
    edges = edges_from_list(listed)
    # a rectangular distribution a tick wide (JCGM 100, 4.3.7)
    assert edges.u_s == pytest.approx(expected_s / np.sqrt(12.0))
    measured = measure_edges(edges)
    assert measured is not None
    assert measured.jitter.floor_s == pytest.approx(expected_s / np.sqrt(6.0))
    assert list_cycles(measured).u_edge_s == pytest.approx(expected_s / np.sqrt(12.0))
    if said_s < 1e-6:
        # pulses of sd 1 us by a clock of 4 us: what is left, 1.4 us of the two edges' scatter
        # with 1.63 us of rounding, holds within a tenth over 400 pulses
        expected = np.hypot(1e-6, 4e-6 / np.sqrt(6.0))
        assert measured.jitter.width_rms_s == pytest.approx(expected, rel=0.1)
