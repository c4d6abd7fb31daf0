"""Ctrl-C at random instants of a command: `python -m tests.fuzz.interrupts [COUNT]`.

The instant is counted from where the program's own code begins; what comes before is the start of
Python itself.
"""

from __future__ import annotations

import json
import os
import random
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from tests.command_line import plain_environment

__all__ = ["Interrupted", "check_bench", "check_interrupted", "interrupt", "make_small_bench"]

_START = (
    "import os, sys\n"
    "from benchlog.__main__ import main\n"
    "os.write(int(os.environ['READY']), b'.')\n"
    "sys.exit(main())\n"
)
_LINE = "interrupted; what was stored until now is kept"


@dataclass(frozen=True, slots=True)
class Interrupted:
    """How a command ended that was interrupted after so many seconds (None: not at all)."""

    after_s: float | None
    took_s: float
    status: int
    out: str
    err: str


def interrupt(words: list[str], *, cwd: Path, after_s: float | None, scratch: Path) -> Interrupted:
    """Run a command and interrupt it as Ctrl-C does."""
    reader, writer = os.pipe()
    environment = {**plain_environment(), "READY": str(writer), "TMPDIR": str(scratch)}
    with subprocess.Popen(
        [sys.executable, "-c", _START, *words],
        cwd=cwd,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        pass_fds=(writer,),
    ) as process:
        os.close(writer)
        select.select([reader], [], [], 60.0)
        os.close(reader)
        began = time.monotonic()
        if after_s is not None:
            time.sleep(after_s)
            process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=300.0)
    return Interrupted(after_s, time.monotonic() - began, process.returncode, out, err)


def check_interrupted(end: Interrupted) -> None:
    """Hold the end to what Ctrl-C promises: 130 and one line, or the command was done by then."""
    assert "Traceback" not in end.err, end
    assert "Exception ignored" not in end.err, end
    if end.status == 130:
        assert end.err.splitlines()[-1:] == [_LINE], end
        assert len(end.err.splitlines()) == 1, end
    else:
        assert end.status in (0, 1), end


def check_bench(bench: Path) -> None:
    """Hold what counts in a bench folder to being whole; a broken-off record lies hidden."""
    from benchlog.calibration.table_text import parse_table
    from benchlog.capture.formats import open_recording
    from benchlog.capture.sidecar import read_sidecar

    for path in bench.rglob("*"):
        if any(part.startswith(".") for part in path.relative_to(bench).parts):
            continue
        if path.suffix == ".json":
            assert read_sidecar(path).sha256, path
            (record,) = (one for one in path.parent.glob(f"{path.stem}.*") if one != path)
            open_recording(record)
        elif path.suffix == ".csv" and path.parent.parent.name == "calibration":
            parse_table(path.read_text(encoding="utf-8"), path.name)


def make_small_bench(bench: Path, design_text: str, sources: Path) -> None:
    """Make a bench folder with three of the shipped recordings of heron."""
    (bench / "calibration" / "heron").mkdir(parents=True)
    (bench / "calibration" / "heron" / "design.toml").write_text(design_text, encoding="utf-8")
    (bench / "captures" / "heron").mkdir(parents=True)
    for sidecar in sorted(sources.glob("*.json"))[::4]:
        for path in sources.glob(f"{sidecar.stem}.*"):
            shutil.copy(path, bench / "captures" / "heron" / path.name)


def commands(bench: Path) -> dict[str, list[str]]:
    """Return the commands that are interrupted, run in a small bench folder."""
    record = next((bench / "captures" / "heron").glob("*.flac"))
    return {
        "measure": ["measure", str(record), str(record), "--pulses", "pulses.csv"],
        "calibrate": ["calibrate", "heron"],
        "demo": ["demo", "stage"],
        "demo without a folder": ["demo"],
    }


def interrupt_at_random(
    name: str,
    count: int,
    place: Path,
    bench: Path,
    *,
    seed: int,
    within_s: float | None = None,
) -> list[int]:
    """Interrupt a command at `count` random instants; return the statuses.

    The instants are spread over what an uninterrupted run takes, or over `within_s`.
    """
    scratch = place / "scratch"
    scratch.mkdir()
    words = commands(bench)[name]
    if within_s is None:
        whole = interrupt(words, cwd=bench, after_s=None, scratch=scratch)
        assert whole.status in (0, 1), whole
        within_s = whole.took_s
    statuses = []
    instants = random.Random(seed)
    for _ in range(count):
        shutil.rmtree(bench / "stage", ignore_errors=True)
        (bench / "pulses.csv").unlink(missing_ok=True)
        after_s = instants.uniform(0.0, within_s)
        end = interrupt(words, cwd=bench, after_s=after_s, scratch=scratch)
        check_interrupted(end)
        check_bench(bench)
        assert not list(scratch.iterdir()), (end, list(scratch.iterdir()))
        statuses.append(end.status)
    return statuses


def main(words: list[str]) -> int:
    """Interrupt each command so many times and print what came of it."""
    count = int(words[0]) if words else 30
    root = Path(__file__).resolve().parent.parent.parent
    sources = root / "captures" / "heron"
    design = (root / "calibration" / "heron" / "design.toml").read_text(encoding="utf-8")
    result = {}
    for name in ("measure", "calibrate", "demo", "demo without a folder"):
        with tempfile.TemporaryDirectory() as folder:
            bench = Path(folder) / "bench"
            make_small_bench(bench, design, sources)
            statuses = interrupt_at_random(name, count, Path(folder), bench, seed=count)
            result[name] = {str(one): statuses.count(one) for one in sorted(set(statuses))}
            sys.stdout.write(json.dumps({name: result[name]}) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
