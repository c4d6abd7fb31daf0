"""Mains hum: its frequency and whether it stands out of the noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["HARMONICS", "MAINS_HZ", "HumLines", "find_hum"]

MAINS_HZ = (50.0, 60.0)
HARMONICS = 10

_OFF_SHARE = 0.006
"""How far the mains may be off its frequency, as a share of it."""

_SIGNIFICANT = 16.0
"""A line's power over its own expectation in noise alone: 1e-7 by chance."""

_BLOCK_S = 0.1
"""Whole cycles of both mains frequencies, so that their lines do not mix."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class HumLines:
    """Hum in a recording.

    Attributes
    ----------
    fundamental_hz : float or None
        The mains frequency as it is; None where no line stands out.
    rms : float
        RMS of the lines that stand out together, in the recording's units.
    floor : float
        RMS of a line that would just stand out.
    """

    fundamental_hz: float | None
    rms: float
    floor: float


def find_hum(values: FloatArray, rate_hz: float) -> HumLines:
    """Look for hum at 50 and 60 Hz and their harmonics.

    Parameters
    ----------
    values : numpy.ndarray
        Samples at some kilohertz, shape (n,).
    rate_hz : float
        Samples per second.

    Returns
    -------
    HumLines
        Of the mains frequency with more power; nothing from less than half a second.
    """
    best = HumLines(None, 0.0, 0.0)
    block = round(_BLOCK_S * rate_hz)
    count = values.shape[0] // block
    if count < 5:
        return best
    values = values[: count * block] - values[: count * block].mean()
    for mains_hz in MAINS_HZ:
        found = _lines_at(values, rate_hz, mains_hz, block)
        if found.rms > best.rms or best.floor == 0.0:
            best = found
    return best


def _lines_at(values: FloatArray, rate_hz: float, mains_hz: float, block: int) -> HumLines:
    """Look for the lines of one mains frequency."""
    time_s = np.arange(values.shape[0]) / rate_hz
    turn = np.exp(-2j * np.pi * mains_hz * time_s)
    middle_s = (np.arange(values.shape[0] // block) + 0.5) * _BLOCK_S
    offs = mains_hz * np.linspace(-_OFF_SHARE, _OFF_SHARE, 121)
    powers, noises = [], []
    carrier = np.ones(values.shape[0], np.complex128)
    for number in range(1, HARMONICS + 1):
        carrier = carrier * turn
        means = (values * carrier).reshape(-1, block).mean(axis=1)
        back = np.exp(-2j * np.pi * number * np.outer(offs, middle_s))
        coherent = (back @ means) / means.shape[0]
        powers.append(2.0 * np.abs(coherent) ** 2)
        spread = np.mean(np.abs(means) ** 2) - np.max(np.abs(coherent)) ** 2
        noises.append(2.0 * max(float(spread), 1e-20) / means.shape[0])
    power, noise = np.stack(powers), np.array(noises)
    at = int(np.argmax(power.sum(axis=0)))
    stands = power[:, at] > _SIGNIFICANT * noise
    floor = float(np.sqrt(_SIGNIFICANT * np.median(noise)))
    if not stands[:4].any():
        return HumLines(None, 0.0, floor)
    off = _peak(offs, power.sum(axis=0), at)
    return HumLines(mains_hz + off, float(np.sqrt(power[stands, at].sum())), floor)


def _peak(offs: FloatArray, power: FloatArray, at: int) -> float:
    """Return the top of the parabola through three points."""
    if not 0 < at < offs.shape[0] - 1:
        return float(offs[at])
    left, top, right = power[at - 1 : at + 2]
    bend = left - 2.0 * top + right
    part = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(offs[at] + part * (offs[1] - offs[0]))
