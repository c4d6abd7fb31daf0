"""How often the stated 95 % interval of a cause's share holds the true share.

Mixtures of two causes (`tests.simulated_faults`) and recordings where one cause does it all,
with the channel's design and without. The environment sets the counts: BENCH_MIXED (120
recordings over the kinds of mixture), BENCH_ALONE (80 over the kinds of one cause), BENCH_FROM
(first seed, 0). Each interval that misses is printed.
"""

from __future__ import annotations

import os
from collections.abc import Sequence

from tests.benchmarks.diagnosis_score import (
    CLEAR,
    Drawing,
    Score,
    print_shares,
    score_drawings,
)

__all__ = ["run"]

_MIXED = ("wiper-and-battery", "mixed")
_ALONE = (
    "wiper-moving",
    "wiper-wandering",
    "wiper-contact",
    "battery-sag",
    "supply-pulled",
    "capacitor-warming",
    "off-path-leak",
    "threshold-noise",
)


def _draw(kinds: Sequence[str], count: int, first: int) -> list[Drawing]:
    return [Drawing(kinds[k % len(kinds)], first + k // len(kinds)) for k in range(count)]


def run() -> None:
    """Print the share of intervals that hold, by condition and by kind."""
    first = int(os.environ.get("BENCH_FROM", "0"))
    mixed = int(os.environ.get("BENCH_MIXED", "120"))
    alone = int(os.environ.get("BENCH_ALONE", "80"))
    drawings = [*_draw(_MIXED, mixed, first), *_draw(_ALONE, alone, first)]
    for name, score in score_drawings(drawings).items():
        print(f"  {name}:")
        print_shares(score)
        for kind in (*_MIXED, *_ALONE):
            _print_kind(kind, score)
        print(flush=True)


def _print_kind(kind: str, score: Score) -> None:
    """Print one kind's count, its mean width, and what it misses."""
    chosen = [one for one in score.outcomes if one.kind == kind]
    stated = [(one, interval) for one in chosen for interval in one.intervals]
    if not stated:
        return
    width = sum(interval.high - interval.low for _, interval in stated) / len(stated)
    held = sum(interval.holds for _, interval in stated)
    print(f"  {kind:>24}  {held:3d} of {len(stated):3d}, {width:.3f} wide in the mean")
    for one, interval in stated:
        if not interval.holds:
            side = "" if CLEAR < interval.true < 1.0 - CLEAR else " (alone)"
            print(
                f"    missed{side}: {interval.cause} {interval.true:.3f} not in "
                f"{interval.low:.3f} to {interval.high:.3f}; {one.line}"
            )
