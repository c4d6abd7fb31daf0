"""Pulses as shares of the knob's track: the channel model as a change of scale.

The design says which pulse belongs to which share of the track on the on side. Read backwards that
turns a pulse into a share, and takes out what supply and temperature did to a record. Parts
that differ from their marking change such a share along a straight line (another offset, another
scale) and leave next to no bend, so that the knob's own curve can be fitted in shares.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchlog.calibration.point import SUPPLY_UNKNOWN_SHARE, Point
from benchlog.channel.cycle import build_circuit, predict_cycle
from benchlog.channel.knob import Knob
from benchlog.channel.plan import Design
from benchlog.channel.timer import try_cycle_times
from benchlog.channel.unknowns import draw_builds, list_unknowns

__all__ = ["PulseScale", "read_scale"]

Values = NDArray[np.float64]

_NODES = 201
"""Straight lines between so many leave a nanosecond of a pulse that bends by a few percent."""
_BUILDS = 200
_FEWEST = 10
_LEAST_SPREAD = 0.01
"""Of a share at either end of the track: nobody's resistors are better (a fraction)."""


@dataclass(frozen=True, slots=True, eq=False)
class PulseScale:
    """What the design gives for each share of the track, at the supply of the records.

    Attributes
    ----------
    share : numpy.ndarray
        Shares of the track on the on side, 0 to 1, ascending, shape (n,).
    pulse_s, rest_s : numpy.ndarray
        The cycle that the design gives there, seconds, shape (n,).
    supply_v, temperature_c : float
        For which they hold: the middle of the records', else the design's.
    spread_low, spread_high : float
        Standard deviations, from the parts' tolerances, of the shares that would be read
        at either end of a built channel's track.
    """

    share: Values
    pulse_s: Values
    rest_s: Values
    supply_v: float
    temperature_c: float
    spread_low: float
    spread_high: float

    def share_at(self, pulse_s: ArrayLike) -> Values:
        """Return the share of the track that gives a pulse in seconds, on beyond 0 and 1."""
        return _straight_on(np.asarray(pulse_s, dtype=np.float64), self.pulse_s, self.share)

    def pulse_at(self, share: ArrayLike) -> Values:
        """Return the pulse in seconds at a share of the track, on beyond 0 and 1."""
        return _straight_on(np.asarray(share, dtype=np.float64), self.share, self.pulse_s)

    def rest_at(self, share: ArrayLike) -> Values:
        """Return the rest of the cycle in seconds at a share of the track."""
        return _straight_on(np.asarray(share, dtype=np.float64), self.share, self.rest_s)


def _straight_on(at: Values, x: Values, y: Values) -> Values:
    """Interpolate between ascending nodes, and go straight on beyond them."""
    inside = np.interp(at, x, y)
    low = (y[1] - y[0]) / (x[1] - x[0])
    high = (y[-1] - y[-2]) / (x[-1] - x[-2])
    return np.asarray(
        np.where(
            at < x[0],
            y[0] + low * (at - x[0]),
            np.where(at > x[-1], y[-1] + high * (at - x[-1]), inside),
        )
    )


def read_scale(
    design: Design, points: Sequence[Point], parts: Mapping[str, float] | None = None
) -> tuple[PulseScale, Values, Values]:
    """Return the scale of a sweep, and its pulses and rests as at one supply and temperature.

    Parameters
    ----------
    design : Design
        What the channel should be.
    points : sequence of Point
        At least one.
    parts : mapping, optional
        Values that were found instead of the marked ones, names of `OVERRIDES`, SI units.

    Returns
    -------
    tuple of PulseScale and two numpy.ndarray
        The scale; pulses and rests of the cycle in seconds, in the order of the points, what
        their own supply and temperature changed taken out.

    Raises
    ------
    DesignError
        The design can hardly oscillate anywhere along the track.
    """
    supply = np.array([p.supply_v if p.supply_v is not None else np.nan for p in points])
    warmth = np.array([p.temperature_c if p.temperature_c is not None else np.nan for p in points])
    supply_v = _middle(supply, design.supply.value)
    temperature_c = _middle(warmth, design.temperature_c)
    track = replace(design, knob=Knob(1.0, contact_ohm=design.knob.contact_ohm))
    share = np.linspace(0.0, 1.0, _NODES)
    given = dict(parts or {})
    cycle, on_ends, off_ends = try_cycle_times(
        build_circuit(track, share, supply_v=supply_v, temperature_c=temperature_c, parts=given)
    )
    runs = np.asarray(on_ends & off_ends)
    if np.count_nonzero(runs) < _FEWEST:
        # it says what is wrong
        predict_cycle(track, share, supply_v=supply_v, temperature_c=temperature_c, parts=given)
    known = bool(np.isfinite(supply).any())
    scale = PulseScale(
        share[runs], cycle.on_s[runs], cycle.off_s[runs], supply_v, temperature_c, 0.0, 0.0
    )
    low, high = _end_spreads(track, scale, supply_known=known)
    scale = replace(scale, spread_low=low, spread_high=high)
    pulse_s = np.array([point.pulse_s for point in points])
    rest_s = np.array([point.rest_s for point in points])
    own_v = np.where(np.isfinite(supply), supply, supply_v)
    own_c = np.where(np.isfinite(warmth), warmth, temperature_c)
    if np.any(own_v != supply_v) or np.any(own_c != temperature_c):
        at = np.clip(scale.share_at(pulse_s), scale.share[0], scale.share[-1])
        own = predict_cycle(track, at, supply_v=own_v, temperature_c=own_c, parts=given)
        pulse_s = pulse_s * scale.pulse_at(at) / own.on_s
        rest_s = rest_s * scale.rest_at(at) / own.off_s
    return scale, pulse_s, rest_s


def _middle(values: Values, fallback: float) -> float:
    """Return the median of what is known, else the fallback."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else fallback


def _end_spreads(track: Design, scale: PulseScale, *, supply_known: bool) -> tuple[float, float]:
    """Return how far built channels differ at either end of the track, as shares of it."""
    unknowns = [one for one in list_unknowns(track) if one.name != "supply_v"]
    source = np.random.default_rng(1)
    drawn = {name: v[:, None] for name, v in draw_builds(unknowns, _BUILDS, source).items()}
    half = 0.005 if supply_known else track.supply.tolerance or SUPPLY_UNKNOWN_SHARE
    volts = scale.supply_v * (1.0 + half * source.uniform(-1.0, 1.0, (_BUILDS, 1)))
    circuit = build_circuit(
        track,
        np.array([0.0, 1.0]),
        supply_v=volts,
        temperature_c=scale.temperature_c,
        parts=drawn,
    )
    times, _, _ = try_cycle_times(circuit)
    shares = scale.share_at(times.on_s)
    spreads = [
        float(np.std(column[np.isfinite(column)])) if np.isfinite(column).any() else 1.0
        for column in shares.T
    ]
    return max(spreads[0], _LEAST_SPREAD), max(spreads[1], _LEAST_SPREAD)
