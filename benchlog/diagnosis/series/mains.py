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
from benchlog.diagnosis.series.line_fit import LineFit, fit_line, list_powers, rank_frequencies
from benchlog.diagnosis.series.whitening import Whitening, choose_whitening

__all__ = [
    "MAINS_HZ",
    "NEAR_ZERO_HZ",
    "MainsLine",
    "MainsSearch",
    "find_mains",
    "find_period_change",
    "list_aliases",
]

FloatArray = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)

NEAR_ZERO_HZ = 0.05
"""A line whose alias is slower cannot be told from creep within a minute."""

_CLEAR_HZ = 0.3
_TOLERANCE_HZ = 0.1  # of a public grid, common practice
_USUAL_HZ = 0.05
_FALSE_ALARMS = 2e-4  # in a recording, over all that is tried
_LEAST_ODDS = -1.0
_LEAST_REST = 0.3  # of the peak in the pulse
_OPPOSITE = 0.97  # cosine of the angle between a wiper's pulse and rest, and their ratio
_WIPER_REST = (0.5, 1.5)
_LEAST_RANK = 8.0  # of a peak between grid points, before it is fitted
_LEAST_TURNS = 2.5  # fewer turns of an alias within the recording are creep
_FEWEST_CYCLES = 64
_MOST_LINES = 6
_NEGLIGIBLE = 3e-4  # of the strongest line's power: what is left of it by its own curvature
_MODEL_ERROR = 0.01  # of a line's size
_TURN_FACTOR = 4.0
_BLOCK_S = 1.0
_MOST_SWING = 0.7
_MOSTLY, _AS_STRONG, _STANDS_OUT = 0.6, 0.7, 10.0
"""Of a line whose alias crosses zero: how much of the recording must be clear of that, how strong
the line must be there against all of it, and in standard uncertainties."""
_RIVALS = 6  # peaks that are fitted each time
_WOBBLE_DECADES = float(np.log(25.0 / 0.05))
_RARITY = (0.0, 0.5, 0.5, 2.0, 1.0)
"""Log odds against each harmonic: even ones come with a rectifier, the fourth least."""

Alias = tuple[float, int, float]


