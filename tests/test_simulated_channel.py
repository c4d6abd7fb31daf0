"""The simulated channel: every cause moves on and off as the circuit says."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.capture.simulated_channel import simulate_edges
from benchlog.capture.simulated_edges import TrueEdges
from benchlog.capture.simulated_fluctuation import Fluctuation, Wander
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.errors import DesignError
from tests.circuit_by_hand import ByHand

DESIGN = """
channel = "heron"
[supply]
volts = {volts}
[timer]
family = "{family}"
r_on = "33k"
r_knob = "100k"
r_off = "820k"
c_timing = "22n"
[diode]
{diode}
[knob]
travel_deg = 270
[servo]
pulse_min_us = 500
pulse_max_us = 2500
"""
DIODE = 'saturation_current = "2.52n"\nemission = 1.752\nseries = "0.568"'


def make_design(family: str = "ideal", diode: str = DIODE, volts: float = 6.0) -> Design:
    return parse_design(DESIGN.format(family=family, diode=diode, volts=volts), "design.toml")


def run(
    fluctuation: Fluctuation | None = None,
    *,
    design: Design | None = None,
    seconds: float = 10.0,
    seed: int = 1,
) -> TrueEdges:
    """Simulate at 135 degrees from the start of a pulse on."""
    return simulate_edges(
        design or make_design(),
        135.0,
        seconds,
        fluctuation=fluctuation,
        start_phase=0.0,
        seed=seed,
    )


def moved(fluctuation: Fluctuation, cycle: int) -> tuple[float, float]:
    """Change of on and off of one cycle against a steady channel, in microseconds."""
    one, other = run(fluctuation), run()
    on = one.on_s[cycle] - other.on_s[cycle]
    off = one.off_s[cycle] - other.off_s[cycle]
    return float(on) * 1e6, float(off) * 1e6


def at_cycle(value: float, cycle: int = 5, count: int = 2000) -> Wander:
    """Return a quantity that moves in one cycle alone."""
    series = np.zeros(count)
    series[cycle] = value
    return Wander(series=series)


def step_at(value: float, cycle: int = 5, count: int = 2000) -> Wander:
    """Return a quantity that moves in one cycle and stays."""
    series = np.zeros(count)
    series[cycle:] = value
    return Wander(series=series)


@pytest.mark.parametrize("family", ["ideal", "cmos", "bipolar"])
def test_a_steady_channel_repeats_the_prediction(family: str) -> None:
    design = make_design(family)
    edges = simulate_edges(design, 90.0, 5.0, supply_v=5.2, temperature_c=15.0, seed=3)
    cycle = predict_cycle(design, 90.0, supply_v=5.2, temperature_c=15.0)
    # Times near 5 s carry rounding of 1e-15; their differences too.
    np.testing.assert_allclose(edges.on_s, cycle.on_s, atol=1e-12)
    np.testing.assert_allclose(edges.off_s, cycle.off_s, atol=1e-12)
    assert edges.time_s[0] >= 0
    assert edges.time_s[-1] < 5.0
    # All of the record is covered: no gap at either end is longer than a phase.
    assert edges.time_s[0] < float(cycle.off_s)
    assert 5.0 - edges.time_s[-1] < float(cycle.off_s)


def test_true_parts_take_the_place_of_the_marked_ones() -> None:
    edges = simulate_edges(make_design(), 90.0, 1.0, parts={"c_timing": 24e-9})
    cycle = predict_cycle(make_design(), 90.0)
    # Without input current all times go with the capacitor.
    np.testing.assert_allclose(edges.on_s, float(cycle.on_s) * 24 / 22, rtol=1e-9)
    np.testing.assert_allclose(edges.off_s, float(cycle.off_s) * 24 / 22, rtol=1e-9)


def test_a_dip_at_the_end_of_off() -> None:
    """A supply 10 mV lower at the end of off: worked by hand.

    The trigger level lies 10/3 mV lower. There the capacitor falls by v / (Rb C), 2 V over
    870 kohm times 22 nF = 19.14 ms, so off is longer by 3.333 mV * 19.14 ms / 2 V =
    31.9 us; the diode's reverse current (2.5 nA of 2.3 uA) takes 0.1 % off. On begins as much
    lower: it rises by (6 - 2 - 0.4) V / 83 kohm / 22 nF = 2.0 V/ms, so 1.7 us longer. It is also
    driven by 5 mV less on the average, of some (6 - 3 - 0.4) V = 2.6 V: 0.19 % of 1.49 ms, 2.9 us.
    """
    fluctuation = Fluctuation(supply_off_end_v=at_cycle(-0.010))
    on, off = moved(fluctuation, 5)
    assert on == pytest.approx(0, abs=1e-6)
    assert off == pytest.approx(31.9, rel=0.005)
    next_on, next_off = moved(fluctuation, 6)
    assert next_on == pytest.approx(4.6, rel=0.15)
    assert next_off == pytest.approx(0, abs=1e-6)


def test_a_dip_at_the_end_of_on() -> None:
    """A supply 10 mV lower at the end of on: the upper level lies 6.667 mV lower.

    Off falls from 4 V there: 6.667 mV * 19.14 ms / 4 V = 31.9 us shorter. On is shorter by what
    it takes to rise by as much: (6 - 4 - 0.4) V / 83 kohm / 22 nF = 0.88 V/ms, 7.6 us; and driven
    by 5 mV less on the average, which lengthens it by some 3 us (see above).
    """
    on, off = moved(Fluctuation(supply_on_end_v=at_cycle(-0.010)), 5)
    assert off == pytest.approx(-31.9, rel=0.005)
    assert on == pytest.approx(-4.6, abs=0.8)


BY_HAND = {
    # r_a = 33k + 50k and r_b = 820k + 50k at the middle of the knob
    "diode": ByHand(83e3, 870e3, 22e-9),
    "no diode": ByHand(83e3, 870e3, 22e-9, kind="none"),
}


@pytest.mark.parametrize("which", sorted(BY_HAND))
@pytest.mark.parametrize("dip_v", [-0.3, -0.05, 0.3])
def test_a_supply_that_moves_within_a_cycle_against_an_integration(
    which: str, dip_v: float
) -> None:
    """Source: scipy.integrate.solve_ivp over the circuit's equations (`circuit_by_hand.py`).

    The supply runs in a straight line by so much while on lasts, and back while off lasts:
    within 1e-4 of each time is wanted, 1e-5 is met.
    """
    design = make_design(diode=DIODE if which == "diode" else 'model = "none"')
    edges = run(Fluctuation(supply_on_end_v=at_cycle(dip_v)), design=design)
    on_s, off_s = float(edges.on_s[5]), float(edges.off_s[5])
    reference = BY_HAND[which]
    # the line ends where the model says that the phase does
    on = reference.on(lambda t: 6 + dip_v * t / on_s)
    off = reference.off(lambda t: 6 + dip_v * (1 - t / off_s))
    assert on_s == pytest.approx(on, rel=1e-5)
    assert off_s == pytest.approx(off, rel=1e-5)


@pytest.mark.parametrize(("ripple_v", "ripple_hz"), [(0.15, 31.0), (0.02, 100.0), (0.005, 700.0)])
def test_ripple_within_a_cycle_against_an_integration(ripple_v: float, ripple_hz: float) -> None:
    """Source: as above; the supply's phase is read off the edges' own levels.

    Up to 0.3 V from peak to peak. On of the sixth cycle begins where the fifth ended; the
    ripple's phase is not given out, so it is fitted: the one phase that explains both times of
    a cycle must then explain those of the next ones, within 1e-5.
    """
    from scipy.optimize import minimize_scalar

    edges = run(Fluctuation(ripple_v=ripple_v, ripple_hz=ripple_hz), seconds=1.0)
    rate, reference = 2 * math.pi * ripple_hz, BY_HAND["diode"]
    rises, falls = edges.time_s[::2], edges.time_s[1::2]

    def misfit(phase: float, cycle: int) -> float:
        """Return the greatest share by which a cycle's times are off."""

        def supply_from(start: float) -> Callable[[float], float]:
            return lambda t: 6 + ripple_v * math.sin(rate * (start + t) + phase)

        start, turn, end = (float(one) for one in (rises[cycle], falls[cycle], rises[cycle + 1]))
        on = reference.on(supply_from(start)) / (turn - start)
        off = reference.off(supply_from(turn)) / (end - turn)
        return max(abs(on - 1), abs(off - 1))

    coarse = min(np.linspace(0, 2 * math.pi, 48), key=lambda phase: misfit(phase, 5))
    best = minimize_scalar(
        misfit, bounds=(coarse - 0.14, coarse + 0.14), args=(5,), method="bounded",
        options={"xatol": 1e-9},
    )  # fmt: skip
    assert misfit(best.x, 5) < 1e-5
    assert max(misfit(best.x, cycle) for cycle in (6, 11, 30)) < 2e-5


