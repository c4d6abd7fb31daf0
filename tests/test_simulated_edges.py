"""True edges: phases, missing and extra pulses, what a probe reports. Worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.capture import simulated
from benchlog.capture.simulated_edges import TrueEdges, list_edges, with_pulses, without_pulses

EDGES = TrueEdges.from_times([1.0, 1.5, 3.0, 3.25, 5.0, 5.5], first=True)


def test_phases() -> None:
    np.testing.assert_allclose(EDGES.on_s, [0.5, 0.25, 0.5])
    np.testing.assert_allclose(EDGES.off_s, [1.5, 1.75])
    cut = TrueEdges.from_times([1.0, 3.0, 3.25], first=False)
    np.testing.assert_allclose(cut.off_s, [2.0])
    np.testing.assert_allclose(cut.on_s, [0.25])
    assert (EDGES.first_level, cut.first_level) == (False, True)
    assert TrueEdges.from_times([], first=True).on_s.size == 0


def test_a_missing_pulse_joins_two_gaps() -> None:
    kept = without_pulses(EDGES, [1])
    np.testing.assert_allclose(kept.time_s, [1.0, 1.5, 5.0, 5.5])
    np.testing.assert_allclose(kept.off_s, [3.5])
    with pytest.raises(IndexError):
        without_pulses(EDGES, [3])
    none = without_pulses(EDGES, [0, 1, 2])
    assert (none.time_s.size, none.first_level) == (0, False)


def test_an_extra_pulse_in_a_gap_and_a_notch_in_a_pulse() -> None:
    more = with_pulses(EDGES, [2.0, 1.25], 0.125)
    np.testing.assert_allclose(more.time_s[:6], [1.0, 1.25, 1.375, 1.5, 2.0, 2.125])
    np.testing.assert_allclose(more.on_s[:4], [0.25, 0.125, 0.125, 0.25])
    for start, width in ([1.45], 0.125), ([2.0, 2.1], 0.125), ([2.0], 0.0):
        with pytest.raises(ValueError, match="moment"):
            with_pulses(EDGES, start, width)


def test_what_a_probe_reports() -> None:
    listed = list_edges(EDGES, 4.0, tick_s=0.4, name="probe")
    np.testing.assert_allclose(listed.time_s, [0.8, 1.2, 2.8, 3.2])
    np.testing.assert_array_equal(listed.level, [True, False, True, False])
    assert (listed.start_s, listed.end_s, listed.resolution_s) == (0.0, 4.0, 0.4)
    exact = list_edges(EDGES, 6.0)
    np.testing.assert_array_equal(exact.time_s, EDGES.time_s)


@pytest.mark.parametrize(
    ("times", "levels", "match"),
    [
        ([1.0, 1.0], [True, False], "ascending"),
        ([2.0, 1.0], [True, False], "ascending"),
        ([np.nan, 1.0], [True, False], "finite"),
        ([1.0, 2.0], [True, True], "alternate"),
        ([1.0], [True, False], "one level an edge"),
    ],
)
def test_impossible_edges_are_refused(times: list[float], levels: list[bool], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        TrueEdges(np.array(times), np.array(levels))


def test_the_front_door_names_what_is_there() -> None:
    for name in simulated.__all__:
        assert hasattr(simulated, name)