@dataclass(frozen=True, slots=True, eq=False)
class _Series:
    """The whitened series of a recording and what is needed to look for lines in them."""

    start_s: FloatArray
    values_s: FloatArray
    whitened: FloatArray
    whitening: Whitening
    rate_hz: float

    @classmethod
    def of(
        cls, start_s: FloatArray, values_s: FloatArray, background_s: FloatArray, rate_hz: float
    ) -> _Series:
        whitening = choose_whitening(background_s)
        return cls(start_s, values_s, whitening.apply(values_s), whitening, rate_hz)

    def without(self, line: LineFit) -> _Series:
        """Whiten by what the line leaves: a strong line would bend the filter to itself."""
        left = self.values_s - line.values_s(self.start_s)
        return _Series.of(self.start_s, self.values_s, left, self.rate_hz)

    @property
    def length_s(self) -> float:
        return float(self.start_s[-1] - self.start_s[0]) + 1.0 / self.rate_hz

    def fit(self, hz: float, alias_hz: float) -> LineFit:
        return fit_line(
            self.start_s,
            self.whitened,
            self.whitening,
            hz,
            alias_hz=alias_hz,
            half_rate_hz=self.rate_hz / 2,
        )


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
        Its peak in the pulse and in the rest, seconds.
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
        Those of them within 0.05 Hz of zero: there a line looks like creep.
    """

    lines: tuple[MainsLine, ...]
    aliases: tuple[Alias, ...]
    near_zero: tuple[Alias, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    mains_hz: float
    harmonic: int
    fit: LineFit
    wobble: LineFit
    log_chance: float
    log_odds: float

    @property
    def is_mains(self) -> bool:
        # The capacitor crosses its levels more slowly in the rest: they move it more than
        # the pulse. A line of the pulse alone, where no fundamental falls, comes with the
        # supply, from another servo's beat; one that takes from the rest what it gives to the
        # pulse is a wiper that goes to and fro.
        on, off = np.hypot(*self.fit.coefficient_s.T)
        reaches = off + 3.0 * self.fit.u_peak_s[1] >= _LEAST_REST * on
        alike = float(self.fit.coefficient_s[0] @ self.fit.coefficient_s[1])
        wipes = alike < -_OPPOSITE * on * off and _WIPER_REST[0] < off / on < _WIPER_REST[1]
        may_be = (reaches or self.harmonic == 1) and not wipes
        return bool(self.log_odds >= _LEAST_ODDS and may_be)

    @property
    def likelier(self) -> LineFit:
        return self.fit if self.log_odds >= _LEAST_ODDS else self.wobble


def list_aliases(period_s: float, *, most_harmonic: int = 5) -> tuple[Alias, ...]:
    """Say where the mains falls when it is sampled once a cycle.

    Parameters
    ----------
    period_s : float
        The channel's period, above 0.
    most_harmonic : int
        Harmonics from 1 to this.

    Returns
    -------
    tuple
        ``(mains_hz, harmonic, alias_hz)``, the alias between plus and minus half the
        cycle rate.

    Notes
    -----
    ``k f - n / T`` with the nearest whole n (sampling theorem).
    """
    rate = 1.0 / period_s
    return tuple(
        (mains, harmonic, float(_fold(harmonic * mains, rate)))
        for mains in MAINS_HZ
        for harmonic in range(1, most_harmonic + 1)
    )


def find_period_change(
    period_s: float, *, most_harmonic: int = 5, clear_hz: float = _CLEAR_HZ
) -> float | None:
    """Find how far the period must move to bring every alias away from zero.

    Parameters
    ----------
    period_s : float
        The channel's period, above 0.
    most_harmonic : int
        Harmonics from 1 to this.
    clear_hz : float
        How far from zero every alias has to lie.

    Returns
    -------
    float or None
        The smallest change, per cent, negative for a shorter period; 0 where none is
        needed, None where none up to 20 % does.
    """
    change = np.arange(-20.0, 20.01, 0.05)
    order = np.lexsort((-change, np.abs(change)))
    rate = 1.0 / (period_s * (1.0 + change[order] / 100.0))
    clear = np.ones(change.shape, bool)
    for mains in MAINS_HZ:
        for harmonic in range(1, most_harmonic + 1):
            clear &= np.abs(_fold(mains * harmonic, rate)) >= clear_hz
    found = np.flatnonzero(clear)
    return float(round(change[order][found[0]], 2)) + 0.0 if found.size else None


def _fold(hz: FloatArray | float, rate_hz: FloatArray | float) -> FloatArray:
    """Return where frequencies fall when sampled at a rate, with the sign."""
    return np.asarray(hz - np.rint(np.divide(hz, rate_hz)) * rate_hz)


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
    that whitens creep, with its frequency free within what a grid allows. It counts where the
    neighbouring frequencies, as a background of unknown size and direction, would show as
    much in fewer than 2 of 10000 recordings, and where it follows the true time at least
    as well as a wobble at its alias would.
    """
    count = cycles.on_s.shape[0]
    if count < 2:
        return MainsSearch((), (), ())
    period = float(np.mean(cycles.on_s) + np.mean(cycles.off_s))
    aliases = list_aliases(period, most_harmonic=most_harmonic)
    near_zero = tuple(one for one in aliases if abs(one[2]) <= NEAR_ZERO_HZ)
    if count < _FEWEST_CYCLES:
        return MainsSearch((), aliases, near_zero)
    left = np.stack([cycles.on_s - np.mean(cycles.on_s), cycles.off_s - np.mean(cycles.off_s)])
    if not np.all(np.var(left, axis=1) > 0):
        return MainsSearch((), aliases, near_zero)
    found: list[_Candidate] = []
    largest = 0.0
    while len(found) < _MOST_LINES:
        series = _Series.of(cycles.start_s, left, left, 1.0 / period)
        one = _strongest(series, aliases, found)
        if one is None:
            break
        found.append(one)
        size = float(np.sum(one.likelier.coefficient_s**2))
        largest = max(largest, size)
        if size < _NEGLIGIBLE * largest:
            break
        left = left - one.likelier.values_s(cycles.start_s)
    kept = [one for one in found if one.is_mains]
    return MainsSearch(_lines(kept, cycles.start_s, aliases, 1.0 / period), aliases, near_zero)


