"""Straight-line fits to a channel's pulses and rests, whose own movement is no white noise.

A channel creeps and jitters by itself, and its rest depends on the pulse before. So each pair is
first foretold from the four before it (a vector autoregression, fitted to what the fit leaves), and
fits are made to what was not foretold, which is nearly white.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Fit", "PairFit"]

FloatArray = NDArray[np.float64]

ORDER = 4
"""Cycles from which the next one is foretold."""

_ROUNDS = 2
_RCOND = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Sizes of what was fitted.

    Attributes
    ----------
    sizes : numpy.ndarray
        One for each function, shape (q,).
    covariance : numpy.ndarray
        Of these, shape (q, q).
    """

    sizes: FloatArray
    covariance: FloatArray


class PairFit:
    """Pairs of one channel, and what moves them whatever is asked.

    Parameters
    ----------
    pairs : numpy.ndarray
        Pulse and rest of each cycle, shape (n, 2), seconds.
    follows : numpy.ndarray
        True where a cycle begins as the one before it ended, shape (n,), bool.
    base : numpy.ndarray
        Functions that are always fitted besides, shape (n, 2, p).
    """

    def __init__(self, pairs: FloatArray, follows: NDArray[np.bool_], base: FloatArray) -> None:
        self._pairs, self._base, self._follows = pairs, base, follows
        self._used = _chained(follows)
        self.count = int(self._used.size)
        self._foretell = np.zeros((ORDER, 2, 2))
        self._root = np.eye(2)
        self._refine(base)

    def _refine(self, functions: FloatArray) -> None:
        """Fit the functions, and learn from what is left how the channel moves by itself."""
        flat = functions.reshape(-1, functions.shape[2])
        scale = self._pairs.std(axis=0) + 1e-12
        weight = np.tile(1.0 / scale, functions.shape[0])
        sizes = _solve(flat * weight[:, None], self._pairs.reshape(-1) * weight)
        for _ in range(_ROUNDS):
            self._learn(self._pairs - functions @ sizes)
            sizes = _solve(self.flat(functions), self.flat(self._pairs[:, :, None])[:, 0])
        self._learn(self._pairs - functions @ sizes)
        self._y = self.flat(self._pairs[:, :, None])[:, 0]
        basis, kept = np.linalg.svd(self.flat(self._base), full_matrices=False)[:2]
        self._basis = basis[:, kept > _RCOND * kept[0]]
        self._y = self._y - self._basis @ (self._basis.T @ self._y)

    def _learn(self, left: FloatArray) -> None:
        used = self._used
        past = np.concatenate([left[used - lag] for lag in range(1, ORDER + 1)], axis=1)
        rule = _solve(past, left[used])
        self._foretell = np.stack([rule[2 * lag : 2 * lag + 2].T for lag in range(ORDER)])
        new = left[used] - past @ rule
        covariance = new.T @ new / max(1, used.size - 2 * ORDER)
        covariance += np.diag(1e-6 * np.diag(covariance) + 1e-22)
        self._root = np.linalg.inv(np.linalg.cholesky(covariance))

    def flat(self, functions: FloatArray) -> FloatArray:
        """Return functions, shape (n, 2, q), whitened: shape (2 n', q)."""
        used = self._used
        new = functions[used]
        for lag in range(1, ORDER + 1):
            new = new - self._foretell[lag - 1] @ functions[used - lag]
        return np.asarray((self._root @ new).reshape(-1, functions.shape[2]))

    @property
    def used(self) -> NDArray[np.intp]:
        """The cycles that take part, shape (n',)."""
        return self._used

    def restlessness(self) -> FloatArray:
        """Return how far each cycle lies from what was foretold: a logarithm, shape (n',)."""
        new = self._y.reshape(-1, 2)
        return np.asarray(np.log((new * new).sum(axis=1) + 0.1))

    @property
    def left(self) -> FloatArray:
        """What the base leaves, whitened, shape (n', 2)."""
        return self._y.reshape(-1, 2)

    def gain(self, functions: FloatArray) -> float:
        """Return by how much functions beyond the base explain what is there.

        Parameters
        ----------
        functions : numpy.ndarray
            Shape (n, 2, q).

        Returns
        -------
        float
            Twice the gain in log-likelihood: without such functions in the data it follows a
            chi-square distribution with q degrees of freedom.
        """
        flat = self.flat(functions)
        flat = flat - self._basis @ (self._basis.T @ flat)
        size = np.sqrt((flat * flat).sum(axis=0))
        flat = flat[:, size > 0] / size[size > 0]
        if not flat.shape[1]:
            return 0.0
        squares = flat.T @ flat
        values, vectors = np.linalg.eigh(squares)
        good = values > 1e-9 * values[-1]
        along = vectors[:, good].T @ (flat.T @ self._y) / np.sqrt(values[good])
        total = float(self._y @ self._y)
        left = max(total - float(along @ along), 1e-9 * total)
        return self._y.size * float(np.log(total / left)) if total > 0 else 0.0

    def fit(self, functions: FloatArray) -> Fit:
        """Fit functions together with the base, the channel's own movement learned anew.

        Parameters
        ----------
        functions : numpy.ndarray
            Shape (n, 2, q).

        Returns
        -------
        Fit
            Of the functions alone.
        """
        every = np.concatenate([functions, self._base], axis=2)
        again = PairFit(self._pairs, self._follows, every)
        flat = again.flat(every)
        y = again.flat(self._pairs[:, :, None])[:, 0]
        size = np.sqrt((flat * flat).sum(axis=0)) + 1e-300
        inverse = np.linalg.pinv((flat / size).T @ (flat / size), rcond=_RCOND**2, hermitian=True)
        sizes = inverse @ ((flat / size).T @ y)
        count = functions.shape[2]
        left = y - (flat / size) @ sizes
        spread = float(left @ left) / max(1, y.size - every.shape[2])
        covariance = spread * inverse / np.outer(size, size)
        return Fit((sizes / size)[:count], covariance[:count, :count])


def _chained(follows: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the cycles that have as many before them in a row as is needed."""
    whole = np.ones(follows.size, bool)
    for lag in range(ORDER):
        whole[lag:] &= follows[: follows.size - lag]
    whole[:ORDER] = False
    return np.flatnonzero(whole)


def _solve(functions: FloatArray, values: FloatArray) -> FloatArray:
    size = np.sqrt((functions * functions).sum(axis=0)) + 1e-300
    found = np.linalg.lstsq(functions / size, values, rcond=_RCOND)[0]
    return np.asarray((found.T / size).T)
