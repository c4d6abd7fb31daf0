"""Options that several commands share, and numbers read from them."""

from __future__ import annotations

import math
from typing import Annotated, Literal

import typer

from benchlog.errors import UsageError

__all__ = [
    "ActiveFitOption",
    "AskedSupplyOption",
    "BaudOption",
    "BenchOption",
    "ChannelArgument",
    "ChannelInputOption",
    "DesignOption",
    "InputOption",
    "JsonOption",
    "KeptProfileOption",
    "Level",
    "PlainOption",
    "PortOption",
    "RateOption",
    "SupplyOption",
    "TemperatureOption",
    "read_channel_input",
    "read_choice",
    "read_level",
    "read_number",
]

Level = Literal["high", "low"]
"""Which level of a signal is the pulse."""

JsonOption = Annotated[
    bool, typer.Option("--json", help="One JSON object on standard output and nothing else.")
]

InputOption = Annotated[
    str | None,
    typer.Option(
        "--input",
        metavar="DEVICE",
        help="The sound input: its number or part of its name, see 'benchlog inputs'.",
        show_default=False,
    ),
]

PortOption = Annotated[
    str | None,
    typer.Option(
        "--port",
        metavar="PORT",
        help="The serial port of a probe.",
        show_default=False,
    ),
]

ChannelInputOption = Annotated[
    str | None,
    typer.Option(
        "--channel-input",
        metavar="N",
        help="Which input of the sound device, from 1 (left) on.",
        show_default=False,
    ),
]

RateOption = Annotated[
    str | None,
    typer.Option(
        "--rate",
        metavar="HZ",
        help="Samples per second of a sound input; else the device's own.",
        show_default=False,
    ),
]

BaudOption = Annotated[
    str | None,
    typer.Option(
        "--baud",
        metavar="N",
        help="Bits per second of the serial port; else 115200.",
        show_default=False,
    ),
]

SupplyOption = Annotated[
    str | None,
    typer.Option(
        "--supply",
        metavar="V",
        help="The supply as the meter reads it while the channel runs.",
        show_default=False,
    ),
]

TemperatureOption = Annotated[
    str | None,
    typer.Option(
        "--temperature",
        metavar="C",
        help="The temperature at the channel, degrees Celsius.",
        show_default=False,
    ),
]

DesignOption = Annotated[
    str | None,
    typer.Option(
        "--design",
        metavar="DESIGN.toml",
        help="The design file, in place of the channel's.",
        show_default=False,
    ),
]

ActiveFitOption = Annotated[
    str | None,
    typer.Option(
        "--active",
        metavar="high|low",
        help="Which level is the pulse; else what fits the design.",
        show_default=False,
    ),
]

AskedSupplyOption = Annotated[
    str | None,
    typer.Option(
        "--supply",
        metavar="V",
        help="The supply as the meter reads it while the channel runs; else it is asked for.",
        show_default=False,
    ),
]

KeptProfileOption = Annotated[
    str | None,
    typer.Option(
        "--profile",
        metavar="NAME",
        help="The kept profile of the input, see 'benchlog listen'.",
        show_default=False,
    ),
]

ChannelArgument = Annotated[
    str | None,
    typer.Argument(metavar="CHANNEL", help="The channel of the bench folder.", show_default=False),
]

PlainOption = Annotated[
    bool,
    typer.Option("--plain", help="Plain sentences in place of a screen; a pipe gets them too."),
]

BenchOption = Annotated[
    str | None,
    typer.Option(
        "--bench",
        metavar="FOLDER",
        help="The bench folder; else BENCHLOG_BENCH names it, else it is the current folder.",
        show_default=False,
    ),
]


def read_number(
    text: str, option: str, unit: str, *, low: float = -math.inf, high: float = math.inf
) -> float:
    """Read a number that stands on the command line.

    Parameters
    ----------
    text : str
        What was typed.
    option : str
        The option that it belongs to, for the message.
    unit : str
        What the number counts, such as 'degrees', for the message.
    low, high : float
        The range that is allowed, ends included.

    Returns
    -------
    float
        A finite number in the range.

    Raises
    ------
    UsageError
        No number, not finite, or out of range.
    """
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not low <= number <= high or math.isinf(number):
        raise UsageError(
            f"{option} '{text}'",
            expected=f"a number of {unit}{_tell_range(low, high)}",
            attempt=f"{option} with such a number",
        )
    return number


def _tell_range(low: float, high: float) -> str:
    """Tell a range in words, as far as it is bounded."""
    if math.isfinite(low) and math.isfinite(high):
        return f" from {low:g} to {high:g}"
    if math.isfinite(low):
        return f", {low:g} or more"
    if math.isfinite(high):
        return f", {high:g} or less"
    return ""


def read_channel_input(text: str | None) -> int | None:
    """Read the number of an input.

    Parameters
    ----------
    text : str or None
        What was typed after --channel-input; None where it was not given.

    Returns
    -------
    int or None
        From 1 on, or None.

    Raises
    ------
    UsageError
        No whole number from 1 on.
    """
    if text is None:
        return None
    number = read_number(text, "--channel-input", "an input", low=1, high=1024)
    if number != int(number):
        raise UsageError(
            f"--channel-input '{text}'",
            expected="a whole number from 1",
            attempt="--channel-input 1",
        )
    return int(number)


def read_level(text: str | None) -> Level | None:
    """Read an active level.

    Parameters
    ----------
    text : str or None
        What was typed after --active; None where it was not given.

    Returns
    -------
    str or None
        'high', 'low' or None.

    Raises
    ------
    UsageError
        Another word.
    """
    read_choice(text, "--active", ("high", "low"))
    if text is None:
        return None
    return "high" if text == "high" else "low"


def read_choice(text: str | None, option: str, words: tuple[str, ...]) -> str | None:
    """Read one word of a few.

    Parameters
    ----------
    text : str or None
        What was typed; None where the option was not given.
    option : str
        The option that it belongs to.
    words : tuple of str
        What is allowed.

    Returns
    -------
    str or None
        The word.

    Raises
    ------
    UsageError
        Another word.
    """
    if text is None or text in words:
        return text
    raise UsageError(
        f"{option} '{text}'",
        expected=" or ".join(words),
        attempt=f"{option} {words[0]}",
    )
