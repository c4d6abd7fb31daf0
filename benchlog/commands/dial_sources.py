"""From what a dial is made: a sweep's recordings, the newest table, or the design."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from benchlog.calibration.point import Point
    from benchlog.capture.store import Bench
    from benchlog.channel.design import Design
    from benchlog.show.dial_maker import DialSource

__all__ = ["find_dial_sources", "read_designs"]


def read_designs(names: list[str], design: str | None, bench: str | None) -> list[Design]:
    """Read the designs that are named.

    Parameters
    ----------
    names : list of str
        Channels of the bench folder.
    design, bench : str or None
        A design file in their place, and the bench folder.

    Returns
    -------
    list of Design
        In that order.

    Raises
    ------
    StoreError, DesignError
        There is no such channel, or a design is wrong.
    """
    from benchlog.capture.store import open_bench, read_design

    if design is not None:
        return [read_design(Path(design))]
    opened = open_bench(Path(bench) if bench is not None else None)
    return [read_design(opened.design_path(name)) for name in names]


def find_dial_sources(
    names: list[str],
    design: str | None,
    sweep: str | None,
    bench: str | None,
    reading_deg: float,
    *,
    from_design: bool,
) -> list[tuple[DialSource, Design]]:
    """Find the curve of each channel.

    Parameters
    ----------
    names, design, bench
        As for `read_designs`.
    sweep : str or None
        Another sweep's stamp than the newest one's.
    reading_deg : float
        Half-width of the knob reading, degrees.
    from_design : bool
        Whether the designs are taken, nothing being measured.

    Returns
    -------
    list of tuple
        What the dial is made from, and the design.

    Raises
    ------
    StoreError, RecordingError, DesignError
        What is needed is not there or wrong.
    """
    from benchlog.calibration.scale_curve import DesignCurve
    from benchlog.show.dial_maker import DialSource
    from benchlog.show.terminal import warn

    designs = read_designs(names, design, bench)
    for one in designs:
        for _, text in one.warnings:
            warn(f"warning: {text}")
    if design is None and not from_design:
        return [
            (_measured(name, one, sweep, bench, reading_deg), one)
            for name, one in zip(names, designs, strict=True)
        ]
    return [
        (
            DialSource(
                one.channel,
                DesignCurve(one),
                one.servo,
                one.knob.travel_deg,
                one.supply.value,
                u_knob_deg=reading_deg / math.sqrt(3.0),
            ),
            one,
        )
        for one in designs
    ]


def _measured(
    name: str, design: Design, sweep: str | None, bench: str | None, reading_deg: float
) -> DialSource:
    """Fit the curve of a channel's sweep, or of its newest table where no recording is there."""
    from benchlog.capture.store import open_bench
    from benchlog.commands.identifying import identify_sources
    from benchlog.commands.points import find_sources, measure_sources
    from benchlog.errors import StoreError
    from benchlog.show.terminal import warn

    opened = open_bench(Path(bench) if bench is not None else None)
    try:
        sources = find_sources(opened, name, sweep)
    except StoreError as error:
        folder = opened.captures / name
        if sweep is not None or (folder.is_dir() and any(folder.iterdir())):
            raise
        if opened.table_paths(name):
            return _stored(opened, name, design)
        raise StoreError(
            f"channel {name} was not measured yet",
            expected="a sweep of its knob",
            attempt=f"benchlog sweep {name}, or --from-design for a scale from its parts",
        ) from error
    points, failures = measure_sources(design, sources)
    if not points:
        raise failures[0]
    for failure in failures:
        warn(str(failure))
    # what the parts tell settles which level is the pulse, as for the table
    points, _ = identify_sources(design, sources, points, reading_deg, None, {})
    days = [one.sidecar.recorded_at for one in sources if one.sidecar is not None]
    return _fitted(design, points, reading_deg, max(days) if days else None)


def _stored(bench: Bench, name: str, design: Design) -> DialSource:
    """Fit the curve of a channel's newest table."""
    from benchlog.calibration.drift import taken_at
    from benchlog.commands.stored_tables import read_newest
    from benchlog.show.terminal import warn

    table = read_newest(bench, name)
    warn(
        f"no recording of {name} is in {bench.captures / name}: the scale is made from its newest "
        f"table, {table.stamp}"
    )
    return _fitted(design, list(table.points()), table.knob_reading_deg, taken_at(table))


def _fitted(
    design: Design, points: list[Point], reading_deg: float, taken: datetime | None
) -> DialSource:
    """Fit the curve of measured positions."""
    from benchlog.calibration.fit import fit_curve
    from benchlog.calibration.table_curve import take_curve
    from benchlog.show.curve_view import FEW_MARKS
    from benchlog.show.dial_maker import DialSource
    from benchlog.show.terminal import warn

    curve = fit_curve(design, points, knob_reading_deg=reading_deg)
    marks = len({point.knob_deg for point in points})
    if marks < FEW_MARKS:
        worst_us = math.ceil(float((curve.high_s - curve.low_s).max()) / 2.0 * 1e6)
        warn(
            f"warning: the scale of {design.channel} rests on {marks} mark{'s' * (marks != 1)}: it "
            f"is the design's, moved to fit, and may be {worst_us} µs off; expected {FEW_MARKS} "
            f"marks or more; try: benchlog sweep {design.channel}"
        )
    lag_deg = curve.hysteresis_deg or 0.0
    return DialSource(
        design.channel,
        take_curve(design, points, curve),
        design.servo,
        design.knob.travel_deg,
        curve.supply_v,
        date=f"{taken.astimezone():%Y-%m-%d}" if taken is not None else "",
        mark_count=marks,
        u_knob_deg=math.hypot(reading_deg, lag_deg / 2.0) / math.sqrt(3.0),
    )
