"""What a sweep is to visit, kept beside its records so that it can be gone on with.

::

    captures/<channel>/<stamp>.sweep      the marks of a sweep, as JSON
    captures/<channel>/.sweep.lock        held while the channel is being swept

The file is written once, before the first record. Which marks were taken is told by the records
themselves: those with the sweep's stamp that are not set aside. Each names its mark under the
key ``mark`` of its sidecar; one that does not (laid in by a person) counts for the mark of its
knob angle and way.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from benchlog.capture.closing import Closing
from benchlog.capture.locks import lock_file
from benchlog.capture.new_files import store_error, write_new_text
from benchlog.capture.sidecar import is_stamp
from benchlog.capture.store import Bench, Record
from benchlog.channel.knob_marks import MOST_MARKS, Mark
from benchlog.errors import RecordingError, StoreError

__all__ = [
    "SweepLock",
    "SweepPlan",
    "find_unfinished",
    "find_visited",
    "plan_path",
    "read_plan",
    "write_plan",
]

_SUFFIX = ".sweep"
_LIMIT = 1 << 20
_SAME_DEG = 1e-6
_GOES_ON = timedelta(hours=12)
_MOST_DEG = 36000.0
_ATTEMPTS = 20


@dataclass(frozen=True, slots=True)
class SweepPlan:
    """What a sweep is to visit.

    Attributes
    ----------
    channel : str
        The channel.
    stamp : str
        The stamp of its start, which its records carry.
    marks : tuple of Mark
        In the order of visiting.
    seconds : float
        How long each record is.
    supply_v, temperature_c : float or None
        As they were read.
    """

    channel: str
    stamp: str
    marks: tuple[Mark, ...]
    seconds: float
    supply_v: float | None = None
    temperature_c: float | None = None


def plan_path(bench: Bench, channel: str, stamp: str) -> Path:
    """Return where the marks of a sweep lie, whether or not they are there."""
    bench.design_path(channel)  # refuses a name that is none
    return bench.captures / channel / f"{stamp}{_SUFFIX}"


def write_plan(bench: Bench, plan: SweepPlan) -> Path:
    """Keep what a sweep is to visit.

    Raises
    ------
    StoreError
        There is one with that stamp already, or the folder cannot be written.
    """
    content = {
        "channel": plan.channel,
        "sweep": plan.stamp,
        "seconds": plan.seconds,
        "supply_v": plan.supply_v,
        "temperature_c": plan.temperature_c,
        "marks": [
            {"knob_deg": one.knob_deg, "arm_deg": one.arm_deg, "direction": one.direction}
            for one in plan.marks
        ],
    }
    text = json.dumps(content, indent=1, allow_nan=False) + "\n"
    return write_new_text(plan_path(bench, plan.channel, plan.stamp), text)


def read_plan(path: Path) -> SweepPlan:
    """Read what a sweep is to visit.

    Raises
    ------
    RecordingError
        It cannot be read, or is wrong; the key is named.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(_LIMIT + 1)
        if len(raw) > _LIMIT:
            raise _fault(path, f"holds more than {_LIMIT} bytes")
        content = json.loads(raw.decode("utf-8-sig"), parse_constant=_refuse)
    except OSError as exc:
        raise _fault(path, f"cannot be read ({exc.strerror})") from exc
    except (ValueError, RecursionError) as exc:
        raise _fault(path, f"is not right JSON ({exc})"[:160]) from exc
    return _check(path, content)


def _refuse(text: str) -> None:
    raise ValueError(f"{text} is no number")


def _fault(path: Path, found: str) -> RecordingError:
    return RecordingError(
        f"{path} {found}",
        expected="the marks of a sweep, as 'sweep' has written them",
        attempt="beginning anew with --new; the records that it made stay as they are",
    )


def _check(path: Path, content: Any) -> SweepPlan:
    """Return a plan whose every value can be used."""
    if not isinstance(content, dict):
        raise _fault(path, "holds no JSON object")
    stamp = content.get("sweep")
    if not isinstance(stamp, str) or not is_stamp(stamp) or stamp != path.stem:
        raise _fault(path, "names another sweep under 'sweep' than its own name does")
    if content.get("channel") != path.parent.name:
        raise _fault(path, "names another channel under 'channel' than its folder does")
    raw = content.get("marks")
    if not isinstance(raw, list) or not 0 < len(raw) <= MOST_MARKS:
        raise _fault(path, "has no list of marks under 'marks'")
    return SweepPlan(
        channel=content["channel"],
        stamp=stamp,
        marks=tuple(_check_mark(path, number, one) for number, one in enumerate(raw, 1)),
        seconds=_number(path, content, "seconds", 0.2, 60.0) or 2.0,
        supply_v=_number(path, content, "supply_v", 0.1, 100.0),
        temperature_c=_number(path, content, "temperature_c", -100.0, 200.0),
    )