def test_without_a_diode_the_closed_form_holds_between_any_levels() -> None:
    """R C ln((V - v0) / (V - v1)), the charging of a capacitor, from any handbook.

    Without a diode the charge comes through Ra + Rb, the discharge goes through Rb.
    """
    design = make_design(diode='model = "none"')
    upper, lower = np.array([0.02, -0.01, 0.03]), np.array([-0.03, 0.01, 0.02])
    edges = run(
        Fluctuation(
            upper_level_v=Wander(series=np.tile(upper, 500)),
            lower_level_v=Wander(series=np.tile(lower, 500)),
        ),
        design=design,
    )
    r_b, r_all, c = 870e3, 953e3, 22e-9
    before = 2 + lower[[2, 0, 1]]
    on = r_all * c * np.log((6 - before) / (6 - (4 + upper)))
    off = r_b * c * np.log((4 + upper) / (2 + lower))
    np.testing.assert_allclose(edges.on_s[3:6], on, rtol=1e-9)
    np.testing.assert_allclose(edges.off_s[3:6], off, rtol=1e-9)


def test_supply_from_cycle_to_cycle() -> None:
    """On goes with the supply, off stays, but for the levels between two cycles.

    Once the supply has stepped, the cycles after are those of the new supply.
    """
    edges = run(Fluctuation(supply_v=step_at(-0.5)))
    before = predict_cycle(make_design(), 135.0)
    after = predict_cycle(make_design(), 135.0, supply_v=5.5)
    np.testing.assert_allclose(edges.on_s[:5], before.on_s, rtol=1e-9)
    np.testing.assert_allclose(edges.on_s[6:], after.on_s, rtol=1e-9)
    np.testing.assert_allclose(edges.off_s[6:], after.off_s, rtol=1e-9)
    # The first on at 5.5 V begins from the trigger level of 6 V, so it is shorter.
    assert edges.on_s[5] < after.on_s


