"""Two pieces of numerical work: Wright's function, and a quadrature over many ways at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["integrate", "wright_omega"]

Values = NDArray[np.float64]


def wright_omega(z: Values) -> Values:
    """Solve w + ln w = z for w > 0, by Newton's method with its next two corrections.

    Parameters
    ----------
    z : numpy.ndarray
        Finite, above -700.

    Returns
    -------
    numpy.ndarray
        Wright's omega function, to rounding error.

    Notes
    -----
    Each round takes the error to its fourth power (Fritsch, Shafer and Crowley, CACM 16,
    1973; from memory). The start is within 0.3 of ln w for every z; one round comes to 1e-6.
    """
    large = np.maximum(z, 1.0)
    small = np.exp(np.minimum(z, 1.0))
    log_large = np.log(large)
    w = np.where(z > 1.0, large - log_large * (1.0 - 1.0 / large), small / (1.0 + 0.632 * small))
    for _ in range(2):
        rest = z - w - np.log(w)
        more = 1.0 + w
        double = 2.0 * more * (more + rest / 1.5)
        w = w + w * rest * (double - rest) / (more * (double - 2.0 * rest))
    return np.asarray(w)


def _gauss_legendre(count: int) -> tuple[Values, Values]:
    """Return nodes and weights on -1 to 1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return np.asarray(nodes), np.asarray(weights)


def _mirror(*half: float) -> Values:
    """Return figures that belong to nodes from 1 down to 0 at all nodes, ascending."""
    return np.array([*half, *half[-2::-1]])


# Kronrod's seven nodes, which hold Gauss's three (every second one); tabulated in QUADPACK's
# kin, here from memory: the test integrates powers up to the eleventh exactly
_SEVEN = (
    _mirror(-0.960491268708020283, -0.774596669241483377, -0.434243749346802558, 0.0)
    * np.array([1, 1, 1, 1, -1, -1, -1]),
    _mirror(0.104656226026467265, 0.268488089868333441, 0.401397414775962223, 0.450916538658474142),
)
_THREE = np.array([0.0, 5 / 9, 0.0, 8 / 9, 0.0, 5 / 9, 0.0])
_FINE, _COARSE = _gauss_legendre(20), _gauss_legendre(10)
_NEAR = 1e-6
"""Where the coarse rule comes so near, the fine one has about squared the error."""
_DEPTH = 10
"""How often a way may be halved: an end that the capacitor only just reaches needs it."""
_BLOCK = 2048
"""Ways that are done at once, so that what lies between stays in the cache."""

Rate = Callable[..., Values]


def integrate(rate: Rate, start: Values, end: Values, parts: Sequence[Values]) -> Values:
    """Integrate a smooth function over many ways at once.

    Parameters
    ----------
    rate : callable
        ``rate(z, *parts)``, the function at z, element by element.
    start, end : numpy.ndarray
        Ends of each way.
    parts : sequence of numpy.ndarray
        What else `rate` takes; all broadcast.

    Returns
    -------
    numpy.ndarray
        To 1e-9 or so, of the common shape; not a number, or meaningless, where the function
        has a pole on the way.

    Notes
    -----
    Seven nodes, checked by three of them; where the two differ by more than 1e-6 twenty nodes,
    checked by ten and halved until they agree.
    """
    shape = np.broadcast_shapes(start.shape, end.shape, *(one.shape for one in parts))
    count = int(np.prod(shape))
    if count <= _BLOCK:
        return _integrate_block(rate, start, end, parts, shape)
    whole = np.empty(count)
    flat = [np.broadcast_to(one, shape).reshape(count) for one in (start, end, *parts)]
    for first in range(0, count, _BLOCK):
        cut = [one[first : first + _BLOCK] for one in flat]
        size = cut[0].shape
        whole[first : first + _BLOCK] = _integrate_block(rate, cut[0], cut[1], cut[2:], size)
    return whole.reshape(shape)


def _integrate_block(
    rate: Rate, start: Values, end: Values, parts: Sequence[Values], shape: tuple[int, ...]
) -> Values:
    """Integrate a few ways: seven nodes, and more where those are not enough."""
    middle, half = 0.5 * (start + end), 0.5 * (end - start)
    nodes, weights = _SEVEN
    along = (-1, *(1,) * len(shape))
    at = rate(middle + half * nodes.reshape(along), *parts)
    fine = np.array(half * np.tensordot(weights, at, 1))
    rough = np.abs(half * np.tensordot(_THREE, at, 1) - fine) > _NEAR * np.abs(fine)
    if rough.any():
        cut = [np.broadcast_to(one, shape)[rough] for one in (start, end, *parts)]
        fine[rough] = _halve(rate, cut[0], cut[1], cut[2:], _DEPTH)
    return fine


def _halve(rate: Rate, start: Values, end: Values, parts: Sequence[Values], depth: int) -> Values:
    """Integrate ways of shape (n,), halving those where two rules disagree."""
    middle, half = 0.5 * (start + end), 0.5 * (end - start)

    def apply(nodes: Values, weights: Values) -> Values:
        return np.array(half * (weights @ rate(middle + half * nodes[:, None], *parts)))

    fine, coarse = apply(*_FINE), apply(*_COARSE)
    rough = np.abs(fine - coarse) > _NEAR * np.abs(fine)
    if depth and rough.any():
        part = [one[rough] for one in parts]
        first = _halve(rate, start[rough], middle[rough], part, depth - 1)
        fine[rough] = first + _halve(rate, middle[rough], end[rough], part, depth - 1)
    return fine
