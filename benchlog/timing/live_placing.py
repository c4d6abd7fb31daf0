"""The one place where the live measurement leans on how edges are found and timed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.detection import Steps, find_steps
from benchlog.timing.learning import InputModel, learn_input
from benchlog.timing.placing import time_steps

__all__ = [
    "InputModel",
    "PlacedEdges",
    "Sag",
    "TimedEdges",
    "learn_edges",
    "place_roughly",
    "time_edges",
]

_SMALLEST_SHARE = 0.4
_CENTRE = 3  # averages on either side of a step that its transition may colour
_BESIDE = 4  # averages beyond those that tell the level

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Sag:
    """How the levels beside a step sag, as all steps of a stretch together show it.

    Attributes
    ----------
    beside : int
        Averages that tell a level.
    before, after : numpy.ndarray
        Slopes per average before and after a step, shape (2,): falling and rising steps.
    """

    beside: int
    before: FloatArray
    after: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class PlacedEdges:
    """Edges placed roughly: good for seeing change, not for figures.

    Attributes
    ----------
    place : numpy.ndarray
        In samples from the stretch's start, shape (n,).
    rising : numpy.ndarray
        Shape (n,), bool.
    sag : Sag
        What they were placed with.
    """

    place: FloatArray
    rising: NDArray[np.bool_]
    sag: Sag


@dataclass(frozen=True, slots=True, eq=False)
class TimedEdges:
    """Edges timed as well as they can be.

    Attributes
    ----------
    place, u : numpy.ndarray
        In samples from the stretch's start, and standard uncertainty, shape (n,).
    rising : numpy.ndarray
        Shape (n,), bool.
    step : float
        Their usual height in units of full scale; 0 where there are none.
    """

    place: FloatArray
    u: FloatArray
    rising: NDArray[np.bool_]
    step: float


def learn_edges(
    values: NDArray[np.float32], averages: NDArray[np.float32], factor: int, rate_hz: float
) -> tuple[int, InputModel | None]:
    """Learn how an input shows an edge.

    Parameters
    ----------
    values, averages : numpy.ndarray
        Samples of one input, and the same decimated by `factor`.
    factor : int
        The decimation.
    rate_hz : float
        Samples per second.

    Returns
    -------
    count : int
        Edges that were seen.
    model : InputModel or None
        None where there were none.
    """
    steps = find_steps(averages)
    count = int(steps.index.shape[0])
    if count == 0:
        return 0, None
    return count, learn_input(values, averages, steps, factor, rate_hz)


def place_roughly(
    averages: NDArray[np.float32], factor: int, model: InputModel | None, sag: Sag | None = None
) -> PlacedEdges:
    """Place edges by the area under them.

    Parameters
    ----------
    averages : numpy.ndarray
        Decimated samples of one input.
    factor : int
        The decimation.
    model : InputModel or None
        What is known of the input; steps far smaller than its edges are left out.
    sag : Sag or None
        From a longer stretch of the same input; found from this one if None.

    Returns
    -------
    PlacedEdges
        Off by the same small amount each as long as nothing changes, and hardly
        affected by where an edge falls between samples.
    """
    steps = _worthy(find_steps(averages), model)
    index = steps.index
    if sag is None:
        apart = int(np.diff(index).min()) if index.shape[0] > 1 else _CENTRE + _BESIDE + 1
        beside = min(max(apart - _CENTRE - 1, 1), _BESIDE)
    else:
        beside = sag.beside
    reach = _CENTRE + beside
    inside = (index >= reach) & (index < averages.shape[0] - reach)
    index = index[inside]
    rising = steps.height[inside] > 0
    table = averages[index[:, None] + np.arange(-reach, reach + 1)].astype(np.float64)
    if sag is None:
        sag = Sag(beside, *_find_slopes(table, rising, beside))
    return PlacedEdges((index + 0.5 + _step_places(table, rising, sag)) * factor, rising, sag)


def _find_slopes(
    table: FloatArray, rising: NDArray[np.bool_], beside: int
) -> tuple[FloatArray, FloatArray]:
    """Return the usual slopes before and after falling and rising steps, per column."""
    half = beside // 2
    slopes = np.zeros((2, 2))
    if half:
        for side in (0, 1):
            rows = table[rising == bool(side)]
            if rows.shape[0]:
                for place, level in enumerate((rows[:, :beside], rows[:, -beside:])):
                    rise = float((level[:, -half:] - level[:, :half]).mean())
                    slopes[place, side] = rise / (beside - half)
    return slopes[0], slopes[1]


def _step_places(table: FloatArray, rising: NDArray[np.bool_], sag: Sag) -> FloatArray:
    """Place the step in each row, in columns from the middle one, shape (n,).

    Between the levels beside a step, their sag taken into account, the area under the step tells
    where it is.
    """
    side = rising.astype(np.intp)
    slope_before, slope_after = sag.before[side], sag.after[side]
    beside = sag.beside
    away = _CENTRE + 0.5 * (beside + 1)  # from the middle column to the middle of a level
    low = table[:, :beside].sum(axis=1) / beside + away * slope_before
    high = table[:, -beside:].sum(axis=1) / beside - away * slope_after
    rise = high - low
    rise[rise == 0.0] = 1.0
    middle = table[:, beside:-beside]
    area = middle.shape[1] * high - middle.sum(axis=1)  # the slope after it cancels out
    bend = 0.5 * (slope_after - slope_before)
    edge = _CENTRE + 0.5
    place = area / rise - edge
    result: FloatArray = (area - bend * (place**2 - edge**2)) / rise - edge
    return result


def time_edges(
    values: NDArray[np.float32],
    averages: NDArray[np.float32],
    factor: int,
    rate_hz: float,
    model: InputModel,
) -> TimedEdges:
    """Find and time the edges of a stretch.

    Parameters
    ----------
    values, averages : numpy.ndarray
        Samples of one input, and the same decimated by `factor`.
    factor : int
        The decimation.
    rate_hz : float
        Samples per second.
    model : InputModel
        From `learn_edges`.

    Returns
    -------
    TimedEdges
        In ascending order.
    """
    steps = _worthy(find_steps(averages), model)
    timed = time_steps(values, averages, steps, factor, rate_hz, model)
    order = np.argsort(timed.place, kind="stable")
    step = float(np.median(np.abs(steps.height))) if steps.height.shape[0] else 0.0
    return TimedEdges(timed.place[order], timed.u[order], timed.rising[order], step)


def _worthy(steps: Steps, model: InputModel | None) -> Steps:
    """Leave out steps that are far smaller than the input's edges."""
    if model is None or steps.index.shape[0] == 0:
        return steps
    keep = np.abs(steps.height) > _SMALLEST_SHARE * model.step
    if keep.all():
        return steps
    return Steps(steps.index[keep], steps.height[keep], steps.noise)
