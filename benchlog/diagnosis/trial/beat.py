"""Whether the pulse follows what a hand does on the beat.

The beats come in a random order of slots, half of them rest, half act, drawn from all orders in
which no more than three of a kind follow each other and that look like no creep (see `beats`). The
same analysis of the same recording with other orders from there says how often as clear an answer
comes by chance: whatever the channel does by itself, it cannot know which order was drawn (a
permutation test). Pulse and rest may move, scatter more, or get lost.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.separation.beat_likeness import Effect, point_effect
from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.train.event_kinds import Event
from benchlog.diagnosis.trial.beats import FEWEST_ROUNDS, Beats, list_other_orders

__all__ = ["BeatResult", "analyse_beat"]

FloatArray = NDArray[np.float64]

P_FOUND = 0.005
"""Chance below which it counts as an answer."""

_BIN_S = 0.25
_REACH_S = 0.5
"""So much of the last slot may be missing."""

_LEAST_POWER = 1e-6
"""Of an act's course, whose highest value is 1: what shows less of it cannot be measured."""

_FEWEST_CYCLES = 3
_FEWEST_IN_ALL = 20
_DEGREE = 3
_DELAYS_S = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25)
"""A hand needs some time after a beat."""

_LAGS_S = (0.0, 1.0, 4.0, 12.0)
"""A supply follows at once, a finger warms a part within seconds."""


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
    way : {"moves", "restless", "events"} or None
        Whether pulse and rest move, scatter more, or whether pulses are lost or split; None where
        they do not follow.
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
    lost_act, lost_rest : int
        Pulses that were lost or split while acting, and while resting.
    lost_kind : str or None
        Of which kind most of them are, as the events' kinds.
    slot_s : float
        Length of a slot, seconds.
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
    lost_act: int = 0
    lost_rest: int = 0
    lost_kind: str | None = None
    slot_s: float = 4.0


def analyse_beat(
    cycles: Cycles,
    beats: Beats,
    directions: Sequence[Direction] = (),
    events: Sequence[Event] = (),
) -> BeatResult:
    """Tell whether pulse and rest follow the beats.

    Parameters
    ----------
    cycles : Cycles
        Of the recording.
    beats : Beats
        When the hand was to act; slots that the recording does not reach are left out.
    directions : sequence of Direction
        How each cause moves the channel; empty where that is not known.
    events : sequence of Event
        What befell the train, in the recording's time; those whose cycles are left out of
        `cycles` above all. Gaps of the recording are left out of account.

    Returns
    -------
    BeatResult
        Not found, with a chance of 1, where less than `FEWEST_ROUNDS` acts were heard.
    """
    end_s = float(cycles.start_s[-1] + cycles.period_s[-1]) if cycles.count else 0.0
    slots = int((min(beats.duration_s, end_s + _REACH_S) - beats.start_s) / beats.slot_s)
    heard = beats.acts[: max(slots, 0)]
    befell = [one for one in events if one.kind != "gap"]
    if sum(heard) < FEWEST_ROUNDS or cycles.count < _FEWEST_IN_ALL:
        return BeatResult(
            *(False, 1.0, sum(heard), None, 0, 0, 0, 0, 0, 1.0, Effect()), slot_s=beats.slot_s
        )
    series = _Series(cycles, beats, len(heard), befell)
    others = list_other_orders(heard, beats.rounds)
    orders = np.concatenate([np.array([heard]), others])
    scores, found = series.search(orders)
    # the order that was drawn counts as one of them
    p_value = float(np.mean(scores >= scores[0]))
    sizes, covariance = series.measure(orders, found)
    is_found = p_value <= P_FOUND
    lost = _count_lost(befell, beats, found.delay_s if is_found else 0.0)
    return BeatResult(
        found=is_found,
        p_value=p_value,
        rounds=sum(heard),
        way=found.way if is_found else None,
        effect_s=float(sizes[0]),
        u_effect_s=float(np.sqrt(covariance[0, 0])),
        rest_effect_s=float(sizes[1]),
        u_rest_effect_s=float(np.sqrt(covariance[1, 1])),
        delay_s=found.delay_s + 0.69 * found.lag_s,
        scatter_ratio=series.compare_scatter(np.array(heard)),
        effect=point_effect(sizes, covariance, directions),
        lost_act=lost[True],
        lost_rest=lost[False],
        lost_kind=_most_frequent(befell),
        slot_s=beats.slot_s,
    )


def _count_lost(events: Sequence[Event], beats: Beats, delay_s: float) -> dict[bool, int]:
    """Count what was lost or split while acting, and while resting."""
    lost = {True: 0, False: 0}
    for one in events:
        is_act = beats.act_at(one.time_s - delay_s)
        if is_act is not None:
            lost[is_act] += one.count
    return lost


def _most_frequent(events: Sequence[Event]) -> str | None:
    """Return the kind of most events; None where there are none."""
    kinds = Counter(kind for one in events for kind in [one.kind] * one.count)
    return kinds.most_common(1)[0][0] if kinds else None


@dataclass(frozen=True, slots=True)
class _Best:
    """The clearest answer: twice the log-likelihood's gain, and where it is."""

    score: float
    way: str
    delay_s: float
    lag_s: float


