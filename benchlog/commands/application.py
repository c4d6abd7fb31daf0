"""The commands in their groups, and the one place where errors become a line and a status."""

from __future__ import annotations

import errno
import functools
import inspect
import os
import sys
from collections.abc import Callable, Sequence
from typing import Annotated, Any

import typer

from benchlog.commands import (
    calibrate,
    capture,
    demo,
    inputs,
    listen,
    log,
    measure,
    new,
    predict,
    watch,
    wire,
)
from benchlog.commands.usage import UsageException, translate_usage
from benchlog.errors import BenchlogError, StoreError, UsageError

__all__ = ["application", "run"]

application = typer.Typer(
    name="benchlog",
    add_completion=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["--help", "-h"]},
)


def _show_version(wanted: bool) -> None:
    """Print the version and leave."""
    if wanted:
        from benchlog import __version__

        sys.stdout.write(f"benchlog {__version__}\n")
        raise typer.Exit


@application.callback()
def open_bench_log(
    version: Annotated[
        bool,
        typer.Option(
            "--version", help="Show the version and leave.", is_eager=True, callback=_show_version
        ),
    ] = False,
) -> None:
    """Confirm, calibrate and diagnose 555 servo channels with a sound input or a serial probe.

    Every command has its own help, such as 'benchlog measure --help'.

    Exit status 0: done, nothing is wrong; 1: done, something is; 2: could not be done.
    """


def _add(name: str, group: str, command: Callable[..., int]) -> None:
    """Put a command into its group, its docstring as the help, each paragraph on one line."""
    paragraphs = inspect.cleandoc(command.__doc__ or "").split("\n\n")
    text = "\n\n".join(" ".join(paragraph.split()) for paragraph in paragraphs)
    application.command(name, rich_help_panel=group, help=text)(command)


_add("new", "Set up", new.new_channel)
_add("inputs", "Set up", inputs.list_inputs)
_add("wire", "Set up", wire.wire_input)
_add("listen", "Set up", listen.listen_to_input)
_add("predict", "Set up", predict.predict_channel)
_add("watch", "Measure", watch.watch_channel)
_add("capture", "Measure", capture.capture_position)
_add("measure", "Measure", measure.measure_files)
_add("calibrate", "Calibrate", calibrate.calibrate_channel)
_add("log", "Show", log.show_log)
_add("demo", "Show", demo.show_demo)


@functools.cache
def _built_command() -> Any:
    """Build the parser, which takes longer than most commands, once."""
    return typer.main.get_command(application)


def run(arguments: Sequence[str]) -> int:
    """Run one command line.

    Parameters
    ----------
    arguments : sequence of str
        The words after the program's name.

    Returns
    -------
    int
        The exit status.
    """
    command = _built_command()
    try:
        _check_words(arguments)
        with command.make_context("benchlog", list(arguments) or ["--help"]) as context:
            status = command.invoke(context)
    except typer.Exit as leave:
        status = leave.exit_code
    except typer.Abort as aborted:
        raise KeyboardInterrupt from aborted
    except UsageException as refusal:
        return _refuse(translate_usage(refusal))
    except BenchlogError as refusal:
        return _refuse(refusal)
    except OSError as error:
        if error.errno not in _NAME_FAULTS or error.filename is None:
            raise
        return _refuse(_name_fault(error))
    return int(status or 0)


_NAME_FAULTS = (errno.ENAMETOOLONG, errno.ELOOP, errno.EACCES)
"""What even asking whether a file is there can meet, whatever the name was meant for."""


def _name_fault(error: OSError) -> StoreError:
    """Tell of a name that cannot even be looked up."""
    return StoreError(
        f"{os.fsdecode(error.filename)} cannot be looked up ({error.strerror})",
        expected="a name that the file system takes, in a folder that you may look into",
        attempt="another name, or changing the folder's permissions",
    )


def _check_words(arguments: Sequence[str]) -> None:
    """Refuse words that cannot be part of any name, before one becomes a path."""
    for word in arguments:
        try:
            usable = b"\0" not in os.fsencode(word)
        except UnicodeEncodeError:  # half a character
            usable = False
        if not usable:
            raise UsageError(
                f"{word!r} among the words of the command",
                expected="characters that a file's name can hold",
                attempt="typing that word anew",
            )


def _refuse(error: BenchlogError) -> int:
    """Tell an error in its one line."""
    sys.stdout.flush()
    sys.stderr.write(f"{error}\n")
    return 2
