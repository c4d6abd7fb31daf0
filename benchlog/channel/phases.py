"""The two phases of a diode-steered 555 astable, integrated.

Nodes and names: supply ``V``; ``Ra`` from ``V`` to the wiper's point ``w`` on the track;
``Rb`` from ``w`` to the capacitor at ``v``; the wiper's contact from ``w`` to the discharge
pin ``D``; the diode from ``D`` (anode) to the capacitor (cathode). With ``k = Rb/(Ra + Rb)``
the resistors seen from ``w`` are a source ``E = k V + (1 - k) v`` behind
``Rs = Ra Rb/(Ra + Rb)``. The diode, carrying ``i``, then sees in each phase

    u = D - v = alpha - beta v - gamma i

    on:   alpha = k V, beta = k, gamma = Rs + r_wiper
    off:  the same with the transistor (``V_sat`` behind ``r_dis``) at ``D``

and, by its own curve, ``u = n Vt y + Is (e^y - 1) R_series`` with ``i = Is (e^y - 1)``. So
``v`` is an explicit function of the junction's ``y = u_junction/(n Vt)``, and

    t = integral of C dv/dy / i_c(y) dy

between the two values of ``y`` that belong to the levels: a smooth integrand, done by
quadrature over all broadcast inputs at once (`Course.time`). Only the two ends need solving
(`Course.place`), by Wright's function. Where the junction blocks all the way, as in off, it
carries ``-Is`` and the time is a logarithm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.circuit import Circuit
from benchlog.channel.quadrature import integrate, wright_omega

__all__ = ["Course", "Phase", "Place", "off_phase", "on_phase", "split_arrays"]

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Phase:
    """One phase as the diode sees it: u = alpha - beta v - gamma i, i_c = p + q v + r i."""

    alpha: Values
    beta: Values
    gamma: Values
    p: Values
    q: Values
    r: Values


def split_arrays(circuit: Circuit) -> tuple[Values, Values, Values, Values]:
    """Return supply, Ra, Rb and the wiper's contact as arrays."""
    supply, r_a, r_b, contact = (
        np.asarray(one, dtype=np.float64)
        for one in (circuit.supply_v, circuit.r_a_ohm, circuit.r_b_ohm, circuit.r_wiper_ohm)
    )
    return supply, r_a, r_b, contact


def on_phase(circuit: Circuit) -> Phase:
    """Return the network while the discharge transistor is off."""
    supply, r_a, r_b, contact = split_arrays(circuit)
    k = r_b / (r_a + r_b)
    return Phase(
        alpha=k * supply,
        beta=k,
        gamma=r_a * k + contact,
        p=supply / (r_a + r_b) - circuit.timer.input_current_a,
        q=-1.0 / (r_a + r_b),
        r=k,
    )


def off_phase(circuit: Circuit) -> Phase:
    """Return the network while the discharge transistor holds the discharge pin down."""
    supply, r_a, r_b, contact = split_arrays(circuit)
    k = r_b / (r_a + r_b)
    source = r_a * k + contact  # behind E, to the discharge pin
    pull = circuit.timer.discharge_ohm
    share = pull / (source + pull)  # of E that is left at D
    # D = d0 + d1 v - d2 i;  J = (E - D)/source flows from the wiper into D
    d0 = (1.0 - share) * circuit.timer.saturation_v + share * k * supply
    d1 = share * (1.0 - k)
    d2 = share * source
    # w = D + J r_wiper = E - J r_a k;  i_c = (w - v)/Rb + i - I_in
    lift = r_a * k / source  # w = (1 - lift) E + lift D
    return Phase(
        alpha=d0,
        beta=1.0 - d1,
        gamma=d2,
        p=((1.0 - lift) * k * supply + lift * d0) / r_b - circuit.timer.input_current_a,
        q=((1.0 - lift) * (1.0 - k) + lift * d1 - 1.0) / r_b,
        r=1.0 - lift * d2 / r_b,
    )


