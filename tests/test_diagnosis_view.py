"""What a diagnosis looks like on the screen."""

from __future__ import annotations

import pytest

from benchlog.diagnosis.finding import Diagnosis, Words, make_finding
from benchlog.show.diagnosis_view import show_diagnosis


def test_a_step_that_two_inputs_share_is_told_once(capsys: pytest.CaptureFixture[str]) -> None:
    words = Words("The supply creeps.", "It shows.", "Feed the timer from fresh cells.")
    findings = [make_finding(number, "supply", words, "Surely.", {}) for number in (1, 2)]
    findings.append(make_finding(2, "mains", Words("Hum.", "A beat.", "Unplug."), "Surely.", {}))
    show_diagnosis("pair.wav", Diagnosis(tuple(findings), ()))
    shown = capsys.readouterr().out
    assert shown.splitlines()[0] == "pair.wav: the supply; hum from the mains"
    assert shown.count("Feed the timer") == 1
    assert shown.count("As for input 1.") == 1
    assert "Unplug." in shown
