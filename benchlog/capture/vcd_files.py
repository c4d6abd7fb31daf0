"""Value change dumps (IEEE Std 1364-2005, clause 18): read with pyvcd, one signal of one bit.

The value a dump begins with is the level at the start, not an edge; a signal
of which nothing is said before its first change, later than time 0, begins with
the opposite level. ``x`` and ``z`` are no level: the stretch in which a signal has none
becomes a gap.
"""

from __future__ import annotations

import itertools
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import RawIOBase
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from benchlog.capture.edge_series import EdgeSeries
from benchlog.capture.new_files import store_error
from benchlog.errors import RecordingError
from benchlog.recording import EdgeList, Gap

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from vcd.reader import Token

__all__ = ["read_vcd", "write_vcd"]

_UNIT_EXPONENTS = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}
_ITEM_LIMIT = 1 << 20
_LEVELS = {"0": False, "l": False, "1": True, "h": True, 0: False, 1: True}
_MOST_ENDS = 16
_MOST_SIGNALS = 100_000
_DEEPEST = 100
_LONGEST_NAME = 1000
_MOST_NAMES = 8
_NO_BIT_TYPES = ("real", "realtime", "event", "string", "parameter")


def read_vcd(path: Path, *, signal: str | None = None) -> EdgeList:
    """Read one signal of a VCD file.

    Parameters
    ----------
    path : Path
        A VCD file.
    signal : str, optional
        The signal's reference name or its full path, ``stage.pulse``. Needed where
        the file has several of one bit.

    Returns
    -------
    EdgeList
        Seconds on the file's own time scale; one tick is the resolution.

    Raises
    ------
    RecordingError
        The file is no VCD, has no time scale, its time runs back, the signal is
        not there or not of one bit, or it never changes.
    """
    try:
        with path.open("rb", buffering=0) as file:
            bounded = _Bounded(file, str(path))
            return _read_tokens(bounded, path, signal)
    except OSError as exc:
        raise RecordingError(
            f"{path} cannot be read ({exc.strerror or exc})",
            expected="a VCD file",
            attempt="checking the name",
        ) from exc


class _Bounded(RawIOBase):
    """A stream that refuses to hand over very much for a single item of the dump."""

    def __init__(self, file: Any, name: str) -> None:
        self._file = file
        self._name = name
        self._given = 0
        self._ends = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        if self._given > _ITEM_LIMIT:
            raise _fault(self._name, f"has an item of more than {_ITEM_LIMIT} bytes")
        count = int(self._file.readinto(buffer) or 0)
        self._given += count
        if count == 0:
            # Told of the end, the parser may ask again, within some items for ever.
            self._ends += 1
            if self._ends > _MOST_ENDS:
                raise _fault(self._name, "ends in the middle of an item")
        return count

    def next_item(self) -> None:
        self._given = 0


@dataclass(slots=True)
class _Declared:
    """What the dump's header says."""

    scale: tuple[int, int] | None = None
    names: dict[str, list[str]] = field(default_factory=dict)
    sizes: dict[str, int] = field(default_factory=dict)
    scope: list[str] = field(default_factory=list)
    ended: bool = False


def _fault(
    name: str, found: str, expected: str = "a value change dump after IEEE 1364"
) -> RecordingError:
    return RecordingError(
        f"{name} {found}", expected=expected, attempt="exporting it again from the recorder as VCD"
    )


def _tokens(stream: _Bounded, name: str) -> Iterator[Token]:
    """Iterate over the dump's items with every foreign error translated."""
    from vcd.reader import VCDParseError, tokenize

    try:
        for token in tokenize(stream):
            stream.next_item()
            yield token
    except VCDParseError as exc:
        raise _fault(name, f"is no right VCD at line {exc.loc.line} ({exc})") from exc
    except (UnicodeDecodeError, ValueError, IndexError) as exc:
        raise _fault(name, f"is no right VCD ({exc})") from exc


