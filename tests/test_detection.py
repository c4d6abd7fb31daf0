"""Steps are found where they are, and nowhere else."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.timing.detection import (
    cut_rows,
    decimate,
    decimation_for,
    find_steps,
    refine_steps,
    split_chunks,
)


@pytest.mark.parametrize(
    ("rate_hz", "factor"), [(8000, 1), (44100, 4), (48000, 4), (96000, 8), (192000, 16)]
)
def test_decimation_keeps_the_detector_near_12_khz(rate_hz: float, factor: int) -> None:
    assert decimation_for(rate_hz) == factor


def test_decimate_averages_runs_and_leaves_out_the_rest() -> None:
    values = np.array([1, 3, 5, 7, 9], dtype=np.float32)
    assert decimate(values, 2).tolist() == [2.0, 6.0]
    assert decimate(values, 1).tolist() == values.tolist()


@pytest.mark.parametrize("factor", [1, 2, 3, 4, 6, 7, 8, 12, 16])
def test_decimate_by_any_factor_is_the_mean(factor: int) -> None:
    values = np.random.default_rng(factor).normal(size=1000).astype(np.float32)
    count = 1000 // factor
    mean = values[: count * factor].reshape(count, factor).mean(axis=1, dtype=np.float64)
    averages = decimate(values, factor)
    assert averages.dtype == np.float32
    assert averages == pytest.approx(mean, abs=1e-6)


@pytest.mark.parametrize("first", [[], [0, 7, 3], [-2, 4], [5, 9], [-30, 30]])
def test_rows_repeat_the_end_samples_past_the_ends(first: list[int]) -> None:
    values = np.arange(10, dtype=np.float32)
    rows = cut_rows(values, np.array(first, np.intp), 3)
    assert rows.shape == (len(first), 3)
    wanted = [[min(max(at + k, 0), 9) for k in range(3)] for at in first]
    assert rows.tolist() == wanted
    twice = np.repeat(values, 2)[::2]  # samples that do not lie side by side
    assert cut_rows(twice, np.array(first, np.intp), 3).tolist() == wanted


def test_the_first_of_equal_peaks_is_the_step() -> None:
    averages = np.zeros(60, dtype=np.float32)
    averages[20:40] = 0.5
    # a step between decimated samples gives a flat top of the detector at most, or none
    averages[20] = averages[39] = 0.25
    steps = find_steps(averages)
    assert steps.index.tolist() == [20, 39]
    assert steps.height.tolist() == [0.5, -0.5]


def test_one_step_up_and_one_down_are_found_at_their_sample() -> None:
    values = np.zeros(400, dtype=np.float32)
    values[101:250] = 0.5
    averages = decimate(values, 4)
    steps = find_steps(averages)
    assert np.sign(steps.height).tolist() == [1.0, -1.0]
    last, area = refine_steps(values, averages, steps, 4)
    assert last.tolist() == [100, 249]
    # from the beginning of sample 100 (249 // 4 * 4 = 248) to the middle of the last one
    assert area.tolist() == [0.0, 0.75]


@pytest.mark.parametrize("kind", ["hiss", "hum", "steady", "ramp"])
def test_no_step_in_what_has_none(kind: str) -> None:
    at = np.arange(240000) / 12000.0
    signal = {
        "hiss": np.random.default_rng(3).normal(size=at.shape),
        "hum": np.sin(2 * np.pi * 50 * at),
        "steady": np.full(at.shape, 0.4),
        "ramp": at / at[-1],
    }[kind]
    assert find_steps(signal.astype(np.float32)).index.shape == (0,)


@given(
    st.lists(st.integers(0, 70), max_size=12),
    st.integers(8, 64),
    st.integers(0, 16),
)
def test_chunks_tile_the_stream_however_it_is_cut(
    sizes: list[int], frames: int, overlap: int
) -> None:
    whole = np.arange(sum(sizes), dtype=np.float32)[:, None]
    borders = np.cumsum([0, *sizes])
    blocks = [whole[a:b] for a, b in itertools.pairwise(borders)]
    cut = list(split_chunks(iter(blocks), overlap, frames))
    uncut = list(split_chunks(iter([whole]), overlap, frames))
    assert [(c.first, c.core_start, c.core_end) for c in cut] == [
        (c.first, c.core_start, c.core_end) for c in uncut
    ]
    core = [c.values[c.core_start - c.first : c.core_end - c.first, 0] for c in cut]
    joined = np.concatenate(core) if core else np.empty(0)
    assert joined.tolist() == whole[:, 0].tolist()
    for chunk in cut:
        assert chunk.values[0, 0] == chunk.first
