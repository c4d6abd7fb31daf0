"""Pulses from edges, and the measurement of a recording."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.errors import MeasurementError
from benchlog.recording import EdgeList, Samples
from benchlog.timing.absence import explain_absence
from benchlog.timing.cleaning import clean_edges
from benchlog.timing.edges import Edges, edges_from_list, find_edges
from benchlog.timing.jitter import Jitter, Statistic, measure_jitter, summarise
from benchlog.timing.medians import median
from benchlog.timing.notices import Notice, list_notices

__all__ = [
    "CLOCK_PPM",
    "ActiveLevel",
    "Measurement",
    "Pulses",
    "find_active_level",
    "measure_edges",
    "measure_inputs",
    "measure_pulses",
    "measure_recording",
]

ActiveLevel = Literal["high", "low"]

CLOCK_PPM = 100.0
"""Half-width of what a recorder's clock may be off unless it was calibrated."""

_RESIDUE_SAMPLES = 0.00017
_SAG_SAMPLES = 3e-6  # for each hertz of the coupling that had to be undone
_CROSSING_SAMPLES = 0.01
_SHAPE_SHARES = ((48.0, 0.8), (90.0, 0.5))
"""Of pulses shorter than so many samples: what the shape adds, over the noise of the mean."""

_UNSURE_DUTY = (0.45, 0.55)
_CUT_SHARE = 0.05
_CUT_SPREADS = 12.0
_WEAK_RATIO = 10.0

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Pulses:
    """The pulses of one input.

    Attributes
    ----------
    start_s : numpy.ndarray
        Where each pulse begins, seconds from the recording's start, shape (m,).
    width_s : numpy.ndarray
        Pulse widths, seconds, shape (m,).
    period_s : numpy.ndarray
        From each pulse's beginning to the next one's, seconds, shape (m - 1,).
    whole : numpy.ndarray
        Shape (m - 1,), bool: False where a gap, a lost edge or a missing pulse lies
        between the two, so that `period_s` is not one period.
    u_width_s : numpy.ndarray
        Standard uncertainty of each width from the input's noise, shape (m,).
    active_level : str
        ``high`` or ``low``: the level during the pulse.
    glitch_count : int
        Extra edges that were left out, in pairs.
    lost_edge_count : int
        Places where two edges in the same direction follow each other.
    missing_count : int
        Pulses that are missing between others.
    runt_count : int
        Edges of steps far from the usual height, left out.
    cut_count : int
        Periods far too short, or too long by no whole number of pulses, as a cut in the
        recording leaves them.
    cut : numpy.ndarray or None
        Shape (m - 1,), bool: True where the period is far from the usual and from whole numbers
        of it, as where samples were lost or a contact is bad; None where that is not known.
    """

    start_s: FloatArray
    width_s: FloatArray
    period_s: FloatArray
    whole: NDArray[np.bool_]
    u_width_s: FloatArray
    active_level: ActiveLevel
    glitch_count: int
    lost_edge_count: int
    missing_count: int
    runt_count: int
    cut_count: int
    cut: NDArray[np.bool_] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """What one input of a recording shows.

    Attributes
    ----------
    input : int
        Number of the input, from 1.
    sample_rate_hz : float or None
        None for an edge list.
    duration_s : float
        Length of the stretch that was watched.
    width, period : Statistic
        Of the pulses that are whole.
    frequency_hz, duty_cycle : float
        From the means.
    jitter : Jitter
        In the terms of JESD65B.
    pulses : Pulses
        The pulses themselves.
    edges : Edges
        The edges that they were made of.
    notices : tuple of Notice
        What to know beside the figures.
    """

    input: int
    sample_rate_hz: float | None
    duration_s: float
    width: Statistic
    period: Statistic
    frequency_hz: float
    duty_cycle: float
    jitter: Jitter
    pulses: Pulses
    edges: Edges
    notices: tuple[Notice, ...]

    @property
    def pulse_count(self) -> int:
        """Number of pulses."""
        return int(self.pulses.width_s.shape[0])

    @property
    def active_level(self) -> ActiveLevel:
        """The level during a pulse."""
        return self.pulses.active_level


