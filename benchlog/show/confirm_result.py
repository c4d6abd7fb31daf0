"""What a confirmation says, in lines for any screen and as JSON.

The order is a beginner's: safe for the servo, the parts, then the microseconds.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from rich.cells import cell_len

from benchlog.calibration.figures import round_up
from benchlog.calibration.verdict import COVERAGE
from benchlog.errors import one_line
from benchlog.show.json_output import in_microseconds
from benchlog.show.live_shapes import Glyphs, Line
from benchlog.show.table_view import VERDICT_WORDS, table_to_json

if TYPE_CHECKING:
    from benchlog.calibration.batch import BatchSummary
    from benchlog.calibration.confirming import Confirmation

__all__ = [
    "big_word",
    "confirmation_to_json",
    "lay_out_result",
    "list_sentences",
    "summary_to_json",
    "word_style",
]

_LETTERS = {
    "P": ("####.", "#...#", "####.", "#....", "#...."),
    "A": (".###.", "#...#", "#####", "#...#", "#...#"),
    "S": (".####", "#....", ".###.", "....#", "####."),
    "F": ("#####", "#....", "####.", "#....", "#...."),
    "I": ("###", ".#.", ".#.", ".#.", "###"),
    "L": ("#....", "#....", "#....", "#....", "#####"),
    "G": (".####", "#....", "#..##", "#...#", ".####"),
    "N": ("#...#", "##..#", "#.#.#", "#..##", "#...#"),
}
_STYLES = {"PASS": "good", "FAIL": "bad", "AGAIN": "note"}


def word_style(word: str) -> str:
    """Return the style of an answer."""
    return _STYLES[word]


def big_word(word: str, width: int, height: int, block: str) -> list[str]:
    """Draw an answer in letters as large as there is room.

    Parameters
    ----------
    word : str
        'PASS', 'FAIL' or 'AGAIN'.
    width, height : int
        The room, columns and rows.
    block : str
        What a dot is made of.

    Returns
    -------
    list of str
        Rows of one width; the plain word where no letters fit.
    """
    for across, down in ((2, 1), (1, 1)):
        rows = []
        for row in range(5):
            dots = (" " * across).join(
                "".join(dot * across for dot in _LETTERS[one][row]) for one in word
            )
            rows += [dots.replace("#", block).replace(".", " ")] * down
        if len(rows) <= height and max(map(len, rows)) <= width:
            return rows
    return [word]


def list_sentences(result: Confirmation) -> list[tuple[str, str]]:
    """Return what a confirmation says, each sentence with what it is about.

    Parameters
    ----------
    result : Confirmation
        The answer.

    Returns
    -------
    list of tuple of str
        'Servo', 'Parts', 'Pulse' (one a position), 'Why', 'Do' and 'Note', with a sentence each.
    """
    told = [("Servo", result.safety.text), ("Parts", _parts(result))]
    told += [("Pulse", text) for text in _pulses(result)]
    said = " ".join(text for _, text in told)
    told += [("Why", text) for text in result.why if text not in said]
    told.append(("Do", result.next_step))
    told += [("Note", text) for text in result.notes]
    return told


def _parts(result: Confirmation) -> str:
    """Say whether the parts are right."""
    found = result.found
    if result.suspects:
        first, *others = result.suspects
        also = f" Maybe instead: {others[0].text}" if others else ""
        return f"{first.text}{also}"
    if found is None:
        return "No circuit of this kind makes such pulses: look at the wiring first."
    if found.contact_ohm is not None and not found.suspects:
        return (
            f"The knob's wiper makes bad contact (some {float(f'{found.contact_ohm:.2g}'):g} Ω; a "
            "good one has almost none): maybe worn or dirty."
        )
    if found.explained:
        if result.word == "AGAIN":
            return "Nothing speaks against them, as far as these pulses tell."
        return "Right: every one fits its tolerance, as far as timing tells."
    return "Not told: no single wrong part explains these pulses."


def _pulses(result: Confirmation) -> Iterator[str]:
    """Say how long each pulse is."""
    for row in result.table.rows:
        point = row.point
        yield (
            f"{point.knob_deg:.0f}°: {point.pulse_s * 1e6:.1f} ± {_up(point.u_pulse_s, 1)} µs, "
            f"design {row.design_pulse_s * 1e6:.1f}, off by {round(row.deviation_s * 1e6):+d} ± "
            f"{_up(row.u_deviation_s, 0)} µs: {VERDICT_WORDS[row.verdict]}"
        )


def _up(u_s: float, digits: int) -> str:
    """Write U in microseconds, rounded up so that it never promises too much."""
    return round_up(COVERAGE * u_s * 1e6, digits)


def lay_out_result(
    result: Confirmation, width: int, height: int | None, glyphs: Glyphs
) -> list[Line]:
    """Lay an answer out: the large word, then the sentences.

    Parameters
    ----------
    result : Confirmation
        The answer.
    width : int
        Columns.
    height : int or None
        Rows; None for as many as it takes. What does not fit is left out from the end.
    glyphs : Glyphs
        What to draw with.

    Returns
    -------
    list of Line
        None wider than `width`.
    """
    style = word_style(result.word)
    room = 5 if height is None or height >= 16 else 1
    lines: list[Line] = [[(row, style)] for row in big_word(result.word, width, room, glyphs.block)]
    lines.append([])
    spell = _speller(glyphs)
    for name, text in list_sentences(result):
        wanted = name in ("Why", "Do") or (name == "Servo" and result.safety.state != "safe")
        lines += _wrapped(name, spell(text), width, "strong" if wanted else "")
    if height is not None and len(lines) > height:
        lines = lines[:height]
    return lines


def _speller(glyphs: Glyphs) -> Callable[[str], str]:
    """Return what writes a sentence in the characters that a screen has."""

    def spell(text: str) -> str:
        text = one_line(text)
        if glyphs.fine:
            return text
        swaps = (
            ("±", glyphs.plus_minus), ("µs", glyphs.micro), ("°", glyphs.degree), ("Ω", "ohm"),
            ("µ", "u"), ("×", "x"), ("·", "*"), ("²", "^2"), ("–", "-"),
        )  # fmt: skip
        for sign, plain in swaps:
            text = text.replace(sign, plain)
        return text.encode("ascii", "replace").decode()

    return spell


def _wrapped(name: str, text: str, width: int, style: str) -> list[Line]:
    """Write a sentence behind what it is about, on as many lines as it takes."""
    margin = 6 if width >= 40 else 0
    rows = textwrap.wrap(text, max(width - margin, 8)) or [""]
    rows = [row for row in rows if cell_len(row) <= max(width - margin, 8)] or rows
    lines: list[Line] = []
    for index, row in enumerate(rows):
        head = f"{name:<{margin}}" if index == 0 else " " * margin
        lines.append([(head, "faint"), (row, style)] if margin else [(row, style)])
    return lines


def confirmation_to_json(result: Confirmation) -> dict[str, Any]:
    """Return an answer as JSON.

    Parameters
    ----------
    result : Confirmation
        The answer.

    Returns
    -------
    dict
        Units in the key names; `rows`, `products`, `parts` and `suspects` as `calibrate` has them.
    """
    table = table_to_json(result.table, None)
    found = result.found
    safety = result.safety
    remedy = result.remedy
    return {
        "channel": result.table.channel,
        "verdict": result.word,
        "servo": {
            "state": safety.state,
            "shortest_us": in_microseconds(safety.low_s),
            "u_shortest_us": in_microseconds(safety.u_low_s),
            "longest_us": in_microseconds(safety.high_s),
            "u_longest_us": in_microseconds(safety.u_high_s),
            "text": safety.text,
        },
        "supply_v": result.supply_v,
        "u_supply_v": result.u_supply_v,
        "supply_from": "meter" if result.supply_read else "pulses" if found else "design",
        "explained": found.explained if found is not None else None,
        "products": products_to_json(result),
        "parts": [
            {
                "part": one.part,
                "marked": one.marked,
                "found": one.found,
                "u": one.u,
                "unit": one.unit,
                "within_tolerance": one.within_tolerance,
            }
            for one in (found.parts if found is not None else ())
        ],
        "suspects": [
            {"part": one.part, "fault": one.fault, "text": one.text} for one in result.suspects
        ],
        "rows": table["rows"],
        "remedy": None
        if remedy is None
        else {
            "text": remedy.text,
            "share": remedy.share,
            "changes": [
                {
                    "part": one.part,
                    "before": one.before,
                    "after": one.after,
                    "unit": one.unit,
                    "how": one.how,
                }
                for one in remedy.changes
            ],
        },
        "why": list(result.why),
        "notes": list(result.notes),
        "next_step": result.next_step,
    }


def products_to_json(result: Confirmation) -> list[dict[str, Any]]:
    """Return the products in microseconds."""
    return [
        {
            "product": one.product,
            "marked_us": in_microseconds(one.marked_s),
            "found_us": in_microseconds(one.found_s),
            "u_us": in_microseconds(one.u_s),
        }
        for one in (result.found.products if result.found is not None else ())
    ]


def summary_to_json(summary: BatchSummary) -> list[dict[str, Any]]:
    """Return what the copies of a batch say together.

    Parameters
    ----------
    summary : BatchSummary
        The same as figures.

    Returns
    -------
    list of dict
        One a product; empty for fewer than three copies.
    """
    return [
        {
            "product": one.product,
            "copies": one.count,
            "left_out": list(one.left_out),
            "mean_percent": 100.0 * one.mean,
            "u_mean_percent": 100.0 * one.u_mean,
            "spread_percent": 100.0 * one.spread,
            "tolerance_percent": 100.0 * one.tolerance,
            "lot": one.lot,
        }
        for one in summary.products
    ]
