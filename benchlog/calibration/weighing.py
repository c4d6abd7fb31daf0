"""Which supposition explains a sweep: each is fitted and weighed by its evidence.

The evidence of a supposition is the probability density of what was measured under it, all that is
unknown averaged over its limits. So a fault that explains the sweep only with every other part at
the edge of its tolerance counts for less than one that leaves them anywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.chances import chi_square_point
from benchlog.calibration.suppositions import Supposition
from benchlog.calibration.sweep_draws import Weighed, rate_fit, weigh_fit
from benchlog.calibration.sweep_fit import Fit, fit_sweep
from benchlog.calibration.sweep_model import Place

__all__ = ["MODEL_SHARE", "Verdict", "looks_right", "weigh_supposition", "weigh_suppositions"]

Values = NDArray[np.float64]

MODEL_SHARE = 3e-4
"""How far a real channel's times may lie off the model's, a fraction: no part is accused over
less. The model's own figures hold to 0.3 % of off and 0.05 % of on in the worst case."""

_LOG_LOOSE = math.log(1e-3)
"""How seldom the limits of all parts are not limits but habits."""

_GRID = 61
_STARTS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """One supposition, fitted and weighed.

    Attributes
    ----------
    supposition : Supposition
        The supposition.
    weighed : Weighed
        Its fit and draws, each time blurred by `MODEL_SHARE`.
    log_score : float
        Logarithm of prior share times evidence.
    """

    supposition: Supposition
    weighed: Weighed
    log_score: float

    @property
    def fit(self) -> Fit:
        """Its fit."""
        return self.weighed.fit


def weigh_supposition(supposition: Supposition) -> Verdict:
    """Fit and weigh one supposition."""
    return _weigh(supposition, _fit(supposition, math.inf), -math.inf)


def weigh_suppositions(suppositions: Sequence[Supposition], right: Verdict) -> list[Verdict]:
    """Fit and weigh several.

    Parameters
    ----------
    suppositions : sequence of Supposition
        What may be wrong.
    right : Verdict
        That nothing is.

    Returns
    -------
    list of Verdict
        Best first. Those that are hopeless beside another are only roughly weighed.
    """
    fits: list[Fit] = []
    least = right.fit.cost
    for one in suppositions:
        fits.append(_fit(one, _HOPELESS * least + _HOPELESS_MORE))
        least = min(least, fits[-1].cost)
    best = right.log_score
    verdicts = []
    for one, fit in sorted(zip(suppositions, fits, strict=True), key=lambda pair: pair[1].cost):
        verdicts.append(_weigh(one, fit, best - _FAR_BEHIND))
        best = max(best, verdicts[-1].log_score)
    return sorted(verdicts, key=lambda one: -one.log_score)


_HOPELESS = 4.0
_HOPELESS_MORE = 400.0
_FAR_BEHIND = 12.0


def _fit(supposition: Supposition, give_up: float) -> Fit:
    """Fit one supposition from each of its starts."""
    best: Fit | None = None
    for start in _find_starts(supposition):
        fit = fit_sweep(supposition.problem, start, give_up=give_up)
        if best is None or fit.cost < best.cost:
            best = fit
    assert best is not None
    return best


def _weigh(supposition: Supposition, fit: Fit, least: float) -> Verdict:
    """Weigh one fit, roughly where it is behind `least` by far."""
    loose = rate_fit(fit)
    if supposition.log_density is not None:
        loose += float(np.maximum(supposition.log_density(fit.at[None, :])[0], -30.0))
    loose += supposition.log_prior
    if loose < least:
        at = fit.at[None, :]
        return Verdict(supposition, Weighed(fit, at, np.zeros(1), -math.inf), _LOG_LOOSE + loose)
    weighed = weigh_fit(fit, supposition.log_density, count=1024, enough=15.0)
    score = float(np.logaddexp(supposition.log_prior + weighed.log_evidence, _LOG_LOOSE + loose))
    return Verdict(supposition, weighed, score)


def looks_right(right: Verdict, suppositions: Sequence[Supposition]) -> bool:
    """Tell at little cost that tolerances explain the sweep and no other value does it better.

    Parameters
    ----------
    right : Verdict
        That nothing is wrong.
    suppositions : sequence of Supposition
        What may be wrong.

    Returns
    -------
    bool
        True where the fit is as good as 99 of 100 and each wrong value, weighed on that fit's own
        linear model, stays far behind. False says nothing.
    """
    fit = right.fit
    if fit.cost > chi_square_point(0.01, fit.rest.size):
        return False
    total = -math.inf
    for one in suppositions:
        if len(one.free) != 1 or one.is_turned or one.starts:
            continue
        opened = _open_fit(fit, one)
        if opened is None:
            return False
        weighed = weigh_fit(opened, one.log_density, count=512, enough=0.0)
        total = float(np.logaddexp(total, one.log_prior + weighed.log_evidence))
    return total - right.log_score < _SURELY_BEHIND


_SURELY_BEHIND = -3.0


def _open_fit(fit: Fit, supposition: Supposition) -> Fit | None:
    """Return a fit's linear model with other limits of the first unknown of a supposition."""
    places = supposition.problem.places
    names = [place.name for place in fit.problem.places]
    if set(names) != {place.name for place in places}:
        return None
    order = [names.index(place.name) for place in places]
    old, new = fit.problem.places[order[0]], places[0]
    slope, at = fit.slope[:, :, order].copy(), fit.at[order].copy()
    value = float(old.value_at(at[0]))
    at[0] = new.place_of(value)
    slope[:, :, 0] *= _per_place(new, value) / _per_place(old, value)
    return replace(fit, problem=replace(fit.problem, places=places), at=at, slope=slope)


def _per_place(place: Place, value: float) -> float:
    """Return how fast an unknown's value grows with its place."""
    return place.half_width * (value if place.in_log else 1.0)


def _find_starts(supposition: Supposition) -> list[Values | None]:
    """Return where fits should begin: where a rough look along the free unknown is best."""
    if supposition.scan is None:
        return list(supposition.starts) or [None]
    problem = supposition.problem
    middle = np.array([place.middle for place in problem.places])
    grid = np.linspace(*supposition.scan, _GRID)
    at = np.tile(middle, (_GRID, 1))
    at[:, 0] = grid
    logs = problem.predict(at, problem.sweep.knob_deg)
    rough = np.sum(np.log1p(((logs - problem.sweep.logs) / 0.1) ** 2), axis=(1, 2))
    low = np.concatenate(([True], rough[1:] <= rough[:-1])) & np.concatenate(
        (rough[:-1] <= rough[1:], [True])
    )
    best = sorted(np.flatnonzero(low), key=lambda i: rough[i])[:_STARTS]
    return [at[i] for i in best]
