"""Which way each cause moves the pair (on, off), from the channel's model.

The model is first set onto what was measured: the share of the track and the size of the
capacitor are chosen so that it gives the measured means. The same is done with channels
whose other figures lie elsewhere within their tolerances (or, without a design, anywhere that
such channels are built); how far the directions of those lie apart is the uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.moving import stretch_by_supply
from benchlog.channel.plan import Design
from benchlog.channel.timer import Circuit, try_cycle_times
from benchlog.diagnosis.separation.variants import (
    VARIANTS,
    Scales,
    design_circuits,
    first_alone,
    set_onto,
    typical_circuits,
)

__all__ = ["Direction", "find_directions"]

Values = NDArray[np.float64]

_CAUSES = {
    "wiper": ("wiper", "share of the track"),
    "contact": ("wiper", "ohm"),
    "supply": ("supply", "V"),
    "diode": ("diode", "K"),
    "capacitor": ("capacitor", "share"),
    "leak": ("capacitor", "S"),
    "off-path": ("off-path", "share"),
    "upper-level": ("threshold", "V"),
    "lower-level": ("threshold", "V"),
    "supply-on-end": ("supply", "V"),
    "supply-off-end": ("supply", "V"),
    "supply-bipolar": ("supply", "V"),
}
_SEED = 20


@dataclass(frozen=True, slots=True)
class Direction:
    """What one cause does to a cycle, in seconds per unit of the cause.

    Attributes
    ----------
    kind : str
        ``wiper``, ``contact``, ``supply``, ``diode``, ``capacitor``, ``leak`` (across the
        capacitor), ``off-path``, ``upper-level``, ``lower-level``, ``supply-on-end``,
        or ``supply-off-end`` (the supply at that instant, against the rest of the cycle).
        Without a design also ``supply-bipolar``: what a slow move of
        the supply does where the timer is a bipolar one.
    cause : str
        The word of the findings that it belongs to.
    on_s, off_s : float
        What it does to the cycle in which it moves.
    next_on_s, next_off_s : float
        What it does to the cycle after.
    unit : str
        Its unit.
    u_relative : float
        Standard uncertainty of the direction: an angle in radians, in the plane where on and
        off are each measured in shares of their mean.
    bend : float
        By how much the direction turns for one unit of the cause, radians.
    """

    kind: str
    cause: str
    on_s: float
    off_s: float
    next_on_s: float
    next_off_s: float
    unit: str
    u_relative: float
    bend: float = 0.0


def find_directions(
    mean_on_s: float,
    mean_off_s: float,
    design: Design | None,
    *,
    supply_v: float | None = None,
    temperature_c: float | None = None,
) -> tuple[Direction, ...]:
    """Return the direction of every cause for a channel that was measured.

    Parameters
    ----------
    mean_on_s, mean_off_s : float
        Measured means, seconds, above 0.
    design : Design or None
        The channel's design; a typical channel where there is none.
    supply_v, temperature_c : float, optional
        Supply and temperature during the recording, where they are known.

    Returns
    -------
    tuple of Direction
        One for each kind, but for those that would stop this circuit.

    Raises
    ------
    ValueError
        A mean is not above 0.
    """
    if not (mean_on_s > 0 and mean_off_s > 0):
        raise ValueError(f"means must be above 0, got {mean_on_s} and {mean_off_s}")
    rng = np.random.default_rng(_SEED)
    bipolar = np.zeros(VARIANTS, dtype=bool)
    if design is None:
        bipolar[1::3] = True
        circuit, scales = typical_circuits(rng, bipolar, supply_v, temperature_c)
    else:
        circuit, scales = design_circuits(rng, design, supply_v, temperature_c)
    circuit = set_onto(circuit, mean_on_s, mean_off_s)
    moves = _list_moves(circuit, scales)
    bends = _list_bends(circuit, scales, moves, mean_on_s, mean_off_s)
    found = []
    for kind, (cause, unit) in _CAUSES.items():
        if kind == "supply-bipolar" and design is not None:
            continue
        slopes = moves[kind]
        if kind == "supply":
            slopes = _rows(slopes, ~bipolar)
        elif kind == "supply-bipolar":
            slopes = _middle_first(_rows(slopes, bipolar))
        spread = _spread_of_angle(slopes, mean_on_s, mean_off_s)
        on, off, next_on, next_off = (float(row[0]) for row in slopes)
        if not np.isfinite([on, off, next_on, next_off, spread]).all():
            continue
        found.append(
            Direction(kind, cause, on, off, next_on, next_off, unit, spread, bends.get(kind, 0.0))
        )
    return tuple(found)


def _rows(
    slopes: tuple[Values, Values, Values, Values], kept: NDArray[np.bool_]
) -> tuple[Values, Values, Values, Values]:
    """Return the slopes of some of the variants."""
    on, off, next_on, next_off = (one[kept] for one in slopes)
    return on, off, next_on, next_off


def _middle_first(
    slopes: tuple[Values, Values, Values, Values],
) -> tuple[Values, Values, Values, Values]:
    """Return the slopes with that variant first which lies in the middle of all."""
    order = np.argsort((slopes[1] + slopes[3]) / (slopes[0] + slopes[2]))
    on, off, next_on, next_off = (np.roll(one[order], order.shape[0] // 2) for one in slopes)
    return on, off, next_on, next_off


def _list_moves(
    circuit: Circuit, scales: Scales
) -> dict[str, tuple[Values, Values, Values, Values]]:
    """Return for each kind what a unit of it does to on, off, the next on and the next off."""
    r_knob, r_off = scales
    timer = circuit.timer
    volts = np.asarray(circuit.supply_v, dtype=np.float64)
    r_a, r_b = np.asarray(circuit.r_a_ohm), np.asarray(circuit.r_b_ohm)
    none = np.zeros(r_a.shape)

    def slope(change: Callable[[float], Circuit], step: float) -> tuple[Values, Values]:
        high, _, _ = try_cycle_times(change(step))
        low, _, _ = try_cycle_times(change(-step))
        return (high.on_s - low.on_s) / (2 * step), (high.off_s - low.off_s) / (2 * step)

    def with_timer(name: str, value: Values) -> Circuit:
        change: dict[str, Any] = {name: value}
        return replace(circuit, timer=replace(timer, **change))

    contact = np.asarray(circuit.r_wiper_ohm)
    same = {
        "wiper": slope(
            lambda d: replace(circuit, r_a_ohm=r_a + d * r_knob, r_b_ohm=r_b - d * r_knob), 1e-4
        ),
        "contact": slope(lambda d: replace(circuit, r_wiper_ohm=contact + 100.0 + d), 50.0),
        "supply": slope(lambda d: replace(circuit, supply_v=volts + d), 0.02),
        "diode": slope(
            lambda d: replace(circuit, temperature_c=np.asarray(circuit.temperature_c) + d), 0.5
        ),
        "capacitor": slope(lambda d: replace(circuit, c_f=np.asarray(circuit.c_f) * (1 + d)), 1e-3),
        # between a third and two thirds of the supply a leak draws nearly one current
        "leak": slope(
            lambda d: with_timer(
                "threshold_current_a", np.asarray(timer.threshold_current_a) + d * volts / 2
            ),
            1e-9,
        ),
        "off-path": slope(lambda d: replace(circuit, r_b_ohm=r_b + d * r_off), 1e-3),
        "upper-level": slope(
            lambda d: with_timer(
                "threshold_fraction", np.asarray(timer.threshold_fraction) + d / volts
            ),
            1e-3,
        ),
    }
    lower_on, lower_off = slope(
        lambda d: with_timer("trigger_fraction", np.asarray(timer.trigger_fraction) + d / volts),
        1e-3,
    )
    on_begin, on_end, off_begin, off_end = _within_cycle(circuit)
    moves = {kind: (on, off, none, none) for kind, (on, off) in same.items()}
    moves["lower-level"] = (none, lower_off, lower_on, none)
    moves["supply-on-end"] = (on_end, off_begin, none, none)
    moves["supply-off-end"] = (none, off_end, on_begin, none)
    # on begins at the supply that the cycle before ended with
    lagging = moves["supply"][0] - on_end
    moves["supply"] = (on_end, moves["supply"][1], lagging, none)
    moves["supply-bipolar"] = moves["supply"]
    return {kind: moves[kind] for kind in _CAUSES}


_REACH = {"wiper": 0.02, "contact": 1000.0, "supply": 0.2}
"""How far to look for the bend of the directions that bend within what is seen."""


def _list_bends(
    circuit: Circuit,
    scales: Scales,
    here: dict[str, tuple[Values, Values, Values, Values]],
    on_s: float,
    off_s: float,
) -> dict[str, float]:
    """Return by how much some directions turn for a unit of the cause."""
    circuit = first_alone(circuit)
    scales = (scales[0][:1], scales[1][:1])

    def angle(kind: str, slopes: dict[str, tuple[Values, Values, Values, Values]]) -> float:
        on, off, next_on, _ = slopes[kind]
        return float(np.arctan2((on[0] + next_on[0]) / on_s, off[0] / off_s))

    bends = {}
    for kind, whole in _REACH.items():
        bends[kind] = 0.0
        # so far away the circuit may not oscillate any more
        for reach in (whole, whole / 3.0, whole / 10.0, whole / 30.0):
            there = angle(kind, _list_moves(_moved(circuit, scales, kind, reach), scales))
            turn = abs(there - angle(kind, here)) / reach
            if np.isfinite(turn):
                bends[kind] = turn
                break
    return bends


def _moved(circuit: Circuit, scales: Scales, kind: str, reach: float) -> Circuit:
    """Return a circuit in which one cause has moved."""
    if kind == "wiper":
        return replace(
            circuit,
            r_a_ohm=np.asarray(circuit.r_a_ohm) + reach * scales[0],
            r_b_ohm=np.asarray(circuit.r_b_ohm) - reach * scales[0],
        )
    if kind == "contact":
        return replace(circuit, r_wiper_ohm=np.asarray(circuit.r_wiper_ohm) + reach)
    return replace(circuit, supply_v=np.asarray(circuit.supply_v) - reach)


def _within_cycle(circuit: Circuit) -> tuple[Values, Values, Values, Values]:
    """Return what the supply does at the ends of on and off: s/V at on's two ends, off's two.

    The levels are fractions of the supply at the crossing, and the supply runs straight
    between crossings.
    """
    timer = circuit.timer
    volts = np.broadcast_to(np.asarray(circuit.supply_v, float), np.shape(circuit.r_a_ohm))
    upper, lower = np.asarray(timer.threshold_fraction), np.asarray(timer.trigger_fraction)
    step = 2e-3
    slopes: list[Values] = []
    for pulled in (False, True):
        for at_end in (False, True):
            results = []
            for sign in (1.0, -1.0):
                begin = volts + (0.0 if at_end else sign * step)
                end = volts + (sign * step if at_end else 0.0)
                drive = (begin + end) / 2
                first, last = (upper, lower) if pulled else (lower, upper)
                from_v, to_v = first * begin, last * end
                high, low = (from_v, to_v) if pulled else (to_v, from_v)
                held = replace(timer, threshold_fraction=high / drive, trigger_fraction=low / drive)
                times, _, _ = try_cycle_times(replace(circuit, supply_v=drive, timer=held))
                base = times.off_s if pulled else times.on_s

                def supply_at(
                    elapsed: Values, length: Values, begin: Values = begin, end: Values = end
                ) -> Values:
                    return np.asarray(begin + (end - begin) * (elapsed / length))

                stretch = stretch_by_supply(
                    replace(circuit, supply_v=drive), from_v, to_v, supply_at, pulled=pulled
                )
                results.append(base * stretch)
            slopes.append((results[0] - results[1]) / (2 * step))
    return slopes[0], slopes[1], slopes[2], slopes[3]


def _spread_of_angle(
    slopes: tuple[Values, Values, Values, Values], on_s: float, off_s: float
) -> float:
    """Return how far the directions of the variants lie apart, radians."""
    across = (slopes[0] + slopes[2]) / on_s
    along = (slopes[1] + slopes[3]) / off_s
    angle = np.arctan2(across, along)
    good = np.isfinite(angle)
    turn = np.angle(np.exp(1j * (angle[good] - angle[0])))
    return float(np.sqrt(np.mean(turn**2)))
