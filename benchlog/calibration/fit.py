"""The curve of a swept knob: which knob angle gives which pulse, and how surely.

The channel model turns pulses into shares of the knob's track (`pulse_scale`); the track is fitted
with its dead ends, its hysteresis and a small smooth remainder (`track_fit`), and what the sweep
allows is drawn from (JCGM 101:2008). The curve is the mean of these draws and its band holds 95 of
100 of them, as do all figures that are read off it; it rises or falls all along the knob.

With hysteresis the curve is the middle of both ways: each way's own is shifted by half of it. Where
only one way was swept the middle is not known, and the band allows for 2 degrees on either side
(rectangular; half of the largest usual hysteresis, common practice).

The reading of the knob is taken as stated, unless the marks agree far better, or far worse, than
that allows (`reading_scatter`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.dead_ends import Marks
from benchlog.calibration.knob_curve import KnobCurve
from benchlog.calibration.marks import count_settings
from benchlog.calibration.point import KNOB_READING_DEG, ROOT3, Point
from benchlog.calibration.pulse_scale import PulseScale, read_scale
from benchlog.calibration.reading_scatter import scatter_ratio
from benchlog.calibration.straight_line import fit_polynomial
from benchlog.calibration.track_fit import Track, fit_track
from benchlog.channel.knob import Knob
from benchlog.channel.plan import Design

if TYPE_CHECKING:
    from benchlog.calibration.identify import Identification

__all__ = ["KnobCurve", "fit_curve"]

Values = NDArray[np.float64]

_STEP_DEG = 0.5
_BAND = (2.5, 97.5)
_HALF = 0.5
"""An end stop is passed where at least so much of what the sweep allows passes it."""
_READINGS = 4
"""How often the reading is judged anew at most."""
_WORST_READING = 0.05
"""No worse a reading is found, as a fraction of the travel: such marks show no curve."""
_OTHER_TAPER = math.log(0.01)
"""What is thought beforehand of a track of another taper than the design's."""
_ODD_REMAINDER = 0.02
"""Mean size of the remainder, a fraction of the travel, from which other tapers are tried."""


def fit_curve(
    design: Design,
    points: Sequence[Point],
    *,
    knob_reading_deg: float = KNOB_READING_DEG,
    identification: Identification | None = None,
) -> KnobCurve:
    """Fit the curve of a swept knob.

    Parameters
    ----------
    design : Design
        What the channel should be.
    points : sequence of Point
        At least one, in any order, each a visit of its own; an angle beyond a stop counts as at
        the stop.
    knob_reading_deg : float
        Half-width of the knob reading, degrees, 0 or more. Marks that plainly scatter less or
        more say better how they were read; 0 is kept.
    identification : Identification, optional
        What the sweep told of the parts: its wiring and values are then the model's.

    Returns
    -------
    KnobCurve
        At the supply and temperature of the records; the same for the same input. With one to
        three marks it is the channel model's own, shifted and stretched, in a wide band.

    Raises
    ------
    ValueError
        No points, a number that is not finite, a pulse or period that is not above 0, or a
        negative `knob_reading_deg`.
    DesignError
        The design can hardly oscillate anywhere along its knob.
    """
    _check(points, knob_reading_deg)
    built = design if identification is None else identification.built
    parts = None if identification is None else identification.values()
    scale, pulse_s, rest_s = read_scale(built, points, parts)
    knob = _turned_knob(built.knob, points, scale.share_at(pulse_s))
    marks = _read_marks(knob, points, scale, pulse_s, knob_reading_deg)
    marks, track = _fit_as_read(marks, scale, knob)
    return _describe(design, points, knob, scale, track, pulse_s, rest_s, marks, knob_reading_deg)


def _check(points: Sequence[Point], knob_reading_deg: float) -> None:
    """Refuse what cannot be fitted."""
    if not points:
        raise ValueError("points must not be empty")
    if not (math.isfinite(knob_reading_deg) and knob_reading_deg >= 0):
        raise ValueError(f"knob_reading_deg must be 0 or more, got {knob_reading_deg}")
    for point in points:
        numbers = (point.knob_deg, point.pulse_s, point.u_pulse_s, point.period_s)
        if not all(math.isfinite(number) for number in numbers):
            raise ValueError(f"a point's numbers must be finite, got {numbers}")
        if not 0.0 < point.pulse_s < point.period_s:
            raise ValueError(
                f"a pulse must be above 0 and shorter than its period, got {point.pulse_s} of "
                f"{point.period_s} s"
            )


