"""Tests of `benchlog.diagnosis.cycles`."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.diagnosis.cycles import list_cycles
from benchlog.recording import EdgeList
from benchlog.timing.edges import edges_from_list
from benchlog.timing.pulses import Measurement, measure_edges

TICK_S = 1e-6


def measured(time_s: list[float]) -> Measurement:
    """Measure edges that rise and fall by turns."""
    time = np.array(time_s)
    level = np.arange(time.size) % 2 == 0
    found = measure_edges(
        edges_from_list(EdgeList(time, level, TICK_S, 0.0, float(time[-1]) + 0.01))
    )
    assert found is not None
    return found


def test_each_cycle_is_a_pulse_and_the_rest_behind_it() -> None:
    cycles = list_cycles(measured([0.010, 0.011, 0.030, 0.0312, 0.050, 0.0511, 0.070, 0.071]))
    assert cycles.on_s == pytest.approx([1.0e-3, 1.2e-3, 1.1e-3])
    assert cycles.off_s == pytest.approx([19.0e-3, 18.8e-3, 18.9e-3])
    assert cycles.period_s == pytest.approx([20e-3] * 3)
    assert cycles.start_s == pytest.approx([0.010, 0.030, 0.050])
    assert cycles.follows.tolist() == [False, True, True]
    assert cycles.count == 3


def test_a_probe_tick_spreads_each_edge_evenly() -> None:
    cycles = list_cycles(measured([0.010, 0.011, 0.030, 0.031, 0.050, 0.051]))
    # a rectangular distribution a tick wide (JCGM 100, 4.3.7)
    assert cycles.u_edge_s == pytest.approx(TICK_S / np.sqrt(12.0))


def test_leaves_out_where_a_pulse_is_missing() -> None:
    time = [t for k in range(12) if k != 5 for t in (0.02 * k + 0.01, 0.02 * k + 0.011)]
    cycles = list_cycles(measured(time))
    assert cycles.period_s == pytest.approx([20e-3] * cycles.count)
    assert cycles.count == 9
    assert np.flatnonzero(~cycles.follows).tolist() == [0, 4]


def test_leaves_out_what_an_event_spoils() -> None:
    measurement = measured([t for k in range(8) for t in (0.02 * k + 0.01, 0.02 * k + 0.011)])
    spoilt = np.zeros(8, dtype=bool)
    spoilt[3] = True
    cycles = list_cycles(measurement, spoilt)
    assert cycles.count == 6
    assert cycles.follows.tolist() == [False, True, True, False, True, True]


def test_refuses_marks_of_another_length() -> None:
    measurement = measured([0.010, 0.011, 0.030, 0.031, 0.050, 0.051])
    with pytest.raises(ValueError, match="spoilt must have shape"):
        list_cycles(measurement, np.zeros(2, dtype=bool))


@given(shift_s=st.floats(0.0, 5.0))
def test_a_later_start_changes_no_length(shift_s: float) -> None:
    time = np.cumsum(np.tile([1.1e-3, 17e-3], 10)) + 0.01
    here = list_cycles(measured(time.tolist()))
    there = list_cycles(measured((time + shift_s).tolist()))
    # times are held to some 1e-15 s, so lengths agree to the rounding of the sums
    assert there.on_s == pytest.approx(here.on_s, abs=1e-12)
    assert there.off_s == pytest.approx(here.off_s, abs=1e-12)
    assert there.start_s == pytest.approx(here.start_s + shift_s, abs=1e-12)
