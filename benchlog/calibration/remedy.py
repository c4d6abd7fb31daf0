"""What to change in a channel so that it reaches its aim, and how surely it does then."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.remedy_search import (
    PARTS,
    list_candidates,
    solve_values,
)
from benchlog.calibration.remedy_steps import (
    Found,
    Step,
    apply_steps,
    draw_found,
    list_trimmed,
    restoring_steps,
    wiring_steps,
)
from benchlog.calibration.remedy_text import (
    After,
    describe_remedy,
    describe_rest,
    describe_step,
    describe_values,
)
from benchlog.channel.aim import Aim, design_aim, servo_aim
from benchlog.channel.built_ends import find_ends, set_trimmers, try_builds
from benchlog.channel.plan import Design
from benchlog.channel.prediction import Position

__all__ = [
    "Aim",
    "Change",
    "Remedy",
    "design_aim",
    "explain_reach",
    "meet_share",
    "propose_remedies",
    "servo_aim",
]

Values = NDArray[np.float64]

MARKS = 13
"""Knob positions of the table that would result."""

_SEED = 63  # the number of the standard of preferred values
_SIFTED, _TRIED, _CLAIMED, _BANDED = 300, 1000, 8000, 600
"""Builds for the rough sifting, for choosing, for the claim, for the table's band."""
_FINALISTS = 4
_GOOD = 0.9
"""With fixed parts that good, no trimmer is put in."""
_FAIR = 0.5
"""With two parts that good, no third is changed."""
_ENOUGH = 0.97
"""With so many builds meeting the aim already, there is nothing to remedy."""
_WORTH = 0.02
"""By how much a remedy must raise the share."""
_MORE = 0.05
"""By how much one more change must raise it."""


@dataclass(frozen=True, slots=True)
class Change:
    """One change to one part.

    Attributes
    ----------
    part : str
        ``r_on``, ``r_knob``, ``r_off``, ``c_timing``, ``diode``, ``timer`` or ``knob``.
    before, after : float
        What the part is and becomes, all together where another stands beside it, in `unit`;
        0 where a figure says nothing.
    unit : str
        ``"ohm"``, ``"F"`` or ``""``.
    how : {"value", "trimmer", "rewire"}
        Another part or one more; a trimmer to be set; or wires to be changed.
    text : str
        What to do, in words.
    new : float
        The part to put in, in `unit`: beside a trimmer the fixed resistor; 0 for none.
    place : {"", "instead", "series", "parallel"}
        Where it goes.
    trimmer_ohm : float
        The trimmer in series with it, ohms; 0 for none.
    """

    part: str
    before: float
    after: float
    unit: str
    how: Literal["value", "trimmer", "rewire"]
    text: str
    new: float = 0.0
    place: Literal["", "instead", "series", "parallel"] = ""
    trimmer_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class Remedy:
    """Some changes, and what comes of them.

    Attributes
    ----------
    changes : tuple of Change
        At least one.
    text : str
        What to do and what it brings, in sentences.
    share : float
        The share of builds, among those that are possible, that then meet the aim: 0 to 1.
    positions : tuple of Position
        The table that would result, at 13 marks over the knob; the pulse's band holds 95 %.
    """

    changes: tuple[Change, ...]
    text: str
    share: float
    positions: tuple[Position, ...]


def propose_remedies(
    design: Design, aim: Aim, found: Found | None = None, *, most: int = 3
) -> tuple[Remedy, ...]:
    """Propose what to change so that a channel reaches its aim.

    Parameters
    ----------
    design : Design
        The design.
    aim : Aim
        The wanted ends and period.
    found : Identification, optional
        The parts as a sweep shows them; without it, parts anywhere within tolerance.
    most : int
        How many remedies at most, at least 1.

    Returns
    -------
    tuple of Remedy
        Fewest changes first, then the largest share, one for each set of parts. Those that
        reach less than half of the best share are left out, but for putting the wrong part right,
        which comes first. Empty where the channel meets the
        aim as it is, or nothing with one or two parts helps: `explain_reach` tells.

    Raises
    ------
    ValueError
        `most` is below 1.

    Notes
    -----
    New parts are E24 resistors, E12 capacitors (IEC 60063) and usual knobs, each with a tolerance
    of its own: the design's for that part. They are sifted in first order, chosen on 1000 builds
    and judged on 8000 others in the circuit's own model, so that choosing the best does not
    flatter it. Trimmers are set to the shortest pulse and to the period.
    """
    if most < 1:
        raise ValueError(f"most must be at least 1, got {most}")
    source = np.random.default_rng(_SEED)
    wiring = wiring_steps(design, found)
    trial = draw_found(design, found, _TRIED, source)
    now = _share(design, aim, trial, wiring, source)
    if now >= _ENOUGH and not wiring:
        return ()
    options = _sift(design, aim, found, wiring, source, trimmers=False, parts=(1, 2))
    judged = [(_share(design, aim, trial, steps, source), steps) for steps in options]
    for trimmers, count, enough in ((True, 2, _GOOD), (False, 3, _FAIR), (True, 3, _FAIR)):
        if max((share for share, _ in judged), default=0.0) < enough:
            options = _sift(
                design,
                aim,
                found,
                wiring,
                source,
                trimmers=trimmers,
                parts=(1, 2) if count == 2 else (3,),
            )
            judged += [(_share(design, aim, trial, steps, source), steps) for steps in options]
    restored = wiring or restoring_steps(design, aim, found)
    if restored:
        judged.append((_share(design, aim, trial, restored, source), restored))
    worth = [one for one in judged if wiring or one[0] >= now + _WORTH]
    return tuple(
        _work_out(design, aim, found, steps, source) for steps in _pick(worth, most, restored)
    )


