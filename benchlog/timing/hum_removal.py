"""Mains hum on an input, fitted to the states between the edges and taken out.

Hum is a sum of a few sinusoids at the mains frequency and its harmonics. It is fitted
by linear least squares to the states, the sag undone and each state's own level and
slope left free. The frequency is sought around 50 and 60 Hz as finely as the length of the
stretch asks for, and follows by Gauss-Newton steps from there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.coupling import GUARD, Coupling

__all__ = ["Hum", "estimate_hum", "follow_hum", "hum_values"]

_MAINS_HZ = (50.0, 60.0)
_SEARCH_HZ = 0.2
_STEP_CYCLES = 0.25
"""Between two tried frequencies, over the whole stretch: a whole cycle off, hum shows nothing."""

_BLOCK_S = 0.2
_HARMONICS = 5
_SHORTEST = 24
_CLEAR = 8.0
_BLUR_CYCLES = 3.0

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Hum:
    """Hum as it stands on the recorded signal.

    Attributes
    ----------
    frequency_hz : float
        The mains frequency.
    phasors : numpy.ndarray
        Complex amplitudes of the fundamental and its harmonics, shape (5,), units of
        full scale, phases at time 0 of the stretch they were fitted to.
    """

    frequency_hz: float
    phasors: NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class _States:
    """The samples of the states, level and slope taken off each."""

    time_s: FloatArray
    first: NDArray[np.intp]  # where each state begins among them
    length: FloatArray
    away: FloatArray  # time from the middle of the state
    spread: FloatArray  # sum of squares of that
    values: FloatArray

    def detrend(self, column: FloatArray) -> FloatArray:
        """Take each state's mean and slope off a column."""
        count = self.length.astype(np.intp)
        mean = np.add.reduceat(column, self.first) / self.length
        slope = np.add.reduceat(column * self.away, self.first) / self.spread
        return column - np.repeat(mean, count) - np.repeat(slope, count) * self.away


def hum_values(hum: Hum, time_s: FloatArray) -> FloatArray:
    """Return the hum at the given times, units of full scale, same shape."""
    turn = np.exp(2j * np.pi * hum.frequency_hz * time_s)
    total = np.zeros(time_s.shape)
    power = np.ones(time_s.shape, dtype=np.complex128)
    for phasor in hum.phasors:
        power = power * turn
        total += (phasor * power).real
    return total


def estimate_hum(
    averages: NDArray[np.float32], index: NDArray[np.intp], spacing_s: float, coupling: Coupling
) -> Hum | None:
    """Look for hum at 50 and 60 Hz.

    Parameters
    ----------
    averages : numpy.ndarray
        Decimated samples, shape (n,).
    index : numpy.ndarray
        Places of the steps among them, ascending, shape (m,).
    spacing_s : float
        Seconds between decimated samples.
    coupling : Coupling
        From `estimate_coupling`.

    Returns
    -------
    Hum or None
        None where none stands clearly out of the states' scatter, and where the train comes at
        so nearly the mains frequency that its own sag would be taken for hum.
    """
    states = _cut_states(averages, index, spacing_s, coupling)
    if states is None:
        return None
    train_hz, blur_hz = _train_rate(index, spacing_s)
    tries = [mains for mains in _MAINS_HZ if _off_train(mains, train_hz) > blur_hz]
    if not tries:
        return None
    _, start_hz = max(_search(states, mains) for mains in tries)
    hertz, phasors, rest = _refine(states, start_hz)
    noise = np.sqrt(rest / states.values.shape[0])
    clear = np.max(np.abs(phasors)) > _CLEAR * noise * np.sqrt(2.0 / states.values.shape[0])
    if not clear or rest > 0.9 * float(np.sum(states.values**2)):
        return None
    return Hum(hertz, _on_signal(phasors, hertz, coupling))


def _train_rate(index: NDArray[np.intp], spacing_s: float) -> tuple[float, float]:
    """Return cycles per second of the train, and how near to it no line can be told from it."""
    cycle = np.diff(index[::2]).astype(np.float64)
    usual = cycle[np.abs(cycle - np.median(cycle)) <= 0.05 * np.median(cycle)]
    duration_s = float(index[-1] - index[0]) * spacing_s
    usual = usual if usual.size else cycle
    return 1.0 / (float(usual.mean()) * spacing_s), _BLUR_CYCLES / duration_s + _SEARCH_HZ


def _off_train(hertz: float, train_hz: float) -> float:
    """Return how far a frequency lies from the nearest harmonic of the train."""
    return abs(hertz - max(1.0, round(hertz / train_hz)) * train_hz)


def follow_hum(
    averages: NDArray[np.float32],
    index: NDArray[np.intp],
    spacing_s: float,
    coupling: Coupling,
    frequency_hz: float,
) -> Hum | None:
    """Fit known hum to another stretch; parameters as for `estimate_hum`.

    `frequency_hz` is where to start from. None where no state is long enough.
    """
    states = _cut_states(averages, index, spacing_s, coupling)
    if states is None:
        return None
    hertz, phasors, _ = _refine(states, frequency_hz)
    return Hum(hertz, _on_signal(phasors, hertz, coupling))


