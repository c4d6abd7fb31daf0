"""Results as the JSON that the commands promise: units in the key names, microseconds, no NaN."""

from __future__ import annotations

import json
import math
from typing import Any

from benchlog.show.terminal import write_out

__all__ = ["in_microseconds", "known_microseconds", "write_json"]


def write_json(content: dict[str, Any]) -> None:
    """Write one JSON object and a line break to standard output.

    Parameters
    ----------
    content : dict
        The object; every number in it finite.

    Raises
    ------
    ValueError
        A number is not finite: that is a mistake of the program.
    StoreError
        Standard output cannot take it.
    """
    write_out(json.dumps(content, indent=2, allow_nan=False) + "\n")


def in_microseconds(seconds: float) -> float:
    """Return seconds as microseconds, rounded to a picosecond.

    Parameters
    ----------
    seconds : float
        Any finite time.

    Returns
    -------
    float
        Microseconds.

    Raises
    ------
    ValueError
        `seconds` is not finite.
    """
    if not math.isfinite(seconds):
        raise ValueError(f"seconds must be finite, got {seconds}")
    return round(float(seconds) * 1e6, 6)


def known_microseconds(seconds: float | None) -> float | None:
    """Return seconds as microseconds where they are known.

    Parameters
    ----------
    seconds : float or None
        As for `in_microseconds`, None where it is not known.

    Returns
    -------
    float or None
        Microseconds, None for None.

    Raises
    ------
    ValueError
        `seconds` is not finite.
    """
    return None if seconds is None else in_microseconds(seconds)
