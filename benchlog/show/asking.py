"""Questions in a terminal: asked on standard error, so that standard output keeps the result."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import textwrap
from collections.abc import Callable, Sequence
from typing import TypeVar

from benchlog.errors import DesignError, UsageError, one_line

__all__ = ["ask", "ask_choice", "ask_key", "can_ask", "tell"]

T = TypeVar("T")

_LOOK_OUT_S = 0.2


def can_ask() -> bool:
    """Tell whether somebody can answer: standard input and standard error are a terminal."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty()


def tell(text: str, *, indent: int = 0) -> None:
    """Write a sentence to standard error, wrapped to the terminal.

    Parameters
    ----------
    text : str
        The sentence; shown as it is, control characters made visible.
    indent : int
        Blanks before it.
    """
    width = max(_columns() - 1, 20)
    blanks = " " * indent
    lines = textwrap.wrap(
        one_line(text), width, initial_indent=blanks, subsequent_indent=blanks
    ) or [""]
    sys.stderr.write("\n".join(lines) + "\n")
    sys.stderr.flush()


def _columns() -> int:
    """Return how wide the terminal on standard error is."""
    from rich.console import Console

    return Console(file=sys.stderr).width


def _read_line(prompt: str, flag: str) -> str:
    """Read one line; `UsageError` where the input ends."""
    from rich.console import Console
    from rich.text import Text

    console = Console(file=sys.stderr, markup=False, highlight=False, emoji=False)
    try:
        console.print(Text(one_line(prompt)), end="")
        _wait_for_line()
        return input().strip()
    except EOFError:
        sys.stderr.write("\n")
        raise UsageError(
            f"the input ended at the question '{one_line(prompt).strip(': ')}'",
            expected="an answer; nothing was written",
            attempt=f"{flag}, or --yes to ask nothing",
        ) from None
    except KeyboardInterrupt:
        sys.stderr.write("\n")  # what follows begins a line of its own
        raise
    except UnicodeDecodeError:
        return "\ufffd"  # what was typed is no text; it is refused like any wrong answer


def _wait_for_line() -> None:
    """Wait until a line was typed, and look out for Ctrl-C.

    `input` alone misses a Ctrl-C that comes in the instant before it waits, and then does not
    end until something else is typed.
    """
    if os.name == "nt":
        return  # its consoles cannot be waited for in this way
    with contextlib.suppress(OSError, ValueError):
        while not select.select([sys.stdin], [], [], _LOOK_OUT_S)[0]:
            pass


def ask(
    question: str,
    read: Callable[[str], T],
    *,
    flag: str,
    default: str | None = None,
    explanation: str = "",
) -> tuple[str, T]:
    """Ask until the answer can be used.

    Parameters
    ----------
    question : str
        A few words.
    read : callable
        Reads an answer; a `DesignError` or `UsageError` from it is shown, and it is asked again.
    flag : str
        The option that answers it, named where the input ends.
    default : str, optional
        The answer that an empty line stands for.
    explanation : str
        What '?' shows.

    Returns
    -------
    typed : str
        The answer in words.
    value
        What `read` returned.

    Raises
    ------
    UsageError
        The input ended.
    """
    while True:
        offered = f" [{default}]" if default is not None else ""
        typed = _read_line(f"{question}{offered}: ", flag) or (default or "")
        if typed == "?" or not typed:
            tell(explanation or "An answer is needed here.", indent=2)
            continue
        try:
            return typed, read(typed)
        except (DesignError, UsageError) as fault:
            tell(f"{fault.found}. Expected: {fault.expected}. Try: {fault.attempt}.", indent=2)


def ask_key(question: str, keys: Sequence[str], *, flag: str) -> str:
    """Ask for Enter or one of some letters, until it is one of them.

    Parameters
    ----------
    question : str
        A few words that name them.
    keys : sequence of str
        The letters, small.
    flag : str
        The option that answers it, named where the input ends.

    Returns
    -------
    str
        The letter; empty for Enter.

    Raises
    ------
    UsageError
        The input ended.
    """
    while True:
        typed = _read_line(f"{question}: ", flag).lower()
        if not typed or typed in keys:
            return typed
        tell(f"'{typed[:20]}'. Expected: Enter, or {' or '.join(keys)}.", indent=2)


def ask_choice(question: str, choices: Sequence[str], *, flag: str, default: str) -> str:
    """Ask for one of some words; the first letters do.

    Parameters
    ----------
    question : str
        A few words.
    choices : sequence of str
        The words.
    flag : str
        The option that answers it.
    default : str
        The answer that an empty line stands for.

    Returns
    -------
    str
        One of `choices`.

    Raises
    ------
    UsageError
        The input ended.
    """

    def read(text: str) -> str:
        exact = [one for one in choices if one.lower() == text.lower()]
        found = exact or [one for one in choices if one.lower().startswith(text.lower())]
        if len(found) != 1:
            raise UsageError(
                f"'{text[:40]}'", expected=f"one of {', '.join(choices)}", attempt=default
            )
        return found[0]

    shown = f"{question} ({', '.join(choices)})"
    return ask(shown, read, flag=flag, default=default)[1]
