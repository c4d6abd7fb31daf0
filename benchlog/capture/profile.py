"""Profiles of sound inputs: what `listen` found out, kept for later records.

A profile lies in ``calibration/inputs/<name>.json`` of a bench folder. It says how an input
shows a pulse and what its clock does. It holds no samples, and no name of a device or a
computer: the name is the one that the user gave. A profile is never overwritten.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, fields
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from benchlog.capture.new_files import channel_fault, write_new_text
from benchlog.errors import StoreError

if TYPE_CHECKING:
    from benchlog.capture.store import Bench

__all__ = [
    "PROFILE_FOLDER",
    "Profile",
    "check_free",
    "list_profiles",
    "parse_profile",
    "profile_path",
    "profile_text",
    "read_profile",
    "write_profile",
]

PROFILE_FOLDER = "inputs"
"""Folder beside the channels' calibration folders; no channel may have that name."""

_SIZE_LIMIT = 1 << 16


@dataclass(frozen=True, slots=True)
class Profile:
    """What is known of one sound input.

    Attributes
    ----------
    name : str
        As the user calls it.
    recorded_utc : str
        When it was found out, ISO 8601 in UTC.
    rate_hz : float
        The sample rate at which; another rate may run on another clock.
    active_level : 'high', 'low' or None
        The level of a pulse at this input; None where that was a guess.
    corners_hz : tuple of float
        Corners of the AC coupling, the higher first; empty for a DC-coupled input, None where
        no pulse was heard.
    order : int or None
        Number of coupling stages.
    bandwidth_hz : float or None
        The -3 dB frequency.
    noise, hum : float or None
        RMS, units of full scale.
    clip_level : float or None
        Where it clips, units of full scale; None where that was not reached.
    gain_control : bool or None
        Whether automatic gain or noise suppression was at work; None where it cannot be told.
    clock_ppm, u_clock_ppm : float or None
        By how much the sample clock runs fast, and its standard uncertainty with the system
        clock's own in it, parts in a million; None where they were not measured.
    other : dict
        Keys that are not known here, kept as they were.
    """

    name: str
    recorded_utc: str
    rate_hz: float
    active_level: Literal["high", "low"] | None = None
    corners_hz: tuple[float, ...] | None = None
    order: int | None = None
    bandwidth_hz: float | None = None
    noise: float | None = None
    hum: float | None = None
    clip_level: float | None = None
    gain_control: bool | None = None
    clock_ppm: float | None = None
    u_clock_ppm: float | None = None
    other: Mapping[str, Any] = field(default_factory=dict, hash=False)


def profile_path(bench: Bench, name: str) -> Path:
    """Return where a profile lies, whether or not it is there.

    Raises
    ------
    StoreError
        The name cannot be a file's.
    """
    fault = channel_fault(name)
    if fault is not None:
        raise StoreError(
            f"profile name '{name[:80]}' {fault}",
            expected="a name that can be a file's on every system",
            attempt="letters, digits and dashes, such as usb-box",
        )
    return bench.calibration / PROFILE_FOLDER / f"{name}.json"


def list_profiles(bench: Bench) -> list[str]:
    """Return the names of the profiles that a bench folder keeps, sorted."""
    try:
        found = sorted((bench.calibration / PROFILE_FOLDER).glob("*.json"))
    except OSError:
        return []
    return [path.stem for path in found if channel_fault(path.stem) is None]


def read_profile(bench: Bench, name: str) -> Profile:
    """Read a profile.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    name : str
        The profile's name.

    Returns
    -------
    Profile
        What it says.

    Raises
    ------
    StoreError
        There is none of that name, or it is wrong; the key is named.
    """
    path = profile_path(bench, name)
    try:
        with path.open("rb") as file:
            content = file.read(_SIZE_LIMIT + 1)
    except FileNotFoundError as exc:
        kept = ", ".join(list_profiles(bench)) or "none"
        raise StoreError(
            f"there is no profile {name} ({path})",
            expected=f"a kept profile (kept are: {kept})",
            attempt=f"benchlog listen --input DEVICE --keep {name}",
        ) from exc
    except OSError as exc:
        raise StoreError(
            f"profile {path} cannot be read ({exc.strerror or exc})",
            expected="a file that you may read",
            attempt="checking its permissions",
        ) from exc
    if len(content) > _SIZE_LIMIT:
        raise _fault(str(path), f"holds more than {_SIZE_LIMIT} bytes", "a few lines of JSON")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise _fault(str(path), "is not UTF-8 text", "JSON text in UTF-8") from exc
    return parse_profile(text, str(path))


