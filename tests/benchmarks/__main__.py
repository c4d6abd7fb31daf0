"""Run benchmarks: ``python -m tests.benchmarks [name...]``, all of them without a name.

A benchmark is a module ``bench_<name>.py`` beside this one with a function ``run()`` that
prints its table.
"""

from __future__ import annotations

import importlib
import sys
import time
from pathlib import Path

__all__ = ["main"]


def main(wanted: list[str]) -> int:
    """Run the benchmarks that are named; return the exit status."""
    folder = Path(__file__).parent
    known = sorted(path.stem.removeprefix("bench_") for path in folder.glob("bench_*.py"))
    unknown = [name for name in wanted if name not in known]
    if unknown:
        print(f"there is no benchmark {unknown[0]}; there are: {', '.join(known)}")
        return 2
    for name in wanted or known:
        began = time.monotonic()
        print(f"== {name}", flush=True)
        importlib.import_module(f"tests.benchmarks.bench_{name}").run()
        print(f"   ({time.monotonic() - began:.0f} s)\n", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
