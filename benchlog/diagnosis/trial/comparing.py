"""Stages compared: the servo unplugged, plugged in, and a neighbour moving."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.separation.beat_likeness import Effect, lasting_slope, point_effect
from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.trial.stage import FEWEST_CYCLES, STAGES, Stage
from benchlog.diagnosis.trial.stage_events import EventChange, compare_events
from benchlog.timing.jitter import effective_count

__all__ = ["STAGES", "Comparison", "Difference", "Stage", "StageFigures", "compare_stages"]

FloatArray = NDArray[np.float64]

_AROUND_CYCLES = 31
_BLOCK_S = 0.5
_SURE_U = 3.0
"""How many standard uncertainties a shift must be: chance does that 3 times in 1000."""

_P_ROUGHER = 0.003
_LEAST_RATIO = 1.1
_CREEP_SPREAD = 1.7
"""What creeps within a stage may do between two: half-width of a rectangle, over sqrt(3)."""
_LONG_APART_S = 3600.0
_CLOCK_S = 2.0
"""How far a start may be off: sidecars count whole seconds."""
_SILENT_SHARE = 0.2
_SUPPLIES = ("supply", "supply-bipolar")


@dataclass(frozen=True, slots=True)
class StageFigures:
    """What one stage shows, seconds.

    Attributes
    ----------
    name : str
        The stage.
    pulse_s, u_pulse_s, rest_s, u_rest_s : float
        Means and standard uncertainties.
    pulse_sd_s, period_sd_s : float
        Standard deviations, creep included, the input's own part taken out.
    quick_sd_s, quick_period_sd_s : float
        The same without creep: around running means.
    creep_s_per_s, u_creep_s_per_s : float
        Slope of the pulse, and its standard uncertainty.
    count : int
        Cycles.
    """

    name: str
    pulse_s: float
    u_pulse_s: float
    rest_s: float
    u_rest_s: float
    pulse_sd_s: float
    period_sd_s: float
    quick_sd_s: float
    quick_period_sd_s: float
    creep_s_per_s: float
    u_creep_s_per_s: float
    count: int


@dataclass(frozen=True, slots=True)
class Difference:
    """What changed from one stage to the next one.

    Attributes
    ----------
    before, after : str
        The stages.
    shift_s, u_shift_s, rest_shift_s, u_rest_shift_s : float
        Of the means, seconds. The uncertainty holds what creep can do between the two.
    ratio, period_ratio : float
        Quick scatter of pulse and period after over before.
    p_rougher : float
        Chance of as great a ratio without any change.
    is_shift, is_rougher : bool
        Whether each is more than chance.
    effect : Effect
        Which cause moves pulse and rest as the means moved.
    is_falling : bool or None
        Whether a supply that moves them so falls; None where it is not known how a supply
        moves them.
    apart_s : float or None
        From the middle of one stage to that of the other, seconds; None where it is not known
        when they were recorded, or they cannot have been recorded then.
    """

    before: str
    after: str
    shift_s: float
    u_shift_s: float
    rest_shift_s: float
    u_rest_shift_s: float
    ratio: float
    period_ratio: float
    p_rougher: float
    is_shift: bool
    is_rougher: bool
    effect: Effect
    is_falling: bool | None
    apart_s: float | None

    @property
    def is_timed(self) -> bool:
        """Whether creep between the stages is known to be no more than creep within them."""
        return self.apart_s is not None and self.apart_s <= _LONG_APART_S


@dataclass(frozen=True, slots=True)
class Comparison:
    """Stages and what differs between them.

    Attributes
    ----------
    stages : tuple of Stage
        In the order of `STAGES`.
    silent : tuple of str
        Those in which no pulses come, or hardly any.
    figures : tuple of StageFigures
        Of those with enough whole cycles, in the order of `STAGES`.
    differences : tuple of Difference
        One less.
    changes : tuple of EventChange
        How often events come in stages that follow each other, those without pulses left out.
    """

    stages: tuple[Stage, ...]
    silent: tuple[str, ...]
    figures: tuple[StageFigures, ...]
    differences: tuple[Difference, ...]
    changes: tuple[EventChange, ...]

    @property
    def short(self) -> tuple[Stage, ...]:
        """Stages that have pulses, but too few whole cycles to be compared by their means."""
        measured = {one.name for one in self.figures}
        return tuple(
            one for one in self.stages if one.name not in measured and one.name not in self.silent
        )

    def after(self, name: str) -> Difference | None:
        """Return what changed when a stage began; None where nothing came before it."""
        return next((one for one in self.differences if one.after == name), None)


def compare_stages(stages: Sequence[Stage]) -> Comparison:
    """Compare recordings of the stages.

    Parameters
    ----------
    stages : sequence of Stage
        Two or three, each of another name, of one channel with its knob left alone.

    Returns
    -------
    Comparison
        In the order of `STAGES`.

    Raises
    ------
    ValueError
        An unknown name, one that comes twice, or fewer than two.
    """
    names = [one.name for one in stages]
    if len(names) < 2 or len(set(names)) < len(names) or not set(names) <= set(STAGES):
        raise ValueError(f"stages must be two or three of {', '.join(STAGES)}, got {names}")
    ordered = tuple(sorted(stages, key=lambda one: STAGES.index(one.name)))
    silent = _find_silent(ordered)
    heard = [one for one in ordered if one.name not in silent]
    full = [(one, one.cycles) for one in heard if one.cycles and one.count >= FEWEST_CYCLES]
    figures = tuple(_measure(one.name, cycles) for one, cycles in full)
    differences = tuple(
        _compare(*full[k], *full[k + 1], figures[k], figures[k + 1]) for k in range(len(full) - 1)
    )
    changes = tuple(
        change for before, after in pairwise(heard) for change in compare_events(before, after)
    )
    return Comparison(ordered, silent, figures, differences, changes)


def _find_silent(stages: Sequence[Stage]) -> tuple[str, ...]:
    """Name the stages that hold far fewer pulses than the others in the same time."""
    periods = [
        float(np.median(one.cycles.period_s))
        for one in stages
        if one.cycles is not None and one.count >= FEWEST_CYCLES
    ]
    usual_s = min(periods, default=0.0)
    return tuple(
        one.name
        for one in stages
        if one.pulses == 0 or one.pulses * usual_s < _SILENT_SHARE * one.duration_s
    )


def _measure(name: str, cycles: Cycles) -> StageFigures:
    time_s = cycles.start_s - cycles.start_s.mean()
    noise = 2.0 * cycles.u_edge_s**2
    slope = float(time_s @ (cycles.on_s - cycles.on_s.mean())) / float(time_s @ time_s)
    left = cycles.on_s - cycles.on_s.mean() - slope * time_s
    u_slope = float(left.std() / np.sqrt(float(time_s @ time_s)))
    u_slope *= float(np.sqrt(left.size / effective_count(left)))

    def u_mean(values: FloatArray) -> float:
        return float(values.std(ddof=1) / np.sqrt(effective_count(values)))

    def without_noise(values: FloatArray) -> float:
        return float(np.sqrt(max(float(np.var(values)) - noise, 0.0)))

    return StageFigures(
        name=name,
        pulse_s=float(cycles.on_s.mean()),
        u_pulse_s=u_mean(cycles.on_s),
        rest_s=float(cycles.off_s.mean()),
        u_rest_s=u_mean(cycles.off_s),
        pulse_sd_s=without_noise(cycles.on_s),
        period_sd_s=without_noise(cycles.period_s),
        quick_sd_s=without_noise(_quick(cycles.on_s)),
        quick_period_sd_s=without_noise(_quick(cycles.period_s)),
        creep_s_per_s=slope,
        u_creep_s_per_s=u_slope,
        count=cycles.count,
    )


def _quick(values: FloatArray) -> FloatArray:
    """Return values around their running mean."""
    weights = np.ones(min(_AROUND_CYCLES, values.size))
    calm = np.convolve(values, weights, mode="same")
    return np.asarray(values - calm / np.convolve(np.ones(values.size), weights, mode="same"))


def _compare(
    before: Stage,
    earlier: Cycles,
    after: Stage,
    later: Cycles,
    first: StageFigures,
    second: StageFigures,
) -> Difference:
    """Compare two stages that follow each other."""
    apart_s = _find_apart(before, after)
    # at least what lies between their middles where one follows the other at once
    between_s = (before.duration_s + after.duration_s) / 2.0
    if apart_s is not None and apart_s <= _LONG_APART_S:
        between_s = max(between_s, apart_s)
    directions = before.directions or after.directions

    def shift(pick: str, u_pick: str) -> tuple[float, float]:
        moved = getattr(second, pick) - getattr(first, pick)
        own = float(np.hypot(getattr(first, u_pick), getattr(second, u_pick)))
        slope = max(abs(_slope(one, pick)) for one in (earlier, later))
        # what creeps within a stage creeps between two as well
        return moved, float(np.hypot(own, between_s * slope / _CREEP_SPREAD))

    shift_s, u_shift_s = shift("pulse_s", "u_pulse_s")
    rest_s, u_rest_s = shift("rest_s", "u_rest_s")
    p_rougher = min(1.0, 2.0 * min(_chance(earlier, later, name) for name in ("on_s", "off_s")))
    ratio = _ratio(second.quick_sd_s, first.quick_sd_s, earlier.u_edge_s)
    period_ratio = _ratio(second.quick_period_sd_s, first.quick_period_sd_s, earlier.u_edge_s)
    sizes, covariance = np.array([shift_s, rest_s]), np.diag([u_shift_s**2, u_rest_s**2])
    is_shift = abs(shift_s) > _SURE_U * u_shift_s or abs(rest_s) > _SURE_U * u_rest_s
    return Difference(
        before=before.name,
        after=after.name,
        shift_s=shift_s,
        u_shift_s=u_shift_s,
        rest_shift_s=rest_s,
        u_rest_shift_s=u_rest_s,
        ratio=ratio,
        period_ratio=period_ratio,
        p_rougher=p_rougher,
        is_shift=is_shift,
        is_rougher=p_rougher < _P_ROUGHER and max(ratio, period_ratio) > _LEAST_RATIO,
        effect=point_effect(sizes, covariance, directions),
        is_falling=_is_falling(sizes, covariance, directions),
        apart_s=apart_s,
    )


def _find_apart(before: Stage, after: Stage) -> float | None:
    """Return how far the middles of two stages lie apart; None where they would overlap."""
    if before.middle_s is None or after.middle_s is None:
        return None
    apart_s = abs(after.middle_s - before.middle_s)
    closest_s = (before.duration_s + after.duration_s) / 2.0 - _CLOCK_S
    return apart_s if apart_s >= closest_s else None


def _is_falling(
    sizes: FloatArray, covariance: FloatArray, directions: Sequence[Direction]
) -> bool | None:
    """Tell whether the supply that moves pulse and rest most nearly so would fall."""
    weights = np.linalg.inv(covariance + 1e-24 * np.eye(2))
    judged = []
    for one in directions:
        if one.kind not in _SUPPLIES:
            continue
        way = np.array(lasting_slope(one))
        amount_v = float(way @ weights @ sizes) / float(way @ weights @ way)
        left = sizes - amount_v * way
        judged.append((float(left @ weights @ left), amount_v))
    return min(judged)[1] < 0 if judged else None


def _slope(cycles: Cycles, pick: str) -> float:
    values = cycles.on_s if pick == "pulse_s" else cycles.off_s
    time_s = cycles.start_s - cycles.start_s.mean()
    return float(time_s @ values) / float(time_s @ time_s)


def _ratio(after_s: float, before_s: float, noise_s: float) -> float:
    """Return a ratio of scatters that no vanishing one can make endless."""
    floor_s = max(noise_s / 3.0, 1e-9)
    return max(after_s, floor_s) / max(before_s, floor_s)


def _chance(before: Cycles, after: Cycles, name: str) -> float:
    """Return the chance of as much more scatter, from half seconds taken one by one.

    Welch's test of the logarithms of their scatters, which are nearly normal however long the
    tails of the single values are.
    """
    from scipy.stats import ttest_ind

    logs = []
    for cycles in (before, after):
        quick = _quick(getattr(cycles, name))
        block = (cycles.start_s / _BLOCK_S).astype(np.intp)
        many = np.bincount(block)
        power = np.bincount(block, quick**2)
        full = many >= max(5, int(many.max()) // 2)
        noise = cycles.u_edge_s**2
        logs.append(np.log(power[full] / many[full] + 0.01 * noise + 1e-20))
    if min(one.size for one in logs) < 4 or all(float(np.ptp(one)) == 0 for one in logs):
        return 1.0
    return float(ttest_ind(logs[1], logs[0], equal_var=False, alternative="greater").pvalue)
