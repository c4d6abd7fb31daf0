"""The circuit: hand-worked limits, an independent integration, published values."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.channel.diode import PUBLISHED_SETS, TYPE_SPREAD
from benchlog.channel.timer import (
    FAMILIES,
    MODELS,
    NO_DIODE,
    Circuit,
    Diode,
    TimerFamily,
    cycle_times,
    fall_time,
    rise_time,
    try_cycle_times,
)
from benchlog.errors import DesignError

IDEAL = FAMILIES["ideal"]
SIGNAL_DIODE = MODELS["1N4148"]


def build(**changed: object) -> Circuit:
    """Return the stage's heron at the middle of its knob, with changes."""
    base = Circuit(6.0, 83e3, 870e3, 0.0, 22e-9, SIGNAL_DIODE, FAMILIES["cmos"], 27.0)
    return dataclasses.replace(base, **changed)  # type: ignore[arg-type]


# --- without a diode: logarithms by hand ---


def test_astable_of_the_data_sheet() -> None:
    """RA 5k, RB 3k, 0.15 uF: 831.777 and 311.916 us (TI SLFS022A figure 13, ln 2 exact)."""
    times = cycle_times(Circuit(5.0, 5e3, 3e3, 0.0, 0.15e-6, NO_DIODE, IDEAL))
    assert float(times.on_s) * 1e6 == pytest.approx(831.777, abs=5e-4)
    assert float(times.off_s) * 1e6 == pytest.approx(311.916, abs=5e-4)
    assert 1 / float(times.period_s) == pytest.approx(874.361, abs=5e-4)


def test_astable_of_a_textbook() -> None:
    """2.2k, 4.7k, 22 nF: 5.64 kHz and 59.5 % (Floyd, Digital Fundamentals, example 7-14).

    The book's factor 1.44 is rounded; with ln 2 exact it is 5653.19 Hz and 59.483 %.
    """
    times = cycle_times(Circuit(5.5, 2.2e3, 4.7e3, 0.0, 0.022e-6, NO_DIODE, IDEAL))
    assert 1 / float(times.period_s) == pytest.approx(5653.19, abs=5e-3)
    assert float(times.on_s / times.period_s) == pytest.approx(0.59483, abs=5e-6)


def test_threshold_current_lengthens_on_as_a_lower_supply_would() -> None:
    """With I drawn, the capacitor heads for V - I (Ra + Rb): ln((V' - V/3)/(V' - 2V/3))."""
    drawn = TimerFamily("drawn", threshold_current_a=100e-9)
    times = cycle_times(Circuit(6.0, 1e6, 2e6, 0.0, 1e-9, NO_DIODE, drawn))
    aim_v = 6.0 - 100e-9 * 3e6
    assert float(times.on_s) == pytest.approx(
        3e6 * 1e-9 * math.log((aim_v - 2) / (aim_v - 4)), rel=1e-12
    )
    # falling it heads for -I Rb
    assert float(times.off_s) == pytest.approx(2e6 * 1e-9 * math.log(4.2 / 2.2), rel=1e-12)


def test_foot_of_the_discharge_without_a_diode() -> None:
    """Ra against contact and transistor holds the wiper's node up; off heads for that."""
    timer = TimerFamily("saturated", discharge_ohm=14.0, saturation_v=0.05)
    times = cycle_times(Circuit(6.0, 33e3, 900e3, 500.0, 22e-9, NO_DIODE, timer))
    foot_v = 0.05 + (6.0 - 0.05) * 514 / (33e3 + 514)
    r_ohm = 900e3 + 33e3 * 514 / (33e3 + 514)
    wanted = r_ohm * 22e-9 * math.log((4 - foot_v) / (2 - foot_v))
    assert float(times.off_s) == pytest.approx(wanted, rel=1e-12)


def test_delay_adds_itself_and_what_the_capacitor_runs_over() -> None:
    """Without a diode: on grows by d and by the time to make up the undershoot."""
    d = 1e-6
    plain = cycle_times(build(diode=NO_DIODE, timer=IDEAL))
    late = cycle_times(build(diode=NO_DIODE, timer=TimerFamily("late", delay_s=d)))
    # slopes at the lower level: off 2 V/Rb C, on 4 V/(Ra + Rb) C
    catch_up = d * (2 / 870e3) / (4 / 953e3)
    assert float(late.on_s - plain.on_s) == pytest.approx(d + catch_up, rel=1e-3)


