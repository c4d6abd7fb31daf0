"""Where trimmers stand, as far as readings tell, and how far they have to be turned."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.trim_model import Sides, Where
from benchlog.channel.plan import Design

__all__ = ["Reach", "Trimmer", "TrimmerState", "Within", "estimate_scale"]

Within = Literal["yes", "perhaps", "no"]
"""Whether a trimmer gets somewhere before its end."""

_HAND = 0.25
"""By what share a hand is taken to miss an advised turn, one standard deviation."""

_HAND_FLOOR = 0.02
_SENSE_SPREAD = 0.3
_GAIN_RANGE = (0.4, 2.5)
_GRID = 801
_BEYOND, _OUTSIDE = 1.4, 0.15  # a knob may be somewhat beyond its tolerance
_SURE = 2.0
_SURE_SHARE = 0.02
_EDGE = 0.05
_ON_PER_SUPPLY = 0.35
"""Relative change of the on side's resistances, as they look, by that of the supply."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Trimmer:
    """One trimmer.

    Attributes
    ----------
    where : {"r_on", "across", "r_off"}
        What it sets.
    fixed_ohm : float
        The fixed resistor in series with it, 0 for none.
    range_ohm : float
        Its own value, ohms, above 0.
    fixed_tolerance : float
        Relative half-width of the fixed resistor.
    turns : float
        Turns of its screw from end to end.
    """

    where: Where
    fixed_ohm: float
    range_ohm: float
    fixed_tolerance: float = 0.05
    turns: float = 1.0


@dataclass(frozen=True, slots=True)
class Reach:
    """Where a trimmer has to go.

    Attributes
    ----------
    change_ohm : float
        By how much its resistance has to change.
    share : float
        The same as a share of its whole range.
    within : {"yes", "perhaps", "no"}
        Whether it gets there before its end.
    """

    change_ohm: float
    share: float
    within: Within


def estimate_scale(
    design: Design,
    sides: Sides,
    measured: frozenset[str],
    trimmers: tuple[Trimmer, ...],
    *,
    supply_share: float,
) -> tuple[float, float]:
    """Return by what factor resistances look larger than they are, and its uncertainty.

    Parameters
    ----------
    design : Design
        The design.
    sides : Sides
        The resistances as they look.
    measured : frozenset of str
        Those among ``r_on``, ``track`` and ``r_off`` that a reading has shown and that
        nothing of unknown value lies across.
    trimmers : tuple of Trimmer
        The trimmers, which may stand anywhere.
    supply_share : float
        Relative standard uncertainty of the supply.

    Returns
    -------
    float, float
        The factor, which is mostly the capacitor's deviation, and its relative standard
        uncertainty: the weighted mean of the tolerances' priors (JCGM 101, rectangular
        half-widths taken as standard deviations of half-width / sqrt 3).
    """
    weights = [1.0 / max(_sigma(design.c_timing.tolerance), 1e-4) ** 2]
    logs = [0.0]
    known = {
        "r_on": (design.r_on.value, design.r_on.tolerance),
        "track": (design.r_knob.value, design.r_knob.tolerance),
        "r_off": (design.r_off.value, design.r_off.tolerance),
    }
    for one in trimmers:
        if one.where != "across":
            middle = one.fixed_ohm + one.range_ohm / 2
            half = one.fixed_ohm * one.fixed_tolerance + one.range_ohm / 2
            known[one.where] = middle, half / middle
    looks = {"r_on": sides.r_on, "track": sides.track, "r_off": sides.r_off}
    for name, (value, tolerance) in known.items():
        if name in measured and value > 0 and looks[name] > 0:
            by_supply = 0.0 if name == "r_off" else _ON_PER_SUPPLY * supply_share
            weights.append(1.0 / math.hypot(_sigma(tolerance), by_supply, 1e-3) ** 2)
            logs.append(math.log(looks[name] / value))
    total = sum(weights)
    mean = sum(weight * log for weight, log in zip(weights, logs, strict=True)) / total
    return math.exp(mean), 1.0 / math.sqrt(total)


def _sigma(tolerance: float) -> float:
    return tolerance / math.sqrt(3.0)


