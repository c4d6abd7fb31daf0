"""What a table's curve says, in sentences and as JSON."""

from __future__ import annotations

import json

import numpy as np
import pytest

from benchlog.calibration.table import build_table
from benchlog.show.curve_view import curve_sentences, curve_to_json
from tests.simulated_knobs import SimulatedKnob, draw_knob

MARKS = np.linspace(0.0, 270.0, 13)


@pytest.fixture(scope="module")
def knob() -> SimulatedKnob:
    return draw_knob(np.random.default_rng(31), kind="sines", hysteresis_deg=2.0)


def test_a_sweep_both_ways_tells_hysteresis_and_dead_travel(knob: SimulatedKnob) -> None:
    points = knob.sweep(MARKS, ("up", "down"), np.random.default_rng(1))
    table = build_table(knob.design, points)
    text = " ".join(curve_sentences(table))
    curve = table.curve
    assert curve.hysteresis_deg is not None
    assert f"turning down lie {curve.hysteresis_deg:.1f}° ± " in text
    assert "common practice" not in text
    assert f"About {curve.settings.count} settings" in text
    assert "from any side" in text
    surely = curve.dead_low_deg > 2 * curve.u_dead_low_deg
    assert (f"irst {curve.dead_low_deg:.1f}°" in text) == surely


def test_one_way_says_that_the_other_is_allowed_for(knob: SimulatedKnob) -> None:
    points = knob.sweep(MARKS, ("up",), np.random.default_rng(2))
    text = " ".join(curve_sentences(build_table(knob.design, points)))
    assert "Swept one way only" in text
    assert "from the same side" in text


def test_few_marks_say_that_more_help(knob: SimulatedKnob) -> None:
    points = knob.sweep(np.array([135.0]), ("up", "down"), np.random.default_rng(3))
    sentences = curve_sentences(build_table(knob.design, points))
    assert len(sentences) == 1
    assert sentences[0].startswith("With 1 mark the knob's curve")
    assert "more marks help" in sentences[0]


def test_the_json_holds_the_curve_every_degree(knob: SimulatedKnob) -> None:
    points = knob.sweep(MARKS, ("up",), np.random.default_rng(4))
    table = build_table(knob.design, points)
    content = json.loads(json.dumps(curve_to_json(table.curve), allow_nan=False))
    assert content["hysteresis_deg"] is None
    assert content["u_hysteresis_deg"] is None
    assert [row["knob_deg"] for row in content["curve"]] == [float(k) for k in range(271)]
    value, u = table.curve.pulse_at(100.0)
    row = content["curve"][100]
    assert row["pulse_us"] == pytest.approx(float(value) * 1e6, abs=1e-3)
    assert row["u_pulse_us"] == pytest.approx(float(u) * 1e6, abs=1e-3)
    assert row["low_us"] < row["pulse_us"] < row["high_us"] < row["period_us"]
