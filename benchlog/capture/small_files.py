"""Small text files that a person may have edited: read whole, and refused where they cannot be."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Literal

from benchlog.errors import BenchlogError

__all__ = ["Fault", "read_small_text"]

Fault = Literal["long", "coding", "unreadable"]
"""Larger than it may be; not UTF-8; not to be read at all."""


def read_small_text(path: Path, limit: int, refuse: Callable[[Fault, str], BenchlogError]) -> str:
    """Read a text file that is a few lines long.

    Parameters
    ----------
    path : Path
        The file; UTF-8, with or without a byte order mark.
    limit : int
        The most bytes that it may hold.
    refuse : callable
        Makes the error of a fault and of what was found, such as
        'is not UTF-8 text (byte 7)'.

    Returns
    -------
    str
        The text.

    Raises
    ------
    BenchlogError
        What `refuse` made; what the system said is its cause.
    """
    try:
        with path.open("rb") as file:
            content = file.read(limit + 1)
        if len(content) > limit:
            raise refuse("long", f"holds more than {limit} bytes")
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise refuse("coding", f"is not UTF-8 text (byte {exc.start})") from exc
    except (OSError, ValueError) as exc:
        reason = getattr(exc, "strerror", None) or exc
        raise refuse("unreadable", f"cannot be read ({reason})") from exc
