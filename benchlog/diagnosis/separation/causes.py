"""The kinds of movement gathered by the cause that a finding names."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchlog.diagnosis.separation.unrest import Contribution, Unrest

__all__ = ["MOST_KELVIN", "TOLD_SURELY", "Cause", "find_causes"]


TOLD_SURELY = 5.0
"""Log odds of the leading cause against its rival above which it is surely that."""

_DIODE_ALONE = 20.0
"""The same, above which a recording by itself says diode rather than supply: how far a diode's
own leak moves the rest differs from maker to maker more than the design's tolerance says."""

MOST_KELVIN = 15.0
"""Standard deviation of a diode's temperature within a recording that a bench can bring about:
a finger warms it by some ten degrees (common practice)."""

_ALIKE = ("supply", "diode")
"""Kinds that move pulse and rest nearly alike."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause with all its kinds of movement.

    Attributes
    ----------
    name : str
        The word of the findings.
    kinds : tuple of Contribution
        Weightiest first, one or more.
    share, share_low, share_high : float
        Of the variance, with the 95 % interval.
    """

    name: str
    kinds: tuple[Contribution, ...]
    share: float
    share_low: float
    share_high: float

    @property
    def main(self) -> Contribution:
        """The weightiest kind."""
        return self.kinds[0]


def find_causes(unrest: Unrest, told: str | None = None) -> tuple[Cause, ...]:
    """Gather the contributions by cause.

    Parameters
    ----------
    unrest : Unrest
        The shares of the movement.
    told : str, optional
        ``supply`` or ``diode`` where the readings beside the recordings tell which it is.

    Returns
    -------
    tuple of Cause
        Weightiest first.
    """
    groups: dict[str, list[Contribution]] = {}
    for one in unrest.contributions:
        if one.share > 0:
            groups.setdefault(_name(one, unrest, told), []).append(one)
    whole = {one.cause: one for one in unrest.cause_shares}
    found = []
    for name, kinds in groups.items():
        cause = _gather(name, kinds)
        if {one.cause for one in kinds} == {name} and name in whole:
            same = whole[name]
            cause = replace(cause, share=same.share, share_low=same.low, share_high=same.high)
        found.append(cause)
    return tuple(sorted(found, key=lambda one: -one.share))


def _name(one: Contribution, unrest: Unrest, told: str | None) -> str:
    """Name a contribution's cause; supply and diode are one where nothing tells them apart."""
    if one.kind not in _ALIKE:
        return one.cause
    if told is not None:
        return told
    if one.kind == "diode" and _is_beyond_diode(one):
        return "supply"
    leading = unrest.contributions[0].cause
    alike = {leading, unrest.rival} == set(_ALIKE) and unrest.log_odds < _DIODE_ALONE
    return "supply" if alike else one.cause


def _is_beyond_diode(one: Contribution) -> bool:
    """Tell whether a diode's temperature cannot move so fast or so far."""
    is_fast = one.fast_pulse_rms_s > one.slow_pulse_rms_s
    return is_fast or (one.size is not None and one.size > MOST_KELVIN)


def _gather(name: str, kinds: Sequence[Contribution]) -> Cause:
    """Add up the kinds of one cause; what is uncertain of each counts as independent."""
    ordered = tuple(sorted(kinds, key=lambda one: -one.share))
    share = min(1.0, sum(one.share for one in ordered))
    below = math.hypot(*(one.share - one.share_low for one in ordered))
    above = math.hypot(*(one.share_high - one.share for one in ordered))
    return Cause(name, ordered, share, max(0.0, share - below), min(1.0, share + above))
