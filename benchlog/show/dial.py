"""Printed scales and blank rings as files, true to size: PDF, SVG and PNG."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchlog.capture.new_files import write_new_bytes
from benchlog.show.dial_maker import DialStyle, make_ring
from benchlog.show.dial_pages import Dial, arrange, draw_pages
from benchlog.show.new_pictures import check_new_picture

__all__ = ["check_sheet_names", "dial_to_json", "draw_ring", "write_sheets"]

_SUFFIXES = (".pdf", ".svg", ".png")
_US = 1e6


def draw_ring(
    path: Path,
    travel_deg: float,
    style: DialStyle | None = None,
    *,
    channel: str = "",
    option: str = "--out",
) -> tuple[Path, ...]:
    """Write a sheet with a blank ring of degrees.

    Parameters
    ----------
    path : Path
        A new file that ends in .pdf, .svg or .png.
    travel_deg : float
        How far the knob turns, degrees.
    style : DialStyle, optional
        How large; 60 mm on A4 unless told otherwise.
    channel : str
        Whose; may be empty.
    option : str
        The option that names the file, for the messages.

    Returns
    -------
    tuple of Path
        What was written.

    Raises
    ------
    MeasurementError, UsageError, StoreError
        The knob turns too far, or the file cannot be written.
    """
    style = style or DialStyle()
    check_sheet_names(path, option)
    return write_sheets(path, [make_ring(travel_deg, style, channel)], style.paper)


def check_sheet_names(path: Path, option: str = "--out") -> str:
    """Return the format that a sheet's name asks for, as `check_new_picture` does."""
    return check_new_picture(path, option, _SUFFIXES, "dial.pdf")


def write_sheets(path: Path, dials: Sequence[Dial], paper: str) -> tuple[Path, ...]:
    """Write dials into new files.

    Parameters
    ----------
    path : Path
        Ends in .pdf, .svg or .png; the last two hold one sheet, so that others go to
        ``<stem>-2.svg`` and on.
    dials : sequence of Dial
        At least one.
    paper : {"a4", "letter"}
        The paper.

    Returns
    -------
    tuple of Path
        What was written.

    Raises
    ------
    UsageError, StoreError
        The name cannot be used, or a file is there already.
    """
    from benchlog.show.dial_picture import to_pdf, to_png
    from benchlog.show.dial_svg import to_svg

    pages = draw_pages(dials, paper)
    suffix = path.suffix.lower()
    if suffix == ".pdf":
        contents = [to_pdf(pages)]
    else:
        contents = [to_svg(page) if suffix == ".svg" else to_png(page) for page in pages]
    names = [path] + [
        path.with_name(f"{path.stem}-{number}{path.suffix}")
        for number in range(2, len(contents) + 1)
    ]
    for name in names:
        check_sheet_names(name)
    for name, content in zip(names, contents, strict=True):
        write_new_bytes(name, content)
    return tuple(names)


def dial_to_json(dials: Sequence[Dial], paper: str) -> list[dict[str, Any]]:
    """Tell where each mark of some dials lies.

    Parameters
    ----------
    dials : sequence of Dial
        At least one.
    paper : {"a4", "letter"}
        The paper.

    Returns
    -------
    list of dict
        One a dial; x to the right and y up, millimetres: a mark's from its dial's centre, where
        its tick begins; a centre's from the page's lower left corner.
    """
    told = []
    for dial, spot in zip(dials, arrange(dials, paper), strict=True):
        layout = dial.layout
        face = layout.face
        shown = {label.item for label in layout.labels}
        marks = []
        for index, mark in enumerate(dial.marks):
            x, y = face.place(mark.knob_deg, layout.base_mm)
            marks.append(
                {
                    "knob_deg": mark.knob_deg,
                    "label": mark.text,
                    "label_shown": index in shown,
                    "pulse_us": None if dial.has_slit else round(mark.pulse_s * _US, 6),
                    "servo_deg": None if dial.has_slit else mark.servo_deg,
                    "x_mm": x,
                    "y_mm": y,
                }
            )
        told.append(
            {
                "channel": dial.channel or None,
                "page": spot.page + 1,
                "centre_x_mm": spot.x_mm,
                "centre_y_mm": spot.y_mm,
                "diameter_mm": face.diameter_mm,
                "hole_mm": face.hole_mm,
                "start_deg": face.start_deg,
                "travel_deg": face.travel_deg,
                "mark_radius_mm": layout.base_mm,
                "letters_pt": layout.size_pt,
                "marks": marks,
                "stretches": [
                    {
                        "kind": "dead-travel" if one.kind == "dead" else f"end-stop-{one.kind}",
                        "from_deg": one.from_deg,
                        "to_deg": one.to_deg,
                    }
                    for one in dial.stretches
                ],
            }
        )
    return told
