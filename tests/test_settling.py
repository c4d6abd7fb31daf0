"""Has the pulse settled: hand-worked trains first, then how often it is wrong over many seeds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from benchlog.timing.live import LiveEdges
from benchlog.timing.live_reading import LiveReading
from benchlog.timing.settling import Settler, Settling

_PERIOD_S = 0.0155
_WIDTH_S = 1500e-6
_KEPT_S = 5.0

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class _Train:
    """Pulses in order: where each begins and how long it is, seconds."""

    start_s: FloatArray
    width_s: FloatArray

    @classmethod
    def make(
        cls,
        width: Callable[[FloatArray], FloatArray],
        seconds: float,
        *,
        scatter_s: float = 0.3e-6,
        rest: Callable[[FloatArray], FloatArray] | None = None,
        seed: int = 0,
    ) -> _Train:
        """Make pulses whose width follows a function of time; the pause is steady unless given."""
        source = np.random.default_rng([11, seed])
        at_s = np.arange(0.0, seconds, _PERIOD_S)
        pause_s = np.full(at_s.shape, _PERIOD_S - _WIDTH_S) if rest is None else rest(at_s)
        width_s = width(at_s) + scatter_s * source.standard_normal(at_s.shape)
        start_s = np.concatenate(([0.0], np.cumsum(width_s + pause_s)[:-1]))
        return cls(start_s, width_s)

    def readings(self, every_s: float) -> list[_Train]:
        """Return what a live reading holds at regular instants: the last seconds."""
        cuts = np.arange(self.start_s[0] + every_s, self.start_s[-1], every_s)
        found = []
        for cut in cuts.tolist():
            chosen = (self.start_s <= cut) & (self.start_s > cut - _KEPT_S)
            found.append(_Train(self.start_s[chosen], self.width_s[chosen]))
        return found

    def settle(self, every_s: float = 0.25) -> list[Settling]:
        """Return what a settler makes of it."""
        settler = Settler()
        return [settler.add_pulses(one.start_s, one.width_s) for one in self.readings(every_s)]


def _regular(count: int, period_s: float = 0.016) -> FloatArray:
    return np.arange(count, dtype=np.float64) * period_s


def _steady(at_s: FloatArray) -> FloatArray:
    return np.full(at_s.shape, _WIDTH_S)


def _slope(per_s: float) -> Callable[[FloatArray], FloatArray]:
    return lambda at_s: _WIDTH_S + per_s * at_s


def _step(at: float, by_s: float) -> Callable[[FloatArray], FloatArray]:
    return lambda at_s: _WIDTH_S + np.where(at_s >= at, by_s, 0.0)


def _first(told: list[Settling], every_s: float = 0.25) -> float:
    """Return when it was settled for the first time; infinity for never."""
    for index, one in enumerate(told, 1):
        if one.state == "settled":
            return index * every_s
    return np.inf


# --- by hand ------------------------------------------------------------------


def test_nothing_is_none() -> None:
    told = Settler().add_pulses(np.empty(0), np.empty(0))
    assert told == Settling("none")


def test_a_quiet_input_is_none() -> None:
    assert Settler().add(LiveReading(1, 3.0, "quiet")) == Settling("none")
    assert Settler().add(LiveReading(1, 0.1, "listening")) == Settling("none")


def test_a_steady_train() -> None:
    start = _regular(60)
    told = Settler().add_pulses(start, np.full(60, 1.2e-3))
    assert told.state == "settled"
    assert told.mean_s == pytest.approx(1.2e-3, abs=1e-12)
    assert told.period_s == pytest.approx(0.016, abs=1e-12)
    # the shortest window that is full enough: 0.7 s before the newest pulse, which began at 0.944
    assert told.since_s == pytest.approx(0.944 - 0.7, abs=0.016)
    assert told.pulse_count == np.count_nonzero(start >= 0.944 - 0.7)
    # nothing scatters: what is left is the clock, 100 ppm / sqrt 3, and the timing of edges
    expected = np.hypot(1.2e-3 * 1e-4 / np.sqrt(3.0), 0.03e-6)
    assert told.u_s == pytest.approx(expected, rel=1e-9)


def test_too_few_pulses_are_not_settled() -> None:
    start = _regular(11, 0.1)
    told = Settler().add_pulses(start, np.full(11, 1.2e-3))
    assert told.state == "moving"
    assert told.mean_s == pytest.approx(1.2e-3)
    assert told.since_s is None


def test_one_pulse() -> None:
    told = Settler().add_pulses(np.array([0.5]), np.array([1e-3]))
    assert told.state == "moving"
    assert told.mean_s == pytest.approx(1e-3)
    assert told.period_s is None


def test_a_pause_begins_anew() -> None:
    settler = Settler()
    start = _regular(60)
    assert settler.add_pulses(start, np.full(60, 1.2e-3)).state == "settled"
    later = np.concatenate((start, 2.0 + _regular(5)))
    told = settler.add_pulses(later, np.full(65, 1.2e-3))
    assert told.state == "moving"
    assert settler.add_pulses(later[:-5], np.full(60, 1.2e-3)).state == "none"


def test_restart_forgets() -> None:
    settler = Settler()
    start = _regular(120)
    width = np.full(120, 1.2e-3)
    assert settler.add_pulses(start[:60], width[:60]).state == "settled"
    settler.restart(1.0)
    assert settler.add_pulses(start[:80], width[:80]).state == "moving"
    told = settler.add_pulses(start, width)
    assert told.state == "settled"
    assert told.since_s is not None
    assert told.since_s >= 1.0


def test_since_stays_while_it_stands_still() -> None:
    told = _Train.make(_steady, 8.0).settle()
    since = {one.since_s for one in told if one.since_s is not None}
    assert len(since) == 1


def test_a_train_that_is_shifted_settles_alike() -> None:
    train = _Train.make(_steady, 3.0, seed=3)
    shifted = _Train(train.start_s + 1000.0, train.width_s)
    for one, other in zip(train.settle(), shifted.settle(), strict=False):
        assert one.state == other.state
        assert other.mean_s == pytest.approx(one.mean_s, abs=1e-9)


def test_readings_of_a_live_measurement() -> None:
    live, settler = LiveEdges(1e-7), Settler()
    times = np.stack((np.arange(200) * 0.016, np.arange(200) * 0.016 + 1.4e-3), axis=1).ravel()
    level = np.tile([True, False], 200)
    told = Settling("none")
    for first in range(0, 400, 20):
        part = slice(first, first + 20)
        heard_s = float(times[part][-1]) + 0.005
        (reading,) = live.add(times[part], level[part], heard_s)
        told = settler.add(reading)
    assert told.state == "settled"
    assert told.mean_s == pytest.approx(1.4e-3, abs=1e-9)
    gone = settler.add(replace(reading, state="quiet", heard_s=9.0))
    assert gone.state == "none"


# --- how often it is wrong ------------------------------------------------------

_SEEDS = range(16)


def test_a_quiet_channel_settles_within_a_second() -> None:
    for seed in _SEEDS:
        told = _Train.make(_steady, 3.0, seed=seed).settle()
        assert _first(told) <= 1.0, seed
        assert all(one.state == "settled" for one in told[4:]), seed


def test_a_channel_that_jitters_by_10_us_settles() -> None:
    """The slope's uncertainty over 4 s is 0.6 us/s then, well below what counts as turning."""
    for seed in _SEEDS:
        told = _Train.make(_steady, 9.0, scatter_s=10e-6, seed=seed).settle()
        assert _first(told) <= 5.5, seed
        later = [one.state == "settled" for one in told[22:]]
        assert np.mean(later) > 0.9, seed


