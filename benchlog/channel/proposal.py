"""Parts for a channel from nothing: values that are made, ranked by how surely they serve."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.aim import Aim
from benchlog.channel.built_ends import TRIMMER_TOLERANCE, Ends, find_ends, set_trimmers
from benchlog.channel.circuit import FAMILIES
from benchlog.channel.diode import MODELS, NO_DIODE, TYPE_SPREAD
from benchlog.channel.knob import Knob
from benchlog.channel.parts import DEFAULT_TOLERANCES, Part
from benchlog.channel.plan import Design, Limits
from benchlog.channel.prediction import predict_cycle
from benchlog.channel.preferred import values_between
from benchlog.channel.proposal_values import (
    CAPACITOR_F,
    KNOB_OHM,
    choose_resistor,
    choose_trimmer,
    least_on_ohm,
    most_path_ohm,
)
from benchlog.channel.servo import Servo
from benchlog.channel.unknowns import draw_builds, list_unknowns
from benchlog.errors import DesignError
from benchlog.units import format_value

__all__ = ["NEAR", "Proposal", "Trimmed", "propose_parts"]

Values = NDArray[np.float64]

NEAR = 0.1
"""How near to a wanted end a pulse reaches it, as a share of the way between the ends."""

_SEED = 24
_DRAWN = 1500
_FINALISTS = 16
_ROUNDS = 12
_LEAST_SHARE = 0.005  # up to it a share reads 0 %
_FAR = 0.25  # of the span, that common parts may miss it by, to be worth a thought


@dataclass(frozen=True, slots=True)
class Trimmed:
    """A fixed resistor with a trimmer in series, ohms."""

    fixed_ohm: float
    trimmer_ohm: float

    @property
    def middle_ohm(self) -> float:
        """The resistance with the trimmer at its middle."""
        return self.fixed_ohm + self.trimmer_ohm / 2


@dataclass(frozen=True, slots=True)
class Proposal:
    """Parts for a channel, and what they do.

    Attributes
    ----------
    r_on, r_knob, r_off, c_timing : Part
        The parts.
    low_s, high_s, period_s : float
        What they give as marked: the shortest and the longest pulse, and the period at the
        middle of the knob; seconds.
    low_band_s, high_band_s, period_band_s : tuple of float
        Between which 95 of 100 such channels lie, seconds.
    period_ends_s : tuple of float
        Shortest and longest period over the knob, of the marked parts, seconds.
    share : float
        The share of such channels that keep within the servo's range over the whole knob, come
        near both wanted ends (`NEAR`) and keep the period.
    share_safe : float
        The share that keep within the servo's range.
    on_trimmed, off_trimmed : Trimmed
        What to put in place of `r_on` and `r_off` to trim the tolerances out.
    share_trimmed : float
        As `share`, with these two set to the shortest pulse and to the period.
    """

    r_on: Part
    r_knob: Part
    r_off: Part
    c_timing: Part
    low_s: float
    high_s: float
    period_s: float
    low_band_s: tuple[float, float]
    high_band_s: tuple[float, float]
    period_band_s: tuple[float, float]
    period_ends_s: tuple[float, float]
    share: float
    share_safe: float
    on_trimmed: Trimmed
    off_trimmed: Trimmed
    share_trimmed: float

    @property
    def parts(self) -> tuple[Part, ...]:
        """The four parts: r_on, r_knob, r_off, c_timing."""
        return (self.r_on, self.r_knob, self.r_off, self.c_timing)

    @property
    def may_serve(self) -> bool:
        """Whether more than one such channel in two hundred serves, trimmed or not."""
        return max(self.share, self.share_trimmed) > _LEAST_SHARE


def propose_parts(
    aim: Aim,
    *,
    servo: Servo,
    supply_v: float,
    family: str = "ideal",
    diode: str = "1N4148",
    supply_tolerance: float = 0.0,
    tolerances: Mapping[str, float] | None = None,
    held: Mapping[str, float] | None = None,
    knob: Knob | None = None,
    most: int = 5,
) -> tuple[Proposal, ...]:
    """Propose parts that give wanted pulses and a wanted period.

    Parameters
    ----------
    aim : Aim
        The ends and the period, which must be given: it holds at the middle of the knob.
    servo : Servo
        The servo, whose range the pulses must not leave.
    supply_v : float
        Supply, volts.
    family : {"ideal", "bipolar", "cmos"}
        The timer's family.
    diode : str
        The steering diode's type, or ``"none"``.
    supply_tolerance : float
        Half-width of the supply as a fraction.
    tolerances : mapping of str to float, optional
        Half-widths by part, as fractions; `DEFAULT_TOLERANCES` for the rest.
    held : mapping of str to float, optional
        Parts that are there already, by name, ohms or farads.
    knob : Knob, optional
        Its travel and taper, if they are known already.
    most : int
        How many proposals at most, at least 1.

    Returns
    -------
    tuple of Proposal
        The surest first, by `share` and then by how near the marked parts come to the aim; those
        that hardly ever serve are left out, but for the first: at least one.

    Raises
    ------
    DesignError
        The aim cannot be met by parts as they are made; one line says why.
    ValueError
        `most` is below 1, or the aim has no period.

    Notes
    -----
    For each capacitor (E6, 1 nF to 1 uF) and each usual knob r_on and r_off are solved in the
    circuit's own model, the diode's drop included, then taken from E12 or, where that is too
    coarse, E24 (IEC 60063).
    """
    if most < 1 or aim.period_s is None:
        raise ValueError("most must be at least 1, and the aim must have a period")
    _check_servo(aim, servo)
    spread = {**DEFAULT_TOLERANCES, **(tolerances or {})}
    design = Design(
        channel="proposal",
        supply=Part("supply", supply_v, supply_tolerance, "V"),
        timer=FAMILIES[family],
        # values of a first guess; they are replaced
        r_on=Part("r_on", 33e3, spread["r_on"], "ohm"),
        r_knob=Part("r_knob", 100e3, spread["r_knob"], "ohm"),
        r_off=Part("r_off", 820e3, spread["r_off"], "ohm"),
        c_timing=Part("c_timing", 22e-9, spread["c_timing"], "F"),
        diode=NO_DIODE if diode == "none" else MODELS[diode],
        diode_model=diode,
        diode_tolerance=TYPE_SPREAD.get(diode, 0.0),
        knob=knob or Knob(270.0),
        servo=servo,
        limits=Limits(),
        temperature_c=27.0,
    )
    options = _list_options(design, aim, held or {})
    # all with the same chance, so that differences are the parts' own
    judged = [
        _judge(design, aim, option, np.random.default_rng(_SEED)) for option in options[:_FINALISTS]
    ]
    judged.sort(key=lambda one: _rank(one, aim))
    best = judged[:most]
    trimmed = [_with_trimmers(design, aim, one, np.random.default_rng(_SEED + 1)) for one in best]
    return tuple(one for one in trimmed if one.may_serve) or (trimmed[0],)


def _check_servo(aim: Aim, servo: Servo) -> None:
    """Refuse an aim that drives the servo past its stops."""
    if aim.low_s >= servo.pulse_min_s and aim.high_s <= servo.pulse_max_s:
        return
    low, high = servo.pulse_min_s * 1e6, servo.pulse_max_s * 1e6
    raise DesignError(
        f"an aim of {aim.low_s * 1e6:g} to {aim.high_s * 1e6:g} µs for a servo that follows "
        f"{low:g} to {high:g} µs",
        expected="an aim within the servo's range: past it the servo pushes on its stop and heats",
        attempt=f"an aim of {low + 0.05 * (high - low):.0f} to {high - 0.05 * (high - low):.0f} µs",
    )


Option = dict[str, float]


def _list_options(design: Design, aim: Aim, held: Mapping[str, float]) -> list[Option]:
    """Return sets of part values, those first whose marked parts come nearest to the aim."""
    capacitors = (held["c_timing"],) if "c_timing" in held else CAPACITOR_F
    knobs = (held["r_knob"],) if "r_knob" in held else KNOB_OHM
    pairs = np.array(list(itertools.product(knobs, capacitors)))
    knob, c = pairs.T
    r_on, r_off, ends = _solve(design, aim, knob, c, held)
    span_s = aim.high_s - aim.low_s
    miss = np.abs((ends.high_s - ends.low_s) / span_s - 1.0)
    least, most = (
        least_on_ohm(design.timer, design.supply.value),
        most_path_ohm(design.timer, design.supply.value),
    )
    sound = (r_on >= least) & (r_off >= 1e3) & (r_on + knob + r_off <= most)
    usable = np.isfinite(miss) & sound
    if not usable.any():
        raise _refuse(aim, design, held)
    wide = miss if held else np.where(miss <= _FAR, miss, np.inf)
    if not np.isfinite(wide[usable]).any():
        raise _refuse(aim, design, held)
    options: list[tuple[float, Option]] = []
    for k in np.flatnonzero(usable & np.isfinite(wide)):
        off_ohm = held.get("r_off", choose_resistor(float(r_off[k]), 0.4 * aim.period_within))
        for on_ohm in _list_on(float(r_on[k]), held):
            option = {
                "r_on": on_ohm,
                "r_knob": float(knob[k]),
                "r_off": off_ohm,
                "c_timing": float(c[k]),
            }
            options.append((float(wide[k]), option))
    options.sort(key=lambda one: one[0])
    return [option for _, option in options]


def _list_on(wanted_ohm: float, held: Mapping[str, float]) -> tuple[float, ...]:
    """Return the values of r_on to try: its neighbours as well where there is no other choice."""
    if "r_on" in held:
        return (held["r_on"],)
    best = choose_resistor(wanted_ohm, 0.02)
    if not {"r_knob", "c_timing"}.issubset(held):
        return (best,)
    near = values_between(best / 1.12, best * 1.12, "E24")
    return (best, *(one for one in near if abs(one / best - 1.0) > 0.01))


def _refuse(aim: Aim, design: Design, held: Mapping[str, float]) -> DesignError:
    """Return the error for an aim that no usual parts meet."""
    supply_v = design.supply.value
    least, most = least_on_ohm(design.timer, supply_v), most_path_ohm(design.timer, supply_v)
    named = f" with the {' and '.join(sorted(held))} given" if held else ""
    period_ms = (aim.period_s or 0.0) * 1e3
    attempt = "a period of some 20 ms, ends further apart" + (", or other parts" if held else "")
    if not design.diode.conducts:
        attempt = "a steering diode: without one the pulse is longer than the pause"
    return DesignError(
        f"no usual parts{named} give {aim.low_s * 1e6:g} to {aim.high_s * 1e6:g} µs every "
        f"{period_ms:g} ms at {supply_v:g} V",
        expected=f"an aim that usual capacitors and knobs come to, with r_on of at least "
        f"{format_value(least, 'ohm', 2)} and no more than {format_value(most, 'ohm', 2)} in all",
        attempt=attempt,
    )


def _solve(
    design: Design, aim: Aim, knob: Values, c: Values, held: Mapping[str, float]
) -> tuple[Values, Values, Ends]:
    """Return r_on that centres the pulses on the aim and r_off that makes the period.

    The misses at both ends are made equal; where a knob reaches too far, both are.
    """
    assert aim.period_s is not None
    charge = np.log(2.0) * c  # the ideal circuit's, without a diode's drop
    r_on = np.full_like(c, held.get("r_on", 0.0)) if "r_on" in held else aim.low_s / charge
    pause_s = aim.period_s - (aim.low_s + aim.high_s) / 2
    r_off = np.full_like(c, held["r_off"]) if "r_off" in held else pause_s / charge - knob / 2
    r_off = np.maximum(r_off, 1e3)
    middle_s = (aim.low_s + aim.high_s) / 2
    ends = Ends(c, c, c)
    for _ in range(_ROUNDS):
        builds = {"r_on": r_on, "r_knob": knob, "r_off": r_off, "c_timing": c}
        ends = find_ends(design, builds)
        with np.errstate(invalid="ignore"):
            slope = (ends.high_s - ends.low_s) / knob
            if "r_on" not in held:
                moved = r_on + (middle_s - (ends.low_s + ends.high_s) / 2) / slope
                r_on = np.where(np.isfinite(moved), np.maximum(moved, 100.0), 2.0 * r_on)
            if "r_off" not in held:
                moved = r_off + (aim.period_s - ends.period_s) / charge
                r_off = np.where(np.isfinite(moved), np.maximum(moved, 100.0), r_off / 2)
    return r_on, r_off, ends


def _replaced(design: Design, option: Option) -> Design:
    """Return the design with other part values."""
    parts = {
        name: dataclasses.replace(getattr(design, name), value=float(value))
        for name, value in option.items()
    }
    return dataclasses.replace(design, **parts)


def _shares(ends: Ends, aim: Aim, servo: Servo) -> tuple[float, float]:
    """Return the share of builds that serve, and that keep within the servo's range."""
    near = dataclasses.replace(aim, within_s=NEAR * (aim.high_s - aim.low_s))
    with np.errstate(invalid="ignore"):
        safe = (ends.low_s >= servo.pulse_min_s) & (ends.high_s <= servo.pulse_max_s)
    return float(np.mean(safe & ends.meet(near))), float(np.mean(safe))


