"""The circuit's parts as the integration takes them: timer families and one setting."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.channel.diode import Diode

__all__ = ["FAMILIES", "Circuit", "TimerFamily"]

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TimerFamily:
    """What a family of 555 timers does to the cycle: typical figures, and their limits.

    Attributes
    ----------
    name : str
        ``ideal``, ``bipolar`` or ``cmos``.
    threshold_fraction, trigger_fraction : float or numpy.ndarray
        Upper and lower level as fractions of the supply.
    discharge_ohm : float or numpy.ndarray
        Resistance of the discharge transistor, ohms.
    saturation_v : float or numpy.ndarray
        Voltage left across the discharge transistor at no current.
    threshold_current_a, trigger_current_a : float or numpy.ndarray
        Currents into the two pins while the capacitor is between the levels, amperes.
    delay_s : float or numpy.ndarray
        From a level being crossed to the output and the discharge transistor switching.
    supply_min_v, supply_max_v : float
        The range of supply that the family is made for.
    level_tolerance : float
        Rectangular half-width of either level, as a fraction of it.
    threshold_limits, trigger_limits : tuple of float
        Least and greatest level as fractions of the supply: the data sheet's limits of each
        level by itself. The two come from one divider, so that timing keeps far closer limits
        (`level_tolerance`).
    discharge_most_ohm, saturation_most_v, input_current_most_a, delay_most_s : float
        Upper limits; equal to the typical figure where none is known or none is needed.
    """

    name: str
    threshold_fraction: Any = 2.0 / 3.0
    trigger_fraction: Any = 1.0 / 3.0
    discharge_ohm: Any = 0.0
    saturation_v: Any = 0.0
    threshold_current_a: Any = 0.0
    trigger_current_a: Any = 0.0
    delay_s: Any = 0.0
    supply_min_v: float = 0.0
    supply_max_v: float = np.inf
    level_tolerance: float = 0.0
    threshold_limits: tuple[float, float] = (2.0 / 3.0, 2.0 / 3.0)
    trigger_limits: tuple[float, float] = (1.0 / 3.0, 1.0 / 3.0)
    discharge_most_ohm: float = 0.0
    saturation_most_v: float = 0.0
    input_current_most_a: float = 0.0
    delay_most_s: float = 0.0

    @property
    def input_current_a(self) -> Any:
        """Current that the two tied pins draw, amperes."""
        return self.threshold_current_a + self.trigger_current_a


FAMILIES: dict[str, TimerFamily] = {
    "ideal": TimerFamily("ideal"),
    "bipolar": TimerFamily(
        "bipolar",
        # ST NE555 data sheet p. 4: 80 mV at 4.5 mA (5 V) and 180 mV at 15 mA (15 V), typical;
        # the straight line through the two
        discharge_ohm=9.5,
        saturation_v=0.037,
        # the same page: 200 mV and 480 mV at most; the straight line through the two
        discharge_most_ohm=26.7,
        saturation_most_v=0.080,
        # TI SLFS022 note 2: 30 nA typical, 250 nA at most
        threshold_current_a=30e-9,
        # TI SLFS022A p. 4 gives 0.5 uA typical, 2 uA at most with TRIG at 0 V; above the
        # trigger level the input pair has cut it off (common practice), and the cycle stays
        # above
        trigger_current_a=0.0,
        input_current_most_a=250e-9,
        # from memory, no data-sheet line: comparators and flip-flop take some 0.2 us, and no
        # more than about twice that
        delay_s=0.2e-6,
        delay_most_s=0.4e-6,
        supply_min_v=4.5,  # from memory of the data sheets
        supply_max_v=16.0,
        # TI SLFS022I 7.5: initial error of the astable 2.25 % typical. Taken as a standard
        # deviation (half-width 3.9 %); levels 1.35 % off move the on time by that
        level_tolerance=0.0135,
        # TI SLFS022A p. 4, at 5 V: threshold 2.4 to 4.2 V, trigger 1.1 to 2.2 V
        threshold_limits=(2.4 / 5.0, 4.2 / 5.0),
        trigger_limits=(1.1 / 5.0, 2.2 / 5.0),
    ),
    "cmos": TimerFamily(
        "cmos",
        # TI SLFS043C p. 9 (TLC555): 0.14 V typical, 0.5 V at most at 10 mA
        discharge_ohm=14.0,
        discharge_most_ohm=50.0,
        # from memory of the TLC555 data sheet: 10 pA typical each at 25 degC, and 150 pA each
        # at the highest temperature
        threshold_current_a=10e-12,
        trigger_current_a=10e-12,
        input_current_most_a=300e-12,
        # from memory of the LMC555 data sheet: 100 ns; no limit stands there, taken as thrice
        delay_s=0.1e-6,
        delay_most_s=0.3e-6,
        supply_min_v=2.0,  # from memory of the data sheets
        supply_max_v=15.0,
        # TI SLFS043C p. 9: initial error 3 % at most; levels 1 % off move the on time by that
        level_tolerance=0.01,
        # TI SLFS043C p. 9, at 5 V: threshold 2.8 to 3.8 V, trigger 1.36 to 1.96 V
        threshold_limits=(2.8 / 5.0, 3.8 / 5.0),
        trigger_limits=(1.36 / 5.0, 1.96 / 5.0),
    ),
}
"""The families that a design may name."""


@dataclass(frozen=True, slots=True, eq=False)
class Circuit:
    """The circuit at one setting, or at many: all fields broadcast.

    Attributes
    ----------
    supply_v : array_like
        Supply, volts.
    r_a_ohm, r_b_ohm : array_like
        Resistance on the on side and on the off side of the wiper, ohms, above 0.
    r_wiper_ohm : array_like
        Resistance of the wiper's contact, ohms, 0 or more.
    c_f : array_like
        Timing capacitor, farads.
    diode : Diode
        The steering diode.
    timer : TimerFamily
        The timer.
    temperature_c : array_like
        Temperature of the diode, degrees Celsius.
    """

    supply_v: ArrayLike
    r_a_ohm: ArrayLike
    r_b_ohm: ArrayLike
    r_wiper_ohm: ArrayLike = 0.0
    c_f: ArrayLike = 22e-9
    diode: Diode = field(default_factory=Diode)
    timer: TimerFamily = FAMILIES["ideal"]
    temperature_c: ArrayLike = 27.0

    @property
    def threshold_v(self) -> Values:
        """The upper level, volts."""
        return np.asarray(np.asarray(self.supply_v) * self.timer.threshold_fraction)

    @property
    def trigger_v(self) -> Values:
        """The lower level, volts."""
        return np.asarray(np.asarray(self.supply_v) * self.timer.trigger_fraction)