def test_a_worn_wiper_settles() -> None:
    """A contact of |normal| scatter lengthens on a little and off much more, anew each cycle."""
    for seed in _SEEDS:
        source = np.random.default_rng([12, seed])
        count = int(9.0 / _PERIOD_S) + 1
        contact = np.abs(600.0 * source.standard_normal(count))
        told = _Train.make(
            lambda at_s, ohm=contact: _WIDTH_S + 0.02e-6 * ohm[: at_s.shape[0]],  # type: ignore[misc]
            9.0,
            rest=lambda at_s, ohm=contact: 0.014 + 0.4e-6 * ohm[: at_s.shape[0]],  # type: ignore[misc]
            seed=seed,
        ).settle()
        assert _first(told) <= 5.5, seed


def test_scatter_that_lasts_for_many_pulses_settles() -> None:
    """A first-order autoregressive scatter of 3 us that forgets within ten pulses."""
    settled = 0
    for seed in _SEEDS:
        source = np.random.default_rng([13, seed])
        noise = source.standard_normal(1000) * 3e-6 * np.sqrt(1.0 - 0.9**2)
        walk = np.zeros(1000)
        for index in range(1, 1000):
            walk[index] = 0.9 * walk[index - 1] + noise[index]
        told = _Train.make(
            lambda at_s, moves=walk: _WIDTH_S + moves[: at_s.shape[0]],  # type: ignore[misc]
            12.0,
            seed=seed,
        ).settle()
        assert _first(told) <= 12.0, seed
        settled += _first(told) <= 7.0
    assert settled >= 0.8 * len(_SEEDS)


