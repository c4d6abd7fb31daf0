"""The design file: what it accepts, what it refuses and how it says so; what it predicts."""

from __future__ import annotations

import dataclasses
import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.channel.design import (
    Design,
    build_circuit,
    check_channel_name,
    parse_design,
    predict_cycle,
    predict_positions,
    sensitivity,
    tolerance_band,
)
from benchlog.channel.diode import MODELS, TYPE_SPREAD
from benchlog.errors import DesignError

# invented, like every figure of the shadow-puppet stage
HERON = """\
channel = "heron"

[supply]
volts = 6.0

[timer]
family = "cmos"
r_on = "33k"
r_knob = "100k"
r_off = "820k"
c_timing = "22n"

[diode]
saturation_current = "2.52n"
emission = 1.752
series = "0.568"

[knob]
travel_deg = 270
longer = "clockwise"

[servo]
pulse_min_us = 500
pulse_max_us = 2500
"""

LEAST = """\
channel = "boat"
supply.volts = 6
servo = { pulse_min_us = 600, pulse_max_us = 2400 }
[timer]
r_on = 33000
r_knob = 1e5
r_off = "820k"
c_timing = 22e-9
[knob]
travel_deg = 280.5
"""

NO_KNOB = """\
channel = "moon"
[supply]
volts = 5
[timer]
family = "ideal"
r_on = "5k"
r_knob = 0
r_off = "3k"
c_timing = "0.15u"
[diode]
model = "none"
[knob]
travel_deg = 270
[servo]
pulse_min_us = 500
pulse_max_us = 2500
"""


def parse(text: str) -> Design:
    return parse_design(text, "design.toml")


def swap(old: str, new: str) -> str:
    """Return heron's text with one passage replaced."""
    assert HERON.count(old) == 1
    return HERON.replace(old, new)


HERON_DESIGN = parse(HERON)


# --- what is read ---


def test_reads_a_whole_design() -> None:
    design = HERON_DESIGN
    assert design.channel == "heron"
    assert design.supply.value == 6.0
    assert design.supply.tolerance == 0.0
    assert [part.value for part in design.parts] == [33e3, 100e3, 820e3, 22e-9]
    assert [part.name for part in design.parts] == ["r_on", "r_knob", "r_off", "c_timing"]
    assert [part.tolerance for part in design.parts] == [0.05, 0.2, 0.05, 0.1]
    assert design.timer.name == "cmos"
    assert (design.diode.saturation_current_a, design.diode.emission) == (2.52e-9, 1.752)
    assert design.diode.series_ohm == 0.568
    assert design.diode_model is None
    assert design.diode_tolerance == 0.0
    assert design.servo.pulse_min_s == pytest.approx(500e-6)
    assert (design.servo.angle_min_deg, design.servo.angle_max_deg) == (0.0, 180.0)
    assert design.servo.dead_band_s == pytest.approx(5e-6)
    assert design.limits.deviation_s == pytest.approx(20e-6)
    assert design.limits.jitter_s == pytest.approx(4e-6)
    assert design.limits.period_fraction == pytest.approx(0.01)
    assert design.temperature_c == 27.0
    assert design.text == HERON
    assert design.warnings == ()


def test_reads_the_least_there_may_be() -> None:
    design = parse(LEAST)
    assert design.timer.name == "ideal"
    assert design.diode == MODELS["1N4148"]
    assert design.diode_model == "1N4148"
    assert design.diode_tolerance == TYPE_SPREAD["1N4148"]
    assert design.knob.travel_deg == 280.5
    assert design.r_knob.value == 100e3


