"""What an input hears: a pulse, the room, hum from an open lead, nothing, or too much.

A train of pulses is told from everything else by its structure, not by its loudness: steps of one
height that go up and down in turn, two widths, a steady period, and nearly all of
what is recorded explained by the wave that such steps make behind a coupling. Speech and
music have steps too, but none of the rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.recording import Samples, samples_from_array
from benchlog.timing.coupling_fit import fit_coupling, thin
from benchlog.timing.edges import Edges, find_edges
from benchlog.timing.gain_control import find_gain_control, level_out, step_heights
from benchlog.timing.hum import find_hum
from benchlog.timing.wave import ideal_curve, lay_wave

__all__ = ["Evidence", "Hearing", "Kind", "hear", "hear_values"]

Kind = Literal["pulse", "room", "hum", "nothing", "too much"]

_STRUCTURE_RATE_HZ = 12000.0
_STRUCTURE_S = 4.0
_FEWEST_EDGES = 6
_NEARBY = 31
_ALTERNATING = 0.85
_HEIGHT_SCATTER = 0.25
_WIDTH_SCATTER = 0.25
_PERIOD_SCATTER = 0.08
_PERIOD_S = (0.002, 0.25)
_EXPLAINED = 0.75
_HUM_SHARE = 0.6
_SILENCE = 2e-4
_ONE_STEP = 3.2e-5
_FLAT = 0.25
_FULL_SCALE = 0.985
_RAIL_SHARE = 1e-3
_ALL_RAILS = 0.9
_REST_NOTICED = 4.0

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Evidence:
    """The numbers behind a verdict.

    Attributes
    ----------
    mean : float
        Of the samples, units of full scale.
    rms : float
        Of the samples about their mean, units of full scale.
    peak : float
        The largest sample, units of full scale.
    rail_share : float
        Share of the samples at the ends of the scale.
    edge_count : int
        Steps that were found.
    alternating : float
        Share of neighbouring steps that go opposite ways; 0 without steps.
    height_scatter, width_scatter, period_scatter : float
        How far the usual step's height, width and period differ from the middle one,
        as a share of it; 1 where it cannot be told.
    period_s : float
        The middle period; 0 where there is none.
    explained : float
        Share of the recording (noise left out) that a train of pulses explains; 0 where none was
        looked for.
    hum_hz : float or None
        The mains frequency, where hum stands out.
    hum_share : float
        Share of the recording's power that is hum.
    flatness : float
        1 for hiss that is the same at all frequencies, near 0 for tones and rumble.
    unrest_db : float
        How much the loudness changes from one tenth of a second to another.
    """

    mean: float
    rms: float
    peak: float
    rail_share: float
    edge_count: int
    alternating: float
    height_scatter: float
    width_scatter: float
    period_scatter: float
    period_s: float
    explained: float
    hum_hz: float | None
    hum_share: float
    flatness: float
    unrest_db: float


@dataclass(frozen=True, slots=True, eq=False)
class Hearing:
    """What one input hears.

    Attributes
    ----------
    kind : str
        ``pulse``, ``room``, ``hum``, ``nothing`` or ``too much``.
    evidence : Evidence
        Why.
    edges : Edges
        The steps that were found.
    """

    kind: Kind
    evidence: Evidence
    edges: Edges


@dataclass(frozen=True, slots=True)
class _Structure:
    """What the steps look like as a train."""

    edge_count: int
    alternating: float
    height_scatter: float
    width_scatter: float
    period_scatter: float
    period_s: float

    @property
    def is_train(self) -> bool:
        """Whether the steps could be a train of pulses."""
        return (
            self.edge_count >= _FEWEST_EDGES
            and self.alternating >= _ALTERNATING
            and self.height_scatter <= _HEIGHT_SCATTER
            and self.width_scatter <= _WIDTH_SCATTER
            and self.period_scatter <= _PERIOD_SCATTER
            and _PERIOD_S[0] <= self.period_s <= _PERIOD_S[1]
        )


def hear(samples: Samples) -> tuple[Hearing, ...]:
    """Say what each input of a recording hears.

    Parameters
    ----------
    samples : Samples
        Some seconds; all are read into memory.

    Returns
    -------
    tuple of Hearing
        One an input.

    Raises
    ------
    RecordingError
        From the source, while it is read.
    """
    blocks = list(samples.blocks())
    table = np.concatenate(blocks) if blocks else np.zeros((0, samples.input_count), np.float32)
    return tuple(
        hear_values(np.ascontiguousarray(table[:, column]), samples.rate_hz)
        for column in range(samples.input_count)
    )


def hear_values(values: NDArray[np.floating], rate_hz: float) -> Hearing:
    """Say what one input hears.

    Parameters
    ----------
    values : numpy.ndarray
        Samples, full scale at ±1, shape (n,).
    rate_hz : float
        Samples per second.

    Returns
    -------
    Hearing
        With its reasons in numbers; ``nothing`` for an empty recording.
    """
    (edges,) = find_edges(samples_from_array(values, rate_hz))
    table = np.asarray(values, dtype=np.float64)
    structure = _structure(table, edges, rate_hz)
    explained = _explained(table, edges, rate_hz) if structure.is_train else 0.0
    evidence = _evidence(table, rate_hz, structure, explained)
    return Hearing(_name(evidence, structure), evidence, edges)


def _name(evidence: Evidence, structure: _Structure) -> Kind:
    """Give what is heard its name."""
    if structure.is_train and evidence.explained >= _EXPLAINED:
        return "too much" if evidence.rail_share > _RAIL_SHARE else "pulse"
    if evidence.rail_share > _ALL_RAILS and evidence.edge_count < _FEWEST_EDGES:
        return "too much"
    if evidence.rms < _ONE_STEP:
        return "nothing"
    if evidence.hum_hz is not None and evidence.hum_share >= _HUM_SHARE:
        return "hum"
    hiss = evidence.flatness > _FLAT and evidence.unrest_db < _REST_NOTICED
    return "nothing" if evidence.rms < _SILENCE and hiss else "room"


def _structure(values: FloatArray, edges: Edges, rate_hz: float) -> _Structure:
    """Look at steps as a train: heights, directions, widths, periods."""
    time_s, rising = edges.time_s, edges.rising
    count = int(time_s.shape[0])
    if count < _FEWEST_EDGES:
        return _Structure(count, 0.0, 1.0, 1.0, 1.0, 0.0)
    turns = rising[1:] != rising[:-1]
    length = np.diff(time_s)
    state = [length[turns & (rising[:-1] == level)] for level in (True, False)]
    shorter = min(state, key=lambda one: float(np.median(one)) if one.shape[0] else np.inf)
    period = np.diff(time_s[rising])
    height = step_heights(values, time_s, rate_hz)
    return _Structure(
        edge_count=count,
        alternating=float(np.mean(turns)),
        height_scatter=max(_evenness(height[rising]), _evenness(height[~rising])),
        width_scatter=_evenness(shorter),
        period_scatter=_spread(period),
        period_s=float(np.median(period)) if period.shape[0] else 0.0,
    )


def _evenness(size: FloatArray) -> float:
    """Return the scatter of sizes about the usual one nearby: gain and knob may move slowly."""
    known = size[np.isfinite(size)]
    if known.shape[0] < _FEWEST_EDGES // 2:
        return 1.0
    reach = min(_NEARBY, known.shape[0])
    nearby = np.median(np.lib.stride_tricks.sliding_window_view(known, reach), axis=1)
    lead = (known.shape[0] - nearby.shape[0]) // 2
    middle = np.pad(nearby, (lead, known.shape[0] - nearby.shape[0] - lead), mode="edge")
    return min(1.0, float(np.quantile(np.abs(known / np.maximum(middle, 1e-12) - 1.0), 0.75)))


def _spread(lengths: FloatArray) -> float:
    """Return within what share of the middle one three quarters of the values lie."""
    if lengths.shape[0] < 2:
        return 1.0
    middle = float(np.median(lengths))
    if not middle > 0:
        return 1.0
    return min(1.0, float(np.quantile(np.abs(lengths - middle), 0.75)) / middle)


def _explained(values: FloatArray, edges: Edges, rate_hz: float) -> float:
    """Return the share of a recording that the wave of its steps explains, noise left out."""
    factor = max(1, round(rate_hz / _STRUCTURE_RATE_HZ))
    count = min(values.shape[0], round(_STRUCTURE_S * rate_hz)) // factor * factor
    place = edges.time_s * rate_hz
    mine = place < count
    if np.count_nonzero(mine) < _FEWEST_EDGES:
        return 0.0
    wave = lay_wave(place[mine], edges.rising[mine], count, ideal_curve())
    track = find_gain_control(values, edges.time_s, rate_hz)
    thinned = thin(level_out(values, track, rate_hz)[:count], factor)
    hum = find_hum(thinned, rate_hz / factor)
    fit = fit_coupling(thinned, wave, rate_hz, factor, most_stages=1)
    if fit.explained < _EXPLAINED and hum.fundamental_hz is not None:
        fit = fit_coupling(
            thinned, wave, rate_hz, factor, hum_hz=hum.fundamental_hz, harmonics=3, most_stages=1
        )
    # second differences tell white noise apart from everything that lasts
    curve = np.diff(thinned, n=2)
    noise = (1.4826 * float(np.median(np.abs(curve)))) ** 2 / 6.0
    whole = fit.rest_squares / max(1.0 - fit.explained, 1e-12) / thinned.shape[0]
    rest = max(fit.rest_squares / thinned.shape[0] - noise, 0.0)
    return float(np.clip(1.0 - rest / max(whole - noise, 1e-18), 0.0, 1.0))


def _evidence(
    values: FloatArray, rate_hz: float, structure: _Structure, explained: float
) -> Evidence:
    """Gather the numbers."""
    if values.shape[0] == 0:
        return Evidence(0.0, 0.0, 0.0, 0.0, 0, 0.0, 1.0, 1.0, 1.0, 0.0, 0.0, None, 0.0, 0.0, 0.0)
    power = float(values.var())
    factor = max(1, round(rate_hz / _STRUCTURE_RATE_HZ))
    hum = find_hum(thin(values, factor), rate_hz / factor)
    peak = float(np.abs(values).max())
    rails = float(np.mean(np.abs(values) >= peak - 1e-4)) if peak >= _FULL_SCALE else 0.0
    return Evidence(
        mean=float(values.mean()),
        rms=float(np.sqrt(power)),
        peak=peak,
        rail_share=rails,
        edge_count=structure.edge_count,
        alternating=structure.alternating,
        height_scatter=structure.height_scatter,
        width_scatter=structure.width_scatter,
        period_scatter=structure.period_scatter,
        period_s=structure.period_s,
        explained=explained,
        hum_hz=hum.fundamental_hz,
        hum_share=min(1.0, hum.rms**2 / power) if power > 0 else 0.0,
        flatness=_flatness(values, rate_hz),
        unrest_db=_unrest_db(values, rate_hz),
    )


def _flatness(values: FloatArray, rate_hz: float) -> float:
    """Return how even the power is spread from 40 Hz to a third of the rate.

    The geometric over the arithmetic mean of the power in thirds of an octave (spectral
    flatness, common practice); per hertz, so that white noise gives 1.
    """
    size = min(values.shape[0], 1 << 15)
    if size < 1024:
        return 1.0
    count = values.shape[0] // size
    table = values[: count * size].reshape(count, size)
    table = (table - table.mean(axis=1, keepdims=True)) * np.hanning(size)
    power = (np.abs(np.fft.rfft(table, axis=1)) ** 2).mean(axis=0)
    hertz = np.fft.rfftfreq(size, 1.0 / rate_hz)
    bounds = np.geomspace(40.0, rate_hz / 3.0, 28)
    bands = [power[(hertz >= a) & (hertz < b)] for a, b in pairwise(bounds)]
    means = np.array([float(band.mean()) for band in bands if band.shape[0]])
    if not means.max() > 0:
        return 1.0
    return float(np.exp(np.mean(np.log(means + 1e-12 * means.max()))) / means.mean())


def _unrest_db(values: FloatArray, rate_hz: float) -> float:
    """Return the spread of loudness between tenths of a second, 10th to 90th percentile."""
    size = max(1, round(0.1 * rate_hz))
    count = values.shape[0] // size
    if count < 4:
        return 0.0
    power = values[: count * size].reshape(count, size).var(axis=1)
    low, high = np.quantile(power, [0.1, 0.9])
    return float(10.0 * np.log10((high + 1e-12) / (low + 1e-12)))
