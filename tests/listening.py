"""Trains of pulses behind simulated inputs, for the tests and benchmarks of listening."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.simulated import SoundInputModel, TrueEdges, render_sound
from benchlog.timing.hearing import Hearing, hear_values
from benchlog.timing.input_quality import InputQuality, judge_input

__all__ = ["TrainCase", "draw_case", "judge", "make_train", "render_case"]


def make_train(
    width_s: float, period_s: float, duration_s: float, *, jitter_s: float = 1e-6, seed: int = 1
) -> TrueEdges:
    """Return a train with a little jitter, its first edge 2 ms into the recording."""
    rng = np.random.default_rng(seed)
    rise_s = 0.002 + np.arange(int(duration_s / period_s) + 2) * period_s
    fall_s = rise_s + width_s + jitter_s * rng.standard_normal(rise_s.shape[0])
    return TrueEdges.from_times(np.stack((rise_s, fall_s), axis=1).ravel(), True)


@dataclass(frozen=True, slots=True)
class TrainCase:
    """A train and the input that hears it."""

    width_s: float
    period_s: float
    model: SoundInputModel
    seed: int


def draw_case(rng: np.random.Generator, seed: int) -> TrainCase:
    """Draw a train and an input from all that must be called a pulse."""
    width_s, period_s = rng.uniform(0.3e-3, 2.5e-3), rng.uniform(8e-3, 25e-3)
    if rng.random() < 0.15:  # half high, half low
        width_s = period_s / 2 * rng.uniform(0.97, 1.03)
    corners = tuple(
        float(np.exp(rng.uniform(0.0, np.log(high))))
        for high in ((200.0,), (100.0, 100.0))[rng.integers(2)]
    )
    amplitude = float(10 ** rng.uniform(-2.5, -0.1))
    model = SoundInputModel(
        corners_hz=corners,
        filter=("linear", "minimum", "narrow")[rng.integers(3)],
        amplitude=amplitude,
        inverted=bool(rng.integers(2)),
        snr_db=float(rng.uniform(20.0, 60.0)),
        hum_fs=amplitude * (0.0, 0.1)[rng.integers(2)],
        hum_hz=(50.0, 60.0, 49.95)[rng.integers(3)],
    )
    return TrainCase(float(width_s), float(period_s), model, seed)


def render_case(case: TrainCase, duration_s: float) -> NDArray[np.float32]:
    """Return what the input makes of the train."""
    train = make_train(case.width_s, case.period_s, duration_s, seed=case.seed)
    return render_sound(train, case.model, duration_s, case.seed)


def judge(
    values: NDArray[np.floating], rate_hz: float = 48000.0, quantum: float = 2.0**-15
) -> tuple[Hearing, InputQuality]:
    """Hear and judge; the input must hear a pulse."""
    hearing = hear_values(values, rate_hz)
    quality = judge_input(values, rate_hz, hearing, quantum=quantum)
    assert quality is not None, hearing.evidence
    return hearing, quality