def test_reads_tolerances_limits_and_ambient() -> None:
    text = swap("volts = 6.0", 'volts = 6.0\nvolts_tolerance = "5 %"')
    text = text.replace('r_on = "33k"', 'r_on = "33k"\nr_on_tolerance = 0.01')
    text = text.replace("emission", 'saturation_current_tolerance = "50%"\nemission')
    text += "[limits]\njitter_us = 2.5\n[ambient]\ntemperature_c = -3\n"
    design = parse(text)
    assert design.supply.tolerance == pytest.approx(0.05)
    assert design.r_on.tolerance == 0.01
    assert design.diode_tolerance == pytest.approx(math.log(1.5))
    assert design.limits.jitter_s == pytest.approx(2.5e-6)
    assert design.temperature_c == -3.0


@pytest.mark.parametrize("model", sorted(MODELS))
def test_reads_diodes_by_name(model: str) -> None:
    start, end = HERON.index("saturation"), HERON.index("[knob]")
    design = parse(HERON[:start] + f'model = "{model}"\n' + HERON[end:])
    assert design.diode == MODELS[model]
    assert design.diode_tolerance == TYPE_SPREAD[model] > 0


def test_reads_a_trimmer_at_its_middle() -> None:
    design = parse(swap('r_on = "33k"', 'r_on = "33k + trimmer 10k"'))
    assert design.r_on.value == pytest.approx(38e3)
    assert design.r_on.low == pytest.approx(33e3 * 0.95)
    assert design.r_on.high == pytest.approx(33e3 * 1.05 + 10e3)
    assert design.r_on_trimmer_ohm == 10e3
    assert design.r_off_trimmer_ohm == 0.0
    assert [code for code, _ in design.warnings] == ["trimmer-middle"]


def test_reads_windows_lines_and_a_byte_order_mark() -> None:
    design = parse("\ufeff" + HERON.replace("\n", "\r\n"))
    assert dataclasses.replace(design, text=HERON) == HERON_DESIGN


@pytest.mark.parametrize(
    ("family", "volts", "warned"),
    [
        ("cmos", 1.9, True),
        ("cmos", 2.0, False),
        ("cmos", 15.5, True),
        ("bipolar", 4.0, True),
        ("bipolar", 16.0, False),
        ("ideal", 1.0, False),
    ],
)
def test_warns_of_a_supply_outside_the_range(family: str, volts: float, warned: bool) -> None:
    """Bipolar 4.5 to 16 V, CMOS 2 to 15 V (from memory of the data sheets)."""
    design = parse(swap('"cmos"', f'"{family}"').replace("6.0", str(volts)))
    assert [code for code, _ in design.warnings] == (["supply-range"] if warned else [])
    if warned:
        assert f"{volts:g} V" in design.warnings[0][1]
    assert HERON_DESIGN.supply_warnings(20.0)[0][0] == "supply-range"


# --- what is refused ---

