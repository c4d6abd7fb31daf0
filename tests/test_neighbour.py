"""Two channels on one supply: who moves whom, and what is no coupling."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchlog.channel.design import Design, parse_design
from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.finding import Heard
from benchlog.diagnosis.findings import diagnose
from benchlog.diagnosis.pair.neighbour import find_coupling
from benchlog.diagnosis.separation.directions import Direction, find_directions
from benchlog.recording import EdgeList
from benchlog.timing.edges import edges_from_list
from benchlog.timing.pulses import measure_edges

_LENGTH_S = 40.0
_PERIODS_S = (14.5e-3, 13.1e-3)
_TURNS_S = (3.0, 5.5, 11.0, 14.2, 16.0, 22.5, 26.9, 30.0, 37.1)
"""No even beat: a pull at every fourth second would be as like any other such hand."""


@pytest.fixture(scope="module")
def directions(heron_text: str) -> tuple[tuple[Direction, ...], ...]:
    design = parse_design(heron_text, "heron")
    return tuple(find_directions(1.5e-3, one - 1.5e-3, design) for one in _PERIODS_S)


def make_pair(seed: int, *, turn_s: float = 0.0) -> list[Cycles]:
    """Make two steady trains; the second one's knob is turned to and fro by `turn_s`."""
    rng = np.random.default_rng(seed)
    pair = []
    for number, period_s in enumerate(_PERIODS_S):
        count = int(_LENGTH_S / period_s)
        knob_s = np.zeros(count)
        if number == 1 and turn_s:
            at_s = np.arange(count) * period_s
            for k, begin_s in enumerate(_TURNS_S):
                knob_s += (-1) ** k * turn_s * np.clip((at_s - begin_s) / 0.5, 0.0, 1.0)
        on_s = 1.5e-3 + knob_s + 1e-6 * rng.standard_normal(count)
        off_s = period_s - 1.5e-3 - 0.85 * knob_s + 3e-6 * rng.standard_normal(count)
        follows = np.ones(count, bool)
        follows[0] = False
        start_s = np.concatenate([[0.0], np.cumsum(on_s + off_s)[:-1]])
        pair.append(Cycles(start_s, on_s, off_s, follows, 1e-8, _LENGTH_S))
    return pair


def add(cycles: Cycles, on_s: np.ndarray, off_s: np.ndarray) -> Cycles:
    return Cycles(
        cycles.start_s,
        cycles.on_s + on_s,
        cycles.off_s + off_s,
        cycles.follows,
        cycles.u_edge_s,
        cycles.duration_s,
    )


@pytest.mark.parametrize("turn_s", [0.0, 200e-6])
def test_channels_that_leave_each_other_alone(
    turn_s: float, directions: tuple[tuple[Direction, ...], ...]
) -> None:
    """Four tests at 1 in 10000 and stand-ins besides: none of 6 is accused."""
    for seed in range(6):
        found = find_coupling(make_pair(seed, turn_s=turn_s), directions)
        assert not found.found
        assert found.is_turned(1) is (turn_s > 0)
        assert not found.is_turned(0)


def test_a_servo_that_pulls_while_it_is_turned(
    directions: tuple[tuple[Direction, ...], ...],
) -> None:
    first, second = make_pair(1, turn_s=200e-6)
    # 4 us longer from 0.1 s after the knob moves until 0.1 s after it stands
    pulled = np.zeros(first.count)
    for begin_s in _TURNS_S:
        pulled[(first.start_s > begin_s + 0.1) & (first.start_s < begin_s + 0.6)] = 1.0
    found = find_coupling([add(first, 4e-6 * pulled, 0.0 * pulled), second], directions)
    [one] = found.found
    assert (one.source, one.target, one.is_turned) == (1, 0, True)
    assert one.supply_v < 0 < one.effect_s
    assert one.effect_s == pytest.approx(4e-6, rel=0.3)
    assert one.delay_s is not None
    assert abs(one.delay_s - 0.1) < 2.0 * one.u_delay_s + 0.05
    # 4 us in an eighth of the time is 1.3 us rms beside 1 us: 0.64 of the variance
    truth = float(np.var(4e-6 * pulled) / (np.var(4e-6 * pulled) + 1e-12))
    assert one.pulse.share == pytest.approx(truth, abs=0.12)
    assert one.pulse.share_low <= one.pulse.share <= one.pulse.share_high