def _turned_knob(knob: Knob, points: Sequence[Point], share: Values) -> Knob:
    """Return the knob as it is wired: the other way round where the sweep plainly shows that."""
    angle = np.array([point.knob_deg for point in points])
    if angle.size < 3 or np.ptp(angle) < 0.2 * knob.travel_deg or np.ptp(share) < 0.2:
        return knob
    together = float(np.corrcoef(angle, share)[0, 1])
    if abs(together) < 0.8 or (together > 0.0) == (knob.longer == "clockwise"):
        return knob
    return replace(knob, longer="clockwise" if together > 0.0 else "anticlockwise")


def _read_marks(
    knob: Knob,
    points: Sequence[Point],
    scale: PulseScale,
    pulse_s: Values,
    knob_reading_deg: float,
) -> Marks:
    """Lay the points along the way that lengthens the pulse."""
    angle = np.clip([point.knob_deg for point in points], 0.0, knob.travel_deg)
    ways = {"up": 1.0, "down": -1.0}
    way = np.array([ways.get(point.direction or "", 0.0) for point in points])
    if knob.longer == "anticlockwise":
        angle, way = knob.travel_deg - angle, -way
    per_s = np.interp(pulse_s, scale.pulse_s, np.gradient(scale.share, scale.pulse_s))
    # the clock is the same for all and moves the curve as a whole: see `_describe`
    own = [
        math.sqrt(max(p.u_pulse_s**2 - (p.clock_share / ROOT3 * p.pulse_s) ** 2, 0.0))
        for p in points
    ]
    return Marks(
        turn_deg=angle,
        share=scale.share_at(pulse_s),
        u_share=np.array(own) * per_s,
        way=way,
        reading_deg=knob_reading_deg,
        travel_deg=knob.travel_deg,
    )


def _fit_as_read(marks: Marks, scale: PulseScale, knob: Knob) -> tuple[Marks, Track]:
    """Fit the track with the reading as stated, or as the marks plainly show it to have been."""
    track = _fit_best(marks, scale, knob)
    worst_deg = max(marks.reading_deg, _WORST_READING * marks.travel_deg)
    for _ in range(_READINGS):
        ratio = scatter_ratio(track.misfit, track.freedom)
        reading_deg = min(marks.reading_deg * ratio, worst_deg)
        if reading_deg == marks.reading_deg:
            break
        marks = replace(marks, reading_deg=reading_deg)
        track = _fit_best(marks, scale, knob)
    return marks, track


def _fit_best(marks: Marks, scale: PulseScale, knob: Knob) -> Track:
    """Fit the design's taper, and others where that one needs much bending."""
    own = knob.taper
    if own == "log" and knob.longer == "anticlockwise":
        own = "antilog"  # type: ignore[assignment]
    dead = (knob.dead_low_deg, knob.dead_high_deg)
    if knob.longer == "anticlockwise":
        dead = dead[::-1]
    best = fit_track(marks, scale, own, dead, _STEP_DEG)
    if marks.turn_deg.size < 5 or best.remainder < _ODD_REMAINDER:
        return best
    others = [
        fit_track(marks, scale, taper, dead, _STEP_DEG)
        for taper in ("linear", "log", "antilog")
        if taper != own
    ]
    other = max(others, key=lambda track: track.log_evidence)
    return other if other.log_evidence + _OTHER_TAPER > best.log_evidence else best


