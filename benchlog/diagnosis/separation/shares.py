"""What each cause did in a recording, given an explanation of it.

With powers and directions held, each cause's series is Gaussian given the recording: its mean
is the Wiener estimate, and what is not known of it has a known covariance. So the variance
that it really had in this recording follows, not only that which such a cause has on average.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.separation.hermitian import invert, sandwich, squares
from benchlog.diagnosis.separation.powers import Fit
from benchlog.diagnosis.separation.spectra import Cells
from benchlog.diagnosis.separation.templates import REST, Templates

__all__ = ["Realised", "find_spread", "realise"]

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Realised:
    """What each kind did in one recording.

    The first row holds for the pulse, the second for the period; seconds squared.

    Attributes
    ----------
    slow, fast : numpy.ndarray
        Variance that each kind makes, shape (2, kinds).
    size : numpy.ndarray
        Mean square of each cause in its own unit, shape (kinds,).
    change : numpy.ndarray
        Mean of the last tenth less that of the first tenth, its own unit, shape (kinds,).
    """

    slow: Values
    fast: Values
    size: Values
    change: Values


def realise(cells: Cells, templates: Templates, fit: Fit, chosen: int) -> Realised:
    """Return what each kind did in a recording.

    Parameters
    ----------
    cells : Cells
        The recording.
    templates : Templates
        Of that recording.
    fit : Fit
        Its explanations.
    chosen : int
        Which of them.

    Returns
    -------
    Realised
        Zero for kinds that the explanation is without.
    """
    power = fit.power[chosen]
    along = fit.turned[chosen]
    inverse, det = invert(fit.model[chosen])
    posterior = _know(cells, templates, power, along, inverse, det)
    by_cell = _variances(cells, templates, along, posterior.energy)
    return Realised(
        slow=by_cell[:, :, cells.slow].sum(axis=2),
        fast=by_cell[:, :, ~cells.slow].sum(axis=2),
        size=(posterior.energy @ cells.share) / templates.length**2,
        change=_changes(cells, templates, along, power, inverse),
    )


def find_spread(cells: Cells, templates: Templates, fit: Fit, chosen: int) -> Values:
    """Return how well the variances are known that each kind made in a recording.

    Parameters
    ----------
    cells, templates, fit, chosen
        As for `realise`.

    Returns
    -------
    numpy.ndarray
        Covariance of the variances (slow and fast together) between kinds, shape
        (2, kinds, kinds): of what the recording leaves open, and of how vague directions are.
    """
    power, along = fit.power[chosen], fit.turned[chosen]
    inverse, det = invert(fit.model[chosen])
    posterior = _know(cells, templates, power, along, inverse, det)
    known, unknown = posterior.known, posterior.unknown
    rest = templates.kinds.index(REST)
    joint = np.abs(unknown) ** 2 + 2.0 * np.real(known * np.conj(unknown))
    joint[rest], joint[:, rest] = 0.0, 0.0
    joint[rest, rest] = 2.0 * power[rest] ** 2
    gains = _gains(cells, along, rest)
    spread: Values = np.einsum(
        "gkm,glm,klm,m->gkl", gains, gains, joint, 4.0 * cells.weight / cells.count**2
    )
    for kind in np.flatnonzero(fit.u_angle[chosen] > 0).tolist():
        slope = _turn(cells, templates, fit, chosen, kind)
        spread += slope[:, :, None] * slope[:, None, :]
    return spread


@dataclass(frozen=True, slots=True, eq=False)
class _Posterior:
    """What is known of each kind's coefficients, by cell.

    `known` and `unknown` are the square of their mean and their covariance, between kinds, shape
    (kinds, kinds, m); `energy` is the mean square, shape (kinds, m).
    """

    known: NDArray[np.complex128]
    unknown: NDArray[np.complex128]
    energy: Values


def _know(
    cells: Cells,
    templates: Templates,
    power: Values,
    along: NDArray[np.complex128],
    inverse: Values,
    det: Values,
) -> _Posterior:
    """Return what the recording tells of each kind, the model's moments inverted."""
    middle = sandwich(inverse, det, cells.moments)
    known = _between(along, middle, power)
    unknown = -_between(along, inverse, power)
    kinds = np.arange(power.shape[0])
    unknown[kinds, kinds] += power
    unknown[kinds, kinds] = np.maximum(unknown[kinds, kinds].real, 0.0)
    rest = templates.kinds.index(REST)
    energy = known[kinds, kinds].real + unknown[kinds, kinds].real
    energy[rest] = power[rest]
    return _Posterior(known, unknown, energy)


