"""How large letters are, and which signs there are, in the font that comes with matplotlib."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

__all__ = ["MM_PER_POINT", "Ink", "drawable", "font", "measure_ink", "outline"]

MM_PER_POINT = 25.4 / 72.0
_FAMILY = "DejaVu Sans"


@dataclass(frozen=True, slots=True)
class Ink:
    """What a line's letters cover, from the pen's starting point, in units of the font's size.

    Attributes
    ----------
    left, bottom, right, top : float
        The ink's edges.
    """

    left: float
    bottom: float
    right: float
    top: float


def font(size_pt: float, *, bold: bool = False) -> Any:
    """Return matplotlib's description of the font.

    Parameters
    ----------
    size_pt : float
        Its size in points.
    bold : bool
        Its weight.

    Returns
    -------
    matplotlib.font_manager.FontProperties
        The font.
    """
    from matplotlib.font_manager import FontProperties

    return FontProperties(family=_FAMILY, weight="bold" if bold else "normal", size=size_pt)


@lru_cache(maxsize=4096)
def outline(text: str, *, bold: bool = False) -> Any:
    """Return the outlines of a line of text.

    Parameters
    ----------
    text : str
        Signs that the font has.
    bold : bool
        Its weight.

    Returns
    -------
    matplotlib.path.Path
        For a font of 1 unit, the pen starting at the origin; empty for blanks.
    """
    import numpy as np
    from matplotlib.path import Path
    from matplotlib.textpath import text_to_path

    points, codes = text_to_path.get_text_path(font(9.0, bold=bold), text, ismath=False)
    return Path(np.asarray(points, dtype=float).reshape(-1, 2) / text_to_path.FONT_SCALE, codes)


@lru_cache(maxsize=4096)
def measure_ink(text: str, *, bold: bool = False) -> Ink:
    """Return what a line of text covers.

    Parameters
    ----------
    text : str
        Signs that the font has.
    bold : bool
        Its weight.

    Returns
    -------
    Ink
        All zeros for blanks.
    """
    path = outline(text, bold=bold)
    points = path.vertices[path.codes != path.CLOSEPOLY]
    if not len(points):
        return Ink(0.0, 0.0, 0.0, 0.0)
    # a curve lies within its control points, which in letters stand at its very edge
    (left, bottom), (right, top) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    return Ink(left, bottom, right, top)


@lru_cache(maxsize=1)
def _known_signs() -> frozenset[int]:
    """Return the signs that the font has."""
    from matplotlib.font_manager import findfont
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(findfont(font(9.0))).get_charmap())


def drawable(text: str) -> str:
    """Put a question mark where the font has no sign.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        Of the same length.
    """
    return "".join(one if ord(one) in _known_signs() and _is_shown(one) else "?" for one in text)


def _is_shown(sign: str) -> bool:
    return sign.isprintable() or sign == "\N{NO-BREAK SPACE}"
