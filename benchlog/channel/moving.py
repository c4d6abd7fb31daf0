"""A phase of the cycle while the supply moves.

With the supply moving, the current into the capacitor depends on the time as well as on its
voltage, and the time is what is sought: ``t(v) = integral of C dv / i(v, V(t(v)))``. The way is
laid through Gauss-Legendre nodes in ``v``; from the times at the nodes come the supplies there,
from those the currents, from those better times, until nothing changes. Each round takes the
error down by the share that the supply's move has of the current, some twentieth.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.circuit import Circuit
from benchlog.channel.phases import Course, off_phase, on_phase

__all__ = ["stretch_by_supply"]

Values = NDArray[np.float64]

SupplyAt = Callable[[Values, Values], Values]
"""Supply in volts at times since the phase began, shape (k, n), in phases that last (n,) s."""

_ROUNDS = 30
_SETTLED = 1e-9


@lru_cache(maxsize=16)
def _nodes(count: int) -> tuple[Values, Values, Values]:
    """Return nodes on -1 to 1, weights, and what integrates from -1 to each node."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    polynomials = np.polynomial.legendre.legvander(nodes, count - 1)
    whole = np.stack(
        [
            np.polynomial.legendre.legval(
                nodes,
                np.polynomial.legendre.legint(row, lbnd=-1),
            )
            for row in np.eye(count)
        ],
        axis=1,
    )
    return np.asarray(nodes), np.asarray(weights), np.asarray(whole @ np.linalg.inv(polynomials))


def stretch_by_supply(
    circuit: Circuit,
    from_v: Values,
    to_v: Values,
    supply_at: SupplyAt,
    *,
    pulled: bool,
    nodes: int = 12,
) -> Values:
    """Return by how much a moving supply stretches a phase.

    Parameters
    ----------
    circuit : Circuit
        The circuit with the supply that the phase is compared with; fields of shape (n,) or ().
    from_v, to_v : numpy.ndarray
        Capacitor voltages at the beginning and at the end, volts, shape (n,).
    supply_at : callable
        The supply: ``supply_at(elapsed_s, length_s)`` for times since the phase began, shape
        (nodes, n), in phases that last ``length_s``, shape (n,), both in seconds.
    pulled : bool
        Whether it is off: the discharge transistor holds the discharge pin down.
    nodes : int
        Nodes on the way; more where the supply swings several times within the phase.

    Returns
    -------
    numpy.ndarray
        The time with the moving supply over that with the circuit's own, shape (n,); not a
        number where the phase does not end.

    Notes
    -----
    A ratio, since most of what the nodes miss of a sharply bent way is in both times alike.
    """
    places, weights, running = _nodes(nodes)
    middle, half = 0.5 * (to_v + from_v), 0.5 * (to_v - from_v)
    way = middle + half * places[:, None]
    network = off_phase if pulled else on_phase

    def slowness(supply_v: Values) -> Values:
        """Return C dt/dv in ohms at the nodes."""
        driven = dataclasses.replace(circuit, supply_v=supply_v)
        course = Course(driven, network(driven))
        return np.asarray(half / course.current(course.place(way)))

    c_f = np.asarray(circuit.c_f, dtype=np.float64)
    with np.errstate(all="ignore"):
        pace = slowness(np.broadcast_to(np.asarray(circuit.supply_v, np.float64), way.shape))
        steady = length = c_f * (weights @ pace)
        for _ in range(_ROUNDS):
            before = length
            pace = slowness(supply_at(c_f * (running @ pace), length))
            length = c_f * (weights @ pace)
            if not np.any(np.abs(length - before) > _SETTLED * np.abs(length)):
                break
        return np.asarray(length / steady)
