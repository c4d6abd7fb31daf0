"""What a diagnosis looks like on the screen."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from benchlog.channel.design import parse_design
from benchlog.diagnosis.finding import (
    Diagnosis,
    Finding,
    Heard,
    InputDiagnosis,
    Words,
    make_finding,
)
from benchlog.diagnosis.findings import diagnose
from benchlog.show.diagnosis_view import show_diagnosis
from tests.test_findings import contribution, make_input, make_train


def lay_out(
    one: InputDiagnosis, findings: tuple[Finding, ...], capsys: pytest.CaptureFixture[str]
) -> list[str]:
    """Show a diagnosis of one input and return its lines."""
    show_diagnosis("heron.wav", Diagnosis(findings, (one,)))
    return capsys.readouterr().out.splitlines()


def make_one(cause: str = "wiper", **evidence: Any) -> Finding:
    """Make a finding with some figures."""
    return make_finding(1, cause, Words("It moves.", "It shows.", "Hold it."), "Surely.", evidence)


def test_a_step_that_two_inputs_share_is_told_once(capsys: pytest.CaptureFixture[str]) -> None:
    words = Words("The supply creeps.", "It shows.", "Feed the timer from fresh cells.")
    findings = [make_finding(number, "supply", words, "Surely.", {}) for number in (1, 2)]
    findings.append(make_finding(2, "mains", Words("Hum.", "A beat.", "Unplug."), "Surely.", {}))
    show_diagnosis("pair.wav", Diagnosis(tuple(findings), ()))
    shown = capsys.readouterr().out
    assert shown.splitlines()[0] == (
        "pair.wav: input 1: the supply; input 2: the supply, hum from the mains"
    )
    assert shown.count("Feed the timer") == 1
    assert shown.count("As for input 1.") == 1
    assert "Unplug." in shown


def test_what_may_be_the_diode_is_called_so_in_the_first_line(
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = Words("The supply creeps, or the diode warms.", "It shows.", "Read the meter.")
    found = (
        make_finding(1, "supply", words, "Surely one of these two.", {"or_like": ["diode"]}),
        make_finding(1, "mains", Words("Hum.", "A beat.", "Unplug."), "Surely.", {}),
    )
    show_diagnosis("one.wav", Diagnosis(found, ()))
    first = capsys.readouterr().out.splitlines()[0]
    assert first == "one.wav: the supply or the diode's temperature; hum from the mains"


@pytest.mark.parametrize("columns", [40, 61, 80, 120])
def test_no_number_is_parted_from_its_unit(
    columns: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    many = " ".join(f"{'a' * (one % 7 + 1)} {one}.5 ± 0.2 µs, 3 V, 12 %." for one in range(60))
    found = make_finding(1, "wiper", Words("It moves.", many, "Hold it."), "", {})
    show_diagnosis("one.wav", Diagnosis((found,), ()))
    lines = capsys.readouterr().out.splitlines()
    assert all(len(line) <= columns for line in lines)
    starts = [line.split()[0] for line in lines if line.strip()]
    assert not {"±", "µs,", "V,", "%."} & set(starts)
    joined = " ".join(" ".join(lines).split())
    assert many in joined


def test_findings_stand_below_each_other_whatever_they_hold(
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = Words("It moves.", "It shows.", "Hold it.")
    found = (make_finding(1, "wiper", words, "Surely.", {}), make_finding(1, "gap", words, "", {}))
    show_diagnosis("one.wav", Diagnosis(found, ()))
    lines = capsys.readouterr().out.splitlines()
    assert len({line.index("It moves.") for line in lines if "It moves." in line}) == 1


def _moved(one: InputDiagnosis, **figures: Any) -> InputDiagnosis:
    assert one.unrest is not None
    return replace(one, unrest=replace(one.unrest, **figures))


def test_paces_and_what_is_without_a_cause_add_up(capsys: pytest.CaptureFixture[str]) -> None:
    # 3 and 4 us make 5; beside 13 us in all that leaves 12
    part = contribution("wiper", "wiper", 0.2, slow_pulse_rms_s=3e-6, fast_pulse_rms_s=4e-6)
    one = _moved(make_input(part), pulse_rms_s=13e-6)
    lines = lay_out(one, (make_one(),), capsys)
    assert any("13 µs scatter, limit 4 µs: too much" in line for line in lines)
    told = " ".join(" ".join(lines).split())
    assert "slowly 3.0 µs, quickly 4.0 µs, without a cause that is known here 12 µs" in told
    # parts that make more than the whole move against each other: nothing is told of them
    lines = lay_out(_moved(one, pulse_rms_s=4.2e-6), (make_one(),), capsys)
    assert not any("slowly" in line for line in lines)


def test_a_neighbours_pull_is_not_shared_out(capsys: pytest.CaptureFixture[str]) -> None:
    one = make_input(contribution("wiper", "wiper", 1.0))
    assert any("slowly" in line for line in lay_out(one, (make_one(),), capsys))
    assert not any("slowly" in line for line in lay_out(one, (make_one("neighbour"),), capsys))


def test_a_turned_knob_is_not_too_much(capsys: pytest.CaptureFixture[str]) -> None:
    one = make_input(contribution("wiper", "wiper", 1.0))
    lines = lay_out(one, (make_one("steady", travel_us=300.0),), capsys)
    assert any("with the knob turned" in line for line in lines)
    assert not any("too much" in line or "slowly" in line for line in lines)


def test_a_weak_signal_stands_beside_the_figures(capsys: pytest.CaptureFixture[str]) -> None:
    one = make_input(contribution("wiper", "wiper", 1.0), weak=True)
    lines = lay_out(one, (make_one(),), capsys)
    assert any(line.split()[:4] == ["but", "the", "signal", "is"] for line in lines)
    assert not any("slowly" in line for line in lines)
    clipped = lay_out(make_input(clipping=True), (make_one("clipping"),), capsys)
    assert any("clipped" in line for line in clipped)


def test_sizes_without_a_design_are_said_to_be_rough(
    heron_text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    part = contribution("supply", "supply", 1.0, size=0.3, unit="V")
    rough = lay_out(make_input(part), (make_one("supply", size_v=0.3),), capsys)
    assert any("none: a usual channel is assumed" in line for line in rough)
    assert not any("design" in line for line in lay_out(make_input(), (make_one(),), capsys))
    known = make_input(part, design=parse_design(heron_text, "heron"))
    shown = lay_out(known, (make_one("supply", size_v=0.3),), capsys)
    assert not any("usual channel" in line for line in shown)


def test_the_period_has_its_percent(capsys: pytest.CaptureFixture[str]) -> None:
    # 8 us of 14.725 ms are 0.054 %
    lines = lay_out(make_input(contribution("wiper", "wiper", 1.0)), (make_one(),), capsys)
    assert any("8.0 µs scatter (0.054 %), limit 150 µs" in line for line in lines)


def test_a_still_channel_without_a_design_may_be_past_its_servos_stop(
    heron_text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for design, is_known in ((None, False), (parse_design(heron_text, "heron"), True)):
        found = diagnose([Heard(make_train(), "train.csv", design)])
        show_diagnosis("train.csv", found)
        shown = " ".join(capsys.readouterr().out.split())
        assert ("maybe past this servo's own stop" in shown) is not is_known
        assert ("hit its stop" in shown) is is_known
        # 1.265 ms of 14.725 ms at 6 V are 0.52 V on a meter, which shows the average
        assert ("pulses of full height (6.0 V) read 0.52 V" in shown) is is_known
