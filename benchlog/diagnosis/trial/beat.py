"""Whether the pulse follows what a hand does on the beat.

The beats come in a random order of slots, half of them rest, half act, drawn from all orders in
which no more than three of a kind follow each other and that look like no creep. The same analysis
of the same recording with other orders from there says how often as clear an answer comes by
chance: whatever the channel does by itself, it cannot know which order was drawn (a permutation
test).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.separation.beat_likeness import Effect, point_effect
from benchlog.diagnosis.separation.directions import Direction

__all__ = ["FEWEST_ROUNDS", "BeatResult", "Beats", "analyse_beat", "draw_beats"]

FloatArray = NDArray[np.float64]

FEWEST_ROUNDS = 7
"""Of fewer rounds there are too few orders to tell chance from an answer."""

P_FOUND = 0.005
"""Chance below which it counts as an answer."""

_ORDERS = 799
_BIN_S = 0.25
_MOST_CREEP = 0.3
_MOST_IN_A_ROW = 3
_FEWEST_CYCLES = 3
_DEGREE = 3
_DELAYS_S = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25)
"""A hand needs some time after a beat."""

_LAGS_S = (0.0, 1.0, 4.0, 12.0)
"""A supply follows at once, a finger warms a part within seconds."""

_SEED = 20


@dataclass(frozen=True, slots=True)
class Beats:
    """When a hand rests and when it acts.

    Attributes
    ----------
    slot_s : float
        Length of a slot, seconds.
    acts : tuple of bool
        For each slot whether the hand acts; the first begins at `start_s`.
    start_s : float
        Seconds from the recording's start.
    """

    slot_s: float
    acts: tuple[bool, ...]
    start_s: float = 0.0

    @property
    def duration_s(self) -> float:
        """From the recording's start to the last slot's end, seconds."""
        return self.start_s + self.slot_s * len(self.acts)

    @property
    def rounds(self) -> int:
        """How many slots are acts."""
        return sum(self.acts)

    def act_at(self, time_s: float) -> bool | None:
        """Tell whether the hand acts at an instant; None outside of the slots."""
        slot = int((time_s - self.start_s) // self.slot_s)
        return self.acts[slot] if 0 <= slot < len(self.acts) else None


@dataclass(frozen=True, slots=True)
class BeatResult:
    """What the pulse did on the beats.

    Attributes
    ----------
    found : bool
        Whether it follows.
    p_value : float
        How often chance alone gives as clear an answer.
    rounds : int
        Acts that were heard.
    way : {"moves", "restless"} or None
        Whether pulse and rest move, or scatter more; None where they do not follow.
    effect_s, u_effect_s : float
        What the acts do to the pulse, and its standard uncertainty, seconds.
    rest_effect_s, u_rest_effect_s : float
        The same of the rest.
    delay_s : float
        From the beat until half of it is there, the hand's own time included, seconds.
    scatter_ratio : float
        Scatter from pulse to pulse while acting over that at rest.
    effect : Effect
        Which cause moves pulse and rest so.
    """

    found: bool
    p_value: float
    rounds: int
    way: str | None
    effect_s: float
    u_effect_s: float
    rest_effect_s: float
    u_rest_effect_s: float
    delay_s: float
    scatter_ratio: float
    effect: Effect


def draw_beats(rounds: int, slot_s: float, seed: int) -> Beats:
    """Draw an order of slots.

    Parameters
    ----------
    rounds : int
        Acts, `FEWEST_ROUNDS` or more; there are as many rests.
    slot_s : float
        Length of a slot, seconds.
    seed : int
        Of the draw; a new one for each recording.

    Returns
    -------
    Beats
        Beginning with a rest.

    Raises
    ------
    ValueError
        Too few rounds, or a slot without length.
    """
    if rounds < FEWEST_ROUNDS:
        raise ValueError(f"rounds must be at least {FEWEST_ROUNDS}, got {rounds}")
    if not slot_s > 0:
        raise ValueError(f"slot_s must be above 0, got {slot_s}")
    rng = np.random.default_rng(seed)
    return Beats(slot_s, tuple(bool(one) for one in _draw_order(rng, rounds)))


def _draw_order(rng: np.random.Generator, rounds: int) -> NDArray[np.bool_]:
    """Draw one of all orders that will do, each as likely."""
    order = np.repeat([False, True], rounds)
    course = np.linspace(-1.0, 1.0, 2 * rounds)
    creep = np.stack([course, course**2 - np.mean(course**2)])
    creep /= np.linalg.norm(creep, axis=1, keepdims=True) * np.sqrt(2.0 * rounds)
    # short orders cannot be free of creep
    most = max(_MOST_CREEP, 1.2 / rounds)
    while True:
        drawn = np.concatenate([[False], rng.permutation(order[1:])])
        many = np.convolve(drawn, np.ones(_MOST_IN_A_ROW + 1), mode="valid")
        if ((many < 0.5) | (many > _MOST_IN_A_ROW + 0.5)).any():
            continue
        if np.all(np.abs(creep @ np.where(drawn, 1.0, -1.0)) <= most):
            return drawn


@lru_cache(maxsize=4)
def _other_orders(rounds: int) -> NDArray[np.bool_]:
    """Return orders that might have been drawn as well, shape (k, 2 rounds)."""
    rng = np.random.default_rng(_SEED)
    return np.stack([_draw_order(rng, rounds) for _ in range(_ORDERS)])


def analyse_beat(cycles: Cycles, beats: Beats, directions: Sequence[Direction] = ()) -> BeatResult:
    """Tell whether pulse and rest follow the beats.

    Parameters
    ----------
    cycles : Cycles
        Of the recording.
    beats : Beats
        When the hand was to act; slots that the recording does not reach are left out.
    directions : sequence of Direction
        How each cause moves the channel; empty where that is not known.

    Returns
    -------
    BeatResult
        Not found, with a chance of 1, where less than `FEWEST_ROUNDS` acts were heard.
    """
    slots = int((min(beats.duration_s, cycles.duration_s + 0.5) - beats.start_s) / beats.slot_s)
    heard = beats.acts[: max(slots, 0)]
    if sum(heard) < FEWEST_ROUNDS or cycles.count < 20:
        return BeatResult(False, 1.0, sum(heard), None, 0, 0, 0, 0, 0, 1.0, Effect())
    series = _Series(cycles, beats, len(heard))
    orders = np.concatenate([np.array([heard]), _other_orders(sum(beats.acts))[:, : len(heard)]])
    scores, found = series.search(orders)
    # the order that was drawn counts as one of them
    p_value = float(np.mean(scores >= scores[0]))
    sizes, covariance = series.measure(orders, found)
    is_found = p_value <= P_FOUND
    way = None
    if is_found:
        way = "restless" if found.is_scatter else "moves"
    return BeatResult(
        found=is_found,
        p_value=p_value,
        rounds=sum(heard),
        way=way,
        effect_s=float(sizes[0]),
        u_effect_s=float(np.sqrt(covariance[0, 0])),
        rest_effect_s=float(sizes[1]),
        u_rest_effect_s=float(np.sqrt(covariance[1, 1])),
        delay_s=found.delay_s + 0.69 * found.lag_s,
        scatter_ratio=series.compare_scatter(np.array(heard)),
        effect=point_effect(sizes, covariance, directions),
    )


@dataclass(frozen=True, slots=True)
class _Best:
    """The clearest answer: twice the log-likelihood's gain, and where it is."""

    score: float
    is_scatter: bool
    delay_s: float
    lag_s: float


