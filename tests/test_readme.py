"""The README says what is true: its commands exist, its blocks run, its figures are right."""

from __future__ import annotations

import json
import os
import re
import shlex
from pathlib import Path

import pytest

from tests.command_line import COMMANDS, Outcome, run_here, run_process

_CHECKOUT = Path(__file__).resolve().parent.parent
_README = (_CHECKOUT / "README.md").read_text(encoding="utf-8")


def _blocks(kind: str) -> list[str]:
    # A block may stand inside a list, and is then indented.
    found = re.findall(rf"^( *)```{kind}\n(.*?)^\1```$", _README, re.DOTALL | re.MULTILINE)
    return [
        "\n".join(line.removeprefix(indent) for line in text.splitlines()) for indent, text in found
    ]


def _section(title: str) -> str:
    found = re.search(rf"^## {title}\n(.*?)(?=^## |\Z)", _README, re.DOTALL | re.MULTILINE)
    assert found, title
    return found[1]


def _commands() -> list[str]:
    from benchlog.commands.application import command_line

    return sorted(getattr(command_line(), "commands"))  # noqa: B009


def test_the_first_paragraph_states_the_job() -> None:
    title, first, *_ = _README.split("\n\n")
    assert title == "# benchlog"
    for word in ("555", "knob", "servo", "sound input", "serial", "pulse"):
        assert word in first


def test_the_blocks_of_the_start_are_the_two_that_set_up_and_test() -> None:
    first, second = _blocks("sh")
    assert first.splitlines() == [
        "python3 -m venv .venv",
        ".venv/bin/pip install .",
        ".venv/bin/benchlog demo",
    ]
    assert second == "./tests/run"
    assert _section("Start").count("```sh") == 2
    assert os.access(_CHECKOUT / "tests" / "run", os.X_OK)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """Run the demo as the first block does, in the environment of this test."""
    words = shlex.split(_blocks("sh")[0].splitlines()[-1])
    assert words[0] == ".venv/bin/benchlog"
    return run_process(*words[1:], cwd=tmp_path_factory.mktemp("demo"), timeout=180)


def test_the_demo_shows_the_four_channels(demo: Outcome) -> None:
    assert demo.status == 0, demo
    assert "Traceback" not in demo.err
    for channel in ("heron", "moon", "boat", "curtain"):
        assert f"{channel}: calibration of" in demo.out


def _same(shown: str, real: str) -> bool:
    """Tell whether two words are the same, the last place of a number not counted."""
    if shown == real:
        return True
    places = len(shown.partition(".")[2])
    try:
        apart = abs(float(shown) - float(real))
    except ValueError:
        return False
    return apart < 1.5 * 10.0**-places


def test_what_the_readme_shows_is_what_the_demo_prints(demo: Outcome) -> None:
    real = demo.out.split()
    table, reason = _blocks("text")[0].split("\n\n")
    for part in (table, reason.removeprefix("What is wrong with which")):
        shown = part.split()
        assert len(shown) > 20
        assert any(
            all(map(_same, shown, real[start : start + len(shown)]))
            for start in range(len(real) - len(shown) + 1)
        ), part


def test_the_command_list_is_complete() -> None:
    listed = re.findall(r"^\| `([a-z]+)", _section("Commands"), re.MULTILINE)
    assert sorted(listed) == _commands()


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_has_help(command: str, tmp_path: Path) -> None:
    whole = run_here("--help", cwd=tmp_path)
    assert whole.status == 0
    assert re.search(rf"\b{command}\b", whole.out)
    own = run_here(command, "--help", cwd=tmp_path)
    assert own.status == 0
    assert "--help" in own.out
    assert own.err == ""


def test_no_command_is_left_out_above() -> None:
    assert _commands() == sorted(COMMANDS)


def test_every_option_in_the_readme_exists(tmp_path: Path) -> None:
    told = run_here("--help", cwd=tmp_path).out
    told += "".join(run_here(command, "--help", cwd=tmp_path).out for command in _commands())
    for option in set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", _README)):
        assert option in told, option


# --- the divider --------------------------------------------------------------


