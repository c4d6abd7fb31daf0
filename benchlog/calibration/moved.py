"""Which change of a channel moved its pulses: one test for all marks, then the cause.

Each cause draws a line of its own through the differences of pulse and rest of the cycle at all
marks. The test asks whether the lines of all causes together explain more of the differences than
chance does (chi-square with as many degrees of freedom as there are independent lines). The cause
is the one whose line, its size fitted, leaves the least; two that leave nearly the same are both
named. Causes that are rare, or for which the stretch of the knob was looked for, have to
explain more.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.chances import chi_square_above, chi_square_point
from benchlog.calibration.difference import Difference

__all__ = ["Cause", "CauseFit", "Choice", "choose_cause", "judge_change"]

Values = NDArray[np.float64]
Cause = Literal["capacitor", "supply", "r_on", "r_off", "r_knob", "knob-end"]

PARTS: dict[str, str] = {
    "capacitor": "c_timing",
    "r_on": "r_on",
    "r_off": "r_off",
    "r_knob": "r_knob",
}
UNLISTED = ("knob-shaft", "temperature", "contact", "mark")
"""Causes that stand in sentences alone."""

ALIKE = 6.0
"""Causes whose chi-square differs by less are not told apart: a likelihood ratio of 20."""

_RARE = {"knob-shaft": 4.0, "temperature": 6.0, "contact": 6.0, "mark": 9.0}
_SEARCHED = 4.0
_STEPS = {"mark": 0.1, "knob-end": 0.1, "knob-shaft": 0.1, "temperature": 0.1, "contact": 1.0}
_MOST = {"mark": 90.0, "knob-end": 90.0, "knob-shaft": 90.0, "temperature": 60.0, "contact": 3000.0}
_ROUNDS = 6
_HALVINGS = 5
_CLOSE = 0.01
_PAIR_GAIN = 16.0
_LEFT_OVER = 1e-3


@dataclass(frozen=True, slots=True)
class _Line:
    """One cause as it may have acted.

    Attributes
    ----------
    cause : str
        A `Cause` or one of `UNLISTED`.
    end : str
        'low' or 'high' for the knob's ends, else empty.
    hinge_deg : float
        The knob angle up to which an end is bent; the mark that was set wrongly.
    stopped : bool
        Whether the wiper comes to rest at the track's end (dead travel).
    penalty : float
        What it has to explain more than another cause, in chi-square.
    """

    cause: str
    end: str = ""
    hinge_deg: float = 0.0
    stopped: bool = False
    penalty: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class CauseFit:
    """A cause with its size fitted; n marks.

    Attributes
    ----------
    cause : str
        A `Cause`, or 'knob-shaft', 'temperature', 'contact' or 'mark' (one that was set wrongly).
    end : str
        Which end of the knob for 'knob-end' ('low' or 'high'), else empty.
    hinge_deg : float
        For 'knob-end' the knob angle up to which the end is bent, for 'mark' the mark.
    amount, u_amount : float
        Its size and standard uncertainty: ln of the later by the earlier value for the parts and
        the supply, degrees for the knob, kelvins, ohms.
    chi_square : float
        What it leaves.
    score : float
        The same and what the cause has to explain more than another.
    effect : numpy.ndarray
        What it adds to ln(pulse) and ln(rest of the cycle), shape (n, 2).
    slope : numpy.ndarray
        Change of `effect` by its amount, shape (n, 2).
    start : numpy.ndarray
        The same at no change at all, shape (n, 2).
    """

    cause: str
    end: str
    hinge_deg: float
    amount: float
    u_amount: float
    chi_square: float
    score: float
    effect: Values
    slope: Values
    start: Values


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """The cause that fits best.

    Attributes
    ----------
    best : CauseFit
        It.
    alike : tuple of CauseFit
        Others that fit nearly as well, best first, one each.
    second : CauseFit or None
        A second cause, where one alone leaves too much and the two together do not.
    explained : bool
        Whether what is left is no more than chance leaves in 999 of 1000.
    """

    best: CauseFit
    alike: tuple[CauseFit, ...]
    second: CauseFit | None
    explained: bool


def _lines(difference: Difference) -> list[_Line]:
    """List what may have changed, simplest first."""
    lines = [_Line(cause) for cause in ("capacitor", "supply", "r_on", "r_off", "r_knob")]
    first, last = difference.base.live_deg
    marks = np.unique(difference.knob_deg)
    lines.append(_Line("knob-end", "low", last, True))
    lines.append(_Line("knob-end", "high", first, True))
    for hinge in marks[1:]:
        lines.append(_Line("knob-end", "low", float(hinge), penalty=_SEARCHED))
    for hinge in marks[:-1]:
        lines.append(_Line("knob-end", "high", float(hinge), penalty=_SEARCHED))
    lines += [_Line(cause, penalty=_RARE[cause]) for cause in UNLISTED if cause != "mark"]
    # an end's own mark alone is an end that is bent
    lines += [_Line("mark", "", float(mark), penalty=_RARE["mark"]) for mark in marks[1:-1]]
    return lines


def _effect(difference: Difference, line: _Line, amount: float) -> Values:
    """Return what a cause of some size adds to both logarithms, shape (n, 2)."""
    base, marks = difference.base, difference.knob_deg
    volts, warmth = difference.supply_v, difference.temperature_c
    if line.cause in ("knob-end", "knob-shaft", "mark"):
        shift = amount * _bend(difference, line)
        return base.turned(marks, shift, beyond=not line.stopped)
    changed: dict[str, float] = {}
    if line.cause in PARTS:
        name = PARTS[line.cause]
        changed[name] = base.value(name) * math.exp(amount)
    elif line.cause == "supply":
        volts *= math.exp(amount)
    elif line.cause == "temperature":
        warmth += amount
    else:
        design_ohm = base.design.knob.contact_ohm
        changed["contact"] = max(float(base.parts.get("contact", design_ohm)) + amount, 0.0)
    after = base.logs(marks, supply_v=volts, temperature_c=warmth, changed=changed)
    return after - difference.model_logs


def _bend(difference: Difference, line: _Line) -> Values:
    """Return how far each mark is moved for a degree of a knob's cause, shape (n,)."""
    if line.cause == "mark":
        return np.asarray(np.abs(difference.knob_deg - line.hinge_deg) < 1e-6, dtype=np.float64)
    if line.cause == "knob-shaft":
        return np.ones(difference.knob_deg.shape)
    first, last = difference.base.live_deg
    end = first if line.end == "low" else last
    reach = (line.hinge_deg - difference.knob_deg) / (line.hinge_deg - end)
    return np.asarray(np.clip(reach, 0.0, 1.0))