class _Series:
    """Pulse, rest and scatter in bins of a quarter of a second, their creep made white."""

    def __init__(self, cycles: Cycles, beats: Beats, slots: int) -> None:
        self._slot_s = beats.slot_s
        self._slots = slots
        count = int(slots * beats.slot_s / _BIN_S)
        place = ((cycles.start_s - beats.start_s) / _BIN_S).astype(np.intp)
        place[cycles.start_s < beats.start_s] = -1
        inside = (place >= 0) & (place < count)
        index = place[inside]
        many = np.bincount(index, minlength=count)
        pairs = np.stack([cycles.on_s, cycles.off_s], axis=1)
        step = np.zeros_like(pairs)
        step[1:] = np.diff(pairs, axis=0)
        step[~cycles.follows] = 0.0
        scale = np.median(np.abs(step[step[:, 0] != 0]), axis=0) if step.any() else np.ones(2)
        rough = ((step / np.maximum(scale, 1e-12)) ** 2).sum(axis=1)
        self._used = np.flatnonzero(many >= _FEWEST_CYCLES)
        divide = np.maximum(many, 1)

        def bins(values: FloatArray) -> FloatArray:
            return np.bincount(index, values[inside], minlength=count) / divide

        self._rough = bins(rough)[self._used]
        self._values = np.stack(
            [bins(pairs[:, 0]), bins(pairs[:, 1]), np.log(bins(rough) + 0.1)], axis=1
        )[self._used]
        self._time_s = (np.arange(count) + 0.5) * _BIN_S
        course = np.linspace(-1.0, 1.0, count)[self._used]
        self._base: FloatArray = np.asarray(
            np.polynomial.legendre.legvander(course, _DEGREE), dtype=np.float64
        )
        self._white: list[FloatArray] = []
        self._roots: list[FloatArray] = []
        self._keep: list[float] = []
        self._learn(self._base)

    def _learn(self, functions: FloatArray) -> None:
        """Learn how each series creeps from what the functions leave of it."""
        left = self._values - functions @ np.linalg.lstsq(functions, self._values, rcond=None)[0]
        self._keep = [
            float(np.clip((one[1:] @ one[:-1]) / max(float(one @ one), 1e-300), 0.0, 0.98))
            for one in left.T
        ]
        self._white, self._roots = self._whiten(self._values)

    def _whiten(self, left: FloatArray) -> tuple[list[FloatArray], list[FloatArray]]:
        """Take out of each series what its last value foretells, and the base alike."""
        white, bases = [], []
        for column, keep in zip(left.T, self._keep, strict=True):
            basis = np.linalg.qr(_ahead(self._base, keep))[0]
            values = _ahead(column[:, None], keep)
            white.append((values - basis @ (basis.T @ values))[:, 0])
            bases.append(basis)
        return white, bases

    def _responses(self) -> list[tuple[float, float, FloatArray]]:
        """Return each delay and lag with what an act in each slot does, shape (n, slots)."""
        slot = np.minimum((self._time_s // self._slot_s).astype(np.intp), self._slots - 1)
        acts = np.zeros((self._time_s.size, self._slots))
        acts[np.arange(slot.size), slot] = 1.0
        found = []
        for lag_s in _LAGS_S:
            keep = float(np.exp(-_BIN_S / lag_s)) if lag_s else 0.0
            lagging = np.empty_like(acts)
            level = np.zeros(self._slots)
            for k, row in enumerate(acts):
                level = keep * level + (1.0 - keep) * row
                lagging[k] = level
            for delay_s in _DELAYS_S:
                steps = round(delay_s / _BIN_S)
                late = np.concatenate(
                    [np.zeros((steps, self._slots)), lagging[: lagging.shape[0] - steps]]
                )
                found.append((delay_s, lag_s, late[self._used]))
        return found

    def search(self, orders: NDArray[np.bool_]) -> tuple[FloatArray, _Best]:
        """Search the clearest answer of all delays and lags.

        Parameters
        ----------
        orders : numpy.ndarray
            Which slots are acts, shape (k, slots).

        Returns
        -------
        scores : numpy.ndarray
            How clear it is for each order, shape (k,).
        best : _Best
            Of the first order.
        """
        weights = orders.astype(np.float64)
        scores = np.full(orders.shape[0], -np.inf)
        best = _Best(-np.inf, False, _DELAYS_S[0], 0.0)
        for delay_s, lag_s, response in self._responses():
            gains = []
            for number in range(3):
                line = weights @ self._without(response, number).T
                values = self._white[number]
                along, power = line @ values, (line * line).sum(axis=1)
                share = along**2 / np.maximum(power * float(values @ values), 1e-300)
                gain = -values.size * np.log(np.maximum(1.0 - share, 1e-9))
                gains.append(gain if number < 2 else np.where(along > 0, gain, 0.0))
            # two sizes gain more by chance than one
            for score, is_scatter in ((gains[0] + gains[1] - 1.0, False), (gains[2], True)):
                scores = np.maximum(scores, score)
                if score[0] > best.score:
                    best = _Best(float(score[0]), is_scatter, delay_s, lag_s)
        return scores, best

    def _without(self, response: FloatArray, number: int) -> FloatArray:
        """Return responses as one of the series would show them, its base taken out."""
        line = _ahead(response, self._keep[number])
        return np.asarray(line - self._roots[number] @ (self._roots[number].T @ line))

    def measure(self, orders: NDArray[np.bool_], best: _Best) -> tuple[FloatArray, FloatArray]:
        """Return what the first order's acts do to pulse and rest, and the covariance.

        All delays and lags count as likely as they are, and how far they lie apart is part of the
        uncertainty. It is never less than what the other orders find in what is left.
        """
        acts = orders[0]
        # what the acts do is no creep; only now, since it must not favour the order that was drawn
        courses = [response @ acts for _, _, response in self._responses()]
        self._learn(np.concatenate([self._base, np.stack(courses, axis=1)], axis=1))
        found, clear = [], []
        for delay_s, lag_s, response in self._responses():
            if best.is_scatter and (delay_s, lag_s) != (best.delay_s, best.lag_s):
                continue
            course = response @ acts.astype(np.float64)
            sizes, covariance, score = self._fit(course / max(float(course.max()), 1e-9))
            found.append((sizes, covariance))
            clear.append(score)
        weights = np.exp(0.5 * (np.array(clear) - max(clear)))
        weights /= weights.sum()
        mean = np.einsum("k,kq->q", weights, np.stack([one[0] for one in found]))
        spread = np.zeros((2, 2))
        for weight, (sizes, covariance) in zip(weights, found, strict=True):
            spread += weight * (covariance + np.outer(sizes - mean, sizes - mean))
        widen = np.sqrt(np.maximum(self._chance_sizes(orders, best) / np.diag(spread), 1.0))
        # a beginning that is off by half a bin at either end blurs so much of a slot
        shape = _BIN_S / self._slot_s
        return mean, spread * np.outer(widen, widen) + shape**2 * np.outer(mean, mean)

    def _chance_sizes(self, orders: NDArray[np.bool_], best: _Best) -> FloatArray:
        """Return the mean squares of what other orders find where the first one's share is out."""
        response = next(
            response
            for delay_s, lag_s, response in self._responses()
            if (delay_s, lag_s) == (best.delay_s, best.lag_s)
        )
        courses = response @ orders.T.astype(np.float64)
        courses = courses / np.maximum(courses.max(axis=0), 1e-9)
        squares = np.zeros(2)
        for number in (0, 1):
            lines = self._without(courses, number)
            power = np.maximum((lines * lines).sum(axis=0), 1e-300)
            values = self._white[number]
            left = values - lines[:, 0] * float(lines[:, 0] @ values) / power[0]
            squares[number] = float(np.mean((left @ lines / power)[1:] ** 2))
        return squares

    def _fit(self, course: FloatArray) -> tuple[FloatArray, FloatArray, float]:
        """Fit one course: sizes, their covariance, and how clear it is."""
        sizes, lefts, powers, score = np.zeros(2), [], [], 0.0
        for number in (0, 1):
            line = self._without(course[:, None], number)[:, 0]
            values = self._white[number]
            power = max(float(line @ line), 1e-300)
            sizes[number] = float(line @ values) / power
            left = values - sizes[number] * line
            score -= values.size * float(
                np.log(max(float(left @ left) / max(float(values @ values), 1e-300), 1e-9))
            )
            lefts.append(left)
            powers.append(power)
        spare = max(1, course.size - _DEGREE - 3)
        products = np.array([[float(one @ other) for other in lefts] for one in lefts])
        return sizes, products / spare / np.sqrt(np.outer(powers, powers)), score

    def compare_scatter(self, acts: NDArray[np.bool_]) -> float:
        """Return the scatter while acting over that at rest, the first second of each left out."""
        since_s = self._time_s % self._slot_s
        settled = (since_s > min(1.0, 0.4 * self._slot_s))[self._used]
        slot = np.minimum((self._time_s // self._slot_s).astype(np.intp), acts.size - 1)
        act = acts[slot][self._used]
        busy, calm = self._rough[act & settled], self._rough[~act & settled]
        if not busy.size or not calm.size or not calm.mean() > 0:
            return 1.0
        return float(np.sqrt(busy.mean() / calm.mean()))


def _ahead(values: FloatArray, keep: float) -> FloatArray:
    """Return values less what the ones before foretell, shape (n, q)."""
    new = values.copy()
    new[1:] -= keep * values[:-1]
    new[0] *= np.sqrt(1.0 - keep**2)
    return new