def _share(
    design: Design,
    aim: Aim,
    drawn: Mapping[str, Values],
    steps: Sequence[Step],
    source: np.random.Generator,
) -> float:
    """Return the share of builds that meet an aim after some steps."""
    return float(np.mean(find_ends(design, _changed(design, aim, drawn, steps, source)).meet(aim)))


def _changed(
    design: Design,
    aim: Aim,
    drawn: Mapping[str, Values],
    steps: Sequence[Step],
    source: np.random.Generator,
) -> dict[str, Values]:
    """Return builds after some steps, trimmers set."""
    builds, ranges = apply_steps(design, steps, drawn, source)
    return set_trimmers(design, builds, aim, ranges, source) if ranges else builds


def _sift(
    design: Design,
    aim: Aim,
    found: Found | None,
    wiring: tuple[Step, ...],
    source: np.random.Generator,
    *,
    trimmers: bool,
    parts: tuple[int, ...],
) -> list[tuple[Step, ...]]:
    """Return the most promising changes of each number of parts, roughly judged."""
    drawn, _ = apply_steps(design, wiring, draw_found(design, found, _SIFTED, source), source)
    centre = {name: float(np.median(one)) for name, one in drawn.items()}
    trimmed = list_trimmed(design, aim)
    put_in = {step.part for step in wiring}
    free = [part for part in _changeable(aim) if part not in put_in]
    sets = [one for count in parts for one in itertools.combinations(free, count)]
    sets = [one for one in sets if not {"r_knob", "knob_shunt"}.issubset(one)]
    if max(parts) == 3:  # ends and period each have one resistor; the capacitor has all of them
        sets = [one for one in sets if "c_timing" not in one]
    if trimmers:
        sets = [one for one in sets if {"r_on", "r_off"}.difference(trimmed).intersection(one)]
    elif trimmed and 1 in parts:
        sets.insert(0, ())
    if not sets:
        return []
    wanted = [tuple(dict.fromkeys((*one, *trimmed))) for one in sets]
    finalists: dict[int, list[tuple[float, tuple[Step, ...]]]] = {}
    for changed, solved in zip(sets, solve_values(design, centre, aim, wanted), strict=True):
        if np.isfinite(solved.miss):
            candidates = list_candidates(
                design, aim, drawn, changed, solved, source, trimmers=trimmers
            )
            finalists.setdefault(len(changed), []).extend(candidates[:2])
    return [
        (*wiring, *steps)
        for group in finalists.values()
        for share, steps in sorted(group, key=lambda one: -one[0])[:_FINALISTS]
        if share > 0.0 and steps
    ]


def _changeable(aim: Aim) -> tuple[str, ...]:
    """Return the parts that may be changed for an aim: r_off serves the period alone."""
    return tuple(part for part in PARTS if part != "r_off" or aim.period_s is not None)


def _pick(
    judged: Sequence[tuple[float, tuple[Step, ...]]], most: int, restored: tuple[Step, ...]
) -> list[tuple[Step, ...]]:
    """Return the remedies to show: the best of each set of parts, the simplest first."""
    best: dict[frozenset[str], tuple[float, tuple[Step, ...]]] = {}
    for share, steps in judged:
        key = frozenset(step.part for step in steps)
        if key not in best or _merit(share, steps) > _merit(*best[key]):
            best[key] = (share, steps)
    top = max((share for share, _ in judged), default=0.0)
    kept = [one for one in judged if one[1] == restored and one[0] > 0.0][:1]
    for share, steps in sorted(best.values(), key=lambda one: (len(one[1]), -one[0])):
        simpler = [one + _MORE for one, fewer in kept if len(fewer) < len(steps)]
        if steps != restored and share > 0.0 and share >= max(top / 2, *simpler, 0.0):
            kept.append((share, steps))
    shown = kept[:most]
    surest = max(kept, key=lambda one: one[0], default=None)
    if surest is not None and surest not in shown and most > 1:
        shown[-1] = surest  # worth a place however much it changes
    return [steps for _, steps in shown]