def _describe(
    design: Design,
    points: Sequence[Point],
    knob: Knob,
    scale: PulseScale,
    track: Track,
    pulse_s: Values,
    rest_s: Values,
    marks: Marks,
    knob_reading_deg: float,
) -> KnobCurve:
    """Read the figures off the draws."""
    draws = np.maximum(scale.pulse_at(track.share), 0.0)
    mean = np.mean(draws, axis=0)
    low, high = np.percentile(draws, _BAND, axis=0)
    clock = 2.0 * max(point.clock_share for point in points) / ROOT3 * mean
    low = np.maximum.accumulate(mean - np.hypot(np.maximum(mean - low, 0.0), clock))
    high = mean + np.hypot(np.maximum(high - mean, 0.0), clock)
    high = np.minimum.accumulate(high[::-1])[::-1]
    rest = _fit_rest(scale, pulse_s, rest_s, mean)
    stops = {
        name: _find_stop(track.turn_deg, draws, level_s)
        for name, level_s in (
            ("low", design.servo.pulse_min_s),
            ("high", design.servo.pulse_max_s),
        )
    }
    ends = [_middle_and_u(track.dead_low_deg), _middle_and_u(track.dead_high_deg)]
    turned = knob.longer == "anticlockwise"
    if turned:
        ends.reverse()
        mean, low, high, rest = mean[::-1], low[::-1], high[::-1], rest[::-1]
        stops = {
            name: None if stop is None else (knob.travel_deg - stop[0], stop[1])
            for name, stop in stops.items()
        }
    lag = _middle_and_u(track.hysteresis_deg) if track.hysteresis_deg.size else (None, None)
    low_stop, high_stop = stops["low"] or (None, None), stops["high"] or (None, None)
    knob_deg = track.turn_deg
    (dead_low, u_dead_low), (dead_high, u_dead_high) = ends
    live = (knob_deg >= dead_low) & (knob_deg <= knob.travel_deg - dead_high)
    return KnobCurve(
        knob_deg=knob_deg,
        pulse_s=mean,
        low_s=low,
        high_s=high,
        u_s=0.25 * (high - low),
        period_s=mean + rest,
        dead_low_deg=dead_low,
        dead_high_deg=dead_high,
        u_dead_low_deg=u_dead_low,
        u_dead_high_deg=u_dead_high,
        hysteresis_deg=lag[0],
        u_hysteresis_deg=lag[1],
        linearity_s=_departure(knob_deg[live], mean[live]),
        end_stop_low_deg=low_stop[0],
        u_end_stop_low_deg=low_stop[1],
        end_stop_high_deg=high_stop[0],
        u_end_stop_high_deg=high_stop[1],
        settings=count_settings(
            knob_deg,
            mean,
            u_pulse_s=_repeat_s(points, scale, pulse_s),
            # a mark is set again as well as it was read, and hardly better than is stated
            knob_reading_deg=max(marks.reading_deg, knob_reading_deg),
            hysteresis_deg=lag[0] or 0.0,
        ),
        supply_v=scale.supply_v,
        temperature_c=scale.temperature_c,
    )


def _middle_and_u(values: Values) -> tuple[float, float]:
    """Return mean and standard deviation."""
    return float(np.mean(values)), float(np.std(values))


def _fit_rest(scale: PulseScale, pulse_s: Values, rest_s: Values, curve_s: Values) -> Values:
    """Return the rest of the cycle along the curve: the model's, in the measured proportion."""
    # counted along the track as it is, so that parts far off their marking do no harm
    low, high = float(curve_s[0]), float(curve_s[-1])
    reach = max(high - low, 1e-3 * max(high, float(np.max(pulse_s))))
    place, at = np.clip((pulse_s - low) / reach, 0.0, 1.0), (curve_s - low) / reach
    ratio = rest_s / scale.rest_at(place)
    degree = 1 if np.ptp(place) > 0.2 and place.size > 2 else 0
    line = fit_polynomial(place, ratio, degree)
    swept = np.clip(at, np.min(place), np.max(place))
    return np.asarray(scale.rest_at(at) * np.maximum(line.predict(swept)[0], 0.0))


def _find_stop(turn_deg: Values, draws: Values, level_s: float) -> tuple[float, float] | None:
    """Return where the draws cross a pulse, and the standard uncertainty of that."""
    crosses = (draws[:, 0] < level_s) & (draws[:, -1] > level_s)
    if np.mean(crosses) < _HALF:
        return None
    kept = draws[crosses]
    index = np.argmax(kept > level_s, axis=1)
    rows = np.arange(kept.shape[0])
    before, after = kept[rows, index - 1], kept[rows, index]
    at = turn_deg[index - 1] + (level_s - before) / (after - before) * np.diff(turn_deg)[index - 1]
    low, high = np.percentile(at, _BAND)
    return float(np.mean(at)), float(0.25 * (high - low))


def _departure(knob_deg: Values, pulse_s: Values) -> float:
    """Return the largest departure from the best straight line."""
    if knob_deg.size < 3:
        return 0.0
    line = fit_polynomial(knob_deg, pulse_s, 1)
    return float(np.max(np.abs(pulse_s - line.predict(knob_deg)[0])))


def _repeat_s(points: Sequence[Point], scale: PulseScale, pulse_s: Values) -> float:
    """Return the standard uncertainty with which a pulse repeats at one place of the knob.

    What a reading leaves open, the jitter of the pulse within a recording, and what the
    supply did from recording to recording.
    """
    read = math.sqrt(float(np.mean([p.u_pulse_s**2 for p in points])))
    jitter = math.sqrt(float(np.mean([p.pulse_sd_s**2 for p in points])))
    moved = np.array([p.pulse_s for p in points]) - pulse_s
    drift = float(np.std(moved / pulse_s) * np.mean(pulse_s))
    return math.hypot(read, jitter, drift)
