"""Strict reading of a TOML text: every key is taken once, every error names its line."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Callable, Collection, Mapping
from typing import Any, NoReturn

from benchlog.errors import DesignError
from benchlog.units import format_value, parse_fraction, parse_value

__all__ = ["Entries", "read_entries"]

_HEADER = re.compile(r"""\s*\[{1,2}\s*["']?([^"'\]\s][^"'\]]*)(?:["']\s*)?\]{1,2}\s*(?:#.*)?$""")
_ASSIGNED = re.compile(r"""\s*["']?([A-Za-z0-9_\-]+)["']?(?:\s*\.\s*["']?([\w\-]+)["']?)?\s*=""")
_PLACE = re.compile(r"\(at line ([0-9]+), column [0-9]+\)")
_MISSING = object()
_LONGEST_TEXT = 1 << 16  # characters; reading TOML takes far more than linear time
_LONGEST_LINE = 1000


def _show(value: object) -> str:
    """Return a TOML value as it may stand in a file, shortened."""
    if isinstance(value, bool):
        return str(value).lower()
    try:
        shown = repr(value)
    except ValueError:  # an integer with more digits than Python converts
        return "a number with thousands of digits"
    except RecursionError:
        return "a value nested very deeply"
    return shown if len(shown) <= 60 else shown[:60] + "..."


def _find_lines(text: str) -> dict[tuple[str, str], int]:
    """Return the line of each (table, key); a table itself has the key ''."""
    lines: dict[tuple[str, str], int] = {}
    table = ""
    for number, line in enumerate(text.split("\n"), start=1):
        if header := _HEADER.match(line):
            table = header.group(1).rstrip()
            lines.setdefault((table, ""), number)
        elif assigned := _ASSIGNED.match(line):
            first, second = assigned.groups()
            place = (first, second) if second and not table else (table, first)
            lines.setdefault(place, number)
            lines.setdefault((first, ""), number)  # an inline table
    return lines


class Entries:
    """The values of one design text, to be taken key by key.

    Parameters
    ----------
    values : mapping
        What the TOML text holds.
    text : str
        The text itself.
    name : str
        What to call it in a message.
    """

    def __init__(self, values: Mapping[str, Any], text: str, name: str) -> None:
        self._values = values
        self._lines = _find_lines(text)
        self._name = name

    def refuse(self, table: str, key: str, found: str, *, expected: str, attempt: str) -> NoReturn:
        """Raise `DesignError` for a key, with the line on which it stands."""
        places = ((table, key), (table or key, ""))
        line = next((self._lines[one] for one in places if one in self._lines), None)
        place = f"{self._name}, line {line}" if line else self._name
        raise DesignError(f"{place}: {found}", expected=expected, attempt=attempt)

    def refuse_value(
        self, table: str, key: str, value: object, *, expected: str, attempt: str
    ) -> NoReturn:
        """Raise `DesignError` for the value of a key."""
        full = f"{table}.{key}" if table else key
        self.refuse(table, key, f"{full} = {_show(value)}", expected=expected, attempt=attempt)

    def check_keys(self, known: Mapping[str, Collection[str]]) -> None:
        """Refuse unknown tables and keys; `known` has the keys of each table, '' the top."""
        tables = [name for name in known if name]
        for name, value in self._values.items():
            if name in known[""]:
                continue
            if name not in tables:
                self._refuse_unknown(name, "", name, [*known[""], *tables], known)
            if not isinstance(value, dict):
                self.refuse_value(
                    "", name, value, expected=f"a table [{name}]", attempt=f"a line [{name}]"
                )
            for key in value:
                if key not in known[name]:
                    self._refuse_unknown(f"{name}.{key}", name, key, list(known[name]), known)

    def _refuse_unknown(
        self,
        full: str,
        table: str,
        key: str,
        choices: list[str],
        known: Mapping[str, Collection[str]],
    ) -> NoReturn:
        """Refuse a key, with the nearest known one."""
        near = difflib.get_close_matches(key.lower(), choices, n=1)
        elsewhere = [one for one, keys in known.items() if one and key in keys]
        if near:
            attempt = f"{near[0]!r} in its place"
        elif elsewhere:
            attempt = f"moving it below [{elsewhere[0]}]"
        else:
            attempt = "taking it out, or a # before it to keep it as a note"
        known_here = f"in [{table}] " if table else ""
        self.refuse(
            table,
            key,
            f"unknown key {_show(full)}",
            expected=f"{known_here}one of {', '.join(choices)}",
            attempt=attempt,
        )

    def take(self, table: str, key: str, default: Any = _MISSING, *, example: str = "") -> Any:
        """Return the raw value of a key; `default` where it is left out, if it may be."""
        holder = self._values.get(table, {}) if table else self._values
        if key not in holder and default is _MISSING:
            self._refuse_missing(table, key, example)
        return holder.get(key, default)

    def _refuse_missing(self, table: str, key: str, example: str) -> NoReturn:
        """Refuse that a required key is left out."""
        full = f"{table}.{key}" if table else key
        below = f" below [{table}]" if table else " at the top"
        self.refuse(
            table,
            "",
            f"{full} is missing",
            expected=f"a value for {full}",
            attempt=f"a line '{key} = {example}'{below}",
        )

    def take_value(
        self,
        table: str,
        key: str,
        unit: str,
        limits: tuple[float, float],
        default: Any = _MISSING,
        *,
        example: str,
    ) -> float:
        """Return an engineering value in `unit` within `limits` (both may be reached)."""
        raw = self.take(table, key, default, example=example)
        return self.read_value(table, key, raw, raw, unit, limits, example=example)

    def read_value(
        self,
        table: str,
        key: str,
        shown: object,
        raw: object,
        unit: str,
        limits: tuple[float, float],
        *,
        example: str,
    ) -> float:
        """Return `raw` as a value in `unit` within `limits`; a message tells `shown`."""
        low, high = limits
        expected = f"a value from {format_value(low, unit)} to {format_value(high, unit)}"
        try:
            value = parse_value(raw, unit)  # type: ignore[arg-type]
        except ValueError as exc:
            expected = str(exc).rpartition(" is not ")[2] or expected
            value = math.nan
        if not low <= value <= high:
            self.refuse_value(table, key, shown, expected=expected, attempt=f"{key} = {example}")
        return value

    def take_fraction(self, table: str, key: str, default: float) -> float:
        """Return a tolerance as a fraction."""
        raw = self.take(table, key, default)
        try:
            return parse_fraction(raw)
        except ValueError:
            self.refuse_value(
                table,
                key,
                raw,
                expected="a tolerance from 0 to below 100 %",
                attempt=f'{key} = "5%"',
            )

    def take_number(
        self,
        table: str,
        key: str,
        limits: tuple[float, float],
        default: Any = _MISSING,
        *,
        example: str,
    ) -> float:
        """Return a plain number within `limits` (both may be reached)."""
        raw = self.take(table, key, default, example=example)
        low, high = limits
        good = isinstance(raw, int | float) and not isinstance(raw, bool) and low <= raw <= high
        if not good:
            self.refuse_value(
                table,
                key,
                raw,
                expected=f"a number from {low:g} to {high:g}, without quotes",
                attempt=f"{key} = {example}",
            )
        return float(raw)

    def take_choice(self, table: str, key: str, choices: Collection[str], default: Any) -> str:
        """Return one of some words."""
        raw = self.take(table, key, default)
        if not isinstance(raw, str) or raw not in choices:
            lower = {one.lower(): one for one in choices}
            word = _show(raw).strip("'").lower()
            near = difflib.get_close_matches(word, lower, n=1) or list(lower)
            self.refuse_value(
                table,
                key,
                raw,
                expected="one of " + ", ".join(f'"{one}"' for one in choices),
                attempt=f'{key} = "{lower[near[0]]}"',
            )
        return raw

    def checked(self, table: str, key: str, raw: object, read: Callable[[Any], Any]) -> Any:
        """Return ``read(raw)``; a `DesignError` of it is told with the key's line."""
        try:
            return read(raw)
        except DesignError as exc:
            self.refuse(table, key, exc.found, expected=exc.expected, attempt=exc.attempt)


def _check_length(text: str, name: str) -> None:
    """Refuse a text that no person wrote."""
    if len(text) > _LONGEST_TEXT:
        raise DesignError(
            f"{name} holds {len(text)} characters",
            expected=f"some lines, {_LONGEST_TEXT} characters at most",
            attempt="the name of the channel's design.toml",
        )
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > _LONGEST_LINE:
            raise DesignError(
                f"{name}, line {number}: {len(line)} characters in a line",
                expected=f"{_LONGEST_LINE} at most",
                attempt="shorter lines",
            )


def read_entries(text: str, name: str) -> Entries:
    """Read a TOML text.

    Parameters
    ----------
    text : str
        The text.
    name : str
        What to call it in a message.

    Returns
    -------
    Entries
        Its values.

    Raises
    ------
    DesignError
        It is no TOML, or longer than 64 Ki characters or 1000 in a line; the message names the
        line.
    """
    plain = text.removeprefix("\ufeff").replace("\r\n", "\n")
    _check_length(plain, name)
    try:
        values = tomllib.loads(plain)
    except RecursionError:
        fault, line = "brackets nested too deep", None
    except ValueError as exc:
        place = _PLACE.search(str(exc))
        line = int(place.group(1)) if place else None
        fault = _PLACE.sub("", str(exc)).strip()
        if "Cannot overwrite" in fault or "Cannot declare" in fault:
            fault = "a key or table that stands there twice"
    else:
        return Entries(values, plain, name)
    if line is None:
        line = plain.count("\n") + 1
    words = plain.split("\n")[min(line, plain.count("\n") + 1) - 1].strip()[:60]
    raise DesignError(
        f"{name}, line {line}: {words!r} cannot be read as TOML ({fault})",
        expected='lines such as r_on = "33k" below a table such as [timer], each key once',
        attempt="quotes around values with letters, and no line twice",
    )
