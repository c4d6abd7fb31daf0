"""All that a train of pulses tells of an input, fitted together.

Corner and order of the coupling, hum, the shape of an edge and a common shift of rising
against falling edges depend on each other, so they are found in rounds: each round lays
the wave down with what the round before has learned.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.coupling_fit import CouplingFit, couple_all, fit_coupling, thin
from benchlog.timing.edge_response import EdgeResponse, learn_response
from benchlog.timing.hum import HARMONICS, HumLines, find_hum
from benchlog.timing.wave import REACH, EdgeCurve, ideal_curve, lay_wave

__all__ = ["FIT_S", "InputFit", "fit_input"]

FIT_S = 12.0
"""Seconds of a recording that are used at most."""

_FIT_RATE_HZ = 6000.0
_ROUNDS = 4
_NARROW_SHARE = 0.3
_TWIN_SQUARE = 0.055
"""On inputs narrower than this share of the rate, whose edges are sampled with aliases: two equal
corners came out apart by up to 0.049 there, and by 1e-4 on wider ones."""

_NEEDED = 0.7
"""Share of what is left over that hum must bring it down to where the droop could be meant."""


FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class InputFit:
    """What was fitted.

    Attributes
    ----------
    coupling : CouplingFit
        Corners, order, step.
    response : EdgeResponse or None
        Bandwidth and shape of an edge; None from too few edges.
    hum : HumLines
        Hum that stands out of the noise, if any.
    locked : bool
        Whether the train's own lines fall on the hum's, so that hum and droop hide each other.
    hum_rms : float
        Its RMS as fitted along with the wave, units of full scale; 0 for none.
    noise : float
        Standard deviation of what is left between the edges, per sample, units of full scale.
    width_shift_s : float
        How much wider the high parts must be made for the best fit: the error that the timing
        of edges has on this input.
    u_width_shift_s : float
        Its standard uncertainty.
    """

    coupling: CouplingFit
    response: EdgeResponse | None
    hum: HumLines
    locked: bool
    hum_rms: float
    noise: float
    width_shift_s: float
    u_width_shift_s: float

    @property
    def curve(self) -> EdgeCurve:
        """The edge as learned, else the usual one."""
        return self.response.curve if self.response else ideal_curve()


@dataclass(frozen=True, slots=True, eq=False)
class _Train:
    """A stretch of a recording with its edges."""

    values: FloatArray
    place: FloatArray
    rising: NDArray[np.bool_]
    rate_hz: float
    factor: int


def fit_input(
    values: FloatArray, place: FloatArray, rising: NDArray[np.bool_], rate_hz: float
) -> InputFit:
    """Fit an input to a recorded train.

    Parameters
    ----------
    values : numpy.ndarray
        Samples of one input, units of full scale, shape (n,); `FIT_S` seconds of them are used.
    place : numpy.ndarray
        Where each edge crosses its middle, in samples, ascending, shape (m,), m at least 4.
    rising : numpy.ndarray
        Directions, shape (m,).
    rate_hz : float
        Samples per second.

    Returns
    -------
    InputFit
        The fit of the last round.
    """
    train = _cut(values, place, rising, rate_hz)
    curve = ideal_curve()
    hum_hz: float | None = None
    locked = False
    coupling: CouplingFit | None = None
    moved = train.place
    twin_square = 0.0
    for round_ in range(_ROUNDS):
        wave = lay_wave(moved, train.rising, train.values.shape[0], curve)
        near = coupling.corners_hz if coupling and round_ > 1 else ()
        coupling = _fit_lines(
            train, wave, hum_hz, locked, near, 1 if round_ == 0 else 2, twin_square
        )
        rest = _rest(train, wave, coupling)
        free = _between(moved, rest.shape[0])
        hum = find_hum(thin(rest, train.factor) + coupling.hum, rate_hz / train.factor)
        flat = wave + rest / coupling.step if coupling.step else wave
        response = learn_response(flat, moved, train.rising, rate_hz)
        late = _lateness(flat - wave, moved, curve) * np.where(train.rising, 1.0, -1.0)
        if round_ == _ROUNDS - 1:
            break
        hum_hz = hum.fundamental_hz if round_ else None
        locked = _locked(moved, train, hum_hz)
        curve = response.curve if response else curve
        twin_square = _TWIN_SQUARE if _narrow(response, rate_hz) else 0.0
        moved = _ordered(moved - late, moved)
    shift, u_shift = _widening(moved - train.place, late, train.rising)
    assert coupling is not None
    return InputFit(
        coupling=coupling,
        response=response,
        hum=hum,
        locked=locked,
        hum_rms=float(np.sqrt(np.sum(coupling.line_peaks**2) / 2.0)),
        noise=float(np.std(rest[free] if free.any() else rest)),
        width_shift_s=shift / rate_hz,
        u_width_shift_s=u_shift / rate_hz,
    )


def _cut(
    values: FloatArray, place: FloatArray, rising: NDArray[np.bool_], rate_hz: float
) -> _Train:
    """Take the stretch that is used."""
    factor = max(1, round(rate_hz / _FIT_RATE_HZ))
    count = min(values.shape[0], round(FIT_S * rate_hz)) // factor * factor
    mine = (place >= 0) & (place < count)
    return _Train(values[:count], place[mine], rising[mine], rate_hz, factor)


def _narrow(response: EdgeResponse | None, rate_hz: float) -> bool:
    """Tell whether the input is far narrower than its rate allows."""
    bandwidth_hz = response.bandwidth_hz if response else None
    return bandwidth_hz is not None and bandwidth_hz < _NARROW_SHARE * rate_hz


def _rest(train: _Train, wave: FloatArray, coupling: CouplingFit) -> FloatArray:
    """Return what the fit leaves over at every sample."""
    answer = coupling.step * couple_all(wave, coupling.corners_hz, train.rate_hz)
    at = np.arange(coupling.slow.shape[0]) * train.factor + 0.5 * (train.factor - 1)
    slow = np.interp(np.arange(wave.shape[0]), at, coupling.slow)
    result: FloatArray = train.values - answer - slow
    return result


def _between(place: FloatArray, count: int) -> NDArray[np.bool_]:
    """Mark the samples that no edge reaches."""
    free = np.ones(count, bool)
    index = np.floor(place).astype(np.intp)[:, None] + np.arange(-REACH, REACH + 1)
    free[np.clip(index, 0, count - 1)] = False
    return free


def _fit_lines(
    train: _Train,
    wave: FloatArray,
    hum_hz: float | None,
    locked: bool,
    near_hz: tuple[float, ...],
    most_stages: int,
    twin_square: float,
) -> CouplingFit:
    """Fit the coupling with the hum's lines; where they hide the droop, with as few as will do."""
    best: CouplingFit | None = None
    for lines in (0, 1, 3) if locked else (HARMONICS,):
        fit = fit_coupling(
            thin(train.values, train.factor),
            wave,
            train.rate_hz,
            train.factor,
            hum_hz=hum_hz if lines else None,
            harmonics=lines,
            most_stages=most_stages,
            start_hz=near_hz,
            twin_square=twin_square,
        )
        if best is None or fit.rest_squares < _NEEDED * best.rest_squares:
            best = fit
    assert best is not None
    return best


