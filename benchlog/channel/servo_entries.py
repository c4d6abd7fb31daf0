"""The servo in a design file: its own range and curve, or the name of one that was measured."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import NoReturn

from benchlog.channel.entries import Entries
from benchlog.channel.servo import Servo
from benchlog.channel.servo_curve import READING_DEG, ServoPoint
from benchlog.errors import DesignError

__all__ = [
    "ANGLES_DEG",
    "DEAD_BAND_US",
    "SERVO_KEYS",
    "WIDTHS_US",
    "embed_servo",
    "read_angles",
    "read_points",
    "read_reading",
    "read_servo",
]

_OWN = (
    "pulse_min_us",
    "pulse_max_us",
    "angle_min_deg",
    "angle_max_deg",
    "dead_band_us",
    "points",
    "reading_deg",
    "called",
    "assumed",
)
SERVO_KEYS = ("model", *_OWN)
"""What may stand below [servo]."""

WIDTHS_US = (10.0, 100000.0)
ANGLES_DEG = (-3600.0, 3600.0)
DEAD_BAND_US = (0.0, 1000.0)

_READINGS_DEG = (0.01, 45.0)
_MOST_POINTS = 64
_LONGEST_NAME = 64
_US = 1e6
_HEADER = re.compile(r"\s*\[")
_SERVO_HEADER = re.compile(r"""\s*\[\s*["']?servo["']?\s*\]\s*(#.*)?$""")
_MODEL = re.compile(r"""\s*["']?model["']?\s*=""")
_SHORT = re.compile(r"""\s*["']?servo["']?\s*(\.\s*["']?model["']?\s*)?=""")


def read_servo(entries: Entries, servos: Mapping[str, Servo] | None) -> Servo:
    """Read the servo of a design.

    Parameters
    ----------
    entries : Entries
        The design's values; its keys have been checked.
    servos : mapping of str to Servo or None
        Measured servos by name; None where none can be looked up.

    Returns
    -------
    Servo
        The named one, or the one that the design's own keys describe.

    Raises
    ------
    DesignError
        A key is missing or wrong, or a name is not known.
    """
    model = entries.take("servo", "model", None)
    if model is not None:
        given = [key for key in _OWN if entries.take("servo", key, None) is not None]
        if given:
            entries.refuse(
                "servo",
                given[0],
                f"servo.{given[0]} beside servo.model = {model!r}"[:120],
                expected="either the name of a measured servo or figures",
                attempt="a # before one of the two",
            )
        return _look_up(entries, model, servos)
    low_us = entries.take_number("servo", "pulse_min_us", WIDTHS_US, example="500")
    high_us = entries.take_number("servo", "pulse_max_us", WIDTHS_US, example="2500")
    if high_us <= low_us:
        entries.refuse_value(
            "servo",
            "pulse_max_us",
            high_us,
            expected=f"more than pulse_min_us = {low_us:g}",
            attempt="the two the other way round (angle_min_deg may be the larger angle)",
        )
    dead_us = entries.take_number("servo", "dead_band_us", DEAD_BAND_US, 5.0, example="5")
    range_s = (low_us / _US, high_us / _US)
    called = _read_called(entries)
    assumed = entries.take("servo", "assumed", False)
    if not isinstance(assumed, bool):
        entries.refuse_value(
            "servo",
            "assumed",
            assumed,
            expected="true or false, without quotes",
            attempt="assumed = true where the range was neither measured nor looked up",
        )
    if entries.take("servo", "points", None) is not None:
        for key in ("angle_min_deg", "angle_max_deg"):
            if entries.take("servo", key, None) is not None:
                entries.refuse(
                    "servo",
                    key,
                    f"servo.{key} beside servo.points",
                    expected="either the arm's angles at the ends or points of its curve",
                    attempt="a # before one of the two",
                )
        points = read_points(entries, "servo")
        reading_deg = read_reading(entries, "servo")

        def fit(given: tuple[ServoPoint, ...]) -> Servo:
            return Servo.from_points(
                *range_s,
                given,
                reading_deg,
                dead_band_s=dead_us / _US,
                name=called,
                assumed=assumed,
            )

        servo: Servo = entries.checked("servo", "points", points, fit)
        return servo
    low_deg, high_deg = read_angles(entries, "servo")
    return Servo(*range_s, low_deg, high_deg, dead_us / _US, called, assumed)


def read_angles(entries: Entries, table: str) -> tuple[float, float]:
    """Read the arm's angles at the ends; 0 and 180 where they are left out."""
    low_deg = entries.take_number(table, "angle_min_deg", ANGLES_DEG, 0.0, example="0")
    high_deg = entries.take_number(table, "angle_max_deg", ANGLES_DEG, 180.0, example="180")
    if low_deg == high_deg:
        entries.refuse_value(
            table,
            "angle_max_deg",
            high_deg,
            expected="another angle than angle_min_deg",
            attempt="the arm angles at the shortest and at the longest pulse, such as 0 and 180",
        )
    return low_deg, high_deg


def read_reading(entries: Entries, table: str) -> float:
    """Read the half-width of a protractor's reading, degrees."""
    return entries.take_number(table, "reading_deg", _READINGS_DEG, READING_DEG, example="1.5")


def read_points(entries: Entries, table: str) -> tuple[ServoPoint, ...]:
    """Read points, each a pulse in microseconds and an arm angle in degrees."""
    raw = entries.take(table, "points", [])

    def refuse(value: object) -> NoReturn:
        entries.refuse_value(
            table,
            "points",
            value,
            expected=f"up to {_MOST_POINTS} pairs of a pulse in microseconds and an arm angle in "
            "degrees",
            attempt="points = [[700, 15], [1500, 90], [2300, 166]]",
        )

    if not isinstance(raw, list) or len(raw) > _MOST_POINTS:
        refuse(raw)
    points = []
    for pair in raw:
        if not isinstance(pair, list) or len(pair) != 2:
            refuse(pair)
        for value, (low, high) in zip(pair, (WIDTHS_US, ANGLES_DEG), strict=True):
            is_number = isinstance(value, int | float) and not isinstance(value, bool)
            if not is_number or not low <= value <= high:
                refuse(pair)
        points.append(ServoPoint(float(pair[0]) / _US, float(pair[1])))
    return tuple(sorted(points))


def _read_called(entries: Entries) -> str | None:
    """Read what a measured servo is kept as, where its figures were written out."""
    called = entries.take("servo", "called", None)
    if called is None:
        return None
    if not isinstance(called, str) or not called.isprintable() or len(called) > _LONGEST_NAME:
        entries.refuse_value(
            "servo",
            "called",
            called,
            expected="the name under which the servo was measured",
            attempt='called = "lifter"',
        )
    return str(called)


def _look_up(entries: Entries, model: object, servos: Mapping[str, Servo] | None) -> Servo:
    """Return the servo of a name."""
    known = sorted(servos) if servos is not None else []
    if servos is None:
        expected = "figures (pulse_min_us, pulse_max_us): measured servos cannot be looked up here"
        attempt = "the figures in place of the name"
    elif known:
        expected = "one of the measured servos: " + ", ".join(known[:12])
        attempt = f'model = "{known[0]}"'
    else:
        expected = "a measured servo, of which there is none yet"
        attempt = "benchlog servo NAME to measure it, or pulse_min_us and pulse_max_us"
    if servos is None or not isinstance(model, str) or model not in known:
        entries.refuse_value("servo", "model", model, expected=expected, attempt=attempt)
    return servos[model]


def _own_lines(servo: Servo) -> list[str]:
    """Return a servo's figures as lines of a design file."""
    lines = [
        f"pulse_min_us = {servo.pulse_min_s * _US:.12g}",
        f"pulse_max_us = {servo.pulse_max_s * _US:.12g}",
        f"dead_band_us = {servo.dead_band_s * _US:.12g}",
    ]
    if servo.curve is not None:
        pairs = (f"[{one.pulse_s * _US:.12g}, {one.arm_deg:.12g}]" for one in servo.curve.points)
        lines += [f"points = [{', '.join(pairs)}]", f"reading_deg = {servo.curve.reading_deg:.12g}"]
    else:
        lines += [
            f"angle_min_deg = {servo.angle_min_deg:.12g}",
            f"angle_max_deg = {servo.angle_max_deg:.12g}",
        ]
    if servo.name is not None:
        escaped = servo.name.replace("\\", "\\\\").replace('"', '\\"')
        lines.append(f'called = "{escaped}"')
    if servo.assumed:
        lines.append("assumed = true")
    return lines


def embed_servo(text: str, servo: Servo) -> str:
    """Write a measured servo's figures into a design that only names it.

    So the text means the same for ever, whatever is measured later under that name.

    Parameters
    ----------
    text : str
        A design file's text; it comes back as it is where it does not name a servo.
    servo : Servo
        The servo of that name.

    Returns
    -------
    str
        The text with the line of the name made a comment, and figures below it.

    Raises
    ------
    DesignError
        The name does not stand on a line of its own.
    """
    plain = text.removeprefix("\ufeff").replace("\r\n", "\n")
    if "model" not in tomllib.loads(plain).get("servo", {}):
        return text
    lines = text.split("\n")
    inside, is_top = False, True
    for index, line in enumerate(lines):
        if _HEADER.match(line):
            inside, is_top = _SERVO_HEADER.match(line.rstrip("\r")) is not None, False
        elif inside and _MODEL.match(line):
            lines[index : index + 1] = [f"# {line}", *_own_lines(servo)]
            break
        elif is_top and _SHORT.match(line):
            lines[index : index + 1] = [
                f"# {line}",
                f"servo = {{ {', '.join(_own_lines(servo))} }}",
            ]
            break
    else:
        raise DesignError(
            "the servo's name stands in the design in a way that cannot be followed",
            expected='a line [servo], and a line such as model = "lifter" below it',
            attempt="writing it so",
        )
    return "\n".join(lines)
