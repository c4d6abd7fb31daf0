"""Automatic gain and noise suppression show on the step of a train."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from benchlog.capture.simulated import SoundInputModel, render_sound
from tests.listening import draw_case, judge, make_train, render_case

_LENGTH_S = 10.0


def _values(snr_db: float = 40.0) -> NDArray[np.float64]:
    train = make_train(1.5e-3, 18.0137e-3, _LENGTH_S)
    model = SoundInputModel(snr_db=snr_db, hum_fs=0.01)
    return render_sound(train, model, _LENGTH_S).astype(np.float64)


@pytest.mark.parametrize("change_db", [3.0, -3.0, 6.0])
@pytest.mark.parametrize("snr_db", [20.0, 50.0])
def test_three_decibels_in_ten_seconds_are_noticed(change_db: float, snr_db: float) -> None:
    values = _values(snr_db)
    gain = 10 ** (np.linspace(0.0, change_db, values.shape[0]) / 20) / 2.0
    _, quality = judge(gain * values)
    assert quality.gain.at_work is True
    assert quality.spoils
    # half-second means see the change but for half a second at either end
    assert quality.gain.change_db == pytest.approx(abs(change_db) * 0.95, rel=0.1)
    assert np.sign(quality.gain.trend_db_per_s) == np.sign(change_db)
    # and the rest of the input is judged as if it were not there
    assert quality.corners_hz == pytest.approx((20.0,), rel=0.05)


def test_a_steady_gain_is_not_suspected() -> None:
    rng = np.random.default_rng(5)
    for seed in range(8):
        _, quality = judge(render_case(draw_case(rng, seed), 4.0))
        assert quality.gain.at_work is False, quality.gain


def test_gain_that_settles_within_a_second_is_noticed() -> None:
    values = _values()
    time_s = np.arange(values.shape[0]) / 48000.0
    _, quality = judge(values * (1.0 - 0.5 * (1.0 - np.exp(-time_s / 0.5))))
    assert quality.gain.at_work is True


def test_pulses_that_are_cut_out_are_noticed() -> None:
    values = _values()
    values[4 * 48000 : 6 * 48000] *= 1e-3
    _, quality = judge(values)
    assert quality.gain.at_work is True
    assert quality.gain.cut_count >= 3


def test_noise_that_is_turned_down_between_the_pulses_is_noticed() -> None:
    values = _values(60.0)
    noise = np.random.default_rng(2).standard_normal(values.shape[0])
    _, quality = judge(values + noise * np.where(np.arange(values.shape[0]) < 240000, 4e-3, 4e-4))
    assert quality.gain.at_work is True
    assert quality.gain.noise_change_db > 10.0


def test_a_second_is_too_short_to_tell() -> None:
    _, quality = judge(_values()[:48000])
    assert quality.gain.at_work is None
