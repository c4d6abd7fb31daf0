"""How long `benchlog log` takes on a bench of 10,000 records, the whole process."""

from __future__ import annotations

import json
import resource
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.command_line import run_process

__all__ = ["run"]

RECORDS = 10_000
TABLES = 100
_RUNS = 5
_CHANNELS = ("heron", "moon", "boat", "curtain")
_START = datetime(2026, 1, 1, tzinfo=UTC)


def run() -> None:
    """Print the median of a few runs, by the clock and in processor time."""
    print(f"{'log on 10,000 records':<34}{'median s':>10}{'processor s':>13}")
    with tempfile.TemporaryDirectory() as name:
        bench = Path(name)
        _fill(bench)
        for words in ((), ("--json",), ("--channel", "heron"), ("--aside",)):
            _time(bench, words)


def _time(bench: Path, words: tuple[str, ...]) -> None:
    taken = []
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    for _ in range(_RUNS):
        began = time.monotonic()
        outcome = run_process("log", *words, "--bench", bench, cwd=bench)
        taken.append(time.monotonic() - began)
        assert outcome.status == 0, outcome
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
    label = " ".join(("log", *words))
    print(f"{label:<34}{sorted(taken)[_RUNS // 2]:>10.2f}{used / _RUNS:>13.2f}", flush=True)


def _fill(bench: Path) -> None:
    """Lay in records with small files, every hundredth set aside, and tables over the years."""
    head = bytes(80)
    for channel in _CHANNELS:
        (bench / "captures" / channel).mkdir(parents=True)
        (bench / "calibration" / channel).mkdir(parents=True)
    for k in range(RECORDS):
        channel, moment = _CHANNELS[k % 4], _START + timedelta(minutes=30 * k)
        path = bench / "captures" / channel / f"{moment:%Y%m%dT%H%M%SZ}-{k % 270}deg.wav"
        path.write_bytes(head)
        known = {
            "channel": channel,
            "knob_deg": k % 270,
            "recorded_utc": f"{moment:%Y-%m-%dT%H:%M:%SZ}",
            "source": "sound input",
            "supply_v": 6.0,
            "gaps": [],
            "set_aside": "the knob slipped" if k % 100 == 0 else None,
            "sha256": None,
        }
        path.with_suffix(".json").write_text(json.dumps(known, indent=2) + "\n", encoding="utf-8")
        if k % (RECORDS // TABLES) == 0:
            table = bench / "calibration" / channel / f"{moment:%Y%m%dT%H%M%SZ}.csv"
            table.write_text(
                f"# benchlog calibration table\nknob_deg,verdict,source\n0,on design,{path.name}\n",
                encoding="utf-8",
            )
