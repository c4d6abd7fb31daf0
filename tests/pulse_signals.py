"""Pulse trains with known truth for tests, independent of the package's own simulator.

Steps are rendered from a finely tabulated step response with edges at arbitrary
places between the samples; the coupling is a first-order high pass by the bilinear
rule, whose own error (about (w dt)^2 / 12) is far below what the tests look for.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, step

__all__ = ["Train", "cramer_rao_width_s", "render_train", "step_response"]

_FINE = 256
_REACH = 130

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Train:
    """A rendered train and its true edges, in seconds."""

    values: NDArray[np.float32]
    rate_hz: float
    rise_s: FloatArray
    fall_s: FloatArray

    @property
    def width_s(self) -> FloatArray:
        """True width of each pulse."""
        return self.fall_s - self.rise_s


@cache
def _table(kind: str) -> FloatArray:
    """Tabulate a unit step response from -_REACH to +_REACH samples."""
    at = np.arange(-_REACH * _FINE, _REACH * _FINE + 1) / _FINE
    if kind == "linear":  # windowed sinc, cut off at 0.46 of the rate
        kernel = np.where(np.abs(at) < 24, np.sinc(0.92 * at), 0.0)
        kernel *= np.i0(8.0 * np.sqrt(np.maximum(1 - (at / 24.0) ** 2, 0.0)))
        table: FloatArray = np.cumsum(kernel) / np.sum(kernel)
        return table
    coefficients = butter(4, 2 * np.pi / 8, analog=True)  # fourth order at an eighth of the rate
    _, curve = step(coefficients, T=at[at >= 0])
    return np.concatenate((np.zeros(np.count_nonzero(at < 0)), curve))


def step_response(at: FloatArray, kind: str) -> FloatArray:
    """Return the unit step response at places in samples; kind is linear or narrow."""
    grid = np.arange(-_REACH * _FINE, _REACH * _FINE + 1) / _FINE
    return np.interp(at, grid, _table(kind), left=0.0, right=1.0)


def render_train(
    width_s: float | FloatArray,
    *,
    rate_hz: float = 48000.0,
    period_s: float = 0.0167003,
    duration_s: float = 5.0,
    corner_hz: float = 20.0,
    kind: str = "linear",
    amplitude: float = 0.5,
    snr_db: float = 50.0,
    inverted: bool = False,
    seed: int = 1,
) -> Train:
    """Render a train of pulses; widths may be one number or one for each pulse."""
    rng = np.random.default_rng(seed)
    count = round(duration_s * rate_hz)
    rise_s = (np.arange(int(duration_s / period_s)) + rng.uniform()) * period_s
    fall_s = rise_s + np.broadcast_to(width_s, rise_s.shape)
    inside = fall_s * rate_hz < count - 1
    rise_s, fall_s = rise_s[inside], fall_s[inside]
    values = np.zeros(count)
    settled = np.zeros(count + 1)
    offsets = np.arange(-_REACH, _REACH)
    for edge_s, sign in ((rise_s, 1.0), (fall_s, -1.0)):
        at = np.floor(edge_s * rate_hz).astype(int)[:, None] + offsets
        part = sign * step_response(at - (edge_s * rate_hz)[:, None], kind)
        inside_record = (at >= 0) & (at < count)
        np.add.at(values, at[inside_record], part[inside_record])
        np.add.at(settled, np.minimum(at[:, -1] + 1, count), sign)
    values = amplitude * (values + np.cumsum(settled)[:count])
    if corner_hz:
        half = np.pi * corner_hz / rate_hz
        values = lfilter([1 / (1 + half), -1 / (1 + half)], [1, -(1 - half) / (1 + half)], values)
    values = values * (-1.0 if inverted else 1.0)
    values = values + rng.normal(size=count) * amplitude * 10 ** (-snr_db / 20)
    return Train((np.round(values * 32768) / 32768).astype(np.float32), rate_hz, rise_s, fall_s)


def cramer_rao_width_s(rate_hz: float, snr_db: float, kind: str) -> float:
    """Return the bound on one width's standard deviation.

    sqrt(2) sigma / (A sqrt(sum s'(t)^2)), s the unit step response as sampled,
    averaged over where the edge falls between two samples.
    """
    phase = np.arange(32)[:, None] / 32
    at = np.arange(-120, 120) - phase
    slope = (step_response(at + 1e-2, kind) - step_response(at - 1e-2, kind)) / 2e-2
    energy = float(np.mean(np.sum(slope**2, axis=1)))
    return float(np.sqrt(2.0 / energy) * 10 ** (-snr_db / 20) / rate_hz)
