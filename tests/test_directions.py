"""Tests of `benchlog.diagnosis.separation.directions`."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchlog.capture.simulated import Fluctuation, Wander, simulate_edges
from benchlog.channel.design import parse_design, predict_cycle
from benchlog.diagnosis.separation.directions import Direction, find_directions
from tests.test_design import HERON, HERON_DESIGN, parse

KNOB_DEG = 100.0
MEANS = predict_cycle(HERON_DESIGN, KNOB_DEG)
ON_S, OFF_S = float(MEANS.on_s), float(MEANS.off_s)


def by_kind(
    design: object = HERON_DESIGN, on_s: float = ON_S, off_s: float = OFF_S
) -> dict[str, Direction]:
    return {one.kind: one for one in find_directions(on_s, off_s, design)}  # type: ignore[arg-type]


DIRECTIONS = by_kind()


def test_names_every_kind_once() -> None:
    kinds = [one.kind for one in find_directions(ON_S, OFF_S, HERON_DESIGN)]
    assert len(kinds) == len(set(kinds))
    assert {one.cause for one in DIRECTIONS.values()} == {
        "wiper", "supply", "diode", "capacitor", "off-path", "threshold",
    }  # fmt: skip


def test_the_capacitor_moves_both_in_proportion() -> None:
    one = DIRECTIONS["capacitor"]
    # all times grow as the capacitor, but for the comparators' 0.1 us
    assert one.on_s == pytest.approx(ON_S, rel=2e-4)
    assert one.off_s == pytest.approx(OFF_S, rel=2e-4)


@pytest.mark.parametrize(
    ("kind", "unit", "on_us", "off_us"),
    [
        # design.md's table: the wiper moves off by about 0.85 of on, the other way
        ("wiper", 1e-3, 1.77, -0.86 * 1.77),
        # 100 ohm of contact: on by 2, off by 40 us
        ("contact", 100.0, 2.0, 40.0),
        ("off-path", 1e-3, 0.0, 12.5),
    ],
)
def test_slow_causes_move_as_the_table_says(
    kind: str, unit: float, on_us: float, off_us: float
) -> None:
    one = DIRECTIONS[kind]
    # the table rounds to one digit, and its 'typical channel' is near this one: 20 %
    assert (one.on_s + one.next_on_s) * unit * 1e6 == pytest.approx(on_us, rel=0.2, abs=0.05)
    assert one.off_s * unit * 1e6 == pytest.approx(off_us, rel=0.2)


def test_a_slow_supply_moves_on_alone() -> None:
    one = DIRECTIONS["supply"]
    slow_on_s = one.on_s + one.next_on_s
    assert slow_on_s < 0
    assert abs(one.off_s) < 0.1 * abs(slow_on_s)


def rc_time(r_ohm: float, c_f: float, from_v: float, to_v: float, drive: object) -> float:
    """Integrate ``C dv/dt = (V(t) - v)/R`` until `to_v` is reached."""

    def reached(t: float, v: np.ndarray) -> float:
        return float(v[0] - to_v)

    reached.terminal = True  # type: ignore[attr-defined]
    result = solve_ivp(
        lambda t, v: (drive(t) - v) / (r_ohm * c_f),  # type: ignore[operator]
        (0.0, 10 * r_ohm * c_f),
        [from_v],
        events=reached,
        rtol=1e-10,
        atol=1e-12,
    )
    assert result.t_events is not None
    return float(result.t_events[0][0])


def test_levels_agree_with_scipy_on_a_plain_rc() -> None:
    """Without a diode and with an ideal timer a phase is one RC; scipy integrates it."""
    text = HERON.replace('family = "cmos"', 'family = "ideal"')
    start, end = text.index("[diode]"), text.index("[knob]")
    plain = parse(text[:start] + '[diode]\nmodel = "none"\n' + text[end:])
    means = predict_cycle(plain, KNOB_DEG)
    found = by_kind(plain, float(means.on_s), float(means.off_s))
    x = float(plain.knob.on_fraction(KNOB_DEG))
    r_b = plain.r_off.value + (1 - x) * plain.r_knob.value
    both = plain.r_on.value + x * plain.r_knob.value + r_b
    c_f, volts, step = plain.c_timing.value, plain.supply.value, 1e-3
    low, high = volts / 3, 2 * volts / 3

    def off(upper: float, lower: float) -> float:
        return rc_time(r_b, c_f, upper, lower, lambda t: 0.0)

    def on(lower: float, upper: float) -> float:
        return rc_time(both, c_f, lower, upper, lambda t: volts)

    expected = {
        "upper-level": (
            (on(low, high + step) - on(low, high - step)) / (2 * step),
            (off(high + step, low) - off(high - step, low)) / (2 * step),
        ),
        "lower-level": (
            (on(low + step, high) - on(low - step, high)) / (2 * step),
            (off(high, low + step) - off(high, low - step)) / (2 * step),
        ),
    }
    for kind, (on_slope, off_slope) in expected.items():
        one = found[kind]
        # central differences over 1 mV of 2 V: their error is some 1e-7 of the slope
        assert one.on_s + one.next_on_s == pytest.approx(on_slope, rel=1e-4)
        assert one.off_s == pytest.approx(off_slope, rel=1e-4)
    assert found["lower-level"].on_s == 0.0
    assert found["upper-level"].next_on_s == 0.0

    # the supply 10 mV up at the end of on, in a straight line from its beginning
    def on_with(end_v: float) -> float:
        last = 0.0
        length = on(low, high)
        for _ in range(30):
            length, last = (
                rc_time(both, c_f, low, 2 * (volts + end_v) / 3,
                        lambda t, n=length: volts + end_v * min(t / n, 1.0)),
                length,
            )  # fmt: skip
            if abs(length - last) < 1e-12:
                break
        return length

    slope = (on_with(0.01) - on_with(-0.01)) / 0.02
    assert found["supply-on-end"].on_s == pytest.approx(slope, rel=1e-3)


@pytest.mark.parametrize(
    ("kind", "name", "step"),
    [
        ("wiper", "wiper", 1e-4),
        ("contact", "contact_ohm", 20.0),
        ("supply", "supply_v", 0.01),
        ("capacitor", "capacitor", 1e-3),
        ("off-path", "off_path", 1e-3),
        ("diode", "diode_k", 0.2),
        ("upper-level", "upper_level_v", 1e-3),
        ("lower-level", "lower_level_v", 1e-3),
        ("supply-on-end", "supply_on_end_v", 1e-3),
        ("supply-off-end", "supply_off_end_v", 1e-3),
    ],
)
def test_a_single_kick_moves_this_and_the_next_cycle_as_simulated(
    kind: str, name: str, step: float
) -> None:
    series = np.zeros(400)
    series[20] = step

    def run(values: np.ndarray) -> np.ndarray:
        moves: dict[str, Any] = {name: Wander(series=values)}
        what = dataclasses.replace(Fluctuation(), **moves)
        edges = simulate_edges(HERON_DESIGN, KNOB_DEG, 1.0, fluctuation=what, start_phase=0.5)
        rise = np.flatnonzero(edges.level)[:-1]
        time = edges.time_s
        rise = rise[rise + 2 < time.size]
        return np.stack([time[rise + 1] - time[rise], time[rise + 2] - time[rise + 1]], axis=1)

    moved = (run(series) - run(np.zeros(400)))[19:21] / step  # the record begins within cycle 0
    one = DIRECTIONS[kind]
    expected = np.array([[one.on_s, one.off_s], [one.next_on_s, one.next_off_s]])
    # the contact's slope is taken at 100 ohm, the supply's bends by 0.1 % over 10 mV
    assert moved == pytest.approx(expected, rel=0.02, abs=0.01 * float(np.abs(expected).max()))


def test_sets_the_model_onto_other_means() -> None:
    """The parts may be off: a larger capacitor scales everything alike."""
    found = by_kind(HERON_DESIGN, 1.1 * ON_S, 1.1 * OFF_S)
    for kind in ("wiper", "off-path", "contact", "supply"):
        assert found[kind].off_s == pytest.approx(1.1 * DIRECTIONS[kind].off_s, rel=1e-3)


def test_without_a_design_knows_the_directions_less_well() -> None:
    typical = by_kind(None)
    assert {*DIRECTIONS, "supply-bipolar"} == set(typical)
    for kind in ("contact", "upper-level", "supply"):
        here, there = DIRECTIONS[kind], typical[kind]
        assert there.u_relative > here.u_relative
        turned = [
            math.atan2((one.on_s + one.next_on_s) / ON_S, one.off_s / OFF_S)
            for one in (here, there)
        ]
        assert abs(turned[0] - turned[1]) < 4 * there.u_relative


def test_a_reading_of_the_supply_is_used() -> None:
    low = {one.kind: one for one in find_directions(ON_S, OFF_S, HERON_DESIGN, supply_v=4.0)}
    # the diode's drop is a larger part of a lower supply
    slow = [one.on_s + one.next_on_s for one in (DIRECTIONS["supply"], low["supply"])]
    assert slow[1] < 1.5 * slow[0]


@pytest.mark.parametrize("means", [(0.0, 1e-2), (1e-3, -1.0), (math.nan, 1e-2)])
def test_refuses_means_that_cannot_be(means: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="means must be above 0"):
        find_directions(*means, HERON_DESIGN)


@pytest.mark.parametrize(("on_s", "off_s"), [(1e-4, 2e-2), (5e-3, 6e-3), (1.5e-3, 0.2)])
def test_finds_figures_for_any_pulse_train(on_s: float, off_s: float) -> None:
    for design in (HERON_DESIGN, None):
        for one in find_directions(on_s, off_s, design):
            assert np.isfinite(dataclasses.astuple(one)[2:6]).all(), one.kind
            assert math.isfinite(one.u_relative)


def test_a_channel_at_the_end_of_its_track_has_finite_directions() -> None:
    """Where little is left on the on side, a kilohm at the contact would stop the circuit."""
    design = parse_design(
        """
channel = "curtain"
[supply]
volts = 5.0
[timer]
family = "cmos"
r_on = 1800
r_knob = 10000
r_off = 100000
c_timing = "220n"
[knob]
travel_deg = 280
[servo]
pulse_min_us = 500
pulse_max_us = 2500
angle_min_deg = 0
angle_max_deg = 180
""",
        "curtain/design.toml",
    )
    for one in find_directions(378e-6, 16.6e-3, design):
        assert np.isfinite([one.on_s, one.off_s, one.next_on_s, one.next_off_s]).all(), one.kind
        assert np.isfinite([one.u_relative, one.bend]).all(), one.kind
