"""The values from which a channel's parts are taken, and between which they make sense."""

from __future__ import annotations

from benchlog.channel.circuit import TimerFamily
from benchlog.channel.preferred import nearest_value, values_between

__all__ = [
    "CAPACITOR_F",
    "KNOB_OHM",
    "TRIMMER_OHM",
    "choose_resistor",
    "choose_trimmer",
    "least_on_ohm",
    "most_path_ohm",
]

CAPACITOR_F = values_between(1e-9, 1e-6, "E6")
"""Film capacitors (IEC 60063 E6). Below 1 nF a breadboard's strays of some 10 pF count, above
1 uF only electrolytics are small, and they leak (common practice)."""

KNOB_OHM = (
    10e3, 20e3, 22e3, 47e3, 50e3, 100e3, 200e3, 220e3, 470e3, 500e3,
)  # fmt: skip
"""Values in which knobs are made (common practice)."""

TRIMMER_OHM = (
    100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3, 50e3, 100e3, 200e3, 500e3, 1e6, 2e6,
)  # fmt: skip
"""Values in which trimmers are made (common practice)."""

_LEAST_ON_OHM = 1e3
_SINK_A = {"bipolar": 4.5e-3, "cmos": 10e-3}
"""Current of the discharge transistor at which the data sheets state its voltage: ST NE555 p. 4,
4.5 mA at 5 V; TI SLFS043C p. 9 (TLC555), 10 mA."""

_MOST_OHM_PER_V = 3.4e6 / 5.0
"""TI SLFS022 note 2 on the NE555: at most about 3.4 Mohm in the charging path at 5 V and 10 Mohm
at 15 V, for the threshold input's current."""
_MOST_OHM = 5e6  # beyond it leakage over a board counts (common practice)

_REACH = 1.2  # of a trimmer over the tolerance that it is to take up, either way


def least_on_ohm(timer: TimerFamily, supply_v: float) -> float:
    """Return the least r_on that does not overload the discharge transistor, ohms.

    Parameters
    ----------
    timer : TimerFamily
        The timer; of an ideal one the discharge transistor is taken for a bipolar timer's.
    supply_v : float
        Supply, volts.

    Returns
    -------
    float
        While the output is low r_on lies, at the knob's short end, straight across the supply.
    """
    sink_a = _SINK_A.get(timer.name, min(_SINK_A.values()))
    return max(_LEAST_ON_OHM, supply_v / sink_a)


def most_path_ohm(timer: TimerFamily, supply_v: float) -> float:
    """Return the most that r_on, r_knob and r_off may have together, ohms.

    Parameters
    ----------
    timer : TimerFamily
        The timer.
    supply_v : float
        Supply, volts.

    Returns
    -------
    float
        Beyond it the current into the timer's inputs takes too much of what charges.
    """
    return min(_MOST_OHM_PER_V * supply_v, _MOST_OHM) if timer.name == "bipolar" else _MOST_OHM


def choose_resistor(wanted_ohm: float, within: float) -> float:
    """Return a resistor near a wanted value.

    Parameters
    ----------
    wanted_ohm : float
        The value, ohms, above 0.
    within : float
        How far off, as a fraction, the coarser series may be.

    Returns
    -------
    float
        The nearest of E12, or of E24 where that is not near enough.
    """
    coarse = nearest_value(wanted_ohm, "E12")
    return coarse if abs(coarse / wanted_ohm - 1.0) <= within else nearest_value(wanted_ohm, "E24")


def choose_trimmer(wanted_ohm: float, spread: float) -> tuple[float, float]:
    """Return a fixed resistor and a trimmer that reach all values about a wanted one.

    Parameters
    ----------
    wanted_ohm : float
        The value, ohms, above 0.
    spread : float
        How far either way, as a fraction, it must reach.

    Returns
    -------
    tuple of float
        Fixed (E12) and trimmer, ohms; the smallest trimmer that does.
    """
    half = min(_REACH * spread, 0.6) * wanted_ohm
    for trimmer in TRIMMER_OHM:
        fixed = nearest_value(max(wanted_ohm - trimmer / 2, 0.2 * wanted_ohm), "E12")
        if fixed <= wanted_ohm - half and fixed + trimmer >= wanted_ohm + half:
            return fixed, trimmer
    widest = min(2e6, 0.8 * wanted_ohm)
    trimmer = max(one for one in TRIMMER_OHM if one <= max(widest, TRIMMER_OHM[0]))
    return nearest_value(max(wanted_ohm - trimmer / 2, 0.2 * wanted_ohm), "E12"), trimmer
