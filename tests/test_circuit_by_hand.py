"""On and off against an integration in time that shares nothing with the model.

Source: `scipy.integrate.solve_ivp` and `brentq` over Kirchhoff's laws (`circuit_by_hand.py`). The
model is to agree within 1e-4; it does within 1e-6, which is asked here. The integration is
good to some 1e-8; where the timer has a delay the model replaces what the capacitor runs over by
one exponential, an error of second order in the delay.
"""

from __future__ import annotations

import dataclasses
from itertools import product

import numpy as np
import pytest

from benchlog.channel.circuit import FAMILIES
from benchlog.channel.cycle import build_circuit
from benchlog.channel.diode import PUBLISHED_SETS, Diode, DiodeKind
from benchlog.channel.moving import stretch_by_supply
from benchlog.channel.quadrature import integrate, wright_omega
from benchlog.channel.timer import Circuit, cycle_times, fall_time, rise_time
from tests.circuit_by_hand import ByHand
from tests.test_design import HERON_DESIGN

AGREE = 1e-6
SETS = [one for sets in PUBLISHED_SETS.values() for one in sets]


def by_hand(circuit: Circuit) -> ByHand:
    """Return the same values for the integration, copied one by one."""
    diode, timer = circuit.diode, circuit.timer
    r_a, r_b, contact, c, celsius = (
        float(np.asarray(one))
        for one in (
            circuit.r_a_ohm,
            circuit.r_b_ohm,
            circuit.r_wiper_ohm,
            circuit.c_f,
            circuit.temperature_c,
        )
    )
    return ByHand(
        r_a, r_b, c, contact,
        i_s=diode.saturation_current_a, n=diode.emission, r_s=diode.series_ohm,
        gap_ev=diode.gap_ev, exponent=diode.exponent, parallel=diode.parallel_ohm,
        kind=diode.kind, celsius=celsius,
        upper=timer.threshold_fraction, lower=timer.trigger_fraction,
        discharge=timer.discharge_ohm, v_sat=timer.saturation_v,
        drawn=timer.input_current_a, delay=timer.delay_s,
    )  # fmt: skip


def agree(circuit: Circuit) -> None:
    on, off = by_hand(circuit).cycle(float(np.asarray(circuit.supply_v)))
    times = cycle_times(circuit)
    assert float(times.on_s) == pytest.approx(on, rel=AGREE)
    assert float(times.off_s) == pytest.approx(off, rel=AGREE)


DESIGNS = (
    # r_a, r_b, c: short and long pulses, a fast and a slow channel, a small Rb, a large C
    (33e3, 920e3, 22e-9),
    (133e3, 820e3, 22e-9),
    (10e3, 150e3, 100e-9),
    (8.2e3, 47e3, 220e-9),
    (330e3, 1e6, 4.7e-9),
    (2.2e3, 22e3, 1e-6),
)


@pytest.mark.parametrize(
    ("design", "supply_v"), list(product(DESIGNS, (3.6, 6.0, 9.0))), ids=lambda one: str(one)
)
def test_six_designs_at_three_supplies(design: tuple[float, float, float], supply_v: float) -> None:
    """Two diodes by turns: the usual 1N4148 and NXP's set of it."""
    diode = PUBLISHED_SETS["1N4148"][(DESIGNS.index(design) + int(supply_v)) % 2]
    agree(Circuit(supply_v, design[0], design[1], 0.0, design[2], diode, FAMILIES["ideal"]))


@pytest.mark.parametrize("family", sorted(FAMILIES))
@pytest.mark.parametrize("kind", ["normal", "none", "open", "reversed"])
def test_families_and_kinds_of_diode(family: str, kind: DiodeKind) -> None:
    diode = dataclasses.replace(PUBLISHED_SETS["1N4148"][0], kind=kind)
    timer = FAMILIES[family]
    if kind == "reversed":  # else off is over before the integration has begun
        timer = dataclasses.replace(timer, discharge_ohm=5e3)
    agree(Circuit(6.0, 68e3, 330e3, 80.0, 47e-9, diode, timer, 27.0))


@pytest.mark.parametrize("number", range(len(SETS)))
def test_published_diodes_cold_and_warm(number: int) -> None:
    """With contact resistance; warm Schottky diodes leak much of the off current."""
    for celsius, family in ((-20.0, "cmos"), (60.0, "bipolar")):
        agree(Circuit(5.0, 22e3, 100e3, 150.0, 47e-9, SETS[number], FAMILIES[family], celsius))


def test_reverse_current_shortens_off() -> None:
    """At 60 degC Is has grown to tens of nA, which off through 1 Mohm feels by a per cent.

    The integration says so too.
    """
    hot = Circuit(6.0, 33e3, 1e6, 0.0, 22e-9, SETS[1], FAMILIES["ideal"], 60.0)
    without = dataclasses.replace(hot, diode=Diode(kind="none"))
    share = float(cycle_times(hot).off_s / cycle_times(without).off_s) - 1
    i_s = float(np.exp(hot.diode.log_saturation(60.0)))
    # 1/3 V falls within a mean of 3 V through 1 Mohm: Is takes some Is/3 uA off the time
    assert share == pytest.approx(-i_s / 3e-6, rel=0.1)
    agree(hot)


