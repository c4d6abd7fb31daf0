"""The recordings that `benchlog confirm` takes in place of listening, checked beforehand."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchlog.calibration.point import Point
    from benchlog.channel.design import Design

__all__ = ["note_supply", "read_confirm_points"]

_END_ROOM_DEG = 2.0
"""How far from a stop an end may have been read."""
_SUPPLY_ROOM = 0.02
"""By what share two readings of one supply may differ without a word."""


def read_confirm_points(design: Design, texts: Sequence[str]) -> list[tuple[float, Path]]:
    """Read each DEG=FILE, and see that the knob's ends are among them.

    Parameters
    ----------
    design : Design
        The design, for the knob's travel.
    texts : sequence of str
        What was typed after each `--point`.

    Returns
    -------
    list of tuple
        Knob angle in degrees, and the recording.

    Raises
    ------
    UsageError
        One that is none, an angle that comes twice, or an end that is missing: between its ends
        a knob may look safe whose end pushes the servo past its stop.
    """
    from benchlog.commands.calibrate import read_point

    pairs = [read_point(text) for text in texts]
    degrees = [deg for deg, _ in pairs]
    travel = design.knob.travel_deg
    ends = f"--point 0=a.flac --point {travel:g}=b.flac"
    if len(degrees) < 2:
        raise UsageError(
            "--point at one knob angle",
            expected="two angles at least: the knob's two ends, and the middle beside them",
            attempt=ends,
        )
    twice = next((deg for deg in degrees if degrees.count(deg) > 1), None)
    if twice is not None:
        raise UsageError(
            f"--point {twice:g} comes twice", expected="each knob angle once", attempt=ends
        )
    if not all(any(abs(one - end) <= _END_ROOM_DEG for one in degrees) for end in (0.0, travel)):
        shown = [f"{deg:g}°" for deg in sorted(degrees)]
        raise UsageError(
            f"--point at {', '.join(shown[:-1])} and {shown[-1]}",
            expected=f"the knob's two ends, 0° and {travel:g}°, among them",
            attempt=ends,
        )
    return pairs


def note_supply(points: Sequence[Point], supply_v: float | None) -> str | None:
    """Say that `--supply` is not what the recordings say.

    Parameters
    ----------
    points : sequence of Point
        As recorded.
    supply_v : float or None
        What was typed after `--supply`.

    Returns
    -------
    str or None
        One sentence; None where they agree or one of them is silent.
    """
    told = sorted({point.supply_v for point in points if point.supply_v is not None})
    if supply_v is None or all(abs(one / supply_v - 1.0) <= _SUPPLY_ROOM for one in told):
        return None
    low, high = f"{told[0]:g}", f"{told[-1]:g}"
    span = low if low == high else f"{low} to {high}"
    return f"The recordings say {span} V, --supply says {supply_v:g} V, which is taken."