def find_active_level(edges: Edges) -> tuple[ActiveLevel, bool]:
    """Take the shorter state for the pulse.

    Parameters
    ----------
    edges : Edges
        At least two edges.

    Returns
    -------
    level : str
        ``high`` or ``low``; ``high`` for an edge list, which knows its levels.
    unsure : bool
        Whether the duty cycle lies between 45 and 55 %, so that it is a guess.
    """
    if edges.rate_hz is None:
        return "high", False
    length = np.diff(edges.time_s)
    high, low = length[edges.rising[:-1]], length[~edges.rising[:-1]]
    if not (high.shape[0] and low.shape[0]):
        return ("high", True) if high.shape[0] else ("low", True)
    duty = float(median(high) / (median(high) + median(low)))
    return ("high" if duty <= 0.5 else "low"), _UNSURE_DUTY[0] <= duty <= _UNSURE_DUTY[1]


def measure_pulses(edges: Edges, active_level: ActiveLevel) -> Pulses:
    """Pair edges into pulses.

    Parameters
    ----------
    edges : Edges
        Times ascending, shape (n,).
    active_level : str
        ``high`` or ``low``.

    Returns
    -------
    Pulses
        With m from 0; pulses cut by the ends or by a gap are left out.

    Notes
    -----
    Width is the time between mid-reference level instants (IEEE Std 181-2011). What
    `clean_edges` leaves out is counted.
    """
    clean = clean_edges(edges)
    time, rising, u = clean.time_s, clean.rising, clean.u_s
    opens = rising if active_level == "high" else ~rising
    begin = np.flatnonzero(opens[:-1] & ~opens[1:]) if time.shape[0] > 1 else np.empty(0, np.intp)
    lost = int(np.count_nonzero(opens[:-1] == opens[1:])) if time.shape[0] > 1 else 0
    begin = begin[~_spans_gap(edges, time[begin], time[begin + 1])]
    start, width = time[begin], time[begin + 1] - time[begin]
    period = np.diff(start)
    whole = (np.diff(begin) == 2) & ~_spans_gap(edges, start[:-1], start[1:])
    late, odd, missing = _judge_periods(period, whole)
    return Pulses(
        start_s=start,
        width_s=width,
        period_s=period,
        whole=whole & ~late & ~odd,
        u_width_s=np.hypot(u[begin], u[begin + 1]),
        active_level=active_level,
        glitch_count=clean.glitch_count,
        runt_count=clean.runt_count,
        lost_edge_count=lost,
        missing_count=missing,
        cut_count=int(np.count_nonzero(odd)),
        cut=odd,
    )


def _judge_periods(
    period: FloatArray, whole: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], int]:
    """Find periods in which pulses are missing, those that a cut leaves, and how many miss."""
    if not whole.any():
        return np.zeros(whole.shape, bool), np.zeros(whole.shape, bool), 0
    usual = float(median(period[whole]))
    spread = 1.4826 * float(median(np.abs(period[whole] - usual)))
    margin = max(_CUT_SHARE * usual, _CUT_SPREADS * spread)
    off = whole & (np.abs(period - usual) > margin)
    cycles = np.rint(period / usual)
    fits = np.abs(period - cycles * usual) <= margin * np.sqrt(np.maximum(cycles, 1.0))
    late = off & (cycles >= 2) & fits
    return late, off & ~late, int(np.sum(cycles[late] - 1))


def _spans_gap(edges: Edges, start: FloatArray, end: FloatArray) -> NDArray[np.bool_]:
    """Tell for each stretch whether samples were lost in it."""
    result = np.zeros(start.shape, bool)
    for gap in edges.gaps:
        result |= (start <= gap.start_s + gap.length_s) & (end >= gap.start_s)
    return result


def measure_recording(
    recording: Samples | tuple[EdgeList, ...],
    *,
    active_level: ActiveLevel | None = None,
    clock_ppm: float = CLOCK_PPM,
) -> tuple[Measurement, ...]:
    """Measure the pulses on every input of a recording.

    Parameters
    ----------
    recording : Samples or tuple of EdgeList
        What came off the bench.
    active_level : str, optional
        ``high`` or ``low`` where it is known; else the shorter state.
    clock_ppm : float
        Half-width of the recorder clock's error, parts in a million.

    Returns
    -------
    tuple of Measurement
        One for each input that holds pulses, in the inputs' order.

    Raises
    ------
    MeasurementError
        No input holds two pulses; says what the first holds instead.
    RecordingError
        From the source, while it is read.
    """
    found = measure_inputs(recording, active_level=active_level, clock_ppm=clock_ppm)
    results = tuple(one for one in found if isinstance(one, Measurement))
    if results:
        return results
    if found and isinstance(found[0], Edges):
        raise explain_absence(recording, found[0], 0)
    raise MeasurementError(
        "recording holds no input", expected="a train of pulses", attempt="record again"
    )


