"""Lines that turn slowly, on series with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.diagnosis.series.turning import Turning, make_bumps
from benchlog.diagnosis.series.whitening import choose_whitening

START_S = np.asarray(np.arange(3000) * 0.02, np.float64)
AT_S = np.stack([START_S, START_S + 2e-6])


def make_problem(values: np.ndarray, hz: float, alias_hz: float) -> Turning:
    whitening = choose_whitening(values)
    return Turning(AT_S, whitening.apply(values), whitening, hz, make_bumps(START_S, alias_hz))


@pytest.mark.parametrize(
    ("alias_hz", "count"),
    # One more bump than whole spans, and another: 60 s in spans of 5 s at the least, and of three
    # turns of the alias.
    [(5.0, 11 + 2), (-0.6, 11 + 2), (0.3, 5 + 2), (0.1001, 2 + 2), (0.05, 1), (0.0, 1)],
)
def test_bumps_grow_with_the_alias(alias_hz: float, count: int) -> None:
    bumps = make_bumps(START_S, alias_hz)
    assert bumps.shape == (count, 3000)
    assert np.allclose(bumps.sum(axis=0), 1.0)
    assert bumps.min() >= 0


def test_follows_a_line_that_turns() -> None:
    rng = np.random.default_rng(1)
    # A frequency 7 mHz off for half a minute and back: the phase turns by 0.2 of a whole.
    turn = 2 * np.pi * (50.3 * START_S + 0.007 * 30 / np.pi * (1 - np.cos(np.pi * START_S / 30)))
    true = np.stack([3e-6 * np.cos(turn), -5e-6 * np.cos(turn + 0.4)])
    values = true + 1e-6 * rng.standard_normal(true.shape)
    found = make_problem(values, 50.3, 0.3).fit(np.eye(2) / 1e-12)
    still = Turning(AT_S, values, choose_whitening(values), 50.3, np.ones((1, START_S.size))).fit(
        np.eye(2) / 1e-12
    )
    # Some ten free values of 3000: the jitter's part of that is 6 %, and bumps 10 s apart
    # follow the turning to a few per cent.
    assert np.std(found.values_s - true) < 0.12e-6
    assert np.std(still.values_s - true) > 0.8e-6
    assert 0 < found.cost < 20
    assert still.cost == 0


def test_takes_no_more_of_noise_than_its_freedom() -> None:
    rng = np.random.default_rng(2)
    taken = []
    for _ in range(20):
        values = 1e-6 * rng.standard_normal((2, 3000))
        taken.append(np.mean(make_problem(values, 50.0, 5.0).fit(np.eye(2) / 1e-12).values_s ** 2))
    # 13 bumps with two parts each are 26 of 3000 values, at the most.
    assert np.mean(taken) < 1e-12 * 26 / 3000


def test_leaves_creep_to_creep() -> None:
    # A slow swing of 20 s beside an alias of 0.3 Hz: six turns of it away.
    values = np.stack([10e-6 * np.sin(2 * np.pi * START_S / 20.0)] * 2)
    values += 1e-7 * np.random.default_rng(3).standard_normal(values.shape)
    found = make_problem(values, 50.3, 0.3).fit(np.eye(2) / 1e-14)
    assert np.std(found.values_s) < 0.02 * np.std(values)


def test_a_stiffer_line_is_taken_for_a_smaller_one() -> None:
    turn = 2 * np.pi * (50.3 * START_S + 0.3 * np.sin(2 * np.pi * START_S / 40))
    values = np.stack([np.cos(turn), np.cos(turn)]) * 1e-6
    problem = make_problem(values, 50.3, 5.3)
    inverse = np.eye(2) / 1e-13
    free, stiff = problem.fit(inverse), problem.fit(inverse, np.full(2, 1e-8))
    assert np.std(free.left) < np.std(stiff.left)
    assert free.loss(inverse) < stiff.loss(inverse)
