"""Whatever a file holds or is called, a command ends with a status and at most one line of refusal.

And names do nothing but name: no command writes outside the folders that it was given.
"""

from __future__ import annotations

import hashlib
import importlib
import os
import shutil
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.command_inputs import lay_in
from tests.command_line import Outcome, run_here
from tests.fuzz.devices import Devices
from tests.fuzz.spoiling import bounded, spoiled
from tests.fuzz.targets import TARGETS

_BY_NAME = {target.name: target for target in TARGETS}
_some = settings(max_examples=60, suppress_health_check=list(HealthCheck))


def run(*words: str | Path, cwd: Path) -> Outcome:
    """Run a command and hold it to its promise: a status, and no more than one line of refusal."""
    with bounded(), warnings.catch_warnings(record=True) as warned:
        outcome = run_here(*words, cwd=cwd)
    assert not warned, (words, [str(one.message) for one in warned])
    assert outcome.status in (0, 1, 2), outcome
    assert "Traceback" not in outcome.err, outcome
    for line in outcome.err.splitlines():
        assert line.isprintable(), outcome
    return outcome


def refused(outcome: Outcome) -> None:
    assert outcome.status == 2, outcome
    assert outcome.out == "", outcome
    assert len(outcome.err.splitlines()) == 1, outcome


# --- what files hold -----------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "suffix"),
    [("sound", ".wav"), ("sound", ".flac"), ("vcd", ".vcd"), ("csv", ".csv"), ("probe", ".log")],
)
@given(data=st.data())
@_some
def test_measure_any_file(tmp_path: Path, kind: str, suffix: str, data: st.DataObject) -> None:
    (tmp_path / f"a{suffix}").write_bytes(data.draw(spoiled(_BY_NAME[kind].seeds)))
    words = ["--json"] if data.draw(st.booleans()) else []
    outcome = run("measure", f"a{suffix}", *words, cwd=tmp_path)
    if outcome.status == 2:
        refused(outcome)


@given(
    times=st.lists(st.floats(-1e12, 1e12) | st.floats(0, 1, width=32), min_size=2, max_size=30),
)
@_some
def test_measure_any_edges(tmp_path: Path, times: list[float]) -> None:
    ascending = sorted(set(times))
    rows = [f"{time_s!r},{number % 2}" for number, time_s in enumerate(ascending)]
    (tmp_path / "a.csv").write_text("time_s,level\n" + "\n".join(rows) + "\n", encoding="ascii")
    run("measure", "a.csv", "--json", cwd=tmp_path)


@pytest.mark.parametrize("kind", ["sidecar", "design", "csv"])
@given(data=st.data())
@settings(parent=_some, max_examples=40)
def test_calibrate_with_any_file(
    tmp_path: Path, heron_text: str, kind: str, data: st.DataObject
) -> None:
    bench = tmp_path / "bench"
    shutil.rmtree(bench, ignore_errors=True)
    (bench / "calibration" / "heron").mkdir(parents=True)
    lay_in(bench, heron_text, [0.0, 135.0])
    design = bench / "calibration" / "heron" / "design.toml"
    design.write_text(heron_text, encoding="utf-8")
    place = {
        "sidecar": bench / "captures" / "heron" / "m00.json",
        "design": design,
        "csv": bench / "captures" / "heron" / "m00.csv",
    }[kind]
    place.write_bytes(data.draw(spoiled((place.read_bytes(), *_BY_NAME[kind].seeds))))
    run("calibrate", "heron", "--json", cwd=bench)


# --- what things are called ---------------------------------------------------------

