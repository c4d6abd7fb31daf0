"""What `servo` shows while a servo's range and curve are sought, on a screen or in sentences."""

from __future__ import annotations

import textwrap
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from benchlog.channel.kept_servo import ServoEnd
from benchlog.channel.servo_curve import ServoPoint
from benchlog.errors import one_line
from benchlog.show.live_screen import LiveScreen, cut_line
from benchlog.show.live_shapes import Glyphs, Line, big_number, big_size
from benchlog.show.live_terminal import LiveTerminal

__all__ = [
    "CAUTIONS",
    "ServoPicture",
    "ServoScreen",
    "ServoSentences",
    "ServoStage",
    "describe_end",
    "lay_out_servo",
    "tell_servo",
]

CAUTIONS = (
    "A servo that pushes against its stop heats, draws a lot of current and can pinch: take its "
    "arm off, keep fingers away, and turn back the moment that it buzzes.",
    "The servo is fed from its own cells, never from the computer's USB; its ground and the "
    "channel's are joined.",
    "Battery or isolated low voltage only; the computer on its own battery while it listens.",
    "A servo that gets hot or smells is unplugged, and cools before the next try.",
)
"""What to mind before a servo is plugged in."""

ServoStage = Literal["start", "seek", "back", "points"]

_SAY_S = 8.0
_WAYS = ("clockwise", "anticlockwise")


@dataclass(frozen=True, slots=True)
class ServoPicture:
    """What is shown at an instant.

    Attributes
    ----------
    name, source : str
        The servo, and what is listened to.
    stage : str
        ``start``: knob to the middle, servo in; ``seek``: slowly towards an end; ``back``: away
        from the stop at once; ``points``: arm angles are read.
    side : int
        Which end is sought: 0 towards the knob's clockwise stop, 1 the other one.
    attempt : int
        The coming try at this end, from 1.
    needs_more : bool
        Whether the tries at this end do not agree so far.
    pulse_s : float or None
        The pulse now, seconds; None without one.
    is_settled : bool
        Whether it stands still.
    low, high : ServoEnd or None
        The ends as found so far.
    range_s : tuple of float or None
        What the servo may be sent, once both are known, seconds.
    points : tuple of ServoPoint
        Arm angles so far.
    typed : str
        What is being typed.
    message : str
        What has just happened.
    message_number : int
        Which message of the session that is: the same words may be said twice.
    is_lost : bool
        Whether the input is gone.
    quiet : str
        What is heard in place of pulses.
    """

    name: str
    source: str
    stage: ServoStage
    side: int = 0
    attempt: int = 1
    needs_more: bool = False
    pulse_s: float | None = None
    is_settled: bool = False
    low: ServoEnd | None = None
    high: ServoEnd | None = None
    range_s: tuple[float, float] | None = None
    points: tuple[ServoPoint, ...] = ()
    typed: str = ""
    message: str = ""
    message_number: int = 0
    is_lost: bool = False
    quiet: str = ""


# --- words -------------------------------------------------------------------------


def tell_servo(picture: ServoPicture) -> tuple[str, str]:
    """Return what to do now, and what to mind, each a sentence or two."""
    if picture.is_lost:
        return "The input is gone. Plug it in again.", "Unplug the servo until it is back."
    if picture.stage != "back" and picture.pulse_s is None:
        heard = f" {picture.quiet}." if picture.quiet else ""
        return f"No pulse is heard.{heard}", "Leave the servo unplugged until there is one."
    way = _WAYS[picture.side]
    if picture.stage == "start":
        return (
            "Take the arm off. Turn the knob to the middle of its travel, then plug the servo in.",
            "Is it quiet there? Then press Enter. If it buzzes in the middle as well, unplug it: "
            "it is no servo for this channel, or it is broken.",
        )
    if picture.stage == "back":
        return "TURN BACK NOW, until it is quiet.", "It goes on by itself once you have."
    if picture.stage == "seek":
        more = "again, " if picture.attempt > 1 else ""
        why = " The tries do not agree yet: once more, more slowly." if picture.needs_more else ""
        return (
            f"Turn {more}slowly towards the {way} stop, and press Enter at the first buzz.",
            f"Some 5 degrees a second: the slower, the surer. Turn back at once.{why} "
            "Key e: the knob is at its end, and there was no buzz.",
        )
    count = len(picture.points)
    if count == 0:
        what = (
            "For its curve: unplug the servo, put its arm on, hold a protractor to it, plug it in "
            "again. Turn to some place and type the arm's angle in degrees."
        )
    elif count < 3:
        what = f"Turn to another place, and type the arm's angle. {3 - count} more for a curve."
    else:
        what = "Turn to another place and type the arm's angle, or press Enter: that is enough."
    if picture.range_s is None:
        return what, ""
    low, high = (f"{one * 1e6:.0f}" for one in picture.range_s)
    mind = f"Stay within {low} to {high} µs; places near both ends make it surer. "
    return what, mind + ("Enter alone: leave it at the range." if count == 0 else "")


def describe_end(end: ServoEnd | None) -> str:
    """Return an end of the range in a few words."""
    if end is None:
        return "not found yet"
    pulse = f"{end.pulse_s * 1e6:.0f}"
    if end.how == "at least":
        return f"{pulse} µs without a buzz, where the knob ends: at least so far"
    if end.how == "given":
        return f"{pulse} µs, as it was told"
    count = len(end.tries_s)
    tries = f"{count} tries" if count != 1 else "1 try"
    return f"{pulse} µs ± {2e6 * end.u_s:.0f}, from {tries}"


