"""Samples at the ends of the scale, wherever that scale ends."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.timing.clipping import count_clipped

STEP = 2.0**-15


def wave(rng: np.random.Generator, count: int = 48_000) -> np.ndarray:
    """Return pulses of 1.5 ms in 10 ms with the droop of a 20 Hz coupling and noise."""
    since = np.arange(count) % 480
    pulse = np.where(since < 72, 0.7 * np.exp(-since / 380.0), -0.1)
    return np.asarray(pulse + 1e-3 * rng.standard_normal(count))


@pytest.mark.parametrize("level", [0.3, 0.5, 1.0])
def test_tops_cut_off_at_any_level_are_counted(level: float) -> None:
    values = np.clip(2.0 * wave(np.random.default_rng(1)), -level, level)
    cut = int(np.count_nonzero(values == level))
    found = count_clipped(values.astype(np.float32), 2e-3, STEP)
    # where noise pulls single samples below the top the runs end: few do, with a noise of some
    # hundredths of what is cut off
    assert 0.8 * cut < found <= cut + 5


def test_a_signal_within_the_scale_is_not_clipped() -> None:
    assert count_clipped(wave(np.random.default_rng(2)).astype(np.float32), 1e-3, STEP) == 0


def test_a_quiet_input_has_flat_tops_of_its_own() -> None:
    values = np.where(np.arange(48_000) % 480 < 72, 0.5, 0.0).astype(np.float32)
    assert count_clipped(values, 0.0, STEP) == 0
    assert count_clipped(values, 0.5 * STEP, STEP) == 0
