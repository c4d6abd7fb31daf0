"""The words of `benchlog confirm`: what goes together, the design, the source, the labels."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.options import Level, read_number
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.capture.store import Bench
    from benchlog.channel.design import Design
    from benchlog.commands.live_sources import LiveSource
    from benchlog.show.labels import Sheet

__all__ = ["check_source", "find_design", "make_confirm_source", "read_label_file", "read_sheet"]


def check_source(
    sound: str | None,
    port: str | None,
    point: list[str] | None,
    batch: str | None,
    labels: str | None,
    copies: str | None,
    json_output: bool,
    plain: bool,
) -> str:
    """Return which source was given.

    Parameters
    ----------
    sound, port, point : str, str or list of str, or None
        What was typed after --input, --port and --point.
    batch, labels, copies : str or None
        What was typed after --batch, --labels and --copies.
    json_output, plain : bool
        Whether --json and --plain were given.

    Returns
    -------
    str
        '--input', '--port', '--point', or 'labels' where only labels are asked for.

    Raises
    ------
    UsageError
        None or several of them, or words that do not go together.
    """
    given = [
        name
        for name, value in (("--input", sound), ("--port", port), ("--point", point or None))
        if value is not None
    ]
    if batch is None and (labels is not None or copies is not None):
        raise UsageError(
            f"{'--labels' if labels is not None else '--copies'} without --batch",
            expected="a batch, which numbers the copies",
            attempt="--batch NAME",
        )
    if not given and labels is not None:
        return "labels"
    if len(given) != 1:
        raise UsageError(
            " and ".join(given) if given else "confirm without anything to listen to",
            expected="one of --input DEVICE (sound), --port PORT (serial probe) and --point "
            "DEG=FILE (recordings)",
            attempt="benchlog inputs, to see what there is",
        )
    if json_output and plain:
        raise UsageError(
            "--json together with --plain", expected="one of the two", attempt="--json"
        )
    return given[0]


def read_sheet(paper: str, size: str, skip: str) -> Sheet:
    """Read how labels lie on the paper.

    Parameters
    ----------
    paper, size, skip : str
        What was typed after --paper, --label-size and --skip-labels.

    Returns
    -------
    Sheet
        The sheet.

    Raises
    ------
    UsageError
        A sheet that cannot be.
    """
    from benchlog.commands.options import read_choice
    from benchlog.show.labels import PAPERS_MM, Sheet

    read_choice(paper, "--paper", tuple(PAPERS_MM))
    width, cross, height = size.lower().partition("x")
    if not cross:
        raise UsageError(
            f"--label-size '{size}'",
            expected="width x height in millimetres",
            attempt="--label-size 70x37",
        )
    return Sheet(
        paper,
        (
            read_number(width, "--label-size", "millimetres before the x", low=1.0, high=1000.0),
            read_number(height, "--label-size", "millimetres behind the x", low=1.0, high=1000.0),
        ),
        int(read_number(skip, "--skip-labels", "labels", low=0.0, high=10000.0)),
    )


def read_label_file(name: str | None) -> Path | None:
    """Check before anything is measured that labels can go to a file.

    Parameters
    ----------
    name : str or None
        What was typed after --labels.

    Returns
    -------
    Path or None
        A new file's name.

    Raises
    ------
    UsageError
        Another kind of file, one that is there already, or in no folder.
    """
    if name is None:
        return None
    path = Path(name)
    if path.suffix.lower() not in (".pdf", ".svg"):
        raise UsageError(
            f"--labels '{name}'",
            expected="a name that ends in .pdf or .svg",
            attempt=f"--labels {path.stem or 'labels'}.pdf",
        )
    if path.exists() or not path.absolute().parent.is_dir():
        raise UsageError(
            f"--labels '{name}', which {'is there already' if path.exists() else 'has no folder'}",
            expected="a new name in a folder that is there: nothing is overwritten",
            attempt="another name",
        )
    return path


def find_design(
    channel: str | None,
    design: str | None,
    bench: str | None,
    *,
    needs_bench: bool,
    command: str = "confirm",
) -> tuple[Design, Bench | None]:
    """Read the design, and open the bench folder where one is needed.

    Parameters
    ----------
    channel, design, bench : str or None
        The channel, and what was typed after --design and --bench.
    needs_bench : bool
        Whether something goes into the bench folder.
    command : str
        Which command asks, for the message.

    Returns
    -------
    tuple
        The design, whose warnings were told, and the bench folder or None.

    Raises
    ------
    UsageError
        Neither channel nor design.
    StoreError, DesignError
        There is none, or it is wrong.
    """
    from benchlog.capture.store import open_bench, read_design
    from benchlog.show.terminal import warn

    if channel is None and (design is None or needs_bench):
        raise UsageError(
            f"{command} without a channel",
            expected="a channel of the bench folder" + (", or --design" * (not needs_bench)),
            attempt=f"benchlog {command} heron",
        )
    opened = None
    if design is None or needs_bench:
        opened = open_bench(Path(bench) if bench is not None else None)
    if design is not None:
        read = read_design(Path(design))
    else:
        assert opened is not None
        read = read_design(opened.design_path(channel or ""))
    for _, text in read.warnings:
        warn(f"warning: {text}")
    return read, opened


def make_confirm_source(
    sound: str | None,
    port: str | None,
    channel_input: str | None,
    level: Level | None,
    rate: str | None,
    baud: str | None,
) -> LiveSource:
    """Make what is listened to.

    Parameters
    ----------
    sound, port, channel_input, rate, baud : str or None
        What was typed after --input, --port, --channel-input, --rate and --baud.
    level : str or None
        The level of a pulse, where it is known.

    Returns
    -------
    LiveSource
        Not yet open.

    Raises
    ------
    UsageError
        A number that is none.
    """
    from benchlog.commands.watched import make_source, read_inputs

    numbers = read_inputs([channel_input] if channel_input is not None else None, 1)
    return make_source(sound, port, None, numbers, level, rate, baud, None, False)