class TrimmerState:
    """What is known of one trimmer.

    Parameters
    ----------
    trimmer : Trimmer
        The trimmer.
    knob_ohm, knob_tolerance : float
        The knob's track as marked, and its relative half-width; for a trimmer across it.
    """

    def __init__(self, trimmer: Trimmer, knob_ohm: float, knob_tolerance: float) -> None:
        self.trimmer = trimmer
        self.clockwise: int | None = None
        """1 where clockwise gives more resistance, -1 where less, None where nobody knows."""

        self.limit: int | None = None
        """1 where it is at the end of most resistance, -1 at that of least."""

        self._gain_log, self._gain_weight = 0.0, 1.0 / _SENSE_SPREAD**2
        self._scale, self._u_scale = 1.0, 0.1
        place = np.linspace(-_BEYOND, _BEYOND, _GRID)
        self._whole = knob_ohm * (1.0 + place * max(knob_tolerance, 2e-3))
        outside = np.maximum(np.abs(place) - 1.0, 0.0)
        self._log_weight = -0.5 * (outside / _OUTSIDE) ** 2

    def set_scale(self, scale: float, u_scale: float) -> None:
        """Take by what factor resistances look larger than they are."""
        self._scale, self._u_scale = scale, u_scale

    # --- where it stands --------------------------------------------------------

    def setting(self, looks_ohm: float) -> tuple[float, float]:
        """Return its resistance with the fixed one in series, and the standard uncertainty.

        Parameters
        ----------
        looks_ohm : float
            What it sets, as it looks (`Sides.side`).
        """
        trimmer = self.trimmer
        if trimmer.where != "across":
            ohm = looks_ohm / self._scale
            fixed = _sigma(trimmer.fixed_tolerance) * trimmer.fixed_ohm
            return ohm, math.hypot(self._u_scale * ohm, fixed)
        ohms, weight = self._across(looks_ohm)
        mean = float(weight @ ohms)
        return mean, math.sqrt(max(float(weight @ (ohms - mean) ** 2), 0.0))

    def whole_track(self, looks_ohm: float) -> float:
        """Return what the knob's track alone looks like, for a trimmer across it."""
        _, weight = self._across(looks_ohm)
        return max(float(weight @ self._whole) * self._scale, looks_ohm)

    def _across(self, looks_ohm: float) -> tuple[FloatArray, FloatArray]:
        """Return the resistance across for each value that the track may have, and weights."""
        track = looks_ohm / self._scale
        trimmer = self.trimmer
        low, high = trimmer.fixed_ohm, trimmer.fixed_ohm + trimmer.range_ohm
        with np.errstate(divide="ignore", invalid="ignore"):
            ohms = np.where(
                self._whole > track * (1 + 1e-9),
                self._whole * track / (self._whole - track),
                np.inf,
            )
        is_open = ~np.isfinite(ohms)
        ohms = np.where(is_open, high, ohms)
        share = (ohms - low) / (high - low)
        outside = np.maximum(np.maximum(-share, share - 1.0), 0.0)
        # how sure the ends are: the scale shifts the track, and that the resistance across
        blur = np.maximum(_EDGE, self._u_scale * ohms / (high - low))
        log_weight = self._log_weight - 0.5 * np.minimum(outside / blur, 40.0) ** 2
        if is_open.all():
            return np.full(_GRID, high), np.full(_GRID, 1.0 / _GRID)
        above = np.minimum(log_weight - log_weight[~is_open].max(), 0.0)
        weight = np.where(is_open, 0.0, np.exp(above))
        return np.clip(ohms, 0.3 * low, 3.0 * high), weight / weight.sum()

    # --- where it has to go -----------------------------------------------------

    def reach(self, looks_ohm: float, goal_ohm: float) -> Reach:
        """Return how far it has to be turned.

        Parameters
        ----------
        looks_ohm, goal_ohm : float
            What it sets, as it looks, now and in the end.
        """
        trimmer = self.trimmer
        low, high = trimmer.fixed_ohm, trimmer.fixed_ohm + trimmer.range_ohm
        gain = math.exp(self._gain_log)
        if trimmer.where != "across":
            change = (goal_ohm - looks_ohm) / self._scale
            now, u_now = self.setting(looks_ohm)
            end = now + change
            out = max(low - end, end - high) / max(u_now, 1e-9)
            within: Within = "yes" if out <= 0 else "perhaps" if out <= _SURE else "no"
            return Reach(change / gain, change / gain / trimmer.range_ohm, within)
        ohms, weight = self._across(looks_ohm)
        goal = goal_ohm / self._scale
        reachable = self._whole > goal * (1 + 1e-9)
        with np.errstate(divide="ignore", invalid="ignore"):
            ends = np.where(reachable, self._whole * goal / (self._whole - goal), np.inf)
        slack = _EDGE * trimmer.range_ohm
        inside = (ends >= low - slack) & (ends <= high + slack)
        likely = float(weight[inside].sum())
        if likely > 0:
            change = float(weight[inside] @ (ends - ohms)[inside]) / likely
        else:
            change = (high - low) if goal_ohm > looks_ohm else (low - high)
        within = "yes" if likely > 0.5 else "perhaps" if likely > _SURE_SHARE else "no"
        change = min(max(change, low - high), high - low)
        return Reach(change, change / trimmer.range_ohm, within)

    def is_near_end(self, looks_ohm: float, direction: int) -> bool:
        """Tell whether it may stand at the end of more (1) or less (-1) resistance."""
        ohm, u_ohm = self.setting(looks_ohm)
        trimmer = self.trimmer
        low, high = trimmer.fixed_ohm, trimmer.fixed_ohm + trimmer.range_ohm
        left = high - ohm if direction > 0 else ohm - low
        return left <= 2.5 * u_ohm + _EDGE * trimmer.range_ohm

    def learn(self, before_ohm: float, after_ohm: float, advised_ohm: float) -> None:
        """Learn from a turn how much it does.

        Parameters
        ----------
        before_ohm, after_ohm : float
            What it sets, as it looks, before and after the turn.
        advised_ohm : float
            What had been advised, not 0.
        """
        if self.trimmer.where == "across":
            before, _ = self._across(before_ohm)
            after, _ = self._across(after_ohm)
            shares = np.abs((after - before) / advised_ohm)
            likely = np.exp(-0.5 * ((shares - 1.0) / _HAND) ** 2) + _HAND_FLOOR
            self._log_weight += np.log(likely)
            return
        share = abs((after_ohm - before_ohm) / self._scale / advised_ohm)
        if not 0.05 < share < 20.0:
            return
        seen, weight = math.log(share), 1.0 / _HAND**2
        total = self._gain_weight + weight
        self._gain_log = (self._gain_weight * self._gain_log + weight * seen) / total
        low, high = (math.log(one) for one in _GAIN_RANGE)
        self._gain_log = min(max(self._gain_log, low), high)
        self._gain_weight = total
