"""When a hand rests and when it acts: an order of slots, drawn from all that will do."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

__all__ = ["FEWEST_ROUNDS", "SHORTEST_SLOT_S", "Beats", "draw_beats", "list_other_orders"]

FEWEST_ROUNDS = 7
"""Of fewer rounds there are too few orders to tell chance from an answer."""

SHORTEST_SLOT_S = 2.0
"""In shorter slots a hand that is late looks as if it followed the slot before or after."""

MOST_ORDERS = 799
_MOST_CREEP = 0.3
_MOST_IN_A_ROW = 3
_LISTED_ROUNDS = 8
_SEED = 20

Orders = NDArray[np.bool_]


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


def list_other_orders(heard: tuple[bool, ...], rounds: int) -> Orders:
    """List orders that might have been drawn as well.

    Parameters
    ----------
    heard : tuple of bool
        The order that was drawn, as far as it was heard.
    rounds : int
        How many acts the whole order has.

    Returns
    -------
    numpy.ndarray
        As much of each, shape (k, slots): each once, and none that is the same as `heard`; at
        most `MOST_ORDERS`.
    """
    orders = _possible_orders(rounds)[:, : len(heard)]
    _, first = np.unique(orders, axis=0, return_index=True)
    orders = orders[np.sort(first)]
    is_heard = np.all(orders == np.array(heard, dtype=np.bool_), axis=1)
    return np.asarray(orders[~is_heard][:MOST_ORDERS])


def _draw_order(rng: np.random.Generator, rounds: int) -> Orders:
    """Draw one of all orders that will do, each as likely."""
    order = np.repeat([False, True], rounds)
    while True:
        drawn = np.concatenate([[False], rng.permutation(order[1:])])
        if _will_do(drawn[None])[0]:
            return drawn


def _will_do(orders: Orders) -> Orders:
    """Tell which orders hold no long runs and look like no creep, shape (k,)."""
    slots = orders.shape[1]
    runs = np.lib.stride_tricks.sliding_window_view(orders, _MOST_IN_A_ROW + 1, axis=1)
    is_even = ~np.any(np.all(runs, axis=2) | ~np.any(runs, axis=2), axis=1)
    course = np.linspace(-1.0, 1.0, slots)
    creep = np.stack([course, course**2 - np.mean(course**2)])
    creep /= np.linalg.norm(creep, axis=1, keepdims=True) * np.sqrt(float(slots))
    # short orders cannot be free of creep
    most = max(_MOST_CREEP, 2.4 / slots)
    likeness = np.abs(np.where(orders, 1.0, -1.0) @ creep.T)
    return np.asarray(is_even & (likeness <= most).all(axis=1))


@lru_cache(maxsize=4)
def _possible_orders(rounds: int) -> Orders:
    """Return orders that will do, each once, in a mixed order: all, or one more than are used."""
    rng = np.random.default_rng(_SEED)
    slots = 2 * rounds
    if rounds <= _LISTED_ROUNDS:
        places = np.array(list(combinations(range(1, slots), rounds)), dtype=np.intp)
        orders = np.zeros((places.shape[0], slots), dtype=np.bool_)
        np.put_along_axis(orders, places, values=True, axis=1)
        orders = orders[_will_do(orders)]
        return orders[rng.permutation(orders.shape[0])[: MOST_ORDERS + 1]]
    drawn: dict[bytes, Orders] = {}
    while len(drawn) <= MOST_ORDERS:
        order = _draw_order(rng, rounds)
        drawn.setdefault(order.tobytes(), order)
    return np.stack(list(drawn.values()))
