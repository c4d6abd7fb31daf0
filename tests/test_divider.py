"""The divider against an independent nodal calculation, and what it promises."""

from __future__ import annotations

import dataclasses
import math
from itertools import pairwise
from typing import Any

import eseries
import numpy as np
import pytest

from benchlog.channel.divider import Divider, choose_divider, meter_readings
from benchlog.channel.input_kinds import INPUTS, OUTPUTS
from benchlog.errors import DesignError

SUPPLIES_V = (3.0, 3.6, 4.5, 4.8, 5.0, 6.0, 7.2, 9.0, 10.0, 12.0, 13.5, 15.0)
KINDS = ("line", "microphone", "headset")
FAMILIES = ("cmos", "bipolar", "ideal")
EVERY = [(v, f, k) for v in SUPPLIES_V for f in FAMILIES for k in KINDS]

# Assumed inputs, typed here again: resistance to signals (common practice, from memory), bias
# resistor and voltage (common practice, from memory).
INPUT_OHM = {"line": 10e3, "microphone": 10e3, "headset": 10e3}
BIAS = {"line": (0.0, math.inf), "microphone": (2.5, 2.2e3), "headset": (2.5, 2.2e3)}
# Output: volts below the supply, and ohms. CMOS: TLC555 at 5 V gives 4.8 V at 1 mA (TI SLFS043C
# p. 9). Bipolar: 1.5 V below at next to no current (common practice).
OUTPUT = {"ideal": (0.0, 1e-3), "cmos": (0.0, 200.0), "bipolar": (1.5, 2.0)}
# 1N4148: the most used public parameter set; n k T/q at 27 degC with kT/q = 25.865 mV.
SATURATION_A, SLOPE_V = 2.52e-9, 1.752 * 25.865e-3


class Nodes:
    """A nodal matrix: conductances, and currents into each node."""

    def __init__(self, count: int) -> None:
        self.siemens = np.zeros((count, count))
        self.ampere = np.zeros(count)

    def add(self, a: int | None, b: int | None, siemens: float, ampere: float = 0.0) -> None:
        """Add an element from a to b (None is ground) that carries `ampere` besides g v."""
        for one, sign in ((a, 1), (b, -1)):
            if one is not None:
                self.siemens[one, one] += siemens
                self.ampere[one] -= sign * ampere
        if a is not None and b is not None:
            self.siemens[a, b] -= siemens
            self.siemens[b, a] -= siemens

    def add_diode(self, anode: int | None, cathode: int | None, volts: Any) -> None:
        """Add a diode, as the line that touches its curve at the voltages so far."""
        ends = ((anode, 1), (cathode, -1))
        across = min(sum(sign * volts[n] for n, sign in ends if n is not None), 0.8)
        slope = SATURATION_A / SLOPE_V * math.exp(across / SLOPE_V) + 1e-15
        current = SATURATION_A * math.expm1(across / SLOPE_V)
        self.add(anode, cathode, slope, current - slope * across)


def solve_nodes(divider: Divider, output_v: float, *, bias_v: float, is_loaded: bool) -> float:
    """Return the plug's voltage by Newton's method on a nodal matrix.

    Nodes: 0 the timer's output pin, 1 the plug, and from 2 on the middles of the clamp's two
    strings.
    """
    inner = max(divider.clamp_diodes - 1, 0)
    chains: list[list[int | None]] = []
    if divider.clamp_diodes:
        there: list[int | None] = [1, *range(2, 2 + inner), None]
        back: list[int | None] = [None, *range(2 + inner, 2 + 2 * inner), 1]
        chains = [there, back]
    kind, ohm = divider.kind.name, OUTPUT[divider.family][1]
    volts = np.zeros(2 + 2 * inner)
    for _ in range(400):
        nodes = Nodes(volts.size)
        nodes.add(0, None, 1 / ohm, -output_v / ohm)  # the output in Norton's form
        nodes.add(0, 1, 1 / divider.series_ohm)
        nodes.add(1, None, 1 / divider.lower_ohm)
        if is_loaded:
            nodes.add(1, None, 1 / INPUT_OHM[kind])
            nodes.add(1, None, 1 / BIAS[kind][1], -bias_v / BIAS[kind][1])
        for chain in chains:
            for anode, cathode in pairwise(chain):
                nodes.add_diode(anode, cathode, volts)
        step = np.clip(np.linalg.solve(nodes.siemens, nodes.ampere) - volts, -0.05, 0.05)
        volts = volts + step
        if np.abs(step).max() < 1e-10:
            return float(volts[1])
    raise AssertionError("the nodal calculation did not settle")


