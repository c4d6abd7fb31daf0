"""Where a line of the mains stands out of the cycles' series most."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.series.aliases import CLEAR_HZ, TOLERANCE_HZ, Alias, fold
from benchlog.diagnosis.series.line_fit import LineFit, list_powers, rank_frequencies
from benchlog.diagnosis.series.mains_odds import Candidate, calm, find_error, judge
from benchlog.diagnosis.series.mains_series import Series

__all__ = ["find_strongest", "fit_again"]

FloatArray = NDArray[np.float64]

_USUAL_HZ = 0.05
_FALSE_ALARMS = 2e-4  # in a recording, over all that is tried
_LEAST_RANK = 8.0  # of a peak between grid points, before it is fitted
_LEAST_TURNS = 2.5  # fewer turns of an alias within the recording are creep
_BLOCK_S = 1.0
_MOST_SWING = 0.7
_MOSTLY, _AS_STRONG, _STANDS_OUT = 0.6, 0.7, 10.0
"""Of a line whose alias crosses zero: how much of the recording must be clear of that, how strong
the line must be there against all of it, and in standard uncertainties."""
_FAMILY_HZ, _MOST_AGAINST = 0.01, 6.0
"""How well harmonics of one mains agree, over their number, and the log odds against one that does
not, or that belongs to another mains."""
_REACH_HZ = 0.04  # of the fundamental to each side, where the mains' frequency wanders
_FEWEST_NEIGHBOURS = 8  # on each side, beyond that
_RIVALS = 6  # peaks that are fitted each time
_RARITY = (0.0, 0.5, 0.5, 2.0, 1.0)
"""Log odds against each harmonic: even ones come with a rectifier, the fourth least."""


def find_strongest(
    series: Series, aliases: tuple[Alias, ...], known: Sequence[Candidate]
) -> Candidate | None:
    """Find the line that stands out most.

    Parameters
    ----------
    series : Series
        With all known lines taken out.
    aliases : tuple
        ``(mains_hz, harmonic, alias_hz)`` of all that are looked for.
    known : sequence of Candidate
        Those that are known.

    Returns
    -------
    Candidate or None
        None where nothing stands out.
    """
    peaks = []
    for mains, harmonic, _ in aliases:
        if not any((one.mains_hz, one.harmonic) == (mains, harmonic) for one in known):
            found = _find_peaks(series, mains, harmonic, known)
            peaks += [(peak, mains, harmonic) for peak in found]
    peaks.sort(key=lambda one: -one[0][0])
    best: tuple[LineFit, float, int] | None = None
    for (_, hz, alias), mains, harmonic in peaks[:_RIVALS]:
        fit = series.fit(hz, alias, _gap(series, mains, harmonic, hz, known))
        beyond = _is_beyond_chance(series, fit, aliases) and not _crosses_zero(series, fit)
        if beyond and (best is None or _compare(known, fit, mains, harmonic, *best) > 0):
            best = (fit, mains, harmonic)
    if best is None:
        return None
    fit, mains, harmonic = best
    chance = min(0.0, fit.log_chance + _log_trials(series, aliases))
    series = Series.of(series.at_s, series.values_s, series.rate_hz, fit.values_s(series.at_s))
    alias = float(fold(fit.hz, series.rate_hz))
    fit = series.fit(fit.hz, alias, _gap(series, mains, harmonic, fit.hz, known))
    return judge(series, mains, harmonic, fit, chance, known)


def fit_again(
    series: Series, aliases: tuple[Alias, ...], old: Candidate, others: Sequence[Candidate]
) -> LineFit | None:
    """Fit a line once more where others have been taken out.

    Parameters
    ----------
    series : Series
        Without the others.
    aliases : tuple
        All that are looked for.
    old : Candidate
        The line as it was found.
    others : sequence of Candidate
        The others.

    Returns
    -------
    LineFit or None
        None where nothing stands out any more.
    """
    gap = _gap(series, old.mains_hz, old.harmonic, old.fit.hz, others)
    fit = series.fit(old.fit.hz, float(fold(old.fit.hz, series.rate_hz)), gap)
    allowed = abs(fit.hz / old.harmonic - old.mains_hz) <= TOLERANCE_HZ
    return fit if allowed and _is_beyond_chance(series, fit, aliases) else None


def _is_beyond_chance(series: Series, fit: LineFit, aliases: tuple[Alias, ...]) -> bool:
    """Tell whether the background alone would hardly ever show such a line."""
    return fit.log_chance + _log_trials(series, aliases) < float(np.log(_FALSE_ALARMS))


def _gap(
    series: Series, mains_hz: float, harmonic: int, hz: float, known: Sequence[Candidate]
) -> int:
    """Return how many neighbours of a harmonic the wandering mains may reach itself.

    None where no other line of that mains is known to agree: a broad line is a wobble more often.
    """
    base_hz = _base_hz(mains_hz, known)
    if base_hz is None or abs(hz / harmonic - base_hz) > 2.0 * _FAMILY_HZ:
        return 0
    size = abs(float(fold(hz, series.rate_hz)))
    room = min(2.0 / 3.0 * size, 0.5 * series.rate_hz - size) * series.length_s
    return int(np.clip(_REACH_HZ * harmonic * series.length_s, 0, room - _FEWEST_NEIGHBOURS - 1.0))


def _base_hz(mains_hz: float, known: Sequence[Candidate]) -> float | None:
    """Return the mains' own frequency after its strongest line, None where none is known."""
    family = [one for one in known if one.mains_hz == mains_hz]
    if not family:
        return None
    strongest = max(family, key=lambda one: one.power)
    return strongest.fit.hz / strongest.harmonic


