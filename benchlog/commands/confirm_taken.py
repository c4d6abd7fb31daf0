"""One knob position as it was taken from live readings, and what spoils it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from benchlog.commands.options import Level
from benchlog.timing.live_reading import LiveReading
from benchlog.timing.notices import Notice
from benchlog.timing.pulses import CLOCK_PPM
from benchlog.timing.settling import Settling

if TYPE_CHECKING:
    from benchlog.calibration.table import Point
    from benchlog.channel.design import Design

__all__ = ["PLACES", "Place", "Taken", "list_spoilers", "make_points", "take_reading"]

Place = Literal["anticlockwise", "middle", "clockwise"]

PLACES: tuple[Place, ...] = ("anticlockwise", "middle", "clockwise")
"""The positions in the order of their angles."""

_CLIPPED = 1e-3


@dataclass(frozen=True, slots=True)
class Taken:
    """One position as it was measured.

    Attributes
    ----------
    high_s, low_s, period_s : float
        Mean time at the higher and at the lower level, and their sum, seconds.
    u_width_s, u_period_s : float
        Standard uncertainties of either and of the sum, seconds.
    high_sd_s, low_sd_s, period_sd_s : float
        Standard deviations, the input's own part taken out, seconds.
    pulse_count : int
        Pulses behind the means.
    notices : tuple of Notice
        What spoils them.
    """

    high_s: float
    low_s: float
    period_s: float
    u_width_s: float
    u_period_s: float
    high_sd_s: float
    low_sd_s: float
    period_sd_s: float
    pulse_count: int
    notices: tuple[Notice, ...]

    def pulse_s(self, level: Level) -> float:
        """Return the pulse, seconds, where `level` is its level."""
        return self.high_s if level == "high" else self.low_s


def list_spoilers(
    reading: LiveReading,
    settling: Settling,
    *,
    lost_count: int,
    garbled_count: int,
    extra_count: int,
) -> tuple[Notice, ...]:
    """Say what spoils a position.

    Parameters
    ----------
    reading, settling : LiveReading, Settling
        The newest ones.
    lost_count, garbled_count, extra_count : int
        Places where samples were lost, lines of a probe that could not be read, and pulses far
        too short, since it stands still.

    Returns
    -------
    tuple of Notice
        Empty where nothing does.
    """
    missing = _count_missing(reading, settling)
    candidates = (
        (
            settling.state != "settled",
            "moved",
            "the pulse still moved when it was taken: leave the knob alone until it is taken",
        ),
        (
            reading.weak,
            "weak-signal",
            "the pulse hardly stands out of the noise: raise the input level",
        ),
        (
            reading.clipped_share > _CLIPPED,
            "clipping",
            f"{100 * reading.clipped_share:.1f} % of the samples are at the end of the scale: "
            "lower the input level",
        ),
        (lost_count > 0, "gap", "samples were lost: close other programs"),
        (
            garbled_count > 0,
            "garbled-lines",
            "lines from the probe could not be read: check its lead",
        ),
        (
            missing > 0,
            "missing-pulse",
            f"{missing} pulse(s) are missing between others: look for a loose contact, at the "
            "knob's wiper first",
        ),
        (
            extra_count > 0,
            "extra-edge",
            f"{extra_count} extra pulse(s), far too short: look at the lead and its ground",
        ),
    )
    return tuple(Notice(code, text, True) for hit, code, text in candidates if hit)


def take_reading(
    reading: LiveReading, settling: Settling, notices: tuple[Notice, ...]
) -> Taken | None:
    """Take a position.

    Parameters
    ----------
    reading, settling : LiveReading, Settling
        The newest ones.
    notices : tuple of Notice
        What spoils it.

    Returns
    -------
    Taken or None
        None where there is no pulse with its period.
    """
    width_s, period_s = settling.mean_s, settling.period_s
    if width_s is None or period_s is None:
        return None
    high = (reading.active_level or "high") == "high"
    width_sd_s, rest_sd_s, period_sd_s = _scatter(reading, settling)
    return Taken(
        high_s=width_s if high else period_s - width_s,
        low_s=period_s - width_s if high else width_s,
        period_s=period_s,
        u_width_s=settling.u_s or 0.0,
        u_period_s=settling.u_period_s or 0.0,
        high_sd_s=width_sd_s if high else rest_sd_s,
        low_sd_s=rest_sd_s if high else width_sd_s,
        period_sd_s=period_sd_s,
        pulse_count=settling.pulse_count,
        notices=notices,
    )


def _count_missing(reading: LiveReading, settling: Settling) -> int:
    """Count pulses that are missing since it stands still."""
    since_s = settling.since_s if settling.since_s is not None else math.inf
    period = np.diff(reading.recent_start_s[reading.recent_start_s >= since_s])
    if period.shape[0] < 3:
        return 0
    return int(np.sum(np.rint(period / np.median(period)) - 1.0))


def _scatter(reading: LiveReading, settling: Settling) -> tuple[float, float, float]:
    """Return standard deviations of width, rest and period since it stands still, seconds."""
    since_s = settling.since_s if settling.since_s is not None else -math.inf
    chosen = reading.recent_start_s >= since_s
    width, start = reading.recent_s[chosen], reading.recent_start_s[chosen]
    period = np.diff(start)
    if period.shape[0] < 3:
        return 0.0, 0.0, 0.0
    # a pulse that is missing is told by itself
    whole = period < 1.5 * float(np.median(period))
    own = (reading.floor_s or 0.0) ** 2
    series = (width, period[whole] - width[:-1][whole], period[whole])
    sds = [math.sqrt(max(float(np.var(one, ddof=1)) - own, 0.0)) for one in series]
    return sds[0], sds[1], sds[2]


def make_points(
    design: Design,
    taken: dict[Place, Taken],
    level: Level,
    *,
    supply_v: float | None,
    temperature_c: float | None,
) -> list[Point]:
    """Turn three positions into points.

    Parameters
    ----------
    design : Design
        What the copy should be.
    taken : dict
        All three positions.
    level : str
        The level of a pulse.
    supply_v, temperature_c : float or None
        What was read.

    Returns
    -------
    list of Point
        At the stops, and where between them the cycles say that the knob stood.
    """
    from benchlog.calibration.confirming_middle import place_middle
    from benchlog.calibration.table import Point

    pulses = [taken[place].pulse_s(level) for place in PLACES]
    rests = [taken[place].period_s - taken[place].pulse_s(level) for place in PLACES]
    middle_deg = place_middle(
        design, (pulses[0], pulses[1], pulses[2]), (rests[0], rests[1], rests[2])
    )
    points = []
    for place, knob_deg in zip(PLACES, (0.0, middle_deg, design.knob.travel_deg), strict=True):
        one = taken[place]
        high = level == "high"
        points.append(
            Point(
                knob_deg=knob_deg,
                pulse_s=one.pulse_s(level),
                u_pulse_s=one.u_width_s,
                period_s=one.period_s,
                supply_v=supply_v,
                temperature_c=temperature_c,
                pulse_sd_s=one.high_sd_s if high else one.low_sd_s,
                rest_sd_s=one.low_sd_s if high else one.high_sd_s,
                period_sd_s=one.period_sd_s,
                pulse_count=one.pulse_count,
                notices=one.notices,
                source=place,
                u_period_s=one.u_period_s,
                clock_share=CLOCK_PPM * 1e-6,
            )
        )
    return points