def _check_mark(path: Path, number: int, raw: Any) -> Mark:
    if not isinstance(raw, dict):
        raise _fault(path, f"has no angle for mark {number}")
    knob_deg = _number(path, raw, "knob_deg", -_MOST_DEG, _MOST_DEG)
    arm_deg = _number(path, raw, "arm_deg", -_MOST_DEG, _MOST_DEG)
    direction = raw.get("direction")
    if (knob_deg is None) == (arm_deg is None) or direction not in ("up", "down", None):
        raise _fault(path, f"has no usable angle or way for mark {number}")
    return Mark(number, knob_deg, arm_deg, direction)


def _number(path: Path, content: dict[str, Any], key: str, low: float, high: float) -> float | None:
    value = content.get(key)
    if value is None:
        return None
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not low <= value <= high:
        raise _fault(path, f"has {str(value)[:40]!r} under '{key}'")
    return float(value)


def find_visited(plan: SweepPlan, records: Iterable[Record]) -> dict[int, Record]:
    """Return which marks of a sweep have a record.

    Parameters
    ----------
    plan : SweepPlan
        The sweep.
    records : iterable of Record
        The channel's, oldest first.

    Returns
    -------
    dict of int to Record
        By the marks' numbers; the newest record where a mark has several. What is set aside, or
        was broken off, does not count.
    """
    visited: dict[int, Record] = {}
    for record in records:
        known = record.sidecar
        if known.sweep != plan.stamp or known.set_aside is not None or known.unfinished:
            continue
        number = known.other.get("mark")
        if not isinstance(number, int) or not 1 <= number <= len(plan.marks):
            number = next(
                (
                    mark.number
                    for mark in plan.marks
                    if mark.knob_deg is not None
                    and abs(mark.knob_deg - known.knob_deg) < _SAME_DEG
                    and mark.direction == known.direction
                ),
                None,
            )
        if number is not None:
            visited[number] = record
    return visited


def find_unfinished(
    bench: Bench, channel: str, now: datetime
) -> tuple[SweepPlan, dict[int, Record]] | None:
    """Find the newest sweep of today that has marks left, one at least being recorded.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    channel : str
        The channel.
    now : datetime
        The present instant, with a time zone; its day is the one that counts, and the last
        twelve hours, so that midnight ends nothing.

    Returns
    -------
    tuple or None
        The plan, and the marks that were taken; None where there is none.

    Raises
    ------
    RecordingError, StoreError
        The newest sweep's file is wrong, or what reading the records raises.
    """
    folder = plan_path(bench, channel, "x").parent
    try:
        names = sorted((p for p in folder.iterdir() if p.suffix == _SUFFIX), reverse=True)
    except FileNotFoundError:
        return None
    except OSError as exc:
        raise store_error(exc, folder) from exc
    for path in names:
        if path.name.startswith(".") or not is_stamp(path.stem):
            continue
        began = datetime.strptime(path.stem, "%Y%m%dT%H%M%S%z")
        is_today = began.astimezone(now.tzinfo).date() == now.date()
        if not is_today and not timedelta() <= now - began < _GOES_ON:
            return None
        plan = read_plan(path)
        visited = find_visited(plan, bench.records(channel))
        if visited:
            return (plan, visited) if len(visited) < len(plan.marks) else None
    return None


class SweepLock(Closing):
    """Keeps a second sweep of a channel out while one is going on.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    channel : str
        The channel.

    Raises
    ------
    StoreError
        Another process sweeps the channel, or the folder cannot be written.

    Notes
    -----
    The system lets go of it when the process ends, however it ends.
    """

    def __init__(self, bench: Bench, channel: str) -> None:
        self._path = plan_path(bench, channel, "x").with_name(".sweep.lock")
        self._handle = -1
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            for _ in range(_ATTEMPTS):
                if self._try():
                    return
        except OSError as exc:
            raise store_error(exc, self._path) from exc
        raise StoreError(
            f"channel {channel} is being swept by another process",
            expected="one sweep of a channel at a time",
            attempt="ending that one with q, or waiting for its end",
        )

    def _try(self) -> bool:
        """Take the lock; False where another one holds it, or removed the file meanwhile."""
        handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o666)
        if lock_file(handle):
            with contextlib.suppress(OSError):
                if os.path.samestat(os.fstat(handle), self._path.stat()):
                    self._handle = handle
                    return True
        os.close(handle)
        return False

    def close(self) -> None:
        """Let others in; a second time does nothing."""
        handle, self._handle = self._handle, -1
        if handle >= 0:
            with contextlib.suppress(OSError):  # some systems keep an open file
                self._path.unlink()
            os.close(handle)
