"""How far the rest moves for each movement of the pulse: by hand, by simulation, with its '±'."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.measured_ratio import measure_ratio
from benchlog.diagnosis.series.mains import MainsLine, MainsSearch

Values = NDArray[np.float64]

_ON_S, _OFF_S = 1.265e-3, 13.46e-3
_U_EDGE_S = 0.5e-6


def make_cycles(on_s: Values, off_s: Values, u_edge_s: float = 0.0) -> Cycles:
    """Make cycles about the means of a usual channel."""
    on, off = _ON_S + on_s, _OFF_S + off_s
    start = np.concatenate(([0.0], np.cumsum(on + off)[:-1]))
    follows = np.arange(on.shape[0]) > 0
    return Cycles(start, on, off, follows, u_edge_s, float(np.sum(on + off)))


def jitter_edges(rng: np.random.Generator, count: int) -> tuple[Values, Values]:
    """Return what noise of the edges adds to pulses and rests: each edge belongs to two."""
    edge = _U_EDGE_S * rng.standard_normal(2 * count + 1)
    apart = np.diff(edge)
    return apart[::2], apart[1::2]


def test_a_ratio_without_noise_is_exact() -> None:
    moved = 1e-6 * np.resize([1.0, -2.0, 4.0, -3.0], 200)
    for counted in ("pulse", "period"):
        found = measure_ratio([make_cycles(moved, -0.85 * moved)], counted=counted)
        assert found is not None
        assert found.value == pytest.approx(-0.85, rel=1e-9)
        assert found.u == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("true", "counted"), [(-0.87, "pulse"), (11.0, "period")])
def test_noise_of_the_edges_is_taken_out(true: float, counted: str) -> None:
    """An edge that is late lengthens the pulse and shortens the rest: that looks like a wiper."""
    scores = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        moved = 1e-6 * rng.standard_normal(2000)
        on, off = jitter_edges(rng, 2000)
        cycles = make_cycles(moved + on, true * moved + off, _U_EDGE_S)
        found = measure_ratio([cycles], counted=counted)
        assert found is not None
        scores.append((found.value - true) / found.u)
    # of 40 scores of unit spread the mean is within 3/sqrt(40) = 0.47 of 0; ten blocks make
    # Student's t with 9 degrees of freedom of each, whose spread is sqrt(9/7) = 1.13, and 40 of
    # them give that to a ninth: 0.8 to 1.6 leaves three times that
    assert abs(float(np.mean(scores))) < 0.5
    assert 0.8 < float(np.std(scores)) < 1.6


def test_creep_counts_as_few_values() -> None:
    """Another cause beside a slow one: the blocks tell that few values are independent."""
    rng = np.random.default_rng(5)
    walks = np.cumsum(rng.standard_normal((2, 4000)), axis=1)
    walks = 5e-6 * (walks - walks.mean(axis=1, keepdims=True)) / walks.std(axis=1, keepdims=True)
    slow = measure_ratio([make_cycles(walks[0], -0.85 * walks[0] + 0.3 * walks[1])])
    mixed = rng.permutation(4000)
    quick = measure_ratio(
        [
            make_cycles(
                walks[0][mixed], -0.85 * walks[0][mixed] + 0.3 * walks[1][rng.permutation(4000)]
            )
        ]
    )
    assert slow is not None
    assert quick is not None
    assert abs(quick.value + 0.85) < 4.0 * quick.u
    assert slow.u > 5.0 * quick.u


def test_hum_that_was_found_is_taken_out() -> None:
    rng = np.random.default_rng(6)
    moved = 3e-6 * rng.standard_normal(1500)
    swing = 5e-6 * np.sin(0.7 * np.arange(1500))
    cycles = make_cycles(moved + swing, -0.85 * moved + 9.0 * swing)
    figures: dict[str, Any] = dict.fromkeys(MainsLine.__dataclass_fields__, 0.0)
    line = MainsLine(**{**figures, "on_part_s": swing, "off_part_s": 9.0 * swing})
    blind, seeing = (
        measure_ratio([cycles], [MainsSearch(lines, (), ())]) for lines in ((), (line,))
    )
    assert blind is not None
    assert seeing is not None
    assert blind.value > 1.0
    assert seeing.value == pytest.approx(-0.85, abs=1e-6)


def test_several_recordings_are_taken_about_their_own_means() -> None:
    moved = 1e-6 * np.resize([1.0, -2.0, 4.0, -3.0], 200)
    far = make_cycles(moved + 400e-6, -0.85 * moved + 700e-6)
    found = measure_ratio([make_cycles(moved, -0.85 * moved), far])
    assert found is not None
    assert found.value == pytest.approx(-0.85, rel=1e-9)


def test_too_little_gives_no_ratio() -> None:
    moved = 1e-6 * np.resize([1.0, -2.0], 90)
    assert measure_ratio([make_cycles(moved, moved)]) is None
    assert measure_ratio([make_cycles(np.zeros(200), np.zeros(200), _U_EDGE_S)]) is None
    assert measure_ratio([]) is None
