"""What may stand under each key of a sidecar."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, cast

from benchlog.recording import Gap

__all__ = ["CHECKS", "Change", "is_stamp"]


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that was changed in a sidecar afterwards.

    Attributes
    ----------
    changed_utc : str
        When, ISO 8601 in UTC.
    key : str
        Which key.
    old, new : str, float, bool or None
        What stood there, and what stood there from then on.
    why : str or None
        The reason that was given.
    """

    changed_utc: str
    key: str
    old: str | float | bool | None
    new: str | float | bool | None
    why: str | None = None


def is_stamp(text: str) -> bool:
    """Tell whether `text` is a stamp such as ``20260901T100000Z`` of a day that exists."""
    if not re.fullmatch(r"[0-9]{8}T[0-9]{6}Z", text):
        return False
    try:
        datetime.strptime(text, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        return False
    return True


_Check = Callable[[Any], tuple[Any, str]]
"""Takes what stands under a key; returns it, None if it is wrong, and what is expected there."""


def _number(low: float, high: float, unit: str) -> _Check:
    expected = f"a number from {low:g} to {high:g} {unit}"

    def check(value: Any) -> tuple[Any, str]:
        if isinstance(value, bool) or not isinstance(value, int | float):
            return None, expected
        return (float(value) if low <= value <= high else None), expected

    return check


def _text(value: Any) -> tuple[Any, str]:
    return (value if isinstance(value, str) else None), "text"


def _channel(value: Any) -> tuple[Any, str]:
    return (value if isinstance(value, str) and value.strip() else None), "the channel's name"


def _choice(*words: str) -> _Check:
    def check(value: Any) -> tuple[Any, str]:
        named = isinstance(value, str) and value in words
        return (value if named else None), ", ".join(f'"{word}"' for word in words) + " or null"

    return check


def _moment(value: Any) -> tuple[Any, str]:
    expected = 'a time in UTC such as "2026-09-01T10:00:00Z"'
    if not isinstance(value, str):
        return None, expected
    try:
        moment = datetime.fromisoformat(value)
        if moment.tzinfo is None:
            return None, expected
        moment.astimezone(UTC)
    except (ValueError, OverflowError):
        return None, expected
    return value, expected


def _stamp(value: Any) -> tuple[Any, str]:
    named = isinstance(value, str) and is_stamp(value)
    return (value if named else None), 'a stamp such as "20260901T100000Z" or null'


def _input_number(value: Any) -> tuple[Any, str]:
    counted = isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 1024
    return (value if counted else None), "a whole number from 1"


def _checksum(value: Any) -> tuple[Any, str]:
    hexadecimal = isinstance(value, str) and re.fullmatch(r"[0-9a-fA-F]{64}", value)
    return (value if hexadecimal else None), "64 hexadecimal digits"


def _gaps(value: Any) -> tuple[Any, str]:
    expected = 'a list of {"start_s": seconds, "length_s": seconds}'
    if not isinstance(value, list):
        return None, expected
    seconds = _number(0.0, 1e9, "s")
    gaps = []
    for item in value:
        if not isinstance(item, dict):
            return None, expected
        start_s, _ = seconds(item.get("start_s"))
        length_s, _ = seconds(item.get("length_s"))
        if start_s is None or length_s is None:
            return None, expected
        gaps.append(Gap(cast("float", start_s), cast("float", length_s)))
    return tuple(gaps), expected


def _truth(value: Any) -> tuple[Any, str]:
    return (value if isinstance(value, bool) else None), "true or false"


def _history(value: Any) -> tuple[Any, str]:
    expected = 'a list of {"changed_utc": time, "key": name, "old": value, "new": value}'
    if not isinstance(value, list):
        return None, expected
    changes = []
    for item in value:
        if not isinstance(item, dict) or not isinstance(item.get("key"), str):
            return None, expected
        at, _ = _moment(item.get("changed_utc"))
        old, new, why = item.get("old"), item.get("new"), item.get("why")
        if at is None or not isinstance(why, str | None):
            return None, expected
        if not all(isinstance(one, str | int | float | None) for one in (old, new)):
            return None, expected
        changes.append(Change(at, item["key"], old, new, why))
    return tuple(changes), expected


CHECKS: dict[str, _Check] = {
    "channel": _channel,
    "knob_deg": _number(-3600.0, 3600.0, "degrees"),
    "recorded_utc": _moment,
    "direction": _choice("up", "down"),
    "sweep": _stamp,
    "source": _text,
    "rate_hz": _number(1.0, 1e9, "Hz"),
    "input": _input_number,
    "active_level": _choice("high", "low"),
    "supply_v": _number(0.0, 100.0, "V"),
    "temperature_c": _number(-100.0, 200.0, "degC"),
    "servo": _choice("unplugged", "idle", "moving"),
    "note": _text,
    "gaps": _gaps,
    "set_aside": _text,
    "sha256": _checksum,
    "profile": _text,
    "history": _history,
    "unfinished": _truth,
}