def _node_v(source_v: float, series_ohm: float, *to_ground_ohm: float) -> float:
    """Return the voltage of the node between a series resistor and those to ground (Kirchhoff)."""
    series_s = 1 / series_ohm
    return source_v * series_s / (series_s + sum(1 / ohm for ohm in to_ground_ohm))


def test_the_dividers_table_is_right() -> None:
    rows = re.findall(r"^\| ([\d.]+) V \| ([\d.]+) V \| ([\d.]+) V \|$", _README, re.MULTILINE)
    assert len(rows) == 3
    for output_v, open_v, loaded_v in rows:
        assert float(open_v) == pytest.approx(_node_v(float(output_v), 47e3, 4.7e3), abs=0.006)
        loaded = _node_v(float(output_v), 47e3, 4.7e3, 10e3)
        assert float(loaded_v) == pytest.approx(loaded, abs=0.006)


def test_the_other_figures_of_the_divider_are_right() -> None:
    # Ohm's law over the series resistor alone, the input shorted: 12 V over 47 kohm.
    assert "0.26 mA" in _README
    assert pytest.approx(0.26, abs=0.005) == 12 / 47e3 * 1e3
    assert "divide by eleven" in _README
    assert pytest.approx(1 / 11, rel=1e-3) == _node_v(1.0, 47e3, 4.7e3)
    assert "(6 V then gives 59 mV)" in _README
    assert _node_v(6.0, 47e3, 470.0) == pytest.approx(0.059, abs=0.0005)
    # Before a board of 5 V and of 3.3 V.
    assert "10 kΩ to the input and 22 kΩ from there to ground give 4.1 V" in _README
    assert _node_v(6.0, 10e3, 22e3) == pytest.approx(4.1, abs=0.05)
    assert "10 kΩ and 10 kΩ give 3.0 V" in _README
    assert _node_v(6.0, 10e3, 10e3) == pytest.approx(3.0, abs=0.05)


def test_the_meters_reading_fits_the_stages_channels(tmp_path: Path, heron_text: str) -> None:
    # A meter on direct volts shows the average: the pulse's height times its share of the period.
    assert "at 6 V between 0.01 and 0.1 V" in _README
    (tmp_path / "heron.toml").write_text(heron_text, encoding="utf-8")
    told = json.loads(run_here("predict", "heron.toml", "--json", cwd=tmp_path).out)
    for position in told["positions"]:
        average_v = _node_v(6.0, 47e3, 4.7e3) * position["on_us"] / position["period_us"]
        assert 0.01 < average_v < 0.1
        # The resistors exchanged give more than the reading at which the README says to stop.
        assert _node_v(6.0, 4.7e3, 47e3) * position["on_us"] / position["period_us"] > 0.2


def test_the_design_in_the_readme_is_right(tmp_path: Path) -> None:
    (design,) = _blocks("toml")
    (tmp_path / "heron.toml").write_text(design, encoding="utf-8")
    outcome = run_here("predict", "heron.toml", "--json", cwd=tmp_path)
    assert outcome.status == 0, outcome


def test_the_sidecar_in_the_readme_is_enough(bench_folder: Path) -> None:
    (sidecar,) = _blocks("json")
    folder = bench_folder / "captures" / "heron"
    folder.mkdir()
    (folder / "a.json").write_text(sidecar, encoding="utf-8")
    edges = (f"{0.015 * k + 0.001:.6f},1\n{0.015 * k + 0.0025:.6f},0\n" for k in range(60))
    (folder / "a.csv").write_text("time_s,level\n0,0\n" + "".join(edges))
    told = json.loads(run_here("calibrate", "heron", "--json", cwd=bench_folder).out)
    assert [row["knob_deg"] for row in told["rows"]] == [135]


@pytest.mark.parametrize(
    ("channel", "status"), [("heron", 0), ("moon", 1), ("boat", 1), ("curtain", 1)]
)
def test_the_checkout_is_a_bench_folder(channel: str, status: int) -> None:
    assert "`benchlog calibrate moon --no-save` works right here" in _README
    outcome = run_here("calibrate", channel, "--no-save", cwd=_CHECKOUT)
    assert outcome.status == status, outcome
