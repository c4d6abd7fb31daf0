"""The knob's track fitted to a sweep: what turning does, between two ends of unknown place.

Everything is told along the way that lengthens the pulse: `turn_deg` is the knob angle, counted
from the stop where the pulse is shortest. The share of the track (`pulse_scale`) is

    share(turn) = f(clip(turn, dead_low, travel - dead_high))
    f = a + b T(turn) + T'(turn) · rho(turn)

with the taper's own curve ``T`` (and, for a log one, how far its middle may lie elsewhere), free
offset and scale held by the parts' tolerances at the track's two ends, and a small smooth remainder
``rho``: a Gaussian process over the angle (Matern, 5/2) of unknown size and length. Tracks of
panel potentiometers are straight to 1 to 3 % of their travel, and change over some tens of
degrees (common practice). All sizes, lengths and dead ends that are tried are weighed by how well
they explain the sweep (Bayes), and the curve is drawn from all of them.

The knob is read within a rectangle, and lags by half its hysteresis on either way; both count
by their mean and variance at each mark, the kink at a dead end included. Where only one way was
swept its own curve is fitted, dead ends and all, and then moved to the middle of both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.dead_ends import DeadEnds, Marks, list_dead_ends, refine_dead_ends
from benchlog.calibration.pulse_scale import PulseScale
from benchlog.calibration.track_draws import (
    HYSTERESIS_DEG,
    choose_rising,
    hold_ends,
    move_to_middle,
)
from benchlog.channel.knob import LOG_MIDDLE

__all__ = ["Track", "fit_track"]

Values = NDArray[np.float64]

_WAVES = 32
_PAD = 0.25
SIZES = (0.003, 0.01, 0.025, 0.06)
"""Sizes of the remainder that are tried, as fractions of the travel (standard deviation)."""
SIZE_WEIGHTS = (0.2, 0.35, 0.35, 0.1)
LENGTHS = (0.10, 0.20, 0.45)
"""Lengths over which it changes, likewise: 27, 54 and 120 degrees of 270."""
LENGTH_WEIGHTS = (0.3, 0.4, 0.3)
_TAPER_SIZE = 2.0
"""A log track is made of straight pieces, and bends more: its sizes are larger by this."""
_MIDDLE_SPREAD = 0.2
"""Of the logarithm of what a log track has passed at half travel: 10 to 20 % (common practice)."""

_CONTRADICTS = 3.0
_FLOOR = 1e-5
_LOOSE = 1e2
_DRAWS = 800
_LEVEL_DEG = 0.25
"""A draw that falls by no more, as degrees of knob, counts as rising."""
_STEPS = 9
_LIVE = 0.5
"""A mark is live where the knob's reading makes up so much of its variance."""


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Tracks that the sweep allows, s of them, each as likely; over n angles.

    Attributes
    ----------
    turn_deg : numpy.ndarray
        Angles, ascending from the stop where the pulse is shortest, shape (n,).
    share : numpy.ndarray
        Shares of the track, ascending along each row, shape (s, n).
    dead_low_deg, dead_high_deg : numpy.ndarray
        Lengths of the dead ends, shape (s,).
    hysteresis_deg : numpy.ndarray
        Shape (s,); empty where only one way was swept.
    log_evidence : float
        How well the taper explains the sweep, to be compared with another taper's.
    remainder : float
        Mean size of the remainder, as a fraction of the travel.
    misfit, freedom : float
        Sum of the squared departures of live marks from the likeliest curve, each over the
        variance of its reading, and what that is expected to be; both 0 where none is live.
    """

    turn_deg: Values
    share: Values
    dead_low_deg: Values
    dead_high_deg: Values
    hysteresis_deg: Values
    log_evidence: float
    remainder: float
    misfit: float
    freedom: float


def fit_track(
    marks: Marks,
    scale: PulseScale,
    taper: str,
    dead_deg: tuple[float, float],
    step_deg: float,
) -> Track:
    """Fit a track to a sweep.

    Parameters
    ----------
    marks : Marks
        The sweep, at least one mark.
    scale : PulseScale
        For how far the parts let the track's ends lie off.
    taper : str
        'linear', 'log' or 'antilog', along the way that lengthens the pulse.
    dead_deg : tuple of float
        Dead ends that the design states, degrees; 0 where it states none.
    step_deg : float
        Between the angles of the result, at most.

    Returns
    -------
    Track
        The same for the same input.
    """
    work = _Fitting(marks, scale, taper)
    low = list_dead_ends(marks, dead_deg[0], turned=False)
    high = list_dead_ends(marks, dead_deg[1], turned=True)
    hypers = np.arange(len(SIZES) * len(LENGTHS))
    few = hypers[1 :: len(LENGTHS)]
    work.settle(low, high, few, work.weigh(low, high, few))
    weights = work.weigh(low, high, hypers)
    fine_low = refine_dead_ends(low, _log_sum(weights, (1, 2)))
    fine_high = refine_dead_ends(high, _log_sum(weights, (0, 2)))
    per_hyper = _log_sum(weights, (0, 1))
    hypers = hypers[per_hyper > np.max(per_hyper) - 5.0]
    work.settle(low, high, np.arange(weights.shape[2]), weights)
    weights = work.weigh(fine_low, fine_high, hypers)
    return work.draw(fine_low, fine_high, hypers, weights, step_deg)


def _log_sum(values: Values, axes: tuple[int, ...]) -> Values:
    """Add up what is given as logarithms."""
    top = float(np.max(values))
    with np.errstate(divide="ignore"):
        return np.asarray(top + np.log(np.sum(np.exp(values - top), axis=axes)))


class _Fitting:
    """The straight model around one state of the fit, refined as it is settled."""

    def __init__(self, marks: Marks, scale: PulseScale, taper: str) -> None:
        self.marks, self.scale = marks, scale
        travel = marks.travel_deg
        self.node_deg = np.linspace(0.0, travel, max(1081, math.ceil(4.0 * travel) + 1))
        place = self.node_deg / travel
        curve, slope, bend = _taper_curves(place, taper)
        wave = np.arange(_WAVES) * math.pi / (1.0 + 2.0 * _PAD)
        waves = np.cos((place[:, None] + _PAD) * wave) * math.sqrt(2.0 / (1.0 + 2.0 * _PAD))
        waves[:, 0] /= math.sqrt(2.0)
        columns = [np.ones_like(place)[:, None], curve[:, None], bend[:, None]]
        self.column = np.concatenate([*columns, slope[:, None] * waves], axis=1)
        self.wave, self.taper = wave, taper
        self.scale_b = self._first_scale(curve)
        self.path = self._first_offset(curve) + self.scale_b * curve
        self.hysteresis_deg = 0.5 * HYSTERESIS_DEG if marks.both_ways else 0.0
        self.end_spread = [scale.spread_low, scale.spread_high]

    def _first_scale(self, curve: Values) -> float:
        """Return how far the marks stretch the taper's own curve; 1 where they do not say."""
        at = np.interp(self.marks.turn_deg, self.node_deg, curve)
        if np.ptp(at) < 0.1:
            return 1.0
        slope = float(np.polyfit(at, self.marks.share, 1)[0])
        return slope if slope > 0.02 else 1.0

    def _first_offset(self, curve: Values) -> float:
        at = np.interp(self.marks.turn_deg, self.node_deg, curve)
        return float(np.mean(self.marks.share - self.scale_b * at))

    def _prior(self, hypers: NDArray[np.int_]) -> Values:
        """Return the standard deviations of the coefficients, shape (h, m)."""
        sizes = np.array(SIZES) * (_TAPER_SIZE if self.taper != "linear" else 1.0)
        size = np.repeat(sizes, len(LENGTHS))[hypers]
        length = np.tile(LENGTHS, len(SIZES))[hypers]
        rate = math.sqrt(5.0) / length[:, None]
        # spectral density of a Matern 5/2 process of unit variance
        density = 16.0 / 3.0 * rate**5 / (rate**2 + self.wave**2) ** 3
        remainder = abs(self.scale_b) * size[:, None] * np.sqrt(density)
        ones = np.ones((hypers.size, 1))
        middle = _MIDDLE_SPREAD * abs(self.scale_b) if self.taper != "linear" else 1e-9
        lag = HYSTERESIS_DEG / math.sqrt(12.0)
        loose = _LOOSE * abs(self.scale_b)
        return np.concatenate(
            [loose * ones, loose * ones, middle * ones, remainder, lag * ones], axis=1
        )

    def _marks(self, ends: DeadEnds, *, high: bool) -> tuple[Values, Values, Values, Values]:
        """Return one half of the marks, of i marks, for each length of its dead end.

        Rows of the model (k, i, m), the shares that they meet, the variances of these and the part
        of the variances that the knob's reading has, (k, i) each.
        """
        marks = self.marks
        travel = marks.travel_deg
        upper = marks.turn_deg >= 0.5 * travel
        mine = upper if high else ~upper
        both = marks.both_ways
        error = marks.reading_deg * ((np.arange(_STEPS) + 0.5) / _STEPS * 2.0 - 1.0)
        shift = -0.5 * marks.way[mine] * self.hysteresis_deg if both else 0.0 * marks.way[mine]
        angle = marks.turn_deg[mine, None] + shift[:, None] + error
        length = ends.length_deg[:, None, None]
        first, last = (0.0, travel - length) if high else (length, travel)
        held = np.clip(angle, first, last)
        slope = np.gradient(self.path, self.node_deg)
        level = np.interp(held, self.node_deg, self.path)
        local = np.interp(held, self.node_deg, slope) * (held == angle)
        # what the middles of the rectangle's pieces leave out of it
        within = (marks.reading_deg / _STEPS) ** 2 / 3.0
        spread = np.var(level, axis=2) + np.mean(local**2, axis=2) * within
        read = spread
        spread = spread + marks.u_share[mine] ** 2 + (_FLOOR * self.scale_b) ** 2
        column = self._columns(held)
        steep = np.mean(local, axis=2)
        way = marks.way[mine]
        if both:
            lag = -0.5 * way * steep
            known = marks.share[mine] - lag * (0.5 * HYSTERESIS_DEG - self.hysteresis_deg)
            unknown_way = (way == 0) * steep**2 * HYSTERESIS_DEG**2 / 12.0
            spread = spread + unknown_way
        else:
            # the curve of the one way; `draw` moves it to the middle of both
            lag, known = 0.0 * steep, np.broadcast_to(marks.share[mine], steep.shape)
        return np.concatenate([column, lag[:, :, None]], axis=2), known, spread, read / spread

    def _rows(self, ends: DeadEnds, *, high: bool) -> tuple[Values, Values, Values, Values]:
        """Return what one half of the marks says, for each length of its dead end.

        Normal matrix (k, m, m), pull (k, m), chi-square at 0 and log of the variances (k,).
        """
        row, known, spread, _ = self._marks(ends, high=high)
        travel = self.marks.travel_deg
        held_end = travel - ends.length_deg if high else ends.length_deg
        anchor = np.concatenate(
            [self._columns(held_end[:, None, None]), np.zeros((held_end.size, 1, 1))], axis=2
        )
        wide = self.end_spread[high]
        row = np.concatenate([row, anchor], axis=1)
        known = np.concatenate([known, np.full((held_end.size, 1), 1.0 if high else 0.0)], axis=1)
        spread = np.concatenate([spread, np.full((held_end.size, 1), wide**2)], axis=1)
        weighted = row / spread[:, :, None]
        return (
            np.einsum("kim,kin->kmn", weighted, row, optimize=True),
            np.einsum("kim,ki->km", weighted, known),
            np.sum(known**2 / spread, axis=1),
            np.sum(np.log(spread), axis=1),
        )

    def _columns(self, held: Values) -> Values:
        """Return the columns at angles of shape (k, i, q), the mean over q, shape (k, i, m)."""
        step = self.node_deg[1]
        at = held / step
        index = np.clip(at.astype(np.int64), 0, self.node_deg.size - 2)
        share = (at - index)[..., None]
        value = self.column[index] * (1.0 - share) + self.column[index + 1] * share
        return np.asarray(np.mean(value, axis=2))

    def weigh(self, low: DeadEnds, high: DeadEnds, hypers: NDArray[np.int_]) -> Values:
        """Return the log weight of each pair of dead ends and each hyperparameter."""
        prior = self._prior(hypers)
        of_low, of_high = self._rows(low, high=False), self._rows(high, high=True)
        size = np.log(np.repeat(SIZE_WEIGHTS, len(LENGTHS)) * np.tile(LENGTH_WEIGHTS, len(SIZES)))
        result = np.empty((low.length_deg.size, high.length_deg.size, hypers.size))
        pull = of_low[1][:, None] + of_high[1][None]
        normal = of_low[0][:, None] + of_high[0][None]
        left = of_low[2][:, None] + of_high[2][None]
        logs = of_low[3][:, None] + of_high[3][None]
        size_of = prior.shape[1]
        # with the pull as one more row, one factor holds the determinant and the chi-square
        whole = np.empty((*left.shape, size_of + 1, size_of + 1))
        for h in range(hypers.size):
            whole[..., :size_of, :size_of] = normal * (prior[h] * prior[h][:, None])
            whole[..., :size_of, :size_of] += np.eye(size_of)
            whole[..., size_of, :size_of] = pull * prior[h]
            whole[..., size_of, size_of] = left + 1.0
            root = np.diagonal(np.linalg.cholesky(whole), axis1=2, axis2=3)
            determinant = 2.0 * np.sum(np.log(root[..., :-1]), axis=2)
            chi = root[..., -1] ** 2 - 1.0
            result[:, :, h] = -0.5 * (chi + logs + determinant) + size[hypers[h]]
        return result + low.log_weight[:, None, None] + high.log_weight[None, :, None]

    def settle(
        self, low: DeadEnds, high: DeadEnds, hypers: NDArray[np.int_], weights: Values
    ) -> None:
        """Move to the likeliest curve."""
        best = np.unravel_index(int(np.argmax(weights)), weights.shape)
        i, j, h = (int(k) for k in best)
        prior = self._prior(hypers)[h]
        of_low, of_high = self._rows(low, high=False), self._rows(high, high=True)
        matrix = (of_low[0][i] + of_high[0][j]) * prior * prior[:, None] + np.eye(prior.size)
        found = prior * np.linalg.solve(matrix, prior * (of_low[1][i] + of_high[1][j]))
        path = self.column @ found[:-1]
        self.path = np.maximum.accumulate(path)
        swing = float(np.ptp(self.path))
        if swing > 0.02:
            self.scale_b = swing
        # parts that are plainly not the marked ones do not hold the ends
        for end, level in enumerate((self.path[0], self.path[-1] - 1.0)):
            if abs(level) > _CONTRADICTS * self.end_spread[end]:
                self.end_spread[end] = float(abs(level))
        if self.marks.both_ways:
            # the coefficient counts from what is known beforehand
            lag = float(found[-1]) + 0.5 * HYSTERESIS_DEG
            self.hysteresis_deg = min(max(lag, 0.0), 2.0 * HYSTERESIS_DEG)

    def draw(
        self,
        low: DeadEnds,
        high: DeadEnds,
        hypers: NDArray[np.int_],
        weights: Values,
        step_deg: float,
    ) -> Track:
        """Draw tracks that the sweep allows."""
        travel = self.marks.travel_deg
        turn_deg = np.linspace(0.0, travel, math.ceil(travel / step_deg - 1e-9) + 1)
        count = int(np.clip(4e6 / turn_deg.size, 60, _DRAWS)) // 2 * 2
        source = np.random.default_rng(2)
        share = np.exp(weights - np.max(weights)).ravel()
        ladder = np.cumsum(share) / np.sum(share)
        picked = np.searchsorted(ladder, (np.arange(count // 2) + 0.5) / (count // 2))
        picked = np.minimum(picked, share.size - 1)
        cell, back = np.unique(picked, return_inverse=True)
        i, j, h = np.unravel_index(cell, weights.shape)
        prior = self._prior(hypers)[h]
        of_low, of_high = self._rows(low, high=False), self._rows(high, high=True)
        matrix = (of_low[0][i] + of_high[0][j]) * prior[:, :, None] * prior[:, None, :]
        matrix = matrix + np.eye(prior.shape[1])
        pull = prior * (of_low[1][i] + of_high[1][j])
        mean = prior * np.linalg.solve(matrix, pull[..., None])[..., 0]
        upper = np.linalg.cholesky(matrix).transpose(0, 2, 1)
        normal = source.standard_normal((count // 2, prior.shape[1], 1))
        off = prior[back] * np.linalg.solve(upper[back], normal)[..., 0]
        found = np.concatenate([mean[back] + off, mean[back] - off])
        column = self._columns(turn_deg[None, :, None])[0]
        paths = found[:, :-1] @ column.T
        both = np.concatenate([back, back])
        cells, dead = [], []
        for ends, index in ((low, i), (high, j)):
            cells.append(ends.length_deg[index][both])
            dead.append(cells[-1] + source.uniform(-1.0, 1.0, count) * ends.half_deg[index][both])
        if not self.marks.both_ways:
            paths = move_to_middle(paths, turn_deg, (cells, dead), source)
        held, fall = hold_ends(paths, turn_deg, cells[0], travel - cells[1])
        kept = choose_rising(fall, _LEVEL_DEG / travel * abs(self.scale_b))
        best = np.unravel_index(int(np.argmax(weights)), weights.shape)
        misfit, freedom = self._judge(
            low.only(best[0]), high.only(best[1]), hypers[best[2] : best[2] + 1]
        )
        sizes = np.repeat(SIZES, len(LENGTHS))[hypers]
        lag = found[:, -1] + 0.5 * HYSTERESIS_DEG
        return Track(
            turn_deg=turn_deg,
            share=held[kept],
            dead_low_deg=dead[0][kept],
            dead_high_deg=dead[1][kept],
            hysteresis_deg=np.maximum(lag[kept], 0.0) if self.marks.both_ways else np.empty(0),
            log_evidence=float(_log_sum(weights, (0, 1, 2))),
            remainder=float(np.mean(sizes[h][back])),
            misfit=misfit,
            freedom=freedom,
        )

    def _judge(
        self, low: DeadEnds, high: DeadEnds, hypers: NDArray[np.int_]
    ) -> tuple[float, float]:
        """Return how far the live marks depart from one curve, and how far they should."""
        prior = self._prior(hypers)[0]
        of_low, of_high = self._rows(low, high=False), self._rows(high, high=True)
        matrix = (of_low[0][0] + of_high[0][0]) * prior * prior[:, None] + np.eye(prior.size)
        found = prior * np.linalg.solve(matrix, prior * (of_low[1][0] + of_high[1][0]))
        misfit = freedom = 0.0
        for ends, upper in ((low, False), (high, True)):
            row, known, spread, read = (one[0] for one in self._marks(ends, high=upper))
            live = read > _LIVE
            scaled = row[live] * prior
            held = np.sum(scaled.T * np.linalg.solve(matrix, scaled.T), axis=0) / spread[live]
            misfit += float(np.sum((known[live] - row[live] @ found) ** 2 / spread[live]))
            freedom += float(np.sum(np.maximum(1.0 - held, 0.0)))
        return misfit, freedom


def _taper_curves(place: Values, taper: str) -> tuple[Values, Values, Values]:
    """Return a taper's curve over the travel, its slope, and its change with the middle."""
    if taper == "linear":
        return place, np.ones_like(place), np.zeros_like(place)

    def curve(middle: float) -> Values:
        base = ((1.0 - middle) / middle) ** 2
        if taper == "log":
            return np.asarray((base**place - 1.0) / (base - 1.0))
        return np.asarray(1.0 - (base ** (1.0 - place) - 1.0) / (base - 1.0))

    own = curve(LOG_MIDDLE)
    step = 0.01
    bend = (curve(LOG_MIDDLE * math.exp(step)) - curve(LOG_MIDDLE * math.exp(-step))) / (2 * step)
    return own, np.gradient(own, place), bend
