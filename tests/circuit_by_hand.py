"""The circuit's two phases integrated in time, written down from the circuit alone.

Nothing of `benchlog.channel`'s arithmetic is used: Kirchhoff's laws at the wiper's point and the
discharge pin, the diode's curve, and `scipy.integrate.solve_ivp`. The supply may be any function
of time. One unknown is left at each instant, the junction's voltage; `scipy.optimize.brentq`
finds it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from scipy.integrate import solve_ivp
from scipy.optimize import brentq

__all__ = ["ByHand"]

K_OVER_Q = 1.380649e-23 / 1.602176634e-19


@dataclass(frozen=True)
class ByHand:
    """The circuit's values; the diode's hold at 300.15 K."""

    r_a: float
    r_b: float
    c: float
    contact: float = 0.0
    i_s: float = 2.52e-9
    n: float = 1.752
    r_s: float = 0.568
    gap_ev: float = 1.11
    exponent: float = 3.0
    parallel: float = math.inf
    kind: str = "normal"
    celsius: float = 27.0
    upper: float = 2 / 3
    lower: float = 1 / 3
    discharge: float = 0.0
    v_sat: float = 0.0
    drawn: float = 0.0
    delay: float = 0.0

    def _diode(self, junction_v: float) -> tuple[float, float]:
        """Return voltage across and current through it, from discharge pin to capacitor."""
        kelvin = self.celsius + 273.15
        ratio = kelvin / 300.15
        thermal = K_OVER_Q * kelvin
        i_s = (
            self.i_s
            * ratio ** (self.exponent / self.n)
            * math.exp((ratio - 1) * self.gap_ev / (self.n * thermal))
        )
        inner = i_s * math.expm1(min(junction_v / (self.n * thermal), 200.0))
        u = junction_v + inner * self.r_s
        i = inner + u / self.parallel
        return (-u, -i) if self.kind == "reversed" else (u, i)

    def charge(self, v: float, supply: float, *, pulled: bool) -> float:
        """Return the current into the capacitor at v."""
        conducts = self.kind in ("normal", "reversed")
        if not conducts and not pulled:
            return (supply - v) / (self.r_a + self.r_b) - self.drawn

        most = 30.0 + abs(v) + supply  # a trial step of the integration may go far

        def at(junction_v: float) -> tuple[float, float, float]:
            """Return what is left over at the wiper's point, its voltage, the diode's current."""
            u, i = self._diode(junction_v) if conducts else (junction_v, 0.0)
            pin = v + u
            to_pin = i + ((pin - self.v_sat) / self.discharge if pulled else 0.0)
            w = pin + to_pin * self.contact
            return (supply - w) / self.r_a - (w - v) / self.r_b - to_pin, w, i

        if pulled and self.discharge == 0.0:  # the pin is at v_sat, whatever flows
            u = self.v_sat - v
            i = 0.0
            if conducts:
                found = brentq(lambda j: self._diode(j)[0] - u, -most, most, xtol=1e-15)
                i = self._diode(found)[1]
            if self.contact == 0.0:
                w = self.v_sat
            else:
                g = 1 / self.r_a + 1 / self.r_b + 1 / self.contact
                w = (supply / self.r_a + v / self.r_b + self.v_sat / self.contact) / g
        else:
            found = brentq(lambda j: at(j)[0], -most, most, xtol=1e-15, rtol=1e-14)
            _, w, i = at(found)
        return (w - v) / self.r_b + i - self.drawn

    def _phase(
        self,
        v: float,
        level: Callable[[float], float],
        supply: Callable[[float], float],
        *,
        pulled: bool,
    ) -> tuple[float, float]:
        """Return when a level is reached, the delay included, and the voltage then."""

        def slope(t: float, state: list[float]) -> list[float]:
            return [self.charge(float(state[0]), supply(t), pulled=pulled) / self.c]

        def crossing(t: float, state: list[float]) -> float:
            return float(state[0]) - level(t)

        crossing.terminal = True  # type: ignore[attr-defined]
        way = {"method": "DOP853", "rtol": 1e-9, "atol": 1e-10}
        run = solve_ivp(slope, (0.0, 10.0), [v], events=crossing, **way)  # type: ignore[call-overload]
        time, v = float(run.t_events[0][0]), float(run.y_events[0][0][0])
        if self.delay:
            past = solve_ivp(slope, (time, time + self.delay), [v], **way)  # type: ignore[call-overload]
            v = float(past.y[0][-1])
        return time + self.delay, v

    def cycle(self, supply: float) -> tuple[float, float]:
        """Return on and off at a steady supply, once both begin where the other ended."""
        v = self.lower * supply
        for _ in range(2 if self.delay else 1):
            on, v = self._phase(v, lambda _: self.upper * supply, lambda _: supply, pulled=False)
            off, v = self._phase(v, lambda _: self.lower * supply, lambda _: supply, pulled=True)
        return on, off

    def on(self, supply: Callable[[float], float]) -> float:
        """Return on with a supply that is a function of the time since it began."""
        return self._phase(
            self.lower * supply(0.0), lambda t: self.upper * supply(t), supply, pulled=False
        )[0]

    def off(self, supply: Callable[[float], float]) -> float:
        """Return off with a supply that is a function of the time since it began."""
        return self._phase(
            self.upper * supply(0.0), lambda t: self.lower * supply(t), supply, pulled=True
        )[0]
