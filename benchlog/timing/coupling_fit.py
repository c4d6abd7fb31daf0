"""Corner and order of an input's AC coupling, from any train of pulses.

The wave that the edges make (`benchlog.timing.wave`) is sent through none, one or two
first-order high passes, and the corners are those that leave the least of the recording
unexplained. Offset, hum and what the coupling remembers of the time before the recording are
fitted along (they are linear, so that only the corners are searched: variable projection).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.wave import couple

__all__ = ["CouplingFit", "couple_all", "fit_coupling", "thin"]

_GRID_HZ = np.geomspace(0.4, 1600.0, 16)
_ROUNDS = 12
_STEP = 1e-3
_SIGNIFICANT = 25.0
"""Fall of the sum of squares, in variances, that another stage must bring: 5 sigma."""

_VAGUE = 0.35
"""A second corner less certain than this (relative) is not told."""

FloatArray = NDArray[np.float64]
_Corners = Callable[[FloatArray], tuple[float, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class CouplingFit:
    """How an input is coupled, and what that explains of a recording.

    Attributes
    ----------
    corners_hz : tuple of float
        None (DC-coupled), one or two corners, the higher first.
    u_corners_hz : tuple of float
        Their standard uncertainties.
    step : float
        Height of the step behind the edges, units of full scale, with its sign.
    rest_squares, rest_variance : float
        Sum of squares that is left over, and the variance with which it counts.
    explained : float
        Share of the recording's variance (offset and hum left out) that the wave explains.
    slow : numpy.ndarray
        What is no part of the wave at every sample of the thinned recording: offset, hum,
        and what the coupling remembers of the time before.
    hum : numpy.ndarray
        The hum among it, same shape.
    line_peaks : numpy.ndarray
        Peak of each of the hum's lines, the fundamental first; shape (0,) without hum.
    """

    corners_hz: tuple[float, ...]
    u_corners_hz: tuple[float, ...]
    step: float
    rest_squares: float
    rest_variance: float
    explained: float
    slow: FloatArray
    hum: FloatArray
    line_peaks: FloatArray


def thin(values: FloatArray, factor: int) -> FloatArray:
    """Average runs of `factor` samples; a shorter last run is left out."""
    count = values.shape[0] // factor
    result: FloatArray = values[: count * factor].reshape(count, factor).mean(axis=1)
    return result


def couple_all(wave: FloatArray, corners_hz: tuple[float, ...], rate_hz: float) -> FloatArray:
    """Send a wave through none, one or two first-order high passes.

    Parameters
    ----------
    wave : numpy.ndarray
        Shape (n,).
    corners_hz : tuple of float
        Their corners.
    rate_hz : float
        Samples per second.

    Returns
    -------
    numpy.ndarray
        Shape (n,).
    """
    if not corners_hz:
        return wave
    if len(corners_hz) == 1:
        return couple(wave, corners_hz[0], rate_hz)
    a, b = _apart(corners_hz)
    result: FloatArray = (a * couple(wave, a, rate_hz) - b * couple(wave, b, rate_hz)) / (a - b)
    return result


def _hum_columns(time_s: FloatArray, hum_hz: float | None, harmonics: int) -> FloatArray:
    """Return the columns of the offset and of a hum's lines, shape (n, 1 + 2 harmonics)."""
    columns = [np.ones(time_s.shape[0])]
    for number in range(1, harmonics + 1 if hum_hz else 1):
        turn = 2.0 * np.pi * number * float(hum_hz or 0.0) * time_s
        columns += [np.cos(turn), np.sin(turn)]
    return np.stack(columns, axis=1)


def fit_coupling(
    recorded: FloatArray,
    wave: FloatArray,
    rate_hz: float,
    factor: int,
    *,
    hum_hz: float | None = None,
    harmonics: int = 0,
    most_stages: int = 2,
    start_hz: tuple[float, ...] = (),
    twin_square: float = 0.0,
) -> CouplingFit:
    """Fit the corners of the coupling.

    Parameters
    ----------
    recorded : numpy.ndarray
        The recording, thinned by `factor`, shape (n,).
    wave : numpy.ndarray
        The wave of the edges, from `lay_wave`, not thinned, shape (n factor,).
    rate_hz : float
        Samples per second before thinning.
    factor : int
        The thinning.
    hum_hz : float, optional
        Fundamental of a hum that is fitted along.
    harmonics : int
        Lines of that hum.
    most_stages : int
        0 to 2.
    start_hz : tuple of float
        Corners near which to look; none looks everywhere.
    twin_square : float
        Two corners whose logarithms differ by less than the root of this are told as equal:
        an error of the edge's shape draws equal corners apart by so much.

    Returns
    -------
    CouplingFit
        Of the fewest stages that explain the recording.
    """
    problem = _Problem(recorded, wave, rate_hz, factor, hum_hz, harmonics)
    best = problem.solve(())
    if most_stages >= 1:
        best = _better(problem, best, _refine_one(problem, start_hz))
    if most_stages >= 2 and best.corners_hz:
        best = _better(problem, best, _refine_two(problem, start_hz, twin_square))
    return problem.finish(best)


