"""What a suspect is called, by hand: values with what explains them, meter readings."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchlog.calibration.figures import with_u
from benchlog.calibration.suppositions import part_decades, part_density
from benchlog.calibration.suspect_texts import Estimate, tell_fault
from benchlog.channel.design import Design, parse_design
from benchlog.commands.known_parts import check_known, read_known
from benchlog.errors import UsageError


@pytest.fixture(scope="module")
def heron(heron_text: str) -> Design:
    """Give the design with the tolerances of parts that were picked."""
    text = heron_text
    for name, share in (("r_on", "1%"), ("r_knob", "3%"), ("r_off", "1%"), ("c_timing", "2.5%")):
        text = text.replace(f"{name} = ", f'{name}_tolerance = "{share}"\n{name} = ')
    return parse_design(text, "heron")


# --- densities and words, by hand ---


def test_the_density_of_a_wrong_part_sums_to_one() -> None:
    grid = np.linspace(-9.0, 9.0, 400001)
    for tolerance in (0.01, 0.05, 0.2):
        total = np.sum(np.exp(part_density(grid, tolerance))) * (grid[1] - grid[0])
        assert total == pytest.approx(1.0, rel=0.01)
    decades, others = part_decades(np.array([math.log(10.0), math.log(5.0)]), 0.05)
    assert decades[0] > others[0]
    assert decades[1] == -np.inf


@pytest.mark.parametrize(
    ("part", "fault", "value", "words"),
    [
        ("r_off", "value", 470e3, ("470 kΩ", "820 kΩ ± 1 % belongs", "E12")),
        ("r_off", "decade", 82e3, ("82 kΩ", "another power of ten")),
        ("r_on", "value", 38.9e3, ("18 % high", "39 kΩ (E12)", "next value of the series")),
        ("c_timing", "value", 33.1e-9, ("33 nF", "timing capacitor")),
    ],
)
def test_a_value_is_named_with_what_explains_it(
    heron: Design, part: str, fault: str, value: float, words: tuple[str, ...]
) -> None:
    marked = getattr(heron, part).value
    text = tell_fault(heron, part, fault, Estimate(value, 0.99 * value, 1.01 * value, marked))
    for word in words:
        assert word in text


def test_figures_in_the_other_order_are_told(heron_text: str) -> None:
    design = parse_design(heron_text.replace('"33k"', '"39k"').replace('"820k"', '"180k"'), "d")
    text = tell_fault(design, "r_off", "value", Estimate(812e3, 805e3, 825e3, 180e3))
    assert "820 kΩ" in text
    text = tell_fault(design, "r_on", "value", Estimate(93e3, 90.5e3, 92e3, 39e3))
    assert "91 kΩ" in text


@pytest.mark.parametrize(
    ("text", "part", "value", "half"),
    [
        # 0.5 % and one step of the last figure; 2 % and one step for a capacitor
        ("r_off=812k", "r_off", 812e3, 4060 + 1000),
        ("r_off=1M", "r_off", 1e6, 5000 + 10e3),  # the step counts 1 % at most
        ("c_timing=24n", "c_timing", 24e-9, 0.48e-9 + 0.24e-9),
        ("r_on=4k71", "r_on", 4710.0, 23.55 + 10),
        ("r_knob=98.2k", "r_knob", 98.2e3, 491 + 100),
        ("c_timing=22.4n", "c_timing", 22.4e-9, 0.448e-9 + 0.1e-9),
        ("c_timing=2.24e-8", "c_timing", 22.4e-9, 0.448e-9 + 0.1e-9),
        ("r_off=812k±0.5%", "r_off", 812e3, 4060.0),
        ("r_off=812k+-2k", "r_off", 812e3, 2000.0),
        ("r_off= 812k ± 0.1 %", "r_off", 812e3, 812.0),
    ],
)
def test_a_meter_reading_is_read(text: str, part: str, value: float, half: float) -> None:
    known = read_known([text])[part]
    assert known.value == pytest.approx(value)
    assert known.u == pytest.approx(half / math.sqrt(3.0))


@pytest.mark.parametrize(
    "text",
    ["", "r_off", "r_off=", "=812k", "x=1", "r_off=-3k", "r_off=0", "r_off=8±", "r_off=8±-1",
     "r_off=nan", "r_off=R", "r_off=812k±200%", "c_timing=22nF±1k±2"],
)  # fmt: skip
def test_a_reading_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        read_known([text])


def test_one_part_is_not_known_twice() -> None:
    with pytest.raises(UsageError, match="once"):
        read_known(["r_off=812k", "r_off=813k"])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("r_off=812", "is 812 Ω, and 820 kΩ is marked; expected ohms with k or M, farads with"),
        ("r_off=812", "try: --known r_off=812k"),
        ("c_timing=22", "try: --known c_timing=22n"),
        ("c_timing=223", "try: --known c_timing=22n"),
        ("r_on=22n", "try: --known r_on=22k"),
    ],
)
def test_a_reading_far_from_the_mark_is_refused(heron: Design, text: str, words: str) -> None:
    with pytest.raises(UsageError) as refused:
        check_known(heron, [text], read_known([text]))
    assert words in str(refused.value)


def test_a_part_a_decade_off_may_be_read(heron: Design) -> None:
    for text in ("r_off=81.2k", "r_off=8M3", "c_timing=2.2n"):
        check_known(heron, [text], read_known([text]))


@pytest.mark.parametrize(
    ("value", "u", "unit", "shown"),
    [
        (23.92e-9, 0.2551e-9, "F", "23.92 ± 0.52 nF"),  # 0.5102 is rounded up
        (-1e-4, 9.0, "ohm", "0 ± 18 Ω"),  # no sign before a 0
        (0.66667, 0.00145, "", "0.6667 ± 0.0029"),
        (820.6e3, 3.75e3, "ohm", "820.6 ± 7.5 kΩ"),
    ],
)
def test_a_value_is_written_with_u_rounded_up(
    value: float, u: float, unit: str, shown: str
) -> None:
    assert with_u(value, u, unit) == shown
