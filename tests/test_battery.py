"""Cells guessed from volts, and between which supplies a mark holds."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.channel.battery import guess_battery, holding_supply, life_pulses
from benchlog.channel.design import parse_design, predict_cycle
from benchlog.errors import DesignError
from tests.test_design import HERON, NO_KNOB

HERON_DESIGN = parse_design(HERON, "heron.toml")


@pytest.mark.parametrize(
    ("supply_v", "kind", "count", "full_v", "empty_v"),
    [
        (6.0, "alkaline", 4, 6.4, 3.6),
        (9.0, "alkaline", 6, 9.6, 5.4),
        (4.5, "alkaline", 3, 4.8, 2.7),
        (1.5, "alkaline", 1, 1.6, 0.9),
        (4.8, "nimh", 4, 5.6, 4.0),
        (3.6, "nimh", 3, 4.2, 3.0),
        (5.0, "regulated", 0, 5.25, 4.75),
        (3.3, "regulated", 0, 3.465, 3.135),
        (0.4, "regulated", 0, 0.42, 0.38),
    ],
)
def test_cells_of_a_supply(
    supply_v: float, kind: str, count: int, full_v: float, empty_v: float
) -> None:
    """Alkaline 1.6 to 0.9 V a cell, NiMH 1.40 to 1.0 V, else regulated within 5 %."""
    battery = guess_battery(supply_v)
    assert (battery.kind, battery.cell_count) == (kind, count)
    assert battery.full_v == pytest.approx(full_v)
    assert battery.empty_v == pytest.approx(empty_v)


def test_no_supply_has_no_battery() -> None:
    for volts in (0.0, -6.0, math.nan):
        with pytest.raises(ValueError, match="above 0"):
            guess_battery(volts)


def test_a_mark_holds_from_6_4_to_5_4_volts() -> None:
    """At 180 degrees of knob: -48 us/V at 6 V, and 11.1 us to a degree of arm.

    So 3 degrees are some 0.7 V, more of it upwards, where the slope falls.
    """
    low, high = holding_supply(HERON_DESIGN, 180.0, 3.0)
    assert float(low) == pytest.approx(5.4, abs=0.05)
    assert 6.6 < float(high) < 7.0


@pytest.mark.parametrize("within_deg", [0.2, 3.0, 10.0])
def test_at_its_ends_the_arm_is_off_by_just_so_much(within_deg: float) -> None:
    """The prediction itself at the supplies that were found."""
    knob = np.array([0.0, 45.0, 135.0, 200.0])
    servo = HERON_DESIGN.servo
    here = servo.angle_deg(predict_cycle(HERON_DESIGN, knob).on_s)
    low, high = holding_supply(HERON_DESIGN, knob, within_deg)
    for supply_v, sign in ((low, 1.0), (high, -1.0)):
        there = servo.angle_deg(predict_cycle(HERON_DESIGN, knob, supply_v=supply_v).on_s)
        inside = (supply_v > 2.0) & (supply_v < 15.0)
        np.testing.assert_allclose((sign * (there - here))[inside], within_deg, rtol=1e-6)
        assert np.all((sign * (there - here))[~inside] < within_deg)


def test_it_agrees_with_brentq() -> None:
    """Source: `scipy.optimize.brentq`, one mark at a time."""
    from scipy.optimize import brentq

    servo = HERON_DESIGN.servo

    def arm(supply_v: float) -> float:
        return float(servo.angle_deg(predict_cycle(HERON_DESIGN, 90.0, supply_v=supply_v).on_s))

    wanted = brentq(lambda v: arm(v) - arm(6.0) - 3.0, 3.0, 6.0, xtol=1e-12)
    assert float(holding_supply(HERON_DESIGN, 90.0, 3.0)[0]) == pytest.approx(wanted, abs=1e-9)


def test_without_a_diode_a_mark_always_holds() -> None:
    """Levels and drive scale alike: from a quarter of the supply to four times it."""
    design = parse_design(NO_KNOB, "moon.toml")
    low, high = holding_supply(design, [0.0, 100.0])
    np.testing.assert_array_equal(low, [1.25, 1.25])
    np.testing.assert_array_equal(high, [20.0, 20.0])


def test_the_search_ends_at_what_the_timer_is_made_for() -> None:
    low, high = holding_supply(HERON_DESIGN, 135.0, 170.0)
    assert (float(low), float(high)) == (2.0, 15.0)
    bipolar = parse_design(HERON.replace('"cmos"', '"bipolar"'), "x")
    assert float(holding_supply(bipolar, 135.0, 170.0)[0]) == 4.5
    # a design below the family's range is its own end
    lower = dataclasses.replace(bipolar, supply=dataclasses.replace(bipolar.supply, value=4.0))
    assert float(holding_supply(lower, 135.0, 170.0)[0]) == 4.0


def test_an_arm_at_its_stop_stays_there() -> None:
    """With the stop at 2000 us the last mark asks for 2370: lower supplies ask for more."""
    design = parse_design(HERON.replace("2500", "2000"), "x")
    low, high = holding_supply(design, 270.0, 3.0)
    assert float(low) == 2.0
    there = predict_cycle(design, 270.0, supply_v=high).on_s
    assert float(design.servo.angle_deg(there)) == pytest.approx(177.0) or float(high) == 15.0


@settings(max_examples=10, deadline=None)
@given(knob=st.floats(0.0, 270.0), near=st.floats(0.5, 5.0), more=st.floats(1.1, 3.0))
def test_more_room_holds_longer(knob: float, near: float, more: float) -> None:
    low, high = holding_supply(HERON_DESIGN, knob, near)
    lower, higher = holding_supply(HERON_DESIGN, knob, near * more)
    assert lower <= low <= 6.0 <= high <= higher


def test_wrong_questions_are_refused() -> None:
    for within in (0.0, -1.0, math.nan):
        with pytest.raises(ValueError, match="within_deg"):
            holding_supply(HERON_DESIGN, 0.0, within)
    stuck = parse_design(
        HERON.replace('r_on = "33k"', 'r_on = "10"').replace(
            "[servo]", "contact_ohm = 20\n[servo]"
        ),
        "x",
    )
    with pytest.raises(DesignError, match="off never ends"):
        holding_supply(stuck, 0.0)


def test_pulses_of_full_and_empty_cells() -> None:
    full, empty = life_pulses(HERON_DESIGN, [0.0, 270.0], guess_battery(6.0))
    for got, supply_v in ((full, 6.4), (empty, 3.6)):
        wanted = predict_cycle(HERON_DESIGN, [0.0, 270.0], supply_v=supply_v).on_s
        np.testing.assert_allclose(got, wanted, rtol=1e-12)
    # the bench's rule: a battery that goes from 6.0 to 4.8 V moves the pulse by 50 to 80 us
    here, lower = (predict_cycle(HERON_DESIGN, 180.0, supply_v=v).on_s for v in (6.0, 4.8))
    assert 50e-6 < float(lower - here) < 80e-6
