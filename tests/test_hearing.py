"""The room, hum, nothing and too much are told from a train of pulses by structure."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from benchlog.capture.simulated import SoundInputModel, render_sound
from benchlog.recording import samples_from_array
from benchlog.timing.hearing import hear, hear_values
from tests.listening import draw_case, make_train, render_case
from tests.room_sounds import LEVELS, RATE_HZ, make_rooms, synthetic

FloatArray = NDArray[np.float64]

_TIME_S = np.arange(5 * RATE_HZ) / RATE_HZ


def _noise(sd: float, seed: int = 1) -> FloatArray:
    return np.asarray(sd * np.random.default_rng(seed).standard_normal(_TIME_S.shape[0]))


def test_fifty_rooms_are_rooms(tmp_path: Path) -> None:
    for name, values in make_rooms(tmp_path, 50):
        hearing = hear_values(values, RATE_HZ)
        assert hearing.kind == "room", (name, hearing.evidence)


@pytest.mark.parametrize("level", LEVELS)
def test_sounds_of_numbers_alone_are_rooms(level: float) -> None:
    for name, values in synthetic(7):
        hearing = hear_values(level * values, RATE_HZ)
        assert hearing.kind == "room", (name, hearing.evidence)


def test_trains_never_are_the_room() -> None:
    rng = np.random.default_rng(11)
    for seed in range(40):
        case = draw_case(rng, seed)
        hearing = hear_values(render_case(case, 4.0), 48000.0)
        assert hearing.kind == "pulse", (case, hearing.evidence)
        assert hearing.evidence.period_s == pytest.approx(case.period_s, rel=1e-3)


@pytest.mark.parametrize("rate_hz", [16000.0, 44100.0, 96000.0, 192000.0])
def test_the_rate_does_not_matter(rate_hz: float) -> None:
    model = SoundInputModel(rate_hz=rate_hz, corners_hz=(20.0,), snr_db=40.0)
    values = render_sound(make_train(1.5e-3, 17e-3, 3.0), model, 3.0)
    assert hear_values(values, rate_hz).kind == "pulse"


def test_a_knob_being_turned_is_still_a_pulse() -> None:
    # The design: turning the knob moves on and off against each other, so the period stays.
    rise_s = np.arange(200) * 17e-3
    width_s = np.linspace(0.6e-3, 2.3e-3, rise_s.shape[0])
    train = make_train(1e-3, 17e-3, 3.0)
    turned = type(train).from_times(
        np.stack((rise_s, rise_s + width_s), axis=1).ravel() + 1e-3, True
    )
    values = render_sound(turned, SoundInputModel(snr_db=40.0), 3.0)
    assert hear_values(values, 48000.0).kind == "pulse"


def test_hum_of_an_open_lead() -> None:
    for mains_hz in (50.0, 59.95):
        lines = sum(
            share * np.sin(2 * np.pi * number * mains_hz * _TIME_S + number)
            for number, share in ((1, 1.0), (2, 0.1), (3, 0.3), (5, 0.1))
        )
        hearing = hear_values(0.1 * lines + _noise(1e-3), RATE_HZ)
        assert hearing.kind == "hum"
        assert hearing.evidence.hum_hz == pytest.approx(mains_hz, abs=0.01)
        assert hearing.evidence.hum_share > 0.99


@pytest.mark.parametrize(
    "make",
    [
        lambda: np.zeros_like(_TIME_S),
        lambda: np.full_like(_TIME_S, 0.4),
        lambda: np.rint(_noise(2e-5) * 32768) / 32768,
        lambda: _noise(1e-4),
    ],
)
def test_nothing(make: Callable[[], FloatArray]) -> None:
    assert hear_values(make(), RATE_HZ).kind == "nothing"


@pytest.mark.parametrize("length", [0, 1, 7, 400, 4800])
def test_too_little_to_hear_is_no_pulse(length: int) -> None:
    hearing = hear_values(np.zeros(length, np.float32), RATE_HZ)
    assert hearing.kind == "nothing"


def test_a_pulse_that_is_cut_off_is_too_much() -> None:
    values = render_sound(make_train(1.5e-3, 17e-3, 4.0), SoundInputModel(snr_db=40.0), 4.0)
    for gain in (4.0, 40.0, 400.0):
        assert hear_values(np.clip(gain * values, -1.0, 1.0), RATE_HZ).kind == "too much"


def test_an_input_stuck_at_the_end_of_its_scale_is_too_much() -> None:
    assert hear_values(np.ones_like(_TIME_S), RATE_HZ).kind == "too much"


def test_loudness_does_not_matter() -> None:
    values = render_sound(
        make_train(1.5e-3, 17e-3, 3.0), SoundInputModel(snr_db=50.0, bits=24, amplitude=0.4), 3.0
    )
    for gain in (1.0, 1e-2, 1e-4):
        assert hear_values(gain * values, RATE_HZ).kind == "pulse"


def test_every_input_is_heard_by_itself() -> None:
    pulse = render_sound(make_train(1.5e-3, 17e-3, 5.0), SoundInputModel(snr_db=40.0), 5.0)
    both: FloatArray = np.column_stack((_noise(0.05)[: pulse.shape[0]], pulse))
    assert [one.kind for one in hear(samples_from_array(both, RATE_HZ))] == ["room", "pulse"]
