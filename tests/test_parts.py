"""Parts: their limits and how they are told."""

from __future__ import annotations

import pytest

from benchlog.channel.parts import DEFAULT_TOLERANCES, Part


def test_limits() -> None:
    part = Part("r_on", 33e3, 0.05, "ohm")
    assert part.low == pytest.approx(31.35e3)
    assert part.high == pytest.approx(34.65e3)


@pytest.mark.parametrize(
    ("part", "text"),
    [
        (Part("r_on", 33e3, 0.05, "ohm"), "33 kΩ ± 5 %"),
        (Part("c_timing", 22e-9, 0.1, "F"), "22 nF ± 10 %"),
        (Part("r_on", 38e3, 0.175, "ohm"), "38 kΩ ± 17.5 %"),
        (Part("supply", 6.0, 0.0, "V"), "6 V"),
    ],
)
def test_told(part: Part, text: str) -> None:
    assert str(part) == text


def test_defaults() -> None:
    """Resistors 5 %, panel potentiometers 20 % (Bourns PTV09), capacitors 10 %; supply as read."""
    assert DEFAULT_TOLERANCES == {
        "r_on": 0.05,
        "r_knob": 0.20,
        "r_off": 0.05,
        "c_timing": 0.10,
        "supply": 0.0,
    }
