"""Supply or diode: what readings beside several recordings of one mark tell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.finding import Heard, InputDiagnosis

__all__ = ["tell_surroundings"]

_SAME_MARK_DEG = 0.5
_LEAST_SHIFT_S = 2e-6
"""Recordings whose pulses lie nearer together say nothing."""
_LEFT = 0.4
"""A reading explains the pulses where less than this share of their spread is left."""
_READING_V = 0.02
_READING_K = 1.0
"""Changes of a meter's and a thermometer's reading that count."""

FloatArray = NDArray[np.float64]


def tell_surroundings(one: InputDiagnosis) -> Literal["supply", "diode"] | None:
    """Tell supply from diode temperature by what was read beside several recordings.

    Parameters
    ----------
    one : InputDiagnosis
        An input with its recordings.

    Returns
    -------
    str or None
        ``supply`` where the pulses of recordings at one mark follow the supply as it was read,
        ``diode`` where they follow the temperature while the supply reads the same; None where
        the readings do not tell, or are not there.
    """
    places = [
        place
        for place, heard in enumerate(one.heard)
        if heard.knob_deg is not None
        and heard.supply_v is not None
        and heard.temperature_c is not None
        and one.cycles[place].count
        and one.directions[place]
    ]
    for group in _same_marks(one.heard, places):
        told = _tell(one, group)
        if told is not None:
            return told
    return None


def _same_marks(heard: Sequence[Heard], places: Sequence[int]) -> list[list[int]]:
    """Gather recordings of one knob angle, two or more; the largest group first."""
    groups: list[list[int]] = []
    for place in places:
        knob_deg = heard[place].knob_deg or 0.0
        for group in groups:
            if abs((heard[group[0]].knob_deg or 0.0) - knob_deg) <= _SAME_MARK_DEG:
                group.append(place)
                break
        else:
            groups.append([place])
    return sorted((one for one in groups if len(one) > 1), key=len, reverse=True)


def _tell(one: InputDiagnosis, group: Sequence[int]) -> Literal["supply", "diode"] | None:
    """Set the pulses of one mark against what was read beside them."""
    pulse = np.array([float(np.mean(one.cycles[place].on_s)) for place in group])
    volts = np.array([one.heard[place].supply_v for place in group], dtype=np.float64)
    warmth = np.array([one.heard[place].temperature_c for place in group], dtype=np.float64)
    moved = pulse - pulse.mean()
    spread = float(np.sqrt(np.mean(moved**2)))
    if spread < _LEAST_SHIFT_S:
        return None
    slopes = {way.kind: way.on_s + way.next_on_s for way in one.directions[group[0]]}
    by_supply = slopes["supply"] * (volts - volts.mean())
    by_diode = slopes["diode"] * (warmth - warmth.mean())
    if np.ptp(volts) >= _READING_V and _left(moved, by_supply) < _LEFT:
        # both may have moved alike, as cells that cool on a cold bench
        return None if _left(moved, by_diode) < _LEFT else "supply"
    steady_supply = float(np.max(np.abs(by_supply))) < _LEFT * spread
    if np.ptp(warmth) >= _READING_K and steady_supply and _left(moved, by_diode) < _LEFT:
        return "diode"
    return None


def _left(moved: FloatArray, explained: FloatArray) -> float:
    """Return the share of a movement's spread that an explanation leaves."""
    return float(np.sqrt(np.mean((moved - explained) ** 2) / np.mean(moved**2)))