def _log_trials(series: Series, aliases: tuple[Alias, ...]) -> float:
    width = sum(2.0 * TOLERANCE_HZ * harmonic for _, harmonic, _ in aliases)
    # Between two independent frequencies a peak can lie anywhere: some three tries for one.
    return float(np.log(max(1.0, 3.0 * width * series.length_s)))


def _handicap(
    known: Sequence[Candidate], mains_hz: float, harmonic: int, hz: FloatArray | float
) -> FloatArray:
    """Return the log odds against a harmonic and its frequency, beside what is known."""
    rare = _RARITY[min(harmonic, len(_RARITY)) - 1]
    against = np.asarray(rare + 0.5 * ((hz / harmonic - mains_hz) / _USUAL_HZ) ** 2)
    base_hz = _base_hz(mains_hz, known)
    if base_hz is not None:
        astray = 0.5 * ((hz / harmonic - base_hz) / _FAMILY_HZ) ** 2
        return np.asarray(against + np.minimum(astray, _MOST_AGAINST))
    return against + (_MOST_AGAINST if known else 0.0)


def _compare(
    known: Sequence[Candidate],
    fit: LineFit,
    mains: float,
    harmonic: int,
    other: LineFit,
    its_mains: float,
    its_harmonic: int,
) -> float:
    """Return the log odds of one line against another as explanations of the same recording."""
    before = _handicap(known, its_mains, its_harmonic, other.hz)
    return _gain(fit, other) + float(before - _handicap(known, mains, harmonic, fit.hz))


def _gain(one: LineFit, other: LineFit) -> float:
    """Return by how much one sinusoid is likelier than another, with the calmer background."""
    calmest = min((one.background, other.background), key=lambda each: float(np.linalg.det(each)))
    strong = max((one, other), key=lambda each: float(np.trace(each.explained)))
    moved = float(np.sum(np.sum(strong.coefficient_s, axis=0) ** 2)) / 2.0
    covariance = calm(calmest) + find_error(strong.hz, moved) * strong.explained
    return 0.5 * float(np.trace(np.linalg.solve(covariance, one.explained - other.explained)))


def _find_peaks(
    series: Series, mains_hz: float, harmonic: int, known: Sequence[Candidate]
) -> list[tuple[float, float, float]]:
    """Return the best peaks of one harmonic: weight, frequency and the alias of that.

    One stands out most, the other is strongest: close to zero there are few neighbours to
    stand out from.
    """
    middle, reach = mains_hz * harmonic, TOLERANCE_HZ * harmonic
    base_hz = _base_hz(mains_hz, known) or mains_hz
    gap = _gap(series, mains_hz, harmonic, base_hz * harmonic, known)
    margin = reach + (18.0 + gap) / series.length_s
    hz, transform = list_powers(series.at_s, series.whitened, middle - margin, middle + margin)
    alias = fold(hz, series.rate_hz)
    rank = rank_frequencies(hz, transform, alias, series.rate_hz / 2, gap=gap + 1)
    allowed = np.abs(hz - middle) <= reach
    allowed &= np.abs(alias) * series.length_s >= _LEAST_TURNS
    if not allowed.any() or np.max(rank[allowed]) < _LEAST_RANK:
        return []
    weight = rank - _handicap(known, mains_hz, harmonic, hz)
    power = np.sum(np.abs(transform) ** 2, axis=0)
    tops = {int(np.argmax(np.where(allowed, one, -np.inf))) for one in (weight, power)}
    return [(float(weight[top]), float(hz[top]), float(alias[top])) for top in sorted(tops)]


def _crosses_zero(series: Series, fit: LineFit) -> bool:
    """Tell whether the period's own creep takes the alias near zero within the recording.

    The line then turns slowly where it passes zero, as creep does, and can be told from it only
    by what it does in the rest of the recording.
    """
    left = np.sum(series.values_s - fit.values_s(series.at_s), axis=0)
    block = max(1, round(_BLOCK_S * series.rate_hz))
    whole = left.shape[0] // block * block
    means = left[:whole].reshape(-1, block).mean(axis=1) if whole else left
    swing = fit.hz * series.rate_hz * float(np.ptp(means)) / 2.0
    if swing <= _MOST_SWING * abs(float(fold(fit.hz, series.rate_hz))):
        return False
    return not _shows_elsewhere(series, fit, block, means)


def _shows_elsewhere(series: Series, fit: LineFit, block: int, means: FloatArray) -> bool:
    """Tell whether a line shows as strongly where its alias is far from zero."""
    rate_hz = 1.0 / (1.0 / series.rate_hz + means)
    clear = np.repeat(np.abs(fold(fit.hz, rate_hz)) > CLEAR_HZ, block)
    count = clear.shape[0]
    if count == 0 or np.mean(clear) < _MOSTLY:
        return False
    line = series.whitening.apply(fit.values_s(series.at_s))[:, :count][:, clear]
    seen = series.whitened[:, :count][:, clear]
    weight = 1.0 / np.maximum(np.var(seen - line, axis=1), 1e-30)
    power = float(weight @ np.sum(line**2, axis=1))
    strength = float(weight @ np.sum(line * seen, axis=1)) / power
    return strength > _AS_STRONG and strength * np.sqrt(power) > _STANDS_OUT
