"""Run the real command line from a test, in this process or as a process of its own."""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

__all__ = ["COMMANDS", "Outcome", "command_words", "plain_environment", "run_here", "run_process"]

COMMANDS = (
    "new",
    "inputs",
    "wire",
    "listen",
    "predict",
    "watch",
    "trim",
    "capture",
    "measure",
    "confirm",
    "sweep",
    "calibrate",
    "drift",
    "dial",
    "servo",
    "diagnose",
    "log",
    "demo",
)
"""Every command, in the order of the help."""

_CHECKOUT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a command left: its exit status and what it printed."""

    status: int
    out: str
    err: str


def command_words(*words: str | Path) -> list[str]:
    """Return the command line that runs benchlog with `words`."""
    return [sys.executable, "-m", "benchlog", *map(str, words)]


def plain_environment(base: Mapping[str, str] | None = None) -> dict[str, str]:
    """Return an environment that finds the checkout and knows no bench folder."""
    taken = dict(os.environ if base is None else base)
    taken.pop("BENCHLOG_BENCH", None)
    taken["PYTHONPATH"] = str(_CHECKOUT)
    return taken


def run_process(
    *words: str | Path,
    cwd: Path,
    environment: Mapping[str, str] | None = None,
    timeout: float = 60.0,
) -> Outcome:
    """Run benchlog as a process of its own; a hang ends in `subprocess.TimeoutExpired`."""
    done = subprocess.run(
        command_words(*words),
        cwd=cwd,
        env=plain_environment(environment),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=timeout,
        check=False,
    )
    return Outcome(done.returncode, done.stdout, done.stderr)


@contextlib.contextmanager
def _inside(folder: Path) -> Iterator[None]:
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def run_here(*words: str | Path, cwd: Path) -> Outcome:
    """Run benchlog's entry point in this process, as the installed command would.

    Warnings are shown on standard error, as a user would see them, rather than raised.
    """
    from benchlog.__main__ import main

    out, err = io.StringIO(), io.StringIO()
    status: object
    with (
        _inside(cwd),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("default")
        try:
            status = main([*map(str, words)])
        except SystemExit as end:
            status = end.code
    return Outcome(
        status if isinstance(status, int) else int(status is not None), *_texts(out, err)
    )


def _texts(out: io.StringIO, err: io.StringIO) -> tuple[str, str]:
    return out.getvalue(), err.getvalue()
