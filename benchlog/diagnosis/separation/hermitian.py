"""Hermitian 2 x 2 matrices, many at once.

Each is held as four numbers along the last axis: (1,1), (2,2), and real and imaginary part of
(1,2).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["DOT", "invert", "products", "sandwich", "squares", "trace"]

Values = NDArray[np.float64]
Vectors = NDArray[np.complex128]

DOT = np.array([1.0, 1.0, 2.0, 2.0])
"""Weights with which the numbers of two matrices sum to the trace of their product."""

_TINY = 1e-300


def squares(vector: Vectors) -> Values:
    """Return ``v v^H`` of vectors along the last axis as four numbers."""
    cross = vector[..., 0] * np.conj(vector[..., 1])
    return np.stack(
        [np.abs(vector[..., 0]) ** 2, np.abs(vector[..., 1]) ** 2, cross.real, cross.imag],
        axis=-1,
    )


def products(one: Vectors, other: Vectors) -> Values:
    """Return ``a b^H + b a^H`` as four numbers."""
    cross = one[..., 0] * np.conj(other[..., 1]) + other[..., 0] * np.conj(one[..., 1])
    return np.stack(
        [
            2 * np.real(one[..., 0] * np.conj(other[..., 0])),
            2 * np.real(one[..., 1] * np.conj(other[..., 1])),
            cross.real,
            cross.imag,
        ],
        axis=-1,
    )


def invert(matrix: Values) -> tuple[Values, Values]:
    """Return the inverse of Hermitian matrices as four numbers, and the determinant."""
    first, second, real, imag = (matrix[..., k] for k in range(4))
    det = np.maximum(first * second - real**2 - imag**2, _TINY)
    return np.stack([second, first, -real, -imag], axis=-1) / det[..., None], det


def trace(one: Values, other: Values) -> Values:
    """Return the trace of the product of two Hermitian matrices."""
    return np.asarray(np.sum(one * other * DOT, axis=-1))


def sandwich(inverse: Values, det: Values, moments: Values) -> Values:
    """Return ``A M A`` for ``A`` the inverse of a matrix of determinant `det`."""
    adjugate = np.stack(
        [moments[..., 1], moments[..., 0], -moments[..., 2], -moments[..., 3]], axis=-1
    )
    return trace(inverse, moments)[..., None] * inverse - adjugate / det[..., None]