def write_profile(bench: Bench, profile: Profile) -> Path:
    """Keep a profile under its name, which must be free.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    profile : Profile
        What to keep.

    Returns
    -------
    Path
        Where it lies.

    Raises
    ------
    StoreError
        The name is taken or cannot be a file's, or the folder cannot be written.
    """
    check_free(bench, profile.name)
    return write_new_text(profile_path(bench, profile.name), profile_text(profile))


def check_free(bench: Bench, name: str) -> None:
    """Refuse a profile's name that is taken or cannot be a file's.

    Raises
    ------
    StoreError
        It is so.
    """
    path = profile_path(bench, name)
    if path.exists():
        raise StoreError(
            f"there is a profile {name} already ({path})",
            expected="a new name, since nothing is overwritten",
            attempt=f"--keep {name}-2",
        )


def profile_text(profile: Profile) -> str:
    """Return a profile as JSON text, ending in a line break."""
    content = {key: value for key, value in asdict(profile).items() if key != "other"}
    content |= {key: value for key, value in profile.other.items() if key not in content}
    return json.dumps(content, indent=2, ensure_ascii=True, allow_nan=False) + "\n"


def parse_profile(text: str, name: str) -> Profile:
    """Read a profile from its text.

    Parameters
    ----------
    text : str
        JSON.
    name : str
        What to call it in a message.

    Returns
    -------
    Profile
        What it says.

    Raises
    ------
    StoreError
        It is no JSON object, or a key is missing or wrong; the key is named.
    """
    try:
        content = json.loads(text)
    except RecursionError as exc:
        raise _fault(name, "is nested too deeply", "a flat JSON object") from exc
    except ValueError as exc:
        raise _fault(name, f"is not right JSON ({exc})", "one JSON object") from exc
    if not isinstance(content, dict):
        raise _fault(name, "holds something else", "one JSON object")
    for key in ("name", "recorded_utc", "rate_hz"):
        if content.get(key) is None:
            raise _fault(name, f"lacks the key '{key}'", "name, recorded_utc and rate_hz")
    values: dict[str, Any] = {}
    for key in (one.name for one in fields(Profile) if one.name != "other"):
        given = content.pop(key, None)
        if given is None:
            continue
        values[key] = _checked(key, given, name)
    if ("clock_ppm" in values) != ("u_clock_ppm" in values):
        raise _fault(name, "has one of clock_ppm and u_clock_ppm", "both or neither")
    return Profile(**values, other=content)


def _checked(key: str, given: Any, name: str) -> Any:
    """Return the value of a key, or refuse it."""
    check, expected = _CHECKS[key]
    value = check(given)
    if value is None:
        shown = str(given)
        raise _fault(name, f"has {shown[:40]!r} under '{key}'", expected)
    return value


def _fault(name: str, found: str, expected: str) -> StoreError:
    return StoreError(
        f"profile {name} {found}",
        expected=expected,
        attempt="correcting it, or benchlog listen with --keep and a new name",
    )


_Check = Callable[[Any], Any]


def _number(low: float, high: float) -> tuple[_Check, str]:
    def check(value: Any) -> float | None:
        if isinstance(value, bool) or not isinstance(value, int | float):
            return None
        return float(value) if math.isfinite(value) and low <= value <= high else None

    return check, f"a number from {low:g} to {high:g}"


def _corners(value: Any) -> tuple[float, ...] | None:
    if not isinstance(value, list) or len(value) > 2:
        return None
    check, _ = _number(0.0, 1e6)
    corners = [check(item) for item in value]
    return None if None in corners else tuple(corners)


def _moment(value: Any) -> str | None:
    try:
        aware = isinstance(value, str) and datetime.fromisoformat(value).tzinfo is not None
    except ValueError:
        return None
    return value if aware else None


def _count(value: Any) -> int | None:
    whole = isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 2
    return value if whole else None


_CHECKS: dict[str, tuple[_Check, str]] = {
    "name": (lambda v: v if isinstance(v, str) and channel_fault(v) is None else None, "a name"),
    "recorded_utc": (_moment, 'a time in UTC such as "2026-09-01T10:00:00Z"'),
    "rate_hz": _number(1.0, 1e9),
    "active_level": (lambda v: v if v in ("high", "low") else None, '"high", "low" or null'),
    "corners_hz": (_corners, "a list of at most two corners in hertz"),
    "order": (_count, "0, 1 or 2"),
    "bandwidth_hz": _number(0.0, 1e9),
    "noise": _number(0.0, 10.0),
    "hum": _number(0.0, 10.0),
    "clip_level": _number(0.0, 10.0),
    "gain_control": (lambda v: v if isinstance(v, bool) else None, "true, false or null"),
    "clock_ppm": _number(-1e5, 1e5),
    "u_clock_ppm": _number(0.0, 1e5),
}
