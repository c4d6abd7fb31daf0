"""The simulated faults: each moves on and off as its cause does, at the size that it claims."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from benchlog.timing.pulses import measure_edges
from tests.fault_moves import cycles_of, over_limits
from tests.simulated_faults import KINDS, PAIR_KINDS, Case, draw_case, draw_near_zero_case

SECONDS = 10.0
SIZED = tuple(
    kind
    for kind in KINDS
    if kind.startswith(("wiper-m", "wiper-wan", "wiper-c", "batt", "supply", "cap", "off", "mains"))
)


@cache
def drawn(kind: str, seed: int = 3) -> Case:
    return draw_case(kind, seed, duration_s=SECONDS)


@pytest.mark.parametrize("kind", ["wiper-contact", "extra-edges", "lost-samples"])
def test_a_case_is_the_same_whenever_drawn(kind: str) -> None:
    again = draw_case(kind, 3, duration_s=SECONDS)
    assert np.array_equal(again.inputs[0].time_s, drawn(kind).inputs[0].time_s)
    assert (again.model, again.cuts) == (drawn(kind).model, drawn(kind).cuts)
    other = draw_case(kind, 4, duration_s=SECONDS)
    assert other.inputs[0].time_s.size != again.inputs[0].time_s.size


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="kind must be one of healthy, wiper-moving"):
        draw_case("wiper", 0)


@pytest.mark.parametrize("kind", SIZED)
def test_a_fault_by_itself_has_the_size_that_it_claims(kind: str) -> None:
    case = drawn(kind)
    assert 1.5 <= case.size <= 10.0
    on_s, off_s = case.truth[case.cause]
    period_s = case.bench.period_s
    reached = max(np.std(on_s) / 4e-6, np.std(on_s + off_s) / (0.01 * period_s))
    # Sized to 3 % by itself; the supply's and the wiper's own background is below 2 % of it.
    assert reached == pytest.approx(case.size, rel=0.06)
    assert case.shares[case.cause] > 0.8
    assert sum(case.shares.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("kind", ["healthy", "missing-pulses", "end-stop-low", "clipping"])
@pytest.mark.parametrize("seed", range(2))
def test_what_is_not_restless_stays_within_the_limits(kind: str, seed: int) -> None:
    case = drawn(kind, seed)
    on_s = sum(on for on, _ in case.truth.values())
    off_s = sum(off for _, off in case.truth.values())
    assert np.std(on_s) < 0.8 * 4e-6
    assert np.std(np.add(on_s, off_s)) < 0.8 * 0.01 * case.bench.period_s


def slope(case: Case) -> float:
    """Change of off over change of on, by what the fault does by itself."""
    on_s, off_s = case.truth[case.cause]
    return float(np.cov(on_s, off_s)[0, 1] / np.var(on_s))


@pytest.mark.parametrize("seed", range(3))
def test_each_cause_moves_on_and_off_its_own_way(seed: int) -> None:
    # The proportions of the design page's table, which holds for a typical channel: wiper up
    # and down by some 0.85 of it; supply on alone; capacitor both in proportion; off side off
    # alone; contact far more off than on.
    assert -1.0 < slope(drawn("wiper-moving", seed)) < -0.6
    sag = drawn("battery-sag", seed)
    assert abs(slope(sag)) < 0.05 * sag.bench.off_s / sag.bench.on_s
    warm = drawn("capacitor-warming", seed)
    assert slope(warm) == pytest.approx(warm.bench.off_s / warm.bench.on_s, rel=0.05)
    on_s, off_s = drawn("off-path-leak", seed).truth["off-path"]
    # The off-side resistor lies beside the diode while on lasts, so that on moves, hardly.
    assert np.std(on_s) < 0.01 * np.std(off_s)
    assert 4.0 < slope(drawn("wiper-contact", seed)) < 40.0
    assert np.min(drawn("wiper-contact", seed).truth["wiper"][1]) > -1e-9


@pytest.mark.parametrize("kind", ["mains-50", "mains-60"])
def test_mains_is_a_line_where_the_cycle_samples_it(kind: str) -> None:
    case = next(
        one
        for one in (drawn(kind, seed) for seed in range(9))
        if "mains_v" in one.causes[0]["mains"] and not one.near_zero_alias
    )
    _, off_s = case.truth["mains"]
    rate_hz = 1.0 / case.bench.period_s
    hz = float(case.causes[0]["mains"]["mains_hz"])
    moved = (off_s - off_s.mean()) * np.hanning(off_s.size)
    power = np.abs(np.fft.rfft(moved, 1 << 16))
    found_hz = np.argmax(power) / (1 << 16) * rate_hz
    lines = [k * hz for k in (1, 2)]
    aliases = [abs(one - rate_hz * round(one / rate_hz)) for one in lines]
    # Pick-up lengthens the mean period by some 1e-4 of it, and a line of harmonic order
    # round(hz / rate) shifts by that order as much; a bin of 10 s is 0.1 Hz.
    assert min(abs(found_hz - one) for one in aliases) < 0.15


def test_a_line_near_zero_is_near_zero() -> None:
    assert draw_near_zero_case(0, duration_s=SECONDS).near_zero_alias


@pytest.mark.parametrize("kind", ["wiper-contact", "battery-sag", "healthy", "missing-pulses"])
def test_quick_edges_are_what_the_sound_gives(kind: str) -> None:
    case = next(one for one in (drawn(kind, seed) for seed in range(9)) if not one.is_probed)
    (quick,), (heard,) = case.as_edges(), case.as_edges(quick=False)
    assert quick.time_s.size == heard.time_s.size
    assert np.array_equal(quick.rising, heard.rising)
    # Both have the noise of an edge, and the one from sound an offset that all edges share.
    apart = quick.time_s - heard.time_s
    u_s = np.hypot(np.median(quick.u_s), np.median(heard.u_s))
    assert np.std(apart) < 1.3 * u_s + 1e-8
    assert np.median(quick.u_s) == pytest.approx(np.median(heard.u_s), rel=0.15)
    assert quick.rate_hz == heard.rate_hz
    assert quick.end_s == pytest.approx(heard.end_s, abs=1e-9)


@pytest.mark.parametrize("seed", range(2))
def test_lost_samples_are_cut_out(seed: int) -> None:
    case = drawn("lost-samples", seed)
    samples = case.as_sound()
    lost = sum(round(cut.length_s * case.model.rate_hz) for cut in case.cuts)
    assert samples.frame_count == round(SECONDS * case.model.true_rate_hz) - lost
    assert len(samples.gaps) == (len(case.cuts) if case.marked else 0)


def test_end_stops_are_passed_and_nothing_else_is() -> None:
    low, high = drawn("end-stop-low"), drawn("end-stop-high")
    assert low.bench.on_s < low.design.servo.pulse_min_s - 10e-6
    assert high.bench.on_s > high.design.servo.pulse_max_s + 10e-6
    for kind in ("healthy", "wiper-moving", "supply-pulled"):
        on_s, _ = cycles_of(drawn(kind).inputs[0])
        servo = drawn(kind).design.servo
        assert np.all((on_s > servo.pulse_min_s) & (on_s < servo.pulse_max_s))


def test_clipped_sound_is_clipped() -> None:
    case = drawn("clipping")
    (heard,) = case.as_edges()
    assert heard.clipped_share > 0.02


@pytest.mark.parametrize("kind", ["coupled", "coupled-reverse"])
def test_a_neighbour_moves_only_the_channel_that_it_pulls(kind: str) -> None:
    case = drawn(kind, 1)
    assert case.faulty == (1 if kind == "coupled" else 2)
    on_s, off_s = cycles_of(case.inputs[case.faulty - 1])
    assert max(over_limits(on_s, off_s)) > 1.4
    moved_on, moved_off = case.truth["neighbour"]
    assert max(np.std(moved_on) / 4e-6, np.std(moved_off) / (0.01 * case.bench.period_s)) > 1.0
    assert case.truth["threshold"][0].std() < 1e-6


def test_a_common_sag_moves_both_channels() -> None:
    case = drawn("two-channels-common-sag")
    first, second = (cycles_of(one)[0] for one in case.inputs)
    tenths = [
        (one[: one.size // 10].mean(), one[-one.size // 10 :].mean()) for one in (first, second)
    ]
    changes = [(end - begin) / begin for begin, end in tenths]
    assert changes[0] > 0
    assert changes[0] == pytest.approx(changes[1], rel=0.5)


@pytest.mark.parametrize("kind", [one for one in KINDS if one not in PAIR_KINDS])
def test_every_kind_can_be_measured(kind: str) -> None:
    case = drawn(kind)
    (edges,) = case.as_edges()
    measured = measure_edges(edges)
    assert measured is not None
    assert measured.width.mean_s == pytest.approx(case.bench.on_s, rel=0.1)
