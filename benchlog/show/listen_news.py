"""What an input hears and what it is good for: the figures, and the JSON that `listen` promises."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from benchlog.show.json_output import in_microseconds
from benchlog.timing.pulses import CLOCK_PPM

if TYPE_CHECKING:
    from benchlog.capture.system_clock import SystemClock
    from benchlog.timing.clock import ClockFit
    from benchlog.timing.hearing import Evidence, Hearing
    from benchlog.timing.input_quality import InputQuality

__all__ = ["US_PER_DEG", "ClockNews", "InputNews", "bias_us_of", "in_db", "listened_to_json"]

US_PER_DEG = 2000.0 / 180.0
"""A usual servo: 500 to 2500 us for 180 degrees (common practice)."""


@dataclass(frozen=True, slots=True, eq=False)
class InputNews:
    """What was found out about one input.

    Attributes
    ----------
    number : int
        The input, from 1.
    hearing : Hearing
        What it hears.
    quality : InputQuality or None
        What it is good for, where it hears a pulse.
    same_as : int or None
        An input of lower number that has the very same samples.
    """

    number: int
    hearing: Hearing
    quality: InputQuality | None
    same_as: int | None = None


@dataclass(frozen=True, slots=True)
class ClockNews:
    """What was found out about the sample clock.

    Attributes
    ----------
    fit : ClockFit
        The comparison.
    system : SystemClock
        What it was compared with.
    """

    fit: ClockFit
    system: SystemClock

    @property
    def useful(self) -> bool:
        """Whether more is known of the clock now than of any sound card's beforehand."""
        return self.u_ppm < CLOCK_PPM / math.sqrt(3.0)

    @property
    def u_ppm(self) -> float:
        """Standard uncertainty, the system clock's own included, parts in a million."""
        return math.hypot(self.fit.u_ppm, self.system.u_ppm)


def listened_to_json(
    file: str | None,
    rate_hz: float,
    news: list[InputNews],
    clock: ClockNews | None,
    gap_count: int,
    profile: str | None,
) -> dict[str, Any]:
    """Return all that was found out as the JSON that `listen` promises.

    Parameters
    ----------
    file : str or None
        The recording, None for a live input.
    rate_hz : float
        Samples per second.
    news : list of InputNews
        One an input.
    clock : ClockNews or None
        The clock, where it was measured.
    gap_count : int
        Places where samples were lost.
    profile : str or None
        The profile that was kept.

    Returns
    -------
    dict
        Units in the key names; no name of a device.
    """
    return {
        "file": file,
        "sample_rate_hz": rate_hz,
        "inputs": [
            {
                "input": one.number,
                "hears": one.hearing.kind,
                "same_as_input": one.same_as,
                "reasons": _evidence_to_json(one.hearing.evidence),
                "quality": None if one.quality is None else _quality_to_json(one.quality),
            }
            for one in news
        ],
        "clock": None if clock is None else _clock_to_json(clock),
        "gap_count": gap_count,
        "profile": profile,
    }


def _evidence_to_json(evidence: Evidence) -> dict[str, Any]:
    """Return the numbers behind a verdict."""
    return {
        "rms_dbfs": in_db(evidence.rms),
        "peak_dbfs": in_db(evidence.peak),
        "clipped_share": evidence.rail_share,
        "edge_count": evidence.edge_count,
        "alternating_share": evidence.alternating,
        "height_scatter_share": evidence.height_scatter,
        "width_scatter_share": evidence.width_scatter,
        "period_scatter_share": evidence.period_scatter,
        "period_us": in_microseconds(evidence.period_s),
        "explained_share": evidence.explained,
        "hum_hz": evidence.hum_hz,
        "hum_share": evidence.hum_share,
        "flatness": evidence.flatness,
        "unrest_db": evidence.unrest_db,
    }


def _quality_to_json(quality: InputQuality) -> dict[str, Any]:
    """Return what an input is good for."""
    measured = quality.measurement
    scatter_us = in_microseconds(quality.width_scatter_s)
    bias_us, u_bias_us = bias_us_of(quality)
    return {
        "pulse_us": in_microseconds(measured.width.mean_s),
        "u_pulse_us": in_microseconds(measured.width.u_s),
        "period_us": in_microseconds(measured.period.mean_s),
        "active_level": quality.active_level,
        "polarity_sure": quality.polarity_sure,
        "step_dbfs": in_db(quality.step),
        "coupling_order": len(quality.corners_hz),
        "corners_hz": list(quality.corners_hz),
        "u_corners_hz": list(quality.u_corners_hz),
        "bandwidth_hz": quality.bandwidth_hz,
        "rise_time_us": None if quality.rise_s is None else in_microseconds(quality.rise_s),
        "edge_shape": _shape(quality),
        "edge_asymmetry": quality.asymmetry,
        "edge_overshoot": quality.overshoot,
        "noise_dbfs": in_db(quality.noise),
        "noise_below_step_db": in_db(quality.step) - in_db(quality.noise),
        "hum_hz": quality.hum_hz,
        "hum_dbfs": None if quality.hum_hz is None else in_db(quality.hum_rms),
        "hum_floor_dbfs": in_db(quality.hum_floor),
        "peak_dbfs": in_db(quality.clipping.peak),
        "clip_level_dbfs": None
        if quality.clipping.level is None
        else in_db(quality.clipping.level),
        "clipped_share": quality.clipping.share,
        "gain_control": quality.gain.at_work,
        "gain_change_db": quality.gain.change_db,
        "gain_watched_s": quality.gain.watched_s,
        "noise_change_db": quality.gain.noise_change_db,
        "width_scatter_us": scatter_us,
        "width_scatter_deg": scatter_us / US_PER_DEG,
        "width_bias_us": bias_us,
        "u_width_bias_us": u_bias_us,
        "width_bias_deg": bias_us / US_PER_DEG,
        "warnings": [
            {"code": one.code, "text": one.text, "spoils": one.spoils} for one in quality.notices
        ],
    }


def _clock_to_json(clock: ClockNews) -> dict[str, Any]:
    """Return what is known of the clock."""
    return {
        "clock_ppm": clock.fit.ppm,
        "u_clock_ppm": clock.u_ppm,
        "u_comparison_ppm": clock.fit.u_ppm,
        "u_system_clock_ppm": clock.system.u_ppm,
        "network_time": clock.system.network_time,
        "duration_s": clock.fit.duration_s,
        "block_count": clock.fit.block_count,
    }


def _shape(quality: InputQuality) -> str | None:
    """Name the shape of an edge."""
    if quality.symmetric is None:
        return None
    return "linear phase" if quality.symmetric else "minimum phase"


def bias_us_of(quality: InputQuality) -> tuple[float, float]:
    """Return the bias of a width and its standard uncertainty, microseconds."""
    return quality.width_bias_s * 1e6, quality.u_width_bias_s * 1e6


def in_db(value: float) -> float:
    """Return a share of full scale in decibels; nothing at all is -200."""
    return 20.0 * math.log10(max(value, 1e-10))
