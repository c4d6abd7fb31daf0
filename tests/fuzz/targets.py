"""The readers as functions of bytes, with right files to begin from.

What a reader may do with bytes is to read them or to raise `BenchlogError` in one short line;
anything else that comes out of `Target.run` is a fault of ours.
"""

from __future__ import annotations

import dataclasses
import json
import struct
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchlog.errors import BenchlogError
from benchlog.recording import EdgeList, Samples

__all__ = ["LONGEST_MESSAGE", "TARGETS", "Target", "check_refusal", "sound_seeds", "wav_bytes"]

LONGEST_MESSAGE = 1300
"""Characters of a refusal: three parts, each short enough for a person to read."""

_ENOUGH_FRAMES = 1 << 20


@dataclass(frozen=True, slots=True)
class Target:
    """One reader.

    Attributes
    ----------
    name : str
        What it reads.
    seeds : tuple of bytes
        Right files.
    read : callable
        Reads a file and uses what it gives; raises `BenchlogError` where it refuses.
    """

    name: str
    seeds: tuple[bytes, ...]
    read: Callable[[Path], object]

    def run(self, data: bytes, folder: Path | None = None) -> BenchlogError | None:
        """Read `data`; return the refusal, or None where it was read."""
        with tempfile.NamedTemporaryFile(dir=folder, prefix="fuzz") as file:
            file.write(data)
            file.flush()
            try:
                self.read(Path(file.name))
            except BenchlogError as refusal:
                check_refusal(refusal)
                return refusal
        return None


def check_refusal(refusal: BenchlogError) -> None:
    """Hold a refusal to one line that a person can read."""
    text = str(refusal)
    assert text.isprintable(), text[:200]
    assert len(text) <= LONGEST_MESSAGE, text[:200]
    assert refusal.found
    assert refusal.expected
    assert refusal.attempt


def _check_edges(edges: EdgeList) -> None:
    """Hold an edge list to what `EdgeList` promises."""
    assert edges.time_s.size == edges.level.size > 0
    assert np.isfinite(edges.time_s).all()
    assert (np.diff(edges.time_s) > 0).all()
    assert (edges.level[1:] != edges.level[:-1]).all()
    assert edges.start_s <= edges.time_s[0]
    assert edges.end_s >= edges.time_s[-1]
    for gap in edges.gaps:
        assert gap.length_s >= 0


def _read_recording(path: Path) -> object:
    from benchlog.capture.formats import open_recording

    recording = open_recording(path)
    if isinstance(recording, Samples):
        return _drain(recording)
    for edges in recording:
        _check_edges(edges)
    return recording


def _drain(samples: Samples) -> int:
    """Read the blocks, of a very long file the first ones."""
    count = 0
    for block in samples.blocks():
        assert block.shape[1] == samples.input_count
        assert block.dtype == np.float32
        count += len(block)
        if count > _ENOUGH_FRAMES:
            break
    assert count > 0
    return count


def _read_vcd(path: Path) -> object:
    from benchlog.capture.vcd_files import read_vcd

    edges = read_vcd(path)
    _check_edges(edges)
    return edges


def _read_csv(path: Path) -> object:
    from benchlog.capture.csv_files import read_csv

    edges = read_csv(path)
    _check_edges(edges)
    return edges


def _read_probe(path: Path) -> object:
    from benchlog.capture.probe_lines import parse_probe_lines, read_probe_log

    parse_probe_lines(path.read_bytes().split(b"\n"))
    edges = read_probe_log(path)
    _check_edges(edges)
    return edges


def _read_sidecar(path: Path) -> object:
    from benchlog.capture.sidecar import parse_sidecar, read_sidecar, sidecar_text

    sidecar = read_sidecar(path)
    assert parse_sidecar(sidecar_text(sidecar), "again") == sidecar
    assert sidecar.stamp
    return sidecar


def _read_design(path: Path) -> object:
    from benchlog.capture.store import read_design

    design = read_design(path)
    assert design.channel
    return design.warnings


def _read_servo(path: Path) -> object:
    """Read a measured servo, write it again and use it."""
    from benchlog.channel.kept_servo import format_servo, parse_servo
    from benchlog.show.servo_words import servo_sentences, servo_to_json

    text = path.read_bytes().decode("utf-8-sig", "replace")
    kept = parse_servo(text, path.name)
    assert parse_servo(format_servo(kept), "again").name == kept.name
    return servo_sentences(kept), servo_to_json(kept)


def _read_sweep_plan(path: Path) -> object:
    """Read the marks of a sweep under the name that they have in a bench folder."""
    from benchlog.capture.sweep_files import read_plan

    with tempfile.TemporaryDirectory() as name:
        there = Path(name) / "heron" / "20260901T100000Z.sweep"
        there.parent.mkdir()
        there.write_bytes(path.read_bytes())
        plan = read_plan(there)
    assert plan.marks
    assert [mark.number for mark in plan.marks] == list(range(1, len(plan.marks) + 1))
    return plan