FAULTS = [
    # old, new, line, what the message must hold
    ('r_on = "33k"', 'r_on = "-3k"', 8, r"timer\.r_on = '-3k'"),
    ('r_on = "33k"', "r_on = 0", 8, r"timer\.r_on = 0.*100 mΩ"),
    ('r_on = "33k"', 'r_on = "22nF"', 8, r"'22nF'; expected a resistance such as"),
    ('r_on = "33k"', 'r_on = "33q"', 8, r"'33q'; expected a resistance such as"),
    ('r_on = "33k"', "r_on = nan", 8, r"timer\.r_on = nan"),
    ('r_on = "33k"', "r_on = inf", 8, r"timer\.r_on = inf"),
    ('r_on = "33k"', "r_on = true", 8, r"timer\.r_on = true"),
    ('r_on = "33k"', "r_on = [33]", 8, r"timer\.r_on = \[33\]"),
    ('r_on = "33k"', "r_on = { a = 1 }", 8, r"timer\.r_on = \{'a': 1\}"),
    ('r_on = "33k"', f"r_on = 1{'0' * 400}", 8, r"timer\.r_on = 10+\.\.\."),
    ('r_on = "33k"', "r_on = 2026-09-01", 8, r"timer\.r_on = "),
    ('r_on = "33k"', 'r_on = "33k + trimmer x"', 8, r"trimmer x'; expected a resistance"),
    ('r_on = "33k"', 'r_on = "33k + trimmer -1k"', 8, r"trimmer -1k'"),
    ('r_on = "33k"', 'r_on = "33k"\nr_on_tolerance = 5', 9, r"r_on_tolerance = 5; .* 100 %"),
    ('r_on = "33k"', 'r_on = "33k"\nr_on_tolerance = "x"', 9, "expected a tolerance"),
    ('r_on = "33k"\n', "", 6, r"timer\.r_on is missing.*'r_on = \"33k\"' below \[timer\]"),
    ('r_on = "33k"', 'r_onn = "33k"', 8, r"unknown key 'timer\.r_onn'.*try: 'r_on'"),
    ('r_on = "33k"', 'r_on = "33k"\nvolts = 6', 9, r"'timer\.volts'.*moving it below \[supply\]"),
    ('r_on = "33k"', 'r_on = "33k"\nqqqq = 6', 9, r"'timer\.qqqq'.*taking it out"),
    ('r_on = "33k"', 'r_on = "33k"\nr_on = "3k"', 9, "stands there twice"),
    ('r_on = "33k"', "r_on = 33k", 8, "cannot be read as TOML"),
    ('r_on = "33k"', 'r_on = "33k', 8, "cannot be read as TOML"),
    ('r_knob = "100k"', 'r_knob = "-1k"', 9, r"timer\.r_knob = '-1k'"),
    ('r_knob = "100k"', 'r_knob = "100k + trimmer 1k"', 9, r"timer\.r_knob = "),
    ('c_timing = "22n"', "c_timing = 22", 11, r"timer\.c_timing = 22; .* 1 pF to 100 mF"),
    ('c_timing = "22n"', 'c_timing = "22k"', 11, r"timer\.c_timing = '22k'"),
    ('family = "cmos"', 'family = "CMOS"', 7, r'"bipolar".*family = "cmos"'),
    ('family = "cmos"', "family = 555", 7, r"timer\.family = 555"),
    ("volts = 6.0", "volts = -6", 4, r"supply\.volts = -6"),
    ("volts = 6.0", 'volts = "6A"', 4, r"supply\.volts = '6A'; expected a voltage"),
    ("volts = 6.0", "volts = 230", 4, r"supply\.volts = 230"),
    ("volts = 6.0\n", "", 3, r"supply\.volts is missing"),
    ("[supply]", "[suply]", 3, r"unknown key 'suply'.*try: 'supply'"),
    ("[supply]", "[supply]\n[supply]", 4, "stands there twice"),
    ("[supply]\nvolts = 6.0", "supply = 6", 3, r"supply = 6; expected a table \[supply\]"),
    ("[servo]", "[[servo]]", 22, r"servo = \[.*expected a table \[servo\]"),
    ('channel = "heron"', 'chanel = "heron"', 1, r"unknown key 'chanel'.*try: 'channel'"),
    ('channel = "heron"', 'channel = "a/b"', 1, "holds '/'"),
    ('channel = "heron"', "channel = 7", 1, "is not text"),
    ("emission = 1.752", "emission = -1", 15, r"diode\.emission = -1"),
    ("emission = 1.752\n", "", 13, r"diode\.emission is missing"),
    ("emission = 1.752", 'emission = 1.7\nmodel = "1N4148"', 14, "beside diode.model"),
    ('series = "0.568"', 'series = "0.568V"', 16, r"diode\.series"),
    ("travel_deg = 270", "travel_deg = 0", 19, r"knob\.travel_deg = 0"),
    ("travel_deg = 270", 'travel_deg = "270"', 19, "without quotes"),
    ("travel_deg = 270", "travel_deg = 270\ndead_low_deg = 270", 20, r"dead_low_deg = 270"),
    ("travel_deg = 270", "travel_deg = 270\ntaper = 'logg'", 20, 'taper = "log"'),
    ('"clockwise"', '"clockwse"', 20, 'longer = "clockwise"'),
    ("pulse_min_us = 500\n", "", 22, r"servo\.pulse_min_us is missing"),
    ("pulse_max_us = 2500", "pulse_max_us = 400", 24, r"pulse_max_us = 400.0; expected more"),
    ("pulse_max_us = 2500", "pulse_max_us = nan", 24, r"servo\.pulse_max_us = nan"),
    ("pulse_max_us = 2500", "pulse_max_us = 2500\nangle_max_deg = 0", 25, "another angle"),
]


