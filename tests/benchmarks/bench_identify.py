"""How well a sweep tells the parts: coverage, faults named, good builds accused, speed.

Prints how often the stated intervals hold the true products and parts, how often the right fault
is named first, by kind and by number of positions, and how many good builds are accused.
"""

from __future__ import annotations

import time
from collections import defaultdict
from pathlib import Path

import numpy as np

from benchlog.calibration.identify import Identification, identify_parts
from benchlog.channel.design import Design, parse_design
from tests.simulated_builds import (
    NINE_DEG,
    Build,
    Fault,
    draw_design,
    draw_fault,
    draw_sweep,
    knob_angles,
)

__all__ = ["run"]

_TEXT = (Path(__file__).parents[2] / "calibration" / "heron" / "design.toml").read_text()
_USUAL = (
    ("r_on_tolerance", "5%"),
    ("r_knob_tolerance", "20%"),
    ("r_off_tolerance", "5%"),
    ("c_timing_tolerance", "10%"),
)


def run(builds: int = 2000, faulty: int = 200, good: int = 400) -> None:
    """Run all of it; some twenty minutes of one core."""
    narrow = parse_design(_TEXT, "heron")
    _print_coverage("the shipped design (1, 3, 1, 2.5 %)", narrow, builds)
    ideal = parse_design(_TEXT.replace('"cmos"', '"ideal"'), "ideal")
    _print_coverage("the same with exact levels", ideal, builds // 4)
    _print_coverage("usual tolerances (5, 20, 5, 10 %)", usual_design(), builds // 4)
    _print_coverage("the same, supply not read", usual_design(), builds // 4, supply_known=False)
    for count in (9, 13, 3, 2):
        _print_faults(narrow, faulty if count == 9 else faulty // 2, count)
    _print_good(narrow, good)


def usual_design() -> Design:
    """Return the shipped design with the tolerances that hold where none are stated."""
    lines = []
    for line in _TEXT.splitlines():
        key = line.partition("=")[0].strip()
        shares = dict(_USUAL)
        lines.append(f'{key} = "{shares[key]}"' if key in shares else line)
    text = "\n".join(lines)
    start, end = text.index("[diode]"), text.index("[knob]")
    return parse_design(f'{text[:start]}[diode]\nmodel = "1N4148"\n\n{text[end:]}', "usual")


def _print_coverage(name: str, design: Design, count: int, *, supply_known: bool = True) -> None:
    """Print how often 95 % intervals hold the truth, nine positions, 0.2 us."""
    rng = np.random.default_rng(95)
    hits: dict[str, list[bool]] = defaultdict(list)
    widths: dict[str, list[float]] = defaultdict(list)
    began = time.process_time()
    for _ in range(count):
        build = draw_sweep(design, rng, NINE_DEG, supply_known=supply_known)
        assert build is not None
        found = identify_parts(design, build.points)
        for key, is_inside, width in compare(found, build):
            hits[key].append(is_inside)
            widths[key].append(width)
    spent = (time.process_time() - began) / count
    print(f"{name}: {count} builds, {spent:.2f} s each")
    for key, inside in hits.items():
        print(
            f"  {key:18} {100 * np.mean(inside):5.1f} %   U {100 * np.median(widths[key]):7.3f} %"
        )


def compare(found: Identification, build: Build) -> list[tuple[str, bool, float]]:
    """Return what was stated: its name, whether it holds the truth, U as a fraction."""
    truth = build.truth
    rows = []
    for one in found.products:
        first, second = one.product.split("*")
        true_s = truth[first] * truth[second]
        inside = abs(one.found_s - true_s) <= 2.0 * one.u_s
        rows.append((one.product, inside, 2.0 * one.u_s / one.found_s))
    names = {"threshold": "threshold_fraction", "trigger": "trigger_fraction", "supply": "supply_v"}
    for part in found.parts:
        if part.part == "diode_v" or part.u == 0.0:
            continue
        true = truth[names.get(part.part, part.part)]
        inside = abs(part.found - true) <= 2.0 * part.u
        rows.append((part.part, inside, 2.0 * part.u / max(part.found, 1e-300)))
    return rows


def _print_faults(shipped: Design, count: int, positions: int) -> None:
    """Print how often the right fault is named first, half on the shipped design."""
    rng = np.random.default_rng(positions)
    right: dict[str, list[bool]] = defaultdict(list)
    spent = 0.0
    while sum(map(len, right.values())) < count:
        design = shipped if rng.random() < 0.5 else draw_design(_TEXT, rng)
        fault = draw_fault(design, rng, taper=positions > 2)
        build = draw_sweep(design, rng, knob_angles(design, positions), fault=fault)
        if build is None:
            continue
        began = time.process_time()
        found = identify_parts(design, build.points)
        spent += time.process_time() - began
        named = is_first(found, fault)
        right[fault.kind].append(named)
        if not named:
            told = [(one.part, one.fault, round(one.likely, 2)) for one in found.suspects]
            share = (
                getattr(design, fault.part).tolerance if fault.kind.startswith(("r_", "c_")) else 1
            )
            print(f"    missed {fault} ({(fault.ratio - 1) / share:+.1f} half-widths): {told}")
    total = [one for row in right.values() for one in row]
    print(
        f"{positions} positions: the right fault first in {sum(total)} of {len(total)}, "
        f"{spent / len(total):.2f} s each"
    )
    for kind, row in sorted(right.items()):
        print(f"  {kind:18} {sum(row):3} of {len(row):3}")


def is_first(found: Identification, fault: Fault) -> bool:
    """Tell whether a fault is named first; a value that happens to be a decade off is both."""
    if not found.suspects:
        return False
    first = found.suspects[0]
    alike = {first.fault, fault.fault} <= {"value", "decade"}
    return first.part == fault.part and (alike or first.fault == fault.fault)


def _print_good(shipped: Design, count: int) -> None:
    """Print how many good builds are accused, at 9, 13, 3, 2 and 1 positions."""
    rng = np.random.default_rng(400)
    for positions in (9, 13, 3, 2, 1):
        accused, other = 0, 0
        number = count if positions == 9 else count // 4
        for i in range(number):
            design = shipped if i % 2 else draw_design(_TEXT, rng)
            build = draw_sweep(design, rng, knob_angles(design, positions))
            assert build is not None
            found = identify_parts(design, build.points)
            accused += bool(found.suspects)
            other += not found.explained
        print(f"{positions} positions: {accused} of {number} good builds accused, {other} doubted")


if __name__ == "__main__":
    run()
