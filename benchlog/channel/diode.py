"""The steering diode: its curve, its temperature, published parameter sets."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["MODELS", "NO_DIODE", "PUBLISHED_SETS", "TYPE_SPREAD", "Diode", "DiodeKind"]

DiodeKind = Literal["normal", "none", "open", "reversed"]

VOLTS_PER_KELVIN = 1.380649e-23 / 1.602176634e-19
"""Boltzmann's constant over the elementary charge (both exact in the SI of 2019)."""

REFERENCE_K = 300.15
"""The temperature at which parameters hold, 27 degC, as usual in circuit simulation."""

ZERO_CELSIUS_K = 273.15

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Diode:
    """A diode from the discharge pin (anode) to the capacitor (cathode).

    Attributes
    ----------
    saturation_current_a : float or numpy.ndarray
        Saturation current at 300.15 K, amperes, above 0.
    emission : float or numpy.ndarray
        Emission coefficient, above 0.
    series_ohm : float or numpy.ndarray
        Series resistance, ohms, 0 or more.
    kind : {"normal", "none", "open", "reversed"}
        ``none``: the circuit has none; ``open``: it has one that does not conduct;
        ``reversed``: cathode at the discharge pin.
    gap_ev : float
        Energy gap in electronvolts.
    exponent : float
        Exponent of temperature in the saturation current.
    parallel_ohm : float
        Leakage path beside the diode, ohms; infinite for none.
    """

    saturation_current_a: Any = 2.52e-9
    emission: Any = 1.752
    series_ohm: Any = 0.568
    kind: DiodeKind = "normal"
    gap_ev: float = 1.11
    exponent: float = 3.0
    parallel_ohm: float = math.inf

    @property
    def conducts(self) -> bool:
        """Whether there is a diode that carries any current."""
        return self.kind in ("normal", "reversed")

    def slope_v(self, temperature_c: ArrayLike) -> Values:
        """Return n k T / q in volts: the change of voltage for e times the current."""
        kelvin = np.asarray(temperature_c, dtype=np.float64) + ZERO_CELSIUS_K
        return np.asarray(self.emission * VOLTS_PER_KELVIN * kelvin, dtype=np.float64)

    def log_saturation(self, temperature_c: ArrayLike) -> Values:
        """Return the natural logarithm of the saturation current in amperes.

        Parameters
        ----------
        temperature_c : array_like
            Junction temperature in degrees Celsius.

        Returns
        -------
        numpy.ndarray
            ``ln Is(T)``; the logarithm, so that a very small current stays exact.

        Notes
        -----
        The usual diode model of circuit simulation (from memory):
        ``Is(T) = Is (T/T0)^(XTI/n) exp((T/T0 - 1) EG / (n k T/q))``, T0 = 300.15 K.
        """
        kelvin = np.asarray(temperature_c, dtype=np.float64) + ZERO_CELSIUS_K
        ratio = kelvin / REFERENCE_K
        change = self.exponent * np.log(ratio)
        change = change + (ratio - 1.0) * self.gap_ev / (VOLTS_PER_KELVIN * kelvin)
        return np.asarray(np.log(self.saturation_current_a) + change / self.emission)

    def forward_v(self, current_a: ArrayLike, temperature_c: ArrayLike = 27.0) -> Values:
        """Return the voltage in volts at a forward current in amperes (no parallel path)."""
        current = np.asarray(current_a, dtype=np.float64)
        junction = np.log1p(current * np.exp(-self.log_saturation(temperature_c)))
        return np.asarray(self.slope_v(temperature_c) * junction + current * self.series_ohm)


NO_DIODE = Diode(kind="none")
"""No diode at all: charge through Ra + Rb, discharge through Rb."""

_SILICON_SIGNAL = (
    # common public SPICE library line, seen in several public repositories: most used
    Diode(2.52e-9, 1.752, 0.568),
    # NXP, public SPICE model file
    Diode(4.352e-9, 1.906, 0.6458),
    # Fairchild 1N914B/4148, FDLL914B public SPICE model file
    Diode(5.0e-9, 2.0, 0.8622),
    # D1N4148, discrete_devices.mod; its high-injection knee (44 mA) is far above use here
    Diode(5.84e-9, 1.94, 0.7017),
)

PUBLISHED_SETS: dict[str, tuple[Diode, ...]] = {
    "1N4148": _SILICON_SIGNAL,
    "1N914": _SILICON_SIGNAL,
    "1N4007": (
        # maker's line quoted in a public course page
        Diode(7.02767e-9, 1.80803, 0.0341512, gap_ev=1.05743, exponent=5.0),
        # public SPICE library line
        Diode(14.11e-9, 1.98, 0.0336),
    ),
    # maker's subcircuit in a public model file, 36 Mohm in parallel for the reverse mode
    "BAT54": (Diode(0.2117e-6, 1.016, 2.637, gap_ev=0.69, exponent=2.0, parallel_ohm=36e6),),
    # public SPICE library line
    "1N5819": (Diode(31.7e-6, 1.373, 0.051, gap_ev=0.69, exponent=2.0),),
}
"""Published parameter sets of each type, the one that is used first."""

MODELS: dict[str, Diode] = {name: sets[0] for name, sets in PUBLISHED_SETS.items()}
"""The set that stands for each type."""

_SPREAD_CURRENT_A = 100e-6  # what flows through the diode of a typical channel
_SINGLE_SET_SPREAD_V = 0.02  # common practice: diodes of one type agree within some 20 mV


def _measure_spread(sets: tuple[Diode, ...]) -> float:
    """Return the half-width of ln Is that spans the forward voltages of `sets`."""
    volts = [float(one.forward_v(_SPREAD_CURRENT_A)) for one in sets]
    apart = max(abs(v - volts[0]) for v in volts) if len(sets) > 1 else _SINGLE_SET_SPREAD_V
    return apart / float(sets[0].slope_v(REFERENCE_K - ZERO_CELSIUS_K))


TYPE_SPREAD: dict[str, float] = {
    name: _measure_spread(sets) for name, sets in PUBLISHED_SETS.items()
}
"""Half-width of the natural logarithm of the saturation current, from type to type.

So wide that the forward voltage at 0.1 mA covers every published set; ±20 mV (common
practice) where only one set was found.
"""
