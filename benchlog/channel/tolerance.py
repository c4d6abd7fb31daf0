"""Where the channels lie that are built of such parts: by chance, at worst, and to first order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.channel.cycle import build_circuit, predict_cycle
from benchlog.channel.plan import Design
from benchlog.channel.sensitivity import part_effects
from benchlog.channel.timer import try_cycle_times
from benchlog.channel.unknowns import Unknown, draw_builds, list_unknowns
from benchlog.errors import DesignError

__all__ = ["Band", "first_order_band", "tolerance_band", "worst_band"]

Values = NDArray[np.float64]

_DRAWS = 2000
_SEED = 555
COVERAGE_95 = 1.959963984540054
"""Standard deviations on either side that hold 95 % of a normal distribution."""


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """Between which values channels built from such parts lie, seconds.

    Attributes
    ----------
    on_low_s, on_high_s, off_low_s, off_high_s, period_low_s, period_high_s : numpy.ndarray
        Lower and upper ends, of the shape of the knob angles.
    """

    on_low_s: Values
    on_high_s: Values
    off_low_s: Values
    off_high_s: Values
    period_low_s: Values
    period_high_s: Values


def tolerance_band(
    design: Design,
    knob_deg: ArrayLike,
    *,
    supply_v: float | None = None,
    temperature_c: float | None = None,
) -> Band:
    """Return between which values 95 % of channels built from such parts lie.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : array_like
        Knob angles, degrees.
    supply_v, temperature_c : float, optional
        Other supply and temperature than the design's. A supply given here is taken as
        measured; the design's own carries its tolerance.

    Returns
    -------
    Band
        Seconds, shape of `knob_deg`.

    Raises
    ------
    DesignError
        The nominal circuit, or more than one in twenty drawn, cannot oscillate.

    Notes
    -----
    2000 draws with a fixed seed, stratified in each part (rectangular between its limits),
    the timer's levels, the diode's saturation current and what else `list_unknowns` names
    included.
    """
    angle = np.asarray(knob_deg, dtype=np.float64)
    predict_cycle(design, angle, supply_v=supply_v, temperature_c=temperature_c)
    unknowns = list_unknowns(design, supply_v=supply_v)
    drawn = draw_builds(unknowns, _DRAWS, np.random.default_rng(_SEED))
    parts = {name: one.reshape((_DRAWS,) + (1,) * angle.ndim) for name, one in drawn.items()}
    supply = parts.pop("supply_v")
    circuit = build_circuit(
        design, angle, supply_v=supply, temperature_c=temperature_c, parts=parts
    )
    times, on_ends, off_ends = try_cycle_times(circuit)
    good = np.all(on_ends & off_ends, axis=tuple(range(1, angle.ndim + 1)))
    if np.mean(good) < 0.95:
        raise DesignError(
            f"{np.mean(~good):.0%} of channels built from these parts cannot oscillate",
            expected="parts whose tolerances leave the circuit oscillating",
            attempt="narrower tolerances, a larger r_on, or a smaller r_off",
        )
    on_low, on_high = np.quantile(times.on_s[good], (0.025, 0.975), axis=0)
    off_low, off_high = np.quantile(times.off_s[good], (0.025, 0.975), axis=0)
    period_low, period_high = np.quantile(times.period_s[good], (0.025, 0.975), axis=0)
    return Band(*map(np.asarray, (on_low, on_high, off_low, off_high, period_low, period_high)))


def first_order_band(
    design: Design,
    knob_deg: ArrayLike,
    *,
    supply_v: float | None = None,
    temperature_c: float | None = None,
    coverage: float = COVERAGE_95,
) -> Band:
    """Return the band to first order: slopes times standard deviations, squares added.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : array_like
        Knob angles, degrees.
    supply_v, temperature_c : float, optional
        As for `tolerance_band`.
    coverage : float
        Standard deviations on either side.

    Returns
    -------
    Band
        Seconds, shape of `knob_deg`, around the marked parts' times.

    Raises
    ------
    DesignError
        The circuit cannot oscillate at one of the angles.

    Notes
    -----
    JCGM 100:2008, 5.1.2, with half-width/sqrt 3 for each part (4.3.7). It takes the times for
    straight lines in the parts and their sum for a normal distribution: right for many small
    tolerances, wrong where one part rules (95 % of a box end at 0.95 of its half-width, not at
    1.13) or bends (a saturation current, a wide knob).
    """
    angle = np.asarray(knob_deg, dtype=np.float64)
    times = predict_cycle(design, angle, supply_v=supply_v, temperature_c=temperature_c)
    effects = part_effects(design, angle, supply_v=supply_v, temperature_c=temperature_c)
    on, off, period = (np.zeros(angle.shape) for _ in range(3))
    for one in effects:
        on += one.on_spread_s**2 / 3.0
        off += one.off_spread_s**2 / 3.0
        period += (one.on_spread_s + one.off_spread_s) ** 2 / 3.0
    on, off, period = (coverage * np.sqrt(one) for one in (on, off, period))
    return Band(
        times.on_s - on,
        times.on_s + on,
        times.off_s - off,
        times.off_s + off,
        times.period_s - period,
        times.period_s + period,
    )


def worst_band(
    design: Design,
    knob_deg: ArrayLike,
    *,
    supply_v: float | None = None,
    temperature_c: float | None = None,
) -> Band:
    """Return the least and the greatest times that parts within tolerance can make.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : array_like
        Knob angles, degrees.
    supply_v, temperature_c : float, optional
        As for `tolerance_band`.

    Returns
    -------
    Band
        Seconds, shape of `knob_deg`. Infinite upwards where a corner of the tolerances no
        longer oscillates.

    Raises
    ------
    DesignError
        The circuit of the marked parts cannot oscillate at one of the angles.

    Notes
    -----
    All corners of the tolerances are tried, for each time and each angle. From the worst corner
    each part is then taken through its tolerance by itself, and what is worse than the corner
    taken over until nothing is: so the answer holds too where a time has its extreme inside a
    part's tolerance, as long as it has only one along each part.
    """
    angle = np.asarray(knob_deg, dtype=np.float64)
    marked = predict_cycle(design, angle, supply_v=supply_v, temperature_c=temperature_c)
    flat = angle.reshape(-1)
    unknowns = list_unknowns(design, supply_v=supply_v)
    free = [one for one in unknowns if one.half_width > 0.0]
    if not free:
        on_s, off_s, period_s = marked.on_s, marked.off_s, marked.period_s
        return Band(on_s, on_s, off_s, off_s, period_s, period_s)
    search = _Search(design, flat, unknowns, free, temperature_c)
    corners = np.array(np.meshgrid(*([[-1.0, 1.0]] * len(free)), indexing="ij"))
    corners = corners.reshape(len(free), 1 << len(free), 1)
    times = search.times(corners)
    ends = []
    for kind, sign in ((k, s) for k in range(3) for s in (1.0, -1.0)):
        aimed = sign * times[kind]  # least is sought
        best = np.argmin(aimed, axis=0)
        places = corners[:, best, 0]
        least = search.settle(places, np.min(aimed, axis=0), kind, sign)
        ends.append((sign * least).reshape(angle.shape))
    return Band(*ends)


_STEPS = np.linspace(-1.0, 1.0, 9)
_ROUNDS = 4


class _Search:
    """The times at places within the tolerances; -1 and 1 are a part's limits."""

    def __init__(
        self,
        design: Design,
        angle: Values,
        unknowns: tuple[Unknown, ...],
        free: list[Unknown],
        temperature_c: float | None,
    ) -> None:
        self._design, self._angle = design, angle
        self._free, self._temperature_c = free, temperature_c
        self._fixed = {one.name: one.centre for one in unknowns if one.half_width == 0.0}

    def times(self, places: Values) -> Values:
        """Return on, off and period, shape (3, ...), where it oscillates; else infinite."""
        parts: dict[str, ArrayLike] = dict(self._fixed)
        for one, place in zip(self._free, places, strict=True):
            parts[one.name] = one.value_at(place)
        supply = parts.pop("supply_v")
        circuit = build_circuit(
            self._design,
            self._angle,
            supply_v=supply,
            temperature_c=self._temperature_c,
            parts=parts,
        )
        cycle, on_ends, off_ends = try_cycle_times(circuit)
        good = on_ends & off_ends
        return np.array(
            [np.where(good, one, np.inf) for one in (cycle.on_s, cycle.off_s, cycle.period_s)]
        )

    def settle(self, places: Values, least: Values, kind: int, sign: float) -> Values:
        """Return the least of `sign` times one time, each part moved by itself.

        `places` has shape (parts, angles), `least` (angles,).
        """
        count = len(self._free)
        for _ in range(_ROUNDS):
            moved = np.broadcast_to(
                places[:, None, None, :], (count, count, _STEPS.size, least.size)
            ).copy()
            moved[np.arange(count), np.arange(count)] = _STEPS[:, None]
            aimed = sign * self.times(moved)[kind]
            if not np.any(aimed.min(axis=(0, 1)) < least - 1e-12 * np.abs(least)):
                break
            flat = aimed.reshape(-1, least.size)
            best = np.argmin(flat, axis=0)
            part, step = best // _STEPS.size, best % _STEPS.size
            better = flat[best, np.arange(least.size)] < least
            where = np.flatnonzero(better)
            places = places.copy()
            places[part[where], where] = _STEPS[step[where]]
            least = np.minimum(least, flat[best, np.arange(least.size)])
        return least