_LEAST_OHM = 1e-12  # in series with the junction, so that its equation keeps one form
_LEAST_LOG = -690.0  # below it the exponential is nothing beside a float
_BLOCKED = -18.0
"""Open-circuit voltage over n k T/q at which the junction carries -Is to 2e-8."""


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A capacitor voltage in a phase.

    Attributes
    ----------
    v : numpy.ndarray
        The voltage, volts.
    z : numpy.ndarray or None
        What belongs to it there: ``y + ln Is`` of the junction; None where the junction blocks
        in every element, or where there is none.
    """

    v: Values
    z: Values | None


class Course:
    """The way of the capacitor through one phase.

    With ``z = y + ln Is`` the junction carries ``e^z - Is``; the capacitor's voltage and the
    current into it are both of the form ``c0 + c1 z + c2 e^z``, so that
    ``dt/dz = C (v1 + v2 e^z)/(i0 + i1 z + i2 e^z)``.

    Parameters
    ----------
    circuit : Circuit
        The circuit; its fields broadcast.
    phase : Phase
        Its network in that phase.
    """

    __slots__ = ("_aim", "_c_f", "_current", "_line", "_log_is", "_voltage")

    def __init__(self, circuit: Circuit, phase: Phase) -> None:
        self._c_f = np.asarray(circuit.c_f, dtype=np.float64)
        diode = circuit.diode
        self._aim: tuple[Values, Values, Values] | None = None
        self._line = (phase.p, phase.q)
        if not diode.conducts:
            return
        sign = -1.0 if diode.kind == "reversed" else 1.0
        slope = diode.slope_v(circuit.temperature_c)
        log_is = diode.log_saturation(circuit.temperature_c)
        series = np.asarray(diode.series_ohm, dtype=np.float64)
        beside = 1.0 / diode.parallel_ohm
        held = np.exp(log_is)
        shunt = 1.0 + phase.gamma * beside
        # seen through the leakage path: a y + b Is (e^y - 1) = sign (alpha - beta v)
        a = slope * shunt
        b = series * shunt + phase.gamma
        log_b = log_is + np.log(np.maximum(b, _LEAST_OHM) / a)
        self._aim = (sign * phase.alpha / a + np.exp(log_b), sign * phase.beta / a, log_b - log_is)
        # u and i from discharge pin to capacitor, over 1, z and e^z
        u1, u2 = sign * slope, sign * series
        u0 = -u1 * log_is - u2 * held
        i1, i2 = u1 * beside, sign + u2 * beside
        i0 = u0 * beside - sign * held
        v0 = (phase.alpha - phase.gamma * i0 - u0) / phase.beta
        v1 = -(phase.gamma * i1 + u1) / phase.beta
        v2 = -(phase.gamma * i2 + u2) / phase.beta
        self._voltage = (v1, v2)
        self._current = (
            phase.p + phase.q * v0 + phase.r * i0,
            phase.q * v1 + phase.r * i1,
            phase.q * v2 + phase.r * i2,
        )
        # blocked: i = -sign Is + u beside, with u = (alpha - beta v + gamma sign Is)/shunt
        leak = beside / shunt
        still = leak * phase.alpha - sign * held * (1.0 - leak * phase.gamma)
        self._line = (phase.p + phase.r * still, phase.q - phase.r * leak * phase.beta)
        self._log_is = log_is

    def place(self, v: Values, *, solved: bool = False) -> Place:
        """Return a place at capacitor voltages in volts, `solved` even where all block.

        ``a y + b Is (e^y - 1) = c`` has the root ``y = (c + b Is)/a - w``, where
        ``w + ln w = (c + b Is)/a + ln(b Is/a)``.
        """
        if self._aim is None:
            return Place(v, None)
        shift, slope, log_b = self._aim
        rest = shift - slope * v
        if not solved and not np.any(rest > _BLOCKED):
            return Place(v, None)
        drive = rest + self._log_is
        w = wright_omega(np.maximum(drive + log_b, _LEAST_LOG))
        # each form is exact where the other loses digits
        return Place(v, np.asarray(np.where(w > 1.0, np.log(w) - log_b, drive - w)))

    def current(self, place: Place) -> Values:
        """Return the current in amperes into the capacitor."""
        if place.z is None:
            return np.asarray(self._line[0] + self._line[1] * place.v)
        i0, i1, i2 = self._current
        return np.asarray(i0 + i1 * place.z + i2 * np.exp(place.z))

    def time(self, start: Place, end: Place) -> Values:
        """Return the time in seconds from one place to another.

        Meaningless where the current changes sign on the way; the caller masks that.
        """
        if start.z is None and end.z is None:
            ratio = self._line[1] * (end.v - start.v) / self.current(start)
            return np.asarray(self._c_f / self._line[1] * np.log1p(ratio))
        start, end = (
            self.place(one.v, solved=True) if one.z is None else one for one in (start, end)
        )
        v1, v2 = self._voltage
        i0, i1, i2 = self._current

        def rate(z: Values, *parts: Values) -> Values:
            """Return dt/dz over the capacitance, seconds per farad."""
            p1, p2, q0, q1, q2 = parts
            rise = np.exp(z)
            return np.asarray((p1 + p2 * rise) / (q0 + q1 * z + q2 * rise))

        assert start.z is not None
        assert end.z is not None
        spent = integrate(rate, start.z, end.z, (v1, v2, i0, i1, i2))
        return np.asarray(self._c_f * spent)