def _lines(
    found: list[_Candidate], start_s: FloatArray, aliases: tuple[Alias, ...], rate_hz: float
) -> tuple[MainsLine, ...]:
    """Put what was found into the result."""
    expected = {(mains, harmonic): alias for mains, harmonic, alias in aliases}
    result = []
    for one in found:
        part = one.fit.values_s(start_s)
        peak = np.hypot(one.fit.coefficient_s[:, 0], one.fit.coefficient_s[:, 1])
        result.append(
            MainsLine(
                mains_hz=one.mains_hz,
                harmonic=one.harmonic,
                alias_hz=expected[one.mains_hz, one.harmonic],
                found_hz=one.fit.hz,
                found_alias_hz=float(_fold(one.fit.hz, rate_hz)),
                on_peak_s=float(peak[0]),
                off_peak_s=float(peak[1]),
                u_on_peak_s=float(one.fit.u_peak_s[0]),
                u_off_peak_s=float(one.fit.u_peak_s[1]),
                log_odds=one.log_odds,
                log_chance=one.log_chance,
                on_part_s=part[0],
                off_part_s=part[1],
            )
        )
    return tuple(sorted(result, key=lambda line: -(line.on_peak_s**2 + line.off_peak_s**2)))


def _strongest(
    series: _Series, aliases: tuple[Alias, ...], known: list[_Candidate]
) -> _Candidate | None:
    """Return the line that stands out most among those not known yet, or None."""
    width = sum(2.0 * _TOLERANCE_HZ * harmonic for _, harmonic, _ in aliases)
    # Between two independent frequencies a peak can lie anywhere: some three tries for one.
    trials = float(np.log(max(1.0, 3.0 * width * series.length_s)))
    peaks = []
    for mains, harmonic, _ in aliases:
        if not any((one.mains_hz, one.harmonic) == (mains, harmonic) for one in known):
            peaks += [(peak, mains, harmonic) for peak in _find_peaks(series, mains, harmonic)]
    peaks.sort(key=lambda one: -one[0][0])
    best: tuple[LineFit, float, int] | None = None
    for (_, hz, alias), mains, harmonic in peaks[:_RIVALS]:
        fit = series.fit(hz, alias)
        beyond = fit.log_chance + trials < np.log(_FALSE_ALARMS)
        beyond = beyond and not _crosses_zero(series, fit)
        if beyond and (best is None or _compare(fit, mains, harmonic, *best) > 0):
            best = (fit, mains, harmonic)
    if best is None:
        return None
    fit, mains, harmonic = best
    chance = min(0.0, fit.log_chance + trials)
    series = series.without(fit)
    fit = series.fit(fit.hz, float(_fold(fit.hz, series.rate_hz)))
    wobble, odds = _weigh_wobble(series, fit, harmonic)
    return _Candidate(mains, harmonic, fit, wobble, chance, odds)


def _handicap(mains_hz: float, harmonic: int, hz: FloatArray | float) -> FloatArray:
    """Return the log odds against a harmonic and its frequency, before any recording."""
    rare = _RARITY[min(harmonic, len(_RARITY)) - 1]
    return np.asarray(rare + 0.5 * ((hz / harmonic - mains_hz) / _USUAL_HZ) ** 2)


def _compare(
    fit: LineFit, mains: float, harmonic: int, other: LineFit, its_mains: float, its_harmonic: int
) -> float:
    """Return the log odds of one line against another as explanations of the same recording."""
    before = _handicap(its_mains, its_harmonic, other.hz) - _handicap(mains, harmonic, fit.hz)
    return _gain(fit, other) + float(before)


def _gain(one: LineFit, other: LineFit) -> float:
    """Return by how much one sinusoid is likelier than another, with the calmer background.

    A line that moves the period moves the instants at which it is sampled: it is no pure
    sinusoid of the cycles' beginnings. What that turns counts as an error of both models.
    """
    calm = min((one.background, other.background), key=lambda each: float(np.linalg.det(each)))
    strong = max((one, other), key=lambda each: float(np.trace(each.explained)))
    moved = float(np.sum(np.sum(strong.coefficient_s, axis=0) ** 2)) / 2.0
    error = _MODEL_ERROR**2 + _TURN_FACTOR * (2.0 * np.pi * strong.hz) ** 2 * moved
    doubt = _calmed(calm) + error * strong.explained
    return 0.5 * float(np.trace(np.linalg.solve(doubt, one.explained - other.explained)))


