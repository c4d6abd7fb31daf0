"""The parts as a sweep tells them: products, parts and suspects, for people and as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from benchlog.calibration.identify import FoundPart, Identification, Product
from benchlog.calibration.verdict import COVERAGE
from benchlog.show.json_output import in_microseconds
from benchlog.show.terminal import plain, screen_width, show
from benchlog.units import format_value

if TYPE_CHECKING:
    from rich.table import Table as TextTable

    from benchlog.channel.plan import Design

__all__ = ["parts_to_json", "show_parts"]

_GRID_WIDTH = 60

_WORDS = {
    "contact": "wiper contact",
    "threshold": "upper level / supply",
    "trigger": "lower level / supply",
    "diode_v": "diode at 0.1 mA",
    "supply": "supply",
}


def parts_to_json(found: Identification | None) -> dict[str, list[dict[str, Any]]]:
    """Return what was found of the parts as the JSON that `calibrate` promises.

    Parameters
    ----------
    found : Identification or None
        What was found; None where nothing could be.

    Returns
    -------
    dict
        ``products``, ``parts`` and ``suspects``.
    """
    if found is None:
        return {"products": [], "parts": [], "suspects": []}
    return {
        "products": [
            {
                "product": one.product,
                "marked_us": in_microseconds(one.marked_s),
                "found_us": in_microseconds(one.found_s),
                "u_us": in_microseconds(one.u_s),
            }
            for one in found.products
        ],
        "parts": [
            {
                "part": one.part,
                "marked": one.marked,
                "found": one.found,
                "u": one.u,
                "unit": one.unit,
                "within_tolerance": one.within_tolerance,
            }
            for one in found.parts
        ],
        "suspects": [
            {"part": one.part, "fault": one.fault, "text": one.text} for one in found.suspects
        ],
    }


def show_parts(design: Design, found: Identification) -> None:
    """Show products, parts and suspects.

    Parameters
    ----------
    design : Design
        The design, for what is marked on the parts.
    found : Identification
        What was found.
    """
    rows = [_product_cells(one) for one in found.products]
    rows += [_part_cells(design, one) for one in found.parts]
    title = "What the sweep tells of the parts"
    if screen_width() < _GRID_WIDTH:
        show("", title, *(_sentence(cells) for cells in rows))
    else:
        show("", title, _grid(rows))
    show(*(plain(text) for text in _sentences(found)))


def _sentence(cells: tuple[str, str, str, str]) -> str:
    """Write one row for a screen that is too narrow for the grid."""
    name, marked, value, word = cells
    return f"{name}: {value}, marked {marked}{f': {word}' if word else ''}"


def _grid(rows: list[tuple[str, str, str, str]]) -> TextTable:
    """Lay out the rows."""
    from rich.table import Table as TextTable

    grid = TextTable(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    grid.add_column("", no_wrap=True)
    for name in ("marked", "found ± U"):
        grid.add_column(name, justify="right", no_wrap=True)
    grid.add_column("tolerance")
    for cells in rows:
        grid.add_row(*(plain(cell) for cell in cells), style="bold" if "not" in cells[3] else "")
    return grid


def _product_cells(one: Product) -> tuple[str, str, str, str]:
    """Write one product."""
    name = one.product.replace("*c_timing", " x C")
    share = 100.0 * (one.found_s / one.marked_s - 1.0) if one.marked_s > 0.0 else 0.0
    return (
        name.replace(" x ", " × "),
        format_value(one.marked_s, "s", 4),
        _with_u(one.found_s, one.u_s, "s"),
        f"{share:+.1f} %",
    )


def _part_cells(design: Design, one: FoundPart) -> tuple[str, str, str, str]:
    """Write one part."""
    marked = {part.name: str(part) for part in design.parts}.get(one.part)
    if marked is None:
        marked = format_value(one.marked, one.unit, 3) if one.unit else f"{one.marked:.3f}"
    word = "within" if one.within_tolerance else "not within"
    return (_WORDS.get(one.part, one.part), marked, _with_u(one.found, one.u, one.unit), word)


_PREFIXES = {"p": -12, "n": -9, "µ": -6, "m": -3, "": 0, "k": 3, "M": 6}


def _with_u(value: float, u: float, unit: str) -> str:
    """Write a value with U, both with one prefix, U rounded up to two figures."""
    half = COVERAGE * u
    size = max(abs(value), half)
    power = 0
    if unit and size > 0.0:
        power = min(max(3 * math.floor(math.log10(size) / 3.0 + 1e-9), -12), 6)
    if unit == "V" or (unit == "ohm" and size < 1e3):
        power = 0
    prefix = next(letter for letter, exponent in _PREFIXES.items() if exponent == power)
    symbol = {"ohm": "Ω"}.get(unit, unit)
    scaled, scaled_half = value / 10.0**power, half / 10.0**power
    digits = 3
    if scaled_half > 0.0:
        digits = min(max(1 - math.floor(math.log10(scaled_half)), 0), 4)
    up = math.ceil(scaled_half * 10**digits - 1e-9) / 10**digits
    return f"{scaled:.{digits}f} ± {up:.{digits}f} {prefix}{symbol}".rstrip()


def _sentences(found: Identification) -> list[str]:
    """Say what is suspected, or that nothing is, and what would narrow the parts."""
    texts = []
    if found.suspects:
        first, *others = found.suspects
        texts.append(f"Suspect: {first.text}")
        texts += [
            f"Or, {'less likely' if one.likely < 0.5 * first.likely else 'as likely'}: {one.text}"
            for one in others
        ]
        if found.chi_square > 4.0 * found.freedom:
            texts.append(
                "Even so the sweep is not all explained: more than one thing may be wrong."
            )
    elif found.knob_note:
        texts.append(found.knob_note)
    elif found.explained:
        texts.append(
            "All positions together are what the marked parts, within their tolerances, can make."
        )
    else:
        texts.append(
            "Neither the tolerances of the marked parts nor any single wrong one explain all "
            "positions together: look for a second fault, or a record of something else."
        )
    texts.append(
        "Timing tells the products; a resistor 1 % high with a capacitor 1 % low looks the same. "
        "A meter's reading narrows all of them: --known r_off=812k."
    )
    return texts
