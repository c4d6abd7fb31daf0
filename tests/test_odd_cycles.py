"""Single cycles far outside the others are set apart, and nothing else is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.odd_cycles import calm_cycles
from benchlog.diagnosis.separation.directions import find_directions
from benchlog.diagnosis.separation.unrest import separate_causes
from tests.made_cycles import make_cycles

DROP = (60e-6, 25e-6)
"""What a pull does to pulse and rest while it lasts, seconds."""


def pull(cycles: Cycles, *, swing_s: float = 1.5e-3, every: int = 120, length: int = 30) -> Cycles:
    """Pull the supply now and then: it falls and rises within 1.4 cycles each time.

    A rest is longer by what the supply falls within it.
    """
    gone = np.zeros(cycles.count)
    for first in range(40, cycles.count - 2 * length, every):
        after = np.arange(cycles.count - first)
        gone[first:] += 1.0 - np.exp(-after / 1.4)
        gone[first + length :] -= 1.0 - np.exp(-after[: after.size - length] / 1.4)
    fall = np.diff(gone, append=gone[-1])
    return replace(
        cycles,
        on_s=cycles.on_s + DROP[0] * gone,
        off_s=cycles.off_s + DROP[1] * gone + swing_s * fall,
    )


def test_what_is_calm_stays_as_it_is() -> None:
    for walk_s in (0.0, 1e-6):
        cycles = make_cycles(1, walk_s=walk_s, mains=((50.0, 5e-6),))
        calmed = calm_cycles(cycles)
        assert calmed.cycles is cycles
        assert calmed.on_s.size == 0
        assert calmed.variances.tolist() == [0.0, 0.0]


def test_a_pull_is_a_straight_line_from_state_to_state() -> None:
    made = make_cycles(2)
    calmed = calm_cycles(pull(made))
    cycles = calmed.cycles
    # 23 pulls of two edges; from 1.5 ms to 3 sd of 2 us takes 1.4 ln(500 / 3) = 7 cycles
    assert 46 * 4 <= calmed.off_s.size <= 46 * 13
    assert np.max(np.abs(cycles.off_s - np.median(cycles.off_s))) < DROP[1] + 15e-6
    slope = np.polyfit(cycles.on_s, cycles.off_s, 1)[0]
    assert slope == pytest.approx(DROP[1] / DROP[0], abs=0.03)  # 2 us over 60 us and 2900 cycles


def test_variances_add_up() -> None:
    pulled = pull(make_cycles(3))
    calmed = calm_cycles(pulled)
    whole = np.array([np.var(pulled.on_s), np.var(pulled.period_s)])
    left = np.array([np.var(calmed.cycles.on_s), np.var(calmed.cycles.period_s)])
    assert left + calmed.variances == pytest.approx(np.maximum(whole, left), rel=1e-9)


def test_coarse_ticks_are_no_odd_cycles() -> None:
    made = make_cycles(4, white_s=1e-6)
    tick = 4e-6
    coarse = replace(
        made, on_s=np.round(made.on_s / tick) * tick, off_s=np.round(made.off_s / tick) * tick
    )
    assert calm_cycles(coarse).on_s.size == 0


def test_what_moves_so_all_the_time_is_left() -> None:
    made = make_cycles(5)
    rng = np.random.default_rng(5)
    wild = replace(made, off_s=made.off_s + 1e-3 * (rng.uniform(size=made.count) < 0.4))
    assert calm_cycles(wild).cycles is wild


@pytest.mark.parametrize("swing_s", [0.0, 1.5e-3])
def test_sudden_pulls_are_the_supplys(swing_s: float) -> None:
    """With and without the jumps of the rests: a wiper would take from the rest what it gives."""
    cycles = pull(make_cycles(6, white_s=0.3e-6), swing_s=swing_s)
    ways = find_directions(float(cycles.on_s.mean()), float(cycles.off_s.mean()), None)
    first = separate_causes([cycles], [ways]).cause_shares[0]
    assert first.cause == "supply"
    assert first.share > 0.9


def test_a_contact_that_crackles_rarely_is_the_wipers() -> None:
    made = make_cycles(7, white_s=0.3e-6)
    ways = find_directions(float(made.on_s.mean()), float(made.off_s.mean()), None)
    way = next(one for one in ways if one.kind == "contact")
    rng = np.random.default_rng(7)
    ohm = np.where(rng.uniform(size=made.count) < 0.02, rng.uniform(1e3, 4e3, made.count), 0.0)
    cycles = replace(made, on_s=made.on_s + way.on_s * ohm, off_s=made.off_s + way.off_s * ohm)
    assert calm_cycles(cycles).off_s.size > 30
    first = separate_causes([cycles], [ways], pulse_limit_s=1e-6).cause_shares[0]
    assert first.cause == "wiper"
    assert first.share > 0.95
