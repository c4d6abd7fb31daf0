"""What came of diagnosing recordings with known truth: one outcome each, and their sums.

The recordings are drawn, heard and diagnosed in as many processes as the machine has cores
(BENCH_JOBS sets another number); an outcome is the same in whichever process it was found.
"""

from __future__ import annotations

import os
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing import get_context

from benchlog.diagnosis.findings import Diagnosis, diagnose
from tests.heldout_faults import draw_heldout
from tests.simulated_faults import KINDS, Case, draw_case

__all__ = ["WAYS", "Drawing", "Interval", "Outcome", "Score", "print_score", "score_drawings"]

WAYS = ("with its design", "without a design")
CLEAR = 0.03
"""Shares nearer to 0 or 1 are counted apart: there one cause does it all."""
_CANNOT_TELL = "not-enough-to-tell"
_HEALTHY = ("healthy", "two-channels-healthy")


@dataclass(frozen=True, slots=True)
class Drawing:
    """A recording that is to be drawn.

    Attributes
    ----------
    kind : str
        What is wrong with it.
    seed : int
        What it is drawn from.
    quick : bool
        Whether its edges take the place of its sound.
    held_out : bool
        Whether the second generator draws it (`tests.heldout_faults`).
    """

    kind: str
    seed: int
    quick: bool = True
    held_out: bool = False

    def draw(self) -> Case:
        """Draw it."""
        return (draw_heldout if self.held_out else draw_case)(self.kind, self.seed)


@dataclass(frozen=True, slots=True)
class Interval:
    """A share that was stated, and the true one."""

    cause: str
    true: float
    low: float
    high: float

    @property
    def holds(self) -> bool:
        """Whether the interval has the truth in it."""
        return self.low <= self.true <= self.high

    @property
    def is_clear(self) -> bool:
        """Whether more than one cause had a share worth the name."""
        return CLEAR < self.true < 1.0 - CLEAR


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one recording under one condition.

    Attributes
    ----------
    kind : str
        What was wrong with it.
    way : str
        One of `WAYS`.
    first : str
        The first finding's cause.
    is_right : bool
        Whether that is the right one; of healthy recordings whether nothing else was found.
    is_healthy, is_accused : bool
        Whether nothing was wrong, and whether something was found wrong.
    line : str
        The recording and its findings in words.
    intervals : tuple of Interval
        The shares that were stated.
    sum_error : float
        By how much all shares together missed 1.
    seconds : float
        Processor time of the diagnosis.
    """

    kind: str
    way: str
    first: str
    is_right: bool
    is_healthy: bool
    is_accused: bool
    line: str
    intervals: tuple[Interval, ...]
    sum_error: float
    seconds: float


@dataclass(slots=True)
class Score:
    """What came of some recordings under one condition."""

    table: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    outcomes: list[Outcome] = field(default_factory=list)

    def add(self, outcome: Outcome) -> None:
        """Count one more."""
        self.table[outcome.kind][outcome.first] += 1
        self.outcomes.append(outcome)


def _judge(case: Case, drawing: Drawing, found: Diagnosis, way: str, seconds: float) -> Outcome:
    """Set one recording's findings against the truth."""
    first = next(one.cause for one in found.findings if one.input == case.faulty)
    is_healthy = case.kind in _HEALTHY
    if is_healthy:
        is_right = all(one.cause == case.cause for one in found.findings)
    else:
        is_right = first in case.accepted or (first == _CANNOT_TELL and case.near_zero_alias)
    words = ", ".join(f"{one.input}: {one.cause}" for one in found.findings)
    heard = "edges" if drawing.quick or case.is_probed else "sound"
    return Outcome(
        kind=case.kind,
        way=way,
        first=first,
        is_right=is_right,
        is_healthy=is_healthy,
        is_accused=is_healthy
        and any(one.cause not in (case.cause, _CANNOT_TELL) for one in found.findings),
        line=f"{case.kind} {case.seed} ({heard}, size {case.size:.1f}): {words}",
        intervals=_intervals(case, found),
        sum_error=_sum_error(case, found),
        seconds=seconds,
    )