def _judge(design: Design, aim: Aim, option: Option, source: np.random.Generator) -> Proposal:
    """Return what a set of parts does; its trimmers are chosen later."""
    chosen = _replaced(design, option)
    marked = find_ends(chosen, {name: np.array([value]) for name, value in option.items()})
    ends = find_ends(chosen, draw_builds(list_unknowns(chosen), _DRAWN, source))
    share, share_safe = _shares(ends, aim, design.servo)

    def band(values: Values) -> tuple[float, float]:
        low, high = np.nanquantile(values, (0.025, 0.975))
        return float(low), float(high)

    nothing = Trimmed(0.0, 0.0)
    return Proposal(
        r_on=chosen.r_on,
        r_knob=chosen.r_knob,
        r_off=chosen.r_off,
        c_timing=chosen.c_timing,
        low_s=float(marked.low_s[0]),
        high_s=float(marked.high_s[0]),
        period_s=float(marked.period_s[0]),
        low_band_s=band(ends.low_s),
        high_band_s=band(ends.high_s),
        period_band_s=band(ends.period_s),
        period_ends_s=_period_ends(chosen),
        share=share,
        share_safe=share_safe,
        on_trimmed=nothing,
        off_trimmed=nothing,
        share_trimmed=0.0,
    )


def _period_ends(design: Design) -> tuple[float, float]:
    """Return the shortest and the longest period over the knob."""
    period_s = predict_cycle(design, np.linspace(0.0, design.knob.travel_deg, 13)).period_s
    return float(period_s.min()), float(period_s.max())