def test_strokes_of_a_servo_that_stands_still(
    directions: tuple[tuple[Direction, ...], ...],
) -> None:
    first, second = make_pair(2)
    place = np.interp(first.start_s, second.start_s, np.arange(second.count)) % 1.0
    hit = np.where(place < 0.2, 1.0, 0.0)
    found = find_coupling([add(first, 1e-6 * hit, 20e-6 * hit), second], directions)
    [one] = found.found
    assert (one.source, one.target, one.is_turned, one.delay_s) == (1, 0, False, None)
    rest_s = 20e-6 * hit + 1e-6 * hit
    truth = float(np.var(rest_s) / (np.var(rest_s) + 10e-12))
    assert one.period.share == pytest.approx(truth, abs=0.12)


def test_a_common_fall_is_no_coupling(directions: tuple[tuple[Direction, ...], ...]) -> None:
    pair = [add(one, 30e-6 * one.start_s / _LENGTH_S, np.zeros(one.count)) for one in make_pair(3)]
    assert not find_coupling(pair, directions).found


def test_too_few_cycles_take_no_part(directions: tuple[tuple[Direction, ...], ...]) -> None:
    first, second = make_pair(4)
    start_s, on_s, off_s = second.start_s[:50], second.on_s[:50], second.off_s[:50]
    short = Cycles(start_s, on_s, off_s, second.follows[:50], 1e-8, 1.0)
    assert find_coupling([first, short], directions).pairs == ()
    with pytest.raises(ValueError, match="2 channels and 1 lists"):
        find_coupling([first, second], directions[:1])


def _hear(cycles: Cycles, number: int, design: Design | None = None) -> Heard:
    """Make a recording of a train."""
    times = 0.003 + np.concatenate(
        [[0.0], np.cumsum(np.stack([cycles.on_s, cycles.off_s], axis=1).ravel())]
    )
    levels = np.arange(times.size) % 2 == 0
    edges = edges_from_list(EdgeList(times, levels, 1e-7, 0.0, float(times[-1]) + 0.003))
    measured = measure_edges(edges, input_=number)
    assert measured is not None
    return Heard(measured, "pair.flac", design)


def _pull_in_bouts(directions: tuple[Direction, ...]) -> tuple[Cycles, Cycles]:
    """Make a channel that its neighbour's servo pulls at one place of its cycle, by bouts."""
    first, second = make_pair(7)
    way = next(one for one in directions if one.kind == "supply-on-end")
    rise_s, whole = second.start_s.tolist(), np.arange(second.count).tolist()
    on_s, off_s, start_s = first.on_s.copy(), first.off_s.copy(), first.start_s.copy()
    now_s = 0.0
    for cycle in range(first.count):
        start_s[cycle] = now_s
        place = np.interp(now_s, rise_s, whole) % 1.0
        is_bout = any(begin_s < now_s < begin_s + 1.3 for begin_s in _TURNS_S)
        if is_bout:
            # the supply's capacitor rounds the flanks
            dip_v = 0.08 * min(max((0.1 - abs(place - 0.4)) / 0.02, 0.0), 1.0)
            on_s[cycle] -= way.on_s * dip_v
            off_s[cycle] -= way.off_s * dip_v
        now_s += on_s[cycle] + off_s[cycle]
    return replace(first, start_s=start_s, on_s=on_s, off_s=off_s), second


def test_strokes_by_bouts_are_fitted_to_their_tenths_of_a_second(
    directions: tuple[tuple[Direction, ...], ...],
) -> None:
    pulled, second = _pull_in_bouts(directions[0])
    [one] = find_coupling([pulled, second], directions).found
    moves = one.size.moves
    assert moves is not None
    left = pulled.period_s - moves.sum(axis=1)
    # pulse and rest themselves scatter by 1 and 3 us; a tenth of the dips' power may be left
    dips = float(np.var(pulled.period_s)) - 10e-12
    assert np.var(left) - 10e-12 < 0.1 * dips


def test_what_a_pull_looks_like_is_not_named_beside_it(
    directions: tuple[tuple[Direction, ...], ...], heron_text: str
) -> None:
    """A pull by bouts looks like a contact, a level or hum where it is not taken out first."""
    pulled, second = _pull_in_bouts(directions[0])
    found = diagnose([_hear(pulled, 1), _hear(second, 2)])
    assert [one.cause for one in found.findings if one.input == 1] == ["neighbour"]
    # a wiper that trembles besides is another thing, and weighs as much
    tremble_s = 8e-6 * np.random.default_rng(9).standard_normal(pulled.count)
    wiper = next(one for one in directions[0] if one.kind == "wiper")
    both = add(pulled, tremble_s, wiper.off_s / wiper.on_s * tremble_s)
    heron = parse_design(heron_text, "heron")
    found = diagnose([_hear(both, 1, heron), _hear(second, 2, heron)])
    causes = [one.cause for one in found.findings if one.input == 1]
    assert {"neighbour", "wiper"} <= set(causes)
