"""What an input does to an edge, learned from a stretch of its recording."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.coupling import Coupling, estimate_coupling, integral_from
from benchlog.timing.detection import Steps, refine_steps
from benchlog.timing.hum_removal import Hum, estimate_hum, follow_hum, hum_values
from benchlog.timing.levels import estimate_noise, find_levels, fit_track, states_slope
from benchlog.timing.matched import MatchedFilter, build_filter
from benchlog.timing.medians import median
from benchlog.timing.shape import (
    HALF_WINDOW,
    EdgeShape,
    ShapeTable,
    coefficient_noise,
    find_support,
    fit_shape,
    place_edges,
    smoothing_for,
    tabulate_shape,
    window_offsets,
)

__all__ = [
    "InputModel",
    "TrustedLevels",
    "clean_stretch",
    "first_places",
    "learn_input",
    "remove_hum",
    "trust_levels",
]

_MOST_LEARNED = 1400
_FEWEST_LEARNED = 12
_MOST_ROUNDS = 25
_CONVERGED = 4e-5
_MOST_ENERGY = 1.0
"""Of an edge whose band ends at half the sample rate: more is noise that passes for shape."""

_FIRST_ENERGY = 0.1
"""Taken before a shape is known: that of an input as narrow as a telephone's."""

_SUPPORTED = 6
"""Rounds after which the shape is known well enough to tell how far it reaches."""

