"""From the points of a sweep to its parts; the other level is tried where nobody said which."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from benchlog.commands.options import Level
from benchlog.errors import BenchlogError

if TYPE_CHECKING:
    from benchlog.calibration.identify import Identification, Known
    from benchlog.calibration.table import Point
    from benchlog.channel.design import Design
    from benchlog.commands.points import Source

__all__ = ["identify_sources"]


def identify_sources(
    design: Design,
    sources: list[Source],
    points: list[Point],
    reading_deg: float,
    level: Level | None = None,
    known: Mapping[str, Known] | None = None,
) -> tuple[list[Point], Identification | None]:
    """Find the parts from measured positions.

    Parameters
    ----------
    design : Design
        What the channel should be.
    sources : list of Source
        The recordings behind the points.
    points : list of Point
        What was measured.
    reading_deg : float
        Half-width of the knob reading, degrees.
    level : str or None
        'high' or 'low' where the user says which part is the pulse.
    known : mapping of str to Known, optional
        Meter readings.

    Returns
    -------
    tuple
        The points, measured with the other level as the pulse where only that explains them, and
        what they tell of the parts; None where they tell nothing.
    """
    from benchlog.calibration.identify import identify_parts
    from benchlog.show.terminal import warn

    is_open = level is None and not any(_says_level(source) for source in sources)
    try:
        found = identify_parts(
            design, points, known=known, knob_reading_deg=reading_deg, polarity_open=is_open
        )
        if found.is_turned:
            points = [_turn(design, sources, point) for point in points]
            found = replace(found, is_turned=False)
    except BenchlogError as error:
        warn(f"the parts cannot be told: {error}")
        return points, None
    return points, found


def _says_level(source: Source) -> bool:
    """Tell whether the record says which level is the pulse."""
    from benchlog.commands.profiles import know_input

    return know_input(source.path, source.sidecar).level is not None


def _turn(design: Design, sources: list[Source], point: Point) -> Point:
    """Measure a point again with the other level as the pulse."""
    from benchlog.commands.points import measure_point

    source = next(
        one for one in sources if one.path.name == point.source and one.knob_deg == point.knob_deg
    )
    levels: tuple[Level, Level] = ("high", "low")
    both = [measure_point(design, source, level=level) for level in levels]
    return max(both, key=lambda one: abs(one.pulse_s - point.pulse_s))
