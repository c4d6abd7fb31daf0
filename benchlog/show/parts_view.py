"""The parts as a sweep tells them: products, parts and suspects, for people and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchlog.calibration.figures import with_u
from benchlog.calibration.identify import FoundPart, Identification, Known, Product
from benchlog.calibration.point import ROOT3
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
    show(*(plain(text) for text in _sentences(design, found)))


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
    grid.add_column("off by")
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
        with_u(one.found_s, one.u_s, "s"),
        f"{share:+.1f} %",
    )


def _part_cells(design: Design, one: FoundPart) -> tuple[str, str, str, str]:
    """Write one part."""
    marked = {part.name: str(part) for part in design.parts}.get(one.part)
    if marked is None:
        marked = format_value(one.marked, one.unit, 3) if one.unit else f"{one.marked:.3f}"
    word = "within" if one.within_tolerance else "not within"
    return (_WORDS.get(one.part, one.part), marked, with_u(one.found, one.u, one.unit), word)


def _sentences(design: Design, found: Identification) -> list[str]:
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
    if found.suspects and found.suspects[0].fault != "reading":
        texts.append(f"Do: {_put_right(design, found)}")
    texts += [_accuracy(name, one) for name, one in found.known.items()]
    if any(one.part in ("threshold", "trigger") for one in found.parts):
        texts.append(
            "Upper and lower level: where the timer ends a pulse and begins one, as a share of "
            "the supply."
        )
    series = [name for name in ("E12", "E24") if any(name in one.text for one in found.suspects)]
    if series:
        count = "12" if series == ["E12"] else "24"
        texts.append(
            f"{series[0]}: the {count} values in each decade that parts are commonly made in."
        )
    texts.append(
        "Timing tells the products; a resistor 1 % high with a capacitor 1 % low looks the same."
    )
    if not found.known:
        value = format_value(design.r_off.value, "ohm").removesuffix("Ω").replace(" ", "")
        texts[-1] += (
            f" A meter's reading narrows all of them: --known r_off={value} if it reads "
            f"{format_value(design.r_off.value, 'ohm')}."
        )
    return texts


def _accuracy(name: str, reading: Known) -> str:
    """Say how sure a meter's reading was taken to be."""
    unit = "F" if name == "c_timing" else "ohm"
    value = format_value(reading.value, unit)
    half = ROOT3 * reading.u
    text = f"{name}: the meter's {value} is taken as ± {format_value(half, unit, 2)}"
    if not reading.assumed:
        return f"{text}."
    typed = format_value(reading.value, unit, 4).removesuffix("Ω").removesuffix("F")
    share = "2%" if unit == "F" else "0.5%"
    return f"{text} (say it yourself: --known {name}={typed.replace(' ', '')}±{share})."


def _put_right(design: Design, found: Identification) -> str:
    """Say what to do about the likeliest suspect."""
    part = next((one for one in design.parts if one.name == found.suspects[0].part), None)
    again = f"then confirm again: benchlog confirm {design.channel}."
    if part is None or found.suspects[0].fault not in ("value", "decade"):
        return f"put right what the suspect's sentence says, {again}"
    return f"put the marked part in for {part.name}, {format_value(part.value, part.unit)}, {again}"