def _slope(difference: Difference, line: _Line, amount: float) -> Values:
    """Return the change of a cause's effect by its amount, shape (n, 2)."""
    step = _STEPS.get(line.cause, 1e-3)
    low = _effect(difference, line, amount - step)
    rise = _effect(difference, line, amount + step) - low
    return np.asarray(rise / (2.0 * step))


def judge_change(difference: Difference) -> tuple[float, int]:
    """Test whether a channel has changed, with all marks at once.

    Parameters
    ----------
    difference : Difference
        Two sweeps.

    Returns
    -------
    tuple
        The probability that an unchanged channel shows as much by chance, and the degrees of
        freedom of the test.
    """
    root, seen = difference.whitened()
    columns = [
        root @ _slope(difference, line, 0.0).reshape(-1) for line in _tested_lines(difference)
    ]
    matrix = np.column_stack([one / max(float(np.linalg.norm(one)), 1e-12) for one in columns])
    left, sizes, _ = np.linalg.svd(matrix, full_matrices=False)
    kept = left[:, sizes > 1e-3 * sizes[0]]
    square = float(np.sum((kept.T @ seen) ** 2))
    return float(chi_square_above(square, kept.shape[1])), kept.shape[1]


def _tested_lines(difference: Difference) -> Iterator[_Line]:
    """Yield the causes that the test looks for, each end bent as a whole and by its half."""
    first, last = difference.base.live_deg
    yield from (_Line(cause) for cause in ("capacitor", "supply", "r_on", "r_off", "r_knob"))
    yield _Line("knob-end", "low", last)
    yield _Line("knob-end", "high", first)
    yield _Line("knob-end", "low", 0.5 * (first + last))
    yield _Line("knob-end", "high", 0.5 * (first + last))


def choose_cause(difference: Difference) -> Choice | None:
    """Choose the cause that fits two sweeps best.

    Parameters
    ----------
    difference : Difference
        Two sweeps.

    Returns
    -------
    Choice or None
        None where nothing has an effect at these marks.
    """
    root, seen = difference.whitened()
    lines = _promising(difference, root, seen)
    fits = [_fit(difference, line, root, seen) for line in lines]
    found = sorted((fit for fit in fits if fit is not None), key=lambda fit: fit.score)
    if not found:
        return None
    best = found[0]
    freedom = max(seen.size - 1, 1)
    explained = best.chi_square <= chi_square_point(_LEFT_OVER, freedom)
    second = None
    pair = _fit_pair(found, root, seen)
    if pair is not None and best.score - pair[2] > _PAIR_GAIN:
        best, second = pair[0], pair[1]
        explained = pair[2] <= chi_square_point(_LEFT_OVER, max(freedom - 1, 1))
    alike: dict[str, CauseFit] = {}
    for fit in found:
        if second is None and fit.cause != best.cause and fit.score < best.score + ALIKE:
            alike.setdefault(fit.cause, fit)
    return Choice(best, tuple(alike.values()), second, explained)


