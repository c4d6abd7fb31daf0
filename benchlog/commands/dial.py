"""`benchlog dial`: the printed scale, true to size."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.dial_sources import find_dial_sources, read_designs
from benchlog.commands.options import BenchOption, JsonOption, read_choice, read_number
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.channel.design import Design
    from benchlog.show.dial_maker import DialSource, DialStyle, Hold, MarkWish
    from benchlog.show.dial_pages import Dial

__all__ = ["print_dial"]

_WITHIN_DEG = 3.0
_MOST_COPIES = 200
_MOST_HELD = 40


def print_dial(
    channels: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="CHANNEL",
            help="Channels of the bench folder: the newest sweep of each is taken.",
            show_default=False,
        ),
    ] = None,
    arm_angles: Annotated[
        str | None,
        typer.Option(
            "--arm-angles",
            metavar="DEG",
            help="A mark each so many degrees of arm; else as the room allows.",
            show_default=False,
        ),
    ] = None,
    pulses: Annotated[
        str | None,
        typer.Option(
            "--pulses",
            metavar="US",
            help="A mark each so many microseconds of pulse; auto: as the room allows.",
            show_default=False,
        ),
    ] = None,
    settings: Annotated[
        bool,
        typer.Option(
            "--settings",
            help="Numbered settings, equally surely told apart, as many as there are.",
        ),
    ] = False,
    labels: Annotated[
        str | None,
        typer.Option(
            "--labels",
            metavar="NAME=PLACE,...",
            help="Your own marks, each at a pulse (600us, 1.5ms), an arm angle (90deg) or a knob "
            "angle (135knob): 'rest=600us,up=1500us,bow=90deg'.",
            show_default=False,
        ),
    ] = None,
    diameter: Annotated[
        str, typer.Option("--diameter", metavar="MM", help="Outer diameter, 20 to 80 mm.")
    ] = "60",
    hole: Annotated[
        str,
        typer.Option("--hole", metavar="MM", help="Diameter of the hole for shaft or bushing."),
    ] = "7",
    start: Annotated[
        str | None,
        typer.Option(
            "--start",
            metavar="DEG",
            help="Where the knob's anticlockwise stop lies, degrees clockwise from the top (225: "
            "half past seven); else the travel lies evenly about the top.",
            show_default=False,
        ),
    ] = None,
    paper: Annotated[str, typer.Option("--paper", metavar="a4|letter", help="The paper.")] = "a4",
    copies: Annotated[
        str, typer.Option("--copies", metavar="N", help="So many of each dial.")
    ] = "1",
    out: Annotated[
        str | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help="A new .pdf, .svg or .png file; else CHANNEL-dial.pdf in the current folder (with "
            "--json nothing is written unless this is given).",
            show_default=False,
        ),
    ] = None,
    blank: Annotated[
        bool,
        typer.Option(
            "--blank",
            help="A blank ring of degrees, to be slipped under a mounted knob for a sweep.",
        ),
    ] = False,
    travel: Annotated[
        str | None,
        typer.Option(
            "--travel",
            metavar="DEG",
            help="With --blank and no channel: how far the knob turns.",
            show_default=False,
        ),
    ] = None,
    sweep: Annotated[
        str | None,
        typer.Option(
            "--sweep",
            metavar="STAMP",
            help="Another sweep than the newest, such as 20260901T100000Z.",
            show_default=False,
        ),
    ] = None,
    from_design: Annotated[
        bool,
        typer.Option(
            "--from-design",
            help="From the channel's design, where nothing was measured yet; the dial says so.",
        ),
    ] = False,
    design: Annotated[
        str | None,
        typer.Option(
            "--design",
            metavar="DESIGN.toml",
            help="From a design file, in place of a channel of a bench folder.",
            show_default=False,
        ),
    ] = None,
    knob_reading: Annotated[
        str,
        typer.Option(
            "--knob-reading", metavar="DEG", help="The knob was read to within this many degrees."
        ),
    ] = "1",
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """Print a scale to glue under the knob: true to size, as PDF, SVG or PNG.

    Print it at 100 %, and check the 50 mm bar with a ruler. Hatched stretches lie past the servo's
    end stop; exit status 1 says that there are some.
    """
    from benchlog.show.dial import check_sheet_names, dial_to_json, write_sheets
    from benchlog.show.json_output import write_json
    from benchlog.show.terminal import show

    style = _read_style(diameter, hole, start, paper)
    count = round(_whole(copies, "--copies", _MOST_COPIES))
    names = channels or []
    reading_deg = read_number(knob_reading, "--knob-reading", "degrees", low=0.0, high=90.0)
    _check_origin(names, sweep, design, travel, from_design=from_design, blank=blank)
    wish = _read_marks(arm_angles, pulses, labels, settings=settings, blank=blank)
    if out is not None:
        check_sheet_names(Path(out))
    if blank:
        dials = _blank_rings(names, design, travel, bench, style)
    else:
        sources = find_dial_sources(
            names, design, sweep, bench, reading_deg, from_design=from_design
        )
        dials = [_make(one, style, wish) for one in sources]
    copied = [one for one in dials for _ in range(count)]
    files: tuple[Path, ...] = ()
    if out is not None or not json_output:
        path = Path(out) if out is not None else Path(_usual_name(dials, blank=blank))
        files = write_sheets(path, copied, style.paper)
    if json_output:
        told = {"dials": dial_to_json(copied, style.paper), "files": [str(one) for one in files]}
        write_json(told)
    else:
        for one in dials:
            show(*_tell(one))
        written = ", ".join(map(str, files))
        show(
            f"The sheet is {written}. Print it at 100 %, not fitted to the page, and lay a ruler "
            "on the 50 mm bar."
        )
    past = any(stretch.kind != "dead" for one in dials for stretch in one.stretches)
    return 1 if past else 0


def _read_style(diameter: str, hole: str, start: str | None, paper: str) -> DialStyle:
    """Read how large a dial is and how it lies."""
    from benchlog.show.dial_maker import DialStyle
    from benchlog.show.dial_shapes import PAPERS_MM

    diameter_mm = read_number(diameter, "--diameter", "millimetres", low=20.0, high=80.0)
    hole_mm = read_number(hole, "--hole", "millimetres", low=1.0, high=diameter_mm - 10.0)
    start_deg = None
    if start is not None:
        start_deg = read_number(start, "--start", "degrees", low=-360.0, high=360.0)
    read_choice(paper, "--paper", tuple(PAPERS_MM))
    return DialStyle(diameter_mm, hole_mm, start_deg, paper)


def _whole(text: str, option: str, most: int) -> float:
    """Read a whole number from 1 on."""
    number = read_number(text, option, "dials", low=1.0, high=float(most))
    if number != round(number):
        raise UsageError(
            f"{option} '{text}'", expected="a whole number", attempt=f"{option} {round(number)}"
        )
    return number


def _check_origin(
    names: list[str],
    sweep: str | None,
    design: str | None,
    travel: str | None,
    *,
    from_design: bool,
    blank: bool,
) -> None:
    """Refuse words that say twice, or not at all, what the scale is made from."""
    found = None
    if design is not None and (names or sweep is not None or from_design):
        other = "a channel" if names else "--sweep" if sweep is not None else "--from-design"
        found, expected = f"--design together with {other}", "one of the two"
    elif from_design and sweep is not None:
        found, expected = "--from-design together with --sweep", "one of the two"
    elif travel is not None and (not blank or names or design is not None):
        found, expected = "--travel", "it with --blank and neither channel nor design"
    elif sweep is not None and len(names) > 1:
        found, expected = f"--sweep with {len(names)} channels", "one channel, whose sweep it is"
    elif blank and not names and design is None and travel is None:
        found, expected = "--blank alone", "a channel, --design or --travel"
    elif not blank and not names and design is None:
        found, expected = "dial without a channel", "a channel of the bench folder, or --design"
    if found is not None:
        attempt = "benchlog dial --blank --travel 270" if blank else "benchlog dial heron"
        raise UsageError(found, expected=expected, attempt=attempt)


def _read_marks(
    arm_angles: str | None, pulses: str | None, labels: str | None, *, settings: bool, blank: bool
) -> MarkWish:
    """Read which marks are wanted; a blank ring has its own."""
    from benchlog.commands.dial_options import read_wish

    if blank and (settings or any(one is not None for one in (arm_angles, pulses, labels))):
        raise UsageError(
            "--blank together with marks",
            expected="a blank ring of degrees, or a scale with marks",
            attempt="leaving one of the two out",
        )
    return read_wish(arm_angles, pulses, labels, settings=settings)


def _blank_rings(
    names: list[str], design: str | None, travel: str | None, bench: str | None, style: DialStyle
) -> list[Dial]:
    """Make blank rings."""
    from benchlog.show.dial_maker import MOST_TRAVEL_DEG, make_ring

    if travel is not None:
        travel_deg = read_number(travel, "--travel", "degrees", low=1.0, high=MOST_TRAVEL_DEG)
        return [make_ring(travel_deg, style)]
    designs = read_designs(names, design, bench)
    return [make_ring(one.knob.travel_deg, style, one.channel) for one in designs]


def _make(pair: tuple[DialSource, Design], style: DialStyle, wish: MarkWish) -> Dial:
    """Make one dial, with the supplies over which its marks hold."""
    from benchlog.show.dial_maker import choose_marks, make_dial

    source, design = pair
    scale = choose_marks(source, style, wish)
    hold = _hold(design, source.supply_v, [mark.knob_deg for mark in scale.marks])
    return make_dial(source, style, scale, hold)


def _hold(design: Design, supply_v: float, angles: list[float]) -> Hold:
    """Find from which supply to which all marks hold."""
    from dataclasses import replace

    import numpy as np

    from benchlog.channel.battery import holding_supply
    from benchlog.show.dial_maker import Hold

    fed = replace(design, supply=replace(design.supply, value=supply_v))
    some = angles[:: max(1, len(angles) // _MOST_HELD)] + angles[-1:]
    low, high = holding_supply(fed, np.array(some), _WITHIN_DEG)
    return Hold(float(np.max(low)), float(np.min(high)), _WITHIN_DEG)


def _usual_name(dials: list[Dial], *, blank: bool) -> str:
    """Return the name of the file where none is given."""
    known = [one.channel for one in dials if one.channel]
    kind = "ring" if blank else "dial"
    first = "-".join(dict.fromkeys(known))
    return f"{first[:100]}-{kind}.pdf" if first else f"{kind}.pdf"


def _tell(dial: Dial) -> list[str]:
    """Tell what is on a dial."""
    count, shown = len(dial.marks), len(dial.layout.labels)
    labelled = "all labelled" if shown == count else f"{shown} of them labelled"
    first = f"{dial.title}: {count} marks, {labelled}" if not dial.has_slit else dial.title
    lines = [line.replace("\N{NO-BREAK SPACE}", " ") for line in dial.caption]
    if count and not shown and not dial.has_slit:
        lines.append(
            "no label fits between hole and rim: try a smaller --hole or a larger --diameter"
        )
    return [first, *(f"  {line}" for line in lines)]