NAMES = (
    "../../out", "/tmp/out", "a/b", "a\\b", "..", ".", "", "-rf", "--json", "--", "con", "NUL",
    "COM1.csv", "aux.txt", "a\nb", "a\r\nb", "a\tb", "a\x1b[31mb", "a\x07", "a\x7fb",
    "[red]x[/red]", "[/dev/x]", "[link=file:///etc/passwd]x[/link]", "<b>x</b>",
    "<script>alert(1)</script>",
    "&amp;", "x" * 300, "x" * 5000, "a/" * 600 + "b", "a\u202eb", "a\u200fb", "\ufeffa", "\ud800",
    "\udcff", "a\0b", "~", "~root", "$HOME", "%TEMP%", "*", "?", "|ls", "`ls`", "$(ls)", ";ls",
    "file:///etc/passwd", "\\\\server\\share", "C:\\x", "heron/", "heron ", " heron", "heron.",
    ".heron", "\u2028", "{}", "{0}", "%s%n", "'", '"', "bürste", "\u0301", "😀", "İ", "ß",
)  # fmt: skip


def _snapshot(folder: Path) -> dict[str, str]:
    """Return every name below a folder with the checksum of what it holds."""
    return {
        os.fsencode(path.relative_to(folder)).decode("latin-1"): (
            hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        )
        for path in folder.rglob("*")
    }


