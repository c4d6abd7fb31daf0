"""The bench folder: sidecars, recordings, sweeps, and what a fault leaves behind."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.capture import new_files, store
from benchlog.capture.new_files import channel_fault
from benchlog.capture.sidecar import (
    Sidecar,
    is_stamp,
    parse_sidecar,
    read_sidecar,
    sidecar_path,
    sidecar_text,
)
from benchlog.capture.store import (
    Bench,
    Record,
    make_bench,
    open_bench,
    read_design,
    stamp_now,
    store_record,
    write_new_text,
)
from benchlog.errors import BenchlogError, DesignError, RecordingError, StoreError
from benchlog.recording import Gap

MINIMUM = {"channel": "heron", "knob_deg": 90, "recorded_utc": "2026-09-01T10:00:00Z"}


def sidecar(**changes: Any) -> Sidecar:
    return dataclasses.replace(Sidecar("heron", 90.0, "2026-09-01T10:00:00Z"), **changes)


def add(bench: Bench, content: bytes = b"sound", suffix: str = ".wav", **changes: Any) -> Record:
    def write(path: Path) -> None:
        path.write_bytes(content)

    return store_record(bench, sidecar(**changes), write, suffix)


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


# --- sidecars ----------------------------------------------------------------------------------


def test_three_lines_are_enough() -> None:
    read = parse_sidecar(json.dumps(MINIMUM), "a.json")
    assert read == Sidecar("heron", 90.0, "2026-09-01T10:00:00Z")
    assert read.stamp == "20260901T100000Z"


def test_every_key_is_read() -> None:
    text = """{"channel": "heron", "knob_deg": 22.5, "direction": "up", "sweep": "20260901T095500Z",
      "recorded_utc": "2026-09-01T12:00:00.5+02:00", "source": "probe", "rate_hz": 48000,
      "input": 2, "active_level": "low", "supply_v": 5.9, "temperature_c": 21, "servo": "unplugged",
      "note": "fresh cells", "gaps": [{"start_s": 1, "length_s": 0}], "set_aside": "door slammed",
      "sha256": "%s", "weather": ["grey", null]}""" % ("0a" * 32)
    read = parse_sidecar(text, "a.json")
    assert read.stamp == "20260901T100000Z"
    assert (read.direction, read.sweep, read.input) == ("up", "20260901T095500Z", 2)
    assert (read.active_level, read.supply_v, read.servo) == ("low", 5.9, "unplugged")
    assert read.gaps == (Gap(1.0, 0.0),)
    assert read.set_aside == "door slammed"
    assert read.other == {"weather": ["grey", None]}
    written = json.loads(sidecar_text(read))
    assert written == json.loads(text)


def test_keys_stand_in_the_order_of_the_description() -> None:
    assert list(json.loads(sidecar_text(sidecar()))) == [
        *("channel", "knob_deg", "direction", "sweep", "recorded_utc", "source", "rate_hz"),
        *("input", "active_level", "supply_v", "temperature_c", "servo", "note", "gaps"),
        *("set_aside", "sha256"),
    ]


WRONG: list[tuple[str, Any]] = [
    ("channel", 3),
    ("channel", " "),
    ("knob_deg", "90"),
    ("knob_deg", True),
    ("knob_deg", 1e6),
    ("knob_deg", 10**400),
    ("recorded_utc", "2026-09-01T10:00:00"),
    ("recorded_utc", "2026-13-01T10:00:00Z"),
    ("recorded_utc", "0001-01-01T00:00:00+14:00"),
    ("recorded_utc", 20260901),
    ("direction", "left"),
    ("sweep", "2026-09-01"),
    ("sweep", "20260231T000000Z"),
    ("rate_hz", -1),
    ("input", 0),
    ("input", 1.0),
    ("input", True),
    ("active_level", "HIGH"),
    ("supply_v", [6]),
    ("temperature_c", "warm"),
    ("servo", {}),
    ("note", 5),
    ("gaps", {}),
    ("gaps", [1]),
    ("gaps", [{"start_s": 1}]),
    ("gaps", [{"start_s": -1, "length_s": 0}]),
    ("set_aside", True),
    ("sha256", "abc"),
]


@pytest.mark.parametrize(("key", "value"), WRONG)
def test_a_wrong_value_is_told_with_its_key(key: str, value: Any) -> None:
    with pytest.raises(RecordingError, match=f"sidecar a.json has .* under '{key}'; exp") as caught:
        parse_sidecar(json.dumps(MINIMUM | {key: value}), "a.json")
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize("key", list(MINIMUM))
def test_a_missing_key_is_named(key: str) -> None:
    text = json.dumps({name: value for name, value in MINIMUM.items() if name != key})
    with pytest.raises(RecordingError, match=f"lacks the key '{key}'"):
        parse_sidecar(text, "a.json")


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"", "is not right JSON"),
        (b"{", "is not right JSON"),
        (b"[]", "holds a list; expected one JSON object"),
        (b"3", "holds 3"),
        (b"[" * 200_000, "nested too deeply|not right JSON"),
        (b'{"a":' * 100_000, "nested too deeply|not right JSON"),
        (json.dumps(MINIMUM).replace("90", "NaN").encode(), "NaN is no number"),
        (json.dumps(MINIMUM).replace("90", "-Infinity").encode(), "-Infinity is no number"),
        (json.dumps(MINIMUM).replace("90", "1e999").encode(), "under 'knob_deg'"),
        (json.dumps(MINIMUM).replace("90", "9" * 5000).encode(), "is not right JSON"),
        (b'{"channel": "a", "channel": "b"}', "the key 'channel' stands there twice"),
        ('{"channel": "hér'.encode("latin-1"), "is not UTF-8 text"),
        (json.dumps(MINIMUM).encode("utf-16"), "is not UTF-8 text"),
        (b" " * 2_000_000, "more than 1048576 bytes"),
    ],
)
def test_what_is_no_sidecar_is_refused_in_one_line(
    tmp_path: Path, content: bytes, match: str
) -> None:
    path = tmp_path / "a.json"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=match) as caught:
        read_sidecar(path)
    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)


def test_a_sidecar_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="cannot be read"):
        read_sidecar(tmp_path / "a.json")


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda children: st.lists(children) | st.dictionaries(st.text(), children),
    max_leaves=5,
)  # fmt: skip
NUMBERS = st.floats(0, 90)
SIDECARS = st.builds(
    Sidecar,
    channel=st.text(min_size=1).filter(str.strip),
    knob_deg=NUMBERS,
    recorded_utc=st.just("2026-09-01T10:00:00Z"),
    direction=st.sampled_from(["up", "down", None]),
    supply_v=st.none() | NUMBERS,
    note=st.none() | st.text(st.characters()),
    gaps=st.lists(st.builds(Gap, NUMBERS, NUMBERS)).map(tuple),
    set_aside=st.none() | st.text(),
    other=st.dictionaries(st.text().map("x".__add__), JSON_VALUES),
)


@given(SIDECARS)
def test_sidecars_come_back_as_they_were(original: Sidecar) -> None:
    text = sidecar_text(original)
    assert parse_sidecar(text.encode().decode(), "a.json") == original


@given(st.dictionaries(st.sampled_from([*MINIMUM, "gaps", "sweep", "input"]), JSON_VALUES))
def test_any_json_is_read_or_refused(content: dict[str, Any]) -> None:
    try:
        parse_sidecar(json.dumps(MINIMUM | content), "a.json")
    except RecordingError:
        return


@pytest.mark.parametrize(
    ("text", "yes"), [("20260901T100000Z", True), ("20260901", False), ("20260901T250000Z", False)]
)
def test_stamps(text: str, yes: bool) -> None:
    assert is_stamp(text) is yes
    assert is_stamp(stamp_now())


@pytest.mark.parametrize(
    "name",
    ["", ".", "..", "../x", "a/b", "a\\b", "a:b", "-h", ".x", "a\n", "con", "NUL.x", "x" * 200],
)
def test_names_that_would_lead_elsewhere_are_refused(tmp_path: Path, name: str) -> None:
    assert channel_fault(name)
    bench = make_bench(tmp_path)
    for look in (bench.records, bench.design_path, bench.sweep):
        with pytest.raises(StoreError, match="channel name"):
            look(name)
    with pytest.raises(StoreError, match="channel name"):
        add(bench, channel=name)
    assert names(tmp_path) == ["calibration", "captures"]


@pytest.mark.parametrize("name", ["heron", "Mond-Möwe 2", "a_b.c", "鷺"])
def test_names_of_channels(name: str) -> None:
    assert channel_fault(name) is None


# --- recordings --------------------------------------------------------------------------------


def test_a_recording_gets_its_name_its_sidecar_and_its_checksum(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    record = add(bench, b"sound", ".flac", knob_deg=22.5)
    assert record.path == tmp_path / "captures/heron/20260901T100000Z-22.5deg.flac"
    assert record.path.read_bytes() == b"sound"
    assert names(record.path.parent) == [
        "20260901T100000Z-22.5deg.flac",
        "20260901T100000Z-22.5deg.json",
    ]
    assert record.sidecar.sha256 == hashlib.sha256(b"sound").hexdigest()
    assert read_sidecar(sidecar_path(record.path)) == record.sidecar
    assert bench.records("heron") == [record]
    assert bench.channels() == ["heron"]


def test_what_is_known_only_afterwards_goes_into_the_sidecar(tmp_path: Path) -> None:
    def write(path: Path) -> Sidecar:
        path.write_bytes(b"sound")
        return sidecar(gaps=(Gap(1.0, 0.1),))

    record = store_record(make_bench(tmp_path), sidecar(), write, ".wav")
    assert record.sidecar.gaps == (Gap(1.0, 0.1),)


def test_a_name_that_is_taken_is_never_taken_again(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    stems = [add(bench, bytes([i]), suffix).path.stem for i, suffix in enumerate((".wav", ".vcd"))]
    (tmp_path / "captures/heron/20260901T100000Z-90deg-3.csv").write_bytes(b"by hand")
    stems.append(add(bench, b"third").path.stem)
    assert [stem.removeprefix("20260901T100000Z-90deg") for stem in stems] == ["", "-2", "-4"]
    assert [record.path.read_bytes() for record in bench.records("heron")] == [
        b"\0",
        b"\1",
        b"third",
    ]


def test_a_suffix_that_is_none_is_the_callers_mistake(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="suffix"):
        add(make_bench(tmp_path), suffix=".mp3")


PROCESSES, EACH = 8, 10


def test_processes_side_by_side_keep_every_recording(tmp_path: Path) -> None:
    make_bench(tmp_path)
    script = textwrap.dedent(f"""
        import sys, pathlib
        from benchlog.capture.store import Bench, Sidecar, store_record
        bench, me = Bench(pathlib.Path(sys.argv[1])), sys.argv[2]
        suffix = (".wav", ".vcd", ".csv")[int(me) % 3]
        sys.stdin.read()
        for i in range({EACH}):
            sidecar = Sidecar("heron", 90.0, "2026-09-01T10:00:00Z", note=f"{{me}} {{i}}")
            store_record(
                bench, sidecar, lambda path: path.write_text(sidecar.note) and None, suffix)
    """)
    running = [
        subprocess.Popen([sys.executable, "-c", script, tmp_path, str(n)], stdin=subprocess.PIPE)
        for n in range(PROCESSES)
    ]
    for process in running:
        assert process.stdin
        process.stdin.close()
    assert [process.wait() for process in running] == [0] * PROCESSES
    records = Bench(tmp_path).records("heron")
    assert len({record.path.stem for record in records}) == PROCESSES * EACH
    for record in records:
        assert record.path.read_text() == record.sidecar.note
        assert record.sidecar.sha256 == hashlib.sha256(record.path.read_bytes()).hexdigest()
    assert len(names(tmp_path / "captures/heron")) == 2 * PROCESSES * EACH


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL")
@pytest.mark.parametrize("delay_s", [0.0, 0.004, 0.011, 0.023])
def test_a_kill_leaves_whole_records_only(tmp_path: Path, delay_s: float) -> None:
    make_bench(tmp_path)
    script = textwrap.dedent("""
        import sys, pathlib, itertools
        from benchlog.capture.store import Bench, Sidecar, store_record
        bench = Bench(pathlib.Path(sys.argv[1]))
        for i in itertools.count():
            store_record(bench, Sidecar("heron", float(i), "2026-09-01T10:00:00Z"),
                lambda path: path.write_text("x" * 5000) and None, ".wav")
            if i == 0:
                print("on", flush=True)
    """)
    process = subprocess.Popen(
        [sys.executable, "-c", script, tmp_path], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout
    assert process.stdout.readline() == "on\n"
    time.sleep(delay_s)
    process.kill()
    process.wait()
    process.stdout.close()
    records = Bench(tmp_path).records("heron")
    assert records
    for record in records:
        assert record.sidecar.sha256 == hashlib.sha256(record.path.read_bytes()).hexdigest()
    add(
        Bench(tmp_path), knob_deg=float(len(records))
    )  # what is left over does not stand in the way
    assert len(Bench(tmp_path).records("heron")) == len(records) + 1


@pytest.mark.parametrize("step", ["write", "sidecar", "link record", "link sidecar"])
def test_a_fault_at_any_step_leaves_no_record_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    bench = make_bench(tmp_path)
    before = add(bench, b"first")
    full = OSError(errno.ENOSPC, "No space left on device")
    real_link = os.link

    def write(path: Path) -> None:
        path.write_bytes(b"second")
        if step == "write":
            raise full

    def write_flushed(path: Path, text: str) -> None:
        raise full

    def give_name(part: Path, final: Path) -> None:
        if final.suffix == (".wav" if step == "link record" else ".json"):
            raise full
        real_link(part, final)

    if step == "sidecar":
        monkeypatch.setattr(store, "write_flushed", write_flushed)
    elif step.startswith("link"):
        monkeypatch.setattr(store, "give_name", give_name)
    with pytest.raises(StoreError, match=r"disk of .*heron is full .*; try: freeing some space"):
        store_record(bench, sidecar(), write, ".wav")
    assert bench.records("heron") == [before]
    kept = [p for p in (tmp_path / "captures/heron").rglob("*.wav") if p != before.path]
    assert {path.read_bytes() for path in kept} == {b"second"}


def test_nothing_is_left_of_a_recording_that_never_began(tmp_path: Path) -> None:
    def write(path: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(StoreError, match="is full"):
        store_record(make_bench(tmp_path), sidecar(), write, ".wav")
    assert names(tmp_path / "captures/heron") == []


def test_where_links_do_not_work_names_are_kept_apart_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    bench = make_bench(tmp_path)
    add(bench, b"first")
    add(bench, b"second")
    assert [r.path.read_bytes() for r in bench.records("heron")] == [b"first", b"second"]
    assert len(names(tmp_path / "captures/heron")) == 4
    path = write_new_text(tmp_path / "table.csv", "a")
    with pytest.raises(StoreError, match="is there already"):
        write_new_text(path, "b")
    assert path.read_text() == "a"


def limited(call: str, folder: Path) -> str:
    """Run `call` where no file may grow beyond 4096 bytes; return what the StoreError says."""
    script = textwrap.dedent("""
        import pathlib, resource, sys
        import numpy as np
        from benchlog.capture.audio_files import write_audio
        from benchlog.capture.csv_files import write_csv
        from benchlog.capture.vcd_files import write_vcd
        from benchlog.capture.store import Bench, Sidecar, store_record, write_new_text
        from benchlog.errors import StoreError
        from benchlog.recording import EdgeList
        times = np.arange(1, 20000) / 1e3
        edges = EdgeList(times, np.arange(times.size) % 2 == 0, 1e-6, 0.0, 21.0)
        noise = np.random.default_rng(0).integers(-9999, 9999, 100000).astype(np.int16)
        folder = pathlib.Path(sys.argv[1])
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
        try:
            CALL
        except StoreError as exc:
            print(exc)
    """).replace("CALL", call)
    done = subprocess.run(
        [sys.executable, "-c", script, folder], capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    return done.stdout


@pytest.mark.skipif(os.name == "nt", reason="needs a limit on file sizes")
@pytest.mark.parametrize(
    "call",
    [
        'write_audio(folder / "a.wav", noise, 48000)',
        'write_audio(folder / "a.flac", noise, 48000)',
        'write_vcd(folder / "a.vcd", edges)',
        'write_csv(folder / "a.csv", edges)',
        'write_new_text(folder / "a.csv", "x" * 10000)',
        'store_record(Bench(folder), Sidecar("heron", 9.0, "2026-09-01T10:00:00Z"), '
        'lambda path: write_audio(path, noise, 48000), ".flac")',
    ],
)
def test_a_disk_without_room_is_told_in_one_line(tmp_path: Path, call: str) -> None:
    said = limited(call, tmp_path)
    assert said.count("\n") == 1
    assert "is full (File too large); expected room" in said
    assert not (tmp_path / "a.csv").exists() or "write_csv" in call


def test_a_folder_that_may_not_be_written_is_told_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = make_bench(tmp_path)
    bench.captures.chmod(0o555)
    tmp_path.chmod(0o755)
    monkeypatch.chdir(tmp_path)  # what lies above may be closed to others
    root = os.geteuid() == 0
    if root:  # root may write anywhere: become nobody for the attempt
        os.seteuid(65534)
    try:
        with pytest.raises(StoreError, match="cannot be written") as caught:
            add(Bench(Path()))
    finally:
        if root:
            os.seteuid(0)
        bench.captures.chmod(0o755)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("code", "match"),
    [
        (errno.EACCES, "cannot be written .*permissions"),
        (errno.EROFS, "cannot be written .*permissions"),
        (errno.ENOSPC, "disk of .* is full"),
        (errno.ENOENT, "the folder .* is not there"),
        (errno.EEXIST, "is there already"),
        (errno.EIO, "cannot be written .*working disk"),
    ],
)
def test_what_the_system_says_becomes_one_line(code: int, match: str) -> None:
    with pytest.raises(StoreError, match=match):
        raise new_files.store_error(OSError(code, os.strerror(code)), Path("bench/captures/x"))


# --- reading a bench folder --------------------------------------------------------------------


def lay(bench: Bench, stem: str, content: dict[str, Any], suffix: str = ".wav") -> Path:
    """Lay a recording into the folder by hand."""
    folder = bench.captures / "heron"
    folder.mkdir(exist_ok=True)
    (folder / f"{stem}.json").write_text(json.dumps(MINIMUM | content))
    path = folder / f"{stem}{suffix}"
    path.write_bytes(b"x")
    return path


def test_the_newest_sweep_and_others_by_name(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    old, new = "20260901T090000Z", "20260902T090000Z"
    lay(bench, "c", {"sweep": new, "recorded_utc": "2026-09-02T09:10:00Z"})
    lay(bench, "b", {"sweep": new, "recorded_utc": "2026-09-02T09:05:00Z"})
    lay(bench, "d", {"sweep": new, "recorded_utc": "2026-09-02T09:15:00Z", "set_aside": "noise"})
    lay(bench, "a", {"sweep": old, "recorded_utc": "2026-09-01T09:05:00Z"})
    lay(bench, "e", {"recorded_utc": "2026-09-01T23:30:00Z"})
    # what was tried by hand is no part of a sweep, though it is newer
    lay(bench, "g", {"recorded_utc": "2026-09-02T12:00:00Z", "beats": {"try": "tap"}})
    lay(bench, "h", {"recorded_utc": "2026-09-02T13:00:00Z", "comparison": new, "stage": "x"})
    lay(bench, "f", {"recorded_utc": "2026-09-02T02:00:00+02:00"})  # the day after, in UTC
    assert [r.path.stem for r in bench.records("heron")] == list("aefbcdgh")

    def stems(stamp: str | None = None) -> str:
        return "".join(record.path.stem for record in bench.sweep("heron", stamp))

    assert stems() == "bc"
    assert stems(old) == "a"
    assert stems("20260901") == stems("2026-09-01") == "e"
    assert stems("2026-09-02") == "f"
    with pytest.raises(StoreError, match=f"no sweep 20260903; .*{new}; try: --sweep {new}"):
        bench.sweep("heron", "20260903")


@pytest.mark.parametrize(
    ("prepare", "match"),
    [
        (lambda b: None, "no recordings of channel heron .*none yet"),
        (lambda b: (b.captures / "heron").mkdir(), "the folder is empty"),
        (lambda b: lay(b, "a", {"set_aside": "why"}), "every recording is set aside"),
        (lambda b: lay(b, "a", {"beats": {"try": "tap"}}), "set aside, or one of a try"),
        (lambda b: lay(b, "a", {}).with_suffix(".json").unlink(), "1 files without a sidecar"),
        (lambda b: lay(b, "a", {}).unlink(), "beside the sidecar .*a.json there is no recording"),
        (lambda b: [lay(b, "a", {}), lay(b, "a", {}, ".vcd")], "there is a.vcd, a.wav"),
        (lambda b: lay(b, "a", {"channel": "moon"}), "names channel 'moon'; expected 'heron'"),
        (lambda b: lay(b, "a", {"knob_deg": "x"}), "a.json has \"x\" under 'knob_deg'"),
    ],
)
def test_a_folder_in_disorder_is_told_in_one_line(tmp_path: Path, prepare: Any, match: str) -> None:
    bench = make_bench(tmp_path)
    prepare(bench)
    with pytest.raises(BenchlogError, match=match) as caught:
        bench.sweep("heron")
    assert "\n" not in str(caught.value)


def test_leftovers_of_a_crash_do_not_count(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    record = add(bench)
    folder = record.path.parent
    (folder / ".20260901T100000Z-95deg.part").mkdir()
    (folder / ".20260901T100000Z-95deg.part/record.wav").write_bytes(b"half")
    (folder / "20260901T100000Z-96deg.wav").write_bytes(b"whole, no sidecar yet")
    (folder / "20260901T100000Z-97deg.wav").write_bytes(b"")
    (folder / "20260901T100000Z-97deg.json").write_bytes(b"")
    (folder / ".DS_Store").write_bytes(b"")
    assert bench.records("heron") == [record]


def test_a_recording_set_aside_may_be_gone(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    lay(bench, "a", {"set_aside": "lost"}).unlink()
    assert bench.records("heron") == []


def test_the_bench_folder_is_named_or_the_current_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("BENCHLOG_BENCH", raising=False)
    monkeypatch.chdir(tmp_path)
    with pytest.raises(StoreError, match="the current folder is no bench folder"):
        open_bench()
    assert names(tmp_path) == []
    with pytest.raises(StoreError, match="none is not there"):
        open_bench(tmp_path / "none")
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="file is no folder"):
        open_bench(tmp_path / "file")
    for name in ("here", "there"):
        make_bench(tmp_path / name)
        make_bench(tmp_path / name)
    monkeypatch.chdir(tmp_path / "here")
    assert open_bench().folder.resolve() == (tmp_path / "here").resolve()
    monkeypatch.setenv("BENCHLOG_BENCH", str(tmp_path / "there"))
    assert open_bench().folder == tmp_path / "there"
    assert open_bench(tmp_path / "here").folder == tmp_path / "here"
    with pytest.raises(StoreError, match=r"file.*is not there|file.* cannot be written"):
        make_bench(tmp_path / "file" / "x")


def test_tables_are_listed_and_never_written_over(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    path = bench.new_table_path("heron", "20260901T100000Z")
    assert path == tmp_path / "calibration/heron/20260901T100000Z.csv"
    assert write_new_text(path, "é\n") == path
    assert path.read_bytes() == "é\n".encode()
    with pytest.raises(StoreError, match="is there already"):
        write_new_text(path, "other")
    second = write_new_text(path, "other", next_free=True)
    assert second.name == "20260901T100000Z-2.csv"
    (path.parent / "notes.csv").write_text("")
    assert bench.table_paths("heron") == sorted([path, second])
    assert [p for p in names(path.parent) if p.startswith(".")] == []
    if os.name == "posix":
        mask = os.umask(0)
        os.umask(mask)
        assert path.stat().st_mode & 0o777 == 0o666 & ~mask


@pytest.mark.parametrize(
    ("content", "match"),
    [(None, "cannot be read"), (b"\xff", "not UTF-8"), (b" " * 2_000_000, "more than")],
)
def test_design_files_that_cannot_be_read(
    tmp_path: Path, content: bytes | None, match: str
) -> None:
    path = tmp_path / "design.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(DesignError, match=match):
        read_design(path)


def test_an_unknown_channel_is_told_with_those_that_there_are(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    with pytest.raises(DesignError, match=r"^there is no channel heron; expected a design in "):
        read_design(bench.design_path("heron"))
    for name in ("moon", "heron", "stage left"):
        path = bench.design_path(name)
        path.parent.mkdir()
        path.write_text("")
    (bench.captures / "boat").mkdir()
    for channel, line in (
        (
            "hreon",
            "there is no channel hreon; expected one of heron, moon, stage left; "
            "try: benchlog predict heron, or that name in any other command",
        ),
        (
            "stage lift",
            "there is no channel stage lift; expected one of heron, moon, stage left; "
            "try: benchlog predict 'stage left', or that name in any other command",
        ),
        (
            "xyz",
            "there is no channel xyz; expected one of heron, moon, stage left; "
            "try: benchlog new xyz to make it",
        ),
        (
            "boat",
            f"channel boat has no design file; expected {bench.design_path('boat')}; "
            "try: benchlog new boat to make it",
        ),
    ):
        with pytest.raises(DesignError) as refused:
            read_design(bench.design_path(channel))
        assert str(refused.value) == line
    with pytest.raises(DesignError, match="cannot be read"):  # a file, not a channel
        read_design(bench.calibration / "heron" / "desing.toml")
