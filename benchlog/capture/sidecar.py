"""The sidecar: what is known of a recording, as JSON beside it.

Only ``channel``, ``knob_deg`` and ``recorded_utc`` must be there, so that a
person can lay a recording from elsewhere into a bench folder with three lines
of JSON. What is there must be right: a wrong type is an error that names the
key. Keys that are not known are kept and written back, never dropped.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, NoReturn, cast

from benchlog.errors import RecordingError
from benchlog.recording import Gap

__all__ = [
    "Sidecar",
    "is_stamp",
    "parse_sidecar",
    "read_sidecar",
    "sidecar_path",
    "sidecar_text",
    "stamp_of",
]

_SIZE_LIMIT = 1 << 20
_MINIMUM = '{"channel": "heron", "knob_deg": 90, "recorded_utc": "2026-09-01T10:00:00Z"}'


@dataclass(frozen=True, slots=True)
class Sidecar:
    """What is known of one recording.

    Attributes
    ----------
    channel : str
        The channel that was recorded.
    knob_deg : float
        Knob angle in degrees, clockwise from the anticlockwise stop.
    recorded_utc : str
        When, ISO 8601 in UTC, as ``2026-09-01T10:00:00Z``.
    direction : 'up', 'down' or None
        Which way the knob was being turned.
    sweep : str or None
        Stamp of the start of the sweep that it belongs to.
    source : str or None
        What recorded it.
    rate_hz : float or None
        Sample rate in hertz.
    input : int or None
        Which input of the device, from 1.
    active_level : 'high', 'low' or None
        The level of a pulse in this recording.
    supply_v, temperature_c : float or None
        Supply in volts and air in degrees Celsius while it was recorded.
    servo : 'unplugged', 'idle', 'moving' or None
        What the servo did meanwhile.
    note : str or None
        Free text.
    gaps : tuple of Gap
        Stretches that the recorder lost.
    set_aside : str or None
        Why the recording must not be used; None where it may.
    sha256 : str or None
        Checksum of the recording's file, 64 hexadecimal digits.
    other : dict
        Keys that are not known here, kept as they were.
    """

    channel: str
    knob_deg: float
    recorded_utc: str
    direction: Literal["up", "down"] | None = None
    sweep: str | None = None
    source: str | None = None
    rate_hz: float | None = None
    input: int | None = None
    active_level: Literal["high", "low"] | None = None
    supply_v: float | None = None
    temperature_c: float | None = None
    servo: Literal["unplugged", "idle", "moving"] | None = None
    note: str | None = None
    gaps: tuple[Gap, ...] = ()
    set_aside: str | None = None
    sha256: str | None = None
    other: Mapping[str, Any] = field(default_factory=dict, hash=False)

    @property
    def recorded_at(self) -> datetime:
        """When it was recorded, as a time in UTC."""
        return datetime.fromisoformat(self.recorded_utc).astimezone(UTC)

    @property
    def stamp(self) -> str:
        """When it was recorded, as a stamp for file names: ``20260901T100000Z``."""
        return stamp_of(self.recorded_at)


def stamp_of(moment: datetime) -> str:
    """Return `moment` (with a time zone) as a stamp in UTC, ``20260901T100000Z``."""
    return moment.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def is_stamp(text: str) -> bool:
    """Tell whether `text` is a stamp such as ``20260901T100000Z`` of a day that exists."""
    if not re.fullmatch(r"[0-9]{8}T[0-9]{6}Z", text):
        return False
    try:
        datetime.strptime(text, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        return False
    return True


def sidecar_path(record: Path) -> Path:
    """Return where the sidecar of the recording `record` lies: ``<stem>.json`` beside it."""
    return record.with_suffix(".json")


def sidecar_text(sidecar: Sidecar) -> str:
    """Return `sidecar` as JSON text, ending in a line break.

    Parameters
    ----------
    sidecar : Sidecar
        What to write; keys that are not known follow the known ones.

    Returns
    -------
    str
        JSON that `parse_sidecar` reads back.
    """
    known = {
        "channel": sidecar.channel,
        "knob_deg": sidecar.knob_deg,
        "direction": sidecar.direction,
        "sweep": sidecar.sweep,
        "recorded_utc": sidecar.recorded_utc,
        "source": sidecar.source,
        "rate_hz": sidecar.rate_hz,
        "input": sidecar.input,
        "active_level": sidecar.active_level,
        "supply_v": sidecar.supply_v,
        "temperature_c": sidecar.temperature_c,
        "servo": sidecar.servo,
        "note": sidecar.note,
        "gaps": [{"start_s": gap.start_s, "length_s": gap.length_s} for gap in sidecar.gaps],
        "set_aside": sidecar.set_aside,
        "sha256": sidecar.sha256,
    }
    content = known | {key: value for key, value in sidecar.other.items() if key not in known}
    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
    if any(0xD800 <= ord(c) <= 0xDFFF for c in text):  # half a character cannot be UTF-8
        text = json.dumps(content, indent=2, ensure_ascii=True, allow_nan=False)
    return text + "\n"


def read_sidecar(path: Path) -> Sidecar:
    """Read a sidecar file.

    Parameters
    ----------
    path : Path
        The JSON file itself.

    Returns
    -------
    Sidecar
        What it says.

    Raises
    ------
    RecordingError
        It cannot be read, is no JSON, or a key is missing or wrong.
    """
    try:
        with path.open("rb") as file:
            content = file.read(_SIZE_LIMIT + 1)
    except OSError as exc:
        raise RecordingError(
            f"sidecar {path} cannot be read ({exc.strerror or exc})",
            expected="a JSON file beside the recording",
            attempt=f"a file with at least {_MINIMUM}",
        ) from exc
    if len(content) > _SIZE_LIMIT:
        raise _fault(str(path), f"holds more than {_SIZE_LIMIT} bytes", "a few lines of JSON")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise _fault(
            str(path), f"is not UTF-8 text (byte {exc.start})", "JSON text in UTF-8"
        ) from exc
    return parse_sidecar(text, str(path))


def parse_sidecar(text: str, name: str) -> Sidecar:
    """Read a sidecar from its text.

    Parameters
    ----------
    text : str
        JSON.
    name : str
        What to call it in a message.

    Returns
    -------
    Sidecar
        What it says.

    Raises
    ------
    RecordingError
        It is no JSON object, or a key is missing or wrong; the key is named.
    """
    try:
        content = json.loads(text, object_pairs_hook=_unique_keys, parse_constant=_refuse_constant)
    except RecursionError as exc:
        raise _fault(name, "is nested too deeply", "a flat JSON object") from exc
    except ValueError as exc:
        raise _fault(name, f"is not right JSON ({exc})", "one JSON object") from exc
    if not isinstance(content, dict):
        raise _fault(name, f"holds {_shown(content)}", "one JSON object")
    for key in ("channel", "knob_deg", "recorded_utc"):
        if content.get(key) is None:
            raise _fault(name, f"lacks the key '{key}'", f"at least {_MINIMUM}")
    values: dict[str, Any] = {}
    for key, check in _CHECKS.items():
        given = content.pop(key, None)
        if given is None:
            continue
        checked, expected = check(given)
        if checked is None:
            raise _fault(name, f"has {_shown(given)} under '{key}'", expected)
        values[key] = checked
    return Sidecar(**values, other=content)


def _fault(name: str, found: str, expected: str) -> RecordingError:
    return RecordingError(
        f"sidecar {name} {found}",
        expected=expected,
        attempt="correct the file in a text editor, or move it and its recording elsewhere",
    )


def _shown(value: object) -> str:
    """Return `value` as short JSON for a message."""
    text = json.dumps(value, ensure_ascii=False) if not isinstance(value, dict) else "an object"
    if isinstance(value, list):
        text = "a list"
    return text if len(text) <= 40 else text[:37] + "..."


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    content: dict[str, Any] = {}
    for key, value in pairs:
        if key in content:
            raise ValueError(f"the key {key!r} stands there twice")
        content[key] = value
    return content


def _refuse_constant(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")


_Check = Callable[[Any], tuple[Any, str]]


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


_CHECKS: dict[str, _Check] = {
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
}
