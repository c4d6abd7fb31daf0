"""The tolerance band by chance, at worst and to first order; what each part does."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
from uncertainties import ufloat

from benchlog.channel.circuit import FAMILIES
from benchlog.channel.design import (
    Design,
    first_order_band,
    parse_design,
    part_effects,
    predict_cycle,
    tolerance_band,
    worst_band,
)
from benchlog.channel.timer import TimerFamily
from benchlog.channel.tolerance import COVERAGE_95
from benchlog.channel.unknowns import list_unknowns
from benchlog.errors import DesignError
from tests.test_design import HERON, NO_KNOB

LINEAR = parse_design(NO_KNOB, "moon.toml")
HERON_DESIGN = parse_design(HERON, "heron.toml")
ROOT3 = math.sqrt(3.0)


def with_tolerances(design: Design, **tolerances: float) -> Design:
    """Return a design with these tolerances, and none else."""
    r_on, r_knob, r_off, c_timing = (
        dataclasses.replace(part, tolerance=tolerances.get(part.name, 0.0)) for part in design.parts
    )
    timer = dataclasses.replace(
        design.timer,
        level_tolerance=tolerances.get("levels", 0.0),
        discharge_most_ohm=0.0,
        saturation_most_v=0.0,
        input_current_most_a=0.0,
    )
    return dataclasses.replace(
        design,
        r_on=r_on,
        r_knob=r_knob,
        r_off=r_off,
        c_timing=c_timing,
        timer=timer,
        diode_tolerance=tolerances.get("diode", 0.0),
    )


# --- by hand ---


def test_effects_of_a_plain_product() -> None:
    """On is ln 2 (r_on + r_off) C = 831.777 us with 5k, 3k and 0.15 uF.

    1 % of r_on moves it by 5/8 of 1 %, 5.1986 us; of C by 8.3178 us. Off, ln 2 r_off C =
    311.916 us, does not know r_on.
    """
    effects = {one.part: one for one in part_effects(LINEAR, 0.0)}
    assert float(effects["r_on"].on_per_percent_s) * 1e6 == pytest.approx(5.19861, abs=2e-5)
    assert float(effects["c_timing"].on_per_percent_s) * 1e6 == pytest.approx(8.31777, abs=2e-5)
    assert float(effects["r_on"].off_per_percent_s) == pytest.approx(0.0, abs=1e-15)
    assert float(effects["r_off"].off_per_percent_s) * 1e6 == pytest.approx(3.11916, abs=2e-5)
    # 5 %, 10 %
    assert float(effects["r_on"].on_spread_s) * 1e6 == pytest.approx(5 * 5.19861, abs=1e-4)
    assert float(effects["c_timing"].on_spread_s) * 1e6 == pytest.approx(83.1777, abs=2e-4)
    assert effects["c_timing"].half_width_percent == pytest.approx(10.0)
    assert "r_knob" not in effects  # it has none


def test_worst_case_of_a_plain_product() -> None:
    """All up: 1.05 * 1.10 of on and of off; all down: 0.95 * 0.90."""
    band = worst_band(LINEAR, [0.0, 270.0])
    nominal = predict_cycle(LINEAR, [0.0, 270.0])
    for high, low, time_s in (
        (band.on_high_s, band.on_low_s, nominal.on_s),
        (band.off_high_s, band.off_low_s, nominal.off_s),
        (band.period_high_s, band.period_low_s, nominal.period_s),
    ):
        np.testing.assert_allclose(high, 1.155 * time_s, rtol=1e-12)
        np.testing.assert_allclose(low, 0.855 * time_s, rtol=1e-12)


def test_worst_case_of_exact_parts_is_the_prediction() -> None:
    exact = with_tolerances(HERON_DESIGN)
    band, times = worst_band(exact, [20.0, 200.0]), predict_cycle(exact, [20.0, 200.0])
    np.testing.assert_array_equal(band.on_low_s, times.on_s)
    np.testing.assert_array_equal(band.period_high_s, times.period_s)


# --- against the `uncertainties` package ---


def test_first_order_band_of_a_linear_case_is_that_of_uncertainties() -> None:
    """Source: the `uncertainties` package, linear propagation of standard deviations.

    No diode, ideal timer: products of parts. The slopes by differences of 0.1 % are good to
    1e-6 where a time is quadratic in a part at most, and here it is linear in each.
    """
    design = dataclasses.replace(
        LINEAR, r_knob=dataclasses.replace(LINEAR.r_knob, value=2e3, tolerance=0.2)
    )
    r_on, r_knob, r_off, c = (
        ufloat(part.value, part.value * part.tolerance / ROOT3) for part in design.parts
    )
    for knob_deg in (0.0, 100.0, 270.0):
        x = knob_deg / 270
        r_a, r_b = r_on + x * r_knob, r_off + (1 - x) * r_knob
        on, off = math.log(2) * (r_a + r_b) * c, math.log(2) * r_b * c
        band = first_order_band(design, knob_deg, coverage=1.0)
        for low, high, wanted in (
            (band.on_low_s, band.on_high_s, on),
            (band.off_low_s, band.off_high_s, off),
            (band.period_low_s, band.period_high_s, on + off),
        ):
            assert float(high - low) / 2 == pytest.approx(wanted.std_dev, rel=1e-6)
            assert float(high + low) / 2 == pytest.approx(wanted.nominal_value, rel=1e-9)


# --- chance against first order: where they agree ---


def test_monte_carlo_agrees_with_first_order_for_small_even_tolerances() -> None:
    """Five parts of like weight within 0.5 %: nearly a normal distribution.

    The sum of two equal boxes ends 95 % at 1.90 of its standard deviation, of many at 1.96, so
    one in thirty is allowed, with 2 % more for 2000 stratified draws, whose ends are each good
    to some 2 % of the half-width as well.
    """
    design = with_tolerances(
        HERON_DESIGN, r_on=0.005, r_knob=0.005, r_off=0.005, c_timing=0.005, levels=0.0025
    )
    angles = np.linspace(0.0, 270.0, 7)
    drawn, straight = tolerance_band(design, angles), first_order_band(design, angles)
    for name in ("on", "off", "period"):
        widths = [
            getattr(band, f"{name}_high_s") - getattr(band, f"{name}_low_s")
            for band in (drawn, straight)
        ]
        np.testing.assert_allclose(widths[0] / widths[1], 1.0, atol=0.05)
        middles = [
            (getattr(band, f"{name}_high_s") + getattr(band, f"{name}_low_s")) / 2
            for band in (drawn, straight)
        ]
        assert np.all(np.abs(middles[0] - middles[1]) < 0.025 * widths[1])


# --- and where they must not ---


def test_one_part_alone_is_a_box_and_no_bell() -> None:
    """95 % of a box end at 0.95 of its half-width.

    To first order one would say 1.96/1.732 of it, beyond what the part can do.
    """
    design = with_tolerances(LINEAR, c_timing=0.10)
    half_s = 0.10 * 831.777e-6
    drawn, straight = tolerance_band(design, 0.0), first_order_band(design, 0.0)
    assert float(drawn.on_high_s - drawn.on_low_s) / 2 == pytest.approx(0.95 * half_s, rel=1e-3)
    assert float(straight.on_high_s - straight.on_low_s) / 2 == pytest.approx(
        COVERAGE_95 / ROOT3 * half_s, rel=1e-5
    )
    assert float(straight.on_high_s) > float(worst_band(design, 0.0).on_high_s)


def test_two_unequal_boxes_add_to_a_trapezoid() -> None:
    """Half-widths a > b: the upper 2.5 % of the sum lie above a + b - sqrt(0.2 a b).

    The trapezoid of a sum of boxes falls in a straight line over its last 2b from 1/(2a), so
    that the tail above a + b - d holds d^2/(8ab): d = sqrt(0.2 ab) for 2.5 %. With 2 % and 1 % the
    first order is 3 % too wide or more; 2000 draws leave 1 %.
    """
    design = with_tolerances(
        dataclasses.replace(
            LINEAR,
            r_on=dataclasses.replace(LINEAR.r_on, value=1.0),
            r_off=dataclasses.replace(LINEAR.r_off, value=1.0),
            r_knob=dataclasses.replace(LINEAR.r_knob, value=1e5),
        ),
        r_knob=0.02,
        c_timing=0.01,
    )
    time_s = float(predict_cycle(design, 270.0).on_s)
    a, b = 0.02 * time_s, 0.01 * time_s
    wanted = a + b - math.sqrt(0.2 * a * b)
    drawn, straight = tolerance_band(design, 270.0), first_order_band(design, 270.0)
    assert float(drawn.on_high_s - drawn.on_low_s) / 2 == pytest.approx(wanted, rel=0.01)
    first = COVERAGE_95 * math.hypot(a, b) / ROOT3
    assert float(straight.on_high_s - straight.on_low_s) / 2 == pytest.approx(first, rel=1e-4)
    assert first / wanted - 1 > 0.03


def test_a_wide_knob_bends_the_band() -> None:
    """20 % of the knob, 10 % of the capacitor: the upper side is the longer one.

    To first order the two are alike; the product of two boxes reaches further up than down by
    twice the product of the half-widths, 4 % of the pulse at the corners.
    """
    design = with_tolerances(HERON_DESIGN, r_knob=0.2, c_timing=0.1)
    on_s = float(predict_cycle(design, 270.0).on_s)
    drawn, straight = tolerance_band(design, 270.0), first_order_band(design, 270.0)
    up, down = float(drawn.on_high_s) - on_s, on_s - float(drawn.on_low_s)
    assert up / down - 1 > 0.05
    assert float(straight.on_high_s) - on_s == pytest.approx(on_s - float(straight.on_low_s))


def test_the_spread_of_a_saturation_current_is_no_straight_line() -> None:
    """A factor of e either way moves the pulse by nearly the same either way.

    The diode's voltage goes with the logarithm, so that is what is spread evenly.
    """
    design = with_tolerances(HERON_DESIGN, diode=1.0)
    (effect,) = (one for one in part_effects(design, 135.0) if one.part == "saturation_current")
    on_s, low_s, high_s = (
        float(predict_cycle(design, 135.0, parts={"saturation_current": 2.52e-9 * factor}).on_s)
        for factor in (1.0, math.e, 1 / math.e)
    )
    assert (low_s - on_s) / (on_s - high_s) == pytest.approx(1.0, abs=0.1)
    assert float(effect.on_spread_s) == pytest.approx((low_s - high_s) / 2, rel=0.02)


# --- the worst case is sound ---


@pytest.mark.parametrize("family", ["cmos", "bipolar"])
def test_no_draw_and_no_corner_is_beyond_the_worst_case(family: str) -> None:
    """20 000 plain draws, and every corner one by one."""
    text = HERON.replace('"cmos"', f'"{family}"')
    design = parse_design(text.replace("volts = 6.0", "volts = 6.0\nvolts_tolerance = 0.1"), "x")
    angles = np.array([0.0, 130.0, 270.0])
    worst = worst_band(design, angles)
    unknowns = list_unknowns(design)
    source = np.random.default_rng(8)
    places = {one.name: source.uniform(-1, 1, (20_000, 1)) for one in unknowns}
    parts = {one.name: one.value_at(places[one.name]) for one in unknowns}
    supply = parts.pop("supply_v")
    times = predict_cycle(design, angles, supply_v=supply, parts=parts)
    free = [one for one in unknowns if one.half_width]
    corners = np.array(list(itertools.product((-1.0, 1.0), repeat=len(free))))
    named = {one.name: one.value_at(corners[:, k, None]) for k, one in enumerate(free)}
    supply = named.pop("supply_v")
    cornered = predict_cycle(design, angles, supply_v=supply, parts=named)
    for name in ("on", "off", "period"):
        low, high = getattr(worst, f"{name}_low_s"), getattr(worst, f"{name}_high_s")
        drawn, met = getattr(times, f"{name}_s"), getattr(cornered, f"{name}_s")
        assert np.all(drawn >= low)
        assert np.all(drawn <= high)
        np.testing.assert_allclose(met.min(axis=0), low, rtol=1e-12)
        np.testing.assert_allclose(met.max(axis=0), high, rtol=1e-12)
        # and the 95 % lie well within
        band = tolerance_band(design, angles)
        assert np.all(getattr(band, f"{name}_low_s") > low)
        assert np.all(getattr(band, f"{name}_high_s") < high)


def test_an_extreme_inside_a_tolerance_is_found() -> None:
    """With a low r_on and a dirty contact the period is shortest inside its tolerance.

    On grows with r_on, while off falls as the foot of the discharge sinks. A grid over the one
    part is the witness; the search's own grid of nine is good to 2e-4 there.
    """
    text = HERON.replace('r_on = "33k"', 'r_on = "10k"\nr_on_tolerance = "60%"')
    text = text.replace('r_knob = "100k"', "r_knob = 0").replace('"820k"', '"330k"')
    design = parse_design(text.replace("[servo]", 'contact_ohm = "200"\n[servo]'), "x")
    design = with_tolerances(design, r_on=0.6)
    grid = 10e3 * np.linspace(0.4, 1.6, 401)
    period_s = predict_cycle(design, 0.0, parts={"r_on": grid}).period_s
    inside = int(np.argmin(period_s))
    assert 20 < inside < 380
    band = worst_band(design, 0.0)
    assert float(band.period_low_s) == pytest.approx(period_s.min(), rel=2e-4)
    assert float(band.period_high_s) == pytest.approx(period_s.max(), rel=1e-9)


def test_a_corner_that_does_not_oscillate_has_no_longest_time() -> None:
    """70 ohm within 60 % against 26 ohm of contact and transistor."""
    text = HERON.replace('r_on = "33k"', 'r_on = "70"\nr_on_tolerance = "60%"')
    text = text.replace('r_knob = "100k"', "r_knob = 0")
    design = parse_design(text.replace("[servo]", "contact_ohm = 12\n[servo]"), "x")
    band = worst_band(design, 0.0)
    assert math.isinf(float(band.off_high_s))
    assert math.isfinite(float(band.off_low_s))
    stuck = parse_design(
        text.replace('"70"', '"10"').replace("[servo]", "contact_ohm = 20\n[servo]"), "x"
    )
    with pytest.raises(DesignError, match="off never ends"):
        worst_band(stuck, 0.0)


# --- the families' figures ---


@pytest.mark.parametrize("name", sorted(FAMILIES))
def test_typical_figures_lie_within_their_limits(name: str) -> None:
    family = FAMILIES[name]
    for typical, (low, high) in (
        (family.threshold_fraction, family.threshold_limits),
        (family.trigger_fraction, family.trigger_limits),
    ):
        assert low <= typical <= high
        # timing holds the levels far closer than each level's own limits do
        assert family.level_tolerance * typical <= min(typical - low, high - typical) + 1e-12
    assert family.discharge_ohm <= family.discharge_most_ohm
    assert family.saturation_v <= family.saturation_most_v
    assert family.input_current_a <= family.input_current_most_a
    assert family.delay_s <= family.delay_most_s


def test_discharge_transistors_of_the_data_sheets() -> None:
    """Typical and greatest voltages across them.

    ST NE555 p. 4: 80 mV at 4.5 mA and 180 mV at 15 mA, 200 and 480 at most; TI SLFS043C p. 9
    (TLC555): 0.14 V at 10 mA, 0.5 at most.
    """
    bipolar, cmos = FAMILIES["bipolar"], FAMILIES["cmos"]
    for amperes, typical, most in ((4.5e-3, 0.080, 0.200), (15e-3, 0.180, 0.480)):
        assert bipolar.saturation_v + amperes * bipolar.discharge_ohm == pytest.approx(
            typical, abs=1e-3
        )
        limit_v = bipolar.saturation_most_v + amperes * bipolar.discharge_most_ohm
        assert limit_v == pytest.approx(most, abs=1e-3)
    assert 10e-3 * cmos.discharge_ohm == pytest.approx(0.14)
    assert 10e-3 * cmos.discharge_most_ohm == pytest.approx(0.5)


def test_what_of_a_timer_is_unknown() -> None:
    """An unknown of the timer moves a typical channel by 0.1 % at its limit.

    What is left out of the unknowns moves it by less.
    """
    named = {
        family: [one.name for one in list_unknowns(parse_design(text, "x"))][8:]
        for family, text in (
            (family, HERON.replace('"cmos"', f'"{family}"')) for family in FAMILIES
        )
    }
    assert named == {
        "ideal": [],
        "cmos": ["discharge_ohm"],
        "bipolar": ["saturation_v", "input_current"],
    }
    plain = predict_cycle(HERON_DESIGN, 0.0)
    cmos = FAMILIES["cmos"]
    for part, most, moves in (
        ("discharge_ohm", cmos.discharge_most_ohm, True),
        ("input_current", cmos.input_current_most_a, False),
        ("delay", cmos.delay_most_s, False),
    ):
        there = predict_cycle(HERON_DESIGN, 0.0, parts={part: most})
        share = max(
            abs(float(there.on_s / plain.on_s) - 1), abs(float(there.off_s / plain.off_s) - 1)
        )
        assert (share > 0.9e-3) == moves
    assert TimerFamily("bare").input_current_a == 0.0
