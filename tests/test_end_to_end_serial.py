"""From a serial probe and from files laid in by hand to the table, without sound."""

from __future__ import annotations

import contextlib
import json
import os
import select
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.command_line import run_here, run_process
from tests.knob_sweep import (
    KNOB_DEG,
    VCD_STEP_US,
    Position,
    Row,
    calibrate_files,
    make_bench,
    read_rows,
    true_positions,
    write_vcd,
)

pytestmark = [
    pytest.mark.pty,
    pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals"),
]

_RECORDED_S = 1.5
_SENT_S = 6.0
_TICKS_PER_S = 16_000_000
_WIDTH_BITS = 32

# A probe rounds each edge down to a whole tick, so a width is off by less than one tick, whatever
# the beat between ticks and pulses; the VCD files round to the nearest of their steps.
_TICK_US = 1e6 / _TICKS_PER_S


class _Probe:
    """A probe at the far end of a pseudo-terminal that reports one position, in real time.

    The counter is 32 bits wide and starts a second before it wraps around.
    """

    def __init__(self, position: Position) -> None:
        edges = position.edges(_SENT_S)
        self._edges = [
            (time_s, int(level))
            for time_s, level in zip(edges.time_s.tolist(), edges.level.tolist(), strict=True)
            if time_s >= 0
        ]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._report, daemon=True)

    @contextlib.contextmanager
    def running(self) -> Iterator[str]:
        """Run the probe and give the port's name."""
        import tty

        self._far, near = os.openpty()
        try:
            tty.setraw(near)
            port = os.ttyname(near)
            os.close(near)
            os.set_blocking(self._far, False)
            self._thread.start()
            yield port
        finally:
            self._stop.set()
            self._thread.join(timeout=10)
            os.close(self._far)

    def _report(self) -> None:
        if not self._wait_until_opened():
            return
        start = time.monotonic()
        header = f"# benchlog-probe ticks_per_s={_TICKS_PER_S} width_bits={_WIDTH_BITS} inputs=1"
        self._send(header)
        for time_s, level in self._edges:
            if self._stop.wait(max(0.0, start + time_s - time.monotonic())):
                return
            ticks = int(np.floor(time_s * _TICKS_PER_S)) - _TICKS_PER_S
            self._send(f"{ticks % 2**_WIDTH_BITS} {level}")

    def _wait_until_opened(self) -> bool:
        """Wait until somebody holds the port: until then the far end is hung up."""
        poll = select.poll()
        poll.register(self._far, select.POLLIN)
        while not self._stop.is_set():
            if not any(event & select.POLLHUP for _, event in poll.poll(10)):
                # Opening a port ends with its buffers being emptied.
                return not self._stop.wait(0.3)
            self._stop.wait(0.01)
        return False

    def _send(self, line: str) -> None:
        with contextlib.suppress(OSError):  # nobody reads any more
            os.write(self._far, line.encode("ascii") + b"\r\n")


@pytest.fixture(scope="module")
def positions(heron_text: str) -> tuple[Position, ...]:
    """Return the sweep's true positions."""
    return true_positions(heron_text)


@pytest.fixture(scope="module")
def probed(
    positions: tuple[Position, ...], tmp_path_factory: pytest.TempPathFactory, heron_text: str
) -> dict[float, Row]:
    """Return the table of a sweep that came in over a serial line."""
    bench = make_bench(tmp_path_factory.mktemp("serial") / "bench", heron_text)
    for position in positions:
        with _Probe(position).running() as port:
            outcome = run_process(
                *("capture", "heron", "--at", f"{position.knob_deg:g}", "--port", port),
                *("--seconds", f"{_RECORDED_S:g}", "--bench", bench, "--json"),
                cwd=bench,
            )
        assert outcome.status == 0, outcome
    return read_rows(run_here("calibrate", "heron", "--bench", bench, "--json", cwd=bench))


def _lay_in(bench: Path, positions: tuple[Position, ...]) -> None:
    """Lay VCD files into a bench folder, each with a sidecar of three lines."""
    folder = bench / "captures" / "heron"
    folder.mkdir()
    for minute, position in enumerate(positions):
        name = f"20260901T10{minute:02d}00Z-{position.knob_deg:g}deg"
        write_vcd(folder / f"{name}.vcd", position, _RECORDED_S)
        (folder / f"{name}.json").write_text(
            '{"channel": "heron",\n'
            f' "knob_deg": {position.knob_deg:g},\n'
            f' "recorded_utc": "2026-09-01T10:{minute:02d}:00Z"}}\n'
        )


def _check_true(rows: dict[float, Row], positions: tuple[Position, ...], step_us: float) -> None:
    assert sorted(rows) == sorted(KNOB_DEG)
    for position in positions:
        row = rows[position.knob_deg]
        assert row.pulse_us == pytest.approx(position.on_s * 1e6, abs=step_us)
        period_us = (position.on_s + position.off_s) * 1e6
        assert row.period_us == pytest.approx(period_us, abs=step_us)
        assert row.flags == ()


def test_every_pulse_from_a_probe_is_true(
    probed: dict[float, Row], positions: tuple[Position, ...]
) -> None:
    _check_true(probed, positions, _TICK_US)


def test_vcd_files_give_the_probes_table(
    probed: dict[float, Row],
    positions: tuple[Position, ...],
    heron_text: str,
    tmp_path: Path,
) -> None:
    pointed = calibrate_files(tmp_path, heron_text, positions)
    _check_true(pointed, positions, VCD_STEP_US)
    for knob_deg, row in pointed.items():
        assert probed[knob_deg].pulse_us == pytest.approx(row.pulse_us, abs=_TICK_US + VCD_STEP_US)
        assert probed[knob_deg].verdict == row.verdict


def test_records_laid_in_by_hand_give_the_same_table(
    positions: tuple[Position, ...], heron_text: str, tmp_path: Path
) -> None:
    bench = make_bench(tmp_path / "bench", heron_text)
    _lay_in(bench, positions)
    laid = read_rows(run_here("calibrate", "heron", "--json", cwd=bench))
    _check_true(laid, positions, VCD_STEP_US)
    (tmp_path / "files").mkdir()
    pointed = calibrate_files(tmp_path / "files", heron_text, positions)
    assert [r.verdict for r in laid.values()] == [r.verdict for r in pointed.values()]


def test_each_table_is_kept_beside_the_design(
    positions: tuple[Position, ...], heron_text: str, tmp_path: Path
) -> None:
    bench = make_bench(tmp_path / "bench", heron_text)
    _lay_in(bench, positions)
    first = json.loads(run_here("calibrate", "heron", "--json", cwd=bench).out)["table"]
    kept = (bench / first).read_bytes()
    second = json.loads(run_here("calibrate", "heron", "--json", cwd=bench).out)["table"]
    assert first != second
    assert (bench / first).read_bytes() == kept
    assert (bench / first).parent == bench / "calibration" / "heron"


def test_a_port_that_is_not_there_is_refused(bench_folder: Path) -> None:
    outcome = run_here(
        *("capture", "heron", "--at", "45", "--port", bench_folder / "no-port"),
        *("--seconds", "1"),
        cwd=bench_folder,
    )
    assert outcome.status == 2, outcome
    assert len(outcome.err.splitlines()) == 1, outcome
    assert "no-port" in outcome.err
    assert list((bench_folder / "captures").rglob("*.*")) == []
