"""What `confirm` leaves on the terminal when it is over: an answer, or how a batch came out."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from benchlog.errors import one_line
from benchlog.show.confirm_result import lay_out_result, list_sentences
from benchlog.show.terminal import plain, screen_width, show, write_out

if TYPE_CHECKING:
    from benchlog.calibration.batch import BatchSummary
    from benchlog.calibration.confirming import Confirmation
    from benchlog.capture.batch_rows import BatchCopy

__all__ = ["KNOB_WORN", "NOT_AS_MARKED", "shorten_reason", "show_batch", "show_result"]

KNOB_WORN = "knob: worn or dirty?"
"""With what the reason begins of a copy whose knob's wiper makes bad contact."""

NOT_AS_MARKED = ", not "
"""What stands between found and marked value where the reason begins with a part of another value,
such as 'c_timing 23.9 nF, not 22 nF.'"""

_FAULTS = {
    "value": "wrong value",
    "decade": "a decade off",
    "swapped": "exchanged with r_off",
    "ends-swapped": "ends exchanged",
    "taper": "another taper",
    "open": "does not conduct",
    "reversed": "the wrong way round",
}


def shorten_reason(copy: BatchCopy) -> str:
    """Say in a few words what speaks against a copy: the part first, then the servo.

    Parameters
    ----------
    copy : BatchCopy
        The copy.

    Returns
    -------
    str
        Empty where nothing does.
    """
    if copy.verdict != "FAIL":
        return KNOB_WORN if copy.reason.startswith(KNOB_WORN) else copy.reason
    words = []
    head, _, rest = copy.reason.partition(". ")
    is_told = head.startswith(f"{copy.part} ") and NOT_AS_MARKED in head
    if is_told:
        words.append(head)
    elif copy.part is not None:
        words.append(f"{copy.part}: {_FAULTS.get(copy.fault or '', copy.fault or '')}")
    if (rest if is_told else copy.reason).startswith("Not safe"):
        words.append("past the servo's range")
    return "; ".join(words) or copy.reason


def show_result(result: Confirmation, *, large: bool) -> None:
    """Show an answer.

    Parameters
    ----------
    result : Confirmation
        The answer.
    large : bool
        Whether its word is drawn in large letters; else it is the first line.
    """
    from benchlog.show.live_screen import make_painter
    from benchlog.show.live_view import choose_glyphs

    if not large:
        told = [result.word, *(f"{name}: {text}" for name, text in list_sentences(result))]
        write_out("".join(f"{one_line(line)}\n" for line in told))
        return
    paint = make_painter()
    glyphs = choose_glyphs(getattr(sys.stdout, "encoding", None))
    for line in lay_out_result(result, screen_width(), None, glyphs):
        write_out("".join(paint(text, style) for text, style in line).rstrip() + "\n")


def show_batch(copies: Sequence[BatchCopy], summary: BatchSummary, written: Sequence[str]) -> None:
    """Show how a batch came out.

    Parameters
    ----------
    copies : sequence of BatchCopy
        Each copy as it was measured last.
    summary : BatchSummary
        What they have in common.
    written : sequence of str
        Files that were written.
    """
    from rich.table import Table as TextTable

    grid = TextTable(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="bold")
    for name in ("copy", "pulse at the ends\nµs", "off by\nµs"):
        grid.add_column(name, justify="right", no_wrap=True)
    grid.add_column("answer", no_wrap=True)
    grid.add_column("why")
    for copy in copies:
        places = [one for one in (copy.places[0], copy.places[2]) if one is not None]
        grid.add_row(
            plain(str(copy.number)),
            plain(" to ".join(f"{one.pulse_s * 1e6:.1f}" for one in places)),
            plain(" ".join(f"{round(one.deviation_s * 1e6):+d}" for one in places)),
            plain(copy.verdict),
            plain(shorten_reason(copy)),
            style="" if copy.verdict == "PASS" else "bold",
        )
    words = [copy.verdict for copy in copies]
    tally = ", ".join(f"{words.count(word)} {word}" for word in ("PASS", "FAIL", "AGAIN"))
    count = f"{len(copies)} cop{'y' if len(copies) == 1 else 'ies'}"
    show(grid, f"{count}: {tally}.", *summary.sentences)
    show(*(f"Written: {name}" for name in written))
