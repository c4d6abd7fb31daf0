"""From records to the points of a calibration table."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.commands.options import Level
from benchlog.errors import BenchlogError, MeasurementError
from benchlog.timing.notices import Notice

if TYPE_CHECKING:
    from benchlog.calibration.identify import Identification
    from benchlog.calibration.table import Point, Table
    from benchlog.capture.sidecar import Sidecar
    from benchlog.capture.store import Bench
    from benchlog.channel.design import Design
    from benchlog.timing.pulses import Measurement, Pulses

__all__ = [
    "Source",
    "find_sources",
    "measure_point",
    "measure_sources",
    "store_table",
    "tell_contradictions",
]

_SAME_SWEEP = timedelta(minutes=10)
"""A recording without a sidecar that was made this near to one of a sweep is taken for its own."""

BEYOND_STOP_DEG = 5.0
"""How far a reading may lie beyond the knob's stops before it is taken for a mistake."""

_ESTIMATED = Notice(
    "knob-estimated",
    "the knob angle is the design's own estimate, so the deviation says nothing: read the drawn "
    "line with a protractor, then benchlog log --correct RECORD --at DEG",
    spoils=True,
)


@dataclass(frozen=True, slots=True)
class Source:
    """One recording of one knob position.

    Attributes
    ----------
    knob_deg : float
        Knob angle, degrees.
    path : Path
        The recording.
    sidecar : Sidecar or None
        What is known of it.
    """

    knob_deg: float
    path: Path
    sidecar: Sidecar | None


@dataclass(frozen=True, slots=True)
class _Scatter:
    """Standard deviations without the input's own part, seconds, and their correlation."""

    pulse_s: float
    rest_s: float
    period_s: float
    correlation: float


def find_sources(bench: Bench, channel: str, sweep: str | None = None) -> list[Source]:
    """Find the recordings of a channel's sweep.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    channel : str
        The channel.
    sweep : str or None
        The sweep's stamp; the newest one for None.

    Returns
    -------
    list of Source
        At least one.

    Raises
    ------
    StoreError, RecordingError
        There are none, or a sidecar is wrong.

    Notes
    -----
    A line of warning tells of recordings without a sidecar whose names say that they were made
    while the sweep was: they look like its own.
    """
    from benchlog.show.terminal import warn

    records = bench.sweep(channel, sweep)
    times = [record.sidecar.recorded_at for record in records]
    lost = [
        path
        for path in bench.loose_recordings(channel)
        if (named := _named_at(path)) and any(abs(named - at) <= _SAME_SWEEP for at in times)
    ]
    if lost:
        names = ", ".join(path.name for path in lost[:3]) + (", ..." if len(lost) > 3 else "")
        is_are, has_have = ("are", "have") if len(lost) > 1 else ("is", "has")
        warn(
            f"warning: {names} {has_have} no sidecar and {is_are} left out; expected a sidecar "
            f"beside each recording; try: {lost[0].stem}.json with channel, knob_deg and "
            "recorded_utc, or recording that mark again"
        )
    return [Source(r.sidecar.knob_deg, r.path, r.sidecar) for r in records]


