"""Whether the pulse follows the beat, and what differs between stages."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.channel.design import Design, parse_design
from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.separation.beat_likeness import lasting_slope, point_effect
from benchlog.diagnosis.separation.directions import Direction, find_directions
from benchlog.diagnosis.train.event_kinds import Event
from benchlog.diagnosis.trial.beat import BeatResult, analyse_beat
from benchlog.diagnosis.trial.beats import (
    FEWEST_ROUNDS,
    SHORTEST_SLOT_S,
    Beats,
    draw_beats,
    list_other_orders,
)
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


@pytest.mark.parametrize("rounds", [7, 8, 12])
def test_an_answer_can_be_sure_for_every_order(rounds: int) -> None:
    """Chance is (1 + those as clear) / (1 + k): with 200 others it can be below 0.005."""
    for seed in range(40):
        heard = draw_beats(rounds, 4.0, seed).acts
        # the last slots may be missing where it was left
        for length in (2 * rounds, 2 * rounds - 2):
            others = list_other_orders(heard[:length], rounds)
            assert len(others) >= 200
            rows = {row.tobytes() for row in others}
            assert len(rows) == len(others)
            assert np.array(heard[:length]).tobytes() not in rows


def test_a_clear_answer_is_sure_for_every_order_of_the_fewest_and_shortest() -> None:
    """Without noise only the hand's own order fits: p = 1 / (1 + k)."""
    for seed in range(12):
        beats = draw_beats(FEWEST_ROUNDS, SHORTEST_SLOT_S, seed)
        cycles = make_cycles(beats.duration_s, seed)
        act = np.array([float(bool(beats.act_at(one - 0.5))) for one in cycles.start_s.tolist()])
        result = analyse_beat(moved(cycles, 30e-6 * act, 0.0 * act), beats)
        assert result.found
        assert result.p_value < 0.005


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
    """Of 60 that only creep and lose pulses 3 are accused at p <= 0.005 by a chance of 0.3 %."""
    accused = 0
    for seed in range(60):
        beats = draw_beats(8, 2.0, seed)
        walk_s = (0.0, 0.05e-6, 0.3e-6)[seed % 3]
        slope = (0.0, 1e-6)[seed % 2]
        cycles = make_cycles(beats.duration_s, 100 + seed, walk_s=walk_s, slope_s_per_s=slope)
        # pulses are lost as well, in bursts that keep no beat
        times = np.random.default_rng(seed).uniform(0, beats.duration_s, seed % 5)
        events = [
            Event("missing-pulse", float(one) + 0.1 * k, 14e-3, 1, phase_kept=True, sure=True)
            for one in times
            for k in range(1 + seed % 4)
        ]
        accused += analyse_beat(cycles, beats, (), events).found
    assert accused <= 2


def lose(
    cycles: Cycles, beats: Beats, seed: int, *, acting_share: float, resting_share: float
) -> tuple[Cycles, list[Event]]:
    """Lose cycles: each is an event, and missing from the list, as a bad contact makes it."""
    rng = np.random.default_rng(seed)
    act = acting(cycles, beats) > 0
    lost = rng.random(cycles.count) < np.where(act, acting_share, resting_share)
    events = [
        Event("missing-pulse", float(one), 14e-3, 1, phase_kept=True, sure=True)
        for one in cycles.start_s[lost]
    ]
    kept = ~lost
    follows = cycles.follows[kept] & (np.diff(np.flatnonzero(kept), prepend=-2) == 1)
    return (
        Cycles(
            cycles.start_s[kept],
            cycles.on_s[kept],
            cycles.off_s[kept],
            follows,
            cycles.u_edge_s,
            cycles.duration_s,
        ),
        events,
    )


@pytest.mark.parametrize(
    ("tried", "cause"),
    [("tap", "wiper"), ("neighbour", "supply"), ("supply", "supply"), ("warm", "missing-pulse")],
)
def test_pulses_that_are_lost_only_while_acting_are_found(tried: str, cause: str) -> None:
    beats = draw_beats(8, 4.0, 4)
    whole = make_cycles(beats.duration_s, 11)
    cycles, events = lose(whole, beats, 1, acting_share=0.3, resting_share=0.0)
    result = analyse_beat(cycles, beats, (), events)
    assert (result.found, result.way) == (True, "events")
    assert result.lost_act > 10 * result.lost_rest
    finding = describe_beat(result, tried)
    assert finding.cause == cause
    assert finding.what.startswith("Pulses are lost or split while you act")


