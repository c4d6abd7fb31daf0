"""`benchlog log`: the list, its filters, what is changed afterwards, and the check of a folder."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchlog.capture import corrections
from benchlog.capture.audio_files import write_audio
from benchlog.capture.log_index import Wanted, find_record, list_entries
from benchlog.capture.sidecar import Sidecar, read_sidecar
from benchlog.capture.store import Bench, make_bench, store_record
from benchlog.errors import RecordingError, StoreError
from tests.command_line import Outcome, run_here
from tests.killing import PlayedProbe, make_folder, start_capture, wait_for_record

_CHECKOUT = Path(__file__).resolve().parent.parent
START = datetime(2026, 9, 1, 10, tzinfo=UTC)


def add(bench: Bench, hours: int, channel: str = "heron", **known: Any) -> Path:
    """Add a second of silence, recorded so many hours after the start."""
    moment = (START + timedelta(hours=hours)).strftime("%Y-%m-%dT%H:%M:%SZ")
    sidecar = Sidecar(channel, float(hours), moment, **known)

    def write(path: Path) -> None:
        write_audio(path, np.zeros((1000, 1), np.float32), 1000)

    return store_record(bench, sidecar, write, ".wav").path


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    made = make_bench(tmp_path / "bench")
    for hours in range(0, 72, 12):
        add(made, hours, ["heron", "moon"][hours // 12 % 2], supply_v=6.0, source="sound input")
    return made


def log(bench: Bench, *words: str | Path) -> Outcome:
    return run_here("log", *words, "--bench", bench.folder, cwd=bench.folder)


def listed(bench: Bench, *words: str) -> list[float]:
    """Return the knob angles that are listed, which tell the hour."""
    told = json.loads(log(bench, *words, "--json").out)
    return [one["knob_deg"] for one in told["records"]]


def test_the_newest_come_last_with_what_is_known(bench: Bench) -> None:
    told = json.loads(log(bench, "--json").out)
    assert told["more"] == 0
    assert [one["knob_deg"] for one in told["records"]] == [0, 12, 24, 36, 48, 60]
    assert told["records"][-1] | {"file": None, "sidecar": None} == {
        "file": None,
        "sidecar": None,
        "channel": "moon",
        "knob_deg": 60.0,
        "recorded_utc": "2026-09-03T22:00:00Z",
        "length_s": 1.0,
        "supply_v": 6.0,
        "source": "sound input",
        "verdict": None,
        "set_aside": None,
        "gap_count": 0,
        "unfinished": False,
        "being_recorded": False,
        "try": None,
        "readable": True,
    }


def test_on_the_screen_times_are_local(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    if not hasattr(time, "tzset"):
        pytest.skip("the time zone cannot be set here")
    monkeypatch.setenv("TZ", "XXX-05:30")
    monkeypatch.setenv("COLUMNS", "140")
    time.tzset()
    try:
        lines = log(bench).out.splitlines()
        days = listed(bench, "--since", "2026-09-02", "--until", "2026-09-02")
    finally:
        monkeypatch.undo()
        time.tzset()
    first = lines[1].split()
    assert first[:4] == ["2026-09-01", "15:30:00", "heron/20260901T100000Z-0deg", "0°"]
    assert first[4:] == ["1.0", "s", "6", "V", "sound", "input", "-"]
    # 2 September from 18:30 UTC on the 1st to 18:30 UTC on the 2nd: 22:00 and 10:00 UTC.
    assert days == [12.0, 24.0]


@pytest.mark.parametrize(
    ("words", "hours"),
    [
        (["--channel", "heron"], [0, 24, 48]),
        (["--channel", "boat"], []),
        (["--last", "2"], [48, 60]),
        (["--since", "2100-01-01"], []),
        (["--until", "2000-01-01"], []),
        (["--aside"], []),
    ],
)
def test_filters(bench: Bench, words: list[str], hours: list[float]) -> None:
    assert listed(bench, *words) == hours


def test_what_is_left_out_is_counted(bench: Bench) -> None:
    assert json.loads(log(bench, "--last", "2", "--json").out)["more"] == 4
    assert "... and 4 older ones: --last 6 shows them all" in log(bench, "--last", "2").out
    assert log(bench, "--channel", "boat").out == "No such recordings.\n"


@pytest.mark.parametrize("width", [40, 80, 140])
def test_every_name_is_shown_whole_at_any_width(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    path = add(bench, 100, gaps=())
    corrections.set_aside(find_record(bench, path.name), "the knob slipped off its shaft again")
    out = log(bench).out
    assert all(len(line) <= width for line in out.splitlines())
    joined = "".join(out.split())
    assert "heron/20260905T140000Z-100deg" in joined
    assert "slipped" in joined


def test_verdicts_come_from_the_newest_table_that_holds_it(bench: Bench) -> None:
    folder = bench.calibration / "heron"
    folder.mkdir()
    head = "# benchlog calibration table\nknob_deg,verdict,source\n"
    name = "20260901T100000Z-0deg.wav"
    (folder / "20260901T110000Z.csv").write_text(f"{head}0,off design,{name}\n")
    (folder / "20260905T110000Z.csv").write_text(
        f"{head}0,on design,{name}\n24,undecided,20260902T100000Z-24deg.wav\n"
    )
    (folder / "20260906T110000Z.csv").write_bytes(b"\xff\xfe broken")
    told = json.loads(log(bench, "--channel", "heron", "--json").out)["records"]
    assert [one["verdict"] for one in told] == ["on design", "undecided", None]
    assert listed(bench, "--verdict", "undecided") == [24]
    assert listed(bench, "--verdict", "off design") == []


def test_names_laid_in_by_hand_are_put_in_their_place(bench: Bench) -> None:
    folder = bench.captures / "heron"
    shutil.copy(folder / "20260901T100000Z-0deg.wav", folder / "by hand.wav")
    (folder / "by hand.json").write_text(
        '{"channel": "heron", "knob_deg": 7, "recorded_utc": "2026-09-02T00:00:00Z"}'
    )
    (folder / "broken.json").write_text("{")
    assert listed(bench, "--channel", "heron") == [None, 0, 7, 24, 48]
    assert "broken.json cannot be read" in log(bench).out
    assert find_record(bench, "by hand").sidecar.knob_deg == 7
    with pytest.raises(StoreError, match="no recording broken"):
        find_record(bench, "broken")


# --- changing what is known ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "named",
    [
        "20260901T100000Z-0deg",
        "heron/20260901T100000Z-0deg",
        "20260901T100000Z-0deg.wav",
        "20260901T100000Z-0deg.json",
        "captures/heron/20260901T100000Z-0deg.wav",
    ],
)
def test_a_record_is_set_aside_and_taken_back(bench: Bench, named: str) -> None:
    before = {path: path.read_bytes() for path in bench.captures.rglob("*.wav")}
    told = log(bench, "--set-aside", named, "--why", "the knob slipped")
    assert (told.status, "set aside: the knob slipped" in told.out) == (0, True)
    assert listed(bench, "--aside") == [0]
    assert [r.sidecar.knob_deg for r in bench.sweep("heron", "20260903")] == [48]
    with pytest.raises(StoreError, match="no sweep"):
        bench.sweep("heron", "20260901")
    assert log(bench, "--take-back", named).status == 0
    assert listed(bench, "--aside") == []
    (change, back) = find_record(bench, named).sidecar.history
    assert (change.key, change.old, change.new) == ("set_aside", None, "the knob slipped")
    assert (back.old, back.new) == ("the knob slipped", None)
    again = log(bench, "--take-back", named)
    assert (again.status, "is not set aside" in again.err) == (2, True)
    assert {path: path.read_bytes() for path in bench.captures.rglob("*.wav")} == before


def test_a_corrected_knob_angle_keeps_the_old_one_and_says_when(bench: Bench) -> None:
    words = ("--correct", "20260901T100000Z-0deg", "--at", "15", "--why", "read from below")
    told = log(bench, *words)
    assert told.status == 0
    assert "at 15° now; 0° is kept" in told.out
    record = find_record(bench, "20260901T100000Z-0deg")
    assert record.sidecar.knob_deg == 15
    (change,) = record.sidecar.history
    assert (change.key, change.old, change.new, change.why) == (
        *("knob_deg", 0.0, 15.0),
        "read from below",
    )
    moment = datetime.fromisoformat(change.changed_utc)
    assert abs((datetime.now(UTC) - moment).total_seconds()) < 60
    second = json.loads(log(bench, "--correct", record.path.name, "--at", "20", "--json").out)
    assert [one["old"] for one in second["history"]] == [0.0, 15.0]
    assert "knob at 20°, not 0°" in log(bench).out


@pytest.mark.parametrize(
    ("words", "match"),
    [
        (["--set-aside", "20260901T100000Z-0deg"], "--set-aside without a reason"),
        (["--set-aside", "20260901T100000Z-0deg", "--why", " "], "--set-aside without a reason"),
        (["--set-aside", "x", "--why", "y", "--verify"], "several of"),
        (["--correct", "20260901T100000Z-0deg"], "--correct without --at"),
        (["--correct", "20260901T100000Z-0deg", "--at", "x"], "--at 'x'"),
        (["--at", "5"], "--at without --correct"),
        (["--why", "y"], "--why without"),
        (["--set-aside", "nothing", "--why", "y"], "no recording nothing"),
        (["--set-aside", "../../x", "--why", "y"], "no recording"),
        (["--since", "yesterday"], "--since 'yesterday'"),
        (["--until", "2026-13-01"], "--until '2026-13-01'"),
        (["--verdict", "good"], "--verdict 'good'"),
        (["--last", "0"], "--last '0'"),
        (["--channel", "../x"], "channel name"),
    ],
)
def test_what_cannot_be_done_gets_one_line(bench: Bench, words: list[str], match: str) -> None:
    before = {path: path.read_bytes() for path in bench.folder.rglob("*.*")}
    told = log(bench, *words)
    assert told.status == 2, told
    assert told.out == ""
    assert len(told.err.splitlines()) == 1
    assert match in told.err
    assert {path: path.read_bytes() for path in bench.folder.rglob("*.*")} == before


def test_a_name_in_two_channels_is_asked_about(bench: Bench) -> None:
    add(bench, 0, "moon")
    with pytest.raises(StoreError, match=r"2 recordings are called .* heron/.*, moon/"):
        find_record(bench, "20260901T100000Z-0deg")
    assert find_record(bench, "moon/20260901T100000Z-0deg").sidecar.channel == "moon"


# --- the check -----------------------------------------------------------------------------------


def codes(bench: Bench) -> tuple[int, list[str]]:
    told = log(bench, "--verify", "--json")
    return told.status, sorted(one["code"] for one in json.loads(told.out)["findings"])


def test_a_folder_with_nothing_wrong(bench: Bench) -> None:
    told = log(bench, "--verify")
    assert told.status == 0
    assert "6 recordings, 6 with the right checksum" in " ".join(told.out.split())
    assert codes(bench) == (0, [])


def test_the_shipped_bench_is_whole() -> None:
    told = run_here("log", "--verify", "--bench", _CHECKOUT, cwd=_CHECKOUT)
    assert told.status == 0, told


def test_everything_that_is_wrong_is_found(bench: Bench) -> None:
    heron, moon = bench.captures / "heron", bench.captures / "moon"
    first = heron / "20260901T100000Z-0deg"
    content = bytearray(first.with_suffix(".wav").read_bytes())
    content[-1] ^= 1
    first.with_suffix(".wav").write_bytes(content)  # one bit of one sample
    (heron / "20260902T100000Z-24deg.json").write_text("{")
    (heron / "20260903T100000Z-48deg.json").unlink()
    (moon / "20260901T220000Z-12deg.wav").unlink()
    shutil.copy(moon / "20260902T220000Z-36deg.wav", moon / "20260902T220000Z-36deg.csv")
    shutil.move(moon / "20260903T220000Z-60deg.wav", heron / "20260903T220000Z-60deg.wav")
    shutil.move(moon / "20260903T220000Z-60deg.json", heron / "20260903T220000Z-60deg.json")
    (heron / ".x.part").mkdir()
    (heron / ".x.part" / "record.wav").write_bytes(bytes(1000))
    (heron / ".y.part").mkdir()
    (bench.calibration / "heron").mkdir()
    (bench.calibration / "heron" / "design.toml").write_text("channel = 3")
    (bench.calibration / "heron" / "20260901T110000Z.csv").write_text("a,b\n")
    status, found = codes(bench)
    assert status == 1
    assert found == [
        *("changed", "leftover", "nameless", "no-recording", "no-sidecar", "two-recordings"),
        *("unreadable-design", "unreadable-sidecar", "unreadable-table", "wrong-channel"),
    ]
    text = log(bench, "--verify").out
    assert text.count("wrong: ") == 9
    assert text.count("note: ") == 1


def test_a_record_without_a_checksum_is_counted_and_not_wrong(bench: Bench) -> None:
    path = bench.captures / "heron" / "20260901T100000Z-0deg.json"
    path.write_text('{"channel": "heron", "knob_deg": 0, "recorded_utc": "2026-09-01T10:00:00Z"}')
    told = json.loads(log(bench, "--verify", "--json").out)
    assert (told["without_checksum"], told["checksums_right"], told["findings"]) == (1, 5, [])


def test_a_missing_file_that_is_set_aside_is_not_wrong(bench: Bench) -> None:
    corrections.set_aside(find_record(bench, "20260901T100000Z-0deg"), "recording lost")
    (bench.captures / "heron" / "20260901T100000Z-0deg.wav").unlink()
    assert codes(bench) == (0, [])
    assert "the recording is not there" in " ".join(log(bench, "--aside").out.split())


@pytest.mark.pty
def test_a_record_that_is_being_made_is_no_fault(tmp_path: Path) -> None:
    bench = Bench(make_folder(tmp_path / "bench"))
    with PlayedProbe() as probe:
        process = start_capture(bench.folder, "--port", probe.port, seconds=30)
        assert wait_for_record(bench.folder, process) is not None
        assert codes(bench) == (0, ["being-recorded"])
        (entry,) = list_entries(bench, Wanted(channel="heron"))[0]
        assert entry.is_live
        told = log(bench, "--correct", entry.beside.name, "--at", "3")
        assert (told.status, "is being recorded" in told.err) == (2, True)
        process.kill()
        process.communicate()
    assert codes(bench) == (1, ["unfinished"])
    assert "broken off" in log(bench).out


def test_a_history_that_is_wrong_is_refused(tmp_path: Path) -> None:
    start = '{"channel": "heron", "knob_deg": 0, "recorded_utc": "2026-09-01T10:00:00Z", '
    for number, wrong in enumerate(
        (
            '"history": 3',
            '"history": [3]',
            '"history": [{"changed_utc": "2026-09-01", "key": "a"}]',
            '"history": [{"changed_utc": "2026-09-01T10:00:00Z", "key": 1}]',
            '"history": [{"changed_utc": "2026-09-01T10:00:00Z", "key": "a", "old": []}]',
            '"unfinished": 1',
            '"profile": 1',
        )
    ):
        path = tmp_path / f"{number}.json"
        path.write_text(start + wrong + "}")
        with pytest.raises(RecordingError, match=wrong.split('"')[1]):
            read_sidecar(path)
