"""Typed words as a message may hold them: on one line, and not too long."""

from __future__ import annotations

from benchlog.errors import one_line

__all__ = ["quote"]

_LONGEST = 60  # characters


def quote(text: str) -> str:
    """Return a text in quotes, on one line, cut where it is long.

    Parameters
    ----------
    text : str
        What was typed.

    Returns
    -------
    str
        Such as ``'33k'``.
    """
    plain = one_line(text.strip())
    return f"'{plain[:_LONGEST]}...'" if len(plain) > _LONGEST else f"'{plain}'"
