"""Pulses beyond the servo's range: how far, on which end, and the part that brings them inside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.cycle import build_circuit
from benchlog.channel.plan import Design
from benchlog.channel.preferred import values_between
from benchlog.channel.servo import Servo
from benchlog.channel.timer import try_cycle_times

__all__ = ["ASSUMED_SERVO", "EndStop", "PartChange", "judge_end_stop"]

ASSUMED_SERVO = Servo(500e-6, 2500e-6, assumed=True)
"""The range that is taken where nobody says which servo it is: 500 to 2500 us."""

_COVERAGE = 2.0
_FEWEST_BEYOND = 3
_LEAST_SHARE = 1e-3
_ROOM_S = 10e-6
"""How far inside the range a remedy should keep the pulse."""
_ANGLES = 541

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PartChange:
    """A change of parts after which both ends of the knob stay within the servo's range.

    Attributes
    ----------
    r_on_ohm : float or None
        The new `r_on`, a value of the E24 series; None where it stays.
    across_knob_ohm : float or None
        A resistor from end to end of the knob's track, E24; None where none is needed.
    low_s, high_s : float
        The pulse at the knob's short and long end afterwards, seconds.
    """

    r_on_ohm: float | None
    across_knob_ohm: float | None
    low_s: float
    high_s: float


@dataclass(frozen=True, slots=True)
class EndStop:
    """A servo that is driven against its stop.

    Attributes
    ----------
    end : {'low', 'high'}
        The end: ``low`` for pulses that are too short.
    limit_s : float
        The servo's range on that end, seconds.
    pulse_s : float
        The mean pulse, seconds.
    beyond_s : float
        How far the mean pulse is beyond the limit, seconds; below 0 where only some pulses are.
    u_beyond_s : float
        Its standard uncertainty.
    furthest_s : float
        How far the pulses reach beyond it: all but the outermost one in twenty of those that
        are beyond; 0 where none is.
    share : float
        Share of the pulses that are beyond.
    sure : bool
        Whether pulses are beyond by more than the uncertainty (k = 2).
    assumed : bool
        Whether the servo's range is a usual one and not this servo's.
    past_deg : float or None
        The knob angle past which the pulse is beyond; None without a design, or where no
        angle of the design reaches the limit.
    past_clockwise : bool or None
        Whether 'past' is clockwise from there.
    change : PartChange or None
        Parts that cure it; None without a design, or where no single step does.
    """

    end: Literal["low", "high"]
    limit_s: float
    pulse_s: float
    beyond_s: float
    u_beyond_s: float
    furthest_s: float
    share: float
    sure: bool
    assumed: bool
    past_deg: float | None = None
    past_clockwise: bool | None = None
    change: PartChange | None = None


def judge_end_stop(
    pulse_s: FloatArray,
    u_pulse_s: float,
    servo: Servo | None = None,
    *,
    noise_s: float = 0.0,
    design: Design | None = None,
    knob_deg: float | None = None,
    supply_v: float | None = None,
    temperature_c: float | None = None,
) -> EndStop | None:
    """Judge pulses against a servo's range.

    Parameters
    ----------
    pulse_s : numpy.ndarray
        The pulses, seconds, shape (n,); those that an event spoilt left out.
    u_pulse_s : float
        Standard uncertainty of their mean, seconds.
    servo : Servo, optional
        The servo; the design's where not given, the usual range where there is no design.
    noise_s : float
        What the input's noise adds to a single pulse's standard deviation, seconds.
    design : Design, optional
        The channel, for the knob angle and the change of parts.
    knob_deg : float, optional
        Where the knob stood, degrees. The model is scaled to the pulse measured there.
    supply_v, temperature_c : float, optional
        As they were; the design's where not given.

    Returns
    -------
    EndStop or None
        None where all pulses are surely, or as good as surely, inside.

    Notes
    -----
    Of a pulse that wanders some pulses may be beyond while the mean is not: that counts where
    three of them, and one in a thousand, are beyond by more than their own uncertainty.
    """
    if pulse_s.shape[0] == 0:
        return None
    if servo is None:
        servo = design.servo if design is not None else ASSUMED_SERVO
    mean = float(np.mean(pulse_s))
    each = _COVERAGE * float(np.hypot(u_pulse_s, noise_s))
    best: EndStop | None = None
    for end, limit, sign in (
        ("low", servo.pulse_min_s, -1.0),
        ("high", servo.pulse_max_s, 1.0),
    ):
        beyond = sign * (mean - limit)
        excess = sign * (pulse_s - limit)
        outside = excess[excess > 0]
        surely = int(np.count_nonzero(excess > each))
        often = surely >= max(_FEWEST_BEYOND, _LEAST_SHARE * pulse_s.shape[0])
        if not often and beyond <= -_COVERAGE * u_pulse_s:
            continue
        one = EndStop(
            end="low" if end == "low" else "high",
            limit_s=limit,
            pulse_s=mean,
            beyond_s=beyond,
            u_beyond_s=u_pulse_s,
            furthest_s=float(np.quantile(outside, 0.95)) if outside.shape[0] else 0.0,
            share=outside.shape[0] / pulse_s.shape[0],
            sure=often or beyond > _COVERAGE * u_pulse_s,
            assumed=servo.assumed,
        )
        if best is None or (one.sure, one.beyond_s) > (best.sure, best.beyond_s):
            best = one
    if best is None or design is None:
        return best
    return _explain(best, servo, design, knob_deg, supply_v, temperature_c)


def _explain(
    one: EndStop,
    servo: Servo,
    design: Design,
    knob_deg: float | None,
    supply_v: float | None,
    temperature_c: float | None,
) -> EndStop:
    """Add the knob angle and the change of parts that the design's model gives."""

    def pulses(angle: FloatArray, **parts: float) -> FloatArray:
        circuit = build_circuit(
            design, angle, supply_v=supply_v, temperature_c=temperature_c, parts=parts
        )
        return try_cycle_times(circuit)[0].on_s

    scale = 1.0
    if knob_deg is not None:
        there = float(pulses(np.array([knob_deg]))[0])
        scale = one.pulse_s / there if np.isfinite(there) and there > 0 else 1.0
    past = _find_angle(one, design, lambda angle: scale * pulses(angle))
    change = _find_change(servo, design, lambda angle, parts: scale * pulses(angle, **parts))
    return replace(
        one,
        past_deg=None if past is None else past[0],
        past_clockwise=None if past is None else past[1],
        change=change,
    )