@dataclass(frozen=True, slots=True, eq=False)
class _Solution:
    """A choice of corners, what is left over with it, and the step that goes with it."""

    corners_hz: tuple[float, ...]
    u_corners_hz: tuple[float, ...]
    rest: FloatArray
    step: float
    vague: bool = False

    @property
    def squares(self) -> float:
        """Sum of squares that is left over."""
        return float(self.rest @ self.rest)


class _Problem:
    """The linear part: everything but the corners."""

    def __init__(
        self,
        recorded: FloatArray,
        wave: FloatArray,
        rate_hz: float,
        factor: int,
        hum_hz: float | None,
        harmonics: int,
    ) -> None:
        self.recorded = recorded
        self._wave, self._rate_hz, self._factor = wave, rate_hz, factor
        self.time_s: FloatArray = np.arange(recorded.shape[0], dtype=np.float64) * (
            factor / rate_hz
        )
        self._columns = _hum_columns(self.time_s, hum_hz, harmonics)
        self._base, _ = np.linalg.qr(self._columns)
        self.target = self.project(recorded)

    def project(self, column: FloatArray) -> FloatArray:
        """Take offset and hum out of a column."""
        result: FloatArray = column - self._base @ (self._base.T @ column)
        return result

    def answer(self, corner_hz: float) -> FloatArray:
        """Return the wave behind one high pass, thinned."""
        return thin(couple(self._wave, corner_hz, self._rate_hz), self._factor)

    def memory(self, corner_hz: float) -> FloatArray:
        """Return how what was before the recording dies out."""
        result: FloatArray = np.exp(-2.0 * np.pi * corner_hz * self.time_s)
        return result

    def columns(self, corners_hz: tuple[float, ...]) -> list[FloatArray]:
        """Return the columns that depend on the corners: the wave's, then the memories'."""
        wave = thin(couple_all(self._wave, corners_hz, self._rate_hz), self._factor)
        if len(corners_hz) == 2:
            corners_hz = _apart(corners_hz)
        return [wave, *(self.memory(corner) for corner in corners_hz)]

    def solve(self, corners_hz: tuple[float, ...]) -> _Solution:
        """Fit everything else for given corners."""
        table = np.stack([self.project(column) for column in self.columns(corners_hz)], axis=1)
        weights = np.linalg.lstsq(table.T @ table, table.T @ self.target, rcond=1e-12)[0]
        rest = self.target - table @ weights
        return _Solution(corners_hz, (0.0,) * len(corners_hz), rest, float(weights[0]))

    def finish(self, best: _Solution) -> CouplingFit:
        """Lay the whole fit out."""
        table = np.concatenate(
            (np.stack(self.columns(best.corners_hz), axis=1), self._columns), axis=1
        )
        weights = np.linalg.lstsq(table, self.recorded, rcond=1e-10)[0]
        own = table.shape[1] - self._columns.shape[1]
        lines, turned = self._columns[:, 1:], weights[own + 1 :]
        whole = float(self.target @ self.target)
        return CouplingFit(
            corners_hz=best.corners_hz,
            u_corners_hz=best.u_corners_hz,
            step=float(weights[0]),
            rest_squares=best.squares,
            rest_variance=self.unit_variance(best),
            explained=1.0 - best.squares / whole if whole > 0 else 0.0,
            slow=table[:, 1:] @ weights[1:],
            hum=lines @ turned,
            line_peaks=np.hypot(turned[0::2], turned[1::2]),
        )

    def unit_variance(self, solution: _Solution) -> float:
        """Return the variance of what is left over as it counts for an estimate.

        What is left is not always white, so its variance is taken from the means of
        stretches as long as a usual cycle as well as from single samples.
        """
        rest = solution.rest
        single = float(np.mean(rest**2))
        length = max(1, round(0.02 * self._rate_hz / self._factor))
        means = thin(rest, length) if rest.shape[0] >= 2 * length else rest
        return max(single, length * float(np.mean(means**2)), 1e-24)


def _apart(corners_hz: tuple[float, ...]) -> tuple[float, float]:
    """Draw two corners that are equal apart by what does not show."""
    a, b = max(corners_hz), min(corners_hz)
    if a / b < 1.0 + 2e-3:
        middle = math.sqrt(a * b)
        return middle * (1.0 + 1e-3), middle * (1.0 - 1e-3)
    return a, b


def _better(problem: _Problem, fewer: _Solution, more: _Solution) -> _Solution:
    """Keep the solution with more stages where they are needed."""
    gain = fewer.squares - more.squares
    needed = gain > _SIGNIFICANT * problem.unit_variance(more)
    return more if needed and not more.vague else fewer


def _refine_one(problem: _Problem, near_hz: tuple[float, ...]) -> _Solution:
    """Find the one corner."""
    places = (sum(near_hz),) if near_hz else _GRID_HZ.tolist()
    grid = [problem.solve((float(corner),)) for corner in places]
    start = min(grid, key=lambda one: one.squares)

    def corners(point: FloatArray) -> tuple[float, ...]:
        return (float(np.exp(np.clip(point[0], -4.0, 8.0))),)

    _, cover, found = _descend(problem, np.log(np.array(start.corners_hz)), corners)
    u = found.corners_hz[0] * math.sqrt(cover[0, 0])
    return _Solution(found.corners_hz, (u,), found.rest, found.step)


