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
Gauss-Legendre quadrature over all broadcast inputs at once. Only the two ends need solving
(`Junction.solve`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.circuit import Circuit

__all__ = [
    "Junction",
    "Phase",
    "capacitor_current",
    "off_phase",
    "on_phase",
    "split_arrays",
    "travel_time",
]

Values = NDArray[np.float64]


def _gauss_legendre(count: int) -> tuple[Values, Values]:
    """Return nodes and weights on -1 to 1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return np.asarray(nodes), np.asarray(weights)


_FINE, _COARSE = _gauss_legendre(20), _gauss_legendre(10)
_AGREEMENT = 1e-5
"""Where 10 nodes come so near, 20 nodes have squared the error, to 1e-10."""
_DEPTH = 10
"""How often a way may be halved: an end that the capacitor only just reaches needs it."""


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


def _wright_omega(z: Values) -> Values:
    """Solve w + ln w = z for w > 0, by Newton's method with its next two corrections.

    Each round takes the error to its fourth power (Fritsch, Shafer and Crowley, CACM 16,
    1973; from memory). The start is within 0.3 of ln w for every z, so that three rounds
    reach rounding error.
    """
    large = np.maximum(z, 1.0)
    small = np.exp(np.minimum(z, 1.0))
    log_large = np.log(large)
    w = np.where(z > 1.0, large - log_large * (1.0 - 1.0 / large), small / (1.0 + 0.632 * small))
    for _ in range(3):
        rest = z - w - np.log(w)
        double = 2.0 * (1.0 + w) * (1.0 + w + rest / 1.5)
        w = w * (1.0 + rest / (1.0 + w) * (double - rest) / (double - 2.0 * rest))
    return np.asarray(w)


_LEAST_OHM = 1e-12  # in series with the junction, so that its equation keeps one form
_LEAST_LOG = -690.0  # below it the exponential is nothing beside a float


class Junction:
    """The diode in one phase: everything as a function of the junction's y."""

    __slots__ = ("beside", "log_is", "phase", "series", "sign", "slope")

    def __init__(self, circuit: Circuit, phase: Phase) -> None:
        diode = circuit.diode
        self.phase = phase
        self.sign = -1.0 if diode.kind == "reversed" else 1.0
        self.slope = diode.slope_v(circuit.temperature_c)
        self.log_is = diode.log_saturation(circuit.temperature_c)
        self.series = np.asarray(diode.series_ohm, dtype=np.float64)
        self.beside = 1.0 / diode.parallel_ohm

    def solve(self, v: Values) -> Values:
        """Return y at the capacitor voltage v.

        With ``a`` = n Vt and ``b`` the resistance in series with the junction, both
        seen through the leakage path, ``a y + b Is (e^y - 1) = c`` has the root
        ``(c + b Is)/a - w``, where ``w + ln w = (c + b Is)/a + ln(b Is/a)``.
        """
        phase = self.phase
        a = self.slope * (1.0 + phase.gamma * self.beside)
        b = self.series + phase.gamma * (1.0 + self.series * self.beside)
        log_b = self.log_is + np.log(np.maximum(b, _LEAST_OHM) / a)
        rest = self.sign * (phase.alpha - phase.beta * v) / a + np.exp(log_b)
        w = _wright_omega(np.maximum(rest + log_b, _LEAST_LOG))
        # each form is exact where the other loses digits
        return np.asarray(np.where(w > 1.0, np.log(w) - log_b, rest - w))

    def branch(self, y: Values) -> tuple[Values, Values, Values, Values]:
        """Return u and i, from discharge pin to capacitor, and their derivatives by y."""
        rise = np.exp(y + self.log_is)
        inner = rise - np.exp(self.log_is)
        u = self.slope * y + inner * self.series
        u_y = self.slope + rise * self.series
        i = inner + u * self.beside
        i_y = rise + u_y * self.beside
        return self.sign * u, self.sign * i, self.sign * u_y, self.sign * i_y

    def slice(self, index: Any, shape: tuple[int, ...] | None = None) -> Junction:
        """Return the same with every array indexed, broadcast to `shape` before if given."""

        def cut(values: Values) -> Values:
            whole = values if shape is None else np.broadcast_to(values, shape)
            return np.asarray(whole[index])

        part = object.__new__(Junction)
        phase = self.phase
        part.sign, part.beside = self.sign, self.beside
        part.slope, part.log_is = cut(self.slope), cut(self.log_is)
        part.series = cut(self.series)
        part.phase = Phase(
            alpha=cut(phase.alpha),
            beta=cut(phase.beta),
            gamma=cut(phase.gamma),
            p=cut(phase.p),
            q=cut(phase.q),
            r=cut(phase.r),
        )
        return part

    def rate(self, y: Values) -> Values:
        """Return dt/dy over the capacitance, seconds per farad."""
        phase = self.phase
        u, i, u_y, i_y = self.branch(y)
        v = (phase.alpha - phase.gamma * i - u) / phase.beta
        v_y = -(phase.gamma * i_y + u_y) / phase.beta
        return np.asarray(v_y / (phase.p + phase.q * v + phase.r * i))


def _integrate(junction: Junction, start: Values, end: Values, depth: int) -> Values:
    """Return the integral of dt/dy, halving the way where the two rules disagree."""
    wide = junction.slice((..., None))
    middle, half = 0.5 * (start + end), 0.5 * (end - start)

    def apply(nodes: Values, weights: Values) -> Values:
        rate = wide.rate(middle[..., None] + half[..., None] * nodes)
        return np.array(half * (rate @ weights))

    fine, coarse = apply(*_FINE), apply(*_COARSE)
    rough = np.abs(fine - coarse) > _AGREEMENT * np.abs(fine)
    if depth and rough.any():
        part = junction.slice(rough, rough.shape)
        first = _integrate(part, start[rough], middle[rough], depth - 1)
        fine[rough] = first + _integrate(part, middle[rough], end[rough], depth - 1)
    return fine


def capacitor_current(circuit: Circuit, phase: Phase, v: Values) -> Values:
    """Return the current in amperes that charges the capacitor at voltage v."""
    straight = phase.p + phase.q * v
    if not circuit.diode.conducts:
        return np.asarray(straight)
    junction = Junction(circuit, phase)
    return np.asarray(straight + phase.r * junction.branch(junction.solve(v))[1])


def travel_time(circuit: Circuit, phase: Phase, from_v: Values, to_v: Values) -> Values:
    """Return the time in seconds from one capacitor voltage to another.

    Meaningless where the current changes sign on the way; the caller masks that.
    """
    c_f = np.asarray(circuit.c_f, dtype=np.float64)
    if not circuit.diode.conducts:
        start_a = phase.p + phase.q * from_v
        return np.asarray(c_f / phase.q * np.log1p(phase.q * (to_v - from_v) / start_a))
    junction = Junction(circuit, phase)
    start, end, _ = np.broadcast_arrays(junction.solve(from_v), junction.solve(to_v), phase.alpha)
    return np.asarray(c_f * _integrate(junction, start, end, _DEPTH))
