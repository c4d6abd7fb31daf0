"""A measured servo as it is kept: its range, how each end was found, the readings of its arm."""

from __future__ import annotations

import dataclasses
import re
from dataclasses import dataclass
from typing import Any, Literal

from benchlog.channel.entries import Entries, read_entries
from benchlog.channel.names import check_channel_name
from benchlog.channel.servo import Servo
from benchlog.channel.servo_curve import READING_DEG, ServoPoint
from benchlog.channel.servo_entries import (
    DEAD_BAND_US,
    WIDTHS_US,
    read_angles,
    read_points,
    read_reading,
)
from benchlog.errors import DesignError, one_line

__all__ = [
    "EndKind",
    "KeptServo",
    "ServoEnd",
    "check_servo_name",
    "format_servo",
    "parse_servo",
]

EndKind = Literal["buzz", "at least", "given"]

TITLE = "# A servo that benchlog measured: pulses in microseconds, arm angles in degrees."

_US = 1e6
_U_US = (0.0, 1000.0)
_MOST_TRIES = 20
_STAMPED = re.compile(r"[0-9]{8}T[0-9]{6}Z")
_KNOWN = {
    "": ("name", "found_utc", "note"),
    "range": ("pulse_min_us", "pulse_max_us", "dead_band_us"),
    "low_end": ("how", "pulse_us", "u_us", "tries_us"),
    "high_end": ("how", "pulse_us", "u_us", "tries_us"),
    "arm": ("points", "reading_deg", "angle_min_deg", "angle_max_deg"),
}


def check_servo_name(name: str) -> str:
    """Return `name` if a servo can be kept under it.

    Raises
    ------
    DesignError
        It cannot be a file's name on every system, or holds a dot.
    """
    try:
        checked = check_channel_name(name)
    except DesignError as exc:
        raise DesignError(
            exc.found.replace("channel name", "servo name", 1),
            expected=exc.expected.replace("a folder's", "a file's"),
            attempt="letters, digits, dashes and underscores, such as 'lifter'",
        ) from exc
    if "." in checked:
        raise DesignError(
            f"servo name {checked!r} holds a dot",
            expected="a name without one: a dot divides the name from the date of older files",
            attempt=checked.replace(".", "-"),
        )
    return checked


@dataclass(frozen=True, slots=True)
class ServoEnd:
    """How one end of a servo's range was found.

    Attributes
    ----------
    how : {"buzz", "at least", "given"}
        It pushed on its stop there; the knob's end came first, so that it follows at least
        that far; or somebody told.
    pulse_s : float
        The pulse, seconds.
    u_s : float
        Its standard uncertainty, seconds; 0 where it was told.
    tries_s : tuple of float
        What each try gave, seconds.
    """

    how: EndKind
    pulse_s: float
    u_s: float = 0.0
    tries_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class KeptServo:
    """A measured servo.

    Attributes
    ----------
    name : str
        What it is kept as.
    found_utc : str
        When it was found, ``2026-09-01T10:00:00Z``.
    pulse_min_s, pulse_max_s : float
        What it may be sent, seconds: inside what was found, by the uncertainty.
    low, high : ServoEnd
        How that was found.
    points : tuple of ServoPoint
        Readings of its arm; fewer than two leave the arm's angles as they are told.
    reading_deg : float
        Half-width of a reading, degrees.
    angle_min_deg, angle_max_deg : float or None
        The arm's angles at the ends of the range as somebody told them; None where nobody did.
    dead_band_s : float
        Change of pulse that it does not follow, seconds.
    note : str
        A remark.
    """

    name: str
    found_utc: str
    pulse_min_s: float
    pulse_max_s: float
    low: ServoEnd
    high: ServoEnd
    points: tuple[ServoPoint, ...] = ()
    reading_deg: float = READING_DEG
    angle_min_deg: float | None = None
    angle_max_deg: float | None = None
    dead_band_s: float = 5e-6
    note: str = ""

    @property
    def has_angles(self) -> bool:
        """Whether the arm's angles are known: from points, or because they were told."""
        return len(self.points) >= 2 or self.angle_min_deg is not None

    def servo(self) -> Servo:
        """Return the servo for a design.

        Raises
        ------
        DesignError
            No servo's arm goes through its points.
        """
        if len(self.points) >= 2:
            return Servo.from_points(
                self.pulse_min_s,
                self.pulse_max_s,
                self.points,
                self.reading_deg,
                dead_band_s=self.dead_band_s,
                name=self.name,
            )
        plain = Servo(
            self.pulse_min_s, self.pulse_max_s, dead_band_s=self.dead_band_s, name=self.name
        )
        if self.angle_min_deg is None or self.angle_max_deg is None:
            return plain
        return dataclasses.replace(
            plain, angle_min_deg=self.angle_min_deg, angle_max_deg=self.angle_max_deg
        )


# --- as text -----------------------------------------------------------------------


