"""How often the diagnosis names the right cause: a table of causes against first findings.

Recordings of every kind (`tests.simulated_faults`), with the channel's design and without, and
healthy ones; three quarters as the edge times that such an input leaves, a quarter as sound from
sample to finding. The environment sets the counts: BENCH_FAULTS (400 recordings over all kinds),
BENCH_HEALTHY (400), BENCH_FROM (first seed, 0), BENCH_KINDS (names with commas between them).
"""

from __future__ import annotations

import os
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from benchlog.diagnosis.findings import Diagnosis, diagnose
from tests.simulated_faults import KINDS, Case, draw_case

__all__ = ["Score", "judge", "run"]

_SOUND_EVERY = 4
_CANNOT_TELL = "not-enough-to-tell"
_CLEAR = 0.03
"""Shares nearer to 0 or 1 are counted apart: there one cause does it all."""
_HEALTHY = ("healthy", "two-channels-healthy")


@dataclass(slots=True)
class Score:
    """What came of some recordings under one condition."""

    table: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    right: int = 0
    faults: int = 0
    accused: int = 0
    healthy: int = 0
    held: int = 0
    intervals: int = 0
    whole_held: int = 0
    whole: int = 0
    worst_sum: float = 0.0
    wrong: list[str] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def count(self) -> int:
        """All recordings."""
        return self.faults + self.healthy


def judge(score: Score, case: Case, found: Diagnosis, quick: bool) -> None:
    """Add one recording's outcome."""
    mine = [one for one in found.findings if one.input == case.faulty]
    first = mine[0].cause
    score.table[case.kind][first] += 1
    if case.kind in _HEALTHY:
        score.healthy += 1
        is_right = all(one.cause == case.cause for one in found.findings)
        score.accused += any(one.cause not in (case.cause, _CANNOT_TELL) for one in found.findings)
    else:
        score.faults += 1
        is_right = first in case.accepted or (first == _CANNOT_TELL and case.near_zero_alias)
        score.right += is_right
    if not is_right:
        words = ", ".join(f"{one.input}: {one.cause}" for one in found.findings)
        way = "edges" if quick or case.is_probed else "sound"
        score.wrong.append(f"{case.kind} {case.seed} ({way}, size {case.size:.1f}): {words}")
    _judge_shares(score, case, found)


def _judge_shares(score: Score, case: Case, found: Diagnosis) -> None:
    """Compare each share's interval with the truth, and add the shares up."""
    unrest = next(one.unrest for one in found.inputs if one.input == case.faulty)
    if unrest is None:
        return
    total = sum(one.share for one in unrest.contributions) + unrest.rest_share
    score.worst_sum = max(score.worst_sum, abs(total - 1.0))
    if not case.truth or "neighbour" in case.truth:
        return
    for one in found.findings:
        low, high = one.evidence.get("share_low"), one.evidence.get("share_high")
        if one.input != case.faulty or one.evidence.get("share_of") != case.counted:
            continue
        if one.cause not in case.shares or not isinstance(low, float | int):
            continue
        if not isinstance(high, float | int):
            continue
        held = low <= case.shares[one.cause] <= high
        if _CLEAR < case.shares[one.cause] < 1.0 - _CLEAR:
            score.intervals += 1
            score.held += held
        else:
            score.whole += 1
            score.whole_held += held


def _cases(faults: int, healthy: int, first: int) -> Iterator[tuple[int, Case]]:
    """Draw the recordings, the kinds by turns."""
    named = os.environ.get("BENCH_KINDS")
    kinds = [one for one in KINDS if one != "healthy"]
    if named is not None:
        kinds = [one for one in named.split(",") if one]
    for number in range(faults):
        turn, place = divmod(number, len(kinds))
        yield number + turn, draw_case(kinds[place], first + turn)
    for number in range(healthy):
        yield number, draw_case("healthy", first + number)


def run() -> None:
    """Print the tables."""
    faults = int(os.environ.get("BENCH_FAULTS", "400"))
    healthy = int(os.environ.get("BENCH_HEALTHY", "400"))
    scores = {"with its design": Score(), "without a design": Score()}
    for number, case in _cases(faults, healthy, int(os.environ.get("BENCH_FROM", "0"))):
        quick = number % _SOUND_EVERY != 0
        for name, score in scores.items():
            with_design = name == "with its design"
            if case.needs_design and not with_design:
                continue
            began = time.process_time()
            found = diagnose(case.heard(quick=quick, with_design=with_design))
            score.seconds += time.process_time() - began
            judge(score, case, found, quick)
    for name, score in scores.items():
        _print_score(name, score)


def _print_score(name: str, score: Score) -> None:
    """Print one condition's table."""
    columns = sorted({cause for row in score.table.values() for cause in row})
    print(f"  {name}: first finding by kind")
    print(f"  {'':>24}" + "".join(f"{_short(one):>9}" for one in columns))
    for kind in (one for one in KINDS if one in score.table):
        row = score.table[kind]
        print(f"  {kind:>24}" + "".join(f"{row[one] or '.':>9}" for one in columns))
    share = 100.0 * score.right / max(score.faults, 1)
    print(
        f"  right {score.right} of {score.faults} ({share:.1f} %); "
        f"healthy accused {score.accused} of {score.healthy}; "
        f"intervals that hold the true share {score.held} of {score.intervals} "
        f"({100.0 * score.held / max(score.intervals, 1):.1f} %), "
        f"where one cause does it all {score.whole_held} of {score.whole}; "
        f"shares add up to 1 within {score.worst_sum:.1e}; "
        f"{score.seconds / max(score.count, 1):.2f} s a recording"
    )
    _print_wrong(score.wrong)


def _print_wrong(wrong: Sequence[str]) -> None:
    """Print what went wrong, one a line."""
    for line in wrong:
        print(f"    wrong: {line}")
    print(flush=True)


def _short(cause: str) -> str:
    return cause.replace("not-enough-to-tell", "unsure").replace("end-stop", "stop")[:8]
