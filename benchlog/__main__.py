"""The door of the command line: `benchlog` and `python -m benchlog`.

Nothing heavy is imported here: the rooms are opened inside the commands that use them.
"""

from __future__ import annotations

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
    from benchlog.commands.application import run
    from benchlog.show.terminal import abandon_output

    for stream in (sys.stdout, sys.stderr):
        # a terminal that cannot show '±' gets '?' rather than a failure
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    before, sys.unraisablehook = sys.unraisablehook, _pass_on_interrupt
    try:
        status = run(sys.argv[1:] if arguments is None else arguments)
        sys.stdout.flush()
    except KeyboardInterrupt:
        sys.stderr.write("interrupted; what was stored until now is kept\n")
        return 130
    except BrokenPipeError:
        # whoever read the output has left, as `head` does
        abandon_output()
        return 0
    finally:
        sys.unraisablehook = before
    return status


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
