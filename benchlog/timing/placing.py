"""From steps to edge times: windows, levels, neighbours, and the learned shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.detection import Steps, refine_steps
from benchlog.timing.levels import (
    Bases,
    Coupling,
    estimate_coupling,
    estimate_noise,
    find_bases,
    fit_track,
)
from benchlog.timing.shape import (
    HALF_WINDOW,
    EdgeShape,
    cross_edges,
    fit_shape,
    place_edges,
    window_offsets,
)

__all__ = ["InputModel", "TimedSteps", "learn_input", "time_steps"]

_MOST_LEARNED = 3000
_FEWEST_LEARNED = 12
_ROUNDS = 3
_NEIGHBOUR_REACH = 2 * HALF_WINDOW

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class InputModel:
    """How one input shows an edge.

    Attributes
    ----------
    coupling : Coupling
        The input's droop.
    shape : EdgeShape or None
        The learned edge; None where too few edges were seen.
    step : float
        Height of the usual edge, units of full scale.
    noise : float
        Standard deviation of white noise per sample, units of full scale.
    """

    coupling: Coupling
    shape: EdgeShape | None
    step: float
    noise: float


@dataclass(frozen=True, slots=True, eq=False)
class TimedSteps:
    """Steps of one stretch, timed.

    Attributes
    ----------
    place : numpy.ndarray
        Where each edge crosses its middle, in samples from the stretch's start.
    rising : numpy.ndarray
        True where the level rises.
    u : numpy.ndarray
        Standard uncertainty of `place` from noise, in samples.
    step : numpy.ndarray
        Height of each edge (smoothed), units of full scale.
    """

    place: FloatArray
    rising: NDArray[np.bool_]
    u: FloatArray
    step: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    """Samples around each step, droop undone, with the level beside it."""

    last: NDArray[np.intp]  # index of the last sample before the step
    sign: FloatArray  # +1 rising, -1 falling
    values: FloatArray  # (n, 2 HALF_WINDOW)
    valid: NDArray[np.bool_]  # same shape
    level: FloatArray  # the trusted state's level
    from_after: NDArray[np.bool_]  # the trusted state is the one after the step
    level_weight: FloatArray  # decimated samples that the level is worth
    height: FloatArray  # |step| as the detector saw it


def time_steps(
    values: NDArray[np.float32],
    averages: NDArray[np.float32],
    steps: Steps,
    factor: int,
    rate_hz: float,
    model: InputModel,
) -> TimedSteps:
    """Time the steps of one stretch with what is known of the input.

    Parameters
    ----------
    values : numpy.ndarray
        Samples of one input, shape (n,).
    averages : numpy.ndarray
        The same, decimated.
    steps : Steps
        Steps among the averages.
    factor : int
        The decimation.
    rate_hz : float
        Samples per second.
    model : InputModel
        From `learn_input`.

    Returns
    -------
    TimedSteps
        One a step; shape (0,) where there is none.
    """
    if steps.index.shape[0] == 0:
        none = np.empty(0)
        return TimedSteps(none, np.empty(0, bool), none, none)
    windows = _cut_windows(values, averages, steps, factor, model, factor / rate_hz)
    height = fit_track(windows.last.astype(np.float64), windows.height)
    place = _first_places(_scaled(windows, height))
    if model.shape is None:
        place = cross_edges(_scaled(windows, height), place)
        energy, spill = 0.5, 1.0
    else:
        for round_ in range(_ROUNDS):
            scaled = _without_neighbours(_scaled(windows, height), windows, place, model.shape)
            if round_ < 2:
                seen = _heights(scaled, windows, place, model.shape, height)
                height = fit_track(windows.last.astype(np.float64), seen)
                scaled = _without_neighbours(_scaled(windows, height), windows, place, model.shape)
            place = place_edges(scaled, place, model.shape, windows.valid)
        energy, spill = model.shape.energy(), 1.0
    white = model.noise**2 / (height**2 * energy)
    averaged = model.noise**2 / factor / np.maximum(windows.level_weight, 0.5)
    level_part = averaged * (spill / energy / height) ** 2
    return TimedSteps(windows.last + place, windows.sign > 0, np.sqrt(white + level_part), height)


def learn_input(
    values: NDArray[np.float32],
    averages: NDArray[np.float32],
    steps: Steps,
    factor: int,
    rate_hz: float,
) -> InputModel:
    """Learn how an input shows an edge.

    Parameters
    ----------
    values : numpy.ndarray
        Samples of one input, shape (n,).
    averages : numpy.ndarray
        The same, decimated.
    steps : Steps
        At least one step.
    factor : int
        The decimation.
    rate_hz : float
        Samples per second.

    Returns
    -------
    InputModel
        With ``shape`` None where fewer than twelve usable edges were seen.
    """
    few = Steps(steps.index[:_MOST_LEARNED], steps.height[:_MOST_LEARNED], steps.noise)
    spacing_s = factor / rate_hz
    averaged_noise = estimate_noise(averages, steps.index)
    coupling = estimate_coupling(averages, steps.index, spacing_s, averaged_noise)
    noise = averaged_noise * np.sqrt(factor)
    model = InputModel(coupling, None, float(np.median(np.abs(steps.height))), noise)
    windows = _cut_windows(values, averages, few, factor, model, spacing_s)
    height = fit_track(windows.last.astype(np.float64), windows.height)
    usable = windows.valid.all(axis=1) & (np.abs(windows.height / height - 1.0) < 0.3)
    if np.count_nonzero(usable) < _FEWEST_LEARNED:
        return model
    place = _first_places(_scaled(windows, height))
    mask = _apart(windows)
    shape = fit_shape(_scaled(windows, height)[usable], place[usable], mask[usable])
    for _ in range(_ROUNDS):
        scaled = _without_neighbours(_scaled(windows, height), windows, place, shape)
        height = fit_track(
            windows.last.astype(np.float64), _heights(scaled, windows, place, shape, height)
        )
        scaled = _without_neighbours(_scaled(windows, height), windows, place, shape)
        place = place_edges(scaled, place, shape, windows.valid)
        shape = fit_shape(scaled[usable], place[usable])
    rest = (scaled - shape.values(window_offsets() - place[:, None]))[usable] * height[usable, None]
    noise = 1.4826 * float(np.median(np.abs(rest)))
    return InputModel(coupling, shape, float(np.median(height)), noise)


def _cut_windows(
    values: NDArray[np.float32],
    averages: NDArray[np.float32],
    steps: Steps,
    factor: int,
    model: InputModel,
    spacing_s: float,
) -> _Windows:
    """Cut the samples around each step and undo the droop in them."""
    last = refine_steps(values, averages, steps, factor)
    at = last[:, None] + window_offsets()
    valid = (at >= 0) & (at < values.shape[0])
    cut = values[np.clip(at, 0, values.shape[0] - 1)].astype(np.float64)
    deviation = np.where(valid, cut - model.coupling.offset, 0.0)
    running = np.cumsum(deviation, axis=1) - 0.5 * deviation
    origin = np.clip(steps.index * factor - last + HALF_WINDOW - 1, 0, 2 * HALF_WINDOW - 1)
    rows = np.arange(last.shape[0])
    running -= (running[rows, origin] - 0.5 * deviation[rows, origin])[:, None]
    cut += model.coupling.rate_per_s * (spacing_s / factor) * running
    bases = find_bases(averages, steps.index, spacing_s, model.coupling)
    level, from_after, weight = _trusted_level(bases)
    sign = np.sign(steps.height)
    missing = np.isnan(level)
    if missing.any():  # no state on either side: the middle of the window's ends
        level = np.where(missing, 0.5 * (cut[:, 0] + cut[:, -1]) - 0.5 * steps.height, level)
    return _Windows(last, sign, cut, valid, level, from_after, weight, np.abs(steps.height))


def _trusted_level(bases: Bases) -> tuple[FloatArray, NDArray[np.bool_], FloatArray]:
    """Choose for each step the side whose level is known better."""
    from_after = bases.after_weight > bases.before_weight
    level = np.where(from_after, bases.after, bases.before)
    return level, from_after, np.where(from_after, bases.after_weight, bases.before_weight)


def _scaled(windows: _Windows, height: FloatArray) -> FloatArray:
    """Return the windows scaled to go from 0 (before) to 1 (after)."""
    away = (windows.values - windows.level[:, None]) * (windows.sign / height)[:, None]
    return away + windows.from_after[:, None]


def _first_places(scaled: FloatArray) -> FloatArray:
    """Return where a straight line between the two middle samples crosses one half."""
    lower, upper = scaled[:, HALF_WINDOW - 1], scaled[:, HALF_WINDOW]
    rise = upper - lower
    ratio = (0.5 - lower) / np.where(rise > 0.1, rise, 1.0)
    return np.where(rise > 0.1, np.clip(ratio, -1.0, 2.0), 0.5)


def _apart(windows: _Windows) -> NDArray[np.bool_]:
    """Mark the samples that lie nearer to their own step than to another."""
    between = np.diff(windows.last) / 2.0
    left = np.concatenate(([np.inf], between))[:, None]
    right = np.concatenate((between, [np.inf]))[:, None]
    offset = window_offsets() - 0.5
    return windows.valid & (offset > -left) & (offset < right)


def _without_neighbours(
    scaled: FloatArray, windows: _Windows, place: FloatArray, shape: EdgeShape
) -> FloatArray:
    """Take the steps next to each step out of its window."""
    where = windows.last + place
    apart = np.diff(where)
    close = np.flatnonzero(apart < _NEIGHBOUR_REACH)
    if close.shape[0] == 0:
        return scaled
    result = scaled.copy()
    offsets = window_offsets()
    relation = (windows.sign[:-1] * windows.sign[1:])[close, None]
    later = offsets - (where[close + 1] - windows.last[close])[:, None]
    result[close] -= relation * shape.values(later)
    earlier = offsets - (where[close] - windows.last[close + 1])[:, None]
    result[close + 1] -= relation * (shape.values(earlier) - 1.0)
    return result


def _heights(
    scaled: FloatArray,
    windows: _Windows,
    place: FloatArray,
    shape: EdgeShape,
    height: FloatArray,
) -> FloatArray:
    """Return each step's own height by projecting its window on the shape."""
    model = shape.values(window_offsets() - place[:, None])
    flip = windows.from_after[:, None]
    model = np.where(flip, 1.0 - model, model) * windows.valid
    seen = np.where(flip, 1.0 - scaled, scaled)
    share: FloatArray = np.einsum("ij,ij->i", model, seen) / np.einsum("ij,ij->i", model, model)
    return height * share
