"""Runs of zeros: lost samples where noise cannot have left them, nothing where it can."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.diagnosis.train.events import find_events
from benchlog.recording import samples_from_array
from benchlog.timing.blanks import BlankFinder
from benchlog.timing.edges import find_edges
from benchlog.timing.pulses import measure_edges

RATE_HZ = 48000.0
STEP = 2.0**-15


def gaps_of(values: np.ndarray, cut: int, noise: float = 1e-3) -> list[tuple[int, int]]:
    """Return begin and length, in samples, of what is found in stretches of a length."""
    finder = BlankFinder()
    for first in range(0, values.shape[0], cut):
        finder.add(values[first : first + cut], first)
    found = finder.finish(noise, STEP, RATE_HZ)
    return [(round(one.start_s * RATE_HZ), round(one.length_s * RATE_HZ)) for one in found]


@pytest.mark.parametrize("cut", [7, 100, 137, 1000])
def test_zeros_within_samples_are_found_however_the_blocks_are_cut(cut: int) -> None:
    values = np.full(1000, 0.1)
    values[100:140] = 0.0  # begins and ends with a block of 100 and of 20
    values[300:331] = 0.0  # one sample short of the least buffer
    values[600:800] = 0.0
    assert gaps_of(values, cut) == [(100, 40), (600, 200)]


def test_zeros_before_the_input_runs_and_after_it_stopped_are_not_lost() -> None:
    values = np.full(1000, 0.1)
    values[:200] = values[900:] = 0.0
    assert gaps_of(values, 100) == []


def test_a_quiet_input_rests_at_zero_by_itself() -> None:
    values = np.full(1000, 0.1)
    values[100:300] = 0.0
    assert gaps_of(values, 100, noise=0.3 * STEP) == []
    assert gaps_of(values, 100, noise=0.0) == []


def test_coarse_rounding_leaves_longer_runs_by_chance() -> None:
    values = np.full(1000, 0.1)
    values[100:140] = 0.0
    values[300:600] = 0.0
    # noise of half a step rounds to zero with probability erf(1/sqrt(2)) = 0.683; a run of 91
    # has one of 1e-15
    assert gaps_of(values, 100, noise=0.5 * STEP) == [(300, 300)]


def test_zeros_in_the_place_of_lost_samples_are_a_gap_and_no_missing_pulse() -> None:
    rng = np.random.default_rng(5)
    count = int(20 * RATE_HZ)
    # 1.5 ms of 10 ms, on the wire as an input with noise of 50 steps hears it
    values = np.where(np.arange(count) % 480 < 72, 0.35, -0.05) + 1.5e-3 * rng.standard_normal(
        count
    )
    values[200_000:201_000] = 0.0  # two pulses and more
    edges = find_edges(
        samples_from_array(np.round(values / STEP)[:, None] * STEP, RATE_HZ, step=STEP)
    )
    (gap,) = edges[0].gaps
    assert (gap.start_s, gap.length_s) == pytest.approx((200_000 / RATE_HZ, 1000 / RATE_HZ))
    measurement = measure_edges(edges[0], input_=1)
    assert measurement is not None
    assert [one.kind for one in find_events(measurement).events] == ["gap"]