def _read_batch(path: Path) -> object:
    """Read a batch of copies and make its labels."""
    from benchlog.capture.batch_files import read_batch
    from benchlog.commands.confirm_records import copies_to_json, make_labels

    batch = read_batch(path)
    return copies_to_json(batch.newest), [one.figures() for one in make_labels(batch)]


def _read_table(path: Path) -> object:
    from benchlog.calibration.table_text import parse_table

    return parse_table(path.read_bytes().decode("utf-8", "replace"), path.name)


def wav_bytes(
    data: bytes,
    *,
    kind: int = 1,
    inputs: int = 1,
    rate_hz: int = 48000,
    bits: int = 16,
    claimed: int | None = None,
) -> bytes:
    """Return a WAV file (RIFF, WAVEFORMAT) whose header says whatever it is told to say."""
    frame = (inputs * bits // 8) & 0xFFFF
    form = struct.pack(
        "<HHIIHH", kind, inputs, rate_hz, (rate_hz * frame) & 0xFFFFFFFF, frame, bits
    )
    size = len(data) if claimed is None else claimed
    return (
        b"RIFF"
        + struct.pack("<I", min(36 + size, 0xFFFFFFFF))
        + b"WAVEfmt "
        + struct.pack("<I", 16)
        + form
        + b"data"
        + struct.pack("<I", min(size, 0xFFFFFFFF))
        + data
    )


def sound_seeds() -> tuple[bytes, ...]:
    """Return a short pulse train in every form of sound file that is read."""
    import io

    import soundfile

    values = np.where(np.arange(900) % 150 < 15, 0.4, -0.1)
    seeds = []
    for container, subtype in (
        ("WAV", "PCM_16"),
        ("WAV", "PCM_24"),
        ("WAV", "FLOAT"),
        ("WAV", "PCM_U8"),
        ("WAVEX", "PCM_16"),
        ("RF64", "PCM_16"),
        ("FLAC", "PCM_16"),
        ("FLAC", "PCM_24"),
    ):
        sink = io.BytesIO()
        soundfile.write(sink, values, 48000, format=container, subtype=subtype)
        seeds.append(sink.getvalue())
    return tuple(seeds)


_VCD = b"""$date today $end
$version bench $end
$timescale 1 us $end
$scope module stage $end
$var wire 1 ! pulse $end
$upscope $end
$enddefinitions $end
$dumpvars
0!
$end
#1000
1!
#2500
0!
#16000
1!
#17500
0!
#20000
x!
#31000
b1 !
#32500
0!
#40000
"""
_CSV = b"time_s,level\r\n0,0\r\n0.001,1\r\n0.0025,0\r\n1.6e-2,1\r\n.0175,0\r\n0.02,0\r\n"
_CSV_OTHER = b'\xef\xbb\xbf"level",note,time_s\n0,"a, b",-1\n1,,0.5\n0,"x\ny",0.6\n'
_PROBE = (
    b"hello\r\n# benchlog-probe ticks_per_s=2000000 width_bits=32 inputs=1\r\n"
    b"4294960000 1\r\n4294963000 0\r\n20000 1\r\nx\r\n23000 0\r\n"
    b"# benchlog-probe ticks_per_s=2000000 width_bits=32 inputs=1\r\n10 1\r\n3000 0\r\n"
)
_PROBE_NARROW = (
    b"# benchlog-probe ticks_per_s=1000000 width_bits=16 inputs=1\n10 1\n20 0\n5 1\n5 0\n9 0\n"
)
_SIDECAR = json.dumps(
    {
        "channel": "heron",
        "knob_deg": 90.5,
        "direction": "up",
        "sweep": "20260901T100000Z",
        "recorded_utc": "2026-09-01T10:00:00Z",
        "source": "sound input",
        "rate_hz": 48000.0,
        "input": 1,
        "active_level": "high",
        "supply_v": 6.0,
        "temperature_c": 21.5,
        "servo": "idle",
        "note": "bürste [red] <b>",
        "gaps": [{"start_s": 0.5, "length_s": 0.01}],
        "set_aside": None,
        "sha256": "0" * 64,
        "profile": "usb",
        "history": [
            {
                "changed_utc": "2026-09-02T10:00:00Z",
                "key": "knob_deg",
                "old": 91.0,
                "new": 90.5,
                "why": "read again",
            }
        ],
        "unfinished": True,
        "mine": {"a": [1, 2.5, None, True, "x"]},
    },
    indent=1,
).encode()
_SIDECAR_SHORT = b'{"channel":"heron","knob_deg":0,"recorded_utc":"2026-09-01T12:00:00+02:00"}'
_DESIGN = b"""channel = "heron"
[supply]
volts = 6.0
volts_tolerance = "5%"
[timer]
family = "cmos"
r_on = "33k + trimmer 10k"
r_on_tolerance = 0.01
r_knob = 100000
r_off = "820 kohm"
c_timing = "22n"
[diode]
saturation_current = "2.52n"
emission = 1.752
series = "0.568"
[knob]
travel_deg = 270
longer = "clockwise"
taper = "linear"
[servo]
pulse_min_us = 500
pulse_max_us = 2500
[limits]
deviation_us = 20
[ambient]
temperature_c = 27 # a note
"""
_DESIGN_CURVE = _DESIGN.replace(
    b"pulse_max_us = 2500",
    b"pulse_max_us = 2500\npoints = [[700, 12], [1500, 93.5], [2300, 170]]\nreading_deg = 1"
    b'\ncalled = "lifter"\nassumed = false',
)

_SERVO = b"""name = "lifter"
found_utc = "2026-09-01T10:00:00Z"
note = "the red one"
[range]
pulse_min_us = 533.5
pulse_max_us = 2431
dead_band_us = 5
[low_end]
how = "buzz"
pulse_us = 520.1
u_us = 4.2
tries_us = [519.1, 521.2]
[high_end]
how = "at least"
pulse_us = 2431
u_us = 0.1
[arm]
points = [[700, 12], [1500, 93.5], [2300, 170]]
reading_deg = 1.5
"""

_DESIGN_INLINE = b"""channel = 'moon'
supply = { volts = "4.8" }
knob = { travel_deg = 2_70, dead_low_deg = 0x5 }
servo.pulse_min_us = 500
servo.pulse_max_us = 2.5e3
timer.r_on = "4k7"
timer.r_knob = "0"
timer.r_off = "R47"
timer.c_timing = "100p"
diode.model = "none"
"""


def _table_seed() -> bytes:
    """Return a calibration table as it is stored."""
    from benchlog.calibration.table import Point, build_table
    from benchlog.calibration.table_text import format_table
    from benchlog.channel.design import parse_design

    design = parse_design(_DESIGN.decode(), "heron")
    point = Point(90.0, 0.0015, 1e-7, 0.015, supply_v=6.0, pulse_count=9, source='a,"b".csv')
    points = [point, dataclasses.replace(point, knob_deg=180.0, direction="down", supply_v=None)]
    return format_table(build_table(design, points), "20260901T100000Z").encode()


def _sweep_seeds() -> tuple[bytes, ...]:
    """Return the marks of sweeps over knob angles and to arm angles."""
    marks = [{"knob_deg": 0.0, "direction": "up"}, {"knob_deg": 90.0, "direction": "down"}]
    content = {"channel": "heron", "sweep": "20260901T100000Z", "seconds": 2.0, "marks": marks}
    arms = {**content, "supply_v": 5.9, "temperature_c": 22.0, "marks": [{"arm_deg": 45.0}]}
    return json.dumps(content).encode(), json.dumps(arms).encode()


def _batch_seed() -> bytes:
    """Return a batch of two copies, one that gave no figures."""
    from benchlog.capture.batch_rows import (
        BatchCopy,
        BatchPlace,
        BatchProduct,
        format_head,
        format_row,
    )

    design = _DESIGN.decode()
    place = BatchPlace(90.0, 1.5e-3, 1e-7, 0.015, 3e-7, 120, 1.5e-3, 1e-6, 4e-6, "on design")
    product = BatchProduct("r_off*c_timing", 0.018, 0.0181, 1e-5)
    copy = BatchCopy(
        1, 0, "2026-09-01T10:00:00Z", "FAIL", "r_on", "value", 'a, "b"', 6.0, 0.02, True, None,
        (place, None, place), (product,),
    )  # fmt: skip
    none = dataclasses.replace(copy, number=2, supply_v=None, places=(None,) * 3, products=())
    text = format_head("heron", "autumn-1", design)
    return (text + format_row(copy, design) + format_row(none, design)).encode()


TARGETS = (
    Target("sound", sound_seeds(), _read_recording),
    Target("vcd", (_VCD,), _read_vcd),
    Target("csv", (_CSV, _CSV_OTHER), _read_csv),
    Target("probe", (_PROBE, _PROBE_NARROW), _read_probe),
    Target("sidecar", (_SIDECAR, _SIDECAR_SHORT), _read_sidecar),
    Target("design", (_DESIGN, _DESIGN_INLINE, _DESIGN_CURVE), _read_design),
    Target("servo", (_SERVO,), _read_servo),
    Target("table", (_table_seed(),), _read_table),
    Target("batch", (_batch_seed(),), _read_batch),
    Target("sweep", _sweep_seeds(), _read_sweep_plan),
    Target("any recording", (_VCD, _CSV, _PROBE), _read_recording),
)
"""Every reader of the project."""