# --- the diode's limits ---


@pytest.mark.parametrize(("supply_v", "drop_v"), [(5.0, 0.7), (5.0, 0.6), (9.0, 0.7), (3.6, 0.5)])
def test_constant_drop_is_the_limit(supply_v: float, drop_v: float) -> None:
    """On is R C ln((2V - 3Vd)/(V - 3Vd)), encyclopaedia '555 timer IC', shorter duty cycle.

    The curve becomes a step as the emission goes to 0 with the drop at the middle current
    kept; Is sets the drop, so the emission cannot go below some 0.04 before Is leaves the
    floats. The error is proportional to the emission: halving it halves the error, and
    carrying on to 0 leaves a square term of some 1e-6.
    """
    r_ohm, c_f = 10e3, 100e-9
    closed = r_ohm * c_f * math.log((2 * supply_v - 3 * drop_v) / (supply_v - 3 * drop_v))
    middle_a = (supply_v / 2 - drop_v) / r_ohm

    def on_time(emission: float) -> float:
        slope_v = emission * 1.380649e-23 / 1.602176634e-19 * 300.15
        diode = Diode(middle_a * math.exp(-drop_v / slope_v), emission, 0.0)
        return float(cycle_times(Circuit(supply_v, r_ohm, 1e12, 0.0, c_f, diode, IDEAL)).on_s)

    coarse, fine = on_time(0.10), on_time(0.05)
    assert fine == pytest.approx(closed, rel=5e-3)
    assert abs(fine - closed) < 0.6 * abs(coarse - closed)
    assert 2 * fine - coarse == pytest.approx(closed, rel=2e-5)


def test_factor_of_the_closed_form() -> None:
    """5 V and 0.7 V give 1.00215 R C (reference figure, recomputed)."""
    assert math.log((10 - 2.1) / (5 - 2.1)) == pytest.approx(1.00215, abs=5e-6)


@pytest.mark.parametrize(("r_ohm", "factor"), [(10e3, 0.898), (100e3, 0.845)])
def test_real_curve_against_the_textbook(r_ohm: float, factor: float) -> None:
    """1N4148 at 5 V: 0.898 R C at 10 kohm, 0.845 R C at 100 kohm.

    Reference figures, rounded to three digits; they belong to NXP's published set.
    """
    maker = Diode(4.352e-9, 1.906, 0.6458)
    times = cycle_times(Circuit(5.0, r_ohm, 1e12, 0.0, 22e-9, maker, IDEAL))
    assert float(times.on_s) / (r_ohm * 22e-9) == pytest.approx(factor, abs=5e-4)


@pytest.mark.parametrize(
    ("supply_v", "low", "high"), [(9.0, 12, 14), (6.0, 17, 21), (5.0, 20.5, 27), (3.6, 29, 40)]
)
def test_on_is_longer_than_ln2(supply_v: float, low: float, high: float) -> None:
    """On is 12-14 % longer than ln 2 R C at 9 V, 17-21 at 6 V, 21-27 at 5 V, 29-40 at 3.6 V.

    The ranges (reference figures) are rounded to whole per cents, so half a per cent is
    allowed at each end, and one at 9 V where the longest resistor comes to 11.3.
    """
    r_a = np.linspace(33e3, 133e3, 21)
    times = cycle_times(build(supply_v=supply_v, r_a_ohm=r_a, r_b_ohm=953e3 - r_a, timer=IDEAL))
    longer = 100 * (times.on_s / (math.log(2) * r_a * 22e-9) - 1)
    assert longer.min() > low - 1
    assert longer.max() < high + 0.5


def test_open_diode_is_none_and_reversed_cannot_discharge_slowly() -> None:
    none, opened, turned = (
        cycle_times(build(diode=Diode(kind=kind))) for kind in ("none", "open", "reversed")
    )
    assert float(opened.on_s) == float(none.on_s)
    assert float(opened.off_s) == float(none.off_s)
    # it blocks in on, which is then longer still by its leakage; in off it empties the capacitor
    assert float(turned.on_s) > 0.9 * float(none.on_s)
    assert float(turned.off_s) < 1e-5


