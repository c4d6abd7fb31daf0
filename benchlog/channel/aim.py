"""What a channel is wanted to do: the pulses at the knob's two ends, and the period."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchlog.channel.plan import Design
from benchlog.channel.prediction import predict_cycle
from benchlog.errors import DesignError

__all__ = ["Aim", "design_aim", "servo_aim"]

STOP_MARGIN = 0.05
"""How far from its stops a servo is kept, as a share of its range: some 13 degrees of knob."""


@dataclass(frozen=True, slots=True)
class Aim:
    """What a channel is wanted to do.

    Attributes
    ----------
    low_s, high_s : float
        The shortest and the longest pulse, at the knob's two ends, seconds.
    period_s : float or None
        The period with the knob at the middle of its travel, seconds; None where any does.
    within_s : float
        How far either pulse may be off, seconds, above 0.
    period_within : float
        How far the period may be off, as a fraction of it, above 0.

    Raises
    ------
    DesignError
        No channel can do that; what was found, what was expected, what to try.
    """

    low_s: float
    high_s: float
    period_s: float | None
    within_s: float = 20e-6
    period_within: float = 0.05

    def __post_init__(self) -> None:
        """Refuse what no channel can do."""
        if not (math.isfinite(self.low_s) and math.isfinite(self.high_s)) or self.low_s <= 0.0:
            raise DesignError(
                f"an aim of {self.low_s * 1e6:g} to {self.high_s * 1e6:g} µs",
                expected="two pulses above 0 µs",
                attempt="such as 600 to 2400 µs",
            )
        if self.low_s >= self.high_s:
            raise DesignError(
                f"an aim of {self.low_s * 1e6:g} to {self.high_s * 1e6:g} µs",
                expected="the shortest pulse first, below the longest",
                attempt="the two the other way round"
                if self.low_s > self.high_s
                else "two pulses that differ, such as 600 and 2400 µs",
            )
        if not (self.within_s > 0.0 and self.period_within > 0.0):
            raise ValueError("within_s and period_within must be above 0")
        if self.period_s is not None and not self.high_s < self.period_s < math.inf:
            raise DesignError(
                f"a period of {self.period_s * 1e3:g} ms with a longest pulse of "
                f"{self.high_s * 1e6:g} µs",
                expected="a period that is longer than the longest pulse",
                attempt="20 ms, what most servos are made for",
            )


def design_aim(design: Design) -> Aim:
    """Return the ends and the period that the marked parts should give.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    Aim
        Each pulse within the design's own limit.

    Raises
    ------
    DesignError
        The circuit cannot oscillate.
    """
    travel_deg = design.knob.travel_deg
    times = predict_cycle(design, np.array([0.0, travel_deg, travel_deg / 2]))
    return Aim(
        low_s=float(times.on_s[:2].min()),
        high_s=float(times.on_s[:2].max()),
        period_s=float(times.period_s[2]),
        within_s=design.limits.deviation_s,
    )


def servo_aim(design: Design) -> Aim:
    """Return the widest pulses that keep the design's servo off its stops.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    Aim
        The servo's range less a margin at either end, and as much room as that margin: a
        channel that meets it never pushes the servo against a stop. Any period will do.
    """
    servo = design.servo
    margin_s = STOP_MARGIN * (servo.pulse_max_s - servo.pulse_min_s)
    return Aim(
        low_s=servo.pulse_min_s + margin_s,
        high_s=servo.pulse_max_s - margin_s,
        period_s=None,
        within_s=margin_s,
    )