@pytest.mark.parametrize(("supply_v", "family", "kind"), EVERY)
def test_the_level_is_what_an_independent_calculation_gives(
    supply_v: float, family: str, kind: str
) -> None:
    divider = choose_divider(supply_v, family, kind)
    high_v = supply_v - OUTPUT[family][0]
    # The pulse's height at the plug, the bias being there all the time: high less low.
    bias_v = BIAS[kind][0]
    loaded = [solve_nodes(divider, volts, bias_v=bias_v, is_loaded=True) for volts in (0.0, high_v)]
    # 5 % is what is promised. The two calculations share no code, only the circuit, so that they
    # should agree far better.
    assert divider.level_v.value == pytest.approx(loaded[1] - loaded[0], rel=0.05)
    assert divider.level_v.value == pytest.approx(loaded[1] - loaded[0], rel=1e-3)
    alone = solve_nodes(divider, high_v, bias_v=0.0, is_loaded=False)
    assert divider.open_v == pytest.approx(alone, rel=1e-3)
    assert divider.loading == pytest.approx(1 - divider.level_v.value / alone, abs=2e-3)
    rest_v = solve_nodes(divider, 0.0, bias_v=bias_v, is_loaded=True)
    # The stated bias leaves out the input's 10 kohm and the series resistor, which lower it.
    assert rest_v <= divider.bias_plug_v + 1e-9
    assert divider.bias_plug_v == pytest.approx(rest_v, rel=0.2, abs=1e-9)


@pytest.mark.parametrize(("supply_v", "family", "kind"), EVERY)
def test_every_divider_keeps_its_promises(supply_v: float, family: str, kind: str) -> None:
    divider = choose_divider(supply_v, family, kind)
    e12 = {round(float(one)) for one in eseries.series(eseries.ESeries.E12)}
    for ohm in (divider.series_ohm, divider.lower_ohm):
        digits = ohm / 10 ** (math.floor(math.log10(ohm)) - 1)
        assert round(digits) in e12
        assert digits == pytest.approx(round(digits), rel=1e-9)
    assert divider.accident_a <= 0.3e-3
    assert divider.level_v.value <= 0.5 * divider.kind.full_scale_v
    assert divider.level_db <= -6.0
    assert divider.level_db > -21.0  # a bipolar timer at 3 V has 1.5 V to give
    assert divider.level_v.low < divider.level_v.value < divider.level_v.high
    # Never full scale, whatever the tolerances.
    assert divider.level_v.high < divider.kind.full_scale_v
    # Far above what a sound input passes, so that cable and source shape nothing.
    assert divider.bandwidth_hz > 200e3
    if kind == "headset":
        assert 1.5e3 <= divider.lower_ohm <= 2.2e3
    else:
        assert divider.source_ohm <= 0.51 * divider.kind.load_ohm


def test_six_volts_into_a_line_input() -> None:
    # Worked by hand: 4.7 kohm with 10 kohm beside it are 3.197 kohm; 6 V over 47.2 kohm and
    # 3.197 kohm leave 0.3806 V, 8.4 dB below 1 V; the clamp takes 0.1 %.
    divider = choose_divider(6.0, "cmos", "line")
    assert (divider.series_ohm, divider.lower_ohm) == (47e3, 4.7e3)
    assert divider.level_v.value == pytest.approx(0.3806, rel=5e-3)
    assert divider.level_db == pytest.approx(-8.4, abs=0.05)
    assert divider.accident_a == pytest.approx(12 / 47e3)
    # 1/(2 pi 2994 ohm 100 pF)
    assert divider.bandwidth_hz == pytest.approx(531.6e3, rel=2e-3)
    assert divider.delay_s == pytest.approx(0.2994e-6, rel=2e-3)


@pytest.mark.parametrize(("supply_v", "family"), [(v, f) for v in SUPPLIES_V for f in FAMILIES])
def test_the_clamp_helps_and_does_no_harm(supply_v: float, family: str) -> None:
    divider = choose_divider(supply_v, family, "line")
    assert divider.clamp_diodes in (1, 2)
    # Without the lower resistor the clamp holds the plug: each diode has 0.6 V at 0.3 mA
    # (1N4148 set: 0.53 V at 0.3 mA).
    assert divider.loose_v < 0.6 * divider.clamp_diodes
    bare = dataclasses.replace(divider, clamp_diodes=0)
    high_v = supply_v - OUTPUT[family][0]
    with_clamp, without = (
        solve_nodes(one, high_v, bias_v=0.0, is_loaded=True) for one in (divider, bare)
    )
    assert with_clamp >= 0.989 * without