def test_a_high_supply_is_the_textbook_limit() -> None:
    """On comes down to ln 2 Ra C as the supply rises above the diode's drop.

    To first order in drop/supply the closed form ln((2V - 3Vd)/(V - 3Vd)) is ln 2 + 3Vd/2V. From
    5 to 5000 V the excess over ln 2 so falls nearly as 1/V (the drop itself grows by 0.3 V);
    thresholds without the diode know no supply at all.
    """
    supply = np.array([5.0, 50.0, 500.0, 5000.0])
    leaky = dataclasses.replace(SIGNAL_DIODE, series_ohm=0.0)
    times = cycle_times(Circuit(supply, 50e3, 1e12, 0.0, 22e-9, leaky, IDEAL))
    excess = times.on_s / (50e3 * 22e-9) - math.log(2)
    drop_v = leaky.forward_v(supply / 2 / 50e3)
    np.testing.assert_allclose(excess[1:], 1.5 * drop_v[1:] / supply[1:], rtol=0.05)
    assert np.all(np.diff(excess) < 0)
    bare = cycle_times(Circuit(supply, 50e3, 1e6, 0.0, 22e-9, NO_DIODE, IDEAL))
    np.testing.assert_allclose(bare.on_s, math.log(2) * 1.05e6 * 22e-9, rtol=1e-12)


def test_off_of_the_steered_astable() -> None:
    """Off is ln 2 R2 C (encyclopaedia '555 timer IC', shorter duty cycle), Ra has no say.

    A blocking diode takes its reverse current off that: with Is = 1e-18 A nothing is left of it.
    """
    tight = Diode(1e-18, 1.0, 0.0)
    times = cycle_times(Circuit(5.0, np.array([1e3, 1e4, 1e6]), 100e3, 0.0, 22e-9, tight, IDEAL))
    np.testing.assert_allclose(times.off_s, math.log(2) * 100e3 * 22e-9, rtol=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    r_a=st.floats(1e3, 1e7), r_b=st.floats(1e3, 1e7), c_f=st.floats(1e-10, 1e-4),
    supply_v=st.floats(1.0, 16.0),
)  # fmt: skip
def test_equations_of_the_data_sheet(r_a: float, r_b: float, c_f: float, supply_v: float) -> None:
    """TI SLFS022I 8.3.2, equations 1 to 7: tH, tL, f and duty cycle, factors of three digits.

    0.693 is ln 2 less 0.02 %, 1.44 is 1/ln 2 less 0.19 %.
    """
    times = cycle_times(Circuit(supply_v, r_a, r_b, 0.0, c_f, NO_DIODE, IDEAL))
    assert float(times.on_s) == pytest.approx(0.693 * (r_a + r_b) * c_f, rel=3e-4)
    assert float(times.off_s) == pytest.approx(0.693 * r_b * c_f, rel=3e-4)
    assert 1 / float(times.period_s) == pytest.approx(1.44 / ((r_a + 2 * r_b) * c_f), rel=2.1e-3)
    duty = float(times.on_s / times.period_s)
    assert duty == pytest.approx((r_a + r_b) / (r_a + 2 * r_b), rel=1e-12)


@pytest.mark.parametrize("kind", ["BAT54", "1N5819"])
def test_a_smaller_drop_comes_nearer_to_the_textbook(kind: str) -> None:
    """Schottky diodes drop a third or half of what silicon does: so much is on longer."""
    silicon, schottky = (
        float(cycle_times(Circuit(6.0, 33e3, 920e3, 0.0, 22e-9, MODELS[name], IDEAL)).on_s)
        for name in ("1N4148", kind)
    )
    ln2_s = math.log(2) * 33e3 * 22e-9
    ratio = float(MODELS[kind].forward_v(1e-4) / MODELS["1N4148"].forward_v(1e-4))
    assert (schottky - ln2_s) / (silicon - ln2_s) == pytest.approx(ratio, rel=0.25)


