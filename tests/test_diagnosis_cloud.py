"""The cloud of a diagnosis: dots, the causes' lines through them, and their labels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from matplotlib.figure import Figure

from benchlog.diagnosis.separation.directions import Direction
from benchlog.show.cycle_averages import average_cycles
from benchlog.show.diagnosis_cloud import CAUSE_STYLES, Lead, draw_cloud
from tests.picture_checks import (
    NO_MAINS,
    check_layout,
    make_cycles,
    make_unrest,
    strong_lines,
)


def test_averages_by_hand() -> None:
    # 48 cycles of 0.1 s, 4.7 s from the first start to the last: ten stretches of 0.47 s. The
    # first five cycles (0 to 0.4 s) make the first, the next five (0.5 to 0.9 s) the second; after
    # 24 cycles five stretches are full (2.35 s)
    on = np.where(np.arange(48) < 24, 1e-3, 2e-3)
    found = average_cycles(make_cycles(on, 0.1 - on, 0.0))
    assert found.length_s == pytest.approx(0.47)
    assert found.on_s == pytest.approx([1e-3] * 5 + [2e-3] * 5)
    assert found.on_s + found.off_s == pytest.approx([0.1] * 10)
    assert found.time_s[:2] == pytest.approx([0.2, 0.7])


def way(kind: str, on_s: float, off_s: float, next_on_s: float = 0.0) -> Direction:
    return Direction(kind, kind, on_s, off_s, next_on_s, 0.0, "V", 0.02)


@pytest.mark.parametrize(("seconds", "length_s"), [(60.0, 1.0), (5.0, 0.5), (3000.0, 10.0)])
def test_stretches_fit_the_recording(seconds: float, length_s: float) -> None:
    count = round(seconds / 0.02) + 1
    on = np.full(count, 1e-3)
    assert average_cycles(make_cycles(on, 0.02 - on, 0.0)).length_s == pytest.approx(length_s)


def test_lines_lie_along_the_causes() -> None:
    rng = np.random.default_rng(3)
    moved = 20e-6 * rng.standard_normal(200)
    cycles = make_cycles(1.5e-3 + moved, 12e-3 - 0.85 * moved, 0.5e-6)
    unrest = make_unrest(("wiper", "wiper", 0.7), ("supply", "supply", 0.25))
    ways = (
        way("wiper", 2e-3, -1.7e-3),
        # on begins at the supply that the cycle before ended with: both parts belong to the line
        way("supply", -60e-6, 1e-6, next_on_s=-40e-6),
        way("capacitor", 1.5e-3, 12e-3),
    )
    axes = Figure().add_subplot()
    leads = [Lead("wiper", 0.7, 0), Lead("supply", 0.25, 1)]
    draw_cloud(axes, cycles, ways, unrest, NO_MAINS, leads)
    assert strong_lines(axes) == pytest.approx(
        {CAUSE_STYLES[0][0]: -0.85, CAUSE_STYLES[1][0]: -0.01}
    )
    labels = [one.get_text() for one in axes.texts]
    assert labels[:2] == ["wiper on its track: 70 %", "supply, slowly: 25 %"]
    assert labels[2] == "timing capacitor"
    dots = axes.lines[0]
    assert np.asarray(dots.get_xdata()) == pytest.approx(1e6 * (cycles.on_s - cycles.on_s.mean()))
    assert np.asarray(dots.get_ydata()) == pytest.approx(1e6 * (cycles.off_s - cycles.off_s.mean()))


def test_nothing_stands_out_where_it_is_not_told() -> None:
    cycles = make_cycles(np.array([1.5e-3, 1.6e-3] * 20), np.full(40, 0.01), 0.0)
    axes = Figure().add_subplot()
    unrest = make_unrest(("supply", "supply", 1.0))
    draw_cloud(axes, cycles, (way("supply", -1e-4, 0.0),), unrest, NO_MAINS, [])
    assert strong_lines(axes) == {}
    assert [one.get_text() for one in axes.texts] == ["supply, slowly"]


def test_dots_lie_in_front_of_the_line_that_they_follow() -> None:
    moved = 20e-6 * np.random.default_rng(6).standard_normal(200)
    cycles = make_cycles(1.5e-3 + moved, 12e-3 - 0.85 * moved, 0.0)
    axes = Figure().add_subplot()
    unrest = make_unrest(("wiper", "wiper", 1.0))
    draw_cloud(axes, cycles, (way("wiper", 2e-3, -1.7e-3),), unrest, NO_MAINS,
               [Lead("wiper", 1.0, 0)])  # fmt: skip
    [line] = [one for one in axes.lines if one.get_color() == CAUSE_STYLES[0][0]]
    assert line.get_zorder() < axes.lines[0].get_zorder()


def test_a_lower_level_is_shown_with_the_pulse_after_it() -> None:
    # a rest that is longer by 3 makes the pulse after it longer by 1: alone in that pairing
    rng = np.random.default_rng(4)
    level = 1e-6 * rng.standard_normal(301)
    cycles = make_cycles(1.5e-3 + level[:-1], 12e-3 + 3.0 * level[1:], 0.0)
    axes = Figure().add_subplot()
    unrest = make_unrest(("lower-level", "threshold", 0.8), ("upper-level", "threshold", 0.2))
    ways = (way("lower-level", 0.0, 3e-3, next_on_s=1e-3), way("upper-level", 1e-3, 5e-3))
    leads = [Lead("lower-level", 0.8, 0), Lead("upper-level", 0.2, 0)]
    draw_cloud(axes, cycles, ways, unrest, NO_MAINS, leads)
    assert axes.get_ylabel().startswith("rest before it")
    x, y = (np.asarray(one) for one in (axes.lines[0].get_xdata(), axes.lines[0].get_ydata()))
    assert x.shape == (299,)
    assert y == pytest.approx(3.0 * x, abs=1e-6)
    assert list(strong_lines(axes).values()) == pytest.approx([3.0])
    assert axes.texts[0].get_text().endswith("switches, pulse's end: 20 %")


def test_labels_of_any_directions_stay_apart() -> None:
    """Causes that lie anywhere, alike or apart, whichever of them lead."""
    kinds = ("wiper", "contact", "supply", "capacitor", "off-path", "diode", "leak",
             "upper-level", "supply-on-end")  # fmt: skip
    rng = np.random.default_rng(8)
    for _ in range(12):
        on, off = 1.5e-3 + 2e-5 * rng.standard_normal((2, 60))
        spread = rng.choice([0.05, 0.5, 3.0])
        angles = rng.uniform(0.0, math.pi) + spread * rng.uniform(-0.5, 0.5, len(kinds))
        ways = tuple(
            way(kind, float(np.cos(angle)), float(np.sin(angle)))
            for kind, angle in zip(kinds, angles, strict=True)
        )
        leading = rng.choice(kinds, 3, replace=False)
        unrest = make_unrest(*((str(kind), "supply", 0.3) for kind in leading))
        figure = Figure(figsize=(10.0, 4.5))
        axes = figure.add_axes((0.1, 0.2, 0.32, 0.61))
        leads = [Lead(str(kind), 0.3, rank) for rank, kind in enumerate(leading)]
        draw_cloud(axes, make_cycles(on, off, 1e-6), ways, unrest, NO_MAINS, leads)
        texts = check_layout(figure)
        assert sum(text.endswith(": 30 %") for text in texts) == 3
