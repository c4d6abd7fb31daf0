"""The live picture laid out for a screen of any size: the arm and the number first.

Every line is no wider than the screen. What does not fit is left out in the order of its worth:
number, verdict and remarks stay longest, then the arm, period, jitter and the strip.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

from rich.cells import cell_len, set_cell_size

from benchlog.errors import one_line
from benchlog.show.live_lines import (
    absence,
    jitter_lines,
    line_width,
    longest,
    period_line,
    quiet_lines,
    remark_lines,
    remark_spans,
    sized,
    strip_lines,
    verdict_line,
)
from benchlog.show.live_picture import (
    LivePicture,
    Panel,
    expanded_us,
)
from benchlog.show.live_shapes import (
    Glyphs,
    Line,
    Span,
    big_number,
    big_size,
    draw_arm,
)

__all__ = ["KEYS", "lay_out", "line_width"]

KEYS = "h hold  z zero  m mark  r record  q quit"
"""What the keys do, as the screen says it."""

_SIDE_BY_SIDE = 72
_NARROWEST = 38
_MESSAGE_ROWS = 4
_SCALES = ((4, 2), (3, 2), (2, 1), (1, 1))


def lay_out(picture: LivePicture, width: int, height: int, glyphs: Glyphs) -> list[Line]:
    """Lay the picture out.

    Parameters
    ----------
    picture : LivePicture
        What to show.
    width, height : int
        The screen, at least 1 each.
    glyphs : Glyphs
        What to draw with.

    Returns
    -------
    list of Line
        `height` lines, none wider than `width`.
    """
    lines = [_header(picture, width)]
    footer = _footer(picture, width)
    body = max(0, height - 1 - len(footer))
    lines += _fill(_arrange(picture, width, max(0, height - 2), glyphs), body)
    lines += footer
    return [_cut(line, width) for line in _fill(lines, height)]


def _header(picture: LivePicture, width: int) -> Line:
    """Say what is watched, and what state the view is in."""
    state: Span = {
        "live": (" live ", "strong"),
        "held": (f" HELD {picture.held_s:.0f} s ", "note-block"),
        "unplugged": (" UNPLUGGED, waiting ", "bad-block"),
        "ended": (" ended ", "strong"),
    }[picture.status]
    room = max(0, width - cell_len(state[0]))
    return [(sized(f"watch {one_line(picture.source)}", room), "faint"), state]


def _footer(picture: LivePicture, width: int) -> list[Line]:
    """Tell the news, on a few lines if need be, or what the keys do."""
    if picture.message:
        rows = textwrap.wrap(one_line(picture.message), max(width, 8))[:_MESSAGE_ROWS]
        return [[(sized(row, width), "note-block")] for row in rows]
    if not picture.has_keys:
        return [[("Ctrl-C ends it", "faint")]]
    return [[(longest((KEYS, "h hold z zero m mark r rec q quit", "q quit"), width), "faint")]]


def _arrange(picture: LivePicture, width: int, height: int, glyphs: Glyphs) -> list[Line]:
    """Place the panels in columns and rows."""
    count = len(picture.panels)
    if count == 0:
        return [[("waiting for the first samples", "strong")]]
    columns = max(1, min(count, width // _NARROWEST))
    rows = math.ceil(count / columns)
    each = height // rows
    if each < 2:
        return [_one_line(panel, picture, width, glyphs) for panel in picture.panels]
    if columns == 1:
        lines: list[Line] = []
        for panel in picture.panels:
            lines += _fill(_panel(panel, picture, width, each, glyphs), each)
        return lines
    across = (width - 2 * (columns - 1)) // columns
    lines = []
    for row in range(rows):
        part = picture.panels[row * columns : (row + 1) * columns]
        drawn = [_fill(_panel(one, picture, across, each, glyphs), each) for one in part]
        lines += [_beside(cells, across) for cells in zip(*drawn, strict=True)]
    return lines


def _beside(cells: Sequence[Line], across: int) -> Line:
    """Join lines of several panels into one."""
    joined: Line = []
    for index, cell in enumerate(cells):
        if index:
            joined.append(("  ", ""))
        line = _cut(cell, across)
        joined += [*line, (" " * (across - line_width(line)), "")]
    return joined


def _one_line(panel: Panel, picture: LivePicture, width: int, glyphs: Glyphs) -> Line:
    """Show an input on one line."""
    line: Line = [(sized(one_line(panel.title), 12) + " ", "strong")]
    if panel.width is None:
        return [*line, (absence(panel, picture), "bad")]
    line.append((f"{_number(panel)} {glyphs.micro}", "strong"))
    line.append((f"  arm {panel.arm_deg:.1f}{glyphs.degree}  ", ""))
    remarks = remark_spans(panel, glyphs, width)
    return [*line, *(remarks or verdict_line(panel, glyphs, width))]


def _panel(
    panel: Panel, picture: LivePicture, width: int, height: int, glyphs: Glyphs
) -> list[Line]:
    """Draw one input."""
    title = _title(panel, picture, width)
    if panel.width is None:
        return [title, *quiet_lines(panel, picture, width, height - 1, glyphs)]
    wide = width >= _SIDE_BY_SIDE
    spare = height - 1
    tail = remark_lines(panel, glyphs, width, 1 if spare < 14 else 2)
    tail = [verdict_line(panel, glyphs, width), *tail][: max(0, spare - 1)]
    optional = [
        [period_line(panel, width)],
        jitter_lines(panel, width, _chart_rows(wide, height), glyphs),
        strip_lines(panel, width, _chart_rows(wide, height), glyphs),
    ]
    least = 10 if wide else 12  # rows that the arm and the number want for themselves
    for lines in optional:
        if spare - len(tail) - len(lines) >= min(least, 7 if height < 14 else least):
            tail += lines
    room = spare - len(tail)
    draw = _main_beside if wide else _main_stacked
    return [title, *_fill(draw(panel, width, room, glyphs), room), *tail]


def _chart_rows(wide: bool, height: int) -> int:
    """Return how many rows a chart gets."""
    if not wide:
        return 1 if height < 24 else 3
    return 3 if height < 30 else 6


def _title(panel: Panel, picture: LivePicture, width: int) -> Line:
    """Name the input, and say how old the reading is."""
    age = ""
    if panel.age_s is not None:
        age = f" {panel.age_s:.1f} s ago" if panel.age_s < 99.95 else f" {panel.age_s:.0f} s ago"
    late = panel.age_s is not None and panel.age_s > 2.0 and picture.status != "held"
    room = max(0, width - cell_len(age))
    name = panel.title
    if not name.startswith("input "):
        name = f"{name}, input {panel.reading.input}"
    return [(sized(one_line(name), room), "title"), (age, "note" if late else "faint")]


def _number(panel: Panel) -> str:
    """Return the number that leads: the pulse, or its change from zero, in microseconds."""
    width = panel.width
    assert width is not None
    digits = 1 if expanded_us(width) < 10 else 0
    if panel.zero_s is not None:
        return f"{(width.mean_s - panel.zero_s) * 1e6:+.{digits}f}"
    return f"{width.mean_s * 1e6:.{digits}f}"


def _captions(panel: Panel, glyphs: Glyphs, with_arm: bool) -> list[str]:
    """Return what stands below the number, the longer wording first."""
    width = panel.width
    assert width is not None
    spread_us = expanded_us(width)
    unsure = f"{glyphs.plus_minus} {spread_us:.{1 if spread_us >= 0.095 else 2}f}"
    arm = f"  arm {panel.arm_deg:.1f}{glyphs.degree}" if with_arm else ""
    if panel.zero_s is None:
        return [f"{glyphs.micro} {unsure}{arm}", f"{glyphs.micro} {unsure}"]
    now_us = width.mean_s * 1e6
    return [
        f"{glyphs.micro} changed since zero, now {now_us:.1f} {unsure} {glyphs.micro}",
        f"{glyphs.micro} changed, now {now_us:.1f} {unsure}",
    ]


def _number_lines(
    panel: Panel, width: int, rows: int, glyphs: Glyphs, *, with_arm: bool = False
) -> list[Line]:
    """Draw the number as large as there is room for, its caption below."""
    text = _number(panel)
    captions = _captions(panel, glyphs, with_arm)
    caption = longest(captions, width)
    for across, down in _SCALES:
        if big_size(text, across) <= width and 5 * down + 1 <= rows:
            drawn = big_number(text, across, down, glyphs.block)
            return [*([(row, "number")] for row in drawn), [(caption, "strong")]]
    return [[(f"{text} {caption}", "number")]]


def _arm_lines(panel: Panel, width: int, rows: int, glyphs: Glyphs) -> list[Line]:
    """Draw the arm on its half circle, its angle below."""
    low_deg, high_deg = sorted((panel.servo.angle_min_deg, panel.servo.angle_max_deg))
    angle_deg = panel.arm_deg
    assert angle_deg is not None
    swing_deg = high_deg - low_deg
    middle_deg = 0.5 * (low_deg + high_deg)
    shown = 90.0 + (angle_deg - middle_deg) * min(1.0, 180.0 / max(swing_deg, 1e-9))
    columns = min(width, 4 * (rows - 1))
    arm, arc = draw_arm(columns, rows - 1, round(shown), glyphs.fine)
    lines = [
        _arm_row(cells, dots, glyphs)
        for cells, dots in zip(arm.split("\n"), arc.split("\n"), strict=True)
    ]
    return [*lines, _arm_caption(panel, columns, (low_deg, high_deg), glyphs)]


def _arm_row(cells: str, dots: str, glyphs: Glyphs) -> Line:
    """Lay one row of the arm over one of the half circle."""
    line: Line = []
    for cell, dot in zip(cells, dots, strict=True):
        part = (glyphs.halves[int(cell)], "arm") if cell != "0" else (dot, "faint")
        if part[0] == ".":
            part = (glyphs.arc, part[1])
        if line and line[-1][1] == part[1]:
            line[-1] = (line[-1][0] + part[0], part[1])
        else:
            line.append(part)
    return line


def _arm_caption(panel: Panel, columns: int, ends_deg: tuple[float, float], glyphs: Glyphs) -> Line:
    """Write the arm's angle between the angles of its ends."""
    low, high = (f"{end:g}{glyphs.degree}" for end in ends_deg)
    stop = panel.end_stop
    low, high = ("STOP" if stop == "low" else low), ("STOP" if stop == "high" else high)
    angle = f"arm {panel.arm_deg:.1f}{glyphs.degree}"
    gap = columns - cell_len(low) - cell_len(angle) - cell_len(high)
    if gap < 2:
        return [(_centred(angle, columns), "strong")]
    left = gap // 2
    return [
        (low, "bad-block" if stop == "low" else "faint"),
        (" " * left, ""),
        (angle, "strong"),
        (" " * (gap - left), ""),
        (high, "bad-block" if stop == "high" else "faint"),
    ]