@pytest.mark.parametrize("kind", ["microphone", "headset"])
def test_no_clamp_where_the_bias_would_open_it(kind: str) -> None:
    divider = choose_divider(6.0, "cmos", kind)
    assert divider.clamp_diodes == 0
    # With one all the same, on the most bias that is met, it would take more than 1 %.
    clamped = dataclasses.replace(divider, clamp_diodes=1)
    bias_v = divider.kind.bias_high_v
    heights = [
        solve_nodes(one, 6.0, bias_v=bias_v, is_loaded=True)
        - solve_nodes(one, 0.0, bias_v=bias_v, is_loaded=True)
        for one in (divider, clamped)
    ]
    assert heights[1] < 0.99 * heights[0]


def test_twelve_volts_by_mistake_into_a_short() -> None:
    for supply_v, family, kind in EVERY:
        divider = choose_divider(supply_v, family, kind)
        assert divider.accident_a == pytest.approx(12.0 / divider.series_ohm)
        plug_v = solve_nodes(
            dataclasses.replace(divider, family="ideal"), 12.0, bias_v=0.0, is_loaded=False
        )
        assert divider.accident_v == pytest.approx(plug_v, rel=2e-3)


def test_what_the_meter_reads() -> None:
    divider = choose_divider(6.0, "cmos", "line")
    steady, running, stop_v = meter_readings(divider)
    # 6 V x 4.7/51.7 = 0.545 V; resistors 5 % off the two worst ways: 0.498 and 0.597 V
    # (less what the clamp takes).
    assert steady.value == pytest.approx(6 * 4.7 / 51.7, rel=0.015)
    assert steady.low == pytest.approx(6 * 4.465 / (4.465 + 49.35), rel=0.015)
    assert steady.high == pytest.approx(6 * 4.935 / (4.935 + 44.65), rel=0.015)
    # The average is the height times the share of the period: 0.5 of 25 ms to 2.5 of 14 ms.
    assert running.low == pytest.approx(0.54 * 0.02 * 0.92, rel=0.02)
    assert running.high == pytest.approx(0.54 * 0.179 * 1.09, rel=0.02)
    assert running.high < stop_v
    known = meter_readings(divider, (0.04, 0.16))[1]
    assert running.low < known.low < known.high < running.high


@pytest.mark.parametrize(("supply_v", "family", "kind"), EVERY)
def test_a_wrong_divider_shows_on_the_meter(supply_v: float, family: str, kind: str) -> None:
    divider = choose_divider(supply_v, family, kind)
    steady, _, stop_v = meter_readings(divider)
    # Exchanged, or the lower one missing: the steady test shows nearly the whole supply.
    exchanged = supply_v * divider.series_ohm / (divider.series_ohm + divider.lower_ohm)
    assert exchanged > 1.5 * steady.high
    # An output that never falls, or the clip on the supply: above the limit of the running test.
    assert steady.low > stop_v


@pytest.mark.parametrize("supply_v", [2.9, 15.1, 0.0, -6.0, math.inf, math.nan])
def test_a_supply_out_of_range(supply_v: float) -> None:
    with pytest.raises(DesignError, match=r"3 to 15 V.*never mains"):
        choose_divider(supply_v, "cmos", "line")


def test_a_callers_mistakes() -> None:
    with pytest.raises(ValueError, match="family must be one of"):
        choose_divider(6.0, "relay", "line")
    with pytest.raises(ValueError, match="kind must be one of"):
        choose_divider(6.0, "cmos", "aerial")


def test_every_assumption_names_its_source() -> None:
    for facts in [one.facts for one in INPUTS.values()] + [one.facts for one in OUTPUTS.values()]:
        assert facts
        for fact in facts:
            assert fact.what
            assert fact.source
            assert fact.status in ("stored copy", "computed", "from memory")
    # -10 dBV is 10^(-10/20) V rms; the line input's full scale is 7 dB above its peak.
    peak_v = math.sqrt(2) * 10 ** (-10 / 20)
    assert 20 * math.log10(INPUTS["line"].full_scale_v / peak_v) == pytest.approx(7.0, abs=0.05)
