"""Whether the pulse follows the beat, and what differs between stages."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.channel.design import Design, parse_design
from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.separation.beat_likeness import lasting_slope, point_effect
from benchlog.diagnosis.separation.directions import Direction, find_directions
from benchlog.diagnosis.trial.beat import Beats, analyse_beat, draw_beats
from benchlog.diagnosis.trial.comparing import Stage, compare_stages
from benchlog.diagnosis.words.beat_texts import TRIES, describe_beat
from benchlog.diagnosis.words.comparing_texts import describe_comparison

_ON_S, _OFF_S = 1.5e-3, 13e-3


@pytest.fixture(scope="module")
def directions(heron_text: str) -> tuple[Direction, ...]:
    design: Design = parse_design(heron_text, "heron")
    return find_directions(_ON_S, _OFF_S, design)


def make_cycles(
    duration_s: float, seed: int, *, walk_s: float = 0.0, slope_s_per_s: float = 0.0
) -> Cycles:
    """Make cycles with 1 us of jitter on the pulse, 3 us on the rest, and creep on both."""
    rng = np.random.default_rng(seed)
    count = int(duration_s / (_ON_S + _OFF_S))
    start_s = np.asarray(np.arange(count) * (_ON_S + _OFF_S), dtype=np.float64)
    creep_s = walk_s * np.cumsum(rng.standard_normal(count)) + slope_s_per_s * start_s
    follows = np.ones(count, bool)
    follows[0] = False
    return Cycles(
        start_s,
        _ON_S + creep_s + 1e-6 * rng.standard_normal(count),
        _OFF_S + 5.0 * creep_s + 3e-6 * rng.standard_normal(count),
        follows,
        1e-8,
        duration_s,
    )


def moved(cycles: Cycles, on_s: np.ndarray, off_s: np.ndarray) -> Cycles:
    return Cycles(
        cycles.start_s,
        cycles.on_s + on_s,
        cycles.off_s + off_s,
        cycles.follows,
        cycles.u_edge_s,
        cycles.duration_s,
    )


def acting(cycles: Cycles, beats: Beats) -> np.ndarray:
    return np.array([float(bool(beats.act_at(one - 0.4))) for one in cycles.start_s.tolist()])


# --- the beats ---------------------------------------------------------------------------


def test_beats_are_balanced_and_their_order_is_no_creep() -> None:
    for seed in range(50):
        beats = draw_beats(8, 4.0, seed)
        acts = np.array(beats.acts)
        assert (acts.size, acts.sum(), acts[0]) == (16, 8, False)
        course = np.linspace(-1, 1, 16)
        assert abs(np.corrcoef(acts, course)[0, 1]) <= 0.3
        runs = "".join(str(int(one)) for one in acts)
        assert "0000" not in runs
        assert "1111" not in runs
    assert len({draw_beats(8, 4.0, seed).acts for seed in range(50)}) > 30


def test_where_the_hand_acts() -> None:
    beats = Beats(2.0, (False, True), 1.0)
    assert [beats.act_at(one) for one in (0.5, 1.0, 2.9, 3.0, 4.99, 5.0)] == [
        *(None, False, False, True, True, None),
    ]
    assert beats.duration_s == 5.0


@pytest.mark.parametrize(("rounds", "slot_s"), [(3, 4.0), (8, 0.0), (8, -1.0)])
def test_beats_that_cannot_be(rounds: int, slot_s: float) -> None:
    with pytest.raises(ValueError, match="must be"):
        draw_beats(rounds, slot_s, 0)


# --- the answer --------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["supply", "wiper", "capacitor"])
def test_what_follows_is_found_with_its_size_and_way(
    kind: str, directions: tuple[Direction, ...]
) -> None:
    way = next(one for one in directions if one.kind == kind)
    on_s, off_s = lasting_slope(way)
    size = 5e-6 / abs(on_s)
    beats = draw_beats(8, 4.0, 3)
    cycles = make_cycles(beats.duration_s, 5, walk_s=0.02e-6)
    act = acting(cycles, beats)
    result = analyse_beat(moved(cycles, size * on_s * act, size * off_s * act), beats, directions)
    assert result.found
    assert result.way == "moves"
    assert kind in (result.effect.cause, *result.effect.rivals)
    # 5 standard uncertainties: a chance miss once in a million
    assert abs(result.effect_s - size * on_s) < 5 * result.u_effect_s
    assert abs(result.rest_effect_s - size * off_s) < 5 * result.u_rest_effect_s
    assert 0.0 <= result.delay_s <= 1.0


def test_restlessness_is_found(directions: tuple[Direction, ...]) -> None:
    beats = draw_beats(8, 4.0, 3)
    cycles = make_cycles(beats.duration_s, 6)
    noise = 40e-6 * np.random.default_rng(1).standard_normal(cycles.count)
    act = acting(cycles, beats)
    result = analyse_beat(moved(cycles, 0.04 * noise * act, noise * act), beats, directions)
    assert (result.found, result.way) == (True, "restless")
    assert result.scatter_ratio > 3
    assert describe_beat(result, "tap").cause == "wiper"


def test_chance_rarely_answers() -> None:
    """Of 60 channels that only creep, the chance that 3 are accused at p <= 0.005 is 0.3 %."""
    accused = 0
    for seed in range(60):
        beats = draw_beats(8, 2.0, seed)
        walk_s = (0.0, 0.05e-6, 0.3e-6)[seed % 3]
        slope = (0.0, 1e-6)[seed % 2]
        cycles = make_cycles(beats.duration_s, 100 + seed, walk_s=walk_s, slope_s_per_s=slope)
        accused += analyse_beat(cycles, beats).found
    assert accused <= 2


def test_too_short_to_tell() -> None:
    beats = draw_beats(8, 4.0, 1)
    result = analyse_beat(make_cycles(15.0, 1), beats)
    assert (result.found, result.p_value) == (False, 1.0)
    assert describe_beat(result, "neighbour").cause == "not-enough-to-tell"


def test_what_does_not_follow_is_steady_within_a_bound() -> None:
    beats = draw_beats(8, 4.0, 2)
    result = analyse_beat(make_cycles(beats.duration_s, 9), beats)
    assert not result.found
    finding = describe_beat(result, "neighbour")
    assert finding.cause == "steady"
    assert "by less than" in finding.text


@pytest.mark.parametrize("tried", list(TRIES))
def test_every_try_has_its_words(tried: str, directions: tuple[Direction, ...]) -> None:
    beats = draw_beats(8, 4.0, 3)
    cycles = make_cycles(beats.duration_s, 5)
    act = acting(cycles, beats)
    result = analyse_beat(moved(cycles, 5e-6 * act, 0.0 * act), beats, directions)
    finding = describe_beat(result, tried)
    assert finding.cause == TRIES[tried].cause
    assert finding.next_step
    assert finding.sure.startswith(("Surely", "Maybe"))


def test_the_way_is_weighed_with_its_own_uncertainty(directions: tuple[Direction, ...]) -> None:
    """A change of the pulse alone is the supply's or the diode's, not the capacitor's."""
    effect = point_effect(np.array([-3e-6, 0.1e-6]), np.diag([1e-14, 4e-13]), directions)
    assert effect.cause == "supply"
    assert effect.fits
    assert "capacitor" not in effect.rivals
    # nothing moves the rest by a third of the pulse the other way but a mixture
    assert point_effect(np.zeros(2), np.eye(2) * 1e-14, ()).cause is None


