"""How often the diagnosis names the right cause: a table of causes against first findings.

Recordings of every kind (`tests.simulated_faults`), with the channel's design and without, and
healthy ones; three quarters as the edge times that such an input leaves, a quarter as sound from
sample to finding. The environment sets the counts: BENCH_FAULTS (400 recordings over all kinds),
BENCH_HEALTHY (400), BENCH_FROM (first seed, 0), BENCH_KINDS (names with commas between them).
"""

from __future__ import annotations

import os

from tests.benchmarks.diagnosis_score import Drawing, print_score, score_drawings
from tests.simulated_faults import KINDS

__all__ = ["list_drawings", "run"]

_SOUND_EVERY = 4


def list_drawings(faults: int, healthy: int, *, held_out: bool = False) -> list[Drawing]:
    """List the recordings, the kinds by turns, after BENCH_FROM and BENCH_KINDS.

    Parameters
    ----------
    faults, healthy : int
        How many with a fault, and without.
    held_out : bool
        Whether the second generator draws them.

    Returns
    -------
    list of Drawing
        One in four through sound, a kind's by turns.
    """
    first = int(os.environ.get("BENCH_FROM", "0"))
    named = os.environ.get("BENCH_KINDS")
    kinds = [one for one in KINDS if one != "healthy"]
    if named is not None:
        kinds = [one for one in named.split(",") if one]
    drawings = []
    for number in range(faults):
        turn, place = divmod(number, len(kinds))
        quick = (number + turn) % _SOUND_EVERY != 0
        drawings.append(Drawing(kinds[place], first + turn, quick, held_out))
    for number in range(healthy):
        quick = number % _SOUND_EVERY != 0
        drawings.append(Drawing("healthy", first + number, quick, held_out))
    return drawings


def run() -> None:
    """Print the tables."""
    faults = int(os.environ.get("BENCH_FAULTS", "400"))
    healthy = int(os.environ.get("BENCH_HEALTHY", "400"))
    for name, score in score_drawings(list_drawings(faults, healthy)).items():
        print_score(name, score)