@pytest.mark.parametrize("per_s", [0.3e-6, -0.6e-6])
def test_a_creep_counts_as_settled(per_s: float) -> None:
    """A battery creeps by 0.1 us/s at most, a diode that warms up by some 0.5 us/s."""
    for seed in _SEEDS:
        told = _Train.make(_slope(per_s), 6.0, seed=seed).settle()
        assert _first(told) <= 1.25, seed
        assert all(one.state == "settled" for one in told[5:]), seed
        last = told[-1]
        assert last.mean_s is not None
        # the mean is over the last seconds alone: it is late by no more than half of 1.5 s
        assert last.mean_s == pytest.approx(_WIDTH_S + per_s * 6.0, abs=0.3e-6 + abs(per_s))


@pytest.mark.parametrize(
    ("per_s", "scatter_s"),
    [(3e-6, 0.3e-6), (-7e-6, 0.3e-6), (7e-6, 7e-6), (100e-6, 0.3e-6), (2000e-6, 0.3e-6)],
)
def test_a_knob_that_is_turned_slowly_is_not_settled(per_s: float, scatter_s: float) -> None:
    """7 us/s is one degree of knob a second; 3 us/s less than half of one."""
    wrong = sum(
        any(
            one.state == "settled"
            for one in _Train.make(_slope(per_s), 6.0, scatter_s=scatter_s, seed=seed).settle()
        )
        for seed in _SEEDS
    )
    assert wrong <= 0.02 * len(_SEEDS)


def test_a_turn_is_noticed_at_once() -> None:
    for seed in _SEEDS:
        told = _Train.make(_step(2.0, 5e-6), 4.5, seed=seed).settle(0.1)
        before, after = told[10:19], told[21:]
        assert all(one.state == "settled" for one in before), seed
        assert after[0].state == "moving", seed
        assert _first(after, 0.1) <= 1.0, seed
        assert after[-1].mean_s == pytest.approx(_WIDTH_S + 5e-6, abs=0.3e-6)
        assert after[-1].since_s == pytest.approx(2.0, abs=0.3)


def test_a_small_turn_does_not_spoil_the_mean() -> None:
    """1.5 us is a fifth of a degree; what was before it must not be in the mean."""
    for seed in _SEEDS:
        told = _Train.make(_step(4.0, 1.5e-6), 6.0, seed=seed).settle(0.5)
        # 1.5 s of pulses, 97, at 0.3 us: 0.03 us; the clock's 100 ppm are not in the train
        assert told[-1].mean_s == pytest.approx(_WIDTH_S + 1.5e-6, abs=0.2e-6), seed


def test_a_pause_that_moves_alone_is_noticed() -> None:
    def rest(at_s: FloatArray) -> FloatArray:
        return 0.014 + np.where(at_s >= 2.0, 300e-6, 0.0)

    for seed in _SEEDS:
        told = _Train.make(_steady, 4.5, rest=rest, seed=seed).settle(0.1)
        assert told[17].state == "settled", seed
        assert "moving" in {one.state for one in told[19:23]}, seed
        assert told[-1].period_s == pytest.approx(0.0143 + _WIDTH_S, abs=2e-6)


def test_missing_pulses_do_not_keep_it_from_settling() -> None:
    for seed in _SEEDS:
        train = _Train.make(_steady, 5.0, seed=seed)
        kept = np.random.default_rng([14, seed]).random(train.start_s.shape[0]) > 0.03
        told = _Train(train.start_s[kept], train.width_s[kept]).settle()
        assert _first(told) <= 1.5, seed
        assert told[-1].period_s == pytest.approx(_PERIOD_S, abs=1e-6)


def test_the_uncertainty_covers_the_truth() -> None:
    """Twice u holds 95 in 100 where scatter alone is at work; 200 draws miss by 3 s.d. at 90."""
    held = []
    for seed in range(200):
        told = _Train.make(_steady, 3.0, scatter_s=2e-6, seed=seed).settle(1.0)[-1]
        assert told.state == "settled"
        assert told.mean_s is not None
        assert told.u_s is not None
        held.append(abs(told.mean_s - _WIDTH_S) <= 2.0 * told.u_s)
    assert np.mean(held) >= 0.90
