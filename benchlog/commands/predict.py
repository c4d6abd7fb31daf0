"""`benchlog predict`: what a channel should do at each knob angle."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchlog.commands.options import BenchOption, JsonOption, read_number

if TYPE_CHECKING:
    from benchlog.channel.design import Design

__all__ = ["predict_channel", "read_named_design"]

MARKS = 13
"""Knob angles that are shown unless some are asked for."""


def predict_channel(
    channel: Annotated[
        str,
        typer.Argument(
            metavar="CHANNEL|DESIGN.toml",
            help="A channel of the bench folder, or a design file.",
            show_default=False,
        ),
    ],
    at: Annotated[
        list[str] | None,
        typer.Option(
            "--at",
            metavar="DEG",
            help="A knob angle in degrees. Once for each; else 13 marks over the whole travel.",
            show_default=False,
        ),
    ] = None,
    plot: Annotated[
        str | None,
        typer.Option(
            "--plot",
            metavar="FILE",
            help="Draw knob angle against pulse into a new .png, .svg or .pdf file.",
            show_default=False,
        ),
    ] = None,
    bench: BenchOption = None,
    json_output: JsonOption = False,
) -> int:
    """Say what a channel should do: pulse, period and arm angle at each knob angle.

    'With these parts' is what 95 of 100 channels built of the marked parts keep to, given their
    tolerances. Below stand the parts that matter most, and what a battery's life does. Exit
    status 1 says that a position that is shown is past the servo's end stop.
    """
    import numpy as np

    from benchlog.channel.outlook import foretell
    from benchlog.show.json_output import write_json
    from benchlog.show.prediction_view import outlook_to_json, show_outlook
    from benchlog.show.terminal import show, warn

    angles = [read_number(text, "--at", "degrees") for text in at or []]
    design = read_named_design(channel, bench)
    marks = np.linspace(0.0, design.knob.travel_deg, MARKS)
    shown = angles or marks.tolist()
    picture = Path(plot) if plot is not None else None
    form = _check_picture(picture)
    outlook = foretell(design, shown)
    for _, text in design.warnings:
        warn(f"warning: {text}")
    if picture is not None:
        from benchlog.capture.new_files import write_new_bytes
        from benchlog.show.prediction_plot import draw_prediction

        write_new_bytes(picture, draw_prediction(design, shown, form))
    if json_output:
        write_json({**outlook_to_json(outlook), "plot": plot})
    else:
        show_outlook(outlook)
        if plot is not None:
            show("", f"The picture is {plot}.")
    return 1 if any(position.end_stop for position in outlook.positions) else 0


def _check_picture(picture: Path | None) -> str:
    """Return the format of the picture that is asked for; refuse what cannot be one."""
    if picture is None:
        return ""
    from benchlog.show.new_pictures import check_new_picture

    return check_new_picture(picture, "--plot", (".png", ".svg", ".pdf"), "pulse.png")


def read_named_design(name: str, bench: str | None) -> Design:
    """Read the design of a channel, or the design file that is named.

    Parameters
    ----------
    name : str
        A file where it is there, ends in '.toml' or contains a path separator; else a channel of
        the bench folder.
    bench : str or None
        The bench folder, where one was named.

    Returns
    -------
    Design
        The design.

    Raises
    ------
    DesignError, StoreError
        It is not there, cannot be read or is wrong.
    """
    from benchlog.capture.store import open_bench, read_design

    path = Path(name)
    if os.path.isfile(path) or name.endswith(".toml") or "/" in name or "\\" in name:
        return read_design(path)
    opened = open_bench(Path(bench) if bench is not None else None)
    return read_design(opened.design_path(name))