@pytest.mark.parametrize(("old", "new", "line", "words"), FAULTS)
def test_refuses_and_names_the_line(old: str, new: str, line: int, words: str) -> None:
    with pytest.raises(DesignError, match=words) as caught:
        parse(swap(old, new))
    message = str(caught.value)
    assert message.startswith(f"design.toml, line {line}: ")
    assert "; expected " in message
    assert "; try: " in message
    assert "\n" not in message
    assert len(message) < 400


@pytest.mark.parametrize("name", ["supply", "timer", "knob", "servo"])
def test_refuses_a_missing_table(name: str) -> None:
    start = HERON.index(f"[{name}]")
    end = HERON.find("\n\n", start)
    text = HERON[:start] + (HERON[end:] if end > 0 else "")
    with pytest.raises(DesignError, match=rf"design\.toml: {name}\.\w+ is missing"):
        parse(text)


@pytest.mark.parametrize(
    "text", ["", "\x00", "a = [[[[" * 5000, "channel = 1" + "0" * 5000, "\r", "[", "= 3"]
)
def test_refuses_what_is_no_design(text: str) -> None:
    with pytest.raises(DesignError) as caught:
        parse(text)
    assert len(str(caught.value)) < 500


def test_a_model_of_diode_that_is_not_known() -> None:
    start, end = HERON.index("saturation"), HERON.index("[knob]")
    with pytest.raises(DesignError, match=r"line 14: diode.model = '1N4184'.*\"1N4148\""):
        parse(HERON[:start] + 'model = "1N4184"\n' + HERON[end:])


@settings(max_examples=200, deadline=None)
@given(place=st.integers(0, len(HERON)), cut=st.integers(0, 12), words=st.text(max_size=12))
def test_any_damage_is_read_or_refused(place: int, cut: int, words: str) -> None:
    try:
        design = parse(HERON[:place] + words + HERON[place + cut :])
    except DesignError:
        return
    assert all(part.value >= 0 for part in design.parts)


# --- channel names ---


@pytest.mark.parametrize(
    "name", ["heron", "stage-left_2", "Käfer", "a b", "[busy]", "x" * 64, "七"]
)
def test_names_that_can_be_folders(name: str) -> None:
    assert check_channel_name(name) == name


def test_composed_and_decomposed_names_are_one() -> None:
    assert check_channel_name("Ka\u0308fer") == "Käfer"


@pytest.mark.parametrize(
    "name",
    [
        "", ".", "..", "a/b", "a\\b", "a:b", "-x", ".x", " x", "x.", "x ", "a\nb", "a\x1bb",
        "a\u202eb", "a?", "a*", 'a"', "a|b", "<a>", "con", "CON", "nul.txt", "COM1", "lpt9.x",
        "COM¹", "x" * 65, "🦆" * 60, "\ud800", 7, None,
    ],
)  # fmt: skip
def test_names_that_cannot(name: str) -> None:
    """Reserved names of Windows from memory of its documentation."""
    with pytest.raises(DesignError, match="channel name") as caught:
        check_channel_name(name)
    assert "\n" not in str(caught.value)
    str(caught.value).encode("utf-8")


# --- what is predicted ---


