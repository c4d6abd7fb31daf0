"""Tests of `benchlog.diagnosis.separation.spectra`."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import csd

from benchlog.diagnosis.separation.spectra import SLOW_HZ, list_cells

ON_S, OFF_S = 1.5e-3, 13e-3
COUNT = 4096


def white(seed: int, count: int = COUNT) -> tuple[np.ndarray, np.ndarray]:
    on, off = np.random.default_rng(seed).standard_normal((2, count))
    return ON_S * (1 + 1e-3 * on), OFF_S * (1 + 2e-3 * (0.6 * on + 0.8 * off))


@pytest.mark.parametrize("count", [16, 17, 100, 1001, COUNT])
def test_cells_add_up_to_the_variance(count: int) -> None:
    on, off = white(1, count)
    cells = list_cells(on, off, 0.0)
    total = cells.share @ cells.moments[:, :2]
    expected = np.var(on) / np.mean(on) ** 2, np.var(off) / np.mean(off) ** 2
    # both bases are orthonormal; what leaks from one part into the other is counted in neither
    # or in both: of white noise a coefficient or so
    assert total == pytest.approx(expected, rel=3.0 / np.sqrt(count))


def test_weights_count_the_coefficients() -> None:
    cells = list_cells(*white(2), 0.0)
    assert 2 * cells.weight.sum() == pytest.approx(COUNT, abs=2)
    assert np.all(np.diff(cells.rate) > 0)
    assert np.all(np.diff(cells.band) >= 0)
    assert cells.rate[-1] < 0.5


def test_a_straight_creep_stays_in_the_slowest_cells() -> None:
    ramp = np.linspace(-1.0, 1.0, COUNT)
    cells = list_cells(ON_S * (1 + 1e-2 * ramp), OFF_S * (1 - 1e-2 * ramp), 0.0)
    power = cells.share * cells.moments[:, 0]
    # by hand: of a ramp the first cosine has 96/pi^4 of the variance, the cosines k = 1, 3, 5 ...
    # fall as k^-4
    assert power[0] / power.sum() == pytest.approx(96 / np.pi**4, rel=1e-3)
    assert power[cells.rate > 0.02].sum() < 1e-6 * power.sum()
    assert cells.moments[0, 2] < 0


def test_slow_is_what_goes_below_half_a_hertz() -> None:
    cells = list_cells(*white(3), 0.0)
    hz = cells.rate / (ON_S + OFF_S)
    assert cells.slow.tolist() == (hz < SLOW_HZ).tolist()


def test_noise_of_edges_looks_as_it_is_said_to() -> None:
    """Each edge's time is shared: by pulse and rest, and by the rest and the next pulse."""
    u_edge_s = 1e-6
    rng = np.random.default_rng(4)
    sums = np.zeros((1, 4))
    rounds = 40
    for _ in range(rounds):
        rise, fall = u_edge_s * rng.standard_normal((2, COUNT + 1))
        on = ON_S + fall[:-1] - rise[:-1]
        off = OFF_S + rise[1:] - fall[:-1]
        cells = list_cells(on, off, u_edge_s)
        sums = sums + cells.moments
    found = sums / rounds
    scale = np.sqrt(cells.noise[:, :1] * cells.noise[:, 1:2])
    # a cell's moment scatters by 1/sqrt(coefficients x rounds); four times that
    bar = 4.0 / np.sqrt(rounds * np.maximum(cells.weight, 0.5))
    for k in range(4):
        size = cells.noise[:, k] if k < 2 else scale[:, 0]
        assert np.all(np.abs(found[:, k] - cells.noise[:, k]) < bar * size)


def test_fast_cells_agree_with_scipy() -> None:
    """The cross-spectrum of a cycle series as scipy.signal.csd gives it."""
    rng = np.random.default_rng(5)
    q = rng.standard_normal(COUNT + 1)
    on = ON_S * (1 + 1e-3 * q[:-1])  # the one before moves on, this one moves off
    off = OFF_S * (1 + 1e-3 * q[1:])
    cells = list_cells(on, off, 0.0)
    hz, cross = csd(off / np.mean(off), on / np.mean(on), nperseg=64, detrend="constant")
    fast = cells.rate > 0.06
    # scipy's spectrum is one-sided and conjugates its first series, as x x^H does its second;
    # its segments and these cells agree to the scatter of some 64 coefficients, 4 sigma
    expected = np.interp(cells.rate, hz, cross.real) + 1j * np.interp(cells.rate, hz, cross.imag)
    found = 2.0 * (cells.moments[:, 2] + 1j * cells.moments[:, 3])
    bar = 4.0 * 2e-6 / np.sqrt(cells.weight[fast])
    assert np.all(np.abs(found - expected)[fast] < 2 * bar)
    # and it turns as one cycle's lag does
    lag = np.angle(found[fast] / np.exp(-2j * np.pi * cells.rate[fast]))
    # phases spread evenly over a cell, 2 pi/64, average over its 64 coefficients: 5 sigma
    assert np.all(np.abs(lag) < 5 * 2 * np.pi / 64 / np.sqrt(12 * 60))


def test_refuses_a_handful_of_cycles() -> None:
    with pytest.raises(ValueError, match="needs at least 16 cycles"):
        list_cells(*white(6, 15), 0.0)


def test_cycles_that_never_move_have_no_power() -> None:
    cells = list_cells(np.full(64, ON_S), np.full(64, OFF_S), 0.0)
    assert np.all(np.abs(cells.moments) < 1e-20)
