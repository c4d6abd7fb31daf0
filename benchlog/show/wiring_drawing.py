"""A divider as a drawing in the terminal, and the same in sentences."""

from __future__ import annotations

from benchlog.channel.divider import Divider
from benchlog.units import format_value

__all__ = ["WIDE", "draw_divider", "name_contacts", "show_ohm", "wiring_sentences"]

WIDE = 72
"""Columns that the lying drawing needs; on a narrower screen it stands."""

_TO_ASCII = str.maketrans("─│┬┴├▼▲", "-|+++V^")


def draw_divider(divider: Divider, width: int, *, ascii_only: bool = False) -> list[str]:
    """Draw the divider.

    Parameters
    ----------
    divider : Divider
        The divider.
    width : int
        Columns of the screen, 40 or more.
    ascii_only : bool
        For a screen that shows nothing else.

    Returns
    -------
    list of str
        Lines, none longer than `width`.
    """
    draw = _draw_lying if width >= WIDE else _draw_standing
    boxes = [f"[ {show_ohm(ohm)} ]" for ohm in (divider.series_ohm, divider.lower_ohm)]
    if ascii_only:
        boxes = [box.replace("Ω", "ohm") for box in boxes]
    lines = draw(divider, *boxes)
    return [line.translate(_TO_ASCII) for line in lines] if ascii_only else lines


def show_ohm(ohm: float) -> str:
    """Write a resistance in ohms with its prefix."""
    return format_value(ohm, "ohm", 3)


def name_contacts(divider: Divider) -> tuple[str, str]:
    """Name the plug's signal and ground contacts of a divider."""
    if divider.kind.name == "headset":
        return "microphone", "ground"
    return "tip", "sleeve"


def _draw_lying(divider: Divider, series: str, lower: str) -> list[str]:
    """Draw it from left to right."""
    signal, ground = name_contacts(divider)
    top = f"  pin 3, output  o───{series}────"
    bottom = "  pin 1, ground  o"
    node = len(top)  # where the lower resistor hangs
    down, up = node + 9, node + 14  # the clamp's two strings
    posts = (node, down, up) if divider.clamp_diodes else (node,)
    end = node + 22
    rows = [_posts(posts) for _ in range(max(divider.clamp_diodes, 1) + 2)]
    rows[1] = _put(rows[1], node - len(lower) // 2, lower)
    if divider.clamp_diodes:
        for row in range(1, divider.clamp_diodes + 1):
            rows[row] = _put(_put(rows[row], down, "▼"), up, "▲")
        rows[1] = _put(rows[1], up + 3, "1N4148")
    return [
        _put("  timer", end, "plug"),
        _lead(top, posts, end, "┬", signal),
        *rows,
        _lead(bottom, posts, end, "┴", ground),
    ]


def _put(line: str, at: int, text: str) -> str:
    """Lay a text over a line from a column on."""
    padded = line.ljust(at)
    return padded[:at] + text + padded[at + len(text) :]


def _posts(places: tuple[int, ...]) -> str:
    """Write a line of uprights."""
    line = ""
    for place in places:
        line = _put(line, place, "│")
    return line


def _lead(head: str, places: tuple[int, ...], end: int, joint: str, tail: str) -> str:
    """Write a lead from `head` to the plug, with joints."""
    line = head.ljust(end, "─")
    for place in places:
        line = _put(line, place, joint)
    return f"{line}o  {tail}"


def _draw_standing(divider: Divider, series: str, lower: str) -> list[str]:
    """Draw it from top to bottom, 40 columns at most."""
    signal, ground = name_contacts(divider)
    node, down, up = 7, 17, 21
    posts = (down, up) if divider.clamp_diodes else ()
    end = 24 if posts else 11
    rows = [_posts((node, *posts)) for _ in range(max(divider.clamp_diodes, 1))]
    for row in range(divider.clamp_diodes):
        rows[row] = _put(_put(rows[row], down, "▼"), up, "▲")
    rows[0] = _put(rows[0], node - len(lower) // 2, lower)
    if posts:
        rows[0] = _put(rows[0], up + 3, "1N4148")
    upright = _posts((node,))
    return [
        "  timer pin 3, output",
        upright,
        _put("", node - len(series) // 2, series),
        upright,
        _lead(_put("", node, "├"), posts, end, "┬", f"plug: {signal}"),
        *rows,
        _lead(_put("", node, "├"), posts, end, "┴", f"plug: {ground}"),
        upright,
        "  timer pin 1, ground",
    ]


def wiring_sentences(divider: Divider) -> list[str]:
    """Say in words what the drawing shows.

    Parameters
    ----------
    divider : Divider
        The divider.

    Returns
    -------
    list of str
        One sentence a connection.
    """
    signal, ground = name_contacts(divider)
    series, lower = show_ohm(divider.series_ohm), show_ohm(divider.lower_ohm)
    sentences = [
        f"From the timer's pin 3, its output, {series} to the plug's {signal}.",
        f"From the plug's {signal} to the plug's {ground}, {lower}.",
        f"From the timer's pin 1, ground, a wire to the plug's {ground}.",
    ]
    if divider.clamp_diodes:
        sentences.insert(2, _clamp_sentence(divider))
    return sentences


def _clamp_sentence(divider: Divider) -> str:
    """Say what the clamp is made of."""
    count = divider.clamp_diodes
    what = "one 1N4148" if count == 1 else f"{count} 1N4148 in series"
    signal, ground = name_contacts(divider)
    return (
        f"Beside that resistor the clamp: {what} with the bars towards the {ground}, and as many "
        f"with the bars towards the {signal}."
    )
