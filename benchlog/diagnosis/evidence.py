"""The figures behind a finding, by name, with the unit in the name."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from benchlog.diagnosis.cycles import Cycles
from benchlog.diagnosis.finding import Evidence, InputDiagnosis
from benchlog.diagnosis.measured_ratio import MeasuredRatio
from benchlog.diagnosis.separation.causes import Cause
from benchlog.diagnosis.separation.directions import Direction
from benchlog.diagnosis.separation.unrest import Contribution, Unrest
from benchlog.diagnosis.series.allan import split_noise
from benchlog.diagnosis.series.mains import MainsLine
from benchlog.diagnosis.series.peak_to_peak import describe_jitter, expect_peak_to_peak
from benchlog.diagnosis.series.steps import Episode, PeriodicLoad
from benchlog.diagnosis.train.event_kinds import Event
from benchlog.diagnosis.words.sizes import Setting

__all__ = [
    "cause_evidence",
    "cycle_to_cycle_s",
    "duration_s",
    "event_evidence",
    "floor_s",
    "mains_evidence",
    "mean_period_s",
    "pull_evidence",
    "ratio_evidence",
    "scatter_evidence",
    "signal_evidence",
]

_MOST_TIMES = 100
_FEWEST_VALUES = 16
_UNITS = {
    "V": ("v", 1.0),
    "ohm": ("ohm", 1.0),
    "K": ("k", 1.0),
    "S": ("s_conductance", 1.0),
    "share": ("percent", 100.0),
    "share of the track": ("percent_of_track", 100.0),
}
"""How each unit of a cause is written in a name, and what turns it into that."""


def _us(seconds: float) -> float:
    return round(float(seconds) * 1e6, 6)


def _finite(figures: Mapping[str, Any]) -> dict[str, Any]:
    """Put None where a figure is not finite."""
    return {
        name: None if isinstance(one, float) and not math.isfinite(one) else one
        for name, one in figures.items()
    }


def scatter_evidence(one: InputDiagnosis, unrest: Unrest) -> dict[str, Any]:
    """Return how far pulse and period scatter beside what is allowed.

    Parameters
    ----------
    one : InputDiagnosis
        The input.
    unrest : Unrest
        The shares of its movement.

    Returns
    -------
    dict
        The figures.
    """
    period_s = mean_period_s(one.cycles)
    return _finite(
        {
            "pulse_sd_us": _us(unrest.pulse_rms_s),
            "pulse_limit_us": _us(unrest.pulse_limit_s),
            "period_sd_us": _us(unrest.period_rms_s),
            "period_limit_us": _us(unrest.period_limit_s),
            "period_sd_percent": 100.0 * unrest.period_rms_s / period_s,
            "floor_us": _us(floor_s(one.cycles)),
            "duration_s": duration_s(one.cycles),
            "cycle_count": sum(cycles.count for cycles in one.cycles),
            "recording_count": len(one.heard),
            **_jitter_evidence(one),
        }
    )


def duration_s(cycles: Sequence[Cycles]) -> float:
    """Return how long was watched in all, seconds."""
    return float(sum(one.duration_s for one in cycles))


def mean_period_s(cycles: Sequence[Cycles]) -> float:
    """Return the mean period over all recordings, seconds; 0 without a cycle."""
    count = sum(one.count for one in cycles)
    total = sum(float(np.sum(one.on_s) + np.sum(one.off_s)) for one in cycles)
    return total / count if count else 0.0


def floor_s(cycles: Sequence[Cycles]) -> float:
    """Return what the input's own noise adds to a pulse's scatter, seconds."""
    variances = [2.0 * one.u_edge_s**2 for one in cycles if one.count]
    return math.sqrt(float(np.mean(variances))) if variances else 0.0


def cycle_to_cycle_s(one: InputDiagnosis) -> float | None:
    """Return by how much adjacent periods differ (JESD65B), root mean square, seconds.

    Parameters
    ----------
    one : InputDiagnosis
        The input; cycles that an event spoilt do not count.

    Returns
    -------
    float or None
        Of the longest recording; None where no two cycles follow each other.
    """
    longest = max(one.cycles, key=lambda cycles: cycles.count)
    return describe_jitter(longest).cycle_to_cycle_rms_s if longest.follows.any() else None


def _jitter_evidence(one: InputDiagnosis) -> dict[str, Any]:
    """Return jitter in the terms of JESD65B and by averaging time, of the longest recording.

    The input's own noise is in these figures.
    """
    longest = max(one.cycles, key=lambda cycles: cycles.count)
    if longest.count < _FEWEST_VALUES:
        return {}
    jitter = describe_jitter(longest)
    step_s = float(np.mean(longest.period_s))
    parts = split_noise(np.asarray(longest.on_s), step_s)
    return {
        "period_jitter_rms_us": _us(jitter.period_rms_s),
        "cycle_to_cycle_rms_us": _us(jitter.cycle_to_cycle_rms_s),
        "cycle_to_cycle_peak_us": _us(jitter.cycle_to_cycle_peak_s),
        "pulse_peak_to_peak_us": _us(jitter.width_peak_to_peak_s),
        "expected_pulse_peak_to_peak_us": _us(
            expect_peak_to_peak(longest.count) * jitter.width_rms_s
        ),
        "pulse_white_rms_us": _us(parts.white_rms_s),
        "pulse_walk_rms_us_per_sqrt_s": _us(parts.walk_rms_s_per_sqrt_s),
        "pulse_drift_us_per_s": _us(parts.drift_s_per_s),
    }


def cause_evidence(
    cause: Cause, unrest: Unrest, setting: Setting, base: Mapping[str, Any]
) -> Evidence:
    """Return the figures behind a cause of movement.

    Parameters
    ----------
    cause : Cause
        The cause.
    unrest : Unrest
        All shares.
    setting : Setting
        The channel.
    base : mapping
        The scatter's figures, which are joined.

    Returns
    -------
    dict
        The figures.
    """
    pulse = math.hypot(*(one.pulse_rms_s for one in cause.kinds))
    period = math.hypot(*(one.period_rms_s for one in cause.kinds))
    figures: dict[str, Any] = {
        "unexplained_share": unrest.rest_share,
        "kinds": [one.kind for one in cause.kinds],
        "alone_pulse_sd_us": _us(pulse),
        "alone_period_sd_us": _us(period),
        "slow_pulse_sd_us": _us(math.hypot(*(one.slow_pulse_rms_s for one in cause.kinds))),
        "fast_pulse_sd_us": _us(math.hypot(*(one.fast_pulse_rms_s for one in cause.kinds))),
        "slow_period_sd_us": _us(math.hypot(*(one.slow_period_rms_s for one in cause.kinds))),
        "fast_period_sd_us": _us(math.hypot(*(one.fast_period_rms_s for one in cause.kinds))),
        "log_odds": unrest.log_odds,
        "rival": unrest.rival,
        **size_evidence(cause.main, setting),
    }
    return {**base, **_finite(figures)}


def ratio_evidence(ratio: MeasuredRatio, direction: Direction) -> Evidence:
    """Return how far the rest moves for each movement of the pulse, beside the model's figure.

    Parameters
    ----------
    ratio : MeasuredRatio
        As measured.
    direction : Direction
        How the cause moves pulse and rest by the model.

    Returns
    -------
    dict
        The figures; microseconds of the rest for each of the pulse.
    """
    on_s = direction.on_s + direction.next_on_s
    off_s = direction.off_s + direction.next_off_s
    return _finite(
        {
            "rest_per_pulse": ratio.value,
            "u_rest_per_pulse": ratio.u,
            "expected_rest_per_pulse": off_s / on_s if on_s else None,
        }
    )


def size_evidence(one: Contribution, setting: Setting) -> dict[str, Any]:
    """Return how large a cause is in its own unit, and how far it went."""
    name, factor = _UNITS.get(one.unit, (one.unit.replace(" ", "_") or "unit", 1.0))
    figures: dict[str, Any] = {}
    if one.size is not None:
        figures[f"size_{name}"] = factor * one.size
        if one.unit == "share of the track" and setting.travel_deg is not None:
            figures["size_deg"] = one.size * setting.travel_deg
    if one.change is not None:
        figures[f"change_{name}"] = factor * one.change
    return figures


def event_evidence(events: Sequence[Event], duration_s: float) -> Evidence:
    """Return the figures behind events of one kind.

    Parameters
    ----------
    events : sequence of Event
        One or more.
    duration_s : float
        How long was recorded, seconds.

    Returns
    -------
    dict
        Counts, times and lengths; of very many events the first hundred times.
    """
    return {
        "kind": events[0].kind,
        "count": sum(one.count for one in events),
        "places": len(events),
        "times_s": [round(one.time_s, 6) for one in events[:_MOST_TIMES]],
        "lengths_us": [_us(one.length_s) for one in events[:_MOST_TIMES]],
        "length_s": float(sum(one.length_s for one in events)),
        "phase_kept_count": sum(one.phase_kept for one in events),
        "duration_s": duration_s,
    }


def signal_evidence(one: InputDiagnosis) -> Evidence:
    """Return how good the signal is: clipping, noise and what that does to a pulse."""
    known = [found.signal_db for found in one.events if found.signal_db is not None]
    return _finite(
        {
            "clipped_percent": 100.0 * max(found.clipped_share for found in one.events),
            "signal_to_noise_db": min(known) if known else None,
            "floor_us": _us(max(found.floor_s for found in one.events)),
        }
    )


def mains_evidence(lines: Sequence[MainsLine]) -> Evidence:
    """Return the figures behind hum from the mains.

    Parameters
    ----------
    lines : sequence of MainsLine
        Strongest first; may be empty.

    Returns
    -------
    dict
        Of the strongest line its frequencies and sizes; of all their harmonics.
    """
    if not lines:
        return {}
    first = lines[0]
    return _finite(
        {
            "mains_hz": first.mains_hz,
            "harmonic": float(first.harmonic),
            "alias_hz": abs(first.alias_hz),
            "found_hz": first.found_hz,
            "on_peak_us": _us(first.on_peak_s),
            "rest_peak_us": _us(first.off_peak_s),
            "mains_log_odds": first.log_odds,
            "lines_hz": [line.mains_hz * line.harmonic for line in lines],
        }
    )


def pull_evidence(episodes: Sequence[Episode], load: PeriodicLoad | None) -> Evidence:
    """Return the figures behind a supply that is pulled now and then, or to and fro.

    Parameters
    ----------
    episodes : sequence of Episode
        Steps with those that take them back.
    load : PeriodicLoad or None
        A movement to and fro.

    Returns
    -------
    dict
        The figures.
    """
    figures: dict[str, Any] = {}
    if episodes:
        figures["episode_count"] = len(episodes)
        figures["episode_starts_s"] = [round(one.start_s, 3) for one in episodes[:_MOST_TIMES]]
        figures["episode_lengths_s"] = [round(one.length_s, 3) for one in episodes[:_MOST_TIMES]]
    if load is not None:
        figures["to_and_fro_s"] = load.period_s
        figures["to_and_fro_peak_us"] = _us(load.on_peak_s)
    return _finite(figures)
