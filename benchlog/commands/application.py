"""The commands in their groups, and the one place where errors become a line and a status.

Only the command that is called is loaded and gets a parser: those of all the others would take
longer than most commands themselves.
"""

from __future__ import annotations

import errno
import functools
import importlib
import inspect
import os
import sys
from collections.abc import Callable, Sequence
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from benchlog.commands.usage import UsageException, translate_usage
from benchlog.errors import BenchlogError, StoreError, UsageError

__all__ = ["command_line", "run"]

_COMMANDS = {
    "new": ("Set up", "new_channel"),
    "inputs": ("Set up", "list_inputs"),
    "wire": ("Set up", "wire_input"),
    "listen": ("Set up", "listen_to_input"),
    "predict": ("Set up", "predict_channel"),
    "watch": ("Measure", "watch_channel"),
    "trim": ("Measure", "trim_channel"),
    "capture": ("Measure", "capture_position"),
    "measure": ("Measure", "measure_files"),
    "confirm": ("Measure", "confirm_channel"),
    "sweep": ("Calibrate", "sweep_channel"),
    "calibrate": ("Calibrate", "calibrate_channel"),
    "drift": ("Calibrate", "show_drift"),
    "dial": ("Calibrate", "print_dial"),
    "servo": ("Calibrate", "find_servo"),
    "diagnose": ("Find faults", "diagnose_channel"),
    "log": ("Show", "show_log"),
    "demo": ("Show", "show_demo"),
}
"""Each command, which is also its module, with its group and its function."""


def _show_version(wanted: bool) -> None:
    """Print the version and leave."""
    if wanted:
        from benchlog import __version__

        sys.stdout.write(f"benchlog {__version__}\n")
        raise typer.Exit


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


class _AsTyped:
    """Takes the words of a parameter as they were typed."""

    def coerce(self, value: Any, param: Any, ctx: Any) -> Any:
        """Return a word or None, or the list of words where there may be several."""
        del ctx
        if param.multiple or param.nargs == -1:
            return () if value is None else list(value)
        return value


def _leave_words_alone(parameters: list[Any]) -> list[Any]:
    """Keep the parser from loading a library, slower than it, to turn text into text."""
    for parameter in parameters:
        kind = getattr(getattr(parameter, "type_descriptor", None), "annotation", None)
        if kind in (str, list[str], bool) and hasattr(parameter, "get_runtime_param"):
            parameter.get_runtime_param = _AsTyped
        if kind is bool or parameter.param_type_name == "argument":
            parameter.display_type_rich = _show_no_type
    return parameters


def _show_no_type(ctx: Any) -> str:
    """Show nothing where the help names types: a flag has no value, an argument is named."""
    del ctx
    return ""


class _Command(TyperCommand):
    """A command that takes its words as they were typed."""

    def get_params(self, ctx: Any) -> list[Any]:
        """Return arguments and options, the one for the help among them."""
        return _leave_words_alone(super().get_params(ctx))


class _Group(TyperGroup):
    """The commands, each of which takes its words as they were typed."""

    def get_params(self, ctx: Any) -> list[Any]:
        """Return the options before a command's name."""
        return _leave_words_alone(super().get_params(ctx))


@functools.cache
def command_line(only: str | None = None) -> Any:
    """Build the parser.

    Parameters
    ----------
    only : str, optional
        The one command that it shall know; all of them when left out.

    Returns
    -------
    typer.core.TyperGroup
        With the commands in the order of the help.
    """
    application = typer.Typer(
        name="benchlog",
        cls=_Group,
        add_completion=False,
        rich_markup_mode="rich",
        context_settings={"help_option_names": ["--help", "-h"]},
    )
    application.callback()(open_bench_log)
    for name in _COMMANDS if only is None else (only,):
        group, function = _COMMANDS[name]
        command = getattr(importlib.import_module(f"benchlog.commands.{name}"), function)
        text = _help_text(command)
        application.command(name, cls=_Command, rich_help_panel=group, help=text)(command)
    return typer.main.get_command(application)


def _help_text(command: Callable[..., int]) -> str:
    """Return a command's docstring, each paragraph on one line."""
    paragraphs = inspect.cleandoc(command.__doc__ or "").split("\n\n")
    return "\n\n".join(" ".join(paragraph.split()) for paragraph in paragraphs)


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
    first = arguments[0] if arguments else None
    command = command_line(first if first in _COMMANDS else None)
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
