"""A sweep fitted by its unknowns.

A Gauss-Newton fit of ln(on) and ln(off), each unknown held as by a normal distribution with the
standard deviation of its limits: what is known beforehand counts as further observations (a fit
by least squares as in JCGM 100:2008, H.3). `sweep_draws` then takes the limits for what they are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.knob_reading import Reading, read_knob, with_knob
from benchlog.calibration.sweep_data import Sweep
from benchlog.calibration.sweep_model import Place, predict_logs
from benchlog.channel.plan import Design

__all__ = ["FREE_SPREAD", "Fit", "Problem", "fit_sweep", "hold_places", "normal_equations"]

Values = NDArray[np.float64]

_ROUNDS = 25
_PATIENCE = 4
_STEP = 1e-3
_DONE = 1e-4
_LEAST_SHARE = 0.01
FREE_SPREAD = 30.0
"""Standard deviation by which an unknown without limits is held in the linear algebra."""


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """What is fitted to what.

    Attributes
    ----------
    design : Design
        The design, wired as supposed.
    sweep : Sweep
        What was measured.
    places : tuple of Place
        The unknowns.
    antilog : bool
        Whether the knob's track is supposed to be a log one seen from its other end.
    """

    design: Design
    sweep: Sweep
    places: tuple[Place, ...]
    antilog: bool = False

    def predict(self, at: Values, knob_deg: Values) -> Values:
        """Return ln(on) and ln(off), shape (s, p, 2)."""
        return predict_logs(
            self.design, self.sweep, self.places, at, knob_deg, antilog=self.antilog
        )


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A best fit and the straight model around it; n unknowns, p positions.

    Attributes
    ----------
    problem : Problem
        What was fitted.
    reading : Reading
        Where the knob truly stood.
    at : numpy.ndarray
        Places of the unknowns, shape (n,).
    root : numpy.ndarray
        Inverse Cholesky factor of the measurement's covariance, shape (p, 2, 2).
    rest : numpy.ndarray
        Measured less fitted, in units of `root`, the knob at the mean of its reading, shape (p, 2).
    slope : numpy.ndarray
        Change of the fitted by each unknown, in the same units, shape (p, 2, n).
    knob_slope : numpy.ndarray
        The same by the knob's angle, per degree, shape (p, 2).
    cost : float
        Chi-square: misfit and how far the unknowns lie off their middles.
    misfit : float
        The share of the measurements in it.
    """

    problem: Problem
    reading: Reading
    at: Values
    root: Values
    rest: Values
    slope: Values
    knob_slope: Values
    cost: float
    misfit: float

    def spread(self) -> Values:
        """Return the covariance of `rest`, the knob's reading included, shape (p, 2, 2)."""
        return with_knob(self.knob_slope, self.reading)


def fit_sweep(problem: Problem, start: Values | None = None, *, give_up: float = math.inf) -> Fit:
    """Fit a sweep by its unknowns.

    Parameters
    ----------
    problem : Problem
        What is fitted to what.
    start : numpy.ndarray, optional
        Places to begin at, shape (n,); the middles where it is not given.
    give_up : float
        A chi-square; a fit that is still worse after some rounds is not pursued.

    Returns
    -------
    Fit
        The best that was come to.
    """
    places = problem.places
    middle = np.array([place.middle for place in places])
    hold = hold_places(places)
    root = np.linalg.inv(np.linalg.cholesky(problem.sweep.covariance))
    reading = read_knob(problem.design, problem.sweep)

    def look(at: Values) -> Fit:
        fit = _linearise(problem, reading, root, at)
        misfit = _misfit(fit.rest, fit.spread())
        cost = misfit + float(np.sum(hold * (fit.at - middle) ** 2))
        return replace(fit, cost=cost, misfit=misfit)

    best = look(_limit(middle if start is None else start, places))
    for round_ in range(_ROUNDS):
        aim = _limit(best.at + _newton_step(best, hold, middle), places)
        share, trial = 1.0, look(aim)
        while not trial.cost < best.cost and share > _LEAST_SHARE:
            share *= 0.4
            trial = look(best.at + share * (aim - best.at))
        gain = best.cost - trial.cost
        if gain > 0.0:
            best = trial
        if gain < _DONE * max(best.cost, 1.0) or (round_ >= _PATIENCE and best.cost > give_up):
            break
    return best


def hold_places(places: Sequence[Place]) -> Values:
    """Return the precision with which each unknown is held to its middle."""
    return np.array([0.0 if not p.is_bounded else p.spread**-2 for p in places])


def _limit(at: Values, places: Sequence[Place]) -> Values:
    """Keep what has limits within twice their width, where the model still makes sense."""
    at = np.array(at, dtype=np.float64)
    for i, place in enumerate(places):
        if place.is_bounded:
            reach = place.high - place.low
            low = place.low if place.low == 0.0 and not place.in_log else place.low - reach
            at[i] = min(max(at[i], low), place.high + reach)
        else:
            at[i] = min(max(at[i], -16.0), 16.0)
    return at


def _linearise(problem: Problem, reading: Reading, root: Values, at: Values) -> Fit:
    """Evaluate the model and its slopes at one place, all in one go."""
    n = len(problem.places)
    knob = problem.design.knob
    first, last = knob.dead_low_deg, knob.travel_deg - knob.dead_high_deg
    low_deg = np.clip(reading.mean_deg - 0.5, first, max(last - 0.25, first))
    high_deg = np.clip(reading.mean_deg + 0.5, min(first + 0.25, last), last)
    settings = np.tile(at, (2 * n + 3, 1))
    steps = np.array([_STEP if place.is_bounded else 0.2 * _STEP for place in problem.places])
    for i in range(n):
        settings[1 + i, i] += steps[i]
        settings[1 + n + i, i] -= steps[i]
    angles = np.tile(reading.mean_deg, (2 * n + 3, 1))
    angles[-2], angles[-1] = low_deg, high_deg
    logs = problem.predict(settings, angles)
    rest = np.einsum("pij,pj->pi", root, problem.sweep.logs - logs[0])
    slopes = (logs[1 : 1 + n] - logs[1 + n : 1 + 2 * n]) / (2.0 * steps[:, None, None])
    slope = np.einsum("pij,npj->pin", root, slopes)
    per_deg = (logs[-1] - logs[-2]) / np.maximum(high_deg - low_deg, 1e-9)[:, None]
    knob_slope = np.einsum("pij,pj->pi", root, per_deg)
    return Fit(problem, reading, at.copy(), root, rest, slope, knob_slope, math.inf, math.inf)


def _misfit(rest: Values, spread: Values) -> float:
    """Return the chi-square of the measurements; shape (p, 2) and (p, 2, 2)."""
    return float(np.sum(rest * np.linalg.solve(spread, rest[..., None])[..., 0]))


def normal_equations(slope: Values, rest: Values, spread: Values) -> tuple[Values, Values]:
    """Return the normal matrix of the measurements and the pull of what is left."""
    n = slope.shape[-1]
    factor = np.linalg.inv(np.linalg.cholesky(spread))
    straight = np.einsum("pij,pjn->pin", factor, slope).reshape(-1, n)
    left = np.einsum("pij,pj->pi", factor, rest).reshape(-1)
    return straight.T @ straight, straight.T @ left


def _newton_step(fit: Fit, hold: Values, middle: Values) -> Values:
    matrix, pull = normal_equations(fit.slope, fit.rest, fit.spread())
    matrix = matrix + np.diag(np.maximum(hold, FREE_SPREAD**-2))
    return np.asarray(np.linalg.solve(matrix, pull - hold * (fit.at - middle)))