def _sum_error(case: Case, found: Diagnosis) -> float:
    unrest = next(one.unrest for one in found.inputs if one.input == case.faulty)
    if unrest is None:
        return 0.0
    return abs(sum(one.share for one in unrest.contributions) + unrest.rest_share - 1.0)


def _intervals(case: Case, found: Diagnosis) -> tuple[Interval, ...]:
    """Return the shares that were stated of what counts, where the truth is known."""
    if not case.truth or "neighbour" in case.truth:
        return ()
    stated = []
    for one in found.findings:
        low, high = one.evidence.get("share_low"), one.evidence.get("share_high")
        if one.input != case.faulty or one.evidence.get("share_of") != case.counted:
            continue
        if one.cause not in case.shares or not isinstance(low, float | int):
            continue
        if isinstance(high, float | int):
            stated.append(Interval(one.cause, case.shares[one.cause], low, high))
    return tuple(stated)


def _diagnose_both(drawing: Drawing) -> list[Outcome]:
    """Draw a recording and diagnose it in each way that its fault can be told in."""
    case = drawing.draw()
    outcomes = []
    for way in WAYS:
        with_design = way == WAYS[0]
        if case.needs_design and not with_design:
            continue
        heard = case.heard(quick=drawing.quick, with_design=with_design)
        began = time.process_time()
        found = diagnose(heard)
        outcomes.append(_judge(case, drawing, found, way, time.process_time() - began))
    return outcomes


def score_drawings(drawings: Sequence[Drawing]) -> dict[str, Score]:
    """Draw and diagnose recordings.

    Parameters
    ----------
    drawings : sequence of Drawing
        The recordings.

    Returns
    -------
    dict of str to Score
        By `WAYS`, the outcomes in the order of `drawings`.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # many small products: threads cost more
    jobs = int(os.environ.get("BENCH_JOBS", "0")) or os.cpu_count() or 1
    scores = {way: Score() for way in WAYS}
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for outcomes in pool.map(_diagnose_both, drawings):
            for outcome in outcomes:
                scores[outcome.way].add(outcome)
    return scores


def print_score(name: str, score: Score) -> None:
    """Print one condition's table of kinds against first findings, and the sums below it."""
    columns = sorted({cause for row in score.table.values() for cause in row})
    print(f"  {name}: first finding by kind")
    print(f"  {'':>24}" + "".join(f"{_short(one):>9}" for one in columns))
    for kind in sorted(score.table, key=lambda one: KINDS.index(one) if one in KINDS else 99):
        row = score.table[kind]
        print(f"  {kind:>24}" + "".join(f"{row[one] or '.':>9}" for one in columns))
    faults = [one for one in score.outcomes if not one.is_healthy]
    healthy = [one for one in score.outcomes if one.is_healthy]
    print(
        f"  right {_part([one.is_right for one in faults])}; "
        f"healthy accused {sum(one.is_accused for one in healthy)} of {len(healthy)}; "
        f"{sum(one.seconds for one in score.outcomes) / max(len(score.outcomes), 1):.2f} s "
        "a recording"
    )
    print_shares(score)
    for one in score.outcomes:
        if not one.is_right:
            print(f"    wrong: {one.line}")
    print(flush=True)


def print_shares(score: Score) -> None:
    """Print how often the stated shares hold the true ones."""
    stated = [one for outcome in score.outcomes for one in outcome.intervals]
    mixed = [one.holds for one in stated if one.is_clear]
    alone = [one.holds for one in stated if not one.is_clear]
    worst = max((one.sum_error for one in score.outcomes), default=0.0)
    print(
        f"  shares that hold the truth: {_part([one.holds for one in stated])}, "
        f"of mixtures {_part(mixed)}, where one cause does it all {_part(alone)}; "
        f"they add up to 1 within {worst:.1e}"
    )


def _part(held: Sequence[bool]) -> str:
    return f"{sum(held)} of {len(held)} ({100.0 * sum(held) / max(len(held), 1):.1f} %)"


def _short(cause: str) -> str:
    return cause.replace("not-enough-to-tell", "unsure").replace("end-stop", "stop")[:8]