def test_random_circuits() -> None:
    """Twenty-four more, with everything drawn (seed 5)."""
    source = np.random.default_rng(5)
    for _ in range(24):
        timer = dataclasses.replace(
            FAMILIES[str(source.choice(["bipolar", "cmos"]))],
            threshold_fraction=float(source.uniform(0.6, 0.72)),
            trigger_fraction=float(source.uniform(0.28, 0.4)),
            discharge_ohm=float(source.uniform(0, 60)),
        )
        circuit = Circuit(
            float(source.uniform(3.6, 9.0)),
            float(10 ** source.uniform(3.7, 5.5)),
            float(10 ** source.uniform(4.3, 6.0)),
            float(source.choice([0.0, 30.0, 300.0])),
            float(10 ** source.uniform(-9, -6)),
            SETS[int(source.integers(len(SETS)))],
            dataclasses.replace(timer, delay_s=0.0),
            float(source.uniform(-10, 50)),
        )
        agree(circuit)


# --- the supply moving within a phase ---


@pytest.mark.parametrize("kind", ["normal", "none"])
@pytest.mark.parametrize("moved_v", [-0.3, 0.3])
@pytest.mark.parametrize(("supply_v", "contact"), [(6.0, 0.0), (4.0, 300.0)])
def test_a_supply_that_runs_straight(
    kind: DiodeKind, moved_v: float, supply_v: float, contact: float
) -> None:
    """0.3 V within a phase: within 1e-5 of the integration, in on and in off."""
    diode = dataclasses.replace(SETS[0], kind=kind)
    circuit = Circuit(supply_v, 83e3, 870e3, contact, 22e-9, diode, FAMILIES["ideal"])
    reference = by_hand(circuit)
    middle = dataclasses.replace(circuit, supply_v=supply_v + moved_v / 2)
    for pulled in (False, True):
        low, high = supply_v / 3, (supply_v + moved_v) * 2 / 3
        if pulled:
            low, high = (supply_v + moved_v) / 3, supply_v * 2 / 3
        steady = float(fall_time(middle, high, low) if pulled else rise_time(middle, low, high))
        begin, end = (high, low) if pulled else (low, high)
        stretch = stretch_by_supply(
            middle,
            np.array([begin]),
            np.array([end]),
            lambda elapsed, length: supply_v + moved_v * elapsed / length,
            pulled=pulled,
        )
        got = steady * float(stretch[0])

        def supply(t: float, length: float = got) -> float:
            return supply_v + moved_v * t / length

        wanted = reference.off(supply) if pulled else reference.on(supply)
        # the line reaches its end where the model says that the phase ends
        assert got == pytest.approx(wanted, rel=1e-5)
        if not pulled:
            assert abs(stretch[0] - 1) > 1e-4  # the mean of the ends would not have done


def test_a_supply_that_stands_still_stretches_nothing() -> None:
    circuit = Circuit(6.0, 83e3, 870e3, 0.0, 22e-9, SETS[0], FAMILIES["ideal"])
    for pulled, begin, end in ((False, 2.0, 4.0), (True, 4.0, 2.0)):
        stretch = stretch_by_supply(
            circuit,
            np.array([begin]),
            np.array([end]),
            lambda elapsed, _: np.full(elapsed.shape, 6.0),
            pulled=pulled,
        )
        assert stretch[0] == pytest.approx(1.0, abs=1e-14)


# --- the numerical pieces ---


def test_wright_omega_against_scipy() -> None:
    from scipy.special import wrightomega

    z = np.concatenate([np.linspace(-60.0, 60.0, 2001), np.geomspace(60.0, 1e7, 50)])
    np.testing.assert_allclose(wright_omega(z), wrightomega(z), rtol=2e-14)


def test_quadrature_of_powers_and_of_a_near_pole() -> None:
    """Powers to the eleventh are exact; 1/z from 1e-4 to 1 is halved until it is right."""
    power = np.arange(12.0)
    got = integrate(lambda z, n: z**n, np.zeros(12), np.full(12, 2.0), (power,))
    np.testing.assert_allclose(got, 2 ** (power + 1) / (power + 1), rtol=1e-13)
    start = np.geomspace(1e-4, 0.9, 5000)
    got = integrate(lambda z, k: k / z, start, np.ones(1), (np.ones(1),))
    np.testing.assert_allclose(got, -np.log(start), rtol=1e-9)


def test_other_figures_of_the_timer_by_name() -> None:
    """The names of the overrides reach the circuit, `input_current` as the sum of both pins'."""
    circuit = build_circuit(
        HERON_DESIGN,
        [0.0, 90.0],
        parts={"discharge_ohm": 40.0, "saturation_v": 0.02, "input_current": 1e-9, "delay": 2e-7},
    )
    timer = circuit.timer
    assert float(timer.discharge_ohm) == 40.0
    assert float(timer.saturation_v) == 0.02
    assert float(timer.input_current_a) == pytest.approx(1e-9)
    assert float(timer.delay_s) == 2e-7
    plain = build_circuit(HERON_DESIGN, 0.0).timer
    assert plain == HERON_DESIGN.timer
