"""From steps to edge times, with what is known of the input."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.detection import Steps, cut_rows, refine_steps
from benchlog.timing.learning import (
    InputModel,
    clean_stretch,
    first_places,
    trust_levels,
)
from benchlog.timing.levels import fit_track
from benchlog.timing.matched import FILTER_HALF, Marks
from benchlog.timing.shape import HALF_WINDOW, cross_edges

__all__ = ["TimedSteps", "time_steps"]

FloatArray = NDArray[np.float64]


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
    share : numpy.ndarray
        Height of each edge as a share of the usual one beside it.
    """

    place: FloatArray
    rising: NDArray[np.bool_]
    u: FloatArray
    share: FloatArray


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
    values, averages = clean_stretch(values, averages, steps, factor, rate_hz, model)
    last, area = refine_steps(values, averages, steps, factor)
    trusted = trust_levels(averages, steps, last, area, factor, rate_hz, model.coupling)
    level, from_after = trusted.level, trusted.from_after
    sign = np.sign(steps.height)
    along = last.astype(np.float64)
    height = fit_track(along, np.abs(steps.height))
    cut = cut_rows(values, last - FILTER_HALF + 1, 2 * FILTER_HALF)
    marks = Marks(last, cut, sign, level, from_after, trusted.slope)
    near = marks.cut[:, FILTER_HALF - 1 : FILTER_HALF + 1].astype(np.float64)
    scaled = (near - level[:, None]) * (sign / height)[:, None] + from_after[:, None]
    place = first_places(scaled[:, 0], scaled[:, 1])
    share = np.abs(steps.height) / height
    if model.filter is None:
        wide = cut_rows(values, last - HALF_WINDOW + 1, 2 * HALF_WINDOW)
        away = (wide - level[:, None]) * (sign / height)[:, None] + from_after[:, None]
        place = cross_edges(away, place)
    else:
        place = model.filter.place(marks, place, height)
        seen = model.filter.heights(marks, place, height)
        height = fit_track(along, seen)
        share = seen / height
        for _ in range(2):
            place = model.filter.place(marks, place, height)
    white = model.noise**2 / (height**2 * model.energy)
    averaged = model.noise**2 / (factor * trusted.weight * (height * model.energy) ** 2)
    return TimedSteps(last + place, sign > 0, np.sqrt(white + averaged), share)
