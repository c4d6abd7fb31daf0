"""Steps, episodes and a load that moves to and fro."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.diagnosis.series.mains import find_mains
from benchlog.diagnosis.series.steps import Step, find_periodic_load, find_steps, pair_steps
from tests.made_cycles import make_cycles


def step(time_s: float, on_s: float, u_s: float = 0.01) -> Step:
    return Step(time_s, on_s, 0.0, u_s, u_s)


@pytest.mark.parametrize(
    ("steps", "episodes"),
    [
        ([], []),
        ([step(1, 2.0)], []),
        ([step(1, -2.0), step(3, 2.1)], [(1, 2, -2.05)]),
        ([step(1, -2.0), step(3, 5.0)], []),
        ([step(1, 1.0), step(2, -2.0), step(5, 2.0)], [(2, 3, -2.0)]),
        ([step(1, -2.0, 0.5), step(3, 3.9, 0.5)], [(1, 2, -2.95)]),
    ],
)
def test_pairs_by_hand(steps: list[Step], episodes: list[tuple[float, float, float]]) -> None:
    found = pair_steps(steps)
    assert [(one.start_s, one.length_s) for one in found] == [one[:2] for one in episodes]
    assert [one.on_s for one in found] == pytest.approx([one[2] for one in episodes])


@pytest.mark.parametrize("walk_s", [0.0, 2e-7])
def test_finds_episodes_through_jitter_and_creep(walk_s: float) -> None:
    loads = [(8.0, 2.0), (20.0, 3.0), (41.0, 1.0)]

    def pulled(time: float) -> float:
        return -10e-6 * any(begin <= time < begin + length for begin, length in loads)

    cycles = make_cycles(2, course=pulled, walk_s=walk_s)
    episodes = pair_steps(find_steps(cycles))
    assert len(episodes) == 3
    for one, (begin, length) in zip(episodes, loads, strict=True):
        # A step of ten times the jitter is placed to a cycle or two of 20 ms.
        assert one.start_s == pytest.approx(begin, abs=0.06)
        assert one.length_s == pytest.approx(length, abs=0.09)
        # Means of six cycles or more, jitter 1 us: 0.6 us, and four of them.
        assert one.on_s == pytest.approx(-10e-6, abs=2.4e-6)


def test_step_of_the_rest_is_given_too() -> None:
    cycles = make_cycles(
        3, course=lambda time: 8e-6 * (time > 30), off_course=lambda time: -20e-6 * (time > 30)
    )
    (one,) = find_steps(cycles)
    # Jitter 1 and 2 us, means over a hundred cycles or fewer: 5 of the stated uncertainties.
    assert abs(one.on_s - 8e-6) < 5 * one.u_on_s
    assert abs(one.off_s + 20e-6) < 5 * one.u_off_s
    assert one.u_on_s < 1e-6


def test_jitter_and_creep_have_no_steps_and_no_load() -> None:
    steps = loads = 0
    for seed in range(30):
        walk = (0.0, 1e-7, 2e-6)[seed % 3]
        cycles = make_cycles(seed, duration_s=40.0, walk_s=walk)
        steps += bool(find_steps(cycles))
        loads += find_periodic_load(cycles) is not None
    # One in a thousand is asked for; in 30 recordings not one is the likely count.
    assert steps == 0
    assert loads == 0


@pytest.mark.parametrize("hz", [0.27, 1.3])
def test_finds_a_load_that_moves_to_and_fro(hz: float) -> None:
    cycles = make_cycles(5, walk_s=1e-7, course=lambda time: 5e-6 * np.cos(2 * np.pi * hz * time))
    load = find_periodic_load(cycles)
    assert load is not None
    # The bound of a frequency: sqrt(6) s / (pi peak T sqrt(n)) = 6e-5 Hz for 1 us of jitter
    # (Cramer-Rao, Rife and Boorstyn 1974, from memory); creep adds, so ten times that.
    assert 1.0 / load.period_s == pytest.approx(hz, abs=6e-4)
    assert abs(load.on_peak_s - 5e-6) < 5 * load.u_on_peak_s
    assert load.off_peak_s < 5 * load.u_off_peak_s + 1e-6
    turns = load.shortest_s * hz - 0.5
    assert turns == pytest.approx(np.rint(turns), abs=0.05)
    assert load.shortest_s.shape[0] == pytest.approx(60 * hz, abs=1.5)


def test_mains_is_no_load() -> None:
    cycles = make_cycles(6, mains=((50.0, 6e-6),))
    lines = find_mains(cycles).lines
    assert len(lines) >= 1
    assert find_periodic_load(cycles) is not None
    assert find_periodic_load(cycles, lines) is None


def test_short_or_still_recordings_have_nothing() -> None:
    assert find_steps(make_cycles(0, duration_s=0.2)) == ()
    assert find_periodic_load(make_cycles(0, duration_s=1.0)) is None
    still = make_cycles(0, white_s=0.0)
    assert find_steps(still) == ()
    assert find_periodic_load(still) is None
