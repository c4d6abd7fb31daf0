"""What moves in a simulated channel: quantities that wander from cycle to cycle."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

__all__ = ["STEADY", "WANDERS", "Fluctuation", "Wander", "child_seeds"]

Values = NDArray[np.float64]


def child_seeds(seed: np.random.SeedSequence, count: int) -> list[np.random.SeedSequence]:
    """Return as many seeds drawn from one, the same whenever it is asked.

    `numpy.random.SeedSequence.spawn` counts its calls and would return others each time.
    """
    return [
        np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, k)) for k in range(count)
    ]


@dataclass(frozen=True, slots=True, eq=False)
class Wander:
    """How one quantity moves from cycle to cycle, in its own unit. The terms add.

    Attributes
    ----------
    white : float
        Standard deviation of an independent value each cycle.
    walk : float
        Standard deviation of the step of a random walk, which starts from 0.
    course : tuple of float
        Values spread evenly over the record, joined by straight lines.
    series : numpy.ndarray or None
        One value a cycle, from the cycle in which the record begins.
    """

    white: float = 0.0
    walk: float = 0.0
    course: tuple[float, ...] = ()
    series: Values | None = None

    def values(self, count: int, seed: np.random.SeedSequence, shares: Values) -> Values:
        """Return the value in each cycle.

        Parameters
        ----------
        count : int
            Number of cycles.
        seed : numpy.random.SeedSequence
            Seed; more cycles of the same seed begin with the same values.
        shares : numpy.ndarray
            Where in the record each cycle lies, 0 to 1, shape (count,).

        Returns
        -------
        numpy.ndarray
            Shape (count,).

        Raises
        ------
        ValueError
            The series is shorter than the record.
        """
        first, second = (np.random.default_rng(child) for child in child_seeds(seed, 2))
        total = np.zeros(count)
        if self.white:
            total += self.white * first.standard_normal(count)
        if self.walk:
            total[1:] += self.walk * np.cumsum(second.standard_normal(count))[:-1]
        if self.course:
            total += np.interp(shares, np.linspace(0, 1, len(self.course)), self.course)
        if self.series is not None:
            needed = int(np.searchsorted(shares, 1.0)) + 1
            if self.series.size < needed:
                raise ValueError(
                    f"the series has {self.series.size} values, the record {needed} cycles"
                )
            given = min(count, self.series.size)
            total[:given] += self.series[:given]
            total[given:] += self.series[-1]
        return total


STEADY = Wander()
"""Nothing moves."""


@dataclass(frozen=True, slots=True, eq=False)
class Fluctuation:
    """What moves in a channel while it runs.

    Attributes
    ----------
    wiper : Wander
        The wiper on its track, as a fraction of the track.
    contact_ohm : Wander
        Resistance of the wiper's contact; its magnitude adds to the knob's own.
    supply_v : Wander
        The supply, from cycle to cycle.
    supply_on_end_v, supply_off_end_v : Wander
        The supply at the end of on and at the end of off, against that of its cycle;
        between the two it runs straight.
    capacitor : Wander
        The timing capacitor, as a fraction of its value.
    off_path : Wander
        The off-side resistor, as a fraction of its value.
    diode_k : Wander
        The diode's temperature, kelvin.
    upper_level_v, lower_level_v : Wander
        The threshold and the trigger level.
    mains_v, mains_hz : float
        Peak and frequency of what the tied threshold and trigger pins pick up: both
        levels move by it, at the instant of the crossing.
    ripple_v, ripple_hz : float
        Peak and frequency of a ripple on the supply.
    """

    wiper: Wander = field(default=STEADY)
    contact_ohm: Wander = field(default=STEADY)
    supply_v: Wander = field(default=STEADY)
    supply_on_end_v: Wander = field(default=STEADY)
    supply_off_end_v: Wander = field(default=STEADY)
    capacitor: Wander = field(default=STEADY)
    off_path: Wander = field(default=STEADY)
    diode_k: Wander = field(default=STEADY)
    upper_level_v: Wander = field(default=STEADY)
    lower_level_v: Wander = field(default=STEADY)
    mains_v: float = 0.0
    mains_hz: float = 50.0
    ripple_v: float = 0.0
    ripple_hz: float = 100.0


WANDERS = tuple(one.name for one in fields(Fluctuation) if one.default is STEADY)
"""Names of the quantities that wander; new ones go last, so that seeds keep their meaning."""
