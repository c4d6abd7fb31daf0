"""Which cause moves pulse and rest in a way that was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.separation.directions import Direction

__all__ = ["Effect", "lasting_slope", "point_effect"]

_LASTING = ("wiper", "contact", "supply", "diode", "capacitor", "leak", "off-path")
"""Kinds that can move a mean; the others only scatter."""

_LEAST_U = 0.03


@dataclass(frozen=True, slots=True)
class Effect:
    """A cause that moves pulse and rest as measured.

    Attributes
    ----------
    kind, cause : str or None
        The likeliest; None where nothing is told.
    rivals : tuple of str
        Other causes that the measured way does not exclude, likeliest first.
    log_odds : float
        Natural logarithm of its likelihood over that of the best other cause.
    size : float or None
        How much of it, in its own unit.
    unit : str
        The unit.
    fits : bool
        Whether the likeliest explains what was measured at all.
    """

    kind: str | None = None
    cause: str | None = None
    rivals: tuple[str, ...] = ()
    log_odds: float = 0.0
    size: float | None = None
    unit: str = ""
    fits: bool = False


def lasting_slope(direction: Direction) -> tuple[float, float]:
    """Return what a lasting unit of a cause does to pulse and rest, seconds."""
    return direction.on_s + direction.next_on_s, direction.off_s + direction.next_off_s


def point_effect(
    sizes: NDArray[np.float64], covariance: NDArray[np.float64], directions: Sequence[Direction]
) -> Effect:
    """Find the cause that moves pulse and rest in a measured way.

    Parameters
    ----------
    sizes : numpy.ndarray
        Change of pulse and rest, seconds, shape (2,).
    covariance : numpy.ndarray
        Of these, shape (2, 2).
    directions : sequence of Direction
        How each cause moves the channel.

    Returns
    -------
    Effect
        Empty without directions.
    """
    judged = []
    for one in directions:
        if one.kind not in _LASTING:
            continue
        way = np.array(lasting_slope(one))
        length = float(np.hypot(*way))
        if not length > 0:
            continue
        across = np.array([-way[1], way[0]]) / length
        blur = max(one.u_relative, _LEAST_U) * float(np.hypot(*sizes))
        allowed = covariance + blur**2 * np.outer(across, across)
        inverse = np.linalg.inv(allowed + 1e-24 * np.eye(2))
        amount = float(way @ inverse @ sizes) / float(way @ inverse @ way)
        if one.kind in ("contact", "leak"):
            amount = max(amount, 0.0)
        left = sizes - amount * way
        judged.append((float(left @ inverse @ left), one, amount))
    if not judged:
        return Effect()
    judged.sort(key=lambda entry: entry[0])
    misfit, best, amount = judged[0]
    others = [entry for entry in judged if entry[1].cause != best.cause]
    near: list[str] = []
    for entry in others:
        if entry[0] - misfit < 6.0 and entry[1].cause not in near:
            near.append(entry[1].cause)
    gap = others[0][0] - misfit if others else np.inf
    return Effect(
        kind=best.kind,
        cause=best.cause,
        rivals=tuple(near),
        log_odds=float(min(0.5 * gap, 1e4)),
        size=amount,
        unit=best.unit,
        fits=misfit < 12.0,
    )