def _find_angle(
    one: EndStop, design: Design, pulses: Callable[[FloatArray], FloatArray]
) -> tuple[float, bool] | None:
    """Return the knob angle past which the pulse is beyond the limit, and the way past it."""
    angle = np.linspace(0.0, design.knob.travel_deg, _ANGLES)
    excess = pulses(angle) - one.limit_s
    if one.end == "low":
        excess = -excess
    cross = np.flatnonzero((excess[:-1] > 0) != (excess[1:] > 0))
    if not np.all(np.isfinite(excess)) or cross.shape[0] == 0:
        return None
    at = int(cross[0])
    share = excess[at] / (excess[at] - excess[at + 1])
    where = float(angle[at] + share * (angle[at + 1] - angle[at]))
    return where, bool(excess[at + 1] > 0)


def _find_change(
    servo: Servo,
    design: Design,
    pulses: Callable[[FloatArray, dict[str, float]], FloatArray],
) -> PartChange | None:
    """Find the least change after which both ends of the knob stay inside the range.

    Another `r_on` moves both ends together and is tried first; where the knob's span is wider
    than the servo's range, a resistor across the knob's track narrows it. The widest span that
    fits is taken, since it leaves the arm the most of its way.
    """
    knob = design.knob
    short, long = (0.0, knob.travel_deg) if knob.longer == "clockwise" else (knob.travel_deg, 0.0)
    ends = np.array([short, long])
    low_limit, high_limit = servo.pulse_min_s + _ROOM_S, servo.pulse_max_s - _ROOM_S
    track, marked = design.r_knob.value, design.r_on.value
    values = values_between(marked / 4.0, marked * 4.0, "E24")

    def find(across: float | None) -> PartChange | None:
        knob_ohm = track if across is None else track * across / (track + across)
        for r_on in (marked, *sorted(values, key=lambda ohm: abs(np.log(ohm / marked)))):
            low, high = pulses(ends, {"r_on": r_on, "r_knob": knob_ohm}).tolist()
            if not (low >= low_limit and high <= high_limit):
                continue
            return PartChange(None if r_on == marked else r_on, across, low, high)
        return None

    if (alone := find(None)) is not None:
        # where the design's own parts stay inside, none of them is to blame
        return None if alone.r_on_ohm is None else alone
    for across in reversed(values_between(track / 2.0, track * 50.0, "E24")):
        if (found := find(across)) is not None:
            return found
    return None