# --- a screen ----------------------------------------------------------------------


def lay_out_servo(picture: ServoPicture, width: int, height: int, glyphs: Glyphs) -> list[Line]:
    """Lay out a picture.

    Parameters
    ----------
    picture : ServoPicture
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
    roomy = height >= 20
    gap: list[Line] = [[]] if roomy else []
    what, mind = tell_servo(picture)
    is_urgent = picture.stage == "back" and not picture.is_lost
    lines: list[Line] = [[(f"servo {one_line(picture.name)}", "title")], *gap]
    lines += _wrap(what, width, "bad-block" if is_urgent else "strong", 2 if roomy else 1, glyphs)
    lines += _wrap(mind, width, "", 3 if roomy else 1, glyphs)
    lines += [*gap, *_now(picture, width, glyphs, roomy), *gap]
    for name, end in (("shortest", picture.low), ("longest", picture.high)):
        style = "faint" if end is None else ""
        lines.append([(_translate(f"{name:<9} {describe_end(end)}", glyphs), style)])
    if picture.stage == "points":
        lines.append([(_translate(_list_points(picture.points), glyphs), "")])
        lines.append([("angle? ", "strong"), (f"{picture.typed}_", "number")])
    foot = picture.message or _keys(picture)
    rows = _wrap(foot, width, "note" if picture.message else "faint", 1, glyphs)
    rows = rows[: max(1, height // 4)]
    lines = lines[: max(0, height - len(rows))]
    lines += [[]] * (height - len(rows) - len(lines))
    return [cut_line(line, width) for line in [*lines, *rows]][:height]


def _keys(picture: ServoPicture) -> str:
    if picture.stage == "points":
        return "Enter take the angle, alone: enough   b take back the last   q keep and leave"
    if picture.stage == "start":
        return "Enter it is plugged in and quiet   q leave"
    return "Enter buzz   e knob's end, no buzz   b take back the last   q leave"


def _translate(text: str, glyphs: Glyphs) -> str:
    """Return text in the signs that the terminal can show."""
    pairs = (("µs", glyphs.micro), ("±", glyphs.plus_minus), ("°", glyphs.degree))
    for sign, shown in pairs:
        text = text.replace(sign, shown)
    return text


def _wrap(text: str, width: int, style: str, least: int, glyphs: Glyphs) -> list[Line]:
    """Return a text on lines, blank ones added so that what is below stays where it is."""
    rows = textwrap.wrap(one_line(_translate(text, glyphs)), max(width, 8))
    lines: list[Line] = [[(row, style)] for row in rows]
    return lines + [[]] * (least - len(lines))


def _now(picture: ServoPicture, width: int, glyphs: Glyphs, roomy: bool) -> list[Line]:
    """Show the pulse, large where there is room."""
    if picture.pulse_s is None:
        blank: list[Line] = [[]] * (4 if roomy else 0)
        return [[("no pulse", "bad")], *blank]
    number = f"{picture.pulse_s * 1e6:.0f}"
    state = "stands still" if picture.is_settled else "moves"
    if not roomy or big_size(number, 2) + 20 > width:
        return [[(f"{number} {glyphs.micro}", "number"), (f"   {state}", "faint")]]
    drawn = big_number(number, 2, 1, glyphs.block)
    beside = [f"{glyphs.micro} now", "", state, "", ""]
    return [[(row, "number"), (f"   {text}", "")] for row, text in zip(drawn, beside, strict=True)]


def _list_points(points: tuple[ServoPoint, ...]) -> str:
    if not points:
        return "no arm angle yet"
    shown = [f"{one.pulse_s * 1e6:.0f} µs = {one.arm_deg:g}°" for one in points[-4:]]
    return f"{len(points)} read: " + ("... " if len(points) > 4 else "") + ", ".join(shown)


def _stage_of(picture: ServoPicture) -> tuple[object, ...]:
    """Return what has to be seen at once."""
    return (
        picture.stage,
        picture.attempt,
        picture.typed,
        picture.message,
        picture.message_number,
        picture.is_lost,
        len(picture.points),
    )


class ServoScreen(LiveScreen[ServoPicture]):
    """Draws on a terminal of its own.

    Parameters
    ----------
    terminal : LiveTerminal
        The terminal.
    """

    def __init__(self, terminal: LiveTerminal) -> None:
        super().__init__(terminal, lay_out_servo, _stage_of)


class ServoSentences:
    """Writes sentences when there is something new to say.

    Parameters
    ----------
    write : callable
        Takes a line.
    """

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._said: object = None
        self._said_s = 0.0
        self._message_number = 0

    def show(self, picture: ServoPicture) -> None:
        """Say what is new, and how it stands now and then."""
        if picture.message and picture.message_number != self._message_number:
            self._write(one_line(picture.message))
            self._message_number = picture.message_number
        said: tuple[object, ...] = (picture.stage, picture.is_lost)
        if picture.stage != "back":
            step = (picture.side, picture.attempt, len(picture.points))
            said = (*said, *step, picture.pulse_s is None)
        now_s = time.monotonic()
        is_new = said != self._said
        if not is_new and now_s - self._said_s < _SAY_S:
            return
        self._said, self._said_s = said, now_s
        what, mind = tell_servo(picture)
        pulse = ""
        if picture.pulse_s is not None and picture.stage != "back":
            pulse = f" Pulse now {picture.pulse_s * 1e6:.0f} microseconds."
        spoken = f"{what} {mind}".strip() if is_new else what
        self._write(one_line(spoken.replace("µs", "microseconds") + pulse))

    def redraw(self) -> None:
        """Do nothing."""