def _named_at(path: Path) -> datetime | None:
    """Read when a recording was made from the stamp with which its name begins."""
    try:
        return datetime.strptime(path.name[:16], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        return None


def measure_sources(
    design: Design, sources: list[Source], *, level: Level | None = None
) -> tuple[list[Point], list[BenchlogError]]:
    """Measure each recording of a sweep, with a bar when it takes long.

    Parameters
    ----------
    design : Design
        What the channel should be.
    sources : list of Source
        The recordings.
    level : str or None
        'high' or 'low' where the user says which part is the pulse.

    Returns
    -------
    tuple
        The points, and the errors of those recordings that could not be measured.
    """
    from benchlog.show.terminal import show_progress

    points: list[Point] = []
    failures: list[BenchlogError] = []
    with show_progress(f"measuring {design.channel}") as advance:
        for index, source in enumerate(sources):
            advance(index / len(sources))
            try:
                points.append(measure_point(design, source, level=level))
            except BenchlogError as error:
                failures.append(error)
    return points, failures


def tell_contradictions(design: Design, points: list[Point], reading_deg: float) -> list[str]:
    """Name recordings of one mark whose pulses are further apart than its reading lets them be.

    Parameters
    ----------
    design : Design
        What the channel should be; it says how far a reading moves the pulse.
    points : list of Point
        The measured positions.
    reading_deg : float
        Half-width of the knob reading, degrees.

    Returns
    -------
    list of str
        A line for each such mark.
    """
    from benchlog.channel.design import predict_cycle

    marks: dict[tuple[float, str | None], list[Point]] = {}
    for point in points:
        marks.setdefault((point.knob_deg, point.direction), []).append(point)
    lines = []
    for (deg, _), same in marks.items():
        low, high = (f(same, key=lambda one: one.pulse_s) for f in (min, max))
        apart_s = high.pulse_s - low.pulse_s
        # twice what two settings, each read to within the half-width, may lie apart
        ends_deg = [
            min(max(deg + way * (2.0 * reading_deg + 0.5), 0.0), design.knob.travel_deg)
            for way in (-1.0, 1.0)
        ]
        first_s, last_s = (float(one) for one in predict_cycle(design, ends_deg).on_s)
        if apart_s > abs(last_s - first_s) + 4.0 * (low.u_pulse_s + high.u_pulse_s):
            lines.append(
                f"two recordings at {deg:g} degrees differ by {apart_s * 1e6:.0f} µs "
                f"({low.source} and {high.source}); expected one pulse at one mark; try: setting "
                "the wrong one aside with benchlog log --set-aside, or correcting its angle"
            )
    return lines


def store_table(bench: Bench, table: Table, found: Identification | None = None) -> Path:
    """Write a table, dated, beside the channel's design.

    Parameters
    ----------
    bench : Bench
        The bench folder.
    table : Table
        The table.
    found : Identification or None
        What it tells of the parts.

    Returns
    -------
    Path
        Where it lies; numbered where that second has one already.

    Raises
    ------
    StoreError
        The folder cannot be written.
    """
    from benchlog.calibration.table_text import format_table
    from benchlog.capture.store import stamp_now, write_new_text

    stamp = stamp_now()
    path = bench.new_table_path(table.channel, stamp)
    return write_new_text(path, format_table(table, stamp, found), next_free=True)


def measure_point(design: Design, source: Source, *, level: Level | None = None) -> Point:
    """Measure one recording for a calibration table.

    Parameters
    ----------
    design : Design
        What the channel should be; it settles the polarity where nothing else does.
    source : Source
        The recording.
    level : str or None
        'high' or 'low' where the user says which part is the pulse.

    Returns
    -------
    Point
        The point.

    Raises
    ------
    RecordingError, MeasurementError
        It cannot be read, or no input has pulses.
    """
    from benchlog.calibration.table import Point
    from benchlog.commands.polarity import settle_level
    from benchlog.commands.profiles import know_input
    from benchlog.commands.recordings import measure_file

    _check_angle(design, source)
    sidecar = source.sidecar
    known = know_input(source.path, sidecar)
    level = level or known.level
    measured = _choose_input(measure_file(source.path, level=level), sidecar, source.path)
    if level is None:
        measured = settle_level(
            design,
            measured,
            known,
            knob_deg=source.knob_deg,
            supply_v=sidecar.supply_v if sidecar is not None else None,
            temperature_c=sidecar.temperature_c if sidecar is not None else None,
        )
    scatter = _scatter(measured.pulses, measured.jitter.floor_s)
    notices = measured.notices
    if sidecar is not None and _is_estimated(sidecar):
        notices += (_ESTIMATED,)
    return Point(
        knob_deg=source.knob_deg,
        pulse_s=measured.width.mean_s,
        u_pulse_s=measured.width.u_s,
        period_s=measured.period.mean_s,
        direction=sidecar.direction if sidecar is not None else None,
        supply_v=sidecar.supply_v if sidecar is not None else None,
        temperature_c=sidecar.temperature_c if sidecar is not None else None,
        pulse_sd_s=scatter.pulse_s,
        rest_sd_s=scatter.rest_s,
        period_sd_s=scatter.period_s,
        pulse_rest_correlation=scatter.correlation,
        pulse_count=measured.pulse_count,
        notices=notices,
        source=source.path.name,
        u_period_s=measured.period.u_s,
        clock_share=known.clock.half_width_ppm * 1e-6,
    )


def _is_estimated(sidecar: Sidecar) -> bool:
    """Tell whether the knob angle is the design's own estimate, and was not read since."""
    read = any(change.key == "knob_deg" for change in sidecar.history)
    return bool(sidecar.other.get("knob_estimated")) and not read


def _check_angle(design: Design, source: Source) -> None:
    """Refuse a knob angle that the design's knob does not have."""
    travel_deg = design.knob.travel_deg
    if not -BEYOND_STOP_DEG <= source.knob_deg <= travel_deg + BEYOND_STOP_DEG:
        raise MeasurementError(
            f"{source.path} at a knob angle of {source.knob_deg:g} degrees",
            expected=f"an angle from 0 to {travel_deg:g} degrees, the knob's travel",
            attempt="the angle as it was, or the design's knob.travel_deg as the knob really turns",
        )


def _choose_input(
    measurements: tuple[Measurement, ...], sidecar: Sidecar | None, path: Path
) -> Measurement:
    """Take the input that the sidecar names, else the first one with pulses, telling so."""
    from benchlog.show.terminal import warn

    if len(measurements) == 1:
        return measurements[0]
    if sidecar is not None and sidecar.input is not None:
        for measurement in measurements:
            if measurement.input == sidecar.input:
                return measurement
    others = ", ".join(str(m.input) for m in measurements)
    warn(f"{path} has pulses on inputs {others}; input {measurements[0].input} is taken")
    return measurements[0]


def _scatter(pulses: Pulses, floor_s: float) -> _Scatter:
    """Take the input's own part out of the scatter of a recording.

    A width and a period each hold two edges, so both get the same floor; pulse and rest of a
    cycle share an edge, whose error lengthens the one and shortens the other.
    """
    import numpy as np

    period_s = pulses.period_s[pulses.whole]
    pulse_s = pulses.width_s[:-1][pulses.whole]
    if period_s.size < 2:
        return _Scatter(0.0, 0.0, 0.0, 0.0)
    rest_s = period_s - pulse_s
    own = floor_s**2
    covariance = np.cov(pulse_s, rest_s)
    pulse_var = max(float(covariance[0, 0]) - own, 0.0)
    rest_var = max(float(covariance[1, 1]) - own, 0.0)
    shared = float(covariance[0, 1]) + own / 2.0
    scale = math.sqrt(pulse_var * rest_var)
    return _Scatter(
        pulse_s=math.sqrt(pulse_var),
        rest_s=math.sqrt(rest_var),
        period_s=math.sqrt(max(float(np.var(period_s, ddof=1)) - own, 0.0)),
        correlation=max(-1.0, min(1.0, shared / scale)) if scale > 0 else 0.0,
    )