# --- an independent integration ---


@dataclass(frozen=True)
class Case:
    circuit: Circuit
    label: str


CASES = [
    Case(build(), "heron"),
    Case(build(supply_v=3.6, r_wiper_ohm=500.0, temperature_c=-10.0), "cold, low, worn"),
    Case(build(supply_v=9.0, temperature_c=50.0, r_wiper_ohm=20.0), "warm, high"),
    Case(build(r_a_ohm=33e3, r_b_ohm=920e3, diode=MODELS["1N4007"], supply_v=4.8), "rectifier"),
    Case(build(timer=FAMILIES["bipolar"], supply_v=5.0, r_wiper_ohm=100.0), "bipolar"),
    Case(
        Circuit(6.0, 4.7e3, 47e3, 200.0, 220e-9, MODELS["BAT54"], FAMILIES["cmos"], 10.0),
        "Schottky with leakage path",
    ),
    Case(
        Circuit(5.0, 10e3, 12e3, 50.0, 100e-9, MODELS["1N5819"], FAMILIES["bipolar"], 50.0),
        "leaky Schottky, small Rb",
    ),
    Case(
        Circuit(3.6, 150e3, 30e3, 500.0, 10e-9, SIGNAL_DIODE, IDEAL, -10.0),
        "diode starved by Rb",
    ),
    Case(
        Circuit(6.0, 2e3, 6.2e3, 900.0, 10e-9, SIGNAL_DIODE, FAMILIES["cmos"], 27.0),
        "foot just below the trigger level",
    ),
    Case(
        build(diode=Diode(kind="reversed"), timer=TimerFamily("r", discharge_ohm=1e4)), "reversed"
    ),
]


class Nodes:
    """The same circuit as a circuit simulator sees it: Kirchhoff's law at three nodes.

    Unknowns are the voltages at the wiper's point, the discharge pin and the junction's
    inner side; solved by Newton's method at every call, starting from the last answer.
    """

    def __init__(self, circuit: Circuit, *, pulled: bool) -> None:
        self.c = circuit
        self.pulled = pulled
        vt = 1.380649e-23 / 1.602176634e-19 * (float(circuit.temperature_c) + 273.15)  # type: ignore[arg-type]
        t_ratio = (float(circuit.temperature_c) + 273.15) / 300.15  # type: ignore[arg-type]
        d = circuit.diode
        self.n_vt = d.emission * vt
        self.i_s = (
            d.saturation_current_a
            * t_ratio ** (d.exponent / d.emission)
            * math.exp((1 - 1 / t_ratio) * d.gap_ev / (d.emission * vt) * t_ratio)
        )
        self.guess = np.full(3, float(circuit.supply_v) / 2)  # type: ignore[arg-type]
        self.sign = -1.0 if d.kind == "reversed" else 1.0

    def solve(self, v: float) -> float:
        """Return the current into the capacitor at v."""
        c, s, d = self.c, self.sign, self.c.diode
        supply, r_a, r_b, r_w = map(float, (c.supply_v, c.r_a_ohm, c.r_b_ohm, c.r_wiper_ohm))  # type: ignore[arg-type]
        g_a, g_b, g_w, g_s = 1 / r_a, 1 / r_b, 1 / max(r_w, 1e-3), 1 / d.series_ohm
        g_p = 1 / d.parallel_ohm
        g_d = 1 / max(c.timer.discharge_ohm, 1e-3) if self.pulled else 0.0
        x = self.guess.copy()
        x[2] = min(max(x[2], v - 0.8), v + 0.8)
        for _ in range(200):
            w, pin, inner = x
            arg = min(s * (inner - v) / self.n_vt, 80.0)
            i_j = s * self.i_s * (math.exp(arg) - 1)
            g_j = self.i_s * math.exp(arg) / self.n_vt
            residual = np.array(
                [
                    g_a * (supply - w) - g_b * (w - v) - g_w * (w - pin),
                    g_w * (w - pin)
                    - g_s * (pin - inner)
                    - g_p * (pin - v)
                    - g_d * (pin - c.timer.saturation_v),
                    g_s * (pin - inner) - i_j,
                ]
            )
            slope = np.array(
                [
                    [-g_a - g_b - g_w, g_w, 0.0],
                    [g_w, -g_w - g_s - g_p - g_d, g_s],
                    [0.0, g_s, -g_s - g_j],
                ]
            )
            step = np.linalg.solve(slope, -residual)
            # the junction is held to a step that its exponential bears
            x = x + step * min(1.0, 0.1 / max(abs(step[2]), 1e-30))
            if np.max(np.abs(step)) < 1e-13:
                break
        else:
            raise AssertionError(f"nodes did not settle at v = {v}")
        self.guess = x
        w, pin, inner = x
        arg = s * (inner - v) / self.n_vt
        i_j = s * self.i_s * (math.exp(arg) - 1)
        return float(g_b * (w - v) + i_j + g_p * (pin - v) - self.c.timer.input_current_a)


