"""The door of the command line: `benchlog` and `python -m benchlog`.

Nothing heavy is imported here: the rooms are opened inside the commands that use them.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Sequence

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : sequence of str, optional
        The words after the program's name; those of the process when left out.

    Returns
    -------
    int
        The exit status: 0 done and nothing wrong, 1 done and something is, 2 could not be done,
        130 interrupted.
    """
    own = arguments is None
    # the matrices here are small: threads for them cost more than they save, and spin
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    before = sys.unraisablehook
    try:
        sys.unraisablehook = _pass_on_interrupt
        if own:
            _fill_closed_streams()
        return _run(sys.argv[1:] if arguments is None else arguments)
    except (KeyboardInterrupt, ImportError) as error:
        if not _was_interrupted(error):
            raise
        if own:
            _stop_listening()
        sys.stderr.write("interrupted; what was stored until now is kept\n")
        return 130
    finally:
        sys.unraisablehook = before
        if own:
            _stop_listening()


def _run(arguments: Sequence[str]) -> int:
    """Run the words, on streams that take every character."""
    from benchlog.commands.application import run
    from benchlog.show.terminal import SPELLED, abandon_output

    for stream in (sys.stdout, sys.stderr):
        # a terminal that cannot show '±' gets '+-' rather than a failure
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=SPELLED)
    try:
        status = run(arguments)
        sys.stdout.flush()
    except BrokenPipeError:
        # whoever read the output has left, as `head` does
        abandon_output()
        return 0
    return status


def _fill_closed_streams() -> None:
    """Open what the caller closed (as with ``>&-``) onto nothing.

    Else the next file that is opened, such as a recording, would take the place of standard
    output or standard error, and what libraries print there would end up in it.
    """
    while True:
        number = os.open(os.devnull, os.O_RDWR)
        if number > 2:
            os.close(number)
            break
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115


def _was_interrupted(error: BaseException | None) -> bool:
    """Tell whether Ctrl-C is behind an error.

    Libraries turn one that meets them while they are being imported into an ImportError.
    """
    while error is not None:
        if isinstance(error, KeyboardInterrupt):
            return True
        error = error.__cause__ or error.__context__
    return False


def _stop_listening() -> None:
    """Let nothing more interrupt a process that is about to end."""
    import signal

    with contextlib.suppress(ValueError):  # not in the main thread
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def _pass_on_interrupt(report: sys.UnraisableHookArgs) -> None:
    """Ask again for an interrupt (Ctrl-C) that fell into a callback of a library and got lost."""
    if not issubclass(report.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(report)
        return
    import _thread
    import threading

    again = threading.Timer(0.02, _thread.interrupt_main)
    again.daemon = True
    again.start()


if __name__ == "__main__":
    sys.exit(main())