def _find_peaks(
    series: _Series, mains_hz: float, harmonic: int
) -> list[tuple[float, float, float]]:
    """Return the best peaks of one harmonic: weight, frequency and the alias of that.

    One stands out most, the other is strongest: close to zero there are few neighbours to
    stand out from.
    """
    middle, reach = mains_hz * harmonic, _TOLERANCE_HZ * harmonic
    margin = reach + 18.0 / series.length_s
    hz, transform = list_powers(series.start_s, series.whitened, middle - margin, middle + margin)
    alias = _fold(hz, series.rate_hz)
    rank = rank_frequencies(hz, transform, alias, series.rate_hz / 2)
    allowed = np.abs(hz - middle) <= reach
    allowed &= np.abs(alias) * series.length_s >= _LEAST_TURNS
    if not allowed.any() or np.max(rank[allowed]) < _LEAST_RANK:
        return []
    weight = rank - _handicap(mains_hz, harmonic, hz)
    power = np.sum(np.abs(transform) ** 2, axis=0)
    tops = {int(np.argmax(np.where(allowed, one, -np.inf))) for one in (weight, power)}
    return [(float(weight[top]), float(hz[top]), float(alias[top])) for top in sorted(tops)]


def _crosses_zero(series: _Series, fit: LineFit) -> bool:
    """Tell whether the period's own creep takes the alias near zero within the recording.

    The line then turns slowly where it passes zero, as creep does, and can be told from it only
    by what it does in the rest of the recording.
    """
    left = np.sum(series.values_s - fit.values_s(series.start_s), axis=0)
    block = max(1, round(_BLOCK_S * series.rate_hz))
    whole = left.shape[0] // block * block
    means = left[:whole].reshape(-1, block).mean(axis=1) if whole else left
    swing = fit.hz * series.rate_hz * float(np.ptp(means)) / 2.0
    if swing <= _MOST_SWING * abs(float(_fold(fit.hz, series.rate_hz))):
        return False
    return not _shows_elsewhere(series, fit, block, means)


def _shows_elsewhere(series: _Series, fit: LineFit, block: int, means: FloatArray) -> bool:
    """Tell whether a line shows as strongly where its alias is far from zero."""
    rate_hz = 1.0 / (1.0 / series.rate_hz + means)
    clear = np.repeat(np.abs(_fold(fit.hz, rate_hz)) > _CLEAR_HZ, block)
    count = clear.shape[0]
    if count == 0 or np.mean(clear) < _MOSTLY:
        return False
    line = series.whitening.apply(fit.values_s(series.start_s))[:, :count][:, clear]
    seen = series.whitened[:, :count][:, clear]
    weight = 1.0 / np.maximum(np.var(seen - line, axis=1), 1e-30)
    power = float(weight @ np.sum(line**2, axis=1))
    strength = float(weight @ np.sum(line * seen, axis=1)) / power
    return strength > _AS_STRONG and strength * np.sqrt(power) > _STANDS_OUT


def _weigh_wobble(series: _Series, fit: LineFit, harmonic: int) -> tuple[LineFit, float]:
    """Fit a wobble of the channel at the alias; return it and the log odds against it.

    Both are fitted with two parts each and a free frequency. A wobble is taken to be as
    likely in any octave, so that it falls into the window of the mains only by chance.
    """
    slow = abs(float(_fold(fit.hz, series.rate_hz)))
    reach = min(_TOLERANCE_HZ * harmonic, 0.5 * slow)
    hz, transform = list_powers(series.start_s, series.whitened, slow - reach, slow + reach)
    inverse = np.linalg.inv(_calmed(fit.background))
    power = np.einsum("ik,ij,jk->k", transform.conj(), inverse, transform).real
    wobble = series.fit(float(hz[int(np.argmax(power))]), slow)
    window = min(0.5, 2.0 * _TOLERANCE_HZ * harmonic / (max(slow, 0.05) * _WOBBLE_DECADES))
    return wobble, float(np.clip(_gain(fit, wobble) - np.log(window), -1e3, 1e3))


def _calmed(covariance: FloatArray) -> FloatArray:
    """Keep a covariance from being singular."""
    return covariance + 1e-9 * float(np.trace(covariance)) * np.eye(2)
