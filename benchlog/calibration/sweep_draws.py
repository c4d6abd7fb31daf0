"""What a fit leaves open: draws of the unknowns inside their limits, and the evidence for it.

The fit's linear model is a normal distribution of the unknowns. Their limits cut a box out of it,
and the knob's reading is a rectangle rather than a normal distribution. Draws follow both; the mean
of their weights is the evidence: the probability density of what was measured, all that is
unknown averaged over its limits. The draws are then moved from the linear model to the true one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.box_posterior import draw_in_box
from benchlog.calibration.knob_reading import (
    LOG_2PI,
    Reading,
    log_normal,
    log_reading,
    with_knob,
)
from benchlog.calibration.point import ROOT3
from benchlog.calibration.sweep_fit import FREE_SPREAD, Fit, hold_places, normal_equations

__all__ = ["Weighed", "draw_loosely", "follow_curve", "rate_fit", "weigh_fit"]

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """A fit with its limits taken as a box.

    Attributes
    ----------
    fit : Fit
        The fit.
    at : numpy.ndarray
        Draws of the unknowns' places, shape (s, n).
    log_weight : numpy.ndarray
        Logarithms of their weights, shape (s,).
    log_evidence : float
        Logarithm of the probability density of what was measured under this supposition.
    """

    fit: Fit
    at: Values
    log_weight: Values
    log_evidence: float


def weigh_fit(
    fit: Fit,
    log_prior: Callable[[Values], Values] | None = None,
    *,
    count: int = 1024,
    enough: float = 100.0,
) -> Weighed:
    """Take a fit's limits for a box, and the knob's reading for a rectangle.

    Parameters
    ----------
    fit : Fit
        The fit.
    log_prior : callable, optional
        Logarithm of the density of unknowns without limits, as a function of the places of all,
        shape (s, n); it returns shape (s,).
    count : int
        How many draws.
    enough : float
        Where they tell less than so many equally weighted ones, there are eight times as many.

    Returns
    -------
    Weighed
        Draws and evidence, on the fit's linear model.

    Notes
    -----
    Draws come from a wide normal distribution times the fit, cut to the box; their weights put
    right what was too much (importance sampling).
    """
    weighed = _weigh(fit, log_prior, count)
    if _effective_count(weighed.log_weight) < enough:
        weighed = _weigh(fit, log_prior, _MORE * count)
    return weighed


_MORE = 8


def _effective_count(log_weight: Values) -> float:
    """Return how many equally weighted draws tell as much."""
    top = float(np.max(log_weight))
    if not math.isfinite(top):
        return 0.0
    weight = np.exp(log_weight - top)
    return float(np.sum(weight) ** 2 / np.sum(weight**2))


def _weigh(fit: Fit, log_prior: Callable[[Values], Values] | None, count: int) -> Weighed:
    """Draw under each supposition of the stops, as many as it deserves."""
    cases = _list_cases(fit)
    likely = np.exp([case.log_share - cases[0].log_share for case in cases])
    shares = likely / np.sum(likely)
    drawn = [
        _weigh_case(fit, case, log_prior, max(int(count * share), count // 8))
        for case, share in zip(cases, shares, strict=True)
    ]
    at = np.concatenate([one[0] for one in drawn])
    log_weight = np.concatenate([one[1] for one in drawn])
    return Weighed(fit, at, log_weight, _log_sum(log_weight))


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
    """One supposition of which positions stood right at an end of the track.

    Attributes
    ----------
    reading : Reading
        The reading under it.
    log_chance : float
        Logarithm of its chance beforehand.
    log_share : float
        Logarithm of about how well it fits, for comparison with the others.
    """

    reading: Reading
    log_chance: float
    log_share: float


_CASES = 8
_UNSURE_ENDS = 6


def _list_cases(fit: Fit) -> list[_Case]:
    """Return the likeliest suppositions of which positions stood at an end, best first."""
    reading = fit.reading
    inside = 1.0 - reading.at_low - reading.at_high
    options: list[tuple[int, list[tuple[float, float, float]]]] = []
    for i in range(inside.shape[0]):
        if max(reading.at_low[i], reading.at_high[i]) == 0.0:
            continue
        low, high = reading.low_deg[i], reading.high_deg[i]
        ways = [(reading.at_low[i], low, low), (reading.at_high[i], high, high)]
        options.append((i, [way for way in (*ways, (inside[i], low, high)) if way[0] > 0.0]))
    if sum(len(ways) > 1 for _, ways in options) > _UNSURE_ENDS:
        options = []  # too many to tell apart: the mixture is weighed as a whole
    cases = []
    for chosen in itertools.product(*(ways for _, ways in options)):
        low, high = reading.low_deg.copy(), reading.high_deg.copy()
        for (i, _), (_, start, end) in zip(options, chosen, strict=True):
            low[i], high[i] = start, end
        if options or not np.any(reading.at_low + reading.at_high):
            zero = np.zeros_like(low)
            mean, sd = 0.5 * (low + high), (high - low) / (2.0 * ROOT3)
            case = Reading(mean, sd, low, high, zero, zero)
        else:
            case = reading
        log_chance = float(sum(math.log(share) for share, _, _ in chosen))
        cases.append(_Case(case, log_chance, log_chance + _rate_case(fit, case)))
    cases.sort(key=lambda case: -case.log_share)
    return [case for case in cases[:_CASES] if case.log_share > cases[0].log_share - 8.0]


def rate_fit(fit: Fit) -> float:
    """Return the log density of what was measured, limits taken as normal distributions.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    float
        For unknowns without limits, whose density beforehand is the caller's to add, as if
        each place were as likely as any.
    """
    rated = np.array([case.log_share for case in _list_cases(fit)])
    free = sum(not place.is_bounded for place in fit.problem.places)
    flat = free * (0.5 * LOG_2PI + math.log(FREE_SPREAD))
    return _log_sum(rated) + _log_roots(fit.root) + flat


def _rest_of(fit: Fit, reading: Reading) -> Values:
    """Return what is left with the knob at the mean of another reading, shape (p, 2)."""
    moved = (reading.mean_deg - fit.reading.mean_deg)[:, None]
    return np.asarray(fit.rest - fit.knob_slope * moved)


def _rate_case(fit: Fit, reading: Reading) -> float:
    """Return the log density of what was measured, all limits taken as normal distributions."""
    places = fit.problem.places
    hold = np.maximum(hold_places(places), FREE_SPREAD**-2)
    middle = np.array(
        [p.middle if p.is_bounded else a for p, a in zip(places, fit.at, strict=True)]
    )
    spread = with_knob(fit.knob_slope, reading)
    rest = _rest_of(fit, reading) - fit.slope @ (middle - fit.at)
    matrix, pull = normal_equations(fit.slope, rest, spread)
    precision = matrix + np.diag(hold)
    gain = float(pull @ np.linalg.solve(precision, pull))
    size = np.linalg.slogdet(precision)[1] - float(np.sum(np.log(hold)))
    return float(log_normal(rest, spread)) + 0.5 * gain - 0.5 * float(size)


def _weigh_case(
    fit: Fit, case: _Case, log_prior: Callable[[Values], Values] | None, count: int
) -> tuple[Values, Values]:
    """Draw under one supposition; the sum of the weights is its evidence."""
    places, reading = fit.problem.places, case.reading
    bounded = np.array([place.is_bounded for place in places])
    reach = np.array([0.5 * (p.high - p.low) if p.is_bounded else 1.0 for p in places])
    middle = np.where(bounded, [place.middle for place in places], fit.at)
    loose = np.where(bounded, 1.0 / (3.0 * reach) ** 2, FREE_SPREAD**-2)
    spread = with_knob(fit.knob_slope, reading)
    rest = _rest_of(fit, reading)
    matrix, pull = normal_equations(fit.slope, rest, spread)
    precision = matrix + np.diag(loose)
    step = np.linalg.solve(precision, pull + loose * (middle - fit.at))
    mean = fit.at + step
    low = np.array([place.low for place in places])
    high = np.array([place.high for place in places])
    drawn = draw_in_box(mean, precision, low, high, count)
    at = drawn.place
    log_weight = drawn.log_weight + 0.5 * ((at - middle) ** 2 @ loose)
    for i, place in enumerate(places):
        log_weight = log_weight + place.log_density(at[:, i])
    if log_prior is not None:
        log_weight = log_weight + log_prior(at)
    left = rest - np.einsum("pin,sn->spi", fit.slope, at - fit.at)
    log_weight = log_weight + log_reading(left, fit.knob_slope, reading)
    log_weight = log_weight - log_normal(left, spread)
    peak = (
        -0.5 * float(np.sum(loose * (mean - middle) ** 2))
        + float(log_normal(rest - fit.slope @ step, spread))
        + _log_roots(fit.root)
    )
    volume = 0.5 * mean.shape[0] * LOG_2PI - 0.5 * float(np.linalg.slogdet(precision)[1])
    return at, log_weight + (peak + volume + case.log_chance - math.log(count))


def _log_sum(log_values: Values) -> float:
    """Return the logarithm of the sum of what the logarithms stand for."""
    top = float(np.max(log_values))
    if not math.isfinite(top):
        return -math.inf
    return top + math.log(float(np.sum(np.exp(log_values - top))))


def _log_roots(root: Values) -> float:
    """Return the log density's share of the measurement's own units."""
    return float(np.sum(np.log(np.abs(np.linalg.det(root)))))


def follow_curve(weighed: Weighed, picked: NDArray[np.intp]) -> Values:
    """Move draws from the linear model onto the true one.

    Parameters
    ----------
    weighed : Weighed
        The draws.
    picked : numpy.ndarray
        Which of them, shape (s,).

    Returns
    -------
    numpy.ndarray
        Places at which the true model leaves about what the linear one left, shape (s, n).
    """
    fit = weighed.fit
    at = weighed.at[picked]
    rest = fit.rest - np.einsum("pin,sn->spi", fit.slope, at - fit.at)
    logs = fit.problem.predict(at, fit.reading.mean_deg)
    true = np.einsum("pij,spj->spi", fit.root, fit.problem.sweep.logs - logs)
    apart = np.where(np.abs(logs) < 11.0, true - rest, 0.0)
    spread = fit.spread()
    matrix, _ = normal_equations(fit.slope, fit.rest, spread)
    hold = np.maximum(hold_places(fit.problem.places), FREE_SPREAD**-2)
    pull = np.einsum("pin,pij,spj->sn", fit.slope, np.linalg.inv(spread), apart)
    return np.asarray(at + np.linalg.solve(matrix + np.diag(hold), pull.T).T)


def draw_loosely(fit: Fit, count: int) -> Weighed:
    """Draw from a fit whose limits nothing satisfies, all of them taken as normal distributions.

    Parameters
    ----------
    fit : Fit
        The fit.
    count : int
        How many draws, equally weighted; the same for the same fit.

    Returns
    -------
    Weighed
        Draws; the evidence is minus infinity.
    """
    matrix, _ = normal_equations(fit.slope, fit.rest, fit.spread())
    hold = np.maximum(hold_places(fit.problem.places), 1.0)
    factor = np.linalg.cholesky(np.linalg.inv(matrix + np.diag(hold)))
    normal = np.random.default_rng(555).standard_normal((count, fit.at.shape[0]))
    return Weighed(fit, fit.at + normal @ factor.T, np.zeros(count), -math.inf)
