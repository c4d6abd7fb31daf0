"""Labels that give way to each other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear

from benchlog.show.spread_labels import spread_labels


@pytest.mark.parametrize(
    ("wanted", "sizes", "places"),
    [
        ([], [], []),
        ([0.5], [0.1], [0.5]),
        ([0.2, 0.8], [0.1, 0.1], [0.2, 0.8]),
        # two at one place part evenly
        ([0.5, 0.5], [0.2, 0.2], [0.4, 0.6]),
        # one at the end is pushed in by half of its length
        ([0.0], [0.2], [0.1]),
        ([1.0, 0.99], [0.2, 0.2], [0.9, 0.7]),
        # unequal ones keep half of each between their middles
        ([0.5, 0.5], [0.4, 0.2], [0.35, 0.65]),
        # more than the line holds: shrunk to half, side by side
        ([0.3, 0.3, 0.3, 0.3], [0.5, 0.5, 0.5, 0.5], [0.125, 0.375, 0.625, 0.875]),
    ],
)
def test_places_by_hand(wanted: list[float], sizes: list[float], places: list[float]) -> None:
    assert spread_labels(wanted, sizes, 0.0, 1.0) == pytest.approx(places)


def test_sizes_of_another_number_are_refused() -> None:
    with pytest.raises(ValueError, match="2 labels need as many sizes, got 1"):
        spread_labels([0.1, 0.2], [0.1], 0.0, 1.0)


_LABELS = st.lists(st.tuples(st.floats(-2.0, 2.0), st.floats(0.01, 0.12)), min_size=1, max_size=8)


@given(_LABELS)
@settings(max_examples=60, deadline=None)
def test_labels_neither_cover_nor_leave_the_line(labels: list[tuple[float, float]]) -> None:
    wanted, sizes = [one[0] for one in labels], [one[1] for one in labels]
    places = np.array(spread_labels(wanted, sizes, -1.0, 1.0))
    order = np.argsort(wanted, kind="stable")
    size, placed = np.array(sizes)[order], places[order]
    assert np.all(np.diff(placed) >= (size[1:] + size[:-1]) / 2.0 - 1e-9)
    assert placed[0] - size[0] / 2.0 >= -1.0 - 1e-9
    assert placed[-1] + size[-1] / 2.0 <= 1.0 + 1e-9


@given(st.lists(st.floats(-1.0, 1.0), min_size=2, max_size=20))
@settings(max_examples=60, deadline=None)
def test_moves_are_the_least_squares_ones(wanted: list[float]) -> None:
    # far from the ends: a first place and steps that are not negative, which scipy solves by
    # bounded least squares to about 1e-9
    size = 0.3
    places = np.array(spread_labels(wanted, [size] * len(wanted), -100.0, 100.0))
    order = np.argsort(wanted, kind="stable")
    offset = size * np.arange(len(wanted))
    count = len(wanted)
    steps = np.tril(np.ones((count, count)))
    bounds = (np.append(-np.inf, np.zeros(count - 1)), np.full(count, np.inf))
    solved = lsq_linear(steps, np.array(wanted)[order] - offset, bounds, method="bvls", tol=1e-14)
    assert places[order] == pytest.approx(steps @ solved.x + offset, abs=1e-6)
