"""`benchlog confirm`: batches with wrong copies among them, sorted without anybody at the keys.

A script turns the knob of a channel that is played in real time through a private sound server,
and swaps boards, as the program asks for it. Beside it the same through the model alone, on many
more batches: what the answers are worth.
"""

from __future__ import annotations

import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

from benchlog.capture.batch_files import read_batch
from benchlog.channel.design import parse_design
from tests.confirm_script import Board, answer_board, confirm_boards, draw_boards
from tests.sound_server import run_sound_server, what_is_missing

__all__ = ["run"]

_CHECKOUT = Path(__file__).resolve().parent.parent.parent
_COUNT = 27
_WRONG = (5, 14, 22)
_SEED = 3
_BATCHES = 4


def run() -> None:
    """Print how a batch of 27 is sorted, and how long a copy takes."""
    print_model()
    missing = what_is_missing()
    if missing is not None:
        print(f"confirm: the played batch is skipped, {missing}")
    else:
        print_played()


def print_played() -> None:
    """Print the batch that is played."""
    text = (_CHECKOUT / "calibration" / "heron" / "design.toml").read_text(encoding="utf-8")
    design = parse_design(text, "heron")
    boards = draw_boards(design, _COUNT, _WRONG, _SEED)
    with run_sound_server() as server, tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "calibration" / "heron").mkdir(parents=True)
        (folder / "captures").mkdir()
        (folder / "calibration" / "heron" / "design.toml").write_text(text, encoding="utf-8")
        words = ["--input", "pulse", "--rate", "48000", "--batch", "many", "--copies", "27"]
        words += ["--supply", "6", "--labels", str(folder / "labels.pdf")]
        status, said, took_s = confirm_boards(
            server, design, boards, folder, words, within_s=_COUNT * 60.0
        )
        path = folder / "calibration" / "heron" / "batches" / "many.csv"
        copies = read_batch(path).newest if path.exists() else ()
        size = (folder / "labels.pdf").stat().st_size if (folder / "labels.pdf").exists() else 0
    right = 0
    for copy, board in zip(copies, boards, strict=False):
        wanted = "FAIL" if board.fault is not None else "PASS"
        right += copy.verdict == wanted
        if copy.verdict != wanted or board.fault is not None:
            found = f"{copy.part or '-'} {copy.fault or '-'}"
            print(
                f"  copy {copy.number}: {board.fault or 'right'}: {copy.verdict} ({found})"
                f"{'' if copy.verdict == wanted else ' ' + copy.reason}"
            )
    print(
        f"played batch of {_COUNT}, {len(_WRONG)} wrong: {right} sorted right, "
        f"{took_s / max(len(copies), 1):.1f} s a copy with its swap, exit status {status}, labels "
        f"{size} bytes"
    )
    for line in said[-12:]:
        if len(copies) != _COUNT or " copies" in line:
            print(f"  {line}")


def print_model() -> None:
    """Print the answers on batches through the model, the supply read and not."""
    for supply_read in (True, False):
        counts: Counter[tuple[bool, str]] = Counter()
        named = 0
        began_s = time.process_time()
        for design_name in ("heron", "moon"):
            path = _CHECKOUT / "calibration" / design_name / "design.toml"
            design = parse_design(path.read_text(encoding="utf-8"), design_name)
            for batch in range(_BATCHES // 2):
                source = np.random.default_rng([batch, supply_read])
                wrong = sorted(source.choice(np.arange(1, _COUNT + 1), 3, replace=False).tolist())
                for board in draw_boards(design, _COUNT, wrong, 100 + batch):
                    result = answer_board(design, board, source, supply_read=supply_read)
                    counts[board.fault is not None, result.word] += 1
                    named += board.fault is not None and names_fault(board, result.part)
        spent_s = time.process_time() - began_s
        told = ", ".join(
            f"{'wrong' if bad else 'right'} {word} {count}"
            for (bad, word), count in sorted(counts.items())
        )
        bad = sum(count for (is_bad, _), count in counts.items() if is_bad)
        print(
            f"model, supply {'read' if supply_read else 'not read'}: {told}; wrong part named in "
            f"{named} of {bad}; {spent_s / sum(counts.values()):.2f} s of processor time a copy"
        )


def names_fault(board: Board, part: str | None) -> bool:
    """Tell whether the part that is named is the one that is wrong."""
    wanted = {"swapped": ("r_on", "r_off"), "ends-swapped": ("knob",), "open": ("diode",)}
    return part in wanted.get(board.fault or "", (board.fault,))