def test_wiper_moves_on_and_off_against_each_other() -> None:
    """Off goes down by about 0.85 of what on goes up, near 6 V.

    Off changes by ln 2 = 0.693 R C, on by R C times the factor that a diode of some 0.4 V
    makes of it, ln((2 V - 3 Vd)/(V - 3 Vd)) = ln(10.8/4.8) = 0.811 (the closed form for a
    constant drop): the ratio is 0.855.
    """
    on, off = moved(Fluctuation(wiper=step_at(0.01)), 50)
    assert on > 5
    assert off / on == pytest.approx(-0.85, abs=0.05)


def test_wiper_stops_at_the_end_of_its_track() -> None:
    edges = simulate_edges(
        make_design(), 270.0, 2.0, fluctuation=Fluctuation(wiper=Wander(white=0.1)), seed=2
    )
    top = float(predict_cycle(make_design(), 270.0).on_s)
    assert edges.on_s.max() == pytest.approx(top, abs=1e-12)


def test_contact_resistance_lengthens_off_more_than_on() -> None:
    """100 ohm, worked by hand: the current through Ra = 83 kohm lifts the foot of the discharge.

    By 6 V / 83 kohm * 100 ohm = 7.22 mV, so that off from 4 V to 2 V takes
    Rb C (7.22 mV / 2 V - 7.22 mV / 4 V) = 34.6 us longer. The contact also stands in series with
    Rb = 870 kohm: 100 / 870000 of 13.27 ms = 1.5 us. On lengthens by the resistance's share of
    Ra, 100 / 83000 of 1.49 ms = 1.8 us.
    """
    for ohm in (100.0, -100.0):  # its magnitude counts
        on, off = moved(Fluctuation(contact_ohm=step_at(ohm)), 50)
        assert off == pytest.approx(36.1, rel=0.01)
        assert on == pytest.approx(1.8, rel=0.1)


def test_capacitor_off_path_and_diode() -> None:
    steady = run()
    capacitor = run(Fluctuation(capacitor=Wander(series=np.full(2000, 0.01))))
    np.testing.assert_allclose(capacitor.on_s[:600], steady.on_s[:600] * 1.01, rtol=1e-9)
    np.testing.assert_allclose(capacitor.off_s[:600], steady.off_s[:600] * 1.01, rtol=1e-9)
    on, off = moved(Fluctuation(off_path=step_at(0.01)), 50)
    # Off goes as Rb = 870 kohm, of which 820 kohm moved by 1 %: ln 2 * 8.2 kohm * 22 nF = 125 us.
    assert off == pytest.approx(125.0, rel=0.005)
    assert abs(on) < 2
    on, off = moved(Fluctuation(diode_k=step_at(10.0)), 50)
    warm = predict_cycle(make_design(), 135.0, temperature_c=37.0)
    assert on == pytest.approx(float(warm.on_s - steady.on_s[50]) * 1e6, abs=1e-6)


