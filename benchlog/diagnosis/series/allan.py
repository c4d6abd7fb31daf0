"""Deviations of a series by averaging time, and what white and walking parts make of it.

The estimators are those of W. J. Riley, Handbook of Frequency Stability Analysis, NIST SP 1065
(2008); the numbers of sections, equations and pages beside them are from memory, the values
are checked against its tables 30 and 31.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Deviations",
    "Kind",
    "NoiseParts",
    "adev",
    "hdev",
    "mdev",
    "oadev",
    "ohdev",
    "split_noise",
    "tdev",
]

FloatArray = NDArray[np.float64]

Kind = Literal["phase", "frequency"]


@dataclass(frozen=True, slots=True, eq=False)
class Deviations:
    """A deviation at several averaging times.

    Attributes
    ----------
    tau_s : numpy.ndarray
        Averaging times, seconds, ascending, shape (k,).
    deviation : numpy.ndarray
        In the unit of the frequency values (TDEV: in that of the phase), shape (k,).
    terms : numpy.ndarray
        How many differences each was averaged over, int, shape (k,).
    """

    tau_s: FloatArray
    deviation: FloatArray
    terms: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class NoiseParts:
    """What a series is made of, by how its scatter depends on the averaging time.

    Attributes
    ----------
    white_rms_s, u_white_rms_s : float
        Standard deviation of what is new in each value, and its standard uncertainty.
    walk_rms_s_per_sqrt_s, u_walk_rms_s_per_sqrt_s : float
        Standard deviation of a random walk after one second.
    drift_s_per_s, u_drift_s_per_s : float
        Slope of a straight line, with what white and walking parts make of it by themselves.
    """

    white_rms_s: float
    u_white_rms_s: float
    walk_rms_s_per_sqrt_s: float
    u_walk_rms_s_per_sqrt_s: float
    drift_s_per_s: float
    u_drift_s_per_s: float


def adev(
    values: FloatArray,
    *,
    step_s: float = 1.0,
    kind: Kind = "frequency",
    factors: Sequence[int] | None = None,
) -> Deviations:
    """Return the Allan deviation, differences that do not overlap.

    Parameters
    ----------
    values : numpy.ndarray
        Shape (n,): ``frequency`` values, each the mean over one step, or ``phase`` values
        at its bounds, seconds.
    step_s : float
        Time between two values, seconds, above 0.
    kind : str
        What the values are.
    factors : sequence of int, optional
        Averaging times in steps; powers of two where none are given. What leaves no
        difference is left out.

    Returns
    -------
    Deviations
        Shape (k,), k may be 0.

    Raises
    ------
    ValueError
        Values that are not finite or not one row, a step or factor that is not above 0.

    Notes
    -----
    NIST SP 1065, section 5.2.1, equations 7 and 8 (p. 14, from memory):
    ``sigma^2 = sum (x[i+2] - 2 x[i+1] + x[i])^2 / (2 (N - 2) tau^2)`` over every m-th phase.
    """

    def differences(phase: FloatArray, m: int) -> FloatArray:
        return np.diff(phase[::m], 2)

    return _deviations(values, step_s, kind, factors, differences, 2.0)


def oadev(
    values: FloatArray,
    *,
    step_s: float = 1.0,
    kind: Kind = "frequency",
    factors: Sequence[int] | None = None,
) -> Deviations:
    """Return the overlapping Allan deviation; arguments and errors as for `adev`.

    Parameters
    ----------
    values : numpy.ndarray
        As for `adev`.
    step_s : float
        As for `adev`.
    kind : str
        As for `adev`.
    factors : sequence of int, optional
        As for `adev`.

    Returns
    -------
    Deviations
        Shape (k,).

    Notes
    -----
    NIST SP 1065, section 5.2.4, equation 11 (p. 16, from memory):
    ``sigma^2 = sum (x[i+2m] - 2 x[i+m] + x[i])^2 / (2 (N - 2m) tau^2)``.
    """

    def differences(phase: FloatArray, m: int) -> FloatArray:
        return phase[2 * m :] - 2.0 * phase[m:-m] + phase[: -2 * m]

    return _deviations(values, step_s, kind, factors, differences, 2.0)


def mdev(
    values: FloatArray,
    *,
    step_s: float = 1.0,
    kind: Kind = "frequency",
    factors: Sequence[int] | None = None,
) -> Deviations:
    """Return the modified Allan deviation; arguments and errors as for `adev`.

    Parameters
    ----------
    values : numpy.ndarray
        As for `adev`.
    step_s : float
        As for `adev`.
    kind : str
        As for `adev`.
    factors : sequence of int, optional
        As for `adev`.

    Returns
    -------
    Deviations
        Shape (k,).

    Notes
    -----
    NIST SP 1065, section 5.2.5, equation 14 (p. 17, from memory): the second differences
    of `oadev`, averaged over m neighbours before they are squared.
    """

    def differences(phase: FloatArray, m: int) -> FloatArray:
        second = phase[2 * m :] - 2.0 * phase[m:-m] + phase[: -2 * m]
        running = np.concatenate([[0.0], np.cumsum(second)])
        return np.asarray((running[m:] - running[:-m]) / m)

    return _deviations(values, step_s, kind, factors, differences, 2.0)


def tdev(
    values: FloatArray,
    *,
    step_s: float = 1.0,
    kind: Kind = "frequency",
    factors: Sequence[int] | None = None,
) -> Deviations:
    """Return the time deviation; arguments and errors as for `adev`.

    Parameters
    ----------
    values : numpy.ndarray
        As for `adev`.
    step_s : float
        As for `adev`.
    kind : str
        As for `adev`.
    factors : sequence of int, optional
        As for `adev`.

    Returns
    -------
    Deviations
        Shape (k,), in the unit of phase.

    Notes
    -----
    NIST SP 1065, section 5.2.6, equation 15 (p. 18, from memory): ``tau MDEV / sqrt(3)``.
    """
    modified = mdev(values, step_s=step_s, kind=kind, factors=factors)
    deviation = modified.tau_s * modified.deviation / np.sqrt(3.0)
    return Deviations(modified.tau_s, deviation, modified.terms)


def hdev(
    values: FloatArray,
    *,
    step_s: float = 1.0,
    kind: Kind = "frequency",
    factors: Sequence[int] | None = None,
) -> Deviations:
    """Return the Hadamard deviation, blind to a steady drift; arguments as for `adev`.

    Parameters
    ----------
    values : numpy.ndarray
        As for `adev`.
    step_s : float
        As for `adev`.
    kind : str
        As for `adev`.
    factors : sequence of int, optional
        As for `adev`.

    Returns
    -------
    Deviations
        Shape (k,).

    Notes
    -----
    NIST SP 1065, section 5.2.8, equation 18 (p. 19, from memory):
    ``sigma^2 = sum (x[i+3] - 3 x[i+2] + 3 x[i+1] - x[i])^2 / (6 (N - 3) tau^2)``.
    """

    def differences(phase: FloatArray, m: int) -> FloatArray:
        return np.diff(phase[::m], 3)

    return _deviations(values, step_s, kind, factors, differences, 6.0)


def ohdev(
    values: FloatArray,
    *,
    step_s: float = 1.0,
    kind: Kind = "frequency",
    factors: Sequence[int] | None = None,
) -> Deviations:
    """Return the overlapping Hadamard deviation; arguments and errors as for `adev`.

    Parameters
    ----------
    values : numpy.ndarray
        As for `adev`.
    step_s : float
        As for `adev`.
    kind : str
        As for `adev`.
    factors : sequence of int, optional
        As for `adev`.

    Returns
    -------
    Deviations
        Shape (k,).

    Notes
    -----
    NIST SP 1065, section 5.2.9, equation 20 (p. 20, from memory): `hdev` from every phase on.
    """

    def differences(phase: FloatArray, m: int) -> FloatArray:
        third = phase[3 * m :] - 3.0 * phase[2 * m : -m] + 3.0 * phase[m : -2 * m]
        return np.asarray(third - phase[: -3 * m])

    return _deviations(values, step_s, kind, factors, differences, 6.0)


def split_noise(series_s: FloatArray, step_s: float) -> NoiseParts:
    """Split a series of widths into white jitter, a random walk and a drift.

    Parameters
    ----------
    series_s : numpy.ndarray
        One value a cycle, seconds, shape (n,), n at least 16.
    step_s : float
        Time from value to value, seconds, above 0.

    Returns
    -------
    NoiseParts
        The uncertainties hold for a series that is made of these parts alone.

    Raises
    ------
    ValueError
        Fewer than 16 values, or such as `adev` refuses.

    Notes
    -----
    Weighted least squares of the overlapping Hadamard variance (which a steady drift leaves
    alone) at octaves of the averaging time, none of the parts below zero. In it white values
    give ``s^2 / m`` and a walk rises with m (NIST SP 1065, table of noise slopes, from
    memory); the walk's factor is summed exactly, not taken from its limit.
    """
    count = series_s.shape[0]
    if count < 16:
        raise ValueError(f"white and walking parts need 16 values, got {count}")
    found = ohdev(series_s, step_s=step_s)
    factors = np.rint(found.tau_s / step_s).astype(int)
    variance = found.deviation**2
    design = np.stack([1.0 / factors, [_walk_factor(int(m)) for m in factors]], axis=1)
    # About n / m independent averages, a half of them free: octaves share their data.
    relative = np.sqrt(2.0 / np.maximum(0.5 * count / factors - 2.0, 0.5))
    if not np.max(variance) > 0:
        return NoiseParts(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    expected = np.maximum(variance, 1e-6 * np.max(variance) + 1e-300)
    value, cover = np.zeros(2), np.zeros((2, 2))
    for _ in range(4):
        weighted = design / (relative * expected)[:, None]
        value, cover = _fit_above_zero(weighted, variance / (relative * expected))
        expected = np.maximum(design @ value, 1e-9 * np.max(variance) + 1e-300)
    root = np.sqrt(value)
    # Of a part at its bound the square root of its variance's uncertainty is what may hide.
    sigma = np.sqrt(np.maximum(np.diag(cover), 0.0))
    u = np.where(root**2 > sigma, sigma / np.maximum(2.0 * root, 1e-300), np.sqrt(sigma) / 2.0)
    time = (np.arange(count) - 0.5 * (count - 1)) * step_s
    length = count * step_s
    slope = float(time @ series_s / (time @ time))
    walk = float(root[1] / np.sqrt(step_s))
    u_slope = np.sqrt(value[0] / (time @ time) + 1.2 * walk**2 / length)
    return NoiseParts(
        float(root[0]), float(u[0]), walk, float(u[1] / np.sqrt(step_s)), slope, float(u_slope)
    )


def _walk_factor(m: int) -> float:
    """Return the Hadamard variance of a walk with steps of variance 1 at an averaging factor."""
    weights = np.repeat([1.0, -2.0, 1.0], m) / m
    return float(np.sum(np.cumsum(weights) ** 2) / 6.0)


def _fit_above_zero(design: FloatArray, wanted: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit two parts by least squares, none below zero; return them and their covariance."""
    cover = np.asarray(np.linalg.pinv(design.T @ design), np.float64)
    value = cover @ design.T @ wanted
    if (value < 0).any():
        kept = int(np.argmax(value))
        column = design[:, kept]
        value = np.zeros(2)
        value[kept] = max(0.0, float(column @ wanted / (column @ column)))
    return value, cover


