"""The table of `bench_diagnose` on the second generator's recordings (`tests.heldout_faults`).

Other circuit code, designs and courses: nothing in the diagnosis may be set by what is printed
here. The environment's names are those of `bench_diagnose`, with fewer recordings (100 and 60).
"""

from __future__ import annotations

import os

from tests.benchmarks.bench_diagnose import list_drawings
from tests.benchmarks.diagnosis_score import print_score, score_drawings

__all__ = ["run"]


def run() -> None:
    """Print the tables."""
    faults = int(os.environ.get("BENCH_FAULTS", "100"))
    healthy = int(os.environ.get("BENCH_HEALTHY", "60"))
    for name, score in score_drawings(list_drawings(faults, healthy, held_out=True)).items():
        print_score(name, score)