def _read_tokens(stream: _Bounded, path: Path, signal: str | None) -> EdgeList:
    name = str(path)
    tokens = _tokens(stream, name)
    declared = _read_header(tokens, name)
    if declared.scale is None:
        raise _fault(name, "has no $timescale", "$timescale such as 1 us, before the changes")
    id_code = _choose_signal(declared, signal, name)
    series, first, last = _read_changes(tokens, id_code, name)
    label = declared.names[id_code][0]
    if not len(series):
        raise RecordingError(
            f"{name} holds no change of the signal {label}",
            expected="pulses",
            attempt="checking that the recorder was on the output pin, and recording again",
        )
    magnitude, exponent = declared.scale

    def seconds(ticks: NDArray[np.int64] | int) -> Any:
        # A power of ten up to 1e15 is exact in binary, so this rounds but once.
        return np.asarray(ticks, dtype=np.float64) * magnitude / 10.0**exponent

    time_s = seconds(series.ticks())
    if not (np.diff(time_s) > 0).all():
        raise _fault(name, f"has changes too close together for times of {time_s[-1]:g} s")
    return EdgeList(
        time_s=time_s,
        level=series.levels(),
        resolution_s=float(seconds(1)),
        start_s=float(seconds(first)),
        end_s=float(seconds(last)),
        gaps=tuple(
            Gap(float(seconds(start - first)), float(seconds(end - start)))
            for start, end in series.gaps
        ),
        name=label,
    )


def _read_header(tokens: Iterator[Token], name: str) -> _Declared:
    declared = _Declared()
    for token in tokens:
        kind = token.kind.name
        if kind == "TIMESCALE":
            declared.scale = _scale_of(token, name)
        elif kind == "SCOPE":
            _enter(declared, token, name)
        elif kind == "UPSCOPE":
            if declared.scope:
                declared.scope.pop()
        elif kind == "VAR":
            _declare(declared, token, name)
        elif kind == "ENDDEFINITIONS":
            declared.ended = True
            break
        elif kind.startswith("CHANGE"):
            raise _fault(name, f"has a change before $enddefinitions, line {token.span.start.line}")
    if not declared.ended:
        raise _fault(name, "ends within its header", "$enddefinitions and value changes")
    return declared


def _enter(declared: _Declared, token: Token, name: str) -> None:
    declared.scope.append(token.scope.ident)
    if len(declared.scope) > _DEEPEST:
        raise _fault(name, f"has scopes nested deeper than {_DEEPEST}")


def _scale_of(token: Token, name: str) -> tuple[int, int]:
    magnitude, unit = token.timescale.magnitude, token.timescale.unit.value
    if not 1 <= magnitude <= 1000 or unit not in _UNIT_EXPONENTS:
        raise _fault(
            name, f"has the time scale {magnitude} {unit}", "1, 10 or 100 s, ms, us, ns, ps or fs"
        )
    return magnitude, _UNIT_EXPONENTS[unit]


def _declare(declared: _Declared, token: Token, name: str) -> None:
    var = token.var
    path = ".".join([*(part for part in declared.scope if part), var.ref_str])
    if len(path) > _LONGEST_NAME:
        found = f"declares a signal whose path has {len(path)} characters"
        raise _fault(name, found, f"at most {_LONGEST_NAME}")
    if len(declared.sizes) >= _MOST_SIGNALS:
        raise _fault(name, f"declares more than {_MOST_SIGNALS} signals", "the pulse alone")
    declared.names.setdefault(var.id_code, []).append(path)
    declared.sizes[var.id_code] = 0 if var.type_.value in _NO_BIT_TYPES else var.size


def _choose_signal(declared: _Declared, signal: str | None, name: str) -> str:
    """Return the id code of the signal that is meant."""
    bits = [code for code, size in declared.sizes.items() if size == 1]
    listed = _listed([declared.names[code][0] for code in bits])
    if signal is None:
        if len(bits) == 1:
            return bits[0]
        if not bits:
            raise _fault(name, "declares no signal of one bit", "a signal of one bit")
        raise RecordingError(
            f"{name} holds {len(bits)} signals",
            expected=f"one of them to be named: {listed}",
            attempt=f"--signal {declared.names[bits[0]][0]}",
        )
    full = [code for code, paths in declared.names.items() if signal in paths]
    found = full or [
        code for code, paths in declared.names.items() if any(_is_named(p, signal) for p in paths)
    ]
    if len(found) == 1 and declared.sizes[found[0]] == 1:
        return found[0]
    if len(found) > 1:
        raise RecordingError(
            f"{name} holds {len(found)} signals named {signal}",
            expected="the full path: " + _listed([declared.names[code][0] for code in found]),
            attempt=f"--signal {declared.names[found[0]][0]}",
        )
    what = f"the signal {signal}, which is not of one bit" if found else f"no signal {signal}"
    raise RecordingError(
        f"{name} holds {what}",
        expected=f"one of {listed}" if bits else "a signal of one bit",
        attempt=f"--signal {declared.names[bits[0]][0]}" if bits else "exporting the pulse alone",
    )


