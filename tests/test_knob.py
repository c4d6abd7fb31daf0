"""The knob: angles to the share of the track."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.channel.knob import LOG_MIDDLE, Knob


def test_linear_by_hand() -> None:
    knob = Knob(270.0)
    np.testing.assert_allclose(
        knob.on_fraction([0.0, 67.5, 135.0, 270.0]), [0.0, 0.25, 0.5, 1.0], atol=1e-15
    )


def test_the_other_way_round() -> None:
    knob = Knob(270.0, longer="anticlockwise")
    np.testing.assert_allclose(knob.on_fraction([0.0, 67.5, 270.0]), [1.0, 0.75, 0.0], atol=1e-15)


def test_dead_stretches_change_nothing() -> None:
    """300 degrees of rotation, 256 of them effective (omeg P20, omeg.co.uk)."""
    knob = Knob(300.0, dead_low_deg=24.0, dead_high_deg=20.0)
    np.testing.assert_allclose(
        knob.on_fraction([0.0, 24.0, 88.0, 152.0, 280.0, 300.0]),
        [0.0, 0.0, 0.25, 0.5, 1.0, 1.0],
        atol=1e-15,
    )


def test_beyond_the_stops_is_at_the_stop() -> None:
    assert Knob(270.0).on_fraction([-5.0, 280.0]).tolist() == [0.0, 1.0]


@pytest.mark.parametrize(("longer", "middle"), [("clockwise", 0.15), ("anticlockwise", 0.85)])
def test_log_taper(longer: str, middle: float) -> None:
    """15 % of the resistance at half travel (common practice for an audio taper)."""
    knob = Knob(270.0, longer=longer, taper="log")  # type: ignore[arg-type]
    assert LOG_MIDDLE == 0.15
    assert float(knob.on_fraction(135.0)) == pytest.approx(middle, rel=1e-12)
    ends = knob.on_fraction([0.0, 270.0])
    assert sorted(ends.tolist()) == pytest.approx([0.0, 1.0], abs=1e-15)


def test_log_taper_is_the_same_whichever_way_it_is_cut() -> None:
    """Equal turns multiply the growth of resistance by equal factors."""
    steps = np.diff(Knob(300.0, taper="log").on_fraction(np.arange(0.0, 301.0, 50.0)))
    np.testing.assert_allclose(steps[1:] / steps[:-1], (0.85 / 0.15) ** (1 / 3), rtol=1e-9)


@given(
    travel=st.floats(90.0, 3600.0),
    dead=st.tuples(st.floats(0.0, 40.0), st.floats(0.0, 40.0)),
    taper=st.sampled_from(["linear", "log"]),
    turns=st.lists(st.floats(0.0, 1.0), min_size=2, max_size=9),
)
def test_turns_one_way_only(
    travel: float, dead: tuple[float, float], taper: str, turns: list[float]
) -> None:
    angle = np.sort(np.array(turns)) * travel
    low, high = dead
    up = Knob(travel, taper=taper, dead_low_deg=low, dead_high_deg=high)  # type: ignore[arg-type]
    down = Knob(travel, "anticlockwise", taper, low, high)  # type: ignore[arg-type]
    x = up.on_fraction(angle)
    assert np.all(np.diff(x) >= 0)
    assert np.all((x >= 0) & (x <= 1))
    np.testing.assert_allclose(down.on_fraction(angle), 1 - x, atol=1e-15)
