"""Stages compared: the servo unplugged, plugged in, and a neighbour moving."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.separation.beat_likeness import Effect, point_effect
from benchlog.diagnosis.separation.directions import Direction
from benchlog.timing.jitter import effective_count

__all__ = ["STAGES", "Comparison", "Difference", "Stage", "StageFigures", "compare_stages"]

FloatArray = NDArray[np.float64]

STAGES = ("unplugged", "plugged", "neighbour")
"""The stages, in their order."""

_FEWEST_CYCLES = 60
_AROUND_CYCLES = 31
_BLOCK_S = 0.5
_SURE_U = 3.0
"""How many standard uncertainties a shift must be: chance does that 3 times in 1000."""

_P_ROUGHER = 0.003
_LEAST_RATIO = 1.1


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """A recording of one stage.

    Attributes
    ----------
    name : str
        One of `STAGES`.
    cycles : Cycles
        Its cycles.
    """

    name: str
    cycles: Cycles


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


@dataclass(frozen=True, slots=True)
class Comparison:
    """Stages and what differs between them.

    Attributes
    ----------
    figures : tuple of StageFigures
        In the order of `STAGES`.
    differences : tuple of Difference
        One less.
    """

    figures: tuple[StageFigures, ...]
    differences: tuple[Difference, ...]

    def after(self, name: str) -> Difference | None:
        """Return what changed when a stage began; None where nothing came before it."""
        return next((one for one in self.differences if one.after == name), None)


def compare_stages(stages: Sequence[Stage], directions: Sequence[Direction] = ()) -> Comparison:
    """Compare recordings of the stages.

    Parameters
    ----------
    stages : sequence of Stage
        Two or three, each of another name, of one channel with its knob left alone.
    directions : sequence of Direction
        How each cause moves the channel; empty where that is not known.

    Returns
    -------
    Comparison
        In the order of `STAGES`.

    Raises
    ------
    ValueError
        An unknown name, one that comes twice, fewer than two, or less than 60 cycles in one.
    """
    names = [one.name for one in stages]
    if len(names) < 2 or len(set(names)) < len(names) or not set(names) <= set(STAGES):
        raise ValueError(f"stages must be two or three of {', '.join(STAGES)}, got {names}")
    for one in stages:
        if one.cycles.count < _FEWEST_CYCLES:
            raise ValueError(f"stage {one.name} has {one.cycles.count} cycles, 60 are needed")
    ordered = sorted(stages, key=lambda one: STAGES.index(one.name))
    figures = tuple(_measure(one) for one in ordered)
    differences = tuple(
        _compare(ordered[k], ordered[k + 1], figures[k], figures[k + 1], directions)
        for k in range(len(ordered) - 1)
    )
    return Comparison(figures, differences)


def _measure(stage: Stage) -> StageFigures:
    cycles = stage.cycles
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
        name=stage.name,
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
    after: Stage,
    first: StageFigures,
    second: StageFigures,
    directions: Sequence[Direction],
) -> Difference:
    """Compare two stages that follow each other."""
    apart_s = (before.cycles.duration_s + after.cycles.duration_s) / 2.0

    def shift(pick: str, u_pick: str) -> tuple[float, float]:
        moved = getattr(second, pick) - getattr(first, pick)
        own = float(np.hypot(getattr(first, u_pick), getattr(second, u_pick)))
        slopes = [_slope(one, pick) for one in (before, after)]
        # what creeps within a stage creeps between two as well
        return moved, float(np.hypot(own, apart_s * max(abs(one) for one in slopes) / 1.7))

    shift_s, u_shift_s = shift("pulse_s", "u_pulse_s")
    rest_s, u_rest_s = shift("rest_s", "u_rest_s")
    p_rougher = min(1.0, 2.0 * min(_chance(before, after, name) for name in ("on_s", "off_s")))
    ratio = _ratio(second.quick_sd_s, first.quick_sd_s, before.cycles.u_edge_s)
    period_ratio = _ratio(second.quick_period_sd_s, first.quick_period_sd_s, before.cycles.u_edge_s)
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
        effect=point_effect(
            np.array([shift_s, rest_s]), np.diag([u_shift_s**2, u_rest_s**2]), directions
        ),
    )


def _slope(stage: Stage, pick: str) -> float:
    values = stage.cycles.on_s if pick == "pulse_s" else stage.cycles.off_s
    time_s = stage.cycles.start_s - stage.cycles.start_s.mean()
    return float(time_s @ values) / float(time_s @ time_s)


def _ratio(after_s: float, before_s: float, noise_s: float) -> float:
    """Return a ratio of scatters that no vanishing one can make endless."""
    floor_s = max(noise_s / 3.0, 1e-9)
    return max(after_s, floor_s) / max(before_s, floor_s)


def _chance(before: Stage, after: Stage, name: str) -> float:
    """Return the chance of as much more scatter, from half seconds taken one by one.

    Welch's test of the logarithms of their scatters, which are nearly normal however long the
    tails of the single values are.
    """
    from scipy.stats import ttest_ind

    logs = []
    for stage in (before, after):
        quick = _quick(getattr(stage.cycles, name))
        block = (stage.cycles.start_s / _BLOCK_S).astype(np.intp)
        many = np.bincount(block)
        power = np.bincount(block, quick**2)
        full = many >= max(5, int(many.max()) // 2)
        noise = stage.cycles.u_edge_s**2
        logs.append(np.log(power[full] / many[full] + 0.01 * noise + 1e-20))
    if min(one.size for one in logs) < 4 or all(float(np.ptp(one)) == 0 for one in logs):
        return 1.0
    return float(ttest_ind(logs[1], logs[0], equal_var=False, alternative="greater").pvalue)