def test_heron_sweeps_from_600_to_2370() -> None:
    """The stage's first channel: about 600 to 2370 us over its knob (invented figures)."""
    times = predict_cycle(HERON_DESIGN, [0.0, 270.0])
    np.testing.assert_allclose(times.on_s * 1e6, [600, 2370], atol=8)
    assert np.all(times.period_s < 20e-3)


def test_knob_splits_its_track() -> None:
    circuit = build_circuit(HERON_DESIGN, [0.0, 67.5, 270.0])
    np.testing.assert_allclose(np.asarray(circuit.r_a_ohm), [33e3, 58e3, 133e3])
    np.testing.assert_allclose(np.asarray(circuit.r_b_ohm), [920e3, 895e3, 820e3])


def test_without_knob_and_diode_it_is_the_data_sheet_astable() -> None:
    """831.777 and 311.916 us at every angle (TI SLFS022A figure 13, ln 2 exact)."""
    design = parse(NO_KNOB)
    assert design.diode_model == "none"
    times = predict_cycle(design, [0.0, 100.0, 270.0])
    np.testing.assert_allclose(times.on_s * 1e6, 831.777, atol=5e-4)
    np.testing.assert_allclose(times.off_s * 1e6, 311.916, atol=5e-4)


def test_other_parts_supply_and_temperature() -> None:
    half = predict_cycle(HERON_DESIGN, 100.0, parts={"c_timing": 11e-9})
    plain = predict_cycle(HERON_DESIGN, 100.0)
    # all but the comparators' 0.1 us goes with C
    assert float(half.on_s) == pytest.approx(float(plain.on_s) / 2, abs=0.2e-6)
    drawn = predict_cycle(
        HERON_DESIGN, np.array([0.0, 270.0]), parts={"r_on": np.array([[30e3], [33e3], [36e3]])}
    )
    assert drawn.on_s.shape == (3, 2)
    np.testing.assert_allclose(drawn.on_s[1], predict_cycle(HERON_DESIGN, [0.0, 270.0]).on_s)
    cold = predict_cycle(HERON_DESIGN, 100.0, temperature_c=[0.0, 27.0, 40.0])
    assert np.all(np.diff(cold.on_s) < 0)
    low = predict_cycle(HERON_DESIGN, 100.0, supply_v=[4.8, 6.0])
    assert 40e-6 < float(low.on_s[0] - low.on_s[1]) < 90e-6
    with pytest.raises(ValueError, match="unknown part 'r_of'"):
        predict_cycle(HERON_DESIGN, 0.0, parts={"r_of": 1.0})


@settings(max_examples=40, deadline=None)
@given(
    longer=st.sampled_from(["clockwise", "anticlockwise"]),
    taper=st.sampled_from(["linear", "log"]),
    family=st.sampled_from(["ideal", "bipolar", "cmos"]),
    volts=st.floats(4.5, 12.0),
)
def test_on_follows_the_knob(longer: str, taper: str, family: str, volts: float) -> None:
    text = HERON.replace('longer = "clockwise"', f'longer = "{longer}"\ntaper = "{taper}"')
    text = text.replace('"cmos"', f'"{family}"').replace("6.0", repr(volts))
    times = predict_cycle(parse(text), np.linspace(0.0, 270.0, 30))
    grows = np.diff(times.on_s) > 0
    assert np.all(grows if longer == "clockwise" else ~grows)
    assert np.all((np.diff(times.off_s) < 0) == grows)


def test_positions_tell_angle_and_end_stop() -> None:
    design = parse(swap("pulse_max_us = 2500", "pulse_max_us = 2000"))
    rows = predict_positions(design, [0.0, 135.0, 270.0])
    assert [row.knob_deg for row in rows] == [0.0, 135.0, 270.0]
    assert [row.end_stop for row in rows] == [None, None, "high"]
    assert rows[2].servo_deg == 180.0
    assert rows[1].servo_deg == pytest.approx((rows[1].on_s - 500e-6) / 1500e-6 * 180)
    for row in rows:
        assert row.period_s == pytest.approx(row.on_s + row.off_s)
        assert row.on_low_s < row.on_s < row.on_high_s
    low = predict_positions(parse(swap("pulse_min_us = 500", "pulse_min_us = 700")), [0.0])
    assert low[0].end_stop == "low"
    assert low[0].servo_deg == 0.0


