"""What a person should know of a measurement beside its figures."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Notice"]


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing to know of a measurement.

    Attributes
    ----------
    code : str
        A short fixed word, such as ``clipping``.
    text : str
        One plain sentence: what was seen and what to try.
    spoils : bool
        Whether the figures should not be relied on because of it.
    """

    code: str
    text: str
    spoils: bool = False
