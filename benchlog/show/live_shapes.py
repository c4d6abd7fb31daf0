"""Shapes made of characters: large digits, the arm on its half circle, bars."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

__all__ = [
    "ASCII",
    "UNICODE",
    "Glyphs",
    "Line",
    "Span",
    "bar_rows",
    "big_number",
    "big_size",
    "draw_arm",
]

Span = tuple[str, str]
"""Text and the name of its style ('' for none)."""

Line = list[Span]


@dataclass(frozen=True, slots=True)
class Glyphs:
    """Characters that a terminal can show.

    Attributes
    ----------
    block, arc, none : str
        A filled cell, the half circle's dots, and a place without a value.
    halves : str
        Nothing, upper half, lower half, both.
    bars : str
        Nine fillings of a cell, from none to all.
    micro, degree, plus_minus, times, dash : str
        Units and signs.
    good, note, bad : str
        Marks before a verdict or a remark.
    fine : bool
        Whether half cells can be drawn.
    """

    block: str
    arc: str
    none: str
    halves: str
    bars: str
    micro: str
    degree: str
    plus_minus: str
    dash: str
    good: str
    note: str
    bad: str
    fine: bool


UNICODE = Glyphs(
    block="█",
    arc="·",
    none="·",
    halves=" ▀▄█",
    bars=" ▁▂▃▄▅▆▇█",
    micro="µs",
    degree="°",
    plus_minus="±",
    dash="─",
    good="✓",
    note="?",
    bad="!",
    fine=True,
)
ASCII = Glyphs(
    block="#",
    arc=".",
    none="_",
    halves=" ##@",
    bars=" .:-=+*%#",
    micro="us",
    degree=" deg",
    plus_minus="+-",
    dash="-",
    good="+",
    note="?",
    bad="!",
    fine=False,
)

_FONT = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    "+": ("   ", " # ", "###", " # ", "   "),
    "-": ("   ", "   ", "###", "   ", "   "),
    ".": (" ", " ", " ", " ", "#"),
}
_FONT_ROWS = 5


def big_size(text: str, across: int) -> int:
    """Return how many columns `big_number` takes, each dot `across` columns wide."""
    gap = max(1, across // 2)
    return sum(len(_FONT[one][0]) * across for one in text) + gap * (len(text) - 1)


def big_number(text: str, across: int, down: int, block: str) -> list[str]:
    """Draw a number in large digits.

    Parameters
    ----------
    text : str
        Digits, ``.``, ``+`` and ``-``.
    across, down : int
        Columns and rows of one dot.
    block : str
        What a dot is made of.

    Returns
    -------
    list of str
        Five rows times `down`, all equally long.
    """
    gap = " " * max(1, across // 2)
    rows = []
    for row in range(_FONT_ROWS):
        dots = gap.join("".join(dot * across for dot in _FONT[one][row]) for one in text)
        rows += [dots.replace("#", block)] * down
    return rows


@lru_cache(maxsize=256)
def draw_arm(columns: int, rows: int, angle_deg: float | None, fine: bool) -> tuple[str, str]:
    """Draw a half circle with an arm on it.

    Parameters
    ----------
    columns, rows : int
        The room for it.
    angle_deg : float or None
        Where the arm points: 0 to the left, 90 up, 180 to the right; None draws no arm.
    fine : bool
        Whether half cells can be drawn.

    Returns
    -------
    arm, arc : str
        Rows joined by line breaks: the arm as digits 0 to 3 (nothing, upper half, lower half,
        both), and the half circle as ``.`` and blanks.
    """
    tall = 2 * rows  # a cell is twice as tall as wide, so half cells are square
    centre_x, centre_y = (columns - 1) / 2.0, tall - 1.5
    radius = max(2.0, min(centre_x, centre_y))
    arc = [[" "] * columns for _ in range(rows)]
    steps = max(24, int(radius * 6))
    for step in range(steps + 1):
        turn = math.pi * step / steps
        x, y = centre_x - radius * math.cos(turn), centre_y - radius * math.sin(turn)
        _put(arc, round(x), int(y + 0.5) // 2, ".")
    dots = [[False] * columns for _ in range(tall)]
    if angle_deg is not None:
        _draw_line(dots, centre_x, centre_y, 0.9 * radius, math.radians(angle_deg))
    cells = []
    for row in range(rows):
        upper, lower = dots[2 * row], dots[2 * row + 1]
        cells.append("".join(str(a + 2 * b) for a, b in zip(upper, lower, strict=True)))
    if not fine:
        cells = ["".join("3" if one != "0" else "0" for one in row) for row in cells]
    return "\n".join(cells), "\n".join("".join(row) for row in arc)


def _put(grid: list[list[str]], x: int, y: int, mark: str) -> None:
    if 0 <= y < len(grid) and 0 <= x < len(grid[0]):
        grid[y][x] = mark


def _draw_line(
    dots: list[list[bool]], centre_x: float, centre_y: float, length: float, turn: float
) -> None:
    """Fill the dots near a thick line from the centre outwards, with a hub."""
    along_x, along_y = -math.cos(turn), -math.sin(turn)
    half = 0.75 if length < 16 else 1.1
    for y, row in enumerate(dots):
        for x in range(len(row)):
            away_x, away_y = x - centre_x, y - centre_y
            along = away_x * along_x + away_y * along_y
            across = abs(away_x * along_y - away_y * along_x)
            hub = math.hypot(away_x, away_y) <= 1.6 * half
            row[x] = hub or (0.0 <= along <= length and across <= half)


def bar_rows(heights: Sequence[float | None], rows: int, glyphs: Glyphs) -> list[str]:
    """Draw bars.

    Parameters
    ----------
    heights : sequence of (float or None)
        0 to 1 each; None where there is no value.
    rows : int
        Rows to draw in.
    glyphs : Glyphs
        What to draw with.

    Returns
    -------
    list of str
        From the top, one character a bar.
    """
    levels = len(glyphs.bars) - 1
    drawn = []
    for row in range(rows - 1, -1, -1):
        text = ""
        for height in heights:
            if height is None:
                text += glyphs.none if row == 0 else " "
                continue
            filled = round(min(max(height, 0.0), 1.0) * rows * levels)
            text += glyphs.bars[min(max(filled - row * levels, 0), levels)]
        drawn.append(text)
    return drawn
