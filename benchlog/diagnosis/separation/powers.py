"""How strong each cause is at each rate: a fit of few causes to the cells of a recording.

In a cell the second moments are ``S = N + sum of P_c H_c``: the input's noise, and for each
cause its power times the square of its direction, ``H_c = h h^H``. The powers that make the
cells likeliest (complex Wishart) follow from

    P <- P sum(w tr(H S^-1 M S^-1)) / sum(w tr(H S^-1))

with ``M`` the cell's moments and ``w`` its weight (the multiplicative update of non-negative
factorisations with the Itakura-Saito divergence, from memory). Each direction may also turn
by a small angle, against the uncertainty that it comes with.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.separation.hermitian import DOT, invert, products, sandwich, squares, trace
from benchlog.diagnosis.separation.spectra import Cells
from benchlog.diagnosis.separation.templates import ALWAYS, REST, WITHIN, Templates

__all__ = ["Fit", "fit_powers", "take_fits"]

Values = NDArray[np.float64]
Turned = NDArray[np.complex128]

_MOST_BENT = 0.15

_INPUT_SPREAD = 0.15  # of the logarithm of the input's noise power
_CALM_V = 0.4e-3
"""How restless a channel's levels are at the most by themselves (common practice)."""

_TINY = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Explanations of one recording.

    Attributes
    ----------
    evidence : numpy.ndarray
        Log-likelihood, with the priors of directions and noise and less what each free power
        costs, shape (s,).
    power : numpy.ndarray
        Power of each kind in each cell, shape (s, kinds, m); 0 where a kind is left out.
    model : numpy.ndarray
        The moments that it gives, shape (s, m, 4).
    turned : numpy.ndarray
        The directions as turned, shape (s, kinds, m, 2), complex.
    restless : numpy.ndarray
        Whether the levels move by more than a healthy channel's, shape (s,), bool.
    angle : numpy.ndarray
        By how much each direction was turned, radians, shape (s, kinds).
    u_angle : numpy.ndarray
        How well that is known, radians, shape (s, kinds).
    """

    evidence: Values
    power: Values
    model: Values
    turned: Turned
    restless: NDArray[np.bool_]
    angle: Values
    u_angle: Values


def take_fits(fit: Fit, rows: NDArray[np.intp]) -> Fit:
    """Return some of a recording's explanations, by their numbers."""
    return Fit(**{one.name: getattr(fit, one.name)[rows] for one in fields(Fit)})