def test_level_noise_ties_neighbouring_phases() -> None:
    """Noise of the upper level moves on and the off after it, of the lower off and the next on.

    A higher upper level lengthens both, a lower lower level too: each pair is one number
    times two slopes, so its correlation is 1.
    """
    edges = run(Fluctuation(upper_level_v=Wander(white=1e-3)), seconds=8.0)
    count = min(edges.on_s.size, edges.off_s.size)
    on, off = edges.on_s[:count], edges.off_s[:count]
    assert np.corrcoef(on, off)[0, 1] > 0.9999
    # 1 mV at 4 V and 19.14 ms is 4.785 us of off; 4 / sqrt(2 n) of it.
    assert off.std() == pytest.approx(4.785e-6, rel=4 / math.sqrt(2 * count))
    lower = run(Fluctuation(lower_level_v=Wander(white=1e-3)), seconds=8.0)
    count = min(lower.on_s.size, lower.off_s.size)
    assert np.corrcoef(lower.off_s[: count - 1], lower.on_s[1:count])[0, 1] > 0.9999
    assert abs(np.corrcoef(lower.on_s[:count], lower.off_s[:count])[0, 1]) < 4 / math.sqrt(count)
    # 1 mV at 2 V: 9.57 us.
    assert lower.off_s.std() == pytest.approx(9.57e-6, rel=4 / math.sqrt(2 * count))


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_mains_moves_the_level_at_the_instant_of_the_crossing(mains_hz: float) -> None:
    """Undo each phase by the closed form without a diode: the levels must lie on one sine.

    The capacitor's voltage at each crossing follows from the times alone, from the level before
    on to the one after off; a sine of the mains' frequency must fit them all.
    """
    design = make_design(diode='model = "none"')
    edges = run(Fluctuation(mains_v=0.02, mains_hz=mains_hz), design=design, seconds=20.0)
    r_b, r_all, c = 870e3, 953e3, 22e-9
    phase = float(np.angle(_fit_lower(edges, mains_hz, r_b * c, r_all * c)))
    sine = 0.02 * np.sin(2 * np.pi * mains_hz * edges.time_s + phase + np.pi / 2)
    level = np.where(edges.level, 2.0, 4.0) + sine
    for first, (v0, v1) in enumerate(pairwise(level)):
        length = edges.time_s[first + 1] - edges.time_s[first]
        rising = bool(edges.level[first])
        whole = r_all * c * np.log((6 - v0) / (6 - v1)) if rising else r_b * c * np.log(v0 / v1)
        assert length == pytest.approx(whole, abs=2e-9)


def _fit_lower(edges: TrueEdges, mains_hz: float, off_rc: float, on_rc: float) -> complex:
    """Fit the mains' phase to the voltages that follow from the lengths of the phases.

    From an unknown first level u0 each next one follows; a wrong u0 dies out within a cycle or
    two, since each phase forgets: exp(-off/RC) = 1/2.
    """
    level = 2.0
    levels = []
    for first in range(edges.time_s.size - 1):
        length = edges.time_s[first + 1] - edges.time_s[first]
        if edges.level[first]:
            level = 6 - (6 - level) * math.exp(-length / on_rc)
        else:
            level = level * math.exp(-length / off_rc)
        levels.append(level - (4.0 if edges.level[first] else 2.0))
    times = edges.time_s[1:]
    settled = slice(100, None)
    base = np.exp(2j * np.pi * mains_hz * times[settled])
    matrix = np.stack([base.real, base.imag], axis=1)
    a, b = np.linalg.lstsq(matrix, np.array(levels)[settled], rcond=None)[0]
    assert math.hypot(a, b) == pytest.approx(0.02, rel=1e-5)
    return complex(a, -b)


