"""The pulses of a recording, and what a channel should do, as a person reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchlog.calibration.verdict import COVERAGE
from benchlog.show.json_output import in_microseconds
from benchlog.show.terminal import key_value_table, show
from benchlog.timing.jitter import Statistic
from benchlog.timing.pulses import Measurement

if TYPE_CHECKING:
    from rich.table import Table as TextTable

__all__ = ["measurement_to_json", "pulse_rows", "show_measurement", "with_uncertainty"]


def measurement_to_json(measurement: Measurement) -> dict[str, Any]:
    """Return one input's measurement as the JSON that `measure` promises.

    Parameters
    ----------
    measurement : Measurement
        The result.

    Returns
    -------
    dict
        Keys with their units; microseconds.
    """
    jitter = measurement.jitter
    return {
        "input": measurement.input,
        "sample_rate_hz": measurement.sample_rate_hz,
        "duration_s": measurement.duration_s,
        "pulse_count": measurement.pulse_count,
        "pulse_width_us": _statistic_to_json(measurement.width),
        "period_us": _statistic_to_json(measurement.period),
        "frequency_hz": measurement.frequency_hz,
        "duty_cycle": measurement.duty_cycle,
        "jitter_us": {
            "period_rms": in_microseconds(jitter.period_rms_s),
            "cycle_to_cycle_rms": in_microseconds(jitter.cycle_to_cycle_rms_s),
            "width_rms": in_microseconds(jitter.width_rms_s),
            "floor": in_microseconds(jitter.floor_s),
        },
        "active_level": measurement.active_level,
        "warnings": [{"code": n.code, "text": n.text} for n in measurement.notices],
    }


def _statistic_to_json(statistic: Statistic) -> dict[str, float]:
    """Return a statistic in microseconds."""
    return {
        "mean": in_microseconds(statistic.mean_s),
        "sd": in_microseconds(statistic.sd_s),
        "u": in_microseconds(statistic.u_s),
        "min": in_microseconds(statistic.min_s),
        "max": in_microseconds(statistic.max_s),
    }


def with_uncertainty(value: float, u: float, *, sign: bool = False) -> str:
    """Write a value with ±U (k = 2), both to the digit that U deserves.

    Parameters
    ----------
    value : float
        The value.
    u : float
        Its standard uncertainty, in the same unit.
    sign : bool
        Show a plus sign as well.

    Returns
    -------
    str
        Such as '1495.3 ± 0.4'.
    """
    expanded = COVERAGE * u
    digits = 1 if expanded >= 0.095 else 2
    return f"{value:{'+' if sign else ''}.{digits}f} ± {expanded:.{digits}f}"


def pulse_rows(measurement: Measurement) -> list[tuple[str, str]]:
    """Lay out one input's figures for `key_value_table`.

    Parameters
    ----------
    measurement : Measurement
        The result.

    Returns
    -------
    list of tuple
        Name and value.
    """
    width, period, jitter = measurement.width, measurement.period, measurement.jitter
    floor_us = jitter.floor_s * 1e6
    return [
        ("pulse", f"{with_uncertainty(width.mean_s * 1e6, width.u_s * 1e6)} µs"),
        ("", f"from {width.min_s * 1e6:.1f} to {width.max_s * 1e6:.1f} µs"),
        ("period", f"{with_uncertainty(period.mean_s * 1e6, period.u_s * 1e6)} µs"),
        ("rate", f"{measurement.frequency_hz:.2f} pulses a second"),
        ("duty cycle", f"{measurement.duty_cycle * 100:.2f} %"),
        ("jitter", f"pulse {_micro(jitter.width_rms_s)}; the input's own part {floor_us:.2f} µs"),
        (
            "",
            f"period {_micro(jitter.period_rms_s)}, cycle to cycle "
            f"{_micro(jitter.cycle_to_cycle_rms_s)}",
        ),
        (
            "active level",
            f"{measurement.active_level} (the pulse is the {measurement.active_level} part)",
        ),
    ]


def _micro(seconds: float) -> str:
    """Write a short time in microseconds."""
    return f"{seconds * 1e6:.2f} µs"


def show_measurement(name: str, measurements: tuple[Measurement, ...]) -> None:
    """Show the pulses of one recording.

    Parameters
    ----------
    name : str
        What the recording is called.
    measurements : tuple of Measurement
        One an input.
    """
    items: list[str | TextTable] = [name]
    for measurement in measurements:
        rate_hz = measurement.sample_rate_hz
        sampled = f", sampled at {rate_hz:g} Hz" if rate_hz else ""
        items.append(
            f"  input {measurement.input}: {measurement.pulse_count} pulses in "
            f"{measurement.duration_s:.2f} s{sampled}"
        )
        items.append(key_value_table(pulse_rows(measurement)))
        items += [f"  warning: {notice.text}" for notice in measurement.notices]
    show(*items)
