"""What many builds of a channel do at the knob's ends, their trimmers set first."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.aim import Aim
from benchlog.channel.plan import Design
from benchlog.channel.prediction import build_circuit
from benchlog.channel.timer import CycleTimes, try_cycle_times

__all__ = ["Ends", "find_ends", "set_trimmers", "try_builds"]

Values = NDArray[np.float64]
Builds = Mapping[str, Values]

SETTING_S = 5e-6
"""Within which a trimmer is set to a pulse: one reading, by hand."""

PERIOD_SETTING = 0.005
"""Within which fraction of it a trimmer is set to a period."""

TRIMMER_TOLERANCE = 0.10
"""Half-width of a trimmer's whole resistance (common practice for cermet trimmers)."""

_STEPS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """What builds do; not a number where a build does not oscillate.

    Attributes
    ----------
    low_s, high_s : numpy.ndarray
        Pulse at the knob's short and at its long end, seconds, shape (n,).
    period_s : numpy.ndarray
        Period at the middle of the knob's travel, seconds, shape (n,).
    """

    low_s: Values
    high_s: Values
    period_s: Values

    def meet(self, aim: Aim) -> NDArray[np.bool_]:
        """Tell which builds meet an aim, shape (n,)."""
        with np.errstate(invalid="ignore"):
            met = np.abs(self.low_s - aim.low_s) <= aim.within_s
            met &= np.abs(self.high_s - aim.high_s) <= aim.within_s
            if aim.period_s is not None:
                met &= np.abs(self.period_s / aim.period_s - 1.0) <= aim.period_within
        return np.asarray(met & np.isfinite(self.period_s))


def find_angles(design: Design) -> tuple[float, float, float]:
    """Return the knob angles of the short end, the long end and the middle, degrees."""
    travel_deg = design.knob.travel_deg
    clockwise = design.knob.longer == "clockwise"
    short, long = (0.0, travel_deg) if clockwise else (travel_deg, 0.0)
    return short, long, travel_deg / 2


def try_builds(design: Design, knob_deg: Values, builds: Builds) -> CycleTimes:
    """Return the cycles of builds at knob angles.

    Parameters
    ----------
    design : Design
        What the builds have in common.
    knob_deg : numpy.ndarray
        Knob angles, degrees, shape (m,).
    builds : mapping of str to numpy.ndarray
        Values by name (`benchlog.channel.prediction.OVERRIDES`, ``supply_v`` and
        ``temperature_c``), shape (n,). ``knob_shunt``: ohms of a resistor from end to end
        of the knob's track.

    Returns
    -------
    CycleTimes
        Shape (n, m); not a number where a build does not oscillate.

    Notes
    -----
    A resistor across the track makes a triangle of three resistors. As a star it is a track of
    both in parallel and ``x (1 - x) r_knob^2/(r_knob + r_shunt)`` in the wiper's lead: exact.
    """
    values = {name: np.asarray(one, dtype=np.float64)[..., None] for name, one in builds.items()}
    supply_v = values.pop("supply_v", None)
    temperature_c = values.pop("temperature_c", None)
    shunt = values.pop("knob_shunt", None)
    if shunt is not None:
        track = values.get("r_knob", np.asarray(design.r_knob.value))
        contact = values.get("contact", np.asarray(design.knob.contact_ohm))
        x = design.knob.on_fraction(knob_deg)
        values["r_knob"] = track * shunt / (track + shunt)
        values["contact"] = contact + x * (1.0 - x) * track**2 / (track + shunt)
    circuit = build_circuit(
        design, knob_deg, supply_v=supply_v, temperature_c=temperature_c, parts=values
    )
    return try_cycle_times(circuit)[0]


def find_ends(design: Design, builds: Builds) -> Ends:
    """Return what builds do at the knob's ends and its middle.

    Parameters
    ----------
    design : Design
        What the builds have in common.
    builds : mapping of str to numpy.ndarray
        As in `try_builds`.

    Returns
    -------
    Ends
        Shape (n,).
    """
    times = try_builds(design, np.array(find_angles(design)), builds)
    return Ends(times.on_s[..., 0], times.on_s[..., 1], times.period_s[..., 2])


def set_trimmers(
    design: Design,
    builds: Builds,
    aim: Aim,
    ranges: Mapping[str, tuple[Values, Values]],
    source: np.random.Generator,
) -> dict[str, Values]:
    """Return builds with their trimmers set, as somebody would who reads the pulse meanwhile.

    Parameters
    ----------
    design : Design
        What the builds have in common.
    builds : mapping of str to numpy.ndarray
        As in `try_builds`.
    aim : Aim
        What they are set to.
    ranges : mapping of str to tuple of numpy.ndarray
        For ``r_on`` and ``r_off``, if they hold a trimmer: from which to which resistance it
        reaches, ohms, each of shape (n,).
    source : numpy.random.Generator
        Where chance comes from: a reading is met only within `SETTING_S` and `PERIOD_SETTING`.

    Returns
    -------
    dict of str to numpy.ndarray
        The builds; a trimmer that does not reach far enough stands at its stop.

    Notes
    -----
    ``r_on`` is set at the knob's short end and ``r_off`` to the period, at the knob's middle; then
    ``r_on`` once more, since a little of the charge goes round by ``r_off``.
    """
    angles = find_angles(design)
    done = {name: np.asarray(one, dtype=np.float64) for name, one in builds.items()}
    count = next(iter(ranges.values()))[0].size if ranges else 0
    wanted_s = aim.low_s + SETTING_S * (2.0 * source.random(count) - 1.0)
    error = PERIOD_SETTING * (2.0 * source.random(count) - 1.0)

    def pulse_s(ohm: Values) -> Values:
        at = np.array([angles[0]])
        return np.asarray(try_builds(design, at, {**done, "r_on": ohm}).on_s[:, 0])

    def period_s(ohm: Values) -> Values:
        at = np.array([angles[2]])
        return np.asarray(try_builds(design, at, {**done, "r_off": ohm}).period_s[:, 0])

    if "r_on" in ranges:
        done["r_on"] = _solve(pulse_s, wanted_s, *ranges["r_on"])
    if "r_off" in ranges and aim.period_s is not None:
        done["r_off"] = _solve(period_s, aim.period_s * (1.0 + error), *ranges["r_off"])
        if "r_on" in ranges:
            done["r_on"] = _solve(pulse_s, wanted_s, *ranges["r_on"])
    elif "r_off" in ranges:
        low, high = ranges["r_off"]
        done["r_off"] = (low + high) / 2
    return done


def _solve(
    function: Callable[[Values], Values], wanted: Values, low: Values, high: Values
) -> Values:
    """Return where a nearly straight rising function comes to what is wanted, or a stop."""
    with np.errstate(all="ignore"):
        at_low = function(low)
        slope = (function(high) - at_low) / (high - low)
        guess = np.clip(low + (wanted - at_low) / slope, low, high)
        for _ in range(_STEPS):
            guess = np.clip(guess + (wanted - function(guess)) / slope, low, high)
    return np.where(np.isfinite(guess), guess, high)
