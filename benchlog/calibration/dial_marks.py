"""Which marks stand at which knob angles of a printed scale, and where it is unsafe or dead.

A scale is made from a curve, knob angle to pulse, whether that was measured or comes from a
design: all that is asked of it stands in `ScaleCurve`. Nothing here knows how large the scale
will be or what it looks like.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.scale_curve import ScaleCurve, count_spaces
from benchlog.channel.servo import Servo

__all__ = [
    "Mark",
    "OwnMark",
    "Scale",
    "Stretch",
    "arm_scale",
    "find_stretches",
    "own_scale",
    "pulse_scale",
    "setting_scale",
]

FloatArray = NDArray[np.float64]

_US = 1e6
_ROUND_DEG = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0, 180.0, 360.0)
_ROUND_US = tuple(m * 10.0**e for e in range(5) for m in (1.0, 2.0, 5.0))
_USUAL_THIN = (2, 5, 10, 20, 50, 100, 200, 500)
_ROUND_ENOUGH = 2
_LEAST_DEAD_DEG = 0.5
_MOST_MARKS = 1000
_MOST_SETTINGS = 1000


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark of a scale.

    Attributes
    ----------
    knob_deg : float
        Where it lies, degrees of knob.
    text : str
        Its label; empty for a minor tick.
    pulse_s : float
        The pulse there, seconds.
    servo_deg : float
        The arm angle there, degrees.
    count : int
        Its value in steps, by which labels are thinned; of a minor tick 0 for the longer ones.
    """

    knob_deg: float
    text: str
    pulse_s: float
    servo_deg: float
    count: int = 0


