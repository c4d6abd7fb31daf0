"""What an input is good for, against simulated inputs whose properties are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchlog.capture.simulated import SoundInputModel, render_sound
from benchlog.capture.simulated_filter import impulse_response
from benchlog.timing.hearing import hear_values
from benchlog.timing.input_quality import InputQuality, find_clipping, judge_input
from tests.listening import judge, make_train

_WIDTH_S, _PERIOD_S, _LENGTH_S = 1.5e-3, 18.0137e-3, 6.0


def _judge(model: SoundInputModel, width_s: float = _WIDTH_S, seed: int = 1) -> InputQuality:
    train = make_train(width_s, _PERIOD_S, _LENGTH_S, seed=seed)
    return judge(render_sound(train, model, _LENGTH_S, seed), model.rate_hz)[1]


def _in_db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


# What is asked of the corner is 5 %. At 40 dB the statistics of 6 s leave less than 1 % for all of
# these (the stated uncertainty says so as well); what is left is the method's own error.
@pytest.mark.parametrize("kind", ["linear", "minimum", "narrow"])
@pytest.mark.parametrize(
    "corners", [(2.0,), (20.0,), (200.0,), (20.0, 20.0), (80.0, 20.0), (40.0, 5.0)]
)
def test_corner_and_order(corners: tuple[float, ...], kind: str) -> None:
    model = SoundInputModel(corners_hz=corners, filter=kind, snr_db=40.0)  # type: ignore[arg-type]
    quality = _judge(model)
    assert len(quality.corners_hz) == len(corners)
    assert quality.corners_hz == pytest.approx(corners, rel=0.05)


def test_an_input_without_a_capacitor_has_no_corner() -> None:
    assert _judge(SoundInputModel(corners_hz=(), snr_db=40.0)).corners_hz == ()


@pytest.mark.parametrize("inverted", [False, True])
def test_polarity(inverted: bool) -> None:
    quality = _judge(SoundInputModel(inverted=inverted, snr_db=40.0))
    assert quality.active_level == ("low" if inverted else "high")
    assert quality.polarity_sure


def test_polarity_of_equal_halves_is_a_guess_unless_it_is_said() -> None:
    model = SoundInputModel(snr_db=40.0)
    train = make_train(_PERIOD_S / 2, _PERIOD_S, 4.0)
    values = render_sound(train, model, 4.0)
    hearing = hear_values(values, 48000.0)
    unsure = judge_input(values, 48000.0, hearing)
    said = judge_input(values, 48000.0, hearing, active_level="low")
    assert unsure is not None
    assert not unsure.polarity_sure
    assert said is not None
    assert said.polarity_sure
    assert said.active_level == "low"


# Noise: the standard deviation of some 2e5 samples is good to 0.2 % (0.02 dB); hum: the amplitude
# of a line in white noise of -60 dB over 6 s is good to far below 0.01 dB. 1 dB is asked.
@pytest.mark.parametrize("snr_db", [20.0, 40.0, 60.0])
@pytest.mark.parametrize("kind", ["linear", "minimum"])
def test_noise(snr_db: float, kind: str) -> None:
    model = SoundInputModel(snr_db=snr_db, filter=kind)  # type: ignore[arg-type]
    quality = _judge(model)
    assert _in_db(quality.noise / model.noise_sd_fs) == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize("hum_hz", [50.0, 49.93, 60.0, 60.05])
@pytest.mark.parametrize("hum_fs", [0.04, 0.002])
def test_hum(hum_hz: float, hum_fs: float) -> None:
    model = SoundInputModel(
        snr_db=50.0, hum_hz=hum_hz, hum_fs=hum_fs, hum_harmonics=(0.1, 0.3, 0.0, 0.1)
    )
    quality = _judge(model)
    true_rms = hum_fs * math.sqrt((1.0 + 0.1**2 + 0.3**2 + 0.1**2) / 2.0)
    assert quality.hum_hz == pytest.approx(hum_hz, abs=0.01)
    assert _in_db(quality.hum_rms / true_rms) == pytest.approx(0.0, abs=1.0)


def test_hum_that_is_not_there_is_not_found() -> None:
    quality = _judge(SoundInputModel(snr_db=40.0))
    assert quality.hum_hz is None
    assert quality.hum_rms == 0.0
    assert _in_db(quality.step / quality.hum_floor) > 60.0


def test_hum_and_a_train_at_the_mains_rate_are_told_to_hide_each_other() -> None:
    train = make_train(_WIDTH_S, 20e-3, _LENGTH_S)
    model = SoundInputModel(snr_db=40.0, hum_fs=0.02, hum_hz=50.02)
    _, quality = judge(render_sound(train, model, _LENGTH_S))
    assert "near-mains" in [notice.code for notice in quality.notices]
    assert quality.active_level == "high"


# The frequency response by Fourier transform of the simulator's own impulse response; resolution
# of the learned one is 1 / 48 of the rate's inverse window, some 2 % at 20 kHz, less below.
@pytest.mark.parametrize("kind", ["linear", "minimum", "narrow"])
def test_bandwidth_and_shape(kind: str) -> None:
    model = SoundInputModel(filter=kind, snr_db=50.0)  # type: ignore[arg-type]
    quality = _judge(model)
    time, impulse = impulse_response(kind, model.cutoff)
    share = np.linspace(0.0, 0.5, 2001)
    step = time[1] - time[0]
    gain = np.abs(np.exp(-2j * np.pi * np.outer(share, time)) @ impulse) * step
    true_hz = share[np.argmax(gain < math.sqrt(0.5))] * model.rate_hz
    # the minimum-phase answer rings beyond the window, which rounds its corner off by some more
    allowed = 0.1 if kind == "minimum" else 0.03
    assert quality.bandwidth_hz == pytest.approx(true_hz, rel=allowed)
    running = np.cumsum(impulse) * step
    true_rise_s = (time[np.argmax(running > 0.9)] - time[np.argmax(running > 0.1)]) / model.rate_hz
    assert quality.rise_s == pytest.approx(true_rise_s, rel=0.05)
    assert quality.symmetric is (kind == "linear")


def test_the_bias_that_is_told_is_the_bias() -> None:
    # Whatever the timing's own error is on these inputs, the fit must find it: to 0.1 us here,
    # where the mean of 330 widths scatters by sqrt(2) 0.01 samples / sqrt(330), some 0.02 us.
    for corners, kind in (((200.0,), "linear"), ((80.0, 20.0), "narrow"), ((20.0,), "minimum")):
        model = SoundInputModel(corners_hz=corners, filter=kind, snr_db=40.0)  # type: ignore[arg-type]
        train = make_train(_WIDTH_S, _PERIOD_S, _LENGTH_S)
        _, quality = judge(render_sound(train, model, _LENGTH_S))
        width_s = quality.measurement.pulses.width_s
        true_s = train.on_s[: width_s.shape[0]].mean()
        bias_us = 1e6 * quality.width_bias_s
        allowed = 0.15 + 2e6 * quality.u_width_bias_s
        assert 1e6 * (width_s.mean() - true_s) == pytest.approx(bias_us, abs=allowed)


def test_scatter_is_what_the_noise_makes_of_single_pulses() -> None:
    train = make_train(_WIDTH_S, _PERIOD_S, _LENGTH_S, jitter_s=0.0)
    values = render_sound(train, SoundInputModel(snr_db=40.0), _LENGTH_S)
    _, quality = judge(values)
    seen = float(quality.measurement.pulses.width_s.std())
    assert quality.width_scatter_s == pytest.approx(seen, rel=0.25)


@pytest.mark.parametrize("level", [1.0, 0.25])
def test_clipping_level(level: float) -> None:
    train = make_train(_WIDTH_S, _PERIOD_S, 4.0)
    model = SoundInputModel(amplitude=2.0 * level, clip_fs=level, snr_db=50.0)
    _, quality = judge(render_sound(train, model, 4.0))
    assert quality.clipping.level == pytest.approx(level, rel=1e-3)
    assert quality.spoils
    assert "clipping" in [notice.code for notice in quality.notices]


def test_what_does_not_reach_the_end_is_not_clipped() -> None:
    quality = _judge(SoundInputModel(amplitude=0.9, snr_db=50.0))
    assert quality.clipping.level is None
    assert quality.notices == ()
    assert not quality.spoils


def test_a_flat_top_without_noise_is_no_clipping() -> None:
    values = np.tile(np.repeat([0.5, 0.0], [72, 800]), 50)
    assert find_clipping(values, 0.0, 2.0**-15).level is None
    assert find_clipping(np.empty(0), 0.0, 0.0).level is None


def test_an_input_that_hears_no_pulse_is_not_judged() -> None:
    values = 0.1 * np.random.default_rng(1).standard_normal(96000)
    assert judge_input(values, 48000.0, hear_values(values, 48000.0)) is None
