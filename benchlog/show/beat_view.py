"""What is shown while a hand acts on the beat, and the answers of a try or a comparison."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchlog.errors import one_line
from benchlog.show.live_screen import LiveScreen, cut_line
from benchlog.show.live_shapes import Glyphs, Line, big_number, big_size
from benchlog.show.live_terminal import LiveTerminal

if TYPE_CHECKING:
    from benchlog.diagnosis.finding import Finding
    from benchlog.diagnosis.trial.comparing import Comparison

__all__ = [
    "BeatPicture",
    "BeatScreen",
    "BeatSentences",
    "lay_out_beat",
    "show_comparison",
    "show_findings",
]


@dataclass(frozen=True, slots=True)
class BeatPicture:
    """What is shown at an instant.

    Attributes
    ----------
    channel : str
        The channel.
    act, rest : str
        What the hand does, and what in between.
    is_act : bool or None
        Whether it is to act now; None before the first and after the last slot.
    slot, slots : int
        Which slot it is, from 1, and how many there are.
    left_s : float
        Until the next beat, seconds.
    """

    channel: str
    act: str
    rest: str
    is_act: bool | None
    slot: int
    slots: int
    left_s: float


def lay_out_beat(picture: BeatPicture, width: int, height: int, glyphs: Glyphs) -> list[Line]:
    """Lay out a picture.

    Parameters
    ----------
    picture : BeatPicture
        What is shown.
    width, height : int
        The screen.
    glyphs : Glyphs
        What to draw with.

    Returns
    -------
    list of Line
        `height` lines, none wider than `width`.
    """
    now, style = _now(picture)
    lines: list[Line] = [[(f"on the beat: {one_line(picture.channel)}", "title")], []]
    rows = textwrap.wrap(now, max(width - 2, 8))
    blank = " " * min(width, max((len(one) for one in rows), default=0) + 2)
    # the whole block changes colour at a beat: seen from the corner of an eye
    lines += [[(blank, style)], *([(f" {one}".ljust(len(blank)), style)] for one in rows)]
    lines += [[(blank, style)], []]
    number = str(max(0, int(picture.left_s) + 1)) if picture.is_act is not None else ""
    if number and height >= 16 and big_size(number, 2) < width:
        lines += [[(row, "number")] for row in big_number(number, 2, 1, glyphs.block)]
    elif number:
        lines.append([(f"{number} s", "number")])
    lines += [[], [(f"{picture.slot} of {picture.slots}", "faint")]]
    foot: Line = [("q leaves; what was heard is kept", "faint")]
    lines = lines[: max(0, height - 1)]
    lines += [[]] * (height - 1 - len(lines))
    return [cut_line(line, width) for line in [*lines, foot]][:height]


def _now(picture: BeatPicture) -> tuple[str, str]:
    """Return what to do now, and its colours."""
    if picture.is_act is None:
        return "Wait.", "strong"
    text = picture.act if picture.is_act else picture.rest
    return f"NOW: {text}", "note-block" if picture.is_act else "strong"


class BeatScreen(LiveScreen[BeatPicture]):
    """Draws on a terminal of its own.

    Parameters
    ----------
    terminal : LiveTerminal
        The terminal.
    """

    def __init__(self, terminal: LiveTerminal) -> None:
        super().__init__(terminal, lay_out_beat, lambda picture: (picture.slot, picture.is_act))


class BeatSentences:
    """Writes a sentence at each beat.

    Parameters
    ----------
    write : callable
        Takes a line.
    """

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._said: object = None

    def show(self, picture: BeatPicture) -> None:
        """Say what to do, where that has changed."""
        said = (picture.slot, picture.is_act)
        if said == self._said or picture.is_act is None:
            return
        self._said = said
        text = picture.act if picture.is_act else picture.rest
        self._write(f"{picture.slot} of {picture.slots}: {text}")

    def redraw(self) -> None:
        """Do nothing."""


def show_findings(name: str, findings: Sequence[Finding]) -> None:
    """Show findings: what, why, how sure, and what next.

    Parameters
    ----------
    name : str
        What they are of.
    findings : sequence of Finding
        Weightiest first.
    """
    from benchlog.show.terminal import key_value_table, plain, show

    for number, one in enumerate(findings):
        rows = (
            ("What", one.what),
            ("Why", one.why),
            ("How sure", one.sure),
            ("Next", one.next_step),
        )
        show(
            *([plain(name), ""] if number == 0 else [""]),
            key_value_table([(label, text) for label, text in rows if text]),
        )


def show_comparison(comparison: Comparison) -> None:
    """Show what each stage gave.

    Parameters
    ----------
    comparison : Comparison
        The stages.
    """
    from benchlog.diagnosis.words.comparing_texts import STAGE_WORDS
    from benchlog.show.terminal import key_value_table, show

    rows = [
        (
            STAGE_WORDS[one.name],
            f"pulse {one.pulse_s * 1e6:.1f} ± {2e6 * one.u_pulse_s:.1f} µs, scatter "
            f"{one.pulse_sd_s * 1e6:.2f} µs, of the whole cycle {one.period_sd_s * 1e6:.1f} µs, "
            f"creep {one.creep_s_per_s * 1e6:+.2f} ± {2e6 * one.u_creep_s_per_s:.2f} µs/s",
        )
        for one in comparison.figures
    ]
    show("", key_value_table(rows))
