"""How well two tables tell what moved: false alarms, and the cause named, by size.

Unchanged pairs are two sweeps of one build, every reading taken anew: the knob within a degree,
the supply within 0.5 %, the temperature within 1 K, the recorder's clock within 100 ppm,
0.2 us of noise. Changed pairs have one cause, its size drawn from one and a half times what is just
detectable (power one half) to ten times.
"""

from __future__ import annotations

import time
from collections import Counter
from pathlib import Path

import numpy as np

from benchlog.calibration.drift import CHANGED, UNDECIDED, compare_tables
from benchlog.channel.design import Design, parse_design
from tests.drifted_builds import Change, draw_pair

__all__ = ["run"]

_TEXT = (Path(__file__).parents[2] / "calibration" / "heron" / "design.toml").read_text()

_JUST_SEEN = {
    "capacitor": 0.0008,
    "supply": 0.15,
    "r_on": 0.0107,
    "r_off": 0.0009,
    "r_knob": 0.0055,
    "knob-end": 2.0,
}
"""3.7 standard uncertainties of each cause's size, ten marks of the shipped design."""

_MOST = {"supply": 1.5, "knob-end": 20.0}
_ENDS = ("low", "high", "low-hinge", "high-hinge")
_MARKS = tuple(np.linspace(0.0, 270.0, count) for count in (10, 13, 7))


def run(unchanged: int = 400, changed: int = 50) -> None:
    """Run all of it; some five minutes of one core."""
    design = parse_design(_TEXT, "heron")
    _print_unchanged(design, unchanged)
    _print_unchanged(design, unchanged // 4, unread=True)
    _print_confusion(design, changed)


def _print_unchanged(design: Design, count: int, *, unread: bool = False) -> None:
    """Print the false alarms of unchanged pairs."""
    rng = np.random.default_rng(400 + unread)
    alarms, rows_changed, rows_undecided, rows = 0, 0, 0, 0
    levels = []
    began = time.process_time()
    for number in range(count):
        pair = draw_pair(design, rng, marks_deg=_MARKS[number % 3], unread=unread)
        drift = compare_tables(pair, pair[0])
        marks = [row.verdict for row in drift.rows]
        alarms += drift.moved.significant or CHANGED in marks
        rows_changed += marks.count(CHANGED)
        rows_undecided += marks.count(UNDECIDED)
        rows += len(marks)
        levels.append(1.0 if drift.moved.p_value is None else drift.moved.p_value)
    each = (time.process_time() - began) / count
    below = ", ".join(f"{np.mean(np.array(levels) < p):.4f} below {p}" for p in (0.01, 0.05, 0.5))
    print(
        f"  {count} unchanged pairs{', supply not read' if unread else ''}: {alarms} alarms "
        f"(channel or any mark); of {rows} marks {rows_changed} changed, {rows_undecided} "
        f"undecided; p: {below}; {each * 1e3:.0f} ms a pair"
    )


def _print_confusion(design: Design, count: int) -> None:
    """Print which cause was named for which."""
    names = [*_JUST_SEEN, "none"]
    print(f"  {'cause':>20} " + " ".join(f"{name:>9}" for name in [*names, "missed"]))
    for cause in [*_JUST_SEEN, "supply, recorded", "supply, not read"]:
        rng = np.random.default_rng(len(cause) * 1000 + ord(cause[-1]))
        named: Counter[str] = Counter()
        held = 0
        for number in range(count):
            change = _draw_change(rng, cause.partition(",")[0], number)
            change = Change(change.cause, change.size, change.end, cause.endswith("recorded"))
            pair = draw_pair(
                design,
                rng,
                change,
                marks_deg=_MARKS[number % 3],
                unread=cause.endswith("not read"),
            )
            moved = compare_tables(pair, pair[0]).moved
            named["missed" if not moved.significant else moved.cause or "none"] += 1
            if moved.cause == change.cause and moved.amount is not None and change.end == "":
                size = change.size * (1.0 if cause.startswith("supply") else 100.0)
                held += abs(moved.amount - size) < 2.0 * (moved.u_amount or 0.0)
        line = " ".join(f"{named[name]:9d}" for name in [*names, "missed"])
        told = f"  size within U: {held} of {named[cause.partition(',')[0]]}"
        print(f"  {cause:>20} {line}{told if cause != 'knob-end' else ''}", flush=True)


def _draw_change(rng: np.random.Generator, cause: str, number: int) -> Change:
    """Draw the size of a change."""
    least = 1.5 * _JUST_SEEN[cause]
    most = min(10.0 * _JUST_SEEN[cause], _MOST.get(cause, np.inf))
    size = float(np.exp(rng.uniform(np.log(least), np.log(most))))
    end = _ENDS[number % 4] if cause == "knob-end" else ""
    if cause == "supply":
        return Change(cause, -size)
    sign = 1.0 if end else float(rng.choice([-1.0, 1.0]))
    return Change(cause, sign * size, end)