_NEIGHBOUR_REACH = 2 * HALF_WINDOW
_SETTLED_BEFORE = 8
_SETTLED_AFTER = 20

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class InputModel:
    """How one input shows an edge.

    Attributes
    ----------
    coupling : Coupling
        The input's droop.
    filter : MatchedFilter or None
        Places edges by their learned shape; None where too few edges were seen.
    energy : float
        Sum of squared slopes of the unit edge, per sample.
    step : float
        Height of the usual edge, units of full scale.
    noise : float
        Standard deviation of white noise per sample, units of full scale.
    hum : Hum or None
        The hum on the stretch that was learned from; None where there is none.
    learned_count : int
        Edges that the shape was learned from.
    """

    coupling: Coupling
    filter: MatchedFilter | None
    energy: float
    step: float
    noise: float
    hum: Hum | None = None
    learned_count: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    """Samples around each step, droop undone, with the level beside it."""

    last: NDArray[np.intp]  # index of the last sample before the step
    sign: FloatArray  # +1 rising, -1 falling
    values: FloatArray  # (n, 2 HALF_WINDOW)
    valid: NDArray[np.bool_]  # same shape
    level: FloatArray  # the trusted state's level
    from_after: NDArray[np.bool_]  # the trusted state is the one after the step
    height: FloatArray  # |step| as the detector saw it


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
        With ``filter`` None where fewer than twelve usable edges were seen.
    """
    spacing_s = factor / rate_hz
    averaged_noise = estimate_noise(averages, steps.index)
    coupling = _find_coupling(averages, steps.index, spacing_s, averaged_noise)
    hum = None
    if coupling.sloped:
        for _ in range(2):
            hum = estimate_hum(averages, steps.index, spacing_s, coupling)
            if hum is None:
                break
            cleaned = remove_hum(values, averages, hum, factor, rate_hz)
            coupling = _find_coupling(cleaned[1], steps.index, spacing_s, averaged_noise)
        if hum is not None:
            values, averages = cleaned
    noise = averaged_noise * float(np.sqrt(factor))
    usual = float(median(np.abs(steps.height)))
    few = Steps(steps.index[:_MOST_LEARNED], steps.height[:_MOST_LEARNED], steps.noise)
    windows = _cut_windows(values, averages, few, factor, rate_hz, coupling)
    learned = _learn_shape(windows, noise)
    if learned is None:
        return InputModel(coupling, None, 0.5, usual, noise, hum)
    return InputModel(
        coupling,
        build_filter(learned.shape, coupling, rate_hz),
        min(learned.shape.energy(), _MOST_ENERGY),
        float(median(learned.height)),
        learned.noise,
        hum,
        learned.count,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Learned:
    """A shape with the places, heights and noise of the edges it was learned from."""

    shape: EdgeShape
    place: FloatArray
    height: FloatArray
    noise: float
    count: int


def _learn_shape(windows: _Windows, noise: float) -> _Learned | None:
    """Learn the shape, and where the edges are by it, in turn until both stand still.

    `noise` is that of a sample, as it shows away from the edges.
    """
    height = fit_track(windows.last.astype(np.float64), windows.height)
    usable = windows.valid.all(axis=1) & (np.abs(windows.height / height - 1.0) < 0.3)
    if np.count_nonzero(usable) < _FEWEST_LEARNED:
        return None
    curve = np.broadcast_to(window_offsets() > 0, windows.values.shape).astype(np.float64)
    height = _track_heights(_scaled(windows, height), windows, height, curve)
    scaled = _scaled(windows, height)
    place = first_places(scaled[:, HALF_WINDOW - 1], scaled[:, HALF_WINDOW])
    ratio = noise / float(median(height))
    smooth = smoothing_for(ratio / math.sqrt(_FIRST_ENERGY))
    shape = fit_shape(scaled[usable], place[usable], _apart(windows)[usable], smoothing=smooth)
    support = None
    for number in range(_MOST_ROUNDS):
        before = place
        place, height, scaled = _round(windows, place, height, shape)
        smooth = smoothing_for(ratio / math.sqrt(min(shape.energy(), _MOST_ENERGY)))
        shape = fit_shape(scaled[usable], place[usable], support=support, smoothing=smooth)
        moved = (place - before)[usable]
        still = float(np.std(np.where(windows.sign[usable] > 0, moved, -moved))) < _CONVERGED
        if still and support is not None:
            break
        if support is None and (still or number >= _SUPPORTED):
            rest = (scaled - shape.values(window_offsets() - place[:, None]))[usable]
            spread = 1.4826 * float(median(np.abs(rest).ravel()))
            support = find_support(shape, coefficient_noise(spread, rest.shape[0]))
    rest = (scaled - shape.values(window_offsets() - place[:, None]))[usable] * height[usable, None]
    noise = 1.4826 * float(median(np.abs(rest).ravel()))
    return _Learned(shape, place, height, noise, int(np.count_nonzero(usable)))


def _round(
    windows: _Windows, place: FloatArray, height: FloatArray, shape: EdgeShape
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Better the heights and places by a shape; return them and the scaled windows."""
    table = tabulate_shape(shape)
    neighbours = _neighbours(windows, place, table)
    curve = table.values(window_offsets() - place[:, None])
    scaled = _scaled(windows, height)
    scaled -= neighbours
    height = _track_heights(scaled, windows, height, curve)
    scaled = _scaled(windows, height)
    scaled -= neighbours
    return place_edges(scaled, place, shape, windows.valid), height, scaled


def _find_coupling(
    averages: NDArray[np.float32], index: NDArray[np.intp], spacing_s: float, noise: float
) -> Coupling:
    """Estimate the coupling and tell whether the states keep slopes."""
    coupling = estimate_coupling(averages, index, spacing_s, noise)
    return replace(coupling, sloped=states_slope(averages, index, spacing_s, coupling, noise))


