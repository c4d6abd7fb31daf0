"""The commands that a sentence prints: such as run as they stand, but for what only a user knows.

What nobody knows yet stands in capitals: DEVICE, and CHANNEL and DEG where the recording does not
say them.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Bench", "print_beat", "print_capture"]

_RECORD_S = 60
_DEVICE = "--input DEVICE"


@dataclass(frozen=True, slots=True)
class Bench:
    """What is known of where a recording was made.

    Attributes
    ----------
    channel : str or None
        The channel, None where nobody says which it is.
    knob_deg : float or None
        Where its knob stood, degrees.
    """

    channel: str | None = None
    knob_deg: float | None = None


def print_capture(bench: Bench) -> str:
    """Return the command that records a minute of the channel.

    Parameters
    ----------
    bench : Bench
        What is known.

    Returns
    -------
    str
        Such as ``'benchlog capture boat --at 135 --seconds 60 --input DEVICE' (...)``.
    """
    words = f"benchlog capture {_channel(bench)} {_at(bench)} --seconds {_RECORD_S} {_DEVICE}"
    return f"'{words}' {_explain(bench)}"


def print_beat(bench: Bench, tried: str) -> str:
    """Return the command that listens whether the pulse follows what a hand does.

    Parameters
    ----------
    bench : Bench
        What is known.
    tried : str
        What is tried: ``neighbour``, ``tap``, ``warm`` or ``supply``.

    Returns
    -------
    str
        Such as ``'benchlog diagnose boat --on-the-beat --try tap --at 135 --input DEVICE' (...)``.
    """
    words = f"benchlog diagnose {_channel(bench)} --on-the-beat --try {tried} {_at(bench)}"
    return f"'{words} {_DEVICE}' {_explain(bench)}"


def _channel(bench: Bench) -> str:
    """Return the channel's name, in quotes where a shell would take it apart."""
    if bench.channel is None:
        return "CHANNEL"
    is_plain = all(one.isalnum() or one in "-_." for one in bench.channel)
    return bench.channel if is_plain else f'"{bench.channel}"'


def _at(bench: Bench) -> str:
    return "--at DEG" if bench.knob_deg is None else f"--at {bench.knob_deg:g}"


def _explain(bench: Bench) -> str:
    """Say what stands for what, and where to find it."""
    parts = []
    if bench.channel is None:
        parts.append("CHANNEL is its name")
    if bench.knob_deg is None:
        parts.append("DEG is the knob's angle")
    parts.append("'benchlog inputs' lists the devices")
    parts.append("a probe takes --port PORT instead of --input")
    return f"({'; '.join(parts)})"
