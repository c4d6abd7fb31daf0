"""Whatever bytes a file holds, a reader reads or refuses them in one line and comes to an end.

`python -m tests.fuzz` runs the same readers for as long as one likes, steered by coverage.
"""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchlog.calibration.table import Point, build_table
from benchlog.calibration.table_text import format_table, parse_table
from benchlog.capture.csv_files import read_csv
from benchlog.capture.sidecar import parse_sidecar, sidecar_path, sidecar_text
from benchlog.capture.vcd_files import read_vcd
from benchlog.channel.design import parse_design
from benchlog.errors import BenchlogError, DesignError, RecordingError, StoreError
from tests.fuzz.spoiling import bounded, spoiled
from tests.fuzz.targets import TARGETS, Target, check_refusal, wav_bytes

_BY_NAME = {target.name: target for target in TARGETS}
_some = settings(max_examples=120, suppress_health_check=list(HealthCheck))
each_reader = pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)


def read(target: Target, data: bytes) -> BenchlogError | None:
    with bounded():
        return target.run(data)


@each_reader
def test_right_files_are_read(target: Target) -> None:
    assert [read(target, seed) for seed in target.seeds] == [None] * len(target.seeds)


@each_reader
@given(data=st.binary(max_size=400) | st.text(max_size=200).map(str.encode))
@_some
def test_any_bytes(target: Target, data: bytes) -> None:
    read(target, data)


@each_reader
@given(data=st.data())
@_some
def test_spoiled_files(target: Target, data: st.DataObject) -> None:
    read(target, data.draw(spoiled(target.seeds)))


