"""One simulated recording with its truth, and the ways to hear it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.simulated import SoundInputModel, TrueEdges, list_edges, render_sound
from benchlog.capture.simulated_filter import FilterKind, impulse_response
from benchlog.channel.design import Design
from benchlog.recording import Gap, Samples, samples_from_array
from benchlog.timing.edges import Edges, edges_from_list, find_edges
from benchlog.timing.pulses import measure_edges
from tests.fault_channels import Bench
from tests.fault_moves import Causes, cycles_of, over_limits, simulate_causes

if TYPE_CHECKING:
    from benchlog.diagnosis.findings import Heard

__all__ = ["Case"]

Values = NDArray[np.float64]

_THROUGH_SOUND = ("clipping", "lost-samples")
_TWO_FAULTS = ("wiper-and-battery", "mixed")
_SHARED = 0.4
"""From this share on either of two faults may stand first."""


@dataclass(frozen=True, eq=False)
class Case:
    """One recording with known truth.

    Attributes
    ----------
    kind : str
        What is wrong, and how.
    seed : int
        What it was drawn from.
    cause : str
        The word that the first finding must have; where two faults are at work, see `accepted`.
    benches : tuple of Bench
        The channels, one an input.
    duration_s : float
        Length of the record in true seconds.
    size : float
        Standard deviation that the fault makes by itself, in units of the limit that it breaks
        first; of healthy cases that of all that moves; NaN for faults without such a size.
    inputs : tuple of TrueEdges
        What each channel puts out.
    causes : tuple of mapping
        What moves in each channel, by cause.
    model : SoundInputModel
        The sound input.
    tick_s : float or None
        Length of a probe's tick where the record is a probe's edge list.
    cuts : tuple of Gap
        Stretches that are cut out of the samples, in seconds of the record before any is cut.
    marked : bool
        Whether the record tells of the cuts.
    faulty : int
        Number of the input at fault, from 1.
    needs_design : bool
        Whether nobody could tell the fault without the design.
    told_supply : bool
        Whether the sidecar has knob angle, supply and temperature.
    sim_seed : int
        Seed of the first channel's simulation; the next one's is one more.
    notes : mapping
        Further figures of what was drawn.
    """

    kind: str
    seed: int
    cause: str
    benches: tuple[Bench, ...]
    duration_s: float
    size: float
    inputs: tuple[TrueEdges, ...]
    causes: tuple[Causes, ...]
    model: SoundInputModel
    tick_s: float | None = None
    cuts: tuple[Gap, ...] = ()
    marked: bool = False
    faulty: int = 1
    needs_design: bool = False
    told_supply: bool = False
    sim_seed: int = 0
    notes: Mapping[str, float] = field(default_factory=dict)

    @property
    def bench(self) -> Bench:
        """The channel at fault."""
        return self.benches[self.faulty - 1]

    @property
    def design(self) -> Design:
        """What is marked on the parts of the channel at fault."""
        return self.bench.design

    @property
    def knob_deg(self) -> float:
        """Where its knob stands."""
        return self.bench.knob_deg

    @property
    def is_probed(self) -> bool:
        """Whether the record is an edge list."""
        return self.tick_s is not None

    @cached_property
    def truth(self) -> dict[str, tuple[Values, Values]]:
        """What each cause by itself does to on and off in each cycle of the faulty channel.

        Seconds against the still channel, shape (n,) each.
        """
        number = self.faulty - 1
        still = self._simulate(number, {})
        alone = {
            cause: self._simulate(number, {cause: moves})
            for cause, moves in self.causes[number].items()
        }
        count = min(one[0].size for one in (still, *alone.values()))
        return {
            cause: (on[:count] - still[0][:count], off[:count] - still[1][:count])
            for cause, (on, off) in alone.items()
        }

    def _simulate(self, number: int, causes: Causes) -> tuple[Values, Values]:
        edges = simulate_causes(
            self.benches[number], causes, self.duration_s, self.sim_seed + number
        )
        return cycles_of(edges)

    @property
    def counted(self) -> str:
        """The figure, ``pulse`` or ``period``, that is more over its limit."""
        on_s, off_s = cycles_of(self.inputs[self.faulty - 1])
        pulse, period = over_limits(on_s, off_s)
        return "pulse" if pulse >= period else "period"

    @property
    def shares(self) -> dict[str, float]:
        """Share of each cause in the sum of the variances of what counts."""
        variances = {
            cause: float(np.var(on if self.counted == "pulse" else on + off))
            for cause, (on, off) in self.truth.items()
        }
        total = sum(variances.values())
        return {cause: one / total for cause, one in variances.items()} if total else {}

    @property
    def accepted(self) -> tuple[str, ...]:
        """The words that the first finding may have."""
        if self.kind not in _TWO_FAULTS:
            return (self.cause,)
        least = min(_SHARED, max(self.shares.values()))
        return tuple(cause for cause, share in self.shares.items() if share >= least)

    @property
    def near_zero_alias(self) -> bool:
        """Whether a mains line seen once a cycle falls within 0.05 Hz of zero."""
        on_s, off_s = cycles_of(self.inputs[self.faulty - 1])
        rate_hz = 1.0 / float(np.mean(on_s + off_s))
        lines = [hz * k for hz in (50.0, 60.0) for k in (1, 2, 3)]
        if self.kind in ("mains-50", "mains-60"):
            lines = [float(self.kind[-2:]) * k for k in (1, 2, 3)]
        return any(abs(hz - rate_hz * round(hz / rate_hz)) < 0.05 for hz in lines)

    def as_sound(self) -> Samples:
        """Render what the sound input records, one column an input."""
        columns = [
            render_sound(edges, self.model, self.duration_s, self.seed * 7 + k)
            for k, edges in enumerate(self.inputs)
        ]
        values = np.stack(columns, axis=1)
        rate_hz = self.model.rate_hz
        gaps: list[Gap] = []
        keep = np.ones(values.shape[0], bool)
        lost_s = 0.0
        for cut in self.cuts:
            first, count = round(cut.start_s * rate_hz), round(cut.length_s * rate_hz)
            keep[first : first + count] = False
            gaps.append(Gap(cut.start_s - lost_s, cut.length_s))
            lost_s += cut.length_s
        samples = samples_from_array(
            values[keep], rate_hz, step=self.model.step_fs, name=f"{self.kind}-{self.seed}"
        )
        return replace(samples, gaps=tuple(gaps)) if self.marked else samples

    def as_edges(self, *, quick: bool = True) -> tuple[Edges, ...]:
        """Return the edges of each input.

        Parameters
        ----------
        quick : bool
            True edges with the noise that such an input leaves on them, where the case can do
            without its sound; a probe's list is the same either way.

        Returns
        -------
        tuple of Edges
            As `find_edges` and `edges_from_list` return them.
        """
        if self.tick_s is not None:
            return tuple(
                edges_from_list(list_edges(one, self.duration_s, tick_s=self.tick_s))
                for one in self.inputs
            )
        if not quick or self.kind in _THROUGH_SOUND:
            return find_edges(self.as_sound())
        return tuple(
            _heard_edges(one, self.model, self.duration_s, self.seed * 7 + k)
            for k, one in enumerate(self.inputs)
        )

    def heard(self, *, quick: bool = True, with_design: bool = False) -> tuple[Heard, ...]:
        """Return what the diagnosis is given, one an input; each with its own design if wanted."""
        from benchlog.diagnosis.findings import Heard

        heard = []
        for number, edges in enumerate(self.as_edges(quick=quick), start=1):
            measurement = measure_edges(edges, input_=number)
            if measurement is None:
                raise AssertionError(f"{self.kind} {self.seed}: input {number} has no pulses")
            bench = self.benches[number - 1]
            heard.append(
                Heard(
                    measurement=measurement,
                    file=f"{self.kind}-{self.seed}",
                    design=bench.design if with_design else None,
                    knob_deg=round(bench.knob_deg) if self.told_supply else None,
                    supply_v=round(bench.supply_v, 2) if self.told_supply else None,
                    temperature_c=round(bench.temperature_c) if self.told_supply else None,
                )
            )
        return tuple(heard)


@lru_cache(maxsize=64)
def _edge_energy(kind: FilterKind, cutoff: float) -> float:
    """Sum over the samples of the squared slope of the unit edge."""
    time, value = impulse_response(kind, cutoff)
    return float(np.sum(value**2) * (time[1] - time[0]))


def _heard_edges(edges: TrueEdges, model: SoundInputModel, duration_s: float, seed: int) -> Edges:
    """Return true edges with the noise that the input leaves on each."""
    energy = _edge_energy(model.filter, model.cutoff)
    noise = math.hypot(model.noise_sd_fs, model.step_fs / math.sqrt(12.0))
    u_s = 1.02 * noise / (model.amplitude * math.sqrt(energy)) / model.rate_hz
    rng = np.random.default_rng(np.random.SeedSequence([seed, 4]))
    stretch = 1.0 + model.clock_ppm * 1e-6
    time_s = edges.time_s * stretch + u_s * rng.standard_normal(edges.time_s.size)
    inside = (time_s > 0) & (time_s < duration_s * stretch)
    time_s = time_s[inside]
    return Edges(
        time_s=time_s,
        rising=edges.level[inside] != model.inverted,
        u_s=np.full(time_s.size, u_s),
        start_s=0.0,
        end_s=round(duration_s * model.true_rate_hz) / model.rate_hz,
        rate_hz=model.rate_hz,
        step=model.amplitude,
        noise=noise,
        energy=energy,
        learned_count=min(time_s.size, 1400),
        coupling_hz=model.corners_hz,
        name="simulated",
        share=1.0 + noise / model.amplitude * rng.standard_normal(time_s.size),
    )