def _deviations(
    values: FloatArray,
    step_s: float,
    kind: Kind,
    factors: Iterable[int] | None,
    differences: Callable[[FloatArray, int], FloatArray],
    divisor: float,
) -> Deviations:
    """Square, average and scale the differences of phase at each averaging time."""
    phase = _phase(values, step_s, kind)
    chosen = sorted(factors) if factors is not None else _octaves(phase.shape[0])
    if any(m < 1 for m in chosen):
        raise ValueError(f"averaging factors begin at 1, got {chosen[0]}")
    order = 2 if divisor == 2.0 else 3
    tau, deviation, terms = [], [], []
    for m in chosen:
        if phase.shape[0] <= order * m:
            continue
        parts = differences(phase, m)
        if parts.shape[0] == 0:
            continue
        tau.append(m * step_s)
        deviation.append(np.sqrt(np.mean(parts**2) / divisor) / (m * step_s))
        terms.append(parts.shape[0])
    return Deviations(np.array(tau, float), np.array(deviation, float), np.array(terms, np.intp))


def _octaves(count: int) -> list[int]:
    """Return powers of two up to a third of the phases."""
    return [1 << k for k in range(max(1, count).bit_length()) if 3 << k <= count]


def _phase(values: FloatArray, step_s: float, kind: Kind) -> FloatArray:
    """Return the phase, one value more than frequencies."""
    row = np.asarray(values, np.float64)
    if row.ndim != 1 or not np.all(np.isfinite(row)):
        raise ValueError(f"one row of finite values is needed, got shape {row.shape}")
    if not step_s > 0:
        raise ValueError(f"the step must be above 0 s, got {step_s}")
    if kind == "phase":
        return row
    if kind != "frequency":
        raise ValueError(f"values are 'phase' or 'frequency', got {kind!r}")
    # Without the mean the running sum stays small and keeps its digits.
    return np.concatenate([[0.0], np.cumsum(row - row.mean() if row.size else row)]) * step_s
