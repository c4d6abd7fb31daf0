"""The house's doors open downward only, and no two modules lean on each other."""

from __future__ import annotations

import ast
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import benchlog

HOUSE = Path(benchlog.__file__).parent

FLOORS = {
    "errors": 0,
    "units": 0,
    "recording": 1,
    "channel": 1,
    "capture": 2,
    "timing": 2,
    "calibration": 3,
    "diagnosis": 3,
    "show": 4,
    "commands": 5,
    "__main__": 6,
}
"""Commands above show above calibration and diagnosis above capture and timing above
recording and channel above units and errors. `firmware` holds no Python of the package's."""

CHAMBERS = {"series": 0, "train": 0, "separation": 1, "pair": 2, "trial": 2, "words": 3}
"""The rooms within the diagnosis, by floor."""

BELOW_ALL = {"benchlog", "benchlog.errors", "benchlog.units"}
PURE = ("timing", "channel", "calibration", "diagnosis")
OUTSIDE_WORLD = {
    "os", "pathlib", "shutil", "socket", "subprocess", "sys", "tempfile",
    "rich", "serial", "sounddevice", "soundfile", "typer", "vcd", "matplotlib", "jinja2",
}  # fmt: skip


def find_modules(house: Path) -> dict[str, Path]:
    """Return every module of the package by its dotted name."""
    modules = {}
    for path in sorted(house.rglob("*.py")):
        parts = path.relative_to(house.parent).with_suffix("").parts
        modules[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return modules


def find_imports(source: str, modules: set[str]) -> set[str]:
    """Return the modules that a source imports anywhere in it, functions included."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"relative import on line {node.lineno}"
            assert node.module is not None
            for alias in node.names:
                deeper = f"{node.module}.{alias.name}"
                found.add(deeper if deeper in modules else node.module)
    return found


def find_edges(house: Path) -> dict[str, set[str]]:
    """Return what each module imports."""
    modules = find_modules(house)
    return {
        name: find_imports(path.read_text(encoding="utf-8"), set(modules))
        for name, path in modules.items()
    }


def find_room(module: str) -> str:
    """Return the room that a module lies in, '' for the package itself."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else ""


def find_faults(edges: dict[str, set[str]]) -> list[str]:
    """Return each import that does not run downward."""
    faults = []
    for module, imported in edges.items():
        room = find_room(module)
        if not room or room == "firmware":
            continue
        for other in imported:
            inside = other == "benchlog" or other.startswith("benchlog.")
            if not inside or other in BELOW_ALL:
                continue
            if other.startswith("benchlog.firmware"):
                continue
            their = find_room(other)
            if their != room and FLOORS[their] >= FLOORS[room]:
                faults.append(f"{module} imports {other}")
    return faults


def find_chamber(module: str) -> str:
    """Return the room within the diagnosis that a module lies in, '' for all others."""
    parts = module.split(".")
    return parts[2] if parts[1:2] == ["diagnosis"] and len(parts) > 3 else ""


def find_chamber_faults(edges: dict[str, set[str]]) -> list[str]:
    """Return each import within the diagnosis that does not run downward."""
    return [
        f"{module} imports {other}"
        for module, imported in edges.items()
        for other in imported
        if (here := find_chamber(module))
        and (there := find_chamber(other))
        and here != there
        and CHAMBERS[there] >= CHAMBERS[here]
    ]


def find_cycle(edges: dict[str, set[str]]) -> list[str] | None:
    """Return the modules of a cycle, None if there is none."""
    own = {
        module: {one for one in imported if one in edges and one not in {module, "benchlog"}}
        for module, imported in edges.items()
    }
    try:
        tuple(TopologicalSorter(own).static_order())
    except CycleError as exc:
        return list(exc.args[1])
    return None


def test_every_room_has_its_floor() -> None:
    rooms = {find_room(module) for module in find_modules(HOUSE)} - {"", "firmware"}
    assert rooms <= set(FLOORS)
    assert {"channel", "timing", "capture", "commands"} <= rooms


def test_imports_run_downward() -> None:
    assert find_faults(find_edges(HOUSE)) == []


def test_imports_within_the_diagnosis_run_downward() -> None:
    edges = find_edges(HOUSE)
    assert {find_chamber(module) for module in edges} - {""} == set(CHAMBERS)
    assert find_chamber_faults(edges) == []
    upward = {"benchlog.diagnosis.series.a": {"benchlog.diagnosis.words.amounts"}}
    assert len(find_chamber_faults(upward)) == 1


def test_nothing_leans_on_itself() -> None:
    assert find_cycle(find_edges(HOUSE)) is None


def test_pure_rooms_know_no_file_device_or_screen() -> None:
    for module, imported in find_edges(HOUSE).items():
        if find_room(module) in PURE:
            tops = {one.partition(".")[0] for one in imported}
            assert not tops & OUTSIDE_WORLD, f"{module} imports {tops & OUTSIDE_WORLD}"


def test_package_itself_imports_no_room() -> None:
    edges = find_edges(HOUSE)["benchlog"]
    assert not [one for one in edges if one.startswith("benchlog.")]


@pytest.mark.parametrize(
    ("module", "source", "fault"),
    [
        ("benchlog.channel.a", "import benchlog.timing.edges", True),
        ("benchlog.timing.a", "from benchlog.capture import formats", True),
        ("benchlog.capture.a", "def f():\n    from benchlog.timing.edges import x", True),
        ("benchlog.units", "from benchlog.channel.knob import Knob", True),
        ("benchlog.recording", "from benchlog.channel.knob import Knob", True),
        ("benchlog.capture.a", "from benchlog.channel.design import parse_design", False),
        ("benchlog.commands.a", "from benchlog.show.terminal import x", False),
        ("benchlog.channel.a", "from benchlog.channel.knob import Knob", False),
        ("benchlog.channel.a", "from benchlog import units", False),
    ],
)
def test_the_test_sees_faults(module: str, source: str, fault: bool) -> None:
    imported = find_imports(source, {"benchlog.capture.formats", "benchlog.units"})
    assert bool(find_faults({module: imported})) is fault


def test_the_test_sees_cycles() -> None:
    assert find_cycle({"benchlog.a": {"benchlog.b"}, "benchlog.b": {"benchlog.a"}})
    assert find_cycle({"benchlog.a": {"benchlog.b"}, "benchlog.b": {"numpy"}}) is None