def test_a_few_lost_pulses_on_the_beat_are_enough() -> None:
    """One or two in each act and none at rest: 1 % of the pulses in all."""
    beats = draw_beats(8, 4.0, 4)
    whole = make_cycles(beats.duration_s, 12)
    cycles, events = lose(whole, beats, 2, acting_share=0.015, resting_share=0.0)
    assert 16 <= len(events) <= 60
    assert analyse_beat(cycles, beats, (), events).way == "events"


def test_pulses_that_are_lost_all_the_time_are_no_right_pulses() -> None:
    beats = draw_beats(8, 4.0, 5)
    whole = make_cycles(beats.duration_s, 13)
    cycles, events = lose(whole, beats, 3, acting_share=0.1, resting_share=0.1)
    result = analyse_beat(cycles, beats, (), events)
    assert not result.found
    finding = describe_beat(result, "tap")
    assert finding.cause == "missing-pulse"
    assert "not on the beat" in finding.what
    gaps = [Event("gap", 9.0 + k, 0.5, 1, phase_kept=True, sure=True) for k in range(5)]
    # what the recorder lost is no fault of the channel
    assert describe_beat(analyse_beat(whole, beats, (), gaps), "tap").cause == "steady"


def result_of(effect_s: float, u_s: float = 0.05e-6, **other: object) -> BeatResult:
    known: dict[str, object] = {
        "found": True,
        "p_value": 0.00125,
        "rounds": 8,
        "way": "moves",
        "effect_s": effect_s,
        "u_effect_s": u_s,
        "rest_effect_s": 0.0,
        "u_rest_effect_s": 0.2e-6,
        "delay_s": 0.5,
        "scatter_ratio": 1.0,
        "effect": point_effect(np.zeros(2), np.eye(2), ()),
    }
    return BeatResult(**{**known, **other})  # type: ignore[arg-type]


def test_a_load_must_lengthen_the_pulse() -> None:
    longer = describe_beat(result_of(8e-6), "supply")
    assert (longer.cause, longer.sure[:6]) == ("supply", "Surely")
    assert "by chance alone that happens once in 1000" in longer.sure
    shorter = describe_beat(result_of(-8e-6), "supply")
    assert shorter.what.startswith("Something else changed")
    assert shorter.sure.startswith("Maybe")
    # a neighbour may pull within a pulse, which shortens it
    assert describe_beat(result_of(-8e-6), "neighbour").sure.startswith("Surely")


def test_what_is_too_little_to_move_the_arm() -> None:
    finding = describe_beat(result_of(0.4e-6), "neighbour", dead_band_s=5e-6)
    assert finding.cause == "steady"
    assert finding.what == "It does, by 0.40 µs: too little to move the arm."
    assert describe_beat(result_of(3e-6), "neighbour", dead_band_s=2e-6).cause == "neighbour"
    assert describe_beat(result_of(4.5e-6), "neighbour", dead_band_s=9e-6).cause == "neighbour"


def test_words_for_what_is_not_sure() -> None:
    seems = describe_beat(result_of(6e-6, 2e-6, found=False, p_value=0.006, slot_s=2.0), "tap")
    assert seems.cause == "not-enough-to-tell"
    assert "not surely (chance does that six times in 1000)" in seems.what
    assert seems.next_step == "Do it again with longer beats (--slot 4)."
    chance = describe_beat(result_of(0.1e-6, found=False, p_value=0.6, way=None), "tap")
    assert "Nothing but chance is needed for that." in chance.text


def test_a_channel_that_died_midway() -> None:
    beats = draw_beats(8, 4.0, 1)
    result = analyse_beat(make_cycles(9.0, 1), beats)
    finding = describe_beat(result, "neighbour", ceased_s=9.0)
    assert finding.what == "The pulses ceased after 9 s."
    assert finding.cause == "missing-pulse"


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
    # the pulse alone moves, which is no wiper's way
    assert finding.cause == ("supply" if tried == "tap" else TRIES[tried].cause)
    assert finding.next_step
    assert finding.sure.startswith("Maybe" if tried == "tap" else "Surely")
    if tried == "tap":
        assert finding.what.startswith(
            "The pulse follows what you do, but not as a loose knob moves it: more like the supply"
        )
        assert finding.next_step == "Do it again with --try supply."


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