class _State:
    """The explanations while they are fitted.

    Each holds only the kinds that it has: `place` says which, shape (s, k); what is left over is
    filled with the rest, without power.
    """

    def __init__(
        self, cells: Cells, templates: Templates, chosen: NDArray[np.bool_], turns: Values
    ) -> None:
        self.cells, self.templates = cells, templates
        sets = chosen.shape[0]
        kinds = templates.kinds
        first = [kinds.index(kind) for kind in ALWAYS]
        others = [[k for k in np.flatnonzero(row).tolist() if k not in first] for row in chosen]
        most = max(len(row) for row in others)
        rest = kinds.index(REST)
        self.place = np.array([[*first, *row, *[rest] * (most - len(row))] for row in others])
        self.used = np.array(
            [[True] * (len(first) + len(row)) + [False] * (most - len(row)) for row in others]
        )
        self.is_rest = self.place == rest
        self.group = templates.group[self.place]
        self.group_back = np.swapaxes(self.group, 2, 3).copy()
        self.along, self.across = templates.along[self.place], templates.across[self.place]
        self.prior_u = np.where(self.used, templates.u_angle[self.place], 0.0)
        self.bend = templates.bend[self.place]
        self.cosine = slice(0, int(cells.cell_of_wave.max()) + 1)
        self.angle = np.where(self.used, turns[np.arange(sets)[:, None], self.place], 0.0)
        self.u_angle = self.prior_u.copy()
        scale = np.full(
            self.place.shape, max(float(np.sum(cells.share @ cells.moments[:, :2])), 1e-18)
        )
        scale[:, 0] = 1.0
        self.raw = np.where(self.used, scale, 0.0)[:, :, None] * np.ones(self.group.shape[3])
        floor = 1e-3 * np.min(cells.moments[:, :2], axis=0)
        self.noise = cells.noise.copy()
        self.noise[:, :2] += floor + 1e-24  # keeps a file without noise from dividing by 0
        self.calm = (_CALM_V * templates.length[first[1:]]) ** 2
        self.most = np.full(self.place.shape, np.inf)
        # where the supply moves the levels, the levels are not restless by themselves
        within = [kinds.index(kind) for kind in WITHIN if kind in kinds]
        moved = np.asarray(np.any(chosen[:, within], axis=1), dtype=bool)
        self.most[:, 1 : len(first)] = np.where(moved[:, None], self.calm[None], np.inf)
        self.raw = np.minimum(self.raw, self.most[:, :, None])
        self.slack = templates.slack[self.place]
        self.bent = self.slack
        self.side_raw = self.bent[:, :, None] ** 2 * self.raw
        self.set_squares()

    def set_bends(self) -> None:
        """Allow for the bend of each direction over the reach that its cause has."""
        reach = np.sqrt(self.power() @ self.cells.share)
        # a square beside its straight line: 1/sqrt(2) of it is not along
        self.bent = np.clip(np.hypot(self.slack, 0.7 * self.bend * reach), 0.0, _MOST_BENT)

    def set_squares(self) -> None:
        """Work out the directions' squares at the present angles."""
        cos, sin = np.cos(self.angle)[..., None, None], np.sin(self.angle)[..., None, None]
        self.turned = cos * self.along + sin * self.across
        self.beside = cos * self.across - sin * self.along
        self.squares, self.side_squares = squares(self.turned), squares(self.beside)
        # waves of the cosine basis do not tell what leads from what lags
        self.squares[:, :, self.cosine, 3] = 0.0
        self.side_squares[:, :, self.cosine, 3] = 0.0
        self.squares[:, 0], self.side_squares[:, 0] = self.noise, 0.0
        self.squares[self.is_rest] = (0.5, 0.5, 0.0, 0.0)
        self.side_squares[self.is_rest] = 0.0

    def power(self) -> Values:
        """Return the power of each kind in each cell, shape (s, k, m)."""
        return np.asarray((self.group @ self.raw[..., None])[..., 0])

    def weigh(self) -> tuple[Values, Values, Values, Values, Values]:
        """Return powers, the model's moments, their inverses, determinants and sandwiches."""
        power = self.power()
        beside = (self.group @ self.side_raw[..., None])[..., 0]
        model = np.sum(
            power[..., None] * self.squares + beside[..., None] * self.side_squares, axis=1
        )
        inverse, det = invert(model)
        return power, model, inverse, det, sandwich(inverse, det, self.cells.moments)

    def step_power(self) -> None:
        """Improve the powers."""
        _, _, inverse, _, middle = self.weigh()
        weight = (self.cells.weight[:, None] * DOT)[None]
        both = np.stack([middle * weight, inverse * weight], axis=-1)[:, None]

        def pull(shapes: Values) -> Values:
            pulls = self.group_back @ (shapes[:, :, :, None, :] @ both)[:, :, :, 0]
            above, below = pulls[..., 0], pulls[..., 1]
            if shapes is self.squares:
                held = 1.0 / _INPUT_SPREAD**2
                above[:, 0, 0] += held / self.raw[:, 0, 0]
                below[:, 0, 0] += held
            return np.asarray(np.maximum(above, 0.0) / np.maximum(below, _TINY))

        factor = pull(self.squares)
        self.side_raw = self.side_raw * pull(self.side_squares)
        self.raw = np.minimum(self.raw * factor, self.most[:, :, None])
        self.raw[:, 0, 0] = np.clip(self.raw[:, 0, 0], 0.05, 20.0)
        self.side_raw = np.minimum(self.side_raw, self.bent[:, :, None] ** 2 * self.raw)

    def step_angle(self) -> None:
        """Turn the directions to where they fit better, against what is known of them."""
        power, _, inverse, det, middle = self.weigh()
        weight = self.cells.weight
        change = products(self.beside, self.turned) * power[..., None]
        change[:, :, self.cosine, 3] = 0.0
        slope = trace(change, (middle - inverse)[:, None]) @ weight
        inner = sandwich(inverse[:, None], det[:, None], change)
        firmness = trace(inner, change) @ weight
        active = self.used & (self.prior_u > 0)
        prior = 1.0 / np.maximum(self.prior_u, 1e-9) ** 2
        total = np.maximum(firmness, 0.0) + prior
        limit = 2.0 * self.prior_u
        move = np.clip((slope - self.angle * prior) / total, -limit, limit)
        self.angle = np.where(active, np.clip(self.angle + move, -2 * limit, 2 * limit), 0.0)
        self.u_angle = np.where(active, 1.0 / np.sqrt(total), 0.0)
        self.set_squares()

    def is_restless(self) -> NDArray[np.bool_]:
        """Tell where the levels move by more than a healthy channel's."""
        levels = self.raw[:, 1 : len(ALWAYS), 0]
        return np.asarray(np.any(levels > 1.001 * self.calm, axis=1))

    def evidence(self) -> Values:
        """Return the log-likelihood with the priors and what the free figures cost."""
        power, _, inverse, det, _ = self.weigh()
        weight = self.cells.weight
        fit = -(np.log(det) + trace(inverse, self.cells.moments)) @ weight
        active = self.used & (self.prior_u > 0)
        prior = np.where(active, self.prior_u, 1.0)
        turned = np.where(active, self.angle / prior, 0.0)
        known = np.where(active, np.log(self.u_angle / prior + _TINY), 0.0)
        noise = np.log(self.raw[:, 0, 0]) / _INPUT_SPREAD
        # each power costs half the logarithm of how much the recording tells of it (Schwarz,
        # Estimating the dimension of a model, Annals of Statistics 6 (1978); from memory)
        part = (power * trace(self.squares, inverse[:, None])) ** 2 * weight
        told = ((self.group_back > 0) @ part[..., None])[..., 0]
        free = 0.5 * np.sum(np.log1p(2.0 * told), axis=(1, 2))
        angles = -0.5 * np.sum(turned**2, axis=1) + np.sum(np.minimum(known, 0.0), axis=1)
        return np.asarray(fit + angles - 0.5 * noise**2 - free)

    def spread(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return what each explanation's kinds have in the order of all kinds, else 0."""
        shape = (values.shape[0], len(self.templates.kinds), *values.shape[2:])
        whole = np.zeros(shape, dtype=values.dtype)
        rows, columns = np.nonzero(self.used)
        whole[rows, self.place[rows, columns]] = values[rows, columns]
        return whole


def fit_powers(
    cells: Cells,
    templates: Templates,
    chosen: NDArray[np.bool_],
    *,
    rounds: int = 60,
    turns: Values | None = None,
) -> Fit:
    """Fit explanations to a recording.

    Parameters
    ----------
    cells : Cells
        The recording, m cells.
    templates : Templates
        Of that recording.
    chosen : numpy.ndarray
        Which kinds each explanation has, shape (s, kinds), bool.
    rounds : int
        Rounds of improvement.
    turns : numpy.ndarray, optional
        By how much each direction is turned to begin with, radians, shape (s, kinds); not at all
        where it is not given.

    Returns
    -------
    Fit
        In the order of `chosen`.
    """
    state = _State(cells, templates, chosen, np.zeros(chosen.shape) if turns is None else turns)
    for number in range(rounds):
        state.step_power()
        if number in (6, 14):
            state.set_bends()
        elif number % 4 == 3 and number >= 7:
            state.step_angle()
    for _ in range(4):
        state.step_power()
    return Fit(
        state.evidence(),
        state.spread(state.power()),
        state.weigh()[1],
        state.spread(state.turned),
        state.is_restless(),
        state.spread(state.angle),
        state.spread(state.u_angle),
    )