def format_servo(kept: KeptServo) -> str:
    """Write a measured servo as text.

    Parameters
    ----------
    kept : KeptServo
        The servo.

    Returns
    -------
    str
        TOML with comments, which `parse_servo` reads.
    """
    lines = [
        TITLE,
        f"name = {_quoted(kept.name)}",
        f"found_utc = {_quoted(kept.found_utc)}",
        *([f"note = {_quoted(one_line(kept.note))}"] if kept.note else []),
        "",
        "[range]                  # what it may be sent: past it, it pushes on its stop",
        f"pulse_min_us = {_us(kept.pulse_min_s)}",
        f"pulse_max_us = {_us(kept.pulse_max_s)}",
        f"dead_band_us = {_us(kept.dead_band_s)}",
    ]
    for table, end in (("low_end", kept.low), ("high_end", kept.high)):
        lines += ["", f"[{table}]", f'how = "{end.how}"'.ljust(24) + f" # {_HOW[end.how]}"]
        lines.append(f"pulse_us = {_us(end.pulse_s)}")
        if end.how != "given":
            lines.append(f"u_us = {_us(end.u_s)}".ljust(24) + " # standard uncertainty (k = 1)")
        if end.tries_s:
            lines.append(f"tries_us = [{', '.join(map(_us, end.tries_s))}]")
    lines += ["", "[arm]"]
    if kept.points:
        pairs = [f"  [{_us(one.pulse_s)}, {one.arm_deg:.12g}]," for one in kept.points]
        lines += ["points = [               # pulse, arm angle", *pairs, "]"]
        lines.append(f"reading_deg = {kept.reading_deg:.12g}".ljust(24) + " # read to within")
    if kept.angle_min_deg is not None and kept.angle_max_deg is not None:
        lines.append(f"angle_min_deg = {kept.angle_min_deg:.12g}")
        lines.append(f"angle_max_deg = {kept.angle_max_deg:.12g}")
    elif not kept.has_angles:
        lines.append("# not measured: 0 to 180 degrees from end to end are assumed")
    return "\n".join(lines) + "\n"


_HOW = {
    "buzz": "it pushed on its stop there",
    "at least": "the knob's end came first: it follows at least so far",
    "given": "as it was told",
}


def _us(seconds: float) -> str:
    """Write a time in microseconds, such that reading it and writing it again changes nothing."""
    return f"{seconds * _US:.9g}"


def _quoted(text: str) -> str:
    """Write a text as TOML."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def parse_servo(text: str, name: str) -> KeptServo:
    """Read a measured servo's text.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        What to call the file in a message.

    Returns
    -------
    KeptServo
        Checked: its `servo` can be made.

    Raises
    ------
    DesignError
        Anything is wrong; the message names key, value and line.
    """
    entries = read_entries(text, name)
    entries.check_keys(_KNOWN)
    called = entries.take("", "name", example='"lifter"')
    called = entries.checked("", "name", called, check_servo_name)
    low_us = entries.take_number("range", "pulse_min_us", WIDTHS_US, example="520")
    high_us = entries.take_number("range", "pulse_max_us", WIDTHS_US, example="2440")
    if high_us <= low_us:
        entries.refuse_value(
            "range",
            "pulse_max_us",
            high_us,
            expected=f"more than pulse_min_us = {low_us:g}",
            attempt="the two the other way round",
        )
    points = read_points(entries, "arm")
    told = [
        key
        for key in ("angle_min_deg", "angle_max_deg")
        if entries.take("arm", key, None) is not None
    ]
    if len(points) >= 2 and told:
        entries.refuse(
            "arm",
            told[0],
            f"arm.{told[0]} beside arm.points",
            expected="either the arm's angles at the ends or points of its curve",
            attempt="a # before one of the two",
        )
    angles = read_angles(entries, "arm") if told else (None, None)
    kept = KeptServo(
        name=called,
        found_utc=_read_instant(entries),
        pulse_min_s=low_us / _US,
        pulse_max_s=high_us / _US,
        low=_read_end(entries, "low_end", low_us),
        high=_read_end(entries, "high_end", high_us),
        points=points,
        reading_deg=read_reading(entries, "arm"),
        angle_min_deg=angles[0],
        angle_max_deg=angles[1],
        dead_band_s=entries.take_number("range", "dead_band_us", DEAD_BAND_US, 5.0, example="5")
        / _US,
        note=_read_note(entries),
    )
    entries.checked("arm", "points", kept, KeptServo.servo)
    return kept


def _read_instant(entries: Entries) -> str:
    """Read when the servo was found."""
    raw = entries.take("", "found_utc", example='"2026-09-01T10:00:00Z"')
    text = str(raw) if isinstance(raw, str) else ""
    if not _STAMPED.fullmatch(text.replace("-", "").replace(":", "")):
        entries.refuse_value(
            "",
            "found_utc",
            raw,
            expected="date and time in UTC, in quotes",
            attempt='found_utc = "2026-09-01T10:00:00Z"',
        )
    return text


def _read_note(entries: Entries) -> str:
    raw: Any = entries.take("", "note", "")
    if not isinstance(raw, str):
        entries.refuse_value("", "note", raw, expected="text in quotes", attempt='note = "..."')
    return str(raw)


def _read_end(entries: Entries, table: str, given_us: float) -> ServoEnd:
    """Read how an end was found; all of it may be left out of a file written by hand."""
    how = entries.take_choice(table, "how", tuple(_HOW), "given")
    raw = entries.take(table, "tries_us", [])
    low, high = WIDTHS_US
    if (
        not isinstance(raw, list)
        or len(raw) > _MOST_TRIES
        or any(isinstance(one, bool) or not isinstance(one, int | float) for one in raw)
        or any(not low <= one <= high for one in raw)
    ):
        entries.refuse_value(
            table,
            "tries_us",
            raw,
            expected=f"up to {_MOST_TRIES} pulses in microseconds",
            attempt="tries_us = [521.3, 519.8]",
        )
    return ServoEnd(
        how=how,  # type: ignore[arg-type]
        pulse_s=entries.take_number(table, "pulse_us", WIDTHS_US, given_us, example="520") / _US,
        u_s=entries.take_number(table, "u_us", _U_US, 0.0, example="4.5") / _US,
        tries_s=tuple(one / _US for one in raw),
    )
