"""What a battery's life does to a channel: cells, and where a knob's mark holds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.channel.cycle import build_circuit, predict_cycle
from benchlog.channel.plan import Design
from benchlog.channel.timer import try_cycle_times

__all__ = ["CELLS", "Battery", "Cell", "guess_battery", "holding_supply", "life_pulses"]

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Cell:
    """A kind of cell, volts each.

    Attributes
    ----------
    name : str
        In words, such as ``"alkaline"``.
    nominal_v : float
        What it is sold as.
    full_v, empty_v : float
        New or freshly charged, and where it is empty.
    """

    name: str
    nominal_v: float
    full_v: float
    empty_v: float


CELLS: dict[str, Cell] = {
    # published tests of AA cells (powerstream.com, rightbattery.com): 1.5 V nominal, 1.6 V
    # open; 0.9 V as the usual end of such tests is common practice
    "alkaline": Cell("alkaline", 1.5, 1.6, 0.9),
    # common practice: 1.4 V charged, 1.0 V where a charger or a careful user stops
    "nimh": Cell("NiMH", 1.2, 1.4, 1.0),
}
"""The kinds that a supply may be guessed to be made of, the likelier first."""

_SAME = 0.01  # of the volts of a cell; so far may a supply lie off a whole number of them
_REGULATED_SHARE = 0.05
"""Half-width of a regulated supply: 5 % is common practice (USB allows as much)."""


@dataclass(frozen=True, slots=True)
class Battery:
    """What a channel is fed from, as far as the design's volts tell.

    Attributes
    ----------
    kind : str
        A name of `CELLS`, or ``"regulated"``.
    text : str
        In words: ``"4 alkaline cells"``.
    cell_count : int
        0 for a regulated supply.
    nominal_v, full_v, empty_v : float
        Volts of the whole: as in the design, at its highest, at its lowest.
    """

    kind: str
    text: str
    cell_count: int
    nominal_v: float
    full_v: float
    empty_v: float


def guess_battery(supply_v: float) -> Battery:
    """Guess from a design's volts what the channel is fed from.

    Parameters
    ----------
    supply_v : float
        Volts, above 0.

    Returns
    -------
    Battery
        Alkaline cells where they make up the volts (6 V: four), else NiMH cells (4.8 V: four),
        else a regulated supply (5 V).

    Raises
    ------
    ValueError
        `supply_v` is not above 0.

    Notes
    -----
    A guess: 6 V could be five NiMH cells as well, and 5 V a meter's reading of used cells.
    """
    if not supply_v > 0.0:
        raise ValueError(f"supply_v must be above 0, got {supply_v}")
    for kind, cell in CELLS.items():
        count = round(supply_v / cell.nominal_v)
        if count and abs(supply_v - count * cell.nominal_v) <= _SAME * cell.nominal_v:
            text = f"{count} {cell.name} cell{'s' if count > 1 else ''}"
            return Battery(kind, text, count, supply_v, count * cell.full_v, count * cell.empty_v)
    return Battery(
        "regulated",
        f"a regulated {supply_v:.3g} V",
        0,
        supply_v,
        supply_v * (1.0 + _REGULATED_SHARE),
        supply_v * (1.0 - _REGULATED_SHARE),
    )


_SCAN = 48
_HALVINGS = 32


def holding_supply(
    design: Design,
    knob_deg: ArrayLike,
    within_deg: float = 3.0,
    *,
    temperature_c: float | None = None,
) -> tuple[Values, Values]:
    """Return between which supplies a mark holds that was made at the design's supply.

    Parameters
    ----------
    design : Design
        The design; its supply is the one for which the marks stand.
    knob_deg : array_like
        Knob angles of the marks, degrees.
    within_deg : float
        By how much the arm may be off, degrees, above 0.
    temperature_c : float, optional
        Another temperature than the design's.

    Returns
    -------
    tuple of numpy.ndarray
        Lowest and highest supply, volts, shape of `knob_deg`: the range around the design's
        supply in which the arm stays within `within_deg` of where it is there. Where the mark
        holds as far as one looks, the end is that of the timer family's range, or a quarter
        and four times the design's supply where the family has none.

    Raises
    ------
    DesignError
        The circuit cannot oscillate at the design's supply.
    ValueError
        `within_deg` is not above 0.

    Notes
    -----
    The arm is taken as the servo holds it: at an end stop it does not move further. The
    first supply either way at which it leaves is found on a grid of some 3 % and then by
    halving, to 1e-10 V or so.
    """
    if not within_deg > 0.0:
        raise ValueError(f"within_deg must be above 0, got {within_deg}")
    angle = np.asarray(knob_deg, dtype=np.float64)
    flat, marked_v = angle.reshape(-1), design.supply.value
    wanted_deg = design.servo.angle_deg(
        predict_cycle(design, flat, temperature_c=temperature_c).on_s
    )

    def holds(supply_v: Values) -> NDArray[np.bool_]:
        """Return whether the arm is within reach; supplies broadcast with the marks."""
        circuit = build_circuit(design, flat, supply_v=supply_v, temperature_c=temperature_c)
        times, on_ends, off_ends = try_cycle_times(circuit)
        off_deg = np.abs(design.servo.angle_deg(times.on_s) - wanted_deg)
        return np.asarray(on_ends & off_ends & (off_deg <= within_deg))

    family = design.timer
    least_v = min(family.supply_min_v or marked_v / 4.0, marked_v)
    most_v = max(min(family.supply_max_v, 4.0 * marked_v), marked_v)
    ends = (_first_loss(holds, marked_v, bound_v) for bound_v in (least_v, most_v))
    low, high = (end.reshape(angle.shape) for end in ends)
    return low, high


def _first_loss(holds: Callable[[Values], NDArray[np.bool_]], from_v: float, to_v: float) -> Values:
    """Return where each mark is first lost on the way from one supply to another."""
    grid = np.linspace(from_v, to_v, _SCAN)
    held = np.logical_and.accumulate(holds(grid[:, None]), axis=0)
    last = held.sum(axis=0) - 1  # the grid's first supply holds by definition
    kept = grid[np.maximum(last, 0)]
    lost = grid[np.minimum(last + 1, _SCAN - 1)]
    for _ in range(_HALVINGS):
        middle = 0.5 * (kept + lost)
        good = holds(middle)
        kept, lost = np.where(good, middle, kept), np.where(good, lost, middle)
    return np.asarray(np.where(last == _SCAN - 1, to_v, kept))


def life_pulses(
    design: Design, knob_deg: ArrayLike, battery: Battery, *, temperature_c: float | None = None
) -> tuple[Values, Values]:
    """Return the pulse with the battery full and with it empty.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : array_like
        Knob angles, degrees.
    battery : Battery
        From `guess_battery`.
    temperature_c : float, optional
        Another temperature than the design's.

    Returns
    -------
    tuple of numpy.ndarray
        Seconds, shape of `knob_deg`; not a number where the circuit no longer oscillates.
    """
    angle = np.asarray(knob_deg, dtype=np.float64)
    pulses = []
    for supply_v in (battery.full_v, battery.empty_v):
        circuit = build_circuit(design, angle, supply_v=supply_v, temperature_c=temperature_c)
        times, on_ends, off_ends = try_cycle_times(circuit)
        pulses.append(np.where(on_ends & off_ends, times.on_s, np.nan))
    return pulses[0], pulses[1]