def _promising(difference: Difference, root: Values, seen: Values) -> list[_Line]:
    """Leave out all but the best stretch over which an end may be bent, and the best mark."""
    kept, bent = [], []
    per_degree = difference.base.per_degree(difference.knob_deg)
    for line in _lines(difference):
        if not line.end and line.cause != "mark":
            kept.append(line)
            continue
        along = root @ (per_degree * _bend(difference, line)[:, None]).reshape(-1)
        size = float(np.linalg.norm(along))
        if math.isfinite(size) and size > 1e-6:
            bent.append((-((float(along @ seen) / size) ** 2), line))
    for end in ("low", "high", ""):
        gains = sorted((one for one in bent if one[1].end == end), key=lambda one: one[0])
        kept += [line for _, line in gains if line.stopped]
        kept += [line for _, line in gains if not line.stopped][:1]
    return kept


def _fit(difference: Difference, line: _Line, root: Values, seen: Values) -> CauseFit | None:
    """Fit the size of one cause (Gauss-Newton); None where it has no effect."""
    most = _MOST.get(line.cause, 1.5)
    amount = 0.0

    def left(size: float) -> tuple[float, Values]:
        effect = _effect(difference, line, size)
        rest = seen - root @ effect.reshape(-1)
        return float(rest @ rest), effect

    square, effect = left(amount)
    slope = start = _slope(difference, line, amount)
    if not np.isfinite(slope).all():
        return None
    for _ in range(_ROUNDS):
        along = root @ slope.reshape(-1)
        weight = float(along @ along)
        if weight < 1e-12:
            break
        pull = float(along @ (seen - root @ effect.reshape(-1)))
        if pull * pull / weight < _CLOSE:
            break
        step = min(max(amount + pull / weight, -most), most) - amount
        for _ in range(_HALVINGS):
            trial, moved = left(amount + step)
            if trial < square:
                break
            step *= 0.3
        else:
            break
        amount, square, effect = amount + step, trial, moved
        steeper = _slope(difference, line, amount)
        if not np.isfinite(steeper).all():
            break
        slope = steeper
    along = root @ slope.reshape(-1)
    size = float(np.linalg.norm(along))
    if size < 1e-6:
        return None
    score = square + line.penalty
    return CauseFit(
        line.cause,
        line.end,
        line.hinge_deg,
        amount,
        1.0 / size,
        square,
        score,
        effect,
        slope,
        start,
    )


def _fit_pair(
    found: list[CauseFit], root: Values, seen: Values
) -> tuple[CauseFit, CauseFit, float] | None:
    """Fit two causes together; the one that does more first."""
    best: tuple[CauseFit, CauseFit, float] | None = None
    kept: dict[tuple[str, str], CauseFit] = {}
    for fit in found:
        kept.setdefault((fit.cause, fit.end), fit)
    for one, other in itertools.combinations(kept.values(), 2):
        # in straight lines, for what one alone would have to be is far from what it is
        lines = np.column_stack([root @ fit.start.reshape(-1) for fit in (one, other)])
        sizes, *_ = np.linalg.lstsq(lines, seen, rcond=1e-6)
        rest = seen - lines @ sizes
        score = float(rest @ rest) + sum(fit.score - fit.chi_square for fit in (one, other))
        if best is None or score < best[2]:
            share = [float(np.linalg.norm(lines[:, k] * sizes[k])) for k in (0, 1)]
            pair = [
                _resized(fit, float(size), lines[:, k])
                for k, (fit, size) in enumerate(zip((one, other), sizes, strict=True))
            ]
            # what the channel did comes before what a hand did
            if pair[0].cause == "mark" or (share[1] > share[0] and pair[1].cause != "mark"):
                pair.reverse()
            best = (pair[0], pair[1], score)
    return best


def _resized(fit: CauseFit, amount: float, along: Values) -> CauseFit:
    """Return a cause with another size."""
    u_amount = 1.0 / max(float(np.linalg.norm(along)), 1e-12)
    effect = fit.start * amount
    return replace(fit, amount=amount, u_amount=u_amount, effect=effect, slope=fit.start)