@pytest.mark.parametrize("angle", [-1.0, 271.0, math.nan])
def test_positions_refuse_an_angle_beyond_the_stops(angle: float) -> None:
    with pytest.raises(DesignError, match=r"knob angle .* from 0 to 270 degrees"):
        predict_positions(HERON_DESIGN, [angle])


def test_a_circuit_that_cannot_oscillate_is_told() -> None:
    stuck = parse(
        swap('r_on = "33k"', 'r_on = "10"').replace("[servo]", "contact_ohm = 20\n[servo]")
    )
    with pytest.raises(DesignError, match="off never ends"):
        predict_positions(stuck, [0.0])
    text = NO_KNOB.replace('"ideal"', '"bipolar"').replace('"3k"', '"80M"')
    with pytest.raises(DesignError, match="on never ends"):
        predict_positions(parse(text), [0.0])


# --- the band ---


def linear_design() -> Design:
    """Return a channel whose on time is a plain product: no diode, no knob, ideal timer."""
    return parse(NO_KNOB)


def test_band_of_a_product_agrees_with_its_distribution() -> None:
    """On is ln 2 (R_on + R_off) C: three rectangular factors, drawn anew and plainly.

    Half a million plain draws give the quantiles to 0.03 %, the stratified 2000 to some
    0.3 % of the half-width of 11 %.
    """
    band = tolerance_band(linear_design(), 0.0)
    source = np.random.default_rng(1)
    r_on, r_off, c = (
        value * (1 + source.uniform(-t, t, 500_000))
        for value, t in ((5e3, 0.05), (3e3, 0.05), (0.15e-6, 0.10))
    )
    on_s, off_s = math.log(2) * (r_on + r_off) * c, math.log(2) * r_off * c
    for low, high, times in (
        (band.on_low_s, band.on_high_s, on_s),
        (band.off_low_s, band.off_high_s, off_s),
        (band.period_low_s, band.period_high_s, on_s + off_s),
    ):
        np.testing.assert_allclose([low, high], np.quantile(times, [0.025, 0.975]), rtol=4e-3)


def test_band_of_one_rectangular_part_is_its_middle_95_per_cent() -> None:
    design = linear_design()
    exact = {
        name: dataclasses.replace(getattr(design, name), tolerance=0.0)
        for name in ("r_on", "r_off", "r_knob")
    }
    band = tolerance_band(dataclasses.replace(design, **exact), [0.0, 90.0])
    nominal_s = 831.777e-6
    np.testing.assert_allclose(band.on_low_s, nominal_s * (1 - 0.095), rtol=2e-4)
    np.testing.assert_allclose(band.on_high_s, nominal_s * (1 + 0.095), rtol=2e-4)


def test_band_is_the_same_each_time_and_grows_with_tolerance() -> None:
    angles = np.linspace(0.0, 270.0, 13)
    one, two = tolerance_band(HERON_DESIGN, angles), tolerance_band(HERON_DESIGN, angles)
    np.testing.assert_array_equal(one.on_low_s, two.on_low_s)
    np.testing.assert_array_equal(one.off_high_s, two.off_high_s)
    wide = dataclasses.replace(HERON_DESIGN, diode_tolerance=TYPE_SPREAD["1N4148"])
    wider = tolerance_band(wide, angles)
    assert np.all(wider.on_high_s - wider.on_low_s > one.on_high_s - one.on_low_s)
    supply = dataclasses.replace(
        HERON_DESIGN, supply=dataclasses.replace(HERON_DESIGN.supply, tolerance=0.2)
    )
    loose, read = tolerance_band(supply, 0.0), tolerance_band(supply, 0.0, supply_v=6.0)
    assert float(loose.on_high_s - loose.on_low_s) > float(read.on_high_s - read.on_low_s)


