"""One row's verdict: a deviation with its uncertainty against two limits, with a guard band.

After JCGM 106:2012: an interval of ±U around the deviation, U = 2 u, has to lie inside
a limit to be called good and outside it to be called bad; between, nothing is decided.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["COVERAGE", "OFF", "ON", "UNDECIDED", "WITHIN", "Budget", "Limit", "judge", "tell_need"]

COVERAGE = 2.0
"""Coverage factor k: what a person reads after '±' is this many standard uncertainties."""

ON = "on design"
WITHIN = "within part tolerance"
OFF = "off design"
UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Budget:
    """Standard uncertainties of a deviation, each as its share in seconds of pulse.

    Attributes
    ----------
    pulse_s : float
        Of the measured pulse: repeatability, estimator and clock.
    knob_s, supply_v_s, temperature_s : float
        Of the design value, by the reading of the knob, the supply and the temperature.
    knob_deg_s, supply_slope_s, temperature_slope_s : float
        Pulse per degree of knob, per volt and per kelvin, in seconds, from the model.
    pulse_count : int
        Pulses behind the mean.
    """

    pulse_s: float
    knob_s: float
    supply_v_s: float
    temperature_s: float
    knob_deg_s: float
    supply_slope_s: float
    temperature_slope_s: float
    pulse_count: int

    @property
    def u_s(self) -> float:
        """Combined standard uncertainty in seconds (JCGM 100:2008, 5.1.2)."""
        return math.hypot(self.pulse_s, self.knob_s, self.supply_v_s, self.temperature_s)


@dataclass(frozen=True, slots=True)
class Limit:
    """How far a pulse may lie from its design value, in seconds.

    Attributes
    ----------
    deviation_s : float
        What 'on design' means, either way.
    low_s, high_s : float
        The parts' tolerance below (negative) and above (positive); taken as at least
        `deviation_s` wide.
    """

    deviation_s: float
    low_s: float
    high_s: float

    @property
    def floor_s(self) -> float:
        """Lower end of what the parts allow."""
        return min(self.low_s, -self.deviation_s)

    @property
    def ceiling_s(self) -> float:
        """Upper end of what the parts allow."""
        return max(self.high_s, self.deviation_s)


def judge(deviation_s: float, u_s: float, limit: Limit) -> str:
    """Return the verdict on one deviation.

    Parameters
    ----------
    deviation_s : float
        Measured pulse less design value, seconds.
    u_s : float
        Its standard uncertainty, seconds.
    limit : Limit
        The two limits.

    Returns
    -------
    str
        One of `ON`, `WITHIN`, `OFF`, `UNDECIDED`.
    """
    low = deviation_s - COVERAGE * u_s
    high = deviation_s + COVERAGE * u_s
    if -limit.deviation_s <= low and high <= limit.deviation_s:
        return ON
    if limit.floor_s <= low and high <= limit.ceiling_s:
        return WITHIN
    if high < limit.floor_s or low > limit.ceiling_s:
        return OFF
    return UNDECIDED


def tell_need(deviation_s: float, budget: Budget, limit: Limit) -> str:
    """Say what would turn 'undecided' into a verdict.

    Parameters
    ----------
    deviation_s : float
        Measured pulse less design value, seconds.
    budget : Budget
        Where its uncertainty comes from.
    limit : Limit
        The two limits.

    Returns
    -------
    str
        A phrase such as 'the knob read to within ±0.4°'; when no single figure would do, that.
    """
    room_s = min(abs(deviation_s - limit.floor_s), abs(deviation_s - limit.ceiling_s))
    wanted_u_s = 0.98 * room_s / COVERAGE
    shares = {
        "supply": budget.supply_v_s,
        "knob": budget.knob_s,
        "temperature": budget.temperature_s,
        "pulse": budget.pulse_s,
    }
    for name, share_s in sorted(shares.items(), key=lambda item: -item[1]):
        rest_s = math.sqrt(max(budget.u_s**2 - share_s**2, 0.0))
        if share_s > 0 and rest_s < wanted_u_s:
            return _phrase(name, math.sqrt(wanted_u_s**2 - rest_s**2), budget)
    return (
        f"nothing single: it lies {room_s * 1e6:.1f} µs from what the parts allow, so knob, supply "
        "and temperature would all have to be read better"
    )


def _phrase(name: str, wanted_u_s: float, budget: Budget) -> str:
    """Turn a wanted standard uncertainty of one share into what a person can do."""
    half_width_s = math.sqrt(3.0) * wanted_u_s
    if name == "supply":
        return f"the supply known to within ±{half_width_s / abs(budget.supply_slope_s):.2g} V"
    if name == "knob":
        return f"the knob read to within ±{half_width_s / abs(budget.knob_deg_s):.2g}°"
    if name == "temperature":
        kelvin = half_width_s / abs(budget.temperature_slope_s)
        return f"the temperature known to within ±{kelvin:.2g} °C"
    more = math.ceil(budget.pulse_count * (budget.pulse_s / wanted_u_s) ** 2)
    return f"a longer recording: about {more} pulses in place of {budget.pulse_count}"