class _Series:
    """Pulse, rest, scatter and what was lost, in bins of a quarter of a second, made white."""

    def __init__(self, cycles: Cycles, beats: Beats, slots: int, events: Sequence[Event]) -> None:
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
        used = np.flatnonzero(many >= _FEWEST_CYCLES)
        divide = np.maximum(many, 1)

        def bins(values: FloatArray) -> FloatArray:
            return np.bincount(index, values[inside], minlength=count) / divide

        self._rough, self._rough_used = bins(rough)[used], used
        # where all cycles are lost there is nothing to measure, but the loss itself counts
        self._used = (used, used, used, np.arange(count))
        self._values = [
            bins(pairs[:, 0])[used],
            bins(pairs[:, 1])[used],
            np.log(self._rough + 0.1),
            np.sqrt(_count_in_bins(events, beats.start_s, count)),
        ]
        self._time_s = (np.arange(count) + 0.5) * _BIN_S
        course = np.linspace(-1.0, 1.0, count)
        self._base: FloatArray = np.asarray(
            np.polynomial.legendre.legvander(course, _DEGREE), dtype=np.float64
        )
        self._white: list[FloatArray] = []
        self._roots: list[FloatArray] = []
        self._keep: list[float] = []
        self._learn(self._base)

    def _learn(self, functions: FloatArray) -> None:
        """Learn how each series creeps from what the functions leave of it."""
        self._white, self._roots, self._keep = [], [], []
        for values, used in zip(self._values, self._used, strict=True):
            here = functions[used]
            left = values - here @ np.linalg.lstsq(here, values, rcond=None)[0]
            along = float(left[1:] @ left[:-1]) / max(float(left @ left), 1e-300)
            keep = float(np.clip(along, 0.0, 0.98))
            # what the last value foretells is taken out of each series, and out of the base alike
            basis = np.linalg.qr(_ahead(self._base[used], keep))[0]
            white = _ahead(values[:, None], keep)
            self._white.append((white - basis @ (basis.T @ white))[:, 0])
            self._roots.append(basis)
            self._keep.append(keep)

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
                found.append((delay_s, lag_s, late))
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
        best = _Best(-np.inf, "moves", _DELAYS_S[0], 0.0)
        for delay_s, lag_s, response in self._responses():
            gains = []
            for number, values in enumerate(self._white):
                line = weights @ self._without(response, number).T
                along, power = line @ values, (line * line).sum(axis=1)
                share = along**2 / np.maximum(power * float(values @ values), 1e-300)
                gain = -values.size * np.log(np.maximum(1.0 - share, 1e-9))
                gains.append(gain if number < 2 else np.where(along > 0, gain, 0.0))
            # two sizes gain more by chance than one
            both = gains[0] + gains[1] - 1.0
            for score, way in ((both, "moves"), (gains[2], "restless"), (gains[3], "events")):
                scores = np.maximum(scores, score)
                if score[0] > best.score:
                    best = _Best(float(score[0]), way, delay_s, lag_s)
        return scores, best

    def _without(self, response: FloatArray, number: int) -> FloatArray:
        """Return responses as one of the series would show them, its base taken out."""
        line = _ahead(response[self._used[number]], self._keep[number])
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
            if best.way != "moves" and (delay_s, lag_s) != (best.delay_s, best.lag_s):
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
        widen = np.sqrt(
            np.maximum(self._chance_sizes(orders, best) / np.maximum(np.diag(spread), 1e-30), 1.0)
        )
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
            power = np.maximum((lines * lines).sum(axis=0), _LEAST_POWER)
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
            power = max(float(line @ line), _LEAST_POWER)
            sizes[number] = float(line @ values) / power
            left = values - sizes[number] * line
            score -= values.size * float(
                np.log(max(float(left @ left) / max(float(values @ values), 1e-300), 1e-9))
            )
            lefts.append(left)
            powers.append(power)
        spare = max(1, self._values[0].size - _DEGREE - 3)
        products = np.array([[float(one @ other) for other in lefts] for one in lefts])
        return sizes, products / spare / np.sqrt(np.outer(powers, powers)), score

    def compare_scatter(self, acts: NDArray[np.bool_]) -> float:
        """Return the scatter while acting over that at rest, the first second of each left out."""
        since_s = self._time_s % self._slot_s
        settled = (since_s > min(1.0, 0.4 * self._slot_s))[self._rough_used]
        slot = np.minimum((self._time_s // self._slot_s).astype(np.intp), acts.size - 1)
        act = acts[slot][self._rough_used]
        busy, calm = self._rough[act & settled], self._rough[~act & settled]
        if not busy.size or not calm.size or not calm.mean() > 0:
            return 1.0
        return float(np.sqrt(busy.mean() / calm.mean()))


def _count_in_bins(events: Sequence[Event], start_s: float, count: int) -> FloatArray:
    """Count events in bins of a quarter of a second; a long one counts in each that it touches."""
    many = np.zeros(count)
    for one in events:
        first = int(np.floor((one.time_s - start_s) / _BIN_S))
        last = int(np.floor((one.time_s + one.length_s - start_s) / _BIN_S))
        first, last = max(first, 0), min(last, count - 1)
        if last >= first:
            many[first : last + 1] += one.count / (last + 1 - first) if one.count > 1 else 1.0
    return many


def _ahead(values: FloatArray, keep: float) -> FloatArray:
    """Return values less what the ones before foretell, shape (n, q)."""
    new = values.copy()
    new[1:] -= keep * values[:-1]
    new[0] *= np.sqrt(1.0 - keep**2)
    return new