def _locked(place: FloatArray, train: _Train, hum_hz: float | None) -> bool:
    """Tell whether the train's own lines fall on the hum's, so that only the first is told."""
    if hum_hz is None:
        return False
    cycle = float(np.median(place[2:] - place[:-2])) / train.rate_hz
    beat_hz = abs(hum_hz - round(hum_hz * cycle) / cycle) if hum_hz * cycle > 0.5 else hum_hz
    return bool(beat_hz < 3.0 * train.rate_hz / train.values.shape[0])


def _lateness(excess: FloatArray, place: FloatArray, curve: EdgeCurve) -> FloatArray:
    """Return by how many samples each edge is laid too late, for a rising one.

    Projects what is left over on the edge's slope: a rising edge that is `d` too late leaves
    `d` times its slope, a falling one that is `d` too early as well.
    """
    first = np.clip(np.ceil(place).astype(np.intp), 6, excess.shape[0] - 6)
    index = first[:, None] + np.arange(-6, 6)
    apart = index - place[:, None]
    slope = (curve.at(apart + 0.05) - curve.at(apart - 0.05)) / 0.1
    power = np.maximum(np.sum(slope**2, axis=1), 1e-3)
    each = np.clip(np.sum(slope * excess[index], axis=1) / power, -1.0, 1.0)
    inside = (np.ceil(place) > REACH) & (np.ceil(place) < excess.shape[0] - REACH)
    result: FloatArray = np.where(inside, each, 0.0)
    return result


def _ordered(moved: FloatArray, before: FloatArray) -> FloatArray:
    """Leave edges where they were if moving them would change their order."""
    return moved if np.all(np.diff(moved) > 1.0) else before


def _widening(
    moved: FloatArray, late: FloatArray, rising: NDArray[np.bool_]
) -> tuple[float, float]:
    """Return by how much falling edges were moved more than rising ones, and how sure that is."""
    up, down = moved[rising], moved[~rising]
    if min(up.shape[0], down.shape[0]) < 2:
        return 0.0, 0.0
    noise = late.var() / up.shape[0] + late.var() / down.shape[0]
    u = np.sqrt(up.var(ddof=1) / up.shape[0] + down.var(ddof=1) / down.shape[0] + noise)
    return float(np.median(down) - np.median(up)), float(u)