def _is_named(path: str, signal: str) -> bool:
    """Tell whether `signal` is the path's last part, with or without its bit index."""
    return path.endswith("." + signal) or re.sub(r"\[[^]]*\]$", "", path).endswith("." + signal)


def _listed(names: list[str]) -> str:
    shown = ", ".join(names[:_MOST_NAMES])
    return shown + (f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else "")


def _read_changes(tokens: Iterator[Token], id_code: str, name: str) -> tuple[EdgeSeries, int, int]:
    """Return the edges, the first time stamp and the last one."""
    series = EdgeSeries()
    first: int | None = None
    now = 0
    spoken = False
    for token in tokens:
        kind = token.kind.name
        if kind == "CHANGE_TIME":
            time = token.time_change
            if time < now:
                at = f"line {token.span.start.line}"
                raise _fault(
                    name, f"has time that runs back from #{now} to #{time}, {at}", "ascending times"
                )
            if time >= 1 << 62:
                raise _fault(name, f"has the time #{time}", "times below 2**62")
            now = time
            first = now if first is None else first
        elif kind.startswith("DUMP"):
            spoken = True  # what a dump block says is how things stand, no change
        elif kind in ("CHANGE_SCALAR", "CHANGE_VECTOR") and token.data.id_code == id_code:  # type: ignore[union-attr]
            value = token.data.value  # type: ignore[union-attr]
            level = _LEVELS.get(value.lower() if isinstance(value, str) else value)
            _take(series, now, level, spoken)
            spoken = True
    start = first or 0
    if len(series):  # what changes before the first time stamp does so at time 0
        start = min(start, int(series.ticks()[0]))
    return series, start, now


def _take(series: EdgeSeries, now: int, level: bool | None, spoken: bool) -> None:
    if level is None:
        series.lose(now)
        return
    if not spoken and now > 0:
        series.begin(not level)
    series.change(now, level)


def write_vcd(path: Path, edges: EdgeList) -> None:
    """Write an edge list as a new VCD file with one signal of one bit.

    Parameters
    ----------
    path : Path
        A file that is not there yet.
    edges : EdgeList
        Times from 0 up. The time scale is the coarsest of IEEE 1364's that holds a whole
        number of ticks in `edges.resolution_s`, 1 ps where that is not known.

    Raises
    ------
    ValueError
        A time lies before 0, or two edges within one tick.
    StoreError
        The file is there already or cannot be written.
    """
    from vcd import VCDWriter

    magnitude, exponent = _fit_scale(edges.resolution_s)
    unit = next(unit for unit, power in _UNIT_EXPONENTS.items() if power == exponent)

    def tick(time_s: float) -> int:
        return round(time_s * 10.0**exponent / magnitude)

    ticks = [tick(float(time_s)) for time_s in edges.time_s]
    if ticks and (ticks[0] < 0 or any(b <= a for a, b in itertools.pairwise(ticks))):
        raise ValueError(f"edges must ascend from 0 by at least one tick of {magnitude} {unit}")
    start = max(0, min([tick(edges.start_s), *ticks[:1]]))
    before = not bool(edges.level[0]) if ticks else False
    try:
        with path.open("x", encoding="ascii", newline="\n") as file:
            writer = VCDWriter(file, timescale=f"{magnitude} {unit}", date="", init_timestamp=start)
            label = re.sub(r"[^A-Za-z0-9_]", "_", edges.name) or "pulse"
            label = label if label[0].isalpha() else "_" + label
            variable = writer.register_var("bench", label, "wire", size=1, init=int(before))
            writer.flush()
            for time, level in zip(ticks, edges.level, strict=True):
                writer.change(variable, time, int(level))
            writer.close(max([start, tick(edges.end_s), *ticks[-1:]]))
            file.flush()
            os.fsync(file.fileno())
    except OSError as exc:
        raise store_error(exc, path) from exc


def _fit_scale(resolution_s: float) -> tuple[int, int]:
    """Return magnitude and negative power of ten of the time scale that suits a resolution."""
    if resolution_s > 0:
        for exponent in (0, 3, 6, 9, 12):
            for magnitude in (100, 10, 1):
                ticks = resolution_s * 10.0**exponent / magnitude
                if round(ticks) >= 1 and abs(ticks - round(ticks)) < 1e-9 * ticks:
                    return magnitude, exponent
    return 1, 12
