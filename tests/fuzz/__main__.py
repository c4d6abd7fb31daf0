"""`python -m tests.fuzz [SECONDS] [FOLDER]`: all readers in turn, steered by coverage.

Needs the package atheris in the environment. The first byte of an input says which reader gets
the rest. A fault is written into FOLDER (a new temporary one if left out) with its traceback, each
place in the code once, and the run goes on.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import sys
import tempfile
import traceback
from pathlib import Path

_MAGICS = (
    b"RIFF", b"RF64", b"WAVEfmt ", b"data", b"ds64", b"fact", b"LIST", b"fLaC",
    b"$timescale ", b"$var wire 1 ", b"$enddefinitions $end", b"$dumpvars", b"$scope module ",
    b"time_s", b"level", b"1e999", b"-0", b"# benchlog-probe ", b"ticks_per_s=", b"width_bits=",
    b"inputs=", b"recorded_utc", b"knob_deg", b"channel", b"set_aside", b"gaps", b"NaN",
    b"0001-01-01T00:00:00+14:00", b"[timer]", b"[supply]", b'"""', b"{", b"[[", b"0xffffffffffff",
    b"trimmer", b"1979-05-27T07:32:00Z", b"inf", b"nan", b"# | ", b"# made: ", b"\xe2\x80\xa8",
    b"\xef\xbb\xbf", b"\x00\x00\x00\x00", b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f",
)  # fmt: skip


def _write_seeds(folder: Path) -> None:
    """Lay the right files, each behind its reader's number, and a dictionary beside them."""
    from tests.fuzz.targets import TARGETS

    corpus = folder / "corpus"
    corpus.mkdir()
    for number, target in enumerate(TARGETS):
        for count, seed in enumerate(target.seeds):
            (corpus / f"{number}-{count}").write_bytes(bytes([number]) + seed)
    words = ['"' + "".join(f"\\x{byte:02x}" for byte in word) + '"' for word in _MAGICS]
    (folder / "words").write_text("\n".join(words) + "\n", encoding="ascii")


def main(words: list[str]) -> int:
    """Run for so many seconds and say where the faults lie."""
    try:
        atheris = importlib.import_module("atheris")
    except ImportError:
        sys.stderr.write(
            "the package atheris is not in this environment; expected it for a coverage-guided "
            "run; try: pip install atheris in an environment of its own\n"
        )
        return 2
    seconds = int(words[0]) if words else 60
    folder = Path(words[1] if len(words) > 1 else tempfile.mkdtemp(prefix="fuzz-"))
    folder.mkdir(parents=True, exist_ok=True)
    with atheris.instrument_imports(include=["benchlog", "vcd", "tomllib", "json", "csv"]):
        import csv
        import json
        import tomllib

        import vcd.reader

        import benchlog.calibration.table_text
        import benchlog.capture.audio_files
        import benchlog.capture.csv_files
        import benchlog.capture.formats
        import benchlog.capture.probe_lines
        import benchlog.capture.repair
        import benchlog.capture.store
        import benchlog.capture.vcd_files
        import benchlog.channel.design

        assert all((csv, json, tomllib, vcd.reader, benchlog.channel.design))
        from tests.fuzz.targets import TARGETS
    _write_seeds(folder)
    scratch = tempfile.mkdtemp(prefix="fuzz-files-")
    seen: set[str] = set()
    counts = dict.fromkeys((target.name for target in TARGETS), 0)

    def test_one_input(data: bytes) -> None:
        target = TARGETS[data[0] % len(TARGETS)] if data else TARGETS[0]
        counts[target.name] += 1
        try:
            target.run(data[1:], Path(scratch))
        except Exception as exc:  # noqa: BLE001 - whatever leaves a reader is what is looked for
            frames = traceback.extract_tb(exc.__traceback__)
            place = f"{target.name} {type(exc).__name__} " + " ".join(
                f"{Path(frame.filename).name}:{frame.lineno}" for frame in frames[-3:]
            )
            if place not in seen:
                seen.add(place)
                name = hashlib.sha256(place.encode()).hexdigest()[:12]
                (folder / f"fault-{name}.bin").write_bytes(data)
                text = "".join(traceback.format_exception(exc))
                (folder / f"fault-{name}.txt").write_text(text, encoding="utf-8")
                sys.stderr.write(f"FAULT {place}\n")
        if sum(counts.values()) % 5000 == 0:
            with contextlib.suppress(OSError):
                (folder / "counts.txt").write_text(
                    f"{counts}\nfaults: {len(seen)}\n", encoding="utf-8"
                )

    sys.stderr.write(f"faults are written to {folder}\n")
    options = [
        sys.argv[0],
        f"-max_total_time={seconds}",
        "-timeout=20",
        "-rss_limit_mb=700",
        "-max_len=8192",
        f"-dict={folder / 'words'}",
        f"-artifact_prefix={folder}/",
        str(folder / "corpus"),
    ]
    atheris.Setup(options, test_one_input)
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
