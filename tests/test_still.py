"""What is said of inputs without pulses."""

from __future__ import annotations

import pytest

from benchlog.diagnosis.finding import Diagnosis, Finding
from benchlog.diagnosis.still import Still, tell_still
from benchlog.diagnosis.words.printed_commands import Bench
from benchlog.errors import MeasurementError


def still(number: int, edge_count: int = 0, *, is_sound: bool = True) -> Still:
    absence = MeasurementError("heron.wav holds hiss", expected="pulses", attempt="turn it up")
    return Still(number, absence, edge_count, 12.0, is_sound, Bench("heron", 135.0))


def test_what_is_found_comes_before_what_cannot_be_told() -> None:
    wiper = Finding(2, "wiper", None, "", "", "", "")
    told = tell_still(Diagnosis((wiper,), ()), [still(1)])
    assert [(one.input, one.cause) for one in told.findings] == [
        (2, "wiper"),
        (1, "not-enough-to-tell"),
    ]
    assert told.is_wrong


def test_it_says_what_is_there_and_what_would_be_enough() -> None:
    [finding] = tell_still(None, [still(1)]).findings
    assert "heron.wav holds hiss, and not one edge was found." in finding.text
    assert "at least 6 times the noise" in finding.text
    assert finding.evidence["needed_step_per_noise"] == 6.0
    assert "turn it up" in finding.next_step
    assert "benchlog capture heron --at 135" in finding.next_step


def test_an_edge_list_has_no_noise() -> None:
    [finding] = tell_still(None, [still(1, 3, is_sound=False)]).findings
    assert "noise" not in finding.text
    assert "input's level" not in finding.next_step
    assert finding.evidence["edge_count"] == 3


def test_nothing_at_all_is_a_slip() -> None:
    with pytest.raises(ValueError, match="nothing to diagnose"):
        tell_still(None, [])
