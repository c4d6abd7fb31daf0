"""Recordings and bench folders for the tests of the commands, and how an answer is checked."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchlog.channel.design import parse_design, predict_cycle
from tests.command_line import Outcome

__all__ = ["answer", "check_line", "lay_in", "write_edges"]


def write_edges(
    path: Path, on_s: float, off_s: float, *, count: int = 60, inverted: bool = False
) -> Path:
    """Write a train of pulses as time_s,level."""
    start_s = 0.003 + (on_s + off_s) * np.arange(count)
    times = np.column_stack([start_s, start_s + on_s]).ravel()
    levels = (np.arange(times.size) + 1 + inverted) % 2
    lines = ["time_s,level", f"0,{int(inverted)}"]
    lines += [f"{t:.9f},{level}" for t, level in zip(times, levels, strict=True)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def answer(outcome: Outcome, status: int = 0) -> Any:
    assert outcome.status == status, outcome
    return json.loads(outcome.out, parse_constant=lambda word: pytest.fail(f"{word} in the JSON"))


def check_line(outcome: Outcome, *words: str) -> None:
    assert outcome.status == 2, outcome
    assert outcome.out == "", outcome
    assert len(outcome.err.splitlines()) == 1, outcome
    for word in ("expected", "try:", *words):
        assert word in outcome.err, outcome


def lay_in(
    bench: Path,
    design_text: str,
    angles: Sequence[float],
    *,
    parts: dict[str, float] | None = None,
    inverted: bool = False,
    **known: object,
) -> None:
    """Lay records of heron into a bench folder, as its parts make them at 6 V and 27 degrees."""
    folder = bench / "captures" / "heron"
    folder.mkdir(parents=True, exist_ok=True)
    design = parse_design(design_text, "heron")
    for minute, angle in enumerate(angles):
        cycle = predict_cycle(design, angle, parts=parts)
        path = folder / f"m{minute:02d}.csv"
        write_edges(path, float(cycle.on_s), float(cycle.off_s), inverted=inverted)
        sidecar = {
            "channel": "heron",
            "knob_deg": angle,
            "recorded_utc": f"2026-09-01T10:{minute:02d}:00Z",
            "supply_v": 6.0,
            "temperature_c": 27.0,
            **known,
        }
        path.with_suffix(".json").write_text(json.dumps(sidecar), encoding="utf-8")
