"""What `sweep` says: where to turn, what it does meanwhile, and the same as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from benchlog.errors import one_line
from benchlog.show.json_output import known_microseconds

if TYPE_CHECKING:
    from benchlog.channel.knob_marks import Mark

__all__ = [
    "REMINDER",
    "TAPE",
    "SweepEvent",
    "SweepPicture",
    "SweepStage",
    "begin_to_json",
    "end_to_json",
    "event_to_json",
    "name_mark",
    "picture_to_json",
    "tell_begin",
    "tell_done",
    "tell_event",
    "tell_left",
    "tell_stage",
]

SweepStage = Literal[
    "silent", "go", "moving", "holding", "recording", "doubtful", "same", "flat", "done", "lost"
]

REMINDER = "The servo is unplugged, or its arm off or free to turn: a stalled servo heats."
"""What is said before anything else."""

TAPE = (
    "A knob without a pointer: stick a strip of tape to it as a flag, cut to a point, and read the "
    "point against the ring."
)
"""How to read a knob that has no pointer."""


@dataclass(frozen=True, slots=True)
class SweepEvent:
    """What has happened.

    Attributes
    ----------
    serial : int
        From 1; a higher one is newer.
    kind : {"recorded", "taken-back"}
        What it was.
    mark : Mark
        The mark.
    record : str
        The record's name.
    pulse_s, u_s : float or None
        The pulse and its standard uncertainty by the live reading, seconds.
    note : str or None
        What the record tells besides.
    """

    serial: int
    kind: Literal["recorded", "taken-back"]
    mark: Mark
    record: str
    pulse_s: float | None = None
    u_s: float | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class SweepPicture:
    """What is known at an instant.

    Attributes
    ----------
    channel, source : str
        What is swept, and what is listened to.
    marks : tuple of Mark
        All marks.
    taken : frozenset of int
        Numbers of those that were taken.
    mark : Mark or None
        The one to go to.
    travel_deg : float
        The knob's travel.
    stage : str
        What is going on.
    pulse_s, expected_s : float or None
        The pulse now, and what the mark should give, seconds.
    looks_like_deg, last_deg, way_deg : float or None
        Which knob angle the pulse looks like, where the knob stood last, and how far it is to
        be turned, degrees, clockwise above 0.
    arm_deg : float or None
        The arm angle now, where arm angles are sought.
    share : float
        How much of the record is there, 0 to 1.
    event : SweepEvent or None
        What has happened last.
    message, quiet : str
        News; what is heard in place of pulses.
    has_keys : bool
        Whether keys can be pressed.
    is_flashing : bool
        Whether a mark was just ticked off.
    """

    channel: str
    source: str
    marks: tuple[Mark, ...]
    taken: frozenset[int]
    mark: Mark | None
    travel_deg: float
    stage: SweepStage
    pulse_s: float | None
    expected_s: float | None
    looks_like_deg: float | None
    last_deg: float | None
    way_deg: float | None
    arm_deg: float | None
    share: float
    event: SweepEvent | None
    message: str
    quiet: str
    has_keys: bool
    is_flashing: bool


def name_mark(mark: Mark) -> str:
    """Return what to call a mark, such as '67.5 degrees'."""
    text = f"{mark.degrees:g} degree{'s' if mark.degrees != 1 else ''}"
    return f"arm angle {text}" if mark.arm_deg is not None else text


def _at_stop(mark: Mark, travel_deg: float) -> str:
    """Return which stop a mark is, '' for none."""
    if mark.knob_deg is None:
        return ""
    if mark.knob_deg <= 0.0:
        return ", its anticlockwise stop"
    return ", its clockwise stop" if mark.knob_deg >= travel_deg else ""


def tell_stage(picture: SweepPicture) -> tuple[str, str]:
    """Return what to do, and what to know.

    Parameters
    ----------
    picture : SweepPicture
        What is known.

    Returns
    -------
    tuple of str
        Two sentences or more; the second may be empty.
    """
    mark = picture.mark
    if picture.stage == "lost":
        return "The input is gone.", "Plug it in again; it goes on by itself."
    if mark is None or picture.stage == "done":
        return "All marks are taken.", ""
    go = _tell_go(mark, picture)
    if picture.stage == "silent":
        return go, f"No pulses are heard: {picture.quiet or 'nothing yet'}."
    if picture.stage == "holding":
        return f"Leave the knob at {name_mark(mark)}.", "It stands still."
    if picture.stage == "recording":
        return f"Leave the knob at {name_mark(mark)}.", "It is being recorded."
    if picture.stage in ("doubtful", "same"):
        return go, _tell_doubt(mark, picture)
    if picture.stage == "flat":
        return go, "No other pulse is expected here than at the mark before: it is taken soon."
    if picture.stage == "moving":
        return go, "The pulse moves."
    return go, "Then let go of it: it is recorded by itself once the pulse stands still."


def _tell_go(mark: Mark, picture: SweepPicture) -> str:
    if mark.arm_deg is not None:
        way = picture.way_deg
        if way is None:
            return f"Turn the knob until the arm angle is {mark.arm_deg:g} degrees."
        if abs(way) < 0.05:
            return f"Leave the knob: the arm angle is {mark.arm_deg:g} degrees."
        side = "clockwise" if way > 0 else "anticlockwise"
        size = f"{abs(way):.0f}" if abs(way) >= 10.0 else f"{abs(way):.1f}"
        return f"Turn {side} by about {size} degrees: arm angle {mark.arm_deg:g}."
    stop = _at_stop(mark, picture.travel_deg)
    where = f"{name_mark(mark)}{stop}"
    if mark.direction == "down" and not stop and mark.number > 1:
        return f"Turn the knob back to {where}, coming from above."
    return f"Turn the knob to {where}."


def _tell_doubt(mark: Mark, picture: SweepPicture) -> str:
    how = "Enter takes it all the same, and so does turning it away and back."
    if not picture.has_keys:
        how = "Turning it away and back takes it all the same."
    if picture.stage == "same":
        last = f" that of {picture.last_deg:g} degrees" if picture.last_deg is not None else ""
        return f"The pulse is still{last}: is the flag at {mark.degrees:g}? {how}"
    like = picture.looks_like_deg
    looks = f"This looks like {like:.0f} degrees, not {mark.degrees:g}" if like is not None else ""
    return f"{looks}: is the flag at {mark.degrees:g}? {how}"


def tell_event(event: SweepEvent, *, sign: str = "±", unit: str = "µs") -> str:
    """Say what has happened."""
    name = name_mark(event.mark)
    if event.kind == "taken-back":
        return f"Taken back: {name}. Its record is set aside."
    way = f" ({event.mark.direction})" if event.mark.direction else ""
    told = f"Recorded: {name}{way}"
    if event.pulse_s is not None:
        u_us = max(2e6 * (event.u_s or 0.0), 0.1)
        told += f", {event.pulse_s * 1e6:.1f} {sign} {u_us:.1f} {unit}"
    if event.mark.arm_deg is not None:
        told += f". Draw a line at the flag and write {event.mark.arm_deg:g} on it"
    return one_line(f"{told}{f', {event.note}' if event.note else ''}.")


def _mark_to_json(mark: Mark | None, picture: SweepPicture) -> dict[str, Any]:
    return {
        "mark": mark.number if mark is not None else None,
        "marks": len(picture.marks),
        "knob_deg": mark.knob_deg if mark is not None else None,
        "arm_deg": mark.arm_deg if mark is not None else None,
        "direction": mark.direction if mark is not None else None,
    }


def picture_to_json(picture: SweepPicture) -> dict[str, Any]:
    """Return a picture as one line of JSON."""
    what, mind = tell_stage(picture)

    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 2)

    return {
        "state": picture.stage,
        **_mark_to_json(picture.mark, picture),
        "taken": len(picture.taken),
        "now_us": known_microseconds(picture.pulse_s),
        "expected_us": known_microseconds(picture.expected_s),
        "looks_like_deg": rounded(picture.looks_like_deg),
        "to_turn_deg": rounded(picture.way_deg),
        "arm_now_deg": rounded(picture.arm_deg),
        "share": round(picture.share, 3),
        "message": picture.message or None,
        "text": f"{what} {mind}".strip(),
    }


def event_to_json(event: SweepEvent, picture: SweepPicture) -> dict[str, Any]:
    """Return what has happened as one line of JSON."""
    return {
        "state": event.kind,
        **_mark_to_json(event.mark, picture),
        "taken": len(picture.taken),
        "pulse_us": known_microseconds(event.pulse_s),
        "u_pulse_us": known_microseconds(event.u_s),
        "record": event.record,
        "note": event.note,
        "text": tell_event(event),
    }


# --- begin and end --------------------------------------------------------------


def _list_marks(marks: Sequence[Mark]) -> str:
    """Return the marks in the order of visiting, the way back as one word."""
    ways = [mark.direction for mark in marks]
    turn = next((n for n in range(1, len(ways)) if ways[n] != ways[0]), len(ways))
    text = ", ".join(f"{mark.degrees:g}" for mark in marks[:turn]) + " degrees"
    back = len(marks) - turn
    return f"{text}, then back over {back} of them" if back else text


def tell_begin(channel: str, marks: Sequence[Mark], done: int) -> list[str]:
    """Say which marks are to be visited.

    Parameters
    ----------
    channel : str
        The channel.
    marks : sequence of Mark
        All of them.
    done : int
        How many have a record already.
    """
    what = "arm angles" if marks[0].arm_deg is not None else "knob angles"
    lines = [f"{one_line(channel)}: {len(marks)} {what} to visit: {_list_marks(marks)}."]
    if done:
        lines.append(f"{done} of them are recorded already; it goes on from there.")
    return lines


def tell_left(channel: str, marks: Sequence[Mark], done: int) -> list[str]:
    """Say how to go on with a sweep that was stopped."""
    name = one_line(channel)
    if not done:
        return [f"{name}: stopped before the first mark was recorded."]
    lines = [f"{name}: {done} of {len(marks)} marks are recorded and kept."]
    lines.append(f"To go on with the rest: benchlog sweep {name}, with the same input.")
    if marks[0].arm_deg is None:
        lines.append(f"To make the table of what is there: benchlog calibrate {name}")
    return lines


def tell_done(channel: str, stamp: str, marks: Sequence[Mark], done: int) -> list[str]:
    """Say that all marks are recorded, and what follows for lines drawn at arm angles."""
    name = one_line(channel)
    which = f"all {len(marks)} marks are" if len(marks) > 1 else "its one mark is"
    lines = [f"{name}: {which} recorded, as sweep {stamp}."]
    if marks[0].arm_deg is not None:
        lines.append(
            "The drawn lines are the scale. Their knob angles are estimates of the design, so no "
            "table is made of them."
        )
        lines.append(
            "To make one, read each line with a protractor and enter it: benchlog log --correct "
            f"{name}/RECORD --at DEG. Then benchlog calibrate {name}"
        )
    return lines


def begin_to_json(channel: str, stamp: str, marks: Sequence[Mark], done: int) -> dict[str, Any]:
    """Return the beginning as the first line of JSON."""
    return {
        "state": "begin",
        "channel": channel,
        "sweep": stamp,
        "taken": done,
        "marks": [
            {"knob_deg": one.knob_deg, "arm_deg": one.arm_deg, "direction": one.direction}
            for one in marks
        ],
        "text": " ".join(tell_begin(channel, marks, done)),
    }


def end_to_json(
    state: Literal["done", "left"],
    channel: str,
    stamp: str,
    marks: Sequence[Mark],
    done: int,
    table: dict[str, Any] | None,
) -> dict[str, Any]:
    """Return the end as the last line of JSON, with the table as `calibrate` gives it."""
    told = tell_left(channel, marks, done)
    if state == "done":
        told = tell_done(channel, stamp, marks, done)
    return {
        "state": state,
        "channel": channel,
        "sweep": stamp,
        "taken": done,
        "marks": len(marks),
        "text": " ".join(told),
        "calibration": table,
    }
