"""Where `confirm` shows what it does: a screen, or plain sentences."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from rich.cells import cell_len

from benchlog.errors import one_line
from benchlog.show.confirm_result import lay_out_result, list_sentences, word_style
from benchlog.show.live_screen import LiveScreen, cut_line
from benchlog.show.live_shapes import Glyphs, Line, big_number, big_size
from benchlog.show.live_terminal import LiveTerminal

if TYPE_CHECKING:
    from benchlog.calibration.confirming import Confirmation

__all__ = [
    "REMINDER",
    "ConfirmPicture",
    "ConfirmScreen",
    "ConfirmSentences",
    "Stage",
    "lay_out_confirm",
]

Stage = Literal[
    "silent", "go", "moving", "holding", "doubtful", "other-end", "reckoning", "answer", "lost"
]

REMINDER = "The servo is unplugged, and its arm off or free to turn: a stalled servo heats."
"""What is said before anything else."""

_STOPS = {
    "anticlockwise": "the ANTICLOCKWISE stop",
    "middle": "about the MIDDLE",
    "clockwise": "the CLOCKWISE stop",
}
_NAMES = {"anticlockwise": "anticlockwise stop", "middle": "middle", "clockwise": "clockwise stop"}
_BATCH_KEYS = "Enter take now / next   a again   d dead copy   o other stop   q quit"
_SINGLE_KEYS = "Enter take now   o other stop   q quit"


@dataclass(frozen=True, slots=True)
class ConfirmPicture:
    """What is known at an instant.

    Attributes
    ----------
    channel : str
        The channel.
    batch : str or None
        The batch's name.
    number : int
        The copy's number.
    counts : tuple of int
        Copies that passed, failed and are to be measured again.
    stage : str
        What is going on.
    asked : str or None
        The knob position to go to.
    pulse_s : float or None
        The pulse now, seconds.
    share : float
        How much of the wait is over, 0 to 1.
    taken : tuple
        Name, pulse and standard uncertainty of each position that was taken, seconds.
    result : Confirmation or None
        The answer, while it is shown.
    answer : str or None
        Its word; also where a copy has an answer without figures.
    message : str
        News.
    has_keys : bool
        Whether keys can be pressed.
    is_gone : bool
        Whether a copy that has its answer was unplugged.
    next_number : int
        The number of the copy after this one.
    """

    channel: str
    batch: str | None
    number: int
    counts: tuple[int, int, int]
    stage: Stage
    asked: str | None
    pulse_s: float | None
    share: float
    taken: tuple[tuple[str, float, float], ...]
    result: Confirmation | None
    answer: str | None
    message: str
    has_keys: bool
    is_gone: bool = False
    next_number: int = 1


def tell_stage(picture: ConfirmPicture) -> tuple[str, str]:
    """Return what to do, and what the program does meanwhile."""
    where = _STOPS.get(picture.asked or "", "")
    go = f"Turn the knob to {where}."
    if picture.stage == "silent":
        plug = f"Plug in copy {picture.number}, its knob at {where}." if picture.batch else ""
        if picture.taken:
            return "The pulses have stopped.", "Plug the channel in again, or look at the lead."
        return plug or go, "No pulses are heard yet."
    told = {
        "go": (go, "Then let go of it: the pulse is taken by itself once it stands still."),
        "moving": (go, "The pulse moves."),
        "holding": (f"Leave the knob at {where}.", "It stands still and is being taken."),
        "doubtful": (
            go,
            "If it is there already, leave it: this pulse is unusual there, and is taken soon.",
        ),
        "other-end": (
            go,
            "This is the other stop's pulse. If the knob is at the stop that is asked for, leave "
            "it: its ends are exchanged. Key o: it is at the other stop.",
        ),
        "reckoning": ("All three are taken.", "Working out what they say."),
        "lost": ("The input is gone.", "Plug it in again; it goes on by itself."),
    }
    return told.get(picture.stage, ("", ""))


# --- a screen -----------------------------------------------------------------


def lay_out_confirm(picture: ConfirmPicture, width: int, height: int, glyphs: Glyphs) -> list[Line]:
    """Lay a picture out.

    Parameters
    ----------
    picture : ConfirmPicture
        What to show.
    width, height : int
        The screen, at least 1 each.
    glyphs : Glyphs
        What to draw with.

    Returns
    -------
    list of Line
        `height` lines, none wider than `width`.
    """
    lines: list[Line] = [_header(picture, width)]
    footer = _footer(picture, width)
    body = max(0, height - 1 - len(footer))
    if picture.stage == "answer":
        drawn = _answer(picture, width, body - 1, glyphs)
    else:
        drawn = _way(picture, width, body - 1, glyphs)
    lines += ([[]] if body > 6 else []) + drawn
    lines = (lines + [[] for _ in range(height)])[: max(0, height - len(footer))] + footer
    return [cut_line(line, width) for line in lines[:height]]


def _header(picture: ConfirmPicture, width: int) -> Line:
    """Say what is confirmed, and how the batch stands."""
    title = f"confirm {one_line(picture.channel)}"
    if picture.batch is None:
        return [(title, "strong")]
    title += f"  batch {one_line(picture.batch)}  copy {picture.number}"
    passed, failed, again = picture.counts
    tally = f"PASS {passed}  FAIL {failed}  AGAIN {again}"
    gap = width - cell_len(title) - cell_len(tally)
    return [(title, "strong"), (" " * max(gap, 2), ""), (tally, "faint")]


def _footer(picture: ConfirmPicture, width: int) -> list[Line]:
    """Tell the news, and what the keys do."""
    lines: list[Line] = []
    if picture.message:
        rows = textwrap.wrap(one_line(picture.message), max(width, 8))[:2]
        lines += [[(row, "note")] for row in rows]
    keys = _BATCH_KEYS if picture.batch is not None else _SINGLE_KEYS
    if not picture.has_keys:
        keys = "Ctrl-C ends it"
    elif cell_len(keys) > width:
        keys = "q quit"
    return [*lines, [(keys, "faint")]]


def _way(picture: ConfirmPicture, width: int, height: int, glyphs: Glyphs) -> list[Line]:
    """Show where to go, the pulse, and what was taken."""
    do, meanwhile = tell_stage(picture)
    lines: list[Line] = [[(row, "strong")] for row in textwrap.wrap(do, max(width, 8))]
    lines += [[(row, "")] for row in textwrap.wrap(meanwhile, max(width, 8))]
    roomy = height >= 16
    lines += [[]] if roomy else []
    lines += _pulse(picture, width, glyphs, roomy)
    lines += [[]] if roomy else []
    across = max(0, min(40, width - 2))
    done = round(picture.share * across)
    bar = glyphs.block * done + glyphs.none * (across - done)
    lines.append([(bar, "chart")])
    lines += [[]] if roomy else []
    taken = {name: (pulse_s, u_s) for name, pulse_s, u_s in picture.taken}
    for name, shown in _NAMES.items():
        if name in taken:
            pulse_s, u_s = taken[name]
            text = (
                f"{glyphs.good} {shown:<20}{pulse_s * 1e6:8.1f} {glyphs.plus_minus} "
                f"{max(2e6 * u_s, 0.1):.1f} {glyphs.micro}"
            )
            lines.append([(text, "good")])
        else:
            mark = ">" if name == picture.asked else " "
            lines.append([(f"{mark} {shown}", "strong" if mark == ">" else "faint")])
    if roomy and not picture.taken:
        lines += [[], *([(row, "note")] for row in textwrap.wrap(REMINDER, max(width, 8)))]
    return lines


def _pulse(picture: ConfirmPicture, width: int, glyphs: Glyphs, roomy: bool) -> list[Line]:
    """Show the pulse as it is now, large where there is room."""
    if picture.pulse_s is None:
        return [[("no pulse", "faint")], *([[]] * 4 if roomy else [])]
    number = f"{picture.pulse_s * 1e6:.1f}"
    if not roomy or big_size(number, 2) + 3 > width:
        return [[(f"{number} {glyphs.micro}", "number")]]
    rows = big_number(number, 2, 1, glyphs.block)
    unit = [""] * (len(rows) - 1) + [f" {glyphs.micro}"]
    return [[(row, "number"), (end, "")] for row, end in zip(rows, unit, strict=True)]


def _answer(picture: ConfirmPicture, width: int, height: int, glyphs: Glyphs) -> list[Line]:
    """Show the answer; what to do next stands last and is never left out."""
    next_lines: list[Line] = []
    if picture.batch is not None:
        text = "Unplug it and plug in the next copy: it goes on by itself."
        if picture.is_gone:
            stop = _STOPS["anticlockwise"]
            text = f"Plug in copy {picture.next_number}, its knob at {stop}."
        next_lines = [[(row, "strong")] for row in textwrap.wrap(text, max(width, 8))]
    room = max(1, height - len(next_lines))
    if picture.result is not None:
        lines = lay_out_result(picture.result, width, room, glyphs)
    else:
        word = picture.answer or "AGAIN"
        lines = [[(word, word_style(word))]]
    return [*lines, *next_lines]


class ConfirmScreen(LiveScreen[ConfirmPicture]):
    """Draws on a terminal of its own.

    Parameters
    ----------
    terminal : LiveTerminal
        The terminal.
    """

    def __init__(self, terminal: LiveTerminal) -> None:
        super().__init__(terminal, lay_out_confirm, _key)


def _key(picture: ConfirmPicture) -> tuple[object, ...]:
    """Return what has to be seen at once where it differs."""
    return picture.stage, picture.asked, picture.number, picture.message, picture.is_gone


# --- sentences ------------------------------------------------------------------


class ConfirmSentences:
    """Says what is new, a line each: for a pipe, a screen reader, a script.

    Parameters
    ----------
    write : callable
        Takes one line without its line break.
    """

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._said: tuple[object, ...] = ()
        self._taken = 0
        self._message = ""
        self._result: object = None
        write(REMINDER)

    def show(self, picture: ConfirmPicture) -> None:
        """Write the lines that are due."""
        if picture.message and picture.message != self._message:
            self._write(one_line(picture.message))
        self._message = picture.message
        for name, pulse_s, u_s in picture.taken[self._taken :]:
            self._write(
                f"Taken: {_NAMES[name]}, {pulse_s * 1e6:.1f} ± {max(2e6 * u_s, 0.1):.1f} µs."
            )
        self._taken = len(picture.taken)
        if picture.stage == "answer":
            self._answer(picture)
            return
        self._result = None
        what = (picture.number, picture.asked, picture.stage)
        if what == self._said or picture.stage in ("moving", "reckoning"):
            return
        # a hand that comes to rest on its way is no news twice
        if picture.stage == "go" and self._said[:2] == what[:2]:
            return
        self._said = what
        head = f"Copy {picture.number}: " if picture.batch is not None else ""
        do, meanwhile = tell_stage(picture)
        self._write(f"{head}{do} {meanwhile}".strip())

    def _answer(self, picture: ConfirmPicture) -> None:
        if picture.batch is None:
            return  # the answer of a single channel is given once the terminal is as it was
        key = (picture.number, id(picture.result), picture.answer)
        if key == self._result:
            return
        self._result = key
        self._write(f"Copy {picture.number}: {picture.answer}")
        if picture.result is not None:
            for name, text in list_sentences(picture.result):
                self._write(f"{name}: {one_line(text)}")
        self._write("Unplug it and plug in the next copy: it goes on by itself.")

    def redraw(self) -> None:
        """Do nothing."""
