"""Steps and to-and-fro in a channel's series: what a servo on the same supply does to it.

A servo that starts or stalls pulls the supply: the pulse moves at once and, later, comes back.
One that is driven to and fro leaves a line that is none of the mains.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.series.line_fit import fit_line, list_powers, rank_frequencies
from benchlog.diagnosis.series.mains import MainsLine
from benchlog.diagnosis.series.whitening import choose_whitening
from benchlog.timing.medians import median

__all__ = ["Episode", "PeriodicLoad", "Step", "find_periodic_load", "find_steps", "pair_steps"]

FloatArray = NDArray[np.float64]

_SCALES = (6, 15, 40, 100)  # cycles on each side of a step
_BAR = 6.5  # of the scatter of such a difference
_MOST_STEPS = 40
_MAD = 1.4826
_ALIKE = 0.35
_LOAD_HZ = (0.1, 5.0)
_FALSE_ALARMS = 1e-3
_LEAST_TURNS = 4.0
_FEWEST_CYCLES = 64


@dataclass(frozen=True, slots=True)
class Step:
    """A sudden change of level.

    Attributes
    ----------
    time_s : float
        Beginning of the first pulse of the new level, seconds.
    on_s, off_s : float
        How far the pulse and the rest moved, seconds.
    u_on_s, u_off_s : float
        Standard uncertainties, creep and jitter counted.
    """

    time_s: float
    on_s: float
    off_s: float
    u_on_s: float
    u_off_s: float


@dataclass(frozen=True, slots=True)
class Episode:
    """A step and the one that takes it back.

    Attributes
    ----------
    start_s, length_s : float
        When it begins and how long it lasts, seconds.
    on_s : float
        How far the pulse is moved in between, seconds.
    """

    start_s: float
    length_s: float
    on_s: float


@dataclass(frozen=True, slots=True, eq=False)
class PeriodicLoad:
    """A line of the true time that is no mains alias.

    Attributes
    ----------
    period_s : float
        Of the movement to and fro, seconds.
    on_peak_s, off_peak_s : float
        Its peak in the pulse and in the rest, seconds.
    u_on_peak_s, u_off_peak_s : float
        Their standard uncertainties.
    shortest_s : numpy.ndarray
        When the pulse is at its shortest, seconds, shape (k,).
    log_chance : float
        Natural log of the chance that creep and jitter alone show such a line anywhere
        that was searched.
    on_part_s, off_part_s : numpy.ndarray
        The line in each cycle, seconds, shape (n,).
    """

    period_s: float
    on_peak_s: float
    off_peak_s: float
    u_on_peak_s: float
    u_off_peak_s: float
    shortest_s: FloatArray
    log_chance: float
    on_part_s: FloatArray
    off_part_s: FloatArray


def find_steps(cycles: Cycles, lines: Sequence[MainsLine] = ()) -> tuple[Step, ...]:
    """Find sudden changes of the pulse.

    Parameters
    ----------
    cycles : Cycles
        Of one input.
    lines : sequence of MainsLine
        Mains lines to take out first, found in the same cycles.

    Returns
    -------
    tuple of Step
        In the order of time; 40 at most, the clearest.

    Notes
    -----
    The difference of the means of as many cycles after and before an instant, over 6 to 100
    cycles, against the median scatter of that same difference over the recording: that scatter
    grows with creep and jitter, a few steps leave it alone. The clearest step is taken
    out, and the search goes on in what is left, until none is beyond 6.5 of it.
    """
    on, off = (np.asarray(one) for one in _without(cycles, lines))
    count = on.shape[0]
    if count < 2 * _SCALES[0] + 1 or not np.var(on) > 0:
        return ()
    left = on - np.mean(on)
    found: list[tuple[int, int]] = []
    while len(found) < _MOST_STEPS:
        best = _clearest(left, [place for place, _ in found])
        if best is None:
            break
        place, width = best
        found.append((place, width))
        left[place:] -= _difference(left, width)[place - width]
    return tuple(_measure(on, off, cycles.start_s, found))


def _without(cycles: Cycles, lines: Sequence[MainsLine]) -> tuple[FloatArray, FloatArray]:
    """Return pulse and rest without the lines."""
    on, off = cycles.on_s, cycles.off_s
    for line in lines:
        on, off = on - line.on_part_s, off - line.off_part_s
    return on, off


def _difference(values: FloatArray, width: int) -> FloatArray:
    """Return mean after less mean before, for each instant from `width` on."""
    running = np.concatenate([[0.0], np.cumsum(values)])
    mean = (running[width:] - running[:-width]) / width
    return np.asarray(mean[width:] - mean[:-width])


def _clearest(values: FloatArray, known: list[int]) -> tuple[int, int] | None:
    """Return place and width of the clearest step that is beyond the bar, or None."""
    best: tuple[float, int, int] | None = None
    for width in _SCALES:
        if values.shape[0] < 4 * width:
            break
        difference = _difference(values, width)
        scatter = _MAD * float(median(np.abs(difference)))
        # Jitter alone leaves this much, whatever a quiet half of the recording shows.
        white = float(median(np.abs(np.diff(values)))) * _MAD / np.sqrt(width)
        size = np.abs(difference) / max(scatter, white, 1e-300)
        for place in known:
            size[max(0, place - width - 2) : max(0, place - width + 3)] = 0.0
        top = int(np.argmax(size))
        if size[top] > _BAR and (best is None or size[top] > best[0]):
            best = (float(size[top]), top + width, width)
    return None if best is None else best[1:]


def _measure(
    on: FloatArray, off: FloatArray, start_s: FloatArray, found: list[tuple[int, int]]
) -> list[Step]:
    """Measure each step between its neighbours, those that hold no longer left out."""
    places = sorted(found)
    bounds = [0, *[place for place, _ in places], on.shape[0]]
    steps = []
    for index, (place, width) in enumerate(places):
        width = max(2, min(width, place - bounds[index], bounds[index + 2] - place))
        before, after = slice(max(0, place - width), place), slice(place, place + width)
        moved, u = [], []
        for values in (on, off):
            level = float(np.mean(values[after]) - np.mean(values[before]))
            scatter = np.concatenate(
                [values[after] - np.mean(values[after]), values[before] - np.mean(values[before])]
            )
            moved.append(level)
            u.append(float(np.sqrt(np.sum(scatter**2) / max(1, scatter.size - 2) * 2.0 / width)))
        if abs(moved[0]) > 3.0 * u[0]:
            steps.append(Step(float(start_s[place]), moved[0], moved[1], u[0], u[1]))
    return steps


def pair_steps(steps: Sequence[Step]) -> tuple[Episode, ...]:
    """Pair each step with the next one that takes it back.

    Parameters
    ----------
    steps : sequence of Step
        In the order of time.

    Returns
    -------
    tuple of Episode
        Those of a size within a third, or within three of their uncertainties.
    """
    episodes = []
    index = 0
    while index + 1 < len(steps):
        one, other = steps[index], steps[index + 1]
        margin = max(_ALIKE * abs(one.on_s), 3.0 * float(np.hypot(one.u_on_s, other.u_on_s)))
        if one.on_s * other.on_s < 0 and abs(one.on_s + other.on_s) <= margin:
            size = 0.5 * (one.on_s - other.on_s)
            episodes.append(Episode(one.time_s, other.time_s - one.time_s, size))
            index += 2
        else:
            index += 1
    return tuple(episodes)


def find_periodic_load(cycles: Cycles, lines: Sequence[MainsLine] = ()) -> PeriodicLoad | None:
    """Find a movement to and fro between 0.1 and 5 Hz.

    Parameters
    ----------
    cycles : Cycles
        Of one input.
    lines : sequence of MainsLine
        Mains lines to take out first, found in the same cycles.

    Returns
    -------
    PeriodicLoad or None
        None where nothing stands out that chance would show in fewer than 1 of 1000 recordings.

    Notes
    -----
    As for the mains, against the neighbouring frequencies; at least four turns have to fit
    into the recording.
    """
    count = cycles.on_s.shape[0]
    if count < _FEWEST_CYCLES:
        return None
    on, off = _without(cycles, lines)
    series = np.stack([on - np.mean(on), off - np.mean(off)])
    if not np.all(np.var(series, axis=1) > 0):
        return None
    half_rate = 0.5 / float(np.mean(cycles.on_s) + np.mean(cycles.off_s))
    length = float(cycles.start_s[-1] - cycles.start_s[0])
    low, high = max(_LOAD_HZ[0], _LEAST_TURNS / length), min(_LOAD_HZ[1], 0.8 * half_rate)
    if low >= high:
        return None
    whitening = choose_whitening(series)
    whitened = whitening.apply(series)
    hz, transform = list_powers(cycles.start_s, whitened, 0.2 * low, high + 18.0 / length)
    rank = np.where((hz >= low) & (hz <= high), rank_frequencies(hz, transform, hz, half_rate), 0)
    top = int(np.argmax(rank))
    fit = fit_line(
        cycles.start_s,
        whitened,
        whitening,
        float(hz[top]),
        alias_hz=float(hz[top]),
        half_rate_hz=half_rate,
    )
    chance = min(0.0, fit.log_chance + float(np.log(max(1.0, 3.0 * (high - low) * length))))
    if chance > np.log(_FALSE_ALARMS):
        return None
    part = fit.values_s(cycles.start_s)
    peak = np.hypot(fit.coefficient_s[:, 0], fit.coefficient_s[:, 1])
    # cos(w t - lag) is least half a turn after its peak.
    lag = float(np.arctan2(fit.coefficient_s[0, 1], fit.coefficient_s[0, 0]))
    first = np.ceil(fit.hz * cycles.start_s[0] - (lag + np.pi) / (2.0 * np.pi))
    last = np.floor(fit.hz * cycles.start_s[-1] - (lag + np.pi) / (2.0 * np.pi))
    turns = np.arange(first, last + 1)
    return PeriodicLoad(
        period_s=1.0 / fit.hz,
        on_peak_s=float(peak[0]),
        off_peak_s=float(peak[1]),
        u_on_peak_s=float(fit.u_peak_s[0]),
        u_off_peak_s=float(fit.u_peak_s[1]),
        shortest_s=(turns + (lag + np.pi) / (2.0 * np.pi)) / fit.hz,
        log_chance=chance,
        on_part_s=part[0],
        off_part_s=part[1],
    )