def run_phase(circuit: Circuit, v0: float, level_v: float, *, pulled: bool) -> tuple[float, float]:
    """Return when the level is crossed, the delay included, and the voltage then."""
    from scipy.integrate import solve_ivp

    nodes = Nodes(circuit, pulled=pulled)
    c_f = float(circuit.c_f)  # type: ignore[arg-type]

    def slope(_: float, state: np.ndarray) -> list[float]:
        return [nodes.solve(float(state[0])) / c_f]

    def crossing(_: float, state: np.ndarray) -> float:
        return float(state[0]) - level_v

    crossing.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(
        slope, (0.0, 1.0), [v0], events=crossing, method="DOP853", rtol=1e-10, atol=1e-11
    )
    assert run.t_events is not None
    assert run.y_events is not None
    time_s, v = float(run.t_events[0][0]), float(run.y_events[0][0][0])
    delay_s = circuit.timer.delay_s
    if delay_s:
        past = solve_ivp(slope, (0.0, delay_s), [v], method="DOP853", rtol=1e-10, atol=1e-11)
        v = float(past.y[0][-1])
    return time_s + delay_s, v


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.label)
def test_against_an_integration_in_time(case: Case) -> None:
    """`scipy.integrate.solve_ivp` over nodal equations, within 1e-6.

    The integration is good to some 1e-9; with a delay the model replaces what the
    capacitor runs over by a single exponential, an error of second order in the delay.
    """
    circuit = case.circuit
    high, low = float(circuit.threshold_v), float(circuit.trigger_v)
    v = low
    for _ in range(2):  # the second cycle begins where the first one really ended
        on_s, v = run_phase(circuit, v, high, pulled=False)
        off_s, v = run_phase(circuit, v, low, pulled=True)
    times = cycle_times(circuit)
    # near its foot the delay's second order shows most: 3e-7
    assert float(times.on_s) == pytest.approx(on_s, rel=1e-6)
    assert float(times.off_s) == pytest.approx(off_s, rel=1e-6)


# --- what design and trade say of the circuit ---


def test_temperature_shortens_on_by_about_a_thousandth_a_kelvin() -> None:
    warm, cold = cycle_times(build(temperature_c=28.0)), cycle_times(build(temperature_c=26.0))
    per_k = float((warm.on_s - cold.on_s) / 2 / cycle_times(build()).on_s)
    assert -1200e-6 < per_k < -900e-6


def test_supply_moves_on_and_leaves_off() -> None:
    """About -7 %/V at 5 V for on; off stays."""
    high, low = cycle_times(build(supply_v=5.05)), cycle_times(build(supply_v=4.95))
    at = cycle_times(build(supply_v=5.0))
    on_per_v = float((high.on_s - low.on_s) / 0.1 / at.on_s)
    assert -0.08 < on_per_v < -0.03
    assert abs(float((high.off_s - low.off_s) / 0.1 / at.off_s)) < 0.002


def test_contact_resistance_lengthens_off_most() -> None:
    """100 ohm: off some 40 us, on 2 us (design figures)."""
    plain, worn = cycle_times(build()), cycle_times(build(r_wiper_ohm=100.0))
    assert 1.2e-6 < float(worn.on_s - plain.on_s) < 2.5e-6
    assert 30e-6 < float(worn.off_s - plain.off_s) < 50e-6


