"""A measured servo in sentences, and as JSON."""

from __future__ import annotations

from typing import Any

from benchlog.channel.kept_servo import KeptServo, ServoEnd
from benchlog.show.json_output import in_microseconds
from benchlog.show.servo_view import describe_end

__all__ = ["servo_sentences", "servo_to_json"]

_SHOWN = 7


def servo_sentences(kept: KeptServo) -> list[str]:
    """Say what is known of a servo.

    Parameters
    ----------
    kept : KeptServo
        The servo.

    Returns
    -------
    list of str
        Sentences, the range first.
    """
    low_us, high_us = kept.pulse_min_s * 1e6, kept.pulse_max_s * 1e6
    lines = [
        f"{kept.name}: send it {low_us:.0f} to {high_us:.0f} µs, no more.",
        f"  shortest: {describe_end(kept.low)}{_kept_from(kept.low, kept.pulse_min_s)}",
        f"  longest: {describe_end(kept.high)}{_kept_from(kept.high, kept.pulse_max_s)}",
    ]
    servo = kept.servo()
    ends = f"{servo.angle_min_deg:.1f}° to {servo.angle_max_deg:.1f}°"
    curve = servo.curve
    if curve is None:
        source = "as they were told" if kept.has_angles else "assumed: no protractor was held to it"
        lines.append(f"  arm angles: {ends} from end to end, {source}")
        if kept.points:
            lines.append("  one arm angle alone says nothing: 2 make a line, 3 a curve")
        return lines
    count = len(kept.points)
    shape = "a straight line goes through them" if curve.is_straight else "its own curve"
    if count == 2:
        shape = "a straight line, its bow not known"
    lines.append(f"  arm angles: {ends} from end to end, from {count} readings: {shape}")
    for index in range(_SHOWN):
        pulse_s = kept.pulse_min_s + (kept.pulse_max_s - kept.pulse_min_s) * index / (_SHOWN - 1)
        arm_deg, u_deg = float(servo.angle_deg(pulse_s)), float(servo.u_angle_deg(pulse_s))
        lines.append(f"    {pulse_s * 1e6:6.0f} µs  {arm_deg:6.1f}° ± {2.0 * u_deg:.1f}")
    return lines


def _kept_from(end: ServoEnd, limit_s: float) -> str:
    """Say what is kept from an end."""
    inset_us = abs(end.pulse_s - limit_s) * 1e6
    if inset_us < 0.5:
        return ""
    why = " for what is not sure, and for the dead band" if end.how == "buzz" else ""
    return f"; {inset_us:.0f} µs are kept from it{why}"


def servo_to_json(kept: KeptServo) -> dict[str, Any]:
    """Return what is known of a servo as the JSON holds it."""
    servo = kept.servo()
    curve = servo.curve
    source = "measured" if curve is not None else "told" if kept.has_angles else "assumed"
    return {
        "servo": kept.name,
        "found_utc": kept.found_utc,
        "pulse_min_us": in_microseconds(kept.pulse_min_s),
        "pulse_max_us": in_microseconds(kept.pulse_max_s),
        "dead_band_us": in_microseconds(kept.dead_band_s),
        "low_end": _end_to_json(kept.low),
        "high_end": _end_to_json(kept.high),
        "angle_min_deg": servo.angle_min_deg,
        "angle_max_deg": servo.angle_max_deg,
        "angles": source,
        "is_straight": curve is None or curve.is_straight,
        "reading_deg": kept.reading_deg,
        "points": [
            {
                "pulse_us": in_microseconds(one.pulse_s),
                "arm_deg": one.arm_deg,
                "curve_deg": float(servo.angle_deg(one.pulse_s)),
                "u_curve_deg": float(servo.u_angle_deg(one.pulse_s)),
            }
            for one in kept.points
        ],
        "note": kept.note,
    }


def _end_to_json(end: ServoEnd) -> dict[str, Any]:
    return {
        "how": end.how,
        "pulse_us": in_microseconds(end.pulse_s),
        "u_us": in_microseconds(end.u_s) if end.how != "given" else None,
        "tries_us": [in_microseconds(one) for one in end.tries_s],
    }