def remove_hum(
    values: NDArray[np.float32],
    averages: NDArray[np.float32],
    hum: Hum,
    factor: int,
    rate_hz: float,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Take hum off a stretch.

    Parameters
    ----------
    values, averages : numpy.ndarray
        Samples of one input and the same decimated.
    hum : Hum
        Fitted to this stretch.
    factor : int
        The decimation.
    rate_hz : float
        Samples per second.

    Returns
    -------
    values, averages : numpy.ndarray
        New arrays.
    """
    number = np.arange(averages.shape[0], dtype=np.float64)
    middle = number * factor + 0.5 * (factor - 1)
    coarse = hum_values(hum, (number + 0.5) * factor / rate_hz)
    fine = np.interp(np.arange(values.shape[0]), middle, coarse)
    return values - fine.astype(np.float32), averages - coarse.astype(np.float32)


def clean_stretch(
    values: NDArray[np.float32],
    averages: NDArray[np.float32],
    steps: Steps,
    factor: int,
    rate_hz: float,
    model: InputModel,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Take the hum that an input was learned to have off another stretch of it.

    Parameters and results as for `learn_input` and `remove_hum`.
    """
    if model.hum is None:
        return values, averages
    hum = follow_hum(
        averages, steps.index, factor / rate_hz, model.coupling, model.hum.frequency_hz
    )
    return (values, averages) if hum is None else remove_hum(values, averages, hum, factor, rate_hz)


def first_places(lower: FloatArray, upper: FloatArray) -> FloatArray:
    """Return where a straight line between the two middle samples crosses one half.

    Parameters
    ----------
    lower, upper : numpy.ndarray
        Scaled samples on either side of each edge, shape (n,).

    Returns
    -------
    numpy.ndarray
        Samples after the first of the two, from -1 to 2, shape (n,).
    """
    rise = upper - lower
    clear = rise > 0.1
    ratio = (0.5 - lower) / np.where(clear, rise, 1.0)
    return np.where(clear, np.clip(ratio, -1.0, 2.0), 0.5)


@dataclass(frozen=True, slots=True, eq=False)
class TrustedLevels:
    """The level beside each step that is known best, carried to the step's last sample.

    Attributes
    ----------
    level : numpy.ndarray
        Shape (n,), units of full scale; from the surroundings where no state is long
        enough to tell.
    from_after : numpy.ndarray
        Whether it is the level after the step, shape (n,), bool.
    weight : numpy.ndarray
        What it is worth in independent decimated samples, at least 0.5, shape (n,).
    slope : numpy.ndarray
        What to add for each sample after the step's last one, shape (n,).
    """

    level: FloatArray
    from_after: NDArray[np.bool_]
    weight: FloatArray
    slope: FloatArray


def trust_levels(
    averages: NDArray[np.float32],
    steps: Steps,
    last: NDArray[np.intp],
    area: FloatArray,
    factor: int,
    rate_hz: float,
    coupling: Coupling,
) -> TrustedLevels:
    """Find the trusted level beside each step.

    Parameters
    ----------
    averages, steps, factor, rate_hz, coupling
        As for `learn_input` and `find_levels`.
    last, area : numpy.ndarray
        From `refine_steps`, shape (n,).

    Returns
    -------
    TrustedLevels
        One a step.
    """
    levels = find_levels(averages, steps.index, factor / rate_hz, coupling)
    end = averages.shape[0] - 1
    around = averages[np.clip(steps.index - 2, 0, end)] + averages[np.clip(steps.index + 2, 0, end)]
    guess = 0.5 * around - 0.5 * steps.height
    level = np.where(np.isnan(levels.level), guess, levels.level)
    since = last - steps.index * factor + 0.5
    sagged_s = (area - coupling.offset * since) / rate_hz
    since_s = since / rate_hz
    level = level - coupling.rate_per_s * sagged_s - levels.slope * since_s
    level = level - 0.5 * coupling.double_per_s2 * sagged_s * since_s
    slope = (levels.slope + coupling.double_per_s2 * sagged_s) / rate_hz
    return TrustedLevels(level, levels.from_after, np.maximum(levels.weight, 0.5), slope)


def _cut_windows(
    values: NDArray[np.float32],
    averages: NDArray[np.float32],
    steps: Steps,
    factor: int,
    rate_hz: float,
    coupling: Coupling,
) -> _Windows:
    """Cut the samples around each step and undo the sag in them."""
    last, area = refine_steps(values, averages, steps, factor)
    offsets = window_offsets()
    at = last[:, None] + offsets
    valid = (at >= 0) & (at < values.shape[0])
    cut = values[np.clip(at, 0, values.shape[0] - 1)].astype(np.float64)
    deviation = np.where(valid, cut - coupling.offset, 0.0)
    once = integral_from(offsets, 0.0) / rate_hz
    undo = coupling.rate_per_s * once + coupling.double_per_s2 * (once @ once)
    trusted = trust_levels(averages, steps, last, area, factor, rate_hz, coupling)
    cut += deviation @ undo.T + trusted.slope[:, None] * offsets
    return _Windows(
        last,
        np.sign(steps.height),
        cut,
        valid,
        trusted.level,
        trusted.from_after,
        np.abs(steps.height),
    )


def _scaled(windows: _Windows, height: FloatArray) -> FloatArray:
    """Return the windows scaled to go from 0 (before) to 1 (after)."""
    gain = windows.sign / height
    result: FloatArray = windows.values * gain[:, None]
    result += (windows.from_after - windows.level * gain)[:, None]
    return result


def _apart(windows: _Windows) -> NDArray[np.bool_]:
    """Mark the samples that lie nearer to their own step than to another."""
    between = np.diff(windows.last) / 2.0
    left = np.concatenate(([np.inf], between))[:, None]
    right = np.concatenate((between, [np.inf]))[:, None]
    offset = window_offsets() - 0.5
    return windows.valid & (offset > -left) & (offset < right)


def _neighbours(windows: _Windows, place: FloatArray, table: ShapeTable) -> FloatArray:
    """Return what the steps next to each step add to its scaled window."""
    where = windows.last + place
    apart = np.diff(where)
    close = np.flatnonzero(apart < _NEIGHBOUR_REACH)
    result = np.zeros(windows.values.shape)
    offsets = window_offsets()
    relation = (windows.sign[:-1] * windows.sign[1:])[close, None]
    later = offsets - (where[close + 1] - windows.last[close])[:, None]
    result[close] += relation * table.values(later)
    earlier = offsets - (where[close] - windows.last[close + 1])[:, None]
    result[close + 1] += relation * (table.values(earlier) - 1.0)
    return result


def _track_heights(
    scaled: FloatArray, windows: _Windows, height: FloatArray, curve: FloatArray
) -> FloatArray:
    """Return the steps' smoothed heights: the far state against the trusted one.

    Before an edge begins it is flat, whatever the input does to it; so the steps whose
    trusted state is the one after them tell the height with the least knowledge of the
    curve, and the others are used only where those are few.
    """
    offsets = window_offsets()
    gap = np.diff(windows.last)[:, None].astype(np.float64)
    none = np.full((1, 1), np.inf)
    left, right = np.concatenate((none, gap)), np.concatenate((gap, none))
    clear = np.minimum(_SETTLED_BEFORE, 0.35 * left)
    early = windows.valid & (offsets <= -clear) & (offsets >= clear - left)
    model = np.where(early, 1.0 - curve, 0.0)
    power = np.einsum("ij,ij->i", model, model)
    upper = np.einsum("ij,ij->i", model, 1.0 - scaled) / np.maximum(power, 1e-9)
    after = windows.from_after & (power > 0.5)
    along = windows.last.astype(np.float64)
    if np.count_nonzero(after) * 4 >= after.shape[0]:
        return fit_track(along[after], (height * upper)[after], along)
    late = windows.valid & (offsets >= _SETTLED_AFTER) & (offsets <= right - _SETTLED_BEFORE)
    model = np.where(late, curve, 0.0)
    power = np.einsum("ij,ij->i", model, model)
    lower = np.einsum("ij,ij->i", model, scaled) / np.maximum(power, 1e-9)
    return fit_track(along, np.where(power > 0.5, height * lower, height))
