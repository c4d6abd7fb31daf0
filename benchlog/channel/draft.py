"""A design file in the making: from what stands on the parts to its text."""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchlog.channel.design import parse_design
from benchlog.channel.markings import Marking
from benchlog.channel.names import check_channel_name
from benchlog.channel.plan import Design
from benchlog.errors import DesignError, one_line

__all__ = ["Draft", "ServoRange", "copy_text", "draft_text"]

_COMMENT_COLUMN = 32
_LONGEST_COMMENT = 90
_CHANNEL_LINE = re.compile(
    r"""^(?P<key>[ \t]*(?:channel|"channel"|'channel')[ \t]*=[ \t]*)"""
    r"""(?P<value>"[^"\\\r\n]*"|'[^'\r\n]*')(?P<rest>[ \t]*(?:\#[^\r\n]*)?\r?)$""",
    re.MULTILINE,
)


@dataclass(frozen=True, slots=True)
class ServoRange:
    """Which pulses a servo follows.

    Attributes
    ----------
    pulse_min_us, pulse_max_us : float
        Its shortest and longest pulse, microseconds.
    is_assumed : bool
        Whether nobody told, and what every servo follows was taken.
    taken : str
        What was taken then, for the comment.
    """

    pulse_min_us: float
    pulse_max_us: float
    is_assumed: bool = False
    taken: str = "a cautious range"


@dataclass(frozen=True, slots=True)
class Draft:
    """What a design file is made from.

    Attributes
    ----------
    channel : str
        The channel's name.
    supply_v : float
        Supply, volts.
    family : str
        The timer's family.
    r_on, r_knob, r_off, c_timing : Marking
        The timer's parts.
    diode : str
        The steering diode's type, or ``"none"``.
    travel_deg : float
        The knob's travel.
    longer, taper : str
        As in a design file.
    servo : ServoRange
        The servo's pulses.
    angles_deg : tuple of float
        The arm's angles at the shortest and the longest of them.
    told : dict of str to str
        By key of the file, the words that were read, for the comments.
    """

    channel: str
    supply_v: float
    family: str
    r_on: Marking
    r_knob: Marking
    r_off: Marking
    c_timing: Marking
    diode: str
    travel_deg: float
    longer: str
    taper: str
    servo: ServoRange
    angles_deg: tuple[float, float]
    told: dict[str, str]


def _comment(*parts: str) -> str:
    """Join the parts of a comment that are there, on one line."""
    text = one_line("; ".join(part for part in parts if part))
    return text if len(text) <= _LONGEST_COMMENT else text[:_LONGEST_COMMENT] + "..."


def _line(key: str, value: str, comment: str = "") -> str:
    """Write one line, its comment in a column of its own."""
    entry = f"{key} = {value}"
    return f"{entry.ljust(_COMMENT_COLUMN - 1)} # {comment}" if comment else entry


def _quoted(text: str) -> str:
    """Write a text as TOML; what may stand in a channel's name needs no more."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _part_lines(key: str, marking: Marking, what: str, told: str) -> list[str]:
    """Write a part and its tolerance."""
    lines = [_line(key, _quoted(marking.file_text), _comment(what, told))]
    if marking.tolerance is not None:
        lines.append(_line(f"{key}_tolerance", f'"{100 * marking.tolerance:.12g}%"'))
    return lines


def _told(draft: Draft) -> dict[str, str]:
    """Return the words that were told, in quotes, those left out that say no more than the file."""
    written = {
        "supply": f"{draft.supply_v:g}",
        "timer": draft.family,
        "r_on": draft.r_on.file_text,
        "r_knob": draft.r_knob.file_text,
        "r_off": draft.r_off.file_text,
        "c_timing": draft.c_timing.file_text,
        "diode": draft.diode,
    }
    return {
        key: f"'{words}'"
        for key, words in draft.told.items()
        if words and words.lower() != written.get(key, "").lower()
    }


def draft_text(draft: Draft) -> str:
    """Write a draft as the text of a design file.

    Parameters
    ----------
    draft : Draft
        The draft.

    Returns
    -------
    str
        TOML with comments, which `parse_design` reads.
    """
    told = _told(draft)
    servo = draft.servo
    assumed = f"{servo.taken}: look up the servo's own" if servo.is_assumed else ""
    lines = [
        f"# The channel {_quoted(draft.channel)}: what stands on its parts.",
        "",
        _line("channel", _quoted(draft.channel)),
        "",
        "[supply]",
        _line("volts", repr(draft.supply_v), _comment(told.get("supply", ""))),
        "",
        "[timer]",
        _line("family", _quoted(draft.family), _comment(told.get("timer", ""))),
        *_part_lines("r_on", draft.r_on, "sets the shortest pulse", told.get("r_on", "")),
        *_part_lines(
            "r_knob", draft.r_knob, "sets how far the knob reaches", told.get("r_knob", "")
        ),
        *_part_lines("r_off", draft.r_off, "sets the pause between pulses", told.get("r_off", "")),
        *_part_lines("c_timing", draft.c_timing, "scales all times", told.get("c_timing", "")),
        "",
        "[diode]",
        _line("model", _quoted(draft.diode), _comment(told.get("diode", ""))),
        "",
        "[knob]" + " " * (_COMMENT_COLUMN - 6) + "# 0 degrees is the anticlockwise stop",
        _line("travel_deg", f"{draft.travel_deg:.12g}", "from stop to stop"),
        _line("longer", _quoted(draft.longer), f"turned {draft.longer} the pulse grows longer"),
        _line("taper", _quoted(draft.taper)),
        "",
        "[servo]",
        _line("pulse_min_us", f"{servo.pulse_min_us:.12g}", assumed),
        _line(
            "pulse_max_us", f"{servo.pulse_max_us:.12g}", "beyond it the servo pushes on its stop"
        ),
        _line("angle_min_deg", f"{draft.angles_deg[0]:.12g}"),
        _line("angle_max_deg", f"{draft.angles_deg[1]:.12g}"),
        *([_line("assumed", "true", "until it was looked up or measured")] if assumed else []),
    ]
    return "\n".join(lines) + "\n"


def copy_text(original: Design, channel: str, name: str) -> str:
    """Return a design file's text for another channel, comments and all.

    Parameters
    ----------
    original : Design
        The design to copy.
    channel : str
        The other channel.
    name : str
        What to call the original's file in a message.

    Returns
    -------
    str
        The text with the channel's name changed and a first line that says so.

    Raises
    ------
    DesignError
        The channel's name cannot be one, or stands in the text in a way that cannot be changed.
    """
    checked = check_channel_name(channel)
    text = original.text.removeprefix("\ufeff")
    changed, count = _CHANNEL_LINE.subn(
        lambda found: found["key"] + _quoted(checked) + found["rest"], text, count=1
    )
    newline = "\r\n" if "\r\n" in text else "\n"
    copied = f"# Copied from the design of {_quoted(original.channel)}.{newline}{changed}"
    servo = original.servo
    servos = None if servo.name is None else {servo.name: servo}
    if count and parse_design(copied, name, servos).channel == checked:
        return copied
    raise DesignError(
        f"{name}: the channel's name stands there in a way that cannot be changed",
        expected=f'a line such as channel = "{original.channel}"',
        attempt="writing it so, or copying the file by hand",
    )