def _merit(share: float, steps: Sequence[Step]) -> float:
    """Return a share less a little for each part that is put beside another: one is neater."""
    return share - 0.02 * sum(step.kind in ("series", "parallel") for step in steps)


def _work_out(
    design: Design,
    aim: Aim,
    found: Found | None,
    steps: tuple[Step, ...],
    source: np.random.Generator,
) -> Remedy:
    """Judge one remedy on builds of its own and put it into words."""
    drawn = draw_found(design, found, _CLAIMED, source)
    builds = _changed(design, aim, drawn, steps, source)
    ends = find_ends(design, builds)
    share = float(np.mean(ends.meet(aim)))
    changes = tuple(_change(design, found, step, drawn, builds) for step in steps)
    after = After.of(ends, aim, share, known=found is not None)
    text = describe_remedy([change.text for change in changes], after)
    if share < _FAIR and after.is_centred:
        text = f"{text} {describe_rest(known=found is not None)}"
    elif share < _FAIR:
        text = f"{text} {explain_reach(design, aim, found)}"
    few = {name: one[:_BANDED] for name, one in builds.items()}
    return Remedy(changes, text, share, _tabulate(design, few))


def _change(
    design: Design,
    found: Found | None,
    step: Step,
    drawn: Mapping[str, Values],
    builds: Mapping[str, Values],
) -> Change:
    """Describe one step."""
    how: Literal["value", "trimmer", "rewire"] = "value"
    if step.kind in ("setting", "trimmer"):
        how = "trimmer"
    elif step.kind in ("exchange", "ends"):
        how = "rewire"
    if step.part not in PARTS:
        return Change(step.part, 0.0, 0.0, "", how, describe_step(design, step, None, None))
    stood = float(np.median(drawn[step.part]))
    becomes = float(np.median(builds[step.part]))
    if step.part == "r_knob" and step.kind == "parallel":
        becomes = stood * step.value / (stood + step.value)
    if step.kind == "value":
        becomes = step.value
    unit = "F" if step.part == "c_timing" else "ohm"
    text = describe_step(design, step, stood if found is not None else None, becomes)
    place: Literal["", "instead", "series", "parallel"] = "instead" if step.value else ""
    if step.kind == "series" or step.kind == "parallel":
        place = step.kind
    return Change(step.part, stood, becomes, unit, how, text, step.value, place, step.trimmer_ohm)


def _tabulate(design: Design, builds: Mapping[str, Values]) -> tuple[Position, ...]:
    """Return what builds do over the knob: the middle one, and the band."""
    angles = np.linspace(0.0, design.knob.travel_deg, MARKS)
    times = try_builds(design, angles, builds)
    good = np.all(np.isfinite(times.period_s), axis=1)
    if not good.any():
        return ()
    low, on, high = np.quantile(times.on_s[good], (0.025, 0.5, 0.975), axis=0)
    off = np.median(times.off_s[good], axis=0)
    servo = design.servo
    columns = np.column_stack([angles, on, off, on + off, servo.angle_deg(on), low, high])
    return tuple(
        Position(knob, on_s, off_s, period_s, arm, servo.end_stop(on_s), low_s, high_s)
        for knob, on_s, off_s, period_s, arm, low_s, high_s in columns.tolist()
    )


def meet_share(design: Design, aim: Aim, found: Found | None = None) -> float:
    """Return the share of builds that meet an aim as they are.

    Parameters
    ----------
    design : Design
        The design.
    aim : Aim
        The aim.
    found : Identification, optional
        The parts as a sweep shows them; without it, parts anywhere within tolerance.

    Returns
    -------
    float
        0 to 1. Trimmers stand anywhere.
    """
    source = np.random.default_rng(_SEED + 1)
    return _share(design, aim, draw_found(design, found, _CLAIMED, source), (), source)


def explain_reach(design: Design, aim: Aim, found: Found | None = None) -> str:
    """Say what values would reach an aim, whatever parts are made in.

    Parameters
    ----------
    design : Design
        The design.
    aim : Aim
        The aim.
    found : Identification, optional
        The parts as a sweep shows them.

    Returns
    -------
    str
        One or two sentences.
    """
    source = np.random.default_rng(_SEED + 2)
    drawn = draw_found(design, found, _SIFTED, source)
    builds, _ = apply_steps(design, wiring_steps(design, found), drawn, source)
    centre = {name: float(np.median(one)) for name, one in builds.items()}
    free = ("r_on", "r_knob") if aim.period_s is None else ("r_on", "r_knob", "r_off")
    every = (*free, "c_timing")
    solved = solve_values(design, centre, aim, [free, every])
    best = solved[0] if solved[0].miss <= 1.0 else solved[1]
    return describe_values(best.values, best.free, best.miss, aim)
