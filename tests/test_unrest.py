"""Tests of `separation.unrest`: what moves a simulated channel is told from its cycles."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from benchlog.capture.simulated import Fluctuation, Wander, simulate_edges
from benchlog.channel.design import Design
from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.separation.directions import find_directions
from benchlog.diagnosis.separation.unrest import Unrest, separate_causes
from benchlog.diagnosis.series.mains import MainsLine, MainsSearch
from tests.test_design import HERON_DESIGN

KNOB_DEG = 100.0
U_EDGE_S = 0.1e-6
CALM = {"upper_level_v": Wander(white=1e-4), "lower_level_v": Wander(white=1e-4)}
COUNT = 4800  # more cycles than a minute has


def run(
    seed: int = 0, duration_s: float = 60.0, knob_deg: float = KNOB_DEG, **moves: Any
) -> Cycles:
    """Simulate a channel whose levels are a little restless, heard with some noise."""
    what = replace(Fluctuation(), **{**CALM, **moves})
    edges = simulate_edges(HERON_DESIGN, knob_deg, duration_s, fluctuation=what, seed=seed)
    rng = np.random.default_rng(seed + 1000)
    time = edges.time_s + U_EDGE_S * rng.standard_normal(edges.time_s.size)
    rise = np.flatnonzero(edges.level)
    rise = rise[rise + 2 < time.size]
    on, off = time[rise + 1] - time[rise], time[rise + 2] - time[rise + 1]
    follows = np.ones(on.size, dtype=bool)
    follows[0] = False
    return Cycles(time[rise], on, off, follows, U_EDGE_S, duration_s)


def explain(*cycles: Cycles, design: Design | None = HERON_DESIGN, **options: Any) -> Unrest:
    """Separate the causes in recordings of one channel."""
    ways = [find_directions(float(c.on_s.mean()), float(c.off_s.mean()), design) for c in cycles]
    return separate_causes(cycles, ways, **options)


def walk(seed: int, step: float) -> Wander:
    return Wander(series=step * np.cumsum(np.random.default_rng(seed).standard_normal(COUNT)))


def crackle(seed: int, ohm: float) -> Wander:
    return Wander(series=ohm * np.abs(np.random.default_rng(seed).standard_normal(COUNT)))


FAULTS: dict[str, tuple[str, dict[str, Any]]] = {
    "wiper": ("wiper", {"wiper": walk(1, 1.5e-4)}),
    "contact": ("wiper", {"contact_ohm": crackle(2, 1000.0)}),
    "supply": ("supply", {"supply_v": Wander(course=(0.0, -0.3, -0.45, -0.5))}),
    "capacitor": ("capacitor", {"capacitor": Wander(course=(0.0, 0.03, 0.045, 0.05))}),
    "off-path": ("off-path", {"off_path": walk(3, 6e-4)}),
}


@lru_cache
def told(name: str, *, marked: bool = True) -> Unrest:
    """Explain a channel with one fault."""
    return explain(run(5, **FAULTS[name][1]), design=HERON_DESIGN if marked else None)


@pytest.mark.parametrize("marked", [True, False])
@pytest.mark.parametrize("name", FAULTS)
def test_one_cause_leads_and_explains_nearly_all(name: str, marked: bool) -> None:
    unrest = told(name, marked=marked)
    assert unrest.over
    leading = unrest.cause_shares[0]
    assert leading.cause == FAULTS[name][0]
    assert unrest.contributions[0].kind == name
    # by far the largest part was made by it; the levels and the input have some thousandth
    assert leading.share > 0.95
    assert leading.low <= leading.share <= leading.high


@pytest.mark.parametrize("name", FAULTS)
def test_shares_add_up(name: str) -> None:
    unrest = told(name)
    total = sum(one.share for one in unrest.contributions) + unrest.rest_share
    assert total == pytest.approx(1.0, abs=1e-9)
    by_cause = sum(one.share for one in unrest.cause_shares) + unrest.rest_share
    assert by_cause == pytest.approx(1.0, abs=1e-9)
    order = [one.share for one in unrest.contributions]
    assert order == sorted(order, reverse=True)


def test_sizes_come_in_the_unit_of_the_cause() -> None:
    # by hand: a straight fall of 0.5 V would have 0.5/sqrt(12) = 0.144 V; this one bends,
    # its own standard deviation is worked out from its course
    course = np.interp(np.linspace(0, 1, 4000), np.linspace(0, 1, 4), (0.0, -0.3, -0.45, -0.5))
    supply = told("supply").contributions[0]
    # on moves more for a volt where the supply is lower, and half a volt lower some 10 % more
    assert supply.size == pytest.approx(course.std(), rel=0.15)
    assert supply.unit == "V"
    assert supply.change == pytest.approx(course[-400:].mean() - course[:400].mean(), rel=0.15)
    contact = told("contact").contributions[0]
    # a half-normal of 1000 ohm has 1000 sqrt(1 - 2/pi) = 603 ohm
    assert contact.size == pytest.approx(603.0, rel=0.1)
    assert contact.unit == "ohm"


def test_slow_and_fast_parts_add_up() -> None:
    for name in FAULTS:
        one = told(name).contributions[0]
        assert one.pulse_rms_s == pytest.approx(
            np.hypot(one.slow_pulse_rms_s, one.fast_pulse_rms_s)
        )
        assert one.period_rms_s == pytest.approx(
            np.hypot(one.slow_period_rms_s, one.fast_period_rms_s)
        )
    supply, contact = told("supply").contributions[0], told("contact").contributions[0]
    assert supply.slow_pulse_rms_s > 20 * supply.fast_pulse_rms_s
    assert contact.fast_period_rms_s > 3 * contact.slow_period_rms_s


def test_a_healthy_channel_is_within_its_limits() -> None:
    unrest = explain(run(7))
    assert not unrest.over
    # levels of 0.1 mV: by the directions 0.10 and 0.04 us of pulse
    assert unrest.pulse_rms_s == pytest.approx(0.107e-6, rel=0.15)
    assert unrest.pulse_limit_s == 4e-6
    assert unrest.period_limit_s == pytest.approx(0.01 * 14.73e-3, rel=0.01)


def test_restless_levels_are_the_threshold() -> None:
    levels: dict[str, Any] = {
        "upper_level_v": Wander(white=8e-3),
        "lower_level_v": Wander(white=3e-3),
    }
    unrest = explain(run(8, **levels))
    assert unrest.over
    assert unrest.cause_shares[0].cause == "threshold"
    sizes = {one.kind: one.size for one in unrest.contributions}
    # 4000 independent values each: a standard deviation is known to 1.1 %; five times that
    assert sizes["upper-level"] == pytest.approx(8e-3, rel=0.06)
    assert sizes["lower-level"] == pytest.approx(3e-3, rel=0.06)


def test_two_causes_get_their_shares() -> None:
    moves: dict[str, Any] = {"wiper": walk(9, 1.0e-4), "supply_v": Wander(course=(0.0, -0.4))}
    still = run(10, upper_level_v=Wander(), lower_level_v=Wander())
    alone = {}
    for name, cause in (("wiper", "wiper"), ("supply_v", "supply")):
        one = run(10, upper_level_v=Wander(), lower_level_v=Wander(), **{name: moves[name]})
        count = min(one.count, still.count)
        alone[cause] = float(np.var(one.on_s[:count] - still.on_s[:count]))
    unrest = explain(run(10, **moves))
    assert unrest.counted == "pulse"
    shares = {one.cause: one for one in unrest.cause_shares}
    for cause, variance in alone.items():
        true = variance / sum(alone.values())
        # the bend of the supply's effect and the directions' own uncertainty: some 2 %
        assert shares[cause].share == pytest.approx(true, abs=0.03)


def test_the_mains_is_taken_out_first() -> None:
    cycles = run(11)
    turn = np.cos(2 * np.pi * 50.0 * cycles.start_s)
    on_part, off_part = 8e-6 * turn, 40e-6 * turn
    moved = replace(cycles, on_s=cycles.on_s + on_part, off_s=cycles.off_s + off_part)
    line = MainsLine(
        mains_hz=50, harmonic=1, alias_hz=17.9, found_hz=50.0, found_alias_hz=17.9, on_peak_s=8e-6,
        off_peak_s=40e-6, u_on_peak_s=1e-8, u_off_peak_s=1e-8, log_odds=50.0, log_chance=-50.0,
        on_part_s=on_part, off_part_s=off_part,
    )  # fmt: skip
    ways = find_directions(float(moved.on_s.mean()), float(moved.off_s.mean()), HERON_DESIGN)
    unrest = separate_causes([moved], [ways], lines=[MainsSearch((line,), (), ())])
    assert unrest.over
    first = unrest.contributions[0]
    assert (first.kind, first.cause, first.size) == ("mains", "mains", None)
    # a cosine has its peak over sqrt(2)
    assert first.pulse_rms_s == pytest.approx(8e-6 / np.sqrt(2), rel=0.01)
    assert first.share > 0.99


def test_recordings_of_one_channel_count_together() -> None:
    moves = FAULTS["contact"][1]
    short = [run(20 + k, 4.0, knob_deg, **moves) for k, knob_deg in enumerate((60.0, 100.0, 200.0))]
    unrest = explain(*short)
    assert unrest.cause_shares[0].cause == "wiper"
    one = explain(short[1])
    assert unrest.log_odds > one.log_odds


def test_limits_are_the_callers() -> None:
    cycles = run(7)
    assert explain(cycles, pulse_limit_s=0.05e-6).over
    assert not explain(cycles, pulse_limit_s=50e-6, period_limit=0.5).over


def test_too_few_cycles_have_no_explanation() -> None:
    cycles = run(7, 0.15)
    unrest = explain(cycles)
    assert unrest.contributions == ()
    assert unrest.cause_shares == ()
    assert unrest.rest_share == 1.0
    assert unrest.rival is None


def test_a_train_that_never_moves_is_explained() -> None:
    count = 200
    follows = np.ones(count, dtype=bool)
    cycles = Cycles(
        0.015 * np.arange(float(count)),
        np.full(count, 1.3e-3),
        np.full(count, 13.7e-3),
        follows,
        0.0,
        3.0,
    )
    unrest = explain(cycles)
    assert not unrest.over
    assert unrest.pulse_rms_s == pytest.approx(0.0, abs=1e-12)
    assert all(np.isfinite(one.share) for one in unrest.contributions)


@pytest.mark.parametrize("count", [0, 2])
def test_refuses_lists_of_other_lengths(count: int) -> None:
    cycles = run(7, 0.5)
    ways = find_directions(float(cycles.on_s.mean()), float(cycles.off_s.mean()), HERON_DESIGN)
    with pytest.raises(ValueError, match="one set of directions"):
        separate_causes([cycles] * (count > 0), [ways] * count)


@pytest.mark.parametrize("marked", [True, False])
def test_a_supply_that_holds_still_within_each_cycle_is_no_wiper(marked: bool) -> None:
    """Pulled and let go every few cycles: the pulse moves alone, however fast."""
    still = run(5)
    slope = next(
        one
        for one in find_directions(
            float(still.on_s.mean()), float(still.off_s.mean()), HERON_DESIGN
        )
        if one.kind == "supply"
    )
    pulled_v = -0.3 * (np.arange(still.on_s.size) // 9 % 2)
    on_s = still.on_s + (slope.on_s + slope.next_on_s) * pulled_v
    unrest = explain(replace(still, on_s=on_s), design=HERON_DESIGN if marked else None)
    assert unrest.cause_shares[0].cause == "supply"
    assert unrest.cause_shares[0].share > 0.95


def test_a_vague_direction_is_tried_from_both_sides() -> None:
    """A sagging supply moves this bipolar channel much as its wiper does, 0.12 rad off the middle.

    Begun at the middle of what such channels do, the fit stays on the wrong side of the wiper,
    which then gets the whole movement.
    """
    from benchlog.diagnosis.findings import diagnose
    from tests.simulated_faults import draw_case

    case = draw_case("wiper-and-battery", 1026)
    assert case.shares["supply"] > 0.8
    unrest = diagnose(case.heard(with_design=True)).inputs[0].unrest
    assert unrest is not None
    first = unrest.cause_shares[0]
    assert first.cause == "supply"
    assert first.share == pytest.approx(case.shares["supply"], abs=0.1)