def _with_trimmers(
    design: Design, aim: Aim, proposal: Proposal, source: np.random.Generator
) -> Proposal:
    """Add fixed resistors with trimmers that take the tolerances up, and what they bring."""
    values = {part.name: part.value for part in proposal.parts}
    chosen = _replaced(design, values)
    c, knob = chosen.c_timing.tolerance, chosen.r_knob
    # what the other parts' tolerances ask of r_on and r_off, the levels and the diode included
    on = Trimmed(*choose_trimmer(proposal.r_on.value, c + proposal.r_on.tolerance + 0.05))
    knob_share = knob.tolerance * knob.value / 2 / proposal.r_off.value
    off = Trimmed(
        *choose_trimmer(proposal.r_off.value, c + proposal.r_off.tolerance + knob_share + 0.02)
    )
    builds = draw_builds(list_unknowns(chosen), _DRAWN, source)
    ranges = {}
    for part, trimmed in (("r_on", on), ("r_off", off)):
        tolerance = getattr(chosen, part).tolerance
        fixed = trimmed.fixed_ohm * (1.0 + tolerance * source.uniform(-1.0, 1.0, _DRAWN))
        turn = trimmed.trimmer_ohm * (1.0 + TRIMMER_TOLERANCE * source.uniform(-1.0, 1.0, _DRAWN))
        ranges[part] = (fixed, fixed + turn)
    ends = find_ends(chosen, set_trimmers(chosen, builds, aim, ranges, source))
    share, _ = _shares(ends, aim, design.servo)
    return dataclasses.replace(proposal, on_trimmed=on, off_trimmed=off, share_trimmed=share)


def _rank(proposal: Proposal, aim: Aim) -> tuple[float, float, float]:
    """Return what proposals are ranked by: the share, then the marked parts, then common knobs."""
    usual = abs(np.log10(proposal.r_knob.value / 100e3))
    return (-round(proposal.share / 0.03), round(_nearness(proposal, aim), 2), float(usual))


def _nearness(proposal: Proposal, aim: Aim) -> float:
    """Return how far the marked parts are from the aim, in units of the way between its ends."""
    span_s = aim.high_s - aim.low_s
    return max(abs(proposal.low_s - aim.low_s), abs(proposal.high_s - aim.high_s)) / span_s
