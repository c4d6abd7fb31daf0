"""Pulses beyond the servo's range, and the parts that bring them inside."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.channel.design import Design, parse_design
from benchlog.channel.prediction import predict_cycle
from benchlog.diagnosis.end_stop import judge_end_stop


def design_for(heron_text: str, low_us: float, high_us: float, longer: str = "clockwise") -> Design:
    text = heron_text.replace("pulse_min_us = 500", f"pulse_min_us = {low_us}")
    text = text.replace("pulse_max_us = 2500", f"pulse_max_us = {high_us}")
    text = text.replace('longer = "clockwise"', f'longer = "{longer}"')
    return parse_design(text, "test")


@pytest.mark.parametrize(
    ("pulse_us", "end", "beyond_us", "sure"),
    [
        (2510.0, "high", 10.0, True),
        (480.0, "low", 20.0, True),
        (2500.5, "high", 0.5, False),  # U is 2 us: it may be inside as well
        (2499.0, "high", -1.0, False),
    ],
)
def test_how_far_on_which_end(pulse_us: float, end: str, beyond_us: float, sure: bool) -> None:
    found = judge_end_stop(np.full(100, pulse_us * 1e-6), 1e-6)
    assert found is not None
    assert (found.end, found.sure, found.assumed) == (end, sure, True)
    assert found.beyond_s == pytest.approx(beyond_us * 1e-6, abs=1e-12)


@pytest.mark.parametrize("pulse_us", [503.0, 1500.0, 2497.0])
def test_inside_is_nothing(pulse_us: float) -> None:
    assert judge_end_stop(np.full(100, pulse_us * 1e-6), 1e-6) is None


def test_no_pulses_are_nothing() -> None:
    assert judge_end_stop(np.empty(0), 1e-6) is None


def test_wandering_pulse_touches_the_stop_now_and_then() -> None:
    pulse = np.full(1000, 2450e-6)
    pulse[::50] = 2520e-6
    found = judge_end_stop(pulse, 1e-6)
    assert found is not None
    assert found.sure
    assert found.share == pytest.approx(0.02)
    assert found.furthest_s == pytest.approx(20e-6, abs=1e-9)


def test_noise_of_the_input_does_not_accuse() -> None:
    pulse = 2480e-6 + 8e-6 * np.random.default_rng(1).standard_normal(5000)
    # 20 us are 2.5 standard deviations: 6 in 1000 pulses read beyond, none by 2 sd more
    assert judge_end_stop(pulse, 0.1e-6, noise_s=8e-6) is None


@pytest.mark.parametrize("longer", ["clockwise", "anticlockwise"])
@pytest.mark.parametrize(
    ("low_us", "high_us"), [(500, 2100), (700, 2500), (700, 2100), (500, 2350)]
)
def test_change_of_parts_brings_both_ends_inside(
    heron_text: str, longer: str, low_us: float, high_us: float
) -> None:
    design = design_for(heron_text, low_us, high_us, longer)
    ends = predict_cycle(design, [0.0, design.knob.travel_deg]).on_s
    knob = [0.0, design.knob.travel_deg]
    outside = 0 if not low_us * 1e-6 <= ends[0] <= high_us * 1e-6 else 1
    found = judge_end_stop(
        np.full(50, ends[outside]), 0.5e-6, design=design, knob_deg=knob[outside]
    )
    assert found is not None
    assert found.change is not None
    across, track = found.change.across_knob_ohm, design.r_knob.value
    parts = {
        "r_on": found.change.r_on_ohm or design.r_on.value,
        "r_knob": track if across is None else 1.0 / (1.0 / track + 1.0 / across),
    }
    after = predict_cycle(design, knob, parts=parts).on_s
    assert min(after) > low_us * 1e-6
    assert max(after) < high_us * 1e-6


def test_knob_angle_past_which_it_pushes(heron_text: str) -> None:
    design = design_for(heron_text, 500, 2100)
    pulse = float(predict_cycle(design, 250.0).on_s)
    found = judge_end_stop(np.full(50, pulse), 0.5e-6, design=design, knob_deg=250.0)
    assert found is not None
    assert found.past_deg is not None
    assert found.past_clockwise is True
    # half a degree of the grid is 4 us; between its points the pulse is all but straight
    assert float(predict_cycle(design, found.past_deg).on_s) == pytest.approx(2100e-6, abs=0.1e-6)