def _cut_states(
    averages: NDArray[np.float32], index: NDArray[np.intp], spacing_s: float, coupling: Coupling
) -> _States | None:
    """Gather the samples of the long states, the sag undone."""
    start, end = index[:-1] + GUARD, index[1:] - GUARD
    keep = end - start >= _SHORTEST
    if np.count_nonzero(keep) < 4 * _HARMONICS:
        return None
    start, length = start[keep], (end - start)[keep]
    first = np.concatenate(([0], np.cumsum(length)[:-1]))
    within = np.arange(int(length.sum())) - np.repeat(first, length)
    at = np.repeat(start, length) + within
    deviation = averages.astype(np.float64) - coupling.offset
    once = (np.cumsum(deviation) - 0.5 * deviation) * spacing_s
    values = deviation + coupling.rate_per_s * once
    if coupling.double_per_s2 > 0:
        values += coupling.double_per_s2 * (np.cumsum(once) - 0.5 * once) * spacing_s
    away = (within - np.repeat((length - 1) / 2.0, length)) * spacing_s
    states = _States(
        time_s=(at + 0.5) * spacing_s,
        first=first,
        length=length.astype(np.float64),
        away=away,
        spread=np.add.reduceat(away**2, first),
        values=np.empty(0),
    )
    return _States(
        states.time_s, first, states.length, away, states.spread, states.detrend(values[at])
    )


def _search(states: _States, mains_hz: float) -> tuple[float, float]:
    """Return how much of the power hum near a mains frequency explains at the most, and where.

    Each short block keeps its normal equations at the mains frequency itself; at a frequency
    beside it they are the same but for a turn that grows with time.
    """
    table = _columns(states, mains_hz)
    begins = states.time_s[states.first]
    border = np.searchsorted(begins, np.arange(begins[0], begins[-1] + _BLOCK_S, _BLOCK_S))
    border = states.first[np.unique(border[border < begins.shape[0]])]
    parts = list(zip(border, [*border[1:], table.shape[0]], strict=True))
    right = np.stack([table[low:high].T @ states.values[low:high] for low, high in parts])
    gram = np.stack([table[low:high].T @ table[low:high] for low, high in parts])
    middle = np.array([0.5 * (states.time_s[low] + states.time_s[high - 1]) for low, high in parts])
    step_hz = _STEP_CYCLES / max(float(middle[-1] - middle[0]), _BLOCK_S)
    count = int(np.ceil(_SEARCH_HZ / step_hz))
    best = (-1.0, mains_hz)
    for off_hz in np.linspace(-_SEARCH_HZ, _SEARCH_HZ, 2 * count + 1):
        turn = _turns(2.0 * np.pi * off_hz * middle)
        total = np.einsum("bji,bjk,bkl->il", turn, gram, turn, optimize=True)
        seen = np.einsum("bji,bj->i", turn, right)
        explained = float(seen @ np.linalg.solve(total, seen))
        best = max(best, (explained, mains_hz + float(off_hz)))
    return best


def _turns(angle: FloatArray) -> FloatArray:
    """Return matrices, shape (n, 10, 10), that turn each harmonic by its multiple of `angle`."""
    result = np.zeros((angle.shape[0], 2 * _HARMONICS, 2 * _HARMONICS))
    for order in range(_HARMONICS):
        cosine, sine = np.cos((order + 1) * angle), np.sin((order + 1) * angle)
        real, imaginary = 2 * order, 2 * order + 1
        result[:, real, real] = result[:, imaginary, imaginary] = cosine
        result[:, real, imaginary], result[:, imaginary, real] = -sine, sine
    return result


def _columns(states: _States, hertz: float) -> FloatArray:
    """Return the cosine and the negative sine of each harmonic, each state's trend taken off."""
    turn = np.exp(2j * np.pi * hertz * states.time_s)
    columns = []
    power = np.ones(turn.shape, dtype=np.complex128)
    for _ in range(_HARMONICS):
        power = power * turn
        columns += [states.detrend(power.real), states.detrend(-power.imag)]
    return np.stack(columns, axis=1)


def _fit(states: _States, hertz: float) -> tuple[NDArray[np.complex128], float, FloatArray]:
    """Fit the sinusoids at one frequency; return phasors, the rest's sum of squares, the rest."""
    table = _columns(states, hertz)
    weights = np.linalg.solve(table.T @ table, table.T @ states.values)
    rest = states.values - table @ weights
    return weights[0::2] + 1j * weights[1::2], float(rest @ rest), rest


def _refine(states: _States, hertz: float) -> tuple[float, NDArray[np.complex128], float]:
    """Refine the frequency by Gauss-Newton steps."""
    for _ in range(3):
        phasors, total, rest = _fit(states, hertz)
        turn = np.exp(2j * np.pi * hertz * states.time_s)
        orders = np.arange(1, _HARMONICS + 1)
        middle = float(np.mean(states.time_s))
        powers = turn[:, None] ** orders
        column = ((2j * np.pi * orders * phasors) * powers).sum(axis=1).real
        column = states.detrend(column * (states.time_s - middle))
        hertz += float(np.clip(column @ rest / max(float(column @ column), 1e-30), -0.1, 0.1))
    phasors, total, rest = _fit(states, hertz)
    return hertz, phasors, total


def _on_signal(
    phasors: NDArray[np.complex128], hertz: float, coupling: Coupling
) -> NDArray[np.complex128]:
    """Turn phasors of the undone signal into those of the recorded one."""
    angular = 2j * np.pi * hertz * np.arange(1, _HARMONICS + 1)
    return phasors / (1.0 + coupling.rate_per_s / angular + coupling.double_per_s2 / angular**2)
