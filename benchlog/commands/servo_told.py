"""A servo whose range and arm angles are told on the command line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.options import Level, read_number
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.channel.kept_servo import KeptServo
    from benchlog.channel.servo_curve import ServoPoint

__all__ = ["PULSES_US", "now_utc", "put_together", "read_pair", "read_point"]

_NEAR_END_S = 20e-6
"""How far past an end a reading may lie: ends are found to some microseconds."""

PULSES_US = (10.0, 100000.0)
"""Shortest and longest pulse that is taken for one, microseconds."""


def read_pair(
    text: str | None, option: str, unit: str, limits: tuple[float, float], example: str
) -> tuple[float, float] | None:
    """Read two numbers with a comma between them.

    Parameters
    ----------
    text : str or None
        What was typed; None where the option was not given.
    option, unit : str
        The option, and what the numbers count, for the message.
    limits : tuple of float
        Between what both have to lie.
    example : str
        What to try.

    Raises
    ------
    UsageError
        Not two numbers, out of the limits, equal, or a range with the longer pulse first.
    """
    if text is None:
        return None
    parts = text.split(",")
    if len(parts) != 2:
        raise UsageError(
            f"{option} '{text}'",
            expected=f"two numbers of {unit} with a comma between them",
            attempt=f"{option} {example}",
        )
    low, high = (read_number(one, option, unit, low=limits[0], high=limits[1]) for one in parts)
    if low == high or (option == "--range" and low > high):
        raise UsageError(
            f"{option} '{text}'",
            expected="the shorter pulse first" if option == "--range" else "two angles that differ",
            attempt=f"{option} {example}",
        )
    return low, high


def read_point(text: str, level: Level | None) -> ServoPoint:
    """Read a pulse or a recording, and the arm angle at it.

    Parameters
    ----------
    text : str
        Such as ``1500=90`` (microseconds, degrees) or ``a.flac=90``.
    level : str or None
        Which level of a recording is the pulse, where it is known.

    Raises
    ------
    UsageError
        It is neither.
    RecordingError, MeasurementError
        The recording cannot be read, or has no pulses.
    """
    from benchlog.channel.servo_curve import ServoPoint

    left, sign, right = text.rpartition("=")
    if not sign or not left:
        raise UsageError(
            f"--point '{text}'",
            expected="a pulse in microseconds or a recording, '=', and the arm angle in degrees",
            attempt="--point 1500=90",
        )
    arm_deg = read_number(right, "--point", "degrees", low=-3600.0, high=3600.0)
    try:
        float(left)
    except ValueError:
        if not Path(left).exists():
            raise UsageError(
                f"--point '{text}': no recording {left} is there",
                expected="microseconds or a recording that is there, '=', and the arm angle",
                attempt="--point 1500=90",
            ) from None
        pulse_us = _measure_pulse(Path(left), level)
    else:
        low, high = PULSES_US
        pulse_us = read_number(left, "--point", "microseconds", low=low, high=high)
    return ServoPoint(round(pulse_us, 3) / 1e6, arm_deg)


def _measure_pulse(path: Path, level: Level | None) -> float:
    """Return a recording's pulse in microseconds; of several inputs the first one's."""
    from benchlog.commands.recordings import measure_file
    from benchlog.show.terminal import warn

    measured = measure_file(path, level=level)
    if len(measured) > 1:
        others = ", ".join(str(one.input) for one in measured)
        warn(f"{path} has pulses on inputs {others}; input {measured[0].input} is taken")
    return measured[0].width.mean_s * 1e6


def put_together(
    path: Path,
    name: str,
    ends_us: tuple[float, float] | None,
    margin_s: float,
    points: list[ServoPoint],
    ends_deg: tuple[float, float] | None,
    reading_deg: float,
    note: str | None,
) -> KeptServo:
    """Make a servo from what was told, its range from the one that is kept where none was.

    Parameters
    ----------
    path : Path
        Where a servo of that name lies, if there is one.
    name : str
        The name.
    ends_us : tuple of float or None
        The range, microseconds.
    margin_s : float
        What is kept from either end of it, seconds.
    points : list of ServoPoint
        Readings of the arm.
    ends_deg : tuple of float or None
        The arm's angles at the ends, degrees.
    reading_deg : float
        Half-width of a reading, degrees.
    note : str or None
        A remark; the one that is kept if None.

    Raises
    ------
    UsageError
        There is no range, or the margin leaves none of it.
    DesignError
        The file that is kept is wrong.
    """
    import dataclasses

    from benchlog.calibration.finding_range import safe_range
    from benchlog.capture.servo_files import read_servo_file
    from benchlog.channel.kept_servo import KeptServo, ServoEnd

    low_deg, high_deg = ends_deg if ends_deg is not None else (None, None)
    if ends_us is not None:
        low, high = (ServoEnd("given", one / 1e6) for one in ends_us)
        low_s, high_s = safe_range(low, high, margin_s)
        if low_s >= high_s:
            raise UsageError(
                f"--margin {margin_s * 1e6:g} for a range of {ends_us[0]:g} to {ends_us[1]:g} µs",
                expected="a margin that leaves some of it",
                attempt="--margin 10",
            )
        kept = KeptServo(
            name, now_utc(), round(low_s * 1e6, 3) / 1e6, round(high_s * 1e6, 3) / 1e6, low, high
        )
    elif path.exists():
        kept = read_servo_file(path)
    else:
        raise UsageError(
            f"{'--point' if points else '--angles'} without a range for {name}",
            expected="--range, since no servo of that name is kept yet",
            attempt="--range 1000,2000 where it is not known: a cautious one",
        )
    _check_within(points, kept)
    return dataclasses.replace(
        kept,
        found_utc=now_utc(),
        points=tuple(sorted(points)),
        reading_deg=reading_deg,
        angle_min_deg=low_deg,
        angle_max_deg=high_deg,
        note=note if note is not None else kept.note,
    )


def _check_within(points: list[ServoPoint], kept: KeptServo) -> None:
    """Refuse readings beyond the servo's ends: the arm stands at its stop there."""
    low_s, high_s = kept.low.pulse_s, kept.high.pulse_s
    for one in points:
        if not low_s - _NEAR_END_S <= one.pulse_s <= high_s + _NEAR_END_S:
            raise UsageError(
                f"--point {one.pulse_s * 1e6:g}={one.arm_deg:g} lies past the servo's range, "
                f"{low_s * 1e6:g} to {high_s * 1e6:g} µs",
                expected="readings within it: past it the arm stands at its stop",
                attempt="leaving it out, or --range with the servo's true ends",
            )


def now_utc() -> str:
    """Return the present instant in UTC as a file has it."""
    from datetime import UTC, datetime

    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
