"""How large a coupling is that was found: in microseconds, in volts, and as a share."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchlog.diagnosis.pair.likeness import Likeness
from benchlog.diagnosis.pair.neighbour_pair import Pair
from benchlog.diagnosis.pair.neighbour_pull import Neighbour, fade

__all__ = ["CouplingSize", "Part", "measure_coupling"]

FloatArray = NDArray[np.float64]

_FINE_S = 0.01
_AROUND_S = 0.1
_LONGEST_S = 0.6
_LEAST_BOUTS = 0.3
_ACTIVE = 0.02
_AROUND_CYCLES = 31
_DRAWS = 400
_BLOCK_S = 1.0
_SEED = 7


@dataclass(frozen=True, slots=True)
class Part:
    """What a coupling does to the pulse, or to the period.

    Attributes
    ----------
    rms_s : float
        Standard deviation, seconds.
    share, share_low, share_high : float
        The part of the variance, 0 to 1, and its 95 % interval.
    """

    rms_s: float = 0.0
    share: float = 0.0
    share_low: float = 0.0
    share_high: float = 0.0


@dataclass(frozen=True, slots=True)
class CouplingSize:
    """How large a coupling is; the fields are those of `Coupling`.

    `moves` is what was fitted to pulse and rest of each cycle, seconds, shape (n, 2): without the
    jerks that only the shares count. None where nothing was.
    """

    effect_s: float = 0.0
    u_effect_s: float = 0.0
    supply_v: float = 0.0
    u_supply_v: float = 0.0
    swift_v: float = 0.0
    delay_s: float | None = None
    u_delay_s: float = 0.0
    pulse: Part = field(default_factory=Part)
    period: Part = field(default_factory=Part)
    moves: FloatArray | None = field(default=None, compare=False, repr=False)


def measure_coupling(
    pair: Pair,
    neighbour: Neighbour,
    turns: Likeness,
    restless: Likeness,
    strokes: Likeness,
) -> CouplingSize:
    """Measure a coupling.

    Parameters
    ----------
    pair : Pair
        The channel.
    neighbour : Neighbour
        Who pulls.
    turns, restless, strokes : Likeness
        What was found of each kind.

    Returns
    -------
    CouplingSize
        Sizes of what is not found are 0; the delay is None where the neighbour is not turned.
    """
    delay_s, u_delay_s = None, 0.0
    volts, swift = np.zeros(2), np.zeros(pair.cycles.count)
    moves = np.zeros_like(pair.pairs)
    if turns.is_found:
        delay_s, u_delay_s = _refine_delay(pair, neighbour, turns)
        functions = pair.turns(neighbour, delay_s, turns.lag_s)
        fit = pair.fit.fit(functions)
        full = float(np.quantile(fade(neighbour.pace, delay_s, turns.lag_s), 0.99))
        volts = full * np.array([fit.sizes[0], np.sqrt(fit.covariance[0, 0])])
        moves = moves + functions @ fit.sizes
        swift = functions[:, 1, 1:] @ fit.sizes[1:]
        # until half of it is there
        delay_s += 0.69 * turns.lag_s
    elif restless.is_found:
        delay_s, u_delay_s = restless.delay_s, _AROUND_S
    if strokes.is_found:
        found = pair.strokes.fit(neighbour.by_ends(), moves)
        moves = moves + found.moves
        swift = swift + found.moves[:, 1]
        if not turns.is_found and float(np.std(found.strength)) > _LEAST_BOUTS:
            whole = (
                pair.effect.slow_s[0] * found.strength[:, None, None] * np.array([[[1.0], [0.0]]])
            )
            fit = pair.fit.fit(whole)
            full = float(np.quantile(found.strength, 0.99))
            volts = full * np.array([fit.sizes[0], np.sqrt(fit.covariance[0, 0])])
    moves = moves - moves.mean(axis=0)
    active = np.zeros(pair.cycles.count, bool)
    if restless.is_found:
        pace = fade(neighbour.pace, restless.delay_s, restless.lag_s)
        active = np.interp(pair.cycles.start_s, neighbour.grid_s, pace) > _ACTIVE
    parts = _share_out(pair, moves, active)
    slope = pair.effect.slow_s[0]
    return CouplingSize(
        effect_s=slope * float(volts[0]),
        u_effect_s=abs(slope) * float(volts[1]),
        supply_v=float(volts[0]),
        u_supply_v=float(volts[1]),
        swift_v=float(np.std(swift)) / pair.effect.crossing_s,
        delay_s=delay_s,
        u_delay_s=u_delay_s,
        pulse=parts[0],
        period=parts[1],
        moves=moves,
    )


def _refine_delay(pair: Pair, neighbour: Neighbour, turns: Likeness) -> tuple[float, float]:
    """Return the likeliest delay and its standard uncertainty, seconds."""
    low_s = max(0.0, turns.delay_s - _AROUND_S)
    high_s = min(_LONGEST_S, turns.delay_s + _AROUND_S)
    tried = np.arange(low_s, high_s + _FINE_S / 2, _FINE_S)
    gains = np.array(
        [pair.fit.gain(pair.turns(neighbour, float(one), turns.lag_s)) for one in tried]
    )
    weights = np.exp(0.5 * (gains - gains.max()))
    weights /= weights.sum()
    mean_s = float(weights @ tried)
    # the way in which a servo's current dies away is not known, so the lag counts as well
    spread_s = float(np.sqrt(weights @ (tried - mean_s) ** 2 + _FINE_S**2 / 12.0))
    return float(tried[int(np.argmax(gains))]), float(np.hypot(spread_s, turns.lag_s / 2))


def _share_out(pair: Pair, moves: FloatArray, active: NDArray[np.bool_]) -> tuple[Part, Part]:
    """Return what a coupling does to pulse and period: what was fitted, and the jerks besides.

    The jerks are by how much more the rest of the movement scatters around its running mean while
    the neighbour's servo moves. Intervals come from drawing whole seconds anew.
    """
    series = np.stack([pair.pairs[:, 0], pair.pairs.sum(axis=1)], axis=1)
    fitted = np.stack([moves[:, 0], moves.sum(axis=1)], axis=1)
    left = series - fitted
    jerks = (left - np.stack([_running_mean(one) for one in left.T], axis=1)) ** 2
    second = (pair.cycles.start_s / _BLOCK_S).astype(np.intp)
    blocks = int(second.max()) + 1

    def add(values: FloatArray) -> FloatArray:
        return np.stack([np.bincount(second, one, minlength=blocks) for one in values.T], axis=1)

    one = np.ones((series.shape[0], 1))
    still, busy = ~active[:, None], active[:, None]
    sums = np.concatenate(
        [add(part) for part in (one, series**2, series, fitted**2, left**2, left)]
        + [add(part) for part in (one * still, one * busy, jerks * still, jerks * busy)],
        axis=1,
    )

    def shares(total: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return variance of the coupling and of all, shape (..., 2) each."""
        count = total[..., :1]
        whole = total[..., 1:3] / count - (total[..., 3:5] / count) ** 2
        rest = total[..., 7:9] / count - (total[..., 9:11] / count) ** 2
        calm = total[..., 13:15] / np.maximum(total[..., 11:12], 1.0)
        more = total[..., 15:17] - calm * total[..., 12:13]
        jerky = np.maximum(more, 0.0) / count
        # what is not in the rest any more, and what of the rest are jerks
        return np.maximum(whole - rest, 0.0) + jerky, whole

    noise = 2.0 * pair.cycles.u_edge_s**2
    rng = np.random.default_rng(_SEED)
    weights = rng.multinomial(blocks, np.full(blocks, 1.0 / blocks), _DRAWS).astype(np.float64)
    own, whole = shares(sums.sum(axis=0))
    drawn, all_drawn = shares(weights @ sums)
    parts = []
    for which in (0, 1):
        total = max(float(whole[which]) - noise, float(own[which]), 1e-30)
        share = float(own[which]) / total
        spread = drawn[:, which] / np.maximum(all_drawn[:, which] - noise, drawn[:, which] + 1e-30)
        low, high = (float(one) for one in np.quantile(spread, (0.025, 0.975)))
        rms_s = float(np.sqrt(own[which]))
        parts.append(Part(rms_s, share, min(low, share), max(high, share)))
    return parts[0], parts[1]


def _running_mean(values: FloatArray) -> FloatArray:
    weights = np.ones(min(_AROUND_CYCLES, values.size))
    total = np.convolve(values, weights, mode="same")
    return np.asarray(total / np.convolve(np.ones(values.size), weights, mode="same"))