def test_band_of_exact_parts_is_narrow() -> None:
    """Only the comparators' levels are left: 1 % each, so about 3 % of on."""
    r_on, r_knob, r_off, c_timing = (
        dataclasses.replace(part, tolerance=0.0) for part in HERON_DESIGN.parts
    )
    exact = dataclasses.replace(
        HERON_DESIGN, r_on=r_on, r_knob=r_knob, r_off=r_off, c_timing=c_timing
    )
    band = tolerance_band(exact, 135.0)
    on_s = float(predict_cycle(HERON_DESIGN, 135.0).on_s)
    assert 0.02 < float(band.on_high_s - band.on_low_s) / 2 / on_s < 0.05


def test_band_refuses_parts_that_mostly_cannot_oscillate() -> None:
    """R_on of 28 to 112 ohm against 26 ohm of contact and transistor."""
    text = swap('r_on = "33k"', 'r_on = "70"\nr_on_tolerance = "60%"')
    text = text.replace('r_knob = "100k"', "r_knob = 0").replace(
        "[servo]", "contact_ohm = 12\n[servo]"
    )
    design = parse(text)
    assert float(predict_cycle(design, 0.0).on_s) > 0
    with pytest.raises(DesignError, match="of channels built from these parts cannot oscillate"):
        tolerance_band(design, 0.0)


# --- sensitivity ---


def test_sensitivity_is_the_slope_of_the_prediction() -> None:
    """Against secants taken elsewhere: a hundredth of the slope is left to curvature."""
    angles = np.array([30.0, 135.0, 240.0])
    slopes = sensitivity(HERON_DESIGN, angles)
    up = predict_cycle(HERON_DESIGN, angles, supply_v=6.1)
    down = predict_cycle(HERON_DESIGN, angles, supply_v=5.9)
    np.testing.assert_allclose(slopes.on_per_v, (up.on_s - down.on_s) / 0.2, rtol=1e-2)
    warm = predict_cycle(HERON_DESIGN, angles, temperature_c=30.0)
    cold = predict_cycle(HERON_DESIGN, angles, temperature_c=24.0)
    np.testing.assert_allclose(slopes.on_per_k, (warm.on_s - cold.on_s) / 6, rtol=1e-2)
    further = predict_cycle(HERON_DESIGN, angles + 3)
    nearer = predict_cycle(HERON_DESIGN, angles - 3)
    np.testing.assert_allclose(slopes.on_per_deg, (further.on_s - nearer.on_s) / 6, rtol=1e-2)
    np.testing.assert_allclose(slopes.off_per_deg, (further.off_s - nearer.off_s) / 6, rtol=5e-2)


def test_a_degree_of_knob_is_some_seven_microseconds() -> None:
    """A design figure; at the stops the slope is taken on the side that exists."""
    slopes = sensitivity(HERON_DESIGN, [0.0, 135.0, 270.0])
    np.testing.assert_allclose(slopes.on_per_deg * 1e6, 6.6, atol=0.3)
    assert np.all(slopes.on_per_k < 0)
    assert np.all(slopes.on_per_v < 0)
    # off moves the other way, by about 0.85 of it
    np.testing.assert_allclose(slopes.off_per_deg / slopes.on_per_deg, -0.87, atol=0.03)


def test_positions_come_in_the_order_asked() -> None:
    rows = predict_positions(HERON_DESIGN, [270.0, 0.0, 90.0])
    assert [row.knob_deg for row in rows] == [270.0, 0.0, 90.0]
    assert [a.on_s > b.on_s for a, b in pairwise(rows)] == [True, False]
