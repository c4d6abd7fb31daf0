"""Mains pick-up: a line where the mains falls when it is sampled once a cycle.

A comparator sees the mains at the instants at which it switches, once a cycle each. A line
at f hertz therefore appears at f less the nearest multiple of the cycle rate. Where the
period wanders the line goes on following the true time, which a wobble at that slow
frequency does not: that tells the two apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.series.aliases import Alias, fold, list_aliases
from benchlog.diagnosis.series.mains_odds import Candidate, judge, judge_families
from benchlog.diagnosis.series.mains_peaks import find_strongest, fit_again
from benchlog.diagnosis.series.mains_series import Series, list_instants

__all__ = ["NEAR_ZERO_HZ", "MainsLine", "MainsSearch", "find_mains"]

FloatArray = NDArray[np.float64]

NEAR_ZERO_HZ = 0.05
"""A line whose alias is slower cannot be told from creep within a minute."""

_FEWEST_CYCLES = 64
_MOST_LINES = 6
_ROUNDS = 2
_NEGLIGIBLE = 3e-4  # of the strongest line's power: what is left of it by its own curvature
_BLOCK_S = 1.0
_MOST_OF_PERIOD = (np.inf, 0.05, 0.01, 0.003, 0.003)
"""How much of the period each harmonic may make of it, rms. The fundamental is picked up at any
size, the second comes with a rectifier and the third with lamps and magnets, as a part of it;
what is left of the fourth and fifth is small (common practice, with room)."""


@dataclass(frozen=True, slots=True, eq=False)
class MainsLine:
    """Mains pick-up at one harmonic.

    Attributes
    ----------
    mains_hz : float
        50 or 60.
    harmonic : int
        From 1.
    alias_hz : float
        Where it was to be expected in the cycles' series, with its sign.
    found_hz : float
        Its frequency in true time as fitted (about ``mains_hz * harmonic``).
    found_alias_hz : float
        Where that falls, with its sign.
    on_peak_s, off_peak_s : float
        Its peak in the pulse and in the rest, seconds; of a line whose phase turns, as the
        mains' does, on the average.
    u_on_peak_s, u_off_peak_s : float
        Their standard uncertainties.
    log_odds : float
        Natural log odds of the mains against a wobble of the channel at the alias.
    log_chance : float
        Natural log of the chance that creep and jitter alone show such a line
        anywhere that was searched.
    on_part_s, off_part_s : numpy.ndarray
        The line in each cycle, seconds, shape (n,).
    """

    mains_hz: float
    harmonic: int
    alias_hz: float
    found_hz: float
    found_alias_hz: float
    on_peak_s: float
    off_peak_s: float
    u_on_peak_s: float
    u_off_peak_s: float
    log_odds: float
    log_chance: float
    on_part_s: FloatArray
    off_part_s: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class MainsSearch:
    """What was found of the mains in one recording.

    Attributes
    ----------
    lines : tuple of MainsLine
        The strongest first.
    aliases : tuple
        ``(mains_hz, harmonic, alias_hz)`` of all that were looked for.
    near_zero : tuple
        Those of them within 0.05 Hz of zero, where a line looks like creep, that may be as large
        as what moves slowly here.
    """

    lines: tuple[MainsLine, ...]
    aliases: tuple[Alias, ...]
    near_zero: tuple[Alias, ...]


def find_mains(cycles: Cycles, *, most_harmonic: int = 5) -> MainsSearch:
    """Search 50 and 60 Hz and their harmonics in the cycles of a recording.

    Parameters
    ----------
    cycles : Cycles
        Pulses and rests with their times.
    most_harmonic : int
        Harmonics from 1 to this.

    Returns
    -------
    MainsSearch
        No lines where there are fewer than 64 cycles.

    Notes
    -----
    Each line is fitted by least squares to the pulse and the rest together, after a filter
    that whitens creep, with its frequency free within what a grid allows, and its phase free to
    turn slowly where that shows. It counts where the neighbouring frequencies, as a background
    of unknown size and direction, would show as much in fewer than 2 of 10000 recordings, and
    where it follows the true time at least as well as a wobble at its alias would. Each is
    judged again with the others taken out: the harmonics of a large line hide what it is.
    """
    count = cycles.on_s.shape[0]
    if count < 2:
        return MainsSearch((), (), ())
    period = float(np.mean(cycles.on_s) + np.mean(cycles.off_s))
    aliases = list_aliases(period, most_harmonic=most_harmonic)
    left = np.stack([cycles.on_s - np.mean(cycles.on_s), cycles.off_s - np.mean(cycles.off_s)])
    found: list[Candidate] = []
    if count >= _FEWEST_CYCLES and np.all(np.var(left, axis=1) > 0):
        found = [one for one in _gather(cycles, left, aliases, 1.0 / period) if one.is_mains]
    for one in found:
        left = left - one.line_s
    near_zero = _list_near_zero(aliases, np.sum(left, axis=0), period)
    return MainsSearch(_lines(found, aliases, 1.0 / period), aliases, near_zero)


def _list_near_zero(
    aliases: tuple[Alias, ...], period_s: FloatArray, mean_s: float
) -> tuple[Alias, ...]:
    """List the aliases near zero that may be as large as what moves slowly in the period."""
    block = max(1, round(_BLOCK_S / mean_s))
    slow = period_s[: period_s.shape[0] // block * block].reshape(-1, block).mean(axis=1)
    size = float(np.std(slow)) / mean_s if slow.size else 0.0
    most = len(_MOST_OF_PERIOD)
    return tuple(
        (mains, harmonic, alias)
        for mains, harmonic, alias in aliases
        if abs(alias) <= NEAR_ZERO_HZ and size <= _MOST_OF_PERIOD[min(harmonic, most) - 1]
    )


def _gather(
    cycles: Cycles, values_s: FloatArray, aliases: tuple[Alias, ...], rate_hz: float
) -> list[Candidate]:
    """Gather the lines that stand out, and judge each with the others taken out."""
    at_s = list_instants(cycles)
    found: list[Candidate] = []
    for _ in range(_ROUNDS):
        count = len(found)
        left = values_s - _sum(found, values_s)
        largest = max((one.power for one in found), default=0.0)
        while len(found) < _MOST_LINES:
            one = find_strongest(Series.of(at_s, left, rate_hz), aliases, found)
            if one is None:
                break
            found.append(one)
            largest = max(largest, one.power)
            if one.power < _NEGLIGIBLE * largest:
                break
            left = left - one.likelier_s
        if len(found) == count or len(found) < 2:
            break
        before = {(one.mains_hz, one.harmonic): one.is_mains for one in found}
        for _ in range(_ROUNDS):
            found = _judge_again(found, at_s, values_s, rate_hz, aliases)
            told = {(one.mains_hz, one.harmonic): one.is_mains for one in found}
            if told == before:
                break
            before = told
    return found


def _judge_again(
    found: list[Candidate],
    at_s: FloatArray,
    values_s: FloatArray,
    rate_hz: float,
    aliases: tuple[Alias, ...],
) -> list[Candidate]:
    """Judge each line with the others taken out, the largest first; drop what was none."""
    kept = sorted(found, key=lambda one: -one.power)
    for old in list(kept):
        others = [one for one in kept if one is not old]
        alone = values_s - _sum(others, values_s)
        series = Series.of(at_s, alone, rate_hz, old.likelier_s)
        fit = fit_again(series, aliases, old, others)
        if fit is None:
            kept.remove(old)
            continue
        kept[kept.index(old)] = judge(
            series, old.mains_hz, old.harmonic, fit, old.log_chance, others
        )
    return judge_families(kept)


def _sum(found: list[Candidate], values_s: FloatArray) -> FloatArray:
    """Return what the lines make together in each cycle."""
    return sum((one.likelier_s for one in found), np.zeros_like(values_s))


def _lines(
    found: list[Candidate], aliases: tuple[Alias, ...], rate_hz: float
) -> tuple[MainsLine, ...]:
    """Put what was found into the result."""
    expected = {(mains, harmonic): alias for mains, harmonic, alias in aliases}
    result = [
        MainsLine(
            mains_hz=one.mains_hz,
            harmonic=one.harmonic,
            alias_hz=expected[one.mains_hz, one.harmonic],
            found_hz=one.fit.hz,
            found_alias_hz=float(fold(one.fit.hz, rate_hz)),
            on_peak_s=float(one.peak_s[0]),
            off_peak_s=float(one.peak_s[1]),
            u_on_peak_s=float(one.u_peak_s[0]),
            u_off_peak_s=float(one.u_peak_s[1]),
            log_odds=one.log_odds,
            log_chance=one.log_chance,
            on_part_s=one.line_s[0],
            off_part_s=one.line_s[1],
        )
        for one in found
    ]
    return tuple(sorted(result, key=lambda line: -(line.on_peak_s**2 + line.off_peak_s**2)))