def _refine_two(problem: _Problem, near_hz: tuple[float, ...], twin_square: float) -> _Solution:
    """Find two corners, told by their middle and the square of their distance (in logarithms).

    Two corners may be exchanged, so that near equal ones only the square is well determined.
    """
    if len(near_hz) == 2:
        return _settle_two(problem, (max(near_hz), min(near_hz)), twin_square)
    answers = [problem.project(problem.answer(float(c))) for c in _GRID_HZ]
    memories = [problem.project(problem.memory(float(c))) for c in _GRID_HZ]
    table = np.stack([*answers, *memories], axis=1)
    gram, right = table.T @ table, table.T @ problem.target
    best, start = math.inf, (20.0, 1.0)
    for low, high in combinations(range(_GRID_HZ.shape[0]), 2):
        squares = _pair_squares(gram, right, low, high)
        if squares < best:
            best, start = squares, (float(_GRID_HZ[high]), float(_GRID_HZ[low]))
    return _settle_two(problem, start, twin_square)


def _pair_squares(gram: FloatArray, right: FloatArray, low: int, high: int) -> float:
    """Return minus the sum of squares that a pair of corners of the grid explains."""
    count = _GRID_HZ.shape[0]
    mix = np.zeros((2 * count, 3))
    a, b = _GRID_HZ[high], _GRID_HZ[low]
    mix[high, 0], mix[low, 0] = a / (a - b), -b / (a - b)
    mix[count + high, 1] = mix[count + low, 2] = 1.0
    small, side = mix.T @ gram @ mix, mix.T @ right
    return -float(side @ np.linalg.lstsq(small, side, rcond=1e-10)[0])


def _settle_two(problem: _Problem, start: tuple[float, float], twin_square: float) -> _Solution:
    """Refine two corners from a first guess."""

    def corners(point: FloatArray) -> tuple[float, ...]:
        half = 0.5 * math.sqrt(max(float(point[1]), 0.0))
        middle = float(np.clip(point[0], -4.0, 8.0))
        return math.exp(min(middle + half, 9.0)), math.exp(max(middle - half, -6.0))

    logs = np.log(np.array(start))
    begin = np.array([logs.mean(), (logs[0] - logs[1]) ** 2])
    point, cover, found = _descend(problem, begin, corners)
    square, u_square = max(float(point[1]), 0.0), math.sqrt(cover[1, 1])
    if square < max(twin_square, min(2.0 * u_square, 0.5)):
        twin = math.exp(float(point[0]))
        found = problem.solve((twin, twin))
        u = twin * math.sqrt(cover[0, 0])
        return _Solution((twin, twin), (u, u), found.rest, found.step, vague=u > _VAGUE * twin)
    distance = math.sqrt(max(square, 1e-6))
    slope = np.array([[1.0, 0.25 / distance], [1.0, -0.25 / distance]])
    logs_u = np.sqrt(np.diag(slope @ cover @ slope.T))
    high, low = found.corners_hz
    u_corners = (high * float(logs_u[0]), low * float(logs_u[1]))
    vague = float(logs_u.max()) > _VAGUE or low < 0.05
    return _Solution(found.corners_hz, u_corners, found.rest, found.step, vague=vague)


def _descend(
    problem: _Problem, point: FloatArray, corners: _Corners
) -> tuple[FloatArray, FloatArray, _Solution]:
    """Gauss-Newton with damping; return the point, its covariance and the solution there."""
    current = problem.solve(corners(point))
    damping = 1e-3
    normal = np.eye(point.shape[0])
    for _ in range(_ROUNDS):
        slopes = _slopes(problem, point, corners, current)
        normal = slopes.T @ slopes
        lead = slopes.T @ current.rest
        move = -np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-30), lead)
        trial_point = point + np.clip(move, -1.0, 1.0)
        trial = problem.solve(corners(trial_point))
        if trial.squares > current.squares:
            damping = min(damping * 30.0, 1e6)
            continue
        done = float(np.max(np.abs(trial_point - point))) < 1e-5
        point, current, damping = trial_point, trial, damping / 10.0
        if done:
            break
    slopes = _slopes(problem, point, corners, current)
    normal = slopes.T @ slopes
    ridge = 1e-12 * np.trace(normal) * np.eye(point.shape[0]) + 1e-30 * np.eye(point.shape[0])
    cover = problem.unit_variance(current) * np.linalg.inv(normal + ridge)
    return point, cover, current


def _slopes(
    problem: _Problem, point: FloatArray, corners: _Corners, current: _Solution
) -> FloatArray:
    """Return how what is left over changes with each coordinate."""
    columns = []
    for axis in range(point.shape[0]):
        moved = point.copy()
        moved[axis] += _STEP
        columns.append((problem.solve(corners(moved)).rest - current.rest) / _STEP)
    return np.stack(columns, axis=1)
