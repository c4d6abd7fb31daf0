"""`benchlog trim`: rounds and turns until all holds, from hundreds of starts.

Parts are drawn within their tolerances and trimmers stand anywhere; a hand misses each advised
turn by up to a fifth, and knows either the ohms or no more than a share and a way to turn,
with screws that are wired one way or the other. First with readings from the model, then with
the command itself and a channel that is played in real time through a private sound server.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from benchlog.channel.design import parse_design
from tests.played_bench import PlayedBench
from tests.sound_server import run_sound_server, what_is_missing
from tests.trim_script import KINDS, Build, Hand, aims_within_reach, follow_model, follow_trim

__all__ = ["run"]

_CHECKOUT = Path(__file__).resolve().parent.parent.parent
_STARTS = 50
_PLAYED = 12


def run() -> None:
    """Print how many rounds and turns it takes, and what was reached."""
    _print_model()
    missing = what_is_missing()
    if missing is not None:
        print(f"trim: the played channels are skipped, {missing}")
    else:
        _print_played()


def _design_text() -> str:
    """Return heron's design with room around its pulses, and wider parts than the shipped ones."""
    text = (_CHECKOUT / "calibration" / "heron" / "design.toml").read_text(encoding="utf-8")
    text = text.replace("pulse_min_us = 500", "pulse_min_us = 300")
    text = text.replace("pulse_max_us = 2500", "pulse_max_us = 3200")
    return "\n".join(line for line in text.splitlines() if "_tolerance" not in line) + "\n"


def _print_model() -> None:
    design = parse_design(_design_text(), "heron")
    print(f"{'trimmers':<20}{'hand':<8}{'reached':>9}  {'rounds':<18}{'turns: median, most':>20}")
    for kind, trimmers in KINDS.items():
        for by_ohm in (True, False):
            rounds: Counter[int] = Counter()
            moves, reached = [], 0
            for seed in range(_STARTS):
                source = np.random.default_rng([61, seed])
                build = Build.draw(design, trimmers, source)
                aims = aims_within_reach(build, source)
                trimming = follow_model(build, Hand(source, by_ohm), aims)
                low_s, high_s, period_s = build.ends()
                holds = abs(low_s - aims.low_s) <= 5e-6 and abs(high_s - aims.high_s) <= 5e-6
                if aims.period_s is not None:
                    holds = holds and abs(period_s - aims.period_s) <= aims.period_within_s
                reached += holds and trimming.has_reached
                rounds[trimming.round] += 1
                moves.append(trimming.moves)
            told = ", ".join(f"{count} in {one}" for one, count in sorted(rounds.items()))
            hand = "ohms" if by_ohm else "ways"
            turns = f"{np.median(moves):.0f}, {max(moves)}"
            print(f"{kind:<20}{hand:<8}{reached:>5}/{_STARTS}  {told:<18}{turns:>20}")


def _print_played() -> None:
    marked = (("r_on", "33k", "28k + trimmer 10k"), ("r_off", "820k", "750k + trimmer 200k"))
    text = _design_text()
    for name, was, now in marked:
        text = text.replace(f'{name} = "{was}"', f'{name} = "{now}"')
    design = parse_design(text, "heron")
    head = "".join(f"{one:>8}" for one in ("status", "rounds", "turns", "low", "high", "period"))
    print(f"\n{'played':<20}{head}   us off")
    with run_sound_server() as server, tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "design.toml").write_text(text, encoding="utf-8")
        for seed in range(_PLAYED):
            kind = ("r_on and r_off", "all three")[seed % 2]
            source = np.random.default_rng([62, seed])
            build = Build.draw(design, KINDS[kind], source)
            aims = aims_within_reach(build, source)
            assert aims.period_s is not None
            words = ["--design", "design.toml", "--input", "pulse", "--hold", "0.7"]
            words += ["--low", f"{aims.low_s * 1e6:.3f}", "--high", f"{aims.high_s * 1e6:.3f}"]
            words += ["--period", f"{aims.period_s * 1e3:.5f}", "--seconds", "240"]
            if kind == "all three":
                words += ["--across-knob", "220k + trimmer 1M"]
            parts, supply_v = build.values(), build.supply_v
            knob_deg = source.uniform(0.0, 270.0)
            with PlayedBench(
                server, design, parts=parts, supply_v=supply_v, knob_deg=knob_deg, seed=seed
            ) as bench:
                done = follow_trim(
                    bench,
                    build,
                    Hand(source, by_ohm=seed % 4 < 2),
                    *words,
                    cwd=folder,
                    environment=server.environment,
                )
            ends, wanted = build.ends(), (aims.low_s, aims.high_s, aims.period_s)
            low, high, period = (
                (is_s - was_s) * 1e6 for is_s, was_s in zip(ends, wanted, strict=True)
            )
            told = f"{done.summary.get('rounds'):>8}{done.summary.get('moves'):>8}"
            print(f"{kind:<20}{done.status:>8}{told}{low:8.2f}{high:8.2f}{period:8.0f}", flush=True)
