"""Straight lines and low polynomials by least squares, with the covariance of what was fitted.

The abscissa is moved to its mean and scaled to its range, an orthogonal basis is made of it by QR,
and the coefficients are transformed back at the end, so that figures hold to the last digits where
normal equations lose half of them (NIST StRD).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Polynomial", "fit_polynomial", "fit_straight_line"]

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Polynomial:
    """A fitted polynomial ``sum c_k (x - origin)^k``.

    Attributes
    ----------
    coefficients : numpy.ndarray
        Ascending, shape (m,).
    covariance : numpy.ndarray
        Of the coefficients, shape (m, m).
    origin : float
        Where the abscissa counts from.
    residual_sd : float
        Standard deviation of the residuals with `freedom`; for a fit with given uncertainties the
        root of chi-square a degree of freedom. 0 without any freedom.
    freedom : int
        Observations less coefficients.
    chi_square : float
        Sum of the squared residuals, each in units of its uncertainty where that is given.
    """

    coefficients: Values
    covariance: Values
    origin: float
    residual_sd: float
    freedom: int
    chi_square: float
    centre: float
    scale: float
    inverse: Values
    own: Values
    spread: float

    @property
    def u(self) -> Values:
        """Standard uncertainties of the coefficients, shape (m,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def correlation(self) -> Values:
        """Correlations of the coefficients, shape (m, m); 0 where one is known exactly."""
        u = self.u
        product = np.outer(u, u)
        return np.divide(self.covariance, product, out=np.eye(u.size), where=product > 0.0)

    def predict(self, x: ArrayLike) -> tuple[Values, Values]:
        """Return the polynomial and its standard uncertainty at places.

        Parameters
        ----------
        x : array_like
            Any shape.

        Returns
        -------
        tuple of numpy.ndarray
            Values and standard uncertainties, shape of `x` (JCGM 100:2008, H.3.4).
        """
        at = (np.asarray(x, dtype=np.float64) - self.centre) / self.scale
        power = at[..., None] ** np.arange(self.own.size)
        u = self.spread * np.sqrt(np.sum((power @ self.inverse) ** 2, axis=-1))
        return np.asarray(power @ self.own), np.asarray(u)


def fit_straight_line(
    x: ArrayLike, y: ArrayLike, u: ArrayLike | None = None, *, origin: float = 0.0
) -> Polynomial:
    """Fit a straight line: `fit_polynomial` of degree 1."""
    return fit_polynomial(x, y, 1, u, origin=origin)


def fit_polynomial(
    x: ArrayLike,
    y: ArrayLike,
    degree: int,
    u: ArrayLike | None = None,
    *,
    origin: float = 0.0,
) -> Polynomial:
    """Fit a polynomial by least squares.

    Parameters
    ----------
    x, y : array_like
        Places and observations, shape (n,).
    degree : int
        0 to 6.
    u : array_like, optional
        Standard uncertainties of the observations, above 0, shape (n,). Without them all weigh
        the same, and the scatter about the fit says how large they are.
    origin : float
        Where the abscissa of the coefficients counts from.

    Returns
    -------
    Polynomial
        With n = degree + 1 observations and no `u` the covariance is 0: there is no scatter.

    Raises
    ------
    ValueError
        Too few observations or places, numbers that are not finite, an uncertainty that is
        not above 0, or another degree.
    """
    place, seen = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if place.ndim != 1 or place.shape != seen.shape:
        raise ValueError(f"x and y must be of one shape (n,), got {place.shape} and {seen.shape}")
    if not 0 <= degree <= 6:
        raise ValueError(f"degree must be 0 to 6, got {degree}")
    if not (np.all(np.isfinite(place)) and np.all(np.isfinite(seen)) and math.isfinite(origin)):
        raise ValueError("x, y and origin must be finite")
    distinct = np.unique(place).size
    if distinct < degree + 1:
        raise ValueError(f"degree {degree} needs {degree + 1} places, got {distinct}")
    weight = np.ones_like(place)
    if u is not None:
        known = np.broadcast_to(np.asarray(u, dtype=np.float64), place.shape)
        if not np.all((known > 0.0) & np.isfinite(known)):
            raise ValueError("u must be finite and above 0")
        weight = 1.0 / known
    centre = float(np.mean(place))
    reach = float(np.max(np.abs(place - centre)))
    scale = reach if reach > 0.0 else 1.0
    basis = ((place - centre) / scale)[:, None] ** np.arange(degree + 1)
    q, r = np.linalg.qr(basis * weight[:, None])
    inverse = np.linalg.inv(r)
    # once more on what is left: the rounding of the first pass goes out
    own = inverse @ (q.T @ (weight * seen))
    own = own + inverse @ (q.T @ (weight * (seen - basis @ own)))
    left = weight * (seen - basis @ own)
    chi_square, freedom = float(left @ left), place.size - degree - 1
    residual_sd = math.sqrt(chi_square / freedom) if freedom > 0 else 0.0
    spread = residual_sd if u is None else 1.0
    back = _shift_matrix(degree, centre - origin, scale)
    root = back @ inverse
    return Polynomial(
        coefficients=back @ own,
        covariance=spread**2 * root @ root.T,
        origin=origin,
        residual_sd=residual_sd,
        freedom=freedom,
        chi_square=chi_square,
        centre=centre,
        scale=scale,
        inverse=inverse,
        own=own,
        spread=spread,
    )


def _shift_matrix(degree: int, shift: float, scale: float) -> Values:
    """Return what turns coefficients of ((x - shift)/scale)^k into those of x^j."""
    matrix = np.zeros((degree + 1, degree + 1))
    for k in range(degree + 1):
        for j in range(k + 1):
            matrix[j, k] = math.comb(k, j) * (-shift) ** (k - j) / scale**k
    return matrix
