"""`diagnose --compare` of recordings: files, and a channel's newest comparison."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.command_line import Outcome, run_here
from tests.test_beat_command import draw_cycles, write_cycles

_BEGAN = "20260901T100000Z"


def lay_stage(
    folder: Path,
    which: str,
    seed: int,
    *,
    shift_s: float = 0.0,
    times: float = 1.0,
    lost: tuple[int, ...] = (),
    name: str | None = None,
    **sidecar: object,
) -> Path:
    """Write a stage of some 13 s, each stage 20 s after the one before."""
    on_s, off_s = draw_cycles(900, seed)
    on_s = 1.5e-3 + shift_s + times * (on_s - 1.5e-3)
    for k in sorted(lost, reverse=True):  # the pulse does not come: one long rest
        off_s[k - 1] += on_s[k] + off_s[k]
        on_s, off_s = np.delete(on_s, k), np.delete(off_s, k)
    place = ("unplugged", "plugged", "neighbour").index(which)
    known = {"recorded_utc": f"2026-09-01T10:00:{20 * place:02d}Z", **sidecar}
    return write_cycles(folder / f"{name or which}.csv", on_s, off_s, **known)


def compare(bench: Path, *files: Path) -> tuple[Outcome, dict[str, Any]]:
    """Compare files by their names."""
    words = [f"{one.stem}={one}" for one in files]
    out = run_here("diagnose", *words, "--compare", "--json", cwd=bench)
    return out, json.loads(out.out) if out.out else {}


def test_stages_from_files(bench_folder: Path) -> None:
    """The own servo makes the pulse 8 us longer; the neighbour makes it scatter 8 times as far."""
    files = [
        lay_stage(bench_folder, "unplugged", 0),
        lay_stage(bench_folder, "plugged", 1, shift_s=8e-6),
        lay_stage(bench_folder, "neighbour", 2, shift_s=8e-6, times=8.0),
    ]
    out, content = compare(bench_folder, *files)
    assert out.status == 1
    assert [one["cause"] for one in content["findings"]] == ["supply", "neighbour"]
    own, neighbour = (one["evidence"] for one in content["findings"])
    # 900 pulses of 1 us each: a difference is known to 0.05 us
    assert own["effect_us"] == pytest.approx(8.0, abs=0.2)
    assert own["moves_like"] in ("supply", "diode")
    assert own["apart_s"] == pytest.approx(20.0, abs=0.5)
    # and 8 us each to 0.3 us
    assert neighbour["effect_us"] == pytest.approx(0.0, abs=1.0)
    assert neighbour["scatter_ratio"] == pytest.approx(8.0, abs=1.0)
    assert [one["stage"] for one in content["stages"]] == ["unplugged", "plugged", "neighbour"]
    assert all("Surely" in one["text"] for one in content["findings"])


def test_the_table_of_the_stages(bench_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    files = [lay_stage(bench_folder, one, k) for k, one in enumerate(("unplugged", "plugged"))]
    words = [f"{one.stem}={one}" for one in files]
    shown = run_here("diagnose", *words, "--compare", cwd=bench_folder)
    assert shown.status == 0
    rows = [line for line in shown.out.splitlines() if line.startswith("servo ")]
    assert [row[:16].strip() for row in rows] == ["servo unplugged", "servo plugged in"]
    for row in rows:
        # each '±' ends in a digit that is not 0 somewhere, and 0 has no minus
        assert row.count("±") == 2
        assert all(float(piece.split()[0]) > 0 for piece in row.split("±")[1:])
        assert not any(f" -{zero} " in row for zero in ("0.0", "0.00", "0.000"))
    assert max(map(len, shown.out.splitlines())) <= 80


def test_files_whose_sidecars_say_what_the_servo_did(bench_folder: Path) -> None:
    files = [
        lay_stage(bench_folder, stage, 10 + k, servo=servo, name=servo)
        for k, (stage, servo) in enumerate((("unplugged", "unplugged"), ("plugged", "idle")))
    ]
    out = run_here("diagnose", *files, "--compare", "--json", cwd=bench_folder)
    assert out.status == 0, out
    [finding] = json.loads(out.out)["findings"]
    assert finding["cause"] == "steady"


def test_a_knob_that_was_touched_is_not_blamed_on_the_supply(bench_folder: Path) -> None:
    """A wiper gives the pulse 60 us and takes 51 us from the rest: no supply does that."""
    files = []
    for number, stage in enumerate(("unplugged", "plugged")):
        on_s, off_s = draw_cycles(900, 20 + number)
        files.append(
            write_cycles(
                bench_folder / f"{stage}.csv", on_s + number * 60e-6, off_s - number * 51e-6
            )
        )
    _, content = compare(bench_folder, *files)
    [finding] = content["findings"]
    assert finding["cause"] == "not-enough-to-tell"
    assert "cannot be compared" in finding["text"]
    assert "knob" in finding["text"]


def test_recordings_of_two_channels_are_not_compared(bench_folder: Path) -> None:
    """A pulse that is half as long again: no supply that a timer still runs from does that."""
    words = []
    for number, stage in enumerate(("unplugged", "plugged")):
        on_s, off_s = draw_cycles(900, 30 + number)
        path = write_cycles(bench_folder / f"{stage}.csv", on_s * (1 + 0.5 * number), off_s)
        words.append(f"{stage}={path}")
    out = run_here("diagnose", *words, "--compare", cwd=bench_folder)
    assert out.status == 0
    assert "recordings of two channels" in " ".join(out.out.split())
    assert "± 0.0 " not in out.out


def test_a_figure_is_never_without_its_doubt(bench_folder: Path) -> None:
    """Two recordings without any scatter: their ± is small, not 0."""
    words = []
    for stage in ("unplugged", "plugged"):
        on_s, off_s = np.full(900, 1.584e-3), np.full(900, 13e-3)
        words.append(f"{stage}={write_cycles(bench_folder / f'{stage}.csv', on_s, off_s)}")
    out = run_here("diagnose", *words, "--compare", cwd=bench_folder)
    assert out.status == 0, out
    assert "1584.0" in out.out
    assert not re.search(r"± 0\.?0* ", out.out), out.out


def test_a_pulse_that_shortens_is_not_blamed_on_the_servo(bench_folder: Path) -> None:
    out, content = compare(
        bench_folder,
        lay_stage(bench_folder, "unplugged", 1),
        lay_stage(bench_folder, "plugged", 2, shift_s=-40e-6),
    )
    [finding] = content["findings"]
    assert out.status == 1
    assert "Something else changed" in finding["text"]
    assert "pulls the supply" not in finding["text"]


def test_lost_pulses_are_compared(bench_folder: Path) -> None:
    """Forty pulses missing once the servo is in: the whole cycles between are as before."""
    lost = tuple(range(15, 815, 20))
    out, content = compare(
        bench_folder,
        lay_stage(bench_folder, "unplugged", 1),
        lay_stage(bench_folder, "plugged", 2, lost=lost),
    )
    assert out.status == 1
    [finding] = content["findings"]
    assert finding["cause"] == "missing-pulse"
    assert finding["evidence"]["events_before"] == 0
    assert finding["evidence"]["events_after"] == len(lost)
    assert finding["evidence"]["p_value"] < 1e-6
    assert [one["events"] for one in content["stages"]] == [{}, {"missing-pulse": len(lost)}]


def test_a_stage_in_which_nothing_comes(bench_folder: Path) -> None:
    still = bench_folder / "plugged.csv"
    still.write_text("time_s,level\n0,0\n20.0,0\n", encoding="ascii")
    out, content = compare(bench_folder, lay_stage(bench_folder, "unplugged", 1), still)
    assert out.status == 1
    [finding] = content["findings"]
    assert finding["cause"] == "supply"
    assert finding["text"].startswith("With the servo plugged in the pulses stop.")
    silent = content["stages"][1]
    assert (silent["pulse_count"], silent["pulse_us"], silent["duration_s"]) == (0, None, 20.0)


def test_no_stage_with_pulses(bench_folder: Path) -> None:
    files = []
    for name in ("unplugged", "plugged"):
        files.append(bench_folder / f"{name}.csv")
        files[-1].write_text("time_s,level\n0,0\n20.0,0\n", encoding="ascii")
    out, _ = compare(bench_folder, *files)
    assert out.status == 2
    assert "no stage holds pulses" in out.err
    assert len(out.err.splitlines()) == 1


def test_recordings_at_two_knob_positions_are_refused(bench_folder: Path) -> None:
    out, _ = compare(
        bench_folder,
        lay_stage(bench_folder, "unplugged", 1),
        lay_stage(bench_folder, "plugged", 2, knob_deg=90),
    )
    assert out.status == 2
    assert "at 90 and 135 degrees" in out.err


# --- a channel's newest comparison -----------------------------------------------------------


def lay_comparison(bench: Path, began: str, shift_s: float, stages: tuple[str, ...]) -> None:
    """Lay a comparison into the bench folder."""
    folder = bench / "captures" / "heron"
    folder.mkdir(exist_ok=True)
    for k, stage in enumerate(stages):
        moved_s = 0.0 if stage == "unplugged" else shift_s
        name = f"{began}-{stage}"
        lay_stage(folder, stage, k, shift_s=moved_s, name=name, comparison=began, stage=stage)


def test_a_channel_takes_its_newest_comparison(bench_folder: Path) -> None:
    lay_comparison(bench_folder, "20260831T100000Z", 30e-6, ("unplugged", "plugged"))
    lay_comparison(bench_folder, _BEGAN, 12e-6, ("unplugged", "plugged"))
    out = run_here("diagnose", "heron", "--compare", "--json", cwd=bench_folder)
    assert out.status == 1, out
    content = json.loads(out.out)
    [finding] = content["findings"]
    assert finding["evidence"]["effect_us"] == pytest.approx(12.0, abs=0.3)
    # the command that is proposed gives the same
    again = run_here(*content["again"].split()[1:], "--json", cwd=bench_folder)
    assert json.loads(again.out)["findings"] == content["findings"]


@pytest.mark.parametrize(
    ("stages", "said"),
    [
        ((), "no comparison of it was recorded"),
        (("unplugged",), "holds one stage, 'unplugged'"),
    ],
)
def test_a_channel_without_a_comparison(
    stages: tuple[str, ...], said: str, bench_folder: Path
) -> None:
    lay_comparison(bench_folder, _BEGAN, 12e-6, stages)
    out = run_here("diagnose", "heron", "--compare", cwd=bench_folder)
    assert (out.status, out.out) == (2, ""), out
    assert said in out.err
    assert "--compare" in out.err.split("try: ")[1]
    assert len(out.err.splitlines()) == 1