def test_ripple_moves_the_levels_and_the_drive() -> None:
    """Off tells the levels: 1/3 and 2/3 of the ripple at its two ends.

    It moves by RC (du / 4 V - dl / 2 V) = 19.14 ms * 10 mV / 6 V * (sin - sin): 31.9 us times the
    difference of two sines, 63.8 us at most. At a ripple so slow that a cycle sees it stand
    still (0.2 Hz, 15 ms) on follows the prediction at the momentary supply, and off stays.
    """
    fast = run(Fluctuation(ripple_v=0.01, ripple_hz=100.0), seconds=20.0)
    steady = predict_cycle(make_design(), 135.0)
    excess = fast.off_s - float(steady.off_s)
    assert 40e-6 < np.abs(excess).max() < 64e-6
    assert abs(excess.mean()) < 2e-6
    slow = run(Fluctuation(ripple_v=0.1, ripple_hz=0.2), seconds=20.0)
    low, high = (float(predict_cycle(make_design(), 135.0, supply_v=v).on_s) for v in (6.1, 5.9))
    # The supply moves by at most 0.1 V * 2 pi * 0.2 Hz * 1.5 ms = 0.2 mV within on: 0.2 us.
    assert slow.on_s.min() == pytest.approx(low, abs=0.2e-6)
    assert slow.on_s.max() == pytest.approx(high, abs=0.2e-6)
    # And by 1.7 mV within off: 5.4 us.
    assert np.abs(slow.off_s - float(steady.off_s)).max() < 6e-6


def test_too_much_mains_is_refused() -> None:
    """At 2 V the capacitor falls by 104 V/s: 0.5 V of 50 Hz (157 V/s) crosses back again."""
    with pytest.raises(ValueError, match="crossed more than once"):
        run(Fluctuation(mains_v=0.5))


def test_wander_has_its_statistics() -> None:
    count = 20000
    shares = np.linspace(0, 1, count)
    seed = np.random.SeedSequence(7)
    white = Wander(white=2.0).values(count, seed, shares)
    assert white.std() == pytest.approx(2.0, rel=4 / math.sqrt(2 * count))
    walk = Wander(walk=3.0).values(count, seed, shares)
    assert walk[0] == 0
    assert np.diff(walk).std() == pytest.approx(3.0, rel=4 / math.sqrt(2 * count))
    course = Wander(course=(0.0, 1.0, 0.0)).values(5, seed, np.linspace(0, 1, 5))
    np.testing.assert_allclose(course, [0, 0.5, 1, 0.5, 0])
    both = Wander(white=2.0, walk=3.0).values(count, seed, shares)
    np.testing.assert_allclose(both, white + walk)
    np.testing.assert_array_equal(Wander(white=2.0).values(50, seed, shares[:50]), white[:50])


def test_a_short_series_is_refused() -> None:
    with pytest.raises(ValueError, match="3 values"):
        run(Fluctuation(wiper=Wander(series=np.zeros(3))))


def test_what_cannot_oscillate_is_refused() -> None:
    with pytest.raises(DesignError):
        simulate_edges(make_design(), 0.0, 1.0, parts={"contact": 1e6})


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"duration_s": 0.0}, "duration_s"),
        ({"start_phase": 1.0}, "start_phase"),
        ({"parts": {"c_time": 1e-9}}, "c_time"),
    ],
)
def test_wrong_arguments_are_refused(changes: dict[str, object], match: str) -> None:
    arguments: dict[str, object] = {"duration_s": 1.0, **changes}
    with pytest.raises(ValueError, match=match):
        simulate_edges(make_design(), 0.0, **arguments)  # type: ignore[arg-type]


def test_a_record_shorter_than_a_phase_is_steady() -> None:
    """Off lasts 13 ms: a record of 1 ms from the middle of it holds no edge, and low level."""
    low = simulate_edges(make_design(), 0.0, 0.001, start_phase=0.5)
    assert (low.time_s.size, low.first_level) == (0, False)
    high = simulate_edges(make_design(), 270.0, 0.001, start_phase=0.05)
    assert (high.time_s.size, high.first_level) == (0, True)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32), phase=st.floats(0, 0.999), knob_deg=st.floats(0, 270))
def test_same_seed_same_edges_and_a_longer_record_begins_alike(
    seed: int, phase: float, knob_deg: float
) -> None:
    what = Fluctuation(
        wiper=Wander(white=1e-4, walk=1e-5), lower_level_v=Wander(white=1e-4), mains_v=1e-3
    )

    def simulate(seconds: float) -> TrueEdges:
        return simulate_edges(
            make_design(), knob_deg, seconds, fluctuation=what, start_phase=phase, seed=seed
        )

    one, again, longer = simulate(0.5), simulate(0.5), simulate(1.0)
    np.testing.assert_array_equal(one.time_s, again.time_s)
    np.testing.assert_allclose(longer.time_s[: one.time_s.size], one.time_s, atol=1e-12)
    np.testing.assert_array_equal(longer.level[: one.time_s.size], one.level)