def _main_beside(panel: Panel, width: int, rows: int, glyphs: Glyphs) -> list[Line]:
    """Draw the arm at the left and the number beside it."""
    text = _number(panel)
    fitting = [
        scale
        for scale in _SCALES
        if 5 * scale[1] + 1 <= rows and big_size(text, scale[0]) + 26 <= width
    ]
    across = fitting[0][0] if fitting else 1
    number_width = max(big_size(text, across), 34)
    arm_width = max(20, width - number_width - 3)
    if rows < 5:
        return _number_lines(panel, width, rows, glyphs)
    arm = _arm_lines(panel, arm_width, min(rows, arm_width // 4 + 1), glyphs)
    number = _number_lines(panel, width - arm_width - 3, rows, glyphs)
    above = max(0, (rows - len(arm)) // 2)
    arm = [*([] for _ in range(above)), *arm]
    above = max(0, (rows - len(number)) // 2)
    number = [*([] for _ in range(above)), *number]
    lines = []
    for left, right in zip(_fill(arm, rows), _fill(number, rows), strict=True):
        pad = (arm_width - line_width(left)) // 2 if not left else 0
        inset = max(0, (arm_width - max(line_width(one) for one in arm)) // 2)
        padded: Line = [(" " * (inset + pad), ""), *left]
        lines.append([*padded, (" " * (arm_width + 3 - line_width(padded)), ""), *right])
    return lines


def _main_stacked(panel: Panel, width: int, rows: int, glyphs: Glyphs) -> list[Line]:
    """Draw the number, and the arm below it."""
    arm_rows = rows - 6
    if arm_rows < 4:
        if rows == 6 or rows < 2:
            return _centre(_number_lines(panel, width, rows, glyphs, with_arm=True), width)
        number = _number_lines(panel, width, rows - 1, glyphs)
        return [*_centre(number, width), _gauge(panel, width, glyphs)]
    number = _number_lines(panel, width, 6, glyphs)
    arm = _arm_lines(panel, width, rows - len(number), glyphs)
    return [*_centre(number, width), *_centre(arm, width)]


def _gauge(panel: Panel, width: int, glyphs: Glyphs) -> Line:
    """Show the arm on a straight line, where there is no room for the half circle."""
    angle_deg = panel.arm_deg
    assert angle_deg is not None
    low_deg, high_deg = sorted((panel.servo.angle_min_deg, panel.servo.angle_max_deg))
    label = f"arm {angle_deg:.1f}{glyphs.degree} "
    room = max(4, width - cell_len(label) - 2)
    share = (angle_deg - low_deg) / max(high_deg - low_deg, 1e-9)
    at = min(room - 1, max(0, round(share * (room - 1))))
    return [
        (label, "strong"),
        ("[" + glyphs.dash * at, "faint"),
        (glyphs.block, "arm"),
        (glyphs.dash * (room - 1 - at) + "]", "faint"),
    ]


def _centred(text: str, width: int) -> str:
    return " " * max(0, (width - cell_len(text)) // 2) + text


def _centre(lines: Sequence[Line], width: int) -> list[Line]:
    """Centre lines together, by the widest of each run."""
    return [[(" " * max(0, (width - line_width(line)) // 2), ""), *line] for line in lines]


def _cut(line: Line, width: int) -> Line:
    """Cut a line to a number of columns."""
    room, result = width, []
    for text, style in line:
        if room <= 0:
            break
        if cell_len(text) > room:
            text = set_cell_size(text, room)
        room -= cell_len(text)
        result.append((text, style))
    return result


def _fill(lines: Sequence[Line], count: int) -> list[Line]:
    """Cut or fill a list to a number of lines."""
    return [*lines[:count], *([] for _ in range(count - len(lines)))]