@pytest.fixture
def sandbox(tmp_path: Path, heron_text: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Yield a bench folder deep in a folder that is compared afterwards."""
    bench = tmp_path / "house" / "room" / "bench"
    (bench / "calibration" / "heron").mkdir(parents=True)
    (bench / "calibration" / "heron" / "design.toml").write_text(heron_text, encoding="utf-8")
    lay_in(bench, heron_text, [0.0, 135.0])
    monkeypatch.setitem(sys.modules, "sounddevice", Devices())
    # its list of fonts is kept in the home that it finds when it is first loaded
    importlib.import_module("matplotlib.font_manager")
    monkeypatch.setenv("HOME", str(tmp_path / "house"))
    monkeypatch.setenv("TMPDIR", str(tmp_path / "house"))
    outside = Path("/tmp/out")
    assert not outside.exists()
    yield bench
    assert not outside.exists()


def _hostile_commands(name: str) -> Iterator[tuple[str, ...]]:
    """Yield commands with `name` in the places that take a channel, a file or words."""
    design = "calibration/heron/design.toml"
    probe = ("--port", "/dev/null/none", "--seconds", "0.1")
    yield (name,)
    yield ("measure", name)
    yield ("predict", name)
    yield ("predict", "heron", "--bench", name)
    yield ("calibrate", name, "--no-save")
    yield ("calibrate", "--design", design, "--point", f"90={name}")
    yield ("capture", name, "--at", "90", *probe)
    yield ("capture", "heron", "--at", "90", "--note", name, *probe)


@pytest.mark.parametrize("name", NAMES, ids=lambda name: ascii(name)[:24])
def test_a_name_does_nothing_but_name(sandbox: Path, name: str) -> None:
    house = sandbox.parent.parent.parent
    before = _snapshot(house)
    for words in _hostile_commands(name):
        run(*words, cwd=sandbox)
    assert _snapshot(house) == before


@given(name=st.text(max_size=40) | st.text("./\\-~ab\0\n[]<>:", max_size=12))
@settings(parent=_some, max_examples=12)
def test_any_name_does_nothing_but_name(sandbox: Path, name: str) -> None:
    house = sandbox.parent.parent.parent
    before = _snapshot(house)
    for words in _hostile_commands(name):
        if words[0] in ("calibrate", "capture", "predict"):
            run(*words, cwd=sandbox)
    assert _snapshot(house) == before


NASTIEST = ("../../out", "/tmp/out", "..", "", "-rf", "a\nb", "a\x1b[31mb", "[/dev/x]", "x" * 5000)

# What a command needs before an option of it can be tried. An option that names a file to be
# written, and the folder of `demo`, go where the user says, which is no matter of names.
_NEEDED: dict[str, tuple[str, ...]] = {
    "calibrate": ("heron", "--no-save"),
    "capture": ("heron", "--at", "90", "--port", "/dev/null/none", "--seconds", "0.1"),
    "confirm": (
        "heron",
        "--point",
        "0=captures/heron/m00.csv",
        "--point",
        "135=captures/heron/m01.csv",
    ),
    "dial": ("heron", "--json"),
    "measure": ("captures/heron/m00.csv",),
    "new": ("moon", "--yes"),
    "predict": ("heron",),
}
_WRITES_WHERE_TOLD = {
    ("dial", "--out"),
    ("confirm", "--labels"),
    ("measure", "--pulses"),
    ("demo", "folder"),
}


def _every_place() -> list[tuple[str, str]]:
    """Return each command with each of its arguments and options that take a value."""
    from benchlog.commands.application import command_line

    places = []
    for name, command in command_line().commands.items():
        for parameter in command.params:
            place = parameter.opts[0]
            is_flag = getattr(parameter, "is_flag", False)
            if not is_flag and (name, place) not in _WRITES_WHERE_TOLD:
                places.append((name, place))
    return places


@pytest.mark.parametrize(
    ("command", "place"), [pytest.param(*one, id=" ".join(one)) for one in _every_place()]
)
def test_every_place_of_every_command(sandbox: Path, command: str, place: str) -> None:
    house = sandbox.parent.parent.parent
    before = _snapshot(house)
    for name in NASTIEST:
        if place.startswith("-"):
            words = (*_NEEDED.get(command, ()), f"{place}={name}")
        else:  # an argument takes the place of the one that is needed
            words = (name, *_NEEDED.get(command, ("",))[1:])
        run(command, *words, cwd=sandbox)
    after = _snapshot(house)
    changed = {path for path in before.keys() | after.keys() if before.get(path) != after.get(path)}
    inside = ("house/room/bench/calibration/", "house/room/bench/captures/")
    assert all(path.startswith(inside) for path in changed), changed


@pytest.mark.parametrize("name", [n for n in NAMES if "\0" not in n], ids=lambda n: ascii(n)[:24])
def test_a_channel_of_any_name_stays_in_the_bench(
    sandbox: Path, heron_text: str, name: str
) -> None:
    # a design file can be written by anybody; a table may go nowhere but into the bench folder
    design = sandbox / "calibration" / "heron" / "design.toml"
    quoted = name.replace("\\", "\\\\").replace('"', '\\"')
    design.write_bytes(
        heron_text.replace('"heron"', f'"{quoted}"').encode("utf-8", "surrogatepass")
    )
    house = sandbox.parent.parent.parent
    before = _snapshot(house)
    run("calibrate", "heron", "--json", cwd=sandbox)
    new = set(_snapshot(house)) - set(before)
    assert all(path.startswith("house/room/bench/calibration/") for path in new), new


@pytest.mark.parametrize("name", NAMES, ids=lambda name: ascii(name)[:24])
def test_a_sidecars_words_do_nothing(sandbox: Path, name: str) -> None:
    import json

    for path in (sandbox / "captures" / "heron").glob("*.json"):
        content = json.loads(path.read_text())
        words = {"note": name, "source": name, name: name}
        path.write_text(json.dumps({**content, **words, "channel": "heron"}))
    house = sandbox.parent.parent.parent
    before = _snapshot(house)
    outcome = run("calibrate", "heron", "--no-save", cwd=sandbox)
    if name not in ("",):
        assert outcome.status in (0, 1), outcome
    assert _snapshot(house) == before


@pytest.mark.parametrize("name", ["[red]x[/red]", "<b>x</b>", "[/dev/x]", "a\x1b[31mb", "a\nb"])
def test_a_files_name_is_shown_as_it_is(sandbox: Path, name: str) -> None:
    from benchlog.errors import one_line

    record = sandbox / "captures" / "heron" / "m00.csv"
    flat = name.replace("/", "_")
    shutil.copy(record, sandbox / f"{flat}.csv")
    outcome = run("measure", f"{flat}.csv", cwd=sandbox)
    assert outcome.status == 0
    assert outcome.out.startswith(one_line(flat))
    pulses = run("measure", f"{flat}.csv", "--pulses", "p.csv", cwd=sandbox)
    assert pulses.status == 0
    assert (sandbox / "p.csv").read_text().count("\n") == 61
