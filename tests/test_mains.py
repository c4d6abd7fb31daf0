"""Mains lines among cycles made with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.capture.simulated import Fluctuation, Wander, simulate_edges
from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.series.aliases import list_aliases
from benchlog.diagnosis.series.mains import MainsSearch, find_mains
from tests.made_cycles import make_cycles, make_hummed_cycles


def test_aliases_near_zero_are_named() -> None:
    found = find_mains(make_cycles(0, period_s=0.02001))
    assert found.near_zero == tuple(one for one in found.aliases if abs(one[2]) <= 0.05)
    assert (50.0, 1) in {one[:2] for one in found.near_zero}
    assert len(found.aliases) == 10


@pytest.mark.parametrize("hz", [50.02, 59.97, 100.01, 150.0, 240.05])
@pytest.mark.parametrize("walk_s", [0.0, 5e-7])
def test_finds_the_line_and_its_size(hz: float, walk_s: float) -> None:
    cycles = make_cycles(3, mains=((hz, 4e-6),), walk_s=walk_s)
    lines = find_mains(cycles).lines
    first = lines[0]
    assert first.harmonic * first.mains_hz == pytest.approx(hz, abs=0.1 * first.harmonic)
    # Bound of a frequency, 1 us of jitter: sqrt(6) s / (pi peak T sqrt(n)) = 6e-5 Hz; creep and
    # the line's own turning of the instants add: twenty times that.
    assert first.found_hz == pytest.approx(hz, abs=1.2e-3)
    assert abs(first.on_peak_s - 4e-6) < 5 * first.u_on_peak_s + 0.02 * 4e-6
    assert abs(first.off_peak_s - 8e-6) < 5 * first.u_off_peak_s + 0.03 * 8e-6
    assert first.on_part_s.shape == cycles.on_s.shape
    assert np.std(first.on_part_s) == pytest.approx(first.on_peak_s / np.sqrt(2), rel=0.02)


def test_two_lines_at_once() -> None:
    found = find_mains(make_cycles(8, mains=((50.0, 5e-6), (150.0, 2e-6))))
    assert [(one.mains_hz, one.harmonic) for one in found.lines] == [(50.0, 1), (50.0, 3)]
    assert found.lines[1].on_peak_s == pytest.approx(2e-6, abs=0.4e-6)


def test_creep_and_jitter_of_any_colour_are_no_line() -> None:
    wrong = 0
    for seed in range(24):
        rng = np.random.default_rng(seed)
        knots = 20e-6 * rng.standard_normal(8) * (seed % 4 == 3)

        def course(time: float, knots: np.ndarray = knots) -> float:
            return float(np.interp(time / 40.0, np.linspace(0, 1, 8), knots))

        cycles = make_cycles(
            seed,
            period_s=float(rng.choice([0.02, 0.0203, 0.0167, 0.0182])) * rng.uniform(0.99, 1.01),
            duration_s=40.0,
            white_s=10.0 ** rng.uniform(-6.3, -5),
            walk_s=(0.0, 10.0 ** rng.uniform(-8, -6), 3e-6, 0.0)[seed % 4],
            course=course,
        )
        wrong += bool(find_mains(cycles).lines)
    # Two in ten thousand are meant; one thousand recordings made so showed none.
    assert wrong == 0


def test_a_wobble_at_the_alias_is_told_by_the_period() -> None:
    # 50 Hz falls at 0.739 Hz; the period creeps by 0.3 %, so its phase leaves a steady wobble.
    mains, wobble = 0, 0
    for seed in range(3):

        def creep(time: float) -> float:
            return 60e-6 * time / 60.0

        line = make_cycles(seed, mains=((50.0, 5e-6),), off_course=creep)
        false = make_cycles(
            seed, course=lambda time: 5e-6 * np.cos(2 * np.pi * 0.74 * time), off_course=creep
        )
        found = find_mains(line).lines
        mains += len(found) >= 1 and found[0].log_odds > 5
        wobble += not find_mains(false).lines
    assert (mains, wobble) == (3, 3)


def test_finds_what_a_simulated_channel_picks_up() -> None:
    from tests.simulated_faults import draw_case

    bench = draw_case("healthy", 0).bench
    for hz in (50.0, 60.0):
        moving = Fluctuation(
            mains_v=0.03, mains_hz=hz, upper_level_v=Wander(white=1e-4), wiper=Wander(walk=1e-6)
        )
        true = simulate_edges(bench.design, bench.knob_deg, 40.0, fluctuation=moving, seed=5)
        high = true.time_s[:-1][true.level[:-1]]
        on, off = true.on_s, true.off_s
        start = high[: min(on.size, off.size) - 1]
        low = off[: start.size] if not true.first_level else off[1 : start.size + 1]
        cycles = Cycles(start, on[: start.size], low, np.arange(start.size) > 0, 1e-7, 40.0)
        assert np.allclose(np.diff(start), cycles.period_s[:-1])
        lines = find_mains(cycles).lines
        assert lines[0].mains_hz == hz
        assert lines[0].harmonic == 1


def test_lost_cycles_do_no_harm() -> None:
    whole = make_cycles(4, mains=((50.0, 5e-6),))
    kept = np.random.default_rng(0).uniform(size=whole.on_s.shape) > 0.1
    kept[:3] = True
    follows = np.concatenate([[False], kept[:-1]])[kept]
    some = Cycles(
        whole.start_s[kept], whole.on_s[kept], whole.off_s[kept], follows, 2e-7, whole.duration_s
    )
    first = find_mains(some).lines[0]
    assert (first.mains_hz, first.harmonic) == (50.0, 1)
    # A tenth of the cycles less: the size stays, its uncertainty grows by a twentieth.
    assert abs(first.on_peak_s - 5e-6) < 5 * first.u_on_peak_s + 0.02 * 5e-6


@pytest.mark.parametrize("duration_s", [0.11, 0.2, 0.8])
def test_short_recordings_have_no_lines(duration_s: float) -> None:
    found = find_mains(make_cycles(0, duration_s=duration_s, mains=((50.0, 5e-6),)))
    assert found.lines == ()


def test_nothing_moves() -> None:
    found = find_mains(make_cycles(0, white_s=0.0))
    assert found.lines == ()
    assert len(found.aliases) == 10


@pytest.mark.parametrize("harmonic", [1, 2])
def test_a_wiper_that_goes_to_and_fro_at_an_alias_is_no_mains(harmonic: int) -> None:
    """What the pulse gains the rest loses, 0.85 of it: no level moves the two like that."""
    alias_hz = {one[:2]: one[2] for one in list_aliases(0.0203)}[50.0, harmonic]

    def turn(time: float) -> float:
        return 40e-6 * float(np.sin(2 * np.pi * alias_hz * time))

    cycles = make_cycles(4, course=turn, off_course=lambda time: -0.85 * turn(time))
    # its harmonics, by the period that it moves, are a hundredth of it
    assert max((one.on_peak_s for one in find_mains(cycles).lines), default=0.0) < 1e-6
    heard = make_cycles(4, mains=((50.0 * harmonic, 20e-6),))
    assert (50.0, harmonic) in [(one.mains_hz, one.harmonic) for one in find_mains(heard).lines]


def creep_through_zero(time: float) -> float:
    """Carry the period from 19.4 to 20.2 ms: at 20 ms 50 Hz stands still."""
    return 0.8e-3 * (time / 60.0 - 0.75)


def test_a_line_whose_alias_crosses_zero_shows_where_it_is_clear_of_it() -> None:
    for seed in range(4):
        cycles = make_cycles(
            seed, period_s=0.02, mains=((50.01, 5e-6),), off_course=creep_through_zero
        )
        lines = find_mains(cycles).lines
        assert [(one.mains_hz, one.harmonic) for one in lines] == [(50.0, 1)]
        # A line that turns slowly in a tenth of the recording: creep is taken for it there.
        assert lines[0].on_peak_s == pytest.approx(5e-6, rel=0.05)


def test_creep_that_carries_an_alias_through_zero_is_no_line() -> None:
    # Beside the straight creep a walk, a bow, or a jump just where the alias stands still.
    for seed in range(15):
        size = 10.0 ** np.random.default_rng(seed).uniform(-5.5, -4)

        def course(time: float, kind: int = seed % 3, size: float = size) -> float:
            nearness = (time - 45.0) / 3.0
            return size * (0.0, float(np.exp(-(nearness**2))), float(time > 45.0))[kind]

        cycles = make_cycles(
            seed,
            period_s=0.02,
            walk_s=(size / 30.0, 0.0, 0.0)[seed % 3],
            course=course,
            off_course=creep_through_zero,
        )
        assert find_mains(cycles).lines == ()


def left_by(found: MainsSearch, cycles: Cycles) -> tuple[float, float]:
    """Return what part of the variance of pulse and rest the lines leave."""
    on = cycles.on_s - sum(one.on_part_s for one in found.lines)
    off = cycles.off_s - sum(one.off_part_s for one in found.lines)
    return float(np.var(on) / np.var(cycles.on_s)), float(np.var(off) / np.var(cycles.off_s))


@pytest.mark.parametrize(
    ("hz", "period_s"),
    [(50.01, 0.0203), (50.01, 0.0182), (59.98, 0.0182), (59.98, 0.0169)],
)
def test_a_line_that_wanders_is_taken_out_whole(hz: float, period_s: float) -> None:
    cycles = make_hummed_cycles(
        7, hz=hz, on_peak_s=15e-6, off_peak_s=150e-6, wander_hz=0.008, period_s=period_s
    )
    found = find_mains(cycles)
    assert (found.lines[0].mains_hz, found.lines[0].harmonic) == (round(hz), 1)
    # Jitter is 0.5 us of 11 us rms in the pulse: 0.2 %. A line that keeps still leaves a fifth and
    # more of such a hum. As much as a whole hundredth lies beyond what bumps 5 s wide follow.
    assert max(left_by(found, cycles)) < 0.015


@pytest.mark.parametrize("wander_hz", [0.0, 0.01])
def test_a_large_line_is_known_with_its_harmonics(wander_hz: float) -> None:
    """The period moves by 3 % and more: what that turns is large beside the second harmonic."""
    cycles = make_hummed_cycles(
        2,
        hz=60.006,
        on_peak_s=20e-6,
        off_peak_s=800e-6,
        second=0.3,
        wander_hz=wander_hz,
        period_s=0.02114,
        duration_s=30.0,
    )
    found = find_mains(cycles)
    told = [(one.mains_hz, one.harmonic) for one in found.lines]
    assert told[:2] == [(60.0, 1), (60.0, 2)]
    assert {one[0] for one in told} == {60.0}
    assert max(left_by(found, cycles)) < 0.015


@pytest.mark.parametrize("duration_s", [15.0, 60.0])
def test_a_line_that_keeps_still_does_not_turn(duration_s: float) -> None:
    for seed in range(4):
        cycles = make_cycles(seed, mains=((50.01, 4e-6),), walk_s=2e-7, duration_s=duration_s)
        (line,) = find_mains(cycles).lines
        true = 2.0 * np.pi * line.found_hz * cycles.start_s
        waves = np.stack([np.cos(true), np.sin(true)])
        left = line.on_part_s - np.linalg.lstsq(waves.T, line.on_part_s)[0] @ waves
        # The instants move by some us within the cycle, a thousandth of a turn.
        assert np.std(left) < 0.005 * np.std(line.on_part_s)
        assert abs(line.on_peak_s - 4e-6) < 5 * line.u_on_peak_s + 0.02 * 4e-6


def test_a_wobble_with_its_own_harmonics_is_no_family_of_the_mains() -> None:
    """What stands at twice a wobble's frequency stands at the alias of twice the mains'."""
    alias_hz = {one[:2]: one[2] for one in list_aliases(0.0203)}[50.0, 1]

    def turn(time: float) -> float:
        angle = 2 * np.pi * alias_hz * time
        return 40e-6 * float(np.sin(angle) + 0.3 * np.sin(2.0 * angle))

    for rest in (0.0, 1.0):
        cycles = make_cycles(
            5,
            course=turn,
            off_course=lambda time, rest=rest: rest * turn(time) + 60e-6 * time / 60.0,  # type: ignore[misc]
        )
        assert max((one.on_peak_s for one in find_mains(cycles).lines), default=0.0) < 1e-6


def test_slow_movement_too_large_for_a_harmonic_is_not_put_down_to_it() -> None:
    # At 15 ms four times 50 Hz stands still, and none of the fundamentals.
    near = {one[:2] for one in find_mains(make_cycles(1, period_s=0.015)).near_zero}
    assert (50.0, 4) in near
    assert not {(50.0, 1), (60.0, 1)} & near

    def swing(time: float) -> float:
        return 300e-6 * float(np.sin(2 * np.pi * time / 20.0))

    large = make_cycles(1, period_s=0.015, off_course=swing)
    assert find_mains(large).near_zero == ()
    # The fundamental may be of any size.
    found = find_mains(make_cycles(1, period_s=0.02, off_course=swing))
    twenty = {one[:2] for one in found.near_zero}
    assert (50.0, 1) in twenty
    assert (50.0, 4) not in twenty
