"""Whether a line is the mains, or a wobble of the channel that lies at its alias by chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.series.aliases import TOLERANCE_HZ, fold
from benchlog.diagnosis.series.line_fit import LineFit, list_powers, transform_at
from benchlog.diagnosis.series.mains_series import Series
from benchlog.diagnosis.series.turning import TurningFit, make_bumps

__all__ = ["Candidate", "calm", "find_error", "judge", "judge_families"]

FloatArray = NDArray[np.float64]

_LEAST_ODDS, _MOST_ODDS = -1.0, 1e3
_LEAST_REST = 0.3  # of the peak in the pulse
_OPPOSITE = 0.97  # cosine of the angle between a wiper's pulse and rest, and their ratio
_WIPER_REST = (0.5, 1.5)
_MODEL_ERROR = 0.01  # of a line's size
_TURN_FACTOR = 0.1
_WOBBLE_DECADES = float(np.log(25.0 / 0.05))
_NEIGHBOURS = 24  # on each side
_FEWEST_NEIGHBOURS = 8
_BESIDE = 0.7  # over the bumps' spacing: what lies nearer turns with the line
_WITHIN = 0.6  # of the alias
_SPREADS = 4.0
_WEIGHTY = 1e-3  # of the strongest line's power
_FAMILY_HZ = 0.02
"""Lines of one mains agree that well, over their number."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A line that stands out, as the mains and as a wobble.

    Attributes
    ----------
    mains_hz : float
        50 or 60.
    harmonic : int
        From 1.
    fit : LineFit
        As a sinusoid that keeps still.
    line_s, wobble_s : numpy.ndarray
        In each cycle, as the mains and as a wobble, shape (2, n), seconds.
    wobble_hz : float
        The wobble's frequency.
    u_peak_s : numpy.ndarray
        Standard uncertainty of the line's peak in on and off, shape (2,), seconds.
    log_chance : float
        Natural log of the chance that creep and jitter alone show as much.
    log_odds : float
        Natural log odds of the mains against the wobble.
    log_gain : float
        Natural log of how much likelier the mains makes this line alone.
    log_window : float
        Natural log of the chance that a wobble falls where the mains may be.
    """

    mains_hz: float
    harmonic: int
    fit: LineFit
    line_s: FloatArray
    wobble_s: FloatArray
    wobble_hz: float
    u_peak_s: FloatArray
    log_chance: float
    log_odds: float
    log_gain: float
    log_window: float

    @property
    def peak_s(self) -> FloatArray:
        """Its peak in on and off, shape (2,), seconds; of one that turns, on the average."""
        return np.asarray(np.sqrt(2.0) * np.std(self.line_s, axis=1))

    @property
    def is_mains(self) -> bool:
        """Whether it is mains pick-up."""
        # The capacitor crosses its levels more slowly in the rest: they move it more than
        # the pulse. A line of the pulse alone, where no fundamental falls, comes with the
        # supply, from another servo's beat; one that takes from the rest what it gives to the
        # pulse is a wiper that goes to and fro.
        on, off = self.peak_s
        reaches = off + 3.0 * self.u_peak_s[1] >= _LEAST_REST * on
        alike = 2.0 * float(np.mean(self.line_s[0] * self.line_s[1]))
        wipes = alike < -_OPPOSITE * on * off and _WIPER_REST[0] < off / on < _WIPER_REST[1]
        may_be = (reaches or self.harmonic == 1) and not wipes
        return bool(self.log_odds >= _LEAST_ODDS and may_be)

    @property
    def likelier_s(self) -> FloatArray:
        """What it is in each cycle, as the likelier of the two, shape (2, n), seconds."""
        return self.line_s if self.log_odds >= _LEAST_ODDS else self.wobble_s

    @property
    def power(self) -> float:
        """Sum of the squares of its values in all cycles, seconds squared."""
        return float(np.sum(self.likelier_s**2))

    def place(self, series: Series) -> tuple[float, FloatArray]:
        """Return the frequency and the bumps of the likelier of the two."""
        hz = self.fit.hz if self.log_odds >= _LEAST_ODDS else self.wobble_hz
        return hz, make_bumps(series.at_s[0], float(fold(self.fit.hz, series.rate_hz)))


def judge(
    series: Series,
    mains_hz: float,
    harmonic: int,
    fit: LineFit,
    log_chance: float,
    others: Sequence[Candidate],
) -> Candidate:
    """Fit a line as the mains and as a wobble at its alias, both free to turn a little.

    Parameters
    ----------
    series : Series
        The series with this line in them, and none of the others.
    mains_hz : float
        50 or 60.
    harmonic : int
        From 1.
    fit : LineFit
        The line as a sinusoid.
    log_chance : float
        Is handed on.
    others : sequence of Candidate
        The others; those of the same mains are fitted anew beside this one.

    Returns
    -------
    Candidate
        Where turning does not show the line keeps still.

    Notes
    -----
    A wobble is taken to be as likely in any octave, so that it falls into the window of the
    mains only by chance. What this line's size, or that of others of the same mains, leaves to
    neither counts as an error of both.
    """
    alias = float(fold(fit.hz, series.rate_hz))
    bumps = make_bumps(series.at_s[0], alias)
    # The harmonics of a large line take what a wrong model of it leaves: they are fitted with it.
    family = [one for one in others if one.mains_hz == mains_hz]
    largest = max((one.power for one in family), default=0.0)
    joint = [one for one in family if one.power >= _WEIGHTY * largest]
    beside = [one.place(series) for one in joint]
    values_s = series.values_s + sum(one.likelier_s for one in joint)
    series = Series.of(series.at_s, values_s, series.rate_hz, values_s - series.values_s)
    inverse = _invert(calm(fit.background))
    first = series.turn(fit.hz, bumps, beside).fit(inverse)
    series = Series.of(series.at_s, values_s, series.rate_hz, first.all_s)
    # How far a line turns is weighed from the frequency that it turns about.
    problem = series.turn(first.hz, bumps, beside)
    turned = problem.fit(inverse)
    background = _density(series, fit, turned, bumps.shape[0], alias)
    inverse = _invert(background)
    turned = problem.fit(inverse)
    error = sum((_list_errors(series, one.fit.hz, one.likelier_s) for one in family), background)
    wobble_hz = _find_wobble(series, harmonic, inverse, turned, alias)
    wobble_hz = series.turn(wobble_hz, bumps, beside).fit(inverse).hz
    rival = series.turn(wobble_hz, bumps, beside)
    wobble = rival.fit(inverse)
    strong = max((turned, wobble), key=lambda each: float(np.sum(each.values_s**2))).values_s
    doubtful = _invert(calm(error + _list_errors(series, fit.hz, strong)))
    peak = np.sqrt(2.0 * np.mean(strong**2, axis=1))
    gain = rival.fit(doubtful, peak).loss(doubtful) - problem.fit(doubtful, peak).loss(doubtful)
    steady = series.turn(fit.hz, np.ones((1, bumps.shape[1])), beside).fit(inverse)
    freedom = 2.0 * (bumps.shape[0] - 1)
    if steady.loss(inverse) - turned.loss(inverse) < freedom + _SPREADS * np.sqrt(freedom):
        turned = steady
    slow = max(abs(alias), 0.05)
    window = min(0.5, 2.0 * TOLERANCE_HZ * harmonic / (slow * _WOBBLE_DECADES))
    calmer = np.sqrt(np.diag(background) / np.diag(calm(fit.background)))
    return Candidate(
        mains_hz,
        harmonic,
        fit,
        turned.values_s,
        wobble.values_s,
        wobble_hz,
        fit.u_peak_s * np.minimum(calmer, 1.0),
        log_chance,
        float(np.clip(gain - np.log(window), -_MOST_ODDS, _MOST_ODDS)),
        float(gain),
        float(np.log(window)),
    )


def judge_families(found: Sequence[Candidate]) -> list[Candidate]:
    """Judge lines that are harmonics of each other as one.

    Parameters
    ----------
    found : sequence of Candidate
        The lines, each judged with the others taken out.

    Returns
    -------
    list of Candidate
        The same, each with its family's log odds.

    Notes
    -----
    What stands at a harmonic of a wobble comes from that wobble's own form and follows it, so
    that all together speak for a wobble. By chance a wobble with all of its own falls where the
    mains may be but once.
    """
    result = []
    for one in found:
        family = [
            each
            for each in found
            if each.mains_hz == one.mains_hz
            and abs(each.fit.hz / each.harmonic - one.fit.hz / one.harmonic) <= _FAMILY_HZ
        ]
        together = sum(each.log_gain for each in family) - one.log_window
        result.append(replace(one, log_odds=float(np.clip(together, -_MOST_ODDS, _MOST_ODDS))))
    return result


def _density(
    series: Series, fit: LineFit, turned: TurningFit, count: int, alias_hz: float
) -> FloatArray:
    """Return the covariance of one whitened value that the frequencies beside a line suggest."""
    if count < 2:
        return calm(fit.background)
    step = 1.0 / series.length_s
    inner = _BESIDE * (count - 2) / series.length_s
    outer = min(
        inner + _NEIGHBOURS * step,
        _WITHIN * abs(alias_hz),
        0.5 * series.rate_hz - abs(alias_hz),
    )
    beside = np.arange(inner, outer, step)
    if 2 * beside.shape[0] < _FEWEST_NEIGHBOURS:
        return calm(np.cov(turned.left))
    hz = fit.hz + np.concatenate([-beside, beside])
    found = transform_at(series.at_s, turned.left, hz)
    return calm((found @ found.conj().T).real / (hz.shape[0] * series.at_s.shape[1]))


def _find_wobble(
    series: Series, harmonic: int, inverse: FloatArray, turned: TurningFit, alias_hz: float
) -> float:
    """Return the frequency of the wobble near an alias that explains most."""
    slow = abs(alias_hz)
    reach = min(TOLERANCE_HZ * harmonic, 0.5 * slow)
    own = turned.left + series.whitening.apply(turned.values_s)
    hz, transform = list_powers(series.at_s, own, slow - reach, slow + reach)
    power = np.einsum("ik,ij,jk->k", transform.conj(), inverse, transform).real
    return float(hz[int(np.argmax(power))])


def _list_errors(series: Series, hz: float, line_s: FloatArray) -> FloatArray:
    """Return the covariance of what the model of a line leaves of it, whitened."""
    seen = series.whitening.apply(line_s)
    moved = float(np.var(np.sum(line_s, axis=0)))
    return find_error(hz, moved) * (seen @ seen.T)


def find_error(hz: float, moved_s2: float) -> float:
    """Say what part of a line's power its model leaves.

    Parameters
    ----------
    hz : float
        Its frequency.
    moved_s2 : float
        Variance of the period that it makes, seconds squared.

    Returns
    -------
    float
        A fraction.

    Notes
    -----
    A line that moves the period moves the instants at which it is sampled: it is no pure
    sinusoid of the middles of pulses and rests either. On simulated channels that left a tenth
    of the square of the angle.
    """
    return _MODEL_ERROR**2 + _TURN_FACTOR * (2.0 * np.pi * hz) ** 2 * moved_s2


def _invert(covariance: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.inv(covariance), np.float64)


def calm(covariance: FloatArray) -> FloatArray:
    """Keep a covariance from being singular.

    Parameters
    ----------
    covariance : numpy.ndarray
        Shape (2, 2).

    Returns
    -------
    numpy.ndarray
        Shape (2, 2).
    """
    return covariance + 1e-9 * float(np.trace(covariance)) * np.eye(2)
