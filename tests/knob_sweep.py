"""One sweep of seven knob positions with known truth, for the end-to-end tests.

The channel is stationary: each position has one true pulse width, so that it does not
matter which stretch of it was recorded.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from benchlog.capture.simulated_edges import TrueEdges
from benchlog.channel.design import parse_design, predict_cycle
from tests.command_line import Outcome, run_here

__all__ = [
    "KNOB_DEG",
    "VCD_STEP_US",
    "Position",
    "Row",
    "calibrate_files",
    "make_bench",
    "read_rows",
    "true_positions",
    "write_vcd",
]

KNOB_DEG = (15.0, 55.0, 95.0, 135.0, 175.0, 215.0, 255.0)

VCD_STEP_US = 1e-3
"""Length of one step of the VCD files' clock."""

# What the channel really has in it, so that rows differ from the design as they do at a bench.
_REAL_PARTS = {"r_on": 33.3e3, "r_knob": 99.2e3, "r_off": 824e3, "c_timing": 22.1e-9}


@dataclass(frozen=True, slots=True)
class Position:
    """What is true at one knob position, in degrees and seconds."""

    knob_deg: float
    on_s: float
    off_s: float

    def edges(self, duration_s: float) -> TrueEdges:
        """Return the wave from a little before 0 to past `duration_s`, starting high."""
        period_s = self.on_s + self.off_s
        start_s = -0.37 * period_s + period_s * np.arange(-2, int(duration_s / period_s) + 3)
        times = np.column_stack([start_s, start_s + self.on_s]).ravel()
        return TrueEdges.from_times(times, first=True)


@dataclass(frozen=True, slots=True)
class Row:
    """What a calibration table says of one knob position."""

    pulse_us: float
    u_pulse_us: float
    period_us: float
    verdict: str
    flags: tuple[str, ...]


def true_positions(design_text: str) -> tuple[Position, ...]:
    """Return the sweep's positions for a channel with parts of its own."""
    design = parse_design(design_text, "heron")
    cycle = predict_cycle(design, np.array(KNOB_DEG), parts=_REAL_PARTS)
    return tuple(
        Position(deg, float(on_s), float(off_s))
        for deg, on_s, off_s in zip(KNOB_DEG, cycle.on_s, cycle.off_s, strict=True)
    )


def read_rows(outcome: Outcome) -> dict[float, Row]:
    """Return the rows of `calibrate --json` by knob angle, exit status 0 or 1 required."""
    assert outcome.status in (0, 1), outcome
    assert outcome.err == "", outcome
    answer: dict[str, Any] = json.loads(outcome.out)
    assert answer["channel"] == "heron"
    rows = {
        float(row["knob_deg"]): Row(
            pulse_us=row["pulse_us"],
            u_pulse_us=row["u_pulse_us"],
            period_us=row["period_us"],
            verdict=row["verdict"],
            flags=tuple(row["flags"]),
        )
        for row in answer["rows"]
    }
    assert len(rows) == len(answer["rows"])
    if answer["table"] is not None:
        assert Path(answer["table"]).suffix == ".csv"
    return rows


def make_bench(folder: Path, design_text: str) -> Path:
    """Make a bench folder that knows heron's design, and return it."""
    (folder / "captures").mkdir(parents=True)
    (folder / "calibration" / "heron").mkdir(parents=True)
    design = folder / "calibration" / "heron" / "design.toml"
    design.write_text(design_text, encoding="utf-8")
    return folder


def write_vcd(path: Path, position: Position, duration_s: float) -> None:
    """Write a position's wave as a VCD file, with pyvcd's own writer and no code of benchlog's."""
    from vcd import VCDWriter

    edges = position.edges(duration_s)
    inside = (edges.time_s >= 0) & (edges.time_s <= duration_s)
    steps = np.round(edges.time_s[inside] * 1e6 / VCD_STEP_US).astype(int)
    first = bool(edges.level[np.flatnonzero(edges.time_s < 0)[-1]])
    with path.open("w") as file, VCDWriter(file, timescale="1 ns", date="") as writer:
        signal = writer.register_var("bench", "out", "wire", size=1, init=first)
        for step, level in zip(steps.tolist(), edges.level[inside].tolist(), strict=True):
            writer.change(signal, step, level)
        writer.close(round(duration_s * 1e6 / VCD_STEP_US))


def calibrate_files(
    folder: Path, design_text: str, positions: tuple[Position, ...]
) -> dict[float, Row]:
    """Return the rows that `calibrate --point` gives for exact edges in VCD files."""
    (folder / "heron.toml").write_text(design_text, encoding="utf-8")
    words: list[str] = []
    for position in positions:
        name = f"{position.knob_deg:g}.vcd"
        write_vcd(folder / name, position, 2.0)
        words += ["--point", f"{position.knob_deg:g}={name}"]
    outcome = run_here("calibrate", "--design", "heron.toml", *words, "--json", cwd=folder)
    return read_rows(outcome)