# --- stages ------------------------------------------------------------------------------


def test_stages_that_do_not_differ() -> None:
    stages = [Stage(name, make_cycles(20.0, k)) for k, name in enumerate(("unplugged", "plugged"))]
    comparison = compare_stages(stages)
    assert not comparison.differences[0].is_shift
    assert not comparison.differences[0].is_rougher
    [finding] = describe_comparison(comparison)
    assert finding.cause == "steady"


def test_chance_rarely_tells_stages_apart() -> None:
    """At 3 standard uncertainties and p < 0.003 some 1 in 100 pairs; 5 in 100 come once in 300."""
    apart = 0
    for seed in range(100):
        pair = [
            Stage(name, make_cycles(12.0, 2 * seed + k))
            for k, name in enumerate(("unplugged", "plugged"))
        ]
        [one] = compare_stages(pair).differences
        apart += one.is_shift or one.is_rougher
    assert apart <= 5


def test_creep_is_not_taken_for_a_shift() -> None:
    """A pulse that creeps by 0.2 us/s all along is 4 us further in the next stage of 20 s."""
    first = make_cycles(20.0, 1, slope_s_per_s=0.2e-6)
    second = make_cycles(20.0, 2, slope_s_per_s=0.2e-6)
    later = moved(second, np.full(second.count, 4e-6), np.full(second.count, 20e-6))
    comparison = compare_stages([Stage("unplugged", first), Stage("plugged", later)])
    assert not comparison.differences[0].is_shift


@pytest.mark.parametrize(
    "names", [("unplugged",), ("unplugged", "unplugged"), ("unplugged", "loose")]
)
def test_stages_that_cannot_be(names: tuple[str, ...]) -> None:
    with pytest.raises(ValueError, match="stages must be"):
        compare_stages([Stage(name, make_cycles(5.0, 1)) for name in names])
