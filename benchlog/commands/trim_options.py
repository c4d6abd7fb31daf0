"""What `trim` is told: trimmers, and what is wanted."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from benchlog.calibration.trim_model import PLACES, Aims, ChannelModel, Place, Where
from benchlog.calibration.trimmers import Trimmer
from benchlog.commands.options import read_number
from benchlog.errors import DesignError, UsageError
from benchlog.units import format_value, parse_value

if TYPE_CHECKING:
    from benchlog.channel.plan import Design

__all__ = ["find_aims", "find_trimmers"]

_TRIMMED = re.compile(r"(?:(?P<fixed>.*\S)\s*\+\s*)?trimmer\s+(?P<trimmer>\S.*)", re.DOTALL)
_OHM = (0.1, 1e10)
_FIXED_TOLERANCE = 0.05
_PERIOD_MS = (0.1, 10000.0)
_PULSE_US = (10.0, 100000.0)
_US = 1e6


def find_trimmers(
    design: Design, given: dict[Where, str | None], turns: float
) -> tuple[Trimmer, ...]:
    """Return the trimmers: those of the design, and those of the command line in their place.

    Parameters
    ----------
    design : Design
        The design.
    given : dict
        What was typed for each place; None where nothing was.
    turns : float
        Turns of a trimmer's screw from end to end.

    Returns
    -------
    tuple of Trimmer
        At least one.

    Raises
    ------
    UsageError
        There is none, or what was typed is none.
    """
    found = []
    options = {"r_on": "--r-on", "across": "--across-knob", "r_off": "--r-off"}
    for where in ("r_on", "across", "r_off"):
        text = given.get(where)
        if text is not None:
            found.append(_read_trimmer(text, where, options[where], turns))
        elif where != "across":
            marked = _marked_trimmer(design, where, turns)
            found += [marked] if marked is not None else []
    if not found:
        raise UsageError(
            f"no trimmer in the design of {design.channel}",
            expected="one in series with r_on or r_off, or in place of them, or across the knob",
            attempt='r_on = "28k + trimmer 10k" in the design, or --r-on "28k + trimmer 10k"',
        )
    return tuple(found)


def _marked_trimmer(design: Design, where: Where, turns: float) -> Trimmer | None:
    """Return the trimmer that a design has in series with a resistor."""
    part = design.r_on if where == "r_on" else design.r_off
    range_ohm = design.r_on_trimmer_ohm if where == "r_on" else design.r_off_trimmer_ohm
    if not range_ohm:
        return None
    fixed_ohm = part.value - range_ohm / 2
    half_ohm = part.value * part.tolerance - range_ohm / 2
    return Trimmer(where, fixed_ohm, range_ohm, max(half_ohm / fixed_ohm, 0.0), turns)


def _read_trimmer(text: str, where: Where, option: str, turns: float) -> Trimmer:
    """Read '28k + trimmer 10k' or 'trimmer 50k'."""
    trimmed = _TRIMMED.fullmatch(text.strip())
    words = (trimmed["fixed"], trimmed["trimmer"]) if trimmed is not None else (None, None)
    fixed_ohm = range_ohm = 0.0
    try:
        fixed_ohm = parse_value(words[0], "ohm") if words[0] is not None else 0.0
        range_ohm = parse_value(words[1], "ohm") if words[1] is not None else 0.0
    except ValueError:
        range_ohm = 0.0
    fixed_fits = words[0] is None or _OHM[0] <= fixed_ohm <= _OHM[1]
    if not _OHM[0] <= range_ohm <= _OHM[1] or not fixed_fits:
        example = "100k + trimmer 1M" if where == "across" else "28k + trimmer 10k"
        raise UsageError(
            f"{option} '{text}'",
            expected="a trimmer, with the fixed resistor in series where there is one",
            attempt=f'{option} "{example}", or {option} "trimmer 50k"',
        )
    return Trimmer(where, fixed_ohm, range_ohm, _FIXED_TOLERANCE, turns)


def find_aims(
    design: Design,
    *,
    low: str | None,
    high: str | None,
    period: str | None,
    within: str,
    period_within: str,
    has_period_trimmer: bool,
    supply_v: float | None,
    temperature_c: float | None,
) -> Aims:
    """Return what is wanted: as typed, else what the marked parts give, within the servo's range.

    Parameters
    ----------
    design : Design
        The design.
    low, high, period, within, period_within : str or None
        What was typed: microseconds, microseconds, milliseconds, microseconds, percent.
    has_period_trimmer : bool
        Whether the period can be set; else it matters only if it was typed.
    supply_v, temperature_c : float or None
        At which the marked parts count; the design's if None.

    Returns
    -------
    Aims
        Checked.

    Raises
    ------
    UsageError
        A number that cannot be used, or ends that the servo cannot follow.
    DesignError
        The design does not oscillate at an end of its knob.
    """
    model = ChannelModel(design, supply_v=supply_v, temperature_c=temperature_c)
    marked = model.predict(model.marked)
    servo = design.servo
    within_s = read_number(within, "--within", "microseconds", low=0.5, high=1000.0) / _US
    share = read_number(period_within, "--period-within", "percent", low=0.05, high=20.0) / 100
    low_s = _read_pulse(low, "--low", servo.pulse_min_s, servo.pulse_max_s)
    high_s = _read_pulse(high, "--high", servo.pulse_min_s, servo.pulse_max_s)
    if low_s is None or high_s is None or period is None:
        _check_marked(design, marked)
    if low_s is None:
        low_s = max(marked["low"][0], servo.pulse_min_s + within_s)
    if high_s is None:
        high_s = min(marked["high"][0], servo.pulse_max_s - within_s)
    if high_s - low_s <= 2 * within_s:
        raise UsageError(
            f"a short end of {low_s * _US:.1f} us and a long end of {high_s * _US:.1f} us",
            expected=f"a long end that is longer by more than {2 * within_s * _US:g} us",
            attempt="--low and --high with the pulses that are wanted at the knob's two ends",
        )
    period_s = None
    if period is not None:
        least_ms = max(_PERIOD_MS[0], 1.2e3 * high_s)
        period_s = 1e-3 * read_number(
            period, "--period", "milliseconds", low=round(least_ms, 3), high=_PERIOD_MS[1]
        )
    elif has_period_trimmer:
        period_s = sum(marked["middle"])
    period_within_s = share * (period_s if period_s is not None else sum(marked["middle"]))
    if period_within_s != period_within_s:
        period_within_s = share * 0.02
    return Aims(low_s, high_s, period_s, within_s, period_within_s)


def _read_pulse(text: str | None, option: str, least_s: float, most_s: float) -> float | None:
    """Read a pulse that the servo can follow."""
    if text is None:
        return None
    pulse_s = read_number(text, option, "microseconds", low=_PULSE_US[0], high=_PULSE_US[1]) / _US
    if not least_s <= pulse_s <= most_s:
        raise UsageError(
            f"{option} '{text}', which drives the servo against its stop",
            expected=f"{least_s * _US:g} to {most_s * _US:g} us, the servo's range in the design",
            attempt=f"{option} with such a pulse, or the servo's true range in the design",
        )
    return pulse_s


def _check_marked(design: Design, marked: dict[Place, tuple[float, float]]) -> None:
    """Refuse a design that stands still at one of the places."""
    for place in PLACES:
        if not sum(marked[place]) > 0:
            r_on = format_value(design.r_on.value, "ohm")
            raise DesignError(
                f"the design of {design.channel}, which does not oscillate at an end of its knob",
                expected="parts that make pulses over the whole knob",
                attempt=f"a larger r_on than {r_on}, or --low, --high and --period",
            )
