"""Words on the command line that cannot be used, told like every other refusal."""

from __future__ import annotations

import re
from difflib import get_close_matches
from typing import Any

import typer

from benchlog.errors import UsageError

__all__ = ["UsageException", "translate_usage"]

# The class above `BadParameter` is what every refusal of the parser is; typer does not export it.
UsageException: type[Exception] = typer.BadParameter.__bases__[0]


def translate_usage(refusal: Exception) -> UsageError:
    """Turn a refusal of the parser into the one-line form.

    Parameters
    ----------
    refusal : Exception
        A `UsageException`.

    Returns
    -------
    UsageError
        What was found, what was expected and what to try.
    """
    context = getattr(refusal, "ctx", None)
    path = context.command_path if context is not None else "benchlog"
    attempt = f"{path} --help"
    kind = type(refusal).__name__
    if kind == "NoSuchOption":
        return _unknown_option(str(getattr(refusal, "option_name", "")), context, path)
    if kind == "MissingParameter":
        name = _parameter_name(refusal)
        return UsageError(f"{path} without {name}", expected=name, attempt=attempt)
    if kind == "BadOptionUsage":
        option = str(getattr(refusal, "option_name", "an option"))
        if option in _SEVERAL:
            return _too_few(option)
        return UsageError(
            f"{option} without a value", expected=f"a value behind {option}", attempt=attempt
        )
    message = _plain(refusal)
    if message.startswith("No such command"):
        return _unknown_command(message, context)
    if message.startswith("Missing command"):
        return UsageError("benchlog without a command", expected="a command", attempt=attempt)
    if message.startswith("Got unexpected extra") and (eater := _option_that_ate_another(context)):
        return _too_few(eater)
    expected = "words as the command's help lists them"
    return UsageError(message, expected=expected, attempt=attempt)


_MOST_LISTED = 8
"""More options than that are a paragraph, not a line."""

_LEAST_BEGUN = 3
_NEAR = 0.7
"""Likeness of two words, 0 to 1, from which on one may be a slip for the other."""

_SEVERAL = {"--aim": ("three numbers, LOW_US HIGH_US PERIOD_MS", "--aim 600 2400 20")}
"""What an option with several values takes, and an example; the parser names neither."""


def _too_few(option: str) -> UsageError:
    """Refuse an option with fewer values than it takes."""
    expected, attempt = _SEVERAL[option]
    return UsageError(f"{option} with too few values", expected=expected, attempt=attempt)


def _option_that_ate_another(context: Any) -> str | None:
    """Name the option that took the next option's name for its own last value, if one did."""
    for option in _SEVERAL:
        taken = context.params.get(option.lstrip("-")) if context is not None else None
        if taken and any(str(word).startswith("--") for word in taken):
            return option
    return None


def _plain(refusal: Any) -> str:
    """Return the parser's own sentence without its full stop."""
    return str(refusal.format_message()).strip().rstrip(".")


def _parameter_name(refusal: Any) -> str:
    """Name what is missing: the metavar of an argument, the first form of an option."""
    parameter = getattr(refusal, "param", None)
    if parameter is None:
        return "an argument"
    if getattr(parameter, "param_type_name", "") == "option":
        return str(parameter.opts[0])
    return str(parameter.metavar or parameter.name.upper())


def _unknown_option(option: str, context: Any, path: str) -> UsageError:
    """Refuse an option, proposing the nearest that exists where one is near."""
    names = _options_of(context)
    near = _nearest(option, [name for forms in names for name in forms])
    shown = [forms[0] for forms in names]
    listed = f"one of those that '{path} --help' lists"
    return UsageError(
        f"{path} has no option {option}",
        expected=", ".join(shown) if 0 < len(shown) <= _MOST_LISTED else listed,
        attempt=near or f"{path} --help",
    )


def _nearest(option: str, names: list[str]) -> str | None:
    """Name the option that was meant: one that begins so, or is spelt nearly so."""
    word = option.lstrip("-").lower()
    bare = {name.lstrip("-"): name for name in names}
    begun = [name for name in bare if name.startswith(word)]
    if len(word) >= _LEAST_BEGUN and len(begun) == 1:
        return bare[begun[0]]
    near = get_close_matches(word, bare, n=1, cutoff=_NEAR)
    return bare[near[0]] if near else None


def _options_of(context: Any) -> list[list[str]]:
    """List the forms of each option of a command, --help last."""
    if context is None:
        return []
    parameters = context.command.get_params(context)
    options = [p for p in parameters if getattr(p, "param_type_name", "") == "option"]
    return [list(option.opts) for option in options]


def _unknown_command(message: str, context: Any) -> UsageError:
    """Refuse a command, proposing the nearest that exists."""
    quoted = re.match(r"No such command (['\"])(.*?)\1", message, re.DOTALL)
    word = quoted[2] if quoted else message
    known = context.command.list_commands(context) if context is not None else []
    near = get_close_matches(word, known, n=1)
    return UsageError(
        f"there is no command '{word}'",
        expected="one of " + ", ".join(known),
        attempt=f"benchlog {near[0]}" if near else "benchlog --help",
    )