def _variances(
    cells: Cells, templates: Templates, along: NDArray[np.complex128], energy: Values
) -> Values:
    """Return what each kind adds to the variances of pulse and period, shape (2, kinds, m)."""
    gains = _gains(cells, along, templates.kinds.index(REST))
    return np.asarray(gains * (energy * cells.share)[None])


def _turn(cells: Cells, templates: Templates, fit: Fit, chosen: int, kind: int) -> Values:
    """Return what the variances change by if a direction is turned by its uncertainty.

    Shape (2, kinds). The powers stay.
    """
    power, along = fit.power[chosen], fit.turned[chosen]
    before = squares(along[kind])
    sums = []
    for side in (1.0, -1.0):
        angle = fit.angle[chosen, kind] + side * fit.u_angle[chosen, kind]
        turned = along.copy()
        turned[kind] = (
            np.cos(angle) * templates.along[kind] + np.sin(angle) * templates.across[kind]
        )
        change = squares(turned[kind]) - before
        change[: int(cells.cell_of_wave.max()) + 1, 3] = 0.0
        model = fit.model[chosen] + power[kind][:, None] * change
        energy = _know(cells, templates, power, turned, *invert(model)).energy
        sums.append(_variances(cells, templates, turned, energy).sum(axis=2))
    return np.asarray(0.5 * (sums[0] - sums[1]))


def _between(
    along: NDArray[np.complex128], matrix: Values, power: Values
) -> NDArray[np.complex128]:
    """Return ``P_c P_d h_c^H A h_d``, shape (kinds, kinds, m)."""
    full = np.empty((matrix.shape[0], 2, 2), dtype=np.complex128)
    full[:, 0, 0], full[:, 1, 1] = matrix[:, 0], matrix[:, 1]
    full[:, 0, 1] = matrix[:, 2] + 1j * matrix[:, 3]
    full[:, 1, 0] = np.conj(full[:, 0, 1])
    scaled = along * power[:, :, None]
    return np.asarray(np.einsum("kmi,mij,lmj->klm", np.conj(scaled), full, scaled))


def _gains(cells: Cells, along: NDArray[np.complex128], rest: int) -> Values:
    """Return the squares of what each kind does to pulse and period, shape (2, kinds, m)."""
    on, off = along[:, :, 0] * cells.mean_on_s, along[:, :, 1] * cells.mean_off_s
    gains = np.stack([np.abs(on) ** 2, np.abs(on + off) ** 2])
    gains[0, rest] = 0.5 * cells.mean_on_s**2
    gains[1, rest] = 0.5 * (cells.mean_on_s**2 + cells.mean_off_s**2)
    return np.asarray(gains)


def _changes(
    cells: Cells,
    templates: Templates,
    along: NDArray[np.complex128],
    power: Values,
    inverse: Values,
) -> Values:
    """Return what changed from the first tenth to the last, own units."""
    where = cells.cell_of_wave
    kept = np.flatnonzero((where >= 0) & cells.slow[np.maximum(where, 0)])
    if kept.shape[0] == 0:
        return np.zeros(power.shape[0])
    cell = where[kept]
    x = cells.waves[:, kept]
    first, second, real = inverse[cell, 0], inverse[cell, 1], inverse[cell, 2]
    seen = np.stack([first * x[0] + real * x[1], real * x[0] + second * x[1]])
    series = power[:, cell] * (along[:, cell, 0].real * seen[0] + along[:, cell, 1].real * seen[1])
    places = (np.arange(cells.count) + 0.5) / cells.count
    tenth = max(1, cells.count // 10)
    ends = np.concatenate([places[:tenth], places[-tenth:]])
    basis = np.sqrt(2.0 / cells.count) * np.cos(np.pi * kept[:, None] * ends)
    rise = basis[:, tenth:].mean(axis=1) - basis[:, :tenth].mean(axis=1)
    return np.asarray(series @ rise / templates.length)
