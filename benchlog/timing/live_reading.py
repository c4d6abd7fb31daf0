"""What a live measurement knows at an instant, and what is heard in place of pulses."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.timing.jitter import Statistic
from benchlog.timing.pulses import ActiveLevel

__all__ = ["SLOT_S", "STRIP_SLOTS", "Histogram", "LiveReading", "Quiet", "State", "count_widths"]

State = Literal["listening", "pulses", "quiet"]

SLOT_S = 0.25
"""Seconds of pulses that one place of the strip stands for."""

STRIP_SLOTS = 240
"""Places of the strip: a minute."""

_LEAST_HALF_WIDTH_S = 0.5e-6
_FLOORS = 4.0
_SPREADS = 6.0


@dataclass(frozen=True, slots=True)
class Quiet:
    """What is heard where pulses should be.

    Attributes
    ----------
    heard : str
        ``silence``, ``hum``, ``level``, ``noise``, ``stopped-high`` or ``stopped-low``.
    sentence : str
        The same in plain words.
    reasons : tuple of str
        Likely reasons, likeliest first, each with what to look at.
    """

    heard: str
    sentence: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class LiveReading:
    """One input at one instant.

    Attributes
    ----------
    input : int
        The input's number, from 1.
    heard_s : float
        Up to where was listened, seconds from the stream's start.
    state : str
        ``listening`` (too early to tell), ``pulses`` or ``quiet``.
    quiet : Quiet or None
        What is heard in place of pulses.
    width, period : Statistic or None
        Of the pulses since the last change, of the last two seconds at most; None without
        pulses.
    width_count : int
        Pulses behind `width`.
    latest_s : float or None
        The width of the newest pulse.
    last_pulse_s : float or None
        When the newest pulse ended, on the scale of `heard_s`.
    moved_s : float or None
        When the pulse last changed, on the same scale; None where it has not.
    recent_s : numpy.ndarray
        Widths of the last seconds in order, shape (n,), seconds.
    recent_start_s : numpy.ndarray
        When each of them began, on the scale of `heard_s`, shape (n,), seconds.
    jitter_s, floor_s : float or None
        Standard deviation of `recent_s`, and the input's own part in it.
    strip_s : tuple of (float or None)
        Mean width in each `SLOT_S`, newest last, None where there was no pulse; at most
        `STRIP_SLOTS`.
    active_level : str or None
        ``high`` or ``low``: the level of a pulse in what is heard.
    level_unsure : bool
        Whether the active level is a guess because both parts last about as long.
    step : float
        Height of the usual edge in units of full scale; 0 where not known.
    weak : bool
        Whether the pulse hardly stands out of the noise.
    clipped_share : float
        Share of the newest second's samples that lie at the ends of the scale.
    lost_count : int
        Places where samples were lost, since the start.
    lost_s : float
        Their length together, as far as it is known.
    missing_count, extra_count : int
        Pulses missing between others, and extra ones far too short, in the last seconds.
    garbled_count : int
        Lines of a probe that could not be read, since the start.
    """

    input: int
    heard_s: float
    state: State
    quiet: Quiet | None = None
    width: Statistic | None = None
    period: Statistic | None = None
    width_count: int = 0
    latest_s: float | None = None
    last_pulse_s: float | None = None
    moved_s: float | None = None
    recent_s: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    recent_start_s: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    jitter_s: float | None = None
    floor_s: float | None = None
    strip_s: tuple[float | None, ...] = ()
    active_level: ActiveLevel | None = None
    level_unsure: bool = False
    step: float = 0.0
    weak: bool = False
    clipped_share: float = 0.0
    lost_count: int = 0
    lost_s: float = 0.0
    missing_count: int = 0
    extra_count: int = 0
    garbled_count: int = 0

    @property
    def duty_cycle(self) -> float | None:
        """Share of the period that the pulse takes; None without pulses."""
        if self.width is None or self.period is None:
            return None
        return self.width.mean_s / self.period.mean_s


@dataclass(frozen=True, slots=True)
class Histogram:
    """Counts of widths in bins of one size.

    Attributes
    ----------
    low_s, high_s : float
        The outer ends, seconds; what lies beyond counts in the outer bins.
    counts : tuple of int
        One a bin.
    """

    low_s: float
    high_s: float
    counts: tuple[int, ...]


def count_widths(width_s: NDArray[np.float64], bins: int, floor_s: float) -> Histogram | None:
    """Count widths in bins around their middle.

    Parameters
    ----------
    width_s : numpy.ndarray
        Shape (n,), seconds.
    bins : int
        At least 1.
    floor_s : float
        The input's own part of their standard deviation; the bins never reach less far than
        four of it, so that a steady channel looks narrow.

    Returns
    -------
    Histogram or None
        None where there are no widths.
    """
    if bins < 1:
        raise ValueError(f"bins must be at least 1, got {bins}")
    if width_s.shape[0] == 0:
        return None
    middle = float(np.median(width_s))
    away = np.abs(width_s - middle)
    half = min(float(away.max()), _SPREADS * 1.4826 * float(np.median(away)))
    half = max(half, _FLOORS * floor_s, _LEAST_HALF_WIDTH_S)
    place = (width_s - (middle - half)) * (bins / (2.0 * half))
    index = np.clip(place.astype(np.intp), 0, bins - 1)
    counts = np.bincount(index, minlength=bins)
    return Histogram(middle - half, middle + half, tuple(counts.tolist()))