def measure_inputs(
    recording: Samples | tuple[EdgeList, ...],
    *,
    active_level: ActiveLevel | None = None,
    clock_ppm: float = CLOCK_PPM,
) -> tuple[Measurement | Edges, ...]:
    """Measure every input of a recording, whether it holds pulses or not.

    Parameters
    ----------
    recording, active_level, clock_ppm
        As for `measure_recording`.

    Returns
    -------
    tuple
        An entry for each input, in their order: its measurement, or its edges where they do not
        make two pulses in a row.

    Raises
    ------
    RecordingError
        From the source, while it is read.
    """
    if isinstance(recording, Samples):
        found = find_edges(recording)
    else:
        found = tuple(edges_from_list(one) for one in recording)
    return tuple(
        measure_edges(edges, active_level=active_level, clock_ppm=clock_ppm, input_=number) or edges
        for number, edges in enumerate(found, start=1)
    )


def measure_edges(
    edges: Edges,
    *,
    active_level: ActiveLevel | None = None,
    clock_ppm: float = CLOCK_PPM,
    input_: int = 1,
) -> Measurement | None:
    """Measure the pulses that edges make.

    Parameters
    ----------
    edges : Edges
        Of one input.
    active_level : str, optional
        ``high`` or ``low`` where it is known.
    clock_ppm : float
        Half-width of the recorder clock's error, parts in a million.
    input_ : int
        The input's number, from 1.

    Returns
    -------
    Measurement or None
        None where there are not two pulses in a row.
    """
    if edges.time_s.shape[0] < 4:
        return None
    level, unsure = (active_level, False) if active_level else find_active_level(edges)
    pulses = measure_pulses(edges, level)
    if not pulses.whole.any():
        return None
    period_s = pulses.period_s[pulses.whole]
    adjacent = (np.diff(np.flatnonzero(pulses.whole)) == 1).astype(bool)
    floor = float(np.sqrt(np.mean(pulses.u_width_s**2)))
    clock = clock_ppm * 1e-6 / np.sqrt(3.0)
    shared = _estimator_s(edges, pulses)
    width = summarise(pulses.width_s, shared, clock)
    period = summarise(period_s, shared, clock)
    return Measurement(
        input=input_,
        sample_rate_hz=edges.rate_hz,
        duration_s=edges.end_s - edges.start_s,
        width=width,
        period=period,
        frequency_hz=1.0 / period.mean_s,
        duty_cycle=width.mean_s / period.mean_s,
        jitter=measure_jitter(pulses.width_s, period_s, adjacent, floor),
        pulses=pulses,
        edges=edges,
        notices=_notices(edges, pulses, unsure),
    )


def _estimator_s(edges: Edges, pulses: Pulses) -> float:
    """Return the standard uncertainty that all widths of a recording share.

    From samples: a residue, and where pulses are so short that their edges overlap, the
    noise of the learned shape, which all of them see alike; on longer pulses that noise
    moves both edges together. Figures from `tests/benchmarks/bench_accuracy.py`.
    """
    if edges.rate_hz is None:
        tick = float(np.max(edges.u_s, initial=0.0))
        scatter = float(pulses.width_s.std())
        return float(np.sqrt(2.0) * tick) if scatter < 2.0 * tick else 0.0
    residue = (_RESIDUE_SAMPLES + _SAG_SAMPLES * sum(edges.coupling_hz)) / edges.rate_hz
    if edges.learned_count == 0:
        return float(np.hypot(residue, _CROSSING_SAMPLES / edges.rate_hz))
    length = float(median(pulses.width_s)) * edges.rate_hz
    share = next((share for below, share in _SHAPE_SHARES if length < below), 0.0)
    floor = float(np.sqrt(np.mean(pulses.u_width_s**2)))
    shape = share * floor / np.sqrt(0.5 * edges.learned_count)
    return float(np.hypot(residue, shape))


def _notices(edges: Edges, pulses: Pulses, unsure: bool) -> tuple[Notice, ...]:
    """Say what to know of a measurement beside its figures."""
    return list_notices(
        unsure=unsure,
        clipped_share=edges.clipped_share,
        gap_count=len(edges.gaps),
        cut_count=pulses.cut_count,
        weak=edges.rate_hz is not None and edges.step < _WEAK_RATIO * edges.noise,
        pulse_count=int(pulses.width_s.shape[0]),
        glitch_count=pulses.glitch_count,
        runt_count=pulses.runt_count,
        lost_edge_count=pulses.lost_edge_count,
        missing_count=pulses.missing_count,
        garbled_count=edges.garbled_count,
    )