def test_supply_lower_at_the_end_of_off_lengthens_it() -> None:
    """10 mV lower at its end: +32 us (design figure): off runs on to a lower level."""
    circuit = build(timer=IDEAL)
    whole = float(fall_time(circuit, 4.0, 2.0))
    longer = float(fall_time(circuit, 4.0, (6.0 - 0.010) / 3))
    assert longer - whole == pytest.approx(32e-6, abs=1e-6)


def test_rise_and_fall_in_pieces() -> None:
    circuit = build(timer=IDEAL)
    times = cycle_times(circuit)
    at = np.linspace(2.0, 4.0, 8)
    up = rise_time(circuit, at[:-1], at[1:])
    down = fall_time(circuit, at[1:], at[:-1])
    assert up.shape == (7,)
    assert float(up.sum()) == pytest.approx(float(times.on_s), rel=1e-10)
    assert float(down.sum()) == pytest.approx(float(times.off_s), rel=1e-10)
    with pytest.raises(ValueError, match="below"):
        rise_time(circuit, 4.0, 2.0)
    with pytest.raises(ValueError, match="above"):
        fall_time(circuit, 2.0, 4.0)
    with pytest.raises(DesignError, match="on never ends"):
        rise_time(circuit, 2.0, 6.5)
    with pytest.raises(DesignError, match="off never ends"):
        fall_time(circuit, 2.0, -1.0)


def test_fields_broadcast() -> None:
    r_a = np.linspace(33e3, 133e3, 5)
    supply = np.array([[4.8], [6.0]])
    times = cycle_times(build(r_a_ohm=r_a, supply_v=supply, r_wiper_ohm=10.0))
    assert times.on_s.shape == times.off_s.shape == (2, 5)
    alone = cycle_times(build(r_a_ohm=float(r_a[3]), supply_v=4.8, r_wiper_ohm=10.0))
    assert float(times.on_s[0, 3]) == pytest.approx(float(alone.on_s), rel=1e-13)


# --- published diodes ---

VOLTAGES = [
    # models/1n4148.mod (NXP); FDLL914B (Fairchild); discrete_devices.mod (D1N4148, no knee)
    (Diode(4.352e-9, 1.906, 0.6458), (0.4951, 0.6092, 0.7286)),
    (Diode(5.0e-9, 2.0, 0.8622), (0.5124, 0.6323, 0.7592)),
    (Diode(5.84e-9, 1.94, 0.7017), (0.4892, 0.6054, 0.7272)),
]


@pytest.mark.parametrize(("diode", "volts"), VOLTAGES)
def test_forward_voltage_of_published_sets(diode: Diode, volts: tuple[float, float, float]) -> None:
    """At 0.1, 1 and 10 mA and 300.15 K."""
    assert diode in PUBLISHED_SETS["1N4148"]
    np.testing.assert_allclose(diode.forward_v([1e-4, 1e-3, 1e-2]), volts, atol=1e-4)


def test_signal_diode_within_its_data_sheet() -> None:
    """1N4148: 1.0 V at most at 10 mA (Diotech)."""
    assert all(float(one.forward_v(10e-3)) < 1.0 for one in PUBLISHED_SETS["1N4148"])


def test_spread_covers_the_published_sets() -> None:
    for name, sets in PUBLISHED_SETS.items():
        half_v = TYPE_SPREAD[name] * float(sets[0].slope_v(27.0))
        apart = [abs(float(one.forward_v(1e-4) - sets[0].forward_v(1e-4))) for one in sets]
        assert half_v >= max(apart) - 1e-9
        assert 0.005 < half_v < 0.05


def test_forward_voltage_falls_by_two_millivolts_a_kelvin() -> None:
    """Common practice for silicon at a constant current."""
    per_k = float(SIGNAL_DIODE.forward_v(1e-4, 37.0) - SIGNAL_DIODE.forward_v(1e-4, 27.0)) / 10
    assert -0.0027 < per_k < -0.0018


# --- circuits that cannot oscillate ---