@each_reader
def test_cut_anywhere(target: Target) -> None:
    seed = target.seeds[0]
    for length in range(0, len(seed), 1 + len(seed) // 150):
        read(target, seed[:length])


# --- sound: whatever the header claims -----------------------------------------


@given(
    kind=st.sampled_from([0, 1, 2, 3, 6, 7, 17, 85, 0xFFFE, 0xFFFF]),
    inputs=st.sampled_from([0, 1, 2, 8, 64, 65, 1024, 65535]),
    rate_hz=st.sampled_from([0, 1, 999, 1000, 48000, 10**7, 2**31 - 1, 2**31, 2**32 - 1]),
    bits=st.sampled_from([0, 1, 4, 8, 12, 16, 24, 32, 64, 65535]),
    claimed=st.sampled_from([None, 0, 1, 2**31, 2**32 - 1]),
    data=st.binary(max_size=200),
)
@settings(parent=_some, max_examples=250)
def test_any_wav_header(
    kind: int, inputs: int, rate_hz: int, bits: int, claimed: int | None, data: bytes
) -> None:
    words: dict[str, Any] = {"inputs": inputs, "rate_hz": rate_hz, "bits": bits}
    read(_BY_NAME["sound"], wav_bytes(data, kind=kind, claimed=claimed, **words))


@given(
    sizes=st.tuples(*[st.sampled_from([0, 1, 16, 4096, 65535])] * 2),
    rate_hz=st.integers(0, 2**20 - 1),
    inputs=st.integers(0, 7),
    bits=st.integers(0, 31),
    frames=st.sampled_from([0, 1, 900, 2**32, 2**36 - 1]),
)
@_some
def test_any_flac_header(
    sizes: tuple[int, int], rate_hz: int, inputs: int, bits: int, frames: int
) -> None:
    seed = bytearray(_BY_NAME["sound"].seeds[6])
    assert seed[:4] == b"fLaC"
    # STREAMINFO (RFC 9639, 8.2): block sizes, then rate 20, inputs 3, bits 5, frames 36 bits
    seed[8:12] = struct.pack(">HH", *sizes)
    packed = rate_hz << 44 | inputs << 41 | bits << 36 | frames
    seed[18:26] = packed.to_bytes(8, "big")
    read(_BY_NAME["sound"], bytes(seed))


# --- what was found in these readers once -----------------------------------------


def test_a_vector_of_very_many_bits_is_a_level_like_any_other() -> None:
    # as a number it has more digits than Python writes out
    target = _BY_NAME["vcd"]
    for bits in (b"1" * 20_000, b"0" * 20_000 + b"1"):
        assert read(target, target.seeds[0].replace(b"b1 !", b"b" + bits + b" !")) is None


@pytest.mark.parametrize(
    ("header", "match"),
    [
        ("$scope module a $end\n" * 200, "scopes nested deeper than 100"),
        ("$scope module " + "a" * 2000 + " $end\n$var wire 1 ! b $end\n", "path has 2002"),
        ("$var wire 1 " + "a" * (5 << 18), "item of more than"),
    ],
)
def test_a_vcd_header_without_end_or_measure(tmp_path: Path, header: str, match: str) -> None:
    path = tmp_path / "a.vcd"
    path.write_text("$timescale 1 us $end\n" + header, encoding="ascii")
    with pytest.raises(RecordingError, match=match):
        read_vcd(path)


@pytest.mark.parametrize("tail", ["[", " [", "[3", " [3 "])
def test_a_vcd_that_ends_within_a_bit_index(tmp_path: Path, tail: str) -> None:
    # the parser asks for more without end
    path = tmp_path / "a.vcd"
    path.write_text(f"$timescale 1 us $end\n$var wire 1 ! pulse {tail}", encoding="ascii")
    with bounded(), pytest.raises(RecordingError, match="ends"):
        read_vcd(path)


def test_a_vcd_change_before_the_first_time_stamp(tmp_path: Path) -> None:
    path = tmp_path / "a.vcd"
    path.write_text(
        "$timescale 1 us $end\n$var wire 1 ! a $end\n$enddefinitions $end\n"
        "$dumpvars 0! $end\n1!\n#500\n0!\n#900\n",
        encoding="ascii",
    )
    edges = read_vcd(path)
    assert edges.time_s.tolist() == [0.0, 500e-6]
    assert (edges.start_s, edges.end_s) == (0.0, 900e-6)


def test_vcd_times_too_late_to_be_told_apart(tmp_path: Path) -> None:
    # 2**53 is where whole numbers end in float64
    path = tmp_path / "a.vcd"
    late = 1 << 60
    path.write_text(
        "$timescale 1 ns $end\n$var wire 1 ! a $end\n$enddefinitions $end\n"
        + "".join(f"#{late + k}\n{k % 2}!\n" for k in range(4)),
        encoding="ascii",
    )
    with pytest.raises(RecordingError, match="too close together"):
        read_vcd(path)


@pytest.mark.parametrize("time", ["1e300", "-1e300", "1e999", "9" * 400])
def test_csv_times_that_no_clock_shows(tmp_path: Path, time: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(f"time_s,level\n0,0\n{time},1\n", encoding="ascii")
    with pytest.raises(RecordingError, match="row 3"):
        read_csv(path)


def test_csv_times_a_denormal_apart(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("time_s,level\n1e-320,1\n2e-320,0\n3e-320,1\n", encoding="ascii")
    with pytest.raises(RecordingError, match="ascend"):
        read_csv(path)


_SIDECAR = {"channel": "heron", "knob_deg": 0, "recorded_utc": "2026-09-01T10:00:00Z"}


@pytest.mark.parametrize(
    ("mine", "match"),
    [
        ("1e999", "beyond any limit"),
        ("[[-1e999]]", "beyond any limit"),
        ("[" * 400 + "]" * 400, "nested too deeply"),
        ('{"a":' * 100_000, "nested too deeply"),
        ("9" * 5000, "not right JSON"),
    ],
    ids=["infinite", "infinite inside", "deep", "very deep", "long number"],
)
def test_a_sidecar_that_could_not_be_written_again(mine: str, match: str) -> None:
    text = json.dumps(_SIDECAR)[:-1] + f', "mine": {mine}}}'
    with pytest.raises(RecordingError, match=match) as caught:
        parse_sidecar(text, "a.json")
    check_refusal(caught.value)


@pytest.mark.parametrize("key", ["channel", "note", "gaps", "rate_hz", "input", "servo", "mine"])
@given(
    value=st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=30),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
        max_leaves=8,
    )
)
@_some
def test_any_value_in_a_sidecar(key: str, value: object) -> None:
    try:
        sidecar = parse_sidecar(json.dumps({**_SIDECAR, key: value}), "a.json")
    except RecordingError as refusal:
        check_refusal(refusal)
    else:
        assert parse_sidecar(sidecar_text(sidecar), "a.json") == sidecar


def test_a_path_without_a_name_has_no_sidecar() -> None:
    assert [sidecar_path(Path(word)) for word in (".", "/")] == [Path("."), Path("/")]


_QUOTES = '"""'


@pytest.mark.parametrize(
    ("extra", "match"),
    [
        ("a" + ".a" * 300_000 + " = 1", "characters"),
        ("a" + ".a" * 3_000 + " = 1", "characters in a line"),
        ("[servo.pulse_max_us" + ".a" * 400 + "]\nx = 1", "pulse_max_us"),
        ("[limits.jitter_us]\na" + ".a" * 490 + " = 1", "limits.jitter_us"),
        (f"x = {_QUOTES}\n[" + " " * 60_000 + f"x\n{_QUOTES}", "characters in a line"),
        ("x = " + "[" * 900, "cannot be read as TOML"),
        ("x = " + "9" * 990, "x"),
        ("x = 0x" + "f" * 900, "x"),
    ],
    ids=["dots", "fewer dots", "deep table", "deep key", "blanks", "brackets", "digits", "hex"],
)
def test_a_design_that_takes_more_than_it_says(heron_text: str, extra: str, match: str) -> None:
    for text in (f"{extra}\n{heron_text}", f"{heron_text}\n{extra}"):
        with bounded(), pytest.raises(DesignError) as caught:
            parse_design(text, "design.toml")
        check_refusal(caught.value)
    assert match in str(caught.value)


def test_finding_the_line_of_a_key_takes_no_longer_for_blanks(heron_text: str) -> None:
    # lines within a text of several, each like the head of a table and without its end
    lines = "\n".join(["[" + " " * 990] * 60)
    text = heron_text.replace('"33k"', f"{_QUOTES}\n{lines}\n{_QUOTES}")
    with bounded(), pytest.raises(DesignError, match="r_on"):
        parse_design(text, "design.toml")


def make_table_text(design_text: str) -> str:
    design = parse_design(design_text, "heron")
    points = [Point(float(a), 0.0015, 1e-7, 0.015, pulse_count=9) for a in np.arange(3) * 90.0]
    return format_table(build_table(design, points), "20260901T100000Z")


@pytest.mark.parametrize("mark", ["\u2028", "\u2029", "\x85"])
def test_a_table_keeps_its_design_whatever_stands_in_the_notes(heron_text: str, mark: str) -> None:
    # line ends to Unicode, plain characters of a note to TOML
    design_text = heron_text.replace("travel_deg = 270", f"travel_deg = 270 # so{mark}far")
    stored = parse_table(make_table_text(design_text), "a table")
    assert stored.design_text == design_text
    assert parse_design(stored.design_text, "again").text == design_text


@pytest.mark.parametrize(
    ("cell", "match"),
    [('"' + "x" * 200_000 + '"', "is no CSV"), ('"x', "is no CSV"), ("x,y", "23 cells")],
)
def test_a_table_with_a_broken_cell(heron_text: str, cell: str, match: str) -> None:
    text = make_table_text(heron_text).rstrip("\n") + cell + "\n"
    with pytest.raises(StoreError, match=match) as caught:
        parse_table(text, "a table")
    check_refusal(caught.value)


def test_a_refusal_stays_short_whatever_was_found() -> None:
    error = RecordingError("x" * 10_000, expected="\n" * 10_000, attempt="y")
    check_refusal(error)
    assert str(RecordingError("a", expected="b", attempt="c")) == "a; expected b; try: c"
