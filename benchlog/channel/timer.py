"""The timer's cycle: on and off times, or why the circuit does not oscillate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.channel.circuit import FAMILIES, Circuit, TimerFamily
from benchlog.channel.diode import MODELS, NO_DIODE, Diode
from benchlog.channel.phases import Course, off_phase, on_phase, split_arrays
from benchlog.errors import DesignError
from benchlog.units import format_value

__all__ = [
    "FAMILIES",
    "MODELS",
    "NO_DIODE",
    "Circuit",
    "CycleTimes",
    "Diode",
    "TimerFamily",
    "cycle_times",
    "fall_time",
    "rise_time",
    "try_cycle_times",
]

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class CycleTimes:
    """Times of one cycle.

    Attributes
    ----------
    on_s, off_s : numpy.ndarray
        Output high and output low, seconds.
    """

    on_s: Values
    off_s: Values

    @property
    def period_s(self) -> Values:
        """On and off together, seconds."""
        return self.on_s + self.off_s


def _spent(
    from_v: Values, rest_v: Values, current_a: Values, c_f: ArrayLike, delay_s: ArrayLike
) -> Values:
    """Return the voltage after `delay_s` more of a current that dies out at `rest_v`."""
    span = rest_v - from_v
    return np.asarray(
        from_v - span * np.expm1(-current_a * np.asarray(delay_s) / (np.asarray(c_f) * span))
    )


def try_cycle_times(circuit: Circuit) -> tuple[CycleTimes, NDArray[np.bool_], NDArray[np.bool_]]:
    """Return on and off times, and where the circuit oscillates.

    Parameters
    ----------
    circuit : Circuit
        The circuit; its fields broadcast.

    Returns
    -------
    CycleTimes
        Not a number where a phase never ends.
    numpy.ndarray, numpy.ndarray
        Whether on ends and whether off ends, bool, of the times' shape.

    Notes
    -----
    Each comparator acts `delay_s` late: the capacitor runs past the level for that long,
    and the next phase begins from there.
    """
    delay_s = circuit.timer.delay_s
    with np.errstate(all="ignore"):
        on, off = Course(circuit, on_phase(circuit)), Course(circuit, off_phase(circuit))
        high, low = on.place(circuit.threshold_v), off.place(circuit.trigger_v)
        on_a, off_a = on.current(high), off.current(low)
        below = _spent(low.v, np.zeros_like(low.v), off_a, circuit.c_f, delay_s)
        above = _spent(high.v, np.asarray(circuit.supply_v) + 0.0, on_a, circuit.c_f, delay_s)
        on_s = on.time(on.place(below), high) + delay_s
        off_s = off.time(off.place(above), low) + delay_s
    on_s, off_s, on_a, off_a = np.broadcast_arrays(on_s, off_s, on_a, off_a)
    on_ends, off_ends = on_a > 0.0, off_a < 0.0
    times = CycleTimes(np.where(on_ends, on_s, np.nan), np.where(off_ends, off_s, np.nan))
    return times, on_ends, off_ends


def cycle_times(circuit: Circuit) -> CycleTimes:
    """Return on and off times of the circuit.

    Parameters
    ----------
    circuit : Circuit
        The circuit; its fields broadcast.

    Returns
    -------
    CycleTimes
        ``on_s`` and ``off_s``, seconds, of the fields' common shape.

    Raises
    ------
    DesignError
        On or off never ends, at any of the settings; the message says which and why.
    """
    times, on_ends, off_ends = try_cycle_times(circuit)
    if not on_ends.all():
        _refuse_on(circuit, circuit.threshold_v, on_ends)
    if not off_ends.all():
        _refuse_off(circuit, circuit.trigger_v, off_ends)
    if not (np.isfinite(times.period_s) & (times.on_s > 0.0) & (times.off_s > 0.0)).all():
        raise DesignError(
            "the circuit's on and off times cannot be computed",
            expected="parts of the usual size, such as 1 kΩ to 10 MΩ and 100 pF to 100 µF",
            attempt="checking the prefixes of the resistors, the capacitor and the diode",
        )
    return times


def rise_time(circuit: Circuit, from_v: ArrayLike, to_v: ArrayLike) -> Values:
    """Return the time that the capacitor takes upwards in the on phase.

    Parameters
    ----------
    circuit : Circuit
        The circuit; its fields broadcast with the voltages.
    from_v, to_v : array_like
        Capacitor voltages, volts, `to_v` not below `from_v`.

    Returns
    -------
    numpy.ndarray
        Seconds. The comparators' delay is not part of it.

    Raises
    ------
    DesignError
        `to_v` is never reached.
    ValueError
        `to_v` lies below `from_v`.
    """
    start, end = np.asarray(from_v, dtype=np.float64), np.asarray(to_v, dtype=np.float64)
    if np.any(end < start):
        raise ValueError("to_v must not lie below from_v in the on phase")
    with np.errstate(all="ignore"):
        course = Course(circuit, on_phase(circuit))
        place = course.place(end)
        ends = course.current(place) > 0.0
        time_s = course.time(course.place(start), place)
    if not ends.all():
        _refuse_on(circuit, end, ends)
    return time_s


def fall_time(circuit: Circuit, from_v: ArrayLike, to_v: ArrayLike) -> Values:
    """Return the time that the capacitor takes downwards in the off phase.

    Parameters
    ----------
    circuit : Circuit
        The circuit; its fields broadcast with the voltages.
    from_v, to_v : array_like
        Capacitor voltages, volts, `to_v` not above `from_v`.

    Returns
    -------
    numpy.ndarray
        Seconds. The comparators' delay is not part of it.

    Raises
    ------
    DesignError
        `to_v` is never reached.
    ValueError
        `to_v` lies above `from_v`.
    """
    start, end = np.asarray(from_v, dtype=np.float64), np.asarray(to_v, dtype=np.float64)
    if np.any(end > start):
        raise ValueError("to_v must not lie above from_v in the off phase")
    with np.errstate(all="ignore"):
        course = Course(circuit, off_phase(circuit))
        place = course.place(end)
        ends = course.current(place) < 0.0
        time_s = course.time(course.place(start), place)
    if not ends.all():
        _refuse_off(circuit, end, ends)
    return time_s


def _pick(ends: NDArray[np.bool_], *values: ArrayLike) -> tuple[float, ...]:
    """Return each value at the first setting where the phase does not end."""
    where = int(np.argmin(ends.ravel()))
    return tuple(float(np.broadcast_to(one, ends.shape).ravel()[where]) for one in values)


def _refuse_on(circuit: Circuit, level_v: Values, ends: NDArray[np.bool_]) -> NoReturn:
    """Say why the capacitor does not reach the upper level."""
    drawn = np.asarray(circuit.timer.input_current_a)
    supply, r_a, r_b, _ = split_arrays(circuit)
    with np.errstate(all="ignore"):
        course = Course(circuit, on_phase(circuit))
        arrives = course.current(course.place(level_v)) + drawn
    volts, total, level, current, drawn_a = _pick(ends, supply, r_a + r_b, level_v, arrives, drawn)
    raise DesignError(
        f"the circuit cannot oscillate, on never ends: at the threshold level of {level:.3g} V "
        f"{format_value(current, 'A')} come through Ra + Rb = {format_value(total, 'ohm')} from "
        f"{volts:.3g} V, and the timer's inputs draw {format_value(drawn_a, 'A')}",
        expected="a charging current above the input current all the way to the threshold",
        attempt="smaller r_off, r_knob and r_on with a larger c_timing, or a cmos timer",
    )


def _refuse_off(circuit: Circuit, level_v: Values, ends: NDArray[np.bool_]) -> NoReturn:
    """Say why the capacitor does not come down to the lower level."""
    phase = off_phase(circuit)
    _, r_a, r_b, contact = split_arrays(circuit)
    lifted = level_v + r_b * (phase.p + phase.q * level_v + circuit.timer.input_current_a)
    pull = circuit.timer.discharge_ohm
    r_on, r_wiper, level, node, pull_ohm = _pick(ends, r_a, contact, level_v, lifted, pull)
    raise DesignError(
        f"the circuit cannot oscillate, off never ends: Ra = {format_value(r_on, 'ohm')} against "
        f"the wiper contact of {format_value(r_wiper, 'ohm')} and the discharge transistor of "
        f"{format_value(pull_ohm, 'ohm')} holds the discharge node at "
        f"{node:.3g} V, and the trigger level is {level:.3g} V",
        expected="a discharge node below the trigger level",
        attempt="a larger r_on, and a clean wiper contact",
    )