def test_on_that_never_ends() -> None:
    circuit = build(r_b_ohm=80e6, diode=NO_DIODE, timer=FAMILIES["bipolar"])
    with pytest.raises(DesignError, match=r"on never ends.* 4 V .*30 nA") as caught:
        cycle_times(circuit)
    assert "80.1 MΩ" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_data_sheet_limit_of_the_resistors() -> None:
    """At 5 V and 250 nA, Ra + Rb may be some 3.4 Mohm (TI SLFS022 note 2).

    That note's bound leaves half the charging current to spare, exactly (V/3)/(2 x 250 nA)
    = 3.3 Mohm; the circuit itself stops at twice that.
    """
    drawn = TimerFamily("most", threshold_current_a=250e-9)
    fine = Circuit(5.0, 10e3, 3.4e6, 0.0, 1e-9, NO_DIODE, drawn)
    assert float(cycle_times(fine).on_s) > 0
    with pytest.raises(DesignError, match="on never ends"):
        cycle_times(dataclasses.replace(fine, r_b_ohm=6.8e6))


def test_off_that_never_ends() -> None:
    circuit = build(r_a_ohm=np.array([10e3, 10.0]), r_wiper_ohm=20.0)
    with pytest.raises(DesignError, match=r"off never ends.* 10 Ω .* 20 Ω .* 14 Ω .* 2 V"):
        cycle_times(circuit)
    times, on_ends, off_ends = try_cycle_times(circuit)
    assert on_ends.tolist() == [True, True]
    assert off_ends.tolist() == [True, False]
    assert math.isnan(float(times.off_s[1]))
    assert float(times.off_s[0]) > 0


# --- properties ---

RESISTOR = st.floats(1e3, 1e6)
SUPPLY = st.floats(3.6, 9.0)


@settings(max_examples=60, deadline=None)
@given(r_a=RESISTOR, r_b=RESISTOR, supply_v=SUPPLY, scale=st.floats(0.1, 10.0))
def test_timing_cannot_tell_r_from_c(r_a: float, r_b: float, supply_v: float, scale: float) -> None:
    """All resistances up, C and Is down by the same factor: nothing changes."""
    timer = TimerFamily("t", discharge_ohm=14.0)
    scaled_timer = TimerFamily("t", discharge_ohm=14.0 * scale)
    diode = Diode(2.52e-9 / scale, 1.752, 0.568 * scale)
    one = cycle_times(Circuit(supply_v, r_a, r_b, 5.0, 22e-9, SIGNAL_DIODE, timer))
    two = cycle_times(
        Circuit(supply_v, r_a * scale, r_b * scale, 5.0 * scale, 22e-9 / scale, diode, scaled_timer)
    )
    assert float(two.on_s) == pytest.approx(float(one.on_s), rel=1e-10)
    assert float(two.off_s) == pytest.approx(float(one.off_s), rel=1e-10)


@settings(max_examples=60, deadline=None)
@given(
    supply_v=SUPPLY,
    r_b=RESISTOR,
    temperature_c=st.floats(-10.0, 50.0),
    name=st.sampled_from(sorted(MODELS)),
)
def test_on_grows_with_ra(supply_v: float, r_b: float, temperature_c: float, name: str) -> None:
    r_a = np.geomspace(1e3, 1e6, 40)
    circuit = Circuit(supply_v, r_a, r_b, 1.0, 22e-9, MODELS[name], IDEAL, temperature_c)
    times = cycle_times(circuit)
    assert np.all(np.diff(times.on_s) > 0)
    assert np.all(times.off_s > 0)


@settings(max_examples=60, deadline=None)
@given(r_a=RESISTOR, r_b=RESISTOR, supply_v=SUPPLY, middle=st.floats(0.36, 0.64))
def test_times_add_up(r_a: float, r_b: float, supply_v: float, middle: float) -> None:
    """A way cut in two takes as long as the whole: the quadrature has converged."""
    circuit = Circuit(supply_v, r_a, r_b, 1.0, 22e-9, SIGNAL_DIODE, IDEAL)
    low, at, high = supply_v / 3, supply_v * middle, 2 * supply_v / 3
    whole = float(rise_time(circuit, low, high))
    parts = float(rise_time(circuit, low, at) + rise_time(circuit, at, high))
    assert parts == pytest.approx(whole, rel=1e-8)