@dataclass(frozen=True, slots=True)
class Scale:
    """The marks of a printed scale.

    Attributes
    ----------
    kind : {"arm", "pulse", "settings", "own"}
        What the labels are.
    title : str
        What they are in words.
    marks : tuple of Mark
        In ascending order of the knob angle.
    minors : tuple of Mark
        Ticks between, without labels.
    thin : tuple of int
        Where there is no room for all labels, every so manieth may stand, by `Mark.count`; the
        finer first. Empty where none can be spared.
    """

    kind: Literal["arm", "pulse", "settings", "own"]
    title: str
    marks: tuple[Mark, ...]
    minors: tuple[Mark, ...] = ()
    thin: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the knob's travel that a scale points out.

    Attributes
    ----------
    kind : {"low", "high", "dead"}
        Past the servo's low or high end stop, or where turning changes nothing.
    from_deg, to_deg : float
        Where it begins and ends, degrees of knob, ascending.
    """

    kind: Literal["low", "high", "dead"]
    from_deg: float
    to_deg: float


@dataclass(frozen=True, slots=True)
class OwnMark:
    """A mark as a user names it: a label, and a place in one of three ways.

    Attributes
    ----------
    text : str
        The label.
    value : float
        Seconds of pulse, degrees of arm or degrees of knob.
    kind : {"pulse", "arm", "knob"}
        Which of them.
    """

    text: str
    value: float
    kind: Literal["pulse", "arm", "knob"]


def find_stretches(curve: ScaleCurve, servo: Servo) -> tuple[Stretch, ...]:
    """Find where the servo pushes a stop and where the knob changes nothing.

    Parameters
    ----------
    curve : ScaleCurve
        The knob's curve.
    servo : Servo
        The servo.

    Returns
    -------
    tuple of Stretch
        Dead ones first; a stretch is there only where it is longer than a thousandth of a degree.
    """
    first, last = float(curve.knob_deg[0]), float(curve.knob_deg[-1])
    rises = bool(curve.pulse_s[-1] >= curve.pulse_s[0])
    found = []
    if _is_surely_dead(curve.dead_low_deg, curve.u_dead_low_deg):
        found.append(Stretch("dead", first, first + curve.dead_low_deg))
    if _is_surely_dead(curve.dead_high_deg, curve.u_dead_high_deg):
        found.append(Stretch("dead", last - curve.dead_high_deg, last))
    low_s, high_s = curve.reach_s
    if low_s < servo.pulse_min_s:
        edge = curve.end_stop_low_deg
        if edge is None:
            edge = _edge(curve, servo.pulse_min_s, last if rises else first)
        found.append(Stretch("low", first, edge) if rises else Stretch("low", edge, last))
    if high_s > servo.pulse_max_s:
        edge = curve.end_stop_high_deg
        if edge is None:
            edge = _edge(curve, servo.pulse_max_s, first if rises else last)
        found.append(Stretch("high", edge, last) if rises else Stretch("high", first, edge))
    return tuple(one for one in found if one.to_deg - one.from_deg > 1e-3)


def _is_surely_dead(length_deg: float, u_deg: float) -> bool:
    """Tell whether a dead stretch is surely there, and long enough to be seen."""
    return length_deg > max(2.0 * u_deg, _LEAST_DEAD_DEG)


def _edge(curve: ScaleCurve, level_s: float, beyond_deg: float) -> float:
    """Return where the curve meets a stop; the far end of the knob where all of it is beyond."""
    low_s, high_s = curve.reach_s
    if not low_s <= level_s <= high_s:
        return beyond_deg
    return float(curve.angle_of(np.array([level_s]))[0][0])


def arm_scale(curve: ScaleCurve, servo: Servo, step_deg: float, parts: int = 1) -> Scale:
    """Make a scale of arm angles.

    Parameters
    ----------
    curve, servo : ScaleCurve, Servo
        The knob's curve and the servo.
    step_deg : float
        From mark to mark, degrees of arm, above 0.
    parts : int
        Minor ticks divide each step into so many.

    Returns
    -------
    Scale
        The marks that the knob reaches within the servo's range; there may be none.

    Raises
    ------
    ValueError
        A step that would make more than 1000 ticks.
    """
    shortest_s, longest_s = _within(curve, servo)
    if longest_s <= shortest_s:
        return Scale("arm", _TITLES["arm"], ())
    ends = [float(one) for one in servo.angle_deg(np.array([shortest_s, longest_s]))]
    values = _multiples(min(ends), max(ends), step_deg / parts)
    pulses = np.clip(servo.width_for(values), shortest_s, longest_s)
    return _stepped(curve, servo, "arm", values, pulses, (step_deg, parts), _ROUND_DEG)


def pulse_scale(curve: ScaleCurve, servo: Servo, step_s: float, parts: int = 1) -> Scale:
    """Make a scale of pulse widths.

    Parameters
    ----------
    curve, servo : ScaleCurve, Servo
        The knob's curve and the servo.
    step_s : float
        From mark to mark, seconds, above 0.
    parts : int
        Minor ticks divide each step into so many.

    Returns
    -------
    Scale
        The marks over the whole reach of the knob, past an end stop as well.

    Raises
    ------
    ValueError
        A step that would make more than 1000 ticks.
    """
    step_us = round(step_s * _US, 6)
    low_s, high_s = curve.reach_s
    values = _multiples(low_s * _US, high_s * _US, step_us / parts)
    pulses = np.clip(values / _US, low_s, high_s)
    return _stepped(curve, servo, "pulse", values, pulses, (step_us, parts), _ROUND_US)


def setting_scale(
    curve: ScaleCurve, servo: Servo, *, u_knob_deg: float, count: int | None = None
) -> Scale:
    """Make a scale of numbered settings, any two neighbours equally surely two.

    Parameters
    ----------
    curve, servo : ScaleCurve, Servo
        The knob's curve and the servo.
    u_knob_deg : float
        Standard uncertainty of setting the knob to a mark, degrees.
    count : int, optional
        So many instead of as many as can be told apart.

    Returns
    -------
    Scale
        Numbered from the anticlockwise end, within the servo's range and the live travel; empty
        where not even two can be told apart.

    Notes
    -----
    Between neighbours, the integral of ``|p'| / sqrt(u² + (p' u_knob)²)`` is the same. ``p'``
    is the curve's slope, and ``u`` a pulse's repeatability, such that the whole curve holds as many
    settings as `curve.settings` says.
    """
    shortest_s, longest_s = _within(curve, servo)
    if longest_s <= shortest_s:
        return Scale("settings", _TITLES["settings"], ())
    ends = sorted(float(one) for one in curve.angle_of(np.array([shortest_s, longest_s]))[0])
    grid = np.linspace(ends[0], ends[1], 4001)
    pulses = curve.pulse_at(grid)[0]
    spaces = count_spaces(grid, pulses, _repeatability(curve, u_knob_deg), u_knob_deg)
    total = float(spaces[-1])
    number = count if count is not None else min(math.floor(total + 1e-9) + 1, _MOST_SETTINGS)
    if number < 2 or total <= 0.0:
        return Scale("settings", _TITLES["settings"], ())
    # flat pieces hold no setting, so the sum may stand still there
    rising = np.append(True, np.diff(spaces) > 0.0)
    places = np.interp(np.linspace(0.0, total, number), spaces[rising], grid[rising])
    widths = curve.pulse_at(places)[0]
    marks = [
        _mark(servo, float(knob), str(i + 1), float(width), i + 1)
        for i, (knob, width) in enumerate(zip(places, widths, strict=True))
    ]
    return Scale("settings", _TITLES["settings"], tuple(marks), thin=_USUAL_THIN)


def own_scale(curve: ScaleCurve, servo: Servo, wanted: Sequence[OwnMark]) -> Scale:
    """Make a scale of a user's own labels.

    Parameters
    ----------
    curve, servo : ScaleCurve, Servo
        The knob's curve and the servo.
    wanted : sequence of OwnMark
        At least one.

    Returns
    -------
    Scale
        All of them.

    Raises
    ------
    ValueError
        One lies where the knob does not reach; the message is its label.
    """
    low_s, high_s = curve.reach_s
    first, last = float(curve.knob_deg[0]), float(curve.knob_deg[-1])
    arms = sorted((servo.angle_min_deg, servo.angle_max_deg))
    marks = []
    for one in wanted:
        if one.kind == "knob":
            if not first <= one.value <= last:
                raise ValueError(one.text)
            knob, width = one.value, float(curve.pulse_at(np.array([one.value]))[0][0])
        else:
            if one.kind == "arm" and not arms[0] <= one.value <= arms[1]:
                raise ValueError(one.text)
            width = one.value if one.kind == "pulse" else float(servo.width_for(one.value))
            if not low_s <= width <= high_s:
                raise ValueError(one.text)
            knob = float(curve.angle_of(np.array([width]))[0][0])
        marks.append(_mark(servo, knob, one.text, width, 0))
    return Scale("own", _TITLES["own"], tuple(sorted(marks, key=lambda mark: mark.knob_deg)))


_TITLES = {
    "arm": "arm angle °",
    "pulse": "pulse µs",
    "settings": "settings",
    "own": "own marks",
}


def _within(curve: ScaleCurve, servo: Servo) -> tuple[float, float]:
    """Return the shortest and longest pulse that the knob reaches within the servo's range."""
    low_s, high_s = curve.reach_s
    return max(low_s, servo.pulse_min_s), min(high_s, servo.pulse_max_s)


