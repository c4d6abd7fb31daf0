"""The sidecar: what is known of a recording, as JSON beside it.

Only ``channel``, ``knob_deg`` and ``recorded_utc`` must be there, so that a
person can lay a recording from elsewhere into a bench folder with three lines
of JSON. What is there must be right: a wrong type is an error that names the
key. Keys that are not known are kept and written back, never dropped.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, NoReturn

from benchlog.capture.sidecar_keys import CHECKS, Change, is_stamp
from benchlog.errors import RecordingError
from benchlog.recording import Gap

__all__ = [
    "Change",
    "Sidecar",
    "is_stamp",
    "kind_of_try",
    "parse_sidecar",
    "read_sidecar",
    "sidecar_path",
    "sidecar_text",
    "stamp_of",
]

_SIZE_LIMIT = 1 << 20
_DEEPEST = 32
_BEATS, _COMPARISON = "beats", "comparison"
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
    profile : str or None
        Name of the profile of the input that recorded it.
    history : tuple of Change
        What was changed afterwards, oldest first.
    unfinished : bool
        Whether the recording is still being made, or was broken off by a crash and not
        completed yet.
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
    profile: str | None = None
    history: tuple[Change, ...] = ()
    unfinished: bool = False
    other: Mapping[str, Any] = field(default_factory=dict, hash=False)

    @property
    def recorded_at(self) -> datetime:
        """When it was recorded, as a time in UTC."""
        return datetime.fromisoformat(self.recorded_utc).astimezone(UTC)

    @property
    def stamp(self) -> str:
        """When it was recorded, as a stamp for file names: ``20260901T100000Z``."""
        return stamp_of(self.recorded_at)


def kind_of_try(sidecar: Sidecar) -> str | None:
    """Tell a recording of something that was tried from one that a calibration may use.

    While it was made, a hand pulled the supply, tapped the knob or turned another channel's.

    Parameters
    ----------
    sidecar : Sidecar
        What is known of the recording.

    Returns
    -------
    str or None
        What was tried, in a few words; None for an ordinary recording.
    """
    if _BEATS in sidecar.other:
        told = sidecar.other[_BEATS]
        tried = told.get("try") if isinstance(told, dict) else None
        return f"on the beat: {tried}" if isinstance(tried, str) else "on the beat"
    if _COMPARISON in sidecar.other:
        stage = sidecar.other.get("stage")
        return f"compared: {stage}" if isinstance(stage, str) else "compared"
    return None


def stamp_of(moment: datetime) -> str:
    """Return `moment` (with a time zone) as a stamp in UTC, ``20260901T100000Z``."""
    return moment.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def sidecar_path(record: Path) -> Path:
    """Return where the sidecar of the recording `record` lies: ``<stem>.json`` beside it.

    A path without a name (``.`` or ``/``) is no recording's and is returned as it is.
    """
    return record.with_suffix(".json") if record.name else record


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
    known |= _seldom(sidecar)
    content = known | {key: value for key, value in sidecar.other.items() if key not in known}
    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
    if any(0xD800 <= ord(c) <= 0xDFFF for c in text):  # half a character cannot be UTF-8
        text = json.dumps(content, indent=2, ensure_ascii=True, allow_nan=False)
    return text + "\n"


def _seldom(sidecar: Sidecar) -> dict[str, Any]:
    """Return the keys that are written only where they say something."""
    seldom: dict[str, Any] = {}
    if sidecar.profile is not None:
        seldom["profile"] = sidecar.profile
    if sidecar.history:
        seldom["history"] = [
            {
                "changed_utc": change.changed_utc,
                "key": change.key,
                "old": change.old,
                "new": change.new,
                "why": change.why,
            }
            for change in sidecar.history
        ]
    if sidecar.unfinished:
        seldom["unfinished"] = True
    return seldom


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
    except (OSError, ValueError) as exc:
        raise RecordingError(
            f"sidecar {path} cannot be read ({getattr(exc, 'strerror', None) or exc})",
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
        content = json.loads(
            text,
            object_pairs_hook=_unique_keys,
            parse_constant=_refuse_constant,
        )
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
    for key, check in CHECKS.items():
        given = content.pop(key, None)
        if given is None:
            continue
        checked, expected = check(given)
        if checked is None:
            raise _fault(name, f"has {_shown(given)} under '{key}'", expected)
        values[key] = checked
    _check_other(content, name)
    return Sidecar(**values, other=content)


def _fault(name: str, found: str, expected: str) -> RecordingError:
    return RecordingError(
        f"sidecar {name} {found}",
        expected=expected,
        attempt="correct the file in a text editor, or move it and its recording elsewhere",
    )


def _shown(value: object) -> str:
    """Return `value` as short JSON for a message."""
    if isinstance(value, list | dict):
        return "a list" if isinstance(value, list) else "an object"
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 40 else text[:37] + "..."


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    content: dict[str, Any] = {}
    for key, value in pairs:
        if key in content:
            raise ValueError(f"the key {key!r} stands there twice")
        content[key] = value
    return content


def _check_other(content: dict[str, Any], name: str) -> None:
    """Refuse, under keys that are not known, what could not be written again."""
    layer: list[Any] = [content]
    for _ in range(_DEEPEST):
        if any(isinstance(one, float) and not math.isfinite(one) for one in layer):
            raise _fault(name, "holds a number beyond any limit", "finite numbers")
        layer = [
            item
            for one in layer
            if isinstance(one, list | dict)
            for item in (one.values() if isinstance(one, dict) else one)
        ]
    if layer:
        raise _fault(name, "is nested too deeply", "a flat JSON object")


def _refuse_constant(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")
