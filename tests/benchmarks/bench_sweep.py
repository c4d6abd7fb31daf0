"""`benchlog sweep`: 13 marks up and down, hands free, and broken off at every mark.

A channel is played in real time through a private sound server and over a pseudo-terminal while a
script follows what the command says; its hand passes marks, rests before them, and turns on once
a mark is recorded. Then a sweep is ended after each mark in turn, by Ctrl-C or killed outright at
a random instant, and gone on with.
"""

from __future__ import annotations

import signal
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchlog.channel.design import Design, parse_design
from benchlog.channel.knob_marks import plan_marks
from tests.played_bench import PlayedBench
from tests.sound_server import run_sound_server, what_is_missing
from tests.sweep_script import Swept, check_record, lay_out_bench, read_sweep, run_sweep

__all__ = ["run"]

_CHECKOUT = Path(__file__).resolve().parent.parent.parent
_WORDS = ("--both-ways", "--supply", "6", "--temperature", "22")
_WITHIN_S = 0.5e-6
_SPREAD_S = 2.5e-6  # 0.2 us of jitter, 0.2 us of the input, and the largest of some thousand


def run() -> None:
    """Print how each sweep went."""
    text = (_CHECKOUT / "calibration" / "heron" / "design.toml").read_text(encoding="utf-8")
    design = parse_design(text, "heron")
    missing = what_is_missing()
    head = f"{'way':<22}{'status':>7}{'marks':>7}{'records':>9}{'worst us':>10}{'s a mark':>10}"
    print(head)
    if missing is not None:
        print(f"sound: skipped, {missing}")
    else:
        with run_sound_server() as server, tempfile.TemporaryDirectory() as name:
            folder = lay_out_bench(Path(name) / "bench", text)
            with PlayedBench(server, design, knob_deg=40.0, seed=1) as bench:
                began_s = time.monotonic()
                swept = run_sweep(
                    bench,
                    design,
                    *("--input", "pulse", *_WORDS),
                    cwd=folder,
                    environment=server.environment,
                    seed=1,
                )
                _print("sound", design, folder, swept, time.monotonic() - began_s)
    with tempfile.TemporaryDirectory() as name:
        folder = lay_out_bench(Path(name) / "bench", text)
        bench = PlayedBench(None, design, knob_deg=40.0, seed=2)
        with bench.over_pty() as port:
            began_s = time.monotonic()
            swept = run_sweep(bench, design, "--port", port, *_WORDS, cwd=folder, seed=2)
            _print("probe", design, folder, swept, time.monotonic() - began_s)
    _print_interrupted(design, text)


def _print(way: str, design: Design, folder: Path, swept: Swept, took_s: float) -> None:
    """Check every record against the truth, and print the worst."""
    records = read_sweep(folder)
    wanted = Counter(
        (mark.knob_deg, mark.direction)
        for mark in plan_marks(design.knob.travel_deg, both_ways=True)
    )
    found = Counter((one.sidecar.knob_deg, one.sidecar.direction) for one in records)
    off_us = [
        1e6 * check_record(one, design, within_s=_WITHIN_S, spread_s=_SPREAD_S) for one in records
    ]
    worst = max(map(abs, off_us))
    each_s = took_s / max(len(wanted), 1)
    whole = "" if wanted == found else "   NOT EACH MARK ONCE"
    told = f"{swept.status:>7}{len(wanted):>7}{len(records):>9}{worst:>10.3f}{each_s:>10.1f}"
    print(f"{way:<22}{told}{whole}{swept.err.strip()[:200]}", flush=True)


def _after(count: int, number: int, wait_s: float) -> Callable[[Swept], int | None]:
    """Return what ends a sweep some time after so many of its marks were recorded."""
    due_s: list[float] = []

    def ends(swept: Swept) -> int | None:
        if len(swept.recorded) >= count and not due_s:
            due_s.append(time.monotonic() + wait_s)
        if swept.recorded and swept.recorded[-1]["mark"] == swept.recorded[-1]["marks"]:
            return None  # all are there: it may end by itself
        return number if due_s and time.monotonic() >= due_s[0] else None

    return ends


def _print_interrupted(design: Design, text: str) -> None:
    """End a sweep again and again, in turn by Ctrl-C and by a kill, until it is done."""
    source = np.random.default_rng(77)
    said: list[int] = []
    ended: Counter[int] = Counter()
    with tempfile.TemporaryDirectory() as name:
        folder = lay_out_bench(Path(name) / "bench", text)
        began_s = time.monotonic()
        for attempt in range(60):
            number = (signal.SIGINT, signal.SIGKILL)[attempt % 2]
            bench = PlayedBench(None, design, knob_deg=40.0, seed=attempt)
            with bench.over_pty() as port:
                swept = run_sweep(
                    bench,
                    design,
                    *("--port", port, "--seconds", "0.5", *_WORDS),
                    cwd=folder,
                    seed=attempt,
                    ends=_after(1, number, float(source.uniform(0.0, 2.0))),
                )
            said += [one["mark"] for one in swept.recorded]
            ended[swept.status] += 1
            if swept.last["state"] == "done":
                break
        _print("interrupted", design, folder, swept, time.monotonic() - began_s)
    kept = f"{len(said)} marks told as recorded, {len(set(said))} of them different"
    print(f"  ended by status: {dict(ended)}; {kept}")
