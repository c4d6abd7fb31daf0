"""Which changes may bring a channel to its aim: solved on its likeliest build, then sifted."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.remedy_steps import (
    Step,
    apply_steps,
    fixed_value,
    list_trimmed,
    trimmer_of,
)
from benchlog.channel.aim import Aim
from benchlog.channel.built_ends import Ends, find_ends
from benchlog.channel.plan import Design
from benchlog.channel.preferred import nearest_value, values_between
from benchlog.channel.proposal_values import KNOB_OHM, TRIMMER_OHM

__all__ = ["PARTS", "Solved", "list_candidates", "solve_values"]

Values = NDArray[np.float64]
Builds = Mapping[str, Values]

PARTS = ("r_on", "r_knob", "r_off", "c_timing", "knob_shunt")
"""What may be changed: the timer's parts, and a resistor across the knob's track."""

NO_SHUNT_OHM = 1e12

_LIMITS = {
    "r_on": (1e3, 1e7), "r_knob": (1e3, 1e6), "r_off": (1e3, 1e7), "c_timing": (1e-10, 1e-5),
    "knob_shunt": (1e3, 1e7),
}  # fmt: skip
"""Values between which a part is looked for: as `benchlog.channel.proposal` has them, with room."""

_NEAR = 0.13  # how far from the wanted value a part is still tried; half a step of E6 is 21 %
_ROUNDS = 10
_TINY = 1e-3
_LEAST = 1e-15  # of any part, in its unit: a knob may be marked 0


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """The values that come nearest to an aim, on one build.

    Attributes
    ----------
    free : tuple of str
        The parts that were left free.
    values : dict of str to float
        What each of `PARTS` is then.
    miss : float
        By how many times what is allowed the worst of the ends and the period is off.
    """

    free: tuple[str, ...]
    values: dict[str, float]
    miss: float


def _residuals(design: Design, builds: Builds, aim: Aim) -> Values:
    """Return how far off builds are, in units of what is allowed, shape (n, 2 or 3)."""
    ends = find_ends(design, builds)
    columns = [(ends.low_s - aim.low_s) / aim.within_s, (ends.high_s - aim.high_s) / aim.within_s]
    if aim.period_s is not None:
        columns.append((ends.period_s / aim.period_s - 1.0) / aim.period_within)
    return np.column_stack(columns)


def solve_values(
    design: Design, centre: Mapping[str, float], aim: Aim, sets: Sequence[tuple[str, ...]]
) -> list[Solved]:
    """Return the part values that come nearest to an aim, for each set of parts left free.

    Parameters
    ----------
    design : Design
        The design.
    centre : mapping of str to float
        The build that is changed, by name.
    aim : Aim
        The aim.
    sets : sequence of tuple of str
        The sets, names of `PARTS`.

    Returns
    -------
    list of Solved
        In the order of `sets`; those that lead out of what parts are made in have an infinite
        miss.

    Notes
    -----
    Least squares in the values' logarithms (Levenberg's damped steps), all sets at once.
    """
    free = np.array([[part in one for part in PARTS] for one in sets])
    start = np.log([max(centre.get(part, NO_SHUNT_OHM), _LEAST) for part in PARTS])
    logs = np.tile(start, (len(sets), 1))
    shunt = PARTS.index("knob_shunt")
    logs[free[:, shunt], shunt] = np.log(10.0 * max(centre["r_knob"], 1.0))
    low, high = np.log([_LIMITS[part] for part in PARTS]).T
    held = {name: one for name, one in centre.items() if name not in PARTS}

    def evaluate(points: Values) -> Values:
        flat = np.exp(points.reshape(-1, len(PARTS)))
        builds = {part: flat[:, k] for k, part in enumerate(PARTS)}
        builds |= {name: np.full(len(flat), one) for name, one in held.items()}
        found = _residuals(design, builds, aim)
        return found.reshape(*points.shape[:-1], found.shape[-1])

    damping = np.full(len(sets), 1e-3)
    residual = evaluate(logs)
    for _ in range(_ROUNDS):
        shifted = logs[:, None, :] + _TINY * np.eye(len(PARTS))
        slopes = (evaluate(shifted) - residual[:, None, :]) / _TINY * free[:, :, None]
        slopes, off = np.nan_to_num(slopes), np.nan_to_num(residual, nan=1e3)
        normal = slopes @ slopes.transpose(0, 2, 1)
        size = np.trace(normal, axis1=1, axis2=2)[:, None, None] + 1e-12
        normal = normal + (damping[:, None, None] * size + 1e-9) * np.eye(len(PARTS))
        step = -np.linalg.solve(normal, (slopes @ off[:, :, None]))[:, :, 0]
        tried = np.where(free, np.clip(logs + np.clip(step, -1.0, 1.0), low, high), logs)
        after = evaluate(tried)
        better = np.sum(np.nan_to_num(after, nan=1e3) ** 2, axis=1) < np.sum(off**2, axis=1)
        logs = np.where(better[:, None], tried, logs)
        residual = np.where(better[:, None], after, residual)
        damping = np.clip(np.where(better, damping / 10, damping * 10), 1e-9, 10.0)
    worst = np.max(np.abs(np.nan_to_num(residual, nan=np.inf)), axis=1)
    return [
        Solved(tuple(one), dict(zip(PARTS, np.exp(row).tolist(), strict=True)), float(miss))
        for one, row, miss in zip(sets, logs, worst, strict=True)
    ]


def _new_values(part: str, wanted: float) -> tuple[float, ...]:
    """Return the values near a wanted one in which a part is made."""
    low, high = wanted * (1 - _NEAR), wanted * (1 + _NEAR)
    if part == "r_knob":
        return tuple(one for one in KNOB_OHM if low <= one <= high)
    if part == "knob_shunt":
        return values_between(wanted / 1.5, wanted * 1.5, "E24")
    series = "E12" if part == "c_timing" else "E24"
    return values_between(low, high, series)


def _beside(wanted: float) -> list[float]:
    """Return the two E24 values on either side of a wanted one, nearest first."""
    near = values_between(wanted * 0.82, wanted * 1.22, "E24")
    return sorted(near, key=lambda one: abs(np.log(one / wanted)))[:4]


def list_steps(design: Design, part: str, stands: float, wanted: float) -> list[Step]:
    """Return the changes to one part that come near a wanted value, trimmers left out."""
    if part == "knob_shunt":
        return [Step("r_knob", "parallel", one) for one in _new_values(part, wanted)]
    if trimmer_of(design, part):
        trimmer = trimmer_of(design, part)
        middle = max(wanted - trimmer / 2, wanted / 10)
        near = values_between(middle * 0.75, middle * 1.33, "E12")
        there = fixed_value(design, part)
        return [Step(part, "fixed", one, trimmer) for one in near if abs(one / there - 1) > 0.01]
    steps = [Step(part, "value", one) for one in _new_values(part, wanted)]
    longer = wanted - stands
    if part == "c_timing":
        if longer > 0.005 * stands:
            near = values_between(longer * 0.75, longer * 1.33, "E12")
            steps += [Step(part, "parallel", one) for one in near]
    elif longer > 0.002 * stands and part != "r_knob":
        steps += [Step(part, "series", one) for one in _beside(longer)]
    elif longer < -0.002 * stands and part != "r_knob":
        steps += [Step(part, "parallel", one) for one in _beside(stands * wanted / -longer)]
    return steps


def list_trimmers(part: str, wanted: float) -> list[Step]:
    """Return fixed resistors with a trimmer that have a wanted value well within their reach."""
    if part not in ("r_on", "r_off"):
        return []
    steps = []
    for trimmer in TRIMMER_OHM:
        if 0.12 * wanted <= trimmer <= 0.7 * wanted:
            fixed = nearest_value(wanted - trimmer / 2, "E24")
            if 0.2 * trimmer <= wanted - fixed <= 0.8 * trimmer:
                steps.append(Step(part, "trimmer", fixed, trimmer))
    return steps


@dataclass(frozen=True, slots=True, eq=False)
class _Slopes:
    """How the logarithms of both ends and of the period go with the values, at one build."""

    names: tuple[str, ...]
    at: dict[str, float]
    level: Values  # (3,)
    slopes: Values  # (names, 3), per unit of the value; of its logarithm for PARTS

    def effect(self, name: str, value: Values) -> Values:
        """Return what another value does to the logarithms, shape (n, 3)."""
        at = self.at[name]
        moved = np.log(np.maximum(value, _LEAST) / at) if name in PARTS else value - at
        return np.outer(moved, self.slopes[self.names.index(name)])


def _find_slopes(design: Design, at: dict[str, float], drawn: Builds) -> _Slopes:
    """Return the slopes at a build, over a tenth of what each value scatters."""
    names = tuple(at)
    rows = np.tile([at[name] for name in names], (len(names) + 1, 1))
    widths = np.array([max(0.1 * float(np.std(drawn[name])), _TINY * at[name]) for name in names])
    widths = np.where(widths > 0.0, widths, _TINY)
    rows[1:] += np.diag(widths)
    ends = find_ends(design, {name: rows[:, k] for k, name in enumerate(names)})
    moves = np.array(
        [
            np.log1p(width / at[name]) if name in PARTS else width
            for name, width in zip(names, widths.tolist(), strict=True)
        ]
    )
    logs = np.log(np.column_stack([ends.low_s, ends.high_s, ends.period_s]))
    return _Slopes(names, at, logs[0], np.nan_to_num((logs[1:] - logs[0]) / moves[:, None]))


@dataclass(frozen=True, slots=True, eq=False)
class _Choice:
    """One step, what it does to the logarithms, or from where to where its trimmer reaches."""

    step: Step
    effect: Values | None
    reach: tuple[Values, Values] | None


def list_candidates(
    design: Design,
    aim: Aim,
    drawn: Builds,
    changed: tuple[str, ...],
    solved: Solved,
    source: np.random.Generator,
    *,
    trimmers: bool,
) -> list[tuple[float, tuple[Step, ...]]]:
    """Return the changes of one set of parts, each with a rough share that meets the aim.

    Parameters
    ----------
    design : Design
        The design.
    aim : Aim
        The aim.
    drawn : mapping of str to numpy.ndarray
        Some builds before the changes, shape (n,).
    changed : tuple of str
        The parts to change.
    solved : Solved
        The values that are wanted of them, and of what the design has a trimmer at.
    source : numpy.random.Generator
        Where chance comes from.
    trimmers : bool
        Whether every change shall put in a trimmer where that can be.

    Returns
    -------
    list of tuple
        Rough share and steps, the largest share first.

    Notes
    -----
    The share is reckoned in first order about the wanted values, so it only sifts.
    """
    drawn = {**drawn, "knob_shunt": np.full(next(iter(drawn.values())).size, NO_SHUNT_OHM)}
    stands = {name: float(np.median(one)) for name, one in drawn.items()}
    slopes = _find_slopes(design, {**stands, **solved.values}, drawn)
    kept = np.tile(slopes.level, (next(iter(drawn.values())).size, 1))
    for name in slopes.names:
        if name not in solved.free:
            kept += slopes.effect(name, drawn[name])

    def weigh(step: Step) -> _Choice:
        builds, ranges = apply_steps(design, (step,), drawn, source)
        if step.part in ranges:
            return _Choice(step, None, ranges[step.part])
        name = "knob_shunt" if (step.part, step.kind) == ("r_knob", "parallel") else step.part
        return _Choice(step, slopes.effect(name, builds[name]), None)

    settings = [
        weigh(Step(part, "setting", 0.0, trimmer_of(design, part)))
        for part in list_trimmed(design, aim)
        if part not in changed
    ]
    choices = []
    for part in changed:
        wanted = solved.values[part]
        steps = list_trimmers(part, wanted) if trimmers else []
        choices.append(
            [weigh(one) for one in steps or list_steps(design, part, stands[part], wanted)]
        )
    found = []
    for chosen in itertools.product(*choices):
        every = (*chosen, *settings)
        logs = kept + sum(one.effect for one in every if one.effect is not None)
        ranges = {one.step.part: one.reach for one in every if one.reach is not None}
        logs = _set_roughly(logs, ranges, slopes, aim)
        found.append((_rough_share(logs, aim), tuple(one.step for one in every)))
    return sorted(found, key=lambda one: -one[0])


def _set_roughly(
    logs: Values, ranges: Mapping[str, tuple[Values, Values]], slopes: _Slopes, aim: Aim
) -> Values:
    """Return the logarithms once trimmers are set, in first order."""
    done = logs.copy()
    at = {part: np.zeros(len(logs)) for part in ranges}
    for part in ("r_on", "r_off", "r_on"):
        column, wanted = (0, aim.low_s) if part == "r_on" else (2, aim.period_s)
        slope = slopes.slopes[slopes.names.index(part)]
        if part not in ranges or wanted is None or slope[column] == 0.0:
            continue
        low, high = (np.log(one / slopes.at[part]) for one in ranges[part])
        move = np.clip(at[part] + (np.log(wanted) - done[:, column]) / slope[column], low, high)
        done += np.outer(move - at[part], slope)
        at[part] = move
    return done


def _rough_share(logs: Values, aim: Aim) -> float:
    """Return the share of builds that meet the aim."""
    low, high, period = np.exp(np.clip(np.nan_to_num(logs, nan=60.0), -60.0, 60.0)).T
    return float(np.mean(Ends(low, high, period).meet(aim)))