def _multiples(low: float, high: float, step: float) -> FloatArray:
    """Return the multiples of a step from low to high, those at the ends included."""
    slack = 1e-9 * max(abs(low), abs(high), step)
    first, last = math.ceil((low - slack) / step), math.floor((high + slack) / step)
    if last - first + 1 > _MOST_MARKS:
        raise ValueError(
            f"a step that gives {last - first + 1} ticks, where {_MOST_MARKS} are most"
        )
    return np.asarray(np.arange(first, last + 1) * step, dtype=np.float64)


def _stepped(
    curve: ScaleCurve,
    servo: Servo,
    kind: Literal["arm", "pulse"],
    values: FloatArray,
    pulses: FloatArray,
    steps: tuple[float, int],
    round_values: tuple[float, ...],
) -> Scale:
    """Make the marks and the minor ticks of a scale with equal steps."""
    step, parts = steps
    if values.size == 0:
        return Scale(kind, _TITLES[kind], ())
    angles = curve.angle_of(pulses)[0]
    counts = np.round(values / (step / parts)).astype(int)
    marks, minors = [], []
    for value, width, knob, count in zip(values, pulses, angles, counts.tolist(), strict=True):
        if count % parts == 0:
            text = f"{round(float(value), 6):.10g}".replace("-", "−")
            marks.append(_mark(servo, float(knob), text, float(width), count // parts))
        else:
            half = parts % 2 == 0 and count % parts == parts // 2
            minors.append(_mark(servo, float(knob), "", float(width), 0 if half else 1))
    by_knob = sorted(marks, key=lambda mark: mark.knob_deg)
    return Scale(
        kind,
        _TITLES[kind],
        tuple(by_knob),
        tuple(sorted(minors, key=lambda one: one.knob_deg)),
        _thinnings(step, round_values),
    )


def _mark(servo: Servo, knob_deg: float, text: str, width_s: float, count: int) -> Mark:
    return Mark(knob_deg, text, width_s, float(servo.angle_deg(width_s)), count)


def _thinnings(step: float, round_values: tuple[float, ...]) -> tuple[int, ...]:
    """Return how labels in equal steps may be thinned, so that round ones are left if they can."""
    kept = [
        round(one / step)
        for one in round_values
        if one / step > 1.5 and abs(one / step - round(one / step)) < 1e-6
    ]
    near = [one for one in kept if one <= _USUAL_THIN[2]]
    return tuple(kept) if len(near) >= _ROUND_ENOUGH else _USUAL_THIN


def _repeatability(curve: ScaleCurve, u_knob_deg: float) -> float:
    """Return the pulse's repeatability for which the curve holds as many settings as it says."""
    settings = curve.settings
    if settings.spacing_deg is None or settings.count is None:
        return 0.0
    knob, pulse = curve.knob_deg, curve.pulse_s
    live_deg = float(knob[-1] - knob[0]) - curve.dead_low_deg - curve.dead_high_deg
    wanted = live_deg / settings.spacing_deg
    low, high = 0.0, 1e-3
    if float(count_spaces(knob, pulse, low, u_knob_deg)[-1]) <= wanted:
        return 0.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if float(count_spaces(knob, pulse, middle, u_knob_deg)[-1]) > wanted:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
